"""Erasing a runner: afterwards nothing of it is in any byte of database files and folders. On both databases."""

from __future__ import annotations

import json
import os
import re
import secrets
import subprocess
import sys
import threading
from pathlib import Path
from typing import Any

import pytest
from everything import MP4, NAME, fill, fill_rest, rows_of
from filled_records import Records
from postgres_server import PostgresServer
from sqlalchemy import delete, text

from midstance.errors import ConflictError, NotFoundError, RecordsError
from midstance.records import erasing, films, journal, runners, sessions, settings
from midstance.records.backup import back_up
from midstance.records.home import Home
from midstance.records.schema import open_records
from midstance.records.tables import Base, FilmRow, JobRow, RunnerRow


def keys_of(records: Records, runner: RunnerRow) -> set[str]:
    """Return all ids and sums that belong to a runner alone, found by following the references of the tables."""
    rows = rows_of(records.database, but=())
    mine = {runner.id}
    for _ in range(4):
        for name, found in rows.items():
            keys = [k.parent.name for k in Base.metadata.tables[name].foreign_keys if k.column.table.name != "media"]
            mine |= {row["id"] for row in found if "id" in row and any(row.get(k) in mine for k in keys)}
    others = {f["sha256"] for f in rows["film"] if f["id"] not in mine}
    return mine | ({f["sha256"] for f in rows["film"] if f["id"] in mine} - others)


def grep(folder: Path, needles: set[bytes], *, but: tuple[str, ...] = ()) -> dict[str, list[bytes]]:
    """Return files below a folder whose name or bytes hold one of the needles."""
    pattern = re.compile(b"|".join(re.escape(n) for n in sorted(needles)))
    hits: dict[str, list[bytes]] = {}
    for path in folder.rglob("*"):
        if any(part in but for part in path.parts):
            continue
        found = pattern.findall(os.fsencode(path.relative_to(folder)))
        if path.is_file():
            found += pattern.findall(path.read_bytes())
        if found:
            hits[str(path)] = sorted(set(found))
    return hits


def needles_of(keys: set[str], *texts: str) -> set[bytes]:
    """Return keys and texts in every way they could be written in a file."""
    out = {k.encode() for k in keys} | {bytes.fromhex(k) for k in keys}
    for one in texts:
        out |= {one.encode(), json.dumps(one)[1:-1].encode(), one.encode("utf-16-le"), one.encode("latin-1", "replace")}
    return out


def test_no_byte_is_left(records: Records, request: pytest.FixtureRequest) -> None:
    """Ids, sums, the name, places, notes, contents of films: in database file, its log, free pages, and all folders."""
    name, mark = f"{NAME} {secrets.token_hex(3)}", secrets.token_hex(5)  # the server has other tests' records too
    runner = fill(records, name, mark)
    other = fill(records, "Ben Other", "two")
    fill_rest(records)
    keys = keys_of(records, runner)
    assert len(keys) > 20
    needles = needles_of(keys, name, mark)
    if records.kind == "sqlite":
        with records.database.writing() as db:  # rows that were written over and removed before leave no trace either
            session = sessions.list_sessions(db, runner_id=runner.id).items[0]
            sessions.change_session(db, session.id, {"notes": f"{name} " * 100}, version=1, by="Eva")
            sessions.remove_session(db, session.id, by="Eva")
    places = [records.home.root]
    if records.kind == "postgresql":
        server: PostgresServer = request.getfixturevalue("server")
        server.execute("CHECKPOINT")
        places.append(server.data)
    for place in places:
        assert grep(place, needles), "the search itself finds what is there"
    before = rows_of(records.database)

    erased = erasing.erase_runner(records.home, records.database, runner.id, by="Eva")

    assert erased.clean, erased.lines()
    assert erased.counts["films"] == 3
    assert erased.counts["film files"] == 2
    assert erased.counts["sessions"] in (1, 2)
    assert grep(records.home.root, needles) == {}
    if records.kind == "postgresql":
        server.execute("CHECKPOINT")
        # The server's own log and statistics can't be reached from outside; erasing says so.
        left = grep(server.data, needles, but=("pg_wal", "pg_stat", "pg_stat_tmp"))
        tables = {p for p in left if not _is_catalogue(p)}
        assert tables == set()
        assert any("log" in line for line in erased.proof.unreachable)
    # The other runner has everything, the shared film too.
    after = rows_of(records.database)
    assert [r["id"] for r in after["runner"]] == [other.id]
    for name in ("session", "film", "correction", "overrule", "assessment"):
        assert after[name] == [row for row in before[name] if row["id"] in {r["id"] for r in after[name]}]
        assert len(after[name]) == len(before[name]) // 2 or name == "session"
    assert records.store.check() == []
    with records.database.reading() as db:
        for film in db.query(FilmRow):
            assert records.store.has(film.sha256)
        entry = journal.journal_of(db).items[0]
        assert (entry.what, entry.by, entry.runner_id, entry.subject_id) == ("runner erased", "Eva", None, "")
    with pytest.raises(NotFoundError):
        erasing.erase_runner(records.home, records.database, runner.id, by="Eva")


