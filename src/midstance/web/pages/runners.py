"""Runners: the list, one with its sessions and trends, adding, changing, erasing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from sqlalchemy import func, select
from starlette.responses import Response

from midstance.errors import ConflictError, MidstanceError, OptionError
from midstance.records import erasing, journal, runners, sessions
from midstance.records.tables import AssessmentRow, CorrectionRow, FilmRow, MediaRow, RunnerRow, SessionRow
from midstance.web import plots, words
from midstance.web.deps import DatabaseDep, HomeDep, Id, ReadDb, Who, workbench
from midstance.web.shell import Form, beside, faults_of, go, problem_of, runner_of, show, text, version_of
from midstance.web.trends import trends_of

router = APIRouter()

#: Fields of a runner by the names people read, for what two people wrote at the same time.
NAMES: Mapping[str, str] = {
    "name": "Name",
    "birth_year": "Year of birth",
    "height_m": "Height, m",
    "mass_kg": "Body mass, kg",
    "body_table": "Body table",
    "notes": "Notes",
    "consent": "Consent",
    "consent_on": "Consent given on",
    "consent_by": "Noted by",
    "consent_text": "Consent to what",
}
#: The form's names of the records' fields.
FORM: Mapping[str, str] = {name: name for name in NAMES}
BODY_TABLES = (("mean", "mean of both"), ("female", "female"), ("male", "male"))
CONSENTS = (("not_asked", "not asked yet"), ("given", "given"), ("withdrawn", "withdrawn"))


@router.get("/runners")
def listed(request: Request, db: ReadDb, query: str = "", after: str | None = None) -> Response:
    """Show the runners, searched and page by page."""
    query = query.strip()[:80]
    page = runners.list_runners(db, query=query, after=after, most=50)
    if not page.items and not query and not after:
        return go("/")
    more = f"/runners?{urlencode({'query': query, 'after': page.next})}" if page.next else ""
    return show(request, db, "runners.html", {"items": page.items, "query": query, "more": more})


@router.get("/runners/new")
def new(request: Request, db: ReadDb) -> Response:
    """Show the empty form."""
    return _form_page(request, db, None, {"body_table": "mean", "consent": "not_asked"}, {})


@router.post("/runners/new")
def add(request: Request, database: DatabaseDep, who: Who, form: Form) -> Response:
    """Add a runner."""
    fields, faults = read_fields(form)
    if not faults:
        try:
            with database.writing() as db:
                runner = runners.add_runner(db, fields, by=who)
            return go(f"/runners/{runner.id}", "runner-added")
        except OptionError as error:
            faults = faults_of(error, FORM)
    with database.reading() as db:
        return _form_page(request, db, None, form, faults, 422)


@router.get("/runners/{runner_id}")
def one(request: Request, db: ReadDb, runner_id: Id, after: str | None = None) -> Response:
    """Show one runner: facts, consent, sessions, how measures went from session to session."""
    runner = runner_of(db, runner_id)
    page = sessions.list_sessions(db, runner_id=runner_id, after=after, most=20)
    more = f"/runners/{runner_id}?{urlencode({'after': page.next})}#sessions" if page.next else ""
    context = {
        "runner": runner,
        "invented": runner.invented,
        "items": page.items,
        "more": more,
        "trends": trends_of(db, runner_id),
        "signs": plots.SIGNS,
        "journal": journal.journal_of(db, runner_id, most=30).items,
    }
    return show(request, db, "runner.html", context)


@router.get("/runners/{runner_id}/edit")
def edit(request: Request, db: ReadDb, runner_id: Id) -> Response:
    """Show the form with what is known."""
    runner = runner_of(db, runner_id)
    return _form_page(request, db, runner, values_of(runner), {})


@router.post("/runners/{runner_id}/edit")
def change(request: Request, database: DatabaseDep, runner_id: Id, who: Who, form: Form) -> Response:
    """Change a runner; what somebody else wrote meanwhile is shown beside and nothing is lost."""
    fields, faults = read_fields(form)
    conflict: list[dict[str, str]] = []
    status = 422
    if not faults:
        try:
            with database.writing() as db:
                runners.change_runner(db, runner_id, fields, version=version_of(form), by=who)
            return go(f"/runners/{runner_id}", "runner-saved")
        except ConflictError as error:
            conflict, status = beside(error, fields, NAMES), 409
        except OptionError as error:
            faults = faults_of(error, FORM)
    with database.reading() as db:
        runner = runner_of(db, runner_id)
        return _form_page(request, db, runner, form, faults, status, conflict=conflict, in_conflict=status == 409)


@router.get("/runners/{runner_id}/erase")
def ask_erase(request: Request, db: ReadDb, runner_id: Id) -> Response:
    """Say what will be gone, and ask for the name."""
    return _erase_page(request, db, runner_id, "", None)


@router.post("/runners/{runner_id}/erase")
def erase(request: Request, database: DatabaseDep, home: HomeDep, runner_id: Id, who: Who, form: Form) -> Response:
    """Erase a runner when the name was written right."""
    written = text(form, "name")
    with database.reading() as db:
        name = runner_of(db, runner_id).name
        if written != name:
            fault = {"name": f"Write the name exactly as it stands: {name}"}
            return _erase_page(request, db, runner_id, written, fault, 422)
    try:
        erased = erasing.erase_runner(home, database, runner_id, by=who)
        workbench(request).forget()
    except MidstanceError as error:
        with database.reading() as db:
            return _erase_page(request, db, runner_id, written, None, 409, problem=problem_of(error))
    with database.reading() as db:
        return show(request, db, "runner_erased.html", {"erased": erased, "name": name})


def _erase_page(
    request: Request,
    db: Any,
    runner_id: str,
    written: str,
    faults: Mapping[str, str] | None,
    status: int = 200,
    problem: Mapping[str, str] | None = None,
) -> Response:
    runner = runner_of(db, runner_id)
    context = {
        "runner": runner,
        "invented": runner.invented,
        "counts": counts_of(db, runner_id),
        "written": written,
        "faults": faults or {},
        "problem": problem,
    }
    return show(request, db, "runner_erase.html", context, status)


def counts_of(db: Any, runner_id: str) -> dict[str, int]:
    """Return how much there is of a runner: sessions, films, their bytes, corrections, reports."""
    mine = select(SessionRow.id).where(SessionRow.runner_id == runner_id)
    films = select(FilmRow.id).where(FilmRow.session_id.in_(mine))
    media = select(FilmRow.sha256).where(FilmRow.session_id.in_(mine)).distinct()

    def count(query: Any) -> int:
        return int(db.scalar(query) or 0)

    return {
        "sessions": count(select(func.count()).select_from(SessionRow).where(SessionRow.runner_id == runner_id)),
        "films": count(select(func.count()).select_from(films.subquery())),
        "bytes": count(select(func.sum(MediaRow.bytes)).where(MediaRow.sha256.in_(media))),
        "corrections": count(select(func.count()).select_from(CorrectionRow).where(CorrectionRow.film_id.in_(films))),
        "reports": count(select(func.count()).select_from(AssessmentRow).where(AssessmentRow.session_id.in_(mine))),
    }


def _form_page(
    request: Request,
    db: Any,
    runner: RunnerRow | None,
    values: Mapping[str, Any],
    faults: Mapping[str, str],
    status: int = 200,
    *,
    conflict: list[dict[str, str]] | None = None,
    in_conflict: bool = False,
) -> Response:
    context = {
        "runner": runner,
        "invented": runner.invented if runner else False,
        "values": {name: values.get(name, "") for name in NAMES},
        "faults": faults,
        "body_tables": BODY_TABLES,
        "consents": CONSENTS,
        "conflict": conflict or [],
        "in_conflict": in_conflict,
        "today": dt.date.today().isoformat(),
    }
    return show(request, db, "runner_form.html", context, status)


def values_of(runner: RunnerRow) -> dict[str, str]:
    """Return what is known of a runner as the form shows it."""
    return {
        "name": runner.name,
        "birth_year": str(runner.birth_year or ""),
        "height_m": f"{runner.height_m:g}" if runner.height_m else "",
        "mass_kg": f"{runner.mass_kg:g}" if runner.mass_kg else "",
        "body_table": runner.body_table,
        "notes": runner.notes,
        "consent": runner.consent,
        "consent_on": runner.consent_on.isoformat() if runner.consent_on else "",
        "consent_by": runner.consent_by,
        "consent_text": runner.consent_text,
    }


def read_fields(form: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a runner's fields as the records take them, and the faults by field."""
    fields: dict[str, Any] = {"name": text(form, "name"), "notes": text(form, "notes")}
    faults: dict[str, str] = {}
    if not fields["name"]:
        faults["name"] = "A name is needed; initials or a nickname will do."
    elif len(fields["name"]) > 80:
        faults["name"] = "The name is too long. Possible: up to 80 characters."
    this_year = dt.date.today().year
    parsers: dict[str, Any] = {
        "birth_year": lambda t: _whole(words.parse_number(t, "a year of birth", 1900, this_year, "")),
        "height_m": words.parse_body_height,
        "mass_kg": lambda t: words.parse_mass(t) if t else None,
        "consent_on": _date,
    }
    for name, parse in parsers.items():
        try:
            fields[name] = parse(text(form, name))
        except MidstanceError as error:
            faults[name] = words.fault_text(error)
    fields["body_table"] = _one_of(text(form, "body_table"), BODY_TABLES, "mean")
    fields["consent"] = _one_of(text(form, "consent"), CONSENTS, "not_asked")
    fields["consent_by"] = text(form, "consent_by")[:80]
    fields["consent_text"] = text(form, "consent_text")
    if fields["consent"] == "given" and fields.get("consent_on") is None and "consent_on" not in faults:
        faults["consent_on"] = "Note the day on which consent was given."
    return fields, faults


def _one_of(value: str, options: tuple[tuple[str, str], ...], otherwise: str) -> str:
    return value if any(value == key for key, _ in options) else otherwise


def _whole(value: float | None) -> int | None:
    return None if value is None else int(value)


def _date(written: str) -> dt.date | None:
    if not written:
        return None
    try:
        return dt.date.fromisoformat(written)
    except ValueError as error:
        raise OptionError(f"“{written[:40]}” is not a date", where="date", allowed="a day such as 2026-05-03") from error
