"""Assessments: reports as they were made, with all that their numbers came from. Never changed afterwards."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import attrs
from sqlalchemy import delete, func, insert, select
from sqlalchemy.orm import Session

from midstance.errors import ConflictError, OptionError
from midstance.records import fields as f
from midstance.records import journal
from midstance.records.changing import found, runner_of_session, who
from midstance.records.corrections import corrections_of, overrules_of
from midstance.records.films import films_of
from midstance.records.sessions import nothing_runs
from midstance.records.tables import AssessmentRow, JobRow, MeasureRow, RunnerRow, SessionRow, now

OPEN = ("waiting", "running")


def start_assessment(db: Session, session_id: str, *, by: str) -> AssessmentRow:
    """Begin an assessment of a session as it is now; what it will be made of is noted at once.

    Raises
    ------
    NotFoundError
        There is no such session.
    OptionError
        It has no film that is used.
    """
    by = who(by)
    session = found(db, SessionRow, session_id, "session", lock=True)
    made_of = provenance(db, session)
    if not made_of["films"]:
        raise OptionError(
            "there is no film to measure",
            where="films",
            allowed="at least one film that is used",
            next_step="add a film to the session",
        )
    number = db.scalar(select(func.max(AssessmentRow.number)).where(AssessmentRow.session_id == session.id)) or 0
    row = AssessmentRow(
        session_id=session.id, number=number + 1, state="waiting", provenance=made_of, created_by=by, created_at=now()
    )
    db.add(row)
    db.flush()
    journal.note(
        db, "report started", by=by, runner_id=session.runner_id, subject_id=row.id, detail={"number": row.number}
    )
    return row


def provenance(db: Session, session: SessionRow) -> dict[str, Any]:
    """Return all that an assessment of the session as it is now would be made of, by ids and versions."""
    runner = found(db, RunnerRow, session.runner_id, "runner")
    films = [film for film in films_of(db, session.id) if film.used]
    return {
        "films": [{"film": film.id, "view": film.view, "sha256": film.sha256, "version": film.version} for film in films],
        "corrections": [c.id for film in films for c in corrections_of(db, film.id)],
        "overrules": [o.id for o in overrules_of(db, session.id)],
        "session_version": session.version,
        "runner_version": runner.version,
    }


def run_assessment(db: Session, assessment_id: str) -> AssessmentRow:
    """Note that an assessment is being made, from the session as it is now.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such assessment; it is done, failed or cancelled.
    """
    row = found(db, AssessmentRow, assessment_id, "report", lock=True)
    _still_open(row)
    row.state = "running"
    row.provenance = provenance(db, found(db, SessionRow, row.session_id, "session"))
    db.flush()
    return row


def finish_assessment(
    db: Session,
    assessment_id: str,
    *,
    settings: Mapping[str, Any],
    software: str,
    findings: Iterable[Any],
    measures: Iterable[Any],
) -> AssessmentRow:
    """Keep what an assessment gave. One that is done stays as it is, so a job that is run again does no harm.

    Parameters
    ----------
    settings : as in assessment.json.
    software : name and version.
    findings, measures : as in assessment.json, or the objects with the same names.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such assessment; it failed or was cancelled.
    """
    row = found(db, AssessmentRow, assessment_id, "report", lock=True)
    if row.state == "done":
        return row
    _still_open(row)
    values = [_measure(row.id, m) for m in measures]
    db.execute(delete(MeasureRow).where(MeasureRow.assessment_id == row.id))
    if values:
        db.execute(insert(MeasureRow), values)
    row.settings, row.software = f.plain(settings), software[:40]
    row.findings = [f.plain(_as_mapping(one)) for one in findings]
    row.state, row.done_at = "done", now()
    db.flush()
    journal.note(
        db, "report made", by=row.created_by, runner_id=runner_of_session(db, row.session_id), subject_id=row.id,
        detail={"number": row.number},
    )  # fmt: skip
    return row


def _measure(assessment_id: str, raw: Any) -> dict[str, Any]:
    one = _as_mapping(raw)
    numbers = {name: f.plain(one.get(name)) for name in ("value", "low", "high")}
    texts = {name: str(one[name]) for name in ("measure", "side", "view", "unit")}
    return {"assessment_id": assessment_id, **texts, **numbers, "n": int(one["n"]), "reason": one.get("reason") or None}


def _as_mapping(raw: Any) -> Mapping[str, Any]:
    return raw if isinstance(raw, Mapping) else attrs.asdict(raw)


def fail_assessment(db: Session, assessment_id: str, state: str = "failed") -> AssessmentRow:
    """Note that an assessment failed or was cancelled; one that is done stays done.

    Raises
    ------
    NotFoundError
        There is no such assessment.
    """
    if state not in ("failed", "cancelled"):
        raise ValueError(state)
    row = found(db, AssessmentRow, assessment_id, "report", lock=True)
    if row.state in OPEN:
        row.state, row.done_at = state, now()
        db.flush()
    return row


def reopen_assessment(db: Session, assessment_id: str) -> AssessmentRow:
    """Let an assessment that failed or was cancelled wait again, when its job is tried once more.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such assessment; it is done.
    """
    row = found(db, AssessmentRow, assessment_id, "report", lock=True)
    if row.state == "done":
        _still_open(row)
    row.state, row.done_at = "waiting", None
    db.flush()
    return row


def _still_open(row: AssessmentRow) -> None:
    if row.state not in OPEN:
        raise ConflictError(
            f"the report is {row.state}; it isn't made anew",
            where=f"report {row.number}",
            allowed="a new report of the session",
            next_step="ask for a new report",
            current={"id": row.id, "state": row.state, "number": row.number},
        )


def assessments_of(db: Session, session_id: str) -> list[AssessmentRow]:
    """Return a session's assessments, newest first."""
    asked = select(AssessmentRow).where(AssessmentRow.session_id == session_id).order_by(AssessmentRow.number.desc())
    return list(db.scalars(asked))


def get_assessment(db: Session, assessment_id: str) -> AssessmentRow:
    """Return an assessment.

    Raises
    ------
    NotFoundError
        There is no such assessment.
    """
    return found(db, AssessmentRow, assessment_id, "report")


def measures_of(db: Session, assessment_id: str) -> list[MeasureRow]:
    """Return the measures of an assessment by name, view and side."""
    asked = select(MeasureRow).where(MeasureRow.assessment_id == assessment_id)
    return list(db.scalars(asked.order_by(MeasureRow.measure, MeasureRow.view, MeasureRow.side)))


def remove_assessment(db: Session, assessment_id: str, *, by: str) -> None:
    """Remove an assessment; ``erasing.tidy`` then removes its files. Numbers of others stay.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such assessment; it is being made.
    """
    by = who(by)
    row = found(db, AssessmentRow, assessment_id, "report", lock=True)
    nothing_runs(db, JobRow.assessment_id == row.id, JobRow.assessment_id == row.id, "report")
    session_id, number = row.session_id, row.number
    db.delete(row)
    db.flush()
    journal.note(
        db, "report removed", by=by, runner_id=runner_of_session(db, session_id), subject_id=assessment_id,
        detail={"number": number},
    )  # fmt: skip
