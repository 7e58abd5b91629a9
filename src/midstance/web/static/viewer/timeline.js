// The strip of time: the whole film on top, beneath it the part one works in with a lane for each leg.

import { SIDES } from "./film.js";
import { phaseWords } from "./phase.js";

/** @typedef {import("./film.js").Film} Film */
/** @typedef {"left"|"right"} Side */

const GUTTER = 34;
const WHOLE_H = 16;
const RULER_H = 20;
const LANE_H = 38;
/** A marker is taken by a pointer this near, px; by a finger twice that. */
const GRASP = 8;
/** Length of the part shown at first, s: about three strides. */
const FIRST_S = 2.2;
const SHORTEST_S = 0.12;

export class Timeline {
  /**
   * @param {HTMLElement} element holds a canvas; is the slider of the page
   * @param {Film} film
   * @param {{scrub: (frame: number) => void, pick: (event: any|null) => void, move: (event: any, frame: number) => void, part: () => [number, number]}} on
   */
  constructor(element, film, on) {
    this.element = element;
    this.canvas = /** @type {HTMLCanvasElement} */ (element.querySelector("canvas"));
    this.film = film;
    this.on = on;
    this.frame = 0;
    const n = film.count;
    this.last_s = film.time_s[n - 1];
    this.from = 0;
    this.long = Math.min(Math.max(this.last_s, SHORTEST_S), FIRST_S);
    /** @type {any} */ this.selected = null;
    /** @type {{event: any, frame: number}|null} an event under the hand */
    this.moving = null;
    /** @type {[number|null, number|null]} chosen part, s */
    this.range = [null, null];
    /** @type {[number, number]|null} loop, s */
    this.loop = null;
    this.editable = true;
    element.setAttribute("aria-valuemin", "0");
    element.setAttribute("aria-valuemax", String(n - 1));
    this._listen();
    this.recolour();
    new ResizeObserver(() => this.draw()).observe(element);
  }

  get height() {
    return WHOLE_H + RULER_H + 2 * LANE_H + 4;
  }

  recolour() {
    const style = getComputedStyle(this.element);
    const of = (/** @type {string} */ name) => style.getPropertyValue(`--${name}`).trim();
    this.colours = Object.fromEntries(
      ["ink", "ink-soft", "line", "line-strong", "panel", "sunk", "accent", "left", "right", "left-soft", "right-soft"].map((n) => [n, of(n)]),
    );
    this.face = style.fontFamily;
    this.draw();
  }

  /** @param {number} frame */
  show(frame) {
    this.frame = frame;
    const t = this.film.time_s[frame];
    if (!this.moving && !this._dragging) {
      const margin = 0.08 * this.long;
      if (t < this.from + margin || t > this.from + this.long - margin) this._window(t - this.long / 2, this.long);
    }
    this.element.setAttribute("aria-valuenow", String(frame));
    const phase = phaseWords(this.film.stances, t);
    this.element.setAttribute("aria-valuetext", `${t.toFixed(3)} seconds${phase ? `, ${phase}` : ""}`);
    this.draw();
  }

  /** @param {number} from @param {number} long */
  _window(from, long) {
    this.long = Math.min(Math.max(long, SHORTEST_S), Math.max(this.last_s, SHORTEST_S));
    this.from = Math.min(Math.max(from, 0), Math.max(this.last_s - this.long, 0));
  }

  get _wide() {
    return Math.max(this.element.clientWidth - GUTTER - 8, 50);
  }

  /** @param {number} t */
  _x(t) {
    return GUTTER + ((t - this.from) / this.long) * this._wide;
  }

  /** @param {number} x */
  _t(x) {
    return this.from + ((x - GUTTER) / this._wide) * this.long;
  }

  /** @param {number} t */
  _wholeX(t) {
    return GUTTER + (t / (this.last_s || 1)) * this._wide;
  }

  /** @param {Side} side */
  _laneY(side) {
    return WHOLE_H + RULER_H + (side === "left" ? 0 : LANE_H) + LANE_H / 2;
  }

