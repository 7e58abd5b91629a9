"""From a turned, rolled, tilted, distorted picture to the plane of progression, as a camera square to it would show it.

Each landmark's ray is cut with the plane the landmark lies on. Side view: planes along the travel, the near and the far
leg each half a body's width from the middle, so that both legs get their true lengths. Rear and front view: a plane across
the travel where the runner stands. What comes out is again landmark paths in "pixels", here of ``M_PER_PX`` exactly, the
right way round for ``plane.to_plane`` with the film's own direction and no roll.

What can't be undone: a picture holds no depth. A point off its plane by d is shifted along the picture by d tan(turn) in a
turned view, and its distances are wrong by d / camera distance. In a side view the legs stray from their planes by a few
centimetres, which is in the errors given. In a rear or front view they swing through it by tens of centimetres, so that a
turned rear view stays a turned rear view unless the depths are given (``depths_from_side`` takes them from the side film).
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import ArrayLike

from midstance.camera.ground import SolvedCamera
from midstance.camera.pinhole import Camera
from midstance.gait.model import (
    LANDMARK_INDEX,
    LANDMARKS,
    SIDES,
    Floats,
    LandmarkPaths,
    PlanePaths,
    Scale,
    Side,
    Stance,
    State,
)
from midstance.gait.strides import kept

#: Metres per pixel of rectified paths.
M_PER_PX = 0.001
#: Distance of body points from the middle plane, m, on their own side. Half the distance of the hip joints is about 0.09 m
#: [from memory]; knees and feet come nearer to the middle the faster one runs. Engineering choices.
HALF_WIDTH_M = {
    "hip": 0.09, "knee": 0.07, "ankle": 0.05, "heel": 0.05, "toe": 0.05, "shoulder": 0.17, "elbow": 0.24, "wrist": 0.20,
    "pinky": 0.20, "index": 0.20, "thumb": 0.20, "ear": 0.07, "eye": 0.03, "eye_inner": 0.02, "eye_outer": 0.04,
}  # fmt: skip
#: How far body points stray from there against each other, 1 SD; engineering choice.
HALF_WIDTH_SIGMA_M = 0.03
#: The same for a rear or front view, in the middle of stance, where the leg is nearly under the hip; with depths from a side
#: film and without. Engineering choices.
DEPTH_SIGMA_M = (0.03, 0.08)
#: Where a runner runs on a belt, against its middle, 1 SD: across, and along. Engineering choices.
ACROSS_SIGMA_M = 0.08
ALONG_SIGMA_M = 0.25
#: Heights above the ground of a foot that stands flat, m: between those of rendered figures (ankle 0.078, heel and toe
#: 0.026, 28 films) and an ankle 0.039 of stature high [from memory] on a running shoe's sole; 1 SD.
STANDING_HEIGHT_M = {"ankle": 0.085, "heel": 0.025, "toe": 0.025}
STANDING_SIGMA_M = 0.015
#: Parts of stance in which the whole sole is on the ground (side), and in which the foot is under the body (rear, front).
FLAT_OF_STANCE = (0.25, 0.55)
UNDER_OF_STANCE = (0.40, 0.60)
#: How far the ankle is then behind the hips, m, and 1 SD (rendered figures, 28 films: 0.063, SD 0.011; widened).
BEHIND_HIPS_M = 0.06
UNDER_SIGMA_M = 0.04
#: Lengths over which errors are worked out: a leg, and a step's part of it.
LEG_M = 0.85
_OBSERVED = (int(State.SEEN), int(State.FILLED), int(State.CORRECTED))


@attrs.frozen(eq=False)
class RunnerPlane:
    """Where the runner's middle plane (side view) or the plane across through the body (rear, front) lies.

    ``at_m`` is the world's Z (side) or X (rear, front), one for all frames or (n,) for a runner who passes by;
    ``sigma_m`` is 1 SD.
    """

    at_m: float | Floats
    sigma_m: float
    source: str


@attrs.frozen(eq=False)
class Rectified:
    """Rectified paths, and what remains for the error budget.

    Attributes
    ----------
    paths : pixels of ``M_PER_PX``, y down, y = 0 on the belt or ground; directions in the picture are kept.
    scale : ``M_PER_PX`` with its 1-SD relative error and source.
    roll_sigma_deg : error of every angle against the vertical, with what a turned side view adds.
    yaw_sigma_deg : turn left: the error of the turn in side view, the whole turn in rear and front view without depths.
    parallax_relative_sigma : further relative error of lengths, from points off their plane.
    plane : of the runner.
    camera_distance_m : from the camera to the plane, along the optical axis.
    picture_height_m : height of the whole picture in the plane.
    """

    paths: LandmarkPaths
    scale: Scale
    roll_sigma_deg: float
    yaw_sigma_deg: float
    parallax_relative_sigma: float
    plane: RunnerPlane
    camera_distance_m: float
    picture_height_m: float
    notes: tuple[str, ...]


def rectify(
    paths: LandmarkPaths,
    solved: SolvedCamera,
    *,
    plane: RunnerPlane | None = None,
    depths_m: Floats | None = None,
) -> Rectified:
    """Rectify landmark paths.

    Parameters
    ----------
    paths : image pixels of the film that the camera was solved for.
    plane : from ``plane_from_feet``; None takes the middle of the marks, with a wide error.
    depths_m : (n, 33) places of the landmarks against the plane, m: to the runner's right in side view, ahead in rear and
        front view; NaN where unknown. None: side view from ``HALF_WIDTH_M``, else 0.
    """
    if paths.view != solved.view:
        raise ValueError(f"the camera was solved for a {solved.view} view, the paths are of a {paths.view} view")
    plane = plane or usual_plane(solved)
    n = len(paths.time_s)
    usual = np.broadcast_to(side_depths() if paths.view == "side" else np.zeros(len(LANDMARKS)), (n, len(LANDMARKS)))
    depths = usual if depths_m is None else np.where(np.isfinite(depths_m), depths_m, usual)
    at = np.broadcast_to(np.asarray(plane.at_m, dtype=np.float64), (n,))[:, None] + depths
    xy = _in_plane(solved.camera, paths.xy, at, solved)
    right = _in_plane(solved.camera, paths.xy + np.array([1.0, 0.0]), at, solved) - xy
    down = _in_plane(solved.camera, paths.xy + np.array([0.0, 1.0]), at, solved) - xy
    # The noise is round in the picture; in the plane it is an ellipse, of which the mean square is kept.
    stretch = np.sqrt(0.5 * (np.sum(right**2, axis=-1) + np.sum(down**2, axis=-1)))
    sigma = np.where(np.isfinite(stretch), paths.sigma_px * stretch, paths.sigma_px)
    lost = np.isfinite(paths.xy).all(axis=2) & ~np.isfinite(xy).all(axis=2)
    state = np.where(lost, np.uint8(State.MISSING), paths.state).astype(np.uint8)
    made = attrs.evolve(paths, xy=xy, sigma_px=sigma, state=state)
    return _with_errors(made, solved, plane, depths_m is not None)


def side_depths() -> Floats:
    """(33,) places of the landmarks against the middle plane, m, to the runner's right, from ``HALF_WIDTH_M``."""
    out = np.zeros(len(LANDMARKS))
    for name, i in LANDMARK_INDEX.items():
        for side in SIDES:
            point = name.removeprefix(f"{side}_")
            if point != name:
                out[i] = HALF_WIDTH_M.get(point, 0.0) * (1.0 if side == "right" else -1.0)
    return out


