"""Two sessions of one runner side by side: conditions, pictures at the same place of the stride, differences of measures."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from midstance.assess.from_records import role_of
from midstance.errors import MidstanceError, OptionError
from midstance.film.proxy import film_frames, read_about
from midstance.gait.model import SIDES
from midstance.records.tables import AssessmentRow, FilmRow, MeasureRow, RunnerRow, SessionRow
from midstance.web import compare_phase, comparing, words
from midstance.web.compare_phase import PhaseFilm
from midstance.web.deps import ReadDb, WorkbenchDep
from midstance.web.measured import assessment_of
from midstance.web.shell import runner_of, session_of, show

if TYPE_CHECKING:
    from midstance.web.app import Workbench

router = APIRouter()
#: Most sessions of a runner that can be chosen from.
MOST_CHOICES = 100


@router.get("/compare")
def compare(
    request: Request,
    db: ReadDb,
    bench: WorkbenchDep,
    a: str = "",
    b: str = "",
    runner: str = "",
    view: str = "",
    side: str = "",
    of: str = "",
) -> Response:
    """Hold two sessions against each other; with one session or a runner alone, the last two.

    ``of`` is the session whose tabs are shown; one session alone is that.
    """
    person, first, second, choices = _choose(db, a, b, runner)
    context: dict[str, Any] = {
        "runner": person,
        "invented": bool(person and person.invented),
        "a": first,
        "b": second,
        "choices": [(s.id, _label(s)) for s in choices],
        "of": next((s.id for s in choices if s.id == (of or (a if not b else ""))), ""),
    }
    if first is None or second is None or person is None:
        return show(request, db, "compare_choose.html", {**context, "runners": _runners(db) if person is None else []})
    films = {s.id: _films(db, s.id) for s in (first, second)}
    found = comparing.conditions(first, second, films[first.id], films[second.id])
    why = comparing.reasons(found)
    values_a, from_a, units_a = _values(db, bench, first.id)
    values_b, from_b, units_b = _values(db, bench, second.id)
    only_a, only_b = comparing.only_one(values_a, values_b)
    context |= {
        "titles": {"a": words.day(first.held_on), "b": words.day(second.held_on)},
        "conditions": found,
        "why": why,
        "groups": comparing.groups(values_a, values_b, {**units_a, **units_b}, comparable=not why),
        "only": {"a": only_a, "b": only_b},
        "sources": {"a": from_a, "b": from_b},
        "missing": [t for t, v in ((words.day(first.held_on), values_a), (words.day(second.held_on), values_b)) if not v],
        **_pictures(db, bench, films[first.id], films[second.id], view, side),
    }
    return show(request, db, "compare.html", context)


def _choose(
    db: Session, a: str, b: str, runner: str
) -> tuple[RunnerRow | None, SessionRow | None, SessionRow | None, Sequence[SessionRow]]:
    """Return the runner, the two sessions and all that can be chosen, oldest last.

    Raises
    ------
    NotFoundError, OptionError
        There is no such session or runner; the sessions belong to two people.
    """
    first, person = session_of(db, a) if a else (None, None)
    second, other = session_of(db, b) if b else (None, None)
    if person is not None and other is not None and person.id != other.id:
        raise OptionError(
            "these sessions belong to two runners",
            where="a, b",
            allowed="two sessions of one runner",
            next_step="choose both from one runner's page",
        )
    person = person or other or (runner_of(db, runner) if runner else None)
    if person is None:
        return None, None, None, ()
    choices = db.scalars(
        select(SessionRow)
        .where(SessionRow.runner_id == person.id)
        .order_by(SessionRow.held_on.desc(), SessionRow.created_at.desc())
        .limit(MOST_CHOICES)
    ).all()
    if first is not None and second is None:
        # The one before it, else the next one after it.
        rest = [s for s in choices if s.id != first.id]
        before = [s for s in rest if s.held_on <= first.held_on]
        second = before[0] if before else (rest[-1] if rest else None)
        if second is not None and second.held_on <= first.held_on:
            first, second = second, first
    elif first is None and second is None and len(choices) > 1:
        first, second = choices[1], choices[0]
    elif first is None and second is not None:
        first = next((s for s in choices if s.id != second.id), None)
    if first is not None and second is not None and first.id == second.id:
        second = None
    return person, first, second, choices


def _label(s: SessionRow) -> str:
    return ", ".join(t for t in (words.day(s.held_on), words.short_pace(s.speed_mps), s.shoes) if t)


def _runners(db: Session) -> Sequence[RunnerRow]:
    return db.scalars(select(RunnerRow).order_by(RunnerRow.name).limit(MOST_CHOICES)).all()


def _films(db: Session, session_id: str) -> Sequence[FilmRow]:
    return db.scalars(select(FilmRow).where(FilmRow.session_id == session_id, FilmRow.used)).all()


def _values(db: Session, bench: Workbench, session_id: str) -> tuple[comparing.Measures, str, dict[str, str]]:
    """Return a session's measures as they stand, or those of its latest report; where they come from; their units."""
    try:
        made = assessment_of(db, bench, session_id)
        return comparing.measures_of(made.measures), "as they stand now", comparing.units_of(made.measures)
    except MidstanceError as error:
        row = db.scalars(
            select(AssessmentRow)
            .where(AssessmentRow.session_id == session_id, AssessmentRow.state == "done")
            .order_by(AssessmentRow.number.desc())
            .limit(1)
        ).first()
        if row is None:
            return {}, error.what, {}
        rows = db.scalars(select(MeasureRow).where(MeasureRow.assessment_id == row.id)).all()
        return comparing.measures_of(rows), f"from report {row.number}", comparing.units_of(rows)


