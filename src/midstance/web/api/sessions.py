"""Sessions: list, add, change, films, measures as they stand, findings that aren't agreed with."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import Response

from midstance.records import corrections, erasing, films, runners, sessions
from midstance.web.api import schemas as s
from midstance.web.api.runners import After, Most, Words
from midstance.web.deps import DatabaseDep, HomeDep, Id, ReadDb, Who, WorkbenchDep, WriteDb
from midstance.web.events import job_dict
from midstance.web.files import take_body
from midstance.workers import queue

router = APIRouter(tags=["sessions"])


@router.get("/sessions", summary="List sessions", responses=s.problems(404, 422))
def list_sessions(
    db: ReadDb,
    runner: Annotated[str | None, Query(pattern="^[0-9a-f]{16}$", description="only sessions of this runner")] = None,
    query: Words = "",
    after: After = None,
    most: Most = 50,
) -> s.Sessions:
    """List sessions, newest first."""
    page = sessions.list_sessions(db, runner_id=runner, query=query, after=after or None, most=most)
    return s.Sessions(items=[s.SessionItem.model_validate(i) for i in page.items], next=page.next)


@router.post("/runners/{id}/sessions", status_code=201, summary="Add a session", responses=s.problems(404, 422))
def add_session(id: Id, new: s.SessionNew, db: WriteDb, by: Who) -> s.SessionOut:
    """Add a session of a runner."""
    row = sessions.add_session(db, id, new.model_dump(), by=by)
    db.flush()
    return s.SessionOut.model_validate(row)


@router.get("/sessions/{id}", summary="Show a session with its films", responses=s.problems(404))
def get_session(id: Id, db: ReadDb, home: HomeDep) -> s.SessionWhole:
    """Give a session, its runner, and its films with how far they are."""
    row = sessions.get_session(db, id)
    return s.SessionWhole(
        **s.SessionOut.model_validate(row).model_dump(),
        runner=s.RunnerOut.model_validate(runners.get_runner(db, row.runner_id)),
        films=[film_state(db, home, film) for film in films.films_of(db, id)],
    )


def film_state(db: Any, home: Any, film: Any) -> s.FilmStateOut:
    """Return a film and how far it is."""
    state = queue.film_state(db, home, film)
    return s.FilmStateOut(
        **s.FilmOut.model_validate(film).model_dump(),
        prepared=state.prepared,
        read=state.read,
        job=s.JobOut(**job_dict(state.job)) if state.job is not None else None,
        problem=state.problem,
    )


@router.put("/sessions/{id}", summary="Change a session", responses=s.problems(404, 409, 422))
def change_session(id: Id, change: s.SessionChange, db: WriteDb, by: Who) -> s.SessionOut:
    """Change what is noted of a session; names left out stay as they are."""
    fields = change.model_dump(exclude_unset=True, exclude={"version"})
    row = sessions.change_session(db, id, fields, version=change.version, by=by)
    db.flush()
    return s.SessionOut.model_validate(row)


@router.delete("/sessions/{id}", status_code=204, summary="Remove a session", responses=s.problems(404, 409))
def remove_session(id: Id, home: HomeDep, database: DatabaseDep, by: Who) -> Response:
    """Remove a session with its films, corrections and reports."""
    with database.writing() as db:
        sessions.remove_session(db, id, by=by)
    erasing.tidy(home, database)
    return Response(status_code=204)


_FILM_BODY = {
    "requestBody": {
        "required": True,
        "description": "the film's bytes as the camera wrote them",
        "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
    }
}


@router.post(
    "/sessions/{id}/films",
    status_code=201,
    summary="Add a film",
    responses=s.problems(404, 409, 413, 415, 422),
    openapi_extra=_FILM_BODY,
)
async def add_film(
    id: Id,
    request: Request,
    by: Who,
    view: Annotated[s.View, Query(description="what it is filmed from")],
    name: Annotated[str, Query(max_length=400, description="the name it came under, for people only")] = "",
) -> s.FilmOut:
    """Take a film as the body of the request; it is stored, prepared for playing and read.

    An earlier film of the view is kept and no longer used.
    """
    return s.FilmOut.model_validate(await take_body(request, id, view=view, name=name, by=by))


@router.get("/sessions/{id}/live", summary="Measures and findings as they stand", responses=s.problems(404, 422))
def live(id: Id, db: ReadDb, bench: WorkbenchDep) -> dict[str, Any]:
    """Give measures, findings, events and strides of a session with all corrections in, as in ``assessment.json``.

    Besides: ``films[].film_id`` and ``strides``. 404 as long as none of its films is read.
    """
    sessions.get_session(db, id)
    result: dict[str, Any] = bench.live.session(db, id)
    return result


@router.get("/sessions/{id}/overrules", summary="List findings that aren't agreed with", responses=s.problems(404))
def list_overrules(id: Id, db: ReadDb) -> s.Overrules:
    """List them, withdrawn ones too."""
    sessions.get_session(db, id)
    rows = corrections.overrules_of(db, id, withdrawn=None)
    return s.Overrules(items=[s.OverruleOut.model_validate(r) for r in rows])


@router.post("/sessions/{id}/overrules", status_code=201, summary="Overrule a finding", responses=s.problems(404, 409, 422))
def add_overrule(id: Id, new: s.OverruleNew, db: WriteDb, by: Who) -> s.OverruleOut:
    """Note that a finding isn't agreed with; it stays in the report, marked, with the reason."""
    row = corrections.add_overrule(db, id, new.finding, new.side, new.why, by=by)
    db.flush()
    return s.OverruleOut.model_validate(row)


@router.post("/overrules/{id}/withdraw", summary="Withdraw an overruling", responses=s.problems(404, 409))
def withdraw_overrule(id: Id, db: WriteDb, by: Who) -> s.OverruleOut:
    """Let the finding stand again."""
    row = corrections.withdraw_overrule(db, id, by=by)
    db.flush()
    return s.OverruleOut.model_validate(row)