def _is_catalogue(path: str) -> bool:
    """Whether a file of the server is one of its own tables: those made by others have numbers from 16384 on."""
    name = Path(path).name.split(".")[0].split("_")[0]
    return not name.isdigit() or int(name) < 16384


def test_a_film_that_another_runner_shares_stays(records: Records) -> None:
    first, second = records.runner("First"), records.runner("Second")
    mine, shared = records.session(first), records.session(second)
    film = records.film(mine, b"the same film")
    other = records.film(shared, b"the same film")
    records.home.proxy(film.sha256).mkdir()
    erased = erasing.erase_runner(records.home, records.database, first.id, by="Eva")
    assert erased.clean
    assert erased.counts["film files"] == 0
    assert records.store.path(other.sha256).read_bytes() == b"the same film"
    assert records.home.proxy(film.sha256).is_dir()
    erased = erasing.erase_runner(records.home, records.database, second.id, by="Eva")
    assert erased.clean
    assert not records.store.has(other.sha256)
    assert not records.home.proxy(film.sha256).exists()


def test_not_while_something_runs(records: Records) -> None:
    runner = fill(records)
    with records.database.writing() as db:
        film = db.query(FilmRow).first()
        assert film is not None
        db.add(JobRow(number=99, kind="read", state="running", film_id=film.id))
    with pytest.raises(ConflictError, match="at work on this runner"):
        erasing.erase_runner(records.home, records.database, runner.id, by="Eva")
    with records.database.writing() as db:
        assert runners.get_runner(db, runner.id).name == NAME
        db.execute(delete(JobRow).where(JobRow.number == 99))
    assert erasing.erase_runner(records.home, records.database, runner.id, by="Eva").clean


def test_what_it_says(records: Records) -> None:
    """Backups it can't reach are named; the same name elsewhere is pointed out."""
    runner = records.runner("Anna May")
    records.session(records.runner("Ben"), notes="ran with Anna May")
    records.film(records.session(runner), b"film")
    backup = back_up(records.home, records.database, records.home.backups)
    erased = erasing.erase_runner(records.home, records.database, runner.id, by="Eva")
    said = "\n".join(erased.lines())
    assert erased.clean
    assert f"may still hold the runner: {backup.name}" in said
    assert "The same name is still in table session" in said
    assert "1 sessions, 1 films" in said
    assert "Not reached: " in said
    assert "snapshots" in said


def test_a_short_name_is_no_trace_in_other_words(records: Records) -> None:
    runner = records.runner("Anna")
    other = records.runner("Annabel Lee")
    for _ in range(15):
        records.session(other, notes="with Anna")
    erased = erasing.erase_runner(records.home, records.database, runner.id, by="Eva")
    assert erased.clean
    assert len(erased.proof.mentions) == 15
    assert "… and in 3 more places." in erased.lines()


