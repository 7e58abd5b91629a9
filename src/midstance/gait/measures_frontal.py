"""Frontal angles and distances of the rear and front view, stride by stride.

The landmark model's hips don't give a pelvis line: under clothing their slope follows the trunk more than the pelvis. Pelvic
drop and hip adduction are measured only where points of the pelvis are marked. The other leg is used only where
it is seen: a hidden swing leg is a guess and is never measured.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np

from midstance.gait.angles import pelvic_drop, segment_sigma_deg
from midstance.gait.arms import KEY as ARMS
from midstance.gait.arms import measure_arms
from midstance.gait.curves import Track, frontal_tracks
from midstance.gait.measures_side import Reader, peak_in_stance
from midstance.gait.measures_time import FLAT_PART, NO_SCALE
from midstance.gait.model import SIDES, Floats, Measure, PlanePaths, Side, Stance, StrideValue
from midstance.gait.registry import REGISTRY, keys_for
from midstance.gait.strides import kept
from midstance.gait.symmetry import ROLL_OPPOSED as ROLLED
from midstance.gait.uncertainty import (
    Z95,
    ErrorBudget,
    Sample,
    at_least,
    missing,
    not_measurable,
    root_sum_squares,
    stride_values,
    summarise,
)
from midstance.gait.yaw import CameraYaw, Leak, square, yaw_from_feet

#: Part of stance in which frontal peaks are looked for: near contact and toe-off the leg is far from the
#: frontal plane, and an event some 10 ms off hardly changes a peak.
PEAK_WINDOW = (0.10, 0.90)
#: Middle of stance, for the distance between the knees.
MIDDLE = (0.40, 0.60)
#: The systematic errors were found with events as they are read from these views, toe-offs with this 1-SD error, s. Only
#: what goes beyond it (toe-offs taken from the length of an average stance) counts on its own in means over part of stance.
USUAL_TOE_OFF_S = 0.030
#: A camera roll known no better than this, degrees (1 SD), makes left and right differ by more than most runners do.
ROLL_UNKNOWN_DEG = 0.75

#: What rests on the pelvis line, which the landmark model's hips don't give.
ON_PELVIS = frozenset({"pelvic_drop_peak", "pelvic_drop_excursion", "hip_adduction_peak"})

_STICKERS = "needs stickers on heel and shank"
_NO_PELVIS = (
    "the landmark model's hips hardly follow the pelvis (rendered runners whose drop was 0 to 12 deg read 2 to 6 deg from "
    "behind); it needs stickers on the pelvis"
)
_PELVIS = "pelvis line through marked points"


@attrs.frozen
class _Spec:
    track: str
    read: Reader
    method: str
    leak: Leak | None = None  # fore-aft motion shows in it when the camera is turned


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


def _unusual(sigma_s: float) -> float:
    """Part of a toe-off's 1-SD error beyond what the systematic errors hold already."""
    return float(np.sqrt(max(sigma_s**2 - USUAL_TOE_OFF_S**2, 0.0)))


def _middle_of_stance(track: Track, s: Stance, budget: ErrorBudget) -> Sample:
    if s.to is None:
        return missing(s.side, s.index, s.ic.time_s, "no toe-off")
    tc = s.to.time_s - s.ic.time_s
    value, noise = track.mean(s.ic.time_s + MIDDLE[0] * tc, s.ic.time_s + MIDDLE[1] * tc)
    if not np.isfinite(value):
        return missing(
            s.side, s.index, s.ic.time_s, f"{track.points} not clearly seen in the middle of stance"
        )
    random, shared = budget.split_event(0.5 * _unusual(s.to.sigma_s))
    rate = abs(track.rate_at(s.ic.time_s + 0.5 * tc))
    return Sample(s.side, s.index, s.ic.time_s, value, float(np.hypot(noise, rate * random)), rate * shared)


