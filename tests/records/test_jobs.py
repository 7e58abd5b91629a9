"""The queue on both databases: order, one worker for each job, jobs whose worker dies, counting of changes."""

from __future__ import annotations

import threading
from collections.abc import Callable

import pytest
from filled_records import Records
from sqlalchemy import text

from midstance.errors import ConflictError, NotFoundError
from midstance.records import assessments, jobs, sessions
from midstance.records.tables import JobRow

PROBLEM = {"what": "it broke", "where": "film", "allowed": "", "next_step": "again"}


def _add(records: Records, kind: str = "read", **kwargs: object) -> JobRow:
    with records.database.writing() as db:
        return jobs.add_job(db, kind, **kwargs)  # type: ignore[arg-type]


def _claim(records: Records, worker: str) -> JobRow | None:
    with records.database.writing() as db:
        return jobs.claim(db, worker)


def _get(records: Records, job: JobRow) -> JobRow:
    with records.database.reading() as db:
        return jobs.get_job(db, job.id)


def test_a_job_from_beginning_to_end(records: Records) -> None:
    added = _add(records, payload={"a": 1}, by="Coach")
    assert (added.state, added.number, added.created_by, added.payload) == ("waiting", 1, "Coach", {"a": 1})
    claimed = _claim(records, "w1")
    assert claimed is not None
    assert (claimed.id, claimed.state, claimed.attempts, claimed.worker) == (added.id, "running", 1, "w1")
    assert claimed.started_at is not None
    assert _claim(records, "w2") is None
    with records.database.writing() as db:
        assert jobs.progress(db, added.id, "following", 0.5, worker="w1")
        assert not jobs.progress(db, added.id, "following", 0.6, worker="w2")
    assert (_get(records, added).stage, _get(records, added).share) == ("following", 0.5)
    with records.database.writing() as db:
        jobs.finish(db, added.id, {"frames": 3}, worker="w1")
    done = _get(records, added)
    assert (done.state, done.share, done.result, done.problem, done.worker) == ("done", 1.0, {"frames": 3}, None, None)
    assert done.ended_at is not None
    with records.database.writing() as db:
        assert not jobs.progress(db, added.id, "late", 0.1, worker="w1")


def test_session_of_film_and_report_is_filled_in(records: Records) -> None:
    session = records.session(records.runner())
    film = records.film(session)
    with records.database.writing() as db:
        report = assessments.start_assessment(db, session.id, by="Coach")
        assert jobs.add_job(db, "read", film_id=film.id).session_id == session.id
        assert jobs.add_job(db, "assess", assessment_id=report.id).session_id == session.id
    with records.database.writing() as db, pytest.raises(NotFoundError):
        jobs.add_job(db, "read", film_id="0" * 16)
    with records.database.reading() as db:
        assert [j.kind for j in jobs.jobs_of(db, session_id=session.id)] == ["assess", "read"]
        assert [j.kind for j in jobs.jobs_of(db, film_id=film.id)] == ["read"]
        assert jobs.jobs_of(db, states=["done"]) == []
        assert len(jobs.jobs_of(db, most=1)) == 1


@pytest.mark.parametrize(
    "ending",
    [
        lambda db, job: jobs.finish(db, job.id, worker="w1"),
        lambda db, job: jobs.fail(db, job.id, PROBLEM, worker="w1"),
        lambda db, job: jobs.give_back(db, job.id, worker="w1", problem=PROBLEM),
        lambda db, job: jobs.end_cancelled(db, job.id, worker="w1"),
    ],
)
def test_only_the_worker_that_has_a_job_can_end_it(records: Records, ending: Callable[..., JobRow]) -> None:
    job = _add(records)
    with records.database.writing() as db, pytest.raises(ConflictError):
        ending(db, job)  # nobody has it
    _claim(records, "w1")
    with records.database.writing() as db:
        jobs.recover(db)
    _claim(records, "w2")
    with records.database.writing() as db, pytest.raises(ConflictError, match="taken from this worker"):
        ending(db, job)  # it was taken from the first
    assert (_get(records, job).state, _get(records, job).worker) == ("running", "w2")


