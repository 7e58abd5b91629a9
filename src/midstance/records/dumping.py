"""Rows as JSON, from and into any of the databases. Nothing but open text goes from one to the other."""

from __future__ import annotations

import contextlib
import datetime as dt
import itertools
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from sqlalchemy import JSON, Connection, Date, DateTime, MetaData, Table, insert, null, select

from midstance.errors import RecordsError
from midstance.records.database import Database
from midstance.records.tables import Base

#: Keys of browsers and phones that are signed in: they hold for one machine and a short time, and are not taken along.
LEFT_OUT = ("login", "pairing")
_AT_A_TIME = 500


def tables() -> list[Table]:
    """Return the tables in an order in which they can be filled."""
    return list(Base.metadata.sorted_tables)


@contextlib.contextmanager
def snapshot(database: Database) -> Iterator[Connection]:
    """Give a connection that sees the database as it is at one moment, while others go on writing."""
    with database.engine.connect() as connection:
        if not database.is_sqlite:
            connection.execution_options(isolation_level="REPEATABLE READ")
        with connection.begin():
            yield connection


def rows(connection: Connection, table: Table) -> Iterator[dict[str, Any]]:
    """Yield the rows of a table in the order of its key, as plain values."""
    asked = select(table).order_by(*table.primary_key.columns)
    for row in connection.execute(asked.execution_options(yield_per=_AT_A_TIME)).mappings():
        yield {name: value.isoformat() if isinstance(value, dt.date) else value for name, value in row.items()}


def load(connection: Connection, name: str, lines: Iterable[Mapping[str, Any]]) -> int:
    """Put rows into a table as it is in this database, whichever version that has; return how many.

    Raises
    ------
    RecordsError
        The rows don't belong there.
    """
    table = Table(name, MetaData(), autoload_with=connection)
    count = 0
    lines = iter(lines)
    while some := [_typed(table, row) for row in itertools.islice(lines, _AT_A_TIME)]:
        connection.execute(insert(table), some)
        count += len(some)
    return count


def _typed(table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
    if not isinstance(row, Mapping) or set(row) != set(table.columns.keys()):
        raise not_ours(f"rows of “{table.name}” have other columns")
    return {name: _value(table, name, value) for name, value in row.items()}


def _value(table: Table, name: str, value: Any) -> Any:
    kind = table.columns[name].type
    if value is None:
        return null() if isinstance(kind, JSON) else None
    try:
        if isinstance(kind, DateTime):
            return dt.datetime.fromisoformat(value).astimezone(dt.UTC)
        if isinstance(kind, Date):
            return dt.date.fromisoformat(value)
    except (TypeError, ValueError):
        raise not_ours(f"“{name}” of a row of “{table.name}” is not a moment or day") from None
    return value


def not_ours(what: str) -> RecordsError:
    """Return the error for a backup that can't be used."""
    return RecordsError(
        f"the backup can't be used ({what})",
        where="backup",
        allowed="an undamaged backup of this program",
        next_step="take another backup; nothing was written",
    )
