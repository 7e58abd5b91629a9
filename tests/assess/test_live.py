"""What is corrected in the records changes the measures at once, without a look into the film."""

from __future__ import annotations

import base64
import datetime as dt
import json
from pathlib import Path
from typing import Any

import attrs
import numpy as np
import pytest

from midstance.assess import live, pipeline
from midstance.assess.from_records import media_path, role_of, settings_for
from midstance.assess.keeping import keep, keep_marked, kept_marked
from midstance.assess.live import LiveFilms
from midstance.assess.observe import Observation
from midstance.assess.reading import Marked, interpret, look_at_marks
from midstance.assess.settings import FilmSettings, Settings
from midstance.camera.marks import parse_marks
from midstance.errors import NotFoundError, OptionError
from midstance.gait.model import LANDMARK_INDEX, State
from midstance.records import corrections
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.tables import Base, FilmRow, MediaRow, OverruleRow, RunnerRow, SessionRow

Looked = tuple[Observation, Settings]


@attrs.frozen
class Kept:
    """Records with one session and one film whose reading is kept; the film itself is not there."""

    home: Home
    db: Database
    session: str
    film: str

    def add(self, **body: Any) -> str:
        with self.db.writing() as db:
            return corrections.add_correction(db, self.film, body, note="", by="A. May").id

    def look(self) -> dict[str, Any]:
        with self.db.reading() as db:
            return LiveFilms(self.home).film(db, self.film)


