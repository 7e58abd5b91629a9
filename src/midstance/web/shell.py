"""What all pages share: how one is shown, how a form is read, what was just done."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Any
from urllib.parse import urlsplit

from fastapi import Depends, Request
from fastapi.responses import RedirectResponse
from sqlalchemy import func, select
from sqlalchemy.orm import Session
from starlette.datastructures import FormData
from starlette.responses import Response

from midstance.errors import ConflictError, MidstanceError, NotFoundError
from midstance.evidence import load_evidence
from midstance.records.tables import JobRow, RunnerRow, SessionRow
from midstance.web import words
from midstance.web.deps import templates
from midstance.web.security import safe_next

#: What a page says after something was done; addresses name only the key, so nobody can put words into a page.
DONE: Mapping[str, str] = {
    "runner-added": "The runner is in. Next: a session.",
    "runner-saved": "The runner's details are saved.",
    "runner-erased": "The runner is erased.",
    "session-added": "The session is in. Next: its films.",
    "session-saved": "The session is saved.",
    "session-removed": "The session is removed.",
    "film-added": "The film is in. It is being prepared.",
    "film-removed": "The film is removed from the session.",
    "film-used": "This take is now the one that is measured.",
    "film-again": "The film is being read again.",
    "report-asked": "The report is being made.",
    "report-removed": "The report is removed.",
    "overruled": "Noted. The finding stays in sight, marked as overruled.",
    "agreed": "The finding counts again.",
    "cancelled": "That work is being stopped.",
    "retried": "It is tried again.",
    "settings-saved": "The settings are saved.",
    "backup-made": "The backup is complete.",
    "check-asked": "The accuracy check has started. It takes a while.",
    "account-added": "The account is made.",
    "account-removed": "The account is removed.",
    "demo-added": "The invented runner is in. Three films are being read; look at the session while they are.",
}
#: Pain in the intake above which the usual caution stops: "More than 5 out of 10" of the caution on pain.
PAIN_STOP = 5
#: Pain in the intake that is usually accepted: "at most 3 out of 10" of the same caution.
PAIN_ACCEPTED = 3


async def read_form(request: Request) -> FormData:
    """Return the fields of the form that was sent."""
    return await request.form(max_files=20, max_fields=300)


Form = Annotated[FormData, Depends(read_form)]


def text(form: Mapping[str, Any], name: str) -> str:
    """Return one field as text without blanks around it; "" when it isn't there."""
    value = form.get(name, "")
    return value.strip().replace("\r\n", "\n") if isinstance(value, str) else ""


def version_of(form: Mapping[str, Any]) -> int:
    """Return the version of what the form was filled in for; 0, which no row has, when that can't be told."""
    value = text(form, "version")
    return int(value) if value.isascii() and value.isdigit() and len(value) < 10 else 0


def show(
    request: Request, db: Session, template: str, context: Mapping[str, Any] | None = None, status: int = 200
) -> Response:
    """Return a page; the frame's own needs (work under way, what was just done) are added to its context."""
    content: dict[str, Any] = {"work_count": work_count(db), **(context or {})}
    done = DONE.get(request.query_params.get("done", ""))
    if done and "flash" not in content:
        content["flash"] = {"text": done}
    return templates.TemplateResponse(request, template, content, status_code=status)


def go(path: str, done: str = "") -> RedirectResponse:
    """Send the browser to another page after something was done; ``done`` is a key of ``DONE``."""
    place, mark, fragment = path.partition("#")
    if done:
        place += f"{'&' if urlsplit(place).query else '?'}done={done}"
    return RedirectResponse(place + mark + fragment, 303)


def back(form: Mapping[str, Any], otherwise: str) -> str:
    """Return where a form says it came from, when that is an address of this server."""
    there = text(form, "back")
    return safe_next(there) if there else otherwise


def work_count(db: Session) -> int:
    """Return how many jobs wait or run."""
    return db.scalar(select(func.count()).select_from(JobRow).where(JobRow.state.in_(("waiting", "running")))) or 0


