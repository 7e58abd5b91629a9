"""Records on SQLite and on a real PostgreSQL server: every test that asks for ``records`` runs on both."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from filled_records import Records
from postgres_server import PostgresServer, binaries, required

from midstance.records.home import Home
from midstance.records.schema import open_records


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
def template(server: PostgresServer, tmp_path_factory: pytest.TempPathFactory) -> str:
    """The name of a database with empty tables, to be copied."""
    name = server.new_database()
    open_records(Home(tmp_path_factory.mktemp("template") / "home"), server.url(name)).close()
    return name


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
        server: PostgresServer = request.getfixturevalue("server")
        url = server.url(server.new_database(request.getfixturevalue("template")))
    database = open_records(home, url)
    yield Records(home, database, url, kind)
    database.close()
