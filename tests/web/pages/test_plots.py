"""Plots: every number is where it must be, whatever the numbers are."""

from __future__ import annotations

import itertools
import math
import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.web.plots import SIGNS, Dot, Point, Row, strip, trend

FINITE = st.floats(-1e6, 1e6, allow_nan=False)


def _percent(text: str) -> float:
    assert text.endswith("%")
    return float(text[:-1])


def _row(side: str, values: list[float]) -> Row:
    mean = sum(values) / len(values)
    return Row(
        side,
        mean,
        min(values),
        max(values),
        tuple(Dot(v, f"/films/a?at={i}", side, str(v)) for i, v in enumerate(values)),
    )


def test_a_strip_has_each_stride_once_at_its_place() -> None:
    svg = ET.fromstring(strip([_row("left", [0.0, 5.0, 10.0]), _row("right", [2.5, 7.5])]))
    links = svg.findall("a")
    places = [(a.get("class"), _percent(a.find("use").get("x"))) for a in links]  # type: ignore[union-attr, arg-type]
    # 4 % of air on both sides, so 0 lies at 4 %, 10 at 96 % and the rest in proportion.
    assert places == [("left", 4.0), ("left", 50.0), ("left", 96.0), ("right", 27.0), ("right", 73.0)]
    assert [a.get("href") for a in links][:2] == ["/films/a?at=0", "/films/a?at=1"]
    means = [
        _percent(line.get("x1")) for line in svg.findall("line") if line.get("class", "").startswith("mean")
    ]  # type: ignore[arg-type]
    assert means == [50.0, 50.0]
    bands = [(_percent(r.get("x")), _percent(r.get("width"))) for r in svg.findall("rect")]  # type: ignore[arg-type]
    assert bands == [(4.0, 92.0), (27.0, 46.0)]


def test_left_is_a_disc_and_right_a_diamond() -> None:
    assert '<circle id="dot-left"' in SIGNS
    assert '<path id="dot-right"' in SIGNS
    assert {"dot-left", "dot-right", "dot-both", "ring-left", "ring-right", "ring-both"} == set(
        re.findall(r'id="([\w-]+)"', SIGNS)
    )


def test_dots_at_the_same_place_dont_hide_each_other() -> None:
    svg = ET.fromstring(strip([_row("left", [1.0, 1.0, 1.0, 2.0])]))
    places = [(u.get("x"), u.get("y")) for a in svg.findall("a") for u in a.findall("use")]
    assert len(set(places)) == 4


def test_the_ticks_are_in_shown_units_and_true() -> None:
    svg = ET.fromstring(strip([_row("left", [0.2, 0.3])], factor=1000.0))
    ticks = {float(t.text or "nan"): _percent(t.get("x", "")) for t in svg.findall("text")}
    assert len(ticks) >= 2
    for value, x in ticks.items():
        assert x == pytest.approx(4 + 92 * (value - 200) / 100, abs=0.01)


def test_zero_is_marked_where_it_lies_within() -> None:
    assert 'class="zero"' in strip([_row("left", [-1.0, 1.0])])
    assert 'class="zero"' not in strip([_row("left", [1.0, 2.0])])


def test_nothing_to_draw_draws_nothing() -> None:
    assert strip([]) == ""
    assert trend([]) == ""


def test_what_people_wrote_stays_text() -> None:
    row = Row("left", 1.0, 0.0, 2.0, (Dot(1.0, '/x"><script>', "left", "<b>"),))
    svg = strip([row])
    assert "<script>" not in svg
    assert "<b>" not in svg


@given(st.lists(FINITE, min_size=1, max_size=40), st.sampled_from([1.0, 100.0, 1000.0]))
def test_any_numbers_make_a_sound_strip(values: list[float], factor: float) -> None:
    svg = ET.fromstring(strip([_row("left", values)], factor))
    for element in svg.iter():
        for name in ("x", "x1", "x2", "width"):
            if name in element.attrib and element.tag != "svg":
                assert -0.01 <= _percent(element.attrib[name]) <= 100.01
        if element.tag == "use":
            assert 0 < float(element.attrib["y"]) < 38


@given(
    st.lists(
        st.tuples(st.integers(700000, 740000), FINITE, st.sampled_from(["left", "right", "both"])),
        min_size=1,
        max_size=24,
    )
)
def test_any_sessions_make_a_sound_trend(sessions: list[tuple[int, float, str]]) -> None:
    points = [
        Point(float(d), "1 May 26", s, v, v - 1, v + 1, "g", "/sessions/a", "t") for d, v, s in sessions
    ]
    svg = ET.fromstring(trend(points))
    assert len(svg.findall(".//use")) == len(points)
    height = float(svg.attrib["height"])
    for element in svg.iter():
        for name in ("y", "y1", "y2"):
            if name in element.attrib:
                assert -0.1 <= float(element.attrib[name]) <= height


def test_a_trend_leaves_out_what_isnt_finite() -> None:
    bad = Point(1.0, "a", "left", math.nan, 0.0, 1.0, "g", "", "")
    assert trend([bad]) == ""


def test_labels_of_near_days_dont_run_into_each_other() -> None:
    points = [Point(738000.0 + d, f"day {d}", "both", 1.0, 0.0, 2.0, "g", "", "") for d in (0, 1, 2, 300)]
    svg = ET.fromstring(trend(points))
    places = sorted(_percent(t.get("x", "")) for t in svg.findall("text") if (t.text or "").startswith("day"))
    assert all(b - a > 15 for a, b in itertools.pairwise(places))
