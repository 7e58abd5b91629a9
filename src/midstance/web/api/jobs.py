"""Jobs: what is being done, live, and stopping or trying again."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Header, Query
from fastapi.responses import StreamingResponse

from midstance.records import jobs
from midstance.web.api import schemas as s
from midstance.web.deps import Id, ReadDb, WorkbenchDep, WriteDb
from midstance.web.events import JobDict, job_dict

router = APIRouter(tags=["jobs"])
SessionId = Annotated[str | None, Query(pattern="^[0-9a-f]{16}$", description="only jobs of this session")]
FilmId = Annotated[str | None, Query(pattern="^[0-9a-f]{16}$", description="only jobs of this film")]


@router.get("/jobs", summary="List jobs", responses=s.problems(422))
def list_jobs(
    db: ReadDb,
    session: SessionId = None,
    film: FilmId = None,
    state: Annotated[list[s.JobState] | None, Query(max_length=5, description="only in these states")] = None,
    most: Annotated[int, Query(ge=1, le=500)] = 100,
) -> s.Jobs:
    """List jobs, newest first."""
    rows = jobs.jobs_of(db, session_id=session, film_id=film, states=state or None, most=most)
    return s.Jobs(items=[s.JobOut(**job_dict(r)) for r in rows])


@router.get(
    "/jobs/stream",
    summary="Live progress",
    response_class=StreamingResponse,
    responses={200: {"description": "server-sent events", "content": {"text/event-stream": {}}}, **s.problems(422)},
)
async def stream(
    bench: WorkbenchDep,
    session: SessionId = None,
    film: FilmId = None,
    last_event_id: Annotated[str | None, Header(max_length=20)] = None,
) -> StreamingResponse:
    """Send an event `job` with a job each time one changes; first `hello`, then all jobs that aren't done.

    With `Last-Event-ID` (browsers send it when they connect again) all that changed since comes first instead.
    """

    def wanted(job: JobDict) -> bool:
        return (session is None or job["session_id"] == session) and (film is None or job["film_id"] == film)

    since = int(last_event_id) if last_event_id and last_event_id.isascii() and last_event_id.isdigit() else None
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return StreamingResponse(bench.news.listen(wanted, since), media_type="text/event-stream", headers=headers)


@router.get("/jobs/{id}", summary="Show a job", responses=s.problems(404))
def get_job(id: Id, db: ReadDb) -> s.JobOut:
    """Give a job."""
    return s.JobOut(**job_dict(jobs.get_job(db, id)))


@router.post("/jobs/{id}/cancel", summary="Stop a job", responses=s.problems(404, 409))
def cancel(id: Id, db: WriteDb, bench: WorkbenchDep) -> s.JobOut:
    """Stop a job that waits or runs; what it had done is thrown away."""
    row = jobs.cancel(db, id)
    db.flush()
    bench.wake_after(db)
    return s.JobOut(**job_dict(row))


@router.post("/jobs/{id}/retry", summary="Try a job again", responses=s.problems(404, 409))
def retry(id: Id, db: WriteDb, bench: WorkbenchDep) -> s.JobOut:
    """Try a job again that failed or was stopped."""
    row = jobs.retry(db, id)
    db.flush()
    bench.wake_after(db)
    return s.JobOut(**job_dict(row))
