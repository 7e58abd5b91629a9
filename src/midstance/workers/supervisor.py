"""Hands jobs to child processes and looks after them. Runs in a thread of the server.

Nothing is lost whoever dies: a job is held in the database under a name made for this one try, and ends in one transaction
with what it made. A child that dies gives its job back; a server that dies takes its children with it, and at the next
start what they had is given back.
"""

from __future__ import annotations

import contextlib
import json
import logging
import os
import secrets
import subprocess
import sys
import tempfile
import threading
import time
from typing import IO, Any

import attrs
from sqlalchemy import delete, select

from midstance.errors import ConflictError, MidstanceError
from midstance.records import jobs
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.tables import FilmRow, JobRow, MediaRow, now
from midstance.workers.limits import Limits, kill_group
from midstance.workers.lock import HomeLock
from midstance.workers.problems import Problem, died, too_long
from midstance.workers.work import clear_hidden, clear_incoming

log = logging.getLogger("midstance.workers")
#: How often children are looked after, s; how often the queue is looked at when nobody calls (other programs add jobs too).
TEND_S, ASK_S = 0.1, 1.0
#: How often it is asked whether a job is to be stopped, s.
ASK_STOP_S = 0.25
#: After this long a judged trial and what it showed are forgotten, s.
FORGET_TRIALS_S = 24 * 3600.0
_TAIL_BYTES = 4000
TASKS = "midstance.workers.tasks"


@attrs.define(eq=False)
class Child:
    """A process at work on a job."""

    job_id: str
    worker: str
    kind: str
    name: str
    attempts: int
    process: subprocess.Popen[bytes]
    errors: IO[bytes]
    limit_s: float
    started_at: float = attrs.field(factory=time.monotonic)
    moved_at: float = attrs.field(factory=time.monotonic)
    told: tuple[str, float] = ("", 0.0)
    asked_at: float = 0.0
    #: Why it was killed, if it was: "cancelled", "gone" (its job isn't its own any more), "stopping", or the job's problem.
    killed: str | Problem | None = None

    def kill(self, why: str | Problem) -> None:
        """End it and all it started."""
        if self.killed is None:
            self.killed = why
        kill_group(self.process.pid)

    def let_go(self) -> None:
        """Close what connects us with it."""
        if self.process.stdin is not None:
            with contextlib.suppress(OSError):
                self.process.stdin.close()
        self.errors.close()


