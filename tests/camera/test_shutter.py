"""Rolling shutter: what is read late is put back to the frame's time; signs and sizes against closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.camera.shutter import (
    Readout,
    lean_error_deg,
    parse_readout,
    readout_of,
    row_offsets_s,
    smear_sigma_px,
    unsheared,
)
from midstance.errors import OptionError
from midstance.gait.model import LandmarkPaths, State
from midstance.gait.uncertainty import ErrorBudget

SIZE = (1280, 720)
DOWN = Readout(0.016, 0.001, 1, "given")


def paths(time_s, xy):
    n = len(time_s)
    return LandmarkPaths(
        "side", np.asarray(time_s), xy, np.ones((n, 33)), np.ones((n, 33)), np.zeros((n, 33), np.uint8)
    )


def filmed(where, time_s, readout, size=SIZE):
    """Landmarks as a rolling shutter shows them: each at the place it has when its own row is read (by iteration)."""
    xy = np.empty((len(time_s), 33, 2))
    for i, t in enumerate(time_s):
        at = where(np.full(33, t))
        for _ in range(30):
            at = where(t + row_offsets_s(at, readout, size))
        xy[i] = at
    return xy


def runner(t):
    """33 points that move at 530 px/s and swing; (33, 2) px at the 33 times ``t``."""
    k = np.arange(33)
    x = 200 + 530 * t + 30 * np.sin(2 * np.pi * 2.8 * t + k)
    y = 100 + 16 * k + 25 * np.sin(2 * np.pi * 2.8 * t + 2 * k)
    return np.stack([x, y], axis=-1)


@pytest.mark.parametrize("seconds", [0.008, 0.016, -0.016])
@pytest.mark.parametrize("axis", [0, 1])
def test_points_are_put_back_to_where_they_were_at_the_frames_time(seconds, axis):
    readout = Readout(seconds, 0.0, axis, "given")
    t = np.arange(0, 1.5, 1 / 120)
    xy = filmed(runner, t, readout)
    true = np.array([runner(np.full(33, s)) for s in t])
    before = paths(t, xy)
    out = unsheared(before, row_offsets_s(xy, readout, SIZE))
    assert np.abs(xy - true).max() > 1.5
    assert np.abs(out.xy - true)[2:-2].max() < 0.05
    assert np.abs(out.xy - true).max() < 1.0  # the ends are carried on along straight lines


def test_a_pole_that_moves_to_the_right_leans_back_by_the_closed_form():
    """Speed v, rows read over T: each row down is T / H later and so v T / H px farther right."""
    speed = 530.0
    t = np.arange(0, 1, 1 / 120)

    def pole(s):
        return np.stack([100 + speed * s, np.linspace(100, 600, 33)], axis=-1)

    xy = filmed(pole, t, DOWN)
    lean = np.degrees(
        np.arctan2(xy[:, 0, 0] - xy[:, -1, 0], xy[:, -1, 1] - xy[:, 0, 1])
    )  # clockwise +: top to the right
    expected, sigma = lean_error_deg(DOWN, speed, SIZE)
    assert expected == pytest.approx(-np.degrees(np.arctan(speed * 0.016 / 720)))
    np.testing.assert_allclose(lean, expected, atol=1e-6)
    assert sigma == pytest.approx(np.degrees(speed * 0.001 / 720))
    out = unsheared(paths(t, xy), row_offsets_s(xy, DOWN, SIZE))
    upright = np.degrees(np.arctan2(out.xy[:, 0, 0] - out.xy[:, -1, 0], 500.0))
    assert np.abs(upright).max() < 1e-6


def test_a_worked_example():
    """3.33 m/s, 16 ms, a picture 4.0 m high: over the whole picture 5.3 cm, hence 0.76 degrees [derived]."""
    px_per_m = 720 / 4.0
    lean, _ = lean_error_deg(DOWN, 3.33 * px_per_m, SIZE)
    assert abs(3.33 * 0.016) == pytest.approx(0.0533, abs=1e-4)
    assert lean == pytest.approx(-np.degrees(np.arctan(0.05328 / 4.0)))
    budget = ErrorBudget(rolling_shutter_s=0.016, picture_height_m=4.0, picture_speed_mps=3.33)
    assert 2 * budget.upright_sigma_deg == pytest.approx(-lean, rel=1e-6)


@pytest.mark.parametrize(("turn", "sign", "axis"), [(0, 1, 1), (90, -1, 0), (180, -1, 1), (270, 1, 0)])
def test_the_stored_top_is_read_first_however_the_picture_is_turned(turn, sign, axis):
    """Rotating a picture of row numbers with numpy shows which edge comes first."""
    rows = np.repeat(np.arange(4)[:, None], 6, axis=1)
    upright = np.rot90(rows, -turn // 90)  # clockwise
    along = upright[:, 0] if axis == 1 else upright[0]
    assert np.sign(along[-1] - along[0]) == sign
    readout = readout_of(turn, 60.0, given_s=0.010)
    assert (np.sign(readout.seconds), readout.axis) == (sign, axis)
    assert abs(readout.seconds) == pytest.approx(0.010)


@pytest.mark.parametrize("fps", [24, 30, 60, 120, 240])
def test_an_unknown_readout_is_shorter_than_the_time_between_pictures(fps):
    readout = readout_of(0, fps)
    assert readout.source == "unknown"
    assert readout.seconds + readout.sigma_s <= 1.0 / fps + 1e-9
    assert 0 < readout.seconds <= 2.1 * readout.sigma_s  # none at all is possible too


def test_what_was_found_is_used_unless_something_was_given():
    assert readout_of(0, 60, found=(0.012, 0.001)).seconds == 0.012
    assert readout_of(0, 60, found=(0.012, 0.001), given_s=0.009).seconds == 0.009
    assert readout_of(0, 120, found=(0.004, 0.005)).source == "unknown"  # less sure than what is usual
    assert readout_of(0, 120, found=(-0.006, 0.003)).seconds == -0.006  # but it speaks against the usual direction


def test_columns_read_one_after_the_other_make_nobody_lean():
    assert lean_error_deg(Readout(-0.016, 0.005, 0, "unknown"), 500.0, (720, 1280)) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("text", "seconds"), [("16ms", 0.016), ("16", 0.016), ("0.016s", 0.016), (" 8.5 ms", 0.0085), ("0", 0.0)]
)
def test_readout_times_as_people_write_them(text, seconds):
    assert parse_readout(text) == pytest.approx(seconds)


@pytest.mark.parametrize("text", ["", "fast", "-3ms", "100ms", "1s", "nan", "16 m"])
def test_other_readout_times_are_refused_with_what_is_allowed(text):
    with pytest.raises(OptionError) as error:
        parse_readout(text)
    assert "--readout" in str(error.value)
    assert "16ms" in str(error.value)


def test_gaps_stay_gaps_and_states_stay_states():
    t = np.arange(0, 1, 1 / 60)
    xy = filmed(runner, t, DOWN)
    xy[20:30, 3] = np.nan
    given_paths = paths(t, xy)
    state = given_paths.state.copy()
    state[20:30, 3] = int(State.MISSING)
    state[40, 5] = int(State.CORRECTED)
    before = LandmarkPaths("side", t, xy, given_paths.score, given_paths.sigma_px, state)
    out = unsheared(before, row_offsets_s(xy, DOWN, SIZE))
    assert np.array_equal(out.state, state)
    assert np.array_equal(np.isfinite(out.xy), np.isfinite(xy))


@given(st.floats(-200, 200), st.floats(0.1, 3.0))
def test_a_constant_offset_is_a_shift_in_time(offset_us, rate):
    t = np.arange(0, 1, 1 / 60)
    xy = np.repeat(np.stack([np.sin(rate * t), np.cos(rate * t)], axis=-1)[:, None], 33, axis=1)
    s = offset_us * 1e-6
    out = unsheared(paths(t, xy), np.full((len(t), 33), s))
    np.testing.assert_allclose(out.xy[3:-3, 0, 0], np.sin(rate * (t - s))[3:-3], atol=1e-5)


def test_smear_is_that_of_an_even_spread_halved():
    """SD of an even spread over a length L is L / sqrt(12) (closed form)."""
    assert smear_sigma_px(1 / 100, 1200.0) == pytest.approx(0.5 * np.std(np.linspace(0, 12, 100001)), rel=1e-3)
    assert smear_sigma_px(0.0, 500.0) == 0.0
