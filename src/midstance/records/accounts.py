"""Accounts and logins, needed only where the workbench can be reached from other machines.

Passwords are kept as argon2id hashes with the library's present parameters (RFC 9106, low-memory choice); of a login only
the SHA-256 sum of its key is kept.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import secrets
import threading
import time
import unicodedata
from collections import OrderedDict
from collections.abc import Callable

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, select
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from midstance.errors import ConflictError, NotAllowedError, NotFoundError
from midstance.records import fields as f
from midstance.records import journal
from midstance.records.tables import AccountRow, LoginRow, now

LOGIN_DAYS = 14
PASSWORD = (10, 200)
#: After this many wrong passwords for a name it has to be waited, twice as long each time, up to ``LONGEST_WAIT_S``.
FREE_TRIES = 4
LONGEST_WAIT_S = 60.0

_hasher = PasswordHasher()
#: A hash takes 64 MiB: no more than two at a time, however many ask.
_at_once = threading.BoundedSemaphore(2)
#: What an unknown name is checked against, so that it takes as long as a known one. Nobody knows its password.
_nobody = _hasher.hash(secrets.token_urlsafe(32))


class Slowdown:
    """Remembers wrong passwords by name, known or not; forgets a name an hour after its last one."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._wrong: OrderedDict[str, tuple[int, float]] = OrderedDict()

    def wait_s(self, name: str) -> float:
        """Return how long the next try has to wait, s."""
        with self._lock:
            count, at = self._wrong.get(name, (0, 0.0))
        if count < FREE_TRIES:
            return 0.0
        return max(0.0, at + min(LONGEST_WAIT_S, 2.0 ** (count - FREE_TRIES)) - self._clock())

    def wrong(self, name: str) -> None:
        """Note a wrong password."""
        with self._lock:
            count, at = self._wrong.pop(name, (0, 0.0))
            if self._clock() - at > 3600:
                count = 0
            self._wrong[name] = (min(count + 1, 40), self._clock())
            while len(self._wrong) > 2000:
                self._wrong.popitem(last=False)

    def right(self, name: str) -> None:
        """Forget a name's wrong passwords."""
        with self._lock:
            self._wrong.pop(name, None)


slowdown = Slowdown()


def list_accounts(db: Session) -> list[AccountRow]:
    """Return all accounts by name."""
    return list(db.scalars(select(AccountRow).order_by(AccountRow.name)))


def has_accounts(db: Session) -> bool:
    """Whether anybody can sign in."""
    return db.scalar(select(AccountRow.id).limit(1)) is not None


def add_account(db: Session, name: str, password: str, *, by: str = "") -> AccountRow:
    """Add an account.

    Raises
    ------
    OptionError
        Name or password can't be taken.
    ConflictError
        The name is taken.
    """
    name = f.checked({"name": name}, {"name": f.name})["name"]
    row = AccountRow(name=name, password_hash=_hash(password, name), created_at=now())
    taken = ConflictError(
        "there is an account of this name already",
        where="name",
        allowed="a name that nobody has yet",
        next_step="choose another name, or change the password of this one",
        current={"name": name},
    )
    if db.scalar(select(AccountRow.id).where(AccountRow.name == name)) is not None:
        raise taken
    try:
        with db.begin_nested():
            db.add(row)
    except IntegrityError:
        raise taken from None
    journal.note(db, "account added", by=by or name, subject_id=row.id, detail={"name": name})
    return row


def change_password(db: Session, name: str, password: str, *, by: str = "") -> AccountRow:
    """Give an account another password; whoever is signed in with it is signed out.

    Raises
    ------
    NotFoundError, OptionError
        There is no such account; the password can't be taken.
    """
    row = _account(db, name)
    row.password_hash = _hash(password, row.name)
    db.execute(delete(LoginRow).where(LoginRow.account_id == row.id))
    db.flush()
    slowdown.right(_key(row.name))
    journal.note(db, "password changed", by=by or row.name, subject_id=row.id, detail={"name": row.name})
    return row


def remove_account(db: Session, name: str, *, by: str = "") -> None:
    """Remove an account; whoever is signed in with it is signed out. What was written under the name stays.

    Raises
    ------
    NotFoundError
        There is no such account.
    """
    row = _account(db, name)
    db.delete(row)
    db.flush()
    journal.note(db, "account removed", by=by or row.name, detail={"name": row.name})


