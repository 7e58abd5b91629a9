// The sheets beside the picture: angles, measures, events, corrections. Tables first: they say in words what the drawing shows.

import { text } from "./angles.js";
import { EDITABLE, STATE_WORDS, nameWords, sideOf } from "./film.js";
import { correctionWords } from "./edit.js";
import { same } from "./timeline.js";

/** @typedef {import("./film.js").Film} Film */
/** @typedef {{key: string, title: string, unit: string, decimals: number}} Info */

/**
 * A small element. @param {string} tag @param {Record<string, any>} [attrs] @param {...(Node|string|null)} children
 * @returns {any}
 */
export function el(tag, attrs = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attrs)) {
    if (value === null || value === undefined || value === false) continue;
    if (name === "onclick") element.addEventListener("click", value);
    else if (name === "class") element.className = value;
    else element.setAttribute(name, value === true ? "" : String(value));
  }
  element.append(...children.filter((c) => c !== null));
  return element;
}

/** The leg's shape and word. @param {string} side */
export function legMark(side) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  svg.setAttribute("viewBox", "0 0 12 12");
  svg.setAttribute("aria-hidden", "true");
  const shape = document.createElementNS("http://www.w3.org/2000/svg", side === "left" ? "circle" : "path");
  const attrs = side === "left" ? { cx: 6, cy: 6, r: 5 } : { d: side === "right" ? "M6 0l6 6-6 6-6-6z" : "M1 4.5h10v3H1z" };
  for (const [name, value] of Object.entries(attrs)) shape.setAttribute(name, String(value));
  svg.append(shape);
  return el("span", { class: `leg ${side}` }, svg, side);
}

/** Tabs of the sheets. @param {ParentNode} root @param {(key: string) => void} onShow */
export function sheets(root, onShow) {
  const tabs = /** @type {HTMLElement[]} */ ([...root.querySelectorAll('[role="tab"]')]);
  const show = (/** @type {string} */ key, focus = false) => {
    for (const tab of tabs) {
      const mine = tab.id === `fv-tab-${key}`;
      tab.setAttribute("aria-selected", String(mine));
      tab.tabIndex = mine ? 0 : -1;
      if (mine && focus) tab.focus();
      const sheet = document.getElementById(tab.getAttribute("aria-controls") ?? "");
      if (sheet) sheet.hidden = !mine;
    }
    onShow(key);
  };
  tabs.forEach((tab, i) => {
    tab.addEventListener("click", () => show(tab.id.slice(7)));
    tab.addEventListener("keydown", (event) => {
      const to = { ArrowRight: i + 1, ArrowLeft: i - 1, Home: 0, End: tabs.length - 1 }[event.key];
      if (to === undefined) return;
      event.preventDefault();
      show(tabs[(to + tabs.length) % tabs.length].id.slice(7), true);
    });
  });
  return show;
}

/** @param {HTMLElement} body @param {import("./angles.js").Reading[]} values */
export function writeAngles(body, values) {
  const keys = [...new Set(values.map((v) => v.key))];
  const cell = (/** @type {any} */ v, span = 1) =>
    el(
      "td",
      { class: "num", colspan: span > 1 ? span : null, title: v ? v.why || v.says || null : null },
      ...(v
        ? [el("span", { class: v.value === null ? "soft" : null }, text(v, v.unit === "cm" ? 1 : 0)), v.value !== null && !v.sure ? el("b", { class: "fv-unsure", title: "rests on a hidden or blurred landmark" }, " ?") : null, v.why ? el("span", { class: "unseen" }, ` ${v.why}`) : null]
        : ["–"]),
    );
  const rows = keys.map((key) => {
    const own = values.filter((v) => v.key === key);
    const one = own.length === 1 && (own[0].side === "both" || key === "trunk_side" || key === "pelvis");
    const why = own.every((v) => v.value === null) ? (own.find((v) => v.why)?.why ?? "") : "";
    const stance = one && own[0].side !== "both" ? `, ${own[0].side} stance` : "";
    const head = el("th", { scope: "row" }, own[0].label + stance, el("span", { class: "fv-says" }, why || `+ ${own[0].plus}`));
    const cells = one ? [cell(own[0], 2)] : ["left", "right"].map((s) => cell(own.find((v) => v.side === s)));
    return el("tr", {}, head, ...cells);
  });
  if (!rows.length) rows.push(el("tr", {}, el("td", { colspan: 3, class: "soft" }, "No landmarks in this picture.")));
  body.replaceChildren(...rows);
}

