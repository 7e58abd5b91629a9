"""Work: all slow jobs, waiting, running and done; stopping one, trying one again."""

from __future__ import annotations

from fastapi import APIRouter, Request
from sqlalchemy import select
from starlette.responses import Response

from midstance.records import jobs
from midstance.records.tables import FilmRow, RunnerRow, SessionRow
from midstance.web.deps import DatabaseDep, Id, ReadDb, WorkbenchDep
from midstance.web.shell import Form, back, go, show

router = APIRouter()


@router.get("/work")
def work(request: Request, db: ReadDb) -> Response:
    """Show all jobs, what runs and waits first."""
    rows = jobs.jobs_of(db, most=100)
    sessions = {r.session_id for r in rows if r.session_id}
    titles = {
        session.id: (runner.name, session.held_on)
        for session, runner in db.execute(
            select(SessionRow, RunnerRow)
            .join(RunnerRow, RunnerRow.id == SessionRow.runner_id)
            .where(SessionRow.id.in_(sessions))
        )
    }
    films = {f.id: f for f in db.scalars(select(FilmRow).where(FilmRow.id.in_({r.film_id for r in rows if r.film_id})))}
    open_ = sorted((r for r in rows if r.state in ("waiting", "running")), key=lambda r: (r.state != "running", r.number))
    ended = sorted((r for r in rows if r.state not in ("waiting", "running")), key=lambda r: -r.number)
    return show(request, db, "work.html", {"open": open_, "ended": ended, "titles": titles, "films": films})


@router.post("/jobs/{job_id}/cancel")
def cancel(database: DatabaseDep, bench: WorkbenchDep, job_id: Id, form: Form) -> Response:
    """Stop a job."""
    with database.writing() as db:
        jobs.cancel(db, job_id)
    bench.wake()
    return go(back(form, "/work"), "cancelled")


@router.post("/jobs/{job_id}/retry")
def retry(database: DatabaseDep, bench: WorkbenchDep, job_id: Id, form: Form) -> Response:
    """Try a job again."""
    with database.writing() as db:
        jobs.retry(db, job_id)
    bench.wake()
    return go(back(form, "/work"), "retried")
