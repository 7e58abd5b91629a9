"""Period of a repeating motion from its autocorrelation."""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@attrs.frozen
class Period:
    """A period found in one or more series.

    Attributes
    ----------
    period_s : the period, s.
    strength : the normalised autocorrelation at that lag, at most 1: near 1 for a steady rhythm, near 0 for
    none.
    """

    period_s: float
    strength: float


def stride_period(
    x: ArrayLike,
    rate_hz: float,
    *,
    shortest_s: float = 0.45,
    longest_s: float = 1.1,
    least_strength: float = 0.5,
) -> Period | None:
    """Find the period of a repeating motion by autocorrelation.

    Parameters
    ----------
    x : (n,) or (n, k) array_like
        One or k evenly sampled series of the same motion; NaN gaps are left out of the products. Each series
        is centred, but not rescaled: give series of one unit, or scale them first.
    rate_hz : float
        Sampling rate, Hz.
    shortest_s, longest_s : float
        Range of periods allowed, s. The default covers strides of running at 110–265 steps/min.
    least_strength : float
        Weakest autocorrelation that still counts as a rhythm.

    Returns
    -------
    Period or None
        None when the recording holds fewer than 1.5 of the shortest periods, or no rhythm. Of peaks nearly as
        strong as the strongest one, the shortest period is taken: at twice the period the motion repeats as
        well.

    Notes
    -----
    The peak is located between samples with a parabola through three lags. A series of *one* leg has the
    stride as its period; a series that both legs move alike (hip height, say) has the step.
    """
    values = np.asarray(x, dtype=np.float64)
    series = values[:, None] if values.ndim == 1 else values.reshape(len(values), -1)
    n = len(series)
    low = max(2, int(np.floor(shortest_s * rate_hz)))
    high = min(int(np.ceil(longest_s * rate_hz)), n - max(3, low // 2))
    if high - low < 2:
        return None
    good = np.isfinite(series)
    if not bool(good.any()):
        return None
    count = good.sum(axis=0)
    mean = np.where(good, series, 0.0).sum(axis=0) / np.maximum(count, 1)
    centred = np.where(good, series - mean, 0.0)
    lags = np.arange(low - 1, high + 2)
    lags = lags[(lags >= 1) & (lags < n - 2)]
    score = np.array([_correlation(centred, good, int(lag)) for lag in lags])
    inner = np.arange(1, len(lags) - 1)
    peaks = inner[(score[inner] >= score[inner - 1]) & (score[inner] > score[inner + 1])]
    if len(peaks) == 0:
        return None
    best = float(score[peaks].max())
    if best < least_strength:
        return None
    i = int(peaks[score[peaks] >= best - 0.1 * abs(best)][0])
    a, b, c = score[i - 1], score[i], score[i + 1]
    curvature = a - 2 * b + c
    shift = 0.5 * (a - c) / curvature if curvature < 0 else 0.0
    return Period(float((lags[i] + np.clip(shift, -0.5, 0.5)) / rate_hz), float(min(b, 1.0)))


def _correlation(centred: Floats, good: NDArray[np.bool_], lag: int) -> float:
    """Correlate the series with themselves ``lag`` samples later, where both are known."""
    both = good[:-lag] & good[lag:]
    first, second = np.where(both, centred[:-lag], 0.0), np.where(both, centred[lag:], 0.0)
    norm = np.sqrt(np.sum(first**2) * np.sum(second**2))
    return float(np.sum(first * second) / norm) if norm > 0 else 0.0
