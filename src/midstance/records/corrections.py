"""What people set right: corrections of films, and findings they don't agree with. Nothing is deleted, only withdrawn."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from midstance.errors import ConflictError, OptionError
from midstance.pose.corrections import parse_correction
from midstance.records import fields as f
from midstance.records import journal
from midstance.records.changing import found, runner_of_session, who
from midstance.records.listing import as_plain
from midstance.records.tables import CorrectionRow, FilmRow, OverruleRow, SessionRow, now

_NOT_IN_BODY = ("view", "by", "at", "note")
#: A whole number of any length is JSON; above this none is a time or a place, and not all fit a float.
_LARGEST = 10**9
_NEXT = "correct it and try again; nothing was changed"
_OVERRULE: Mapping[str, f.Check] = {
    "finding": f.text(80, least=1),
    "side": f.choice("left", "right", "both"),
    "why": f.text(400, least=1),
}


def add_correction(db: Session, film_id: str, body: Mapping[str, Any], *, note: str = "", by: str) -> CorrectionRow:
    """Add a correction of a film.

    Parameters
    ----------
    body : an entry of a corrections file (docs/corrections.md) without view, by, at and note.

    Raises
    ------
    OptionError, NotFoundError
        The entry is wrong; there is no such film.
    """
    note = f.checked({"note": note}, {"note": f.text(200)})["note"]
    by = who(by)
    film = found(db, FilmRow, film_id, "film", lock=True)
    number = db.scalar(select(func.max(CorrectionRow.number)).where(CorrectionRow.film_id == film.id)) or 0
    row = CorrectionRow(
        film_id=film.id, number=number + 1, body=body_of(body, film.view), note=note, made_by=by, made_at=now()
    )
    db.add(row)
    db.flush()
    _note(db, "correction added", film.session_id, row.id, by, {"film": film.id, **row.body})
    return row


def body_of(raw: Any, view: str) -> dict[str, Any]:
    """Return an entry as it is kept: what its kind uses, and no more.

    Raises
    ------
    OptionError
        What is wrong with it.
    """
    if not isinstance(raw, Mapping):
        raise OptionError(
            "it is not an object with names and values", where="correction", allowed="an entry of a corrections file",
            next_step=_NEXT,
        )  # fmt: skip
    odd = [name for name in _NOT_IN_BODY if name in raw]
    if odd:
        raise OptionError(
            f"“{odd[0]}” is not given with a correction here", where="correction", allowed="the fields of its kind",
            next_step=_NEXT,
        )  # fmt: skip
    far = [name for name, value in raw.items() if isinstance(value, int) and not -_LARGEST < value < _LARGEST]
    if far:
        raise OptionError(
            f"“{far[0]!s:.40}” is a very large number", where="correction", allowed="seconds, pixels", next_step=_NEXT
        )
    try:
        parsed = attrs.asdict(parse_correction({**raw, "view": view}, "correction"))
    except OptionError as error:
        raise OptionError(error.what, where=error.where, allowed=error.allowed, next_step=_NEXT) from None
    body = {name: value for name, value in parsed.items() if value is not None and name not in _NOT_IN_BODY}
    if body.get("remove") is False:
        del body["remove"]
    far = [name for name, value in body.items() if isinstance(value, float) and value > _most(name)]
    if far:
        name = far[0]
        raise OptionError(
            f"“{name}” is {body[name]:g}", where="correction", allowed=f"{name}: up to {_most(name):g}", next_step=_NEXT
        )
    return body


def _most(name: str) -> float:
    return f.MAX_PX if name.endswith("_px") else f.MAX_FILM_S


def get_correction(db: Session, correction_id: str) -> CorrectionRow:
    """Return a correction, withdrawn or not.

    Raises
    ------
    NotFoundError
        There is no such correction.
    """
    return found(db, CorrectionRow, correction_id, "correction")


def withdraw_correction(db: Session, correction_id: str, *, by: str) -> CorrectionRow:
    """Let a correction hold no longer; it stays, with who withdrew it and when.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such correction; it was withdrawn already.
    """
    row = found(db, CorrectionRow, correction_id, "correction", lock=True)
    _withdraw(db, row, by, "correction")
    film = found(db, FilmRow, row.film_id, "film")
    _note(db, "correction withdrawn", film.session_id, row.id, row.withdrawn_by or "", {"film": film.id, **row.body})
    return row


def restore_correction(db: Session, correction_id: str, *, by: str) -> CorrectionRow:
    """Let a correction that was withdrawn hold again.

    Raises
    ------
    NotFoundError, ConflictError
        There is no such correction; it holds.
    """
    row = found(db, CorrectionRow, correction_id, "correction", lock=True)
    if row.withdrawn_at is None:
        raise _already(row, "the correction holds; it isn't withdrawn", "correction")
    by = who(by)
    row.withdrawn_by, row.withdrawn_at = None, None
    db.flush()
    film = found(db, FilmRow, row.film_id, "film")
    _note(db, "correction restored", film.session_id, row.id, by, {"film": film.id, **row.body})
    return row


def corrections_of(db: Session, film_id: str, *, withdrawn: bool | None = False) -> list[CorrectionRow]:
    """Return a film's corrections in the order they were made: those that hold, those withdrawn (True), or all (None)."""
    asked = select(CorrectionRow).where(CorrectionRow.film_id == film_id).order_by(CorrectionRow.number)
    if withdrawn is not None:
        asked = asked.where(
            CorrectionRow.withdrawn_at.is_not(None) if withdrawn else CorrectionRow.withdrawn_at.is_(None)
        )
    return list(db.scalars(asked))


