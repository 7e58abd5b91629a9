"""The camera's motion from its surroundings: known turns put in, found again."""

from __future__ import annotations

import json

import attrs
import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from midstance.camera.background import BackgroundMotion
from midstance.camera.chain import Link, solve_motion
from midstance.camera.motion import CameraMotion, levelled, motion_check, steadied
from midstance.camera.turns import fit_turn
from midstance.gait.model import LandmarkPaths, State

SMALL = (480, 270)
RATIO = 1280 / 480
SIZE = (1280, 720)
FOCAL = 1100.0


# --- pictures of a camera that turns before a textured wall: OpenCV's perspective warp makes them ---


def wall(
    seed: int = 1, half_width: float = 1.3, half_height: float = 0.7, per_unit: float = 620.0
) -> tuple[np.ndarray, np.ndarray]:
    """A wall with blobs of many sizes: (picture, 3 × 3 matrix from wall pixels to directions of the reference camera)."""
    rng = np.random.default_rng(seed)
    w, h = int(2 * half_width * per_unit), int(2 * half_height * per_unit)
    out = np.zeros((h, w), np.float32)
    for cell in (3, 6, 14, 40, 120):
        small = rng.standard_normal((h // cell + 2, w // cell + 2)).astype(np.float32)
        out += cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
    out = np.clip(120 + 28 * out, 0, 255).astype(np.uint8)
    to_rays = np.array([[1 / per_unit, 0, -half_width], [0, 1 / per_unit, -half_height], [0, 0, 1.0]])
    return out, to_rays


def camera(focal: float, size: tuple[int, int]) -> np.ndarray:
    return np.array(
        [[focal, 0, size[0] / 2 - 0.5], [0, focal, size[1] / 2 - 0.5], [0, 0, 1.0]]
    )  # OpenCV's pixel corner


def picture(scene, turn: Rotation, focal: float, size: tuple[int, int]) -> np.ndarray:
    """What the camera turned by ``turn`` (directions of the reference to its own) shows."""
    image, to_rays = scene
    h = camera(focal, size) @ turn.as_matrix() @ to_rays
    return cv2.warpPerspective(image, h, size, flags=cv2.INTER_AREA)


def rolling(
    scene, turn_at, focal: float, size: tuple[int, int], time_s: float, readout_s: float, bands: int = 30
) -> np.ndarray:
    """The same, read row by row: ``turn_at(time)`` gives the turn; the middle row is read at ``time_s``."""
    out = np.empty((size[1], size[0]), np.uint8)
    for b in range(bands):
        y0, y1 = b * size[1] // bands, (b + 1) * size[1] // bands
        t = time_s + readout_s * ((b + 0.5) / bands - 0.5)
        out[y0:y1] = picture(scene, turn_at(t), focal, size)[y0:y1]
    return out


@pytest.fixture(scope="module")
def scene():
    return wall()


def follow(
    scene, turn_at, *, seconds=2.0, rate=60.0, focal=FOCAL, zoom=lambda t: 0.0, readout_s=0.0, runner=True, size=SIZE
):
    """Feed a turning camera's pictures, with a textured "runner" that stays in the middle, and return the motion."""
    follower = BackgroundMotion(size)
    rng = np.random.default_rng(5)
    patch = rng.integers(0, 255, (150, 60)).astype(np.uint8)
    box = np.array([[610.0, 170], [770, 170], [610, 560], [770, 560]])
    for t in np.arange(0, seconds, 1 / rate):
        if not follower.wants(t):
            continue
        f = focal * np.exp(zoom(t)) / RATIO
        if readout_s:
            luma = rolling(scene, turn_at, f, SMALL, t, readout_s)
        else:
            luma = picture(scene, turn_at(t), f, SMALL)
        if runner:
            luma[62:212, 228:288] = np.roll(patch, int(40 * t), axis=0)
        noise = rng.normal(0, 1.5, luma.shape)
        follower.add(t, np.clip(luma + noise, 0, 255).astype(np.uint8), box if runner else None)
    return follower.motion(lambda t: t)


def errors(motion, turn_at):
    reference = turn_at(motion.reference_s)
    true = [turn_at(t) * reference.inv() for t in motion.time_s]
    return np.degrees(
        np.array([(Rotation.from_rotvec(v) * r.inv()).as_rotvec() for v, r in zip(motion.turn_rad, true, strict=True)])
    )


def pan(t):
    """24 degrees a second with shakes of a hand, degrees."""
    roll = 1.2 * np.sin(2 * np.pi * 0.9 * t) + 0.2 * np.sin(2 * np.pi * 6 * t)
    up = 0.6 * np.sin(2 * np.pi * 0.7 * t + 1) + 0.1 * np.sin(2 * np.pi * 7 * t)
    across = -24 * (t - 1.0) + 0.15 * np.sin(2 * np.pi * 5 * t)
    return Rotation.from_euler("yxz", [across, up, roll], degrees=True)


def test_fitted_turn_agrees_with_a_homography_of_a_reference_library():
    """Without outliers the turn is that of OpenCV's homography of the same points, H = K R K⁻¹."""
    rng = np.random.default_rng(3)
    first = rng.uniform([50, 50], [1230, 670], (120, 2))
    true = Rotation.from_rotvec([0.02, -0.09, 0.015])
    rays = np.column_stack([(first - [640, 360]) / FOCAL, np.ones(120)])
    there = true.apply(rays)
    second = there[:, :2] / there[:, 2:] * FOCAL + [640, 360]
    found = fit_turn(first, second, focal_px=FOCAL, centre_px=np.array([640.0, 360.0]))
    k = np.array([[FOCAL, 0, 640], [0, FOCAL, 360], [0, 0, 1]])
    h, _ = cv2.findHomography(first, second)
    r = np.linalg.inv(k) @ h @ k
    r /= np.cbrt(np.linalg.det(r))
    assert found is not None
    np.testing.assert_allclose(found.turn_rad, Rotation.from_matrix(r).as_rotvec(), atol=1e-6)
    np.testing.assert_allclose(found.turn_rad, true.as_rotvec(), atol=1e-7)


def test_people_and_shadows_among_the_points_do_not_turn_the_camera():
    rng = np.random.default_rng(4)
    first = rng.uniform([50, 50], [1230, 670], (150, 2))
    true = Rotation.from_rotvec([0.01, -0.05, -0.02])
    there = true.apply(np.column_stack([(first - [640, 360]) / FOCAL, np.ones(150)]))
    second = there[:, :2] / there[:, 2:] * FOCAL + [640, 360] + rng.normal(0, 0.3, (150, 2))
    second[:50] += [60.0, -10.0]  # a third of them go another way
    found = fit_turn(first, second, focal_px=FOCAL, centre_px=np.array([640.0, 360.0]))
    assert found is not None
    apart = np.degrees((Rotation.from_rotvec(found.turn_rad) * true.inv()).as_rotvec())
    assert np.abs(apart).max() < 0.03
    sigma = np.degrees(np.sqrt(np.diag(found.covariance)[:3]))
    assert np.all(np.abs(apart) < 4 * sigma + 1e-3)


def test_fewer_than_ten_points_tell_nothing():
    points = np.random.default_rng(0).uniform(0, 700, (9, 2))
    assert fit_turn(points, points + 1, focal_px=FOCAL, centre_px=np.array([640.0, 360.0])) is None


def test_a_pan_is_followed_to_a_tenth_of_a_degree_and_tells_its_focal_length(scene):
    motion = follow(scene, pan)
    assert motion.kind == "turning"
    assert motion.focal_source == "found from the pan"
    assert motion.focal_px == pytest.approx(FOCAL, rel=0.03)
    apart = errors(motion, pan)
    assert np.abs(apart[:, 2]).max() < 0.1  # roll
    assert np.abs(apart[:, :2]).max() < 0.03 * 24 + 0.1  # a wrong focal length makes the pan wrong by its share
    assert np.degrees(np.ptp(motion.turn_rad[:, 1])) == pytest.approx(47, abs=2)


def test_a_known_focal_length_makes_the_turn_exact(scene):
    follower = BackgroundMotion(SIZE)
    for t in np.arange(0, 2, 1 / 30):
        follower.add(t, picture(scene, pan(t), FOCAL / RATIO, SMALL), None)
    motion = follower.motion(lambda t: t, focal_px=FOCAL)
    assert motion.focal_source == "given"
    assert np.abs(errors(motion, pan)).max() < 0.1


def test_a_hand_that_shakes_is_followed_without_knowing_the_focal_length(scene):
    def shake(t):
        return Rotation.from_euler(
            "yxz",
            [0.5 * np.sin(5 * t) + 0.1 * np.sin(40 * t), 0.4 * np.sin(4 * t + 1), 1.3 * np.sin(4.4 * t)],
            degrees=True,
        )

    motion = follow(scene, shake)
    assert motion.kind == "turning"
    assert motion.focal_source.startswith("assumed")
    apart = errors(motion, shake)
    assert np.abs(apart[:, 2]).max() < 0.08
    # pixels, not angles, are what a wrong focal length leaves right
    true = np.array([(shake(t) * shake(motion.reference_s).inv()).as_rotvec()[:2] for t in motion.time_s])
    assert np.abs(motion.focal_px * motion.turn_rad[:, :2] - FOCAL * true).max() < 1.5


def test_a_camera_on_a_tripod_is_still_and_leaves_the_paths_alone(scene):
    motion = follow(scene, lambda t: Rotation.identity())
    assert motion.kind == "still"
    paths = landmark_paths(np.arange(0, 2, 1 / 60))
    assert steadied(paths, motion) is paths
    check = motion_check(motion, 500.0)
    assert check is not None
    assert (check.verdict, check.effect) == ("good", "none")


def test_a_still_camera_is_looked_at_more_rarely(scene):
    shaken = follow(scene, pan)
    still = follow(scene, lambda t: Rotation.identity())
    assert len(still.time_s) < 0.6 * len(shaken.time_s)


def test_a_zoom_is_found_and_taken_out(scene):
    motion = follow(scene, pan, zoom=lambda t: 0.10 * t)
    assert motion.kind == "turning"
    assert np.ptp(motion.log_zoom) == pytest.approx(0.1 * np.ptp(motion.time_s), rel=0.1)


def test_a_bare_wall_can_not_be_followed():
    follower = BackgroundMotion(SIZE)
    rng = np.random.default_rng(1)
    for t in np.arange(0, 1, 1 / 30):
        follower.add(t, np.clip(rng.normal(120, 1.0, (270, 480)), 0, 255).astype(np.uint8), None)
    motion = follower.motion(lambda t: t)
    assert motion.kind == "unknown"
    assert "followed" in motion.reason or "too little" in motion.reason
    paths = landmark_paths(np.arange(0, 1, 1 / 60))
    assert steadied(paths, motion) is paths
    assert motion_check(motion, 500.0) is None
    check = motion_check(motion, 500.0, overground=True)
    assert check is not None
    assert check.verdict == "unknown"
    assert "vertical_oscillation" in check.measures


def test_a_film_of_no_or_one_picture_is_unknown():
    for count in (0, 1):
        follower = BackgroundMotion(SIZE)
        for i in range(count):
            follower.add(float(i), np.zeros((270, 480), np.uint8), None)
        assert follower.motion(lambda t: t).kind == "unknown"


def test_a_camera_that_moves_along_is_told_from_one_that_turns_and_its_roll_is_found():
    """Points at 3 to 15 m seen by a camera that moves sideways at 3 m/s and rolls by 2 degrees to and fro."""
    rng = np.random.default_rng(7)
    t = np.arange(0, 1.0, 1 / 30)
    depth = rng.uniform(3, 15, 600)
    at = np.column_stack([rng.uniform(-0.8, 0.8, 600) * depth, rng.uniform(-0.3, 0.3, 600) * depth, depth])

    def rolled(s):
        return Rotation.from_euler("z", 2 * np.sin(5 * s), degrees=True)

    def seen(s):
        d = rolled(s).apply(at - [3.0 * s, 0.0, 0.0])
        return d[:, :2] / d[:, 2:] * FOCAL + [640, 360]

    links, key = [], 0
    for i in range(1, len(t)):
        a, b = seen(t[key]), seen(t[i])
        inside = ((a > 0) & (a < SIZE) & (b > 0) & (b < SIZE)).all(axis=1)
        links.append(Link(key, i, *(p[inside] + rng.normal(0, 0.3, (inside.sum(), 2)) for p in (a, b))))
        key = i if i - key == 6 else key
    motion = solve_motion(t, links, size_px=SIZE)
    assert motion.kind == "travelling"
    true = [(rolled(s) * rolled(motion.reference_s).inv()).as_rotvec()[2] for s in t]
    apart = np.degrees(motion.turn_rad[:, 2] - true)
    assert np.degrees(np.ptp(true)) > 3.5
    assert np.abs(apart).max() < 0.3
    assert np.all(np.abs(apart) < 4 * motion.sigma_roll_deg + 0.05)
    check = motion_check(motion, 500.0)
    assert check is not None
    assert "vertical_oscillation" in check.measures


@pytest.mark.parametrize("sign", [1, -1])
def test_the_readout_time_shows_in_how_the_surroundings_shear(scene, sign):
    motion = follow(scene, pan, readout_s=sign * 0.016, runner=False)
    assert motion.readout_s is not None
    assert motion.readout_sigma_s is not None
    assert motion.readout_s == pytest.approx(sign * 0.016, abs=max(0.003, 2 * motion.readout_sigma_s))


def landmark_paths(time_s, xy=None):
    n = len(time_s)
    if xy is None:
        xy = np.full((n, 33, 2), 400.0)
    return LandmarkPaths(
        "side", np.asarray(time_s), xy, np.ones((n, 33)), np.full((n, 33), 2.0), np.zeros((n, 33), np.uint8)
    )


def test_what_stands_still_in_the_world_stands_still_when_steadied(scene):
    motion = follow(scene, pan)
    t = np.arange(motion.time_s[0], motion.time_s[-1], 1 / 120)
    rng = np.random.default_rng(2)
    reference = pan(motion.reference_s)
    world = np.column_stack([rng.uniform(-0.2, 0.2, (33, 2)), np.ones(33)])  # directions of the reference camera
    true = world[:, :2] * FOCAL + [640, 360]
    xy = np.empty((len(t), 33, 2))
    for i, at in enumerate(t):
        d = (pan(at) * reference.inv()).apply(world)
        xy[i] = d[:, :2] / d[:, 2:] * FOCAL + [640, 360]
    assert np.ptp(xy[:, 0, 0]) > 600
    out = steadied(landmark_paths(t, xy), motion)
    assert np.abs(out.xy - true).max() < 8  # over 47 degrees; most of it the focal length's error
    assert np.abs(np.diff(out.xy, axis=0)).max() < 0.6
    assert np.all(out.sigma_px >= 1.5)  # the picture shrinks towards its edges as it is turned back


def test_landmarks_where_the_motion_is_unknown_are_missing(scene):
    motion = follow(scene, pan)
    holes = motion.turn_rad.copy()
    holes[10:20] = np.nan
    broken = attrs.evolve(motion, turn_rad=holes)
    t = motion.time_s
    out = steadied(landmark_paths(t), broken)
    assert np.all(out.state[12:18] == State.MISSING)
    assert np.isnan(out.xy[12:18]).all()
    assert np.isfinite(out.xy[:10]).all()


def test_levelling_takes_out_the_roll_and_nothing_else(scene):
    def rolled(t):
        return Rotation.from_euler("z", 3 * np.sin(5 * t), degrees=True)

    motion = follow(scene, rolled)
    t = np.arange(motion.time_s[0], motion.time_s[-1], 1 / 60)
    xy = np.full((len(t), 33, 2), 0.0)
    for i, at in enumerate(t):
        turn = rolled(at) * rolled(motion.reference_s).inv()
        for j, rel in enumerate(([0.0, -200.0, FOCAL], [0.0, 100.0, FOCAL])):
            d = turn.apply(rel)
            xy[i, j] = d[:2] / d[2] * FOCAL + [640, 360]
    out = levelled(landmark_paths(t, xy), motion)
    lean = np.degrees(np.arctan2(out.xy[:, 0, 0] - out.xy[:, 1, 0], out.xy[:, 1, 1] - out.xy[:, 0, 1]))
    before = np.degrees(np.arctan2(xy[:, 0, 0] - xy[:, 1, 0], xy[:, 1, 1] - xy[:, 0, 1]))
    assert np.ptp(before) > 4
    assert np.abs(lean).max() < 0.1


def test_motion_does_not_depend_on_where_the_film_starts_in_time(scene):
    one = follow(scene, pan, seconds=0.8)
    follower_times = one.time_s + 100.0
    moved = attrs.evolve(one, time_s=follower_times, reference_s=one.reference_s + 100.0)
    t = np.arange(0.1, 0.7, 1 / 60)
    a = steadied(landmark_paths(t), one)
    b = steadied(landmark_paths(t + 100.0), moved)
    np.testing.assert_allclose(a.xy, b.xy, atol=1e-6)


def test_a_motion_is_kept_and_read_back_bit_for_bit(scene):
    motion = follow(scene, pan, seconds=0.5)
    holes = motion.turn_rad.copy()
    holes[3] = np.nan
    for one in (attrs.evolve(motion, turn_rad=holes), BackgroundMotion(SIZE).motion(lambda t: t)):
        again = CameraMotion.from_dict(json.loads(json.dumps(one.as_dict(), allow_nan=False)))
        for field in attrs.fields(CameraMotion):
            was, now = getattr(one, field.name), getattr(again, field.name)
            if isinstance(was, np.ndarray):
                np.testing.assert_array_equal(was, now)
            else:
                assert was == now or (was != was and now != now), field.name
