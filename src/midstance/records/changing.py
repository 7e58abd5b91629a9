"""What all changes share: who, which version was read, and the journal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, TypeVar

from sqlalchemy import text
from sqlalchemy.orm import Session
from sqlalchemy.orm.exc import StaleDataError

from midstance.errors import ConflictError, NotFoundError
from midstance.records import fields as f
from midstance.records.listing import as_plain
from midstance.records.tables import Base, FilmRow, RunnerRow, SessionRow

Row = TypeVar("Row", bound=Base)
Versioned = TypeVar("Versioned", RunnerRow, SessionRow, FilmRow)
_MEDIA_LOCK = 0x6D65646961


def who(by: str) -> str:
    """Return a name as it is kept with a change.

    Raises
    ------
    OptionError
        It is too long or can't be printed.
    """
    return str(f.checked({"by": by}, {"by": f.person})["by"])


def found(db: Session, table: type[Row], row_id: str, what: str, *, lock: bool = False, share: bool = False) -> Row:
    """Return a row as it is now; with ``lock`` nobody else changes it before this transaction ends.

    ``share`` only keeps it from going away. (On SQLite there is one writer at a time anyway.)

    Raises
    ------
    NotFoundError
        There is none.
    """
    how: Any = {"read": True, "key_share": True} if share else lock
    key = f.an_id(row_id, what)
    try:
        row = db.get(table, key, with_for_update=how or None, populate_existing=bool(how))
    except StaleDataError:
        # This transaction had read it before, and another one has changed it since. It is locked now: read it anew.
        db.refresh(db.identity_map[db.identity_key(table, key)])
        row = db.get(table, key, with_for_update=how or None, populate_existing=True)
    if row is None:
        raise f.missing(what, row_id)
    return row


def change(db: Session, row: Versioned, clean: Mapping[str, Any], *, version: Any, by: str, what: str) -> dict[str, Any]:
    """Write fields into a row that was locked, if it still has the version that was read; return {field: [before, after]}.

    Raises
    ------
    ConflictError
        Somebody else changed it meanwhile.
    """
    if isinstance(version, bool) or version != row.version:
        raise conflict(row, what)
    detail = {}
    for name, value in clean.items():
        before = getattr(row, name)
        if before != value:
            detail[name] = [before, value]
            setattr(row, name, value)
    if detail:
        row.changed_by = who(by)
        flush(db, row, what)
    return {name: f.plain(pair) for name, pair in detail.items()}


def flush(db: Session, row: Versioned, what: str) -> None:
    """Write what was changed; somebody else's change of the same row is a conflict."""
    try:
        db.flush()
    except StaleDataError:
        raise conflict(row, what) from None


def conflict(row: Base, what: str) -> ConflictError:
    """Return the error for a row that was changed by somebody else."""
    current = as_plain(row)
    by = current.get("changed_by") or "somebody else"
    return ConflictError(
        f"{by} has changed the {what} since it was opened; nothing was overwritten",
        where=what,
        allowed=f"a change of the {what} as it is now (version {current.get('version')})",
        next_step="look at what it says now, put in what is yours, and save again",
        current=current,
    )


def lock_media(db: Session) -> None:
    """Keep files of the media store from being removed while one is being referred to; call it before other locks."""
    if db.get_bind().dialect.name == "postgresql":
        db.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _MEDIA_LOCK})


def runner_of_session(db: Session, session_id: str) -> str:
    """Return whose session it is.

    Raises
    ------
    NotFoundError
        There is no such session.
    """
    session = db.get(SessionRow, session_id)
    if session is None:
        raise NotFoundError("there is no such session", where=f"session {session_id}", next_step="go back to the list")
    return session.runner_id
