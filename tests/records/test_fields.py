"""What may be written: ranges, lengths, characters; all faults of a form in one message."""

from __future__ import annotations

import datetime as dt
import json
import math
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.assess import settings
from midstance.assess.result import Surface
from midstance.camera import marks, shutter
from midstance.errors import NotFoundError, OptionError
from midstance.records import fields as f

Json = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.dates(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


def test_ranges_are_those_of_the_assessment() -> None:
    """The records lie below the assessment and can't import its limits; both must say the same."""
    assert f.SPEED_MPS == settings.SPEED_MPS
    assert f.HEIGHT_M == settings.HEIGHT_M
    assert f.MASS_KG == settings.MASS_KG
    assert f.KNOWN_LENGTH_M == settings.KNOWN_LENGTH_M
    assert f.MIN_MARKED_PX == settings.MIN_MARKED_PX
    assert f.MAX_NAME == settings.MAX_LABEL
    assert f.READOUT_S == shutter.READOUT_S
    assert f.VIEWS == marks.VIEWS
    assert f.MARKS_SCHEMA == marks.SCHEMA
    assert get_args(Surface) == f.SURFACES


@pytest.mark.parametrize("fps", [*f.CAPTURE_FPS, 0.99, 10001.0])
def test_capture_rates_are_those_of_the_assessment(fps: float, tmp_path: Any) -> None:
    def kept() -> bool:
        try:
            f.checked({"capture_fps": fps}, f.FILM)
        except OptionError:
            return False
        return True

    def assessed() -> bool:
        try:
            settings.Settings(films={"side": tmp_path / "a.mp4"}, speed_mps=3.0, capture_fps=fps)
        except OptionError:
            return False
        return True

    assert kept() == assessed()


def test_all_faults_in_one_message() -> None:
    with pytest.raises(OptionError) as caught:
        f.checked({"name": "", "height_m": 18.0, "consent": "maybe", "shoe_size": 42, "mass_kg": 70}, f.RUNNER)
    error = caught.value
    assert error.where == "name, height_m, consent, 'shoe_size'"
    for part in ("name: it is empty", "height_m: 18.0 can't be used", "consent: 'maybe'", "no such field"):
        assert part in error.what
    assert "height_m: 1 to 2.3 m" in error.allowed


def test_one_fault_names_its_field_once() -> None:
    with pytest.raises(OptionError, match=r"^mass_kg: 700 can't be used\.\nAllowed: 20 to 250 kg\.") as caught:
        f.checked({"mass_kg": 700}, f.RUNNER)
    assert caught.value.where == "mass_kg"


def test_what_is_needed() -> None:
    with pytest.raises(OptionError, match="name: it is missing"):
        f.checked({}, f.RUNNER, required=("name",))


@pytest.mark.parametrize("name", ["Anna May", "李小龙", "Zoë Müller-O’Brien", "J", "🏃🏽‍♀️ Nia", "م. رضا", "x" * 80])
def test_names_of_people(name: str) -> None:
    assert f.name(f"  {name} ") == name


@pytest.mark.parametrize(
    "name",
    ["", "   ", "x" * 81, "a\nb", "a\tb", "a\0b", "Anna\u202eyaM", "a\u2066b", "a\u200bb", "\ufeff", "a\x1b[31m", "\ud800",
     "a\u2028b", "x" * 10**6, 7, None, ["Anna"], b"Anna"],
)  # fmt: skip
def test_what_no_name_is(name: Any) -> None:
    with pytest.raises(f.Fault):
        f.name(name)


def test_the_same_name_is_written_in_one_way() -> None:
    assert f.name("Zoe\u0308") == f.name("Zoë")


@pytest.mark.parametrize(("given", "kept"), [("1.78", 1.78), ("1,78", 1.78), (2, 2.0), ("", None), (None, None)])
def test_numbers(given: Any, kept: float | None) -> None:
    assert f.RUNNER["height_m"](given) == kept


@pytest.mark.parametrize("given", [0.99, 2.31, "tall", "1.78m", True, math.nan, math.inf, 10**400, -1, [1.8], "1e0"])
def test_what_no_height_is(given: Any) -> None:
    with pytest.raises(f.Fault):
        f.RUNNER["height_m"](given)


def test_days() -> None:
    today = dt.date.today()
    assert f.SESSION["held_on"]("2026-05-03") == dt.date(2026, 5, 3)
    assert f.SESSION["held_on"](today + dt.timedelta(days=1)) == today + dt.timedelta(days=1)
    for wrong in (today + dt.timedelta(days=2), "2026-02-30", "3.5.2026", "", None, 5, dt.datetime.now(), "1899-01-01"):
        with pytest.raises(f.Fault):
            f.SESSION["held_on"](wrong)
    assert f.RUNNER["consent_on"]("") is None
    assert f.RUNNER["birth_year"]("1990") == 1990
    for wrong in (1899, today.year + 1, 1990.5, "90"):
        with pytest.raises(f.Fault):
            f.RUNNER["birth_year"](wrong)


def test_pain() -> None:
    assert f.pain([{"where": " left shin ", "score_0_10": 3}]) == [{"where": "left shin", "score_0_10": 3.0, "note": ""}]
    for score in (0, 10, 2.5):
        assert f.pain([{"where": "knee", "score_0_10": score}])[0]["score_0_10"] == score
    for wrong in (
        [{"where": "knee", "score_0_10": 11}], [{"where": "knee", "score_0_10": -1}], [{"where": "", "score_0_10": 1}],
        [{"where": "knee"}], [{"where": "knee", "score_0_10": None}], [{"where": "knee", "score_0_10": 1, "x": 1}],
        {"where": "knee"}, "knee", [3], [{"where": "k", "score_0_10": 1}] * 21, [{"where": "knee", "score_0_10": True}],
    ):  # fmt: skip
        with pytest.raises(f.Fault):
            f.pain(wrong)


def test_known_lengths() -> None:
    good = {"first_px": [1, 2], "second_px": [100.5, 2], "length_m": 1.6}
    assert f.known_lengths([good]) == [{"first_px": [1.0, 2.0], "second_px": [100.5, 2.0], "length_m": 1.6}]
    for change in (
        {"second_px": [5, 2]}, {"length_m": 0}, {"length_m": None}, {"first_px": [1]}, {"first_px": [1, math.nan]},
        {"first_px": "12"}, {"first_px": [-1, 2]}, {"first_px": [1, 1e6]}, {"unit": "cm"},
    ):  # fmt: skip
        with pytest.raises(f.Fault):
            f.known_lengths([{**good, **change}])


def test_marks_are_those_of_a_marks_file() -> None:
    """The example of docs/marks.md."""
    belt = {"corners_px": [[310, 655], [352, 612], [905, 615], [962, 658]], "length_m": 1.40, "width_m": 0.51}
    sticker = {"name": "left_heel_top", "time_s": 1.2, "x_px": 602, "y_px": 640}
    good = {"ground": belt, "roll_deg": 0.5, "stickers": [sticker]}
    assert f.marks(good) == good
    assert f.marks({}) == {}
    assert f.marks({"ground": {"board": "standing"}}) == {"ground": {"board": "standing"}}
    for wrong, said in (
        ({"ground": {**belt, "length_m": -1}}, "ground.length_m"),
        ({"ground": {"board": "standing", "film": "/etc/passwd"}}, "another film"),
        ({"roll_deg": 90}, "roll_deg"),
        ({"roll_deg": math.nan}, "isn't JSON"),
        ({"colour": "red"}, "colour"),
        ({"stickers": ["x" * 300_000]}, "too large"),
        ({"stickers": ["\0"]}, "characters"),
        ([], "not an object"),
    ):
        with pytest.raises(f.Fault, match=said):
            f.marks(wrong)


@given(st.dictionaries(st.sampled_from([*f.RUNNER, *f.SESSION, *f.FILM, "other"]), Json, max_size=6))
def test_anything_is_taken_clean_or_refused_in_words(given_fields: dict[str, Any]) -> None:
    for checks in (f.RUNNER, f.SESSION, f.FILM):
        try:
            clean = f.checked(given_fields, checks)
        except OptionError as error:
            told = error
        else:
            assert "\\u0000" not in json.dumps(f.plain(clean), allow_nan=False)
            assert f.checked(clean, checks) == clean  # what is kept is allowed
            continue
        assert all((told.what, told.where, told.allowed))
        str(told).encode()  # no halves of characters


@given(Json)
def test_plain_values_are_json_for_every_database(value: Any) -> None:
    text = json.dumps(f.plain(value), allow_nan=False, ensure_ascii=False)
    assert "\\u0000" not in text
    text.encode()


@pytest.mark.parametrize("wrong", ["", "0123456789abcde", "0123456789ABCDEF", "../../../etc/pass", 16, None])
def test_ids(wrong: Any) -> None:
    with pytest.raises(NotFoundError, match="there is no such film"):
        f.an_id(wrong, "film")
