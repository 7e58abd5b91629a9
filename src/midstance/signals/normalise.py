"""Time normalisation: a stride, a step or a stance as 0–100 % of its length."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from midstance.signals.timebase import resample

Floats = NDArray[np.float64]


def to_percent(time_s: ArrayLike, x: ArrayLike, t0: float, t1: float, n: int = 101) -> Floats:
    """Return ``x`` at ``n`` even times from ``t0`` to ``t1``, both included (0 % and 100 %).

    Parameters
    ----------
    time_s : (m,) array_like
        Strictly increasing times, s.
    x : (m, ...) array_like
        Values; NaN marks gaps, and stays NaN in the result.
    t0, t1 : float
        Beginning and end, s; ``t1 > t0``. They need not fall on samples.
    n : int
        Number of points, at least 2.

    Returns
    -------
    (n, ...) ndarray
        NaN where the recording doesn't reach.
    """
    if not t1 > t0:
        raise ValueError(f"t1 must come after t0, got t0={t0:g}, t1={t1:g}")
    if n < 2:
        raise ValueError(f"n must be at least 2, got {n}")
    return resample(time_s, x, np.linspace(t0, t1, n))
