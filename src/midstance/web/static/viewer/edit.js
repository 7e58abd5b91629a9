// Setting things right: what is selected, what is moved, and the corrections kept on the server with who and when.

import { Problem, ask, words } from "./api.js";
import { CORRECTED, EDITABLE, MISSING, nameWords } from "./film.js";
import { eventWords, strideAt } from "./phase.js";

/** @typedef {import("./film.js").Film} Film */
/** @typedef {[number, number]} Point */
/** @typedef {{id: string, undo: "withdraw"|"restore"}[]} Step */

/** Keys held or pressed again within this time make one correction, ms. */
const SETTLE_MS = 450;
/** An event is moved rather than added where one of its foot and kind lies this near, s (as on the server). */
export const MOVE_S = 0.1;

export class Editor {
  /**
   * @param {Film} film
   * @param {{
   *   frame: () => number, show: (frame: number) => Promise<any>, redraw: () => void, reveal: (p: Point) => void,
   *   say: (text: string, kind?: string) => void, taken: (before: any) => void,
   * }} on
   */
  constructor(film, on) {
    this.film = film;
    this.on = on;
    /** @type {string|null} */ this.selected = null;
    /** @type {any} */ this.event = null;
    /** @type {[number|null, number|null]} chosen part, s */
    this.range = [null, null];
    /** What was done here, newest last: each the corrections to withdraw or restore to undo it. @type {Step[]} */ this.done = [];
    /** @type {Step[]} */ this.undone = [];
    /** @type {Promise<any>} one change after the other */ this._queue = Promise.resolve();
    this._timer = 0;
    /** @type {{name: string, row: number, place: Point}|null} a move not yet kept */ this.pending = null;
    this.busy = 0;
  }

  get time_s() {
    return this.film.time_s[this.on.frame()];
  }

  // --- selecting

  /** @param {string|null} name */
  async select(name) {
    await this.settle();
    this.selected = name;
    if (name) {
      // A point can only be set in a picture that was read.
      const frame = this.film.readFrame(this.on.frame());
      if (frame !== this.on.frame()) await this.on.show(frame);
      const place = this.place(name);
      if (place) this.on.reveal(place);
      this.on.say(`${nameWords(name)} selected`);
    }
    this.on.redraw();
  }

  /** @param {1|-1} way */
  selectNext(way) {
    const i = this.selected ? EDITABLE.indexOf(this.selected) : way > 0 ? -1 : 0;
    return this.select(EDITABLE[(i + way + EDITABLE.length) % EDITABLE.length]);
  }

  /** Where a landmark is in the picture shown, px of the film, null where it is missing. @param {string} name @returns {Point|null} */
  place(name) {
    const pose = this.film.pose(this.on.frame());
    if (!pose) return null;
    const j = this.film.index[name];
    return pose.state[j] === MISSING ? null : [pose.xy[2 * j], pose.xy[2 * j + 1]];
  }

  /** The nearest landmark to a place, within a reach, both px of the film. @param {Point} at @param {number} reach */
  near(at, reach) {
    let best = null;
    for (const name of EDITABLE) {
      const p = this.place(name);
      if (!p) continue;
      const d = Math.hypot(p[0] - at[0], p[1] - at[1]);
      if (d <= reach && (!best || d < best.d)) best = { d, name };
    }
    return best?.name ?? null;
  }

  // --- moving a landmark

  /** Move the selected landmark for now; kept by `settle`. @param {Point} to px of the film */
  drag(to) {
    const pose = this.film.pose(this.on.frame());
    if (!this.selected || !pose?.exact) return;
    const place = /** @type {Point} */ ([
      Math.min(Math.max(to[0], 0), this.film.width), Math.min(Math.max(to[1], 0), this.film.height),
    ]);
    this.pending = { name: this.selected, row: pose.row, place };
    this.film.dragTo(this.selected, pose.row, place);
    this.on.redraw();
  }

  /** @param {number} dx @param {number} dy px of the film @param {Point} middle where to begin when it is missing */
  async nudge(dx, dy, middle) {
    if (!this.selected) {
      this.on.say("Select a landmark first: n, or a click");
      return;
    }
    if (!this.film.pose(this.on.frame())?.exact) await this.on.show(this.film.readFrame(this.on.frame()));
    const p = this.place(this.selected) ?? middle;
    this.drag([p[0] + dx, p[1] + dy]);
    clearTimeout(this._timer);
    this._timer = setTimeout(() => this.settle(), SETTLE_MS);
  }

