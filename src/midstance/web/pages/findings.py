"""Findings of a session as they stand now; the coach may overrule each, with a reason, and take that back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from midstance.assess.result import Assessment
from midstance.errors import NotFoundError, OptionError
from midstance.evidence import load_evidence
from midstance.gait.model import Finding
from midstance.records import corrections
from midstance.records.tables import OverruleRow
from midstance.report.content import finding_texts
from midstance.report.tables import title_of
from midstance.web import words
from midstance.web.deps import DatabaseDep, Id, ReadDb, Who, WorkbenchDep
from midstance.web.pages.measures import measured_context
from midstance.web.shell import Form, go, show, text

router = APIRouter()

MOST_REASON = 400


@router.get("/sessions/{session_id}/findings")
def findings(request: Request, db: ReadDb, bench: WorkbenchDep, session_id: Id) -> Response:
    """Show what stands out and what is described."""
    return _page(request, db, bench, session_id, {}, {})


@router.post("/sessions/{session_id}/findings")
def overrule(request: Request, database: DatabaseDep, bench: WorkbenchDep, session_id: Id, who: Who, form: Form) -> Response:
    """Note that a finding isn't agreed with."""
    finding, side, why = text(form, "finding"), text(form, "side"), text(form, "why")
    fault = ""
    if not why:
        fault = "Say why; it is kept with the finding and stands in the report."
    elif len(why) > MOST_REASON:
        fault = f"This is too long. Possible: up to {MOST_REASON} characters."
    if not fault:
        try:
            with database.writing() as db:
                corrections.add_overrule(db, session_id, finding, side, why, by=who)
            return go(f"/sessions/{session_id}/findings#{finding}", "overruled")
        except OptionError as error:
            fault = words.fault_text(error)
    with database.reading() as db:
        return _page(request, db, bench, session_id, {f"why-{finding}-{side}": fault}, {f"{finding}-{side}": why}, 422)


@router.post("/sessions/{session_id}/findings/agree")
def agree(database: DatabaseDep, session_id: Id, who: Who, form: Form) -> Response:
    """Take an overruled finding back."""
    finding, side = text(form, "finding"), text(form, "side")
    with database.writing() as db:
        rows = _overruled(db, session_id, finding, side)
        if not rows:
            raise NotFoundError("nobody overruled this finding", where=finding, next_step="load the page again")
        for row in rows:
            corrections.withdraw_overrule(db, row.id, by=who)
    return go(f"/sessions/{session_id}/findings#{finding}", "agreed")


def _overruled(db: Session, session_id: str, finding: str, side: str) -> list[OverruleRow]:
    return list(
        db.scalars(
            select(OverruleRow).where(
                OverruleRow.session_id == session_id,
                OverruleRow.finding == finding,
                OverruleRow.side == side,
                OverruleRow.withdrawn_at.is_(None),
            )
        )
    )


def _page(
    request: Request,
    db: Session,
    bench: Any,
    session_id: str,
    faults: Mapping[str, str],
    reasons: Mapping[str, str],
    status: int = 200,
) -> Response:
    context, assessment = measured_context(db, bench, session_id)
    known = load_evidence()
    cautions = {kind: [c.text for c in known.cautions if c.kind == kind] for kind in ("usual", "stop", "emergency")}
    entries = [_entry(f, assessment) for f in assessment.findings] if assessment is not None else []
    context |= {
        "measured": assessment is not None,
        "clear": [e for e in entries if e["status"] == "clear" and not e["overruled"]],
        "described": [e for e in entries if e["status"] == "described" and not e["overruled"]],
        "overruled": [e for e in entries if e["overruled"]],
        "cautions": cautions,
        "studies": known.short(["willwacher2022", "peterson2022"]),
        "faults": faults,
        "reasons": reasons,
        "most_reason": MOST_REASON,
    }
    return show(request, db, "findings.html", context, status)


def _entry(f: Finding, a: Assessment) -> dict[str, Any]:
    return {
        **finding_texts(f),
        "measures": [{"key": k, "title": title_of(k)} for k in f.measures],
        "overruled": a.overrule_of(f),
    }
