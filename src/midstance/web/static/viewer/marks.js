// What a person marks in the picture: ground corners, a known length, what is level, stickers. Kept with the film.

import { Problem, ask, words } from "./api.js";
import { nameWords, sideOf } from "./film.js";

/** @typedef {[number, number]} Point */
/** @typedef {"ground"|"length"|"roll"|"sticker"} Tool */
/** @typedef {{tool: Tool, words: string, get: () => Point, set: (p: Point) => void, drop: () => void, frame?: number}} Handle */

/** Sticker places by the view that shows them, as the measures use them. */
const STICKERS = /** @type {Record<string, string[]>} */ ({
  side: ["hip", "knee", "ankle", "heel", "toe"],
  rear: ["heel_top", "heel_bottom", "shank_top", "shank_bottom", "psis", "knee", "ankle"],
  front: ["asis", "knee", "ankle"],
});
const PLACE_WORDS = /** @type {Record<string, string>} */ ({
  heel_top: "top of the heel counter", heel_bottom: "bottom of the heel counter", shank_top: "middle of the calf",
  shank_bottom: "above the heel", psis: "back of the pelvis (PSIS)", asis: "front of the pelvis (ASIS)",
  hip: "outside of the hip", knee: "knee joint", ankle: "outer ankle bone", heel: "back of the shoe", toe: "front of the shoe",
});
const MARK = "#ffe08a";

/** Names stickers may have in a view. @param {string} view */
export function stickerNames(view) {
  const places = STICKERS[view === "side_far" ? "side" : view] ?? [];
  return ["left", "right"].flatMap((side) => places.map((place) => `${side}_${place}`));
}

/** A sticker's name in words. @param {string} name */
export const stickerWords = (name) => `${sideOf(name)}: ${PLACE_WORDS[name.replace(/^(left|right)_/, "")] ?? nameWords(name)}`;

/**
 * Camera roll from a line along something upright or level: how much the true horizontal rises to the right, degrees.
 * @param {Point} a @param {Point} b px, y down
 */
export function rollOf(a, b) {
  const slope = (Math.atan2(-(b[1] - a[1]), b[0] - a[0]) * 180) / Math.PI;
  return slope - 90 * Math.round(slope / 90) + 0;
}

/** What is marked in a film's record, in the form that is edited. @param {any} facts */
export function marksOf(facts) {
  const marks = facts.marks ?? {};
  const ground = marks.ground && !Array.isArray(marks.ground) && marks.ground.corners_px ? marks.ground : null;
  return {
    corners: (ground?.corners_px ?? []).map((/** @type {Point} */ p) => [...p]),
    length_m: ground?.length_m ?? null,
    width_m: ground?.width_m ?? null,
    slope_percent: ground?.slope_percent ?? null,
    otherGround: marks.ground && !ground ? marks.ground : null,
    lengths: (facts.known_lengths ?? []).map((/** @type {any} */ k) => ({ first_px: [...k.first_px], second_px: [...k.second_px], length_m: k.length_m })),
    roll_deg: marks.roll_deg ?? null,
    /** @type {Point[]} */ rollLine: [],
    stickers: Array.isArray(marks.stickers) ? marks.stickers.map((/** @type {any} */ s) => ({ ...s })) : [],
    findStickers: marks.stickers === "find",
    /** @type {Point[]} a length whose second end isn't marked yet */ open: [],
  };
}

/**
 * The film's record with the marks in it; parts that weren't touched stay as `facts` has them.
 * @param {any} facts what the server has @param {any} mine marks as edited @param {any} base marks as they were read
 */
