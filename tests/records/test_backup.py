"""Backup and restore: equal afterwards, also from one kind of database into the other; damaged ones write nothing."""

from __future__ import annotations

import hashlib
import json
import os
import random
import shutil
import stat
import subprocess
import sys
import threading
import time
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from everything import MP4, files_of, fill, fill_rest, rows_of, tree
from filled_records import Records
from postgres_server import PostgresServer

from midstance.errors import RecordsError
from midstance.records import films, runners, schema, sessions
from midstance.records.backup import back_up, restore
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.schema import open_records


@pytest.fixture
def full(records: Records) -> Records:
    fill(records)
    fill(records, "Ben", "two")
    fill_rest(records)
    return records


@pytest.fixture
def archive(tmp_path: Path, request: pytest.FixtureRequest) -> Path:
    """A backup of records on SQLite."""
    home = Home(tmp_path / "first")
    records = Records(home, open_records(home), home.database_url, "sqlite")
    fill(records)
    fill_rest(records)
    file = back_up(records.home, records.database, tmp_path / "backup.zip")
    records.database.close()
    return file


def fresh_url(kind: str, home: Home, request: pytest.FixtureRequest) -> str:
    if kind == "sqlite":
        return home.database_url
    server: PostgresServer = request.getfixturevalue("server")
    return server.url(server.new_database())