_SPECS: dict[str, _Spec] = {
    "pelvic_drop_peak": _Spec("pelvis", _PEAK, f"largest slope between 10 and 90 % of stance; {_PELVIS}"),
    "pelvic_drop_excursion": _Spec("pelvis", _excursion, f"peak in stance minus value at contact; {_PELVIS}"),
    "hip_adduction_peak": _Spec(
        "hip",
        _PEAK,
        f"largest angle of thigh against pelvis between 10 and 90 % of stance; {_PELVIS}",
        leak="hip",
    ),
    "thigh_adduction_peak": _Spec(
        "thigh",
        _PEAK,
        "largest angle of the hip-knee line from the vertical between 10 and 90 % of stance",
        leak="hip",
    ),
    "knee_frontal_angle_peak": _Spec(
        "knee",
        _PEAK,
        "largest deviation of the knee from the hip-ankle line between 10 and 90 % of stance",
        leak="knee",
    ),
    "trunk_side_lean_peak": _Spec(
        "trunk",
        peak_in_stance(0.0, 1.0, inside=False),
        "largest lean of the mid-hip to mid-shoulder line in stance",
        leak="trunk",
    ),
    "knee_separation": _Spec(
        "knee_gap",
        _middle_of_stance,
        "sideways distance of the knees, mean of 40 to 60 % of stance",
        leak="knee_gap",
    ),
}


def measure_frontal(
    plane: PlanePaths,
    stances: Sequence[Stance],
    *,
    budget: ErrorBudget,
    speed_mps: float | None = None,
    yaw: CameraYaw | None = None,
    rearfoot: Mapping[str, Sequence[Sample]] | None = None,
    pelvis: Track | None = None,
    pelvis_sigma_deg: float = 0.0,
) -> tuple[list[StrideValue], list[Measure]]:
    """All measures of the group "frontal" of one rear or front film.

    Parameters
    ----------
    plane : filtered paths, x to the runner's right. Angles need no scale; distances do.
    stances : from ``build_stances``; excluded ones are skipped.
    budget : errors of the film. The camera's roll and yaw count with opposite sign on the two sides.
    speed_mps : belt speed, to measure the camera's yaw with; None over ground.
    yaw : the camera's yaw where it is known better, for example from marked points of the belt. Without either,
        ``yaw_sigma_deg`` of the budget is allowed for.
    rearfoot : samples of the ``rearfoot_*`` measures, from stickers; without them these are not measurable.
    pelvis : slope of the line through two marked points of the pelvis, from ``pelvis_line``, on the frames of ``plane``.
        Without it what rests on the pelvis line is not measurable.
    pelvis_sigma_deg : 1-SD slope that marking the pelvis's points gives that line, opposite on the two sides.

    Returns
    -------
    values, measures : every key appears in ``measures`` for left, right and both, with a value or with a
        reason. Arm crossing is a count and has no values of single strides.
    """
    view = plane.view
    if view == "side":
        raise ValueError("measure_frontal takes a rear or front view, got a side view")
    turned = yaw or yaw_from_feet(plane, stances, speed_mps) or CameraYaw(0.0, budget.yaw_sigma_deg)
    tracks = {side: frontal_tracks(plane, side, noise=budget.quality_factor) for side in SIDES}
    if pelvis is not None:
        for side in SIDES:
            drop = pelvis.scaled(1.0 if side == "right" else -1.0)
            tracks[side] |= {"pelvis": drop, "hip": _sum(tracks[side]["thigh"], drop)}
    values: list[StrideValue] = []
    measures: list[Measure] = []
    for key in keys_for(view, "frontal"):
        known = REGISTRY[key]
        if key == ARMS:
            across = {side: tracks[side]["across"] for side in SIDES}
            measures += measure_arms(across, stances, view=view, yaw=turned)
            continue
        if key in ON_PELVIS and pelvis is None:
            measures += not_measurable(known, view, _NO_PELVIS)
            continue
        if known.unit == "m" and plane.unit != "m":
            measures += not_measurable(known, view, NO_SCALE)
            continue
        opposed = budget.roll_sigma_deg if key in ROLLED else 0.0
        if key in ON_PELVIS and key != "pelvic_drop_excursion":
            opposed = float(np.hypot(opposed, pelvis_sigma_deg))
        samples: Sequence[Sample]
        if key.startswith("rearfoot_"):
            given = rearfoot.get(key) if rearfoot else None
            if not given:
                measures += not_measurable(known, view, _STICKERS)
                continue
            samples, method = given, "stickers on heel and shank"
        elif key == "step_width":
            samples = _step_widths(tracks, stances, budget)
            method = _step_width_method(samples)
        else:
            spec = _SPECS[key]
            seen = {s: tracks[s][spec.track] for s in SIDES}
            method = spec.method
            if spec.leak:
                seen = {s: square(seen[s], spec.leak, s, stances, turned) for s in SIDES}
                opposed = float(np.hypot(opposed, turned.leak_sigma(spec.leak)))
                method += _yaw_method(turned)
            samples = [spec.read(seen[s.side], s, budget) for s in kept(stances)]
        if key in ROLLED and budget.roll_sigma_deg > ROLL_UNKNOWN_DEG:
            method += (
                f"; how level the camera was is not known (±{Z95 * budget.roll_sigma_deg:.1f} deg), and a tilt shifts left "
                "and right apart by twice itself: a difference between them may be the camera's"
            )
        samples = [at_least(s, budget.scatter_for(key)) for s in samples]
        shared = _shared(key, samples, budget)
        by_side: dict[Side, float] = {"left": shared, "right": shared}
        single: dict[Side, float] = dict.fromkeys(SIDES, float(np.hypot(shared, opposed)))
        values += stride_values(known, view, samples, single)
        measures += summarise(known, view, samples, shared=by_side, opposed=opposed, method=method)
    return values, measures


