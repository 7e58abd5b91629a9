"""Contacts cut from the vertical force by a stated threshold, with times between samples."""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import ArrayLike, NDArray

from midstance.gait.model import Floats
from midstance.signals.filters import butterworth_lowpass, finite_runs

#: A dip below the threshold shorter than this doesn't end contact; a rise shorter than this is no contact, s.
BRIDGE_S, LEAST_CONTACT_S = 0.020, 0.050
#: Cut-off of the low-pass filter before the threshold where the platform is too noisy for it, Hz.
QUIETING_HZ = 50.0
#: The platform is too noisy for a threshold below this many standard deviations of its noise in flight.
QUIET_SIGMAS = 4.0


@attrs.frozen(eq=False)
class Cuts:
    """Contacts of a stretch: times in samples from its start (fractions allowed).

    ``on``, ``off`` : (k,) threshold crossings; ``first``, ``last`` : (k,) first and last sample above the threshold;
    ``whole`` : (k,) False for contacts that the stretch's ends or a gap cut off; ``on_slope``, ``off_slope`` : (k,)
    steepness of the force at the crossings, N a sample.
    """

    on: Floats
    off: Floats
    first: NDArray[np.int64]
    last: NDArray[np.int64]
    whole: NDArray[np.bool_]
    on_slope: Floats
    off_slope: Floats

    def __len__(self) -> int:
        return len(self.on)


def quieted(up_n: ArrayLike, rate_hz: float, threshold_n: float, noise_n: float) -> tuple[Floats, bool]:
    """Vertical force fit for the threshold: as it is, or low-passed where noise in flight could cross the threshold."""
    up = np.asarray(up_n, dtype=np.float64)
    if not np.isfinite(noise_n) or noise_n * QUIET_SIGMAS <= threshold_n or rate_hz <= 2.5 * QUIETING_HZ:
        return up, False
    return butterworth_lowpass(up, rate_hz, QUIETING_HZ), True


def cut_contacts(up_n: ArrayLike, rate_hz: float, threshold_n: float) -> Cuts:
    """Contacts in which the vertical force is at least the threshold.

    Parameters
    ----------
    up_n : (n,) vertical force with its zero taken out, N; NaN is neither in the air nor on the ground.
    rate_hz : samples a second.
    threshold_n : N.

    Returns
    -------
    Cuts
        Crossings are interpolated linearly between the samples around them. Dips shorter than ``BRIDGE_S`` are bridged,
        rises shorter than ``LEAST_CONTACT_S`` dropped (noise, a touch in passing).
    """
    up = np.asarray(up_n, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        above = up >= threshold_n
    bridge = max(1, round(BRIDGE_S * rate_hz))
    runs = finite_runs(above)
    merged: list[list[int]] = []
    for a, b in runs:
        if merged and a - merged[-1][1] < bridge and np.isfinite(up[merged[-1][1] : a]).all():
            merged[-1][1] = b
        else:
            merged.append([a, b])
    least = LEAST_CONTACT_S * rate_hz
    kept = [(a, b) for a, b in merged if b - a >= least]
    on, off, whole, up_slope, down_slope = [], [], [], [], []
    for a, b in kept:
        starts = a > 0 and bool(np.isfinite(up[a - 1]))
        ends = b < len(up) and bool(np.isfinite(up[b]))
        inside = bool(np.isfinite(up[a:b]).all())
        whole.append(starts and ends and inside)
        rise = up[a] - up[a - 1] if starts else np.nan
        fall = up[b - 1] - up[b] if ends else np.nan
        on.append(a - (up[a] - threshold_n) / rise if starts else float(a))
        off.append(b - 1 + (up[b - 1] - threshold_n) / fall if ends else float(b - 1))
        up_slope.append(rise)
        down_slope.append(fall)
    return Cuts(
        np.array(on, dtype=np.float64),
        np.array(off, dtype=np.float64),
        np.array([a for a, _ in kept], dtype=np.int64),
        np.array([b - 1 for _, b in kept], dtype=np.int64),
        np.array(whole, dtype=np.bool_),
        np.array(up_slope, dtype=np.float64),
        np.array(down_slope, dtype=np.float64),
    )


def crossing_sigma_s(slope_n: float, noise_n: float, zero_sigma_n: float, rate_hz: float) -> float:
    """1-SD error of a threshold crossing, s: noise and zero divided by the slope, and a quarter of a sample for its bend."""
    if not np.isfinite(slope_n) or slope_n <= 0:
        return 1.0 / rate_hz
    noise = np.hypot(0.0 if not np.isfinite(noise_n) else noise_n, zero_sigma_n) / slope_n
    return float(np.hypot(min(noise, 3.0), 0.25)) / rate_hz