  draw() {
    const w = this.element.clientWidth;
    const h = this.height;
    const dpr = Math.min(devicePixelRatio || 1, 3);
    if (this.canvas.width !== Math.round(w * dpr) || this.canvas.height !== Math.round(h * dpr)) {
      this.canvas.width = Math.round(w * dpr);
      this.canvas.height = Math.round(h * dpr);
      this.canvas.style.setProperty("height", `${h}px`);
    }
    const ctx = /** @type {CanvasRenderingContext2D} */ (this.canvas.getContext("2d"));
    const c = /** @type {Record<string, string>} */ (this.colours ?? {});
    ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
    ctx.clearRect(0, 0, w, h);
    this._whole(ctx, c);
    ctx.save();
    ctx.beginPath();
    ctx.rect(GUTTER - 7, WHOLE_H, w - GUTTER + 7, h);
    ctx.clip();
    this._outside(ctx, c, h);
    this._ruler(ctx, c, h);
    for (const side of SIDES) this._lane(ctx, c, side);
    this._spans(ctx, c, h);
    const x = this._x(this.film.time_s[this.frame]);
    ctx.strokeStyle = c.ink;
    ctx.lineWidth = 2;
    ctx.beginPath();
    ctx.moveTo(x, WHOLE_H + 3);
    ctx.lineTo(x, h);
    ctx.stroke();
    ctx.fillStyle = c.ink;
    ctx.beginPath();
    ctx.arc(x, WHOLE_H + 7, 4.5, 0, 7);
    ctx.fill();
    ctx.restore();
    for (const side of SIDES) {
      const y = this._laneY(side);
      ctx.fillStyle = c[side];
      shape(ctx, side, 22, y, 4.6);
      ctx.fill();
      ctx.font = `600 13px ${this.face}`;
      ctx.textAlign = "left";
      ctx.textBaseline = "middle";
      ctx.fillText(side === "left" ? "L" : "R", 3, y + 0.5);
    }
  }

  /** @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} c */
  _whole(ctx, c) {
    ctx.fillStyle = c.sunk;
    ctx.fillRect(GUTTER, 2, this._wide, WHOLE_H - 5);
    for (const s of this.film.stances) {
      const y = s.side === "left" ? 3.5 : 8;
      ctx.fillStyle = c[s.side];
      ctx.globalAlpha = s.excluded ? 0.3 : 0.8;
      const a = this._wholeX(s.ic_s);
      ctx.fillRect(a, y, Math.max(this._wholeX(s.to_s ?? s.ic_s + 0.02) - a, 1), 3);
      ctx.globalAlpha = 1;
    }
    ctx.strokeStyle = c.accent;
    ctx.lineWidth = 1.5;
    ctx.strokeRect(this._wholeX(this.from), 1, (this.long / (this.last_s || 1)) * this._wide, WHOLE_H - 3);
    ctx.fillStyle = c.ink;
    ctx.fillRect(this._wholeX(this.film.time_s[this.frame]) - 0.75, 0, 1.5, WHOLE_H - 1);
  }