def test_copies_come_first_and_what_killed_its_worker_comes_last(records: Records) -> None:
    long, read, copy = _add(records, "validate"), _add(records, "read"), _add(records, "prepare")
    assert _claim(records, "w1").id == copy.id  # type: ignore[union-attr]
    with records.database.writing() as db:
        jobs.give_back(db, copy.id, worker="w1", problem=PROBLEM)
    order = []
    for i in range(3):
        job = _claim(records, f"x{i}")
        assert job is not None
        order.append(job.id)
    assert order == [read.id, long.id, copy.id]


def test_a_job_is_given_up_at_the_third_death(records: Records) -> None:
    job = _add(records)
    for n in (1, 2, 3):
        claimed = _claim(records, f"w{n}")
        assert claimed is not None
        assert claimed.attempts == n
        with records.database.writing() as db:
            jobs.give_back(db, job.id, worker=f"w{n}", problem=PROBLEM)
    failed = _get(records, job)
    assert (failed.state, failed.problem, failed.attempts) == ("failed", PROBLEM, 3)
    assert _claim(records, "w4") is None
    with records.database.writing() as db:
        again = jobs.retry(db, job.id)
        assert (again.state, again.attempts, again.problem) == ("waiting", 0, None)


def test_a_stopped_server_is_not_held_against_a_job_unless_it_happens_again_and_again(records: Records) -> None:
    job, other = _add(records), _add(records)
    _claim(records, "mine")
    _claim(records, "alive")
    with records.database.writing() as db:
        assert [j.id for j in jobs.recover(db, ["alive"])] == [job.id]
    assert (_get(records, job).state, _get(records, job).attempts) == ("waiting", 0)
    assert _get(records, other).state == "running"
    for n in range(jobs.MOST_RESTARTS - 1):
        _claim(records, f"w{n}")
        with records.database.writing() as db:
            jobs.recover(db, ["alive"])
    failed = _get(records, job)
    assert failed.state == "failed"
    assert "was stopped 10 times" in (failed.problem or {})["what"]


def test_cancelling(records: Records) -> None:
    running, waiting = _add(records), _add(records)
    _claim(records, "w1")
    with records.database.writing() as db:
        assert jobs.cancel(db, waiting.id).state == "cancelled"
        stopping = jobs.cancel(db, running.id)
        assert (stopping.state, stopping.cancel_wanted) == ("running", True)
        assert jobs.cancel(db, running.id).cancel_wanted
    with records.database.writing() as db:
        assert not jobs.progress(db, running.id, "going on", 0.5, worker="w1")
        assert jobs.give_back(db, running.id, worker="w1", problem=PROBLEM).state == "cancelled"
    for job in (running, waiting):
        with records.database.writing() as db, pytest.raises(ConflictError, match="the job is cancelled"):
            jobs.cancel(db, job.id)
        with records.database.writing() as db:
            again = jobs.retry(db, job.id)
            assert (again.state, again.cancel_wanted) == ("waiting", False)
        with records.database.writing() as db, pytest.raises(ConflictError, match="the job is waiting"):
            jobs.retry(db, job.id)


def test_a_job_to_be_stopped_is_not_taken_up_by_the_next_server(records: Records) -> None:
    job = _add(records)
    _claim(records, "w1")
    with records.database.writing() as db:
        jobs.cancel(db, job.id)
    with records.database.writing() as db:
        jobs.recover(db)
    assert _get(records, job).state == "cancelled"


def test_a_report_goes_with_its_job(records: Records) -> None:
    session = records.session(records.runner())
    records.film(session)
    with records.database.writing() as db:
        report = assessments.start_assessment(db, session.id, by="Coach")
        job = jobs.add_job(db, "assess", assessment_id=report.id)

    def state() -> str:
        with records.database.reading() as db:
            return assessments.get_assessment(db, report.id).state

    _claim(records, "w1")
    with records.database.writing() as db:
        assessments.run_assessment(db, report.id)
    with records.database.writing() as db:
        jobs.recover(db)
    assert state() == "waiting"
    with records.database.writing() as db:
        jobs.cancel(db, job.id)
    assert state() == "cancelled"
    with records.database.writing() as db:
        jobs.retry(db, job.id)
    assert state() == "waiting"
    _claim(records, "w2")
    with records.database.writing() as db:
        jobs.fail(db, job.id, PROBLEM, worker="w2")
    assert state() == "failed"


