"""The whole API under requests made up by Schemathesis: never a fault of the server, and answers as described."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)
from web_client import DEMO, TestClient

from midstance.film.proxy import make_proxy
from midstance.web.api import TAGS
from midstance.web.api.description import describe
from midstance.web.app import create_app
from midstance.web.config import Config

#: Requests an operation.
EXAMPLES = 10
#: These need an account, a film that was read, or pictures of the board.
CANNOT_GO_WELL = {"/api/signin", "/api/lens", "/api/sessions/{id}/live", "/api/films/{id}/reading"}
CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]


class World:
    """Something of each kind in the records, so that made-up requests reach further than "there is no such thing"."""

    def __init__(self, client: TestClient, copy: Path) -> None:
        self.client, self.copy = client, copy
        self.ids: dict[str, str] = {}

    def known(self, path: str) -> dict[str, str]:
        """Return path parameters of things that are there; what an earlier request removed is put back."""
        if not self.ids:
            self._fill()
        return {"id": self.ids[path.split("/")[2]], "name": "report.html", "n": "5"}

    def fitting(self, path: str, id: str, body: Any) -> Any:
        """Return a body that goes with what is there: its version, its name, a time or day it has, a film."""
        if path.endswith("/films"):
            return b"\0\0\0\x18ftypisom" + bytes(100)
        if path.endswith("/erase"):
            return {"name": self.client.get(f"/api/runners/{id}").json()["name"]}
        if not isinstance(body, dict):
            return body
        if path.endswith("/corrections"):
            return body | {k: v for k, v in (("time_s", 1.0), ("to_s", 2.0)) if body.get(k)}
        if "version" in body:
            body = body | {"version": self.client.get(path.replace("{id}", id)).json()["version"]}
        return body | {k: "2026-05-03" for k in ("held_on", "consent_on") if body.get(k)}

    def _fill(self) -> None:
        post = self.client.post
        runner = post("/api/runners", json={"name": "Invented"}).json()["id"]
        session = post(f"/api/runners/{runner}/sessions", json={"held_on": "2026-05-03", "speed_mps": 3.0}).json()["id"]
        film = post(
            f"/api/sessions/{session}/films?view=side",
            content=(DEMO / "side.mp4").read_bytes(),
            headers={"Content-Type": "video/mp4"},
        ).json()
        home = self.client.app.state.workbench.config.home  # type: ignore[attr-defined]
        folder = home.proxy(film["sha256"])
        if not folder.exists():
            folder.parent.mkdir(exist_ok=True)
            folder.symlink_to(self.copy)
        leave = {"kind": "leave_out", "time_s": 1.0, "side": "left"}
        made = post(f"/api/films/{film['id']}/corrections", json=leave)
        assert made.status_code == 201, made.text
        correction = made.json()["correction"]["id"]
        overrule = post(f"/api/sessions/{session}/overrules", json={"finding": "a", "why": "b"}).json()["id"]
        started = post(f"/api/sessions/{session}/assessments").json()
        (home.result(started["assessment"]["id"])).mkdir()
        (home.result(started["assessment"]["id"]) / "report.html").write_text("<!doctype html><title>Report</title>")
        pairing = post(f"/api/sessions/{session}/pairings").json()["id"]
        self.ids = {
            "runners": runner, "sessions": session, "films": film["id"], "corrections": correction, "overrules": overrule,
            "assessments": started["assessment"]["id"], "jobs": started["job"]["id"], "pairings": pairing,
        }  # fmt: skip


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def world(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[World]:
    """A server with something in it, on each database. What takes seconds and is tested elsewhere answers at once."""
    url = None
    if request.param == "postgresql":
        server = request.getfixturevalue("postgresql")
        url = server.url(server.new_database())
    folder = tmp_path_factory.mktemp("world")
    make_proxy(DEMO / "side.mp4", folder / "copy")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("midstance.doctor.look", lambda: (["ok"], True))
        app = create_app(Config(home=folder / "data", workers=0, most_film_bytes=4 * 1024**2, database_url=url))
        with TestClient(app, base_url="http://127.0.0.1:8320") as client:
            yield World(client, folder / "copy")


def _as_bytes(content: Any) -> bytes:
    return content if isinstance(content, bytes) else str(content).encode("utf-8", "replace")


def _described() -> Any:
    """The API as it describes itself; nothing is opened for that."""
    return describe(create_app(Config(home=Path("unused"), workers=0)), TAGS)


DESCRIBED = _described()
SCHEMA = schemathesis.openapi.from_dict(DESCRIBED)
#: The stream never ends; it is tested on its own.
OPERATIONS = [
    (method.upper(), path) for path, ways in DESCRIBED["paths"].items() for method in ways if path != "/api/jobs/stream"
]


@pytest.mark.parametrize(("method", "path"), OPERATIONS, ids=[f"{m} {p}" for m, p in OPERATIONS])
def test_made_up_requests(world: World, method: str, path: str) -> None:
    operation = SCHEMA[path][method]
    statuses = set()

    @settings(
        max_examples=EXAMPLES,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(), there=st.integers(0, 3))
    def ask(case: Any, there: int) -> None:
        if case.path_parameters and there:  # three of four times something that is there
            known = world.known(path)
            case.path_parameters = {k: known.get(k, v) for k, v in case.path_parameters.items()}
            if there > 1:
                case.body = world.fitting(path, known["id"], case.body)
        world.client.cookies.clear()
        sent = case.as_transport_kwargs(base_url="http://127.0.0.1:8320")
        sent.pop("cookies", None)
        if isinstance(sent.get("data"), bytes | str):
            sent["content"] = sent.pop("data")
        sent["files"] = [(n, (f, _as_bytes(c), *more)) for n, (f, c, *more) in sent.get("files") or ()] or None
        request = world.client.build_request(**sent)
        request.read()
        answer = world.client.send(request)
        statuses.add(answer.status_code)
        if answer.is_success and (method == "DELETE" or path.endswith("/erase")):
            world.ids = {}
        case.validate_response(schemathesis.Response.from_any(answer), checks=CHECKS)

    ask()
    if path not in CANNOT_GO_WELL:
        assert statuses & {200, 201, 202, 204}, f"nothing ever went well: {statuses}"
