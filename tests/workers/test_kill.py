"""Children and whole servers are killed at random points while a queue is worked off: all is done, exactly once, whole."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from fractions import Fraction
from pathlib import Path

import pytest
from numbered_films import encode, numbered

from midstance.film.proxy import read_about
from midstance.film.reader import read_frames
from midstance.records import films, jobs, runners, sessions
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.records.tables import JobRow, SettingRow

HERE = Path(__file__).parent
KILLS, CHILD_KILLS = 50, 25
SEED = int(os.environ.get("MIDSTANCE_TEST_SEED", "20"))


class Server:
    """A process that holds a supervisor, started anew after each death."""

    def __init__(self, home: Home) -> None:
        self.home = home
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        command = [sys.executable, str(HERE / "serve_alone.py"), str(self.home.root), "2"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == b"started\n"

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()
        self.process = None

    def children(self) -> list[int]:
        assert self.process is not None
        path = Path(f"/proc/{self.process.pid}/task")
        found: list[int] = []
        for task in path.iterdir():
            with contextlib.suppress(OSError):
                found += [int(pid) for pid in (task / "children").read_text().split()]
        return found


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="finds children by /proc")
def test_fifty_kills_lose_nothing(home: Home, database: Database, tasks: str, tmp_path: Path) -> None:
    rng = random.Random(SEED)
    made = _fake_jobs(database, 40)
    films_of = _films(database, home, tmp_path)
    server, kills, by_kind = Server(home), 0, {"child": 0, "server": 0}
    until = time.monotonic() + 900  # a busy machine takes long; a quiet one two minutes
    server.start()
    try:
        while _open(database):
            assert time.monotonic() < until, f"{_open(database)} still open after {kills} kills"
            # Short pauses hit beginnings, long ones ends: the moments when results are shown and jobs are ended among them.
            time.sleep(rng.choice([0.05, 0.4, 1.2, 1.8, 2.4]) * rng.uniform(0.5, 1.5))
            if kills >= KILLS:
                continue
            if by_kind["child"] < CHILD_KILLS and (by_kind["server"] >= KILLS - CHILD_KILLS or rng.random() < 0.5):
                # A job that was hit twice would rightly be given up at the third time.
                with database.reading() as db:
                    spared = any(j.attempts >= 3 for j in jobs.jobs_of(db, states=["running"]))
                children = server.children()
                if not children or spared:
                    continue
                with contextlib.suppress(ProcessLookupError):
                    os.kill(rng.choice(children), signal.SIGKILL)
                by_kind["child"] += 1
            else:
                server.kill()
                server.start()
                by_kind["server"] += 1
            kills += 1
            if kills < KILLS and _open(database) < 6:  # keep the queue filled until all kills are done
                made += _fake_jobs(database, 6)
    finally:
        if server.process is not None:
            server.kill()
    assert by_kind == {"child": CHILD_KILLS, "server": KILLS - CHILD_KILLS}
    _check(home, database, made, films_of)


def _fake_jobs(database: Database, count: int) -> list[str]:
    with database.writing() as db:
        return [jobs.add_job(db, "make", payload={"seconds": 0.4}).id for _ in range(count)]


def _films(database: Database, home: Home, tmp_path: Path) -> list[tuple[str, str]]:
    """Bring in real films to be copied; returns (job, sum of the film)."""
    out = []
    with database.writing() as db:
        runner = runners.add_runner(db, {"name": "Anna May"}, by="Coach")
        session = sessions.add_session(db, runner.id, {}, by="Coach")
    for n in range(6):
        pictures = [numbered(i % 1000, 640, 360) for i in range(120)]
        path = encode(tmp_path / f"{n}.mp4", pictures, rate=Fraction(60 + n), coder={"preset": "ultrafast"})
        with path.open("rb") as file:
            film = films.bring_film(database, MediaStore(home), session.id, file, view="side", name=path.name, by="Coach")
        with database.writing() as db:
            out.append((jobs.add_job(db, "copy", film_id=film.id).id, film.sha256))
    return out


def _open(database: Database) -> int:
    with database.reading() as db:
        return len(jobs.jobs_of(db, states=jobs.OPEN, most=1000))


def _check(home: Home, database: Database, made: list[str], copies: list[tuple[str, str]]) -> None:
    with database.reading() as db:
        rows: dict[str, JobRow] = {j.id: j for j in jobs.jobs_of(db, most=1000)}
        assert {j.state for j in rows.values()} == {"done"}, [(j.kind, j.state, j.problem) for j in rows.values()]
        # Exactly once: the result was counted in the transaction that ended the job.
        assert [db.get(SettingRow, f"made.{job}").value for job in made] == [1] * len(made)  # type: ignore[union-attr]
    for job in made:
        names = sorted(p.name for p in home.result(job).iterdir())
        assert names == [f"{n}.txt" for n in range(6)]
        assert all((home.result(job) / name).stat().st_size == 2000 for name in names)
    for job, sha256 in copies:
        assert rows[job].result == {"frames": 120}
        about = read_about(home.proxy(sha256))
        assert about is not None
        assert sum(1 for _ in read_frames(home.proxy(sha256) / "proxy.mp4")) == about["frames"] == 120
    # Nothing half-made is left, and nothing that nobody knows of.
    assert not list(home.root.rglob(".making-*"))
    assert {p.name for p in (home.root / "results").iterdir()} == set(made)
    assert {p.name for p in (home.root / "proxies").iterdir()} == {sha256 for _, sha256 in copies}
    assert MediaStore(home).check() == []
    with sqlite3.connect(home.root / "midstance.sqlite") as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []

