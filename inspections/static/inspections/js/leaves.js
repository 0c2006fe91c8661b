/* The bench goes on by itself: each leaf tapped moves the bracket, the verdict and the advice at
 * once, from the table that came with the card. No rule stands here: what a bracket means is looked
 * up. What the table does not hold waits for the server, whose card replaces all of this.
 *
 * #leaf-plan   the table (inspections/rules/leafplan.py) and what was tried at this position
 * wearbook:queue   bench.js says what of this position is on its way; see there
 */
"use strict";

(() => {
  const SIGNS = { free: "enters", drag: "drag", refuses: "refuses" };
  const FEELS = {
    free: "enters freely",
    drag: "enters with light drag",
    refuses: "does not enter",
  };
  let pending = [];
  // What was chosen here since the card came: the series in hand, and what a leaf is for.
  let chosen = { place: "", repeat: 0, narrow: null };

  const card = () => document.querySelector("[data-card]");
  const find = (name) => card()?.querySelector(`[data-${name}]`) ?? null;
  const worksheet = () => {
    const script = card()?.querySelector("#leaf-plan");
    return script ? JSON.parse(script.textContent) : null;
  };

  /* ---- leaves */

  const leavesOf = (key) => key.split(" + ");
  const keyOf = (leaves) => [...leaves].sort((a, b) => Number(a) - Number(b)).join(" + ");
  const places = (key) => Math.max(...leavesOf(key).map((leaf) => (leaf.split(".")[1] ?? "").length));
  const thickness = (key) =>
    leavesOf(key).reduce((total, leaf) => total + Number(leaf), 0).toFixed(places(key));

  /* What was tried here: what the server knows, then what is on its way to it, in order. */
  const triesNow = (sheet) => {
    let tries = sheet.tries.map(([key, feel, repeat]) => ({ key, feel, repeat }));
    for (const entry of pending) {
      const sent = new URLSearchParams(entry.body);
      const what = sent.get("do");
      if (what === "retake") tries = [];
      if (what === "take_back") tries = tries.slice(0, -1);
      if (what !== "try" || sent.get("instrument") !== String(sheet.instrument)) continue;
      const leaves = `${sent.get("leaf")} + ${sent.get("second") ?? ""}`.split("+");
      const one = {
        key: keyOf(leaves.map((leaf) => leaf.trim()).filter(Boolean)),
        feel: sent.get("feel"),
        repeat: Number(sent.get("repeat")) || 1,
        waits: entry.late ? "waits" : "",
        sent: true,
      };
      tries = tries.filter((t) => t.key !== one.key || t.repeat !== one.repeat);
      one.clash = place(sheet, [...tries, one].filter((t) => t.repeat === one.repeat)) === "clash";
      tries.push(one);
    }
    return tries;
  };

  /* The ends of a series in the table; "clash" where two leaves contradict each other, "unknown"
   * where the table has no such leaf. */
  const place = (sheet, tries) => {
    let [low, high] = [null, null];
    for (const one of tries) {
      if (one.clash) continue;
      const rank = sheet.plan.ends[one.key];
      if (rank === undefined) return "unknown";
      const end = { rank, key: one.key };
      if (one.feel === "refuses") {
        if (!high || rank < high.rank) high = end;
      } else if (!low || rank > low.rank) low = end;
    }
    return low && high && low.rank >= high.rank ? "clash" : { low, high };
  };

  const lookUp = (sheet, ends) => {
    const cell = sheet.plan.cells[`${ends.low?.rank ?? ""}|${ends.high?.rank ?? ""}`];
    if (!cell) return null;
    const [outcome, word, chance] = sheet.plan.states[cell[0]];
    const [kind, sentence, leaves, prospect] = sheet.plan.advices[cell[narrow(sheet) ? 2 : 1]];
    return { outcome, word, chance, kind, sentence, leaves, prospect };
  };

  const here = (sheet) => `${location.pathname} ${sheet.position} ${sheet.instrument}`;
  const ours = (sheet) => chosen.place === here(sheet);
  const narrow = (sheet) => (ours(sheet) && chosen.narrow !== null ? chosen.narrow : sheet.narrow);
  /* The series in hand: one begun anew comes after the last that has a leaf. */
  const seriesInHand = (sheet, tries) => {
    const last = Math.max(0, ...tries.map((one) => one.repeat));
    const asked = Math.max(sheet.repeat, last, ours(sheet) ? chosen.repeat : 0);
    return last ? Math.min(asked, last + 1, sheet.most_repeats) : 1;
  };
  const choose = (sheet, what) => {
    const before = ours(sheet) ? chosen : { repeat: 0, narrow: null };
    chosen = { ...before, ...what, place: here(sheet) };
  };

  /* ---- on the card */

  const say = (element, text) => {
    if (!element) return;
    element.textContent = text;
    element.hidden = !text;
  };

  const element = (tag, name, ...inside) => {
    const made = document.createElement(tag);
    made.className = name;
    made.append(...inside);
    return made;
  };

  const said = (sheet, { low, high }) => {
    const [from, to] = [low, high].map((end) => end && thickness(end.key));
    if (from && to) return `${from} enters, ${to} ${sheet.unit} does not`;
    if (from) return `${from} ${sheet.unit} enters; none refused yet`;
    if (to) return `${to} ${sheet.unit} does not enter; none thinner entered yet`;
    return `Nothing is measured at ${sheet.position} yet.`;
  };

  const showAdvice = (found, sentence) => {
    const advice = find("advice");
    if (!advice) return;
    advice.textContent = sentence;
    advice.classList.toggle("advice--hole", found?.kind === "cannot_decide");
    say(find("prospect"), found?.prospect ?? "");
    const stack = found?.leaves.includes(" + ") ? found.leaves : "";
    const button = find("stack");
    button.hidden = !stack;
    const input = button.querySelector("input");
    input.disabled = !stack;
    input.value = stack;
    if (!stack) input.checked = false;
    button.querySelector("span").textContent = stack;
    for (const leaf of card().querySelectorAll('.leaf:not([data-stack]) input[name="leaf"]')) {
      const advised = leaf.value === found?.leaves;
      const label = leaf.closest(".leaf");
      label.classList.toggle("leaf--advised", advised);
      const hint = label.querySelector("[data-hint]");
      if (hint && !advised) hint.remove();
      if (!hint && advised) {
        const words = element("span", "visually-hidden", ", to try next");
        words.dataset.hint = "";
        label.append(words);
      }
    }
  };

  const showFeels = (series) => {
    const felt = new Map(series.filter((t) => !t.clash).map((t) => [t.key, SIGNS[t.feel]]));
    for (const leaf of card().querySelectorAll('.leaf:not([data-stack]) input[name="leaf"]')) {
      for (const sign of Object.values(SIGNS)) {
        leaf.closest(".leaf").classList.toggle(`leaf--${sign}`, felt.get(leaf.value) === sign);
      }
    }
  };

  const showTries = (sheet, tries, inHand) => {
    const section = find("tries");
    const numbers = [...new Set([...tries.map((t) => t.repeat), inHand])].sort((a, b) => a - b);
    section.replaceChildren(
      ...numbers.map((number) => {
        const name = element("h2", "series__name", `Series ${number}`);
        name.hidden = numbers.length === 1;
        const list = element("ol", "tried");
        list.setAttribute("role", "list");
        for (const one of tries.filter((t) => t.repeat === number)) {
          const leaves = leavesOf(one.key).length > 1 ? `${one.key} = ${thickness(one.key)}` : one.key;
          const state = one.clash ? "disagrees with those before" : one.waits ?? "";
          list.append(
            element(
              "li",
              `tried__one tried__one--${SIGNS[one.feel]}${one.sent ? " tried__one--sent" : ""}`,
              element("span", "", leaves),
              element("small", "", `${FEELS[one.feel]}${state ? `, ${state}` : ""}`),
            ),
          );
        }
        const row = element("div", "series", name, list);
        row.dataset.series = number;
        return row;
      }),
    );
  };

  const showVerdict = (sheet, ends, found, series) => {
    say(find("said"), `${series ? `Series ${series}: ` : ""}${said(sheet, ends)}`);
    const box = find("verdict-here");
    const measured = ends.low || ends.high;
    if (!found || !measured) {
      box.replaceChildren(...(measured ? [element("span", "waits", "verdict waits for the server")] : []));
      return;
    }
    const word = element("span", `verdict verdict--${found.outcome}`, found.word);
    const chance = element("span", "chance", `${found.chance} chance of meeting the limit`);
    box.replaceChildren(word, ...(found.chance ? [" ", chance] : []));
    const dot = card().querySelector('.positions [aria-current="step"]');
    if (dot && !series) dot.className = `positions__${found.outcome}`;
  };

  const showBracket = (sheet, ends, found) => {
    const old = find("bracket").querySelector("svg");
    const fresh = drawn(sheet, ends, found?.outcome ?? "undecided");
    if (old && fresh) old.replaceWith(fresh);
  };

  const SVG = "http://www.w3.org/2000/svg";
  const shape = (tag, name, at, text) => {
    const made = document.createElementNS(SVG, tag);
    made.setAttribute("class", `bracket-plot__${name}`);
    for (const [key, value] of Object.entries(at)) made.setAttribute(key, value);
    if (text) made.textContent = text;
    return made;
  };

  /* The running bracket until the server draws it: the limits as ticks, a bar between the ends. */
  const drawn = (sheet, ends, outcome) => {
    const [from, to] = [ends.low, ends.high].map((end) => (end ? Number(thickness(end.key)) : null));
    const limits = sheet.limits.filter((limit) => limit !== null);
    const most = Math.max(...limits, from ?? 0, to ?? 0);
    if (!(most > 0)) return null;
    const at = (length) => 12 + (length / most) * 410;
    const svg = document.createElementNS(SVG, "svg");
    svg.setAttribute("class", `bracket-plot bracket-plot--${outcome}`);
    svg.setAttribute("viewBox", "0 0 560 96");
    svg.setAttribute("role", "img");
    svg.setAttribute("aria-label", `${sheet.position}: ${said(sheet, ends)}`);
    svg.append(
      shape("line", "allowed", { x1: 0, y1: 48, x2: 508, y2: 48 }),
      shape("line", "zero", { x1: 12, y1: 43, x2: 12, y2: 53 }),
      shape("text", "figure", { x: 12, y: 78, "text-anchor": "middle" }, "0"),
    );
    if (from !== null || to !== null) {
      const [left, right] = [at(from ?? 0), to === null ? 490 : at(to)];
      svg.append(shape("rect", "bar", { x: left, y: 39, width: Math.max(right - left, 2), height: 18 }));
      if (to === null) svg.append(shape("path", "open", { d: "M496 39L507 48L496 57" }));
    }
    sheet.limits.forEach((limit, index) => {
      if (limit === null) return;
      const x = at(limit);
      const figure = `${index ? "max" : "min"} ${Number(limit.toFixed(5))}`;
      svg.append(
        shape("line", "tick", { x1: x, y1: 28, x2: x, y2: 62 }),
        shape("text", "limit", { x: Math.max(x, 61), y: 18, "text-anchor": "middle" }, figure),
      );
    });
    const apart = from !== null && to !== null && at(to) - at(from) < 72 ? 36 - (at(to) - at(from)) / 2 : 0;
    if (from) svg.append(shape("text", "figure", { x: at(from) - apart, y: 78, "text-anchor": "middle" }, thickness(ends.low.key)));
    if (to !== null) svg.append(shape("text", "figure", { x: at(to) + apart, y: 78, "text-anchor": "middle" }, thickness(ends.high.key)));
    svg.append(shape("text", "unit", { x: 558, y: 53, "text-anchor": "end" }, sheet.unit));
    return svg;
  };

  /* ---- all of it */

  const render = () => {
    const sheet = worksheet();
    if (!sheet) return;
    const form = card().querySelector('form[data-bench="tap"]');
    if (!form) return;
    const tries = triesNow(sheet);
    const inHand = seriesInHand(sheet, tries);
    form.querySelector("[data-repeat-in-hand]").value = inHand;
    const series = tries.filter((t) => t.repeat === inHand);
    const many = new Set(tries.map((t) => t.repeat)).size > 1 || inHand > 1;
    showButtons(sheet, tries, series, inHand);
    const asServed = !pending.length && inHand === sheet.repeat;
    if (!asServed) {
      showTries(sheet, tries, inHand);
      showFeels(series);
    }
    if (!sheet.plan) return;
    const ends = place(sheet, series);
    const known = typeof ends === "object";
    const found = known ? lookUp(sheet, ends) : null;
    const of = many ? `Series ${inHand}: ` : "";
    const sentence = series.some((t) => t.clash)
      ? "The last leaf disagrees with those before it. Clean the leaves and the gap, and repeat both."
      : found?.sentence ?? "The next advice comes with the server's answer.";
    if (asServed && narrow(sheet) === sheet.narrow) return;
    showAdvice(found, of + sentence);
    if (asServed) return;
    showVerdict(sheet, known ? ends : { low: null, high: null }, found, many ? inHand : 0);
    if (known) showBracket(sheet, ends, found);
    const live = document.querySelector("[data-live]");
    if (live) live.textContent = `${sheet.position}: ${found?.word ?? ""}. ${sentence}`;
  };

  const showButtons = (sheet, tries, series, inHand) => {
    const toolbar = find("toolbar");
    if (!toolbar) return;
    if (tries.length) toolbar.hidden = false;
    toolbar.querySelector('form[data-bench="take back"]').hidden = !tries.length;
    toolbar.querySelector("[data-repeat]").hidden = !series.length || inHand >= sheet.most_repeats;
    const aim = toolbar.querySelector("[data-aim]");
    if (aim) aim.textContent = narrow(sheet) ? aim.dataset.decide : aim.dataset.narrow;
  };

  document.addEventListener("wearbook:queue", (event) => {
    pending = event.detail;
    render();
  });

  document.addEventListener("click", (event) => {
    const sheet = worksheet();
    const button = event.target.closest("[data-repeat], [data-aim]");
    if (!sheet || !button || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    if (button.matches("[data-repeat]")) {
      choose(sheet, { repeat: seriesInHand(sheet, triesNow(sheet)) + 1 });
    }
    if (button.matches("[data-aim]")) choose(sheet, { narrow: !narrow(sheet) });
    render();
  });

  render();
})();
