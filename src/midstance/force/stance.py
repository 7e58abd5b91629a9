"""One contact → its numbers: forces, impulses, impact, and the path of the centre of pressure.

All arrays are in runner's axes with the zero taken out. Nothing here depends on which foot it was.
"""

from __future__ import annotations

import attrs
import numpy as np

from midstance.force.cut import Cuts, crossing_sigma_s
from midstance.force.impact import NO_PEAK, STAND_IN_SHARE, Impact, impact_peak, loading_rates
from midstance.force.model import FORWARD, UP, Contact, ForceSettings
from midstance.force.platform import centre_of_pressure
from midstance.gait.model import Floats
from midstance.signals.filters import butterworth_lowpass, noise_gain

#: Zero-lag low-pass before peaks and impulses, and before impact peak and loading rates, Hz.
FORCE_HZ, IMPACT_HZ = 50.0, 100.0
#: Vertical force, body weights, from which the centre of pressure is read (and at least this many N); below it the moments'
#: noise and the settling plate move it by centimetres.
COP_SHARE, COP_LEAST_N = 0.08, 50.0
#: The place of first load is that of the samples from where there is a centre of pressure until the force first reaches
#: this many body weights, and of at most so many.
STRIKE_SHARE, MOST_FIRST = 0.30, 40
#: The first known centre of pressure comes at most this much later than that, s.
LATEST_FIRST_S = 0.004
POINTS = np.linspace(0.0, 1.0, 101)


@attrs.frozen(eq=False)
class Window:
    """A stretch of one plate, ready to be measured.

    ``wrench`` (n, 6) with the zero taken out; ``smooth`` (n, 6) low-passed at ``FORCE_HZ``; ``impact`` (n,) vertical force
    low-passed at ``IMPACT_HZ`` (as recorded where sampled too slowly for that); ``first`` number of its first sample in the
    recording; ``noise_n`` 1-SD noise in flight of vertical force as recorded, and ``zero_sigma_n`` error of the zero.
    """

    wrench: Floats
    smooth: Floats
    impact: Floats
    rate_hz: float
    first: int
    start_s: float
    noise_n: float
    zero_sigma_n: float
    centre_m: Floats  # (2,) forward and right of the surface's middle in runner's axes, lab origin

    def time_s(self, sample: float) -> float:
        """Time of a sample of this window (fractions allowed), s."""
        return self.start_s + (self.first + sample) / self.rate_hz


def make_window(
    wrench: Floats,
    rate_hz: float,
    first: int,
    start_s: float,
    noise_n: float,
    zero_sigma_n: float,
    centre_m: Floats,
    *,
    cop_as_given: bool = False,
) -> Window:
    """Filter a stretch once for all of its contacts.

    Where the file holds the centre of pressure itself (``cop_as_given``), it is kept: moments are those of the low-passed
    force acting there, since a filter would bend the moments at the ends of what is known.
    """
    smooth = wrench
    up = wrench[:, UP]
    if rate_hz > 2.5 * FORCE_HZ:
        if cop_as_given:
            force = butterworth_lowpass(wrench[:, :3], rate_hz, FORCE_HZ)
            with np.errstate(divide="ignore", invalid="ignore"):
                smooth = np.concatenate([force, wrench[:, 3:] * (force[:, UP] / up)[:, None]], axis=1)
        else:
            smooth = butterworth_lowpass(wrench, rate_hz, FORCE_HZ)
    impact = butterworth_lowpass(up, rate_hz, IMPACT_HZ) if rate_hz > 2.5 * IMPACT_HZ else up
    return Window(wrench, smooth, impact, rate_hz, first, start_s, noise_n, zero_sigma_n, centre_m)


