// The angles and distances of one picture, from its landmarks: a table for people and the overlay's source.

import * as geo from "./geometry.js";
import { BLURRED, GUESS, MISSING, SIDES } from "./film.js";

/** @typedef {import("./film.js").Film} Film */
/** @typedef {import("./film.js").Pose} Pose */
/** @typedef {"left"|"right"} Side */
/** @typedef {[number, number]} Point */
/** `sure` is false where a landmark it rests on is only guessed or blurred. */
/** @typedef {{key: string, label: string, side: Side|"both", unit: "°"|"cm", value: number|null, sure: boolean, why: string, plus: string, says: string}} Reading */

/** Labels with what plus and minus say. */
const WORDS = /** @type {Record<string, [string, string, string]>} */ ({
  knee: ["Knee flexion", "bent", "bent backwards"],
  shank: ["Shank from vertical", "ankle ahead of knee", "ankle behind knee"],
  thigh: ["Thigh from vertical", "knee ahead of hip", "knee behind hip"],
  foot: ["Foot line", "toes up", "toes down"],
  ankle: ["Ankle dorsiflexion", "toes towards shin", "toes pointed"],
  hip: ["Hip flexion", "flexed", "extended"],
  trunk: ["Trunk lean", "forward", "back"],
  ahead_hip: ["Foot ahead of hip", "ahead", "behind"],
  ahead_com: ["Foot ahead of COM", "ahead", "behind"],
  knee_frontal: ["Knee off hip–ankle line", "inside", "outside"],
  trunk_side: ["Trunk side lean", "towards stance leg", "away from stance leg"],
  pelvis: ["Pelvic drop", "swing side lower", "swing side higher"],
});

/**
 * A lookup of plane points of one picture that remembers whether all of them were really seen.
 * @param {Film} film @param {Pose} pose
 */
function points(film, pose) {
  const to = /** @type {NonNullable<Film["plane"]>} */ (film.plane).to;
  return (/** @type {string[]} */ ...names) => {
    let sure = true;
    const at = names.map((name) => {
      const j = film.index[name];
      if ([GUESS, BLURRED].includes(pose.state[j])) sure = false;
      return pose.state[j] === MISSING ? /** @type {Point} */ ([NaN, NaN]) : to([pose.xy[2 * j], pose.xy[2 * j + 1]]);
    });
    return { at, sure };
  };
}

/**
 * All values of one picture.
 * @param {Film} film @param {number} frame
 * @returns {Reading[]}
 */
export function anglesOf(film, frame) {
  const pose = film.pose(frame);
  if (!pose || !film.plane) return [];
  return film.isSide ? fromSide(film, pose) : fromFront(film, pose, frame);
}

/** @param {string} key @param {Side|"both"} side @param {number|null} value @param {boolean} sure @returns {Reading} */
function entry(key, side, value, sure, unit = /** @type {"°"|"cm"} */ ("°"), why = "") {
  const [label, plus, minus] = WORDS[key];
  const known = value !== null && Number.isFinite(value);
  const says = !known || Math.abs(/** @type {number} */ (value)) < 0.5 ? "" : /** @type {number} */ (value) > 0 ? plus : minus;
  return { key, label, side, unit, value: known ? value : null, sure, why: known ? "" : why || "not visible", plus, says };
}

/** @param {Film} film @param {Pose} pose */
function fromSide(film, pose) {
  const get = points(film, pose);
  const out = [];
  const trunk = get("left_hip", "right_hip", "left_shoulder", "right_shoulder");
  const midHip = geo.middle(trunk.at[0], trunk.at[1]);
  const midShoulder = geo.middle(trunk.at[2], trunk.at[3]);
  for (const side of SIDES) {
    const { at, sure } = get(...["hip", "knee", "ankle", "heel", "toe"].map((p) => `${side}_${p}`));
    const [hip, knee, ankle, heel, toe] = at;
    const flat = film.flat?.[side] ?? null;
    out.push(entry("knee", side, geo.kneeFlexion(hip, knee, ankle), get(`${side}_hip`, `${side}_knee`, `${side}_ankle`).sure));
    out.push(entry("shank", side, geo.fromVertical(knee, ankle), get(`${side}_knee`, `${side}_ankle`).sure));
    out.push(entry("thigh", side, geo.fromVertical(hip, knee), get(`${side}_hip`, `${side}_knee`).sure));
    out.push(entry("hip", side, geo.hipFlexion(midShoulder, midHip, hip, knee), sure && trunk.sure));
    const line = geo.footAngle(heel, toe);
    const noZero = "the foot lying flat was not seen in two stances";
    const footSure = get(`${side}_heel`, `${side}_toe`).sure;
    out.push(entry("foot", side, line === null || flat === null ? null : geo.wrap(line - flat), footSure, "°", flat === null ? noZero : ""));
    out.push(entry("ankle", side, flat === null ? null : geo.dorsiflexion(knee, ankle, heel, toe, flat), sure, "°", flat === null ? noZero : ""));
    const cm = film.reading.m_per_px ? 100 * film.reading.m_per_px : null;
    const noScale = cm === null ? "no scale" : "";
    out.push(entry("ahead_hip", side, cm === null ? null : cm * (ankle[0] - hip[0]), get(`${side}_hip`, `${side}_ankle`).sure, "cm", noScale));
    const com = pose.com ? film.plane?.to(pose.com) : null;
    const ahead = cm === null || !com ? null : cm * (ankle[0] - com[0]);
    out.push(entry("ahead_com", side, ahead, get(`${side}_ankle`).sure, "cm", noScale || (com ? "" : "not all of the body is seen")));
  }
  out.push(entry("trunk", "both", geo.trunkLean(midHip, midShoulder), trunk.sure));
  return out;
}

/** @param {Film} film @param {Pose} pose @param {number} frame */
function fromFront(film, pose, frame) {
  const get = points(film, pose);
  const out = [];
  for (const side of SIDES) {
    const { at, sure } = get(`${side}_hip`, `${side}_knee`, `${side}_ankle`);
    out.push(entry("knee_frontal", side, geo.kneeFrontal(at[0], at[1], at[2], side), sure));
  }
  const trunk = get("left_hip", "right_hip", "left_shoulder", "right_shoulder");
  const stance = film.stanceLeg(film.time_s[frame]);
  const lean = geo.trunkSideLean(geo.middle(trunk.at[0], trunk.at[1]), geo.middle(trunk.at[2], trunk.at[3]), stance);
  out.push(entry("trunk_side", stance, lean, trunk.sure));
  const dots = film.stickers(frame);
  const kind = film.view === "rear" ? "psis" : "asis";
  const other = stance === "left" ? "right" : "left";
  const [a, b] = [dots.get(`${stance}_${kind}`), dots.get(`${other}_${kind}`)];
  const to = /** @type {NonNullable<Film["plane"]>} */ (film.plane).to;
  const drop = a && b ? geo.pelvicDrop(to(a), to(b)) : null;
  out.push(entry("pelvis", stance, drop, true, "°", "needs stickers on the pelvis"));
  return out;
}

/** A value as people read it: "38°", "−4 cm", "–". @param {Reading} r @param {number} [decimals] */
export function text(r, decimals = 0) {
  if (r.value === null) return "–";
  const rounded = r.value.toFixed(decimals);
  const number = Number(rounded) === 0 ? (0).toFixed(decimals) : rounded.replace("-", "−");
  return r.unit === "°" ? `${number}°` : `${number} ${r.unit}`;
}
