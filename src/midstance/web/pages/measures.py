"""Measures of a session as they stand now, every stride behind them, and how joints move over the stride."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fastapi import APIRouter, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from midstance.assess.result import Assessment
from midstance.errors import MidstanceError
from midstance.records.tables import AssessmentRow
from midstance.report.content import curves_of
from midstance.web import plots
from midstance.web.deps import Id, ReadDb, WorkbenchDep
from midstance.web.measured import assessment_of, film_ids, groups_of
from midstance.web.overview import changes_since, film_cards
from midstance.web.shell import problem_of, session_context, session_of, show

if TYPE_CHECKING:
    from midstance.web.app import Workbench

router = APIRouter()


@router.get("/sessions/{session_id}/measures")
def measures(request: Request, db: ReadDb, bench: WorkbenchDep, session_id: Id) -> Response:
    """Show every measure with its interval and every stride."""
    context, assessment = measured_context(db, bench, session_id)
    groups = groups_of(assessment, film_ids(db, session_id)) if assessment is not None else []
    return show(request, db, "measures.html", {**context, "groups": groups, "signs": plots.SIGNS})


@router.get("/sessions/{session_id}/curves")
def curves(request: Request, db: ReadDb, bench: WorkbenchDep, session_id: Id) -> Response:
    """Show angles and heights over the stride."""
    context, assessment = measured_context(db, bench, session_id)
    views = curves_of(assessment) if assessment is not None else []
    return show(request, db, "curves.html", {**context, "views": views})


def measured_context(db: Session, bench: Workbench, session_id: str) -> tuple[dict[str, Any], Assessment | None]:
    """Return what pages with measures need: the session, the state of its films and reports, and the assessment.

    Without an assessment the context's ``problem`` says why.
    """
    session, runner = session_of(db, session_id)
    cards = film_cards(db, bench, session_id)
    latest = db.scalars(
        select(AssessmentRow)
        .where(AssessmentRow.session_id == session_id, AssessmentRow.state == "done")
        .order_by(AssessmentRow.number.desc())
        .limit(1)
    ).first()
    context = {
        **session_context(session, runner),
        "cards": [c for c in cards if c.film is not None],
        "read": [c for c in cards if c.read],
        "waiting": [c for c in cards if not c.read and c.state in ("waiting", "working")],
        "broken": [c for c in cards if not c.read and c.state in ("failed", "stopped")],
        "corrections": sum(c.corrections for c in cards),
        "latest": latest,
        "changed": changes_since(db, latest) if latest else [],
        "problem": None,
    }
    if not context["read"] or session.speed_mps is None:
        return context, None
    try:
        return context, assessment_of(db, bench, session_id)
    except MidstanceError as error:
        return {**context, "problem": problem_of(error)}, None
