"""The journal: who did what, when."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any

from sqlalchemy import and_, or_, select
from sqlalchemy.orm import Session

from midstance.records import fields as f
from midstance.records.listing import Page, cursor, opened, page_size
from midstance.records.tables import JournalRow

#: What has no place in the journal of changes, since a line has to be readable: longer texts are cut.
MAX_DETAIL = 400


def note(
    db: Session,
    what: str,
    *,
    by: str,
    runner_id: str | None = None,
    subject_id: str = "",
    detail: Mapping[str, Any] | None = None,
) -> JournalRow:
    """Write an entry.

    Parameters
    ----------
    what : such as "session changed"; at most 40 characters.
    runner_id : whom it concerns; the entry goes when the runner is erased.
    subject_id : the session, film … that was changed.
    detail : for changes {field: [before, after]}.
    """
    row = JournalRow(
        what=what[:40],
        by=f.plain(by)[:80],
        runner_id=runner_id,
        subject_id=subject_id,
        detail={key: _short(value) for key, value in f.plain(detail or {}).items()},
    )
    db.add(row)
    db.flush()
    return row


def journal_of(
    db: Session, runner_id: str | None = None, *, subject_id: str | None = None, after: str | None = None, most: int = 50
) -> Page[JournalRow]:
    """Return entries, newest first; of one runner, or of one session or film, or all.

    Raises
    ------
    OptionError
        ``after`` is not the ``next`` of an earlier page.
    """
    asked = select(JournalRow).order_by(JournalRow.at.desc(), JournalRow.id.desc())
    if runner_id is not None:
        asked = asked.where(JournalRow.runner_id == f.an_id(runner_id, "runner"))
    if subject_id is not None:
        asked = asked.where(JournalRow.subject_id == f.an_id(subject_id, "entry"))
    if after:
        moment, last = opened(after, (str, str))
        try:
            at = dt.datetime.fromisoformat(moment).replace(tzinfo=dt.UTC)
        except ValueError:
            opened("", (str,))
            raise
        asked = asked.where(or_(JournalRow.at < at, and_(JournalRow.at == at, JournalRow.id < last)))
    most = page_size(most)
    rows = list(db.scalars(asked.limit(most + 1)))
    end = rows[most - 1] if len(rows) > most else None
    return Page(rows[:most], cursor(end.at.replace(tzinfo=None).isoformat(), end.id) if end is not None else None)


def _short(value: Any) -> Any:
    if isinstance(value, str) and len(value) > MAX_DETAIL:
        return value[:MAX_DETAIL] + "…"
    return [_short(v) for v in value] if isinstance(value, list) else value
