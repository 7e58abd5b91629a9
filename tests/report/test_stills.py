"""Stills: labels stay off the body and inside the picture, and say what was measured."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample import picture, sample_assessment, stick_figure

from midstance.gait.model import View
from midstance.report.drawing import Label, place_labels
from midstance.report.stills import (
    HEIGHT,
    KINDS,
    StillKind,
    StillNumber,
    StillPoints,
    draw_still,
    still_numbers,
)

NUMBERS = {
    "shank_angle_contact": StillNumber(13.4, 11.6, 15.2, "deg"),
    "foot_ahead_of_com": StillNumber(0.287, 0.271, 0.303, "m"),
}

SHIN = {"shank_angle_contact": NUMBERS["shank_angle_contact"]}


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.floats(0, 900), st.sampled_from([-1, 1])), min_size=1, max_size=9),
    st.integers(600, 1000),
)
def test_labels_never_touch_body_edge_or_each_other(anchors: list[tuple[float, int]], width: int) -> None:
    body = (216.0, width - 216.0)
    labels = [Label(f"{i}2° ±2", "foot ahead of centre", (width / 2, y), side) for i, (y, side) in enumerate(anchors)]
    plates = place_labels(labels, (width, HEIGHT), body)
    assert plates
    for p in plates:
        assert p.x >= 0
        assert p.x + p.width <= width
        assert p.y >= 0
        assert p.y + p.height <= HEIGHT
        assert p.x + p.width <= body[0] or p.x >= body[1]
    for i, p in enumerate(plates):
        for q in plates[i + 1 :]:
            apart_x = p.x + p.width <= q.x or q.x + q.width <= p.x
            apart_y = p.y + p.height <= q.y or q.y + q.height <= p.y
            assert apart_x or apart_y


@pytest.mark.parametrize("view", ["side", "rear", "front"])
@pytest.mark.parametrize("kind", KINDS)
def test_every_still_is_drawn_the_same_twice(view: View, kind: StillKind) -> None:
    a = sample_assessment((view,))
    numbers = still_numbers(a, view, "right", kind)
    points = StillPoints(stick_figure(view, kind), np.array([478.0, 400.0]))
    direction = a.films[0].direction
    one = draw_still(picture(view, kind), points, kind, numbers, view=view, side="right", direction=direction)
    two = draw_still(picture(view, kind), points, kind, numbers, view=view, side="right", direction=direction)
    assert one.dtype == np.uint8
    assert one.shape[0] == HEIGHT
    assert np.array_equal(one, two)
    bare = draw_still(picture(view, kind), points, kind, {}, view=view, side="right", direction=direction)
    if numbers:
        assert not np.array_equal(one, bare)


def test_missing_landmarks_and_a_runner_at_the_edge_are_no_fault() -> None:
    xy = stick_figure("side", "initial_contact")
    xy[:, 0] -= 300  # partly beyond the picture's edge
    xy[25:] = np.nan
    still = draw_still(
        picture("side", "initial_contact"),
        StillPoints(xy),
        "initial_contact",
        NUMBERS,
        view="side",
        side="right",
    )
    assert still.shape[0] == HEIGHT
    nothing = StillPoints(np.full((33, 2), np.nan))
    assert draw_still(picture("side", "toe_off"), nothing, "toe_off", {}, view="side", side="left").shape[0] == HEIGHT


def test_mirrored_film_gives_the_mirrored_margins() -> None:
    xy = stick_figure("side", "initial_contact")
    rgb = picture("side", "initial_contact")
    flipped = xy * [-1, 1] + [rgb.shape[1], 0]

    def centre_of_what_numbers_add(frame: np.ndarray, points: np.ndarray, direction: str) -> tuple[float, int]:
        kw = {"view": "side", "side": "right", "direction": direction}
        one = draw_still(frame, StillPoints(points), "initial_contact", SHIN, **kw)  # type: ignore[arg-type]
        bare = draw_still(frame, StillPoints(points), "initial_contact", {}, **kw)  # type: ignore[arg-type]
        columns = np.nonzero(np.any(one != bare, axis=(0, 2)))[0]
        return float(columns.min() + columns.max()) / 2, one.shape[1]

    right, width = centre_of_what_numbers_add(rgb, xy, "left to right")
    left, _ = centre_of_what_numbers_add(rgb[:, ::-1].copy(), flipped, "right to left")
    assert right > width * 0.6
    assert left == pytest.approx(width - right, abs=8)


def test_numbers_on_a_still() -> None:
    assert StillNumber(13.4, 11.6, 15.2, "deg").text() == "13° ±2"
    assert StillNumber(0.287, 0.271, 0.303, "m").text() == "29 cm ±2"
    assert StillNumber(-0.2, -0.4, 0.0, "deg").text() == "0° ±<1"
    a = sample_assessment()
    mean = still_numbers(a, "side", "right", "initial_contact")
    own = still_numbers(a, "side", "right", "initial_contact", stride=7)
    value = next(
        v.value
        for v in a.stride_values
        if (v.measure, v.view, v.side, v.stride) == ("shank_angle_contact", "side", "right", 7)
    )
    assert own["shank_angle_contact"].value == value
    assert mean["shank_angle_contact"].value != value
    assert "ankle_dorsiflexion_swing" not in mean
