// Where in a stride a time lies, and which contact or toe-off comes next. Pure.

/** @typedef {"left"|"right"} Side */
/** @typedef {{side: Side, kind: "initial_contact"|"toe_off", time_s: number, low_s: number, high_s: number, source: string}} Event */
/** @typedef {{index: number, side: Side, ic_s: number, to_s: number|null, next_ic_s: number|null, excluded: string|null}} Stance */

/** Times nearer than this are the same event, s. */
const SAME_S = 1e-4;

/**
 * The next event after a time (or the one before it).
 * @param {Event[]} events
 * @param {number} time_s
 * @param {1|-1} way
 * @param {(e: Event) => boolean} [wanted]
 * @param {number} [slack_s] how much beyond the time an event must lie; half a picture, so that one can't get stuck
 */
export function nextEvent(events, time_s, way, wanted = () => true, slack_s = SAME_S) {
  let best = null;
  for (const e of events) {
    const beyond = way * (e.time_s - time_s);
    if (wanted(e) && beyond > slack_s && (!best || way * (best.time_s - e.time_s) > 0)) best = e;
  }
  return best;
}

/**
 * The stride of a foot that holds a time: from its contact to its next contact.
 * @param {Stance[]} stances @param {Side} side @param {number} time_s
 */
export function strideAt(stances, side, time_s) {
  return (
    stances.find((s) => s.side === side && s.next_ic_s !== null && s.ic_s - SAME_S <= time_s && time_s < s.next_ic_s - SAME_S) ?? null
  );
}

/** @param {Stance[]} stances @param {Side} side @param {number} time_s */
export function stanceAt(stances, side, time_s) {
  return (
    stances.find((s) => s.side === side && s.to_s !== null && s.ic_s - SAME_S <= time_s && time_s <= s.to_s + SAME_S) ?? null
  );
}

/** Share of the stride that has gone by, 0–1, or null. @param {Stance[]} stances @param {Side} side @param {number} time_s */
export function phaseAt(stances, side, time_s) {
  const s = strideAt(stances, side, time_s);
  return s && s.next_ic_s !== null ? Math.max(0, (time_s - s.ic_s) / (s.next_ic_s - s.ic_s)) : null;
}

/**
 * Strides counted on: 2.25 is a quarter through the third stride. Strides left out count too: a film's strides are lined up
 * by their contacts. Null outside all strides.
 * @param {Stance[]} stances @param {Side} side @param {number} time_s
 */
export function strideClock(stances, side, time_s) {
  const own = wholeStrides(stances, side);
  for (let i = 0; i < own.length; i++) {
    const s = own[i];
    if (s.ic_s - SAME_S <= time_s && time_s < s.next_ic_s) return i + Math.max(0, (time_s - s.ic_s) / (s.next_ic_s - s.ic_s));
  }
  return null;
}

/** The time at a place of the stride clock; held within the strides there are. @param {Stance[]} stances @param {Side} side @param {number} clock */
export function timeOfClock(stances, side, clock) {
  const own = wholeStrides(stances, side);
  if (!own.length) return null;
  const i = Math.min(Math.max(Math.floor(clock), 0), own.length - 1);
  const f = Math.min(Math.max(clock - i, 0), 1);
  return own[i].ic_s + f * (own[i].next_ic_s - own[i].ic_s);
}

/** @param {Stance[]} stances @param {Side} side @returns {{ic_s: number, next_ic_s: number}[]} */
export function wholeStrides(stances, side) {
  return /** @type {any} */ (stances.filter((s) => s.side === side && s.next_ic_s !== null).sort((a, b) => a.ic_s - b.ic_s));
}

/**
 * Words for where a time lies: "left stance 34 %", "flight", "left swing", or "".
 * @param {Stance[]} stances @param {number} time_s
 */
export function phaseWords(stances, time_s) {
  /** @type {string[]} */
  const parts = [];
  for (const side of /** @type {Side[]} */ (["left", "right"])) {
    const s = stanceAt(stances, side, time_s);
    if (s && s.to_s !== null) parts.push(`${side} stance ${Math.round((100 * (time_s - s.ic_s)) / (s.to_s - s.ic_s))} %`);
  }
  if (parts.length) return parts.join(", ");
  const known = stances.filter((s) => s.to_s !== null);
  if (!known.length) return "";
  const before = known.some((s) => /** @type {number} */ (s.to_s) < time_s);
  const after = known.some((s) => s.ic_s > time_s);
  return before && after ? "flight" : "";
}

/**
 * Real time in the second film that belongs to one in the first.
 * @param {"time"|"phase"} lock
 * @param {number} time_s
 * @param {{offset: number, foot: Side, from: Stance[], to: Stance[]}} how `offset`: s, or strides
 * @returns {number|null}
 */
export function matched(lock, time_s, how) {
  if (lock === "time") return time_s + how.offset;
  const clock = strideClock(how.from, how.foot, time_s);
  return clock === null ? null : timeOfClock(how.to, how.foot, clock + how.offset);
}

/** @param {Event} e */
export const eventWords = (e) => `${e.side} ${e.kind === "initial_contact" ? "contact" : "toe-off"}`;
