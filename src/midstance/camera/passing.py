"""A runner who passes a camera that stands (or stands and turns): the picture turned square to the path.

A camera square to a level path shows what lies in the runner's plane at one scale all over the picture, however obliquely it
is seen. One that is rolled, or whose axis is not square to the path, shows the runner growing, shrinking or climbing on
the way. The way itself tells both: a runner at even speed on level ground draws a straight level line at even steps in a
square picture, and nowhere else.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation

from midstance.camera.motion import CameraMotion, turned
from midstance.camera.turns import to_flat
from midstance.camera.vertical import Upright
from midstance.gait.model import LANDMARK_INDEX, Floats, LandmarkPaths, PlanePaths, State

#: 1 SD allowed to what can't be told from the way alone; engineering choices. Speed changes over a pass by this share;
#: ground rises by this; the camera is off square and rolled by these angles before anything is known, degrees.
SPEED_CHANGE, GROUND_SLOPE, YAW_PRIOR_DEG, ROLL_PRIOR_DEG, PITCH_PRIOR_DEG = 0.03, 0.01, 12.0, 4.0, 4.0
#: A landmark model sees trunk and thighs longer or shorter from another side: 1-SD relative error over a pass.
SIZE_SIGMA = 0.02
#: The body bobs and speeds up and down within each step, so a second of it is worth this many independent places.
PLACES_A_SECOND = 6.0
#: A pass is a way of at least this many thigh lengths; a shorter one is a runner on the spot.
LEAST_THIGHS = 2.0
#: Least time of a pass in one direction, s.
LEAST_PASS_S = 0.5
#: A landmark this near to the picture's edge is taken for outside, px.
EDGE_PX = 3.0
#: How much the depth of points within one limb differs, share of its length: what an oblique view adds to its angle.
LIMB_DEPTH = 0.05

_SEEN = (int(State.SEEN), int(State.FILLED), int(State.CORRECTED))


@attrs.frozen(eq=False)
class Straightened:
    """Landmark paths as a level camera square to the path would have shown them, and what was found on the way.

    Attributes
    ----------
    landmarks : px of that camera; its axis goes through the picture's middle.
    yaw_deg, yaw_sigma_deg : how far the film's camera was turned from square, + to the right as seen, and its 1-SD error.
    roll_deg, roll_sigma_deg : roll that was taken out, in the sense of ``Upright``, and the 1-SD error left.
    tilt_deg, tilt_sigma_deg : tilt that was taken out, and the 1-SD error left.
    turn_rad : (3,) rotation vector from the film's camera to the level square one.
    ray_deg : (n,) angle between the line of sight to the hips and the normal of the path at each frame, + to the right.
    speed_per_distance : speed over the distance of camera and path, 1/s.
    """

    landmarks: LandmarkPaths
    yaw_deg: float
    yaw_sigma_deg: float
    roll_deg: float
    roll_sigma_deg: float
    tilt_deg: float
    tilt_sigma_deg: float
    turn_rad: Floats
    ray_deg: Floats
    speed_per_distance: float

    def upright_sigma_deg(self, time_s: Floats) -> float:
        """Return the 1-SD error, degrees, of an angle from the vertical, mean over these times: what roll and tilt left.

        A camera that looks up or down sees uprights fan out: one seen at a ray angle a leans by tilt × tan a, to one side
        before the middle of the pass and to the other after it.
        """
        return float(np.hypot(self.roll_sigma_deg, self.tilt_sigma_deg * abs(self._mean_tan(time_s))))

    def oblique_sigma_deg(self, time_s: Floats) -> float:
        """Return the 1-SD error, degrees, of the mean over these times of a limb's angle, from being seen obliquely.

        Points of a limb lie at different depths; seen at a ray angle a, a difference of depth d shifts one against the
        other by d tan a. It changes sign in the middle of the pass, so that the mean over a pass has less of it.
        """
        return float(np.degrees(LIMB_DEPTH * abs(self._mean_tan(time_s))))

    def _mean_tan(self, time_s: Floats) -> float:
        ray = np.interp(np.asarray(time_s, dtype=np.float64), self.landmarks.time_s, self.ray_deg)
        ray = ray[np.isfinite(ray)]
        return float(np.mean(np.tan(np.radians(np.clip(ray, -75.0, 75.0))))) if len(ray) else 1.0


def passes(landmarks: LandmarkPaths) -> list[tuple[float, float]]:
    """Return the spans of time in which the runner goes one way through the picture, (from, to) in s, in order.

    The hips' way is cut where they turn round or are out of sight. Spans shorter than ``LEAST_PASS_S`` or ways shorter
    than ``LEAST_THIGHS`` thighs are left out. A runner on the spot gives none.
    """
    hip = _middle(landmarks, "hip")[:, 0]
    thigh = _thigh_px(landmarks)
    good = np.isfinite(hip)
    if good.sum() < 8 or not np.isfinite(thigh):
        return []
    t = landmarks.time_s
    out = []
    lost = np.flatnonzero(np.diff(np.concatenate([[0], good.astype(int), [0]]))).reshape(-1, 2)
    for a, b in lost:
        start = a
        x = hip[a:b]
        # A turn is a way back of more than a quarter of a thigh from the farthest place so far.
        direction, far = 0.0, a
        for i in range(a, b):
            gone = x[i - a] - x[far - a]
            if direction == 0.0:
                if abs(gone) > 0.5 * thigh:
                    direction, far = float(np.sign(gone)), i
            elif direction * gone > 0:
                far = i
            elif -direction * gone > 0.25 * thigh:
                out.append((start, far))
                start, direction, far = far, -direction, i
        out.append((start, b - 1))
    return [
        (float(t[a]), float(t[b]))
        for a, b in out
        if t[b] - t[a] >= LEAST_PASS_S and abs(hip[b] - hip[a]) > LEAST_THIGHS * thigh
    ]


def joined(planes: Sequence[PlanePaths]) -> PlanePaths:
    """Lay the passes of one runner one after the other, so that their strides are averaged as those of one film.

    Parameters
    ----------
    planes : one for each pass, in order of time, all in metres (each by its own scale) or all in px, made by ``to_plane``
        with that pass's own direction. Their times must not overlap.

    Returns
    -------
    PlanePaths
        With a frame of nothing between passes, so that no path is drawn or filtered across. ``near_side`` is None unless it
        is the same in all: a runner who comes back shows the other leg.
    """
    if not planes:
        raise ValueError("joined: no passes")
    first = planes[0]
    if any(p.unit != first.unit or p.view != first.view for p in planes):
        raise ValueError("joined: passes of different views or units")
    times, places, sigmas, usable = [], [], [], []
    for i, p in enumerate(planes):
        if i:
            before = planes[i - 1].time_s[-1]
            if p.time_s[0] <= before:
                raise ValueError("joined: passes must follow each other in time")
            times.append(np.array([0.5 * (before + p.time_s[0])]))
            places.append(np.full((1, *p.xy.shape[1:]), np.nan))
            sigmas.append(p.sigma[:1])
            usable.append(np.zeros((1, p.usable.shape[1]), bool))
        times.append(p.time_s)
        places.append(p.xy)
        sigmas.append(p.sigma)
        usable.append(p.usable)
    near = {p.near_side for p in planes}
    return PlanePaths(
        first.view,
        np.concatenate(times),
        np.concatenate(places),
        np.concatenate(sigmas),
        np.concatenate(usable),
        first.unit,
        near.pop() if len(near) == 1 else None,
    )


def outside_picture(landmarks: LandmarkPaths, size_px: tuple[int, int]) -> NDArray[np.bool_]:
    """Return (n,) True for the frames in which a part of the legs is outside the picture.

    A runner who enters or leaves is read with the parts that can't be seen put somewhere. Those frames say nothing of the
    legs, and bend the mean stride that events are read from.

    Parameters
    ----------
    landmarks : as filmed, px.
    size_px : (width, height).
    """
    legs = [LANDMARK_INDEX[f"{s}_{n}"] for s in ("left", "right") for n in ("hip", "knee", "ankle", "heel", "toe")]
    xy = landmarks.xy[:, legs]
    with np.errstate(invalid="ignore"):
        out = (xy < EDGE_PX) | (xy > np.array(size_px, dtype=np.float64) - EDGE_PX)
    return np.asarray(out.any(axis=(1, 2)))


def without(landmarks: LandmarkPaths, frames: NDArray[np.bool_]) -> LandmarkPaths:
    """Return the paths with everything missing in these frames."""
    if not frames.any():
        return landmarks
    kept, state = landmarks.xy.copy(), landmarks.state.copy()
    kept[frames] = np.nan
    state[frames] = int(State.MISSING)
    return attrs.evolve(landmarks, xy=kept, state=state)


def seen_span(landmarks: LandmarkPaths) -> slice:
    """Return the frames from the first to the last in which anything of the runner is known."""
    here = np.flatnonzero((landmarks.state != int(State.MISSING)).any(axis=1))
    return slice(int(here[0]), int(here[-1]) + 1) if len(here) else slice(0, len(landmarks.time_s))


def cut(landmarks: LandmarkPaths, frames: slice) -> LandmarkPaths:
    """Return the paths of these frames alone."""
    if frames.indices(len(landmarks.time_s)) == (0, len(landmarks.time_s), 1):
        return landmarks
    return attrs.evolve(
        landmarks,
        time_s=landmarks.time_s[frames],
        xy=landmarks.xy[frames],
        score=landmarks.score[frames],
        sigma_px=landmarks.sigma_px[frames],
        state=landmarks.state[frames],
    )


def upright_of(motion: CameraMotion) -> Upright | None:
    """Return which way is up in the reference picture, from upright edges in the key pictures; None without such edges.

    In a picture whose upright edges lean by a in its middle, up is square to (cos a, sin a, 0). Pictures of a pan look
    different ways, so that together they tell the tilt too; a tilt of 0 ± ``PITCH_PRIOR_DEG`` is put in beside them.
    """
    readings = motion.uprights
    if not len(readings) or motion.kind == "unknown":
        return None
    turn, _ = motion.at(readings[:, 0])
    use = np.isfinite(turn).all(axis=1)
    if not use.any():
        return None
    lean, spread = np.radians(readings[use, 1]), readings[use, 2]
    normal = np.stack([np.cos(lean), np.sin(lean), np.zeros(len(lean))], axis=1)
    normal = Rotation.from_rotvec(turn[use]).inv().apply(normal)
    # 0.4 degrees: what edges that are taken for upright are not; spread holds what they differ by.
    sigma = np.radians(np.hypot(0.4, 0.3 * spread))
    # up = (sin roll, -cos roll, tilt) for small angles: (r, -1, p)
    rows = np.vstack([normal[:, [0, 2]] / sigma[:, None], [[0.0, 1.0 / np.radians(PITCH_PRIOR_DEG)]]])
    right = np.concatenate([normal[:, 1] / sigma, [0.0]])
    inverse = np.linalg.inv(rows.T @ rows)
    lean_ref, tilt = inverse @ (rows.T @ right)
    rest = float(np.sqrt(np.sum((rows @ [lean_ref, tilt] - right) ** 2) / max(len(right) - 2, 1)))
    roll_sigma, tilt_sigma = np.degrees(np.sqrt(np.diag(inverse))) * max(1.0, rest)
    return Upright(
        -float(np.degrees(lean_ref)),
        float(np.hypot(roll_sigma, 0.3)),  # edges share an error: what is built is not all plumb
        float(np.degrees(tilt)),
        float(tilt_sigma),
        "upright edges in the picture",
    )


def straightened(
    landmarks: LandmarkPaths,
    *,
    focal_px: float,
    centre_px: Floats,
    focal_relative_sigma: float = 0.3,
    upright: Upright | None = None,
) -> Straightened | None:
    """Turn the paths of a pass as a level camera square to it would show them; None when the runner doesn't pass.

    Parameters
    ----------
    landmarks : px of a camera that stands still (a turning one steadied first), one way through the picture.
    focal_px, focal_relative_sigma : focal length and its 1-SD relative error; 0.3 for one that is assumed.
    centre_px : (2,) where the camera's axis meets the picture.
    upright : which way is up, where edges tell.

    Notes
    -----
    Least squares on the way of the hips and the size of trunk and thighs, with the camera's yaw and roll, the runner's
    place, speed, change of speed and height, and the ground's slope, the last three with the priors of this module. The
    tilt is taken from ``upright``: the way of one point can't tell it.
    """
    hip = _middle(landmarks, "hip")
    size = _size_px(landmarks)
    good = np.isfinite(hip).all(axis=1)
    thigh = _thigh_px(landmarks)
    if good.sum() < 16 or not np.isfinite(thigh):
        return None
    t = landmarks.time_s[good]
    flat = (hip[good] - centre_px) / focal_px
    if abs(np.ptp(flat[:, 0])) * focal_px < LEAST_THIGHS * thigh:
        return None
    middle, half = 0.5 * (t[0] + t[-1]), 0.5 * (t[-1] - t[0])
    tau = (t - middle) / half
    log_size = np.log(size[good])
    sized = np.isfinite(log_size)
    tilt_deg, tilt_sigma = 0.0, PITCH_PRIOR_DEG
    if upright is not None and upright.tilt_deg is not None and upright.tilt_sigma_deg is not None:
        tilt_deg, tilt_sigma = upright.tilt_deg, upright.tilt_sigma_deg
    tilt = np.radians(tilt_deg)
    roll_prior = (
        (np.radians(-upright.roll_deg), np.radians(upright.roll_sigma_deg))
        if upright is not None
        else (0.0, np.radians(ROLL_PRIOR_DEG))
    )
    line = np.polynomial.polynomial.polyfit(tau, flat, 1)
    noise = np.maximum(np.std(flat - np.polynomial.polynomial.polyval(tau, line).T, axis=0), 1e-4)
    share = np.sqrt(max(PLACES_A_SECOND * (t[-1] - t[0]), 3.0) / len(t))
    base = float(np.mean(log_size[sized])) if sized.any() else 0.0

    def seen(p: Floats) -> tuple[Floats, Floats]:
        yaw, roll, place, way, change, height, slope = p[:7]
        # speed way × (1 + change × tau / 2): ``change`` from the first to the last frame
        x = place + way * (tau + 0.25 * change * (tau**2 - 1.0))
        points = np.stack([x, height + slope * x, np.ones_like(x)], axis=1)
        there = _square_to_film(yaw, roll, tilt).apply(points)
        return to_flat(there), there[:, 2]

    def rest(p: Floats) -> Floats:
        where, depth = seen(p)
        parts = [
            (where - flat).ravel() * share / np.tile(noise, len(flat)),
            [p[0] / np.radians(YAW_PRIOR_DEG), (p[1] - roll_prior[0]) / roll_prior[1]],
            [p[4] / SPEED_CHANGE, p[6] / GROUND_SLOPE],
        ]
        if sized.sum() >= 16:
            wrong = log_size[sized] + np.log(depth[sized]) - base - p[7]
            # The length's own error changes slowly over a pass: a line of SIZE_SIGMA is let through.
            parts.append((wrong - p[8] * tau[sized]) * share / 0.03)
            parts.append([p[8] / SIZE_SIGMA])
        return np.asarray(np.nan_to_num(np.concatenate([np.ravel(q) for q in parts]), nan=1e3))

    start = np.array([0.0, roll_prior[0], line[0, 0], line[1, 0], 0.0, line[0, 1], 0.0, 0.0, 0.0])
    fit = least_squares(rest, start, method="trf", x_scale="jac")
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac)
    yaw, roll = float(fit.x[0]), float(fit.x[1])
    back = _square_to_film(yaw, roll, tilt).inv()
    out = turned(landmarks, focal_px, centre_px, back.as_rotvec())
    x = (_middle(out, "hip")[:, 0] - centre_px[0]) / focal_px
    # A focal length that is wrong by a share makes the yaw wrong by that share.
    yaw_sigma = float(np.hypot(np.sqrt(covariance[0, 0]), focal_relative_sigma * abs(yaw)))
    return Straightened(
        landmarks=out,
        yaw_deg=float(np.degrees(-yaw)),
        yaw_sigma_deg=float(np.degrees(yaw_sigma)),
        roll_deg=float(np.degrees(-roll)),
        roll_sigma_deg=float(np.degrees(np.sqrt(covariance[1, 1]))),
        tilt_deg=tilt_deg,
        tilt_sigma_deg=tilt_sigma,
        turn_rad=back.as_rotvec(),
        ray_deg=np.degrees(np.arctan(x)),
        speed_per_distance=abs(float(fit.x[3])) / half,
    )


def _square_to_film(yaw: float, roll: float, tilt: float) -> Rotation:
    """Turn directions of the level square camera into those of the film's: yaw about up, then tilt, then roll."""
    about_up, about_side, about_axis = [0.0, yaw, 0.0], [-tilt, 0.0, 0.0], [0.0, 0.0, roll]
    return Rotation.from_rotvec(about_axis) * Rotation.from_rotvec(about_side) * Rotation.from_rotvec(about_up)