def sign_in(db: Session, name: str, password: str) -> str:
    """Return the key of a new login; it is kept nowhere but where it is returned to.

    Raises
    ------
    NotAllowedError
        Name or password are wrong (which of them isn't said), or there were too many tries.
    """
    name, password = _written(name), _written(password)
    key = _key(name)
    wait = slowdown.wait_s(key)
    if wait > 0:
        raise NotAllowedError(
            f"too many wrong passwords; wait {max(1, round(wait))} s",
            where="sign in",
            allowed="the next try after that time",
            next_step="wait, then try again",
        )
    row = db.scalars(select(AccountRow).where(AccountRow.name == name)).first() if _can_be(name) else None
    if not _fits(row.password_hash if row is not None else _nobody, password) or row is None:
        slowdown.wrong(key)
        raise NotAllowedError(
            "name or password are wrong",
            where="sign in",
            allowed="the name and password of an account",
            next_step="try again, or let whoever runs the workbench give you a new password",
        )
    slowdown.right(key)
    if _hasher.check_needs_rehash(row.password_hash):
        row.password_hash = _hash(password, name, checked=True)
    at = now()
    db.execute(delete(LoginRow).where(LoginRow.expires_at < at))
    secret = secrets.token_urlsafe(32)
    login = LoginRow(
        key_sha256=_sum(secret), account_id=row.id, created_at=at, seen_at=at, expires_at=at + dt.timedelta(days=LOGIN_DAYS)
    )
    db.add(login)
    db.flush()
    return secret


def who_is(db: Session, key: str) -> AccountRow | None:
    """Return whose login a key is, None when it is nobody's or has run out. Only reads."""
    if not key or len(key) > 200:
        return None
    asked = select(AccountRow).join(LoginRow, LoginRow.account_id == AccountRow.id)
    return db.scalars(asked.where(LoginRow.key_sha256 == _sum(key), LoginRow.expires_at > now())).first()


def sign_out(db: Session, key: str) -> None:
    """End a login; nothing happens when there is none."""
    db.execute(delete(LoginRow).where(LoginRow.key_sha256 == _sum(key)))


def _account(db: Session, name: str) -> AccountRow:
    name = _written(name)
    row = None
    if _can_be(name):
        row = db.scalars(select(AccountRow).where(AccountRow.name == name).with_for_update()).first()
    if row is None:
        raise NotFoundError(
            "there is no account of this name",
            where="account",
            allowed="the name of an account",
            next_step="list the accounts to see their names",
        )
    return row


def _can_be(name: str) -> bool:
    try:
        return bool(f.name(name) == name)
    except f.Fault:
        return False


def _written(text: str) -> str:
    """Return text as it is compared: the same signs, however a keyboard composes them."""
    return unicodedata.normalize("NFC", text).strip() if isinstance(text, str) and len(text) <= 1000 else ""


def _key(name: str) -> str:
    return hashlib.sha256(name.casefold().encode("utf-8", "replace")).hexdigest()


def _sum(key: str) -> str:
    return hashlib.sha256(key.encode("utf-8", "replace")).hexdigest()


def _hash(password: str, name: str, *, checked: bool = False) -> str:
    least, most = PASSWORD
    password = _written(password)
    fault = None
    if len(password) < least or len(password) > most:
        fault = f"it has {len(password)} characters" if password else "it is empty or far too long"
    elif password.casefold() in (name.casefold(), name.casefold() * 2) or len(set(password)) < 4:
        fault = "it is too easy to guess"
    elif any(unicodedata.category(c) in ("Cc", "Cs") for c in password):
        fault = "it holds characters that can't be typed"
    if fault and not checked:
        allowed = f"{least} to {most} characters, at least 4 different ones, not the name; several words are good"
        raise f.together([("password", f.Fault(fault, allowed))])
    with _at_once:
        return _hasher.hash(password)


def _fits(kept: str, password: str) -> bool:
    with _at_once:
        try:
            return _hasher.verify(kept, password.encode("utf-8", "replace"))
        except (VerificationError, InvalidHashError):
            return False
