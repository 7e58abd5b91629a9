"""The report of a session: as it looks, its files, earlier ones, a new one."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import select
from starlette.responses import Response

from midstance.errors import MidstanceError, NotFoundError
from midstance.job import listed as files_in
from midstance.records import assessments
from midstance.records.tables import AssessmentRow, JobRow
from midstance.web.deps import DatabaseDep, Id, ReadDb, Who, WorkbenchDep
from midstance.web.overview import changes_since, film_cards
from midstance.web.shell import Form, back, go, problem_of, session_context, session_of, show
from midstance.web.words import VIEWS
from midstance.workers.queue import queue_assessment

router = APIRouter()

#: What each file of a report is, by the pattern of its name; the first that fits.
KINDS = (
    (r"report\.html", "Report", "one page that opens without a network"),
    (r"report\.pdf", "Report for printing", "the same, to print or send"),
    (r"measures\.csv", "Measures", "a table: one row for each measure, side and view"),
    (r"strides\.csv", "Strides", "a table: one row for each stride, with its events and values"),
    (r"overlay-(\w+)\.mp4", "Film with overlay", "four times slower, with skeleton, landings and push-offs"),
    (r"assessment\.json", "Everything, for programs", "JSON: films, events, measures, findings, corrections"),
    (r"landmarks-(\w+)\.parquet", "Landmarks", "Parquet: the landmarks of every picture"),
    (r"stills/(\w+?)-(left|right)-\w+-stride\d+\.jpg", "Still", "one instant with its angles drawn"),
)


@router.get("/sessions/{session_id}/report")
def report(request: Request, db: ReadDb, bench: WorkbenchDep, session_id: Id, number: int | None = None) -> Response:
    """Show the latest report, or an earlier one by its number."""
    return _page(request, db, bench, session_id, number)


@router.post("/sessions/{session_id}/report")
def make(request: Request, database: DatabaseDep, bench: WorkbenchDep, session_id: Id, who: Who, form: Form) -> Response:
    """Ask for a new report."""
    try:
        with database.writing() as db:
            session_of(db, session_id)
            queue_assessment(db, session_id, by=who)
    except NotFoundError:
        raise
    except MidstanceError as error:
        with database.reading() as db:
            return _page(request, db, bench, session_id, None, problem_of(error), 422)
    bench.wake()
    return go(back(form, f"/sessions/{session_id}/report"), "report-asked")


@router.post("/reports/{assessment_id}/remove")
def remove(database: DatabaseDep, assessment_id: Id, who: Who) -> Response:
    """Remove one report with its files."""
    with database.writing() as db:
        row = assessments.get_assessment(db, assessment_id)
        assessments.remove_assessment(db, assessment_id, by=who)
    return go(f"/sessions/{row.session_id}/report", "report-removed")


def _page(
    request: Request,
    db: Any,
    bench: Any,
    session_id: str,
    number: int | None,
    problem: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    session, runner = session_of(db, session_id)
    rows = list(
        db.scalars(
            select(AssessmentRow)
            .where(AssessmentRow.session_id == session_id)
            .order_by(AssessmentRow.number.desc())
            .limit(200)
        )
    )
    done = [r for r in rows if r.state == "done"]
    shown = next((r for r in done if number is None or r.number == number), None)
    if number is not None and shown is None:
        raise NotFoundError(
            f"there is no report {number} of this session", where="report", next_step="choose one from the list"
        )
    working = next((r for r in rows if r.state in ("waiting", "running")), None)
    failed = rows[0] if rows and rows[0].state in ("failed", "cancelled") else None
    job_of = working or failed
    job = None
    if job_of is not None:
        job = db.scalars(
            select(JobRow).where(JobRow.assessment_id == job_of.id).order_by(JobRow.number.desc()).limit(1)
        ).first()
    cards = film_cards(db, bench, session_id)
    files = file_list(bench.config.home.result(shown.id)) if shown else []
    context = {
        **session_context(session, runner),
        "rows": rows,
        "shown": shown,
        "newest": done[0] if done else None,
        "earlier": [r for r in rows if shown is None or r.id != shown.id],
        "changed": changes_since(db, done[0]) if done else [],
        "working": working,
        "failed": failed,
        "job": job,
        "files": [f for f in files if f["title"] != "Still"],
        "stills": [f for f in files if f["title"] == "Still"],
        "cards_shown": [c for c in cards if c.film is not None],
        "read": [c for c in cards if c.read],
        "problem": problem,
    }
    return show(request, db, "report.html", context, status)


def file_list(folder: Path) -> list[dict[str, Any]]:
    """Return the files of a report that people may want, with what each is and its size in bytes."""
    if not folder.is_dir():
        return []
    names = {p.relative_to(folder).as_posix(): p for p in files_in(folder)}
    out = []
    for order, (pattern, title, what) in enumerate(KINDS):
        for name, path in names.items():
            match = re.fullmatch(pattern, name)
            if match:
                view = next((g for g in match.groups() if g in VIEWS), "")
                of = f", {VIEWS[view][:1].lower()}{VIEWS[view][1:]}" if view else ""
                out.append(
                    {"name": name, "title": title, "of": of, "what": what, "bytes": path.stat().st_size, "order": order}
                )
    return out
