"""Arm crossing: a closed-form runner whose wrists pass the mid-line in known swings, and the interval of a share."""

import attrs
import numpy as np
import pytest
from scipy.stats import binomtest

from midstance.gait.arms import PLACE_SIGMA, arm_swings, measure_arms, wilson_interval
from midstance.gait.curves import frontal_tracks
from midstance.gait.model import LANDMARK_INDEX, Event, PlanePaths
from midstance.gait.strides import build_stances
from midstance.gait.yaw import CameraYaw

STEP_S, RATE, TRUNK_M = 0.35, 120.0, 0.5
SQUARE = CameraYaw(0.0, 0.5)


def film(left_m, right_m, view="front", lean_deg=4.0, yaw_deg=0.0, ahead_m=0.225):
    """Runner whose wrists get ``left_m[k]``, ``right_m[k]`` past the mid-line (m, + past it) in the k-th stride of a side;
    the trunk leans sideways by ``lean_deg``, so that the mid-line is not upright."""
    n_strides = len(left_m)
    t = np.arange(0, (2 * n_strides + 1) * STEP_S + 0.1, 1 / RATE)
    xy = np.full((len(t), 33, 2), np.nan)
    lean = np.radians(lean_deg)

    def put(name, x, y):
        xy[:, LANDMARK_INDEX[name]] = np.stack([np.broadcast_to(x, len(t)), np.broadcast_to(y, len(t))], axis=-1)

    for side, s in (("left", -1.0), ("right", 1.0)):
        put(f"{side}_hip", 0.09 * s, 0.95)
        put(f"{side}_shoulder", 0.18 * s + TRUNK_M * np.sin(lean), 0.95 + TRUNK_M * np.cos(lean))
        put(f"{side}_knee", 0.07 * s, 0.5)
        put(f"{side}_ankle", 0.05 * s, 0.1)
        reached = left_m if side == "left" else right_m
        phase = t / (2 * STEP_S) - (0.0 if side == "left" else 0.5)
        stride = np.clip(np.floor(phase).astype(int), 0, n_strides - 1)
        swing = np.sin(np.pi * np.mod(phase, 1.0)) ** 2  # innermost in the middle of the stride
        past = -0.20 + (np.array(reached)[stride] + 0.20) * swing
        line = 0.5 * TRUNK_M * np.sin(lean)
        put(f"{side}_wrist", line - s * past - ahead_m * np.sin(np.radians(yaw_deg)), 0.95 + 0.5 * TRUNK_M * np.cos(lean))
    seen = np.isfinite(xy).all(axis=2)
    plane = PlanePaths(view, t, xy, np.where(seen, 0.002, np.nan), seen, "m", None)
    events = []
    for k in range(2 * n_strides + 1):
        side = "left" if k % 2 == 0 else "right"
        for kind, at in (("initial_contact", k * STEP_S), ("toe_off", k * STEP_S + 0.24)):
            events.append(Event(view, side, kind, at, at, at))
    return plane, build_stances(events)[0]


def shares(plane, stances, yaw=SQUARE):
    tracks = {s: frontal_tracks(plane, s)["across"] for s in ("left", "right")}
    return {m.side: m for m in measure_arms(tracks, stances, view=plane.view, yaw=yaw)}


def test_swings_that_cross_are_counted():
    left = [0.08] * 6 + [-0.08] * 4
    found = shares(*film(left, [-0.08] * 10))
    assert found["left"].value == pytest.approx(60)
    assert (found["left"].low, found["left"].high) == pytest.approx([100 * v for v in wilson_interval(6, 10)])
    assert found["right"].value == 0
    assert found["right"].low == 0
    assert found["both"].value == pytest.approx(100 * 6 / found["both"].n)
    assert "6 of 10 swings crossed" in found["left"].method


def test_how_far_past_the_line_of_a_leaning_trunk():
    plane, stances = film([0.06] * 5, [-0.10] * 5)
    tracks = {s: frontal_tracks(plane, s)["across"] for s in ("left", "right")}
    for swing in arm_swings(tracks, stances, SQUARE):
        expected = (0.06 if swing.side == "left" else -0.10) / TRUNK_M
        # derived: the track is the horizontal distance over the trunk's length
        assert swing.across == pytest.approx(expected, abs=0.004)
        assert swing.sigma >= PLACE_SIGMA


def test_swings_too_close_to_tell_count_both_ways():
    found = shares(*film([0.08] * 8 + [0.005, -0.005], [-0.08] * 10))
    m = found["left"]
    assert "2 too close to tell" in m.method
    assert m.low == pytest.approx(100 * wilson_interval(8, 10)[0])
    assert m.high == pytest.approx(100 * wilson_interval(10, 10)[1])


def test_a_runner_right_at_the_line_is_not_measurable():
    found = shares(*film([0.004] * 10, [-0.08] * 10))
    assert found["left"].value is None
    assert "too close to the mid-line to tell" not in (found["right"].reason or "")
    assert "10 of 10 swings come too close" in found["left"].reason
    assert found["right"].value == 0


def test_a_turned_camera_is_taken_out():
    # 0.225 m ahead = 0.45 trunk lengths: seen from 20 degrees the wrist is shifted by 7.7 cm, enough to cross by itself
    plane, stances = film([-0.04] * 10, [-0.04] * 10, yaw_deg=-20.0)
    assert shares(plane, stances, CameraYaw(0.0, 0.1))["left"].value == 100, "else the check checks nothing"
    known = CameraYaw(-20.0, 0.1)
    assert shares(plane, stances, known)["left"].value in (0, None)
    swings = arm_swings({s: frontal_tracks(plane, s)["across"] for s in ("left", "right")}, stances, known)
    assert np.mean([s.across for s in swings]) == pytest.approx(-0.04 / TRUNK_M, abs=0.005)


def test_from_behind_and_with_too_few_swings():
    plane, stances = film([0.08] * 10, [0.08] * 10)
    behind = shares(attrs.evolve(plane, view="rear"), stances)
    assert "hides the hand" in behind["both"].reason
    few = shares(*film([0.08] * 3, [0.08] * 3))
    assert "at least 4 are needed" in few["left"].reason


@pytest.mark.parametrize(("count", "n"), [(0, 4), (3, 10), (10, 10), (17, 60)])
def test_interval_of_a_share_against_scipy(count, n):
    """scipy.stats.binomtest, method "wilson"."""
    expected = binomtest(count, n).proportion_ci(0.95, method="wilson")
    assert wilson_interval(count, n) == pytest.approx((expected.low, expected.high), abs=1e-6)


def test_a_share_needs_counts():
    with pytest.raises(ValueError, match="share"):
        wilson_interval(5, 4)
