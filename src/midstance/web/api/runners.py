"""Runners: list, add, change, export, erase."""

from __future__ import annotations

import secrets
from typing import Annotated

import attrs
from fastapi import APIRouter, Query
from fastapi.responses import Response

from midstance.errors import OptionError
from midstance.records import erasing, exporting, journal, runners
from midstance.web.api import schemas as s
from midstance.web.deps import DatabaseDep, HomeDep, Id, ReadDb, Who, WorkbenchDep, WriteDb
from midstance.web.files import once

router = APIRouter(tags=["runners"])
After = Annotated[str | None, Query(max_length=1000, pattern="^[A-Za-z0-9_=-]*$", description="`next` of the part before")]
Most = Annotated[int, Query(ge=1, le=200, description="most entries in one part")]
Words = Annotated[str, Query(max_length=100, pattern="^[^\\x00-\\x1f]*$", description="part of a name")]


@router.get("/runners", summary="List runners", responses=s.problems(422))
def list_runners(db: ReadDb, query: Words = "", after: After = None, most: Most = 50) -> s.Runners:
    """List runners by name, with how often and when last they were filmed."""
    page = runners.list_runners(db, query=query, after=after or None, most=most)
    return s.Runners(items=[s.RunnerItem.model_validate(i) for i in page.items], next=page.next)


@router.post("/runners", status_code=201, summary="Add a runner", responses=s.problems(422))
def add_runner(new: s.RunnerNew, db: WriteDb, by: Who) -> s.RunnerOut:
    """Add a runner."""
    row = runners.add_runner(db, new.model_dump(), by=by)
    db.flush()
    return s.RunnerOut.model_validate(row)


@router.get("/runners/{id}", summary="Show a runner", responses=s.problems(404))
def get_runner(id: Id, db: ReadDb) -> s.RunnerOut:
    """Give what is noted of a runner."""
    return s.RunnerOut.model_validate(runners.get_runner(db, id))


@router.put("/runners/{id}", summary="Change a runner", responses=s.problems(404, 409, 422))
def change_runner(id: Id, change: s.RunnerChange, db: WriteDb, by: Who) -> s.RunnerOut:
    """Change what is noted of a runner; names left out stay as they are."""
    fields = change.model_dump(exclude_unset=True, exclude={"version"})
    row = runners.change_runner(db, id, fields, version=change.version, by=by)
    db.flush()
    return s.RunnerOut.model_validate(row)


@router.post("/runners/{id}/erase", summary="Erase a runner", responses=s.problems(404, 409, 422))
def erase_runner(id: Id, erase: s.EraseRunner, bench: WorkbenchDep, by: Who, response: Response) -> s.Erased:
    """Erase a runner, all sessions, films, corrections, readings and reports, and search for what may be left.

    Backups and exports made before, and snapshots of the file system, can't be reached.
    """
    with bench.database.reading() as db:
        name = runners.get_runner(db, id).name
    if erase.name.strip() != name:
        raise OptionError(
            "the name isn't the runner's",
            where="name",
            allowed="the runner's name as it is noted",
            next_step="write the name again, or go back without erasing",
        )
    erased = erasing.erase_runner(bench.config.home, bench.database, id, by=by)
    bench.forget()
    response.headers["Clear-Site-Data"] = '"cache"'  # films and stills that this browser may have kept
    return s.Erased(counts=dict(erased.counts), clean=erased.clean, **attrs.asdict(erased.proof))


@router.get(
    "/runners/{id}/export",
    summary="Export all that is kept of a runner",
    response_class=Response,
    responses={200: {"description": "a ZIP archive", "content": {"application/zip": {}}}, **s.problems(404)},
)
def export_runner(id: Id, home: HomeDep, database: DatabaseDep) -> Response:
    """Give films, corrections, marks, measures and reports of a runner in open formats."""
    with database.reading() as db:
        name = runners.get_runner(db, id).name
    return once(
        lambda path: exporting.export_runner(home, database, id, path),
        home.incoming,
        f"export-{secrets.token_hex(8)}.zip",
        f"{name}.zip",
        "application/zip",
    )


@router.get("/runners/{id}/journal", summary="Who did what, when", responses=s.problems(404, 422))
def runner_journal(id: Id, db: ReadDb, after: After = None, most: Most = 50) -> s.Journal:
    """List changes of what is kept of a runner, newest first."""
    runners.get_runner(db, id)
    page = journal.journal_of(db, id, after=after or None, most=most)
    return s.Journal(items=[s.JournalEntry.model_validate(i) for i in page.items], next=page.next)
