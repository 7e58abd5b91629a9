"""A server in the test's own process, on a folder of its own, that starts no workers."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import attrs
import pytest
from postgres_server import PostgresServer, binaries, required
from web_client import ADDRESS, DEMO, Browser, TestClient

from midstance.assess.demo import demo_settings
from midstance.assess.keeping import keep
from midstance.assess.observe import observe_film
from midstance.film.proxy import make_proxy
from midstance.web.app import Workbench, create_app
from midstance.web.config import Config


@pytest.fixture(scope="session")
def postgresql() -> Iterator[PostgresServer]:
    """A PostgreSQL server of our own."""
    if binaries() is None:
        reason = "no PostgreSQL server is installed (Debian: apt-get install postgresql)"
        if required():
            pytest.fail(reason)
        pytest.skip(reason)
    running = PostgresServer()
    yield running
    running.stop()


@pytest.fixture
def database_url(request: pytest.FixtureRequest) -> str | None:
    """The file in the data folder, or with the parameter "postgresql" a database of that server."""
    if getattr(request, "param", "sqlite") == "sqlite":
        return None
    server: PostgresServer = request.getfixturevalue("postgresql")
    return server.url(server.new_database())


@pytest.fixture
def config(tmp_path: Path, database_url: str | None) -> Config:
    """A server that runs no jobs and takes films up to 4 MB."""
    return Config(home=tmp_path / "data", workers=0, most_film_bytes=4 * 1024**2, database_url=database_url)


@pytest.fixture
def client(config: Config) -> Iterator[TestClient]:
    """A program on the same machine: no cookies, no origin."""
    with TestClient(create_app(config), base_url=ADDRESS) as client:
        yield client


@pytest.fixture
def bench(client: TestClient) -> Workbench:
    """What the server holds."""
    return client.app.state.workbench  # type: ignore[attr-defined]


@pytest.fixture
def browser(client: TestClient) -> Browser:
    """A browser."""
    return Browser(client)


@pytest.fixture
def runner(client: TestClient) -> dict[str, Any]:
    """A runner in the records."""
    answer = client.post("/api/runners", json={"name": "Invented Runner", "height_m": 1.7})
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


@pytest.fixture
def session(client: TestClient, runner: dict[str, Any]) -> dict[str, Any]:
    """A session of that runner."""
    answer = client.post(f"/api/runners/{runner['id']}/sessions", json={"held_on": "2026-05-03", "speed_mps": 3.0})
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


@pytest.fixture
def film(client: TestClient, session: dict[str, Any]) -> dict[str, Any]:
    """A film of that session, not prepared."""
    answer = client.post(
        f"/api/sessions/{session['id']}/films",
        params={"view": "side", "name": "side.mp4"},
        content=(DEMO / "side.mp4").read_bytes(),
        headers={"Content-Type": "video/mp4"},
    )
    assert answer.status_code == 201, answer.text
    return dict(answer.json())


@pytest.fixture(scope="session")
def copy_of_side(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The playable copy of the demo's side film, made once."""
    folder = tmp_path_factory.mktemp("copy") / "side"
    make_proxy(DEMO / "side.mp4", folder)
    return folder


@pytest.fixture
def prepared(film: dict[str, Any], bench: Workbench, copy_of_side: Path) -> dict[str, Any]:
    """That film with its playable copy."""
    shutil.copytree(copy_of_side, bench.config.home.proxy(film["sha256"]))
    return film


@pytest.fixture(scope="session")
def looked_at() -> tuple[Any, Any]:
    """What the landmark network sees in the first seconds of the demo's side film, with the settings; found once."""
    with demo_settings() as settings:
        path = Path(settings.films["side"])
        settings = attrs.evolve(settings, films={"side": path}, end_s=4.0)
        observed, _ = observe_film("side", path, settings, lambda *_: None)
        return observed, settings


@pytest.fixture
def read_film(
    client: TestClient, bench: Workbench, prepared: dict[str, Any], looked_at: tuple[Any, Any]
) -> dict[str, Any]:
    """That film with its landmarks."""
    answer = client.put(f"/api/films/{prepared['id']}", json={"version": prepared["version"], "end_s": 4.0})
    assert answer.status_code == 200, answer.text
    folder = bench.config.home.reading(prepared["id"])
    folder.mkdir()
    keep(*looked_at, folder)
    return dict(answer.json())