def _in_plane(camera: Camera, xy_px: Floats, at_m: Floats, solved: SolvedCamera) -> Floats:
    """Cut rays with planes and return rectified pixels, (..., 2)."""
    if solved.view == "side":
        hit = camera.on_plane(xy_px, 2, at_m)
        along, up = hit[..., 0], hit[..., 1]
        slope = np.radians(solved.slope_deg)
        if slope:
            along, up = np.cos(slope) * along - np.sin(slope) * up, np.sin(slope) * along + np.cos(slope) * up
        across = along if solved.direction == "+x" else -along
    else:
        hit = camera.on_plane(xy_px, 0, at_m)
        across, up = (hit[..., 2] if solved.view == "rear" else -hit[..., 2]), hit[..., 1]
    return np.asarray(np.stack([across, -up], axis=-1) / M_PER_PX)


def usual_plane(solved: SolvedCamera) -> RunnerPlane:
    """Return the plane through the middle of the marks, with a wide error."""
    middle = solved.marks.points_m.mean(axis=0)
    # Marked points with places of their own say where 0 is; the corners of a belt have it in their middle.
    if solved.view == "side":
        return RunnerPlane(0.0, ACROSS_SIGMA_M, "the middle of the belt")
    return RunnerPlane(float(middle[0]), ALONG_SIGMA_M, "the middle of the marks")


