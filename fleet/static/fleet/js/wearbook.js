/* Shortens trips; every page works without it. Loaded with defer after htmx. */
"use strict";

(() => {
  const live = () => document.querySelector("[data-live]");

  const say = (text) => {
    const region = live();
    if (!region) return;
    region.textContent = "";
    // A region announces only a change, so the same sentence needs an empty moment in between.
    requestAnimationFrame(() => { region.textContent = text; });
  };

  const isOwnControl = (element) =>
    element.closest("a, button, input, select, textarea, label, summary, dialog");

  const rowLink = (row) => row.querySelector("a.row-link");

  /* Whole row a link: the first cell holds the real one, the rest of the row passes the click on. */
  document.addEventListener("click", (event) => {
    const row = event.target.closest(".rows tbody tr");
    const link = row && rowLink(row);
    if (!link || isOwnControl(event.target)) return;
    if (String(getSelection())) return;
    if (event.ctrlKey || event.metaKey) window.open(link.href, "_blank", "noopener");
    else link.click();
  });

  document.addEventListener("keydown", (event) => {
    const steps = { ArrowDown: 1, ArrowUp: -1 };
    const link = event.target.closest(".rows a.row-link");
    if (!link || event.altKey || event.ctrlKey || event.metaKey) return;
    const links = [...link.closest(".rows").querySelectorAll("a.row-link")];
    const here = links.indexOf(link);
    let next = null;
    if (event.key in steps) next = links[here + steps[event.key]];
    else if (event.key === "Home") next = links[0];
    else if (event.key === "End") next = links[links.length - 1];
    if (!next) return;
    event.preventDefault();
    next.focus();
    next.closest("tr").scrollIntoView({ block: "nearest" });
  });

  /* <a href="/own/page" data-dialog="confirm-withdraw">: without this script the page opens. */
  document.addEventListener("click", (event) => {
    const opener = event.target.closest("[data-dialog]");
    const dialog = opener && document.getElementById(opener.dataset.dialog);
    if (dialog instanceof HTMLDialogElement && !event.ctrlKey && !event.metaKey) {
      event.preventDefault();
      dialog.showModal();
      return;
    }
    const closer = event.target.closest("[data-close]");
    if (closer) closer.closest("dialog")?.close();
  });

  /* Filters apply themselves; their submit button stays for the keyboard and for no script. */
  document.addEventListener("change", (event) => {
    const form = event.target.closest("form[data-submit-on-change]");
    if (form) form.requestSubmit();
  });

  document.addEventListener("click", (event) => {
    if (event.target.closest("[data-print]")) window.print();
  });

  /* A double tap with gloves must not send twice; the server refuses a repeat all the same. */
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.method !== "post" || event.defaultPrevented) return;
    if (form.dataset.sent) event.preventDefault();
    form.dataset.sent = "yes";
    setTimeout(() => { delete form.dataset.sent; }, 1500);
  });

  document.addEventListener("htmx:configRequest", (event) => {
    const token = document.querySelector('meta[name="csrf-token"]')?.content;
    if (token) event.detail.headers["X-CSRFToken"] = token;
  });

  document.addEventListener("htmx:afterSettle", (event) => {
    const part = event.detail.elt;
    if (!part?.querySelector) return;
    const announced = part.matches("[data-announce]") ? part : part.querySelector("[data-announce]");
    if (announced) say(announced.dataset.announce);
    part.querySelector('.fault, [aria-invalid="true"]')?.focus();
  });

  const lost = () => say(
    "The server did not answer. What you entered is still on this page; try again in a moment.",
  );
  document.addEventListener("htmx:sendError", lost);
  document.addEventListener("htmx:timeout", lost);
  document.addEventListener("htmx:responseError", (event) => {
    say(`Not saved: the server answered ${event.detail.xhr.status}. What you entered is still here.`);
  });

  document.addEventListener("DOMContentLoaded", () => {
    document.querySelector(".fault")?.focus();
    document.querySelector(".nav [aria-current]")?.scrollIntoView({ block: "nearest", inline: "center" });
  });
})();
