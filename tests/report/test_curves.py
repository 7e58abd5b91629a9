"""Drawings: well-formed, honest about gaps, escaped."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample import sample_assessment

from midstance.report.curves import curve_drawing, dot_drawing, dot_range, nice_ticks, standalone

CURVES = sample_assessment().curves


def test_drawing_is_xml_with_a_path_for_every_side() -> None:
    drawing = curve_drawing(CURVES[:2], "bent")
    root = ET.fromstring(standalone(drawing.svg))
    classes = [e.get("class") for e in root.iter()]
    for name in ("sl", "sr", "ml", "mr"):
        assert name in classes
    assert "bent ↑" in drawing.svg
    assert "toe-off" in drawing.svg
    assert "12 strides" in drawing.alt


def test_gap_in_a_curve_stays_a_gap() -> None:
    c = CURVES[0]
    mean = c.mean.copy()
    mean[40:60] = np.nan
    whole = curve_drawing([attrs.evolve(c, strides=c.strides[:1])], "").svg
    gap = curve_drawing([attrs.evolve(c, strides=c.strides[:1], mean=mean)], "").svg
    path = next(p for p in gap.split("<path ") if p.startswith('class="ml"'))
    assert path.count("M") == 2
    assert "nan" not in gap
    assert next(p for p in whole.split("<path ") if p.startswith('class="ml"')).count("M") == 1


def test_empty_curve_is_drawn_without_numbers() -> None:
    c = attrs.evolve(CURVES[0], strides=np.full((0, 101), np.nan), mean=np.full(101, np.nan), toe_off_percent=np.nan)
    assert "nan" not in curve_drawing([c], "").svg


def test_text_is_escaped() -> None:
    drawing = curve_drawing([attrs.evolve(CURVES[0], unit="<b>")], "<script>")
    assert "<script>" not in drawing.svg
    assert "<b>" not in drawing.svg


def test_mean_lies_where_the_axis_says() -> None:
    c = attrs.evolve(CURVES[0], strides=np.full((1, 101), 30.0), mean=np.linspace(0.0, 100.0, 101))
    svg = curve_drawing([c], "").svg
    y = {t.text: float(t.get("y", 0)) for t in ET.fromstring(svg).iter() if t.tag.endswith("text")}
    path = next(p for p in svg.split("<path ") if p.startswith('class="ml"'))
    points = path.split('d="')[1].split('"')[0]
    first, last = points[1:].split("L")[0].split(), points.split("L")[-1].split()
    assert float(first[1]) == pytest.approx(y["0"] - 3.3, abs=0.11)
    assert float(last[1]) == pytest.approx(y["100"] - 3.3, abs=0.11)


@settings(deadline=None)
@given(st.floats(-1e4, 1e4), st.floats(1e-3, 1e4))
def test_ticks_cover_the_range_in_even_steps(low: float, span: float) -> None:
    ticks = nice_ticks(low, low + span)
    assert ticks[0] <= low + 1e-6 * span
    assert ticks[-1] >= low + span - 1e-6 * span
    assert 2 <= len(ticks) <= 8
    assert np.allclose(np.diff(ticks), ticks[1] - ticks[0])


def test_dot_drawing_tells_sides_apart_by_shape() -> None:
    reach = dot_range([1.0, 2.0, 3.0])
    shapes = [dot_drawing(s, 2.0, 1.0, 3.0, [1.5, 2.5], reach) for s in ("left", "right", "both")]  # type: ignore[arg-type]
    for svg in shapes:
        ET.fromstring(standalone(svg))
    assert 'class="pl" cx' in shapes[0]
    assert '<path class="pr"' in shapes[1]
    assert '<rect class="pb"' in shapes[2]
    assert shapes[0].count('class="dl"') == 2
