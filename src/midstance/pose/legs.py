"""Which leg is which, through the whole film.

Seen from the side the network often takes the left leg for the right one, for single frames or for half a stride, with full
confidence (visibility stays above 0.9), and now and then puts both legs on one. Its labels in one frame can't be trusted; the
motion can. Two facts are used, for the whole film at once:

* The *step clock*: the squared distance between the feet along the travel peaks once a step whichever leg is called left. Half
  its phase is the phase of the stride, and says in every frame which foot should be in front, but for one sign for the
  whole film. That sign is the network's majority vote.
* *Momentum*: a leg does not jump. Every frame gets a few readings of who is who, and the sequence with the smoothest
  paths that also keeps the step clock is found by a Viterbi search with constant-velocity prediction.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait.model import LANDMARK_INDEX, Floats, LandmarkPaths

#: Leg landmarks from the hip down; a reading swaps them from some joint downwards.
CHAIN = ("hip", "knee", "ankle", "heel", "toe")
LEFT = np.array([LANDMARK_INDEX[f"left_{p}"] for p in CHAIN])
RIGHT = np.array([LANDMARK_INDEX[f"right_{p}"] for p in CHAIN])
#: From which joint of the chain down the legs are exchanged: not at all, from the hip, from the knee, from the ankle.
SWAP_FROM = (len(CHAIN), 0, 1, 2)
#: Cost of one frame in which the network's labels are not followed, with and without a step clock.
LABEL_COST = 0.002
LABEL_COST_NO_CLOCK = 0.02
#: Cost of a frame whose feet stand the wrong way round for the step clock, at the clock's extremes.
CLOCK_COST = 0.6
#: Half length of the window over which the step clock may drift, s (about two strides).
CLOCK_MEMORY_S = 1.2
#: Share of the separation's variance that must lie at the step rate for there to be a clock.
MIN_EXPLAINED = 0.25
#: Steps a minute a runner can take; engineering gate.
STEP_RATE_HZ = (120 / 60, 250 / 60)
#: A leg that runs on one knee and another foot is less likely than a clean exchange.
PARTIAL_COST = 0.15
#: Beyond this misfit (in units of the expected noise) a frame is an outlier and costs no more.
CAP = 3.0
#: Time between the frames compared, s: long enough for motion to exceed noise, short against a stride.
LAG_S = 1 / 100
#: Expected misfit of a constant-velocity prediction over LAG_S, as a fraction of body height.
MISFIT = 0.02


@attrs.frozen(eq=False)
class LegReading:
    """Result of the search.

    ``xy`` (n, 33, 2) and ``score`` (n, 33) have the legs put right; ``swapped`` (n,) is True where labels were exchanged;
    ``phase`` (n,) is the stride phase in radians from the step clock (0 and π: the feet farthest apart), None without one.
    """

    xy: Floats
    score: Floats
    swapped: NDArray[np.bool_]
    phase: Floats | None


def step_clock(time_s: Floats, separation: Floats) -> Floats | None:
    """Return half the step phase, radians, (n,), from the feet's signed separation along the travel; None if there is none.

    The square of the separation is used, so the answer does not depend on which foot is called left in any frame.
    """
    n = len(time_s)
    if n < 16 or time_s[-1] - time_s[0] < 0.9:
        return None
    limit = np.nanpercentile(np.abs(separation), 95)
    squared = np.minimum(np.abs(np.nan_to_num(separation)), limit) ** 2
    squared = squared - squared.mean()
    rates = np.arange(STEP_RATE_HZ[0], STEP_RATE_HZ[1], 0.01)
    window = np.hanning(n)
    power = np.abs((squared * window) @ np.exp(-2j * np.pi * np.outer(time_s, rates)))
    best = int(power.argmax())
    # A clock must stand out: most of the separation's variation has to be at the step rate.
    explained = 2 * power[best] ** 2 / (window**2 @ squared**2) / max(window.sum() ** 2 / (window**2).sum(), 1e-9)
    if explained < MIN_EXPLAINED:
        return None
    rate = rates[best]
    spin = squared * np.exp(-2j * np.pi * rate * time_s)
    half = max(1, round(CLOCK_MEMORY_S / float(np.median(np.diff(time_s)))))
    kernel = np.hanning(2 * half + 1)
    kernel /= kernel.sum()
    slow = np.convolve(np.pad(spin, half, mode="reflect") if n > half else spin, kernel, "valid" if n > half else "same")
    drift = np.unwrap(np.angle(slow))
    return np.asarray((2 * np.pi * rate * time_s + drift) / 2)


def exchange(values: Floats, reading: int) -> Floats:
    """Return (n, 33, …) values with the legs exchanged as in ``reading`` (an index into ``SWAP_FROM``)."""
    out = values.copy()
    start = SWAP_FROM[reading]
    out[:, LEFT[start:]] = values[:, RIGHT[start:]]
    out[:, RIGHT[start:]] = values[:, LEFT[start:]]
    return out


def settle_legs(time_s: Floats, xy: Floats, score: Floats, body_px: float, *, use_clock: bool = True) -> LegReading:
    """Find the sequence of readings with the smoothest leg paths that keeps the step clock.

    Parameters
    ----------
    time_s : (n,) frame times, s.
    xy : (n, 33, 2) landmarks, px.
    score : (n, 33) visibility, exchanged along with the landmarks.
    body_px : body height in pixels.
    use_clock : False in rear and front view, where the feet do not part along the picture.
    """
    n = len(time_s)
    if n < 4:
        return LegReading(xy.copy(), score.copy(), np.zeros(n, bool), None)
    lag = max(1, round(LAG_S / float(np.median(np.diff(time_s)))))
    separation = _separation(xy)
    phase = step_clock(time_s, separation) if use_clock else None
    should = np.zeros(n)
    if phase is not None:
        reach = float(np.percentile(np.abs(separation), 90))
        should = np.cos(phase)
        vote = float(np.sum(np.clip(separation / reach, -1, 1) * should))
        should = should * (1 if vote >= 0 else -1) / reach
    choice = np.zeros(n, int)
    # Frames `lag` apart are searched together; the frames between follow the path of those around them.
    grid = np.arange(0, n, lag)
    choice[grid] = _search(time_s[grid], xy[grid], body_px, should[grid], phase is not None)
    between = np.setdiff1d(np.arange(n), grid)
    if len(between):
        settled = _apply(xy[grid], choice[grid])
        choice[between] = _follow(time_s, xy, between, time_s[grid], settled, body_px)
    return LegReading(_apply(xy, choice), _apply(score, choice), choice > 0, phase)


def _separation(xy: Floats) -> Floats:
    """Return the signed horizontal distance left minus right, mean of knee, ankle, heel and toe, px: (n,)."""
    return np.asarray((xy[:, LEFT[1:], 0] - xy[:, RIGHT[1:], 0]).mean(axis=1))


def _apply(values: Floats, choice: NDArray[np.int_]) -> Floats:
    out = values.copy()
    for reading in range(1, len(SWAP_FROM)):
        rows = np.flatnonzero(choice == reading)
        if len(rows):
            out[rows] = exchange(values[rows], reading)
    return out


def _readings(xy: Floats) -> Floats:
    """Return (n, readings, 2 legs × 5 points, 2) candidate leg positions."""
    idx = np.concatenate([LEFT, RIGHT])
    return np.stack([exchange(xy, r)[:, idx] for r in range(len(SWAP_FROM))], axis=1)


def _own_cost(label_cost: float) -> Floats:
    return np.array([0.0, label_cost, label_cost + PARTIAL_COST, label_cost + PARTIAL_COST])


def _search(t: Floats, xy: Floats, body_px: float, should: Floats, clocked: bool) -> NDArray[np.int_]:
    n, k = len(t), len(SWAP_FROM)
    cand = _readings(xy)
    legs = len(CHAIN)
    apart = (cand[:, :, 1:legs, 0] - cand[:, :, legs + 1 :, 0]).mean(axis=2)  # (n, k)
    wrong = np.clip(-apart * should[:, None], 0, 1)
    own = _own_cost(LABEL_COST if clocked else LABEL_COST_NO_CLOCK) + CLOCK_COST * wrong
    # The hips hardly move apart in side view: they follow, they don't vote.
    weight = np.array([0.3, 1, 1, 1, 1] * 2)
    best = np.zeros((k, k))
    back = np.zeros((n, k, k), int)
    best += own[0][:, None] + own[1][None, :] + _step_cost(cand[0], cand[1], body_px, weight)
    for i in range(2, n):
        r = (t[i] - t[i - 1]) / (t[i - 1] - t[i - 2])
        velocity = cand[i - 1][None, :] - cand[i - 2][:, None]  # (a, b, 10, 2)
        predicted = cand[i - 1][None, :] + r * velocity
        miss = np.linalg.norm(cand[i][None, None] - predicted[:, :, None], axis=-1) / (MISFIT * body_px)
        cost = (np.minimum(miss, CAP) * weight).mean(axis=-1)  # (a, b, c)
        total = best[:, :, None] + cost
        back[i] = total.argmin(axis=0)
        best = total.min(axis=0) + own[i][None, :]
    b, c = np.unravel_index(int(best.argmin()), best.shape)
    path = [int(c), int(b)]
    for i in range(n - 1, 1, -1):
        path.append(int(back[i, path[-1], path[-2]]))
    return np.array(path[::-1][-n:])


def _step_cost(a: Floats, b: Floats, body_px: float, weight: Floats) -> Floats:
    miss = np.linalg.norm(b[None, :] - a[:, None], axis=-1) / (4 * MISFIT * body_px)
    return np.asarray((np.minimum(miss, CAP) * weight).mean(axis=-1))


def _follow(
    time_s: Floats, xy: Floats, rows: NDArray[np.int_], grid_t: Floats, grid_xy: Floats, body_px: float
) -> NDArray[np.int_]:
    """Choose the readings of frames between the grid: nearest to the path interpolated through the grid."""
    idx = np.concatenate([LEFT, RIGHT])
    target = np.empty((len(rows), len(idx), 2))
    for j, landmark in enumerate(idx):
        for axis in (0, 1):
            target[:, j, axis] = np.interp(time_s[rows], grid_t, grid_xy[:, landmark, axis])
    cand = _readings(xy[rows])
    own = _own_cost(LABEL_COST)
    weight = np.array([0.3, 1, 1, 1, 1] * 2)
    miss = np.linalg.norm(cand - target[:, None], axis=-1) / (MISFIT * body_px)
    return np.asarray(((np.minimum(miss, CAP) * weight).mean(axis=-1) + own).argmin(axis=1))


#: Every rate looked for when a film may play in slow motion, steps a second of the film's clock.
ANY_RATE_HZ = (0.12, 6.0)


def any_step_rate_hz(paths: LandmarkPaths) -> float | None:
    """Return the step rate by the film's clock, steps/s, at any speed of play; None when it is within what people run or
    not clear.

    Only asked when the step rate is not in ``STEP_RATE_HZ``: between 120 and 250 steps/min nothing is returned, so a half or a
    double of a sound rhythm can't raise an alarm.
    """
    left, right = (paths.point(f"{s}_ankle") for s in ("left", "right"))
    axis = 0 if paths.view == "side" else 1
    apart = left[:, axis] - right[:, axis]
    good = np.isfinite(apart)
    if good.sum() < 16:
        return None
    t, x = paths.time_s[good], apart[good] ** 2
    x = (x - x.mean()) * np.hanning(len(x))
    length = float(t[-1] - t[0])
    rates = np.arange(max(ANY_RATE_HZ[0], 1.5 / length), ANY_RATE_HZ[1], 0.02)
    power = np.abs(x @ np.exp(-2j * np.pi * np.outer(t, rates))) ** 2
    best = int(power.argmax())
    inside = (rates >= STEP_RATE_HZ[0]) & (rates <= STEP_RATE_HZ[1])
    if inside.any() and power[inside].max() > 0.25 * power[best]:
        return None
    return float(rates[best])