export function recordWith(facts, mine, base) {
  const marks = { ...(facts.marks ?? {}) };
  const differs = (/** @type {string[]} */ ...keys) => keys.some((k) => JSON.stringify(mine[k]) !== JSON.stringify(base[k]));
  if (differs("corners", "length_m", "width_m", "slope_percent", "otherGround")) {
    delete marks.ground;
    if (mine.corners.length) {
      marks.ground = { corners_px: mine.corners.map(tidy), length_m: mine.length_m, width_m: mine.width_m };
      if (mine.slope_percent !== null) marks.ground.slope_percent = mine.slope_percent;
    } else if (mine.otherGround) marks.ground = mine.otherGround;
  }
  if (differs("roll_deg")) {
    delete marks.roll_deg;
    if (mine.roll_deg !== null) marks.roll_deg = Math.round(mine.roll_deg * 1000) / 1000;
    else delete marks.roll_sigma_deg;
  }
  if (differs("stickers", "findStickers")) {
    delete marks.stickers;
    if (mine.findStickers) marks.stickers = "find";
    else if (mine.stickers.length) marks.stickers = mine.stickers;
  }
  const lengths = mine.lengths.map((/** @type {any} */ k) => ({ first_px: tidy(k.first_px), second_px: tidy(k.second_px), length_m: k.length_m }));
  return differs("lengths") ? { marks, known_lengths: lengths } : { marks };
}

/** @param {number[]} p */
const tidy = (p) => p.map((v) => Math.round(v * 100) / 100);

/** What is missing before marks can be kept, or "". @param {any} m */
export function fault(m) {
  if (m.corners.length && m.corners.length !== 4) return `The ground has ${m.corners.length} of 4 corners: mark the rest, or take them away.`;
  if (m.corners.length && !(m.length_m > 0 && m.width_m > 0)) return "Give the ground's length along the running and its width across, in metres.";
  if (m.open.length) return "The known length has one end only: mark the other.";
  for (const k of m.lengths) {
    if (!(k.length_m > 0)) return "Give the known length in metres.";
    if (Math.hypot(k.first_px[0] - k.second_px[0], k.first_px[1] - k.second_px[1]) < 10) return "The ends of the known length are too near to each other.";
  }
  if (m.rollLine.length === 1) return "The level line has one end only: mark the other.";
  return "";
}

export class Marks {
  /**
   * @param {import("./film.js").Film} film
   * @param {{frame: () => number, redraw: () => void, say: (text: string, kind?: string) => void, reveal: (p: Point) => void, changed: () => void}} on
   */
  constructor(film, on) {
    this.film = film;
    this.on = on;
    this.base = marksOf(film.facts);
    this.now = marksOf(film.facts);
    /** @type {Tool|null} */ this.tool = null;
    this.sticker = stickerNames(film.view)[0] ?? "";
    this.knownLength_m = null;
    /** @type {Point} crosshair of the keyboard, px of the film */ this.cursor = [film.width / 2, film.height / 2];
    this.byKeys = false;
    /** @type {Handle|null} */ this.held = null;
    /** @type {any} what somebody else put meanwhile */ this.conflict = null;
  }

  get active() {
    return this.tool !== null;
  }

  get dirty() {
    return JSON.stringify({ ...this.now, open: [], rollLine: [] }) !== JSON.stringify({ ...this.base, open: [], rollLine: [] });
  }

  /** @param {Tool|null} tool */
  use(tool) {
    this.tool = tool;
    this.held = null;
    this.on.changed();
    this.on.redraw();
  }

  /** All points that can be moved. @returns {Handle[]} */
  handles() {
    const m = this.now;
    /** @type {Handle[]} */
    const out = [];
    const add = (/** @type {Tool} */ tool, /** @type {string} */ words_, /** @type {any} */ list, /** @type {any} */ i, /** @type {() => void} */ drop, extra = {}) =>
      out.push({ tool, words: words_, get: () => list[i], set: (p) => { list[i] = p; }, drop, ...extra });
    m.corners.forEach((/** @type {Point} */ _, /** @type {number} */ i) => add("ground", `ground corner ${i + 1}`, m.corners, i, () => m.corners.splice(i, 1)));
    m.lengths.forEach((/** @type {any} */ k, /** @type {number} */ i) => {
      for (const end of ["first_px", "second_px"]) add("length", `known length ${i + 1}, ${end === "first_px" ? "one end" : "other end"}`, k, end, () => m.lengths.splice(i, 1));
    });
    m.open.forEach((_, i) => add("length", "known length, one end", m.open, i, () => m.open.splice(i, 1)));
    m.rollLine.forEach((_, i) => add("roll", `level line, end ${i + 1}`, m.rollLine, i, () => { m.rollLine.length = 0; }));
    m.stickers.forEach((/** @type {any} */ s, /** @type {number} */ i) => {
      out.push({
        tool: "sticker", words: stickerWords(s.name), get: () => [s.x_px, s.y_px], set: (p) => Object.assign(s, { x_px: round2(p[0]), y_px: round2(p[1]) }),
        drop: () => m.stickers.splice(i, 1), frame: this.stickerFrame(s),
      });
    });
    return out;
  }

