"""From picture to plane: axes, mirror, roll, scale, filter, usable landmarks."""

import attrs
import numpy as np
import pytest

from midstance.camera.plane import to_plane
from midstance.gait.model import LANDMARK_INDEX, LandmarkPaths, Scale, State

KNEE = LANDMARK_INDEX["left_knee"]


def film(view="side", n=240, rate=120.0, sigma=2.0, xy=None):
    t = np.arange(n) / rate
    if xy is None:
        xy = np.full((n, 33, 2), (400.0, 300.0))
    state = np.full((n, 33), State.SEEN, dtype=np.uint8)
    return LandmarkPaths(view, t, xy, np.ones((n, 33)), np.full((n, 33), sigma), state)


def two_points(dx, dy, view="side"):
    """Left knee (dx, dy) px away from the left hip in the picture, dy downwards."""
    made = film(view)
    xy = made.xy.copy()
    xy[:, KNEE] += [dx, dy]
    return attrs.evolve(made, xy=xy)


def apart(plane):
    return (plane.point("left_knee") - plane.point("left_hip"))[0]


def test_y_is_up_and_x_along_travel():
    assert apart(to_plane(two_points(30, 40), direction="+x")) == pytest.approx([30, -40])
    assert apart(to_plane(two_points(30, 40), direction="-x")) == pytest.approx([-30, -40])


def test_x_is_the_runners_right_from_behind_and_in_front():
    assert apart(to_plane(two_points(30, 0, "rear")))[0] == pytest.approx(30)
    assert apart(to_plane(two_points(30, 0, "front")))[0] == pytest.approx(-30)


def test_direction_must_fit_the_view():
    with pytest.raises(ValueError, match="needs its direction"):
        to_plane(film("side"))
    with pytest.raises(ValueError, match="rear view"):
        to_plane(film("rear"), direction="-x")


@pytest.mark.parametrize("direction", ["+x", "-x"])
def test_roll_is_taken_out(direction):
    # in the picture the true horizontal rises by 5 degrees to the right: along it, y falls (picture y is
    # down)
    r = np.radians(5.0)
    level = two_points(100 * np.cos(r), -100 * np.sin(r))
    plane = to_plane(level, direction=direction, roll_deg=5.0)
    assert apart(plane) == pytest.approx([100 if direction == "+x" else -100, 0], abs=1e-9)


def test_scale_makes_metres_of_paths_and_noise():
    plane = to_plane(two_points(30, 40), direction="+x", scale=Scale(0.003, 0.01, "known"), cutoff_hz=None)
    assert plane.unit == "m"
    assert apart(plane) == pytest.approx([0.09, -0.12])
    assert plane.sigma[0, 0] == pytest.approx(0.006)
    assert to_plane(film(), direction="+x").unit == "px"


def test_noise_left_after_the_filter_is_what_is_claimed():
    rng = np.random.default_rng(0)
    noisy = film(n=6000, xy=400 + 2.0 * rng.standard_normal((6000, 33, 2)))
    plane = to_plane(noisy, direction="+x", cutoff_hz=12.0)
    assert float(plane.xy[200:-200, :, 0].std()) == pytest.approx(float(plane.sigma[0, 0]), rel=0.03)
    assert float(plane.sigma[0, 0]) < 1.2


def test_a_slow_motion_passes_the_filter_and_a_fast_one_does_not():
    t = np.arange(600) / 120
    for hz, kept in ((2.0, 0.999), (12.0, 1 / np.sqrt(2)), (40.0, 0.02)):
        wave = np.zeros((600, 33, 2)) + 400
        wave[..., 0] += 10 * np.sin(2 * np.pi * hz * t)[:, None]
        plane = to_plane(film(n=600, xy=wave), direction="+x", cutoff_hz=12.0)
        gain = float(plane.xy[180:420, 0, 0].std()) * np.sqrt(2) / 10
        assert gain == pytest.approx(kept, abs=0.02)


def test_a_cut_off_beyond_the_frame_rate_leaves_paths_alone():
    rng = np.random.default_rng(1)
    noisy = film(rate=25.0, xy=400 + rng.standard_normal((240, 33, 2)))
    plane = to_plane(noisy, direction="+x", cutoff_hz=12.0)
    np.testing.assert_allclose(plane.xy[..., 0], noisy.xy[..., 0])
    assert plane.sigma[0, 0] == 2.0


def test_uneven_frame_times_are_filtered_in_true_time():
    rng = np.random.default_rng(2)
    t = np.cumsum(rng.uniform(0.5, 1.5, 600)) / 120
    wave = np.zeros((600, 33, 2)) + 400
    wave[..., 0] += 10 * np.sin(2 * np.pi * 2.0 * t)[:, None]
    made = attrs.evolve(film(n=600, xy=wave), time_s=t)
    plane = to_plane(made, direction="+x", cutoff_hz=12.0)
    np.testing.assert_allclose(plane.xy[60:-60, 0, 0], wave[60:-60, 0, 0], atol=0.1)


def test_only_observations_are_usable_and_gaps_stay_gaps():
    made = film()
    state, xy = made.state.copy(), made.xy.copy()
    for frame, s in enumerate(State):
        state[100 + frame, KNEE] = s
    xy[100 + int(State.MISSING), KNEE] = np.nan
    plane = to_plane(attrs.evolve(made, state=state, xy=xy), direction="+x", near_side="left")
    usable = {s for i, s in enumerate(State) if plane.usable[100 + i, KNEE]}
    assert usable == {State.SEEN, State.FILLED, State.CORRECTED}
    assert np.isnan(plane.xy[100 + int(State.MISSING), KNEE]).all()
    assert np.isnan(plane.xy).sum() == 2
    assert plane.near_side == "left"
    assert to_plane(film("rear"), near_side="left").near_side is None


def test_the_input_is_not_changed():
    made = two_points(30, 40)
    before = made.xy.copy()
    to_plane(made, direction="-x", roll_deg=3, scale=Scale(0.01, 0.1, ""))
    np.testing.assert_array_equal(made.xy, before)
