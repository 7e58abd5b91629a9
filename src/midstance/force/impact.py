"""Impact peak and loading rate of one contact.

The impact peak is the first summit of the vertical force soon after contact; between contact and it the loading rate is
taken: the average between 20 and 80 % of the way (Milner et al. 2006, Med Sci Sports Exerc 38:323-328 [formula from
memory]; whether the shares are of force or of time is a choice that is stored with the result) and the steepest slope.
"""

from __future__ import annotations

from typing import Literal

import attrs
import numpy as np
from numpy.typing import ArrayLike

#: The impact peak lies between these times after contact, s, and within this share of contact. From memory and practice.
EARLIEST_S, LATEST_S, LATEST_SHARE = 0.005, 0.050, 0.25
#: The force must fall by at least this many body weights after the summit before it rises further. Engineering choice.
LEAST_DIP_BW = 0.02
#: Stand-in for the impact peak where there is none: force at this share of contact. From memory.
STAND_IN_SHARE = 0.13
NO_PEAK = "no distinct impact peak"


@attrs.frozen
class Impact:
    """Summit soon after contact: sample and force; ``sample`` None where there is no distinct one."""

    sample: int | None
    force_n: float
    dip_n: float


def impact_peak(up_n: ArrayLike, rate_hz: float, weight_n: float, noise_n: float = 0.0) -> Impact:
    """Find the impact peak in the vertical force of one contact.

    Parameters
    ----------
    up_n : (n,) vertical force from the first to the last sample of contact, N.
    weight_n : body weight, N.
    noise_n : 1-SD noise of the force, N: a dip counts only beyond four of it.
    """
    up = np.asarray(up_n, dtype=np.float64)
    n = len(up)
    first = max(1, int(np.ceil(EARLIEST_S * rate_hz)))
    last = min(int(LATEST_S * rate_hz), int(LATEST_SHARE * n), n - 2)
    if last < first:
        return Impact(None, float("nan"), 0.0)
    need = max(LEAST_DIP_BW * weight_n, 4.0 * noise_n)
    mid = up[first : last + 1]
    summits = first + np.flatnonzero((mid > up[first - 1 : last]) & (mid >= up[first + 1 : last + 2]))
    best = 0.0
    for i in summits:
        if up[i] < up[: i + 1].max():  # a later, lower bump is not the first summit's height
            continue
        higher = np.flatnonzero(up[i + 1 :] > up[i])
        until = i + 1 + (int(higher[0]) if len(higher) else n - i - 1)
        dip = float(up[i] - up[i:until].min()) if len(higher) else 0.0
        if len(higher) == 0:  # the highest of all: an impact peak only if a second summit follows after a dip
            rest = up[i:]
            low = int(np.argmin(rest[: max(2, len(rest) // 2)]))
            dip = float(min(rest[0], rest[low:].max()) - rest[low])
        best = max(best, dip)
        if dip >= need:
            return Impact(int(i), float(up[i]), dip)
    return Impact(None, float("nan"), best)


@attrs.frozen
class LoadingRates:
    """Average and steepest loading rate, N/s; NaN where the rise has too few samples."""

    average: float
    peak: float


def loading_rates(
    time_s: ArrayLike,
    up_n: ArrayLike,
    end: int,
    *,
    between: tuple[float, float] = (0.2, 0.8),
    share_of: Literal["force", "time"] = "force",
) -> LoadingRates:
    """Loading rates of the rise from contact to sample ``end``.

    Parameters
    ----------
    time_s, up_n : (n,) times and vertical force (N) from contact on; the first sample is contact.
    end : sample of the impact peak, or of what stands in for it.
    between : shares between which the average is taken.
    share_of : "force": shares of the force at ``end``; "time": shares of the time from contact to ``end``.

    Returns
    -------
    LoadingRates
        Average: (F_high - F_low) / (t_high - t_low), crossings interpolated. Peak: steepest central difference.
    """
    t, f = np.asarray(time_s, dtype=np.float64)[: end + 1], np.asarray(up_n, dtype=np.float64)[: end + 1]
    nothing = LoadingRates(float("nan"), float("nan"))
    if len(t) < 3 or not f[-1] > 0:
        return nothing
    if share_of == "time":
        t_low, t_high = (t[0] + p * (t[-1] - t[0]) for p in between)
        f_low, f_high = np.interp([t_low, t_high], t, f)
    else:
        f_low, f_high = between[0] * f[-1], between[1] * f[-1]
        t_low, t_high = _first_crossing(t, f, f_low), _first_crossing(t, f, f_high)
    if not t_high > t_low:
        return nothing
    slope = (f[2:] - f[:-2]) / (t[2:] - t[:-2])
    return LoadingRates(float((f_high - f_low) / (t_high - t_low)), float(slope.max()))


def _first_crossing(t: np.typing.NDArray[np.float64], f: np.typing.NDArray[np.float64], level: float) -> float:
    i = int(np.argmax(f >= level))
    if i == 0:
        return float(t[0])
    return float(t[i - 1] + (level - f[i - 1]) / (f[i] - f[i - 1]) * (t[i] - t[i - 1]))
