"""The tables: migrations give what tables.py says, from nothing and from every earlier version, whole or not at all."""

from __future__ import annotations

import stat
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from sqlalchemy import inspect, text

from midstance.errors import RecordsError
from midstance.records import schema
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.tables import Base


def differences(database: Database) -> list[object]:
    with database.engine.connect() as connection:
        options = {"version_table": schema.VERSION_TABLE, "compare_type": True, "compare_server_default": True}
        return list(compare_metadata(MigrationContext.configure(connection, opts=options), Base.metadata))


def foreign_keys(database: Database) -> set[tuple[object, ...]]:
    look = inspect(database.engine)
    return {
        (t, tuple(k["constrained_columns"]), k["referred_table"], k["options"].get("ondelete"))
        for t in look.get_table_names()
        for k in look.get_foreign_keys(t)
    }


def test_migrations_give_exactly_the_tables(empty_url: str, tmp_path: Path) -> None:
    database = Database(empty_url)
    schema.upgrade(database)
    assert differences(database) == []
    # What the comparison above doesn't look at.
    said = {
        (t.name, tuple(k.column_keys), k.referred_table.name, k.ondelete)
        for t in Base.metadata.tables.values()
        for k in t.foreign_key_constraints
    }
    assert foreign_keys(database) == said
    with database.engine.connect() as connection:
        assert schema.version(connection) == schema.newest()
    database.close()


def test_upgrade_from_every_earlier_version(empty_url: str) -> None:
    database = Database(empty_url)
    for version in schema.known_versions():
        schema.upgrade(database, version)
        with database.engine.connect() as connection:
            assert schema.version(connection) == version
    schema.upgrade(database)
    assert differences(database) == []
    schema.upgrade(database)  # again: nothing to do
    database.close()


def test_versions_are_one_chain_by_number() -> None:
    assert schema.known_versions() == tuple(f"{i + 1:04d}" for i in range(len(schema.known_versions())))


def test_a_database_of_a_later_version_is_refused_and_left_alone(empty_url: str, tmp_path: Path) -> None:
    database = Database(empty_url)
    schema.upgrade(database)
    with database.engine.begin() as connection:
        connection.execute(text(f"UPDATE {schema.VERSION_TABLE} SET version_num = '9999'"))
    with pytest.raises(RecordsError, match="later version of this program"):
        schema.open_records(Home(tmp_path / "home"), empty_url)
    with database.engine.connect() as connection:
        assert schema.version(connection) == "9999"
    database.close()


def test_a_failing_migration_leaves_nothing(empty_url: str) -> None:
    database = Database(empty_url)
    with database.engine.begin() as connection:
        connection.execute(text("CREATE TABLE pairing (mine INTEGER)"))  # another program's; comes late in the migration
    with pytest.raises(RecordsError, match="can't be opened"):
        schema.upgrade(database)
    assert inspect(database.engine).get_table_names() == ["pairing"]
    database.close()


def test_what_is_no_database_is_refused(tmp_path: Path) -> None:
    home = Home(tmp_path / "home").create()
    (home.root / "midstance.sqlite").write_bytes(b"This is a letter to my aunt. " * 100)
    with pytest.raises(RecordsError, match="can't be opened") as caught:
        schema.open_records(home)
    assert "not a database" in str(caught.value)


def test_a_server_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="can't be opened") as caught:
        schema.open_records(Home(tmp_path / "home"), f"postgresql+psycopg://who:secret@/x?host={tmp_path}")
    assert "secret" not in str(caught.value)


def test_a_new_data_folder_is_for_its_owner_alone(tmp_path: Path) -> None:
    home = Home(tmp_path / "new" / "home")
    schema.open_records(home).close()
    assert stat.S_IMODE(home.root.stat().st_mode) == 0o700


def test_programs_that_start_at_once_make_the_tables_once(empty_url: str, tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from midstance.records.schema import open_records;"
        "from midstance.records.home import Home; open_records(Home(Path(sys.argv[1])), sys.argv[2]).close()"
    )
    command = [sys.executable, "-W", "error", "-c", code, str(tmp_path / "home"), empty_url]
    running = [subprocess.Popen(command, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    for one in running:
        _, errors = one.communicate(timeout=120)
        assert one.returncode == 0, errors
    database = Database(empty_url)
    assert differences(database) == []
    database.close()
