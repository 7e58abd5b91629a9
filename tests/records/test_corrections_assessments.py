"""Corrections, overruled findings, assessments with what they were made of. On both databases."""

from __future__ import annotations

import math
from typing import Any

import attrs
import pytest
from filled_records import MEASURE, Records

from midstance.errors import ConflictError, NotFoundError, OptionError
from midstance.pose.corrections import parse_correction
from midstance.records import assessments, corrections, films, journal, sessions
from midstance.records.tables import FilmRow, JobRow

NOBODY = "00112233445566aa"
#: One of each kind: docs/corrections.md.
BODIES: tuple[dict[str, Any], ...] = (
    {"kind": "landmark", "time_s": 1.25, "landmark": "left_ankle", "x_px": 612.5, "y_px": 640.0},
    {"kind": "event", "time_s": 2.314, "side": "left", "event": "initial_contact"},
    {"kind": "event", "time_s": 2.99, "side": "left", "event": "toe_off", "remove": True},
    {"kind": "swap_legs", "time_s": 3.0, "to_s": 3.2},
    {"kind": "leave_out", "time_s": 4.1, "side": "right"},
    {"kind": "not_visible", "time_s": 4.1, "landmark": "left_ankle"},
    {"kind": "not_visible", "time_s": 4.1, "landmark": "left_ankle", "to_s": 4.3},
)


@pytest.fixture
def film(records: Records) -> FilmRow:
    return records.film(records.session(records.runner()))


def test_corrections_in_their_order(records: Records, film: FilmRow) -> None:
    with records.database.writing() as db:
        for i, body in enumerate(BODIES):
            row = corrections.add_correction(db, film.id, body, note=f"note {i}", by="Eva")
            assert (row.number, row.body, row.made_by) == (i + 1, body, "Eva")
            assert parse_correction({**row.body, "view": film.view}, "x").time_s == body["time_s"]
    with records.database.reading() as db:
        assert [c.body for c in corrections.corrections_of(db, film.id)] == list(BODIES)
        assert films.get_film(db, film.id).version == 1  # somebody else may change the film meanwhile


@pytest.mark.parametrize(
    "wrong",
    [
        {}, [], None, "landmark", {"kind": "landmark"}, {"kind": "colour", "time_s": 1}, {**BODIES[0], "landmark": "tail"},
        {**BODIES[0], "x_px": -1}, {**BODIES[0], "x_px": math.nan}, {**BODIES[0], "x_px": 1e9}, {**BODIES[0], "x_px": "\0"},
        {**BODIES[0], "x_px": 10**400}, {**BODIES[0], "time_s": 1e9}, {**BODIES[0], "more": 1},
        {**BODIES[0], "by": "me"}, {**BODIES[0], "landmark": ["left_ankle"]}, {**BODIES[3], "to_s": 1.0},
        {**BODIES[4], "side": "both"}, {**BODIES[0], "view": "rear"},
    ],
)  # fmt: skip
def test_what_no_correction_is(records: Records, film: FilmRow, wrong: Any) -> None:
    with pytest.raises(OptionError) as caught, records.database.writing() as db:
        corrections.add_correction(db, film.id, wrong, by="Eva")
    assert "file" not in caught.value.next_step
    with records.database.reading() as db:
        assert corrections.corrections_of(db, film.id, withdrawn=None) == []


def test_notes_are_checked(records: Records, film: FilmRow) -> None:
    for note in ("x" * 201, "a\nb", "\u202e"):
        with pytest.raises(OptionError, match=r"note|characters"), records.database.writing() as db:
            corrections.add_correction(db, film.id, BODIES[0], note=note, by="Eva")
    with pytest.raises(NotFoundError), records.database.writing() as db:
        corrections.add_correction(db, NOBODY, BODIES[0], by="Eva")


def test_withdrawing_and_restoring(records: Records, film: FilmRow) -> None:
    with records.database.writing() as db:
        first = corrections.add_correction(db, film.id, BODIES[0], by="Eva")
        corrections.add_correction(db, film.id, BODIES[1], by="Eva")
        with pytest.raises(ConflictError, match="holds"):
            corrections.restore_correction(db, first.id, by="Ben")
        gone = corrections.withdraw_correction(db, first.id, by="Ben")
        assert gone.withdrawn_by == "Ben"
        assert gone.withdrawn_at is not None
        with pytest.raises(ConflictError, match="Ben has withdrawn it already") as caught:
            corrections.withdraw_correction(db, first.id, by="Eva")
        assert caught.value.current["id"] == first.id
    with records.database.reading() as db:
        assert [c.number for c in corrections.corrections_of(db, film.id)] == [2]
        assert [c.number for c in corrections.corrections_of(db, film.id, withdrawn=True)] == [1]
        assert [c.number for c in corrections.corrections_of(db, film.id, withdrawn=None)] == [1, 2]
    with records.database.writing() as db:
        back = corrections.restore_correction(db, first.id, by="Eva")
        assert (back.withdrawn_by, back.withdrawn_at, back.made_by) == (None, None, "Eva")
        assert [c.number for c in corrections.corrections_of(db, film.id)] == [1, 2]
        told = [(e.what, e.by) for e in journal.journal_of(db, subject_id=first.id)]
    assert told == [("correction restored", "Eva"), ("correction withdrawn", "Ben"), ("correction added", "Eva")]