/** Factor, unit and decimals that people read. @param {Info|undefined} info @param {string} unit @returns {[number, string, number]} */
export function shown(info, unit) {
  const decimals = info?.decimals ?? 2;
  if (unit === "s") return [1000, " ms", Math.max(0, decimals - 3)];
  if (unit === "m" && decimals >= 3) return [100, " cm", decimals - 2];
  return [1, unit === "deg" ? "°" : unit === "1" ? "" : ` ${unit}`, decimals];
}

/** @param {number} value @param {number} decimals */
export const number = (value, decimals) => {
  const out = value.toFixed(decimals);
  return (Number(out) === 0 ? (0).toFixed(decimals) : out).replace("-", "−");
};

/**
 * Measures that have a value, with what they were before the last change.
 * @param {HTMLElement} target @param {any[]} now @param {any[]|null} before @param {Map<string, Info>} infos
 * @returns {number} how many changed
 */
export function writeMeasures(target, now, before, infos) {
  const key = (/** @type {any} */ m) => `${m.measure} ${m.side} ${m.view}`;
  const old = new Map((before ?? []).map((m) => [key(m), m]));
  const wanted = now.filter((m) => m.value !== null);
  const groups = [...new Set(wanted.map((m) => m.measure))];
  let changes = 0;
  let touched = 0;
  const rows = groups.flatMap((name) => {
    const info = infos.get(name);
    const title = info?.title ?? name;
    return wanted
      .filter((m) => m.measure === name)
      .map((m, i) => {
        const [factor, unit, decimals] = shown(info, m.unit);
        const say = (/** @type {number} */ v) => number(factor * v, decimals);
        const span = (/** @type {any} */ of) => `${say(of.low)} to ${say(of.high)}`;
        const was = old.get(key(m));
        const value = say(m.value);
        const then = !was ? null : was.value === null ? "–" : say(was.value);
        const moved = then !== null && then !== value;
        const wider = !moved && was && was.value !== null && span(was) !== span(m);
        if (moved) changes++;
        if (wider) touched++;
        return el(
          "tr",
          { class: moved ? "changed" : wider ? "touched" : null },
          el("th", { scope: "row" }, i === 0 ? title : el("span", { class: "fv-same" }, title)),
          el("td", {}, legMark(m.side)),
          el(
            "td",
            { class: "num" },
            moved ? el("span", { class: "fv-was" }, el("span", { class: "unseen" }, "was "), then, " → ") : null,
            el("b", {}, `${value}${unit}`),
            el("span", { class: "fv-interval" }, span(m)),
            wider ? el("span", { class: "fv-interval" }, `was ${span(was)}`) : null,
          ),
        );
      });
  });
  const without = [...new Map(now.filter((m) => m.value === null && !wanted.some((w) => w.measure === m.measure)).map((m) => [m.measure, m])).values()];
  const table = el(
    "table",
    { class: "fv-table fv-measures" },
    el("caption", { class: "unseen" }, "Measures of this film with 95 % intervals"),
    el("thead", {}, el("tr", {}, el("th", { scope: "col" }, "Measure"), el("th", { scope: "col" }, "Side"), el("th", { scope: "col", class: "num" }, "Mean, 95 % interval"))),
    el("tbody", {}, ...rows),
  );
  const reasons = without.map((m) => el("li", {}, el("b", {}, infos.get(m.measure)?.title ?? m.measure), `: ${m.reason ?? ""}`));
  const fold = el("details", { class: "fold" }, el("summary", {}, `Not measurable in this film: ${without.length}`), el("div", {}, el("ul", { class: "fv-reasons" }, ...reasons)));
  const open = target.querySelector("details")?.open;
  if (open) fold.open = true;
  const nothing = el("p", { class: "hint" }, now.length ? "Nothing could be measured; the reasons are below." : "No measures: the film isn't read, or can't be measured.");
  const only = Boolean(/** @type {HTMLInputElement|null} */ (target.querySelector("[data-only]"))?.checked) && changes > 0;
  table.classList.toggle("fv-only", only);
  const box = el("input", { type: "checkbox", "data-only": true });
  box.checked = only;
  box.addEventListener("change", () => table.classList.toggle("fv-only", box.checked));
  const counted = `${changes === 1 ? "1 value" : `${changes} values`}${touched ? ` and ${touched === 1 ? "1 interval" : `${touched} intervals`}` : ""} changed with the last correction.`;
  const lead = changes || touched ? el("div", { class: "fv-changes" }, counted, changes ? el("label", {}, box, "Only the changed values") : null) : null;
  target.replaceChildren(...[lead, rows.length ? table : nothing, without.length ? fold : null].filter((n) => n !== null));
  return changes;
}

/**
 * @param {HTMLElement} body @param {Film} film @param {any} selected
 * @param {{go: (e: any) => void, remove: (e: any) => void}} on
 */
