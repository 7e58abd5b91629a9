"""Tracks and curves: reading between frames, peaks, normalised strides."""

import attrs
import numpy as np
import pytest
from stick_runner import CONTACT_S, STRIDE_S, shank_deg, stick, thigh_deg

from midstance.gait.com import whole_body_com
from midstance.gait.curves import Track, stride_curves
from midstance.gait.model import LANDMARK_INDEX
from midstance.gait.registry import REGISTRY
from midstance.gait.strides import build_stances


def track(value, rate=100.0):
    t = np.arange(len(value)) / rate
    return Track(t, np.asarray(value, dtype=float), np.full(len(value), 0.1), "a, b")


def test_cubic_is_read_exactly_between_frames():
    t = np.arange(20) / 100
    x = 1 + 2 * t - 30 * t**2 + 500 * t**3
    one = track(x)
    at = 0.0737
    assert one.at(at) == pytest.approx(1 + 2 * at - 30 * at**2 + 500 * at**3, rel=1e-12)
    assert one.at(0.05) == x[5]
    assert one.rate_at(at) == pytest.approx(2 - 60 * at + 1500 * at**2, rel=0.02)


def test_nothing_is_extrapolated_or_read_across_a_hole():
    x = np.arange(20.0)
    x[8:11] = np.nan
    one = track(x)
    assert np.isnan(one.at(-0.01))
    assert np.isnan(one.at(0.195))
    assert np.isnan(one.at(0.075))
    assert np.isnan(one.at(0.105))
    assert one.at(0.065) == pytest.approx(6.5)  # two good neighbours: a straight line
    assert one.at(0.07) == 7.0


@pytest.mark.parametrize("offset", [0.0, 0.003, 0.005, 0.0071])
def test_peak_between_frames(offset):
    t = np.arange(60) / 100
    one = track(10 * np.cos(2 * np.pi * (t - 0.30 - offset)))
    value, at, sigma = one.peak(0.1, 0.5)
    assert value == pytest.approx(10, abs=2e-3)
    assert at == pytest.approx(0.30 + offset, abs=2e-4)
    assert sigma == pytest.approx(0.1)


def test_a_slope_has_no_peak():
    one = track(np.arange(30.0))
    assert np.isnan(one.peak(0.05, 0.2)[0])
    assert one.peak(0.05, 0.2, inside=False)[0] == pytest.approx(20)


def test_peak_and_mean_need_most_of_their_window():
    x = 10 * np.cos(np.linspace(-1, 1, 40))
    x[10:18] = np.nan
    one = track(x)
    assert np.isnan(one.peak(0.05, 0.30)[0])
    assert np.isnan(one.mean(0.05, 0.30)[0])
    assert np.isfinite(one.mean(0.0, 0.39)[0])


def test_curves_of_the_stick_runner():
    runner = stick(6)
    stances, _ = build_stances(runner.events)
    plane = runner.plane()
    curves = {(c.key, c.side): c for c in stride_curves(plane, stances, com=whole_body_com(plane))}
    assert {k for k, _ in curves} == {
        "knee_flexion",
        "hip_flexion",
        "ankle_dorsiflexion",
        "thigh_angle",
        "shank_angle",
        "trunk_lean",
        "foot_angle",
        "com_height",
    }
    knee = curves["knee_flexion", "right"]
    t = np.linspace(0, STRIDE_S, 101)
    truth = thigh_deg(t, 0.0) - shank_deg(t, 0.0)
    assert knee.strides.shape == (5, 101)
    np.testing.assert_allclose(knee.mean, truth, atol=0.05)
    assert knee.toe_off_percent == pytest.approx(100 * CONTACT_S / STRIDE_S)
    height = curves["com_height", "left"]
    assert float(np.abs(height.strides.mean(axis=1)).max()) < 1e-9
    assert height.unit == "m"
    for c in curves.values():
        assert all(k in REGISTRY for k in c.measure_keys)


def test_a_stride_mostly_unseen_is_left_out_and_a_short_hole_stays():
    runner = stick(6)
    stances, _ = build_stances(runner.events)
    plane = runner.plane()
    usable = plane.usable.copy()
    per = round(STRIDE_S * 240)
    knee = LANDMARK_INDEX["left_knee"]
    usable[:per, knee] = False
    usable[per + 50 : per + 70, knee] = False
    curves = {(c.key, c.side): c for c in stride_curves(attrs.evolve(plane, usable=usable), stances)}
    left = curves["knee_flexion", "left"]
    assert left.stride_indices[0] > 0
    assert left.strides.shape == (4, 101)
    assert 5 <= np.isnan(left.strides[0]).sum() <= 20
    assert np.isfinite(left.mean).all()  # the other strides know that part
