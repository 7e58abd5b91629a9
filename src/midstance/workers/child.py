"""One job in a process of its own: ``python -m midstance.workers.child``, started by the supervisor only.

What to do comes as one line of JSON on the standard input, so that no password of a database shows in the list of processes.
That pipe stays open as long as the supervisor lives. Films are decoded nowhere else; whatever one does to this process,
its job is given back or fails, and nothing half-made is seen.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import logging
import signal
import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from midstance.errors import MidstanceError, RecordsError
from midstance.workers import limits
from midstance.workers.problems import Problem

log = logging.getLogger("midstance.workers")
#: Keeping what was made is tried again for so long when the database is busy, s.
KEEP_TRYING_S = 120.0
#: Exit codes: done (or ended in a way that is written down), taken by somebody else, couldn't be written down.
OK, TAKEN, NOT_KEPT = 0, 3, 4


def main() -> int:
    """Do the job that the standard input names."""
    for name in ("SIGINT", "SIGHUP"):  # Ctrl-C is for the server, which then ends its children
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    order: dict[str, Any] = json.loads(sys.stdin.buffer.readline())
    limits.be_the_first_to_go()
    limits.limit_process(order["memory_bytes"], order["file_bytes"], order["cpu_s"])
    limits.end_with_parent(order["parent_pid"], sys.stdin.buffer)
    return run(order)


def run(order: Mapping[str, Any]) -> int:
    """Do a job and write down how it ended; returns the exit code."""
    from midstance.records import jobs
    from midstance.records.database import Database
    from midstance.records.home import Home
    from midstance.workers.problems import problem_of, too_much_memory, unexpected
    from midstance.workers.work import TakenError, Work

    home, database = Home(Path(order["home"])), Database(order["database_url"])
    try:
        with database.reading() as db:
            job = jobs.hold(db, order["job_id"], order["worker"])
    except MidstanceError:
        return TAKEN
    work = Work(
        home=home,
        database=database,
        job_id=job.id,
        worker=order["worker"],
        kind=job.kind,
        payload=job.payload,
        session_id=job.session_id,
        film_id=job.film_id,
        assessment_id=job.assessment_id,
        by=job.created_by,
    )
    try:
        return _do(work, order["tasks"])
    except TakenError:
        return TAKEN
    except MidstanceError as error:
        return _fail(work, problem_of(error, home, work.names))
    except MemoryError:
        return _fail(work, problem_of(too_much_memory(work.name, order["memory_bytes"]), home, work.names))
    except Exception as error:
        if _is_memory(error):
            return _fail(work, problem_of(too_much_memory(work.name, order["memory_bytes"]), home, work.names))
        log.exception("job %s (%s) was stopped by a fault of the program", work.job_id, work.kind)
        return _fail(work, unexpected(work.name, error))
    finally:
        database.close()


def _do(work: Any, tasks: str) -> int:
    from midstance.workers.problems import problem_of

    task = importlib.import_module(tasks).TASKS.get(work.kind)
    if task is None:
        raise MidstanceError(
            f"this version doesn't know work of the kind “{work.kind}”",
            where=f"job {work.job_id}",
            next_step="start the version that it was asked of",
        )
    with task(work) as done:
        from midstance.records import jobs

        def keep() -> None:
            with work.own() as db:
                result = done.publish(db)
                if done.problem is not None:
                    problem = problem_of(done.problem, work.home, work.names)
                    jobs.fail(db, work.job_id, problem, worker=work.worker)
                else:
                    jobs.finish(db, work.job_id, result, worker=work.worker)

        return _kept(keep)


def _fail(work: Any, problem: Problem) -> int:
    from midstance.records import jobs
    from midstance.workers.work import TakenError

    def keep() -> None:
        with work.own() as db:
            jobs.fail(db, work.job_id, problem, worker=work.worker)

    try:
        return _kept(keep)
    except TakenError:
        return TAKEN


def _kept(keep: Callable[[], None]) -> int:
    """Write down how the job ended, waiting for a database that is busy or away for a while."""
    until, pause = time.monotonic() + KEEP_TRYING_S, 0.1
    while True:
        try:
            keep()
            return OK
        except RecordsError as error:
            if time.monotonic() > until:
                log.error("what a job made can't be kept: %s", error.message())
                return NOT_KEPT
            time.sleep(pause)
            pause = min(5.0, 2 * pause)


def _is_memory(error: BaseException) -> bool:
    """Tell whether a library ran out of memory: most have an error of their own for it."""
    seen: BaseException | None = error
    while seen is not None:
        text = f"{type(seen).__name__} {seen}".lower()
        if any(word in text for word in ("bad_alloc", "cannot allocate memory", "out of memory", "insufficient memory")):
            return True
        seen = seen.__cause__ or seen.__context__
    return False


if __name__ == "__main__":
    logging.basicConfig(level=logging.WARNING, format="%(levelname)s %(message)s")
    code = NOT_KEPT
    with contextlib.suppress(KeyboardInterrupt):
        code = main()
    # Without waiting for threads of libraries, one of which may hang on a film.
    sys.stderr.flush()
    import os

    os._exit(code)
