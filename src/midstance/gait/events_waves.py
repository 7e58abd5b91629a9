"""From landmark paths to aligned strides: the rhythm of one leg, and the waves around its events.

Nothing here knows when a foot lands. A rough mark is found once in each stride (the foot furthest ahead of
the hip, say), a window around every mark is cut out, and the windows are shifted until they lie on each other
as well as they can. That separates *precision* (how well one stride is placed against the others; good even
from noisy landmarks, since a whole window of several fast points takes part) from *accuracy* (where in the
common wave the foot touches; read from the average wave, whose noise is small).
"""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from midstance.gait.model import LANDMARK_INDEX, EventKind, PlanePaths, Side, View
from midstance.signals.filters import butterworth_lowpass
from midstance.signals.gaps import fill_short_gaps
from midstance.signals.periodic import Period, stride_period
from midstance.signals.timebase import resample

Floats = NDArray[np.float64]
Mark = Literal["foremost", "rearmost", "highest"]

#: Working rate, Hz: every path is brought to it, whatever the film's rate.
RATE_HZ = 240.0
#: The points of a leg, in this order everywhere.
POINTS = ("hip", "knee", "ankle", "heel", "toe")
HIP, KNEE, ANKLE, HEEL, TOE = range(5)
#: Half-width of the waves kept around each mark, s.
HALF_WINDOW_S = 0.20
#: Half-width of the part that is used to lay strides on each other, s.
HALF_ALIGN_S = 0.10
#: Cut-off of the paths that strides are aligned with, Hz.
ALIGN_HZ = 12.0
#: Gaps up to this long are bridged before filtering, s. Longer ones stay gaps.
MAX_GAP_S = 0.06
#: Running and the quick shuffles around it: 120-240 steps/min, with a margin.
SHORTEST_STRIDE_S, LONGEST_STRIDE_S = 0.45, 1.08
#: Share of a seen sample's weight given to a sample that the film doesn't really show (a guess, a blur).
UNSEEN_WEIGHT = 0.2

OFFSETS_S: Floats = np.arange(-round(HALF_WINDOW_S * RATE_HZ), round(HALF_WINDOW_S * RATE_HZ) + 1) / RATE_HZ


@attrs.frozen(eq=False)
class LegPaths:
    """Paths of one leg at the working rate, in leg lengths.

    Attributes
    ----------
    time_s : (n,) even times, s.
    xy : (n, 5, 2) hip, knee, ankle, heel, toe; x and y as in ``PlanePaths``; unfiltered; NaN in gaps.
    weight : (n, 5) 1 where the film shows the point, less where it is a guess, 0 in gaps.
    length : thigh plus shank in the unit of the plane.
    """

    time_s: Floats
    xy: Floats
    weight: Floats
    length: float


def leg_paths(plane: PlanePaths, side: Side) -> LegPaths | None:
    """Return the paths of one leg at the working rate, or None when it is hardly ever in view."""
    names = [f"{side}_{point}" for point in POINTS]
    raw = np.stack([plane.point(name) for name in names], axis=1)
    usable = np.stack([_usable(plane, name) for name in names], axis=1)
    time_s = np.asarray(plane.time_s, dtype=np.float64)
    if len(time_s) < 10 or time_s[-1] - time_s[0] < SHORTEST_STRIDE_S:
        return None
    seen: NDArray[np.bool_] = np.asarray(np.isfinite(raw).all(axis=2), dtype=np.bool_)
    if seen.mean(axis=0).min() < 0.2:
        return None
    raw = np.where(seen[:, :, None], raw, np.nan)
    segments = np.linalg.norm(np.diff(raw[:, [HIP, KNEE, ANKLE]], axis=1), axis=2).sum(axis=1)
    # From the side the leg keeps its length in the picture; from behind it shortens whenever it swings.
    length = float(np.nanpercentile(segments, 50 if plane.view == "side" else 90))
    if not (np.isfinite(length) and length > 0):
        return None
    filled, _ = fill_short_gaps(time_s, raw, MAX_GAP_S)
    even_s = np.arange(time_s[0], time_s[-1] + 1e-9, 1.0 / RATE_HZ)
    xy = resample(time_s, filled, even_s) / length
    weight = np.empty((len(even_s), len(POINTS)))
    trust = np.where(seen & usable, 1.0, UNSEEN_WEIGHT)
    for j in range(len(POINTS)):
        weight[:, j] = np.interp(even_s, time_s, trust[:, j])
    weight[~np.isfinite(xy).all(axis=2)] = 0.0
    return LegPaths(even_s, xy, weight, length)


def _usable(plane: PlanePaths, name: str) -> NDArray[np.bool_]:
    return np.asarray(plane.usable[:, LANDMARK_INDEX[name]], dtype=bool)


