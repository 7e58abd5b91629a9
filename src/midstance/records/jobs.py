"""The queue: slow work in the order it was asked for, each job done by one worker at a time, whoever dies meanwhile.

A job is "waiting", "running", and then "done", "failed" or "cancelled". Whoever runs it holds it under a name of its own
and can end it only under that name: a worker that was taken for dead can't overwrite what another one did.

Every change that somebody watching should see gets the next number of one counter. Counting comes last in each of these
functions, because it makes other changes wait until the transaction ends: numbers therefore become visible in their
order, and nobody holds the counter while waiting for anything else.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from midstance.errors import ConflictError, NotFoundError
from midstance.records import fields as f
from midstance.records.assessments import fail_assessment, reopen_assessment
from midstance.records.changing import found, who
from midstance.records.tables import AssessmentRow, FilmRow, JobRow, SessionRow, SettingRow, now

OPEN = ("waiting", "running")
#: A job whose worker died so often is given up: its film makes every worker die.
MOST_ATTEMPTS = 3
#: A job during which the whole server was stopped so often is given up: it may be what brings the machine down.
MOST_RESTARTS = 10
#: Copies first, since people wait for them; the long check of accuracy last.
_RANK = {"check": 0, "prepare": 1, "validate": 9}
_OTHER_RANK = 5
_COUNTER = "jobs.change"
_STAGE_CHARACTERS = 80

Problem = Mapping[str, Any]


# --- asking for work ------------------------------------------------------------------------


def add_job(
    db: Session,
    kind: str,
    *,
    session_id: str | None = None,
    film_id: str | None = None,
    assessment_id: str | None = None,
    payload: Mapping[str, Any] | None = None,
    by: str = "",
) -> JobRow:
    """Add a job to the queue. The session of a film or an assessment is filled in.

    Raises
    ------
    NotFoundError
        There is no such session, film or assessment.
    """
    by = who(by) if by else ""
    if film_id is not None:
        session_id = found(db, FilmRow, film_id, "film", share=True).session_id
    if assessment_id is not None:
        session_id = found(db, AssessmentRow, assessment_id, "report", share=True).session_id
    if session_id is not None:
        found(db, SessionRow, session_id, "session", share=True)
    change = _count(db)
    job = JobRow(
        number=(db.scalar(select(func.max(JobRow.number))) or 0) + 1,
        kind=kind,
        state="waiting",
        session_id=session_id,
        film_id=film_id,
        assessment_id=assessment_id,
        payload=f.plain(dict(payload or {})),
        created_by=by,
        created_at=now(),
        change=change,
    )
    db.add(job)
    db.flush()
    return job


def cancel(db: Session, job_id: str) -> JobRow:
    """Stop a job: at once if it waits, else its worker is told to.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such job; it has ended.
    """
    job = get_job(db, job_id, lock=True)
    if job.state == "waiting":
        return _end(db, job, "cancelled")
    if job.state != "running":
        raise _ended(job, "a job that waits or runs")
    if not job.cancel_wanted:
        job.cancel_wanted = True
        _changed(db, job)
    return job


def retry(db: Session, job_id: str) -> JobRow:
    """Let a job that failed or was cancelled wait again.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such job; it waits, runs or is done.
    """
    job = get_job(db, job_id, lock=True)
    if job.state not in ("failed", "cancelled"):
        raise _ended(job, "a job that failed or was stopped")
    if job.assessment_id is not None:
        reopen_assessment(db, job.assessment_id)
    job.state, job.attempts, job.cancel_wanted = "waiting", 0, False
    job.problem = job.result = job.worker = job.heard_at = job.started_at = job.ended_at = None
    job.stage, job.share = "", 0.0
    job.payload = {k: v for k, v in job.payload.items() if k != "restarts"}
    return _changed(db, job)


# --- looking ------------------------------------------------------------------------


def get_job(db: Session, job_id: str, *, lock: bool = False) -> JobRow:
    """Return a job; with ``lock`` nobody else changes it before this transaction ends.

    Raises
    ------
    NotFoundError
        There is no such job.
    """
    return found(db, JobRow, job_id, "job", lock=lock)


def jobs_of(
    db: Session,
    *,
    session_id: str | None = None,
    film_id: str | None = None,
    states: Collection[str] | None = None,
    most: int = 100,
) -> list[JobRow]:
    """Return jobs, newest first."""
    asked = select(JobRow).order_by(JobRow.number.desc()).limit(most)
    if session_id is not None:
        asked = asked.where(JobRow.session_id == session_id)
    if film_id is not None:
        asked = asked.where(JobRow.film_id == film_id)
    if states is not None:
        asked = asked.where(JobRow.state.in_(list(states)))
    return list(db.scalars(asked))


def changed_since(db: Session, change: int, *, most: int = 500) -> list[JobRow]:
    """Return jobs with a change after the one of that number, in the order of their last changes."""
    return list(db.scalars(select(JobRow).where(JobRow.change > change).order_by(JobRow.change).limit(most)))


def newest_change(db: Session) -> int:
    """Return the number of the last change of any job, also of one that is gone."""
    return int(db.scalar(select(SettingRow.value).where(SettingRow.key == _COUNTER)) or 0)


# --- doing the work -------------------------------------------------------------------------


def claim(db: Session, worker: str) -> JobRow | None:
    """Take the next job under the name ``worker``, which must be a new one for each job; None when there is none.

    A job whose worker died comes after those that were never tried. No two jobs work on one film, and a report waits for
    the films of its session.
    """
    open_jobs = list(db.scalars(select(JobRow).where(JobRow.state.in_(OPEN))))
    for job in sorted((j for j in open_jobs if j.state == "waiting"), key=_order):
        if any(_in_the_way(other, job) for other in open_jobs if other.id != job.id):
            continue
        db.refresh(job, with_for_update=True)
        if job.state != "waiting":  # it was stopped, or somebody else took it, just now
            continue
        job.state, job.worker, job.attempts = "running", worker, job.attempts + 1
        job.started_at = job.heard_at = now()
        job.stage, job.share, job.ended_at = "", 0.0, None
        return _changed(db, job)
    return None


def _order(job: JobRow) -> tuple[bool, int, int]:
    return job.attempts > 0, _RANK.get(job.kind, _OTHER_RANK), job.number


def _in_the_way(other: JobRow, job: JobRow) -> bool:
    """Tell whether ``other`` must end before ``job`` may begin."""
    if job.film_id is not None and other.film_id == job.film_id:
        return other.state == "running" or (other.kind == "prepare" and job.kind != "prepare")
    if job.kind == "assess" and other.session_id == job.session_id:
        return other.state == "running" or (other.film_id is not None and other.number < job.number)
    return False


def hold(db: Session, job_id: str, worker: str) -> JobRow:
    """Return the job that ``worker`` runs, locked until the transaction ends.

    Raises
    ------
    ConflictError
        It was taken from this worker, or was removed.
    """
    try:
        job = get_job(db, job_id, lock=True)
    except NotFoundError:
        job = None
    if job is None or job.state != "running" or job.worker != worker:
        raise ConflictError(
            "the job was taken from this worker",
            where=f"job {job_id}",
            allowed="a job that this worker runs",
            next_step="leave it to whoever has it now",
        )
    return job


def progress(db: Session, job_id: str, stage: str, share: float, *, worker: str | None = None) -> bool:
    """Note how far a running job is; returns False when it isn't running any more, or not under that name, or is to stop."""
    asked = update(JobRow).where(JobRow.id == job_id, JobRow.state == "running", JobRow.cancel_wanted.is_(False))
    if worker is not None:
        asked = asked.where(JobRow.worker == worker)
    values = {"stage": stage[:_STAGE_CHARACTERS], "share": min(1.0, max(0.0, share)), "heard_at": now()}
    told: Any = db.execute(asked.values(**values).execution_options(synchronize_session=False))
    if not told.rowcount:
        return False
    counted = update(JobRow).where(JobRow.id == job_id).values(change=_count(db))
    db.execute(counted.execution_options(synchronize_session=False))
    return True


