"""Assessments: ask for one, its numbers, its files."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Query
from fastapi import Path as InPath
from fastapi.responses import FileResponse, Response

from midstance.errors import NotFoundError
from midstance.records import assessments, erasing, sessions
from midstance.web.api import schemas as s
from midstance.web.deps import DatabaseDep, HomeDep, Id, ReadDb, Who, WorkbenchDep, WriteDb
from midstance.web.events import job_dict
from midstance.web.files import disposition
from midstance.web.gate import SANDBOX_CSP
from midstance.workers import queue

router = APIRouter(tags=["assessments"])
MEDIA_TYPES = {
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
    ".json": "application/json",
    ".csv": "text/csv; charset=utf-8",
    ".jpg": "image/jpeg",
    ".mp4": "video/mp4",
}
_CONTENT: dict[str, dict[str, Any]] = {
    kind.split(";")[0]: {} for kind in (*MEDIA_TYPES.values(), "application/octet-stream")
}
#: Kinds that a browser shows; everything else is handed over for keeping.
_SHOWN = frozenset({".html", ".pdf", ".jpg", ".mp4", ".json"})


@router.get("/sessions/{id}/assessments", summary="List assessments", responses=s.problems(404))
def list_assessments(id: Id, db: ReadDb) -> s.Assessments:
    """List the assessments of a session, newest first."""
    sessions.get_session(db, id)
    rows = assessments.assessments_of(db, id)
    return s.Assessments(items=[s.AssessmentOut.model_validate(r) for r in rows])


@router.post("/sessions/{id}/assessments", status_code=202, summary="Make a report", responses=s.problems(404, 409, 422))
def start_assessment(id: Id, db: WriteDb, bench: WorkbenchDep, by: Who) -> s.AssessmentStarted:
    """Ask for an assessment of the session as it stands; the job says how far it is."""
    row, job = queue.queue_assessment(db, id, by=by)
    db.flush()
    bench.wake_after(db)
    return s.AssessmentStarted(assessment=s.AssessmentOut.model_validate(row), job=s.JobOut(**job_dict(job)))


@router.get("/assessments/{id}", summary="Show an assessment", responses=s.problems(404))
def get_assessment(id: Id, db: ReadDb) -> s.AssessmentWhole:
    """Give an assessment with its measures and findings."""
    row = assessments.get_assessment(db, id)
    return s.AssessmentWhole(
        **s.AssessmentOut.model_validate(row).model_dump(),
        settings=row.settings,
        findings=row.findings,
        measures=[s.MeasureOut.model_validate(m) for m in assessments.measures_of(db, id)],
    )


@router.delete("/assessments/{id}", status_code=204, summary="Remove an assessment", responses=s.problems(404, 409))
def remove_assessment(id: Id, home: HomeDep, database: DatabaseDep, by: Who) -> Response:
    """Remove an assessment and its files."""
    with database.writing() as db:
        assessments.remove_assessment(db, id, by=by)
    erasing.tidy(home, database)
    return Response(status_code=204)


@router.get("/assessments/{id}/files", summary="List an assessment's files", responses=s.problems(404))
def list_files(id: Id, db: ReadDb, home: HomeDep) -> s.ResultFiles:
    """List the files; empty until it is done."""
    row = assessments.get_assessment(db, id)
    found = result_files(home.result(row.id))
    return s.ResultFiles(items=[s.ResultFile(name=n, bytes=size, media_type=_kind(n)) for n, size in sorted(found.items())])


def result_files(folder: Path) -> dict[str, int]:
    """Return names (with ``/``) and sizes of the files of a result: plain files only, none that are hidden."""
    found: dict[str, int] = {}
    for base, folders, names in os.walk(folder):
        folders[:] = [f for f in folders if not f.startswith(".")]
        for name in names:
            path = Path(base) / name
            if not name.startswith(".") and path.is_file() and not path.is_symlink():
                found[path.relative_to(folder).as_posix()] = path.stat().st_size
    return found


def _kind(name: str) -> str:
    return MEDIA_TYPES.get(Path(name).suffix, "application/octet-stream")


@router.get(
    "/assessments/{id}/files/{name:path}",
    summary="A file of an assessment",
    response_class=Response,
    responses={
        200: {"description": "the file", "content": _CONTENT},
        206: {"description": "a part of it", "content": _CONTENT},
        **s.problems(404, 416, 422),
    },
)
def get_file(
    id: Id,
    name: Annotated[str, InPath(max_length=200, description="as listed, such as `report.html` or `stills/….jpg`")],
    db: ReadDb,
    home: HomeDep,
    download: Annotated[bool, Query(description="for keeping, not for showing")] = False,
) -> Response:
    """Give a file. The page of the report runs no scripts and loads nothing."""
    row = assessments.get_assessment(db, id)
    folder = home.result(row.id)
    if name not in result_files(folder):  # compared with what is there, never taken as a path of its own
        raise NotFoundError(
            "the assessment has no such file", where="name", allowed="a name of the list", next_step="see the list of files"
        )
    suffix = Path(name).suffix
    inline = suffix in _SHOWN and not download
    session = sessions.get_session(db, row.session_id)
    last = name.rsplit("/", 1)[-1]
    shown_name = f"{Path(last).stem}-{session.held_on.isoformat()}-{row.number}{suffix}"
    place = disposition(shown_name, "inline" if inline else "attachment")
    headers = {"Cache-Control": "private, no-cache", "Content-Disposition": place}
    if suffix == ".html":
        headers["Content-Security-Policy"] = SANDBOX_CSP
    return FileResponse(folder / name, media_type=_kind(name), headers=headers)
