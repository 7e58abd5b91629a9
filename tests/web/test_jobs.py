"""Jobs through the API, and their progress as it happens."""

from __future__ import annotations

import http.client
import json
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_client import TestClient, problem

from midstance.records import jobs
from midstance.records.tables import JobRow
from midstance.web.app import Workbench
from midstance.web.config import Config
from midstance.web.events import message
from midstance.web.serve import make_server


def test_jobs_are_listed_stopped_and_tried_again(client: TestClient, film: dict[str, Any], session: dict[str, Any]) -> None:
    listed = client.get("/api/jobs").json()["items"]
    assert [j["kind"] for j in listed] == ["prepare"]
    job = listed[0]
    assert job["film_id"] == film["id"]
    assert client.get(f"/api/jobs/{job['id']}").json() == job
    assert client.get("/api/jobs", params={"session": session["id"]}).json()["items"] == listed
    assert client.get("/api/jobs", params={"session": "0" * 16}).json()["items"] == []
    assert client.get("/api/jobs", params={"film": film["id"], "state": ["waiting", "running"]}).json()["items"] == listed
    assert client.get("/api/jobs", params={"state": "done"}).json()["items"] == []
    problem(client.get("/api/jobs", params={"state": "lost"}), 422)
    problem(client.post(f"/api/jobs/{job['id']}/retry"), 409)
    assert client.post(f"/api/jobs/{job['id']}/cancel").json()["state"] == "cancelled"
    assert client.post(f"/api/jobs/{job['id']}/retry").json()["state"] == "waiting"
    problem(client.post(f"/api/jobs/{'0' * 16}/cancel"), 404)


def test_a_message_is_as_the_standard_writes_it() -> None:
    """WHATWG HTML, 9.2.6: fields on lines of their own, an empty line ends the event."""
    assert message("job", {"a": "b\nc"}, 7) == b'id: 7\nevent: job\ndata: {"a":"b\\nc"}\n\n'