def plane_from_feet(
    paths: LandmarkPaths, solved: SolvedCamera, stances: Sequence[Stance], *, passing: bool = False
) -> RunnerPlane:
    """Return where the runner runs, from where the feet stand on the ground in the picture.

    A standing foot is on the ground, so that its height in the picture tells its depth: the better, the higher the camera.
    It is weighed with the middle of the marks.

    Parameters
    ----------
    paths : image pixels (joint centres).
    stances : of the film; excluded ones are skipped.
    passing : rear and front view of a runner who comes nearer or goes away: the plane then moves along.
    """
    usual = usual_plane(solved)
    axis = 2 if solved.view == "side" else 0
    points = ("ankle", "heel", "toe") if axis == 2 else ("ankle",)
    part = FLAT_OF_STANCE if axis == 2 else UNDER_OF_STANCE
    when: dict[Side, list[float]] = {s: [] for s in SIDES}
    found: dict[Side, list[float]] = {s: [] for s in SIDES}
    pixels: list[Floats] = []
    for side in SIDES:
        for s in kept(stances, side):
            if s.to is None:
                continue
            tc = s.to.time_s - s.ic.time_s
            use = (paths.time_s >= s.ic.time_s + part[0] * tc) & (paths.time_s <= s.ic.time_s + part[1] * tc)
            places = []
            for point in points:
                i = LANDMARK_INDEX[f"{side}_{point}"]
                seen = use & np.isin(paths.state[:, i], _OBSERVED)
                if seen.any():
                    hit = solved.camera.on_plane(paths.xy[seen, i], 1, STANDING_HEIGHT_M[point])
                    own = HALF_WIDTH_M[point] * (1.0 if side == "right" else -1.0) if axis == 2 else -BEHIND_HIPS_M
                    places.append(float(np.nanmedian(hit[:, axis])) - own if np.isfinite(hit).any() else np.nan)
                    pixels.append(np.median(paths.xy[seen, i], axis=0))
            if np.isfinite(places).any():
                found[side].append(float(np.nanmean(places)))
                when[side].append(s.ic.time_s + float(np.mean(part)) * tc)
    both = [found[s] for s in SIDES if found[s]]
    if sum(map(len, both)) < 2:
        return usual
    elevation = _slope_down(solved.camera, np.median(pixels, axis=0), axis)
    camera_part = float(solved.spread(lambda c: c.on_plane(np.median(pixels, axis=0), 1, STANDING_HEIGHT_M["heel"])[axis]))
    parts = [STANDING_SIGMA_M / max(elevation, 1e-3), camera_part, 0.0 if axis == 2 else UNDER_SIGMA_M]
    if len(both) == 1 and axis == 2:
        parts.append(HALF_WIDTH_SIGMA_M)
    sigma = float(np.sqrt(np.sum(np.square(parts))))
    source = "where the feet stand"
    if passing and axis == 0:
        t = np.concatenate([when[s] for s in SIDES])
        x = np.concatenate([found[s] for s in SIDES])
        if len(t) >= 3:
            slope, start = np.polyfit(t, x, 1)
            return RunnerPlane(np.asarray(start + slope * paths.time_s), sigma, source)
    here = float(np.mean([np.median(b) for b in both]))
    weight = usual.sigma_m**2 / (usual.sigma_m**2 + sigma**2)
    # Far outside of what the marks allow nothing is averaged: the runner runs where the feet stand.
    if abs(here - float(np.mean(usual.at_m))) > 3.0 * float(np.hypot(sigma, usual.sigma_m)):
        return RunnerPlane(here, sigma, source)
    at = weight * here + (1 - weight) * float(np.mean(usual.at_m))
    return RunnerPlane(at, float(np.sqrt(1.0 / (1 / sigma**2 + 1 / usual.sigma_m**2))), f"{source}, and {usual.source}")