def problem_of(error: MidstanceError) -> dict[str, str]:
    """Return an error as templates show it."""
    return {"what": error.what, "where": error.where, "allowed": error.allowed, "next_step": error.next_step}


def session_of(db: Session, session_id: str) -> tuple[SessionRow, RunnerRow]:
    """Return a session and its runner.

    Raises
    ------
    NotFoundError
        There is none.
    """
    session = db.get(SessionRow, session_id)
    runner = db.get(RunnerRow, session.runner_id) if session is not None else None
    if session is None or runner is None:
        raise NotFoundError("there is no such session", where=f"session {session_id}", next_step="choose one from the list")
    return session, runner


def runner_of(db: Session, runner_id: str) -> RunnerRow:
    """Return a runner.

    Raises
    ------
    NotFoundError
        There is none.
    """
    runner = db.get(RunnerRow, runner_id)
    if runner is None:
        raise NotFoundError("there is no such runner", where=f"runner {runner_id}", next_step="choose one from the list")
    return runner


def session_context(session: SessionRow, runner: RunnerRow) -> dict[str, Any]:
    """Return what every page of a session needs: itself, the runner, title, facts in one line, pain."""
    facts = [
        words.pace(session.speed_mps) or "pace not noted",
        session.surface,
        *(t for t in (session.place, session.shoes) if t),
    ]
    return {
        "session": session,
        "runner": runner,
        "invented": runner.invented,
        "session_title": f"{runner.name}, {words.day(session.held_on)}",
        "session_facts": " · ".join(facts),
        "pain": pain_of(session),
    }


def pain_of(session: SessionRow) -> dict[str, Any] | None:
    """Return the pain of the intake with the cautions that go with it; None where none was stated.

    The texts are those of the report. ``stop`` is set above the limit that the caution on pain names.
    """
    stated = [p for p in session.pain if p.get("where") or (p.get("score_0_10") or 0) > 0]
    if not stated:
        return None
    worst = max(float(p.get("score_0_10") or 0) for p in stated)
    cautions = load_evidence().cautions
    return {
        "stated": stated,
        "worst": worst,
        "level": "stop" if worst > PAIN_STOP else "watch" if worst > PAIN_ACCEPTED else "mild",
        "scale": next((c.text for c in cautions if c.key == "pain_scale"), ""),
        "not_a_diagnosis": next((c.text for c in cautions if c.key == "not_a_diagnosis"), ""),
        "red_flags": [c.text for c in cautions if c.kind == "stop"],
        "emergency": [c.text for c in cautions if c.kind == "emergency"],
    }


def faults_of(error: MidstanceError, fields: Mapping[str, str]) -> dict[str, str]:
    """Return a fault that the records found by its field; ``fields`` gives the form's names of the records' fields.

    One that names several fields, or none of the form, stands above them all.
    """
    return {fields.get(error.where, ""): words.fault_text(error)}


def beside(error: ConflictError, mine: Mapping[str, Any], names: Mapping[str, str]) -> list[dict[str, str]]:
    """Return what two people wrote, field by field where it differs: name, mine, theirs."""
    out = []
    for field, name in names.items():
        ours, theirs = _said(field, mine.get(field)), _said(field, error.current.get(field))
        if field in error.current and ours != theirs:
            out.append({"field": field, "name": name, "mine": ours or "(empty)", "theirs": theirs or "(empty)"})
    return out


def _said(field: str, value: Any) -> str:
    if value is None or value in ("", []):
        return ""
    if field == "speed_mps":
        return words.pace(float(value))
    if field == "pain" and isinstance(value, list):
        return "; ".join(f"{p.get('where', '')} {p.get('score_0_10', '')}/10 {p.get('note', '')}".strip() for p in value)
    if field == "consent":
        return words.consent_words(str(value))
    if isinstance(value, float):
        return f"{value:g}"
    if field in ("held_on", "consent_on"):
        return words.day(value if isinstance(value, dt.date) else dt.date.fromisoformat(str(value)[:10]))
    return str(value)