  /** Keep a move that is under way. */
  async settle() {
    clearTimeout(this._timer);
    const move = this.pending;
    this.pending = null;
    if (!move) return;
    await this.send({
      kind: "landmark",
      time_s: this._rowTime(move.row),
      landmark: move.name,
      x_px: round(move.place[0], 3),
      y_px: round(move.place[1], 3),
    });
  }

  /** Drop a move that isn't kept yet. */
  drop() {
    clearTimeout(this._timer);
    if (!this.pending) return false;
    this.pending = null;
    this.film.preview = null;
    this.on.redraw();
    return true;
  }

  /** @param {number} row */
  _rowTime(row) {
    return this.film.time_s[this.film.reading.rows[row]];
  }

  /** @param {boolean} part */
  async hide(part) {
    if (!this.selected) return this.on.say("Select a landmark first: n, or a click");
    /** @type {{kind: string, landmark: string, time_s: number, to_s?: number}} */
    const body = { kind: "not_visible", landmark: this.selected, time_s: this.film.time_s[this.film.readFrame(this.on.frame())] };
    if (part) {
      const span = this._span();
      if (!span) return undefined;
      Object.assign(body, { time_s: span[0], to_s: span[1] });
    }
    this.drop();
    // A place set by hand in the part would hold all the same: it is withdrawn with it.
    const [from, to] = [body.time_s - 1e-6, (body.to_s ?? body.time_s) + 1e-6];
    const set = this.film.reading.corrections.filter(
      (/** @type {any} */ c) => c.kind === "landmark" && c.landmark === body.landmark && c.time_s >= from && c.time_s <= to,
    );
    return this.send([body], set.map((/** @type {any} */ c) => c.id));
  }

  // --- a part of the film

  /** @param {0|1} end */
  setRange(end) {
    this.range[end] = this.time_s;
    const [a, b] = this.range;
    if (a !== null && b !== null && b <= a) this.range[end === 0 ? 1 : 0] = null;
    this.on.say(end === 0 ? `The part begins at ${this.time_s.toFixed(3)} s` : `The part ends at ${this.time_s.toFixed(3)} s`);
    this.on.redraw();
  }

  _span() {
    const [a, b] = this.range;
    if (a !== null && b !== null) return /** @type {Point} */ ([a, b]);
    this.on.say("Choose a part first: comma where it begins, full stop where it ends", "warn");
    return null;
  }

  async swap() {
    const span = this._span();
    return span ? this.send({ kind: "swap_legs", time_s: span[0], to_s: span[1] }) : undefined;
  }

  /** @param {"left"|"right"} side */
  async leaveOut(side) {
    const stride = strideAt(this.film.stances, side, this.time_s);
    if (!stride) return this.on.say(`There is no whole stride of the ${side} foot here`, "warn");
    if (stride.excluded) return this.on.say(`This ${side} stride is left out already: ${stride.excluded}`, "warn");
    return this.send({ kind: "leave_out", time_s: this.time_s, side });
  }

  // --- contacts and toe-offs

  /** @param {"left"|"right"} side @param {string} kind @param {number} [time_s] */
  async setEvent(side, kind, time_s = this.time_s) {
    this.event = null;
    return this.send({ kind: "event", time_s, side, event: kind });
  }

  /** An event dragged to another time: far from where it was it is taken away there. @param {any} e @param {number} frame */
  async moveEvent(e, frame) {
    const time_s = this.film.time_s[frame];
    if (Math.abs(time_s - e.time_s) < 1e-6) return;
    const to = { kind: "event", time_s, side: e.side, event: e.kind };
    const away = Math.abs(time_s - e.time_s) > MOVE_S ? [{ ...to, time_s: e.time_s, remove: true }] : [];
    this.event = null;
    await this.send([...away, to]);
    this.event = this.film.events.find((x) => x.side === e.side && x.kind === e.kind && Math.abs(x.time_s - time_s) < 1e-4) ?? null;
    this.on.redraw();
  }

  async removeEvent() {
    if (!this.event) return this.on.say("Select a contact or toe-off first: v, or a click on the strip of time", "warn");
    const e = this.event;
    this.event = null;
    return this.send({ kind: "event", time_s: e.time_s, side: e.side, event: e.kind, remove: true });
  }

