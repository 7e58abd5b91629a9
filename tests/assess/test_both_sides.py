"""A film of each side: each leg is taken from the film it is nearer in.

The film of the other side is the same film mirrored: what a camera beyond the runner sees of a runner with left and
right exchanged. So the joined left and right values must be alike to the last bit, and the far legs' values must not
take part.
"""

from __future__ import annotations

from pathlib import Path

import attrs
import numpy as np
import pypdf
import pytest

from midstance.assess.both_sides import both_sides
from midstance.assess.measure import FilmMeasures, measure_film
from midstance.assess.observe import Observation
from midstance.assess.pipeline import combine
from midstance.assess.reading import interpret
from midstance.assess.settings import Settings
from midstance.errors import ViewError
from midstance.gait.model import LANDMARKS
from midstance.report.tables import measure_groups
from midstance.report.write import write_report

Looked = tuple[Observation, Settings]
OTHER = [
    LANDMARKS.index(
        n.replace("left", "*").replace("right", "left").replace("*", "right") if "left" in n or "right" in n else n
    )
    for n in LANDMARKS
]


def mirrored(observed: Observation) -> Observation:
    """Return what a camera on the other side would have seen of a runner with left and right exchanged."""
    raw = observed.raw
    xy = raw.xy[:, OTHER].copy()
    xy[..., 0] = observed.info.width - xy[..., 0]
    region = raw.region.copy()
    region[:, 0] = observed.info.width - region[:, 0]
    turned = attrs.evolve(
        raw, xy=xy, visibility=raw.visibility[:, OTHER], peak=raw.peak[:, OTHER], region=region
    )
    checks = tuple(
        attrs.evolve(c, value=-c.value) if c.check == "camera_roll" and c.value is not None else c
        for c in observed.checks
    )
    return attrs.evolve(observed, raw=turned, checks=checks)


@pytest.fixture(scope="module")
def pair(looked_at: Looked) -> tuple[FilmMeasures, FilmMeasures]:
    observed, settings = looked_at
    return tuple(measure_film(interpret(o), settings) for o in (observed, mirrored(observed)))  # type: ignore[return-value]


def test_each_leg_comes_from_the_film_it_is_nearer_in(pair: tuple[FilmMeasures, FilmMeasures], looked_at: Looked) -> None:
    side, far = both_sides(*pair)
    assert {side.result.near_side, far.result.near_side} == {"left", "right"}
    near = side.result.near_side
    own = {(m.measure, m.side): m for m in pair[0].measures}
    for m in side.measures:
        assert m.view == "side"
        if m.side == near:
            assert (m.value, m.low, m.high, m.n) == (own[m.measure, m.side].value, own[m.measure, m.side].low,
                                                     own[m.measure, m.side].high, own[m.measure, m.side].n)  # fmt: skip
            assert "near leg of the side film" in m.method
        elif m.side != "both":
            assert "near leg of the side_far film" in m.method
    values = {(m.measure, m.side): m.value for m in side.measures}
    for (key, s), value in values.items():
        if s == "left" and value is not None:
            assert values[key, "right"] == pytest.approx(value, abs=1e-9), key
            assert values[key, "both"] == pytest.approx(value, abs=1e-9), key


def test_the_mean_of_both_sides_is_never_surer_than_the_sides(pair: tuple[FilmMeasures, FilmMeasures]) -> None:
    side, _ = both_sides(*pair)
    half = {(m.measure, m.side): m.high - m.low for m in side.measures if m.high is not None and m.low is not None}
    for (key, s), width in half.items():
        if s == "both" and (key, "left") in half:
            assert width == pytest.approx(0.5 * (half[key, "left"] + half[key, "right"]))


def test_the_far_film_keeps_events_and_strides_by_its_own_name(
    pair: tuple[FilmMeasures, FilmMeasures], looked_at: Looked
) -> None:
    side, far = both_sides(*pair)
    assert far.measures == ()
    views = ({e.view for e in far.events}, {s.ic.view for s in far.stances}, {v.view for v in far.stride_values})
    assert views == ({"side_far"},) * 3
    assert {e.view for e in side.events} == {"side"}
    assessment = combine(looked_at[1], [side, far], {"openvino"})
    measured = assessment.measured_strides()
    assert {v.view for v in measured} == {"side"}
    near = side.result.near_side
    wanted = [v.value for v in pair[0].stride_values if v.measure == "knee_flexion_contact" and v.side == near]
    assert [v.value for v in measured if v.measure == "knee_flexion_contact" and v.side == near] == wanted
    assert measure_groups(assessment)


def test_two_films_of_one_side_are_refused(pair: tuple[FilmMeasures, FilmMeasures]) -> None:
    with pytest.raises(ViewError, match="both side films show"):
        both_sides(pair[0], pair[0])


def test_films_of_different_running_are_told(pair: tuple[FilmMeasures, FilmMeasures]) -> None:
    faster = attrs.evolve(
        pair[1],
        measures=tuple(
            attrs.evolve(m, value=1.1 * m.value, low=1.1 * m.low, high=1.1 * m.high)
            if m.measure == "cadence" and m.value is not None and m.low is not None and m.high is not None
            else m
            for m in pair[1].measures
        ),
    )
    _, far = both_sides(pair[0], faster)
    assert any("not of the same running" in e.reason for e in far.exclusions)
    _, same = both_sides(*pair)
    assert not any("not of the same running" in e.reason for e in same.exclusions)


def test_an_unmeasurable_leg_leaves_no_mean(pair: tuple[FilmMeasures, FilmMeasures]) -> None:
    near = pair[0].result.near_side
    without = attrs.evolve(
        pair[0],
        measures=tuple(
            attrs.evolve(m, value=None, low=None, high=None, reason="hidden")
            if (m.measure, m.side) == ("knee_flexion_contact", near)
            else m
            for m in pair[0].measures
        ),
    )
    side, _ = both_sides(without, pair[1])
    both = next(m for m in side.measures if (m.measure, m.side) == ("knee_flexion_contact", "both"))
    assert both.value is None
    assert both.reason is not None
    assert near in both.reason
    assert "hidden" in both.reason
    assert np.isfinite([m.value for m in side.measures if m.measure == "knee_flexion_contact" and m.value is not None]).all()


def test_the_report_names_both_films(pair: tuple[FilmMeasures, FilmMeasures], looked_at: Looked, tmp_path: Path) -> None:
    side, far = both_sides(*pair)
    write_report(combine(looked_at[1], [side, far], {"openvino"}), [], tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "From the side" in page
    assert "From the other side" in page
    text = " ".join(p.extract_text() for p in pypdf.PdfReader(tmp_path / "report.pdf").pages)
    assert "the other side" in text
