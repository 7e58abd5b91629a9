"""What one assessment holds: everything the outputs are written from, and nothing that changes between two runs."""

from __future__ import annotations

from typing import Any, Literal

import attrs

from midstance.findings.overruled import Overruled, overrule_of
from midstance.gait.model import (
    Event,
    Exclusion,
    Finding,
    Floats,
    LandmarkPaths,
    Measure,
    PlanePaths,
    QualityCheck,
    Runner,
    Scale,
    Side,
    Stance,
    StrideValue,
    View,
    seen_as,
)
from midstance.pose.corrections import Applied

Surface = Literal["treadmill", "overground"]


@attrs.frozen
class Curve:
    """One angle or height over the stride, 0–100 % from contact to next contact of the same foot.

    ``strides`` is (n_strides, 101); ``mean`` (101,). ``toe_off_percent`` is the mean position of toe-off.
    ``measure_keys`` are the measures read off this curve.
    """

    key: str
    title: str
    unit: str
    view: View
    side: Side
    strides: Floats
    mean: Floats
    toe_off_percent: float
    measure_keys: tuple[str, ...] = ()


@attrs.frozen(eq=False)
class FilmResult:
    """One film of an assessment and what was found in it.

    ``direction`` is "left to right" or "right to left" (side view), "away from camera" (rear), "towards camera" (front).
    ``capture_source`` says where the capture rate comes from. ``start_s`` is the real time of the first measured frame.
    ``speed_mps``: the belt or running speed. ``scale_notes`` compares the scales when there is more than one.
    """

    view: View
    path: str
    name: str
    sha256: str
    width: int
    height: int
    frames: int
    duration_s: float
    capture_fps: float
    capture_source: str
    slowdown: float
    direction: str
    near_side: Side | None
    quality: tuple[QualityCheck, ...]
    landmarks: LandmarkPaths
    plane: PlanePaths
    scale: Scale | None
    scale_notes: tuple[str, ...]
    duplicate_frames: int = 0
    dropped_frames: int = 0
    start_s: float = 0.0


@attrs.frozen(eq=False)
class Assessment:
    """The whole result of the main job."""

    software: str
    runner: Runner
    runner_label: str
    speed_mps: float
    surface: Surface
    films: tuple[FilmResult, ...]
    events: tuple[Event, ...]
    stances: tuple[Stance, ...]
    stride_values: tuple[StrideValue, ...]
    curves: tuple[Curve, ...]
    measures: tuple[Measure, ...]
    findings: tuple[Finding, ...]
    exclusions: tuple[Exclusion, ...]
    settings: dict[str, Any]
    invented: bool = False
    corrections: tuple[Applied, ...] = ()
    overruled: tuple[Overruled, ...] = ()

    def overrule_of(self, finding: Finding) -> Overruled | None:
        """Return who doesn't agree with a finding, and why; None where nobody said so."""
        return overrule_of(finding, self.overruled)

    def film(self, view: View) -> FilmResult | None:
        """Return the film of a view, or None."""
        return next((f for f in self.films if f.view == view), None)

    def measured_strides(self) -> tuple[StrideValue, ...]:
        """Return the stride values that the measures are made of.

        With a film of each side, a leg's values are those of the film it is nearer in, called by the view "side".
        """
        if self.film("side_far") is None:
            return self.stride_values
        near = {f.view: f.near_side for f in self.films}
        return tuple(
            attrs.evolve(v, view=seen_as(v.view))
            for v in self.stride_values
            if seen_as(v.view) != "side" or near[v.view] == v.side
        )

    def measure(self, key: str, side: str = "both", view: View | None = None) -> Measure | None:
        """Return one measure by key, side and (if given) view, or None."""
        for m in self.measures:
            if m.measure == key and m.side == side and (view is None or m.view == view):
                return m
        return None