@pytest.mark.parametrize("into", ["sqlite", "postgresql"])
def test_restored_is_equal(full: Records, into: str, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """From each kind of database into each."""
    file = back_up(full.home, full.database, tmp_path)
    assert file.parent == tmp_path
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    home = Home(tmp_path / "again")
    url = fresh_url(into, home, request)
    restored = restore(file, home, url)
    assert restored.incomplete == ()
    database = open_records(home, url)
    assert rows_of(database) == rows_of(full.database)
    assert files_of(home) == files_of(full.home)
    assert restored.files == len(files_of(home))
    # It is alive, not a copy to look at: versions, counters and keys go on.
    with database.writing() as db:
        someone = runners.list_runners(db, query="Ben").items[0]
        runners.change_runner(db, someone.id, {"notes": "restored"}, version=someone.version, by="Eva")
        session = sessions.add_session(db, someone.id, {}, by="Eva")
        assert sessions.list_sessions(db, runner_id=someone.id).items[0].id == session.id
    media = [p for p in home.media.rglob("*") if p.is_file()]
    assert all(stat.S_IMODE(p.stat().st_mode) == 0o444 for p in media)
    assert not list(home.root.glob(".restoring-*"))
    assert stat.S_IMODE(home.root.stat().st_mode) == 0o700
    database.close()


def test_the_archive_is_made_of_open_formats(archive: Path, tmp_path: Path) -> None:
    """Unpacked and checked by common tools: unzip's format through the standard library, and sha256sum."""
    with zipfile.ZipFile(archive) as zipped:
        assert zipped.testzip() is None
        zipped.extractall(tmp_path / "open")
        named = [json.loads(line) for line in zipped.read("tables/runner.jsonl").decode().splitlines()]
        assert named[0]["name"].startswith("Zoë")
        about = json.loads(zipped.read("backup.json"))
        assert (about["format"], about["format_version"]) == ("midstance-backup", 1)
        assert about["tables_version"] == schema.newest()
        names = zipped.namelist()
    command = ["sha256sum", "-c", "--strict", "SHA256SUMS"]
    checked = subprocess.run(command, cwd=tmp_path / "open", capture_output=True, text=True)
    assert checked.returncode == 0, checked.stderr
    assert checked.stdout.count(": OK") == len(names) - 1
    assert "tables/login.jsonl" not in names
    assert "tables/pairing.jsonl" not in names


def test_backup_while_others_write(records: Records, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """It is the state of one moment: every session it holds has its runner and its film, and sums are right."""
    fill(records)
    stop = threading.Event()
    faults: list[BaseException] = []

    def write(i: int) -> None:
        database = records.again()
        k = 0
        try:
            while not stop.is_set():
                k += 1
                with database.writing() as db:
                    runner = runners.add_runner(db, {"name": f"Writer {i}-{k}"}, by="x")
                    session = sessions.add_session(db, runner.id, {"place": runner.name}, by="x")
                content = [MP4, f"{i}-{k}".encode() * 2000]
                films.bring_film(database, records.store, session.id, content, view="side", name=runner.name, by="x")
        except BaseException as error:
            faults.append(error)
        finally:
            database.close()

    threads = [threading.Thread(target=write, args=(i,)) for i in range(3)]
    for thread in threads:
        thread.start()
    try:
        archives = []
        for n in range(3):
            time.sleep(0.3)
            archives.append(back_up(records.home, records.database, tmp_path / f"{n}.zip", told=pytest.fail))
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    assert faults == []
    counts = []
    for n, file in enumerate(archives):
        home = Home(tmp_path / f"home{n}")
        url = fresh_url(records.kind, home, request)
        restore(file, home, url)
        database = open_records(home, url)
        found = rows_of(database)
        counts.append(len(found["runner"]))
        assert {s["runner_id"] for s in found["session"]} <= {r["id"] for r in found["runner"]}
        sums = {f["sha256"] for f in found["film"]}
        assert sums <= {m["sha256"] for m in found["media"]}
        assert sums == set(Records(home, database, url, records.kind).store.all())
        assert Records(home, database, url, records.kind).store.check() == []
        # Runner and session of one transaction are both there or not.
        assert len([r for r in found["runner"] if r["name"].startswith("Writer")]) == len(
            [s for s in found["session"] if s["place"].startswith("Writer")]
        )
        database.close()
    assert counts == sorted(counts)
    assert counts[-1] > counts[0]


def test_a_film_erased_meanwhile_is_left_out(records: Records, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from midstance.records import backup
    from midstance.records.erasing import erase_runner

    first, second = fill(records), records.runner("Ben")
    records.film(records.session(second), b"ben's film")
    real, erased = backup._film, []

    def film(*arguments: Any) -> list[str]:
        if not erased:
            erased.append(erase_runner(records.home, records.database, second.id, by="Eva"))
        return real(*arguments)

    monkeypatch.setattr(backup, "_film", film)
    file = back_up(records.home, records.database, tmp_path / "a.zip")
    assert erased[0].clean
    with zipfile.ZipFile(file) as zipped:
        names = [json.loads(line)["id"] for line in zipped.read("tables/runner.jsonl").splitlines()]
    assert names == [first.id]


def test_what_is_missing_or_damaged_is_told(full: Records, tmp_path: Path) -> None:
    with full.database.reading() as db:
        side = [f for s in sessions.list_sessions(db) for f in films.films_of(db, s.id) if f.view == "side" and f.used]
    damaged, missing = full.store.path(side[0].sha256), full.store.path(side[1].sha256)
    damaged.chmod(0o644)
    damaged.write_bytes(b"damaged")
    missing.unlink()
    told: list[str] = []
    file = back_up(full.home, full.database, tmp_path / "a.zip", told=told.append)
    assert sorted(told) == sorted([
        f"film {damaged.name}: its content has changed on the disk", f"film {missing.name}: it is not in the media store",
    ])  # fmt: skip
    home = Home(tmp_path / "again")
    restored = restore(file, home)
    assert sorted(restored.incomplete) == sorted(told)
    database = open_records(home)
    assert rows_of(database) == rows_of(full.database)
    assert Records(home, database, "", "sqlite").store.check() == []  # what was damaged isn't put back as if it were good
    database.close()


def test_nothing_is_overwritten(full: Records, archive: Path, tmp_path: Path) -> None:
    file = tmp_path / "there.zip"
    file.write_text("mine")
    with pytest.raises(RecordsError, match="a file of this name already"):
        back_up(full.home, full.database, file)
    assert file.read_text() == "mine"
    before_rows, before_files = rows_of(full.database), tree(full.home.media)
    with pytest.raises(RecordsError, match="nothing is overwritten"):
        restore(archive, full.home, full.url)
    with pytest.raises(RecordsError, match="nothing is overwritten"):  # another folder, the same database
        restore(archive, Home(tmp_path / "else"), full.url)
    assert not (tmp_path / "else").exists()
    assert rows_of(full.database) == before_rows
    assert tree(full.home.media) == before_files
    with pytest.raises(RecordsError, match="can't be written"):
        back_up(full.home, full.database, tmp_path / "no" / "such" / "folder.zip")


def test_after_a_first_start_a_place_is_still_empty(archive: Path, records: Records) -> None:
    """The tables are there, without rows; a backup lies in the folder for backups."""
    shutil.copy(archive, records.home.backups)
    restore(records.home.backups / archive.name, records.home, records.url)
    with records.database.reading() as db:
        assert len(runners.list_runners(db)) == 1


def _flip(at: float) -> Callable[[bytes], bytes]:
    def flip(data: bytes) -> bytes:
        i = int(at * len(data))
        return data[:i] + bytes([data[i] ^ 0x55]) + data[i + 1 :]

    return flip


DAMAGES: dict[str, Callable[[bytes], bytes]] = {
    "cut short": lambda data: data[:-200],
    "cut in half": lambda data: data[: len(data) // 2],
    "nothing": lambda data: b"",
    "no zip": lambda data: b"hello" * 1000,
    **{f"a bit at {at:.0%}": _flip(at) for at in (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 0.99)},
}


@pytest.mark.parametrize("damage", DAMAGES)
def test_a_damaged_backup_writes_nothing(archive: Path, damage: str, tmp_path: Path) -> None:
    data = DAMAGES[damage](archive.read_bytes())
    bad = tmp_path / "bad.zip"
    bad.write_bytes(data)
    home = Home(tmp_path / "again")
    if damage.startswith("a bit"):
        # A bit in what no reader looks at (such as a time of a header) does no harm; then all must be as it was.
        try:
            restore(bad, home)
        except RecordsError:
            assert not home.root.exists()
        else:
            good = Home(tmp_path / "good")
            restore(archive, good)
            assert files_of(home) == files_of(good)
            first, second = Database(home.database_url), Database(good.database_url)
            assert rows_of(first) == rows_of(second)
            first.close()
            second.close()
        return
    with pytest.raises(RecordsError, match="can't be used"):
        restore(bad, home)
    assert not home.root.exists()


def test_hundreds_of_damages(archive: Path, tmp_path: Path) -> None:
    """Any byte changed: refused with nothing written, or no difference."""
    good = Home(tmp_path / "good")
    restore(archive, good)
    first = Database(good.database_url)
    expected = rows_of(first), files_of(good)
    first.close()
    data, chance = archive.read_bytes(), random.Random(4)
    refused = 0
    for n in range(100):
        at = chance.randrange(len(data))
        bad = tmp_path / "bad.zip"
        bad.write_bytes(data[:at] + bytes([data[at] ^ (1 << chance.randrange(8))]) + data[at + 1 :])
        home = Home(tmp_path / f"again{n}")
        try:
            restore(bad, home)
        except RecordsError:
            refused += 1
            assert not home.root.exists()
            continue
        database = Database(home.database_url)
        assert (rows_of(database), files_of(home)) == expected
        database.close()
        shutil.rmtree(home.root)
    assert refused > 50


def rewritten(archive: Path, to: Path, change: Callable[[str, bytes], bytes | None], more: dict[str, bytes]) -> Path:
    """Write the archive anew with changed entries, and sums that fit."""
    entries = {}
    with zipfile.ZipFile(archive) as zipped:
        for name in zipped.namelist():
            content = change(name, zipped.read(name))
            if content is not None and name != "SHA256SUMS":
                entries[name] = content
    entries.update(more)
    with zipfile.ZipFile(to, "w") as out:
        for name, content in entries.items():
            out.writestr(name, content)
        out.writestr("SHA256SUMS", "".join(f"{hashlib.sha256(c).hexdigest()}  {n}\n" for n, c in entries.items()))
    return to


def _about(**new: Any) -> Callable[[str, bytes], bytes]:
    return lambda name, data: json.dumps({**json.loads(data), **new}).encode() if name == "backup.json" else data


CHANGES: dict[str, tuple[Callable[[str, bytes], bytes | None], dict[str, bytes], str]] = {
    "later format": (_about(format_version=2), {}, "later version"),
    "later tables": (_about(tables_version="9999"), {}, "later version"),
    "another kind": (_about(format="photos"), {}, "another kind"),
    "no description": (lambda n, d: None if n == "backup.json" else d, {}, "missing"),
    "a table less": (lambda n, d: None if n == "tables/film.jsonl" else d, {}, "not those of its version"),
    "a row less": (lambda n, d: b"" if n == "tables/overrule.jsonl" else d, {}, "missing"),
    "half a row": (lambda n, d: d[:-20] if n == "tables/film.jsonl" else d, {}, "damaged"),
    "rows of another table": (lambda n, d: b'{"a": 1}\n' if n == "tables/account.jsonl" else d, {}, "other columns"),
    "a row that refers to nobody": (lambda n, d: b"" if n == "tables/runner.jsonl" else d, {}, "can't be used"),
    "a name out of the folder": (lambda n, d: d, {"results/0011223344556677/../../../evil": b"x"}, "doesn't belong"),
    "a name from the root": (lambda n, d: d, {"/etc/evil": b"x"}, "doesn't belong"),
    "a name of Windows": (lambda n, d: d, {"results/0011223344556677/..\\evil": b"x"}, "doesn't belong"),
    "a file elsewhere": (lambda n, d: d, {"midstance.sqlite": b"x"}, "doesn't belong"),
    "a film under another name": (lambda n, d: d, {"media/ab/" + "ab" * 32: b"x"}, "not what its name says"),
}


@pytest.mark.parametrize("what", CHANGES)
@pytest.mark.parametrize("into", ["sqlite", "postgresql"])
def test_an_odd_backup_writes_nothing(
    archive: Path, what: str, into: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    change, more, said = CHANGES[what]
    bad = rewritten(archive, tmp_path / "bad.zip", change, more)
    home = Home(tmp_path / "again")
    url = fresh_url(into, home, request)
    with pytest.raises(RecordsError, match=said):
        restore(bad, home, url)
    assert not home.root.exists()
    assert not list(tmp_path.glob("**/evil"))
    restore(archive, home, url)  # the place is as empty as before


def test_no_room_is_told_before_anything_is_written(archive: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(1, 1, 1))  # type: ignore[attr-defined]
    with pytest.raises(RecordsError, match="no room"):
        restore(archive, Home(tmp_path / "again"))
    assert not (tmp_path / "again").exists()
    with pytest.raises(RecordsError, match="can't be read"):
        restore(tmp_path / "nothing.zip", Home(tmp_path / "again"))


@pytest.mark.parametrize(
    ("into", "step"),
    [("sqlite", "_unpack"), ("sqlite", "load"), ("sqlite", "_fill"), ("sqlite", "_move_in"), ("postgresql", "_move_in")],
)
def test_a_restore_that_is_killed_is_done_again(
    archive: Path, step: str, into: str, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Killed in the middle: the records don't open with half of it, and the same command completes it."""
    home = Home(tmp_path / "again")
    url = fresh_url(into, home, request)
    code = (
        "import os, sys; from pathlib import Path; from midstance.records import restoring;"
        "from midstance.records.home import Home\n"
        "step = sys.argv[4]; real = getattr(restoring, step)\n"
        "def dies(*a, **k):\n"
        "    out = real(*a, **k)\n"
        "    os.kill(os.getpid(), 9)\n"
        "setattr(restoring, step, dies)\n"
        "restoring.restore(Path(sys.argv[1]), Home(Path(sys.argv[2])), sys.argv[3])"
    )
    done = subprocess.run([sys.executable, "-c", code, str(archive), str(home.root), url, step], capture_output=True)
    assert done.returncode == -9, done.stderr
    with pytest.raises(RecordsError, match="cut short"):
        open_records(home, url)
    restore(archive, home, url)
    database = open_records(home, url)
    source = Home(tmp_path / "first")
    original = Database(source.database_url)
    assert rows_of(database) == rows_of(original)
    assert files_of(home) == files_of(source)
    assert not list(home.root.glob(".restoring-*"))
    original.close()
    database.close()


def test_killed_after_the_end_is_complete(archive: Path, tmp_path: Path) -> None:
    home = Home(tmp_path / "again")
    code = (
        "import os, sys, shutil; from pathlib import Path; from midstance.records import restoring;"
        "from midstance.records.home import Home\n"
        "restoring.shutil.rmtree = lambda p, **k: os.kill(os.getpid(), 9) if '.restoring-' in str(p) else None\n"
        "restoring.restore(Path(sys.argv[1]), Home(Path(sys.argv[2])))"
    )
    done = subprocess.run([sys.executable, "-c", code, str(archive), str(home.root)], capture_output=True)
    assert done.returncode == -9, done.stderr
    assert list(home.root.glob(".restoring-*"))
    database = open_records(home)
    assert not list(home.root.glob(".restoring-*"))
    assert files_of(home) == files_of(Home(tmp_path / "first"))
    with database.reading() as db:
        assert len(runners.list_runners(db)) == 1
    database.close()


def test_a_backup_that_fails_leaves_nothing(full: Records, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", broken)
    with pytest.raises(RecordsError, match="No space left on device"):
        back_up(full.home, full.database, tmp_path / "a.zip")
    assert not list(tmp_path.glob("*a.zip*"))
