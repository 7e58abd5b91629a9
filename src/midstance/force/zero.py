"""The zero of a platform, found anew in every flight phase.

The zero of an instrumented treadmill wanders by tens of newtons in half an hour as it warms up, and so do the moments.
While both feet are in the air the true load is nothing, so the middle of each flight phase gives the zero of every channel;
between flights it is interpolated [common practice, no source].
"""

from __future__ import annotations

from itertools import pairwise

import attrs
import numpy as np
from numpy.typing import ArrayLike
from scipy.ndimage import median_filter, uniform_filter1d

from midstance.gait.model import Floats
from midstance.signals.filters import finite_runs

#: Smoothing before flight is looked for, s.
SMOOTH_S = 0.010
#: Least length of a flight phase, s, and the longest piece of one that gives one zero.
LEAST_FLIGHT_S, LONGEST_PIECE_S = 0.040, 0.300
#: Flight is where the smoothed force is within this share of the load above the lowest level. Engineering choices.
FLIGHT_SHARE = 0.06
#: Least load that counts as somebody on the platform, in the unit of the force per body weight of 700 N.
LEAST_LOAD_N = 100.0
#: Zeros that the running median goes over.
MEDIAN_OVER = 5
LEVEL_S = 1.0


@attrs.frozen(eq=False)
class Zero:
    """Zero of a stretch of recording.

    Attributes
    ----------
    offset : (n, 6) to be taken off the wrench.
    flights : (k,) samples in the middle of the flight phases (or pieces of them) that it rests on; where there is none,
        ``offset`` is 0.
    sigma_n : 1-SD error of the zero of the vertical force, N.
    noise_n : 1-SD noise of the vertical force in flight, sample to sample, N.
    """

    offset: Floats
    flights: Floats
    sigma_n: float
    noise_n: float


def flight_pieces(up_n: ArrayLike, rate_hz: float) -> list[tuple[int, int]]:
    """Return (start, stop) of the middle halves of the flight phases (or unloaded spans), in samples.

    ``up_n`` (n,) is the vertical force, with whatever zero; NaN is never flight.
    """
    up = np.asarray(up_n, dtype=np.float64)
    finite = np.isfinite(up)
    if finite.sum() < 3:
        return []
    filled = up if finite.all() else np.interp(np.arange(len(up)), np.flatnonzero(finite), up[finite])
    smooth = uniform_filter1d(filled, max(1, round(SMOOTH_S * rate_hz)), mode="nearest")
    level = _lowest_level(smooth, rate_hz)
    load = float(np.percentile(smooth - level, 98))
    band = FLIGHT_SHARE * load if load > LEAST_LOAD_N else np.inf
    low = (smooth - level < band) & finite
    pieces = []
    longest = max(4, round(LONGEST_PIECE_S * rate_hz))
    for a, b in finite_runs(low):
        if b - a < max(3, LEAST_FLIGHT_S * rate_hz):
            continue
        trim = 0 if b - a == len(up) else min((b - a) // 4, round(0.05 * rate_hz))
        inner_a, inner_b = a + trim, b - trim
        parts = max(1, (inner_b - inner_a) // longest)
        edges = np.linspace(inner_a, inner_b, parts + 1).astype(int)
        pieces += [(int(p), int(q)) for p, q in pairwise(edges) if q > p]
    return pieces


def _lowest_level(smooth: Floats, rate_hz: float) -> Floats:
    """Low percentile of the force second by second, interpolated: where the zero must be near."""
    n, step = len(smooth), max(3, round(LEVEL_S * rate_hz))
    starts = list(range(0, max(1, n - step // 2), step))
    centres = [min(a + step / 2, n - 1) for a in starts]
    # A second in which the plate was loaded throughout must not look like zero: the least of the seconds around counts.
    low = np.array([np.percentile(smooth[a : a + step], 5) for a in starts])
    around = median_filter(low, size=3, mode="nearest")
    return np.asarray(np.interp(np.arange(n), centres, np.minimum(low, around)), dtype=np.float64)


def flight_zero(wrench: ArrayLike, rate_hz: float) -> Zero:
    """Zero of all six channels from the flight phases.

    Parameters
    ----------
    wrench : (n, 6) runner's axes, N and N m; NaN allowed.
    rate_hz : samples a second.
    """
    w = np.asarray(wrench, dtype=np.float64)
    pieces = flight_pieces(w[:, 1], rate_hz)
    if not pieces:
        return Zero(np.zeros_like(w), np.zeros(0), 0.0, float("nan"))
    centres = np.array([0.5 * (a + b - 1) for a, b in pieces])
    levels = np.array([_middle(w[a:b]) for a, b in pieces])
    size = min(MEDIAN_OVER, len(levels))
    steady = median_filter(levels, size=(size, 1), mode="nearest")
    at = np.arange(len(w), dtype=np.float64)
    offset = np.column_stack([np.interp(at, centres, steady[:, j]) for j in range(w.shape[1])])
    wobble = 1.4826 * float(np.median(np.abs(levels[:, 1] - steady[:, 1])))
    noise = float(np.median([np.std(w[a:b, 1]) for a, b in pieces]))
    return Zero(offset, centres, max(wobble, noise / np.sqrt(size)) / np.sqrt(size), noise)


def _middle(piece: Floats) -> Floats:
    ordinary = piece[np.isfinite(piece).all(axis=1)]
    if len(ordinary) == 0:
        finite = np.isfinite(piece)
        return np.array([np.median(piece[finite[:, j], j]) if finite[:, j].any() else 0.0 for j in range(piece.shape[1])])
    return np.asarray(np.median(ordinary, axis=0), dtype=np.float64)