def finish(db: Session, job_id: str, result: Mapping[str, Any] | None = None, *, worker: str) -> JobRow:
    """Note that a job is done; what it made belongs into the same transaction.

    Raises
    ------
    ConflictError
        It was taken from this worker.
    """
    job = hold(db, job_id, worker)
    job.result = f.plain(dict(result)) if result is not None else None
    job.share = 1.0
    return _end(db, job, "done")


def fail(db: Session, job_id: str, problem: Problem, *, worker: str) -> JobRow:
    """Note what ended a job for good: {"what", "where", "allowed", "next_step"}.

    Raises
    ------
    ConflictError
        It was taken from this worker.
    """
    return _end(db, hold(db, job_id, worker), "failed", problem)


def give_back(db: Session, job_id: str, *, worker: str, problem: Problem, tried: bool = True) -> JobRow:
    """Let a job wait again whose worker died, or end it: as cancelled if that was wanted, as failed when tried too often.

    Parameters
    ----------
    problem : what to say when it is given up.
    tried : False when the worker didn't die of the job.

    Raises
    ------
    ConflictError
        It was taken from this worker.
    """
    job = hold(db, job_id, worker)
    if job.cancel_wanted:
        return _end(db, job, "cancelled")
    if not tried:
        job.attempts -= 1
    elif job.attempts >= MOST_ATTEMPTS:
        return _end(db, job, "failed", problem)
    return _wait_again(db, job)


