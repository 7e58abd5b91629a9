"""Kinds of jobs for tests only: quick, and misbehaving in every way a film can make a process misbehave."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from sqlalchemy.orm import Session

from midstance.errors import FilmError
from midstance.records.tables import JobRow, SettingRow
from midstance.workers import tasks
from midstance.workers.work import Done, Work, show_folder

#: Files of a result: the last is written last, so a folder without it was shown half-made.
FILES = 6


@contextlib.contextmanager
def make(work: Work) -> Iterator[Done]:
    """Write a result slowly, and count in the database how often it was shown."""
    seconds = float(work.payload.get("seconds", 0.2))
    place = work.home.result(work.job_id)
    with work.stage(place.parent) as hidden:
        folder = hidden / "result"
        folder.mkdir()
        for number in range(FILES):
            (folder / f"{number}.txt").write_text(f"{number}\n" * 1000)
            work.tell(f"file {number}", (number + 1) / FILES)
            time.sleep(seconds / FILES)

        def publish(db: Session) -> Mapping[str, Any]:
            show_folder(folder, place)
            key = f"made.{work.job_id}"
            row = db.get(SettingRow, key)
            if row is None:
                db.add(SettingRow(key=key, value=1))
            else:
                row.value += 1
            return {"files": FILES}

        yield Done(publish)


@contextlib.contextmanager
def die(work: Work) -> Iterator[Done]:
    """Die by a signal, the first ``times`` tries; note each try in a file."""
    tries = work.home.incoming / f"tries-{work.job_id}"
    with tries.open("a") as file:
        file.write("x")
    if len(tries.read_text()) <= int(work.payload.get("times", 99)):
        if work.payload["how"] == "segfault":
            import ctypes

            ctypes.string_at(0)
        os.kill(os.getpid(), getattr(signal, work.payload["how"]))
    yield Done(lambda db: {"tries": len(tries.read_text())})


@contextlib.contextmanager
def halfway(work: Work) -> Iterator[Done]:
    """Die when the result is shown already and the transaction that ends the job is not yet kept; only the first time."""
    with make(work) as done:

        def publish(db: Session) -> Mapping[str, Any] | None:
            result = done.publish(db)
            db.flush()
            if db.get_one(JobRow, work.job_id).attempts == 1:
                os.kill(os.getpid(), signal.SIGKILL)
            return result

        yield Done(publish)


@contextlib.contextmanager
def hang(work: Work) -> Iterator[Done]:
    """Never end; with ``busy`` in a way that hears nothing, with ``tell`` saying the same again and again."""
    (work.home.incoming / f"pid-{work.job_id}").write_text(str(os.getpid()))
    if work.payload.get("child"):
        other = subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])
        (work.home.incoming / f"child-{work.job_id}").write_text(str(other.pid))
    while True:
        if work.payload.get("tell"):
            work.tell("hanging", 0.5)
        time.sleep(0.05)
    yield Done(lambda db: None)


@contextlib.contextmanager
def eat(work: Work) -> Iterator[Done]:
    """Take memory until there is none."""
    taken = []
    for _ in range(200):
        taken.append(np.ones(50_000_000 // 8))
    yield Done(lambda db: {"bytes": sum(t.nbytes for t in taken)})


@contextlib.contextmanager
def spill(work: Work) -> Iterator[Done]:
    """Write a file without end."""
    with work.stage(work.home.root / "results") as hidden, (hidden / "endless").open("wb") as file:
        for _ in range(200):
            file.write(bytes(1_000_000))
        yield Done(lambda db: None)


@contextlib.contextmanager
def complain(work: Work) -> Iterator[Done]:
    """Fail with an error that names files of the data folder and options of the command line."""
    path = Path(work.home.root / "media" / "ab" / ("ab" + 62 * "0"))
    work.names[str(path)] = "morning run.mov"
    raise FilmError(
        f"the film {path} breaks off",
        where=str(path),
        allowed=f"what lies in {work.home.root}/media/x/y, or --start and --end",
        next_step="pass the true rate, as in --capture-fps 240",
    )
    yield Done(lambda db: None)


@contextlib.contextmanager
def stumble(work: Work) -> Iterator[Done]:
    """Fail by a fault of the program."""
    raise KeyError("no such thing")
    yield Done(lambda db: None)


@contextlib.contextmanager
def chatter(work: Work) -> Iterator[Done]:
    """Say how far it is a thousand times a second, for a while."""
    until = time.monotonic() + 2.0
    while time.monotonic() < until:
        work.tell(f"stage {time.monotonic():.3f}", 1 - (until - time.monotonic()) / 2)
        time.sleep(0.001)
    yield Done(lambda db: None)


@contextlib.contextmanager
def copy(work: Work) -> Iterator[Done]:
    """Make the playable copy of a real film, without the reading that follows it."""
    with tasks.prepare(work) as done:

        def publish(db: Session) -> Mapping[str, Any] | None:
            with mock.patch.object(tasks, "queue_read"):
                return done.publish(db)

        yield Done(publish)


TASKS = {
    "copy": copy,
    "make": make, "die": die, "hang": hang, "eat": eat, "spill": spill, "complain": complain, "stumble": stumble,
    "chatter": chatter, "halfway": halfway,
}  # fmt: skip
