"""Putting a backup back: everything or nothing, into a place that is empty."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import re
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import attrs
from sqlalchemy import Connection, func, inspect, select, text
from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from midstance.errors import MidstanceError, RecordsError
from midstance.records import schema
from midstance.records.archive import SUMS, safe
from midstance.records.database import Database
from midstance.records.dumping import load, not_ours, tables
from midstance.records.home import DATABASE, Home
from midstance.records.tables import Base, now

FORMAT = "midstance-backup"
FORMAT_VERSION = 1
DESCRIPTION = "backup.json"
#: In the data folder; a restore that was cut short leaves it, and the records don't open until it is done again.
UNFINISHED = ".restoring-"
RESTORED = "restored"
_BLOCK = 1 << 20
_MOVED = ("media", "readings", "results")
_KEPT = ("runner", "session", "media", "film", "assessment", "account")
_MEDIA = re.compile(r"media/([0-9a-f]{2})/(\1[0-9a-f]{62})")
_FILES = re.compile(r"(readings|results)/[0-9a-f]{16}/.+")
_TABLE = re.compile(r"tables/([a-z_]{1,40})\.jsonl")
_PLACES = (_MEDIA, _FILES, _TABLE)


@attrs.frozen
class Restored:
    """What was put back: rows by table, number of files, and what the backup already lacked."""

    rows: dict[str, int]
    files: int
    incomplete: tuple[str, ...]


def restore(archive: Path, home: Home, database_url: str | None = None) -> Restored:
    """Put a backup back into a data folder that is new or empty, and into an empty database.

    All sums are checked before anything is written. What fails leaves nothing behind; what is cut short (power, kill) is
    known by a folder whose name begins with ``.restoring-``, and is done again from the beginning.

    Raises
    ------
    RecordsError
        The backup is damaged or of a later version, or the place isn't empty.
    """
    archive = Path(archive)
    with _opened(archive) as zipped:
        description, sums = _check(zipped)
        _room(home, zipped)
        fresh = not home.root.exists()
        try:
            schema.create(home)
            database = Database(database_url or home.database_url)
            try:
                return _restore(zipped, description, sums, home, database)
            finally:
                database.close()
        except BaseException:
            if fresh:
                shutil.rmtree(home.root, ignore_errors=True)
            raise


@contextlib.contextmanager
def _opened(archive: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(archive) as zipped:
            yield zipped
    except (zipfile.BadZipFile, zipfile.LargeZipFile, EOFError, NotImplementedError) as error:
        raise not_ours(f"it is damaged or not a zip file: {error}") from error
    except OSError as error:
        if str(archive) == str(error.filename):
            raise RecordsError(
                f"the backup can't be read ({error.strerror})",
                where=str(archive),
                allowed="a file that `midstance backup` wrote",
                next_step="check its name",
            ) from error
        raise RecordsError(
            f"the backup can't be put back ({error.strerror or error})",
            where=str(error.filename or archive),
            allowed="a data folder with room that may be written to",
            next_step="make room or choose another folder; nothing was left there",
        ) from error


def _check(zipped: zipfile.ZipFile) -> tuple[dict[str, Any], dict[str, str]]:
    """Check every name and every sum; return the description and the sums by name."""
    names = [info.filename for info in zipped.infolist()]
    if len(set(names)) != len(names) or DESCRIPTION not in names or SUMS not in names:
        raise not_ours(f"{DESCRIPTION} or {SUMS} is missing, or a name occurs twice")
    odd = [n for n in names if n not in (DESCRIPTION, SUMS) and not (safe(n) and any(p.fullmatch(n) for p in _PLACES))]
    if odd:
        raise not_ours(f"it holds something that doesn't belong there: {odd[0][:80]!r}")
    sums: dict[str, str] = {}
    for line in _text(zipped, SUMS).splitlines():
        match = re.fullmatch(r"([0-9a-f]{64})  (.+)", line)
        if match is None:
            raise not_ours(f"{SUMS} is damaged")
        sums[match[2]] = match[1]
    if set(sums) != set(names) - {SUMS}:
        raise not_ours("files are missing or too many")
    for name in sums:
        if _sum_of(zipped, name) != sums[name]:
            raise not_ours(f"{name} is damaged")
    description = _description(zipped)
    for name, found in sums.items():
        match = _MEDIA.fullmatch(name)
        if match is not None and match[2] != found and not any(match[2] in fault for fault in description["incomplete"]):
            raise not_ours(f"{name} is not what its name says")
    return description, sums


def _description(zipped: zipfile.ZipFile) -> dict[str, Any]:
    try:
        raw = json.loads(_text(zipped, DESCRIPTION))
        ours = raw["format"] == FORMAT and isinstance(raw["incomplete"], list) and isinstance(raw["rows"], dict)
        version, at = int(raw["format_version"]), str(raw["tables_version"])
    except (ValueError, KeyError, TypeError, RecursionError):
        raise not_ours(f"{DESCRIPTION} can't be read") from None
    if not ours:
        raise not_ours("it is another kind of archive")
    if version > FORMAT_VERSION or at not in schema.known_versions():
        raise RecordsError(
            f"the backup was written by a later version of this program ({raw.get('software')})",
            where="backup",
            allowed=f"backups of format {FORMAT_VERSION}, tables up to {schema.newest()}",
            next_step="install that version and restore with it; nothing was written",
        )
    return {**raw, "incomplete": [str(fault) for fault in raw["incomplete"]]}


def _text(zipped: zipfile.ZipFile, name: str) -> str:
    if zipped.getinfo(name).file_size > 200_000_000:
        raise not_ours(f"{name} is far too large")
    with _entry(zipped, name) as file:
        try:
            return file.read().decode()
        except UnicodeDecodeError:
            raise not_ours(f"{name} is damaged") from None


@contextlib.contextmanager
def _entry(zipped: zipfile.ZipFile, name: str) -> Iterator[IO[bytes]]:
    """Open an entry; everything that a damaged archive can lead to is told as such."""
    try:
        with zipped.open(name) as file:
            yield file
    except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError, NotImplementedError, ValueError) as error:
        if isinstance(error, MidstanceError):
            raise
        raise not_ours(f"{name} is damaged") from error


def _sum_of(zipped: zipfile.ZipFile, name: str) -> str:
    digest = hashlib.sha256()
    with _entry(zipped, name) as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.hexdigest()


def _room(home: Home, zipped: zipfile.ZipFile) -> None:
    need = sum(info.file_size for info in zipped.infolist())
    there = home.root
    while not there.exists() and there != there.parent:
        there = there.parent
    free = shutil.disk_usage(there).free
    if need > free:
        raise RecordsError(
            f"the disk has no room ({need / 1e9:.1f} GB are needed, {free / 1e9:.1f} GB are free)",
            where=str(home.root),
            allowed="a disk with more room",
            next_step="make room or choose another folder with --data; nothing was written",
        )


def _restore(
    zipped: zipfile.ZipFile, description: dict[str, Any], sums: dict[str, str], home: Home, database: Database
) -> Restored:
    settle(home, database, again=True)
    _empty(home, database)
    own = home.root / DATABASE
    had_database = own.exists()
    staging = home.root / f"{UNFINISHED}{secrets.token_hex(8)}"
    staging.mkdir()
    try:
        files = _unpack(zipped, description, sums, staging)
        with database.engine.connect().execution_options(writes=True) as connection, connection.begin():
            counts = _fill(connection, zipped, description, staging.name)
            _move_in(staging, home)
            # The end of the transaction is the moment from which everything is there.
    except BaseException as error:
        _move_out(home)
        database.close()
        if not had_database:
            for path in (own, *(own.with_name(own.name + ending) for ending in ("-wal", "-shm", "-journal"))):
                path.unlink(missing_ok=True)
        shutil.rmtree(staging, ignore_errors=True)
        if isinstance(error, SQLAlchemyError):
            why = str(error.orig).splitlines()[0] if isinstance(error, DBAPIError) and str(error.orig) else "rows don't fit"
            raise not_ours(f"the database doesn't take it: {why}") from error
        raise
    shutil.rmtree(staging, ignore_errors=True)
    return Restored(counts, files, tuple(description["incomplete"]))


def _empty(home: Home, database: Database) -> None:
    full = None
    for folder in (home.media, home.root / "readings", home.root / "results", home.root / "proxies"):
        if any(p.is_file() for p in folder.rglob("*")):
            full = str(folder)
    with database.engine.connect() as connection:
        there = set(inspect(connection).get_table_names())
        for name in _KEPT:
            if name in there:
                table = Base.metadata.tables[name]
                if connection.scalar(select(func.count()).select_from(table)):
                    full = f"table {name} of {database.url.split('@')[-1]}"
    if full is not None:
        raise RecordsError(
            "there are records already, and nothing is overwritten",
            where=full,
            allowed="a new or empty data folder and an empty database",
            next_step="choose another folder with --data (and another database), or move this one away",
        )


def _unpack(zipped: zipfile.ZipFile, description: dict[str, Any], sums: dict[str, str], staging: Path) -> int:
    count = 0
    for name, expected in sums.items():
        if not (_MEDIA.fullmatch(name) or _FILES.fullmatch(name)):
            continue
        if name.startswith("media/") and not name.endswith(expected):
            continue  # was damaged when it was backed up
        path = staging / name
        path.parent.mkdir(parents=True, exist_ok=True)
        digest = hashlib.sha256()
        with _entry(zipped, name) as file, open(path, "xb") as out:
            while block := file.read(_BLOCK):
                digest.update(block)
                out.write(block)
            out.flush()
            os.fsync(out.fileno())
        if digest.hexdigest() != expected:
            raise not_ours(f"{name} is damaged")
        if name.startswith("media/"):
            os.chmod(path, 0o444)
        count += 1
    return count


def _fill(connection: Connection, zipped: zipfile.ZipFile, description: dict[str, Any], mark: str) -> dict[str, int]:
    """Make the tables as they were when the backup was made, fill them, and bring them up to date."""
    Base.metadata.drop_all(connection)  # they are there after a first start, and were found empty
    connection.execute(text(f"DROP TABLE IF EXISTS {schema.VERSION_TABLE}"))
    schema.upgrade_within(connection, str(description["tables_version"]))
    present = set(inspect(connection).get_table_names())
    named = {match[1] for match in map(_TABLE.fullmatch, zipped.namelist()) if match is not None}
    if named - present or named != set(description["rows"]):
        raise not_ours("its tables are not those of its version")
    counts = {}
    order = [t.name for t in tables()]
    for name in sorted(named, key=lambda n: order.index(n) if n in order else len(order)):
        counts[name] = load(connection, name, _lines(zipped, f"tables/{name}.jsonl"))
        if counts[name] != description["rows"][name]:
            raise not_ours(f"rows of “{name}” are missing")
    schema.upgrade_within(connection)
    settings = Base.metadata.tables["setting"]
    connection.execute(settings.delete().where(settings.c.key == RESTORED))
    done = {"mark": mark, "at": now().isoformat(), "made_at": description.get("made_at")}
    connection.execute(settings.insert().values(key=RESTORED, value=done))
    return counts


def _lines(zipped: zipfile.ZipFile, name: str) -> Iterator[Any]:
    with _entry(zipped, name) as file:
        for line in io.TextIOWrapper(file, encoding="utf-8", newline="\n"):
            try:
                yield json.loads(line)
            except (ValueError, RecursionError):
                raise not_ours(f"{name} is damaged") from None


def _move_in(staging: Path, home: Home) -> None:
    for folder in _MOVED:
        if (staging / folder).is_dir():
            _clear(home.root / folder)
            os.replace(staging / folder, home.root / folder)


def _move_out(home: Home) -> None:
    """Take away what a restore that failed had moved in; the places were empty before."""
    for folder in _MOVED:
        _clear(home.root / folder)
    with contextlib.suppress(MidstanceError):
        home.create()


def _clear(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)


def settle(home: Home, database: Database, *, again: bool = False) -> None:
    """Look after a restore that was cut short: complete it when its rows are there, else stop, or clear away to begin again.

    Raises
    ------
    RecordsError
        A restore was cut short, and ``again`` is False.
    """
    marks = sorted(home.root.glob(UNFINISHED + "*")) if home.root.is_dir() else []
    if not marks:
        return
    done = None
    with database.engine.connect() as connection:
        if "setting" in inspect(connection).get_table_names():
            settings = Base.metadata.tables["setting"]
            done = connection.scalar(select(settings.c.value).where(settings.c.key == RESTORED))
    for mark in marks:
        if isinstance(done, dict) and done.get("mark") == mark.name:
            shutil.rmtree(mark, ignore_errors=True)
            continue
        if not again:
            raise RecordsError(
                "a restore into this folder was cut short",
                where=str(home.root),
                allowed="a folder whose restore was completed",
                next_step="restore the backup into it once more",
            )
        _move_out(home)
        shutil.rmtree(mark, ignore_errors=True)
