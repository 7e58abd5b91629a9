"""Which leg is which: a runner of known left and right, with the exchanges a landmark network makes put in."""

from __future__ import annotations

import numpy as np
import pytest
from walkers import BODY_PX, LEFT, RIGHT, inject_swaps, noisy, paths_of, swap, walker, wrong_share

from midstance.pose.legs import (
    MAX_LOSS_S,
    PARTS,
    READINGS,
    any_step_rate_hz,
    exchange,
    settle_legs,
    step_clock,
)

FEET = PARTS[2]


def separation(xy: np.ndarray) -> np.ndarray:
    """Left minus right foot across the picture, by a plain loop over ankle, heel and toe."""
    return np.mean([xy[:, LEFT[k], 0] - xy[:, RIGHT[k], 0] for k in FEET], axis=0)


def settle(w, xy, **kwargs):
    return settle_legs(w.time_s, xy, np.full(xy.shape[:2], 0.95), BODY_PX, **kwargs)


@pytest.mark.parametrize("rate_hz", [30, 60, 120, 240])
@pytest.mark.parametrize("direction", [1, -1])
@pytest.mark.parametrize("noise", [0.003, 0.006])
def test_injected_swaps_are_undone_in_99_of_100_frames(rate_hz, direction, noise):
    before, after = [], []
    for seed, cadence in ((5, 150.0), (6, 168.0), (7, 190.0)):
        rng = np.random.default_rng(seed)
        w = walker(8, rate_hz, direction=direction, cadence=cadence)
        bad = inject_swaps(noisy(w.xy, noise, rng), rate_hz, rng)
        before.append(wrong_share(bad, w.xy))
        after.append(wrong_share(settle(w, bad).xy, w.xy))
    assert min(before) > 0.07  # there was something to put right
    assert max(after) <= 0.01


@pytest.mark.parametrize("rate_hz", [60, 120, 240])
def test_noise_of_one_percent_of_height_still_leaves_98_of_100_frames_right(rate_hz):
    rng = np.random.default_rng(5)
    w = walker(8, rate_hz)
    bad = inject_swaps(noisy(w.xy, 0.01, rng), rate_hz, rng)
    assert wrong_share(settle(w, bad).xy, w.xy) <= 0.02


@pytest.mark.parametrize("rate_hz", [60, 120, 240])
@pytest.mark.parametrize("direction", [1, -1])
def test_swaps_that_last_longer_than_a_stride_are_undone(rate_hz, direction):
    """Momentum alone would follow a swap that lasts 1.5 s; the step clock does not."""
    rng = np.random.default_rng(11)
    w = walker(8, rate_hz, direction=direction)
    bad = inject_swaps(noisy(w.xy, 0.004, rng), rate_hz, rng, long_s=(1.2, 1.5))
    assert wrong_share(bad, w.xy) > 0.3
    assert wrong_share(settle(w, bad).xy, w.xy) <= 0.01


@pytest.mark.parametrize("rate_hz", [60, 120, 240])
def test_a_long_swap_between_two_losses_needs_the_clock(rate_hz):
    """Across a loss of a fifth of a second momentum knows nothing and follows the network's labels; the clock does not."""
    rng = np.random.default_rng(11)
    w = walker(8, rate_hz)
    bad = noisy(w.xy, 0.004, rng)
    swap(bad, np.flatnonzero((w.time_s > 3.0) & (w.time_s < 4.6)), 0)
    kept = (np.abs(w.time_s - 3.0) > 0.1) & (np.abs(w.time_s - 4.6) > 0.1)
    seen = type(w)(w.time_s[kept], w.xy[kept], w.phase[kept])
    assert wrong_share(settle(seen, bad[kept]).xy, seen.xy) <= 0.01
    assert wrong_share(settle(seen, bad[kept], use_clock=False).xy, seen.xy) > 0.1


@pytest.mark.parametrize("start", [0, 1, 2])
def test_single_frames_are_undone_wherever_the_legs_are(start):
    """One exchanged frame every tenth of a second, from hip, knee or ankle: all of those with the legs apart come back."""
    w = walker(6, 120)
    bad = noisy(w.xy, 0.003, np.random.default_rng(2))
    rows = np.arange(5, len(bad), 12)
    swap(bad, rows, start)
    assert wrong_share(bad, w.xy) > 0.06
    result = settle(w, bad)
    assert wrong_share(result.xy, w.xy) == 0.0
    apart = np.abs(separation(w.xy)) > 0.1 * BODY_PX
    assert result.swapped[rows][apart[rows]].all()
    assert result.swapped.sum() <= 1.2 * len(rows)


def test_a_clean_runner_is_left_alone():
    w = walker(6, 120)
    result = settle(w, noisy(w.xy, 0.003, np.random.default_rng(3)))
    assert result.swapped.mean() < 0.005
    assert wrong_share(result.xy, w.xy) == 0.0


def test_the_score_goes_with_its_landmark():
    w = walker(4, 120)
    score = np.tile(np.where(np.isin(np.arange(33), LEFT), 0.9, 0.4), (len(w.time_s), 1))
    bad, bad_score = w.xy.copy(), score.copy()
    rows = np.arange(100, 110)
    swap(bad, rows, 0)
    bad_score[np.ix_(rows, LEFT)], bad_score[np.ix_(rows, RIGHT)] = 0.4, 0.9
    result = settle_legs(w.time_s, bad, bad_score, BODY_PX)
    assert wrong_share(result.xy, w.xy) == 0.0
    np.testing.assert_array_equal(result.score[:, LEFT[1:]], score[:, LEFT[1:]])


