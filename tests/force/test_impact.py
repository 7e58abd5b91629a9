"""Impact peak and loading rates on curves whose answer is known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from force_runner import MadeRunner

from midstance.force.impact import impact_peak, loading_rates

BW = 700.0


def test_straight_rise():
    """0 to 1120 N in 25 ms at 700 N body weight: 64.0 BW/s whatever the shares are of (definition of Milner et al. 2006)."""
    t = np.arange(0, 0.0251, 0.001)
    f = 1120 * t / 0.025
    for share_of in ("force", "time"):
        got = loading_rates(t, f, len(t) - 1, share_of=share_of)
        assert got.average / BW == pytest.approx(64.0, abs=0.01)
        assert got.peak / BW == pytest.approx(64.0, abs=0.01)


def test_half_sine_rise():
    """1.6 BW in 30 ms as a quarter of a sine wave: 69.24 BW/s from 20 to 80 % of the force, 83.78 BW/s at the steepest."""
    t = np.linspace(0, 0.030, 3001)
    f = 1.6 * BW * np.sin(np.pi / 2 * t / 0.030)
    got = loading_rates(t, f, len(t) - 1)
    assert got.average / BW == pytest.approx(69.24, abs=0.01)
    assert got.peak / BW == pytest.approx(83.78, abs=0.05)
    by_time = loading_rates(t, f, len(t) - 1, share_of="time")
    closed = 1.6 * (np.sin(0.8 * np.pi / 2) - np.sin(0.2 * np.pi / 2)) / (0.6 * 0.030)
    assert by_time.average / BW == pytest.approx(closed, abs=0.01)


def test_half_sine_rise_at_1000_hz():
    t = np.arange(0, 0.0301, 0.001)
    got = loading_rates(t, 1.6 * BW * np.sin(np.pi / 2 * t / 0.030), len(t) - 1)
    assert got.average / BW == pytest.approx(69.24, rel=0.005)


def contact(impact_bw: float, impact_s: float = 0.030) -> np.ndarray:
    r = MadeRunner(impact_bw=impact_bw, impact_s=impact_s)
    t = np.arange(0.1, 0.1 + r.contact_s, 0.001)
    return r.wrench(t)[:, 1]


def test_an_impact_is_found_where_it_is():
    up = contact(1.2)
    found = impact_peak(up, 1000.0, 70 * 9.81)
    top = int(np.argmax(up[:50]))
    assert found.sample == top
    assert found.force_n == pytest.approx(up[top])
    assert found.dip_n > 0.02 * 70 * 9.81


@pytest.mark.parametrize("impact", [0.0, 0.05])
def test_no_distinct_impact_peak_is_said(impact):
    found = impact_peak(contact(impact), 1000.0, 70 * 9.81)
    assert found.sample is None
    assert np.isnan(found.force_n)


def test_noise_is_no_impact_peak():
    rng = np.random.default_rng(3)
    for _ in range(50):
        up = contact(0.0) + rng.normal(0, 8, 250)
        assert impact_peak(up, 1000.0, 70 * 9.81, noise_n=8.0).sample is None


def test_the_active_peak_is_no_impact_peak():
    t = np.arange(0, 0.120, 0.001)  # a sprinter's short contact, one summit after 30 ms
    up = 2400 * np.sin(np.pi * np.minimum(t / 0.06, 1 + (t - 0.06) / 0.06) / 2)
    assert impact_peak(up, 1000.0, 700.0).sample is None


def test_too_short_a_rise_has_no_rate():
    assert np.isnan(loading_rates([0.0, 0.001], [0.0, 100.0], 1).average)
