"""A moving camera, a rolling shutter and an oblique path undone together, on a runner of known geometry."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from midstance.camera.chain import Link, solve_motion
from midstance.camera.shutter import Readout
from midstance.camera.still import as_still
from midstance.gait.model import LANDMARK_INDEX, LandmarkPaths, State

FOCAL, SIZE, CENTRE = 1100.0, (1280, 720), np.array([640.0, 360.0])
SPEED, DISTANCE = 3.2, 6.0
NO_SHUTTER = Readout(0.0, 0.0, 1, "given")
LEAN_DEG = float(np.degrees(np.arctan2(0.08, 0.5)))


def world(t):
    """(k, 3) points of the runner, camera axes of a level square camera 1.2 m high: hips, shoulders, knees."""
    x = SPEED * (t - 1.2)
    bob = 0.04 * np.cos(2 * np.pi * 2.8 * t)
    out = {}
    for side, near in (("left", -1), ("right", 1)):
        out[f"{side}_hip"] = (x, 1.2 - 0.93 - bob, DISTANCE - 0.09 * near)
        out[f"{side}_shoulder"] = (x + 0.08, 1.2 - 1.43 - bob, DISTANCE - 0.17 * near)
        out[f"{side}_knee"] = (x + 0.05, 1.2 - 0.5 - bob, DISTANCE - 0.09 * near)
    return out


def film(turn_at, readout=NO_SHUTTER, seconds=2.4, rate=60.0):
    """Landmarks and followed surroundings of a camera whose turn at a time is ``turn_at(t)``, read row by row."""
    t = np.arange(0, seconds, 1 / rate)

    def pixel(point_at, s):
        at = s
        for _ in range(4 if readout.seconds else 1):
            d = turn_at(at).apply(point_at(at))
            px = d[:2] / d[2] * FOCAL + CENTRE
            at = s + readout.seconds * (px[readout.axis] / SIZE[readout.axis] - 0.5)
        return px

    xy = np.full((len(t), 33, 2), np.nan)
    state = np.full((len(t), 33), int(State.MISSING), np.uint8)
    for i, s in enumerate(t):
        for name in world(0.0):
            k = LANDMARK_INDEX[name]
            xy[i, k] = pixel(lambda a, name=name: np.array(world(a)[name]), s)
            state[i, k] = int(State.SEEN)
    n = len(t)
    paths = LandmarkPaths("side", t, xy, np.ones((n, 33)), np.ones((n, 33)), state)

    rng = np.random.default_rng(3)
    far = np.column_stack([rng.uniform(-1.2, 1.2, 300), rng.uniform(-0.4, 0.4, 300), np.ones(300)]) * 20.0
    sampled = np.arange(0, seconds, 1 / 30)
    seen = np.empty((len(sampled), len(far), 2))
    for i, s in enumerate(sampled):
        late = np.zeros(len(far))
        for _ in range(4 if readout.seconds else 1):
            # the turn changes little within a picture: three turns of it, interpolated
            three = [turn_at(s + d).apply(far) for d in (-0.5 * readout.seconds, 0.0, 0.5 * readout.seconds)]
            w = np.clip(late / readout.seconds, -0.5, 0.5)[:, None] if readout.seconds else np.zeros((len(far), 1))
            d = three[1] + w * (three[2] - three[0]) + 2 * w**2 * (three[2] + three[0] - 2 * three[1])
            seen[i] = d[:, :2] / d[:, 2:] * FOCAL + CENTRE
            late = readout.seconds * (seen[i, :, readout.axis] / SIZE[readout.axis] - 0.5)
        seen[i][d[:, 2] < 1.0] = -1.0
    inside = (seen > 5).all(axis=2) & (seen < np.array(SIZE) - 5).all(axis=2)
    links, key = [], 0
    for i in range(1, len(sampled)):
        both = inside[i] & inside[key]
        links.append(Link(key, i, seen[key][both], seen[i][both]))
        if np.median(np.hypot(*(seen[i] - seen[key])[both].T)) > 150:
            key = i
    return paths, solve_motion(sampled, links, size_px=SIZE)


def trunk_lean_deg(paths):
    mid = {n: 0.5 * (paths.point(f"left_{n}") + paths.point(f"right_{n}")) for n in ("hip", "shoulder")}
    v = mid["shoulder"] - mid["hip"]
    return np.degrees(np.arctan2(v[:, 0], -v[:, 1]))


def hip_px(paths):
    return 0.5 * (paths.point("left_hip") + paths.point("right_hip"))


def hand(t):
    """A hand that follows the runner: pan with lag, shake, roll of 1.5 degrees about a mean of 1 degree."""
    pan = -np.degrees(np.arctan2(SPEED * (t - 1.2), DISTANCE)) + 1.5 * np.sin(3 * t) + 0.1 * np.sin(35 * t)
    return Rotation.from_euler("yxz", [pan, 0.5 * np.sin(4 * t), 1.0 + 1.5 * np.sin(5 * t)], degrees=True)


@pytest.fixture(scope="module")
def followed():
    return film(hand)


def test_a_followed_runner_runs_evenly_and_level_past_a_still_camera(followed):
    paths, motion = followed
    assert motion.kind == "turning"
    still = as_still(paths, motion, NO_SHUTTER, overground=True)
    assert still.crossing is not None
    before, after = hip_px(paths), hip_px(still.landmarks)
    assert np.ptp(before[:, 0]) < 0.5 * np.ptp(after[:, 0])
    t = paths.time_s
    speed = np.polyfit(t, after[:, 0], 1)[0]
    assert speed == pytest.approx(SPEED / DISTANCE * FOCAL, rel=0.04)
    straight = after[:, 0] - np.polyval(np.polyfit(t, after[:, 0], 1), t)
    assert np.abs(straight).max() < 12  # px of 1400
    # heights: the body's own 8 cm, not the hand's
    expected = 0.08 / DISTANCE * FOCAL
    level = after[:, 1] - np.polyval(np.polyfit(t, after[:, 1], 1), t)
    assert np.ptp(level) == pytest.approx(expected, rel=0.35)
    assert np.ptp(before[:, 1]) > 2 * expected


def test_roll_of_the_hand_does_not_lean_the_trunk(followed):
    paths, motion = followed
    still = as_still(paths, motion, NO_SHUTTER, overground=True)
    assert still.roll_deg == 0.0
    lean = trunk_lean_deg(still.landmarks)
    assert np.ptp(trunk_lean_deg(paths)) > 3
    assert np.ptp(lean) < 1.5
    assert still.roll_sigma_deg is not None
    assert abs(lean.mean() - LEAN_DEG) < 2.5 * still.roll_sigma_deg
    assert any("taken out" in note for note in still.notes)


def test_a_runner_who_passes_a_still_camera_is_put_upright_when_rows_are_read_late():
    readout = Readout(0.016, 0.001, 1, "given")
    paths, motion = film(lambda t: Rotation.identity(), readout)
    assert motion.kind == "still"
    shown = trunk_lean_deg(paths)
    # the whole picture's 720 rows in 16 ms at 587 px/s
    assert shown.mean() == pytest.approx(LEAN_DEG - np.degrees(SPEED / DISTANCE * FOCAL * 0.016 / 720), abs=0.15)
    still = as_still(paths, motion, readout, overground=True)
    assert trunk_lean_deg(still.landmarks).mean() == pytest.approx(LEAN_DEG, abs=0.15)
    assert still.shutter_sigma_deg == pytest.approx(np.degrees(SPEED / DISTANCE * FOCAL * 0.001 / 720), rel=0.05)


def test_a_runner_who_is_followed_leans_alike_whatever_the_shutter(followed):
    readout = Readout(0.016, 0.001, 1, "given")
    paths, motion = film(hand, readout)
    still = as_still(paths, motion, readout, overground=True)
    whole = as_still(*followed, NO_SHUTTER, overground=True)
    assert trunk_lean_deg(still.landmarks).mean() == pytest.approx(trunk_lean_deg(whole.landmarks).mean(), abs=0.4)


def test_an_unknown_shutter_is_put_right_by_what_is_usual_only_where_the_runner_crosses():
    unknown = Readout(0.010, 0.005, 1, "unknown")
    paths, motion = film(lambda t: Rotation.identity())
    crossing = as_still(paths, motion, unknown, overground=True)
    assert crossing.shutter_sigma_deg > 0.1
    on_belt = as_still(paths, motion, unknown, overground=False)
    assert on_belt.landmarks is paths
    assert on_belt.crossing is None


def test_a_tripod_before_a_treadmill_changes_nothing():
    paths, motion = film(lambda t: Rotation.identity())
    still = as_still(paths, motion, Readout(0.01, 0.005, 1, "unknown"), overground=False)
    assert still.landmarks is paths
    assert still.roll_deg is None
    assert still.sway_m == 0.0
    assert still.notes == ()


def test_other_paths_of_the_film_are_treated_alike(followed):
    paths, motion = followed
    still = as_still(paths, motion, Readout(0.016, 0.001, 1, "given"), overground=True)
    again = still.like(paths)
    np.testing.assert_array_equal(again.time_s, still.landmarks.time_s)
    np.testing.assert_allclose(again.xy, still.landmarks.xy, atol=1e-6)
    np.testing.assert_array_equal(again.state, still.landmarks.state)
