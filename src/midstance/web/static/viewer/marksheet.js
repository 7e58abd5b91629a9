// The sheet of marks: what to mark, the lengths that go with it, what is marked, keeping it.

import { stickerNames, stickerWords } from "./marks.js";
import { el } from "./panel.js";
import { part } from "./viewer.js";

/** @typedef {import("./marks.js").Marks} Marks */

export class MarkSheet {
  /**
   * @param {HTMLElement} root @param {import("./film.js").Film} film @param {Marks} marks
   * @param {{stay: (text: string, kind: string, deeds?: [string, () => void][]) => void, saved: () => void, go: (frame: number) => void}} on
   */
  constructor(root, film, marks, on) {
    this.root = root;
    this.film = film;
    this.marks = marks;
    this.on = on;
    /** @type {import("./marks.js").Tool} */ this.last = "ground";
    for (const radio of this._radios) {
      radio.addEventListener("change", () => this.choose(/** @type {any} */ (radio.value)));
    }
    const box = this._field("sticker");
    const names = stickerNames(film.view);
    for (const side of ["left", "right"]) {
      box.append(el("optgroup", { label: side }, ...names.filter((n) => n.startsWith(side)).map((n) => el("option", { value: n }, stickerWords(n)))));
    }
    box.addEventListener("change", () => { marks.sticker = box.value; });
    for (const name of ["length_m", "width_m", "slope_percent", "roll_deg"]) {
      this._field(name).addEventListener("input", (/** @type {any} */ e) => {
        /** @type {any} */ (marks.now)[name] = Number.isFinite(e.target.valueAsNumber) ? e.target.valueAsNumber : null;
        this._state();
      });
    }
    this._field("known_m").addEventListener("input", (/** @type {any} */ e) => {
      const value = Number.isFinite(e.target.valueAsNumber) ? e.target.valueAsNumber : null;
      marks.knownLength_m = value;
      const last = marks.now.lengths[marks.now.lengths.length - 1];
      if (last) last.length_m = value;
      this.list();
    });
    part(root, "marks-save").addEventListener("click", () => this.save(false));
    part(root, "marks-drop").addEventListener("click", () => marks.discard());
  }

  /** @returns {HTMLInputElement[]} */
  get _radios() {
    return [...this.root.querySelectorAll('input[name="fv-mark"]')].map((e) => /** @type {HTMLInputElement} */ (e));
  }

  /** @param {string} name @returns {any} */
  _field(name) {
    return this.root.querySelector(`[data-mark="${name}"]`);
  }

  /** @param {import("./marks.js").Tool} tool */
  choose(tool) {
    this.last = tool;
    this.marks.use(tool);
  }

  /** @param {boolean} over */
  async save(over) {
    if (await this.marks.save(over)) {
      this.on.stay("", "");
      this.on.saved();
      return;
    }
    const theirs = this.marks.conflict;
    if (theirs) {
      this.on.stay(`${theirs.changed_by || "Somebody"} changed this film meanwhile. Your marks are still here and not yet kept.`, "warn", [
        ["Keep mine too, on top", () => this.save(true)],
        ["Take what is there now", () => {
          this.film.facts = { ...this.film.facts, ...theirs };
          this.marks.discard();
          this.on.stay("", "");
          this.on.saved();
        }],
      ]);
    }
  }

  dropHeld() {
    this.marks.held?.drop();
    this.marks.held = null;
    this.write();
  }

  write() {
    const { marks } = this;
    for (const radio of this._radios) radio.checked = radio.value === marks.tool;
    for (const sheet of /** @type {NodeListOf<HTMLElement>} */ (this.root.querySelectorAll("[data-mark-sheet]"))) {
      sheet.hidden = sheet.dataset.markSheet !== marks.tool;
    }
    const m = /** @type {any} */ (marks.now);
    for (const name of ["length_m", "width_m", "slope_percent", "roll_deg"]) {
      const field = this._field(name);
      if (document.activeElement !== field) field.value = m[name] ?? "";
    }
    const known = this._field("known_m");
    if (document.activeElement !== known) known.value = m.lengths[m.lengths.length - 1]?.length_m ?? marks.knownLength_m ?? "";
    this._field("sticker").value = marks.sticker;
    this.list();
  }

  /** What is marked, in words: the drawing's twin. */
  list() {
    const { marks } = this;
    const m = marks.now;
    /** @type {any[]} */ const items = [];
    const away = (/** @type {string} */ label, /** @type {() => void} */ drop) =>
      el("button", { class: "button quiet small", type: "button", "aria-label": `Take away: ${label}`, onclick: () => { drop(); marks.held = null; this.write(); marks.on.redraw(); } }, "Take away");
    const px = (/** @type {number[]} */ p) => `${p[0].toFixed(0)}, ${p[1].toFixed(0)}`;
    const item = (/** @type {string} */ title, /** @type {string} */ detail, /** @type {() => void} */ drop) =>
      items.push(el("li", {}, el("div", {}, title, el("span", { class: "fv-effect" }, detail)), away(title, drop)));
    if (m.corners.length) item(`Ground: ${m.corners.length} of 4 corners`, m.corners.map(px).join(" · "), () => { m.corners.length = 0; });
    if (m.otherGround) item("Ground", m.otherGround.board ? `the printed board, ${m.otherGround.board}` : "points with their places", () => { m.otherGround = null; });
    m.lengths.forEach((/** @type {any} */ k, /** @type {number} */ i) => {
      item(k.length_m ? `Length of ${k.length_m} m` : "Length, not yet given", `${px(k.first_px)} to ${px(k.second_px)}`, () => m.lengths.splice(i, 1));
    });
    if (m.open.length) item("Length with one end", px(m.open[0]), () => { m.open.length = 0; });
    if (m.rollLine.length === 1) item("Level line with one end", px(m.rollLine[0]), () => { m.rollLine.length = 0; });
    if (m.roll_deg !== null) item(`Roll ${m.roll_deg > 0 ? "+" : m.roll_deg < 0 ? "−" : ""}${Math.abs(m.roll_deg)}°`, "what is level rises to the right +", () => { m.roll_deg = null; m.rollLine.length = 0; });
    if (m.findStickers) item("Stickers", "looked for by themselves", () => { m.findStickers = false; });
    m.stickers.forEach((/** @type {any} */ s, /** @type {number} */ i) => {
      const frame = marks.stickerFrame(s);
      items.push(el("li", {}, el("div", {}, el("button", { class: "linklike", type: "button", onclick: () => this.on.go(frame) }, stickerWords(s.name)), el("span", { class: "fv-effect" }, `picture ${frame + 1}, ${px([s.x_px, s.y_px])}`)), away(stickerWords(s.name), () => m.stickers.splice(i, 1))));
    });
    if (!items.length) items.push(el("li", { class: "hint" }, "Nothing is marked in this film."));
    part(this.root, "marks").replaceChildren(...items);
    this._state();
  }

  _state() {
    part(this.root, "marks-state").textContent = this.marks.dirty ? "not kept yet" : "";
  }
}