def pelvis_line(time_s: Floats, left: Floats, right: Floats, sigma: float, points: str) -> Track:
    """Return the slope of the line through two marked points of the pelvis, degrees, + when the right one is higher.

    ``left`` and ``right`` are (n, 2) positions as in ``PlanePaths``, filtered, NaN where not seen; ``sigma`` their 1-SD
    noise in the same unit; ``points`` names them for reasons, as in "stickers on both PSIS".
    """
    value = pelvic_drop(right, left)
    apart = float(np.nanmedian(np.linalg.norm(right - left, axis=1))) if np.isfinite(value).any() else float("nan")
    noise = float(segment_sigma_deg(apart, sigma, sigma))
    return Track(time_s, value, np.where(np.isfinite(value), noise, np.nan), points)


def _sum(a: Track, b: Track) -> Track:
    return Track(a.time_s, a.value + b.value, np.hypot(a.sigma, b.sigma), f"{a.points}, {b.points}")


def _yaw_method(yaw: CameraYaw) -> str:
    if yaw.measured:
        return (
            f"; camera {abs(yaw.yaw_deg):.1f} ± {Z95 * yaw.sigma_deg:.1f} deg off the direction of running (from the "
            "standing feet), taken out with an average runner's fore-aft slopes"
        )
    return f"; a camera up to {Z95 * yaw.sigma_deg:.0f} deg off the direction of running is allowed for"


def _shared(key: str, samples: Sequence[Sample], budget: ErrorBudget) -> float:
    parts = [budget.systematic_for(key)]
    if REGISTRY[key].unit == "m":
        good = [abs(s.value) for s in samples if s.usable]
        parts.append(budget.length_relative_sigma * (float(np.mean(good)) if good else 0.0))
    return root_sum_squares(parts)


def _step_width_method(samples: Sequence[Sample]) -> str:
    good = [s.value for s in samples if s.usable]
    text = "sideways distance of the ankles between successive stances, median of 25 to 50 % of each"
    crossed = sum(v < 0 for v in good)
    return f"{text}; {crossed} of {len(good)} steps cross over" if good else text


def _step_widths(
    tracks: dict[Side, dict[str, Track]], stances: Sequence[Stance], budget: ErrorBudget
) -> list[Sample]:
    place: dict[tuple[Side, float], tuple[float, float, float, float]] = {}
    used = kept(stances)
    for s in used:
        if s.to is not None:
            tc = s.to.time_s - s.ic.time_s
            a, b = s.ic.time_s + FLAT_PART[0] * tc, s.ic.time_s + FLAT_PART[1] * tc
            track = tracks[s.side]["ankle_x"]
            sigma = float(np.mean(FLAT_PART)) * _unusual(s.to.sigma_s)
            middle = 0.5 * (a + b)
            place[s.side, s.ic.time_s] = (track.median(a, b), track.sigma_at(middle), track.rate_at(middle), sigma)
    out = []
    nowhere = (float("nan"),) * 4
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
            continue
        # The ankles drift sideways in stance, so an early or late reading counts; a common delay counts as the difference of
        # both drifts.
        random, shared = budget.split_event(max(here[3], there[3]))
        noise = root_sum_squares([here[1], there[1], here[2] * random, there[2] * random])
        out.append(Sample(s.side, s.index, s.ic.time_s, width, noise, abs(here[2] - there[2]) * shared))
    return out
