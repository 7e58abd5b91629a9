"""What the rules may look at: the measures that have a value, and the evidence."""

from __future__ import annotations

import attrs

from midstance.evidence import NO_SOURCE, Evidence, Threshold
from midstance.gait.model import SIDES, Measure, MeasureSide, View

#: Where two films give the same measure the first of these is used, always, so that no rule picks the answer
#: it likes.
VIEW_ORDER: tuple[View, ...] = ("side", "rear", "front")


@attrs.frozen
class Known:
    """Measures, evidence and running speed, with the look-ups that the rules share."""

    measures: tuple[Measure, ...]
    evidence: Evidence
    speed_mps: float
    surface: str

    def value(self, key: str, side: MeasureSide, view: View | None = None) -> Measure | None:
        """Return the measure with a value, or None if it is absent or not measurable."""
        for v in (view,) if view else VIEW_ORDER:
            for m in self.measures:
                if m.measure == key and m.side == side and m.view == v and m.value is not None:
                    return m
        return None

    def sides(self, key: str) -> list[Measure]:
        """Return the values of left and right; failing both, the one of both sides together; else none."""
        found = [m for side in SIDES if (m := self.value(key, side)) is not None]
        if not found and (both := self.value(key, "both")) is not None:
            found = [both]
        return found

    def clearing(self, threshold: Threshold) -> list[Measure]:
        """Return the sides whose interval lies wholly beyond the threshold."""
        return [m for m in self.sides(threshold.measure) if threshold.cleared(_low(m), _high(m))]

    def source(self, threshold: Threshold, limit_text: str) -> str:
        """Return the source line: where the limit comes from, then what is known about what it means."""
        if threshold.status == "seen":
            return self.evidence.cite(threshold.citations)
        meaning = self.evidence.cite(threshold.citations)
        head = f"{limit_text}: {NO_SOURCE}"
        return head if meaning == NO_SOURCE else f"{head}. What it can mean: {meaning}"


def _low(m: Measure) -> float:
    assert m.low is not None
    return m.low


def _high(m: Measure) -> float:
    assert m.high is not None
    return m.high


def side_of(measures: list[Measure]) -> MeasureSide:
    """Return the side that a list of one or two measures concerns."""
    return measures[0].side if len(measures) == 1 else "both"
