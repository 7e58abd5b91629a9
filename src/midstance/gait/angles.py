"""Angles of lines and joints from points in the plane of the picture, and how point noise becomes angle
noise.

Every function takes arrays of points (..., 2), x along the direction of travel (side view) or to the runner's
right (rear and front view), y up, any unit of length, and returns degrees in (-180, 180]. A NaN coordinate
gives NaN, and so do two points in the same place: there is no line, hence no angle.

Signs
-----
Side view: shank and thigh from the vertical, lower end ahead +; knee and hip flexion +, 0 when straight; foot
toe-up +; dorsiflexion +; trunk lean forward +. Frontal: swing side of the pelvis lower +; hip adducted +;
knee inside the hip-ankle line +; trunk towards the stance leg +.

Angles seen in a film are projections on the plane of the picture. They are not the angles of a
three-dimensional joint model.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from midstance.gait.model import Floats, Side


def _points(*arrays: ArrayLike) -> tuple[Floats, ...]:
    out = []
    for a in arrays:
        p = np.asarray(a, dtype=np.float64)
        if p.ndim == 0 or p.shape[-1] != 2:
            raise ValueError(f"points need shape (..., 2), got {p.shape}")
        out.append(p)
    return tuple(out)


def _atan2_deg(opposite: Floats, adjacent: Floats) -> Floats:
    angle = np.degrees(np.arctan2(opposite, adjacent))
    nowhere = (opposite == 0) & (adjacent == 0)
    return np.where(nowhere, np.nan, angle)


def wrap_deg(angle_deg: ArrayLike) -> Floats:
    """Return angles brought into (-180, 180]."""
    a = np.asarray(angle_deg, dtype=np.float64)
    return np.asarray(180.0 - np.mod(180.0 - a, 360.0), dtype=np.float64)


def segment_from_vertical(upper: ArrayLike, lower: ArrayLike) -> Floats:
    """Angle of a hanging segment from the vertical, degrees; 0 when ``lower`` is right below, + when it is
    ahead (+x).
    """
    u, w = _points(upper, lower)
    return _atan2_deg(w[..., 0] - u[..., 0], u[..., 1] - w[..., 1])


def shank_angle(knee: ArrayLike, ankle: ArrayLike) -> Floats:
    """Shank from the vertical, degrees; + when the ankle is ahead of the knee."""
    return segment_from_vertical(knee, ankle)


def thigh_angle(hip: ArrayLike, knee: ArrayLike) -> Floats:
    """Thigh from the vertical, degrees; + when the knee is ahead of the hip."""
    return segment_from_vertical(hip, knee)


def trunk_lean(hip: ArrayLike, shoulder: ArrayLike) -> Floats:
    """Hip-shoulder line from the vertical, degrees; + when the shoulder is ahead of the hip (forward lean).

    Bending at the waist and leaning from the ankles look alike on this line.
    """
    h, s = _points(hip, shoulder)
    return _atan2_deg(s[..., 0] - h[..., 0], s[..., 1] - h[..., 1])


def knee_flexion(hip: ArrayLike, knee: ArrayLike, ankle: ArrayLike) -> Floats:
    """Knee flexion in the side view, degrees; 0 when hip, knee and ankle are in line, - when hyperextended.

    It is 180 degrees less the included angle, with a sign: thigh angle minus shank angle.
    """
    return wrap_deg(thigh_angle(hip, knee) - shank_angle(knee, ankle))


def hip_flexion(
    shoulder: ArrayLike, hip: ArrayLike, knee: ArrayLike, *, trunk_hip: ArrayLike | None = None
) -> Floats:
    """Thigh against the trunk line, degrees; 0 when in line, flexion +.

    ``trunk_hip`` is the lower end of the trunk line (the middle of the hips) where it is not the thigh's hip.
    """
    return wrap_deg(thigh_angle(hip, knee) + trunk_lean(hip if trunk_hip is None else trunk_hip, shoulder))


def foot_angle(heel: ArrayLike, toe: ArrayLike) -> Floats:
    """Heel-toe line from the horizontal, degrees; toe higher than heel +. No zero is subtracted."""
    e, t = _points(heel, toe)
    return _atan2_deg(t[..., 1] - e[..., 1], t[..., 0] - e[..., 0])


def ankle_dorsiflexion(
    knee: ArrayLike, ankle: ArrayLike, heel: ArrayLike, toe: ArrayLike, *, flat_foot_deg: ArrayLike = 0.0
) -> Floats:
    """Foot against shank, degrees; 0 at a right angle with the foot as in flat standing, toes towards the
    shin +.

    ``flat_foot_deg`` is ``foot_angle`` of the flat foot: the sole of a shoe makes the heel-toe line slope.
    """
    return wrap_deg(
        foot_angle(heel, toe) - np.asarray(flat_foot_deg, dtype=np.float64) - shank_angle(knee, ankle)
    )


def _medial(side: Side) -> float:
    # x points to the runner's right, so "towards the midline" is +x for the left leg.
    return 1.0 if side == "left" else -1.0


def pelvic_drop(stance_hip: ArrayLike, swing_hip: ArrayLike) -> Floats:
    """Slope of the pelvis line in rear or front view, degrees; swing side lower than stance side +."""
    a, b = _points(stance_hip, swing_hip)
    return _atan2_deg(a[..., 1] - b[..., 1], np.abs(a[..., 0] - b[..., 0]))


def hip_adduction(stance_hip: ArrayLike, swing_hip: ArrayLike, knee: ArrayLike, *, side: Side) -> Floats:
    """Thigh against the pelvis line in rear or front view, degrees; 0 at a right angle, adduction +."""
    thigh_medial = _medial(side) * segment_from_vertical(stance_hip, knee)
    return wrap_deg(thigh_medial + pelvic_drop(stance_hip, swing_hip))


def knee_frontal_angle(hip: ArrayLike, knee: ArrayLike, ankle: ArrayLike, *, side: Side) -> Floats:
    """Knee off the hip-ankle line in rear or front view, degrees; knee inside (towards the midline) +."""
    bend = segment_from_vertical(hip, knee) - segment_from_vertical(knee, ankle)
    return wrap_deg(_medial(side) * bend)


def trunk_side_lean(mid_hip: ArrayLike, mid_shoulder: ArrayLike, *, stance_side: Side) -> Floats:
    """Mid-hip to mid-shoulder line from the vertical in rear or front view, degrees; towards the stance leg
    +.
    """
    return -_medial(stance_side) * trunk_lean(mid_hip, mid_shoulder)


def segment_sigma_deg(length: ArrayLike, sigma_a: ArrayLike, sigma_b: ArrayLike) -> Floats:
    """1-SD error of a segment's angle, degrees, from the 1-SD errors of its two ends (each axis,
    independent).

    sqrt(sigma_a^2 + sigma_b^2) / length, exact to first order: only the error across the segment turns it.
    """
    across = np.hypot(np.asarray(sigma_a, dtype=np.float64), np.asarray(sigma_b, dtype=np.float64))
    return np.asarray(np.degrees(across / np.asarray(length, dtype=np.float64)), dtype=np.float64)


def joint_sigma_deg(
    upper_length: ArrayLike,
    lower_length: ArrayLike,
    bend_deg: ArrayLike,
    sigma_upper: ArrayLike,
    sigma_joint: ArrayLike,
    sigma_lower: ArrayLike,
) -> Floats:
    """1-SD error of a three-point joint angle, degrees.

    The joint's own point belongs to both segments: its error counts as |n1/L1 + n2/L2| with n the segments'
    normals, whose angle is the bend. A straight joint is therefore more sensitive than a folded one.
    """
    l1, l2 = np.asarray(upper_length, dtype=np.float64), np.asarray(lower_length, dtype=np.float64)
    s1, sj, s2 = (np.asarray(s, dtype=np.float64) for s in (sigma_upper, sigma_joint, sigma_lower))
    both = 1.0 / l1**2 + 1.0 / l2**2 + 2.0 * np.cos(np.radians(bend_deg)) / (l1 * l2)
    return np.asarray(np.degrees(np.sqrt((s1 / l1) ** 2 + (s2 / l2) ** 2 + sj**2 * both)), dtype=np.float64)


def circular_mean_deg(angles_deg: ArrayLike) -> float:
    """Mean direction of angles, degrees in (-180, 180]; NaN values are left out, NaN if none remain or they
    cancel.
    """
    a = np.radians(np.asarray(angles_deg, dtype=np.float64))
    a = a[np.isfinite(a)]
    if a.size == 0:
        return float("nan")
    s, c = float(np.sin(a).mean()), float(np.cos(a).mean())
    if np.hypot(s, c) < 1e-12:
        return float("nan")
    return float(np.degrees(np.arctan2(s, c)))
