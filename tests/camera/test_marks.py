"""The marks file: read whole, or refused with the place of the fault."""

import copy
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.camera.marks import parse_marks, read_marks, with_lens, write_marks
from midstance.camera.pinhole import Lens
from midstance.errors import MidstanceError, OptionError, OutputError

CORNERS = {"corners_px": [[310, 655], [352, 612], [905, 615], [962, 658]], "length_m": 1.40, "width_m": 0.51}
POINT = {"x_px": 500.5, "y_px": 650, "x_m": 0.0, "z_m": -0.25}
WHOLE = {
    "schema": 1,
    "films": {
        "side": {
            "ground": {**CORNERS, "slope_percent": 1.0, "click_sigma_px": 1.5},
            "lens": {"focal_px": 1260, "k1": -0.11, "k2": 0.02, "size_px": [1280, 720]},
            "roll_deg": 0.5,
            "stickers": [{"anything": ["at", "all", None]}],
        },
        "rear": {"ground": [POINT, {**POINT, "x_px": 700}, {**POINT, "y_px": 600}, {**POINT, "x_m": 1.5}]},
        "front": {"ground": {"board": "standing", "bar_mm": 199.5, "film": "board.mp4"}},
    },
}


def test_a_whole_file_becomes_value_objects(tmp_path):
    path = tmp_path / "marks.json"
    path.write_text(json.dumps(WHOLE), encoding="utf-8")
    marks = read_marks(path)
    side = marks.of("side")
    assert side.ground.points_px.tolist() == CORNERS["corners_px"]
    assert side.ground.relabel == "rectangle"
    assert side.ground.slope_percent == 1.0
    assert side.ground.point_sigma_px == 1.5
    assert side.ground.slope_sigma_deg < marks.of("rear").ground.slope_sigma_deg
    assert side.lens == Lens(-0.11, 0.02, 0.0, 1260.0, (1280, 720))
    assert side.roll == (0.5, 0.5)
    assert side.passed_on == {"stickers": [{"anything": ["at", "all", None]}]}
    rear = marks.of("rear")
    assert len(rear.ground.points_px) == 4
    assert rear.ground.points_m[3].tolist() == [1.5, 0, -0.25]
    front = marks.of("front")
    assert front.ground is None
    assert front.board.bar_mm == 199.5
    assert front.board.film == tmp_path / "board.mp4"
    assert marks.raw == WHOLE


def test_films_without_marks_have_empty_ones():
    marks = parse_marks({"schema": 1, "films": {}})
    assert marks.of("side").ground is None
    assert marks.of("side").lens is None


def at(path, value):
    out = copy.deepcopy(WHOLE)
    place = out
    for key in path[:-1]:
        place = place[key]
    if value is ...:
        del place[path[-1]]
    else:
        place[path[-1]] = value
    return out


SIDE, GROUND = ("films", "side"), ("films", "side", "ground")


