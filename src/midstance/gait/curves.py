"""Angles and heights as paths over time, values read off them between frames, and their course over the
stride.

A ``Track`` is one quantity of one leg through the film, with its noise and the frames where it may be read.
All measures of angles and distances are read off tracks, and the curves of the report are such tracks stretched to
0-100 % of the stride. Curves are drawn from low-passed paths; values at contact and toe-off come from unfiltered ones
(``at_events``) and may differ from the curve there by a degree or two, where an angle turns sharply.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait import angles
from midstance.gait.com import ComPath
from midstance.gait.model import LANDMARK_INDEX, SIDES, Floats, PlanePaths, Side, Stance, View
from midstance.gait.strides import kept
from midstance.signals.gaps import fill_short_gaps
from midstance.signals.normalise import to_percent

#: Half width of the parabola laid through a peak, s.
PEAK_HALF_WIDTH_S = 0.012
#: A peak or mean needs this share of the frames of its window.
WINDOW_SHARE = 0.8
#: A curve keeps a stride that is known over this share of it.
CURVE_SHARE = 0.8
#: Longest gap bridged in a curve (never in a measure), s.
CURVE_GAP_S = 0.030


@attrs.frozen(eq=False)
class Track:
    """One quantity through the film: ``value`` (n,), NaN where it may not be read, ``sigma`` (n,) its 1-SD
    noise.

    ``points`` names the landmarks it rests on, for reasons people can read.
    """

    time_s: Floats
    value: Floats
    sigma: Floats
    points: str

    def shifted(self, by: float) -> Track:
        """Return the track with a constant added."""
        return attrs.evolve(self, value=self.value + by)

    def scaled(self, by: float) -> Track:
        """Return the track multiplied by a constant."""
        return attrs.evolve(self, value=self.value * by, sigma=self.sigma * abs(by))

    def at(self, t: float) -> float:
        """Value at time ``t`` s: a cubic through the four frames around it, a straight line where only two
        are known.

        NaN where either neighbouring frame may not be read; nothing is extrapolated.
        """
        time = self.time_s
        n = len(time)
        if n < 2 or not time[0] <= t <= time[-1]:
            return float("nan")
        i = int(np.clip(np.searchsorted(time, t, side="right") - 1, 0, n - 2))
        if t == time[i]:
            return float(self.value[i])
        if t == time[i + 1]:
            return float(self.value[i + 1])
        a, b = max(i - 1, 0), min(i + 3, n)
        if b - a < 4 or not np.isfinite(self.value[a:b]).all():
            a, b = i, i + 2
        return _lagrange(time[a:b], self.value[a:b], t)

    def sigma_at(self, t: float) -> float:
        """1-SD noise at time ``t`` s."""
        i = int(np.clip(np.searchsorted(self.time_s, t) - 1, 0, len(self.time_s) - 2))
        return (
            float(np.nanmax(self.sigma[i : i + 2]))
            if np.isfinite(self.sigma[i : i + 2]).any()
            else float("nan")
        )

    def rate_at(self, t: float) -> float:
        """Rate of change at time ``t`` s, per second, over one frame or 8 ms to either side; 0 where it can't
        be told.
        """
        h = max(float(np.median(np.diff(self.time_s))), 0.008)
        before, here, after = self.at(t - h), self.at(t), self.at(t + h)
        if np.isfinite(before) and np.isfinite(after):
            return (after - before) / (2 * h)
        if np.isfinite(after) and np.isfinite(here):
            return (after - here) / h
        if np.isfinite(before) and np.isfinite(here):
            return (here - before) / h
        return 0.0

    def window(self, t0: float, t1: float) -> tuple[NDArray[np.intp], bool]:
        """Return the readable frames in [t0, t1], and whether they are enough of it to be used."""
        inside = np.flatnonzero((self.time_s >= t0) & (self.time_s <= t1))
        good = inside[np.isfinite(self.value[inside])]
        return good, len(good) >= 3 and len(good) >= WINDOW_SHARE * len(inside)

    def mean(self, t0: float, t1: float) -> tuple[float, float]:
        """Mean over [t0, t1] and its 1-SD noise (as large as one frame's: filtered noise hardly averages
        out).
        """
        good, enough = self.window(t0, t1)
        if not enough:
            return float("nan"), float("nan")
        return float(self.value[good].mean()), float(self.sigma[good].mean())

    def median(self, t0: float, t1: float) -> float:
        """Median over [t0, t1]; NaN without enough frames."""
        good, enough = self.window(t0, t1)
        return float(np.median(self.value[good])) if enough else float("nan")

    def peak(self, t0: float, t1: float, *, inside: bool = True) -> tuple[float, float, float]:
        """Largest value in [t0, t1]: (value, its time, 1-SD noise), from a parabola through the frames around
        it.

        NaN without enough frames or, with ``inside``, where the largest value is at an end of the window:
        then the window holds a slope and no peak.
        """
        nan = float("nan")
        good, enough = self.window(t0, t1)
        if not enough:
            return nan, nan, nan
        top = int(good[np.argmax(self.value[good])])
        at_end = top in (int(good[0]), int(good[-1]))
        if at_end and inside:
            return nan, nan, nan
        sigma = float(self.sigma[top])
        if at_end:
            return float(self.value[top]), float(self.time_s[top]), sigma
        frame = float(np.median(np.diff(self.time_s)))
        half = max(PEAK_HALF_WIDTH_S, 1.01 * frame)
        near = good[np.abs(self.time_s[good] - self.time_s[top]) <= half]
        if len(near) >= 3:
            u = self.time_s[near] - self.time_s[top]
            a, b, c = np.polyfit(u, self.value[near], 2)
            if a < 0 and abs(b / (2 * a)) <= half:
                return float(c - b * b / (4 * a)), float(self.time_s[top] - b / (2 * a)), sigma
        return float(self.value[top]), float(self.time_s[top]), sigma


def _lagrange(t: Floats, x: Floats, at: float) -> float:
    total = 0.0
    for i in range(len(t)):
        w = 1.0
        for j in range(len(t)):
            if j != i:
                w *= (at - t[j]) / (t[i] - t[j])
        total += w * float(x[i])
    return total


@attrs.frozen(eq=False)
class _Point:
    xy: Floats
    sigma: Floats
    good: NDArray[np.bool_]
    name: str


def _point(plane: PlanePaths, name: str, noise: float) -> _Point:
    i = LANDMARK_INDEX[name]
    xy = plane.xy[:, i]
    good = plane.usable[:, i] & _rows_known(xy)
    return _Point(xy, plane.sigma[:, i] * noise, good, name.replace("_", " "))


def _rows_known(xy: Floats) -> NDArray[np.bool_]:
    return np.asarray(np.isfinite(xy).all(axis=1), dtype=np.bool_)


def _middle(a: _Point, b: _Point, name: str) -> _Point:
    return _Point(0.5 * (a.xy + b.xy), 0.5 * np.hypot(a.sigma, b.sigma), a.good & b.good, name)


def _length(a: _Point, b: _Point) -> Floats:
    good = a.good & b.good
    length = np.linalg.norm(a.xy - b.xy, axis=1)
    typical = float(np.median(length[good])) if good.any() else np.nan
    # The whole film's typical length: a single frame's foreshortening shouldn't blow up its error.
    return np.full(len(length), typical)


def _track(plane: PlanePaths, value: Floats, sigma: Floats, *points: _Point) -> Track:
    good = np.logical_and.reduce([p.good for p in points]) & np.isfinite(value)
    names = ", ".join(p.name for p in points)
    return Track(plane.time_s, np.where(good, value, np.nan), np.where(good, sigma, np.nan), names)


def _segment(plane: PlanePaths, value: Floats, a: _Point, b: _Point) -> Track:
    return _track(plane, value, angles.segment_sigma_deg(_length(a, b), a.sigma, b.sigma), a, b)


def _joint(plane: PlanePaths, value: Floats, a: _Point, j: _Point, b: _Point) -> Track:
    sigma = angles.joint_sigma_deg(_length(a, j), _length(j, b), value, a.sigma, j.sigma, b.sigma)
    return _track(plane, value, sigma, a, j, b)


def trunk_points(plane: PlanePaths, noise: float = 1.0) -> tuple[_Point, _Point, str]:
    """Return hip and shoulder of the trunk line, and how they were had.

    The middle of left and right; where the far ones may be read in fewer than 70 % of the frames of a side
    view, the near ones alone, for the whole film.
    """
    hips = {s: _point(plane, f"{s}_hip", noise) for s in SIDES}
    shoulders = {s: _point(plane, f"{s}_shoulder", noise) for s in SIDES}
    near = plane.near_side
    if near is not None and plane.view == "side":
        far: Side = "right" if near == "left" else "left"
        if min(hips[far].good.mean(), shoulders[far].good.mean()) < 0.7:
            return hips[near], shoulders[near], "trunk line of the near side"
    hip = _middle(hips["left"], hips["right"], "hips")
    shoulder = _middle(shoulders["left"], shoulders["right"], "shoulders")
    return hip, shoulder, "trunk line from mid-hip to mid-shoulder"


def ankle_track(plane: PlanePaths, side: Side, *, noise: float = 1.0) -> Track:
    """Place of one ankle along x, in the plane's unit."""
    ankle = _point(plane, f"{side}_ankle", noise)
    return _track(plane, ankle.xy[:, 0], ankle.sigma, ankle)