class Running:
    """A real server on a free port, in a thread."""

    def __init__(self, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self.connections: list[http.client.HTTPConnection] = []
        self.answers: list[http.client.HTTPResponse] = []
        listening = threading.Event()
        self.server = make_server(Config(home=folder, port=self.port, workers=0), lambda _: listening.set())
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        assert listening.wait(20)

    @property
    def bench(self) -> Workbench:
        app: Any = self.server.config.app
        bench: Workbench = app.state.workbench
        return bench

    def connect(self) -> http.client.HTTPConnection:
        self.connections.append(http.client.HTTPConnection("127.0.0.1", self.port, timeout=20))
        return self.connections[-1]

    def get(self, path: str, **headers: str) -> http.client.HTTPResponse:
        connection = self.connect()
        connection.request("GET", path, headers=headers)
        self.answers.append(connection.getresponse())
        return self.answers[-1]

    def stop(self) -> float:
        began = time.monotonic()
        self.server.should_exit = True
        self.thread.join(20)
        assert not self.thread.is_alive()
        return time.monotonic() - began


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    server = Running(tmp_path / "data")
    yield server
    server.stop()
    for one in (*server.answers, *server.connections):
        one.close()


def events(answer: http.client.HTTPResponse) -> Iterator[tuple[str, Any, str]]:
    """Give name, data and id of the events of a stream."""
    fields: dict[str, str] = {}
    for raw in answer:
        line = raw.decode().rstrip("\n")
        if line:
            name, _, value = line.partition(": ")
            fields[name] = value
        else:
            if "data" in fields:
                yield fields["event"], json.loads(fields["data"]), fields.get("id", "")
            fields = {}


def add(bench: Workbench, **more: Any) -> JobRow:
    with bench.database.writing() as db:
        return jobs.add_job(db, "validate", **more)


def test_progress_comes_as_it_happens(running: Running) -> None:
    before = add(running.bench)
    answer = running.get("/api/jobs/stream")
    assert answer.getheader("content-type") == "text/event-stream; charset=utf-8"
    assert answer.getheader("cache-control") == "no-store"
    stream = events(answer)
    assert next(stream)[0] == "hello"
    assert next(stream)[1]["id"] == before.id
    with running.bench.database.writing() as db:
        job = jobs.claim(db, "test")
        assert job is not None
    name, data, _ = next(stream)
    assert (name, data["state"]) == ("job", "running")
    began = time.monotonic()
    with running.bench.database.writing() as db:
        jobs.progress(db, before.id, "reading", 0.5)
    data = next(stream)[1]
    assert (data["stage"], data["share"]) == ("reading", 0.5)
    assert time.monotonic() - began < 1.0
    answer.close()


def test_a_stream_goes_on_where_it_broke_off(running: Running) -> None:
    first = add(running.bench)
    last = max(first.change, 0)
    second = add(running.bench)
    answer = running.get("/api/jobs/stream", **{"Last-Event-ID": str(last)})
    stream = events(answer)
    assert next(stream)[0] == "hello"
    name, data, number = next(stream)
    assert (name, data["id"], number) == ("job", second.id, str(second.change))
    answer.close()


def test_only_what_is_asked_for_comes(running: Running) -> None:
    add(running.bench)
    answer = running.get(f"/api/jobs/stream?session={'0' * 16}")
    stream = events(answer)
    assert next(stream)[0] == "hello"
    assert running.get("/api/jobs/stream?session=x").status == 422
    running.stop()
    assert list(stream) == []


def test_streams_hold_no_connection_and_end_with_the_server(running: Running) -> None:
    answers = [running.get("/api/jobs/stream") for _ in range(20)]
    for answer in answers:
        assert next(events(answer))[0] == "hello"
    time.sleep(0.5)
    pool: Any = running.bench.database.engine.pool
    assert pool.checkedout() <= 1  # the one question that all listeners share, if it is just being asked
    assert running.get("/api/about").status == 200  # and no thread either
    assert running.stop() < 3
    for answer in answers:
        answer.read()  # ended, not cut off


def test_a_listener_that_went_away_is_forgotten(running: Running) -> None:
    answer = running.get("/api/jobs/stream")
    assert next(events(answer))[0] == "hello"
    assert len(running.bench.news._listeners) == 1
    answer.close()
    running.connections[-1].close()
    for _ in range(100):
        add(running.bench)
        if not running.bench.news._listeners:
            break
        time.sleep(0.1)
    assert not running.bench.news._listeners


def test_a_film_that_breaks_off_leaves_nothing(running: Running, copy_of_side: Path) -> None:
    session = session_of(running)
    with socket.create_connection(("127.0.0.1", running.port), timeout=20) as raw:
        head = (
            f"POST /api/sessions/{session}/films?view=side HTTP/1.1\r\nHost: 127.0.0.1\r\n"
            "Content-Type: video/mp4\r\nContent-Length: 900000\r\n\r\n"
        )
        raw.sendall(head.encode() + (copy_of_side / "proxy.mp4").read_bytes()[:300_000])
        time.sleep(0.5)
        assert len(list(running.bench.config.home.incoming.iterdir())) == 1
    for _ in range(50):
        if not list(running.bench.config.home.incoming.iterdir()):
            break
        time.sleep(0.1)
    assert list(running.bench.config.home.incoming.iterdir()) == []
    assert not any(p.is_file() for p in running.bench.config.home.media.rglob("*"))
    assert json.loads(running.get(f"/api/sessions/{session}").read())["films"] == []


def test_the_first_page_comes_within_a_second(running: Running) -> None:
    began = time.monotonic()
    answer = running.get("/")
    answer.read()
    assert answer.status in (200, 303, 307)
    assert time.monotonic() - began < 1.0


def test_a_film_goes_to_disk_and_not_into_memory(running: Running) -> None:
    """What was sent is on the disk while the rest hasn't been sent yet."""
    session = session_of(running)
    with socket.create_connection(("127.0.0.1", running.port), timeout=20) as raw:
        head = f"POST /api/sessions/{session}/films?view=side HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 4000000\r\n\r\n"
        raw.sendall(head.encode() + b"\0\0\0\x18ftypisom" + bytes(2_000_000 - 12))
        on_disk = 0
        for _ in range(100):
            on_disk = sum(p.stat().st_size for p in running.bench.config.home.incoming.iterdir())
            if on_disk > 1_800_000:  # what is left is in buffers
                break
            time.sleep(0.05)
        assert on_disk > 1_800_000
        raw.sendall(bytes(2_000_000))
        assert raw.recv(100).startswith(b"HTTP/1.1 201")
    stored = [p for p in running.bench.config.home.media.rglob("*") if p.is_file()]
    assert [p.stat().st_size for p in stored] == [4_000_000]


def session_of(running: Running) -> str:
    connection, kind = running.connect(), {"Content-Type": "application/json"}
    connection.request("POST", "/api/runners", json.dumps({"name": "x"}), kind)
    runner = json.loads(connection.getresponse().read())["id"]
    connection.request("POST", f"/api/runners/{runner}/sessions", json.dumps({"held_on": "2026-05-03"}), kind)
    return str(json.loads(connection.getresponse().read())["id"])