@pytest.mark.parametrize(
    ("raw", "where", "what"),
    [
        ([], "marks.json", "not an object"),
        (at(["schema"], 2), "marks.json: schema", "schema 2"),
        (at(["schema"], True), "marks.json: schema", "schema True"),
        (at(["schema"], ...), "marks.json", "“schema” is missing"),
        (at(["films", "top"], {}), "marks.json: films", "“top” is not known"),
        (at([*SIDE, "colour"], 1), "marks.json: side", "“colour” is not known"),
        (at([*SIDE, "roll_deg"], "3"), "marks.json: side.roll_deg", "can't be used"),
        (at([*SIDE, "roll_deg"], float("nan")), "marks.json: side.roll_deg", "can't be used"),
        (at([*SIDE, "roll_deg"], 10**400), "marks.json: side.roll_deg", "can't be used"),
        (at([*GROUND, "length_m"], ...), "marks.json: side.ground", "“length_m” is missing"),
        (at([*GROUND, "length_m"], -1), "marks.json: side.ground.length_m", "can't be used"),
        (at([*GROUND, "corners_px"], [[1, 2]] * 3), "marks.json: side.ground.corners_px", "3 corners"),
        (at([*GROUND, "corners_px", 2], [1]), "marks.json: side.ground.corners_px[2]", "not a pair"),
        (at([*GROUND, "corners_px", 2], [1, True]), "marks.json: side.ground.corners_px[2][1]", "can't be used"),
        (at([*SIDE, "ground"], "belt"), "marks.json: side.ground", "neither points nor corners"),
        (at(["films", "rear", "ground"], [POINT] * 3), "marks.json: rear.ground", "3 points"),
        (at(["films", "rear", "ground", 1, "x_m"], None), "marks.json: rear.ground[1].x_m", "can't be used"),
        (at(["films", "rear", "ground", 1, "y_m"], 1), "marks.json: rear.ground[1]", "“y_m” is not known"),
        (at([*SIDE, "lens", "focal_px"], ...), "marks.json: side.lens", "focal length is missing"),
        (at([*SIDE, "lens", "k1"], 99), "marks.json: side.lens.k1", "can't be used"),
        (at([*SIDE, "lens", "size_px"], [1280.5, 720]), "marks.json: side.lens.size_px", "size of a picture"),
        (at([*SIDE, "lens", "centre_px"], [5, 5]), "marks.json: side.lens.centre_px", "far from the middle"),
        (at(["films", "front", "ground", "board"], "hanging"), "marks.json: front.ground.board", "can't be 'hanging'"),
        (at(["films", "front", "ground", "bar_mm"], 20), "marks.json: front.ground.bar_mm", "can't be used"),
        (at(["films", "front", "ground", "film"], ""), "marks.json: front.ground.film", "not a path"),
    ],
)
def test_faults_name_their_place(raw, where, what):
    with pytest.raises(OptionError) as error:
        parse_marks(raw, where="marks.json")
    assert error.value.where == where
    assert what in error.value.what
    assert error.value.allowed
    assert error.value.next_step


@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"{\n 'a': 1}", "not JSON"),
        (b"\xff\xfe\x00", "not text"),
        (b"[" * 100000, "not JSON"),
        (b"", "not JSON"),
        (b"9" * 9999, "JSON"),
    ],
)
def test_files_that_are_no_marks(tmp_path, content, what):
    path = tmp_path / "marks.json"
    path.write_bytes(content)
    with pytest.raises(OptionError, match=what):
        read_marks(path)


def test_missing_and_huge_files(tmp_path):
    with pytest.raises(OptionError, match="can't be read"):
        read_marks(tmp_path / "none.json")
    with pytest.raises(OptionError, match="can't be read"):
        read_marks(tmp_path)
    path = tmp_path / "marks.json"
    path.write_bytes(b" " * 1_000_001)
    with pytest.raises(OptionError, match="too large"):
        read_marks(path)


KEYS = st.sampled_from(
    ["ground", "lens", "corners_px", "length_m", "width_m", "k1", "focal_px", "roll_deg", "points", "board", "x_px", "x_m"]
)
JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(KEYS, inner, max_size=5),
    max_leaves=12,
)


@given(JSON)
def test_any_json_is_read_or_refused_in_words(part):
    for raw in (part, {"schema": 1, "films": part}, {"schema": 1, "films": {"side": part}}, at([*SIDE, "ground"], part)):
        fault = None
        try:
            parse_marks(raw)
        except MidstanceError as error:
            fault = error
        assert fault is None or (fault.where and fault.allowed)


def test_a_lens_is_put_in_and_everything_else_stays(tmp_path):
    lens = Lens(-0.2, 0.03, 0.0, 1500.0, (1920, 1080), (955.0, 541.0), 0.004, "calibrated from 9 pictures of the board")
    raw = with_lens(WHOLE, ("side", "rear"), lens)
    assert raw["films"]["side"]["stickers"] == WHOLE["films"]["side"]["stickers"]
    path = tmp_path / "marks.json"
    write_marks(path, raw)
    assert read_marks(path).of("side").lens == lens == read_marks(path).of("rear").lens
    assert with_lens(None, ("front",), lens)["films"].keys() == {"front"}
    assert [p.name for p in tmp_path.iterdir()] == ["marks.json"]


def test_faulty_marks_are_not_written(tmp_path):
    path = tmp_path / "marks.json"
    path.write_text("before")
    with pytest.raises(OptionError):
        write_marks(path, {"schema": 1, "films": {"side": {"roll_deg": 400}}})
    assert path.read_text() == "before"
    with pytest.raises(OutputError):
        write_marks(tmp_path / "nowhere" / "marks.json", WHOLE)
