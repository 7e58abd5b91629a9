"""The database: SQLite in the data folder, or PostgreSQL by URL. Reads may be many; writes come one after another."""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Iterator
from typing import Any

from sqlalchemy import Engine, create_engine, event
from sqlalchemy.exc import ArgumentError, DBAPIError, NoSuchModuleError
from sqlalchemy.orm import Session

from midstance.errors import RecordsError

#: How long a write waits for another one, s.
BUSY_S = 20.0


def new_id() -> str:
    """Return a new id: 16 hexadecimal digits nobody can guess."""
    return secrets.token_hex(8)


class Database:
    """One database. Safe to share between threads; open a session for each piece of work.

    Parameters
    ----------
    url : ``sqlite:///path`` or ``postgresql+psycopg://user@host/name``.

    Raises
    ------
    RecordsError
        The URL is of another kind.
    """

    def __init__(self, url: str) -> None:
        self.url = url
        try:
            if url.startswith("sqlite"):
                self.engine = create_engine(url, connect_args={"timeout": BUSY_S})
                _tune_sqlite(self.engine)
            elif url.startswith("postgresql"):
                self.engine = create_engine(url, pool_pre_ping=True, pool_size=8, max_overflow=16)
            else:
                raise ArgumentError("another kind of database")
        except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
            raise RecordsError(
                f"the database can't be opened ({error})",
                where="--database",
                allowed="sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME (with midstance[postgresql] installed)",
                next_step="correct the URL, or leave it out to use SQLite in the data folder",
            ) from error
        # A transaction that first reads and then writes may fail instead of waiting, unless it says so at its beginning.
        self._writer = self.engine.execution_options(writes=True)

    @property
    def is_sqlite(self) -> bool:
        """True for SQLite."""
        return self.engine.dialect.name == "sqlite"

    @contextlib.contextmanager
    def reading(self) -> Iterator[Session]:
        """Give a session that only reads; nothing is kept of what is changed in it. Its rows may be used after it ended."""
        with _told(self.url), Session(self.engine, expire_on_commit=False) as session:
            yield session

    @contextlib.contextmanager
    def writing(self) -> Iterator[Session]:
        """Give a session whose changes are kept together when the block ends well, or not at all."""
        with _told(self.url), Session(self._writer, expire_on_commit=False) as session, session.begin():
            yield session

    def close(self) -> None:
        """Close all connections."""
        self.engine.dispose()


def _tune_sqlite(engine: Engine) -> None:
    @event.listens_for(engine, "connect")
    def _connected(connection: Any, _: Any) -> None:
        connection.isolation_level = None  # the driver's own BEGIN comes too late
        cursor = connection.cursor()
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",  # what was confirmed survives a power cut
            "foreign_keys = ON",
            "secure_delete = ON",  # what is erased is overwritten
            f"busy_timeout = {int(1000 * BUSY_S)}",
        ):
            cursor.execute(f"PRAGMA {pragma}")
        cursor.close()

    @event.listens_for(engine, "begin")
    def _begun(connection: Any) -> None:
        writes = connection.get_execution_options().get("writes", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


@contextlib.contextmanager
def _told(url: str) -> Iterator[None]:
    """Turn a database that is gone, locked or full into an error a user can act on."""
    try:
        yield
    except DBAPIError as error:
        if error.connection_invalidated or type(error).__name__ == "OperationalError":
            raise RecordsError(
                f"the database can't be used ({str(error.orig).splitlines()[0]})",
                where=url.split("@")[-1],
                allowed="a database that can be reached, with room to write",
                next_step="check that it runs and its disk has room, then try again",
            ) from error
        raise
