"""Is the recording fit to be measured? Checks in the way of the films', and how it was read, in words."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np

from midstance.force.leave_out import SATURATED
from midstance.force.model import Contact, ForceAbout, ForceSettings, SideSource
from midstance.force.survey import Survey
from midstance.gait.model import QualityCheck

#: A zero that wandered by more than this is told, N.
TOLD_DRIFT_N = 10.0
#: Noise in flight up to this share of the threshold is quiet.
QUIET_SHARE = 0.25


@attrs.define
class Tally:
    """What is counted while a recording goes by.

    ``zeros`` : least and largest zero of the vertical force by part, N; ``noise`` : 1-SD noise in flight of each part, N;
    ``flights``, ``parts``, ``quieted`` : flight phases, parts, and parts low-passed before the threshold; ``lost`` of
    ``samples`` are missing.
    """

    zeros: list[tuple[float, float]] = attrs.field(factory=list)
    noise: list[float] = attrs.field(factory=list)
    flights: int = 0
    parts: int = 0
    quieted: int = 0
    lost: int = 0
    samples: int = 0

    @property
    def drift_n(self) -> float | None:
        """How far the zero wandered, N; None where no flight phase was found."""
        if not self.zeros:
            return None
        return max(z[1] for z in self.zeros) - min(z[0] for z in self.zeros)

    @property
    def noise_n(self) -> float | None:
        """Usual noise in flight, N."""
        return float(np.median(self.noise)) if self.noise else None


def fitness(first: Survey, settings: ForceSettings, tally: Tally) -> list[QualityCheck]:
    """Checks of sampling and content, noise, zero and gaps."""
    band, noise, drift = first.bandwidth, tally.noise_n, tally.drift_n
    why = band.why_no_loading_rate()
    lost = tally.lost / max(1, tally.samples)
    quiet = noise is not None and noise <= QUIET_SHARE * settings.threshold_n
    return [
        QualityCheck(
            "samples a second and content",
            band.rate_hz if band.cut_off_hz is None else band.cut_off_hz,
            "Hz",
            "500 Hz or more, not low-passed below 80 Hz",
            "unfit" if why else ("good" if band.enough else "unknown"),
            "not measurable" if why else "none",
            f"no loading rates: {why}" if why else "",
            ("loading_rate_average", "loading_rate_peak") if why else (),
        ),
        QualityCheck(
            "noise with both feet in the air",
            noise,
            "N",
            f"up to {QUIET_SHARE * settings.threshold_n:.0f} N at a threshold of {settings.threshold_n:g} N",
            "unknown" if noise is None else ("good" if quiet else "usable"),
            "none" if noise is None or quiet else "wider intervals",
            "the force was low-passed at 50 Hz before the threshold; a quieter platform needs none" if tally.quieted else "",
        ),
        QualityCheck(
            "wandering of the zero",
            drift,
            "N",
            "any: it is taken out",
            "unknown" if drift is None else "good",
            "none",
            "no flight phase was found, so the zero is as recorded" if drift is None else "",
        ),
        QualityCheck(
            "missing samples",
            100 * lost,
            "%",
            "none",
            "good" if lost == 0 else "usable",
            "none",
            "" if lost == 0 else "contacts with gaps are left out",
        ),
    ]


def saturation(contacts: Sequence[Contact]) -> QualityCheck:
    """Did a channel stand at the end of its range in any contact? Such contacts are left out."""
    n = sum(c.excluded is not None and SATURATED in c.excluded for c in contacts)
    return QualityCheck(
        "channels at the end of their range",
        float(n),
        "contacts",
        "none",
        "good" if n == 0 else "usable",
        "none",
        "" if n == 0 else "these contacts are left out; set the amplifier to a larger range",
    )


def how_it_was_read(
    about: ForceAbout, first: Survey, settings: ForceSettings, tally: Tally, source: SideSource, why: str | None
) -> tuple[str, ...]:
    """Columns, axes, surface, threshold, zero and sides in words."""
    notes = [*about.notes, *first.notes]
    kinds = {"treadmill": "a treadmill", "plates": "plates in the ground"}
    what = "belts of a treadmill, added" if first.together else kinds[first.surface]
    notes.append(f"{what}, {'as given' if settings.surface else 'by how the contacts follow each other'}")
    notes.append(f"contact is vertical force of {settings.threshold_n:g} N or more, between samples by a straight line")
    drift = tally.drift_n
    if drift is None:
        notes.append("no flight phase was found: the zero is as recorded")
    elif drift > TOLD_DRIFT_N:
        notes.append(f"the zero wandered by {drift:.0f} N; it was found anew in {tally.flights} flight phases and taken out")
    else:
        notes.append(f"zero from {tally.flights} flight phases; it wandered by {drift:.1f} N")
    if tally.quieted:
        notes.append(
            f"noisy with both feet in the air: low-passed before the threshold in {tally.quieted} of {tally.parts} parts"
        )
    notes.append(f"sides: {source}" + (f" ({why})" if why else ""))
    notes.append("the centre of pressure is masked where the plate bears too little for it to mean anything")
    return tuple(notes)