def test_a_trace_is_found(records: Records) -> None:
    """The proof can fail: what is left by somebody else is seen."""
    runner = records.runner("Anna May")
    film = records.film(records.session(runner), b"film")
    left = records.home.root / "results" / "note.json"
    left.write_text(json.dumps({"film": film.id}))
    (records.home.incoming / film.sha256).write_text("")
    erased = erasing.erase_runner(records.home, records.database, runner.id, by="Eva")
    assert not erased.clean
    assert set(erased.proof.traces) == {
        f"{film.id} in results/note.json", f"{film.sha256} in the name of incoming/{film.sha256}",
    }  # fmt: skip
    assert any(line.startswith("Still found") for line in erased.lines())


@pytest.mark.parametrize("at", ["_remove", "_overwrite"])
def test_killed_in_the_middle_it_is_completed_at_the_next_start(records: Records, at: str) -> None:
    runner = fill(records)
    keys = keys_of(records, runner)
    code = (
        "import os, sys; from pathlib import Path; from midstance.records import erasing;"
        "from midstance.records.home import Home; from midstance.records.database import Database\n"
        "setattr(erasing, sys.argv[4], lambda *a: os.kill(os.getpid(), 9))\n"
        "erasing.erase_runner(Home(Path(sys.argv[1])), Database(sys.argv[2]), sys.argv[3], by='Eva')"
    )
    command = [sys.executable, "-c", code, str(records.home.root), records.url, runner.id, at]
    done = subprocess.run(command, capture_output=True)
    assert done.returncode == -9, done.stderr
    with records.database.reading() as db:
        assert runners.list_runners(db).items == []
    assert erasing.finish_pending(records.home, records.database)
    assert grep(records.home.root, needles_of(keys, NAME)) == {}
    with records.database.reading() as db:
        assert settings.get_setting(db, erasing.PENDING) is None


def test_others_who_read_only_delay_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On SQLite a long read keeps old pages in the log: told, and completed when it has ended."""
    home = Home(tmp_path / "home")
    records = Records(home, open_records(home), home.database_url, "sqlite")
    runner = fill(records)
    keys = keys_of(records, runner)
    monkeypatch.setattr(erasing, "PATIENCE_S", 0.3)
    other = records.again()
    with other.reading() as db:
        assert len(runners.list_runners(db)) == 1
        with records.database.writing() as writer:
            writer.execute(text("PRAGMA busy_timeout = 200"))
        erased = erasing.erase_runner(home, records.database, runner.id, by="Eva")
        assert len(runners.list_runners(db)) == 1  # the reader still sees its own moment
    assert not erased.clean
    assert any("midstance.sqlite" in trace for trace in erased.proof.traces)
    other.close()
    assert erasing.tidy(home, records.database) == {"films": 0, "proxies": 0, "readings": 0, "results": 0}
    assert grep(home.root, needles_of(keys, NAME)) == {}
    records.database.close()


def test_a_film_that_comes_while_its_twin_is_erased(records: Records) -> None:
    """Whoever comes first: the film that was added has its file."""
    for n in range(6):
        first, second = records.runner("First"), records.runner("Second")
        content = MP4 + bytes([n])
        records.film(records.session(first), content)
        session = records.session(second)
        added: list[Any] = []

        def add(session: Any = session, content: bytes = content, added: list[Any] = added) -> None:
            try:
                added.append(records.film(session, content))
            except (NotFoundError, RecordsError) as error:  # may be told to hand it in again, never lost in silence
                added.append(error)

        thread = threading.Thread(target=add)
        thread.start()
        erasing.erase_runner(records.home, records.database, first.id, by="Eva")
        thread.join()
        with records.database.reading() as db:
            for film in films.films_of(db, session.id):
                assert records.store.has(film.sha256)
                assert added == [film] or added[0].id == film.id
