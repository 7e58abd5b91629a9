"""Moving sampled paths to other times."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline

from midstance.signals.filters import finite_runs

Floats = NDArray[np.float64]


def resample(time_s: ArrayLike, x: ArrayLike, new_time_s: ArrayLike) -> Floats:
    """Interpolate paths at other times by a cubic spline through each run without gaps.

    Parameters
    ----------
    time_s : (n,) array_like
        Strictly increasing times, s; need not be even.
    x : (n, ...) array_like
        Values; NaN marks gaps. Fill the short ones first (``fill_short_gaps``).
    new_time_s : (m,) array_like
        Wanted times, s, any order.

    Returns
    -------
    (m, ...) ndarray
        NaN inside gaps and outside the first and last good sample: nothing is extrapolated. Runs of three
        samples are joined by a parabola, of two by a straight line; a single sample is kept only at its own
        time.
    """
    t = np.asarray(time_s, dtype=np.float64)
    values = np.asarray(x, dtype=np.float64)
    new_t = np.asarray(new_time_s, dtype=np.float64)
    if t.ndim != 1 or len(t) != len(values):
        raise ValueError(f"time_s has shape {t.shape}, but x has {len(values)} samples")
    flat = values.reshape(len(values), -1)
    out = np.full((len(new_t), flat.shape[1]), np.nan)
    good = np.isfinite(flat)
    whole = good.all(axis=0)
    columns = [np.flatnonzero(whole)] if whole.any() else []
    columns += [np.array([j]) for j in np.flatnonzero(~whole)]
    for cols in columns:
        for a, b in finite_runs(good[:, cols[0]]):
            inside = (new_t >= t[a]) & (new_t <= t[b - 1])
            if inside.any():
                out[np.ix_(inside, cols)] = _through(t[a:b], flat[a:b, cols], new_t[inside])
    return out.reshape((len(new_t), *values.shape[1:]))


def _through(t: Floats, x: Floats, at: Floats) -> Floats:
    if len(t) == 1:
        return np.repeat(x, len(at), axis=0)
    if len(t) < 4:
        centre = t.mean()
        coefficients = np.polyfit(t - centre, x, len(t) - 1)
        powers = (at - centre)[:, None] ** np.arange(len(t) - 1, -1, -1)[None, :]
        return np.asarray(powers @ coefficients, dtype=np.float64)
    return np.asarray(CubicSpline(t, x, axis=0, bc_type="not-a-knot")(at), dtype=np.float64)