def test_uneven_frame_times_do_no_harm():
    rng = np.random.default_rng(9)
    w = walker(8, 240)
    keep = np.flatnonzero(rng.random(len(w.time_s)) < 0.6)
    bad = inject_swaps(noisy(w.xy, 0.003, rng), 240, rng)[keep]
    result = settle_legs(w.time_s[keep], bad, np.ones(bad.shape[:2]), BODY_PX)
    assert wrong_share(result.xy, w.xy[keep]) <= 0.01


def test_after_a_long_loss_each_side_is_settled_alone():
    """During a loss of 4 s an unseen change of cadence shifts the clock by half a stride: it must not swap the rest."""
    a, b = walker(5, 120, cadence=160), walker(5, 120, cadence=172)
    for shift in np.linspace(0, 0.75, 6):
        gap = MAX_LOSS_S + 2.5 + shift
        t = np.concatenate([a.time_s, a.time_s[-1] + gap + b.time_s])
        truth = np.concatenate([a.xy, b.xy])
        rng = np.random.default_rng(1)
        bad = inject_swaps(noisy(truth, 0.003, rng), 120, rng)
        result = settle_legs(t, bad, np.ones(bad.shape[:2]), BODY_PX)
        assert wrong_share(result.xy, truth) <= 0.01
        assert result.phase is not None
        same = np.angle(np.exp(1j * (result.phase - np.concatenate([a.phase, b.phase]))))
        assert np.abs(same - np.median(same)).max() < 0.5  # the left foot leads at the same phase on both sides


@pytest.mark.parametrize("n", [0, 1, 3, 4, 5, 20])
def test_very_short_runs_come_back_unchanged_in_shape(n):
    w = walker(1, 120)
    xy = w.xy[:n]
    result = settle_legs(w.time_s[:n], xy, np.ones((n, 33)), BODY_PX)
    assert result.xy.shape == (n, 33, 2)
    np.testing.assert_array_equal(result.xy, xy)


@pytest.mark.parametrize("rate_hz", [30, 60, 120, 240])
@pytest.mark.parametrize("cadence", [140, 168, 200, 230])
def test_step_clock_keeps_the_phase_within_a_twentieth_of_a_step(rate_hz, cadence):
    w = walker(10, rate_hz, cadence=cadence, drift=0.015)
    rng = np.random.default_rng(0)
    bad = inject_swaps(noisy(w.xy, 0.006, rng), rate_hz, rng, long_s=(1.2,))
    phase = step_clock(w.time_s, separation(bad))
    assert phase is not None
    # Twice the phase is the step's: the sign for the film is left open on purpose.
    error = np.angle(np.exp(2j * (phase - w.phase)))
    error = np.angle(np.exp(1j * (error - np.angle(np.exp(1j * error).mean()))))
    assert np.abs(error).max() < 2 * np.pi / 20


@pytest.mark.parametrize("seconds", [0.95, 1.1, 1.3, 1.7, 2.4, 2.6])
def test_short_films_have_a_clock_too(seconds):
    for rate_hz in (30, 60, 240):
        w = walker(seconds, rate_hz)
        bad = noisy(w.xy, 0.003, np.random.default_rng(1))
        phase = step_clock(w.time_s, separation(bad))
        assert phase is not None
        assert phase.shape == w.time_s.shape
        error = np.angle(np.exp(2j * (phase - w.phase)))
        assert np.ptp(np.unwrap(error)) < 2 * np.pi / 4
        swap(bad, np.arange(10, 14), 0)
        assert wrong_share(settle(w, bad).xy, w.xy) == 0.0


def test_step_clock_is_the_same_whichever_foot_is_called_left():
    w = walker(6, 120)
    rng = np.random.default_rng(4)
    bad = noisy(w.xy, 0.003, rng)
    plain = step_clock(w.time_s, separation(bad))
    swap(bad, np.flatnonzero(rng.random(len(bad)) < 0.5), 0)
    np.testing.assert_allclose(step_clock(w.time_s, separation(bad)), plain, atol=1e-9)


def test_no_clock_for_a_standing_person_or_a_walker_or_too_little_film():
    rng = np.random.default_rng(8)
    standing = walker(8, 120, moves=False)
    assert step_clock(standing.time_s, separation(standing.xy)) is None  # a frozen picture
    for noise in (0.002, 0.01):
        assert step_clock(standing.time_s, separation(noisy(standing.xy, noise, rng))) is None
    slow = walker(8, 120, cadence=80)  # below what anybody runs
    assert step_clock(slow.time_s, separation(noisy(slow.xy, 0.003, rng))) is None
    short = walker(0.8, 120)
    assert step_clock(short.time_s, separation(short.xy)) is None


def test_a_standing_person_is_not_given_swaps_by_noise():
    rng = np.random.default_rng(8)
    w = walker(5, 120, moves=False)
    xy = w.xy.copy()
    xy[:, LEFT[1:], 0] += 0.08 * BODY_PX  # one foot in front
    result = settle(w, noisy(xy, 0.003, rng))
    assert result.phase is None
    assert not result.swapped.any()


def test_every_reading_is_its_own_inverse_and_they_differ():
    w = walker(1, 60)
    seen = set()
    for r in range(len(READINGS)):
        out = exchange(w.xy, r)
        np.testing.assert_array_equal(exchange(out, r), w.xy)
        seen.add(out.tobytes())
    assert READINGS[0] == (False, False, False)
    assert len(seen) == len(READINGS)


@pytest.mark.parametrize("slowdown", [4.0, 8.0])
def test_any_step_rate_finds_slow_motion_and_is_silent_at_true_speed(slowdown):
    w = walker(8, 240)
    assert any_step_rate_hz(paths_of(w, w.xy)) is None
    slow = type(w)(w.time_s * slowdown, w.xy, w.phase)
    rate = any_step_rate_hz(paths_of(slow, slow.xy))
    assert rate == pytest.approx(168 / 60 / slowdown, rel=0.05)