  /** What isn't measured lies in shade. @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} c @param {number} h */
  _outside(ctx, c, h) {
    const [first, last] = this.on.part();
    ctx.fillStyle = c.sunk;
    const a = this._x(this.film.time_s[first]);
    const b = this._x(this.film.time_s[last]);
    if (first > 0 && a > GUTTER) ctx.fillRect(GUTTER, WHOLE_H + RULER_H, a - GUTTER, h);
    if (last < this.film.count - 1 && b < GUTTER + this._wide) ctx.fillRect(b, WHOLE_H + RULER_H, GUTTER + this._wide - b, h);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} c @param {number} h */
  _ruler(ctx, c, h) {
    const pick = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60].find((s) => (s / this.long) * this._wide > 58) ?? 60;
    ctx.font = `12px ${this.face}`;
    ctx.textAlign = "center";
    ctx.textBaseline = "middle";
    const decimals = pick < 0.1 ? 2 : pick < 1 ? 1 : 0;
    for (let k = Math.ceil(this.from / pick); k * pick <= this.from + this.long + 1e-9; k++) {
      const x = this._x(k * pick);
      ctx.fillStyle = c["ink-soft"];
      if (x > GUTTER + 12 && x < GUTTER + this._wide - 12) ctx.fillText(`${(k * pick).toFixed(decimals)} s`, x, WHOLE_H + RULER_H / 2 + 1);
      ctx.fillStyle = c.line;
      ctx.fillRect(x, WHOLE_H + RULER_H, 1, h);
    }
    // Each picture has its tick where there is room for it.
    const first = this.film.frameAt(this.from);
    const last = this.film.frameAt(this.from + this.long);
    if ((last - first) * 4 < this._wide) {
      ctx.fillStyle = c["line-strong"];
      for (let i = first; i <= last; i++) ctx.fillRect(this._x(this.film.time_s[i]) - 0.5, WHOLE_H + RULER_H - 3, 1, 4);
    }
  }

  /** @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} c @param {Side} side */
  _lane(ctx, c, side) {
    const y = this._laneY(side);
    ctx.fillStyle = c.line;
    ctx.fillRect(GUTTER, y - 0.5, this._wide, 1);
    for (const s of this.film.stances) {
      if (s.side !== side || s.to_s === null) continue;
      const [a, b] = [this._x(s.ic_s), this._x(s.to_s)];
      if (b < GUTTER || a > GUTTER + this._wide) continue;
      ctx.beginPath();
      ctx.roundRect(a, y - 9, Math.max(b - a, 1), 18, 3);
      ctx.fillStyle = s.excluded ? c.panel : c[`${side}-soft`];
      ctx.fill();
      ctx.setLineDash(s.excluded ? [3, 3] : []);
      ctx.strokeStyle = c[side];
      ctx.lineWidth = 1;
      ctx.stroke();
      ctx.setLineDash([]);
      if (s.excluded && b - a > 60) {
        ctx.fillStyle = c["ink-soft"];
        ctx.font = `12px ${this.face}`;
        ctx.textAlign = "center";
        ctx.fillText("left out", (a + b) / 2, y + 0.5);
      }
    }
    for (const e of this.film.events) if (e.side === side) this._marker(ctx, c, e, y);
  }

  /** @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} c @param {any} e @param {number} y */
  _marker(ctx, c, e, y) {
    const moved = this.moving && same(this.moving.event, e);
    const t = moved && this.moving ? this.film.time_s[this.moving.frame] : e.time_s;
    const x = this._x(t);
    if (x < GUTTER - 7 || x > GUTTER + this._wide + 7) return;
    const contact = e.kind === "initial_contact";
    const colour = c[e.side];
    // The 95 % interval, as a whisker.
    const [a, b] = [this._x(e.low_s), this._x(e.high_s)];
    const wy = contact ? y - 14 : y + 14;
    ctx.strokeStyle = colour;
    ctx.lineWidth = 1.5;
    if (!moved) {
      ctx.beginPath();
      for (const q of [a, b]) {
        ctx.moveTo(q, wy - 3);
        ctx.lineTo(q, wy + 3);
      }
      ctx.moveTo(a, wy);
      ctx.lineTo(b, wy);
      ctx.stroke();
    }
    ctx.beginPath();
    ctx.moveTo(x, y - 14);
    ctx.lineTo(x, y + 14);
    ctx.stroke();
    const r = this.selected && same(this.selected, e) ? 7 : 5;
    ctx.beginPath();
    if (contact) {
      ctx.moveTo(x, y + 5);
      ctx.lineTo(x - r, y - r + 1);
      ctx.lineTo(x + r, y - r + 1);
    } else {
      ctx.moveTo(x, y - 5);
      ctx.lineTo(x - r, y + r - 1);
      ctx.lineTo(x + r, y + r - 1);
    }
    ctx.closePath();
    ctx.fillStyle = contact ? colour : c.panel;
    ctx.fill();
    ctx.stroke();
    if (e.source === "corrected") {
      ctx.fillStyle = c.ink;
      ctx.fillRect(x - 4, y + 16, 8, 2);
    }
    if (this.selected && same(this.selected, e)) {
      ctx.strokeStyle = c.ink;
      ctx.lineWidth = 1.5;
      ctx.beginPath();
      ctx.roundRect(x - 10, y - 17, 20, 34, 5);
      ctx.stroke();
    }
  }

  /** The loop and the chosen part. @param {CanvasRenderingContext2D} ctx @param {Record<string, string>} c @param {number} h */
  _spans(ctx, c, h) {
    const [from, to] = this.range;
    if (from !== null || to !== null) {
      const a = from === null ? null : this._x(from);
      const b = to === null ? null : this._x(to);
      ctx.fillStyle = c.accent;
      if (a !== null && b !== null) {
        ctx.globalAlpha = 0.16;
        ctx.fillRect(a, WHOLE_H + RULER_H, b - a, h);
        ctx.globalAlpha = 1;
      }
      for (const [x, way] of /** @type {[number|null, number][]} */ ([[a, 1], [b, -1]])) {
        if (x === null) continue;
        ctx.fillRect(x - 1, WHOLE_H + 4, 2, h);
        ctx.fillRect(way > 0 ? x : x - 7, WHOLE_H + 4, 7, 2);
      }
    }
    if (this.loop) {
      const [a, b] = this.loop.map((t) => this._x(t));
      ctx.fillStyle = c.accent;
      ctx.fillRect(a, WHOLE_H + RULER_H - 4, b - a, 3);
    }
  }

  /** The event under a pointer. @param {number} x @param {number} y @param {number} reach */
  _hit(x, y, reach) {
    let best = null;
    for (const e of this.film.events) {
      const d = Math.abs(this._x(e.time_s) - x);
      if (Math.abs(y - this._laneY(e.side)) < LANE_H / 2 && d <= reach && (!best || d < best.d)) best = { d, e };
    }
    return best?.e ?? null;
  }

  _listen() {
    const { element } = this;
    const at = (/** @type {PointerEvent|WheelEvent} */ event) => {
      const box = element.getBoundingClientRect();
      return [event.clientX - box.left, event.clientY - box.top];
    };
    element.addEventListener("pointerdown", (event) => {
      if (event.button !== 0) return;
      const [x, y] = at(event);
      element.setPointerCapture(event.pointerId);
      element.focus({ preventScroll: true });
      event.preventDefault();
      const hit = this.editable ? this._hit(x, y, event.pointerType === "touch" ? 2 * GRASP : GRASP) : null;
      if (hit) {
        this.on.pick(hit);
        this._dragging = { event: hit, x, moved: false };
        return;
      }
      this.on.pick(null);
      this._dragging = { whole: y < WHOLE_H, x, moved: false };
      this._scrub(x);
    });
    element.addEventListener("pointermove", (event) => {
      const drag = this._dragging;
      const [x, y] = at(event);
      if (!drag) {
        element.classList.toggle("over-event", this.editable && this._hit(x, y, GRASP) !== null);
        return;
      }
      if (!drag.event) this._scrub(x);
      else if (drag.moved || Math.abs(x - drag.x) > 3) {
        drag.moved = true;
        const frame = this.film.frameAt(this._t(x));
        this.moving = { event: drag.event, frame };
        this.on.scrub(frame);
      }
    });
    const end = (/** @type {boolean} */ keep) => {
      const { moving } = this;
      this._dragging = null;
      this.moving = null;
      if (moving && keep) this.on.move(moving.event, moving.frame);
      this.draw();
    };
    element.addEventListener("pointerup", () => end(true));
    element.addEventListener("pointercancel", () => end(false));
    element.addEventListener(
      "wheel",
      (event) => {
        event.preventDefault();
        if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
          this._window(this.from + ((event.deltaX || event.deltaY) / this._wide) * this.long, this.long);
        } else {
          const t = this._t(at(event)[0]);
          const long = this.long * Math.exp(event.deltaY / 400);
          this._window(t - ((t - this.from) / this.long) * long, long);
        }
        this.draw();
      },
      { passive: false },
    );
  }

  /** @param {number} x */
  _scrub(x) {
    const t = this._dragging?.whole ? ((x - GUTTER) / this._wide) * this.last_s : this._t(x);
    if (this._dragging?.whole) this._window(t - this.long / 2, this.long);
    this.on.scrub(this.film.frameAt(t));
  }
}

/** @param {any} a @param {any} b */
export function same(a, b) {
  return a.side === b.side && a.kind === b.kind && Math.abs(a.time_s - b.time_s) < 1e-6;
}

/** @param {CanvasRenderingContext2D} ctx @param {Side} side @param {number} x @param {number} y @param {number} r */
function shape(ctx, side, x, y, r) {
  ctx.beginPath();
  if (side === "left") ctx.arc(x, y, r, 0, 7);
  else {
    ctx.moveTo(x, y - r * 1.25);
    ctx.lineTo(x + r * 1.25, y);
    ctx.lineTo(x, y + r * 1.25);
    ctx.lineTo(x - r * 1.25, y);
    ctx.closePath();
  }
}
