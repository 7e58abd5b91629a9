from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from midstance.records import jobs
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.schema import open_records
from midstance.records.tables import JobRow
from midstance.workers.supervisor import Supervisor


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """An empty data folder."""
    return Home(tmp_path / "home").create()


@pytest.fixture
def database(home: Home) -> Iterator[Database]:
    """Its database."""
    database = open_records(home)
    yield database
    database.close()


@pytest.fixture
def tasks(monkeypatch: pytest.MonkeyPatch) -> str:
    """The kinds of jobs that are for tests only; children find them."""
    monkeypatch.setenv("PYTHONPATH", str(Path(__file__).parent))
    return "fake_tasks"


@pytest.fixture
def supervise(home: Home, database: Database, tasks: str) -> Iterator[Callable[..., Supervisor]]:
    """Start a supervisor: ``supervise(workers=1, limits=…)``; it is stopped at the end."""
    started: list[Supervisor] = []

    def start(**kwargs: Any) -> Supervisor:
        supervisor = Supervisor(home, **{"tasks": tasks, **kwargs})
        supervisor.start()
        started.append(supervisor)
        return supervisor

    yield start
    for supervisor in started:
        supervisor.stop()


@pytest.fixture
def add(database: Database) -> Callable[..., str]:
    """Add a job: ``add(kind, **payload)``; returns its id."""

    def make(kind: str, **payload: Any) -> str:
        with database.writing() as db:
            return jobs.add_job(db, kind, payload=payload).id

    return make


@pytest.fixture
def job_of(database: Database) -> Callable[[str], JobRow]:
    """Return a job as it is now."""

    def get(job_id: str) -> JobRow:
        with database.reading() as db:
            return jobs.get_job(db, job_id)

    return get


@pytest.fixture
def ended(job_of: Callable[[str], JobRow]) -> Callable[..., JobRow]:
    """Wait until a job has ended, and return it."""

    def wait(job_id: str, within_s: float = 60.0, states: tuple[str, ...] = ("done", "failed", "cancelled")) -> JobRow:
        until = time.monotonic() + within_s
        while (job := job_of(job_id)).state not in states:
            assert time.monotonic() < until, f"still {job.state} ({job.stage}) after {within_s} s"
            time.sleep(0.05)
        return job

    return wait
