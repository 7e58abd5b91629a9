"""Left–right differences: mentioned only where they are surely larger than what is natural or readable on
film.
"""

from __future__ import annotations

import math

import attrs

from midstance.findings.known import VIEW_ORDER, Known
from midstance.findings.words import finding_text, join_words, milliseconds, number
from midstance.gait.model import Finding, Measure, View

#: Times compared, and how they are called. Lengths are not compared: one camera sees the far leg smaller
#: than the near one.
TIMES = {"contact_time": "contact time", "step_time": "step time"}
#: Angles compared. Pelvic drop and trunk side lean are left out because a camera that isn't level shifts
#: left and right in opposite directions; the drop from landing onwards (the excursion) doesn't suffer from
#: it.
ANGLES = {
    "foot_strike_angle": "foot angle at landing",
    "shank_angle_contact": "shin lean at landing",
    "knee_flexion_contact": "knee bend at landing",
    "knee_flexion_peak_stance": "most knee bend in stance",
    "ankle_dorsiflexion_peak_stance": "most ankle bend in stance",
    "hip_adduction_peak": "thigh leaning in under the pelvis",
    "pelvic_drop_excursion": "sinking of the pelvis during stance",
}


@attrs.frozen
class Difference:
    """Left minus right with its 95 % interval, in the measure's unit."""

    measure: str
    left: float
    right: float
    value: float
    low: float
    high: float

    def beyond(self, margin: float) -> bool:
        """Return whether the whole interval lies beyond ± margin."""
        return self.low > margin or self.high < -margin


def difference(left: Measure, right: Measure) -> Difference:
    """Return left minus right; the half-widths on each side of the interval add as squares (independent
    errors).

    Errors that both sides share, such as scale or tilt, cancel in truth and are counted here, so the
    interval is on the wide side.
    """
    if None in (left.value, left.low, left.high, right.value, right.low, right.high):
        raise ValueError(f"{left.measure}: a difference needs two measured sides")
    lv, ll, lh = float(left.value or 0), float(left.low or 0), float(left.high or 0)
    rv, rl, rh = float(right.value or 0), float(right.low or 0), float(right.high or 0)
    value = lv - rv
    return Difference(
        measure=left.measure,
        left=lv,
        right=rv,
        value=value,
        low=value - math.hypot(lv - ll, rh - rv),
        high=value + math.hypot(lh - lv, rv - rl),
    )


def symmetry_angle_margin(mean: float, percent: float) -> float:
    """Return the left–right difference, in the unit of ``mean``, that a symmetry angle of ``percent`` stands
    for.

    Symmetry angle = 100·(45° − atan(left/right))/90°, so the ratio is tan(45° − 0.9°·percent) and the
    difference 2·mean·(1 − ratio)/(1 + ratio) = 2·mean·tan(0.9°·percent).
    """
    return 2.0 * mean * math.tan(math.radians(0.9 * percent))


def left_right(known: Known) -> Finding | None:
    """All differences that are surely beyond natural unevenness or beyond what film can read, in one
    finding.
    """
    lines: list[str] = []
    keys: list[str] = []
    cited: list[str] = []
    for key, name in (*TIMES.items(), *ANGLES.items()):
        threshold = known.evidence.threshold("uneven_time" if key in TIMES else f"uneven_{key}")
        pair = _pair(known, key)
        if pair is None:
            continue
        diff = difference(*pair)
        margin = (
            symmetry_angle_margin((diff.left + diff.right) / 2, threshold.value)
            if key in TIMES
            else threshold.value
        )
        if not diff.beyond(margin):
            continue
        if key in TIMES:
            gap = f"{milliseconds(abs(diff.value))} apart"
            lines.append(f"{name}: left {milliseconds(diff.left)}, right {milliseconds(diff.right)} ({gap})")
        else:
            lines.append(
                f"{name}: left {number(diff.left)}°, right {number(diff.right)}° ({number(abs(diff.value))}° "
                "apart)"
            )
        keys.append(key)
        cited += threshold.citations
    if not lines:
        return None
    names = join_words([{**TIMES, **ANGLES}[k] for k in keys])
    return Finding(
        key="left_right",
        title="Left and right differ",
        text=finding_text(
            f"The two legs differ by more than chance and film can explain in {names}. In numbers: "
            f"{'; '.join(lines)}.",
            "Most runners are uneven in something, and that is not abnormal. It is worth a look together "
            "with any pain or an old injury "
            "on one side.",
            "which side is the better one, or that the difference does harm. From one side the far leg is "
            "partly hidden, so a film from the "
            "other side is the best check.",
        ),
        status="clear",
        evidence="very limited",
        source=known.evidence.cite(dict.fromkeys([*cited, "hanley_tucker2018"])),
        measures=tuple(keys),
        side="both",
        priority=50,
    )


def _pair(known: Known, key: str) -> tuple[Measure, Measure] | None:
    """Return left and right of one view; never of two films, whose errors differ."""
    view: View
    for view in VIEW_ORDER:
        left, right = known.value(key, "left", view), known.value(key, "right", view)
        if left is not None and right is not None:
            return left, right
    return None