def end_cancelled(db: Session, job_id: str, *, worker: str) -> JobRow:
    """Note that a running job was stopped as wanted.

    Raises
    ------
    ConflictError
        It was taken from this worker.
    """
    return _end(db, hold(db, job_id, worker), "cancelled")


def recover(db: Session, alive_workers: Iterable[str] = ()) -> list[JobRow]:
    """Give back what runs under the name of no living worker, as after the server was killed; returns these jobs.

    That is not held against a job, unless it happens again and again.
    """
    alive = set(alive_workers)
    asked = select(JobRow).where(JobRow.state == "running").order_by(JobRow.number).with_for_update()
    lost = [job for job in db.scalars(asked).all() if job.worker not in alive]
    for job in lost:
        restarts = int(job.payload.get("restarts", 0)) + 1
        if job.cancel_wanted:
            _end(db, job, "cancelled")
        elif restarts >= MOST_RESTARTS:
            _end(db, job, "failed", _STOPPED_TOO_OFTEN)
        else:
            job.attempts = max(0, job.attempts - 1)
            job.payload = {**job.payload, "restarts": restarts}
            _wait_again(db, job)
    return lost


_STOPPED_TOO_OFTEN = {
    "what": f"the workbench was stopped {MOST_RESTARTS} times while it was at this",
    "where": "",
    "allowed": "work during which the machine keeps running",
    "next_step": "try again; if the machine goes down each time, it may lack memory: film shorter, or in 1080p",
}


# --- within ---------------------------------------------------------------------------------


def _wait_again(db: Session, job: JobRow) -> JobRow:
    job.state, job.worker, job.heard_at, job.started_at = "waiting", None, None, None
    job.stage, job.share = "", 0.0
    if job.assessment_id is not None:
        reopen_assessment(db, job.assessment_id)
    return _changed(db, job)


def _end(db: Session, job: JobRow, state: str, problem: Problem | None = None) -> JobRow:
    job.state, job.ended_at, job.worker, job.heard_at = state, now(), None, None
    job.problem = f.plain(dict(problem)) if problem is not None else None
    if state in ("failed", "cancelled") and job.assessment_id is not None:
        fail_assessment(db, job.assessment_id, state)
    return _changed(db, job)


def _changed(db: Session, job: JobRow) -> JobRow:
    db.flush()
    job.change = _count(db)
    db.flush()
    return job


def _count(db: Session) -> int:
    """Return the next number; until the transaction ends nobody else gets one."""
    counter = select(SettingRow.value).where(SettingRow.key == _COUNTER).with_for_update()
    count = db.scalar(counter)
    if count is None:
        insert = postgresql.insert if db.get_bind().dialect.name == "postgresql" else sqlite.insert
        # Where records were brought together from elsewhere the counter may be missing: it never goes back.
        start = db.scalar(select(func.max(JobRow.change))) or 0
        db.execute(insert(SettingRow).values(key=_COUNTER, value=start).on_conflict_do_nothing())
        count = db.scalar(counter)
    change = int(count or 0) + 1
    set_ = update(SettingRow).where(SettingRow.key == _COUNTER).values(value=change)
    db.execute(set_.execution_options(synchronize_session=False))
    return change


def _ended(job: JobRow, allowed: str) -> ConflictError:
    return ConflictError(
        f"the job is {job.state}",
        where=f"job {job.number}",
        allowed=allowed,
        next_step="see the list of jobs",
        current={"id": job.id, "state": job.state, "number": job.number},
    )
