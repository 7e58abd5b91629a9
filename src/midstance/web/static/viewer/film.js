// What is known of one film: the times of its pictures, and its reading (landmarks, events, strides, measures).

import { ask } from "./api.js";
import * as geo from "./geometry.js";
import { spread } from "./fade.js";
import { nearest } from "./seek.js";
import { stanceAt } from "./phase.js";

/** @typedef {"left"|"right"} Side */
/** @typedef {[number, number]} Point */

export const SEEN = 0;
export const FILLED = 1;
export const GUESS = 2;
export const BLURRED = 3;
export const MISSING = 4;
export const CORRECTED = 5;
/** Words for how a landmark is known, by its number. */
export const STATE_WORDS = ["seen", "filled in", "guessed", "blurred", "not visible", "set by hand"];
/** @type {Side[]} */
export const SIDES = ["left", "right"];
/** Landmarks people correct, from hip to toe first. */
export const EDITABLE = [
  "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle", "left_heel", "right_heel",
  "left_toe", "right_toe", "left_shoulder", "right_shoulder", "left_elbow", "right_elbow", "left_wrist", "right_wrist", "nose",
];

/** @param {string} name such as "left_ankle" */
export const nameWords = (name) => name.replace(/_/g, " ");
/** @param {string} name @returns {Side|null} */
export const sideOf = (name) => (name.startsWith("left_") ? "left" : name.startsWith("right_") ? "right" : null);

/** @param {string} text base64 of little-endian numbers */
function bytes(text) {
  const raw = atob(text);
  const out = new Uint8Array(raw.length);
  for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
  return out;
}

/** @param {string} text @returns {Float32Array} */
export function floats(text) {
  const view = new DataView(bytes(text).buffer);
  const out = new Float32Array(view.byteLength / 4);
  for (let i = 0; i < out.length; i++) out[i] = view.getFloat32(4 * i, true);
  return out;
}

/** Landmarks of one picture. `exact` is false where the picture lies between two that were read. */
/** @typedef {{row: number, exact: boolean, xy: Float64Array, state: Uint8Array, com: Point|null}} Pose */

export class Film {
  /** @param {string} id @param {any} facts the film's own record @param {any} frames frames.json */
  constructor(id, facts, frames) {
    this.id = id;
    this.facts = facts;
    this.width = frames.width;
    this.height = frames.height;
    this.count = frames.frames;
    this.pts_s = Float64Array.from(frames.pts_s);
    this.time_s = Float64Array.from(frames.time_s);
    this.slowdown = frames.slowdown || 1;
    this.capture_fps = frames.capture_fps;
    this.capture_source = frames.capture_source || "";
    /** @type {any} the reading, null where the film isn't read yet */
    this.reading = null;
    /** @type {Float32Array} */ this.xy = new Float32Array(0);
    /** @type {Uint8Array} */ this.state = new Uint8Array(0);
    /** @type {Float32Array} */ this.com = new Float32Array(0);
    /** @type {Record<string, number>} */ this.index = {};
    /** @type {{j: number, path: Float64Array, row: number}|null} what a drag does, before it is kept */
    this.preview = null;
  }

  /** Fetch a film's record, times and reading. @param {string} id */
  static async load(id) {
    const [facts, frames] = await Promise.all([ask("GET", `/api/films/${id}`), ask("GET", `/api/films/${id}/frames`)]);
    const film = new Film(id, facts, frames);
    try {
      film.take(await ask("GET", `/api/films/${id}/reading`));
    } catch (error) {
      film.unread = error; // it can be watched all the same
    }
    return film;
  }

  /** Fetch the reading again. */
  async reread() {
    this.take(await ask("GET", `/api/films/${this.id}/reading`));
  }

  /** Take a reading. Changes are sent one after the other, so the last answer is the newest. @param {any} reading */
  take(reading) {
    this.reading = reading;
    this.unread = null;
    this.xy = floats(reading.xy);
    this.state = bytes(reading.state);
    // Where the film can't be measured there is no centre of mass.
    this.com = reading.com ? floats(reading.com) : new Float32Array(2 * reading.rows.length).fill(NaN);
    this.rowTimes = Float64Array.from(reading.time_s);
    this.index = Object.fromEntries(reading.landmarks.map((/** @type {string} */ n, /** @type {number} */ i) => [n, i]));
    this.rowOfFrame = new Map(reading.rows.map((/** @type {number} */ f, /** @type {number} */ r) => [f, r]));
    this.stickerXy = reading.stickers ? floats(reading.stickers.xy) : null;
    this.preview = null;
    this.plane = geo.plane(reading);
    this.flat = Object.fromEntries(SIDES.map((side) => [side, this._flat(side)]));
  }

  /** @returns {any[]} */
  get events() {
    return this.reading?.events ?? [];
  }

  /** @returns {any[]} */
  get stances() {
    return this.reading?.stances ?? [];
  }

  get view() {
    return this.reading?.view ?? this.facts.view;
  }

  get isSide() {
    return this.view === "side" || this.view === "side_far";
  }

  /** Index of the picture nearest to a real time. @param {number} time_s */
  frameAt(time_s) {
    return nearest(this.time_s, time_s);
  }

  /** The picture that was read nearest to this one, or this one where nothing is read. @param {number} frame */
  readFrame(frame) {
    if (!this.reading?.rows.length) return frame;
    return this.reading.rows[nearest(this.reading.rows, frame)];
  }