def add_overrule(db: Session, session_id: str, finding: str, side: str, why: str, *, by: str) -> OverruleRow:
    """Overrule a finding of a session, with the reason.

    Raises
    ------
    OptionError, NotFoundError
        A field can't be taken; there is no such session.
    ConflictError
        It is overruled already.
    """
    clean = f.checked({"finding": finding, "side": side, "why": why}, _OVERRULE)
    by = who(by)
    session = found(db, SessionRow, session_id, "session", lock=True)
    for other in overrules_of(db, session.id):
        if (other.finding, other.side) == (clean["finding"], clean["side"]):
            raise _already(other, f"{other.made_by or 'somebody'} has overruled this finding already", "finding")
    row = OverruleRow(session_id=session.id, **clean, made_by=by, made_at=now())
    db.add(row)
    db.flush()
    _note(db, "finding overruled", session.id, row.id, by, clean)
    return row


def get_overrule(db: Session, overrule_id: str) -> OverruleRow:
    """Return an overruled finding, withdrawn or not.

    Raises
    ------
    NotFoundError
        There is none.
    """
    return found(db, OverruleRow, overrule_id, "overruled finding")


def withdraw_overrule(db: Session, overrule_id: str, *, by: str) -> OverruleRow:
    """Let a finding stand again.

    Raises
    ------
    NotFoundError, ConflictError
        There is none; it was withdrawn already.
    """
    row = found(db, OverruleRow, overrule_id, "overruled finding", lock=True)
    _withdraw(db, row, by, "overruled finding")
    _note(db, "finding stands again", row.session_id, row.id, row.withdrawn_by or "", {"finding": row.finding})
    return row


def overrules_of(db: Session, session_id: str, *, withdrawn: bool | None = False) -> list[OverruleRow]:
    """Return a session's overruled findings in order: those that hold, those withdrawn (True), or all (None)."""
    asked = select(OverruleRow).where(OverruleRow.session_id == session_id).order_by(OverruleRow.made_at, OverruleRow.id)
    if withdrawn is not None:
        asked = asked.where(OverruleRow.withdrawn_at.is_not(None) if withdrawn else OverruleRow.withdrawn_at.is_(None))
    return list(db.scalars(asked))


def _withdraw(db: Session, row: CorrectionRow | OverruleRow, by: str, what: str) -> None:
    if row.withdrawn_at is not None:
        raise _already(row, f"{row.withdrawn_by or 'somebody'} has withdrawn it already", what)
    row.withdrawn_by, row.withdrawn_at = who(by), now()
    db.flush()


def _already(row: CorrectionRow | OverruleRow, fault: str, what: str) -> ConflictError:
    return ConflictError(
        fault,
        where=what,
        allowed="a change of it as it is now",
        next_step="load the page anew",
        current=as_plain(row),
    )


def _note(db: Session, what: str, session_id: str, subject_id: str, by: str, detail: Mapping[str, Any]) -> None:
    journal.note(db, what, by=by, runner_id=runner_of_session(db, session_id), subject_id=subject_id, detail=detail)