def _pictures(
    db: Session, bench: Workbench, films_a: Sequence[FilmRow], films_b: Sequence[FilmRow], view: str, side: str
) -> dict[str, Any]:
    """Return what the pictures side by side need; ``pair`` is None when there are none, and ``no_pair`` says why."""
    by_a, by_b = ({str(role_of(db, f.id)): f for f in films} for films in (films_a, films_b))
    views = [v for v in ("side", "side_far", "rear", "front") if v in by_a and v in by_b]
    nothing: dict[str, Any] = {"views": views, "view": "", "side": "", "pair": None, "no_pair": ""}
    if not views:
        return {**nothing, "no_pair": "The two sessions have no film of the same view."}
    view = view if view in views else views[0]
    payloads = []
    for film in (by_a[view], by_b[view]):
        try:
            payload = bench.live.film(db, film.id)
            about = read_about(bench.config.home.proxy(film.sha256))
            if about is None:
                return {**nothing, "view": view, "no_pair": "One of the films isn't prepared yet."}
            payloads.append((payload, film_frames(about, film.capture_fps)["time_s"]))
        except MidstanceError as error:
            return {**nothing, "view": view, "no_pair": f"One of the films can't be shown by phase: {error.what}."}
    near = payloads[0][0].get("near")
    wanted = side if side in SIDES else str(near or "left")
    made: list[PhaseFilm | None] = []
    for chosen in dict.fromkeys((wanted, *SIDES)):
        made = [compare_phase.phase_film(p, times, chosen, view) for p, times in payloads]  # type: ignore[arg-type]
        if all(made):
            wanted = chosen
            break
    one, two = made
    if one is None or two is None:
        return {**nothing, "view": view, "side": wanted, "no_pair": "One of the films has no whole stride of the same leg."}
    mirrored = one.direction is not None and two.direction is not None and one.direction != two.direction
    return {
        "views": views,
        "view": view,
        "side": wanted,
        "pair": (one, two),
        "mirrored": mirrored,
        "stills": [_still(one, two, place, title) for place, title in compare_phase.STILLS],
        "data": json.dumps({"a": one.as_dict(), "b": two.as_dict(), "mirrored": mirrored, "steps": compare_phase.STEPS}),
        "no_pair": "",
    }


def _still(one: PhaseFilm, two: PhaseFilm, place: float, title: str) -> dict[str, Any]:
    index = round(place * compare_phase.STEPS)
    return {"title": title, "index": index, "a": one.frames[index], "b": two.frames[index]}
