"""Sessions: the list, one from intake to report, adding and changing one, its films."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from midstance.errors import ConflictError, MidstanceError, OptionError
from midstance.records import erasing, films, runners, sessions
from midstance.records.tables import RunnerRow, SessionRow
from midstance.web import words
from midstance.web.deps import DatabaseDep, HomeDep, Id, ReadDb, Who, WorkbenchDep, workbench
from midstance.web.files import take_form
from midstance.web.overview import overview_of
from midstance.web.shell import (
    Form,
    back,
    beside,
    faults_of,
    go,
    problem_of,
    runner_of,
    session_context,
    session_of,
    show,
    text,
    version_of,
)
from midstance.workers.queue import queue_film

router = APIRouter()

NAMES: Mapping[str, str] = {
    "held_on": "Day",
    "place": "Place",
    "surface": "Surface",
    "speed_mps": "Pace",
    "shoes": "Shoes",
    "weekly_distance_km": "Distance a week, km",
    "pain": "Pain",
    "notes": "Notes",
}
#: The form's names of the records' fields.
FORM: Mapping[str, str] = {**{name: name for name in NAMES}, "speed_mps": "pace", "pain": ""}
SURFACES = (("treadmill", "treadmill"), ("overground", "overground"))
#: Places for pain in the form; more than anybody should be running with.
PAIN_ROWS = 6
_ALLOWED_VIEWS = ("side", "side_far", "rear", "front")


@router.get("/sessions")
def listed(request: Request, db: ReadDb, query: str = "", after: str | None = None) -> Response:
    """Show all sessions, newest first."""
    query = query.strip()[:80]
    page = sessions.list_sessions(db, query=query, after=after, most=50)
    more = f"/sessions?{urlencode({'query': query, 'after': page.next})}" if page.next else ""
    return show(request, db, "sessions.html", {"items": page.items, "query": query, "more": more})


@router.get("/sessions/new")
def whose(request: Request, db: ReadDb, query: str = "") -> Response:
    """Ask for the runner of a new session."""
    page = runners.list_runners(db, query=query.strip()[:80], most=50)
    return show(request, db, "session_whose.html", {"items": page.items, "query": query.strip()[:80]})


@router.get("/runners/{runner_id}/sessions/new")
def new(request: Request, db: ReadDb, runner_id: Id) -> Response:
    """Show the form, filled in with what was so last time, except pain."""
    runner = runner_of(db, runner_id)
    latest = sessions.list_sessions(db, runner_id=runner_id, most=1).items
    values: dict[str, Any] = {"held_on": dt.date.today().isoformat(), "surface": "treadmill"}
    if latest:
        before = session_of(db, latest[0].id)[0]
        kept = values_of(before)
        values |= {name: kept[name] for name in ("place", "surface", "pace", "shoes", "weekly_distance_km")}
    return _form_page(request, db, runner, None, values, {}, as_before=bool(latest))


@router.post("/runners/{runner_id}/sessions/new")
def add(request: Request, database: DatabaseDep, runner_id: Id, who: Who, form: Form) -> Response:
    """Add a session."""
    fields, faults = read_fields(form)
    if not faults:
        try:
            with database.writing() as db:
                session = sessions.add_session(db, runner_id, fields, by=who)
            return go(f"/sessions/{session.id}", "session-added")
        except OptionError as error:
            faults = faults_of(error, FORM)
    with database.reading() as db:
        return _form_page(request, db, runner_of(db, runner_id), None, form, faults, 422)


@router.get("/sessions/{session_id}")
def one(request: Request, db: ReadDb, bench: WorkbenchDep, session_id: Id) -> Response:
    """Show one session from intake to report: what is there, what is missing, what comes next."""
    session, runner = session_of(db, session_id)
    context = {
        **session_context(session, runner),
        **overview_of(db, bench, session, runner),
        "most_bytes": bench.config.most_film_bytes,
    }
    return show(request, db, "session.html", context)


@router.get("/sessions/{session_id}/edit")
def edit(request: Request, db: ReadDb, session_id: Id) -> Response:
    """Show the form with what is known."""
    session, runner = session_of(db, session_id)
    return _form_page(request, db, runner, session, values_of(session), {})


@router.post("/sessions/{session_id}/edit")
def change(request: Request, database: DatabaseDep, session_id: Id, who: Who, form: Form) -> Response:
    """Change a session; what somebody else wrote meanwhile is shown beside and nothing is lost."""
    fields, faults = read_fields(form)
    conflict: list[dict[str, str]] = []
    status = 422
    if not faults:
        try:
            with database.writing() as db:
                sessions.change_session(db, session_id, fields, version=version_of(form), by=who)
            return go(f"/sessions/{session_id}", "session-saved")
        except ConflictError as error:
            conflict, status = beside(error, fields, NAMES), 409
        except OptionError as error:
            faults = faults_of(error, FORM)
    with database.reading() as db:
        session, runner = session_of(db, session_id)
        return _form_page(request, db, runner, session, form, faults, status, conflict=conflict, in_conflict=status == 409)


@router.post("/sessions/{session_id}/remove")
def remove(database: DatabaseDep, home: HomeDep, session_id: Id, who: Who) -> Response:
    """Remove a session with its films, corrections and reports."""
    with database.writing() as db:
        runner_id = session_of(db, session_id)[0].runner_id
        sessions.remove_session(db, session_id, by=who)
    erasing.tidy(home, database)
    return go(f"/runners/{runner_id}", "session-removed")


@router.post("/sessions/{session_id}/films")
async def add_film(request: Request, session_id: Id, who: Who) -> Response:
    """Take a film from a form, for browsers without scripts; pages with scripts send it to the API and show progress."""
    try:
        await take_form(request, session_id, who)
    except MidstanceError as error:
        return await run_in_threadpool(_film_refused, request, session_id, error)
    return go(f"/sessions/{session_id}#films", "film-added")


def _film_refused(request: Request, session_id: str, error: MidstanceError) -> Response:
    bench = workbench(request)
    with bench.database.reading() as db:
        session, runner = session_of(db, session_id)
        context = {
            **session_context(session, runner),
            **overview_of(db, bench, session, runner),
            "most_bytes": bench.config.most_film_bytes,
            "film_problem": problem_of(error),
        }
        return show(request, db, "session.html", context, 422)


@router.post("/films/{film_id}/use")
def use_film(database: DatabaseDep, film_id: Id, who: Who) -> Response:
    """Let an earlier take be the one that is measured."""
    with database.writing() as db:
        film = films.get_film(db, film_id)
        films.change_film(db, film_id, {"used": True}, version=film.version, by=who)
    return go(f"/sessions/{film.session_id}#films", "film-used")


@router.post("/films/{film_id}/view")
def set_view(database: DatabaseDep, bench: WorkbenchDep, film_id: Id, who: Who, form: Form) -> Response:
    """Say that a film shows another view than it was given as."""
    view = text(form, "view")
    if view not in _ALLOWED_VIEWS:
        raise OptionError(f"“{view[:20]}” is not a view", where="view", allowed=", ".join(_ALLOWED_VIEWS))
    with database.writing() as db:
        film = films.get_film(db, film_id)
        films.change_film(db, film_id, {"view": view}, version=film.version, by=who)
        queue_film(db, film, by=who)
    bench.wake()
    return go(f"/sessions/{film.session_id}#films", "film-again")


@router.post("/films/{film_id}/read")
def read_again(database: DatabaseDep, bench: WorkbenchDep, film_id: Id, who: Who, form: Form) -> Response:
    """Prepare and read a film again."""
    with database.writing() as db:
        film = films.get_film(db, film_id)
        queue_film(db, film, by=who)
    bench.wake()
    return go(back(form, f"/sessions/{film.session_id}#films"), "film-again")


@router.post("/films/{film_id}/remove")
def remove_film(database: DatabaseDep, home: HomeDep, film_id: Id, who: Who) -> Response:
    """Take a film out of its session."""
    with database.writing() as db:
        film = films.get_film(db, film_id)
        session_id = film.session_id
        films.remove_film(db, film_id, by=who)
    erasing.tidy(home, database)
    return go(f"/sessions/{session_id}#films", "film-removed")


def _form_page(
    request: Request,
    db: Any,
    runner: RunnerRow,
    session: SessionRow | None,
    values: Mapping[str, Any],
    faults: Mapping[str, str],
    status: int = 200,
    *,
    conflict: list[dict[str, str]] | None = None,
    in_conflict: bool = False,
    as_before: bool = False,
) -> Response:
    names = ("held_on", "place", "surface", "pace", "shoes", "weekly_distance_km", "notes")
    pain = [{part: values.get(f"pain_{part}_{i}", "") for part in ("where", "score", "note")} for i in range(PAIN_ROWS)]
    filled = max((i + 1 for i, row in enumerate(pain) if any(row.values())), default=0)
    context = {
        "runner": runner,
        "session": session,
        "invented": runner.invented,
        "values": {name: values.get(name, "") for name in names},
        "pain": pain,
        "pain_shown": min(PAIN_ROWS, max(1, filled + (1 if filled else 0))),
        "faults": faults,
        "surfaces": SURFACES,
        "conflict": conflict or [],
        "in_conflict": in_conflict,
        "as_before": as_before,
        "today": dt.date.today().isoformat(),
    }
    return show(request, db, "session_form.html", context, status)


def values_of(session: SessionRow) -> dict[str, str]:
    """Return what is known of a session as the form shows it."""
    values = {
        "held_on": session.held_on.isoformat(),
        "place": session.place,
        "surface": session.surface,
        "pace": words.speed_text(session.speed_mps),
        "shoes": session.shoes,
        "weekly_distance_km": f"{session.weekly_distance_km:g}" if session.weekly_distance_km is not None else "",
        "notes": session.notes,
    }
    for i, entry in enumerate(session.pain[:PAIN_ROWS]):
        score = entry.get("score_0_10")
        values |= {
            f"pain_where_{i}": str(entry.get("where", "")),
            f"pain_score_{i}": f"{score:g}" if isinstance(score, int | float) else "",
            f"pain_note_{i}": str(entry.get("note", "")),
        }
    return values


def read_fields(form: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """Return a session's fields as the records take them, and the faults by field."""
    fields: dict[str, Any] = {name: text(form, name) for name in ("place", "shoes", "notes")}
    faults: dict[str, str] = {}
    for name, most in (("place", 80), ("shoes", 120)):
        if len(fields[name]) > most:
            faults[name] = f"This is too long. Possible: up to {most} characters."
    surface = text(form, "surface")
    fields["surface"] = surface if surface in words.SURFACES else "treadmill"
    written = text(form, "held_on")
    try:
        fields["held_on"] = dt.date.fromisoformat(written)
        if not dt.date(1950, 1, 1) <= fields["held_on"] <= dt.date.today() + dt.timedelta(days=1):
            faults["held_on"] = "The day must not lie in the future."
    except ValueError:
        faults["held_on"] = "Give the day of the session, such as 2026-05-03."
    for name, field, parse in (
        ("pace", "speed_mps", words.parse_running_speed),
        ("weekly_distance_km", "weekly_distance_km", lambda t: words.parse_number(t, "a distance a week", 0, 400, "km")),
    ):
        try:
            fields[field] = parse(text(form, name))
        except MidstanceError as error:
            faults[name] = words.fault_text(error)
    fields["pain"] = _read_pain(form, faults)
    return fields, faults


def _read_pain(form: Mapping[str, Any], faults: dict[str, str]) -> list[dict[str, Any]]:
    rows = []
    for i in range(PAIN_ROWS):
        where, score, note = (text(form, f"pain_{part}_{i}") for part in ("where", "score", "note"))
        if not (where or score or note):
            continue
        try:
            value = words.parse_number(score.removesuffix("/10"), "a pain score", 0, 10, "")
        except OptionError:
            faults[f"pain_score_{i}"] = "Pain is a number from 0 (none) to 10 (worst imaginable)."
            continue
        if not where:
            faults[f"pain_where_{i}"] = "Say where it hurts."
        elif value is None:
            faults[f"pain_score_{i}"] = "How much? A number from 0 (none) to 10 (worst imaginable)."
        else:
            rows.append({"where": where[:80], "score_0_10": value, "note": note[:200]})
    return rows
