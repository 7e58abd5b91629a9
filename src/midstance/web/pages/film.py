"""The film viewer, and two films side by side. The scripts under ``static/viewer`` do the work in the browser."""

from __future__ import annotations

import math
from typing import Any

import attrs
from fastapi import APIRouter, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from midstance.errors import NotFoundError
from midstance.records.home import Home
from midstance.records.tables import FilmRow, RunnerRow, SessionRow
from midstance.web import words
from midstance.web.deps import HomeDep, Id, ReadDb
from midstance.web.shell import session_context, session_of, show
from midstance.workers.queue import film_state

router = APIRouter()
#: Sessions of a runner whose films are offered for watching side by side, newest first.
MOST_SESSIONS = 20


@attrs.frozen
class Choice:
    """A film that can be watched: its id, what it is called in a list, its heading, and whether it can be played."""

    id: str
    words: str
    heading: str
    prepared: bool


@router.get("/films/{film_id}")
def film(request: Request, db: ReadDb, home: HomeDep, film_id: Id, at: str = "") -> Response:
    """Show a film, at a real time in seconds if one is given."""
    row, session, runner = _film_of(db, film_id)
    state = film_state(db, home, row)
    others = list(db.scalars(select(FilmRow).where(FilmRow.session_id == session.id).order_by(FilmRow.created_at)))
    used = [f for f in others if f.used or f.id == row.id]
    return show(
        request,
        db,
        "film.html",
        {
            **session_context(session, runner),
            "film": row,
            "view_words": words.VIEWS[row.view],
            "heading": f"{words.VIEWS[row.view]}: {runner.name}, {words.day(session.held_on)}",
            "others": [Choice(f.id, words.VIEWS[f.view] + ("" if f.used else ", another take"), "", True) for f in used],
            "beside": next((f.id for f in used if f.id != row.id), row.id),
            "prepared": state.prepared,
            "problem": state.problem,
            "share": state.job.share if state.job is not None else 0.0,
            "stage": state.job.stage if state.job is not None else "",
            "at": _seconds(at),
        },
    )


@router.get("/watch")
def watch(request: Request, db: ReadDb, home: HomeDep, left: str = "", right: str = "") -> Response:
    """Show two films side by side; what can be chosen are films of the runners of the two."""
    chosen: dict[str, Choice | None] = {"left": None, "right": None}
    runners: dict[str, RunnerRow] = {}
    missing: list[str] = []
    for place, film_id in (("left", left), ("right", right)):
        if not film_id:
            continue
        try:
            row, session, runner = _film_of(db, film_id)
        except NotFoundError:
            missing.append(f"There is no film for the {place} any more. Choose another one.")
            continue
        choice = _choice(db, home, row, session, runner)
        runners[runner.id] = runner
        if choice.prepared:
            chosen[place] = choice
        else:
            missing.append(f"The film on the {place} is still being prepared. Choose another one, or wait a little.")
    return show(
        request,
        db,
        "watch.html",
        {
            "chosen": chosen,
            "both": all(chosen.values()),
            "missing": missing,
            "choices": _choices(db, home, runners),
            "invented": any(r.invented for r in runners.values()),
        },
    )


def _film_of(db: Session, film_id: str) -> tuple[FilmRow, SessionRow, RunnerRow]:
    row = db.get(FilmRow, film_id)
    if row is None:
        raise NotFoundError("there is no such film", where=f"film {film_id}", next_step="choose one from its session")
    return (row, *session_of(db, row.session_id))


def _seconds(text: str) -> float | None:
    """Return a time of an address, None where it is none: a link that is wrong shows the film from its beginning."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0 else None


def _choice(db: Session, home: Home, row: FilmRow, session: SessionRow, runner: RunnerRow) -> Choice:
    view = words.VIEWS[row.view] + ("" if row.used else ", another take")
    heading = f"{view}: {runner.name}, {words.day(session.held_on)}"
    return Choice(row.id, view, heading, film_state(db, home, row).prepared)


def _choices(db: Session, home: Home, runners: dict[str, RunnerRow]) -> list[dict[str, Any]]:
    """Return the films of these runners (of all, when there are none yet) by session, newest first."""
    query = select(SessionRow, RunnerRow).join(RunnerRow, RunnerRow.id == SessionRow.runner_id)
    if runners:
        query = query.where(SessionRow.runner_id.in_(list(runners)))
    query = query.order_by(SessionRow.held_on.desc(), SessionRow.id).limit(MOST_SESSIONS)
    groups = []
    for session, runner in db.execute(query):
        rows = db.scalars(select(FilmRow).where(FilmRow.session_id == session.id).order_by(FilmRow.created_at))
        films = [_choice(db, home, row, session, runner) for row in rows]
        if films:
            groups.append({"title": f"{runner.name}, {words.day(session.held_on)}", "films": films})
    return groups
