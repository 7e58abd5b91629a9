"""Zero of the platform and the cutting of contacts, on made recordings."""

from __future__ import annotations

import numpy as np
import pytest
from force_runner import MadeRunner, made

from midstance.force.cut import crossing_sigma_s, cut_contacts, quieted
from midstance.force.zero import flight_zero

R = MadeRunner()


def test_crossings_lie_between_samples():
    """Half-sine force reaches body weight 37.57 ms after contact (t_c 250 ms, peak 2.1991 BW) [computed]."""
    up = R.wrench(np.arange(0, 5, 0.001))[:, 1]
    cuts = cut_contacts(up, 1000.0, R.weight_n)
    starts = 100 + 350 * np.arange(len(cuts))
    np.testing.assert_allclose(cuts.on - starts, 37.57, atol=0.02)
    np.testing.assert_allclose(starts + 250 - cuts.off, 37.57, atol=0.02)


@pytest.mark.parametrize("threshold", [20.0, 50.0])
@pytest.mark.parametrize("rate", [300.0, 1000.0])
def test_contact_time_at_the_threshold(threshold, rate):
    up = R.wrench(np.arange(0, 10, 1 / rate))[:, 1]
    cuts = cut_contacts(up, rate, threshold)
    late = R.contact_s / np.pi * np.arcsin(threshold / (R.peak_bw * R.weight_n))
    np.testing.assert_allclose((cuts.off - cuts.on)[cuts.whole] / rate, R.contact_s - 2 * late, atol=3e-4)


def test_contacts_cut_by_the_ends_or_a_gap_are_not_whole():
    up = R.wrench(np.arange(0.2, 1.0, 0.001))[:, 1]
    up[400] = np.nan
    cuts = cut_contacts(up, 1000.0, 50.0)
    assert list(cuts.whole) == [False, False, False, False]  # the first, the two halves around the gap, the last


def test_short_dips_are_bridged_and_short_touches_dropped():
    up = np.zeros(1000)
    up[100:300] = 900.0
    up[200:210] = 0.0
    up[500:530] = 900.0
    cuts = cut_contacts(up, 1000.0, 50.0)
    assert len(cuts) == 1
    assert (cuts.first[0], cuts.last[0]) == (100, 299)


def test_a_wandering_zero_is_taken_out():
    """60 N over two minutes, in every channel, as treadmills do."""
    seconds = 120.0
    t = np.arange(round(seconds * 1000)) / 1000
    drift = 60 * t / seconds + 15 * np.sin(2 * np.pi * t / 40)
    m = made(R, seconds, noise_n=4.0, drift_n=drift)
    w = m.wrench[0].copy()
    w[:, 5] += 0.2 * drift
    zero = flight_zero(w, 1000.0)
    assert len(zero.flights) == pytest.approx(seconds / R.step_s, abs=3)
    np.testing.assert_allclose(zero.offset[:, 1], drift, atol=2.5)
    np.testing.assert_allclose(zero.offset[:, 5], 0.2 * drift, atol=0.7)
    assert zero.noise_n == pytest.approx(4.0, rel=0.1)


def test_no_flight_no_zero():
    """A walker never leaves the ground: nothing is made up."""
    t = np.arange(0, 20, 0.001)
    up = 700 + 150 * np.sin(2 * np.pi * 1.9 * t)
    w = np.zeros((len(t), 6))
    w[:, 1] = up
    zero = flight_zero(w, 1000.0)
    assert len(zero.flights) == 0 or np.abs(zero.offset[:, 1]).max() < 1e-9 or zero.offset[:, 1].min() > 500


def test_a_noisy_platform_is_quietened_before_the_threshold():
    m = made(R, 6.0, noise_n=25.0)
    up = m.wrench[0][:, 1]
    quiet, was = quieted(up, 1000.0, 50.0, 25.0)
    assert was
    assert np.std(quiet[:90]) < 12
    assert quieted(up, 1000.0, 50.0, 5.0)[1] is False
    cuts = cut_contacts(quiet, 1000.0, 50.0)
    assert len(cuts) == pytest.approx(6 / R.step_s, abs=1)


def test_error_of_a_crossing_matches_its_scatter():
    """Simulated: times of crossings of noisy recordings scatter as much as is said, within a half."""
    noise = 6.0
    off = []
    said = []
    for seed in range(20):
        up = made(R, 4.0, noise_n=noise, seed=seed).wrench[0][:, 1]
        cuts = cut_contacts(up, 1000.0, 50.0)
        off += list(cuts.on - (100 + 350 * np.arange(len(cuts))))
        said += [crossing_sigma_s(s, noise, 0.0, 1000.0) * 1000 for s in cuts.on_slope]
    assert 0.5 * np.std(off) < np.median(said) < 2.0 * np.std(off)