@pytest.fixture
def records(looked_at: Looked, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Kept:
    observed, settings = looked_at
    home = Home(tmp_path / "data").create()
    database = Database(home.database_url)
    Base.metadata.create_all(database.engine)
    with database.writing() as db:
        body = {"height_m": settings.runner.height_m, "mass_kg": settings.runner.mass_kg, "body_table": "female"}
        runner = RunnerRow(name="Invented", invented=True, **body)
        db.add_all([runner, MediaRow(sha256=observed.sha256, bytes=1)])
        db.flush()
        session = SessionRow(runner_id=runner.id, held_on=dt.date(2026, 5, 1), speed_mps=settings.speed_mps)
        db.add(session)
        db.flush()
        film = FilmRow(session_id=session.id, sha256=observed.sha256, view="side", name="run.mp4", end_s=settings.end_s)
        db.add(film)
    home.reading(film.id).mkdir()
    keep(observed, settings, home.reading(film.id))

    def never(*_: object, **__: object) -> None:
        raise AssertionError("a film was opened")

    monkeypatch.setattr(pipeline, "observe_film", never)
    for module in ("midstance.film.reader.read_frames", "midstance.assess.observe.read_frames"):
        monkeypatch.setattr(module, never)
    return Kept(home, database, session.id, film.id)


def numbers(content: dict[str, Any], name: str, shape: tuple[int, ...], dtype: str = "<f4") -> Any:
    return np.frombuffer(base64.b64decode(content[name]), dtype).reshape(shape)


def test_a_film_gives_what_the_main_job_gives(records: Kept, looked_at: Looked, tmp_path: Path) -> None:
    observed, settings = looked_at
    content = json.loads(json.dumps(records.look(), allow_nan=False))
    keep(observed, settings, tmp_path)
    whole = pipeline.assess_films(settings, kept_in=[tmp_path])
    assert [(m["measure"], m["side"], m["value"]) for m in content["measures"]] == [
        (m.measure, m.side, None if m.value is None else round(m.value, 6)) for m in whole.measures
    ]
    assert [e["time_s"] for e in content["events"]] == [round(e.time_s, 6) for e in whole.events]
    joints = whole.films[0].landmarks
    n = len(joints.time_s)
    np.testing.assert_allclose(numbers(content, "xy", (n, 33, 2)), joints.xy, atol=1e-3)
    np.testing.assert_array_equal(numbers(content, "state", (n, 33), "u1"), joints.state)
    # The centre of mass of somebody running lies in the trunk: within a fifth of the body's height of the hips' middle.
    com = numbers(content, "com", (n, 2))
    hips = 0.5 * (joints.point("left_hip") + joints.point("right_hip"))
    known = np.isfinite(com).all(axis=1)
    assert known.mean() > 0.9
    body = np.nanmedian(np.ptp(joints.xy[..., 1], axis=1))
    assert np.abs(com - hips)[known].max() < 0.2 * body
    assert (com - hips)[known, 1].mean() < 0  # and above them


def test_a_correction_changes_landmarks_and_measures_and_says_what_it_did(records: Kept) -> None:
    before = records.look()
    row = 120
    n = len(before["time_s"])
    ankle = LANDMARK_INDEX["left_ankle"]
    x, y = (float(v) for v in numbers(before, "xy", (n, 33, 2))[row, ankle])
    records.add(kind="landmark", time_s=before["time_s"][row], landmark="left_ankle", x_px=x + 12, y_px=y)
    after = records.look()
    np.testing.assert_allclose(numbers(after, "xy", (n, 33, 2))[row, ankle], [x + 12, y], atol=1e-3)
    assert numbers(after, "state", (n, 33), "u1")[row, ankle] == State.CORRECTED
    assert after["version"] > before["version"]
    (entry,) = after["corrections"]
    assert entry["effect"] == "moved by 12.0 px"
    assert entry["by"] == "A. May"
    assert after["strides"] != before["strides"]


def test_a_withdrawn_correction_is_kept_but_does_nothing(records: Kept) -> None:
    before = records.look()
    event = before["events"][3]
    made = records.add(kind="event", time_s=event["time_s"] + 0.02, side=event["side"], event=event["kind"])
    corrected = records.look()
    assert corrected["events"] != before["events"]
    with records.db.writing() as db:
        corrections.withdraw_correction(db, made, by="B")
    after = records.look()
    assert after["events"] == before["events"]
    assert [c["kind"] for c in after["withdrawn"]] == ["event"]
    with records.db.writing() as db:
        corrections.restore_correction(db, made, by="A. May")
    again = records.look()
    assert again["events"] == corrected["events"]
    # Whoever watches takes the reading with the highest version for the newest: it never falls.
    assert before["version"] < corrected["version"] < after["version"] < again["version"]


def test_a_session_joins_films_findings_and_overrules(records: Kept) -> None:
    with records.db.reading() as db:
        content = LiveFilms(records.home).session(db, records.session)
    finding = content["findings"][0]
    assert "overruled" not in finding
    assert content["films"][0]["film_id"] == records.film
    assert content["films"][0]["name"] == "run.mp4"
    with records.db.writing() as db:
        about = {"finding": finding["key"], "side": finding["side"]}
        db.add(OverruleRow(session_id=records.session, **about, why="old habit", made_by="B"))
    with records.db.reading() as db:
        content = LiveFilms(records.home).session(db, records.session)
    assert content["findings"][0]["overruled"]["why"] == "old habit"


def test_without_a_speed_landmarks_are_shown_and_nothing_is_measured(records: Kept) -> None:
    with records.db.writing() as db:
        db.query(SessionRow).one().speed_mps = None
    content = records.look()
    assert content["events"]
    assert all(m["value"] is None and "speed" in m["reason"] for m in content["measures"])
    with records.db.reading() as db, pytest.raises(OptionError, match="speed"):
        settings_for(db, records.home, records.session)


def test_a_film_changed_since_it_was_read_is_not_shown_as_if_it_were_not(records: Kept) -> None:
    films = LiveFilms(records.home)
    with records.db.reading() as db:
        films.film(db, records.film)
    with records.db.writing() as db:
        db.query(FilmRow).one().end_s = 3.0
    with records.db.reading() as db, pytest.raises(NotFoundError, match="changed since"):
        films.film(db, records.film)


def test_marks_wait_until_the_film_was_looked_at(records: Kept) -> None:
    with records.db.writing() as db:
        db.query(FilmRow).one().marks = {"ground": {"corners_px": [[100, 600], [150, 560], [1100, 560], [1200, 600]],
                                                    "length_m": 1.4, "width_m": 0.5}, "roll_deg": 0.4}  # fmt: skip
    content = records.look()
    assert content["marks_wait"]
    assert content["roll_deg"] == pytest.approx(0.4)  # needs no look into the film


def test_a_board_in_another_file_can_not_be_named(records: Kept) -> None:
    with records.db.writing() as db:
        db.query(FilmRow).one().marks = {"ground": {"board": "standing", "film": "/etc/passwd"}}
    with pytest.raises(OptionError, match="another film"):
        records.look()


def test_a_film_of_the_other_side_alone_is_a_side_film(records: Kept) -> None:
    with records.db.writing() as db:
        db.query(FilmRow).one().view = "side_far"
        session = db.query(SessionRow).one()
        db.add(MediaRow(sha256="1" * 64, bytes=1))
    assert records.look()["events"]
    with records.db.writing() as db:
        other = FilmRow(session_id=session.id, sha256="1" * 64, view="side")
        db.add(other)
    with records.db.reading() as db:
        assert role_of(db, records.film) == "side_far"
        assert role_of(db, other.id) == "side"
        assert settings_for(db, records.home, records.session).films["side"] == media_path(records.home, "1" * 64)


def test_what_marks_gave_is_kept_exactly_and_only_for_the_same_marks(looked_at: Looked, tmp_path: Path) -> None:
    observed, settings = looked_at
    corners = [[300.0, 655.0], [352.0, 612.0], [905.0, 615.0], [962.0, 658.0]]
    raw = {"schema": 1, "films": {"side": {"ground": {"corners_px": corners, "length_m": 1.4, "width_m": 0.51}}}}
    marked_settings = attrs.evolve(settings, marks=parse_marks(raw))
    found = look_at_marks(interpret(observed), marked_settings)
    keep_marked(found, observed, marked_settings, tmp_path)
    again = kept_marked(tmp_path, observed, marked_settings)
    assert isinstance(again, Marked)
    assert found.camera is not None
    assert again.camera is not None
    np.testing.assert_array_equal(again.camera.camera.rotation, found.camera.camera.rotation)
    assert again.camera.spread(lambda c: c.focal_px) == found.camera.spread(lambda c: c.focal_px)
    other = attrs.evolve(settings, marks=parse_marks({**raw, "films": {"side": {"roll_deg": 1.0}}}))
    assert kept_marked(tmp_path, observed, other) is None
    (tmp_path / "marked-side.json").write_text("{")
    assert kept_marked(tmp_path, observed, marked_settings) is None


def test_what_is_known_of_one_film_goes_before_what_is_said_of_all(tmp_path: Path) -> None:
    settings = Settings(
        films={"side": tmp_path / "a.mp4", "rear": tmp_path / "b.mp4"},
        speed_mps=3.0,
        capture_fps=120.0,
        by_film={"rear": FilmSettings(capture_fps=240.0, start_s=1.0)},
    )
    assert (settings.of("side").capture_fps, settings.of("side").start_s) == (120.0, None)
    assert (settings.of("rear").capture_fps, settings.of("rear").start_s) == (240.0, 1.0)
    assert settings.as_dict()["by_film"] == {"rear": {"capture_fps": 240.0, "start_s": 1.0}}
    with pytest.raises(OptionError, match="capture rate"):
        attrs.evolve(settings, by_film={"side": FilmSettings(capture_fps=0.5)})


def test_only_so_many_films_are_held_in_memory(records: Kept, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(live, "MOST_HELD", 0)
    films = LiveFilms(records.home)
    with records.db.reading() as db:
        first = films.film(db, records.film)
        assert films.film(db, records.film) == first
    assert not films._held