class Supervisor:
    """Works off the jobs of a data folder.

    Parameters
    ----------
    home : the data folder.
    database_url : None for the database in the folder. The tables must be there.
    workers : how many jobs run at a time.
    limits : what a job may use.
    tasks : the module with the kinds of jobs.
    """

    def __init__(
        self,
        home: Home,
        database_url: str | None = None,
        *,
        workers: int = 1,
        limits: Limits | None = None,
        tasks: str = TASKS,
    ) -> None:
        if workers < 1:
            raise ValueError(f"at least one worker, got {workers}")
        self.home, self.workers = home, workers
        self.limits = limits or Limits()
        self._url, self._tasks = database_url or home.database_url, tasks
        self._lock = HomeLock(home)
        self._database: Database | None = None
        self._children: list[Child] = []
        self._called, self._stopping = threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Take up what an earlier server left, and begin.

        Raises
        ------
        RecordsError
            Another server works on this data folder, or folder or database can't be used.
        """
        if self._thread is not None:
            return
        self._lock.take()
        try:
            self._database = Database(self._url)
            take_up(self.home, self._database)
        except BaseException:
            self._release()
            raise
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End all children, give their jobs back, and let go of the data folder."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        self._stopping.set()
        self._called.set()
        thread.join()
        self._release()

    def wake(self) -> None:
        """Say that there may be something to do: a new job, or one to stop."""
        self._called.set()

    @property
    def at_work(self) -> int:
        """How many jobs run now."""
        return len(self._children)

    def pids(self) -> list[int]:
        """Return the process ids of the children."""
        return [child.process.pid for child in list(self._children)]

    def _release(self) -> None:
        if self._database is not None:
            self._database.close()
            self._database = None
        self._lock.release()

    # --- the thread -----------------------------------------------------------------------

    def _run(self) -> None:
        asked_at = -ASK_S
        while not self._stopping.is_set():
            try:
                called = self._called.is_set()
                self._called.clear()
                free_before = self._free()
                self._tend(ask=called)
                if called or self._free() > free_before or time.monotonic() - asked_at >= ASK_S:
                    asked_at = time.monotonic()
                    while self._free() > 0 and not self._stopping.is_set() and self._begin():
                        pass
            except MidstanceError as error:  # a database that is away for a while
                log.warning("the queue can't be looked at: %s", error.message())
                self._stopping.wait(1.0)
            except Exception:
                log.exception("a fault in the supervisor")
                self._stopping.wait(1.0)
            self._called.wait(TEND_S if self._children else ASK_S)
        self._end()

    def _free(self) -> int:
        return self.workers - len(self._children)

    def _db(self) -> Database:
        assert self._database is not None, "started"
        return self._database

    def _begin(self) -> bool:
        """Start a child for the next job; False when there is none."""
        worker = secrets.token_hex(8)
        with self._db().reading() as db:  # looking costs no write
            if db.scalar(select(JobRow.id).where(JobRow.state == "waiting").limit(1)) is None:
                return False
        with self._db().writing() as db:
            job = jobs.claim(db, worker)
            if job is None:
                return False
            about = _about(db, job, self.limits)
        order = {
            "home": str(self.home.root.resolve()),
            "database_url": self._url,
            "job_id": job.id,
            "worker": worker,
            "tasks": self._tasks,
            "parent_pid": os.getpid(),
            "memory_bytes": self.limits.memory_bytes,
            "file_bytes": self.limits.file_bytes(about.film_bytes, _size(self.home)),
            "cpu_s": self.limits.cpu_s(),
        }
        errors = tempfile.TemporaryFile()  # noqa: SIM115 (closed when the child is let go)
        try:
            process = _start(order, errors)
        except OSError as error:
            errors.close()
            log.error("no process can be started: %s", error)
            self._give_back(job.id, worker, died(about.name, job.attempts, None), tried=False)
            self._stopping.wait(5.0)
            return False
        child = Child(job.id, worker, job.kind, about.name, job.attempts, process, errors, about.limit_s)
        self._children.append(child)
        return True

    def _tend(self, *, ask: bool) -> None:
        for child in list(self._children):
            if child.process.poll() is None:
                if child.killed is None and (ask or time.monotonic() - child.asked_at >= ASK_STOP_S):
                    child.asked_at = time.monotonic()
                    self._watch(child)
                if child.killed is None:
                    continue
                with contextlib.suppress(subprocess.TimeoutExpired):
                    child.process.wait(2.0)
            if child.process.poll() is not None:
                self._settle(child)

    def _watch(self, child: Child) -> None:
        """Kill a child whose job is to be stopped, was taken away, or takes too long."""
        with self._db().reading() as db:
            job = db.get(JobRow, child.job_id)
            if job is None or job.worker != child.worker:
                # It may have ended its job just now and be on its way out.
                if time.monotonic() - child.moved_at > 5.0 or job is None:
                    child.kill("gone")
                return
            if job.cancel_wanted:
                child.kill("cancelled")
                return
            child.limit_s = _about(db, job, self.limits).limit_s
            told = (job.stage, job.share)
        at = time.monotonic()
        if told != child.told:
            child.told, child.moved_at = told, at
        if at - child.started_at > child.limit_s:
            child.kill(too_long(child.name, child.limit_s, stalled=False))
        elif at - child.moved_at > self.limits.stall_s:
            child.kill(too_long(child.name, self.limits.stall_s, stalled=True))

    def _settle(self, child: Child) -> None:
        """Write down how a child ended, unless it did so itself. Stays on the list when that can't be written yet."""
        clear_hidden(self.home, child.worker)
        code = child.process.returncode
        problem = died(child.name, child.attempts, code)
        with self._db().writing() as db:
            try:
                job = jobs.hold(db, child.job_id, child.worker)
                if child.killed == "cancelled":
                    jobs.end_cancelled(db, job.id, worker=child.worker)
                elif isinstance(child.killed, dict):
                    jobs.fail(db, job.id, child.killed, worker=child.worker)
                else:
                    tried = child.killed != "stopping"
                    job = jobs.give_back(db, job.id, worker=child.worker, problem=problem, tried=tried)
                    if tried:
                        log.warning("%s of %s: its process ended with %s; %s", child.kind, child.name, code, job.state)
            except ConflictError:  # it ended its job itself, or somebody else has it
                pass
        tail = _tail(child.errors)
        if tail:
            log.warning("from the work on job %s (%s): %s", child.job_id, child.kind, tail)
        child.let_go()
        self._children.remove(child)

    def _give_back(self, job_id: str, worker: str, problem: Problem, *, tried: bool) -> None:
        with contextlib.suppress(ConflictError), self._db().writing() as db:
            jobs.give_back(db, job_id, worker=worker, problem=problem, tried=tried)

    def _end(self) -> None:
        for child in self._children:
            child.kill("stopping")
        for child in list(self._children):
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.process.wait(10.0)
            try:
                self._settle(child)
            except MidstanceError as error:  # the next start gives it back
                log.warning("a job can't be given back now: %s", error.message())
                child.let_go()
        self._children.clear()