def mark_series(leg: LegPaths, mark: Mark) -> Floats:
    """Return the series whose peaks are the rough marks of a stride, leg lengths."""
    if mark == "highest":
        # From behind and from the front a swinging foot is half hidden, and its height is a guess in detail: only
        # the slow rise and fall can be trusted.
        return butterworth_lowpass(leg.xy[:, ANKLE, 1], RATE_HZ, 3.0)
    ahead = leg.xy[:, ANKLE, 0] - leg.xy[:, HIP, 0]
    return butterworth_lowpass(ahead if mark == "foremost" else -ahead, RATE_HZ, 8.0)


def leg_period(leg: LegPaths, view: View) -> Period | None:
    """Return the stride period of one leg, or None when it doesn't move like a runner's."""
    mark: Mark = "foremost" if view == "side" else "highest"
    series = mark_series(leg, mark)
    good = np.isfinite(series)
    if good.sum() < RATE_HZ * SHORTEST_STRIDE_S:
        return None
    low, high = np.percentile(series[good], [5, 95])
    # A runner's foot travels well over half a leg length to and fro, and rises by a quarter; fidgeting
    # doesn't.
    if high - low < (0.3 if view == "side" else 0.12):
        return None
    return stride_period(series, RATE_HZ, shortest_s=SHORTEST_STRIDE_S, longest_s=LONGEST_STRIDE_S, least_strength=0.5)


def rough_marks(leg: LegPaths, period_s: float, mark: Mark) -> Floats:
    """Return the times of the rough marks, s: one for each stride, to a fraction of a sample."""
    series = mark_series(leg, mark)
    good = np.isfinite(series)
    low, high = np.percentile(series[good], [5, 95])
    bridged = np.where(good, series, -np.inf)
    apart = max(1, int(0.6 * period_s * RATE_HZ))
    peaks, _ = signal.find_peaks(bridged, distance=apart, height=(low + high) / 2)
    times = []
    for p in peaks:
        a, b, c = series[p - 1], series[p], series[p + 1]
        if not (np.isfinite(a) and np.isfinite(c)):
            continue  # the edge of a gap is no peak
        curvature = a - 2 * b + c
        shift = 0.5 * (a - c) / curvature if curvature < 0 else 0.0
        times.append(leg.time_s[p] + shift / RATE_HZ)
    return np.asarray(times, dtype=np.float64)


def fill_in_marks(marks_s: Floats, period_s: float) -> Floats:
    """Add the marks that a steady rhythm implies: one before the first, one after the last, and those in holes.

    An event at the edge of a film or of a gap can be in view while its mark is not. A guess added here gives an event
    only if the window around it then fits the other strides.
    """
    if len(marks_s) < 2:
        return marks_s
    out = [marks_s[0] - period_s]
    for a, b in pairwise(marks_s):
        strides = max(1, round((b - a) / period_s))
        out.extend(a + (b - a) * np.arange(strides) / strides)
    out.extend([marks_s[-1], marks_s[-1] + period_s])
    return np.asarray(out, dtype=np.float64)


@attrs.frozen(eq=False)
class StrideWaves:
    """Windows around one kind of event of one leg, laid on each other.

    Attributes
    ----------
    kind : the event looked for in these windows.
    centre_s : (k,) time of each window's zero, s; the event lies at the same offset in all windows, within a
    few ms. velocity, acceleration : (k, w, 10) at ``OFFSETS_S``; leg lengths per s and per s²; columns hip x,
    hip y, knee x …; NaN
        where not known.
    weight : (k, w, 10) trust in each sample, 0–1.
    fit : (k,) correlation of each window with the mean one, at most 1.
    """

    kind: EventKind
    centre_s: Floats
    velocity: Floats
    acceleration: Floats
    weight: Floats
    fit: Floats

    def __len__(self) -> int:
        return len(self.centre_s)


def _windows(leg: LegPaths, centre_s: Floats, values: Floats) -> Floats:
    """Cut (k, w, ...) windows out of paths at the working rate; NaN outside the recording."""
    at = (centre_s[:, None] + OFFSETS_S[None, :]).ravel()
    cut = resample(leg.time_s, values, at)
    return cut.reshape((len(centre_s), len(OFFSETS_S), *values.shape[1:]))