def _slope_down(camera: Camera, pixel: Floats, axis: int) -> float:
    """Fall of the ray of a pixel for each metre along a level axis."""
    ray = camera.rays(pixel)
    return float(abs(ray[1] / ray[axis])) if ray[axis] else 0.0


def _with_errors(paths: LandmarkPaths, solved: SolvedCamera, plane: RunnerPlane, depths_known: bool) -> Rectified:
    """Work out what the camera's error does to a leg and a step in the runner's plane."""
    camera, side = solved.camera, solved.view == "side"
    at = float(np.mean(plane.at_m))
    centre = np.array([0.0, 0.5 * LEG_M, at]) if side else np.array([at, 0.5 * LEG_M, 0.0])
    if side:
        # Where the runner is along the travel: the middle of the paths.
        middle = float(np.nanmedian(paths.point("left_hip")[:, 0])) * M_PER_PX
        centre[0] = middle if solved.direction == "+x" else -middle
        if not np.isfinite(middle):
            centre[0] = 0.0
    arm = np.array([0.3, 0.0, 0.0]) if side else np.array([0.0, 0.0, 0.3])
    up = np.array([0.0, 0.5 * LEG_M, 0.0])
    probe = camera.project(np.stack([centre - up, centre + up, centre - arm, centre + arm]))

    def figures(c: Camera, where: float = at) -> Floats:
        low, high, back, front = _in_plane(c, probe, np.full(4, where), solved)
        leg, step = high - low, front - back
        step = step if step[0] > 0 else -step
        return np.array([
            np.log(np.hypot(*leg)), np.log(np.hypot(*step)),
            np.degrees(np.arctan2(leg[0], -leg[1])), np.degrees(np.arctan2(step[1], step[0])),
        ])  # fmt: skip

    spread = solved.spread(figures)
    moved = 0.5 * (figures(camera, at + plane.sigma_m) - figures(camera, at - plane.sigma_m))
    length = float(np.sqrt(np.mean(spread[:2] ** 2) + np.mean(moved[:2] ** 2)))
    turn = float(np.hypot(solved.yaw_deg, solved.yaw_sigma_deg))
    distance = float(camera.depth(centre))
    roll = [float(np.sqrt(np.mean(spread[2:] ** 2))), float(np.abs(moved[2:]).max())]
    notes = list(solved.notes)
    if side:
        off = HALF_WIDTH_SIGMA_M
        roll.append(float(np.degrees(np.arctan(off * np.tan(np.radians(turn)) / LEG_M))))
        roll.append(solved.slope_sigma_deg)
        yaw = solved.yaw_sigma_deg
    else:
        off = DEPTH_SIGMA_M[0] if depths_known else DEPTH_SIGMA_M[1]
        yaw = solved.yaw_sigma_deg if depths_known else turn
        if not depths_known and abs(solved.yaw_deg) > 3.0:
            notes.append(
                f"the camera is turned by {abs(solved.yaw_deg):.0f} degrees: legs swinging forwards and backwards show in "
                "frontal angles, which can't be undone without a side film"
            )
    source = f"{solved.marks.source}; runner's plane from {plane.source}"
    return Rectified(
        paths=paths,
        scale=Scale(M_PER_PX, length, source),
        roll_sigma_deg=float(np.sqrt(np.sum(np.square(roll)))),
        yaw_sigma_deg=yaw,
        parallax_relative_sigma=off / distance,
        plane=plane,
        camera_distance_m=distance,
        picture_height_m=camera.size_px[1] * distance / camera.focal_px,
        notes=tuple(notes),
    )


