"""Records on SQLite and on a real PostgreSQL server: every test that asks for ``records`` runs on both."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import attrs
import pytest
from postgres_server import PostgresServer, binaries, required

from midstance.records import films, runners, sessions
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.records.schema import open_records
from midstance.records.tables import FilmRow, RunnerRow, SessionRow


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


@attrs.define
class Records:
    """Open records with short ways to fill them."""

    home: Home
    database: Database
    url: str
    kind: str

    @property
    def store(self) -> MediaStore:
        return MediaStore(self.home)

    def runner(self, name: str = "Anna May", **fields: Any) -> RunnerRow:
        with self.database.writing() as db:
            return runners.add_runner(db, {"name": name, **fields}, by="Coach")

    def session(self, runner: RunnerRow, **fields: Any) -> SessionRow:
        with self.database.writing() as db:
            return sessions.add_session(db, runner.id, {"speed_mps": 3.3, **fields}, by="Coach")

    def film(self, session: SessionRow, content: bytes = b"film", view: str = "side", name: str = "IMG_1.MOV") -> FilmRow:
        return films.bring_film(
            self.database, self.store, session.id, io.BytesIO(content), view=view, name=name, by="Coach"
        )

    def again(self) -> Database:
        """Another connection to the same database."""
        return Database(self.url)


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
