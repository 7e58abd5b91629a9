"""Angles: closed-form poses, signs, invariances, error propagation."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from scipy.spatial.transform import Rotation

from midstance.gait import angles

# Check values "computed" come from the stated geometry alone.


def test_foot_strike_angle_of_a_raised_toe():
    # computed: heel (0, 0), toe (0.20, 0.05): atan(0.05 / 0.20); standing offset 3 degrees
    raw = float(angles.foot_angle([0.0, 0.0], [0.20, 0.05]))
    assert raw == pytest.approx(14.036, abs=5e-4)
    assert raw - 3.0 == pytest.approx(11.036, abs=5e-4)


def test_shank_reaching_forward_is_positive():
    # computed: knee (0.10, 0.50), ankle (0.16, 0.10)
    assert float(angles.shank_angle([0.10, 0.50], [0.16, 0.10])) == pytest.approx(8.531, abs=5e-4)
    assert float(angles.shank_angle([0.16, 0.50], [0.10, 0.10])) < 0


def test_knee_flexion_of_a_known_leg():
    # computed: included angle 170.253 degrees
    flexion = angles.knee_flexion([0.02, 0.90], [0.12, 0.50], [0.15, 0.10])
    assert float(flexion) == pytest.approx(9.747, abs=5e-4)


def test_hyperextended_knee_is_negative_and_straight_is_zero():
    assert float(angles.knee_flexion([0, 1], [0, 0.5], [0, 0])) == 0
    assert float(angles.knee_flexion([0, 1], [-0.03, 0.5], [0, 0])) < 0
    assert float(angles.knee_flexion([0, 1], [0.03, 0.5], [0, 0])) > 0


def test_deep_swing_flexion_does_not_wrap():
    # thigh 60 forward, shank hanging 70 behind: 130 degrees of flexion
    hip = np.zeros(2)
    r1, r2 = np.radians(60), np.radians(-70)
    knee = hip + np.array([np.sin(r1), -np.cos(r1)])
    ankle = knee + np.array([np.sin(r2), -np.cos(r2)])
    assert float(angles.knee_flexion(hip, knee, ankle)) == pytest.approx(130)


def test_hip_flexion_adds_thigh_and_trunk():
    hip, knee = [0.0, 0.9], [0.42 * np.sin(np.radians(25)), 0.9 - 0.42 * np.cos(np.radians(25))]
    shoulder = [0.5 * np.sin(np.radians(8)), 0.9 + 0.5 * np.cos(np.radians(8))]
    assert float(angles.hip_flexion(shoulder, hip, knee)) == pytest.approx(33)


def test_ankle_is_zero_at_a_right_angle_and_positive_towards_the_shin():
    knee, ankle, heel, toe = [0.0, 0.5], [0.0, 0.1], [-0.05, 0.02], [0.15, 0.02]
    assert float(angles.ankle_dorsiflexion(knee, ankle, heel, toe)) == pytest.approx(0)
    forward = [0.4 * np.sin(np.radians(20)), 0.1 + 0.4 * np.cos(np.radians(20))]  # knee ahead of the ankle
    assert float(angles.ankle_dorsiflexion(forward, ankle, heel, toe)) == pytest.approx(20)
    assert float(angles.ankle_dorsiflexion(knee, ankle, heel, toe, flat_foot_deg=3.0)) == pytest.approx(-3)


def test_pelvic_drop_of_the_swing_side():
    # computed: stance hip 0.95, swing hip 0.93, 0.26 m apart
    drop = float(angles.pelvic_drop([0.0, 0.95], [0.26, 0.93]))
    assert drop == pytest.approx(4.399, abs=5e-4)
    assert float(angles.pelvic_drop([0.26, 0.95], [0.0, 0.93])) == pytest.approx(drop)


def test_knee_inside_is_positive_on_both_sides():
    # computed: hip (0.10, 0.9), knee (0.06, 0.5), ankle (0.07, 0.1): magnitude 7.143 degrees
    right = float(angles.knee_frontal_angle([0.10, 0.9], [0.06, 0.5], [0.07, 0.1], side="right"))
    left = float(angles.knee_frontal_angle([-0.10, 0.9], [-0.06, 0.5], [-0.07, 0.1], side="left"))
    assert right == pytest.approx(7.143, abs=5e-4)
    assert left == pytest.approx(right)


def test_hip_adduction_rises_with_knee_inwards_and_with_pelvic_drop():
    level = float(angles.hip_adduction([0.1, 0.9], [-0.1, 0.9], [0.06, 0.5], side="right"))
    assert level == pytest.approx(np.degrees(np.arctan2(0.04, 0.4)))
    dropped = float(angles.hip_adduction([0.1, 0.9], [-0.1, 0.88], [0.06, 0.5], side="right"))
    assert dropped == pytest.approx(level + np.degrees(np.arctan2(0.02, 0.2)))
    mirrored = float(angles.hip_adduction([-0.1, 0.9], [0.1, 0.88], [-0.06, 0.5], side="left"))
    assert mirrored == pytest.approx(dropped)


def test_trunk_side_lean_is_positive_towards_the_stance_leg():
    assert float(angles.trunk_side_lean([0, 1], [0.05, 1.5], stance_side="right")) > 0
    assert float(angles.trunk_side_lean([0, 1], [0.05, 1.5], stance_side="left")) < 0


def test_no_line_no_angle_and_nan_stays_nan():
    assert np.isnan(angles.shank_angle([0.1, 0.5], [0.1, 0.5]))
    knees = np.array([[0.1, 0.5], [np.nan, 0.5]])
    flexion = angles.knee_flexion([[0, 1], [0, 1]], knees, [[0, 0], [0, 0]])
    assert np.isfinite(flexion[0])
    assert np.isnan(flexion[1])


def test_circular_mean_across_the_cut():
    # computed: 350 and 10 degrees have the mean direction 0
    assert angles.circular_mean_deg([350.0, 10.0]) == pytest.approx(0, abs=1e-9)
    assert angles.circular_mean_deg([170.0, -170.0, np.nan]) == pytest.approx(180)
    assert np.isnan(angles.circular_mean_deg([0.0, 180.0]))


def test_circular_mean_agrees_with_scipy():
    rng = np.random.default_rng(7)
    for middle in (0.0, 90.0, 175.0, -170.0):
        a = middle + 30 * rng.standard_normal(50)
        theirs = float(stats.circmean(a, high=180, low=-180))
        assert float(angles.wrap_deg(angles.circular_mean_deg(a) - theirs)) == pytest.approx(0, abs=1e-9)


def test_joint_angles_agree_with_the_included_angle_by_the_dot_product():
    """180 degrees less arccos of the segments' dot product: what a goniometer reads, without a sign."""
    rng = np.random.default_rng(8)
    hip, knee, ankle = rng.normal(size=(3, 500, 2))
    u, v = hip - knee, ankle - knee
    cosine = (u * v).sum(axis=1) / np.linalg.norm(u, axis=1) / np.linalg.norm(v, axis=1)
    included = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
    np.testing.assert_allclose(np.abs(angles.knee_flexion(hip, knee, ankle)), 180 - included, atol=1e-5)