def take_up(home: Home, database: Database) -> int:
    """Give back what a server that was killed had under way, and remove what it left half-made; how many jobs.

    Only for whoever has the lock of the data folder, with no child at work.
    """
    clear_hidden(home)
    with database.writing() as db:
        lost = jobs.recover(db)
        before = now().timestamp() - FORGET_TRIALS_S
        for job in db.scalars(select(JobRow).where(JobRow.kind == "check", JobRow.state.not_in(jobs.OPEN))):
            if job.created_at.timestamp() < before:
                db.execute(delete(JobRow).where(JobRow.id == job.id))
        asked = select(JobRow.payload).where(JobRow.kind == "check", JobRow.state.in_(jobs.OPEN))
        wanted = {payload.get("file") for payload in db.scalars(asked)}
    clear_incoming(home, wanted)
    return len(lost)


@attrs.frozen
class _About:
    name: str
    film_bytes: int
    limit_s: float


def _about(db: Any, job: JobRow, limits: Limits) -> _About:
    """Return what people call the thing a job is about, the size of its films, and how long it may take."""
    asked = select(FilmRow, MediaRow.bytes).join(MediaRow, MediaRow.sha256 == FilmRow.sha256)
    if job.film_id is not None:
        asked = asked.where(FilmRow.id == job.film_id)
    elif job.assessment_id is not None:
        asked = asked.where(FilmRow.session_id == job.session_id, FilmRow.used)
    else:
        name = {"check": "the picture or film that was dropped", "validate": "the check of accuracy"}.get(job.kind, job.kind)
        return _About(name, 0, limits.job_s(3600, 1920, 1080))
    rows = db.execute(asked).all()
    name = "the report"
    if job.film_id is not None and rows:
        film = rows[0][0]
        name = film.name or f"the {film.view.replace('_', ' ')} film"
    limit_s = 0.0
    for film, _ in rows:
        info = film.info or {}
        size = [int(info.get(key) or 0) for key in ("frames", "width", "height")]
        limit_s = min(limits.most_s, limit_s + limits.job_s(*size))
    return _About(name, sum(size for _, size in rows), limit_s or limits.base_s)


def _size(home: Home) -> int:
    """Return the size of the database's files in the data folder."""
    total = 0
    for path in home.root.glob("*.sqlite*"):
        with contextlib.suppress(OSError):
            total += path.stat().st_size
    return total


def _start(order: dict[str, Any], errors: IO[bytes]) -> subprocess.Popen[bytes]:
    """Start a child, leader of a process group of its own, and tell it what to do."""
    # -P: what lies in the folder the server was started in is not taken for a part of the program.
    command = [sys.executable, "-P", "-m", "midstance.workers.child"]
    flags: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        flags = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=errors, close_fds=True, **flags
    )
    assert process.stdin is not None
    try:
        process.stdin.write(json.dumps(order).encode() + b"\n")
        process.stdin.flush()
    except OSError:  # it is dead already, which will be seen
        pass
    return process


def _tail(file: IO[bytes]) -> str:
    """Return the end of what a child wrote to its standard error."""
    try:
        end = file.seek(0, os.SEEK_END)
        file.seek(max(0, end - _TAIL_BYTES))
        return file.read().decode("utf-8", "replace").strip()
    except (OSError, ValueError):
        return ""
