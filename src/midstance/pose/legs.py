"""Which leg is which, through the whole film.

Seen from the side the network often takes the left leg for the right one, for single frames or for half a stride, with full
confidence (visibility stays above 0.9), and now and then puts both legs on one. Its labels in one frame can't be trusted;
the motion can. Two facts are used, for the whole film at once:

* The *step clock*: the squared distance between the feet along the travel peaks once a step whichever leg is called left.
  Half its phase is the phase of the stride, and says in every frame which foot should be in front, but for one sign for the
  whole film. That sign is the network's majority vote.
* *Momentum*: a leg does not jump. Every frame can be read in eight ways (hips, knees and feet exchanged or not), and the
  sequence of readings with the smoothest paths that also keeps the step clock is found by a Viterbi search with
  constant-velocity prediction. Knees and feet have a clock each: the knees part about a sixth of a step before the feet.
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
#: Parts of the chain that the network exchanges as one: hip, knee, foot (ankle, heel, toe), as places in ``CHAIN``.
PARTS = ((0,), (1,), (2, 3, 4))
#: Every reading of a frame: which parts are exchanged. The first is the network's own.
READINGS = tuple((hip, knee, foot) for hip in (False, True) for knee in (False, True) for foot in (False, True))
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
#: Weight of the momentum of hip, knee and foot: the hips hardly move apart in side view, they follow and don't vote.
PART_WEIGHT = (0.3, 1.0, 1.0)
#: Share of the clock's cost that hip, knee and foot bear.
CLOCK_SHARE = (0.0, 0.5, 0.5)
#: A loss longer than this, s, is not bridged by the step clock: each side of it is settled by its own vote.
MAX_LOSS_S = 1.5
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
    ``phase`` (n,) is the stride phase in radians from the step clock (0: the left foot farthest to the right of the picture,
    π: farthest to the left), None without one.
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
    if not float(np.abs(squared).max()) > 1e-9 * float(limit) ** 2:
        return None  # a frozen picture: nothing moves at all
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
    half = min((n - 1) // 2, max(1, round(CLOCK_MEMORY_S / float(np.median(np.diff(time_s))))))
    kernel = np.hanning(2 * half + 1)
    kernel /= kernel.sum()
    slow = np.convolve(np.pad(spin, half, mode="reflect"), kernel, "valid")
    drift = np.unwrap(np.angle(slow))
    return np.asarray((2 * np.pi * rate * time_s + drift) / 2)


def exchange(values: Floats, reading: int) -> Floats:
    """Return (n, 33, …) values with the legs exchanged as in ``reading`` (an index into ``READINGS``)."""
    out = values.copy()
    for part, exchanged in zip(PARTS, READINGS[reading], strict=True):
        if exchanged:
            i = list(part)
            out[:, LEFT[i]], out[:, RIGHT[i]] = values[:, RIGHT[i]], values[:, LEFT[i]]
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
    cuts = np.flatnonzero(np.diff(time_s) > MAX_LOSS_S) + 1
    runs = [
        _settle_run(time_s[rows], xy[rows], score[rows], body_px, use_clock)
        for rows in np.split(np.arange(len(time_s)), cuts)
    ]
    phases = [r.phase for r in runs]
    return LegReading(
        np.concatenate([r.xy for r in runs]),
        np.concatenate([r.score for r in runs]),
        np.concatenate([r.swapped for r in runs]),
        None if any(p is None for p in phases) else np.concatenate([p for p in phases if p is not None]),
    )


def _settle_run(time_s: Floats, xy: Floats, score: Floats, body_px: float, use_clock: bool) -> LegReading:
    n = len(time_s)
    if n < 4:
        return LegReading(xy.copy(), score.copy(), np.zeros(n, bool), None)
    lag = max(1, round(LAG_S / float(np.median(np.diff(time_s)))))
    phase, should = _clocks(time_s, xy) if use_clock else (None, np.zeros((n, len(PARTS))))
    choice = np.zeros(n, int)
    # Frames `lag` apart are searched together; the frames between follow the path of those around them.
    grid = np.arange(0, n, lag)
    choice[grid] = _search(time_s[grid], xy[grid], body_px, should[grid], phase is not None)
    between = np.setdiff1d(np.arange(n), grid)
    if len(between):
        settled = _apply(xy[grid], choice[grid])
        choice[between] = _follow(time_s, xy, between, time_s[grid], settled, body_px)
    return LegReading(_apply(xy, choice), _apply(score, choice), choice > 0, phase)


def _separation(xy: Floats, part: tuple[int, ...]) -> Floats:
    """Return the signed horizontal distance left minus right of one part of the leg, px: (n,)."""
    i = list(part)
    return np.asarray((xy[:, LEFT[i], 0] - xy[:, RIGHT[i], 0]).mean(axis=1))


def _clocks(time_s: Floats, xy: Floats) -> tuple[Floats | None, Floats]:
    """Return the feet's stride phase (0: left foot farthest right in the picture) and, for each part, how far apart its two
    sides should stand, in units of 1 ÷ their reach in px: (n, parts); None and zeros without a clock.
    """
    should = np.zeros((len(time_s), len(PARTS)))
    phases: dict[int, Floats] = {}
    vote = 0.0
    for k in (2, 1):
        apart = _separation(xy, PARTS[k])
        phase = step_clock(time_s, apart)
        if phase is None:
            continue
        # The knees' clock runs less than a quarter of a stride from the feet's, which gives its sign.
        if k != 2 and 2 in phases and np.cos(phase - phases[2]).mean() < 0:
            phase = phase + np.pi
        phases[k] = phase
        reach = max(float(np.percentile(np.abs(apart), 90)), 1e-9)
        vote += float(np.sum(np.clip(apart / reach, -1, 1) * np.cos(phase)))
        should[:, k] = np.cos(phase) / reach
    if 2 not in phases:
        return None, np.zeros_like(should)
    return (phases[2], should) if vote >= 0 else (phases[2] + np.pi, -should)


def _apply(values: Floats, choice: NDArray[np.int_]) -> Floats:
    out = values.copy()
    for reading in range(1, len(READINGS)):
        rows = np.flatnonzero(choice == reading)
        if len(rows):
            out[rows] = exchange(values[rows], reading)
    return out


def _both_ways(xy: Floats, part: tuple[int, ...]) -> Floats:
    """Return (n, 2 readings, 2 legs × points, 2): one part of the legs as it is and exchanged."""
    left, right = xy[:, LEFT[list(part)]], xy[:, RIGHT[list(part)]]
    return np.stack([np.concatenate([left, right], axis=1), np.concatenate([right, left], axis=1)], axis=1)


def _own_cost(label_cost: float) -> Floats:
    return np.array([label_cost * any(r) + PARTIAL_COST * (len(set(r)) > 1) for r in READINGS])


def _misfit(predicted: Floats, seen: Floats, part: int, scale_px: float) -> Floats:
    """Return the share of a frame's cost that one part gives: capped misfit, weighted by its points."""
    miss = np.linalg.norm(seen - predicted, axis=-1) / scale_px
    return np.asarray(PART_WEIGHT[part] * np.minimum(miss, CAP).sum(axis=-1) / (2 * len(CHAIN)))