@pytest.mark.parametrize("turn_deg", [-70.0, -10.0, 35.0])
def test_segment_angles_agree_with_scipys_rotation(turn_deg):
    """A hanging segment turned about the axis towards the runner's right, which carries its lower end backwards."""
    rotated = Rotation.from_euler("z", turn_deg, degrees=True).apply([0.0, -0.4, 0.0])[:2]
    assert float(angles.shank_angle([0.0, 0.0], rotated)) == pytest.approx(turn_deg, abs=1e-9)
    foot = Rotation.from_euler("z", turn_deg, degrees=True).apply([0.25, 0.0, 0.0])[:2]
    assert float(angles.foot_angle([0.0, 0.0], foot)) == pytest.approx(turn_deg, abs=1e-9)


coordinate = st.floats(-1, 1)
point = st.tuples(coordinate, coordinate)


def _apart(*points):
    return all(np.hypot(a[0] - b[0], a[1] - b[1]) > 0.05 for a, b in pairwise(points))


@given(point, point, point, st.floats(0.01, 1000), point)
def test_joint_angles_ignore_scale_and_place(a, b, c, k, shift):
    if not _apart(a, b, c):
        return
    before = float(angles.knee_flexion(a, b, c))
    moved = [k * (np.array(p) + shift) for p in (a, b, c)]
    assert float(angles.wrap_deg(angles.knee_flexion(*moved) - before)) == pytest.approx(0, abs=1e-6)


@given(point, point, point, st.floats(-40, 40))
def test_camera_roll_turns_segments_but_not_joints(a, b, c, roll):
    if not _apart(a, b, c):
        return
    r = np.radians(roll)
    turn = np.array([[np.cos(r), -np.sin(r)], [np.sin(r), np.cos(r)]])
    ra, rb, rc = (turn @ np.array(p) for p in (a, b, c))
    joint = angles.wrap_deg(angles.knee_flexion(ra, rb, rc) - angles.knee_flexion(a, b, c))
    segment = angles.wrap_deg(angles.shank_angle(rb, rc) - angles.shank_angle(b, c) - roll)
    assert float(joint) == pytest.approx(0, abs=1e-6)
    assert float(segment) == pytest.approx(0, abs=1e-6)


@given(point, point, point, st.sampled_from(["left", "right"]))
def test_mirroring_the_body_swaps_sides_and_nothing_else(a, b, c, side):
    if not _apart(a, b, c):
        return
    other = "right" if side == "left" else "left"
    mirrored = [(-p[0], p[1]) for p in (a, b, c)]
    difference = angles.knee_frontal_angle(a, b, c, side=side) - angles.knee_frontal_angle(
        *mirrored, side=other
    )
    assert float(angles.wrap_deg(difference)) == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("bend", [0.0, 40.0, 100.0])
def test_joint_error_agrees_with_simulated_noise(bend):
    rng = np.random.default_rng(3)
    hip, knee = np.array([0.0, 0.42]), np.zeros(2)
    ankle = 0.4 * np.array([np.sin(np.radians(-bend)), -np.cos(np.radians(-bend))])
    sh, sk, sa = 0.004, 0.006, 0.005
    n = 40_000
    noisy = [p + s * rng.standard_normal((n, 2)) for p, s in ((hip, sh), (knee, sk), (ankle, sa))]
    simulated = float(np.std(angles.knee_flexion(*noisy)))
    assert float(angles.joint_sigma_deg(0.42, 0.4, bend, sh, sk, sa)) == pytest.approx(simulated, rel=0.02)


def test_segment_error_of_a_noisy_shank():
    # computed: 10 mm on both ends of a 0.40 m shank is atan(sqrt(2) 10 / 400), about 2.0 degrees
    assert float(angles.segment_sigma_deg(0.40, 0.010, 0.010)) == pytest.approx(2.026, abs=1e-3)


def test_points_of_the_wrong_shape_are_refused():
    with pytest.raises(ValueError, match="shape"):
        angles.shank_angle([1.0, 2.0, 3.0], [0.0, 0.0, 0.0])