def measure_contact(
    window: Window,
    cuts: Cuts,
    k: int,
    *,
    index: int,
    plate: int,
    settings: ForceSettings,
    weight_n: float,
    horizontal: bool,
    cop: bool,
) -> Contact:
    """Measure contact ``k`` of a window.

    ``weight_n`` is body weight, N (a usual one where it isn't known: it then only scales the limits of the impact's dip and
    of the centre of pressure). ``horizontal`` and ``cop`` say what was recorded.
    """
    rate = window.rate_hz
    a, b = int(cuts.first[k]), int(cuts.last[k]) + 1
    noise = 0.0 if not np.isfinite(window.noise_n) else window.noise_n
    values: dict[str, float] = {}
    sigmas: dict[str, float] = {}
    reasons: dict[str, str] = {}
    at = cuts.on[k] + POINTS * (cuts.off[k] - cuts.on[k])
    grid = (
        np.arange(a - 1, b + 1, dtype=np.float64) if a > 0 and b < len(window.smooth) else np.arange(a, b, dtype=np.float64)
    )
    rows = grid.astype(int)
    force = window.smooth[rows, :3]
    curve = np.column_stack([np.interp(at, grid, force[:, j]) for j in range(3)])
    up = force[:, UP]
    duration = float(cuts.off[k] - cuts.on[k]) / rate

    filtered = noise * (noise_gain_at(rate, FORCE_HZ) if rate > 2.5 * FORCE_HZ else 1.0)
    values["peak"] = float(up.max())
    sigmas["peak"] = float(np.hypot(filtered, window.zero_sigma_n))
    values["vertical_impulse"] = float(np.trapezoid(curve[:, UP], dx=duration / 100))
    sigmas["vertical_impulse"] = window.zero_sigma_n * duration
    if horizontal:
        fore = curve[:, FORWARD]
        values["braking"] = float(np.trapezoid(np.minimum(fore, 0.0), dx=duration / 100))
        values["propulsion"] = float(np.trapezoid(np.maximum(fore, 0.0), dx=duration / 100))
        sigmas["braking"] = sigmas["propulsion"] = 0.5 * duration * window.zero_sigma_n
    else:
        reasons["braking"] = reasons["propulsion"] = "no horizontal force was recorded"
    _impact(window, a, b, settings, weight_n, noise, values, sigmas, reasons)
    path, first_load = None, None
    if cop:
        path, first_load = _cop(window, grid, rows, at, weight_n, values, reasons)
    else:
        for name in ("strike", "cop"):
            reasons[name] = "neither moments nor the centre of pressure were recorded"
    return Contact(
        index,
        plate,
        window.time_s(float(cuts.on[k])),
        window.time_s(float(cuts.off[k])),
        crossing_sigma_s(float(cuts.on_slope[k]), noise, window.zero_sigma_n, rate),
        crossing_sigma_s(float(cuts.off_slope[k]), noise, window.zero_sigma_n, rate),
        values=values,
        sigmas=sigmas,
        reasons=reasons,
        force=curve.astype(np.float32),
        cop=None if path is None else path.astype(np.float32),
        first_load=None if first_load is None else first_load.astype(np.float32),
    )


_GAINS: dict[tuple[float, float], float] = {}


def noise_gain_at(rate_hz: float, cutoff_hz: float) -> float:
    """``signals.filters.noise_gain``, remembered: it is the same for every contact."""
    key = (rate_hz, cutoff_hz)
    if key not in _GAINS:
        _GAINS[key] = noise_gain(rate_hz, cutoff_hz)
    return _GAINS[key]


