"""The whole server killed, and its workers, again and again, while people work with it: what was confirmed is there.

A server started as a user starts it, two clients that hand in films, note things, correct and ask for reports as fast as
they can, and a reader who looks whether anything half-made can be seen. All random choices are seeded; what the machine
makes of the times is not.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import random
import re
import signal
import sqlite3
import sys
import threading
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import attrs
import av
import httpx
import pytest
from postgres_server import PostgresServer, binaries, required

sys.path.insert(0, str(Path(__file__).parents[1] / "browser"))

from served import DEMO, Served

from midstance.records import jobs
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.workers.supervisor import take_up

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="children of a process are found by /proc"),
]
ENDED = ("done", "failed", "cancelled")
#: How long the work that is left may show no change after the last start, s, and take in all.
STILL_S, REST_S = 120.0, 900.0


def small_film(path: Path, *, width: int = 480, height: int = 270) -> bytes:
    """Make 1.6 s of the demo's side film in a small size, 60 pictures a second: it is read in a few seconds."""
    with av.open(str(DEMO / "side.mp4")) as given, av.open(str(path), "w") as out:
        stream = given.streams.video[0]
        coded = out.add_stream("libx264", rate=60)
        coded.width, coded.height, coded.pix_fmt = width, height, "yuv420p"
        coded.options = {"preset": "veryfast", "crf": "20"}
        for i, picture in enumerate(given.decode(stream)):
            if i >= 192:
                break
            if i % 2 == 0:
                scaled = picture.reformat(width=width, height=height, format="yuv420p")
                scaled.pts, scaled.time_base = i // 2, Fraction(1, 60)
                out.mux(coded.encode(scaled))
        out.mux(coded.encode())
    return path.read_bytes()


def another(film: bytes, number: int) -> bytes:
    """Return the same film as a file of another content: a box without meaning at its end (ISO/IEC 14496-12, "free")."""
    filling = hashlib.sha256(str(number).encode()).digest() * 64
    return film + (8 + len(filling)).to_bytes(4, "big") + b"free" + filling


class LostError(Exception):
    """No answer came: nobody knows whether it was done."""


@attrs.define
class Noted:
    """What one client was told. ``maybe`` holds what may have been done without an answer."""

    runners: dict[str, dict[str, Any]] = attrs.field(factory=dict)
    sessions: dict[str, dict[str, Any]] = attrs.field(factory=dict)
    films: dict[str, str] = attrs.field(factory=dict)
    corrections: dict[str, bool] = attrs.field(factory=dict)
    overrules: dict[str, str] = attrs.field(factory=dict)
    assessments: list[str] = attrs.field(factory=list)
    maybe: dict[tuple[str, str], list[Any]] = attrs.field(factory=dict)
    lost: dict[str, int] = attrs.field(factory=dict)
    confirmed: int = 0
    refused: list[str] = attrs.field(factory=list)


