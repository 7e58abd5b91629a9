"""Filling of short gaps in sampled paths. Long gaps stay gaps, and nothing is ever extrapolated."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import PchipInterpolator

from midstance.signals.filters import finite_runs

Floats = NDArray[np.float64]


def fill_short_gaps(time_s: ArrayLike, x: ArrayLike, max_gap_s: float) -> tuple[Floats, NDArray[np.bool_]]:
    """Fill gaps of at most ``max_gap_s`` by shape-preserving cubic interpolation in time.

    Parameters
    ----------
    time_s : (n,) array_like
        Strictly increasing times, s; need not be even.
    x : (n, ...) array_like
        Values; NaN marks a gap. Each series (trailing index) is treated on its own.
    max_gap_s : float
        Longest time from the last good sample before a gap to the first one after it, s, that is still
        filled.

    Returns
    -------
    x : (n, ...) ndarray
        A copy with short gaps filled. Filled values never overshoot the two samples beside the gap. NaN at
        the beginning and at the end of a series stays, however short.
    filled_mask : (n, ...) ndarray of bool
        True where a value was filled in.
    """
    t = np.asarray(time_s, dtype=np.float64)
    values = np.asarray(x, dtype=np.float64)
    if t.ndim != 1 or len(t) != len(values):
        raise ValueError(f"time_s has shape {t.shape}, but x has {len(values)} samples")
    flat = values.reshape(len(values), -1).copy()
    filled = np.zeros(flat.shape, dtype=bool)
    for j in range(flat.shape[1]):
        good = np.isfinite(flat[:, j])
        if good.all() or good.sum() < 2:
            continue
        wanted = np.zeros(len(t), dtype=bool)
        for a, b in finite_runs(~good):
            if a > 0 and b < len(t) and t[b] - t[a - 1] <= max_gap_s + 1e-9:
                wanted[a:b] = True
        if wanted.any():
            flat[wanted, j] = PchipInterpolator(t[good], flat[good, j])(t[wanted])
            filled[:, j] = wanted
    return flat.reshape(values.shape), filled.reshape(values.shape)