  /** The picture a sticker was clicked in; its time is that of a player. @param {any} s */
  stickerFrame(s) {
    let best = 0;
    this.film.pts_s.forEach((t, i) => { if (Math.abs(t - s.time_s) < Math.abs(this.film.pts_s[best] - s.time_s)) best = i; });
    return best;
  }

  /** The point under a pointer, of the chosen kind first. @param {Point} at px of the film @param {number} reach */
  near(at, reach) {
    let best = null;
    for (const h of this.handles()) {
      if (h.frame !== undefined && h.frame !== this.on.frame()) continue;
      const p = h.get();
      const d = Math.hypot(p[0] - at[0], p[1] - at[1]) - (h.tool === this.tool ? reach / 4 : 0);
      if (d <= reach && (!best || d < best.d)) best = { d, h };
    }
    return best?.h ?? null;
  }

  /** Put a mark of the chosen kind. @param {Point} p px of the film */
  put(p) {
    const m = this.now;
    const at = /** @type {Point} */ ([round2(clamp(p[0], this.film.width)), round2(clamp(p[1], this.film.height))]);
    if (this.tool === "ground") {
      if (m.corners.length === 4) return this.on.say("All four corners are marked: drag one to move it, or take it away in the list", "warn");
      m.corners.push(at);
      m.otherGround = null;
    } else if (this.tool === "length") {
      m.open.push(at);
      if (m.open.length === 2) m.lengths.push({ first_px: m.open[0], second_px: m.open[1], length_m: this.knownLength_m });
      if (m.open.length === 2) m.open = [];
    } else if (this.tool === "roll") {
      if (m.rollLine.length === 2) m.rollLine = [];
      m.rollLine.push(at);
      this._roll();
    } else if (this.tool === "sticker") {
      const time_s = this.film.pts_s[this.on.frame()];
      m.stickers = m.stickers.filter((/** @type {any} */ s) => s.name !== this.sticker || Math.abs(s.time_s - time_s) > 1e-4);
      m.stickers.push({ name: this.sticker, time_s, x_px: at[0], y_px: at[1] });
      m.findStickers = false;
      // The next one that has no dot yet.
      const names = stickerNames(this.film.view);
      const given = new Set(m.stickers.map((/** @type {any} */ s) => s.name));
      this.sticker = names.find((n) => !given.has(n)) ?? this.sticker;
    }
    this.on.changed();
    this.on.redraw();
    return undefined;
  }

  _roll() {
    const [a, b] = this.now.rollLine;
    if (!a || !b) return;
    if (Math.hypot(a[0] - b[0], a[1] - b[1]) < 20) this.on.say("The line is too short to tell the roll", "warn");
    else this.now.roll_deg = round2(rollOf(a, b));
  }

  /** @param {Handle} h @param {Point} p */
  moveTo(h, p) {
    h.set([round2(clamp(p[0], this.film.width)), round2(clamp(p[1], this.film.height))]);
    if (h.tool === "roll") this._roll();
    this.on.changed();
    this.on.redraw();
  }

  /** By keys: the held point, or the crosshair. @param {number} dx @param {number} dy px of the film */
  nudge(dx, dy) {
    this.byKeys = true;
    if (this.held) {
      const p = this.held.get();
      this.moveTo(this.held, [p[0] + dx, p[1] + dy]);
      this.cursor = this.held.get();
    } else {
      this.cursor = [clamp(this.cursor[0] + dx, this.film.width), clamp(this.cursor[1] + dy, this.film.height)];
      this.on.redraw();
    }
    this.on.reveal(this.cursor);
    this.on.say(`${this.held ? this.held.words : "Crosshair"}: ${this.cursor[0].toFixed(1)} across, ${this.cursor[1].toFixed(1)} down`);
  }

