"""Dates, paces, sizes and measures in words."""

from __future__ import annotations

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.errors import OptionError
from midstance.web import words


def test_days_and_moments() -> None:
    assert words.day(dt.date(2026, 5, 3)) == "3 May 2026"
    assert words.day(None) == ""
    assert words.moment(dt.datetime(2026, 5, 3, 4, 5, tzinfo=dt.UTC)) == "3 May 2026, 04:05 UTC"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "just now"),
        (89, "just now"),
        (300, "5 minutes ago"),
        (3600, "1 hour ago"),
        (80000, "22 hours ago"),
        (90000, "yesterday"),
    ],
)
def test_how_long_ago(seconds: int, said: str) -> None:
    now = dt.datetime(2026, 5, 3, 12, tzinfo=dt.UTC)
    assert words.ago(now - dt.timedelta(seconds=seconds), now) == said


@pytest.mark.parametrize(("count", "said"), [(1, "1 film"), (0, "0 films"), (2, "2 films")])
def test_one_and_many(count: int, said: str) -> None:
    assert words.plural(count, "film") == said


# 1000 m in 300 s are 3.333 m/s; a pace in seconds per kilometre times a speed in m/s is 1000.
@pytest.mark.parametrize(
    ("speed_mps", "said"),
    [(1000 / 300, "5:00 per km (12.0 km/h)"), (2.6, "6:25 per km (9.4 km/h)"), (None, "")],
)
def test_paces(speed_mps: float | None, said: str) -> None:
    assert words.pace(speed_mps) == said


@given(st.floats(1.2, 12.5))
def test_a_speed_as_text_reads_back(speed_mps: float) -> None:
    back = words.parse_running_speed(words.speed_text(speed_mps))
    assert back == pytest.approx(speed_mps, rel=1e-3)


@given(st.integers(81, 830))
def test_whole_seconds_per_kilometre_read_back_exactly(seconds: int) -> None:
    text = words.speed_text(1000 / seconds)
    assert text == f"{seconds // 60}:{seconds % 60:02d}/km"
    assert words.parse_running_speed(text) == pytest.approx(1000 / seconds, rel=1e-12)


@given(st.text(max_size=30))
def test_any_text_is_a_speed_or_told_why_not(text: str) -> None:
    told, speed = None, None
    try:
        speed = words.parse_running_speed(text)
    except OptionError as error:
        told = error
    if told is not None:
        assert told.what
        assert told.allowed
    else:
        assert speed is None or 1.2 <= speed <= 12.5


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (0, "0 bytes"),
        (999, "999 bytes"),
        (1000, "1 kB"),
        (1_400_000, "1.4 MB"),
        (412_000_000, "412 MB"),
        (8_590_000_000, "8.6 GB"),
        (2e13, "20.0 TB"),
    ],
)
def test_sizes(count: float, said: str) -> None:
    assert words.size(count) == said


@pytest.mark.parametrize(
    ("value", "said"), [(4.25, "4.2 s"), (200, "3 min 20 s"), (3660, "1 h 01 min"), (None, "")]
)
def test_lengths_of_time(value: float | None, said: str) -> None:
    assert words.seconds(value) == said


def test_measures_as_people_read_them() -> None:
    assert words.measured("contact_time", "s", 0.2594, 0.238, 0.2809) == {
        "value": "259 ms",
        "unit": "ms",
        "interval": "238 to 281",
        "half": "± 21",
    }
    assert words.measured("shank_angle_contact", "deg", -0.04, -2.0, 2.0)["value"] == "0.0°"
    assert words.measured("trunk_side_lean_peak", "deg", -1.64, -3.0, -0.2)["interval"] == "−3.0 to −0.2"
    assert words.measured("step_width", "m", 0.1716, 0.14, 0.2)["value"] == "17.2 cm"
    assert words.measured("cadence", "steps/min", None)["value"] == ""