def _detrended(windows: Floats, weight: Floats) -> Floats:
    """Remove a weighted straight line in time from each (k, w, c) window: place and drift don't count."""
    x = OFFSETS_S[:, None] / HALF_ALIGN_S
    total = weight.sum(axis=1, keepdims=True) + 1e-12
    filled = np.where(weight > 0, windows, 0.0)
    mean = (weight * filled).sum(axis=1, keepdims=True) / total
    mean_x = (weight * x).sum(axis=1, keepdims=True) / total
    slope = (weight * (x - mean_x) * (filled - mean)).sum(axis=1, keepdims=True)
    slope = slope / ((weight * (x - mean_x) ** 2).sum(axis=1, keepdims=True) + 1e-12)
    return np.asarray(np.where(weight > 0, filled - mean - slope * (x - mean_x), 0.0), dtype=np.float64)


def align_strides(
    leg: LegPaths, kind: EventKind, guess_s: Floats, acceleration_hz: float, *, rounds: int = 5
) -> StrideWaves:
    """Cut a window around each guess and shift the windows onto their mean.

    Parameters
    ----------
    leg : LegPaths
    kind : EventKind
    guess_s : (k,) rough times of the event, s.
    acceleration_hz : cut-off of the accelerations returned, Hz. Velocities are cut off at ``ALIGN_HZ``.
    rounds : int
        Rounds of "average, then shift each window by least squares".

    Notes
    -----
    The shift of a window x against the mean wave m is the least-squares solution of x ≈ m − shift · dm/dt
    with a straight line in time left free in every channel, so that neither the place of a landmark on the
    limb nor drift of the runner in the picture has a say. The mean shift over the strides is kept at zero.
    """
    smooth = butterworth_lowpass(leg.xy, RATE_HZ, ALIGN_HZ)
    flat = smooth.reshape(len(smooth), -1)
    point_weight = np.repeat(leg.weight, 2, axis=1)
    inner = (np.abs(OFFSETS_S) <= HALF_ALIGN_S + 1e-9)[None, :, None]
    centre = guess_s.copy()
    for _ in range(rounds if len(guess_s) > 1 else 0):
        windows = _windows(leg, centre, flat)
        weight = np.where(np.isfinite(windows) & inner, _weights(leg, centre, point_weight), 0.0)
        shape = _detrended(windows, weight)
        mean = _weighted_mean(shape, weight)
        slope = np.gradient(mean, 1.0 / RATE_HZ, axis=0)
        slope_k = _detrended(np.broadcast_to(slope, shape.shape), weight)
        mean_k = _detrended(np.broadcast_to(mean, shape.shape), weight)
        downhill = (weight * slope_k * (shape - mean_k)).sum(axis=(1, 2))
        steep = (weight * slope_k**2).sum(axis=(1, 2)) + 1e-9
        shift = np.clip(-downhill / steep, -0.03, 0.03)
        centre = centre + shift - np.median(shift)
    velocity, acceleration, weight, fit = _waves(leg, centre, flat, point_weight, acceleration_hz, inner)
    return StrideWaves(kind, centre, velocity, acceleration, weight, fit)


def _weights(leg: LegPaths, centre_s: Floats, point_weight: Floats) -> Floats:
    at = centre_s[:, None] + OFFSETS_S[None, :]
    index = np.clip(np.round((at - leg.time_s[0]) * RATE_HZ).astype(int), 0, len(leg.time_s) - 1)
    return np.asarray(point_weight[index], dtype=np.float64)


def _weighted_mean(values: Floats, weight: Floats) -> Floats:
    return np.asarray((weight * values).sum(axis=0) / (weight.sum(axis=0) + 1e-12), dtype=np.float64)


def _waves(
    leg: LegPaths,
    centre: Floats,
    flat: Floats,
    point_weight: Floats,
    acceleration_hz: float,
    inner: NDArray[np.bool_],
) -> tuple[Floats, Floats, Floats, Floats]:
    step = 1.0 / RATE_HZ
    n = len(flat)
    velocity_path = np.gradient(flat, step, axis=0)
    quick = butterworth_lowpass(leg.xy, RATE_HZ, acceleration_hz).reshape(n, -1)
    acceleration_path = np.gradient(np.gradient(quick, step, axis=0), step, axis=0)
    velocity = _windows(leg, centre, velocity_path)
    acceleration = _windows(leg, centre, acceleration_path)
    weight = np.where(np.isfinite(acceleration), _weights(leg, centre, point_weight), 0.0)
    windows = _windows(leg, centre, flat)
    known = np.where(np.isfinite(windows) & inner, weight, 0.0)
    shape = _detrended(windows, known)
    mean_k = _detrended(np.broadcast_to(_weighted_mean(shape, known), shape.shape), known)
    across = (known * shape * mean_k).sum(axis=(1, 2))
    size = np.sqrt((known * shape**2).sum(axis=(1, 2)) * (known * mean_k**2).sum(axis=(1, 2))) + 1e-12
    return velocity, acceleration, weight, np.asarray(across / size, dtype=np.float64)
