"""Lists page by page: where a page ended is remembered, not how many rows came before, so none is skipped or shown twice."""

from __future__ import annotations

import base64
import json
from collections.abc import Iterator
from typing import Any, Generic, TypeVar

import attrs
from sqlalchemy import ColumnElement, and_, collate, or_
from sqlalchemy.orm import InstrumentedAttribute, Session

from midstance.errors import OptionError
from midstance.records.tables import Base

T = TypeVar("T")
MOST = 200
_WORDS = 4


@attrs.frozen
class Page(Generic[T]):
    """Some items of a list, and the cursor of the next page (None at the end). Can be gone through like a list."""

    items: list[T]
    next: str | None

    def __iter__(self) -> Iterator[T]:
        return iter(self.items)

    def __len__(self) -> int:
        return len(self.items)


def cursor(*values: Any) -> str:
    """Return the place after an item, as text that fits into an address."""
    return base64.urlsafe_b64encode(json.dumps(values, ensure_ascii=False).encode()).decode().rstrip("=")


def opened(text: str, kinds: tuple[type, ...]) -> list[Any]:
    """Return what :func:`cursor` was made of.

    Raises
    ------
    OptionError
        It isn't one of this list.
    """
    try:
        if len(text) > 1000:
            raise ValueError
        raw = base64.b64decode(text.encode("ascii") + b"=" * (-len(text) % 4), altchars=b"-_", validate=True)
        values: list[Any] = json.loads(raw)
        fits = isinstance(values, list) and len(values) == len(kinds)
        if not fits or any(not isinstance(v, k) for v, k in zip(values, kinds, strict=True)):
            raise ValueError
        if any("\0" in v for v in values if isinstance(v, str)):
            raise ValueError
        json.dumps(values, ensure_ascii=False).encode()
    except (ValueError, RecursionError):
        raise OptionError(
            "this is not a place in the list",
            where="after",
            allowed="the “next” of an earlier page of the same list",
            next_step="begin at the first page",
        ) from None
    return values


def page_size(most: int) -> int:
    """Return how many items a page may have."""
    return max(1, min(int(most), MOST))


def matching(db: Session, query: str, *columns: InstrumentedAttribute[str]) -> ColumnElement[bool] | None:
    """Return the condition that every word of the query occurs in one of the columns, whatever its case; None for no query.

    SQLite's LIKE knows cases of ASCII only, and PostgreSQL is several times faster when it needs to know no others; so
    words with other letters are looked for in each of their usual writings.
    """
    words = "".join(c if c.isprintable() else " " for c in query[:200]).split()[:_WORDS]
    words = [w.encode("utf-8", "ignore").decode() for w in words]
    server = db.get_bind().dialect.name == "postgresql"
    parts = []
    for word in words:
        writings = {word} if word.isascii() else {word, word.lower(), word.upper(), word.title()}
        patterns = [f"%{w.replace('!', '!!').replace('%', '!%').replace('_', '!_')}%" for w in sorted(writings)]
        if server:
            hits = [collate(column, "C").ilike(p, escape="!") for column in columns for p in patterns]
        else:
            hits = [column.like(p, escape="!") for column in columns for p in patterns]
        parts.append(or_(*hits))
    return and_(*parts) if parts else None


def as_plain(row: Base) -> dict[str, Any]:
    """Return a row as plain values that JSON takes: days and moments as ISO 8601 text."""
    out = {}
    for column in row.__table__.columns:
        value = getattr(row, column.key)
        out[column.key] = value.isoformat() if hasattr(value, "isoformat") else value
    return out