def _search(t: Floats, xy: Floats, body_px: float, should: Floats, clocked: bool) -> NDArray[np.int_]:
    n, k = len(t), len(READINGS)
    flags = np.array(READINGS, int)
    own = np.tile(_own_cost(LABEL_COST if clocked else LABEL_COST_NO_CLOCK), (n, 1))
    first = np.zeros((k, k))
    step = np.zeros((n, k, k, k))
    ratio = np.ones(n)
    ratio[2:] = np.diff(t)[1:] / np.diff(t)[:-1]
    for p, part in enumerate(PARTS):
        cand = _both_ways(xy, part)  # (n, 2, points, 2)
        apart = _separation(xy, part)[:, None] * [1.0, -1.0]
        own += CLOCK_COST * CLOCK_SHARE[p] * np.clip(-apart * should[:, p, None], 0, 1)[:, flags[:, p]]
        before, last = cand[:-2, :, None], cand[1:-1, None, :]
        predicted = last + ratio[2:, None, None, None, None] * (last - before)  # (n - 2, 2, 2, points, 2)
        cost = _misfit(predicted[:, :, :, None], cand[2:, None, None], p, MISFIT * body_px)
        f = flags[:, p]
        step[2:] += cost[:, f[:, None, None], f[None, :, None], f[None, None, :]]
        start = _misfit(cand[0, :, None], cand[1, None], p, 4 * MISFIT * body_px)
        first += start[f[:, None], f[None, :]]
    best = first + own[0][:, None] + own[1][None, :]
    back = np.zeros((n, k, k), int)
    for i in range(2, n):
        total = best[:, :, None] + step[i]
        back[i] = total.argmin(axis=0)
        best = total.min(axis=0) + own[i][None, :]
    b, c = np.unravel_index(int(best.argmin()), best.shape)
    path = [int(c), int(b)]
    for i in range(n - 1, 1, -1):
        path.append(int(back[i, path[-1], path[-2]]))
    return np.array(path[::-1][-n:])


def _follow(
    time_s: Floats, xy: Floats, rows: NDArray[np.int_], grid_t: Floats, grid_xy: Floats, body_px: float
) -> NDArray[np.int_]:
    """Choose the readings of frames between the grid: nearest to the path interpolated through the grid."""
    flags = np.array(READINGS, int)
    cost = np.tile(_own_cost(LABEL_COST), (len(rows), 1))
    right = np.clip(np.searchsorted(grid_t, time_s[rows]), 1, len(grid_t) - 1)
    w = np.clip((time_s[rows] - grid_t[right - 1]) / (grid_t[right] - grid_t[right - 1]), 0, 1)[:, None, None]
    target = (1 - w) * grid_xy[right - 1] + w * grid_xy[right]
    for p, part in enumerate(PARTS):
        wanted = _both_ways(target, part)[:, :1]
        cost += _misfit(wanted, _both_ways(xy[rows], part), p, MISFIT * body_px)[:, flags[:, p]]
    return np.asarray(cost.argmin(axis=1))


#: Every rate looked for when a film may play in slow motion, steps a second of the film's clock.
ANY_RATE_HZ = (0.12, 6.0)


def any_step_rate_hz(paths: LandmarkPaths) -> float | None:
    """Return the step rate by the film's clock, steps/s, at any speed of play; None when it is within what people run or
    not clear.

    Only asked when the step rate is not in ``STEP_RATE_HZ``: between 120 and 250 steps/min nothing is returned, so a half or
    a double of a sound rhythm can't raise an alarm.
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