def leg_length(plane: PlanePaths, side: Side) -> float:
    """Leg length from hip to ground in the plane's unit, NaN if not to be had.

    Thigh and shank as they appear in the film (median), times 0.530 / 0.491: in Drillis and Contini's body
    proportions the hip is 0.530 of stature above the ground and 0.491 above the ankle [from memory].
    """
    hip, knee, ankle = (_point(plane, f"{side}_{n}", 1.0) for n in ("hip", "knee", "ankle"))
    length = float(_length(hip, knee)[0] + _length(knee, ankle)[0]) if len(plane.time_s) else np.nan
    return length * 0.530 / 0.491


def side_tracks(
    plane: PlanePaths,
    side: Side,
    *,
    com: ComPath | None = None,
    noise: float = 1.0,
    flat_foot_deg: float = 0.0,
) -> dict[str, Track]:
    """Tracks of one leg in the side view.

    Parameters
    ----------
    com : centre of mass; without it there is no ``ahead_of_com`` and no ``com_height``.
    noise : multiplies the landmarks' noise.
    flat_foot_deg : ``foot_angle`` of the flat foot, taken off ``foot`` and ``ankle``.

    Returns
    -------
    dict
        ``thigh``, ``shank``, ``knee``, ``hip``, ``foot``, ``ankle``, ``trunk`` [deg], ``ahead_of_hip``,
        ``ahead_of_com``, ``com_height`` [unit of the plane].
    """
    hip, knee, ankle, heel, toe = (
        _point(plane, f"{side}_{n}", noise) for n in ("hip", "knee", "ankle", "heel", "toe")
    )
    trunk_hip, shoulder, _ = trunk_points(plane, noise)
    out = {
        "thigh": _segment(plane, angles.thigh_angle(hip.xy, knee.xy), hip, knee),
        "shank": _segment(plane, angles.shank_angle(knee.xy, ankle.xy), knee, ankle),
        "knee": _joint(plane, angles.knee_flexion(hip.xy, knee.xy, ankle.xy), hip, knee, ankle),
        "foot": _segment(plane, angles.foot_angle(heel.xy, toe.xy), heel, toe).shifted(-flat_foot_deg),
        "trunk": _segment(plane, angles.trunk_lean(trunk_hip.xy, shoulder.xy), trunk_hip, shoulder),
    }
    flexion = angles.hip_flexion(shoulder.xy, hip.xy, knee.xy, trunk_hip=trunk_hip.xy)
    out["hip"] = _track(
        plane, flexion, np.hypot(out["thigh"].sigma, out["trunk"].sigma), shoulder, trunk_hip, hip, knee
    )
    flex = angles.ankle_dorsiflexion(knee.xy, ankle.xy, heel.xy, toe.xy, flat_foot_deg=flat_foot_deg)
    out["ankle"] = _track(
        plane, flex, np.hypot(out["foot"].sigma, out["shank"].sigma), knee, ankle, heel, toe
    )
    ahead = ankle.xy[:, 0] - hip.xy[:, 0]
    out["ahead_of_hip"] = _track(plane, ahead, np.hypot(ankle.sigma, hip.sigma), ankle, hip)
    if com is not None and com.reason is None:
        centre = _Point(com.xy, com.sigma * noise, _rows_known(com.xy), "centre of mass")
        ahead = ankle.xy[:, 0] - com.xy[:, 0]
        out["ahead_of_com"] = _track(plane, ahead, np.hypot(ankle.sigma, centre.sigma), ankle, centre)
        out["com_height"] = _track(plane, com.xy[:, 1], centre.sigma, centre)
    return out