  /** @param {1|-1} way */
  holdNext(way) {
    const all = this.handles().filter((h) => h.tool === this.tool && (h.frame === undefined || h.frame === this.on.frame()));
    if (!all.length) return this.on.say("Nothing of this kind is marked in this picture yet", "warn");
    const i = this.held ? all.findIndex((h) => h.words === this.held?.words) : way > 0 ? -1 : 0;
    this.held = all[(i + way + all.length) % all.length];
    this.cursor = this.held.get();
    this.on.say(`${this.held.words} taken up`);
    this.on.redraw();
    return undefined;
  }

  discard() {
    this.now = marksOf(this.film.facts);
    this.base = marksOf(this.film.facts);
    this.conflict = null;
    this.held = null;
    this.on.changed();
    this.on.redraw();
  }

  /**
   * Keep the marks. What somebody else changed meanwhile is never overwritten: `conflict` then holds it, and the marks stay here.
   * @param {boolean} [over] put mine in the place of theirs, after they were seen
   * @returns {Promise<boolean>}
   */
  async save(over = false) {
    const wrong = fault(this.now);
    if (wrong) {
      this.on.say(wrong, "warn");
      return false;
    }
    const onto = over && this.conflict ? this.conflict : this.film.facts;
    try {
      const facts = await ask("PUT", `/api/films/${this.film.id}`, { version: onto.version, ...recordWith(onto, this.now, this.base) });
      this.film.facts = { ...this.film.facts, ...facts };
      this.conflict = null;
      this.discard();
      return true;
    } catch (error) {
      if (error instanceof Problem && error.status === 409 && error.current) this.conflict = error.current;
      this.on.say(words(error), "bad");
      this.on.changed();
      return false;
    }
  }

  /** @param {import("./paint.js").Painter} painter @param {number} frame */
  paint(painter, frame) {
    const m = this.now;
    const at = (/** @type {Point} */ p) => painter.stage.toScreen(p);
    const show = this.active;
    const dot = (/** @type {Point} */ p, /** @type {string} */ name) => {
      const [x, y] = at(p);
      painter.line([x - 9, y], [x - 2, y], MARK, 1.6);
      painter.line([x + 2, y], [x + 9, y], MARK, 1.6);
      painter.line([x, y - 9], [x, y - 2], MARK, 1.6);
      painter.line([x, y + 2], [x, y + 9], MARK, 1.6);
      if (name) painter.label(name, [x + 12, y - 12], "left");
    };
    if (show) {
      m.corners.forEach((/** @type {Point} */ p, /** @type {number} */ i) => {
        const next = m.corners[(i + 1) % m.corners.length];
        if (m.corners.length > 1 && (i + 1 < m.corners.length || m.corners.length === 4)) painter.line(at(p), at(next), MARK, 1.6);
      });
      m.corners.forEach((/** @type {Point} */ p, /** @type {number} */ i) => dot(p, String(i + 1)));
      for (const k of m.lengths) {
        painter.line(at(k.first_px), at(k.second_px), MARK, 1.6);
        dot(k.first_px, "");
        dot(k.second_px, k.length_m ? `${k.length_m} m` : "length?");
      }
      for (const p of m.open) dot(p, "");
      if (m.rollLine.length === 2) painter.line(at(m.rollLine[0]), at(m.rollLine[1]), MARK, 1.6);
      for (const p of m.rollLine) dot(p, "");
    }
    for (const s of m.stickers) if (show && this.stickerFrame(s) === frame) painter.sticker([s.x_px, s.y_px], s.name, true);
    if (show && this.byKeys) {
      const [x, y] = at(this.cursor);
      painter.line([x - 26, y], [x - 6, y], "#fff", 1.4);
      painter.line([x + 6, y], [x + 26, y], "#fff", 1.4);
      painter.line([x, y - 26], [x, y - 6], "#fff", 1.4);
      painter.line([x, y + 6], [x, y + 26], "#fff", 1.4);
    }
  }
}

/** @param {number} v @param {number} most */
const clamp = (v, most) => Math.min(Math.max(v, 0), most);
/** @param {number} v */
const round2 = (v) => Math.round(v * 100) / 100;
