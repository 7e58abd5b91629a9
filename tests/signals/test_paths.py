"""Derivatives, gaps, resampling, normalising and periods against closed forms."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy.interpolate import CubicSpline

from midstance.signals.derivatives import derivative, second_derivative
from midstance.signals.gaps import fill_short_gaps
from midstance.signals.normalise import to_percent
from midstance.signals.periodic import stride_period
from midstance.signals.timebase import resample


@pytest.fixture
def uneven_s():
    return np.cumsum(np.random.default_rng(0).uniform(0.5, 1.5, size=80)) / 100


def test_derivatives_of_a_parabola_are_exact_at_uneven_times(uneven_s):
    t = uneven_s
    x = np.stack([2 + 3 * t - 5 * t**2, t], axis=1)
    assert_allclose(derivative(t, x), np.stack([3 - 10 * t, np.ones_like(t)], axis=1), atol=1e-9)
    second = second_derivative(t, x)
    assert np.isnan(second[[0, -1]]).all()
    assert_allclose(second[1:-1], np.tile([-10.0, 0.0], (78, 1)), atol=1e-8)


def test_derivatives_of_a_sine_converge_with_the_square_of_the_step():
    def worst(n):
        t = np.linspace(0, 1, n)
        return np.abs(second_derivative(t, np.sin(6 * t))[1:-1] + 36 * np.sin(6 * t[1:-1])).max()

    assert worst(101) / worst(201) == pytest.approx(4, rel=0.1)


def test_gaps_propagate_through_derivatives_and_no_further():
    t = np.arange(20) / 10
    x = t**2
    x[8] = np.nan
    assert np.flatnonzero(np.isnan(derivative(t, x))).tolist() == [7, 8, 9]
    assert np.flatnonzero(np.isnan(second_derivative(t, x))).tolist() == [0, 7, 8, 9, 19]


def test_bad_times_are_refused():
    with pytest.raises(ValueError, match="strictly increasing"):
        derivative([0, 1, 1], [0, 0, 0])
    with pytest.raises(ValueError, match="at least 3"):
        derivative([0, 1], [0, 0])
    with pytest.raises(ValueError, match="samples along"):
        second_derivative([0, 1, 2], [0, 0])


def test_only_short_inner_gaps_are_filled():
    t = np.arange(40) / 100
    x = np.stack([t, t**2], axis=1)
    x[:2, 0] = x[10:13, 0] = x[20:27, 0] = x[-1, 0] = np.nan
    out, filled = fill_short_gaps(t, x, max_gap_s=0.05)
    assert np.flatnonzero(filled[:, 0]).tolist() == [10, 11, 12]
    assert not filled[:, 1].any()
    assert_allclose(out[10:13, 0], t[10:13], atol=1e-12)
    assert np.flatnonzero(np.isnan(out[:, 0])).tolist() == [0, 1, *range(20, 27), 39]
    assert np.isnan(x[10, 0])  # the input is left alone


def test_gap_length_is_time_not_samples():
    t = np.array([0, 0.01, 0.02, 0.12, 0.13])
    x = np.array([0, 1, np.nan, 3, 4.0])
    assert not fill_short_gaps(t, x, 0.1)[1].any()
    assert fill_short_gaps(t, x, 0.11)[1].tolist() == [False, False, True, False, False]


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 9999), width=st.integers(1, 4))
def test_filled_values_stay_between_their_neighbours(seed, width):
    rng = np.random.default_rng(seed)
    x = rng.normal(size=30)
    a = int(rng.integers(1, 25))
    x[a : a + width] = np.nan
    out, filled = fill_short_gaps(np.arange(30) / 60, x, 1.0)
    low, high = sorted((x[a - 1], x[a + width]))
    assert filled.sum() == width
    assert ((out[a : a + width] >= low - 1e-12) & (out[a : a + width] <= high + 1e-12)).all()


def test_resampling_is_the_spline_and_never_leaves_the_data(uneven_s):
    x = np.sin(20 * uneven_s)
    new = np.linspace(uneven_s[0] - 0.1, uneven_s[-1] + 0.1, 333)
    y = resample(uneven_s, x, new)
    inside = (new >= uneven_s[0]) & (new <= uneven_s[-1])
    assert np.isnan(y[~inside]).all()
    assert_allclose(y[inside], CubicSpline(uneven_s, x)(new[inside]))


def test_resampling_keeps_gaps_and_short_runs():
    t = np.arange(12.0)
    x = t**2
    x[[3, 7, 10]] = np.nan  # runs of 3, 3, 2 and 1 samples
    new = np.array([1.5, 2.5, 4.5, 6.5, 8.5, 9.5, 11.0])
    y = resample(t, x, new)
    assert_allclose(y[[0, 2]], new[[0, 2]] ** 2)
    assert_allclose(y[4], (64 + 81) / 2)
    assert_allclose(y[6], 121)
    assert np.isnan(y[[1, 3, 5]]).all()


def test_percent_of_a_stride():
    t = np.arange(0, 2, 0.01)
    y = to_percent(t, np.stack([t, np.cos(t)], axis=1), 0.333, 1.333)
    assert y.shape == (101, 2)
    assert_allclose(y[:, 0], np.linspace(0.333, 1.333, 101), atol=1e-12)
    assert_allclose(y[:, 1], np.cos(np.linspace(0.333, 1.333, 101)), atol=1e-8)
    assert np.isnan(to_percent(t, t, 1.5, 2.5)[-1])
    with pytest.raises(ValueError, match="t1 must come after t0"):
        to_percent(t, t, 1.0, 1.0)
    with pytest.raises(ValueError, match="at least 2"):
        to_percent(t, t, 0.0, 1.0, n=1)


@settings(max_examples=40, deadline=None)
@given(
    period=st.floats(0.5, 1.0),
    phase=st.floats(0, 6.28),
    scale=st.floats(0.1, 100),
    rate=st.sampled_from([60, 120]),
)
def test_period_of_a_noisy_rhythm(period, phase, scale, rate):
    t = np.arange(0, 8, 1 / rate)
    x = np.sin(2 * np.pi * t / period + phase) + 0.4 * np.sin(4 * np.pi * t / period)
    noisy = scale * (x + np.random.default_rng(0).normal(scale=0.1, size=len(t)))
    found = stride_period(noisy, rate)
    assert found is not None
    assert found.period_s == pytest.approx(period, rel=0.01)
    assert found.strength > 0.8


def test_period_survives_gaps_and_uses_all_series():
    t = np.arange(0, 6, 1 / 100)
    x = np.stack([np.sin(2 * np.pi * t / 0.7), np.cos(2 * np.pi * t / 0.7)], axis=1)
    x[100:140, 0] = np.nan
    found = stride_period(x, 100.0)
    assert found is not None
    assert found.period_s == pytest.approx(0.7, rel=0.003)


@pytest.mark.parametrize(
    "x",
    [
        np.zeros(500),
        np.full(500, np.nan),
        np.arange(500.0),
        np.random.default_rng(5).normal(size=500),
        np.sin(np.arange(20)),
        np.sin(2 * np.pi * np.arange(900) / 400),
    ],
    ids=["still", "missing", "drift", "noise", "short", "slow"],
)
def test_no_rhythm_is_none(x):
    assert stride_period(x, 100.0) is None