def frontal_tracks(plane: PlanePaths, side: Side, *, noise: float = 1.0) -> dict[str, Track]:
    """Tracks with ``side`` as the stance leg in the rear or front view.

    ``pelvis`` (drop of the swing side), ``hip`` (adduction), ``thigh`` (knee towards the middle +), ``knee`` (inside
    +), ``trunk`` (towards the stance leg +) [deg]; ``ankle_x``, ``knee_gap`` [unit of the plane]; ``across`` (how far
    the wrist is past the line from mid-hip to mid-shoulder at its own height, past it +) [trunk lengths].
    """
    other: Side = "right" if side == "left" else "left"
    hip, knee, ankle = (_point(plane, f"{side}_{n}", noise) for n in ("hip", "knee", "ankle"))
    other_hip, other_knee = _point(plane, f"{other}_hip", noise), _point(plane, f"{other}_knee", noise)
    mid_hip = _middle(hip, other_hip, "hips")
    shoulders = [_point(plane, f"{s}_shoulder", noise) for s in SIDES]
    mid_shoulder = _middle(shoulders[0], shoulders[1], "shoulders")
    drop = _segment(plane, angles.pelvic_drop(hip.xy, other_hip.xy), hip, other_hip)
    thigh_sigma = angles.segment_sigma_deg(_length(hip, knee), hip.sigma, knee.sigma)
    adduction = angles.hip_adduction(hip.xy, other_hip.xy, knee.xy, side=side)
    inward = (1.0 if side == "left" else -1.0) * angles.segment_from_vertical(hip.xy, knee.xy)
    bend = angles.knee_frontal_angle(hip.xy, knee.xy, ankle.xy, side=side)
    lean = angles.trunk_side_lean(mid_hip.xy, mid_shoulder.xy, stance_side=side)
    gap = (knee.xy[:, 0] - other_knee.xy[:, 0]) * (1.0 if side == "right" else -1.0)
    wrist, trunk = _point(plane, f"{side}_wrist", noise), _length(mid_hip, mid_shoulder)
    along = mid_shoulder.xy - mid_hip.xy
    upright = np.where(along[:, 1] > 0, along[:, 1], np.nan)
    line = mid_hip.xy[:, 0] + along[:, 0] * (wrist.xy[:, 1] - mid_hip.xy[:, 1]) / upright
    across = np.asarray((wrist.xy[:, 0] - line) * (1.0 if side == "left" else -1.0) / trunk)
    across_sigma = np.hypot(wrist.sigma, np.hypot(mid_hip.sigma, mid_shoulder.sigma)) / trunk
    return {
        "pelvis": drop,
        "hip": _track(plane, adduction, np.hypot(drop.sigma, thigh_sigma), hip, other_hip, knee),
        "thigh": _segment(plane, inward, hip, knee),
        "knee": _joint(plane, bend, hip, knee, ankle),
        "trunk": _segment(plane, lean, mid_hip, mid_shoulder),
        "ankle_x": _track(plane, ankle.xy[:, 0], ankle.sigma, ankle),
        "knee_gap": _track(plane, gap, np.hypot(knee.sigma, other_knee.sigma), knee, other_knee),
        "across": _track(plane, across, across_sigma, wrist, mid_hip, mid_shoulder),
    }


