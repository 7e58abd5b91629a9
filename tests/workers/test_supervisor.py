"""Whatever a job does to its process, others go on, nothing is lost, nothing half-made is seen, and the reason is said."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from postgres_server import PostgresServer, binaries, required
from sqlalchemy import event, text

from midstance.errors import RecordsError
from midstance.records import jobs
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.schema import open_records
from midstance.records.tables import JobRow, SettingRow
from midstance.workers.limits import Limits
from midstance.workers.supervisor import Supervisor, take_up

HERE = Path(__file__).parent
Add, Ended, JobOf, Supervise = Callable[..., str], Callable[..., JobRow], Callable[[str], JobRow], Callable[..., Supervisor]


def _alive(pid: int) -> bool:
    with contextlib.suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    return False


def _gone(pid: int, within_s: float = 5.0) -> bool:
    until = time.monotonic() + within_s
    while _alive(pid) and time.monotonic() < until:
        time.sleep(0.02)
    return not _alive(pid)


def _pid(home: Home, name: str, within_s: float = 30.0) -> int:
    until = time.monotonic() + within_s
    path = home.incoming / name
    while not (path.exists() and path.read_text()):
        assert time.monotonic() < until, f"no {name}"
        time.sleep(0.02)
    return int(path.read_text())


def test_a_job_is_done_and_its_result_is_whole(home: Home, supervise: Supervise, add: Add, ended: Ended) -> None:
    job = add("make")
    supervise()
    done = ended(job)
    assert (done.state, done.result, done.share, done.attempts, done.problem) == ("done", {"files": 6}, 1.0, 1, None)
    assert sorted(p.name for p in home.result(job).iterdir()) == [f"{n}.txt" for n in range(6)]
    assert [p.name for p in (home.root / "results").iterdir()] == [job]


def test_a_call_begins_the_next_job_at_once(supervise: Supervise, add: Add, job_of: JobOf, ended: Ended) -> None:
    supervisor = supervise()
    time.sleep(0.3)
    at = time.monotonic()
    job = add("make", seconds=0)
    supervisor.wake()
    ended(job, states=("running", "done"))
    assert time.monotonic() - at < 0.5
    ended(job)


@pytest.mark.parametrize("how", ["segfault", "SIGKILL", "SIGABRT"])
def test_a_job_that_kills_its_process_is_given_up_in_plain_words_and_others_go_first(
    supervise: Supervise, add: Add, ended: Ended, home: Home, how: str
) -> None:
    bad, good = add("die", how=how), [add("make", seconds=0) for _ in range(2)]
    supervise()
    failed = ended(bad)
    assert (failed.state, failed.attempts) == ("failed", jobs.MOST_ATTEMPTS)
    assert (home.incoming / f"tries-{bad}").read_text() == "xxx"
    assert failed.problem is not None
    assert "broke off 3 times" in failed.problem["what"]
    assert {"segfault": "SIGSEGV"}.get(how, how) in failed.problem["what"]
    assert failed.problem["next_step"]
    others = [ended(job) for job in good]
    assert all(job.state == "done" and job.ended_at < failed.ended_at for job in others)


def test_a_job_whose_process_dies_once_is_done_in_the_end(supervise: Supervise, add: Add, ended: Ended) -> None:
    job = add("die", how="SIGKILL", times=2)
    supervise()
    done = ended(job)
    assert (done.state, done.attempts, done.result) == ("done", 3, {"tries": 3})


def test_a_process_that_dies_between_showing_and_keeping_its_result(
    home: Home, supervise: Supervise, add: Add, ended: Ended, database: Database
) -> None:
    job = add("halfway")
    supervise()
    done = ended(job)
    assert (done.state, done.attempts) == ("done", 2)
    with database.reading() as db:
        assert db.get_one(SettingRow, f"made.{job}").value == 1
    assert [p.name for p in (home.root / "results").iterdir()] == [job]
    assert len(list(home.result(job).iterdir())) == 6


def test_a_known_fault_ends_the_job_at_once_in_the_words_of_the_workbench(
    home: Home, supervise: Supervise, add: Add, ended: Ended
) -> None:
    job = add("complain")
    supervise()
    failed = ended(job)
    assert (failed.state, failed.attempts) == ("failed", 1)
    assert failed.problem == {
        "what": "the film morning run.mov breaks off",
        "where": "morning run.mov",
        "allowed": "what lies in the data folder, or the start and end of the part to measure",
        "next_step": "pass the true rate, as in the capture rate of the film 240",
    }
    assert str(home.root) not in str(failed.problem)


def test_a_fault_of_the_program_is_called_one(
    supervise: Supervise, add: Add, ended: Ended, caplog: pytest.LogCaptureFixture
) -> None:
    job, unknown = add("stumble"), add("nonsense")
    supervise()
    failed = ended(job)
    assert (failed.state, failed.attempts) == ("failed", 1)
    assert failed.problem is not None
    assert "a fault of the program" in failed.problem["what"]
    assert "KeyError" in failed.problem["what"]
    assert "doesn't know" in str((ended(unknown).problem or {})["what"])
    until = time.monotonic() + 5
    while "no such thing" not in caplog.text and time.monotonic() < until:  # the traceback is for the log
        time.sleep(0.05)
    assert "no such thing" in caplog.text


@pytest.mark.skipif(sys.platform != "linux", reason="other systems don't limit memory")
def test_memory_is_limited(supervise: Supervise, add: Add, ended: Ended) -> None:
    job, after = add("eat"), add("make", seconds=0)
    supervise(limits=Limits(memory_bytes=1_500_000_000))
    failed = ended(job)
    assert (failed.state, failed.attempts) == ("failed", 1)
    assert "more memory than work on one film may use (1.4 GiB)" in (failed.problem or {})["what"]
    assert ended(after).state == "done"


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit")
def test_the_size_of_files_is_limited(home: Home, supervise: Supervise, add: Add, ended: Ended) -> None:
    job = add("spill")
    supervise(limits=Limits(spare_file_bytes=20_000_000))
    failed = ended(job)
    assert failed.state == "failed"
    assert "OSError" in (failed.problem or {})["what"]
    assert list((home.root / "results").iterdir()) == []


def test_a_job_is_stopped_within_a_second(
    home: Home, supervise: Supervise, add: Add, ended: Ended, database: Database
) -> None:
    job, after = add("hang", child=True), add("make", seconds=0)
    supervisor = supervise()
    pid, grandchild = _pid(home, f"pid-{job}"), _pid(home, f"child-{job}")
    with database.writing() as db:
        jobs.cancel(db, job)
    at = time.monotonic()
    supervisor.wake()
    stopped = ended(job)
    took = time.monotonic() - at
    assert stopped.state == "cancelled"
    assert took < 1.0
    assert _gone(pid)
    assert _gone(grandchild)
    assert ended(after).state == "done"


def test_a_job_is_stopped_within_a_second_without_a_call(
    home: Home, supervise: Supervise, add: Add, ended: Ended, database: Database
) -> None:
    job = add("hang")
    supervise()
    _pid(home, f"pid-{job}")
    with database.writing() as db:
        jobs.cancel(db, job)
    at = time.monotonic()
    assert ended(job).state == "cancelled"
    assert time.monotonic() - at < 1.0


@pytest.mark.parametrize("tell", [False, True])
def test_work_without_progress_is_stopped(supervise: Supervise, add: Add, ended: Ended, tell: bool) -> None:
    job, after = add("hang", tell=tell), add("make", seconds=0)
    supervise(limits=Limits(stall_s=12.0))
    failed = ended(job)
    assert (failed.state, failed.attempts) == ("failed", 1)
    assert "no progress for 12 s" in (failed.problem or {})["what"]
    assert ended(after).state == "done"


def test_work_that_takes_too_long_for_its_film_is_stopped(supervise: Supervise, add: Add, ended: Ended) -> None:
    job = add("make", seconds=60)
    supervise(limits=Limits(base_s=3.0, per_frame_s=0.0))
    failed = ended(job)
    assert "took longer than 3 s" in (failed.problem or {})["what"]


def test_the_time_for_a_job_follows_the_film() -> None:
    limits = Limits(base_s=600, per_frame_s=1.0, most_s=40_000)
    assert limits.job_s(0, 0, 0) == 600
    assert limits.job_s(2400, 1920, 1080) == 3000
    assert limits.job_s(2400, 3840, 2160) == pytest.approx(600 + 4 * 2400)
    assert limits.job_s(2400, 640, 360) == 3000
    assert limits.job_s(10**9, 1920, 1080) == 40_000


def test_progress_is_written_at_most_four_times_a_second(
    supervise: Supervise, add: Add, ended: Ended, database: Database
) -> None:
    job = add("chatter")
    with database.reading() as db:
        before = jobs.newest_change(db)
    supervise()
    done = ended(job)
    writes = done.change - before - 2  # beginning and end count too
    assert 5 <= writes <= 9


def test_what_a_stopped_server_had_under_way_is_done_by_the_next(
    home: Home, supervise: Supervise, add: Add, ended: Ended, job_of: JobOf
) -> None:
    job = add("make", seconds=3)
    first = supervise()
    ended(job, states=("running",))
    time.sleep(2.0)
    first.stop()
    waiting = job_of(job)
    assert (waiting.state, waiting.attempts, waiting.worker) == ("waiting", 0, None)
    assert list((home.root / "results").iterdir()) == []
    supervise()
    assert ended(job).state == "done"


def test_children_die_with_a_server_that_is_killed(
    home: Home, database: Database, tasks: str, add: Add, ended: Ended, job_of: JobOf
) -> None:
    job = add("hang", child=False)
    server = subprocess.Popen([sys.executable, str(HERE / "serve_alone.py"), str(home.root), "1"], stdout=subprocess.PIPE)
    try:
        pid = _pid(home, f"pid-{job}")
    finally:
        server.send_signal(signal.SIGKILL)
        server.wait()
        assert server.stdout is not None
        server.stdout.close()
    assert _gone(pid, 2.0)
    assert job_of(job).state == "running"
    assert take_up(home, database) == 1
    again = job_of(job)
    assert (again.state, again.attempts, again.payload["restarts"]) == ("waiting", 0, 1)


def test_a_child_notices_by_its_pipe_that_the_server_is_gone(home: Home, database: Database, tasks: str, add: Add) -> None:
    # What holds where the kernel doesn't see to it: only the other end of the pipe goes.
    from midstance.workers import supervisor

    job = add("hang")
    with database.writing() as db:
        assert jobs.claim(db, "worker0") is not None
    order = {
        "home": str(home.root), "database_url": home.database_url, "job_id": job, "worker": "worker0", "tasks": tasks,
        "parent_pid": os.getpid(), "memory_bytes": 4 << 30, "file_bytes": 1 << 30, "cpu_s": 100,
    }  # fmt: skip
    with (home.root / "errors").open("w+b") as errors:
        process = supervisor._start(order, errors)
        _pid(home, f"pid-{job}")
        assert process.stdin is not None
        process.stdin.close()
        process.wait(5.0)
    assert process.returncode != 0


def test_two_servers_on_one_folder(home: Home, supervise: Supervise, database: Database, tasks: str) -> None:
    first = supervise()
    second = Supervisor(home, tasks=tasks)
    with pytest.raises(RecordsError, match="another server works on this data folder"):
        second.start()
    command = [sys.executable, str(HERE / "serve_alone.py"), str(home.root), "1"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as other:
        assert other.wait(30) != 0
        assert other.stderr is not None
        assert b"another server works on this data folder" in other.stderr.read()
    first.stop()
    second.start()
    second.stop()


def test_a_database_that_is_away_for_a_while_ends_nothing(
    supervise: Supervise, add: Add, ended: Ended, database: Database, caplog: pytest.LogCaptureFixture
) -> None:
    supervisor = supervise()
    fault = {"on": True}

    def fail(connection: object) -> None:
        if fault["on"]:
            raise RecordsError("the database can't be used (gone)", where="here")

    event.listen(supervisor._db().engine, "begin", fail)
    job = add("make", seconds=0)
    supervisor.wake()
    time.sleep(2.5)
    assert "the queue can't be looked at" in caplog.text
    fault["on"] = False
    assert ended(job).state == "done"


def test_a_job_that_is_removed_while_it_runs_leaves_nothing(
    home: Home, supervise: Supervise, add: Add, ended: Ended, database: Database
) -> None:
    job, after = add("make", seconds=30), add("make", seconds=0)
    supervise()
    ended(job, states=("running",))
    time.sleep(2.0)
    with database.writing() as db:
        db.execute(text("DELETE FROM job WHERE id = :id"), {"id": job})
    assert ended(after).state == "done"
    assert not home.result(job).exists()
    assert [p.name for p in (home.root / "results").iterdir()] == [after]


def test_two_workers_work_side_by_side(supervise: Supervise, add: Add, ended: Ended, database: Database) -> None:
    several = [add("make", seconds=1.0) for _ in range(4)]
    supervise(workers=2)
    rows = [ended(job) for job in several]
    assert all(job.state == "done" for job in rows)
    spans = sorted((job.started_at, job.ended_at) for job in rows)
    assert spans[1][0] < spans[0][1]
    with database.reading() as db:
        assert [db.get(SettingRow, f"made.{job}").value for job in several] == [1, 1, 1, 1]


@pytest.mark.skipif(binaries() is None and not required(), reason="no PostgreSQL server is installed")
def test_with_a_database_server(tmp_path: Path, tasks: str) -> None:
    server = PostgresServer()
    try:
        home = Home(tmp_path / "home")
        url = server.url(server.new_database())
        database = open_records(home, url)
        with database.writing() as db:
            ids = [jobs.add_job(db, kind, payload=payload).id for kind, payload in _KINDS]
        assert _job(database, ids[0]).state == "waiting"
        supervisor = Supervisor(home, url, workers=2, tasks=tasks)
        supervisor.start()
        until = time.monotonic() + 90
        while any(_job(database, job).state in jobs.OPEN for job in ids):
            assert time.monotonic() < until
            time.sleep(0.1)
        supervisor.stop()
        assert [_job(database, job).state for job in ids] == ["done", "failed", "failed", "done", "done"]
        with database.reading() as db:
            assert [db.get_one(SettingRow, f"made.{ids[n]}").value for n in (0, 3, 4)] == [1, 1, 1]
        database.close()
    finally:
        server.stop()


_KINDS: tuple[tuple[str, dict[str, Any]], ...] = (
    ("make", {}), ("die", {"how": "SIGKILL"}), ("complain", {}), ("halfway", {}), ("make", {"seconds": 1}),
)  # fmt: skip


def _job(database: Database, job_id: str) -> JobRow:
    with database.reading() as db:
        return jobs.get_job(db, job_id)