def depths_from_side(
    side: PlanePaths, side_stances: Sequence[Stance], time_s: ArrayLike, stances: Sequence[Stance]
) -> Floats | None:
    """Return how far ahead of the hips each landmark is in each frame of a rear or front film, from the side film.

    Both films show the same running: every stride of a leg is laid on 100 phases from its contact to its next one, and the
    median over the side film's strides is read at the phase of the rear or front film's frame. (Not the same strides, so a
    few centimetres stay.)

    Parameters
    ----------
    side, side_stances : of the side film, in m.
    time_s, stances : of the rear or front film.

    Returns
    -------
    (n, 33) m, NaN for landmarks that the side film did not see; None without whole strides or a scale.
    """
    if side.unit != "m" or side.view != "side":
        return None
    times = np.asarray(time_s, dtype=np.float64)
    hips = 0.5 * (side.point("left_hip") + side.point("right_hip"))[:, 0]
    ahead = np.where(side.usable, side.xy[..., 0] - hips[:, None], np.nan)
    phases = np.linspace(0.0, 1.0, 101)
    waves: dict[Side, Floats] = {}
    for leg in SIDES:
        strides = []
        for s in kept(side_stances, leg):
            if s.next_ic is None:
                continue
            at = s.ic.time_s + phases * (s.next_ic.time_s - s.ic.time_s)
            strides.append(np.stack([_read(side.time_s, ahead[:, i], at) for i in range(len(LANDMARKS))], axis=1))
        if strides:
            with np.errstate(all="ignore"):
                waves[leg] = _median(np.stack(strides))
    if not waves:
        return None
    out = np.full((len(times), len(LANDMARKS)), np.nan)
    for leg, wave in waves.items():
        phase = _phases(times, kept(stances, leg))
        if phase is None:
            continue
        for i, name in enumerate(LANDMARKS):
            if name.startswith(leg) or not name.startswith(SIDES):
                out[:, i] = np.interp(phase, phases, wave[:, i])
    return out


def _phases(times: Floats, stances: Sequence[Stance]) -> Floats | None:
    """Phase of the stride, 0 to 1 from contact to contact, of each time; carried on before the first and after the last."""
    lengths = [s.next_ic.time_s - s.ic.time_s for s in stances if s.next_ic is not None]
    if not lengths:
        return None
    usual = float(np.median(lengths))
    contacts = np.unique([s.ic.time_s for s in stances] + [s.next_ic.time_s for s in stances if s.next_ic is not None])
    counts = np.concatenate([[0.0], np.cumsum(np.maximum(1.0, np.round(np.diff(contacts) / usual)))])
    ends = np.concatenate([[contacts[0] - 100 * usual], contacts, [contacts[-1] + 100 * usual]])
    turns = np.concatenate([[-100.0], counts, [counts[-1] + 100.0]])
    return np.asarray(np.interp(times, ends, turns) % 1.0)


def _read(time_s: Floats, x: Floats, at: Floats) -> Floats:
    """Interpolate, NaN where the samples on either side are not both there."""
    good = np.where(np.isfinite(x), 1.0, 0.0)
    value = np.interp(at, time_s, np.where(good > 0, x, 0.0), left=np.nan, right=np.nan)
    return np.where(np.interp(at, time_s, good) > 0.999, value, np.nan)


def _median(strides: Floats) -> Floats:
    """Median over strides, NaN where half of them or more are missing."""
    enough = np.isfinite(strides).mean(axis=0) > 0.5
    filled = np.where(enough[None], strides, 0.0)
    return np.where(enough, np.nanmedian(filled, axis=0), np.nan)