def test_films_are_worked_on_one_at_a_time_and_a_report_waits_for_them(records: Records) -> None:
    session = records.session(records.runner())
    film, other = records.film(session), records.film(session, b"another", view="rear")
    with records.database.writing() as db:
        report = assessments.start_assessment(db, session.id, by="Coach")
    copy = _add(records, "prepare", film_id=film.id)
    read = _add(records, "read", film_id=film.id)
    report_job = _add(records, "assess", assessment_id=report.id)
    later = _add(records, "read", film_id=other.id)
    assert _claim(records, "w1").id == copy.id  # type: ignore[union-attr]
    assert _claim(records, "w2").id == later.id  # type: ignore[union-attr]
    assert _claim(records, "w3") is None
    with records.database.writing() as db:
        jobs.finish(db, copy.id, worker="w1")
    assert _claim(records, "w4").id == read.id  # type: ignore[union-attr]
    with records.database.writing() as db:
        jobs.finish(db, read.id, worker="w4")
    assert _claim(records, "w5") is None  # the other film is still being read
    with records.database.writing() as db:
        jobs.finish(db, later.id, worker="w2")
    assert _claim(records, "w6").id == report_job.id  # type: ignore[union-attr]


def test_many_workers_at_once_never_get_the_same_job(records: Records) -> None:
    count = 24
    for _ in range(count):
        _add(records)
    got: list[str] = []
    faults: list[BaseException] = []
    begin = threading.Barrier(6)

    def work(name: str) -> None:
        try:
            begin.wait()
            n = 0
            while True:
                with records.database.writing() as db:
                    job = jobs.claim(db, f"{name}{n}")
                if job is None:
                    return
                got.append(job.id)
                with records.database.writing() as db:
                    jobs.progress(db, job.id, "x", 0.5, worker=f"{name}{n}")
                with records.database.writing() as db:
                    jobs.finish(db, job.id, {}, worker=f"{name}{n}")
                n += 1
        except BaseException as error:
            faults.append(error)

    threads = [threading.Thread(target=work, args=(f"w{i}-",)) for i in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert len(got) == len(set(got)) == count


def test_every_change_is_seen_once_and_in_order(records: Records) -> None:
    with records.database.reading() as db:
        assert jobs.newest_change(db) == 0
    first, second = _add(records), _add(records)
    with records.database.reading() as db:
        assert [j.id for j in jobs.changed_since(db, 0)] == [first.id, second.id]
        seen = jobs.newest_change(db)
        assert jobs.changed_since(db, seen) == []
    _claim(records, "w1")
    with records.database.writing() as db:
        jobs.progress(db, first.id, "x", 0.1)
    with records.database.reading() as db:
        changed = jobs.changed_since(db, seen)
        assert [(j.id, j.share) for j in changed] == [(first.id, 0.1)]
        newest = jobs.newest_change(db)
        assert newest == changed[0].change == seen + 2
    # A job that goes takes nobody's number with it.
    with records.database.writing() as db:
        db.execute(text("DELETE FROM job"))
    assert _add(records).change == newest + 1


def test_changes_become_visible_in_the_order_of_their_numbers(records: Records) -> None:
    """A watcher that asks in the middle of it all misses none."""
    total = 60
    ids = [_add(records).id for _ in range(3)]
    for n in range(3):
        _claim(records, f"w{n}")
    last: dict[str, float] = {}
    change = 0

    def write(job_id: str) -> None:
        for n in range(1, total + 1):
            with records.database.writing() as db:
                assert jobs.progress(db, job_id, "x", n / total)

    threads = [threading.Thread(target=write, args=(job_id,)) for job_id in ids]
    for thread in threads:
        thread.start()
    while True:
        finished = not any(t.is_alive() for t in threads)
        with records.database.reading() as db:
            for job in jobs.changed_since(db, change):
                assert job.change > change
                change = job.change
                last[job.id] = job.share
        if finished:
            break
    for thread in threads:
        thread.join()
    assert last == dict.fromkeys(ids, 1.0)


def test_jobs_go_with_what_they_are_about_but_not_while_they_run(records: Records) -> None:
    session = records.session(records.runner())
    film = records.film(session)
    _add(records, "read", film_id=film.id)
    _claim(records, "w1")
    with records.database.writing() as db, pytest.raises(ConflictError):
        sessions.remove_session(db, session.id, by="Coach")
    with records.database.writing() as db:
        jobs.recover(db)
        sessions.remove_session(db, session.id, by="Coach")
        assert jobs.jobs_of(db) == []