export function writeEvents(body, film, selected, on) {
  body.replaceChildren(
    ...film.events.map((e) => {
      const half = 500 * (e.high_s - e.low_s);
      const kind = e.kind === "initial_contact" ? "contact" : "toe-off";
      const picked = selected && same(selected, e);
      return el(
        "tr",
        { class: picked ? "picked" : null, "data-time": e.time_s },
        el("td", {}, legMark(e.side)),
        el("td", {}, kind, e.source === "corrected" ? el("span", { class: "fv-says" }, "by hand") : null),
        el("td", { class: "num" }, el("button", { class: "linklike", type: "button", "aria-label": `Go to ${e.side} ${kind} at ${e.time_s.toFixed(3)} seconds`, onclick: () => on.go(e) }, `${e.time_s.toFixed(3)} s`), el("span", { class: "fv-interval" }, `± ${number(half, half < 10 ? 1 : 0)} ms`)),
        el("td", {}, el("button", { class: "button quiet icon fv-x", type: "button", "aria-label": `Take ${e.side} ${kind} at ${e.time_s.toFixed(3)} seconds away`, title: "Take away", onclick: () => on.remove(e) }, "×")),
      );
    }),
  );
}

/** Mark the events around the picture shown. @param {HTMLElement} body @param {number} time_s */
export function markHere(body, time_s) {
  let best = null;
  for (const row of /** @type {NodeListOf<HTMLElement>} */ (body.querySelectorAll("tr"))) {
    const away = Math.abs(Number(row.dataset.time) - time_s);
    row.classList.remove("here");
    if (!best || away < best.away) best = { away, row };
  }
  if (best && best.away < 0.25) best.row.classList.add("here");
  return best?.row ?? null;
}

/**
 * @param {HTMLElement} list @param {any[]} entries @param {"withdraw"|"restore"} what
 * @param {{go: (c: any) => void, change: (id: string, what: "withdraw"|"restore") => void}} on
 */
export function writeCorrections(list, entries, what, on) {
  const when = new Intl.DateTimeFormat("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
  const items = [...entries].reverse().map((c) => {
    const said = correctionWords(c);
    const at = new Date(c.at);
    const by = [c.by, Number.isNaN(at.valueOf()) ? c.at : when.format(at)].filter(Boolean).join(", ");
    return el(
      "li",
      {},
      el("div", {}, el("button", { class: "linklike", type: "button", onclick: () => on.go(c) }, said.charAt(0).toUpperCase() + said.slice(1)), c.effect ? el("span", { class: "fv-effect" }, c.effect) : null, c.note ? el("span", { class: "fv-effect" }, `“${c.note}”`) : null, el("span", { class: "fv-by" }, by, c.withdrawn_by ? `; withdrawn by ${c.withdrawn_by}` : "")),
      el("button", { class: "button quiet small", type: "button", "aria-label": `${what === "withdraw" ? "Withdraw" : "Restore"}: ${said}`, onclick: () => on.change(c.id, what) }, what === "withdraw" ? "Withdraw" : "Restore"),
    );
  });
  if (!items.length && what === "withdraw") items.push(el("li", { class: "hint" }, "Nothing was set right by hand in this film."));
  list.replaceChildren(...items);
}

/** @param {HTMLSelectElement} box */
export function fillLandmarks(box) {
  for (const side of ["left", "right", null]) {
    const names = EDITABLE.filter((n) => sideOf(n) === side);
    box.append(el("optgroup", { label: side ? `${side} ` : "head" }, ...names.map((n) => el("option", { value: n }, nameWords(n)))));
  }
}

/** Where the selected landmark is and how it is known. @param {HTMLFormElement} form @param {import("./edit.js").Editor} editor @param {Film} film @param {number} frame */
export function writePlace(form, editor, film, frame) {
  const [x, y] = ["x", "y"].map((n) => /** @type {HTMLInputElement} */ (form.elements.namedItem(n)));
  const words = /** @type {HTMLElement} */ (form.querySelector('[data-part="state"]'));
  const name = editor.selected;
  for (const control of form.querySelectorAll("input, button")) /** @type {HTMLInputElement} */ (control).disabled = !name;
  if (!name) {
    x.value = y.value = "";
    words.textContent = "Drag it in the picture, or move it with w a s d.";
    return;
  }
  const pose = film.pose(frame);
  const at = editor.place(name);
  if (document.activeElement !== x && document.activeElement !== y) {
    x.value = at ? at[0].toFixed(2) : "";
    y.value = at ? at[1].toFixed(2) : "";
  }
  words.textContent = pose ? `In this picture: ${STATE_WORDS[pose.state[film.index[name]]]}${pose.exact ? "" : ", between two pictures that were read"}.` : "This picture lies outside what was read.";
}
