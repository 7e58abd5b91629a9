"""Asking for slow work on films and sessions, and how far it is. This is what pages and API use."""

from __future__ import annotations

from typing import Any

import attrs
from sqlalchemy import case, select
from sqlalchemy.orm import Session

from midstance.assess.from_records import role_of
from midstance.assess.keeping import file_name
from midstance.film.proxy import FRAMES_FILE
from midstance.records import assessments, jobs
from midstance.records.home import Home
from midstance.records.tables import AssessmentRow, FilmRow, JobRow


@attrs.frozen
class FilmState:
    """How far a film is.

    ``prepared``: its playable copy is there. ``read``: its landmarks are there (it may be read again meanwhile). ``job``:
    what runs or waits for it, else what was done last. ``problem``: why the last job failed, {"what", "where",
    "allowed", "next_step"}.
    """

    prepared: bool
    read: bool
    job: JobRow | None
    problem: dict[str, Any] | None


def queue_film(db: Session, film: FilmRow, *, by: str) -> JobRow:
    """Let a film be prepared, and then read if it is used. One that already waits for that isn't queued twice."""
    return _open(db, "prepare", film) or jobs.add_job(db, "prepare", film_id=film.id, by=by)


def queue_missing(db: Session, home: Home) -> int:
    """Let films be prepared that have no playable copy, as after a restore; how many. What failed before is left alone."""
    queued = 0
    # Ids alone first: this is asked at every start, in records of many years, and nearly all copies are there.
    asked = select(FilmRow.id, FilmRow.sha256).order_by(FilmRow.created_at, FilmRow.id)
    for film_id, sha256 in db.execute(asked).all():
        if (home.proxy(sha256) / FRAMES_FILE).is_file():
            continue
        film = db.get_one(FilmRow, film_id)
        state = film_state(db, home, film)
        if not state.prepared and (state.job is None or state.job.state == "done"):
            queue_film(db, film, by="")
            queued += 1
    return queued


def queue_read(db: Session, film: FilmRow, by: str = "") -> JobRow:
    """Let the landmarks of a film be read (again); what was read with the same settings is taken up."""
    return _waiting(db, "read", film) or jobs.add_job(db, "read", film_id=film.id, by=by)


def queue_assessment(db: Session, session_id: str, *, by: str) -> tuple[AssessmentRow, JobRow]:
    """Let a report of a session be made; one that waits already is returned instead, since it will be of what is there then.

    Raises
    ------
    NotFoundError, OptionError
        There is no such session, or no film in it.
    """
    asked = (
        select(JobRow)
        .where(JobRow.session_id == session_id, JobRow.kind == "assess", JobRow.state == "waiting", JobRow.attempts == 0)
        .order_by(JobRow.number)
        .limit(1)
    )
    job = db.scalars(asked).first()
    if job is not None and job.assessment_id is not None:
        return assessments.get_assessment(db, job.assessment_id), job
    row = assessments.start_assessment(db, session_id, by=by)
    return row, jobs.add_job(db, "assess", assessment_id=row.id, by=by)


def queue_validate(db: Session, by: str = "") -> JobRow:
    """Let the numbers be held against outside truth; at most one such job is open."""
    asked = select(JobRow).where(JobRow.kind == "validate", JobRow.state.in_(jobs.OPEN)).limit(1)
    return db.scalars(asked).first() or jobs.add_job(db, "validate", by=by)


def film_state(db: Session, home: Home, film: FilmRow) -> FilmState:
    """Return how far a film is."""
    rank = case({"running": 0, "waiting": 1}, value=JobRow.state, else_=2)
    asked = select(JobRow).where(JobRow.film_id == film.id).order_by(rank, JobRow.number.desc()).limit(1)
    job = db.scalars(asked).first()
    return FilmState(
        prepared=(home.proxy(film.sha256) / FRAMES_FILE).is_file(),
        read=_is_read(db, home, film),
        job=job,
        problem=job.problem if job is not None and job.state == "failed" else None,
    )


def wants_reading(db: Session, home: Home, film: FilmRow) -> bool:
    """Tell whether a film hasn't been read as what it is now used for, and nothing has failed or been stopped meanwhile."""
    if _is_read(db, home, film):
        return False
    asked = select(JobRow).where(JobRow.film_id == film.id).order_by(JobRow.number.desc()).limit(1)
    last = db.scalars(asked).first()
    return last is None or last.state == "done"


def _is_read(db: Session, home: Home, film: FilmRow) -> bool:
    return (home.reading(film.id) / file_name(role_of(db, film.id))).is_file()


def _open(db: Session, kind: str, film: FilmRow) -> JobRow | None:
    asked = select(JobRow).where(JobRow.film_id == film.id, JobRow.kind == kind, JobRow.state.in_(jobs.OPEN)).limit(1)
    return db.scalars(asked).first()


def _waiting(db: Session, kind: str, film: FilmRow) -> JobRow | None:
    asked = select(JobRow).where(JobRow.film_id == film.id, JobRow.kind == kind, JobRow.state == "waiting").limit(1)
    return db.scalars(asked).first()
