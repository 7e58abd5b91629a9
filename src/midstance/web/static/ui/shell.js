// What every page has: the switch for light and dark, the key sheet, messages that can be put away, questions before a deed.

import { openDialog } from "./dialogs.js";

/** Light, dark or as the system has it. */
function themeSwitch() {
  const button = document.querySelector("[data-theme-switch]");
  if (!(button instanceof HTMLButtonElement)) return;
  const system = matchMedia("(prefers-color-scheme: dark)");
  const now = () => document.documentElement.dataset.theme ?? (system.matches ? "dark" : "light");
  const say = () => {
    const other = now() === "dark" ? "light" : "dark";
    button.setAttribute("aria-label", `Switch to ${other} colours`);
    button.title = `Switch to ${other} colours`;
    button.dataset.now = now();
  };
  button.addEventListener("click", () => {
    const other = now() === "dark" ? "light" : "dark";
    document.documentElement.dataset.theme = other;
    try { localStorage.setItem("theme", other); } catch { /* a browser that keeps nothing still switches */ }
    say();
  });
  system.addEventListener("change", say);
  button.hidden = false;
  say();
}

/** True where a key belongs to a field that is being written in. */
export function writing(target) {
  return target instanceof HTMLElement
    && (target.isContentEditable || target instanceof HTMLTextAreaElement || target instanceof HTMLSelectElement
      || (target instanceof HTMLInputElement && !["checkbox", "radio", "button", "submit", "range", "file"].includes(target.type)));
}

function keySheet() {
  const sheet = document.getElementById("key-sheet");
  if (!(sheet instanceof HTMLDialogElement)) return;
  const open = () => openDialog(sheet);
  document.querySelectorAll("[data-open-keys]").forEach((link) => link.addEventListener("click", (event) => {
    event.preventDefault();
    open();
  }));
  let first = "";
  let at = 0;
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || writing(event.target)) return;
    if (event.key === "?") {
      event.preventDefault();
      if (sheet.open) sheet.close(); else open();
      return;
    }
    if (document.querySelector("dialog[open]")) return;
    if (event.key === "/") {
      const search = document.querySelector('input[type="search"]');
      if (search instanceof HTMLInputElement) { event.preventDefault(); search.focus(); search.select(); }
      return;
    }
    // "g" and then a letter goes to a page, as the sheet says.
    const soon = performance.now() - at < 1200;
    if (first === "g" && soon) {
      const link = document.querySelector(`[data-go="${CSS.escape(event.key)}"]`);
      if (link instanceof HTMLAnchorElement) { event.preventDefault(); event.stopPropagation(); location.assign(link.href); }
    }
    first = event.key;
    at = performance.now();
  }, { capture: true });
}

function messages() {
  document.querySelectorAll("[data-put-away]").forEach((button) => {
    if (button instanceof HTMLElement) button.hidden = false;
    button.addEventListener("click", () => button.closest(".flash")?.remove());
  });
  // The message belongs to this one showing; a reload shouldn't say it again.
  const url = new URL(location.href);
  if (url.searchParams.has("done")) {
    url.searchParams.delete("done");
    history.replaceState(history.state, "", url);
  }
}

/** Dates in the reader's own time zone; the server writes UTC. */
function localTimes() {
  const full = new Intl.DateTimeFormat("en-GB", { day: "numeric", month: "long", year: "numeric", hour: "2-digit", minute: "2-digit" });
  document.querySelectorAll("time[data-local]").forEach((element) => {
    const when = new Date(element.getAttribute("datetime") ?? "");
    if (!Number.isNaN(when.valueOf())) element.textContent = full.format(when).replace(" at ", ", ");
  });
}

function firstFault() {
  const faulty = document.querySelector('[aria-invalid="true"]');
  if (faulty instanceof HTMLElement) faulty.focus();
}

/** Asks before what can't be undone; says that something takes a while. A form is sent once, however often its button is pressed. */
function forms() {
  const asking = document.getElementById("ask");
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!(form instanceof HTMLFormElement) || event.defaultPrevented) return;
    if (form.dataset.sent) { event.preventDefault(); return; }
    if (form.dataset.ask && !form.dataset.asked && asking instanceof HTMLDialogElement) {
      event.preventDefault();
      const words = asking.querySelector("[data-ask-words]");
      const yes = asking.querySelector("[data-yes]");
      if (words) words.textContent = form.dataset.ask;
      if (yes instanceof HTMLButtonElement) yes.onclick = () => { form.dataset.asked = "yes"; asking.close(); form.requestSubmit(); };
      openDialog(asking);
      return;
    }
    if (form.method === "post") form.dataset.sent = "yes";
    const button = form.dataset.wait ? form.querySelector("button") : null;
    if (button) { button.textContent = form.dataset.wait ?? ""; button.setAttribute("aria-disabled", "true"); }
  });
  addEventListener("pageshow", () => document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent));
}

themeSwitch();
keySheet();
messages();
localTimes();
firstFault();
forms();
