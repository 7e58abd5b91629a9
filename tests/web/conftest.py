"""A server in the test's own process, on a folder of its own, that starts no workers."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_client import ADDRESS, DEMO, Browser, TestClient

from midstance.web.app import Workbench, create_app
from midstance.web.config import Config


@pytest.fixture
def config(tmp_path: Path) -> Config:
    """A server that runs no jobs and takes films up to 4 MB."""
    return Config(home=tmp_path / "data", workers=0, most_film_bytes=4 * 1024**2)


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
