// Angles of lines and joints in the picture's plane. Pure: points in, degrees out.
//
// A point is [x, y]. Plane points have x along the travel (side view) or to the runner's right (rear, front), y up.
// Signs are those of the measures: shank and thigh from the vertical with the lower end ahead +; knee and hip flexion +;
// foot toes-up +; dorsiflexion +; trunk forward +; frontal knee inside +; pelvis swing side lower +; trunk towards the stance leg +.
// Angles are null where a point is missing or two points are in one place.

/** @typedef {[number, number]} Point */

const DEG = 180 / Math.PI;

/** Degrees brought into (-180, 180]. @param {number} a */
export function wrap(a) {
  const turned = (((180 - a) % 360) + 360) % 360;
  return 180 - turned;
}

/** @param {number} opposite @param {number} adjacent @returns {number|null} */
function atan2(opposite, adjacent) {
  if (!Number.isFinite(opposite) || !Number.isFinite(adjacent) || (opposite === 0 && adjacent === 0)) return null;
  return Math.atan2(opposite, adjacent) * DEG;
}

/** @param {(number|null)[]} parts @param {(...n: number[]) => number} sum */
function all(parts, sum) {
  return parts.some((p) => p === null) ? null : wrap(sum(.../** @type {number[]} */ (parts)));
}

/**
 * How picture pixels (y down) become plane points: roll taken out, x along the travel.
 * @param {{view: string, direction: string|null, roll_deg: number}} film
 */
export function plane(film) {
  const r = (film.roll_deg || 0) / DEG;
  const c = Math.cos(r);
  const s = Math.sin(r);
  const side = film.view === "side" || film.view === "side_far";
  const flip = side ? film.direction === "-x" : film.view === "front";
  const k = flip ? -1 : 1;
  return {
    /** @param {Point} p @returns {Point} */
    to: ([x, y]) => [k * (c * x - s * y), -s * x - c * y],
    /** @param {Point} p @returns {Point} */
    from: ([x, y]) => [c * k * x - s * y, -s * k * x - c * y],
    /** True up and true forward (or the runner's right) as steps in the picture. */
    up: /** @type {Point} */ ([-s, -c]),
    ahead: /** @type {Point} */ ([k * c, -k * s]),
    flip,
  };
}

/** A hanging segment from the vertical. @param {Point} upper @param {Point} lower */
export const fromVertical = (upper, lower) => atan2(lower[0] - upper[0], upper[1] - lower[1]);
/** @param {Point} hip @param {Point} shoulder */
export const trunkLean = (hip, shoulder) => atan2(shoulder[0] - hip[0], shoulder[1] - hip[1]);
/** @param {Point} hip @param {Point} knee @param {Point} ankle */
export const kneeFlexion = (hip, knee, ankle) =>
  all([fromVertical(hip, knee), fromVertical(knee, ankle)], (thigh, shank) => thigh - shank);
/** @param {Point} shoulder @param {Point} trunkHip @param {Point} hip @param {Point} knee */
export const hipFlexion = (shoulder, trunkHip, hip, knee) =>
  all([fromVertical(hip, knee), trunkLean(trunkHip, shoulder)], (thigh, trunk) => thigh + trunk);
/** Heel–toe line from the horizontal. @param {Point} heel @param {Point} toe */
export const footAngle = (heel, toe) => atan2(toe[1] - heel[1], toe[0] - heel[0]);
/** @param {Point} knee @param {Point} ankle @param {Point} heel @param {Point} toe @param {number} flat */
export const dorsiflexion = (knee, ankle, heel, toe, flat = 0) =>
  all([footAngle(heel, toe), fromVertical(knee, ankle)], (foot, shank) => foot - flat - shank);

/** +1 when the middle of the body lies towards +x. @param {"left"|"right"} side */
const inward = (side) => (side === "left" ? 1 : -1);
/** @param {Point} hip @param {Point} knee @param {Point} ankle @param {"left"|"right"} side */
export const kneeFrontal = (hip, knee, ankle, side) =>
  all([fromVertical(hip, knee), fromVertical(knee, ankle)], (thigh, shank) => inward(side) * (thigh - shank));
/** @param {Point} midHip @param {Point} midShoulder @param {"left"|"right"} stance */
export const trunkSideLean = (midHip, midShoulder, stance) =>
  all([trunkLean(midHip, midShoulder)], (lean) => -inward(stance) * lean);
/** @param {Point} stanceHip @param {Point} swingHip */
export const pelvicDrop = (stanceHip, swingHip) => atan2(stanceHip[1] - swingHip[1], Math.abs(stanceHip[0] - swingHip[0]));

/** @param {Point} a @param {Point} b @returns {Point} */
export const middle = (a, b) => [(a[0] + b[0]) / 2, (a[1] + b[1]) / 2];

/**
 * Heel–toe line of a foot lying flat: the stillest piece between 15 and 60 % of each stance, median over the stances.
 * The same rule as in the measures, on paths that aren't smoothed.
 * @param {ArrayLike<number>} time_s of the rows
 * @param {(number|null)[]} foot_deg heel–toe line of each row
 * @param {{ic_s: number, to_s: number|null, excluded: string|null}[]} stances of one foot
 * @returns {number|null} degrees from the horizontal; null with fewer than two stances
 */
export function flatFoot(time_s, foot_deg, stances) {
  const found = [];
  for (const s of stances) {
    if (s.to_s === null || s.excluded) continue;
    const tc = s.to_s - s.ic_s;
    const rows = [];
    for (let i = 0; i < time_s.length; i++) {
      const t = time_s[i];
      if (t >= s.ic_s + 0.15 * tc && t <= s.ic_s + 0.6 * tc && foot_deg[i] !== null) rows.push(i);
    }
    let best = null;
    for (const i of rows) {
      if (best && time_s[i] + 0.15 * tc > time_s[rows[rows.length - 1]] + 1e-9) break;
      const piece = rows.filter((j) => time_s[j] >= time_s[i] && time_s[j] <= time_s[i] + 0.15 * tc);
      const values = piece.map((j) => /** @type {number} */ (foot_deg[j]));
      if (values.length < 2) continue;
      const spread = Math.max(...values) - Math.min(...values);
      if (!best || spread < best.spread) best = { spread, value: median(values) };
    }
    if (best) found.push(best.value);
  }
  return found.length < 2 ? null : median(found);
}

/** @param {number[]} values */
export function median(values) {
  const v = [...values].sort((a, b) => a - b);
  const h = v.length >> 1;
  return v.length % 2 ? v[h] : (v[h - 1] + v[h]) / 2;
}
