"""Frontal angles and distances of the rear and front view, stride by stride.

The pelvis line is drawn through the landmark model's hips. Under clothing these are an estimate, not the bony
points of the pelvis, so its slope carries a large systematic error (given by the caller), and where the
interval is too wide the measure is "not measurable". The other leg is used only where it is seen: a hidden
swing leg is a guess and is never measured.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np

from midstance.gait.curves import Track, frontal_tracks
from midstance.gait.measures_side import Reader, peak_in_stance
from midstance.gait.measures_time import FLAT_PART, NO_SCALE
from midstance.gait.model import SIDES, Measure, PlanePaths, Side, Stance, StrideValue
from midstance.gait.registry import REGISTRY, keys_for
from midstance.gait.strides import kept
from midstance.gait.symmetry import ROLL_OPPOSED
from midstance.gait.uncertainty import (
    ErrorBudget,
    Sample,
    missing,
    not_measurable,
    root_sum_squares,
    stride_values,
    summarise,
)

#: Part of stance in which frontal peaks are looked for: near contact and toe-off the leg is far from the
#: frontal plane.
PEAK_WINDOW = (0.10, 0.90)
#: Middle of stance, for the distance between the knees.
MIDDLE = (0.40, 0.60)
#: Angle of the thigh in the sagittal plane at which frontal peaks occur, for the error of a camera not square
#: behind the runner; engineering choice.
SAGITTAL_LEG_DEG = 25.0

_STICKERS = "needs stickers on heel and shank"
_PELVIS = "pelvis line through the landmark model's hips, an estimate"


@attrs.frozen
class _Spec:
    track: str
    read: Reader
    method: str
    yaw: bool = False  # sagittal leg motion shows in it when the camera is turned


# A frontal angle may be largest at an end of the window, and that value is its peak.
_PEAK = peak_in_stance(*PEAK_WINDOW, inside=False)


def _excursion(track: Track, s: Stance, budget: ErrorBudget) -> Sample:
    top = _PEAK(track, s, budget)
    if not top.usable:
        return top
    start = track.at(s.ic.time_s)
    if not np.isfinite(start):
        return missing(
            s.side, s.index, s.ic.time_s, f"{track.points} not all clearly seen at initial contact"
        )
    rate = abs(track.rate_at(s.ic.time_s))
    random, shared = budget.split_event(s.ic.sigma_s)
    noise = root_sum_squares([top.random, track.sigma_at(s.ic.time_s), rate * random])
    return Sample(s.side, s.index, s.ic.time_s, top.value - start, noise, rate * shared)


def _middle_of_stance(track: Track, s: Stance, budget: ErrorBudget) -> Sample:
    if s.to is None:
        return missing(s.side, s.index, s.ic.time_s, "no toe-off")
    tc = s.to.time_s - s.ic.time_s
    value, noise = track.mean(s.ic.time_s + MIDDLE[0] * tc, s.ic.time_s + MIDDLE[1] * tc)
    if not np.isfinite(value):
        return missing(
            s.side, s.index, s.ic.time_s, f"{track.points} not clearly seen in the middle of stance"
        )
    return Sample(s.side, s.index, s.ic.time_s, value, noise)


_SPECS: dict[str, _Spec] = {
    "pelvic_drop_peak": _Spec("pelvis", _PEAK, f"largest slope between 10 and 90 % of stance; {_PELVIS}"),
    "pelvic_drop_excursion": _Spec("pelvis", _excursion, f"peak in stance minus value at contact; {_PELVIS}"),
    "hip_adduction_peak": _Spec(
        "hip",
        _PEAK,
        f"largest angle of thigh against pelvis between 10 and 90 % of stance; {_PELVIS}",
        yaw=True,
    ),
    "knee_frontal_angle_peak": _Spec(
        "knee",
        _PEAK,
        "largest deviation of the knee from the hip-ankle line between 10 and 90 % of stance",
        yaw=True,
    ),
    "trunk_side_lean_peak": _Spec(
        "trunk",
        peak_in_stance(0.0, 1.0, inside=False),
        "largest lean of the mid-hip to mid-shoulder line in stance",
    ),
    "knee_separation": _Spec(
        "knee_gap", _middle_of_stance, "sideways distance of the knees, mean of 40 to 60 % of stance"
    ),
}


def measure_frontal(
    plane: PlanePaths, stances: Sequence[Stance], *, budget: ErrorBudget
) -> tuple[list[StrideValue], list[Measure]]:
    """All measures of the group "frontal" of one rear or front film.

    Parameters
    ----------
    plane : filtered paths, x to the runner's right. Angles need no scale; distances do.
    stances : from ``build_stances``; excluded ones are skipped.
    budget : errors of the film. The camera's roll counts with opposite sign on the two sides.

    Returns
    -------
    values, measures : every key appears in ``measures`` for left, right and both, with a value or with a
        reason.
    """
    view = plane.view
    if view == "side":
        raise ValueError("measure_frontal takes a rear or front view, got a side view")
    tracks = {side: frontal_tracks(plane, side, noise=budget.quality_factor) for side in SIDES}
    values: list[StrideValue] = []
    measures: list[Measure] = []
    for key in keys_for(view, "frontal"):
        known = REGISTRY[key]
        if key.startswith("rearfoot_"):
            measures += not_measurable(known, view, _STICKERS)
            continue
        if known.unit == "m" and plane.unit != "m":
            measures += not_measurable(known, view, NO_SCALE)
            continue
        if key == "step_width":
            samples = _step_widths(tracks, stances)
            method, yaw = (
                "sideways distance of the ankles between successive stances, median of 25 to 50 % of each",
                False,
            )
        else:
            spec = _SPECS[key]
            samples = [spec.read(tracks[s.side][spec.track], s, budget) for s in kept(stances)]
            method, yaw = spec.method, spec.yaw
        opposed = budget.roll_sigma_deg if key in ROLL_OPPOSED else 0.0
        shared = _shared(key, samples, budget, yaw=yaw)
        by_side: dict[Side, float] = {"left": shared, "right": shared}
        single: dict[Side, float] = dict.fromkeys(SIDES, float(np.hypot(shared, opposed)))
        values += stride_values(known, view, samples, single)
        measures += summarise(known, view, samples, shared=by_side, opposed=opposed, method=method)
    return values, measures


def _shared(key: str, samples: Sequence[Sample], budget: ErrorBudget, *, yaw: bool) -> float:
    parts = [budget.systematic_for(key)]
    if REGISTRY[key].unit == "m":
        good = [abs(s.value) for s in samples if s.usable]
        parts.append(budget.length_relative_sigma * (float(np.mean(good)) if good else 0.0))
    elif yaw:
        # A camera turned by yaw sees tan(sagittal angle) sin(yaw) in the frontal picture.
        leak = np.tan(np.radians(SAGITTAL_LEG_DEG)) * np.sin(np.radians(budget.yaw_sigma_deg))
        parts.append(float(np.degrees(np.arctan(leak))))
    return root_sum_squares(parts)


def _step_widths(tracks: dict[Side, dict[str, Track]], stances: Sequence[Stance]) -> list[Sample]:
    place: dict[tuple[Side, float], tuple[float, float]] = {}
    used = kept(stances)
    for s in used:
        if s.to is not None:
            tc = s.to.time_s - s.ic.time_s
            a, b = s.ic.time_s + FLAT_PART[0] * tc, s.ic.time_s + FLAT_PART[1] * tc
            track = tracks[s.side]["ankle_x"]
            place[s.side, s.ic.time_s] = (track.median(a, b), track.sigma_at(0.5 * (a + b)))
    out = []
    nowhere = (float("nan"), float("nan"))
    for s in used:
        if s.opposite_ic is None:
            out.append(missing(s.side, s.index, s.ic.time_s, "no next contact of the other foot"))
            continue
        here = place.get((s.side, s.ic.time_s), nowhere)
        there = place.get((s.opposite_ic.side, s.opposite_ic.time_s), nowhere)
        # x points to the runner's right: right foot minus left foot is positive when the feet don't cross.
        width = (here[0] - there[0]) * (1.0 if s.side == "right" else -1.0)
        if not np.isfinite(width):
            out.append(missing(s.side, s.index, s.ic.time_s, "an ankle was not clearly seen in stance"))
        else:
            out.append(Sample(s.side, s.index, s.ic.time_s, width, float(np.hypot(here[1], there[1]))))
    return out
