"""Records on SQLite and on a real PostgreSQL server: every test that asks for ``records`` runs on both."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from filled_records import Records
from postgres_server import PostgresServer, binaries, required

from midstance.records.home import Home
from midstance.records.schema import open_records
from midstance.records.tables import Base


@pytest.fixture(scope="session")
def server() -> Iterator[PostgresServer]:
    """A PostgreSQL server of our own."""
    if binaries() is None:
        reason = "no PostgreSQL server is installed (Debian: apt-get install postgresql)"
        if required():
            pytest.fail(reason)
        pytest.skip(reason)
    running = PostgresServer()
    yield running
    running.stop()


@pytest.fixture(scope="session")
def shared_url(server: PostgresServer, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The URL of a database that the tests have one after another."""
    url = server.url(server.new_database())
    open_records(Home(tmp_path_factory.mktemp("shared") / "home"), url).close()
    return url


@pytest.fixture(params=["sqlite", "postgresql"])
def kind(request: pytest.FixtureRequest) -> str:
    """Which database a test runs on."""
    return str(request.param)


@pytest.fixture
def empty_url(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """The URL of a database without tables."""
    if kind == "sqlite":
        return f"sqlite:///{tmp_path / 'empty.sqlite'}"
    server: PostgresServer = request.getfixturevalue("server")
    return server.url(server.new_database())


@pytest.fixture
def records(kind: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Records]:
    """Records with nothing in them."""
    home = Home(tmp_path / "home")
    url = home.database_url
    if kind == "postgresql":
        url = request.getfixturevalue("shared_url")
    database = open_records(home, url)
    if kind == "postgresql":
        with database.engine.begin() as connection:
            for table in reversed(Base.metadata.sorted_tables):
                connection.execute(table.delete())
    yield Records(home, database, url, kind)
    database.close()
