"""Opening the records: the tables are made or brought up to date at every start, all of it or nothing."""

from __future__ import annotations

import os
import sys
from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, text
from sqlalchemy.exc import DatabaseError, DBAPIError

from midstance.errors import RecordsError
from midstance.records.database import Database
from midstance.records.home import Home

MIGRATIONS = Path(__file__).parent / "migrations"
#: The table that holds which version the tables have; a name of our own, since other programs may share a server.
VERSION_TABLE = "midstance_schema"
#: Of two programs that start at once on PostgreSQL one waits for the other (any number, the same for all).
_LOCK = 0x6D696473


def open_records(home: Home, url: str | None = None) -> Database:
    """Open the records of a data folder, made or brought up to date as needed.

    Parameters
    ----------
    home : the data folder; made when missing, for its owner's eyes only.
    url : of the database; None for the SQLite file in the folder.

    Raises
    ------
    RecordsError
        Folder or database can't be used, the database was made by a later version, or a restore was cut short.
    """
    from midstance.records.restoring import settle  # which needs this module

    create(home)
    database = Database(url or home.database_url)
    try:
        settle(home, database)
        upgrade(database)
    except BaseException:
        database.close()
        raise
    return database


def create(home: Home) -> bool:
    """Make the data folder, for its owner's eyes only; False when it was there already."""
    new = not home.root.exists()
    home.create()
    if new:
        os.chmod(home.root, 0o700)  # films of people: nobody else on the machine has to see them
    return new


def upgrade(database: Database, to: str = "head") -> None:
    """Make the tables, or bring them up to date; in one transaction, so that a failure leaves them as they were.

    Raises
    ------
    RecordsError
        The database can't be used, was made by a later version, or holds other things under the same names.
    """
    where = database.url.split("@")[-1]
    try:
        with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
            upgrade_within(connection, to, where)
    except DBAPIError as error:
        why = str(error.orig).splitlines()[0] if str(error.orig) else type(error).__name__
        if isinstance(error, DatabaseError):
            raise RecordsError(
                f"the database can't be opened ({why})",
                where=where,
                allowed="a database of this program, or an empty one that may be written to",
                next_step="check its name, that it runs, and that its disk has room; or name another one",
            ) from error
        raise


def upgrade_within(connection: Connection, to: str = "head", where: str = "the database") -> None:
    """Bring the tables up to date within a transaction that the caller began and ends."""
    if connection.dialect.name == "postgresql":
        connection.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": _LOCK})
    at = version(connection)
    if at is not None and at not in known_versions():
        raise RecordsError(
            f"the records were written by a later version of this program (tables {at})",
            where=where,
            allowed=f"tables up to {newest()}",
            next_step="install the newer version again, or restore a backup made with this one into an empty folder",
        )
    if at != (newest() if to == "head" else to):
        command.upgrade(config(connection), to)


def version(connection: Connection) -> str | None:
    """Return the version of the tables, None where there are none."""
    return MigrationContext.configure(connection, opts={"version_table": VERSION_TABLE}).get_current_revision()


def newest() -> str:
    """Return the version of the tables that this program works with."""
    head = ScriptDirectory.from_config(config()).get_current_head()
    assert head is not None
    return head


def known_versions() -> tuple[str, ...]:
    """Return all versions of the tables, oldest first."""
    return tuple(s.revision for s in ScriptDirectory.from_config(config()).walk_revisions())[::-1]


def config(connection: Connection | None = None) -> Config:
    """Return the settings of the migrations; ``connection`` is where they are to run."""
    made = Config()
    made.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    made.set_main_option("path_separator", "os")
    made.attributes["connection"] = connection
    return made


def draft(message: str) -> None:
    """Write a draft of a new version: what differs between the newest one and ``tables.py``. Read it before it is kept."""
    database = Database("sqlite://")
    with database.engine.begin() as connection:
        upgrade_within(connection)
        settings = config(connection)
        settings.attributes["draft"] = True
        command.revision(settings, message, autogenerate=True, rev_id=f"{len(known_versions()) + 1:04d}")


if __name__ == "__main__":  # python -m midstance.records.schema "what changes"
    draft(" ".join(sys.argv[1:]))
