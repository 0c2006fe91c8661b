/* Nothing typed or tapped at the bench is lost to a reload or a bad network.
 *
 * form[data-bench]   a reading: written down here before it is sent, under a key of its own, and
 *                    sent again under the same key until the server has answered. The server acts
 *                    once for a key, so an answer that got lost does no harm.
 * form[data-keep]    what is typed is kept until the server says (by a cookie) that the form with
 *                    this key has arrived.
 */
"use strict";

(() => {
  const person = document.querySelector("[data-waiting]")?.dataset.person;
  if (!person || !window.localStorage) return;
  const QUEUE = `wearbook.queue.${person}`;
  const DRAFTS = `wearbook.drafts.${person}`;
  const RETRY_MS = 8000;
  const SETTLE_MS = 600;
  const OLDEST_DRAFT_MS = 24 * 60 * 60 * 1000;

  const read = (name, empty) => {
    try {
      return JSON.parse(localStorage.getItem(name)) ?? empty;
    } catch {
      return empty;
    }
  };
  const write = (name, value) => {
    try {
      localStorage.setItem(name, JSON.stringify(value));
      return true;
    } catch {
      return false;
    }
  };
  const newKey = () =>
    crypto.randomUUID?.() ??
    [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");

  /* ---- what waits for the network */

  const queue = () => read(QUEUE, []);
  const enqueue = (entry) => write(QUEUE, [...queue(), entry]);
  const dequeue = (key) => write(QUEUE, queue().filter((entry) => entry.key !== key));
  let problem = "";
  // The server has answered that it will not take the first one: waiting alone does not help.
  let stuck = false;
  let draining = false;

  const show = () => {
    const line = document.querySelector("[data-waiting]");
    const entries = queue().filter((entry) => entry.late);
    line.hidden = entries.length === 0;
    line.querySelector("[data-set-aside]").hidden = !stuck;
    if (entries.length) {
      const many = entries.length === 1 ? "1 reading waits" : `${entries.length} readings wait`;
      line.querySelector("[data-waiting-text]").textContent = `${many} for the network.${problem}`;
    }
    // All that is on its way from this place, late or not: the leaves go on from it.
    const onItsWay = queue().filter((entry) => samePlace(entry.url, location.href));
    document.dispatchEvent(new CustomEvent("wearbook:queue", { detail: onItsWay }));
    const list = document.querySelector("[data-waiting-taps]");
    if (!list) return;
    // A leaf that waits stands among the leaves tried here.
    const among = document.querySelector("#leaf-plan") !== null;
    const here = entries.filter(
      (entry) =>
        samePlace(entry.url, location.href) &&
        !(among && new URLSearchParams(entry.body).get("do") === "try"),
    );
    list.hidden = here.length === 0;
    list.replaceChildren(
      ...here.map((entry) => {
        const item = document.createElement("li");
        item.textContent = `${entry.said}: waits`;
        return item;
      }),
    );
  };

  const samePlace = (one, other) => {
    const [a, b] = [new URL(one, location.href), new URL(other, location.href)];
    const place = (url) => url.searchParams.get("position") ?? "";
    return a.pathname === b.pathname && (!place(a) || !place(b) || place(a) === place(b));
  };

  const token = () => document.querySelector('meta[name="csrf-token"]')?.content ?? "";

  /* The answer, or null when it is not known whether the server has acted. */
  const send = async (entry) => {
    const body = new URLSearchParams(entry.body);
    body.delete("csrfmiddlewaretoken");
    let response;
    try {
      response = await fetch(entry.url, {
        method: "POST",
        body,
        headers: { "Idempotency-Key": entry.key, "HX-Request": "true", "X-CSRFToken": token() },
        credentials: "same-origin",
        signal: AbortSignal.timeout(15000),
      });
    } catch {
      [problem, stuck] = ["", false];
      return null;
    }
    stuck = [400, 403, 404, 413].includes(response.status);
    if (response.redirected && !samePath(response.url, entry.url)) {
      problem = " Sign in again, then try.";
      return null;
    }
    if (response.ok || response.status === 422) return response;
    if (response.status === 404) {
      problem = " The inspection is not there any more.";
      return null;
    }
    problem = response.status === 403
      ? " The server refuses them for you; sign in again, then try."
      : ` The server answered ${response.status}.`;
    return null;
  };
  const samePath = (one, other) =>
    new URL(one, location.href).pathname === new URL(other, location.href).pathname;

  const drain = async () => {
    if (draining) return;
    draining = true;
    let last = null;
    try {
      for (let entry = queue()[0]; entry; entry = queue()[0]) {
        // Another tab may be at it: its lock keeps the order.
        const response = await locked(() => (isQueued(entry.key) ? send(entry) : "gone"));
        if (response === "gone") continue;
        if (response === null) {
          write(QUEUE, queue().map((one) => ({ ...one, late: true })));
          break;
        }
        problem = "";
        dequeue(entry.key);
        const html = await response.text();
        const refused = response.status === 422;
        if (samePlace(entry.url, location.href) && html.includes("data-card")) {
          last = { html, refused };
          if (refused) break;
        } else if (refused) {
          notTaken(entry);
        }
      }
    } finally {
      draining = false;
    }
    if (last) swap(last.html);
    show();
    if (last?.refused && queue().length) drain();
  };
  const isQueued = (key) => queue().some((entry) => entry.key === key);
  const locked = (work) =>
    navigator.locks ? navigator.locks.request(QUEUE, work) : Promise.resolve().then(work);

  const notTaken = (entry) => {
    const line = document.createElement("p");
    line.className = "message message--error";
    line.setAttribute("role", "alert");
    const link = document.createElement("a");
    link.href = entry.url;
    link.textContent = entry.said;
    line.append("Not taken: ", link, ". Look at it and measure again.");
    document.querySelector("[data-waiting]").after(line);
  };

  /* ---- the card */

  let settledAt = 0;
  let takenAt = 0;
  const swap = (html) => {
    const card = document.querySelector("[data-card]");
    if (!card) return;
    const focused = document.activeElement?.id;
    const template = document.createElement("template");
    template.innerHTML = html.trim();
    const fresh = template.content.querySelector("[data-card]");
    if (!fresh) return;
    const leaves = leavesInHand(card);
    card.replaceWith(fresh);
    settledAt = Date.now();
    if (!fresh.querySelector(".field-error")) takeInHand(fresh, leaves);
    window.htmx?.process(fresh);
    prepare(fresh);
    const say = document.querySelector("[data-live]");
    if (say) say.textContent = fresh.dataset.announce ?? "";
    const wrong = fresh.querySelector('.fault, [aria-invalid="true"]');
    if (wrong) {
      wrong.focus();
      wrong.scrollIntoView({ block: "center" });
    } else if (focused) {
      document.getElementById(focused)?.focus({ preventScroll: true });
    }
  };

  const chosen = (form, name) => form.querySelector(`input[name="${name}"]:checked`)?.value ?? "";
  const sayLeaves = (form) => [chosen(form, "leaf"), chosen(form, "second")].filter(Boolean).join(" + ");

  const saidOf = (form, data, submitter) => {
    const place = new URL(form.action, location.href).searchParams.get("position") ?? "";
    if (data.get("do") === "try") {
      return `${place}, ${sayLeaves(form)} ${submitter?.textContent.trim().toLowerCase() ?? ""}`;
    }
    if (data.get("do") === "value") {
      const values = [...data].filter(([name, value]) => name.startsWith("value_") && value);
      return `${place}, ${values.map(([, value]) => value).join(" and ")} ${data.get("unit")}`;
    }
    return `${place}, ${form.dataset.bench}`;
  };

  /* A leaf taken up while the answer to the last one was on its way stays in the hand. */
  const leavesInHand = (root) => {
    const form = root.querySelector('form[data-bench="tap"]');
    return form ? sayLeaves(form).split(" + ").filter(Boolean) : [];
  };
  const takeInHand = (root, leaves) => {
    const form = root.querySelector('form[data-bench="tap"]');
    if (!form || !leaves.length) return;
    const pick = (name, value) => {
      const inputs = [...form.querySelectorAll(`input[name="${name}"]:not(:disabled)`)];
      const input = inputs.find((one) => one.value === value);
      if (input) input.checked = true;
      return Boolean(input);
    };
    if (!pick("leaf", leaves.join(" + ")) && pick("leaf", leaves[0]) && leaves[1]) {
      pick("second", leaves[1]);
    }
  };

  /* Before htmx and the plain submit: taps go through the queue, one after the other. */
  document.addEventListener(
    "submit",
    (event) => {
      const form = event.target;
      if (!form.dataset?.bench) return;
      const data = new FormData(form, event.submitter ?? undefined);
      if (form.dataset.bench === "tap" && !data.get("leaf")) {
        event.preventDefault();
        event.stopImmediatePropagation();
        remind(form);
        return;
      }
      const entry = {
        key: newKey(),
        url: form.action,
        body: new URLSearchParams(data).toString(),
        said: saidOf(form, data, event.submitter),
        at: Date.now(),
      };
      // A second tap of the same glove lands on what the first one has just changed.
      // The leaves change as they are tapped, other forms when the server's card comes.
      const changedAt = form.dataset.bench === "tap" ? takenAt : Math.max(takenAt, settledAt);
      const tooSoon = Date.now() - changedAt < SETTLE_MS;
      if (tooSoon) {
        event.preventDefault();
        event.stopImmediatePropagation();
        return;
      }
      if (!enqueue(entry)) return; // no room to write it down: htmx sends it at once
      event.preventDefault();
      event.stopImmediatePropagation();
      forget(form);
      takenAt = Date.now();
      if (form.dataset.bench === "tap") clearLeaf(form);
      show();
      drain();
    },
    { capture: true },
  );

  const remind = (form) => {
    const line = form.querySelector("[data-in-hand]");
    line.hidden = false;
    line.textContent = "Choose the leaf first, then tap how it felt.";
    form.querySelector('input[name="leaf"]')?.focus();
  };
  const clearLeaf = (form) => {
    // The next tap is about another leaf: nothing stays chosen by accident.
    for (const input of form.querySelectorAll('input[name="leaf"], input[name="second"]')) {
      input.checked = input.name === "second" && input.value === "";
    }
    inHand(form);
  };

  const inHand = (form) => {
    const line = form.querySelector("[data-in-hand]");
    if (!line) return;
    const leaves = sayLeaves(form).split(" + ").filter(Boolean);
    line.hidden = leaves.length === 0;
    if (!leaves.length) return;
    const places = Math.max(...leaves.map((leaf) => (leaf.split(".")[1] ?? "").length));
    const sum = leaves.reduce((total, leaf) => total + Number(leaf), 0).toFixed(places);
    line.textContent =
      `In hand: ${leaves.join(" + ")}${leaves.length > 1 ? ` = ${sum}` : ""} ${line.dataset.unit}`;
  };
  document.addEventListener("change", (event) => {
    const form = event.target.closest('form[data-bench="tap"]');
    if (form) inHand(form);
  });

  /* ---- what is typed and not sent */

  const drafts = () => {
    const all = read(DRAFTS, {});
    for (const [name, draft] of Object.entries(all)) {
      if (Date.now() - draft.at > OLDEST_DRAFT_MS) delete all[name];
    }
    return all;
  };
  const nameOf = (form) => `${location.pathname} ${form.dataset.keep}`;
  const keyOf = (form) => form.querySelector('input[name="request_key"]')?.value ?? "";
  const kept = (form) =>
    [...form.elements].filter(
      (field) => field.name && !["hidden", "file", "submit", "button", "password"].includes(field.type),
    );

  const keep = (form) => {
    const values = {};
    for (const field of kept(form)) {
      if (field.type === "radio") {
        if (field.checked) values[field.name] = field.value;
      } else if (field.type === "checkbox") {
        values[field.name] = field.checked;
      } else {
        values[field.name] = field.value;
      }
    }
    write(DRAFTS, { ...drafts(), [nameOf(form)]: { at: Date.now(), key: keyOf(form), values } });
  };
  const forget = (form) => {
    if (!form.dataset.keep) return;
    const all = drafts();
    delete all[nameOf(form)];
    write(DRAFTS, all);
  };

  const restore = (form) => {
    const draft = drafts()[nameOf(form)];
    if (!draft) return;
    // What the server sent back with its refusal is what was typed, and newer.
    if (form.querySelector(".field-error")) return;
    let differs = false;
    for (const field of kept(form)) {
      const value = draft.values[field.name];
      if (value === undefined) continue;
      if (field.type === "radio" || field.type === "checkbox") {
        const checked = field.type === "radio" ? field.value === value : value;
        differs ||= field.checked !== checked;
        field.checked = checked;
      } else {
        differs ||= field.value !== value;
        field.value = value;
      }
    }
    if (!differs) return;
    form.closest("details")?.setAttribute("open", "");
    const line = document.createElement("p");
    line.className = "advice";
    line.textContent = "What you typed here before is back. It is not saved yet.";
    form.prepend(line);
  };

  const forgetArrived = () => {
    const arrived = /(?:^|; )wearbook_done=([^;]*)/.exec(document.cookie)?.[1];
    if (!arrived) return;
    const all = drafts();
    for (const [name, draft] of Object.entries(all)) {
      if (draft.key === arrived) delete all[name];
    }
    write(DRAFTS, all);
  };

  for (const kind of ["input", "change"]) {
    document.addEventListener(kind, (event) => {
      const form = event.target.closest?.("form[data-keep]");
      if (form) keep(form);
    });
  }
  document.addEventListener("submit", (event) => {
    if (event.target.dataset?.keep) keep(event.target);
  });

  /* ---- times by the tablet's clock */

  const useOwnClock = (form) => {
    const ahead = -new Date().getTimezoneOffset();
    const field = form.querySelector('input[name="utc_offset_min"]');
    if (!field || field.value) return;
    field.value = String(ahead);
    for (const input of form.querySelectorAll('input[type="datetime-local"]')) {
      if (!input.value) continue;
      const local = new Date(new Date(`${input.value}Z`).getTime() + ahead * 60000);
      input.value = local.toISOString().slice(0, 16);
    }
    const line = form.querySelector("[data-clock]");
    if (line) line.textContent = "Times by the clock of this tablet.";
  };

  const prepare = (root) => {
    for (const form of root.querySelectorAll("form[data-local-times]")) useOwnClock(form);
    for (const form of root.querySelectorAll("form[data-keep]")) restore(form);
    for (const form of root.querySelectorAll('form[data-bench="tap"]')) inHand(form);
  };

  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-retry]")) drain();
    if (event.target.closest("[data-set-aside]")) {
      const first = queue()[0];
      stuck = false;
      if (first) {
        dequeue(first.key);
        notTaken(first);
      }
      show();
      drain();
    }
  });
  window.addEventListener("online", drain);
  window.addEventListener("storage", (event) => { if (event.key === QUEUE) show(); });
  setInterval(() => { if (queue().length) drain(); }, RETRY_MS);

  forgetArrived();
  prepare(document);
  // A refusal far down the page is not found by a person who sees the same page again.
  if (!document.querySelector(".fault")) {
    const wrong = document.querySelector('main [aria-invalid="true"]');
    wrong?.focus({ preventScroll: true });
    wrong?.scrollIntoView({ block: "center" });
  }
  // Whatever a reload or a closed tab left behind is late by now.
  if (queue().length) {
    write(QUEUE, queue().map((entry) => ({ ...entry, late: true })));
    show();
    drain();
  }
})();
