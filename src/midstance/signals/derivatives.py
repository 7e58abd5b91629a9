"""Derivatives in time of sampled paths, even or uneven sampling."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def derivative(time_s: ArrayLike, x: ArrayLike, *, axis: int = 0) -> Floats:
    """First derivative by central differences, exact for parabolas at uneven times.

    Parameters
    ----------
    time_s : (n,) array_like
        Strictly increasing times, s; n ≥ 3.
    x : array_like
        Values with length n along ``axis``; NaN allowed.

    Returns
    -------
    ndarray, same shape as ``x``
        Unit of ``x`` per second. The ends use the one-sided formula of second order. A sample is NaN wherever
        one of the samples in its formula is NaN: nothing is invented beside a gap.
    """
    t, values = _checked(time_s, x, axis)
    out = np.gradient(values, t, axis=0, edge_order=2)
    out[~np.isfinite(values)] = np.nan  # at even spacing the middle sample has no weight, yet is missing
    return np.moveaxis(out, 0, axis)


def second_derivative(time_s: ArrayLike, x: ArrayLike, *, axis: int = 0) -> Floats:
    """Second derivative from three neighbouring samples, exact for parabolas at uneven times.

    Parameters and gaps as in ``derivative``. The first and last sample are NaN, since a one-sided second
    difference of noisy paths is worth nothing. Unit of ``x`` per second squared.
    """
    t, values = _checked(time_s, x, axis)
    out = np.full_like(values, np.nan)
    shape = (-1,) + (1,) * (values.ndim - 1)
    h0 = np.diff(t)[:-1].reshape(shape)
    h1 = np.diff(t)[1:].reshape(shape)
    slope0 = (values[1:-1] - values[:-2]) / h0
    slope1 = (values[2:] - values[1:-1]) / h1
    out[1:-1] = 2.0 * (slope1 - slope0) / (h0 + h1)
    return np.moveaxis(out, 0, axis)


def _checked(time_s: ArrayLike, x: ArrayLike, axis: int) -> tuple[Floats, Floats]:
    t = np.asarray(time_s, dtype=np.float64)
    values = np.moveaxis(np.asarray(x, dtype=np.float64), axis, 0)
    if t.ndim != 1 or len(t) != len(values):
        raise ValueError(f"time_s has shape {t.shape}, but x has {len(values)} samples along the time axis")
    if len(t) < 3:
        raise ValueError(f"a derivative needs at least 3 samples, got {len(t)}")
    if not bool(np.all(np.diff(t) > 0)):
        raise ValueError("time_s must be strictly increasing")
    return t, values
