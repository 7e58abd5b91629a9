"""Corrections override what was found, spread sensibly, and bad files are told apart."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from midstance.errors import OptionError
from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, Event, LandmarkPaths, State
from midstance.pose.corrections import (
    CLICK_SIGMA_PX,
    SPREAD_S,
    Correction,
    correct_events,
    correct_landmarks,
    hide_landmarks,
    left_out_by_hand,
    load_corrections,
    parse_correction,
    swap_legs,
    taken_back,
)

RATE_HZ = 120.0
ANKLE = LANDMARK_INDEX["left_ankle"]


def paths(n: int = 120) -> LandmarkPaths:
    time_s = np.arange(n) / RATE_HZ
    k = len(LANDMARKS)
    xy = np.stack([np.broadcast_to(400 + 50 * np.sin(8 * time_s)[:, None], (n, k)) + np.arange(k),
                   np.full((n, k), 300.0)], axis=-1)  # fmt: skip
    return LandmarkPaths("side", time_s, xy, np.ones((n, k)), np.full((n, k), 3.0), np.zeros((n, k), np.uint8))


def at(frame: int, x: float, y: float, landmark: str = "left_ankle") -> Correction:
    return Correction("landmark", "side", frame / RATE_HZ, landmark=landmark, x_px=x, y_px=y)


def test_the_frame_takes_the_place_and_the_neighbours_follow_less_and_less() -> None:
    before = paths()
    x, y = before.xy[50, ANKLE]
    after, applied = correct_landmarks(before, [at(50, x + 20, y - 10)], (1280, 720))
    np.testing.assert_allclose(after.xy[50, ANKLE], [x + 20, y - 10])
    assert after.state[50, ANKLE] == State.CORRECTED
    assert after.sigma_px[50, ANKLE] == CLICK_SIGMA_PX
    moved = np.hypot(*(after.xy - before.xy)[:, ANKLE].T)
    reach = int(SPREAD_S * RATE_HZ)
    assert np.all(np.diff(moved[50 : 51 + reach]) < 0)
    assert np.all(np.diff(moved[50 - reach : 51]) > 0)
    assert np.all(moved[: 50 - reach] == 0)
    assert np.all(moved[51 + reach :] == 0)
    assert (after.state[:, ANKLE] == State.CORRECTED).sum() == 1
    others = [j for j in range(len(LANDMARKS)) if j != ANKLE]
    np.testing.assert_array_equal(after.xy[:, others], before.xy[:, others])
    assert applied[0].effect == "moved by 22.4 px"


def test_between_two_near_corrections_the_move_goes_over_from_one_to_the_other() -> None:
    before = paths()
    first, last = before.xy[50, ANKLE] + (10, 0), before.xy[60, ANKLE] + (30, 0)
    after, _ = correct_landmarks(before, [at(60, *last), at(50, *first)], (1280, 720))
    moved = (after.xy - before.xy)[50:61, ANKLE, 0]
    np.testing.assert_allclose(moved, np.linspace(10, 30, 11))


def test_what_was_missing_between_two_corrections_is_filled() -> None:
    before = paths()
    before.xy[48:63, ANKLE] = np.nan
    before.state[48:63, ANKLE] = State.MISSING
    after, applied = correct_landmarks(before, [at(50, 410, 300), at(60, 450, 320)], (1280, 720))
    np.testing.assert_allclose(after.xy[55, ANKLE], [430, 310])
    assert set(after.state[51:60, ANKLE]) == {State.FILLED}
    assert after.state[48, ANKLE] == after.state[62, ANKLE] == State.MISSING
    assert applied[0].effect == "set where nothing had been seen"


def test_a_correction_outside_film_or_picture_is_refused() -> None:
    with pytest.raises(OptionError, match="no frame with landmarks"):
        correct_landmarks(paths(), [at(500, 10, 10)], (1280, 720))
    with pytest.raises(OptionError, match="outside the picture"):
        correct_landmarks(paths(), [at(5, 2000, 10)], (1280, 720))


def test_legs_are_exchanged_only_in_the_part_given() -> None:
    before = paths()
    after, applied = swap_legs(before, [Correction("swap_legs", "side", 0.25, to_s=0.5)])
    inside = (before.time_s >= 0.25) & (before.time_s <= 0.5)
    right = LANDMARK_INDEX["right_ankle"]
    np.testing.assert_array_equal(after.xy[inside, ANKLE], before.xy[inside, right])
    np.testing.assert_array_equal(after.xy[~inside], before.xy[~inside])
    wrist = LANDMARK_INDEX["left_wrist"]
    np.testing.assert_array_equal(after.xy[:, wrist], before.xy[:, wrist])
    assert applied[0].effect == f"left and right leg exchanged in {inside.sum()} frames"


EVENTS = tuple(
    Event("side", side, kind, t, t - 0.01, t + 0.01)  # type: ignore[arg-type]
    for side, kind, t in (
        ("left", "initial_contact", 0.50), ("left", "toe_off", 0.75), ("right", "initial_contact", 0.85),
        ("left", "initial_contact", 1.20),
    )
)  # fmt: skip


def event(time_s: float, side: str = "left", kind: str = "initial_contact", *, remove: bool = False) -> Correction:
    return Correction("event", "side", time_s, side=side, event=kind, remove=remove)  # type: ignore[arg-type]


def test_the_nearest_event_of_the_same_foot_and_kind_is_moved() -> None:
    after, applied = correct_events(EVENTS, [event(0.52)], 1 / 240)
    mine = [e for e in after if e.source == "corrected"]
    assert [(e.side, e.kind, e.time_s) for e in mine] == [("left", "initial_contact", 0.52)]
    assert len(after) == len(EVENTS)
    assert mine[0].high_s - mine[0].time_s == pytest.approx(0.005)
    assert applied[0].effect == "moved by +20.0 ms"
    assert [e for e in after if e.source == "auto"] == [e for e in EVENTS if e.time_s != 0.50]


def test_far_from_any_other_an_event_is_added_and_one_frame_is_its_error() -> None:
    after, applied = correct_events(EVENTS, [event(1.60, "right", "toe_off")], 1 / 60)
    new = next(e for e in after if e.source == "corrected")
    assert new.time_s == 1.60
    assert new.time_s - new.low_s == pytest.approx(1 / 60)
    assert applied[0].effect == "toe-off added"
    assert [e.time_s for e in after] == sorted(e.time_s for e in after)


def test_an_event_is_taken_away_or_that_there_is_none_is_told() -> None:
    after, _ = correct_events(EVENTS, [event(1.19, remove=True)], 1 / 240)
    assert [e.time_s for e in after] == [0.50, 0.75, 0.85]
    with pytest.raises(OptionError, match="no left initial contact to take away"):
        correct_events(EVENTS, [event(2.5, remove=True)], 1 / 240)


def test_a_stride_is_left_out_by_any_time_within_it() -> None:
    wish = Correction("leave_out", "side", 0.9, side="left")
    assert left_out_by_hand([wish], "left", 0.5, 1.2) is wish
    assert left_out_by_hand([wish], "right", 0.5, 1.2) is None
    assert left_out_by_hand([wish], "left", 1.2, 1.9) is None


GOOD: list[dict[str, Any]] = [
    {"kind": "landmark", "view": "side", "time_s": 1.25, "landmark": "left_ankle", "x_px": 410.5, "y_px": 600,
     "by": "A. May", "at": "2026-11-25", "note": "hidden by the rail"},
    {"kind": "event", "view": "rear", "time_s": 2, "side": "left", "event": "toe_off", "remove": True},
    {"kind": "swap_legs", "view": "side", "time_s": 1, "to_s": 1.2},
    {"kind": "leave_out", "view": "front", "time_s": 3.1, "side": "right", "note": "stumbled"},
]  # fmt: skip


def test_json_and_csv_say_the_same(tmp_path: Path) -> None:
    (tmp_path / "c.json").write_text(json.dumps({"schema": 1, "corrections": GOOD}), encoding="utf-8")
    columns = sorted({k for row in GOOD for k in row})
    lines = [",".join(columns)] + [",".join(str(row.get(c, "")) for c in columns) for row in GOOD]
    (tmp_path / "c.csv").write_text("\n".join(lines), encoding="utf-8")
    one, two = load_corrections(tmp_path / "c.json"), load_corrections(tmp_path / "c.csv")
    assert one == two
    assert (one[0].by, one[0].note) == ("A. May", "hidden by the rail")
    assert (one[1].remove, one[2].to_s) == (True, 1.2)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"kind": "guess"}, "“kind” is 'guess'"),
        ({"view": "top"}, "“view” is 'top'"),
        ({"landmark": "left_knees"}, "“landmark” is 'left_knees'"),
        ({"x_px": "far"}, "“x_px” is 'far'"),
        ({"x_px": float("nan")}, "“x_px” is nan"),
        ({"time_s": -1}, "“time_s” is -1"),
        ({"time_s": None}, "“time_s” is missing"),
        ({"colour": "red"}, "unknown name 'colour'"),
        ({"remove": "maybe"}, "“remove” is 'maybe'"),
        ({"note": "a\nb"}, "“note” is too long or can't be printed"),
    ],
)
def test_a_wrong_entry_is_named(tmp_path: Path, change: dict[str, Any], message: str) -> None:
    file = tmp_path / "c.json"
    file.write_text(json.dumps([GOOD[2], {**GOOD[0], **change}]), encoding="utf-8")
    with pytest.raises(OptionError) as caught:
        load_corrections(file)
    assert message in caught.value.what
    assert "2. correction" in caught.value.where


@pytest.mark.parametrize(
    ("name", "text"),
    [("c.json", "{"), ("c.json", '{"schema": 2, "corrections": []}'), ("c.json", '{"a": 1}'), ("c.csv", "a,b\n1,2"),
     ("c.csv", "view,time_s\nside,1"), ("c.json", "[1]"), ("c.json", "[" * 100000)],
)  # fmt: skip
def test_a_broken_file_is_told(tmp_path: Path, name: str, text: str) -> None:
    (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(OptionError):
        load_corrections(tmp_path / name)
    with pytest.raises(OptionError, match="can't be read"):
        load_corrections(tmp_path / "none.json")
    (tmp_path / "b.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(OptionError, match="can't be read"):
        load_corrections(tmp_path / "b.json")


def unseen(first: int, last: int | None = None, landmark: str = "left_ankle") -> Correction:
    to_s = None if last is None else last / RATE_HZ
    return Correction("not_visible", "side", first / RATE_HZ, landmark=landmark, to_s=to_s)


def test_a_landmark_not_visible_is_bridged_but_not_observed() -> None:
    before = paths()
    after, applied = hide_landmarks(before, [unseen(50, 55)])
    rows = np.arange(50, 56)
    assert (after.state[rows, ANKLE] == State.GUESS).all()
    # The bridge of a smooth path stays near it: shape-preserving cubic through its neighbours.
    assert np.abs(after.xy[rows, ANKLE] - before.xy[rows, ANKLE]).max() < 1.0
    assert (np.delete(after.state[:, ANKLE], rows) == State.SEEN).all()
    np.testing.assert_array_equal(np.delete(after.xy, ANKLE, axis=1), np.delete(before.xy, ANKLE, axis=1))
    assert applied[0].effect == "not measured in 6 frames"


def test_a_landmark_long_not_visible_stays_empty() -> None:
    after, _ = hide_landmarks(paths(), [unseen(40, 80)])
    assert np.isnan(after.xy[40:81, ANKLE]).all()
    assert (after.state[40:81, ANKLE] == State.MISSING).all()


def test_one_time_hides_one_frame_only() -> None:
    for time_s in (50 / RATE_HZ, 50.5 / RATE_HZ):  # on a frame, and half-way between two
        after, applied = hide_landmarks(paths(), [Correction("not_visible", "side", time_s, landmark="left_ankle")])
        assert (after.state[:, ANKLE] != State.SEEN).sum() == 1
        assert applied[0].effect == "not measured in 1 frame"


def test_hiding_outside_the_film_is_told() -> None:
    with pytest.raises(OptionError, match="no frame with landmarks"):
        hide_landmarks(paths(), [unseen(500)])


def test_an_entry_for_a_hidden_landmark_needs_no_place() -> None:
    entry = {"kind": "not_visible", "view": "side", "time_s": 0.5, "landmark": "left_toe"}
    assert parse_correction(entry) == Correction("not_visible", "side", 0.5, landmark="left_toe")
    assert parse_correction({**entry, "to_s": 0.6}).to_s == 0.6
    with pytest.raises(OptionError, match="empty"):
        parse_correction({**entry, "to_s": 0.4})


def test_of_a_place_and_a_hiding_the_later_word_holds() -> None:
    place, hide = at(50, 400, 300), unseen(48, 52)
    assert [a.correction for a in taken_back([place, hide], 1 / RATE_HZ)] == [place]
    assert taken_back([hide, place], 1 / RATE_HZ) == []
    assert taken_back([place, unseen(60)], 1 / RATE_HZ) == []
    assert taken_back([place, unseen(48, 52, "right_ankle")], 1 / RATE_HZ) == []
    assert len(taken_back([place, unseen(50)], 1 / RATE_HZ)) == 1


def test_a_number_too_large_for_any_picture_is_told() -> None:
    entry = {"kind": "landmark", "view": "side", "time_s": 0.5, "landmark": "left_toe", "x_px": 10**400, "y_px": 1}
    with pytest.raises(OptionError, match="x_px") as told:
        parse_correction(entry)
    assert len(told.value.what) < 100


def test_an_event_beyond_the_film_is_told() -> None:
    late = Correction("event", "side", 3000.0, side="left", event="toe_off")
    with pytest.raises(OptionError, match="doesn't reach"):
        correct_events([], [late], 1 / RATE_HZ, (0.0, 6.0))
    (event,), _ = correct_events([], [late], 1 / RATE_HZ, (0.0, 3000.0))
    assert event.time_s == 3000.0
