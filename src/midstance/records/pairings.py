"""Pairing of a phone with one session: a code for one use, then a key for a short time. Only their sums are kept."""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets

from sqlalchemy import delete, or_, select, update
from sqlalchemy.orm import Session

from midstance.errors import NotAllowedError, OptionError
from midstance.records import journal
from midstance.records.changing import found, who
from midstance.records.tables import PairingRow, SessionRow, now

#: Letters and digits that can't be taken for one another; 31 signs, so a code of 8 is one of 8.5e11.
ALPHABET = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
CODE_LENGTH = 8
MINUTES = (1, 120)
#: How long a phone may hand in films after its code was used.
KEY_MINUTES = 120


def open_pairing(db: Session, session_id: str, *, by: str, minutes: int = 15) -> tuple[PairingRow, str]:
    """Let one phone hand in films for a session; return the pairing and its code, which is kept nowhere else.

    An earlier code of the session that wasn't used is good no longer; a phone that is paired stays so.

    Raises
    ------
    NotFoundError, OptionError
        There is no such session; ``minutes`` is out of range.
    """
    if isinstance(minutes, bool) or not MINUTES[0] <= minutes <= MINUTES[1]:
        raise OptionError(
            f"a code can't be good for {minutes} minutes",
            where="minutes",
            allowed=f"{MINUTES[0]} to {MINUTES[1]}",
            next_step="choose another time",
        )
    by = who(by)
    session = found(db, SessionRow, session_id, "session", lock=True)
    at = now()
    past = at - dt.timedelta(days=1)
    db.execute(delete(PairingRow).where(or_(PairingRow.expires_at < past, PairingRow.ended_at < past)))
    waiting = (PairingRow.session_id == session.id, PairingRow.used_at.is_(None), PairingRow.ended_at.is_(None))
    db.execute(update(PairingRow).where(*waiting).values(ended_at=at))
    code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
    row = PairingRow(
        session_id=session.id,
        code_sha256=_sum(code),
        created_by=by,
        created_at=at,
        expires_at=at + dt.timedelta(minutes=minutes),
    )
    db.add(row)
    db.flush()
    journal.note(db, "phone invited", by=by, runner_id=session.runner_id, subject_id=session.id)
    return row, code


def use_code(db: Session, code: str) -> str:
    """Use a code, once; return the key that the phone keeps.

    Raises
    ------
    NotAllowedError
        It is wrong, used up or too old (which isn't said).
    """
    at = now()
    key = secrets.token_urlsafe(32)
    written = "".join(code.upper().split()).replace("-", "") if isinstance(code, str) and len(code) < 100 else ""
    # One statement decides, so that of two phones with the same code one gets in.
    used = db.execute(
        update(PairingRow)
        .where(
            PairingRow.code_sha256 == _sum(written),
            PairingRow.used_at.is_(None),
            PairingRow.ended_at.is_(None),
            PairingRow.expires_at > at,
        )
        .values(used_at=at, key_sha256=_sum(key), expires_at=at + dt.timedelta(minutes=KEY_MINUTES))
        .returning(PairingRow.id)
        .execution_options(synchronize_session=False)
    ).all()
    if len(used) != 1:
        raise NotAllowedError(
            "this code isn't good (any more)",
            where="code",
            allowed=f"a code of {CODE_LENGTH} letters and digits as the workbench shows it, once and in time",
            next_step="let the workbench show a new code",
        )
    return key


def pairing_of(db: Session, key: str) -> PairingRow | None:
    """Return the pairing that a phone's key belongs to, None when it has ended or run out."""
    if not key or len(key) > 200:
        return None
    asked = select(PairingRow).where(
        PairingRow.key_sha256 == _sum(key), PairingRow.ended_at.is_(None), PairingRow.expires_at > now()
    )
    return db.scalars(asked).first()


def pairings_of(db: Session, session_id: str) -> list[PairingRow]:
    """Return a session's pairings that are open or in use, newest first."""
    asked = select(PairingRow).where(
        PairingRow.session_id == session_id, PairingRow.ended_at.is_(None), PairingRow.expires_at > now()
    )
    return list(db.scalars(asked.order_by(PairingRow.created_at.desc(), PairingRow.id)))


def end_pairing(db: Session, pairing_id: str, *, by: str = "") -> PairingRow:
    """End a pairing, used or not; ending it twice does no harm.

    Raises
    ------
    NotFoundError
        There is no such pairing.
    """
    row = found(db, PairingRow, pairing_id, "pairing", lock=True)
    if row.ended_at is None:
        row.ended_at = now()
        db.flush()
        session = found(db, SessionRow, row.session_id, "session")
        journal.note(db, "phone let go", by=who(by), runner_id=session.runner_id, subject_id=session.id)
    return row


def _sum(secret: str) -> str:
    return hashlib.sha256(secret.encode("utf-8", "replace")).hexdigest()