@attrs.frozen(eq=False)
class StrideCurves:
    """One quantity of one leg over the stride: ``strides`` (k, 101), NaN where unknown; ``mean`` (101,).

    0 % is initial contact, 100 % the next contact of the same foot; ``toe_off_percent`` the mean place of
    toe-off. ``stride_indices`` (k) are the ``Stance.index`` of the rows. ``measure_keys`` are the measures
    read off this curve.
    """

    key: str
    title: str
    unit: str
    view: View
    side: Side
    strides: Floats
    mean: Floats
    toe_off_percent: float
    measure_keys: tuple[str, ...]
    stride_indices: tuple[int, ...]


_SIDE_CURVES: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    (
        "knee",
        "knee_flexion",
        "Knee flexion",
        ("knee_flexion_contact", "knee_flexion_peak_stance", "knee_flexion_peak_swing"),
    ),
    ("hip", "hip_flexion", "Hip flexion", ("hip_flexion_contact",)),
    (
        "ankle",
        "ankle_dorsiflexion",
        "Ankle dorsiflexion",
        ("ankle_dorsiflexion_contact", "ankle_dorsiflexion_peak_stance", "ankle_dorsiflexion_swing"),
    ),
    ("thigh", "thigh_angle", "Thigh from the vertical", ("thigh_angle_contact", "hip_extension_toe_off")),
    ("shank", "shank_angle", "Shank from the vertical", ("shank_angle_contact",)),
    ("trunk", "trunk_lean", "Trunk lean", ("trunk_lean_contact", "trunk_lean_stance")),
    ("foot", "foot_angle", "Foot against flat", ("foot_strike_angle",)),
    ("com_height", "com_height", "Height of the centre of mass", ("vertical_oscillation",)),
)
_FRONTAL_CURVES: tuple[tuple[str, str, str, tuple[str, ...]], ...] = (
    ("thigh", "thigh_adduction", "Thigh from the vertical", ("thigh_adduction_peak",)),
    ("trunk", "trunk_side_lean", "Trunk side lean", ("trunk_side_lean_peak",)),
)