class Client(threading.Thread):
    """Somebody who works with the workbench, however often it is gone."""

    def __init__(self, served: Served, film: bytes, number: int, most_films: int) -> None:
        super().__init__(name=f"client {number}", daemon=True)
        self.served, self.film, self.number, self.most_films = served, film, number, most_films
        self.draw = random.Random(100 + number)
        self.noted = Noted()
        self.ending = threading.Event()
        self.fault: BaseException | None = None
        self.count = 0

    def run(self) -> None:
        try:
            with httpx.Client(base_url=f"{self.served.url}/api", timeout=30, trust_env=False) as self.http:
                while not self.ending.is_set():
                    try:
                        self.step()
                    except LostError:
                        time.sleep(0.05)
                    time.sleep(0.02)
        except BaseException as error:
            self.fault = error

    def ask(self, method: str, path: str, what: str, **more: Any) -> Any:
        """Ask, and return the answer when it was done, None when it was refused."""
        try:
            answer = self.http.request(method, path, **more)
        except httpx.ConnectError:
            raise LostError from None  # it didn't even get there
        except httpx.TransportError:
            self.noted.lost[what] = self.noted.lost.get(what, 0) + 1
            raise LostError from None
        if answer.is_success:
            self.noted.confirmed += 1
            return answer.json()
        if answer.status_code not in (409, 503):
            self.noted.refused.append(f"{method} {path}: {answer.status_code} {answer.text[:300]}")
        return None

    def step(self) -> None:
        """Do one thing."""
        noted, draw = self.noted, self.draw
        self.count += 1
        name = f"client {self.number}, {self.count}"
        if not noted.runners:
            self.add_runner(name)
        elif not noted.sessions:
            self.add_session(name)
        else:
            deeds: list[tuple[Callable[[str], None], int]] = [
                (self.add_runner, 2), (self.change_runner, 4), (self.add_session, 2), (self.change_session, 6),
                (self.hand_in, 2), (self.correct, 8), (self.withdraw, 3), (self.overrule, 2), (self.report, 1),
            ]  # fmt: skip
            draw.choices([d for d, _ in deeds], [w for _, w in deeds])[0](name)

    def add_runner(self, name: str) -> None:
        if len(self.noted.runners) >= 12:
            return
        made = self.ask("POST", "/runners", "runner", json={"name": name, "height_m": 1.68})
        if made:
            self.noted.runners[made["id"]] = {"name": name, "notes": ""}

    def add_session(self, name: str) -> None:
        if len(self.noted.sessions) >= 2:
            return
        runner = self.draw.choice(list(self.noted.runners))
        fields = {"held_on": "2026-05-03", "speed_mps": 2.6, "place": name}
        made = self.ask("POST", f"/runners/{runner}/sessions", "session", json=fields)
        if made:
            self.noted.sessions[made["id"]] = {"place": name, "notes": ""}

    def _change(self, kind: str, of: dict[str, dict[str, Any]], name: str) -> None:
        id = self.draw.choice(list(of))
        now = self.ask("GET", f"/{kind}/{id}", "")
        assert now is not None, f"{kind} {id} is gone"
        allowed = [of[id]["notes"], *self.noted.maybe.get((kind, id), [])]
        assert now["notes"] in allowed, f"{kind} {id} says {now['notes']!r}, not one of {allowed}"
        of[id]["notes"] = now["notes"]
        self.noted.maybe.pop((kind, id), None)
        try:
            if self.ask("PUT", f"/{kind}/{id}", f"change of {kind}", json={"version": now["version"], "notes": name}):
                of[id]["notes"] = name
        except LostError:
            self.noted.maybe[(kind, id)] = [name]
            raise

    def change_runner(self, name: str) -> None:
        self._change("runners", self.noted.runners, name)

    def change_session(self, name: str) -> None:
        self._change("sessions", self.noted.sessions, name)

    def hand_in(self, name: str) -> None:
        if len(self.noted.films) >= self.most_films:
            return
        session = self.draw.choice(list(self.noted.sessions))
        content = another(self.film, 1000 * self.number + self.count)
        # Sometimes slowly, so that it is under way when the server goes.
        pause_s = self.draw.choice([0.0, 0.0, 0.02])

        def blocks() -> Iterator[bytes]:
            for start in range(0, len(content), 4096):
                yield content[start : start + 4096]
                time.sleep(pause_s)

        about = {"view": "side", "name": f"{name}.mp4"}
        made = self.ask("POST", f"/sessions/{session}/films", "film", params=about, content=blocks())
        if made:
            self.noted.films[made["id"]] = hashlib.sha256(content).hexdigest()
            assert made["sha256"] == self.noted.films[made["id"]]

    def correct(self, name: str) -> None:
        if not self.noted.films or len(self.noted.corrections) >= 60:
            return
        film = self.draw.choice(list(self.noted.films))
        # Of a hand, which no measure of the legs needs: the films stay measurable whatever is corrected in which order.
        body: dict[str, Any] = {"kind": "landmark", "landmark": "left_wrist", "note": name}
        body |= {"time_s": round(self.draw.uniform(0.2, 1.4), 4), "x_px": self.draw.uniform(200, 280), "y_px": 135.0}
        made = self.ask("POST", f"/films/{film}/corrections", "correction", json=body)
        if made:
            self.noted.corrections[made["correction"]["id"]] = True

    def withdraw(self, name: str) -> None:
        if not self.noted.corrections:
            return
        id = self.draw.choice(list(self.noted.corrections))
        if ("correction", id) in self.noted.maybe:
            return
        held = self.noted.corrections[id]
        try:
            if self.ask("POST", f"/corrections/{id}/{'withdraw' if held else 'restore'}", "withdrawal"):
                self.noted.corrections[id] = not held
        except LostError:
            self.noted.maybe[("correction", id)] = [not held]
            raise

    def overrule(self, name: str) -> None:
        if len(self.noted.overrules) >= 20:
            return
        session = self.draw.choice(list(self.noted.sessions))
        body = {"finding": f"cadence_{self.count}", "side": "both", "why": name}
        made = self.ask("POST", f"/sessions/{session}/overrules", "overrule", json=body)
        if made:
            self.noted.overrules[made["id"]] = name

    def report(self, name: str) -> None:
        if not self.noted.films or len(self.noted.assessments) >= 1:
            return
        session = self.ask("GET", f"/films/{self.draw.choice(list(self.noted.films))}", "")["session_id"]
        made = self.ask("POST", f"/sessions/{session}/assessments", "assessment")
        if made and made["assessment"]["id"] not in self.noted.assessments:
            self.noted.assessments.append(made["assessment"]["id"])