def _seen_point(landmarks: LandmarkPaths, name: str) -> Floats:
    i = LANDMARK_INDEX[name]
    return np.asarray(np.where(np.isin(landmarks.state[:, i], _SEEN)[:, None], landmarks.xy[:, i], np.nan))


def _middle(landmarks: LandmarkPaths, name: str) -> Floats:
    return np.asarray(0.5 * (_seen_point(landmarks, f"left_{name}") + _seen_point(landmarks, f"right_{name}")))


def _thigh_px(landmarks: LandmarkPaths) -> float:
    found = []
    for side in ("left", "right"):
        length = np.linalg.norm(_seen_point(landmarks, f"{side}_hip") - _seen_point(landmarks, f"{side}_knee"), axis=1)
        if np.isfinite(length).sum() >= 5:
            found.append(float(np.nanmedian(length)))
    return max(found, default=float("nan"))


def _size_px(landmarks: LandmarkPaths) -> Floats:
    """Return the (n,) length of trunk and both thighs in the picture, px."""
    parts = [np.linalg.norm(_middle(landmarks, "shoulder") - _middle(landmarks, "hip"), axis=1)]
    for side in ("left", "right"):
        parts.append(
            0.5 * np.linalg.norm(_seen_point(landmarks, f"{side}_hip") - _seen_point(landmarks, f"{side}_knee"), axis=1)
        )
    return np.asarray(np.sum(parts, axis=0))
