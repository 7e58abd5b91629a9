"""Real time from file time, and what a film's times give away."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from numbered_films import drawn_frame, drawn_info

from midstance.errors import FilmError
from midstance.film.clock import (
    DuplicateFinder,
    capture_clock,
    check_against_cadence,
    nominal_interval_s,
    rate_segments,
    timing_report,
)


def _times(fps: float, count: int = 300) -> np.ndarray:
    return np.arange(count) / fps


def test_without_any_hint_file_time_is_real_time() -> None:
    clock = capture_clock(drawn_info(640, 360, average_fps=Fraction(30000, 1001)), _times(30000 / 1001))
    assert clock.slowdown == 1.0
    assert clock.capture_fps == float(Fraction(30000, 1001))
    assert clock.source == "file frame rate"
    assert clock.real_time_s(2.0) == 2.0


@pytest.mark.parametrize(
    ("stored", "given", "slowdown"),
    [(30.0, 240.0, 8.0), (30000 / 1001, 240.0, 8.0), (25.0, 100.0, 4.0), (60.0, 240.0, 4.0),
     (30.0, 30.0, 1.0),      (29.97, 30.0, 1.0), (24.0, 120.0, 5.0), (30.0, 100.0, 100 / 30)],
)  # fmt: skip
def test_capture_rate_given_by_the_user(stored: float, given: float, slowdown: float) -> None:
    clock = capture_clock(drawn_info(640, 360), _times(stored), given)
    assert clock.slowdown == pytest.approx(slowdown, rel=1e-12)
    assert clock.source == "--capture-fps"
    assert clock.capture_fps == pytest.approx(stored * slowdown)
    assert clock.playback_fps == pytest.approx(stored)
    # A step of 1/3 s plays for slowdown/3 s.
    assert clock.real_time_s(slowdown / 3) == pytest.approx(1 / 3)
    assert clock.file_time_s(clock.real_time_s(1.7)) == pytest.approx(1.7)
    np.testing.assert_allclose(clock.real_times_s(_times(stored, 5)) * slowdown, _times(stored, 5))


def test_capture_rate_written_by_the_phone_and_overruled() -> None:
    info = drawn_info(640, 360, capture_fps_tag=240.0)
    clock = capture_clock(info, _times(29.4))
    assert (clock.slowdown, clock.source) == (8.0, "container metadata")
    assert "slow motion" in clock.notes[0]
    other = capture_clock(info, _times(30.0), 120.0)
    assert (other.slowdown, other.source) == (4.0, "--capture-fps")
    assert "metadata say 240 fps" in other.notes[0]
    # A film stored at its capture rate is not slowed, whatever the tag says about it.
    assert capture_clock(info, _times(240.0)).slowdown == 1.0


@pytest.mark.parametrize("bad", [0.0, -5.0, float("nan"), 1e6, 10.0])
def test_impossible_capture_rates(bad: float) -> None:
    with pytest.raises(FilmError, match="capture rate") as caught:
        capture_clock(drawn_info(640, 360), _times(60.0), bad)
    assert caught.value.next_step


@pytest.mark.parametrize(("cadence", "suggested"), [(21.4, 240), (43.0, 120), (85.0, 60)])
def test_impossible_cadence_asks_for_the_capture_rate(cadence: float, suggested: int) -> None:
    # Derived: 171 steps/min filmed at 240 and stored at 30 plays as 171 × 30 / 240 = 21.4.
    clock = capture_clock(drawn_info(640, 360), _times(30.0))
    with pytest.raises(FilmError) as caught:
        check_against_cadence(clock, cadence, where="side.mp4")
    text = str(caught.value)
    assert f"looks like {suggested} fps stored at 30" in text
    assert f"--capture-fps {suggested}" in text
    assert "120 to 250" in text
    check_against_cadence(
        capture_clock(drawn_info(640, 360), _times(30.0), suggested), cadence * suggested / 30
    )


def test_a_wrong_capture_rate_is_caught_too_and_possible_cadences_pass() -> None:
    clock = capture_clock(drawn_info(640, 360), _times(30.0), 240.0)
    with pytest.raises(FilmError, match=r"taken as 240 fps \(--capture-fps\)"):
        check_against_cadence(clock, 342.0)
    for cadence in (120.0, 150.0, 180.0, 250.0):
        check_against_cadence(clock, cadence)


def test_dropped_pictures_are_counted() -> None:
    times = np.delete(_times(60.0), [50, 51, 120, 200])
    report = timing_report(times)
    assert report.dropped == (49, 117, 196)
    assert report.dropped_frames == 4
    assert not report.variable_rate
    assert report.nominal_fps == pytest.approx(60.0)
    assert report.dropped_fraction == pytest.approx(4 / 300)
    assert timing_report(_times(30000 / 1001)).dropped_frames == 0


def test_a_variable_rate_is_told_from_dropped_pictures() -> None:
    gaps = np.random.default_rng(2).uniform(0.02, 0.045, 300)
    report = timing_report(np.cumsum(gaps))
    assert report.variable_rate
    assert report.jitter_s == pytest.approx(np.std(gaps), rel=0.05)


def test_whole_millisecond_times_are_neither_variable_nor_off() -> None:
    report = timing_report(np.round(_times(240.0, 1000), 3))
    assert not report.variable_rate
    assert report.dropped_frames == 0
    # The median interval is 4 ms = 250 fps; the mean is right.
    assert 1 / nominal_interval_s(np.round(_times(240.0, 1000), 3)) == pytest.approx(240.0, rel=1e-3)


def test_ramped_slow_motion_is_seen() -> None:
    steps = np.concatenate([np.full(60, 1 / 240), np.full(200, 1 / 30), np.full(50, 1 / 240)])
    times = np.concatenate([[0.0], np.cumsum(steps)])
    parts = rate_segments(times)
    assert [round(1 / p.interval_s) for p in parts] == [240, 30, 240]
    assert (parts[1].first, parts[1].last) == (60, 260)
    clock = capture_clock(drawn_info(640, 360), times)
    assert clock.slowdown == 8.0
    assert clock.uniform_s == pytest.approx((0.25, 0.25 + 200 / 30))
    assert "changes speed" in clock.notes[0]
    assert timing_report(times).dropped_frames == 0
    assert len(rate_segments(_times(60.0))) == 1
    assert len(rate_segments(np.delete(_times(60.0), [40, 41, 90]))) == 1


def _runner(step: int) -> np.ndarray:
    noise = np.random.default_rng(step).normal(0, 2, (180, 320, 1))
    rgb = np.full((180, 320, 3), 120.0) + noise
    x = 60 + (step * 3) % 180
    rgb[60:140, x : x + 25] = 40
    return np.clip(rgb, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("repeats", [(), (10, 11, 40), tuple(range(1, 120, 2))])
def test_repeated_pictures_are_found_and_no_others(repeats: tuple[int, ...]) -> None:
    finder = DuplicateFinder()
    shown = 0
    for i in range(120):
        if i not in repeats:
            shown += 1
        finder.add(i, drawn_frame(_runner(shown)).gray_small(160))
    assert finder.duplicates() == repeats
    report = timing_report(_times(60.0, 120), duplicates=finder.duplicates())
    assert report.distinct_fps == pytest.approx(60.0 * (1 - len(repeats) / 120))


def test_a_still_film_has_no_repeats_that_can_be_told() -> None:
    finder = DuplicateFinder()
    for i in range(50):
        finder.add(i, np.full((90, 160), 100, np.uint8))
    assert finder.duplicates() == ()
    assert timing_report([]).frames == 0
    assert DuplicateFinder().duplicates() == ()
