"""Backup of everything into one file, from any of the databases; ``restoring`` puts it back into any other.

A backup is a zip file with ``backup.json`` (what it is), ``tables/<name>.jsonl`` (a row a line), ``media/``, ``readings/``
and ``results/`` as in the data folder, and ``SHA256SUMS``. Playable copies are left out, since they can be made anew, and
so are logins and pairings, which hold for one machine.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path

from sqlalchemy import select

import midstance
from midstance.errors import RecordsError
from midstance.records import schema
from midstance.records.archive import Writer, place, safe
from midstance.records.database import Database
from midstance.records.dumping import LEFT_OUT, rows, snapshot, tables
from midstance.records.home import Home
from midstance.records.restoring import DESCRIPTION, FORMAT, FORMAT_VERSION, Restored, restore
from midstance.records.tables import AssessmentRow, Base, FilmRow, now

_TRIES = 3

__all__ = ["Restored", "back_up", "restore"]


class _Changed(Exception):
    """Something was removed while it was being copied."""


def back_up(home: Home, database: Database, to: Path, *, told: Callable[[str], None] | None = None) -> Path:
    """Write everything into one file, as it is at one moment, while others go on working; return the file.

    Parameters
    ----------
    to : a file that isn't there yet, or a folder, in which it is named after the time.
    told : is called with a line for everything that couldn't be put in, such as a film whose file is damaged.

    Raises
    ------
    RecordsError
        The file can't be written.
    """
    if Path(to) == home.backups:
        home.backups.mkdir(parents=True, exist_ok=True)
    for _ in range(_TRIES):
        to_file = place(to, f"midstance-{now():%Y-%m-%d-%H%M%S}.zip")
        with contextlib.suppress(_Changed):
            faults = _write(home, database, to_file)
            if told is not None:
                for fault in faults:
                    told(fault)
            return to_file
    raise RecordsError(
        "films were removed all the while",
        where=str(to),
        allowed="a backup while nothing is being removed",
        next_step="try again in a minute",
    )


def _write(home: Home, database: Database, to: Path) -> list[str]:
    counts: dict[str, int] = {}
    faults: list[str] = []
    with Writer(to) as out:
        with snapshot(database) as connection:
            at = schema.version(connection)
            for table in tables():
                if table.name not in LEFT_OUT:
                    counts[table.name] = out.lines(f"tables/{table.name}.jsonl", rows(connection, table))
            media = list(connection.scalars(select(FilmRow.sha256).distinct().order_by(FilmRow.sha256)))
            films = list(connection.scalars(select(FilmRow.id).order_by(FilmRow.id)))
            done = select(AssessmentRow.id).where(AssessmentRow.state == "done").order_by(AssessmentRow.id)
            reports = list(connection.scalars(done))
        for sha256 in media:
            faults += _film(home, database, out, sha256)
        for film_id in films:
            _folder(home.reading(film_id), f"readings/{film_id}", out)
        for report in reports:
            if _folder(home.result(report), f"results/{report}", out) == 0 and _there(database, "assessment", report):
                faults.append(f"report {report}: its files are not in the data folder")
        out.json(
            DESCRIPTION,
            {
                "format": FORMAT,
                "format_version": FORMAT_VERSION,
                "software": f"midstance {midstance.__version__}",
                "tables_version": at,
                "made_at": now().isoformat(),
                "rows": counts,
                "incomplete": faults,
            },
        )
    return faults


def _film(home: Home, database: Database, out: Writer, sha256: str) -> list[str]:
    """Put a film in; return what is wrong with it."""
    path = home.media / sha256[:2] / sha256
    try:
        with open(path, "rb") as file:
            found = out.file(f"media/{sha256[:2]}/{sha256}", file)
    except FileNotFoundError:
        if not _there(database, "film", sha256, column="sha256"):
            raise _Changed from None
        return [f"film {sha256}: it is not in the media store"]
    return [] if found == sha256 else [f"film {sha256}: its content has changed on the disk"]


def _there(database: Database, table: str, key: str, *, column: str = "id") -> bool:
    columns = Base.metadata.tables[table].columns
    with database.reading() as db:
        return db.execute(select(columns["id"]).where(columns[column] == key).limit(1)).first() is not None


def _folder(folder: Path, name: str, out: Writer) -> int:
    """Put a folder's files in; return how many."""
    count = 0
    for path in sorted(p for p in folder.rglob("*")) if folder.is_dir() else ():
        entry = f"{name}/{path.relative_to(folder).as_posix()}"
        if path.is_symlink() or not path.is_file() or not safe(entry):
            continue
        with contextlib.suppress(FileNotFoundError), open(path, "rb") as file:
            out.file(entry, file)
            count += 1
    return count