def test_overruled_findings(records: Records) -> None:
    session = records.session(records.runner())
    with records.database.writing() as db:
        row = corrections.add_overrule(db, session.id, "overstride", "left", " New shoes, she limped. ", by="Eva")
        assert (row.why, row.made_by) == ("New shoes, she limped.", "Eva")
        with pytest.raises(ConflictError, match="Eva has overruled this finding already"):
            corrections.add_overrule(db, session.id, "overstride", "left", "again", by="Ben")
        corrections.add_overrule(db, session.id, "overstride", "right", "the same", by="Ben")
        with pytest.raises(OptionError) as caught:
            corrections.add_overrule(db, session.id, "", "up", "", by="Ben")
        assert caught.value.where == "finding, side, why"
        corrections.withdraw_overrule(db, row.id, by="Ben")
        with pytest.raises(ConflictError):
            corrections.withdraw_overrule(db, row.id, by="Ben")
        assert [o.side for o in corrections.overrules_of(db, session.id)] == ["right"]
        assert [o.side for o in corrections.overrules_of(db, session.id, withdrawn=True)] == ["left"]
        corrections.add_overrule(db, session.id, "overstride", "left", "after all", by="Eva")


def test_an_assessment_knows_what_it_was_made_of(records: Records, film: FilmRow) -> None:
    with records.database.writing() as db:
        kept = corrections.add_correction(db, film.id, BODIES[0], by="Eva")
        gone = corrections.add_correction(db, film.id, BODIES[1], by="Eva")
        corrections.withdraw_correction(db, gone.id, by="Eva")
        over = corrections.add_overrule(db, film.session_id, "overstride", "left", "no", by="Eva")
        row = assessments.start_assessment(db, film.session_id, by="Eva")
        made_of = {
            "films": [{"film": film.id, "view": "side", "sha256": film.sha256, "version": 1}],
            "corrections": [kept.id], "overrules": [over.id], "session_version": 1, "runner_version": 1,
        }  # fmt: skip
        assert (row.number, row.state, row.provenance, row.created_by) == (1, "waiting", made_of, "Eva")
    with records.database.writing() as db:  # until it is really made, what it is made of may change
        sessions.change_session(db, film.session_id, {"shoes": "red"}, version=1, by="Eva")
        running = assessments.run_assessment(db, row.id)
        assert (running.state, running.provenance) == ("running", {**made_of, "session_version": 2})


def test_no_assessment_without_a_film(records: Records) -> None:
    session = records.session(records.runner())
    with pytest.raises(OptionError, match="no film to measure"), records.database.writing() as db:
        assessments.start_assessment(db, session.id, by="Eva")


@attrs.frozen
class Measure:
    """A measure with the names of the pipeline's."""

    measure: str
    side: str = "both"
    view: str = "side"
    unit: str = "1"
    value: float | None = 1.0
    low: float | None = 0.9
    high: float | None = math.inf
    n: int = 12
    method: str = "mean"
    reason: str | None = None


def test_finishing_once(records: Records, film: FilmRow) -> None:
    with records.database.writing() as db:
        row = assessments.start_assessment(db, film.session_id, by="Eva")
        values: list[Any] = [{**MEASURE, "measure": "cadence", "value": 172.5}, Measure("duty_factor")]
        values.append(Measure("speed", value=None, low=None, high=None, n=0, reason="not measurable: why"))
        done = assessments.finish_assessment(
            db, row.id, settings={"speed_mps": math.nan}, software="midstance 0", findings=[{"key": "a"}], measures=values
        )
        assert (done.state, done.settings, done.findings) == ("done", {"speed_mps": None}, [{"key": "a"}])
        assert done.done_at is not None
    with records.database.reading() as db:
        found = [(m.measure, m.value, m.high, m.n, m.reason) for m in assessments.measures_of(db, row.id)]
    assert found == [
        ("cadence", 172.5, 174.0, 30, None),
        ("duty_factor", 1.0, None, 12, None),
        ("speed", None, None, 0, "not measurable: why"),
    ]  # fmt: skip
    with records.database.writing() as db:  # the job is run again after a crash
        again = assessments.finish_assessment(db, row.id, settings={}, software="x", findings=[], measures=[])
        assert (again.software, len(assessments.measures_of(db, row.id))) == ("midstance 0", 3)
        assert assessments.fail_assessment(db, row.id).state == "done"
        for change in (assessments.run_assessment, assessments.reopen_assessment):
            with pytest.raises(ConflictError, match="the report is done"):
                change(db, row.id)


def test_failing_and_trying_again(records: Records, film: FilmRow) -> None:
    with records.database.writing() as db:
        row = assessments.start_assessment(db, film.session_id, by="Eva")
        assert assessments.fail_assessment(db, row.id, "cancelled").state == "cancelled"
        with pytest.raises(ConflictError):
            assessments.finish_assessment(db, row.id, settings={}, software="x", findings=[], measures=[])
        assert assessments.reopen_assessment(db, row.id).done_at is None
        assert assessments.run_assessment(db, row.id).state == "running"


def test_removing_an_assessment(records: Records, film: FilmRow) -> None:
    session = film.session_id
    with records.database.writing() as db:
        first = assessments.start_assessment(db, session, by="Eva")
        db.add(JobRow(number=1, kind="assess", state="running", assessment_id=first.id))
        second = assessments.start_assessment(db, session, by="Eva")
    with pytest.raises(ConflictError, match="at work"), records.database.writing() as db:
        assessments.remove_assessment(db, first.id, by="Eva")
    with records.database.writing() as db:
        assessments.remove_assessment(db, second.id, by="Eva")
        assert [a.number for a in assessments.assessments_of(db, session)] == [1]
        assert assessments.get_assessment(db, first.id).number == 1
        with pytest.raises(NotFoundError):
            assessments.get_assessment(db, second.id)
