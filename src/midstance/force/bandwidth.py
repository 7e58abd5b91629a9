"""What frequencies a recording still holds: was it low-passed before it was stored, and is it sampled fast enough?

A platform's own noise is nearly the same at all frequencies, so the spectrum of an untouched recording falls with the
runner's force and then runs level. A low-pass filter leaves a cliff instead: the spectrum falls more steeply than any force
does and goes on falling. The cliff's edge is the cut-off.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import ArrayLike
from scipy import signal

from midstance.gait.model import Floats

#: Least sampling rate for loading rates, Hz (common practice, no source) and least content. A half-sine impact that rises in
#: 12 ms loses 6 % of its steepest slope to a zero-lag filter at 100 Hz, 11 % at 75 Hz and 21 % at 50 Hz [computed].
LEAST_RATE_HZ, LEAST_CONTENT_HZ = 500.0, 80.0
#: Least sampling rate and content for the height of the impact peak, Hz. Engineering choices.
LEAST_PEAK_RATE_HZ, LEAST_PEAK_CONTENT_HZ = 250.0, 40.0
#: Steepness of a cliff, dB an octave, over at least this many octaves. Force and floor together fall by less: 2nd-order
#: kinks, as at contact, fall 12 dB an octave.
CLIFF_DB, CLIFF_OCTAVES = 26.0, 1.0
#: What lies beyond a cliff doesn't rise again by more than this, dB.
COMES_BACK_DB = 8.0
#: The search starts here, Hz, and bands are this wide, octaves.
SEARCH_FROM_HZ, BAND_OCTAVES = 22.0, 1.0 / 3.0
LEAST_SECONDS = 0.8


@attrs.frozen
class Bandwidth:
    """Content of a recording.

    ``rate_hz`` : samples a second; ``cut_off_hz`` : where a low-pass filter's cliff begins, None where there is none;
    ``named`` : True where the file itself names the filter; ``enough`` : False where too little was given to tell.
    """

    rate_hz: float
    cut_off_hz: float | None
    named: bool = False
    enough: bool = True

    def why_no_loading_rate(self) -> str | None:
        """Why loading rates can't be had from it, or None."""
        if self.rate_hz < LEAST_RATE_HZ:
            return (
                f"sampled at {self.rate_hz:.0f} Hz: the rise to the impact peak takes 10 to 30 ms, and loading rates need "
                f"at least {LEAST_RATE_HZ:.0f} Hz"
            )
        return self._filtered(LEAST_CONTENT_HZ, "loading rates need")

    def why_no_impact_peak(self) -> str | None:
        """Why the impact peak can't be judged, or None."""
        if self.rate_hz < LEAST_PEAK_RATE_HZ:
            return f"sampled at {self.rate_hz:.0f} Hz: an impact peak needs at least {LEAST_PEAK_RATE_HZ:.0f} Hz"
        return self._filtered(LEAST_PEAK_CONTENT_HZ, "an impact peak needs")

    def _filtered(self, need_hz: float, what: str) -> str | None:
        if self.cut_off_hz is not None and self.cut_off_hz < need_hz:
            how = "as the file says" if self.named else "as its spectrum shows"
            return (
                f"the recording was low-passed at about {self.cut_off_hz:.0f} Hz before it was stored, {how}: {what} "
                f"what lies up to {need_hz:.0f} Hz"
            )
        return None


def bandwidth(up_n: ArrayLike, rate_hz: float, named_hz: float | None = None) -> Bandwidth:
    """Tell whether a recording was low-passed, and where.

    Parameters
    ----------
    up_n : (n,) vertical force of at least ``LEAST_SECONDS`` with contacts in it; NaN is left out.
    rate_hz : samples a second.
    named_hz : cut-off that the file itself names.
    """
    up = np.asarray(up_n, dtype=np.float64)
    up = up[np.isfinite(up)]
    if named_hz is not None:
        return Bandwidth(rate_hz, named_hz, named=True)
    if len(up) < LEAST_SECONDS * rate_hz:
        return Bandwidth(rate_hz, None, enough=False)
    centres, level = band_levels(up, rate_hz)
    return Bandwidth(rate_hz, _cliff(centres, level))


def band_levels(up_n: Floats, rate_hz: float) -> tuple[Floats, Floats]:
    """Spectrum in overlapping bands: centres (Hz) and mean density (dB)."""
    size = min(len(up_n), int(2 ** np.ceil(np.log2(rate_hz))))
    # A window with low side lobes: a runner's force is a million times stronger at 3 Hz than the floor.
    f, p = signal.welch(up_n, rate_hz, window="blackmanharris", nperseg=size, detrend="constant")
    top = 0.47 * rate_hz
    half = 2 ** (BAND_OCTAVES / 2)
    centres = SEARCH_FROM_HZ * 2 ** np.arange(0.0, max(np.log2(top / half / SEARCH_FROM_HZ), 0.0), 1.0 / 12.0)
    level = np.array(
        [
            p[(f >= c / half) & (f <= c * half)].mean() if np.any((f >= c / half) & (f <= c * half)) else np.nan
            for c in centres
        ]
    )
    return centres, 10.0 * np.log10(np.maximum(level, 1e-30))


def _cliff(centres: Floats, level: Floats) -> float | None:
    steps = round(12 * CLIFF_OCTAVES)
    if len(centres) <= steps:
        return None
    fall = (level[:-steps] - level[steps:]) / (steps / 12.0)
    # A force of even shape has gaps in its spectrum, too, but after them it comes back; after a filter nothing does.
    after = np.maximum.accumulate(level[::-1])[::-1][steps:]
    steep = np.flatnonzero((fall >= CLIFF_DB) & (after <= level[steps:] + COMES_BACK_DB))
    if len(steep) == 0:
        return None
    i = int(steep[0])
    # The cliff's edge: where the fall, looked at over a shorter stretch, first reaches half of the cliff's steepness.
    near = np.flatnonzero(np.diff(level[i : i + steps + 1]) * 12.0 <= -0.8 * CLIFF_DB)
    return float(centres[i + (int(near[0]) if len(near) else 0)])
