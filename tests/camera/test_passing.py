"""Passes: cut where the runner turns round, and turned square to the path."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from midstance.camera.chain import Link, solve_motion
from midstance.camera.passing import cut, joined, outside_picture, passes, seen_span, straightened, upright_of, without
from midstance.camera.plane import to_plane
from midstance.camera.scale import scale_from_pass
from midstance.camera.vertical import Upright
from midstance.gait.model import LANDMARK_INDEX, LandmarkPaths, State

FOCAL, CENTRE = 1100.0, np.array([640.0, 360.0])


def passing(
    *,
    yaw=0.0,
    roll=0.0,
    tilt=0.0,
    speed=3.2,
    distance=6.0,
    seconds=2.4,
    change=0.0,
    noise=0.0,
    there_and_back=False,
    seed=0,
):
    """A runner of 1.75 m who passes at ``distance`` m; the camera at 1.2 m turned right, up and rolled by these degrees."""
    t = np.arange(0, seconds, 1 / 60)
    tau = t - seconds / 2
    x = speed * (tau + 0.5 * change / seconds * tau**2)
    if there_and_back:
        x = speed * (seconds / 4 - np.abs(tau))
    bob = 0.04 * np.cos(2 * np.pi * 2.8 * t)
    points = {
        "hip": (0.0, 0.93, 0.09),
        "shoulder": (0.08, 1.43, 0.17),
        "knee": (0.0, 0.5, 0.09),
        "ankle": (0.0, 0.09, 0.08),
    }
    rng = np.random.default_rng(seed)
    xy = np.full((len(t), 33, 2), np.nan)
    state = np.full((len(t), 33), int(State.MISSING), np.uint8)
    # camera axes: x right, y down, z ahead; turned right by yaw the path's normal appears to the left
    about_axis, about_side, about_up = [0, 0, np.radians(roll)], [-np.radians(tilt), 0, 0], [0, -np.radians(yaw), 0]
    turn = Rotation.from_rotvec(about_axis) * Rotation.from_rotvec(about_side) * Rotation.from_rotvec(about_up)
    for side, near in (("left", -1), ("right", 1)):
        for name, (ahead, up, wide) in points.items():
            swing = (
                0.25 * np.sin(2 * np.pi * 1.4 * t + (0 if near > 0 else np.pi)) if name in ("knee", "ankle") else 0.0
            )
            there = np.stack(
                [x + ahead + swing, np.full_like(x, 1.2) - (up + bob), np.full_like(x, distance - near * wide)], axis=1
            )
            d = turn.apply(there)
            i = LANDMARK_INDEX[f"{side}_{name}"]
            xy[:, i] = d[:, :2] / d[:, 2:] * FOCAL + CENTRE + rng.normal(0, noise, (len(t), 2))
            state[:, i] = int(State.SEEN)
    n = len(t)
    return LandmarkPaths("side", t, xy, np.ones((n, 33)), np.ones((n, 33)), state)


def trunk_lean_deg(paths):
    mid = {n: 0.5 * (paths.point(f"left_{n}") + paths.point(f"right_{n}")) for n in ("hip", "shoulder")}
    v = mid["shoulder"] - mid["hip"]
    return np.degrees(np.arctan2(v[:, 0], -v[:, 1]))


TRUE_LEAN = np.degrees(np.arctan2(0.08, 0.5))


@pytest.mark.parametrize("yaw", [-10.0, -4.0, 0.0, 6.0, 12.0])
@pytest.mark.parametrize("roll", [-3.0, 0.0, 2.0])
def test_the_way_of_the_hips_tells_how_the_camera_was_turned(yaw, roll):
    found = straightened(
        passing(yaw=yaw, roll=roll, noise=1.0), focal_px=FOCAL, centre_px=CENTRE, focal_relative_sigma=0.02
    )
    assert found is not None
    assert found.yaw_deg == pytest.approx(yaw, abs=2.5 * found.yaw_sigma_deg)
    assert found.yaw_sigma_deg < 2.0
    # a camera rolled clockwise shows a horizontal that falls to the right: roll_deg is the rise
    assert found.roll_deg == pytest.approx(-roll, abs=2.5 * found.roll_sigma_deg)
    assert found.roll_sigma_deg < 1.2


def test_the_trunk_leans_alike_all_over_a_straightened_picture():
    rolled = passing(yaw=8, roll=2.5, tilt=4)
    before = trunk_lean_deg(rolled)
    upright = Upright(-2.5, 0.4, 4.0, 1.0, "upright edges")
    found = straightened(rolled, focal_px=FOCAL, centre_px=CENTRE, focal_relative_sigma=0.02, upright=upright)
    assert found is not None
    after = trunk_lean_deg(found.landmarks)
    assert np.abs(before - TRUE_LEAN).max() > 3
    assert np.abs(after - TRUE_LEAN).max() < 1.0
    assert np.ptp(after) < 0.8


def test_one_scale_holds_all_over_a_straightened_picture():
    found = straightened(passing(yaw=8), focal_px=FOCAL, centre_px=CENTRE, focal_relative_sigma=0.02)
    assert found is not None
    scale = scale_from_pass(found.landmarks, 3.2)
    assert scale is not None
    assert scale.m_per_px == pytest.approx(6.0 / FOCAL, rel=0.02)
    trunk = np.linalg.norm(found.landmarks.point("right_hip") - found.landmarks.point("right_shoulder"), axis=1)
    assert np.ptp(trunk) / trunk.mean() < 0.05
    assert found.speed_per_distance == pytest.approx(3.2 / 6.0, rel=0.03)


def test_a_change_of_speed_within_what_is_allowed_stays_within_the_error():
    inside = 0
    for seed, change in enumerate(np.linspace(-0.06, 0.06, 13)):
        found = straightened(
            passing(change=change, noise=1.0, seed=seed), focal_px=FOCAL, centre_px=CENTRE, focal_relative_sigma=0.02
        )
        assert found is not None
        inside += abs(found.yaw_deg) <= 1.96 * found.yaw_sigma_deg
    assert inside >= 12


def test_errors_hold_the_truth_about_as_often_as_they_say():
    """Random cameras and runners drawn from the priors: 95 % intervals of yaw and roll."""
    rng = np.random.default_rng(11)
    held = {"yaw": 0, "roll": 0}
    tries = 60
    for seed in range(tries):
        yaw, roll = rng.normal(0, 6), rng.normal(0, 2)
        p = passing(yaw=yaw, roll=roll, noise=2.0, change=rng.normal(0, 0.03), seconds=rng.uniform(1.6, 2.6), seed=seed)
        found = straightened(p, focal_px=FOCAL, centre_px=CENTRE, focal_relative_sigma=0.02)
        assert found is not None
        held["yaw"] += abs(found.yaw_deg - yaw) <= 1.96 * found.yaw_sigma_deg
        held["roll"] += abs(found.roll_deg + roll) <= 1.96 * found.roll_sigma_deg
    assert held["yaw"] >= 0.9 * tries
    assert held["roll"] >= 0.9 * tries


def test_rays_run_from_one_side_to_the_other_and_cancel_over_a_whole_pass():
    found = straightened(passing(), focal_px=FOCAL, centre_px=CENTRE)
    assert found is not None
    assert found.ray_deg[0] == pytest.approx(-np.degrees(np.arctan2(3.2 * 1.2, 6)), abs=1.5)
    t = found.landmarks.time_s
    assert found.oblique_sigma_deg(t) < 0.2
    assert found.oblique_sigma_deg(t[:20]) > 1.0
    assert found.upright_sigma_deg(t[:20]) > found.upright_sigma_deg(t)


def test_a_runner_on_the_spot_is_no_pass():
    on_the_spot = passing(speed=0.05)
    assert straightened(on_the_spot, focal_px=FOCAL, centre_px=CENTRE) is None
    assert passes(on_the_spot) == []


def test_one_way_is_one_pass():
    p = passing(noise=2.0)
    (span,) = passes(p)
    assert span == pytest.approx((p.time_s[0], p.time_s[-1]), abs=0.05)


def test_there_and_back_are_two_passes_cut_where_the_runner_turns():
    p = passing(there_and_back=True, seconds=6.0, noise=2.0)
    first, second = passes(p)
    assert first[1] == pytest.approx(3.0, abs=0.1)
    assert second[0] == pytest.approx(3.0, abs=0.1)


def test_out_of_sight_ends_a_pass():
    p = passing(seconds=4.0)
    xy, state = p.xy.copy(), p.state.copy()
    xy[110:130] = np.nan
    state[110:130] = int(State.MISSING)
    gap = LandmarkPaths("side", p.time_s, xy, p.score, p.sigma_px, state)
    assert len(passes(gap)) == 2


def test_upright_edges_of_a_pan_tell_roll_and_tilt_of_the_reference():
    """A camera tilted up by 5 degrees that pans: the edges it sees upright lean to either side of the middle."""
    rng = np.random.default_rng(1)
    t = np.arange(0, 2, 1 / 30)
    base = Rotation.from_rotvec([0, 0, np.radians(1.5)]) * Rotation.from_rotvec([-np.radians(5), 0, 0])

    def level_to_camera(s):
        return base * Rotation.from_rotvec([0, np.radians(-25 * (s - 1)), 0])

    points = np.column_stack([rng.uniform(-0.4, 0.4, (120, 2)), np.ones(120)])
    links, uprights, key = [], [], 0
    for i, s in enumerate(t):
        up = level_to_camera(s).apply([0, -1.0, 0])
        # lean of the upright line through the middle of the picture
        side = np.cross(up, [0, 0, 1.0])
        side *= np.sign(side[0])
        uprights.append((s, np.degrees(np.arctan2(side[1], side[0])), 0.3))
        if i:
            between = level_to_camera(s) * level_to_camera(t[key]).inv()
            there = between.apply(points)
            links.append(Link(key, i, points[:, :2] * FOCAL + CENTRE, there[:, :2] / there[:, 2:] * FOCAL + CENTRE))
            if i - key == 10:
                key = i
    motion = solve_motion(t, links, size_px=(1280, 720), focal_px=FOCAL, uprights=np.array(uprights[::10]))
    assert motion.kind == "turning"
    up = upright_of(motion)
    assert up is not None
    true_up = level_to_camera(motion.reference_s).apply([0, -1.0, 0])
    assert up.roll_deg == pytest.approx(-np.degrees(np.arctan2(true_up[0], -true_up[1])), abs=0.5)
    assert up.tilt_deg == pytest.approx(np.degrees(np.arcsin(true_up[2])), abs=2.5 * up.tilt_sigma_deg)
    assert abs(up.tilt_deg) > 2


def test_frames_with_a_leg_outside_the_picture_are_left_out():
    p = passing(seconds=3.0)
    x = p.point("right_ankle")[:, 0]
    assert x.min() < 0 < 1280 < x.max()
    whole = without(p, outside_picture(p, (1280, 720)))
    short = cut(whole, seen_span(whole))
    gone = (whole.state == State.MISSING).all(axis=1)
    legs = [LANDMARK_INDEX[f"{s}_{n}"] for s in ("left", "right") for n in ("hip", "knee", "ankle")]
    outside = ((p.xy[:, legs, 0] < 3) | (p.xy[:, legs, 0] > 1277)).any(axis=1)
    assert np.array_equal(gone, outside)
    assert np.isnan(whole.xy[gone]).all()
    assert len(short.time_s) == (~outside).sum()
    assert short.time_s[0] == p.time_s[~outside][0]
    assert cut(short, seen_span(short)) is short
    inside = passing(seconds=1.2)
    assert without(inside, outside_picture(inside, (1280, 720))) is inside


def test_passes_there_and_back_are_laid_one_after_the_other():
    p = passing(there_and_back=True, seconds=6.0)
    planes = []
    for (start, end), direction in zip(passes(p), ("+x", "-x"), strict=True):
        part = (p.time_s >= start + 0.1) & (p.time_s <= end - 0.1)
        one_way = LandmarkPaths("side", p.time_s[part], p.xy[part], p.score[part], p.sigma_px[part], p.state[part])
        near = "right" if direction == "+x" else "left"
        planes.append(to_plane(one_way, direction=direction, near_side=near, cutoff_hz=None))
    both = joined(planes)
    assert len(both.time_s) == sum(len(q.time_s) for q in planes) + 1
    assert both.near_side is None
    gap = len(planes[0].time_s)
    assert np.isnan(both.xy[gap]).all()
    assert not both.usable[gap].any()
    np.testing.assert_array_equal(both.xy[gap + 1 :], planes[1].xy)
    speed = np.gradient(both.point("right_hip")[:, 0], both.time_s)
    assert np.nanmin(speed) > 0  # forwards both ways
    with pytest.raises(ValueError, match="follow each other"):
        joined(planes[::-1])
    with pytest.raises(ValueError, match="no passes"):
        joined([])
