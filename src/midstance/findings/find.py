"""The findings of one assessment: a few plain statements, most important first."""

from __future__ import annotations

from collections.abc import Sequence

from midstance.evidence import Evidence, load_evidence
from midstance.findings.differences import left_right
from midstance.findings.form import (
    hip_extension,
    knee_frontal,
    knee_straight,
    overstride,
    pelvic_drop,
    trunk_lean,
)
from midstance.findings.known import Known
from midstance.findings.steps import cadence, foot_strike
from midstance.gait.model import Finding, Measure

#: More than this nobody acts on. What stands out is kept before what is only described.
MAX_FINDINGS = 7


def find(
    measures: Sequence[Measure],
    *,
    speed_mps: float,
    surface: str = "treadmill",
    evidence: Evidence | None = None,
) -> list[Finding]:
    """Return the findings that the measures support, most important first, at most :data:`MAX_FINDINGS`.

    Pure: the same measures give the same findings. A measure that is absent or not measurable gives no
    finding; one whose 95 % interval only touches or straddles a threshold gives none either.

    Parameters
    ----------
    measures
        All measures of the assessment, of every view.
    speed_mps
        Running speed, m/s.
    surface
        "treadmill" or "overground".
    evidence
        Thresholds and citations; those that come with the package if None.
    """
    known = Known(tuple(measures), evidence or load_evidence(), speed_mps, surface)
    clear = [f for f in (overstride(known), knee_straight(known), pelvic_drop(known), left_right(known)) if f]
    loads_knee = {"overstride", "knee_straight_at_contact"} & {f.key for f in clear}
    described = [
        f
        for f in (
            cadence(known, as_target=bool(loads_knee)),
            foot_strike(known),
            trunk_lean(known),
            hip_extension(known),
            knee_frontal(known),
        )
        if f
    ]
    chosen = sorted(clear, key=lambda f: f.priority)
    chosen += sorted(described, key=lambda f: f.priority)[: max(0, MAX_FINDINGS - len(chosen))]
    return sorted(chosen, key=lambda f: f.priority)
