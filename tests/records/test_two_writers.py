"""Several people and programs at once: nothing that was confirmed is lost, nobody is told that the database is locked."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from filled_records import Records

from midstance.errors import ConflictError, NotAllowedError
from midstance.records import assessments, corrections, films, journal, pairings, runners, sessions, settings
from midstance.records.database import Database

#: A program of its own that raises a number in the notes, over and over: it reads, writes, and tries again on a conflict.
COUNTER = """
import json, sys
from midstance.errors import ConflictError
from midstance.records import runners
from midstance.records.database import Database
url, runner_id, times, how = sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]
database, conflicts = Database(url), 0
for _ in range(times):
    while True:
        try:
            if how == "one transaction":
                with database.writing() as db:
                    row = runners.get_runner(db, runner_id)
                    runners.change_runner(db, runner_id, {"notes": str(int(row.notes) + 1)}, version=row.version, by="x")
            else:
                with database.reading() as db:
                    row = runners.get_runner(db, runner_id)
                with database.writing() as db:
                    runners.change_runner(db, runner_id, {"notes": str(int(row.notes) + 1)}, version=row.version, by="x")
            break
        except ConflictError:
            conflicts += 1
print(json.dumps({"conflicts": conflicts}))
"""


def at_once(count: int, work: Callable[[int], Any]) -> list[Any]:
    """Run ``work`` in threads that begin at the same moment; return what each returned or raised."""
    gate = threading.Barrier(count)

    def one(i: int) -> Any:
        gate.wait()
        try:
            return work(i)
        except Exception as error:
            return error

    with ThreadPoolExecutor(count) as pool:
        return list(pool.map(one, range(count)))


def counting(records: Records, how: str, times: int) -> None:
    runner = records.runner(notes="0")
    command = [sys.executable, "-c", COUNTER, records.url, runner.id, str(times), how]
    running = [subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) for _ in range(4)]
    for one in running:
        out, errors = one.communicate(timeout=300)
        assert one.returncode == 0, errors
        assert json.loads(out)["conflicts"] >= 0
    with records.database.reading() as db:
        row = runners.get_runner(db, runner.id)
        assert (row.notes, row.version) == (str(4 * times), 4 * times + 1)
        assert len([e for e in journal.journal_of(db, runner.id, most=200) if e.what == "runner changed"]) == 4 * times


def test_programs_that_read_and_then_write(records: Records) -> None:
    counting(records, "two transactions", 10)


def test_programs_that_read_and_write_in_one(records: Records) -> None:
    counting(records, "one transaction", 10)


def test_of_two_who_change_the_same_version_one_is_told(records: Records) -> None:
    session = records.session(records.runner())

    def change(i: int) -> str:
        with records.database.writing() as db:
            return sessions.change_session(db, session.id, {"shoes": f"pair {i}"}, version=1, by=f"person {i}").shoes

    results = at_once(8, change)
    won = [r for r in results if isinstance(r, str)]
    assert len(won) == 1
    assert all(isinstance(r, ConflictError) and r.current["shoes"] == won[0] for r in results if r not in won)


def test_many_write_different_things(records: Records) -> None:
    """Threads with one database, and each with its own, as server and worker have."""
    own = [Database(records.url) for _ in range(4)]
    dbs = [*own, records.database, records.database, records.database, records.database]

    def work(i: int) -> str:
        for k in range(10):
            with dbs[i].writing() as db:
                runner = runners.add_runner(db, {"name": f"Runner {i}-{k}"}, by="Coach")
                sessions.add_session(db, runner.id, {}, by="Coach")
            with dbs[i].reading() as db:
                assert runners.get_runner(db, runner.id).name == f"Runner {i}-{k}"
                sessions.list_sessions(db)
        return "done"

    assert at_once(8, work) == ["done"] * 8
    with records.database.reading() as db:
        assert len(runners.list_runners(db, most=200)) == 80
    for one in own:
        one.close()


def test_numbers_are_given_once(records: Records) -> None:
    session = records.session(records.runner())
    film = records.film(session)
    body = {"kind": "leave_out", "time_s": 1.0, "side": "left"}

    def correct(i: int) -> int:
        with records.database.writing() as db:
            return corrections.add_correction(db, film.id, {**body, "time_s": float(i)}, by=f"person {i}").number

    def assess(i: int) -> int:
        with records.database.writing() as db:
            return assessments.start_assessment(db, session.id, by=f"person {i}").number

    assert sorted(at_once(8, correct)) == list(range(1, 9))
    assert sorted(at_once(8, assess)) == list(range(1, 9))


def test_films_that_come_at_once(records: Records) -> None:
    """All are kept, one is used; the same content to several sessions is one file."""
    runner = records.runner()
    session, others = records.session(runner), [records.session(runner) for _ in range(6)]
    added = at_once(6, lambda i: records.film(session, f"film {i}".encode()).id)
    with records.database.reading() as db:
        found = films.films_of(db, session.id)
    assert sorted(f.id for f in found) == sorted(added)
    assert sum(f.used for f in found) == 1
    same = at_once(6, lambda i: records.film(others[i], b"the same").sha256)
    assert len(set(same)) == 1
    assert len(list(records.store.all())) == 7


def test_of_two_who_withdraw_one_does(records: Records) -> None:
    film = records.film(records.session(records.runner()))
    with records.database.writing() as db:
        row = corrections.add_correction(db, film.id, {"kind": "leave_out", "time_s": 1.0, "side": "left"}, by="Eva")

    def withdraw(i: int) -> str:
        with records.database.writing() as db:
            return corrections.withdraw_correction(db, row.id, by=f"person {i}").withdrawn_by or ""

    results = at_once(6, withdraw)
    assert len([r for r in results if isinstance(r, str)]) == 1
    assert len([r for r in results if isinstance(r, ConflictError)]) == 5


def test_a_code_lets_in_one_phone(records: Records) -> None:
    session = records.session(records.runner())
    with records.database.writing() as db:
        _, code = pairings.open_pairing(db, session.id, by="Coach")

    def use(_: int) -> str:
        with records.database.writing() as db:
            return pairings.use_code(db, code)

    results = at_once(8, use)
    assert len([r for r in results if isinstance(r, str)]) == 1
    assert len([r for r in results if isinstance(r, NotAllowedError)]) == 7


def test_settings_set_at_once(records: Records) -> None:
    def put(i: int) -> str:
        with records.database.writing() as db:
            settings.set_setting(db, "units", i)
        return "done"

    assert at_once(8, put) == ["done"] * 8
    with records.database.reading() as db:
        assert settings.get_setting(db, "units") in range(8)


def test_reading_goes_on_while_somebody_writes(records: Records) -> None:
    runner = records.runner()
    with records.database.writing() as writer:
        runners.change_runner(writer, runner.id, {"notes": "half done"}, version=1, by="Eva")

        def read(_: int) -> str:
            with records.database.reading() as db:
                return runners.get_runner(db, runner.id).notes

        assert at_once(4, read) == [""] * 4  # as it was, without waiting
    with records.database.reading() as db:
        assert runners.get_runner(db, runner.id).notes == "half done"
