// The drawing on the picture: skeleton, angles, lines to the vertical, distance to the body, events, stickers, marks.

import { CORRECTED, MISSING, SEEN, SIDES, nameWords, sideOf } from "./film.js";
import { text } from "./angles.js";

/** @typedef {import("./film.js").Film} Film */
/** @typedef {import("./film.js").Pose} Pose */
/** @typedef {import("./stage.js").Stage} Stage */
/** @typedef {import("./angles.js").Reading} Reading */
/** @typedef {"left"|"right"} Side */
/** @typedef {[number, number]} Point */
/** @typedef {{skeleton: boolean, angles: boolean, verticals: boolean, distance: boolean, events: boolean, stickers: boolean}} Layers */

const BONES = [
  ["shoulder", "elbow"], ["elbow", "wrist"], ["shoulder", "hip"], ["hip", "knee"], ["knee", "ankle"],
  ["ankle", "heel"], ["heel", "toe"], ["ankle", "toe"],
];
const JOINTS = ["shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "toe"];
const CASING = "rgba(12, 17, 15, .82)";
const MIDDLE = "#ececec";
const GUIDE = "#f4f7f5";

export class Painter {
  /** @param {HTMLCanvasElement} canvas @param {Stage} stage */
  constructor(canvas, stage) {
    this.canvas = canvas;
    this.stage = stage;
    this.ctx = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    this.colours = { left: "#78b8f4", right: "#f2a65a" };
    this.face = "sans-serif";
    this.recolour();
  }

  /** Take colours and typeface from the style sheet. */
  recolour() {
    const style = getComputedStyle(this.canvas);
    for (const side of SIDES) this.colours[side] = style.getPropertyValue(`--fv-${side}`).trim() || this.colours[side];
    this.face = style.fontFamily || this.face;
  }

  /** Clear, at the screen's own resolution. */
  begin() {
    const [w, h] = this.stage.size;
    const dpr = Math.min(devicePixelRatio || 1, 3);
    if (this.canvas.width !== Math.round(w * dpr) || this.canvas.height !== Math.round(h * dpr)) {
      this.canvas.width = Math.round(w * dpr);
      this.canvas.height = Math.round(h * dpr);
    }
    this.ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
    this.ctx.clearRect(0, 0, w, h);
    this.ctx.lineJoin = this.ctx.lineCap = "round";
    /** @type {[number, number, number, number][]} places taken by labels */
    this.taken = [];
  }

  /**
   * @param {Film} film @param {number} frame @param {Pose|null} pose @param {Reading[]} values
   * @param {{layers: Layers, legs: Side[], selected: string|null, editing: boolean}} how
   */
  draw(film, frame, pose, values, how) {
    this.begin();
    if (how.layers.events) this._events(film, film.time_s[frame]);
    if (pose) {
      if (how.layers.verticals && film.plane) this._verticals(film, pose, how.legs);
      if (how.layers.skeleton) this._skeleton(film, pose, how.legs);
      if (how.layers.distance && film.plane && film.isSide) this._distance(film, pose, values, how.legs);
      if (how.layers.angles) this._angles(film, pose, values, how.legs);
      if (how.selected) this._selected(film, pose, how.selected);
    }
    if (how.layers.stickers) for (const [name, at] of film.stickers(frame)) this.sticker(at, name, false);
  }

  /** @param {Film} film @param {Pose} pose @param {string} name @returns {Point|null} screen px */
  _place(film, pose, name) {
    const j = film.index[name];
    if (pose.state[j] === MISSING) return null;
    const p = this.stage.toScreen([pose.xy[2 * j], pose.xy[2 * j + 1]]);
    return Number.isFinite(p[0]) && Number.isFinite(p[1]) ? p : null;
  }

  /** @param {Point} a @param {Point} b @param {string} colour @param {number} width @param {number[]} [dash] */
  line(a, b, colour, width, dash = []) {
    const { ctx } = this;
    ctx.setLineDash(dash);
    for (const [c, w] of /** @type {[string, number][]} */ ([[CASING, width + 2], [colour, width]])) {
      ctx.strokeStyle = c;
      ctx.lineWidth = w;
      ctx.beginPath();
      ctx.moveTo(...a);
      ctx.lineTo(...b);
      ctx.stroke();
    }
    ctx.setLineDash([]);
  }

  /** A thin line to hold something against. @param {Point} a @param {Point} b */
  guide(a, b) {
    const { ctx } = this;
    ctx.setLineDash([5, 4]);
    for (const [c, w] of /** @type {[string, number][]} */ ([["rgba(12, 17, 15, .55)", 2.4], [GUIDE, 1.1]])) {
      ctx.strokeStyle = c;
      ctx.lineWidth = w;
      ctx.beginPath();
      ctx.moveTo(...a);
      ctx.lineTo(...b);
      ctx.stroke();
    }
    ctx.setLineDash([]);
  }

  /** @param {Film} film @param {Pose} pose @param {Side[]} legs */
  _skeleton(film, pose, legs) {
    const sure = (/** @type {string} */ n) => [SEEN, CORRECTED].includes(pose.state[film.index[n]]);
    const bone = (/** @type {string} */ a, /** @type {string} */ b, /** @type {string} */ colour, /** @type {number} */ width, /** @type {number[]} */ dash) => {
      const [p, q] = [this._place(film, pose, a), this._place(film, pose, b)];
      if (!p || !q) return;
      this.ctx.globalAlpha = sure(a) && sure(b) ? 1 : 0.55;
      this.line(p, q, colour, width, dash);
      this.ctx.globalAlpha = 1;
    };
    bone("left_shoulder", "right_shoulder", MIDDLE, 1.6, []);
    bone("left_hip", "right_hip", MIDDLE, 1.6, []);
    const near = film.reading.near;
    const order = near === "left" ? /** @type {Side[]} */ (["right", "left"]) : SIDES;
    for (const side of order) {
      const front = near ? side === near : legs.includes(side);
      const width = front ? 2.6 : 1.8;
      const dash = side === "right" ? [9, 6] : [];
      for (const [a, b] of BONES) bone(`${side}_${a}`, `${side}_${b}`, this.colours[side], width, dash);
      for (const joint of JOINTS) {
        const p = this._place(film, pose, `${side}_${joint}`);
        if (p) this.joint(p, side, front ? 4.6 : 3.6, sure(`${side}_${joint}`), pose.state[film.index[`${side}_${joint}`]] === CORRECTED);
      }
    }
    const nose = this._place(film, pose, "nose");
    if (nose) this.joint(nose, null, 3, sure("nose"), false);
  }

  /** A disc for left, a diamond for right; hollow where it wasn't seen, ringed where set by hand. @param {Point} p @param {Side|null} side @param {number} r @param {boolean} sure @param {boolean} byHand */
  joint(p, side, r, sure, byHand) {
    const { ctx } = this;
    const shape = (/** @type {number} */ radius) => {
      ctx.beginPath();
      if (side === "right") {
        const d = radius * 1.3;
        ctx.moveTo(p[0], p[1] - d);
        ctx.lineTo(p[0] + d, p[1]);
        ctx.lineTo(p[0], p[1] + d);
        ctx.lineTo(p[0] - d, p[1]);
        ctx.closePath();
      } else ctx.arc(p[0], p[1], radius, 0, 7);
    };
    const colour = side ? this.colours[side] : MIDDLE;
    shape(r + 1.4);
    ctx.fillStyle = CASING;
    ctx.fill();
    shape(r);
    ctx.fillStyle = sure ? colour : "rgba(12, 17, 15, .6)";
    ctx.fill();
    ctx.lineWidth = 1.6;
    ctx.strokeStyle = colour;
    ctx.stroke();
    if (byHand) {
      shape(r + 3.6);
      ctx.lineWidth = 1.4;
      ctx.strokeStyle = "#fff";
      ctx.stroke();
    }
  }

  /** The true vertical at knee and hip, to hold shank and thigh against. @param {Film} film @param {Pose} pose @param {Side[]} legs */
  _verticals(film, pose, legs) {
    const [ux, uy] = /** @type {NonNullable<Film["plane"]>} */ (film.plane).up;
    const plumb = (/** @type {Point|null} */ top, /** @type {Point|null} */ end) => {
      if (!top || !end) return;
      const long = Math.hypot(end[0] - top[0], end[1] - top[1]);
      this.guide(top, [top[0] - ux * long, top[1] - uy * long]);
    };
    const at = (/** @type {string} */ n) => this._place(film, pose, n);
    for (const side of legs) {
      if (film.isSide) plumb(at(`${side}_hip`), at(`${side}_knee`));
      if (film.isSide) plumb(at(`${side}_knee`), at(`${side}_ankle`));
      else {
        const [hip, ankle] = [at(`${side}_hip`), at(`${side}_ankle`)];
        if (hip && ankle) this.guide(hip, ankle);
      }
    }
    const mid = (/** @type {string} */ part) => {
      const [a, b] = [at(`left_${part}`), at(`right_${part}`)];
      return a && b ? /** @type {Point} */ ([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]) : null;
    };
    const [hips, shoulders] = [mid("hip"), mid("shoulder")];
    if (hips && shoulders) {
      const long = Math.hypot(shoulders[0] - hips[0], shoulders[1] - hips[1]);
      this.guide(hips, [hips[0] + ux * long, hips[1] + uy * long]);
      this.line(hips, shoulders, MIDDLE, 1.6);
    }
  }

  /** How far the ankle is ahead of hip and centre of mass, along the true horizontal. @param {Film} film @param {Pose} pose @param {Reading[]} values @param {Side[]} legs */
  _distance(film, pose, values, legs) {
    const plane = /** @type {NonNullable<Film["plane"]>} */ (film.plane);
    const film2 = (/** @type {string} */ n) => /** @type {Point} */ ([pose.xy[2 * film.index[n]], pose.xy[2 * film.index[n] + 1]]);
    if (pose.com) this._com(this.stage.toScreen(pose.com));
    for (const side of legs) {
      if (!this._place(film, pose, `${side}_ankle`)) continue;
      const ankle = plane.to(film2(`${side}_ankle`));
      const low = Math.min(...["heel", "toe", "ankle"].map((p) => plane.to(film2(`${side}_${p}`))[1]).filter(Number.isFinite));
      const drop = 14 / this.stage.scale;
      const levels = /** @type {[string, Point|null, string][]} */ ([
        ["ahead_com", pose.com, "COM"], ["ahead_hip", this._place(film, pose, `${side}_hip`) ? film2(`${side}_hip`) : null, "hip"],
      ]);
      let level = low - drop;
      for (const [key, from, name] of levels) {
        const value = values.find((v) => v.key === key && v.side === side);
        if (!from || !value || value.value === null) continue;
        const body = plane.to(from);
        const a = this.stage.toScreen(plane.from([body[0], level]));
        const b = this.stage.toScreen(plane.from([ankle[0], level]));
        this.guide(this.stage.toScreen(from), a);
        this.line(a, b, this.colours[side], 2);
        for (const end of [a, b]) this.line([end[0], end[1] - 4], [end[0], end[1] + 4], this.colours[side], 2);
        this.label(`${name} ${text(value)}`, [(a[0] + b[0]) / 2, a[1] + 13], "centre");
        level -= 26 / this.stage.scale;
      }
    }
  }

  /** @param {Point} p */
  _com(p) {
    const { ctx } = this;
    ctx.lineWidth = 1.2;
    ctx.strokeStyle = CASING;
    for (let q = 0; q < 4; q++) {
      ctx.beginPath();
      ctx.moveTo(...p);
      ctx.arc(p[0], p[1], 6.5, (q * Math.PI) / 2, ((q + 1) * Math.PI) / 2);
      ctx.closePath();
      ctx.fillStyle = q % 2 ? "#fff" : "#1a211e";
      ctx.fill();
    }
    ctx.beginPath();
    ctx.arc(p[0], p[1], 6.5, 0, 7);
    ctx.stroke();
  }

  /** @param {Film} film @param {Pose} pose @param {Reading[]} values @param {Side[]} legs */
  _angles(film, pose, values, legs) {
    const at = (/** @type {string} */ n) => this._place(film, pose, n);
    const say = (/** @type {string} */ key, /** @type {Side|"both"} */ side, /** @type {string} */ name, /** @type {Point|null} */ where, /** @type {number} */ toward) => {
      const v = values.find((r) => r.key === key && (side === "both" || r.side === side));
      if (!v || v.value === null || !where) return;
      this.label(`${name} ${text(v)}${v.sure ? "" : " ?"}`, [where[0] + 16 * toward, where[1]], toward > 0 ? "left" : "right");
    };
    const half = (/** @type {Point|null} */ a, /** @type {Point|null} */ b) =>
      a && b ? /** @type {Point} */ ([(a[0] + b[0]) / 2, (a[1] + b[1]) / 2]) : null;
    // Labels stand on the far side of the way the runner goes, where the swing of the leg seldom is.
    const ahead = film.isSide ? (film.plane?.flip ? -1 : 1) : 0;
    legs.forEach((side, i) => {
      const out = film.isSide ? (i === 0 ? ahead : -ahead) : side === (film.view === "rear" ? "right" : "left") ? 1 : -1;
      const [hip, knee, ankle, toe, heel] = ["hip", "knee", "ankle", "toe", "heel"].map((p) => at(`${side}_${p}`));
      if (film.isSide) {
        say("thigh", side, "thigh", half(hip, knee), out);
        say("knee", side, "knee", knee, out);
        say("shank", side, "shank", half(knee, ankle), -out);
        say("ankle", side, "ankle", ankle, -out);
        say("foot", side, "foot", out > 0 === ahead > 0 ? toe : heel, out);
      } else say("knee_frontal", side, "knee", knee, out);
    });
    const shoulders = half(at("left_shoulder"), at("right_shoulder"));
    if (film.isSide) say("trunk", "both", "trunk", half(shoulders, half(at("left_hip"), at("right_hip"))), -ahead || 1);
    else say("trunk_side", "both", "trunk", shoulders, 1);
  }

  /** Contacts and toe-offs of the last and next instants, beneath the foot. @param {Film} film @param {number} time_s */
  _events(film, time_s) {
    for (const e of film.events) {
      const away = Math.abs(e.time_s - time_s);
      if (away > 0.12) continue;
      const frame = film.frameAt(e.time_s);
      const pose = film.pose(frame);
      if (!pose) continue;
      const feet = ["heel", "toe"].map((p) => this._place(film, pose, `${e.side}_${p}`)).filter((p) => p !== null);
      if (!feet.length) continue;
      const x = feet.reduce((s, p) => s + p[0], 0) / feet.length;
      const y = Math.max(...feet.map((p) => p[1])) + 9;
      this.ctx.globalAlpha = away < 0.004 ? 1 : Math.max(0.15, 1 - away / 0.12);
      this.eventMark([x, y], e.kind, e.side, 8);
      this.ctx.globalAlpha = 1;
    }
  }

  /** Contact: filled, tip down on a bar. Toe-off: open, tip up. @param {Point} p @param {string} kind @param {Side} side @param {number} r */
  eventMark(p, kind, side, r) {
    const { ctx } = this;
    const down = kind === "initial_contact";
    const [tip, base] = down ? [p[1] + 1.5 * r, p[1]] : [p[1], p[1] + 1.5 * r];
    ctx.beginPath();
    ctx.moveTo(p[0], tip);
    ctx.lineTo(p[0] - r, base);
    ctx.lineTo(p[0] + r, base);
    ctx.closePath();
    ctx.lineWidth = 4;
    ctx.strokeStyle = CASING;
    ctx.stroke();
    if (down) {
      ctx.fillStyle = this.colours[side];
      ctx.fill();
    }
    ctx.lineWidth = 2;
    ctx.strokeStyle = this.colours[side];
    ctx.stroke();
    if (down) this.line([p[0] - 1.5 * r, tip + 2], [p[0] + 1.5 * r, tip + 2], this.colours[side], 2);
  }

  /** @param {Film} film @param {Pose} pose @param {string} name */
  _selected(film, pose, name) {
    const p = this._place(film, pose, name);
    if (!p) return;
    const { ctx } = this;
    // Hair lines that leave the place itself free.
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      this.line([p[0] + dx * 9, p[1] + dy * 9], [p[0] + dx * 20, p[1] + dy * 20], "#fff", 1.4);
    }
    ctx.beginPath();
    ctx.arc(p[0], p[1], 9, 0, 7);
    ctx.lineWidth = 3.4;
    ctx.strokeStyle = CASING;
    ctx.stroke();
    ctx.lineWidth = 1.6;
    ctx.strokeStyle = "#fff";
    ctx.stroke();
    this.label(nameWords(name), [p[0], p[1] - 30], "centre");
  }

  /** @param {Point} film px of the picture @param {string} name @param {boolean} clicked */
  sticker(film, name, clicked) {
    const p = this.stage.toScreen(film);
    const side = sideOf(name);
    const { ctx } = this;
    ctx.beginPath();
    ctx.arc(p[0], p[1], 6, 0, 7);
    ctx.lineWidth = 3.6;
    ctx.strokeStyle = CASING;
    ctx.stroke();
    ctx.lineWidth = 1.8;
    ctx.strokeStyle = side ? this.colours[side] : MIDDLE;
    ctx.stroke();
    if (clicked) this.label(nameWords(name), [p[0] + 12, p[1]], "left");
  }

  /** A few words on a dark plate, moved up or down where another stands. @param {string} words @param {Point} p @param {"left"|"right"|"centre"} align */
  label(words, p, align) {
    const { ctx } = this;
    ctx.font = `600 13px ${this.face}`;
    const w = Math.ceil(ctx.measureText(words).width) + 10;
    const h = 19;
    const [room, tall] = this.stage.size;
    let x = align === "left" ? p[0] : align === "right" ? p[0] - w : p[0] - w / 2;
    let y = p[1] - h / 2;
    x = Math.min(Math.max(x, 2), room - w - 2);
    const hits = (/** @type {number} */ top) => this.taken?.some(([a, b, c, d]) => x < a + c && a < x + w && top < b + d && b < top + h);
    for (const shift of [0, 20, -20, 40, -40, 60]) {
      if (!hits(y + shift)) {
        y += shift;
        break;
      }
    }
    if (y < -2 * h || y > tall + h) return;
    y = Math.min(Math.max(y, 2), tall - h - 2);
    this.taken?.push([x, y, w, h]);
    ctx.fillStyle = "rgba(12, 17, 15, .74)";
    ctx.beginPath();
    ctx.roundRect(x, y, w, h, 4);
    ctx.fill();
    ctx.fillStyle = "#fff";
    ctx.textBaseline = "middle";
    ctx.textAlign = "left";
    ctx.fillText(words, x + 5, y + h / 2 + 0.5);
  }
}