  pickNearestEvent() {
    const t = this.time_s;
    const sorted = [...this.film.events].sort((a, b) => Math.abs(a.time_s - t) - Math.abs(b.time_s - t));
    // Pressed again, the next nearest.
    const i = this.event ? sorted.findIndex((e) => e.side === this.event.side && e.kind === this.event.kind && e.time_s === this.event.time_s) : -1;
    this.pickEvent(sorted[i === 0 && sorted.length > 1 ? 1 : 0] ?? null);
  }

  /** @param {any} e */
  pickEvent(e) {
    this.event = e;
    if (e) this.on.say(`${eventWords(e)} at ${e.time_s.toFixed(3)} s selected`);
    this.on.redraw();
  }

  // --- keeping, undo and redo

  /**
   * Keep corrections that belong together.
   * @param {any|any[]} bodies @param {string[]} [withdrawn] corrections that they take the place of
   * @returns {Promise<boolean>}
   */
  send(bodies, withdrawn = []) {
    return this._turn(async () => {
      /** @type {Step} */ const step = [];
      try {
        for (const id of withdrawn) {
          this._take(await ask("POST", `/api/corrections/${id}/withdraw`));
          step.push({ id, undo: "restore" });
        }
        for (const body of [bodies].flat()) {
          const answer = await ask("POST", `/api/films/${this.film.id}/corrections`, body);
          step.push({ id: answer.correction.id, undo: "withdraw" });
          this._take(answer);
          const made = this.film.reading.corrections.find((/** @type {any} */ c) => c.id === answer.correction.id);
          this.on.say(`Kept: ${correctionWords(made ?? { ...body })}${made?.effect ? ` – ${made.effect}` : ""}`, "good");
        }
      } finally {
        if (step.length) {
          this.done.push(step);
          this.undone = [];
        }
      }
    });
  }

  /** @param {string} id @param {"withdraw"|"restore"} what */
  change(id, what) {
    return this._turn(async () => {
      this._take(await ask("POST", `/api/corrections/${id}/${what}`));
      this.on.say(what === "withdraw" ? "Correction withdrawn; it stays in the list" : "Correction holds again", "good");
    });
  }

  async undo() {
    if (this.drop()) return;
    await this._queue;
    const step = this.done.pop();
    if (!step) return this.on.say("Nothing done here to undo; earlier corrections can be withdrawn in the list", "warn");
    for (const one of [...step].reverse()) if (!(await this.change(one.id, one.undo))) return void this.done.push(step);
    this.undone.push(step);
  }

  async redo() {
    await this._queue;
    const step = this.undone.pop();
    if (!step) return this.on.say("Nothing to do again", "warn");
    for (const one of step) if (!(await this.change(one.id, one.undo === "withdraw" ? "restore" : "withdraw"))) return void this.undone.push(step);
    this.done.push(step);
  }

  /** @param {any} answer */
  _take(answer) {
    const before = this.film.reading;
    if (answer.reading) this.film.take(answer.reading);
    this.on.taken(before);
  }

  /** Run one change after those before it; nothing shown is left behind if it fails. @param {() => Promise<void>} work @returns {Promise<boolean>} */
  _turn(work) {
    this.busy++;
    this.on.redraw();
    const turn = this._queue.then(async () => {
      try {
        await work();
        return true;
      } catch (error) {
        if (!this.pending) this.film.preview = null;
        this.on.say(error instanceof Problem || error instanceof Error ? words(error) : String(error), "bad");
        return false;
      } finally {
        this.busy--;
        this.on.redraw();
      }
    });
    this._queue = turn;
    return turn;
  }
}

/** @param {number} value @param {number} digits */
const round = (value, digits) => Math.round(value * 10 ** digits) / 10 ** digits;

/** What a correction is about, in words. @param {any} c */
export function correctionWords(c) {
  const at = `at ${c.time_s.toFixed(3)} s`;
  const part = c.to_s ? `from ${c.time_s.toFixed(3)} to ${c.to_s.toFixed(3)} s` : at;
  if (c.kind === "landmark") return `${nameWords(c.landmark)} placed ${at}`;
  if (c.kind === "not_visible") return `${nameWords(c.landmark)} not visible ${part}`;
  if (c.kind === "event") return `${eventWords({ ...c, kind: c.event })} ${c.remove ? "taken away" : "set"} ${at}`;
  if (c.kind === "swap_legs") return `legs exchanged ${part}`;
  return `${c.side} stride ${at} left out`;
}

export { CORRECTED };
