"""Reading at events: exact on what the regression can hold, its error against simulation, corners, real runners."""

from pathlib import Path

import attrs
import numpy as np
import pytest

from midstance.gait import angles
from midstance.gait.at_events import HALF_WINDOW_FRAMES, HALF_WINDOW_S, read_at_events
from midstance.gait.curves import Track
from midstance.signals.filters import butterworth_lowpass

RECORDED = Path(__file__).parents[1] / "data" / "rbds_angles" / "knee_ankle.npz"
EVENTS = np.arange(0.37, 7.0, 0.713)  # never at the same place between two frames


def track(rate, formula, sigma=0.0, rng=None):
    t = np.arange(0, 7.5, 1 / rate)
    y = np.full(len(t), np.nan)
    for k, e in enumerate(EVENTS):
        near = np.abs(t - e) < 0.3
        y[near] = formula(t[near] - e, k)
    if rng is not None:
        y = y + sigma * rng.standard_normal(len(y))
    return Track(t, y, np.full(len(t), sigma), "a, b")


def corner(u, k):
    """Height and slopes of each stride its own, one curvature."""
    return 10 + k + np.where(u < 0, (-150 - 10 * k) * u, (600 + 20 * k) * u) + 900 * u**2


@pytest.mark.parametrize("rate", [60.0, 119.88, 240.0])
def test_a_corner_is_read_exactly(rate):
    read = read_at_events(track(rate, corner), EVENTS)
    np.testing.assert_allclose(read.value, 10 + np.arange(len(EVENTS)), atol=1e-9)
    if rate > 60:
        np.testing.assert_allclose(read.slope_before, -150 - 10 * np.arange(len(EVENTS)), atol=1e-6)
        np.testing.assert_allclose(read.slope_after, 600 + 20 * np.arange(len(EVENTS)), atol=1e-6)
    assert np.abs(read.random).max() < 1e-9


def test_agrees_with_one_large_regression():
    """numpy.linalg.lstsq on all strides at once: the same model with its columns written out."""
    one = track(120.0, corner, 0.8, np.random.default_rng(1))
    half = max(HALF_WINDOW_S, HALF_WINDOW_FRAMES / 120)
    rows, right = [], []
    for k, e in enumerate(EVENTS):
        for t, y in zip(one.time_s, one.value, strict=True):
            u = (t - e) / half
            if abs(u) < 1:
                row = np.zeros(3 * len(EVENTS) + 1)
                row[[3 * k, 3 * k + 1, 3 * k + 2, -1]] = 1, min(u, 0), max(u, 0), u**2
                w = np.sqrt(1 - abs(u))
                rows.append(w * row)
                right.append(w * y)
    expected = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0][:-1:3]
    np.testing.assert_allclose(read_at_events(one, EVENTS).value, expected, atol=1e-9)


@pytest.mark.parametrize(("rate", "n"), [(60.0, 10), (120.0, 3), (240.0, 10)])
def test_stated_error_agrees_with_simulated_noise(rate, n):
    rng = np.random.default_rng(2)
    errors, stated = [], []
    for _ in range(300):
        read = read_at_events(track(rate, corner, 0.8, rng), EVENTS[:n])
        errors.append(read.value - 10 - np.arange(n))
        stated.append(np.hypot(read.random, read.shared))
    # never less than noise of the declared size gives; at most a little more, from residuals that came out large
    assert 0.97 < np.sqrt(np.mean(np.square(stated))) / np.std(errors) < 1.2


def test_noise_beyond_what_was_declared_shows_in_the_error():
    one = track(120.0, corner, 2.0, np.random.default_rng(3))
    modest = attrs.evolve(one, sigma=np.full(len(one.time_s), 0.2))
    assert read_at_events(modest, EVENTS).random.mean() == pytest.approx(
        read_at_events(one, EVENTS).random.mean(), rel=0.4
    )


def test_a_low_pass_rounds_a_corner_that_is_read_here():
    """Why the paths aren't filtered: 20 Hz costs this corner nearly 2 degrees."""
    one = track(240.0, lambda u, k: 12 + np.where(u < 0, -100 * u, 700 * u))
    whole = np.isfinite(one.value)
    smooth = np.where(whole, butterworth_lowpass(one.value, 240.0, 20.0), np.nan)
    filtered = attrs.evolve(one, value=smooth)
    assert np.mean([filtered.at(e) for e in EVENTS]) > 13.7
    np.testing.assert_allclose(read_at_events(one, EVENTS).value, 12, atol=1e-9)


def test_rate_around_a_corner():
    read = read_at_events(track(240.0, lambda u, k: np.where(u < 0, -100 * u, 700 * u)), EVENTS)
    assert read.rate == pytest.approx(np.sqrt((100**2 + 700**2) / 2))


def test_nothing_is_read_where_the_frames_around_may_not_be():
    one = track(120.0, corner)
    value = one.value.copy()
    beside = np.argsort(np.abs(one.time_s - EVENTS[2]))[0]
    value[beside] = np.nan
    read = read_at_events(attrs.evolve(one, value=value), EVENTS)
    assert np.isnan(read.value[2])
    assert np.isfinite(np.delete(read.value, 2)).all()
    assert read_at_events(attrs.evolve(one, value=np.full(len(value), np.nan)), EVENTS).rate == 0.0
    assert read_at_events(one, []).value.shape == (0,)


def test_at_the_edge_of_the_film_a_line_serves():
    t = np.arange(0, 1, 1 / 120)
    one = Track(t, 5 + 40 * t, np.full(len(t), 0.1), "a")
    read = read_at_events(one, [0.0, 0.5, t[-1], 2.0])
    np.testing.assert_allclose(read.value, [5, 25, 5 + 40 * t[-1], np.nan], atol=1e-9)
    assert read.random[0] > 1.05 * read.random[1]


@pytest.mark.parametrize("rate", [60.0, 120.0])
def test_real_runners_are_read_as_at_full_rate(rate):
    """Markers of three runners (Fukuchi et al. 2017, PeerJ 5:e3298; see data/rbds_angles/README.md), contacts from
    force: thinned frames against the value between the unfiltered frames at 150 Hz.
    """
    errors = []
    with np.load(RECORDED) as z:
        for trial in ("runner01_3.5mps", "runner12_2.5mps", "runner20_4.5mps"):
            for side in ("left", "right"):
                t = z[f"{trial}__time_s"].astype(float)
                p = [z[f"{trial}__{side}_{n}_mm10"] / 1e4 for n in ("hip", "knee", "ankle")]
                on = z[f"{trial}__{side}_contact_on_s"]
                on = on[(on > t[0] + 0.06) & (on < t[-1] - 0.06)]
                fine = np.arange(t[0] + 0.001, t[-1], 1 / rate)
                thin = [np.stack([np.interp(fine, t, x[:, c]) for c in (0, 1)], axis=1) for x in p]
                zero = np.zeros(len(t))
                truth = Track(t, angles.knee_flexion(*p), zero, "")
                ours = Track(fine, angles.knee_flexion(*thin), np.zeros(len(fine)), "")
                errors += list(read_at_events(ours, on).value - [truth.at(e) for e in on])
    assert len(errors) >= 15
    assert abs(float(np.mean(errors))) < 0.25
    assert float(np.median(np.abs(errors))) < 0.4
