"""Metres per pixel in the plane of progression: from stature, a known length, the belt, or the runner's own
speed.

Each source gives a ``Scale`` with an honest 1-SD relative error; ``compare_scales`` holds them against each
other. Pixels in, so a scale never depends on one found before.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from midstance.errors import OptionError
from midstance.gait.model import LANDMARK_INDEX, SIDES, Floats, LandmarkPaths, Scale, Side, Stance, State
from midstance.gait.strides import kept

# Heights above the ground as fractions of stature: shoulder 0.818, hip 0.530, knee 0.285, ankle 0.039
# (Drillis & Contini 1966, as printed by Winter) [from memory], hence these segment lengths.
TRUNK_OF_HEIGHT = 0.818 - 0.530
THIGH_OF_HEIGHT = 0.530 - 0.285
SHANK_OF_HEIGHT = 0.285 - 0.039
#: From behind or in front the leg is seen shortened even at its longest: about 15 degrees of knee bend and 15
#: degrees of slope leave 0.955 of it, a trunk leaning 9 degrees keeps 0.988 of its length. Engineering
#: choices, no source.
FRONTAL_LEG = 0.955
FRONTAL_TRUNK = 0.988
#: 1-SD relative error of the chain trunk + thigh + shank: people's proportions (about 2.5 %) and where a
#: landmark model puts hips and shoulders (about 3 %); from behind or in front with the foreshortening too. No
#: source.
CHAIN_RELATIVE_SIGMA = 0.04
FRONTAL_RELATIVE_SIGMA = 0.05
#: Belt displays are wrong by about this much, and belts slow down under each step; 1-SD, engineering choice.
BELT_RELATIVE_SIGMA = 0.015
#: Distance of a leg from the middle plane, and the filming distance assumed when unknown, m: one leg's scale
#: is off by their ratio.
HALF_HIP_M = 0.09
USUAL_DISTANCE_M = 4.0
#: Parts of stance in which heel and toe move with the ground.
TOE_STILL = (0.40, 0.75)
HEEL_STILL = (0.20, 0.45)
#: A landmark wanders on the shoe while the foot rolls: 1-SD relative error of the foot's speed, from automatic landmarks on
#: 18 rendered films with known scale (mean +0.6 %, SD 3.5 %).
FOOT_WANDER_RELATIVE_SIGMA = 0.035
#: Heights and speeds outside these are refused.
HEIGHT_M = (1.0, 2.3)

_SEEN = (int(State.SEEN), int(State.FILLED), int(State.CORRECTED))


def _seen_point(landmarks: LandmarkPaths, name: str) -> Floats:
    i = LANDMARK_INDEX[name]
    good = np.isin(landmarks.state[:, i], _SEEN)
    return np.where(good[:, None], landmarks.xy[:, i], np.nan)


def _median_length(a: Floats, b: Floats) -> float:
    length = np.linalg.norm(a - b, axis=1)
    length = length[np.isfinite(length)]
    return float(np.median(length)) if len(length) >= 5 else float("nan")


def _longest_leg(landmarks: LandmarkPaths, side: Side) -> float:
    """Hip above ankle, px: the 95th percentile over the film, since a single largest value would be noise."""
    drop = (_seen_point(landmarks, f"{side}_ankle") - _seen_point(landmarks, f"{side}_hip"))[:, 1]
    drop = drop[np.isfinite(drop)]
    return float(np.percentile(drop, 95)) if len(drop) >= 20 else float("nan")


def scale_from_height(
    landmarks: LandmarkPaths, height_m: float, *, near_side: Side | None = None, quality_factor: float = 1.0
) -> Scale | None:
    """Scale from the runner's stature, or None if too little of the runner was seen.

    A running body is shorter in the picture than its stature, so the height from heel to head is of no use.
    Side view: the sum of trunk, thigh and shank as they appear (median over the film; near leg, else the mean
    of both legs) against 0.779 of stature. Rear and front view: the trunk and the longest the leg appears
    from hip to ankle, against the same chain foreshortened, with a larger error.

    Parameters
    ----------
    landmarks : image pixels.
    height_m : stature without shoes, m.
    quality_factor : widens the error for a film of poor quality.
    """
    if not HEIGHT_M[0] <= height_m <= HEIGHT_M[1]:
        raise OptionError(
            f"a body height of {height_m:g} m can't be used",
            where="height",
            allowed=f"{HEIGHT_M[0]:g} to {HEIGHT_M[1]:g} m",
            next_step="give the height in metres, such as 1.75m",
        )
    mid_hip = 0.5 * (_seen_point(landmarks, "left_hip") + _seen_point(landmarks, "right_hip"))
    mid_shoulder = 0.5 * (_seen_point(landmarks, "left_shoulder") + _seen_point(landmarks, "right_shoulder"))
    trunk = _median_length(mid_hip, mid_shoulder)
    if not np.isfinite(trunk) and near_side is not None:
        trunk = _median_length(
            _seen_point(landmarks, f"{near_side}_hip"), _seen_point(landmarks, f"{near_side}_shoulder")
        )
    fraction = TRUNK_OF_HEIGHT + THIGH_OF_HEIGHT + SHANK_OF_HEIGHT
    if landmarks.view != "side":
        longest = [_longest_leg(landmarks, side) for side in SIDES]
        seen = [v for v in longest if np.isfinite(v)]
        if not (trunk > 0 and seen):
            return None
        shortened = FRONTAL_TRUNK * TRUNK_OF_HEIGHT + FRONTAL_LEG * (THIGH_OF_HEIGHT + SHANK_OF_HEIGHT)
        return Scale(
            height_m * shortened / (trunk + float(np.mean(seen))),
            FRONTAL_RELATIVE_SIGMA * quality_factor,
            "body height, from the lengths of trunk and leg",
        )
    sides: tuple[Side, ...] = SIDES if near_side is None else (near_side,)
    legs = []
    for side in sides:
        hip, knee, ankle = (_seen_point(landmarks, f"{side}_{n}") for n in ("hip", "knee", "ankle"))
        legs.append(_median_length(hip, knee) + _median_length(knee, ankle))
    leg = float(np.mean(legs))
    if not (trunk > 0 and leg > 0):
        return None
    return Scale(
        height_m * fraction / (trunk + leg),
        CHAIN_RELATIVE_SIGMA * quality_factor,
        "body height, from the lengths of trunk, thigh and shank",
    )


def scale_from_known_length(
    first_px: ArrayLike,
    second_px: ArrayLike,
    length_m: float,
    *,
    point_sigma_px: float = 1.5,
    length_relative_sigma: float = 0.005,
    off_plane_m: float = 0.0,
    off_plane_sigma_m: float = 0.1,
    camera_distance_m: float = USUAL_DISTANCE_M,
) -> Scale:
    """Scale from two picture points a known distance apart.

    Parameters
    ----------
    first_px, second_px : (2,) picture points, px.
    length_m : their true distance, m.
    point_sigma_px : 1-SD error of placing each point.
    length_relative_sigma : 1-SD relative error of ``length_m``.
    off_plane_m, off_plane_sigma_m : how much nearer to the camera than the runner's plane the length lies,
        and how well that is known, m. At distance D a length dz nearer looks larger by dz / (D - dz).
    camera_distance_m : camera to the runner's plane, m.
    """
    a, b = np.asarray(first_px, dtype=np.float64), np.asarray(second_px, dtype=np.float64)
    px = float(np.linalg.norm(a - b)) if a.shape == b.shape == (2,) else float("nan")
    if not (px >= 10 and length_m > 0):
        raise OptionError(
            "the known length can't be used",
            where="known length",
            allowed="two picture points at least 10 px apart, and a length above 0 m",
            next_step="pick the two ends of something longer, such as the side rail of the treadmill",
        )
    parts = [
        np.sqrt(2) * point_sigma_px / px,
        length_relative_sigma,
        off_plane_sigma_m / camera_distance_m,
    ]
    at_plane = camera_distance_m / (camera_distance_m - off_plane_m)
    return Scale(
        length_m / px * at_plane, float(np.sqrt(np.sum(np.square(parts)))), "known length in the picture"
    )


def _slopes(landmarks: LandmarkPaths, stances: Sequence[Stance], side: Side) -> list[float]:
    """Foot speed along the picture in each stance, px/s: the mean of heel and toe while each lies still on
    the ground.
    """
    t = landmarks.time_s
    out = []
    for s in kept(stances, side):
        if s.to is None:
            continue
        tc = s.to.time_s - s.ic.time_s
        found = []
        for name, (low, high) in ((f"{side}_toe", TOE_STILL), (f"{side}_heel", HEEL_STILL)):
            x = _seen_point(landmarks, name)[:, 0]
            use = (t >= s.ic.time_s + low * tc) & (t <= s.ic.time_s + high * tc) & np.isfinite(x)
            if use.sum() >= 3:
                found.append(float(np.polyfit(t[use] - t[use].mean(), x[use], 1)[0]))
        if found:
            out.append(float(np.mean(found)))
    return out


def scale_from_belt(
    landmarks: LandmarkPaths,
    stances: Sequence[Stance],
    speed_mps: float,
    *,
    near_side: Side | None = None,
    speed_relative_sigma: float = BELT_RELATIVE_SIGMA,
) -> Scale | None:
    """Scale from the belt's speed against the foot that stands on it (side view, treadmill), or None with too
    few stances.

    In the middle of stance heel and toe go with the belt. Near and far foot lie on either side of the middle
    plane, so the mean of the two is the scale of that plane; with one foot only the parallax (``HALF_HIP_M``
    at ``USUAL_DISTANCE_M``) joins the error.
    """
    if not speed_mps > 0:
        raise OptionError(
            "the belt speed must be above 0", where="speed", allowed="a speed such as 12km/h or 3.33m/s"
        )
    by_side: dict[Side, float] = {}
    errors: list[float] = []
    for side in SIDES:
        slopes = np.abs(_slopes(landmarks, stances, side))
        if len(slopes) >= 3:
            middle = float(np.median(slopes))
            spread = 1.4826 * float(np.median(np.abs(slopes - middle)))
            by_side[side] = middle
            errors.append(1.253 * spread / np.sqrt(len(slopes)) / middle)
    if not by_side or min(by_side.values()) <= 0:
        return None
    pace_px = float(np.mean(list(by_side.values())))
    spread = float(np.sqrt(np.sum(np.square(errors)))) / len(errors)
    parts = [speed_relative_sigma, FOOT_WANDER_RELATIVE_SIGMA, spread]
    if len(by_side) == 2:
        source = "belt speed, from both feet in stance"
    else:
        only = next(iter(by_side))
        which = "near" if only == near_side else "far" if near_side is not None else only
        parts.append(HALF_HIP_M / USUAL_DISTANCE_M)
        source = f"belt speed, from the {which} foot in stance"
    return Scale(speed_mps / pace_px, float(np.sqrt(np.sum(np.square(parts)))), source)


def scale_from_pass(
    landmarks: LandmarkPaths, speed_mps: float, *, speed_relative_sigma: float = 0.03
) -> Scale | None:
    """Scale from the running speed against the hips' way through the picture (still camera, overground, side
    view).

    None where the hips move by less than their own thigh's length: then the camera follows, or it is a
    treadmill.
    """
    hip = 0.5 * (_seen_point(landmarks, "left_hip") + _seen_point(landmarks, "right_hip"))
    good = np.isfinite(hip[:, 0])
    if good.sum() < 10 or not speed_mps > 0:
        return None
    t, x = landmarks.time_s[good], hip[good, 0]
    thighs = [
        _median_length(_seen_point(landmarks, f"{s}_hip"), _seen_point(landmarks, f"{s}_knee")) for s in SIDES
    ]
    thigh = max((v for v in thighs if np.isfinite(v)), default=float("nan"))
    if not abs(x[-1] - x[0]) > 2 * thigh:
        return None
    slope, at = np.polyfit(t - t.mean(), x, 1)
    residual = float(np.std(x - at - slope * (t - t.mean())))
    fit = residual / (abs(float(slope)) * float(np.std(t)) * np.sqrt(max(len(t) / 10.0, 1.0)))
    return Scale(
        speed_mps / abs(float(slope)),
        float(np.hypot(speed_relative_sigma, fit)),
        "running speed, from the hips",
    )


def compare_scales(scales: Sequence[Scale]) -> tuple[Scale | None, tuple[str, ...]]:
    """Choose or combine scales, and say how far they disagree.

    Scales that agree within the 95 % limits of their errors with the most certain one are averaged with
    weights 1 / variance. One that doesn't is left out, and the error of the result grows by half of the
    disagreement: one of them is wrong, and nothing says which.

    Returns
    -------
    scale : None when there is none.
    notes : one readable line for each comparison.
    """
    if not scales:
        return None, ()
    ranked = sorted(scales, key=lambda s: s.relative_sigma)
    best = ranked[0]
    agreeing, notes, widen = [best], [], 0.0
    for other in ranked[1:]:
        apart = float(np.log(other.m_per_px / best.m_per_px))
        allowed = 1.96 * float(np.hypot(best.relative_sigma, other.relative_sigma))
        text = (
            f"{other.source}: {1000 * other.m_per_px:.3g} mm/px, {best.source}: {1000 * best.m_per_px:.3g} "
            f"mm/px; "
            f"{100 * abs(np.expm1(apart)):.1f} % apart, up to {100 * allowed:.1f} % expected"
        )
        if abs(apart) <= allowed:
            agreeing.append(other)
            notes.append(text)
        else:
            widen = max(widen, 0.5 * abs(apart))
            notes.append(f"{text}: they disagree, {best.source} is used with a wider error")
    weights = np.array([1.0 / s.relative_sigma**2 for s in agreeing])
    value = float(np.exp(np.sum(weights * np.log([s.m_per_px for s in agreeing])) / weights.sum()))
    sigma = float(np.hypot(1.0 / np.sqrt(weights.sum()), widen))
    source = "; ".join(s.source for s in agreeing)
    return Scale(value, sigma, source if len(agreeing) == 1 else f"weighted mean of {source}"), tuple(notes)
