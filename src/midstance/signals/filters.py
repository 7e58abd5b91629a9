"""Low-pass filtering of sampled paths, the choice of its cut-off, and what it leaves of the noise.

The filter is the usual one of movement analysis: a second-order Butterworth run forward and backward, so that
it has no lag, with its design frequency raised so that the *pair* of passes, not each of them, has its -3 dB
point at the cut-off.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import signal

Floats = NDArray[np.float64]

#: Finite runs shorter than this many samples are returned unfiltered: a two-pass filter has nothing to work
#: with there.
MIN_RUN = 4

#: (2**(1/passes) - 1)**(1/4) for two passes of a second-order Butterworth.
TWO_PASS_CORRECTION = float((2.0 ** (1.0 / 2.0) - 1.0) ** 0.25)


def two_pass_design_hz(rate_hz: float, cutoff_hz: float) -> float:
    """Return the design frequency of one pass, Hz, so that two passes have -3 dB at ``cutoff_hz``.

    Parameters
    ----------
    rate_hz : float
        Sampling rate, Hz.
    cutoff_hz : float
        Wanted -3 dB frequency of the forward-backward pair, Hz; between 0 and ``rate_hz / 2``, both excluded.

    Notes
    -----
    The correction C = (sqrt(2) - 1)**(1/4) = 0.8022 divides the *pre-warped* frequency tan(pi fc / fs) [1]_,
    so that the result stays below half the sampling rate.

    References
    ----------
    .. [1] Winter DA (2009), Biomechanics and Motor Control of Human Movement, 4th ed., p. 69.
    """
    if not (rate_hz > 0 and 0 < cutoff_hz < rate_hz / 2):
        raise ValueError(
            f"cutoff_hz must lie between 0 and half the sampling rate ({rate_hz / 2:g} Hz), got {cutoff_hz:g}"
        )
    warped = np.tan(np.pi * cutoff_hz / rate_hz) / TWO_PASS_CORRECTION
    return float(rate_hz / np.pi * np.arctan(warped))


def _sections(rate_hz: float, cutoff_hz: float) -> Floats:
    design_hz = two_pass_design_hz(rate_hz, cutoff_hz)
    return np.asarray(signal.butter(2, design_hz, fs=rate_hz, output="sos"), dtype=np.float64)


def _filter_block(sos: Floats, block: Floats, pad: int) -> Floats:
    """Filter an (n, m) block without NaN; runs too short are returned as they are."""
    n = len(block)
    if n < MIN_RUN:
        return block.copy()
    out = signal.sosfiltfilt(sos, block, axis=0, padtype="odd", padlen=min(pad, n - 1))
    return np.asarray(out, dtype=np.float64)


def finite_runs(finite: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return the (start, stop) index pairs of the runs of True in a 1-D mask."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], finite, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def butterworth_lowpass(x: ArrayLike, rate_hz: float, cutoff_hz: float, *, axis: int = 0) -> Floats:
    """Low-pass filter without lag: second-order Butterworth forward and backward, -3 dB at the cut-off.

    Parameters
    ----------
    x : array_like
        Evenly sampled values, any shape; NaN marks gaps.
    rate_hz : float
        Sampling rate along ``axis``, Hz.
    cutoff_hz : float
        Frequency where the two passes together have a gain of 1/sqrt(2), Hz. See ``two_pass_design_hz``.
    axis : int
        The time axis.

    Returns
    -------
    ndarray of float64, same shape
        Each finite run of each series is filtered on its own, so a gap stays NaN and lets nothing leak
        across. Both ends of a run are padded by point reflection, up to three periods of the cut-off. Runs
        shorter than ``MIN_RUN`` samples are returned as they are.
    """
    values = np.moveaxis(np.asarray(x, dtype=np.float64), axis, 0)
    sos = _sections(rate_hz, cutoff_hz)
    if values.size == 0:
        return np.moveaxis(values.copy(), 0, axis)
    flat = values.reshape(len(values), -1)
    out = flat.copy()
    pad = max(9, int(np.ceil(3 * rate_hz / cutoff_hz)))
    finite = np.isfinite(flat)
    whole = finite.all(axis=0)
    if whole.any():
        out[:, whole] = _filter_block(sos, flat[:, whole], pad)
    for j in np.flatnonzero(~whole):
        for a, b in finite_runs(finite[:, j]):
            out[a:b, j : j + 1] = _filter_block(sos, flat[a:b, j : j + 1], pad)
    return np.moveaxis(out.reshape(values.shape), 0, axis)


def noise_gain(rate_hz: float, cutoff_hz: float) -> float:
    """Return SD after ÷ SD before ``butterworth_lowpass`` for white noise, away from the ends (0 to 1)."""
    sos = _sections(rate_hz, cutoff_hz)
    # |H|**4 is the power gain of two passes; its mean over frequency is the variance that white noise keeps.
    _, response = signal.sosfreqz(sos, worN=8192)
    return float(np.sqrt(np.mean(np.abs(response) ** 4)))


def noise_sigma_after_filter(sigma: ArrayLike, rate_hz: float, cutoff_hz: float) -> Floats:
    """Return the 1-SD noise that ``butterworth_lowpass`` leaves of white noise of 1-SD ``sigma``, same unit.

    Landmark noise that is correlated from frame to frame is reduced less than this; estimate the correlation
    first.
    """
    return np.asarray(sigma, dtype=np.float64) * noise_gain(rate_hz, cutoff_hz)


@attrs.frozen(eq=False)
class ResidualAnalysis:
    """Outcome of ``residual_cutoff``.

    Attributes
    ----------
    cutoff_hz : chosen cut-off, Hz.
    noise_rms : estimated RMS of the noise, unit of the signal.
    cutoffs_hz, residuals : (k,) the curve it was read from.
    """

    cutoff_hz: float
    noise_rms: float
    cutoffs_hz: Floats
    residuals: Floats


def residual_cutoff(
    x: ArrayLike,
    rate_hz: float,
    *,
    lowest_hz: float = 1.0,
    highest_hz: float | None = None,
    tail_fraction: float = 0.4,
    n: int = 60,
) -> ResidualAnalysis:
    """Choose a cut-off by residual analysis (Winter's procedure [from memory]).

    The RMS residual of filtering is found for a range of cut-offs. Above the signal's band it is a straight
    line made of noise alone; that line, prolonged to 0 Hz, estimates the RMS of the noise, and the cut-off
    chosen is where the residual equals it.

    Parameters
    ----------
    x : (n,) array_like
        One evenly sampled series; NaN gaps are left out.
    rate_hz : float
        Sampling rate, Hz.
    lowest_hz, highest_hz : float
        Range of cut-offs tried, Hz; the highest defaults to 0.45 of the sampling rate.
    tail_fraction : float
        Share of the range, at its upper end, taken as noise alone.
    n : int
        Number of cut-offs.

    Notes
    -----
    The result is too low for second derivatives (Yu et al. 1999, J Appl Biomech 15:318-329), more so at high
    rates: it is a choice for positions and angles, not for the accelerations used to find events.
    """
    series = np.asarray(x, dtype=np.float64)
    if series.ndim != 1:
        raise ValueError(f"residual_cutoff takes one series, got shape {series.shape}")
    if np.isfinite(series).sum() < 20:
        raise ValueError("residual_cutoff needs at least 20 finite samples")
    top = 0.45 * rate_hz if highest_hz is None else highest_hz
    cutoffs = np.linspace(lowest_hz, top, n)
    residuals = np.array(
        [np.sqrt(np.nanmean((series - butterworth_lowpass(series, rate_hz, fc)) ** 2)) for fc in cutoffs]
    )
    tail = cutoffs >= lowest_hz + (1.0 - tail_fraction) * (top - lowest_hz)
    _, intercept = np.polyfit(cutoffs[tail], residuals[tail], 1)
    noise_rms = float(max(intercept, 0.0))
    below = np.flatnonzero(residuals <= noise_rms)
    if len(below) == 0:
        chosen = float(cutoffs[-1])
    elif below[0] == 0:
        chosen = float(cutoffs[0])
    else:
        i = int(below[0])
        r0, r1 = residuals[i - 1], residuals[i]
        chosen = float(cutoffs[i - 1] + (r0 - noise_rms) / (r0 - r1) * (cutoffs[i] - cutoffs[i - 1]))
    return ResidualAnalysis(chosen, noise_rms, cutoffs, residuals)
