"""Live progress: jobs as server-sent events.

Workers are other processes and write their progress into the database. One task asks it for what changed, only while
somebody listens, and passes it on; listeners hold no connection. A listener that is slow gets the latest state of each job,
not every state in between, so nothing piles up.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator, Callable
from typing import Any

from anyio.to_thread import run_sync
from sqlalchemy import select

from midstance.records.database import Database
from midstance.records.jobs import changed_since, newest_change
from midstance.records.tables import JobRow

#: How often the database is asked, s, and after how long without news a sign of life is sent.
ASK_S, ALIVE_S = 0.3, 15.0

JobDict = dict[str, Any]


def job_dict(job: JobRow) -> JobDict:
    """Return a job as the API gives it."""
    return {
        "id": job.id,
        "number": job.number,
        "kind": job.kind,
        "state": job.state,
        "session_id": job.session_id,
        "film_id": job.film_id,
        "assessment_id": job.assessment_id,
        "stage": job.stage,
        "share": job.share,
        "attempts": job.attempts,
        "cancel_wanted": job.cancel_wanted,
        "problem": job.problem,
        "result": job.result,
        "created_by": job.created_by,
        "created_at": iso(job.created_at),
        "started_at": iso(job.started_at),
        "ended_at": iso(job.ended_at),
        "change": job.change,
    }


def iso(moment: Any) -> str | None:
    """Return a moment as text: UTC, with a Z."""
    return None if moment is None else moment.isoformat().replace("+00:00", "Z")


def message(event: str, data: Any, number: int | None = None) -> bytes:
    """Return one server-sent event."""
    head = f"id: {number}\n" if number is not None else ""
    return f"{head}event: {event}\ndata: {json.dumps(data, separators=(',', ':'), allow_nan=False)}\n\n".encode()


class _Listener:
    def __init__(self, wanted: Callable[[JobDict], bool]) -> None:
        self.wanted = wanted
        self.waiting: dict[str, JobDict] = {}
        self.event = asyncio.Event()

    def tell(self, job: JobDict) -> None:
        if self.wanted(job):
            self.waiting.pop(job["id"], None)
            self.waiting[job["id"]] = job
            self.event.set()


class News:
    """Passes changes of jobs on to all who listen."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._listeners: set[_Listener] = set()
        self._task: asyncio.Task[None] | None = None
        self._wanted = asyncio.Event()
        self._closed = asyncio.Event()
        self._change = 0

    async def __aenter__(self) -> News:
        self._task = asyncio.create_task(self._run(), name="news")
        return self

    async def __aexit__(self, *_: object) -> None:
        self.close()
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task

    def close(self) -> None:
        """End all streams; to be called in the server's own thread."""
        self._closed.set()
        for listener in self._listeners:
            listener.event.set()

    async def listen(self, wanted: Callable[[JobDict], bool], since: int | None = None) -> AsyncIterator[bytes]:
        """Give the events of the jobs that are ``wanted``: first all changed after ``since`` (or all not ended), then news.

        The stream ends when the server stops.
        """
        listener = _Listener(wanted)
        self._listeners.add(listener)
        try:
            change, jobs = await run_sync(self._start, since)
            self._change = self._change or change
            self._wanted.set()
            yield b"retry: 2000\n\n" + message("hello", {"change": change}, change)
            for job in jobs:
                if wanted(job):
                    yield message("job", job, job["change"])
            while not self._closed.is_set():
                try:
                    await asyncio.wait_for(listener.event.wait(), ALIVE_S)
                except TimeoutError:
                    yield b": still here\n\n"
                    continue
                listener.event.clear()
                waiting, listener.waiting = listener.waiting, {}
                for job in waiting.values():
                    yield message("job", job, job["change"])
        finally:
            self._listeners.discard(listener)

    async def _run(self) -> None:
        while True:
            if not self._listeners:
                self._wanted.clear()
                self._change = 0
                await self._wanted.wait()
            with contextlib.suppress(Exception):  # a database that is gone for a while must not end the news for ever
                for job in await run_sync(self._changed, self._change):
                    self._change = max(self._change, job["change"])
                    for listener in tuple(self._listeners):
                        listener.tell(job)
            await asyncio.sleep(ASK_S)

    def _changed(self, change: int) -> list[JobDict]:
        with self._database.reading() as db:
            return [job_dict(job) for job in changed_since(db, change)]

    def _start(self, since: int | None) -> tuple[int, list[JobDict]]:
        with self._database.reading() as db:
            newest = newest_change(db)
            chosen = JobRow.state.in_(("waiting", "running")) if since is None else JobRow.change > since
            rows = db.scalars(select(JobRow).where(chosen).order_by(JobRow.change).limit(500))
            return newest, [job_dict(job) for job in rows]