def _impact(
    window: Window,
    a: int,
    b: int,
    settings: ForceSettings,
    weight_n: float,
    noise: float,
    values: dict[str, float],
    sigmas: dict[str, float],
    reasons: dict[str, str],
) -> None:
    rate = window.rate_hz
    up = window.impact[a:b]
    quiet = noise * (noise_gain_at(rate, IMPACT_HZ) if rate > 2.5 * IMPACT_HZ else 1.0)
    found: Impact = impact_peak(up, rate, weight_n, quiet)
    # The rise begins where the force last stood near zero before the threshold, at most 15 ms earlier.
    back = min(a, max(1, round(0.015 * rate)))
    rise = window.impact[a - back : b]
    low = np.flatnonzero(rise[: back + 1] <= max(2.0 * quiet, 1.0))
    start = back if settings.loading_share_of == "time" or not len(low) else int(low[-1])
    time = np.arange(len(rise) - start) / rate
    if found.sample is None:
        reasons["impact"] = NO_PEAK
    else:
        values["impact"], values["impact_time"] = found.force_n, found.sample / rate
        sigmas["impact"] = float(np.hypot(quiet, window.zero_sigma_n))
    stand_in = round(STAND_IN_SHARE * (b - a))
    for name, sample in (("rise", found.sample), ("stand_in", stand_in)):
        if sample is None:
            continue
        rates = loading_rates(
            time, rise[start:], back + sample - start, between=settings.loading_between, share_of=settings.loading_share_of
        )
        if np.isfinite(rates.average):
            values[f"{name}_average"], values[f"{name}_peak"] = rates.average, rates.peak
            span = max(0.6 * (back + sample - start) / rate, 1.0 / rate)
            sigmas[f"{name}_average"] = 1.41 * quiet / span
            sigmas[f"{name}_peak"] = quiet * rate / 1.41 * min(1.0, 2 * np.pi * IMPACT_HZ / rate)


def _cop(
    window: Window,
    grid: Floats,
    rows: np.typing.NDArray[np.int64],
    at: Floats,
    weight_n: float,
    values: dict[str, float],
    reasons: dict[str, str],
) -> tuple[Floats, Floats | None]:
    """Path at 0 to 100 % of contact; samples of first load: time since contact (s), forward, right (m), force (N)."""
    least = max(COP_LEAST_N, COP_SHARE * weight_n)
    # The path from the low-passed wrench: its range would grow with noise. The place of first load is too quick for that.
    cop, free = centre_of_pressure(window.smooth[rows], least)
    cop = cop + window.centre_m
    # The filter spreads load by some milliseconds into flight: the load as recorded must be there, too.
    known = np.isfinite(cop[:, 0]) & (window.wrench[rows, UP] >= least)
    if known.sum() < 3:
        reasons["cop"] = f"the plate never bore {least:.0f} N, below which there is no centre of pressure"
        reasons["strike"] = reasons["cop"]
        return np.full((101, 2), np.nan), None
    # Between the first and the last loaded sample only: nothing is drawn while the plate is next to unloaded.
    first, last = grid[known][0], grid[known][-1]
    path = np.column_stack([np.interp(at, grid[known], cop[known, j]) for j in range(2)])
    path[(at < first) | (at > last)] = np.nan
    load = window.smooth[rows, UP]
    values["place_forward"] = float(np.average(cop[known, 0], weights=load[known]))
    values["place_right"] = float(np.average(cop[known, 1], weights=load[known]))
    values["free_moment_peak"] = float(np.abs(free[known]).max())
    cop, _ = centre_of_pressure(window.wrench[rows], least)
    cop = cop + window.centre_m
    known, load = np.isfinite(cop[:, 0]), window.wrench[rows, UP]
    if not known.any():
        reasons["strike"] = "the place of the first load is not known"
        return path, None
    over = np.flatnonzero(load >= max(STRIKE_SHARE * weight_n, least))
    begin = np.flatnonzero(known)
    end = int(over[0]) + 1 if len(over) else 0
    if end <= begin[0]:
        # A file's own centre of pressure may begin later than the load does: then its first sample is what there is.
        end = int(begin[0]) + 1
        if len(over) == 0 or (begin[0] - over[0]) / window.rate_hz > LATEST_FIRST_S:
            reasons["strike"] = "the place of the first load is not known"
            return path, None
    chosen = begin[begin < end][-MOST_FIRST:]
    since = (grid[chosen] - at[0]) / window.rate_hz
    return path, np.column_stack([since, cop[chosen], load[chosen]])