class Reader(threading.Thread):
    """Somebody who looks all the time: what is said to be there must be there whole."""

    def __init__(self, served: Served) -> None:
        super().__init__(name="reader", daemon=True)
        self.served = served
        self.ending = threading.Event()
        self.faults: list[str] = []
        self.looks = 0

    def run(self) -> None:
        with httpx.Client(base_url=f"{self.served.url}/api", timeout=30, trust_env=False) as http:
            while not self.ending.is_set():
                try:
                    for session in http.get("/sessions").json()["items"]:
                        self._look(http, session["id"])
                except (httpx.TransportError, json.JSONDecodeError, KeyError):
                    pass  # the server is gone, or says that it can't now
                time.sleep(0.2)

    def _look(self, http: httpx.Client, session: str) -> None:
        for film in http.get(f"/sessions/{session}").json()["films"]:
            if film["prepared"]:
                frames = http.get(f"/films/{film['id']}/frames")
                self._must(frames.status_code == 200 and frames.json()["frames"] == 96, f"frames: {frames.text[:200]}")
                last = http.get(f"/films/{film['id']}/frames/95.jpg?width=64")
                self._must(last.content[:2] == b"\xff\xd8" and last.content[-2:] == b"\xff\xd9", f"last picture: {last}")
        for assessment in http.get(f"/sessions/{session}/assessments").json()["items"]:
            files = {f["name"] for f in http.get(f"/assessments/{assessment['id']}/files").json()["items"]}
            state = http.get(f"/assessments/{assessment['id']}").json()["state"]
            # In this order: files that are there belong to a report that is done by now.
            self._must(not files or state == "done" or not _settled(http, assessment["id"], files), f"files of one {state}")
            self._must(not files or {"report.html", "report.pdf", "assessment.json"} <= files, f"only {files}")

    def _must(self, fine: bool, fault: str) -> None:
        self.looks += 1
        if not fine:
            self.faults.append(fault)


def _settled(http: httpx.Client, assessment: str, files: set[str]) -> bool:
    """Look again after a moment: whether files are still there and the report still isn't done."""
    time.sleep(1.0)
    again = {f["name"] for f in http.get(f"/assessments/{assessment}/files").json()["items"]}
    return again == files and http.get(f"/assessments/{assessment}").json()["state"] != "done"


@pytest.fixture
def database_url(request: pytest.FixtureRequest) -> Iterator[str | None]:
    """The file in the data folder, or a database on a server of our own."""
    if request.param == "sqlite":
        yield None
        return
    if binaries() is None:
        reason = "no PostgreSQL server is installed (Debian: apt-get install postgresql)"
        pytest.fail(reason) if required() else pytest.skip(reason)
    server = PostgresServer()
    yield server.url(server.new_database())
    server.stop()


