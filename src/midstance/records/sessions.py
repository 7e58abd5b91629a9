"""Sessions: one time a runner was filmed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import attrs
from sqlalchemy import and_, case, func, or_, select
from sqlalchemy.orm import Session, aliased

from midstance.errors import ConflictError
from midstance.records import fields as f
from midstance.records import journal
from midstance.records.changing import change, found, who
from midstance.records.listing import Page, cursor, matching, opened, page_size
from midstance.records.tables import AssessmentRow, FilmRow, JobRow, MeasureRow, RunnerRow, SessionRow

VIEW_ORDER = f.VIEWS


@attrs.frozen
class SessionItem:
    """A session in a list.

    ``views``: of the films that are used. ``assessment_*``: the latest one, whatever its state. ``cadence_spm``: steps a
    minute of the latest that is done; None where there is none or it wasn't measurable.
    """

    id: str
    runner_id: str
    runner_name: str
    invented: bool
    held_on: dt.date
    place: str
    surface: str
    speed_mps: float | None
    shoes: str
    pain: list[dict[str, Any]]
    version: int
    views: tuple[str, ...]
    films: int
    assessment_id: str | None
    assessment_number: int | None
    assessment_state: str | None
    cadence_spm: float | None


def list_sessions(
    db: Session, *, runner_id: str | None = None, query: str = "", after: str | None = None, most: int = 50
) -> Page[SessionItem]:
    """Return sessions, newest first; every word of ``query`` occurs in runner's name, place, shoes or notes.

    Raises
    ------
    OptionError
        ``after`` is not the ``next`` of an earlier page.
    """
    asked = (
        select(SessionRow, RunnerRow.name, RunnerRow.invented)
        .join(RunnerRow, RunnerRow.id == SessionRow.runner_id)
        .order_by(SessionRow.held_on.desc(), SessionRow.id.desc())
    )
    if runner_id is not None:
        asked = asked.where(SessionRow.runner_id == f.an_id(runner_id, "runner"))
    wanted = matching(db, query, RunnerRow.name, SessionRow.place, SessionRow.shoes, SessionRow.notes)
    if wanted is not None:
        asked = asked.where(wanted)
    if after:
        day, last = _place(after)
        asked = asked.where(or_(SessionRow.held_on < day, and_(SessionRow.held_on == day, SessionRow.id < last)))
    most = page_size(most)
    rows = db.execute(asked.limit(most + 1)).all()
    end = rows[most - 1][0] if len(rows) > most else None
    rows = rows[:most]
    ids = [row[0].id for row in rows]
    views, latest, cadence = _views(db, ids), _latest(db, ids), _cadence(db, ids)
    items = [
        SessionItem(
            id=s.id,
            runner_id=s.runner_id,
            runner_name=name,
            invented=invented,
            held_on=s.held_on,
            place=s.place,
            surface=s.surface,
            speed_mps=s.speed_mps,
            shoes=s.shoes,
            pain=s.pain,
            version=s.version,
            views=tuple(v for v in VIEW_ORDER if v in views.get(s.id, {})),
            films=sum(views.get(s.id, {}).values()),
            assessment_id=latest.get(s.id, (None,) * 3)[0],
            assessment_number=latest.get(s.id, (None,) * 3)[1],
            assessment_state=latest.get(s.id, (None,) * 3)[2],
            cadence_spm=cadence.get(s.id),
        )
        for s, name, invented in rows
    ]
    return Page(items, cursor(end.held_on.isoformat(), end.id) if end is not None else None)


def _place(after: str) -> tuple[dt.date, str]:
    day, last = opened(after, (str, str))
    try:
        return dt.date.fromisoformat(day), last
    except ValueError:
        opened("", (str,))  # says what a cursor is
        raise


def _views(db: Session, ids: list[str]) -> dict[str, dict[str, int]]:
    """Return {session: {view: number of films used}}."""
    asked = (
        select(FilmRow.session_id, FilmRow.view, func.count())
        .where(FilmRow.session_id.in_(ids), FilmRow.used)
        .group_by(FilmRow.session_id, FilmRow.view)
    )
    out: dict[str, dict[str, int]] = {}
    for session_id, view, count in db.execute(asked):
        out.setdefault(session_id, {})[view] = count
    return out


def _newest(ids: list[str], *, done: bool) -> Any:
    """Return the query of the highest assessment number of each session."""
    asked = select(AssessmentRow.session_id, func.max(AssessmentRow.number).label("number"))
    asked = asked.where(AssessmentRow.session_id.in_(ids))
    if done:
        asked = asked.where(AssessmentRow.state == "done")
    return asked.group_by(AssessmentRow.session_id).subquery()


def _latest(db: Session, ids: list[str]) -> dict[str, tuple[Any, ...]]:
    newest = _newest(ids, done=False)
    asked = select(AssessmentRow.session_id, AssessmentRow.id, AssessmentRow.number, AssessmentRow.state).join(
        newest, and_(newest.c.session_id == AssessmentRow.session_id, newest.c.number == AssessmentRow.number)
    )
    return {row[0]: tuple(row[1:]) for row in db.execute(asked)}


def _cadence(db: Session, ids: list[str]) -> dict[str, float]:
    newest, done = _newest(ids, done=True), aliased(AssessmentRow)
    order = case({view: i for i, view in enumerate(VIEW_ORDER)}, value=MeasureRow.view, else_=9)
    asked = (
        select(done.session_id, MeasureRow.value)
        .join(newest, and_(newest.c.session_id == done.session_id, newest.c.number == done.number))
        .join(MeasureRow, MeasureRow.assessment_id == done.id)
        .where(MeasureRow.measure == "cadence", MeasureRow.value.is_not(None))
        .order_by(order.desc())  # the side view comes last and stays
    )
    return {session_id: value for session_id, value in db.execute(asked) if value is not None}


def get_session(db: Session, session_id: str) -> SessionRow:
    """Return a session.

    Raises
    ------
    NotFoundError
        There is no such session.
    """
    return found(db, SessionRow, session_id, "session")


def add_session(db: Session, runner_id: str, fields: Mapping[str, Any], *, by: str) -> SessionRow:
    """Add a session; ``held_on`` is today unless given.

    Raises
    ------
    OptionError, NotFoundError
        A field can't be taken; there is no such runner.
    """
    clean = f.checked({"held_on": dt.date.today(), **fields}, f.SESSION)
    by = who(by)
    runner = found(db, RunnerRow, runner_id, "runner", share=True)
    at = dt.datetime.now(dt.UTC)
    row = SessionRow(runner_id=runner.id, **clean, created_at=at, changed_at=at, changed_by=by)
    db.add(row)
    db.flush()
    journal.note(db, "session added", by=by, runner_id=runner.id, subject_id=row.id)
    return row


def change_session(db: Session, session_id: str, fields: Mapping[str, Any], *, version: int, by: str) -> SessionRow:
    """Change the fields given; ``version`` is that of the session as it was read.

    Raises
    ------
    OptionError, NotFoundError
        A field can't be taken; there is no such session.
    ConflictError
        Somebody else changed it meanwhile.
    """
    clean = f.checked(fields, f.SESSION)
    row = found(db, SessionRow, session_id, "session", lock=True)
    detail = change(db, row, clean, version=version, by=by, what="session")
    if detail:
        journal.note(db, "session changed", by=by, runner_id=row.runner_id, subject_id=row.id, detail=detail)
    return row


def remove_session(db: Session, session_id: str, *, by: str) -> None:
    """Remove a session with its films, corrections and assessments; ``erasing.tidy`` then removes what lay in files.

    Raises
    ------
    NotFoundError
        There is no such session.
    ConflictError
        Work on it is under way.
    """
    row = found(db, SessionRow, session_id, "session", lock=True)
    nothing_runs(db, JobRow.session_id == row.id, _work_on(row.id), "session")
    held_on, runner_id = row.held_on, row.runner_id
    db.delete(row)
    db.flush()
    journal.note(
        db, "session removed", by=by, runner_id=runner_id, subject_id=session_id, detail={"held_on": held_on.isoformat()}
    )


def _work_on(session_id: str) -> Any:
    """Return the condition for jobs on films or assessments of a session."""
    films = select(FilmRow.id).where(FilmRow.session_id == session_id)
    assessments = select(AssessmentRow.id).where(AssessmentRow.session_id == session_id)
    return or_(JobRow.film_id.in_(films), JobRow.assessment_id.in_(assessments))


def nothing_runs(db: Session, direct: Any, through: Any, what: str) -> None:
    """Stop while a job runs on what is to be removed.

    Raises
    ------
    ConflictError
        One runs.
    """
    running = db.scalars(select(JobRow).where(JobRow.state == "running", or_(direct, through)).limit(1)).first()
    if running is not None:
        raise ConflictError(
            f"the workbench is at work on this {what}",
            where=what,
            allowed="removal while nothing is being read or measured",
            next_step="cancel the work, or wait until it is done, then try again",
            current={"job": running.id, "kind": running.kind},
        )
