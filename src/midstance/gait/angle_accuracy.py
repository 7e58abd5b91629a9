"""How well plane angles from points agree with the angles of a three-dimensional joint model.

The two aren't the same quantity. A plane angle is drawn through points that somebody could mark in a side
view (greater trochanter, knee, ankle, heel, toes); inverse kinematics fits a model with joint centres and
axes of its own to many markers. Each leg therefore has a constant offset of a few degrees, which says where
the points lie, and what is left, the agreement of the courses, which says whether angles are worked out
rightly. Both are reported apart.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Literal

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait import angles
from midstance.gait.curves import Track
from midstance.gait.measures_side import KNEE_PEAK_WINDOW
from midstance.gait.model import SIDES, Floats

Joint = Literal["knee", "hip", "thigh", "ankle"]
Part = Literal["whole curve", "initial contact", "stance peak"]
JOINTS: tuple[Joint, ...] = ("knee", "hip", "thigh", "ankle")
PARTS: tuple[Part, ...] = ("whole curve", "initial contact", "stance peak")

#: What each row compares, for tables that people read.
MEANING: dict[Joint, str] = {
    "knee": "trochanter, lateral knee and ankle markers; model's knee flexion",
    "hip": "thigh against the line of ASIS and PSIS, which slopes in standing; model's hip flexion",
    "thigh": "trochanter to lateral knee, from the vertical; model's hip flexion plus pelvic tilt",
    "ankle": "heel and second metatarsal against the shank, zero not that of standing; model's ankle angle",
}
#: Stances must be seen over this share, and this long on both sides of a contact, s.
MARGIN_S = 0.05


@attrs.frozen(eq=False)
class AngleCourse:
    """One joint of one leg in one recording, from points and from the model, at the same times.

    ``time_s``, ``ours_deg``, ``reference_deg`` are (n,); NaN where one isn't known. ``contact_s`` and
    ``toe_off_s`` are this foot's events, from force. ``leg`` names recording and side.
    """

    joint: Joint
    leg: str
    time_s: Floats
    ours_deg: Floats
    reference_deg: Floats
    contact_s: Floats
    toe_off_s: Floats


@attrs.frozen
class AngleRow:
    """Ours minus the model's, degrees, of one joint over all legs.

    Attributes
    ----------
    joint, part : what was compared; a whole curve, or each stride's value at contact, or its peak in stance.
    legs, n : legs (left and right of each recording), and frames or strides.
    bias_deg, between_deg : mean and SD over legs of each leg's mean difference: where the points lie.
    within_deg : root mean square over legs of the SD within a leg: how well the courses agree.
    median_abs_deg : median absolute difference, nothing taken off.
    median_abs_offset_removed_deg : the same after each leg's own mean difference is taken off.
    correlation : whole curve: mean over legs of Pearson's r over time; else r over the legs' means.
    """

    joint: Joint
    part: Part
    legs: int
    n: int
    bias_deg: float
    between_deg: float
    within_deg: float
    median_abs_deg: float
    median_abs_offset_removed_deg: float
    correlation: float


def recorded_courses(
    recording: Mapping[str, Any], reference: Mapping[str, Any], *, label: str = ""
) -> list[AngleCourse]:
    """Return the courses of both legs of one recording.

    Parameters
    ----------
    recording : ``time_s`` (n,) and markers ``R_GTR_m``, ``R_Knee_m``, ``R_Ankle_m``, ``R_Heel_Bottom_m``,
        ``R_MT2_m``, ``R_ASIS_m``, ``R_PSIS_m`` (n, 3; metres, X forward, Y up; NaN where lost), the same with
        ``L_``; ``contact_on_s``, ``contact_off_s``, ``contact_side`` ("R" or "L"). An open npz file will do.
    reference : ``time_s`` (m,) on the same clock, ``pelvis_tilt_deg``, and ``hip_flexion_r_deg``,
        ``knee_angle_r_deg``, ``ankle_angle_r_deg`` (m,), the same with ``_l``.

    Notes
    -----
    A marker that isn't in the recording leaves out the joints that need it.
    """
    time_s = np.asarray(reference["time_s"], dtype=np.float64)
    sides = np.asarray(recording["contact_side"])
    out: list[AngleCourse] = []
    for side in SIDES:
        big, small = side[0].upper(), side[0]
        points = {
            name: _at_times(recording, f"{big}_{name}_m", time_s)
            for name in ("GTR", "Knee", "Ankle", "Heel_Bottom", "MT2", "ASIS", "PSIS")
        }
        mine = sides == big
        on = np.asarray(recording["contact_on_s"], dtype=np.float64)[mine]
        off = np.asarray(recording["contact_off_s"], dtype=np.float64)[mine]
        for joint, ours in _plane_angles(points).items():
            theirs = _model_angle(reference, joint, small)
            if theirs is not None:
                out.append(AngleCourse(joint, f"{label} {side}".strip(), time_s, ours, theirs, on, off))
    return out


def _at_times(recording: Mapping[str, Any], name: str, time_s: Floats) -> Floats | None:
    if name not in recording:
        return None
    own = np.asarray(recording["time_s"], dtype=np.float64)
    marker = np.asarray(recording[name], dtype=np.float64)[:, :2]
    return np.stack([np.interp(time_s, own, marker[:, k], left=np.nan, right=np.nan) for k in (0, 1)], axis=1)


def _plane_angles(points: Mapping[str, Floats | None]) -> dict[Joint, Floats]:
    hip, knee, ankle = points["GTR"], points["Knee"], points["Ankle"]
    heel, toe, front, back = points["Heel_Bottom"], points["MT2"], points["ASIS"], points["PSIS"]
    out: dict[Joint, Floats] = {}
    if hip is not None and knee is not None:
        out["thigh"] = angles.thigh_angle(hip, knee)
        if ankle is not None:
            out["knee"] = angles.knee_flexion(hip, knee, ankle)
        if front is not None and back is not None:
            # Like the foot's, the line's slope counts: a pelvis tipped forward flexes the hip.
            out["hip"] = angles.wrap_deg(angles.thigh_angle(hip, knee) - angles.foot_angle(back, front))
    if knee is not None and ankle is not None and heel is not None and toe is not None:
        out["ankle"] = angles.ankle_dorsiflexion(knee, ankle, heel, toe)
    return out


def _model_angle(reference: Mapping[str, Any], joint: Joint, side: str) -> Floats | None:
    parts = {
        "knee": (f"knee_angle_{side}_deg",),
        "hip": (f"hip_flexion_{side}_deg",),
        "thigh": (f"hip_flexion_{side}_deg", "pelvis_tilt_deg"),
        "ankle": (f"ankle_angle_{side}_deg",),
    }[joint]
    if any(p not in reference for p in parts):
        return None
    return np.asarray(sum(np.asarray(reference[p], dtype=np.float64) for p in parts), dtype=np.float64)


def angle_table(courses: Iterable[AngleCourse]) -> list[AngleRow]:
    """Return one row for each joint and part, over all courses given; parts without a value are left out."""
    every = list(courses)
    out = []
    for joint in JOINTS:
        mine = [c for c in every if c.joint == joint]
        for part in PARTS:
            pairs = [p for p in (_pairs(c, part) for c in mine) if len(p) >= 2]
            if pairs:
                out.append(_row(joint, part, pairs))
    return out


def _pairs(course: AngleCourse, part: Part) -> NDArray[np.float64]:
    """Return (k, 2) ours and the model's, of frames or of strides."""
    both = np.stack([course.ours_deg, course.reference_deg], axis=1)
    if part == "whole curve":
        return both[np.isfinite(both).all(axis=1)]
    tracks = [_track(course, course.ours_deg), _track(course, course.reference_deg)]
    rows = []
    for on in course.contact_s:
        if part == "initial contact":
            if course.time_s[0] + MARGIN_S <= on <= course.time_s[-1] - MARGIN_S:
                rows.append([t.at(float(on)) for t in tracks])
            continue
        later = course.toe_off_s[course.toe_off_s > on]
        if len(later):
            tc = float(later.min() - on)
            low, high = (float(on) + share * tc for share in KNEE_PEAK_WINDOW)
            rows.append([t.peak(low, high, inside=course.joint in ("knee", "ankle"))[0] for t in tracks])
    found = np.array(rows, dtype=np.float64).reshape(-1, 2)
    return found[np.isfinite(found).all(axis=1)]


