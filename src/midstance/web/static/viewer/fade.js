// What moving one landmark does to the pictures around, shown while it is dragged. Pure.
//
// The server does the same from what the landmark network saw and has the last word; this is only so that the
// neighbours follow under the hand.

/** What was moved fades out over this time on both sides, s. */
export const SPREAD_S = 0.06;
/** Two corrections nearer than this hold for all between them, s. */
export const BRIDGE_S = 0.12;

/** Share of a move that reaches a picture `away_s` from it: a half cosine. @param {number} away_s */
export function share(away_s) {
  const x = Math.min(Math.abs(away_s) / SPREAD_S, 1);
  return 0.5 * (1 + Math.cos(Math.PI * x));
}

/**
 * Path of one landmark through corrected places.
 * @param {ArrayLike<number>} time_s (n) of the rows
 * @param {ArrayLike<number>} xy (2n) x and y of the landmark, NaN where missing
 * @param {number[]} rows corrected rows, rising
 * @param {[number, number][]} wanted their places
 * @returns {Float64Array} (2n) the path that goes through them
 */
export function spread(time_s, xy, rows, wanted) {
  const n = time_s.length;
  const base = Float64Array.from(/** @type {any} */ (xy));
  /** @type {[number, number][]} */
  const pairs = [];
  for (let k = 0; k + 1 < rows.length; k++) if (time_s[rows[k + 1]] - time_s[rows[k]] <= BRIDGE_S) pairs.push([k, k + 1]);
  const weight = (/** @type {number} */ i, /** @type {number} */ k) =>
    (time_s[i] - time_s[rows[k]]) / (time_s[rows[k + 1]] - time_s[rows[k]]);
  const gap = (/** @type {number} */ i) => !Number.isFinite(base[2 * i]) || !Number.isFinite(base[2 * i + 1]);
  for (const [k, after] of pairs) {
    for (let i = rows[k] + 1; i < rows[after]; i++) {
      if (!gap(i)) continue;
      const w = weight(i, k);
      for (const d of [0, 1]) base[2 * i + d] = (1 - w) * wanted[k][d] + w * wanted[after][d];
    }
  }
  rows.forEach((row, k) => {
    if (gap(row)) [base[2 * row], base[2 * row + 1]] = wanted[k];
  });
  const move = rows.map((row, k) => [wanted[k][0] - base[2 * row], wanted[k][1] - base[2 * row + 1]]);
  const out = Float64Array.from(base);
  for (let i = 0; i < n; i++) {
    let near = 0;
    rows.forEach((row, k) => {
      if (Math.abs(time_s[i] - time_s[row]) < Math.abs(time_s[i] - time_s[rows[near]])) near = k;
    });
    const f = share(time_s[i] - time_s[rows[near]]);
    for (const d of [0, 1]) out[2 * i + d] = base[2 * i + d] + f * move[near][d];
  }
  for (const [k, after] of pairs) {
    for (let i = rows[k] + 1; i < rows[after]; i++) {
      const w = weight(i, k);
      for (const d of [0, 1]) out[2 * i + d] = base[2 * i + d] + (1 - w) * move[k][d] + w * move[after][d];
    }
  }
  return out;
}