@pytest.mark.parametrize(
    ("database_url", "kills"), [("sqlite", 40), ("postgresql", 10)], indirect=["database_url"], ids=["sqlite", "postgresql"]
)
def test_what_was_confirmed_outlives_kills(database_url: str | None, kills: int, tmp_path: Path) -> None:
    served = Served(tmp_path / "data", workers=1, database_url=database_url)
    film = small_film(tmp_path / "small.mp4")
    clients = [Client(served, film, number, max(2, kills // 10)) for number in range(2)]
    reader = Reader(served)
    broken = ""
    try:
        served.start()
        broken = hand_in_broken(served, film)
        for thread in (*clients, reader):
            thread.start()
        done = kill_again_and_again(served, kills, random.Random(2026))
        for client in clients:
            client.ending.set()
        for client in clients:
            client.join(60)
        if not served.answers():
            served.start()
        let_it_end(served)
    finally:
        for thread in (*clients, reader):
            thread.ending.set()
        for thread in (*clients, reader):
            if thread.ident is not None:
                thread.join(60)
        served.stop()
    told = f"confirmed {[c.noted.confirmed for c in clients]}, without answer {[c.noted.lost for c in clients]}"
    print(f"{done}; {told}; looked at {reader.looks} times")
    for client in clients:
        if client.fault is not None:
            raise client.fault
        assert not client.noted.refused
    assert not reader.faults
    assert done["server"] + done["starting"] + done["worker"] == kills
    served.start()
    try:
        check_records(served, clients, broken)
    finally:
        served.stop()
    check_files(Home(served.home), served, clients)
    if database_url is None:
        check_database(served.home)
    assert "Traceback" not in served.log.read_text(), served.said()


def test_what_was_on_its_way_in_goes_at_the_next_start(home: Home, database: Database) -> None:
    """But for a picture that somebody handed in on trial and that is still waited for."""
    waited, over = "trial-" + "1" * 16, "trial-" + "2" * 16
    with database.writing() as db:
        jobs.add_job(db, "check", payload={"file": waited, "view": "side"})
    for name in ("0123456789abcdef0123456789abcdef.part", waited, over):
        (home.incoming / name).write_bytes(b"part of a film")
    (home.incoming / "lens-0123456789abcdef").mkdir()
    (home.incoming / "lens-0123456789abcdef" / "00.jpg").write_bytes(b"picture")
    take_up(home, database)
    assert [p.name for p in home.incoming.iterdir()] == [waited]


def hand_in_broken(served: Served, film: bytes) -> str:
    """Hand in a film whose end is missing, first of all; returns its id."""
    with httpx.Client(base_url=f"{served.url}/api", timeout=30, trust_env=False) as http:
        runner = http.post("/runners", json={"name": "broken film"}).json()["id"]
        session = http.post(f"/runners/{runner}/sessions", json={"held_on": "2026-05-03", "speed_mps": 2.6}).json()["id"]
        about = {"view": "side", "name": "broken.mp4"}
        made = http.post(f"/sessions/{session}/films", params=about, content=film[: len(film) // 3])
        assert made.status_code == 201, made.text
        return str(made.json()["id"])


def kill_again_and_again(served: Served, kills: int, draw: random.Random) -> dict[str, int]:
    """Kill the server or its worker at random moments, and start the server again."""
    done = {"server": 0, "starting": 0, "worker": 0}
    while sum(done.values()) < kills:
        time.sleep(draw.uniform(0.05, 1.5))
        which = draw.choices(["server", "starting", "worker"], [5, 1, 3])[0]
        if which == "worker":
            children = served.children()
            if not children:
                continue
            with contextlib.suppress(ProcessLookupError):
                os.kill(draw.choice(children), signal.SIGKILL)
                done["worker"] += 1
            continue
        served.kill()
        done["server"] += 1
        if which == "starting" and sum(done.values()) < kills:
            served.begin()  # and once more, before it is ready
            time.sleep(draw.uniform(0.1, 2.0))
            served.kill()
            done["starting"] += 1
        served.start()
    return done


def let_it_end(served: Served) -> None:
    """Wait until all work has ended; what was given up because its worker was killed so often is asked for again."""
    began = moved = time.monotonic()
    change = 0
    with httpx.Client(base_url=f"{served.url}/api", timeout=30, trust_env=False) as http:
        while True:
            all_jobs = http.get("/jobs", params={"most": 500}).json()["items"]
            waiting = [j for j in all_jobs if j["state"] not in ENDED]
            given_up = re.compile(r"broke off \d+ times|was stopped \d+ times")
            again = [j for j in all_jobs if j["state"] == "failed" and given_up.search(j["problem"]["what"])]
            for job in again:
                assert http.post(f"/jobs/{job['id']}/retry").status_code == 200
            if not waiting and not again:
                return
            newest = max(j["change"] for j in all_jobs)
            if newest != change:
                change, moved = newest, time.monotonic()
            late = time.monotonic() - moved > STILL_S or time.monotonic() - began > REST_S
            assert not late, f"still there: {waiting or again}"
            time.sleep(0.3)


def check_records(served: Served, clients: list[Client], broken: str) -> None:
    """Compare what the records hold with what was confirmed."""
    with httpx.Client(base_url=f"{served.url}/api", timeout=30, trust_env=False) as http:

        def get(path: str) -> Any:
            answer = http.get(path)
            assert answer.status_code == 200, f"{path}: {answer.text}"
            return answer.json()

        # A film that was broken: its work failed, in words; the film itself is there as it came.
        film = get(f"/films/{broken}")
        assert film["job"]["state"] == "failed"
        assert film["problem"]["what"]
        assert film["problem"]["next_step"]
        films = {}
        for client in clients:
            noted = client.noted
            assert noted.confirmed > 50, "too little was done for this to say anything"
            for kind, things in (("runners", noted.runners), ("sessions", noted.sessions)):
                for id, fields in things.items():
                    now = get(f"/{kind}/{id}")
                    assert now["notes"] in [fields["notes"], *noted.maybe.get((kind, id), [])]
                    assert all(now[name] == value for name, value in fields.items() if name != "notes")
            held: dict[str, bool] = {}
            overrules: dict[str, str] = {}
            for session in noted.sessions:
                overrules |= {o["id"]: o["why"] for o in get(f"/sessions/{session}/overrules")["items"]}
                for film in get(f"/sessions/{session}")["films"]:
                    films[film["id"]] = film
                    for correction in get(f"/films/{film['id']}/corrections")["items"]:
                        held[correction["id"]] = correction["withdrawn_at"] is None
            for id, holds in noted.corrections.items():
                assert held[id] in [holds, *noted.maybe.get(("correction", id), [])]
            assert noted.overrules.items() <= overrules.items()
            for id, sha256 in noted.films.items():
                assert films[id]["sha256"] == sha256
            # No more than was asked for, and what got no answer is there once or not at all.
            assert len(held) <= len(noted.corrections) + noted.lost.get("correction", 0)
            assert len(overrules) <= len(noted.overrules) + noted.lost.get("overrule", 0)
            for id in noted.assessments:
                now = get(f"/assessments/{id}")
                names = {f["name"] for f in get(f"/assessments/{id}/files")["items"]}
                assert now["state"] == "done", [j["problem"] for j in get("/jobs?state=failed")["items"]]
                assert {"report.html", "report.pdf", "assessment.json", "measures.csv"} <= names
                made = get(f"/assessments/{id}/files/assessment.json")
                assert len(made["measures"]) == len(now["measures"]) > 0
        used = [f for f in films.values() if f["used"] and f["view"] == "side"]
        assert used
        assert all(f["prepared"] for f in films.values())
        assert all(f["read"] for f in used)


def check_files(home: Home, served: Served, clients: list[Client]) -> None:
    """Look at the data folder: every film under its sum, copies whole, nothing half-made."""
    store = MediaStore(home)
    for client in clients:
        for sha256 in client.noted.films.values():
            assert hashlib.sha256(store.path(sha256).read_bytes()).hexdigest() == sha256
    assert not store.check()
    for name in ("proxies", "readings", "results"):
        assert not [p for p in (home.root / name).iterdir() if p.name.startswith(".")], f"half-made things in {name}"
    for folder in (home.root / "proxies").iterdir():
        with av.open(str(folder / "proxy.mp4")) as copy:
            about = json.loads((folder / "frames.json").read_text())
            assert sum(1 for _ in copy.decode(video=0)) == about["frames"] == len(about["pts_s"]) == 96
    for folder in (home.root / "results").iterdir():
        json.loads((folder / "assessment.json").read_text())
    assert not list(home.incoming.iterdir()), "uploads that broke off lie about"


def check_database(folder: Path) -> None:
    """Let SQLite look at its own file."""
    with contextlib.closing(sqlite3.connect(folder / "midstance.sqlite")) as database:
        assert database.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert database.execute("PRAGMA foreign_key_check").fetchall() == []
        open_jobs = "SELECT count(*) FROM job WHERE state NOT IN ('done', 'failed', 'cancelled')"
        assert database.execute(open_jobs).fetchone() == (0,)