def stride_curves(
    plane: PlanePaths,
    stances: Sequence[Stance],
    *,
    com: ComPath | None = None,
    flat_foot_deg: Mapping[Side, float] | None = None,
) -> list[StrideCurves]:
    """Curves of every quantity of a view over the kept strides, left and right; those without a single stride
    are left out.

    The height of the centre of mass is taken from its mean over each stride, so that slow drift doesn't
    spread the curves; it is in the plane's unit. A stride known over less than ``CURVE_SHARE`` of its length
    is left out of that curve.
    """
    zero = flat_foot_deg or {}
    out: list[StrideCurves] = []
    for side in SIDES:
        strides = [(s, s.next_ic.time_s) for s in kept(stances, side) if s.next_ic is not None]
        if plane.view == "side":
            tracks = side_tracks(plane, side, com=com, flat_foot_deg=zero.get(side, 0.0))
            specs = _SIDE_CURVES
        else:
            tracks = frontal_tracks(plane, side)
            specs = _FRONTAL_CURVES
        for track_key, key, title, measures in specs:
            if track_key not in tracks:
                continue
            track = tracks[track_key]
            filled, _ = fill_short_gaps(track.time_s, track.value, CURVE_GAP_S)
            rows, indices, toe_off = [], [], []
            for stance, end in strides:
                row = to_percent(track.time_s, filled, stance.ic.time_s, end)
                if np.isfinite(row).mean() < CURVE_SHARE:
                    continue
                rows.append(row - np.nanmean(row) if key == "com_height" else row)
                indices.append(stance.index)
                if stance.to is not None:
                    toe_off.append(100 * (stance.to.time_s - stance.ic.time_s) / (end - stance.ic.time_s))
            if rows:
                unit = plane.unit if key == "com_height" else "deg"
                matrix = np.array(rows)
                out.append(
                    StrideCurves(
                        key,
                        title,
                        unit,
                        plane.view,
                        side,
                        matrix,
                        _mean_curve(matrix),
                        float(np.mean(toe_off)),
                        measures,
                        tuple(indices),
                    )
                )
    return out


def _mean_curve(rows: Floats) -> Floats:
    known = np.isfinite(rows)
    count = known.sum(axis=0)
    total = np.where(known, rows, 0.0).sum(axis=0)
    # Where fewer than half of the strides are known their mean would jump as strides come and go.
    return np.where(count >= 0.5 * len(rows), total / np.maximum(count, 1), np.nan)
