"""Runners: whoever is filmed, what is known of them, and whether they agreed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

import attrs
from sqlalchemy import and_, func, or_, select
from sqlalchemy.orm import Session

from midstance.errors import OptionError
from midstance.records import fields as f
from midstance.records import journal
from midstance.records.changing import change, found, who
from midstance.records.listing import Page, cursor, matching, opened, page_size
from midstance.records.tables import RunnerRow, SessionRow


@attrs.frozen
class RunnerItem:
    """A runner in a list. ``sessions`` counts them; ``last_held_on`` is the day of the latest, None without any."""

    id: str
    name: str
    birth_year: int | None
    consent: str
    invented: bool
    version: int
    sessions: int
    last_held_on: dt.date | None


def list_runners(db: Session, *, query: str = "", after: str | None = None, most: int = 50) -> Page[RunnerItem]:
    """Return runners by name; every word of ``query`` occurs in name or notes.

    Raises
    ------
    OptionError
        ``after`` is not the ``next`` of an earlier page.
    """
    key = func.lower(RunnerRow.name)
    asked = select(RunnerRow).order_by(key, RunnerRow.id)
    wanted = matching(db, query, RunnerRow.name, RunnerRow.notes)
    if wanted is not None:
        asked = asked.where(wanted)
    if after:
        name, last = opened(after, (str, str))
        at = func.lower(name)
        asked = asked.where(or_(key > at, and_(key == at, RunnerRow.id > last)))
    most = page_size(most)
    rows = list(db.scalars(asked.limit(most + 1)))
    end = rows[most - 1] if len(rows) > most else None
    rows = rows[:most]
    known = {
        runner_id: (count, last)
        for runner_id, count, last in db.execute(
            select(SessionRow.runner_id, func.count(), func.max(SessionRow.held_on))
            .where(SessionRow.runner_id.in_([r.id for r in rows]))
            .group_by(SessionRow.runner_id)
        )
    }
    items = [
        RunnerItem(r.id, r.name, r.birth_year, r.consent, r.invented, r.version, *known.get(r.id, (0, None))) for r in rows
    ]
    return Page(items, cursor(end.name, end.id) if end is not None else None)


def get_runner(db: Session, runner_id: str) -> RunnerRow:
    """Return a runner.

    Raises
    ------
    NotFoundError
        There is no such runner.
    """
    return found(db, RunnerRow, runner_id, "runner")


def add_runner(db: Session, fields: Mapping[str, Any], *, by: str) -> RunnerRow:
    """Add a runner; only ``name`` has to be given.

    Raises
    ------
    OptionError
        A field can't be taken; the message tells all that are wrong.
    """
    clean = f.checked(fields, f.RUNNER, required=("name",))
    by = who(by)
    at = dt.datetime.now(dt.UTC)
    row = RunnerRow(**_with_consent(clean, None, by), created_at=at, changed_at=at, changed_by=by)
    db.add(row)
    db.flush()
    journal.note(db, "runner added", by=by, runner_id=row.id, subject_id=row.id)
    return row


def change_runner(db: Session, runner_id: str, fields: Mapping[str, Any], *, version: int, by: str) -> RunnerRow:
    """Change the fields given; ``version`` is that of the runner as it was read.

    Raises
    ------
    OptionError, NotFoundError
        A field can't be taken; there is no such runner.
    ConflictError
        Somebody else changed it meanwhile.
    """
    allowed = {name: check for name, check in f.RUNNER.items() if name != "invented"}
    clean = f.checked(fields, allowed)
    row = found(db, RunnerRow, runner_id, "runner", lock=True)
    detail = change(db, row, _with_consent(clean, row, who(by)), version=version, by=by, what="runner")
    if detail:
        journal.note(db, "runner changed", by=by, runner_id=row.id, subject_id=row.id, detail=detail)
    return row


def _with_consent(clean: dict[str, Any], before: RunnerRow | None, by: str) -> dict[str, Any]:
    """Fill in who noted the consent and on which day, where only that it was given is said."""
    consent = clean.get("consent", before.consent if before is not None else "not_asked")
    if "consent" not in clean or (before is not None and before.consent == consent):
        return clean
    out = dict(clean)
    if consent == "not_asked":
        if out.get("consent_on") is not None:
            raise OptionError(
                "a day is noted for a consent that wasn't asked for",
                where="consent_on",
                allowed="a day with consent given or withdrawn, else nothing",
                next_step="set consent too, or leave the day out",
            )
        return {**out, "consent_on": None, "consent_by": ""}
    if out.get("consent_on") is None:
        out["consent_on"] = dt.date.today()
    if not out.get("consent_by"):
        out["consent_by"] = by
    return out