def _track(course: AngleCourse, value: Floats) -> Track:
    return Track(course.time_s, value, np.zeros(len(value)), course.joint)


def _row(joint: Joint, part: Part, pairs: list[NDArray[np.float64]]) -> AngleRow:
    differences = [p[:, 0] - p[:, 1] for p in pairs]
    offsets = np.array([d.mean() for d in differences])
    every = np.concatenate(differences)
    course = np.concatenate([d - d.mean() for d in differences])
    if part == "whole curve":
        correlation = float(np.mean([_correlation(p) for p in pairs]))
    else:
        means = np.array([p.mean(axis=0) for p in pairs])
        correlation = _correlation(means) if len(means) >= 3 else float("nan")
    return AngleRow(
        joint,
        part,
        len(pairs),
        len(every),
        float(offsets.mean()),
        float(offsets.std(ddof=1)) if len(offsets) > 1 else float("nan"),
        float(np.sqrt(np.mean([d.var() for d in differences]))),
        float(np.median(np.abs(every))),
        float(np.median(np.abs(course))),
        correlation,
    )


def _correlation(pairs: NDArray[np.float64]) -> float:
    d = pairs - pairs.mean(axis=0)
    size = float(np.sqrt((d[:, 0] @ d[:, 0]) * (d[:, 1] @ d[:, 1])))
    return float(d[:, 0] @ d[:, 1]) / size if size > 0 else float("nan")
