"""Filters against closed forms, scipy and a slow two-pass recursion."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from scipy import signal

from midstance.signals.filters import (
    MIN_RUN,
    TWO_PASS_CORRECTION,
    butterworth_lowpass,
    finite_runs,
    noise_gain,
    noise_sigma_after_filter,
    residual_cutoff,
    two_pass_design_hz,
)


def slow_two_pass(x, rate_hz, cutoff_hz):
    """Obvious version: the recursion written out, run forward and backward over a long reflected pad."""
    b, a = signal.butter(2, two_pass_design_hz(rate_hz, cutoff_hz), fs=rate_hz)
    pad = len(x) - 1
    y = np.concatenate([2 * x[0] - x[pad:0:-1], x, 2 * x[-1] - x[-2 : -pad - 2 : -1]])
    for _ in range(2):
        out = np.zeros_like(y)
        x1 = x2 = y1 = y2 = y[0]
        for i, value in enumerate(y):
            new = b[0] * value + b[1] * x1 + b[2] * x2 - a[1] * y1 - a[2] * y2
            x2, x1, y2, y1 = x1, value, y1, new
            out[i] = new
        y = out[::-1]
    return y[pad:-pad]


def test_two_pass_correction_value():
    """C = 0.802243, 1/C = 1.246505. Source: Winter 2009, 4th ed., p. 69; digits computed from its formula."""
    assert_allclose(TWO_PASS_CORRECTION, 0.802243, atol=5e-7)
    assert_allclose(1 / TWO_PASS_CORRECTION, 1.246505, atol=5e-7)


def test_design_frequency_and_gain_at_the_cutoff():
    """240 Hz, 10 Hz: design 12.426 Hz, two-pass gain 0.70711 at 10 Hz; outside reference: scipy.signal."""
    design = two_pass_design_hz(240.0, 10.0)
    assert_allclose(design, 12.426, atol=5e-4)
    b, a = signal.butter(2, design, fs=240.0)
    _, h = signal.freqz(b, a, worN=[10.0], fs=240.0)
    assert_allclose(abs(h[0]) ** 2, np.sqrt(0.5), atol=1e-6)


def test_without_the_correction_ten_hz_would_be_eight():
    """Uncorrected, gain at 10 Hz is 0.5000 and -3 dB lies at 8.04 Hz: why the correction is there."""
    b, a = signal.butter(2, 10.0, fs=240.0)
    frequencies, h = signal.freqz(b, a, worN=np.linspace(5, 12, 7001), fs=240.0)
    gain = abs(h) ** 2
    assert_allclose(np.interp(10.0, frequencies, gain), 0.5, atol=1e-4)
    assert_allclose(frequencies[np.argmax(gain < np.sqrt(0.5))], 8.04, atol=0.01)


@pytest.mark.parametrize("frequency_hz", [1.0, 5.0, 10.0, 20.0])
def test_gain_and_lag_of_a_sine(frequency_hz):
    rate = 240.0
    t = np.arange(0, 8, 1 / rate)
    y = butterworth_lowpass(np.sin(2 * np.pi * frequency_hz * t), rate, 10.0)
    middle = slice(480, -480)
    warped = np.tan(np.pi * frequency_hz / rate) / np.tan(np.pi * two_pass_design_hz(rate, 10.0) / rate)
    gain = 1 / (1 + warped**4)
    assert_allclose(y[middle], gain * np.sin(2 * np.pi * frequency_hz * t[middle]), atol=2e-6)


@pytest.mark.parametrize("n", [40, 61, 300])
@pytest.mark.parametrize("cutoff_hz", [5.0, 20.0])
def test_agrees_with_the_slow_recursion(n, cutoff_hz):
    x = np.cumsum(np.random.default_rng(n).normal(size=n))
    fast = butterworth_lowpass(x, 120.0, cutoff_hz)
    inside = slice(12, -12) if n > 40 else slice(16, -16)
    assert_allclose(fast[inside], slow_two_pass(x, 120.0, cutoff_hz)[inside], atol=0.02 * np.ptp(x))
    if n == 300:
        assert_allclose(fast[60:-60], slow_two_pass(x, 120.0, cutoff_hz)[60:-60], atol=1e-6 * np.ptp(x))


def test_straight_lines_pass_unchanged_to_the_very_ends():
    t = np.arange(100) / 60.0
    x = np.stack([3.0 - 2.0 * t, np.full(100, 7.0)], axis=1)
    assert_allclose(butterworth_lowpass(x, 60.0, 6.0), x, atol=1e-9)


def test_gaps_stay_and_do_not_leak():
    rng = np.random.default_rng(1)
    x = rng.normal(size=(200, 2))
    x[80:90, 0] = np.nan
    y = butterworth_lowpass(x, 100.0, 10.0)
    assert_allclose(np.isnan(y), np.isnan(x))
    assert_allclose(y[:80, 0], butterworth_lowpass(x[:80, 0], 100.0, 10.0))
    assert_allclose(y[90:, 0], butterworth_lowpass(x[90:, 0], 100.0, 10.0))
    assert_allclose(y[:, 1], butterworth_lowpass(x[:, 1], 100.0, 10.0))


def test_runs_too_short_are_left_as_they_are():
    x = np.full(20, np.nan)
    x[5 : 5 + MIN_RUN - 1] = [1.0, 5.0, 2.0]
    assert_allclose(butterworth_lowpass(x, 100.0, 10.0), x)
    assert butterworth_lowpass(np.empty((0, 3)), 100.0, 10.0).shape == (0, 3)


def test_axis_is_the_time_axis():
    x = np.random.default_rng(2).normal(size=(3, 90))
    assert_allclose(butterworth_lowpass(x, 60.0, 8.0, axis=1), butterworth_lowpass(x.T, 60.0, 8.0).T)


@pytest.mark.parametrize("cutoff_hz", [0.0, -1.0, 30.0, 45.0, np.nan])
def test_impossible_cutoffs_are_refused(cutoff_hz):
    with pytest.raises(ValueError, match="between 0 and half the sampling rate"):
        butterworth_lowpass(np.zeros(50), 60.0, cutoff_hz)


@settings(max_examples=30, deadline=None)
@given(scale=st.floats(0.01, 100), shift=st.floats(-50, 50), seed=st.integers(0, 999))
def test_linear_and_blind_to_direction_of_time(scale, shift, seed):
    x = np.random.default_rng(seed).normal(size=150)
    y = butterworth_lowpass(x, 120.0, 9.0)
    moved = butterworth_lowpass(scale * x + shift, 120.0, 9.0)
    assert_allclose(moved, scale * y + shift, atol=1e-8 * (1 + scale))
    # A forward-backward filter treats both directions of time alike, away from the ends.
    assert_allclose(butterworth_lowpass(x[::-1], 120.0, 9.0)[::-1][60:90], y[60:90], atol=1e-3)


@pytest.mark.parametrize(("rate_hz", "cutoff_hz"), [(60.0, 6.0), (240.0, 12.0), (120.0, 50.0)])
def test_noise_left_by_the_filter(rate_hz, cutoff_hz):
    """The stated noise gain against simulated white noise."""
    noise = np.random.default_rng(3).normal(scale=2.0, size=(4000, 20))
    left = butterworth_lowpass(noise, rate_hz, cutoff_hz)[200:-200].std()
    assert_allclose(noise_sigma_after_filter(2.0, rate_hz, cutoff_hz), left, rtol=0.02)
    assert 0 < noise_gain(rate_hz, cutoff_hz) < 1


def test_residual_analysis_finds_the_noise():
    rng = np.random.default_rng(4)
    t = np.arange(0, 10, 1 / 120)
    x = np.sin(2 * np.pi * 1.4 * t) + 0.3 * np.sin(2 * np.pi * 4.2 * t) + rng.normal(scale=0.02, size=len(t))
    found = residual_cutoff(x, 120.0)
    assert_allclose(found.noise_rms, 0.02, rtol=0.2)  # an estimate: the tail is not quite straight
    assert 4.2 < found.cutoff_hz < 20
    assert found.cutoffs_hz.shape == found.residuals.shape


def test_residual_analysis_of_two_series_is_refused():
    with pytest.raises(ValueError, match="one series"):
        residual_cutoff(np.zeros((50, 2)), 60.0)
    with pytest.raises(ValueError, match="20 finite"):
        residual_cutoff(np.full(50, np.nan), 60.0)


def test_finite_runs():
    assert finite_runs(np.array([True, True, False, True])) == [(0, 2), (3, 4)]
    assert finite_runs(np.zeros(3, dtype=bool)) == []