  /** One number of the landmarks, with what is being dragged. @param {number} row @param {number} j @param {0|1} d */
  _at(row, j, d) {
    if (this.preview && this.preview.j === j) return this.preview.path[2 * row + d];
    return this.xy[2 * (row * 33 + j) + d];
  }

  /** @param {number} frame @returns {Pose|null} null outside what was read */
  pose(frame) {
    const rows = this.reading?.rows;
    if (!rows?.length || frame < rows[0] || frame > rows[rows.length - 1]) return null;
    const row = this.rowOfFrame?.get(frame);
    const xy = new Float64Array(66);
    const state = new Uint8Array(33);
    if (row !== undefined) {
      for (let j = 0; j < 33; j++) {
        state[j] = this.state[row * 33 + j];
        for (const d of /** @type {(0|1)[]} */ ([0, 1])) xy[2 * j + d] = this._at(row, j, d);
        if (this.preview?.j === j && this.preview.row === row) state[j] = CORRECTED;
      }
      return { row, exact: true, xy, state, com: this._com(row) };
    }
    let after = nearest(rows, frame);
    if (rows[after] < frame) after++;
    const before = after - 1;
    const w = (this.time_s[frame] - this.time_s[rows[before]]) / (this.time_s[rows[after]] - this.time_s[rows[before]]);
    for (let j = 0; j < 33; j++) {
      state[j] = Math.max(this.state[before * 33 + j] % CORRECTED, this.state[after * 33 + j] % CORRECTED);
      for (const d of /** @type {(0|1)[]} */ ([0, 1])) xy[2 * j + d] = (1 - w) * this._at(before, j, d) + w * this._at(after, j, d);
    }
    const a = this._com(before);
    const b = this._com(after);
    const com = a && b ? /** @type {Point} */ ([(1 - w) * a[0] + w * b[0], (1 - w) * a[1] + w * b[1]]) : null;
    return { row: w < 0.5 ? before : after, exact: false, xy, state, com };
  }

  /** @param {number} row @returns {Point|null} */
  _com(row) {
    const x = this.com[2 * row];
    const y = this.com[2 * row + 1];
    return Number.isFinite(x) && Number.isFinite(y) ? [x, y] : null;
  }

  /** Stickers known in a picture, by name. @param {number} frame @returns {Map<string, Point>} */
  stickers(frame) {
    const found = new Map();
    const row = this.rowOfFrame?.get(this.readFrame(frame));
    const names = this.reading?.stickers?.names ?? [];
    if (row !== undefined && this.stickerXy) {
      names.forEach((/** @type {string} */ name, /** @type {number} */ m) => {
        const x = /** @type {Float32Array} */ (this.stickerXy)[2 * (row * names.length + m)];
        const y = /** @type {Float32Array} */ (this.stickerXy)[2 * (row * names.length + m) + 1];
        if (Number.isFinite(x) && Number.isFinite(y)) found.set(name, [x, y]);
      });
    }
    return found;
  }

  /**
   * Let the neighbours of a landmark follow a move that isn't kept yet.
   * @param {string} name @param {number} row @param {Point} place px of the upright picture
   */
  dragTo(name, row, place) {
    const j = this.index[name];
    const n = this.rowTimes?.length ?? 0;
    const path = new Float64Array(2 * n);
    /** @type {number[]} */
    const rows = [];
    for (let r = 0; r < n; r++) {
      path[2 * r] = this.xy[2 * (r * 33 + j)];
      path[2 * r + 1] = this.xy[2 * (r * 33 + j) + 1];
      if (r === row || this.state[r * 33 + j] === CORRECTED) rows.push(r);
    }
    const wanted = rows.map((r) => /** @type {Point} */ (r === row ? place : [path[2 * r], path[2 * r + 1]]));
    this.preview = { j, row, path: spread(/** @type {Float64Array} */ (this.rowTimes), path, rows, wanted) };
  }

  /** Heel–toe line of a flat foot, degrees. @param {Side} side */
  _flat(side) {
    if (!this.isSide) return null;
    const [heel, toe] = [this.index[`${side}_heel`], this.index[`${side}_toe`]];
    const times = /** @type {Float64Array} */ (this.rowTimes);
    const line = Array.from(times, (_, r) => {
      const bad = [heel, toe].some((j) => ![SEEN, FILLED, CORRECTED].includes(this.state[r * 33 + j]));
      if (bad) return null;
      const at = (/** @type {number} */ j) => this.plane?.to([this.xy[2 * (r * 33 + j)], this.xy[2 * (r * 33 + j) + 1]]);
      return geo.footAngle(/** @type {Point} */ (at(heel)), /** @type {Point} */ (at(toe)));
    });
    return geo.flatFoot(times, line, this.stances.filter((s) => s.side === side));
  }

  /** The leg on the ground in a picture, or the one that will land next. @param {number} time_s @returns {Side} */
  stanceLeg(time_s) {
    for (const side of SIDES) if (stanceAt(this.stances, side, time_s)) return side;
    let best = null;
    for (const s of this.stances) {
      const away = s.ic_s > time_s ? s.ic_s - time_s : Math.abs(time_s - (s.to_s ?? s.ic_s));
      if (!best || away < best.away) best = { away, side: s.side };
    }
    return best?.side ?? this.reading?.near ?? "left";
  }
}
