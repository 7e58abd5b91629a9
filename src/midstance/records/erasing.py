"""Erasing a runner, provably; and clearing away files that nothing refers to any more."""

from __future__ import annotations

import shutil
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import attrs
from sqlalchemy import delete, func, or_, select, text
from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from midstance.records import journal
from midstance.records.changing import found, lock_media, who
from midstance.records.database import Database
from midstance.records.dumping import tables
from midstance.records.films import media_unused
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.records.searching import Wanted, database_files, search_bytes, search_files, search_rows
from midstance.records.sessions import nothing_runs
from midstance.records.settings import get_setting, set_setting
from midstance.records.tables import (
    AssessmentRow,
    CorrectionRow,
    FilmRow,
    JobRow,
    JournalRow,
    MediaRow,
    OverruleRow,
    PairingRow,
    RunnerRow,
    SessionRow,
)

#: What is still to be removed after the rows are gone; a start after a crash goes on from here.
PENDING = "erasing"
#: Files that belong to nothing are left alone for so long: they may be on their way in.
GRACE_S = 86400.0
#: How long to wait for others to stop reading what SQLite wants to overwrite.
PATIENCE_S = 20.0
#: Places with the same name that are told one by one.
MOST_SHOWN = 12

_SQLITE_OUT = (
    "backups and exports made earlier, wherever they lie",
    "what the disk, its snapshots or a synchronised folder keep of files that were removed",
)
_SERVER_OUT = (
    "the log, archives, statistics, replicas and backups of the database server",
    *_SQLITE_OUT,
)


@attrs.frozen
class Proof:
    """What was searched afterwards, and what was found.

    ``traces``: ids, sums, or the name where no row has it: should be none. ``mentions``: places where the same name occurs,
    which may be somebody else's, or a note about the runner elsewhere. ``unreachable``: what can't be searched.
    """

    searched: tuple[str, ...]
    traces: tuple[str, ...]
    mentions: tuple[str, ...]
    backups: tuple[str, ...]
    unreachable: tuple[str, ...]


@attrs.frozen
class Erased:
    """What was removed, and the proof."""

    counts: dict[str, int]
    proof: Proof

    @property
    def clean(self) -> bool:
        """Whether nothing was found any more."""
        return not self.proof.traces

    def lines(self) -> list[str]:
        """Return it in words, for people."""
        out = ["Erased: " + ", ".join(f"{count} {name}" for name, count in self.counts.items() if count) + "."]
        out.append("Searched afterwards: " + "; ".join(self.proof.searched) + ".")
        if self.clean:
            out.append("No id, sum or file of the runner was found any more.")
        else:
            out += [f"Still found: {trace}" for trace in self.proof.traces]
            out.append("Something was still in use; the next start of the workbench removes it.")
        shown, more = self.proof.mentions[:MOST_SHOWN], len(self.proof.mentions) - MOST_SHOWN
        out += [f"The same name is still in {place}; look whether this runner is meant." for place in shown]
        out += [f"… and in {more} more places."] if more > 0 else []
        out += [f"This backup lies in the data folder and may still hold the runner: {name}" for name in self.proof.backups]
        out.append("Not reached: " + "; ".join(self.proof.unreachable) + ".")
        return out


def erase_runner(home: Home, database: Database, runner_id: str, *, by: str) -> Erased:
    """Remove all that is kept of a runner, then search for traces. Films that another runner's session uses too stay.

    Raises
    ------
    NotFoundError
        There is no such runner.
    ConflictError
        Work on one of the runner's films or reports is under way.
    """
    with database.writing() as db:
        lock_media(db)
        runner = found(db, RunnerRow, runner_id, "runner", lock=True)
        wanted, pending, counts = _gather(db, runner)
        db.delete(runner)
        db.flush()
        db.execute(delete(MediaRow).where(MediaRow.sha256.in_(pending["media"])))
        journal.note(db, "runner erased", by=who(by), detail=counts)
        earlier = get_setting(db, PENDING) or {}
        set_setting(db, PENDING, {kind: sorted({*earlier.get(kind, []), *ids}) for kind, ids in pending.items()})
    finish_pending(home, database)
    return Erased(counts, _prove(home, database, wanted))


def _gather(db: Session, runner: RunnerRow) -> tuple[Wanted, dict[str, list[str]], dict[str, int]]:
    """Return what to look for afterwards, what lies in files, and how much there is."""
    sessions = select(SessionRow.id).where(SessionRow.runner_id == runner.id)
    films = select(FilmRow.id).where(FilmRow.session_id.in_(sessions))
    assessments = select(AssessmentRow.id).where(AssessmentRow.session_id.in_(sessions))
    of_jobs = or_(JobRow.session_id.in_(sessions), JobRow.film_id.in_(films), JobRow.assessment_id.in_(assessments))
    nothing_runs(db, of_jobs, of_jobs, "runner")
    mine = select(FilmRow.sha256).where(FilmRow.session_id.in_(sessions)).distinct()
    others = select(FilmRow.sha256).where(FilmRow.session_id.not_in(sessions))
    media = list(db.scalars(mine.where(FilmRow.sha256.not_in(others))))
    ids = {
        "sessions": list(db.scalars(sessions)),
        "films": list(db.scalars(films)),
        "corrections": list(db.scalars(select(CorrectionRow.id).where(CorrectionRow.film_id.in_(films)))),
        "overruled findings": list(db.scalars(select(OverruleRow.id).where(OverruleRow.session_id.in_(sessions)))),
        "reports": list(db.scalars(assessments)),
        "jobs": list(db.scalars(select(JobRow.id).where(of_jobs))),
        "paired phones": list(db.scalars(select(PairingRow.id).where(PairingRow.session_id.in_(sessions)))),
        "entries of the journal": list(db.scalars(select(JournalRow.id).where(JournalRow.runner_id == runner.id))),
    }
    counts = {name: len(found) for name, found in ids.items()}
    counts["film files"] = len(media)
    size = db.scalar(select(func.sum(MediaRow.bytes)).where(MediaRow.sha256.in_(media))) if media else 0
    counts["bytes of film"] = int(size or 0)
    keys = frozenset([runner.id, *media, *(i for found in ids.values() for i in found)])
    return Wanted(keys, runner.name), {"media": media, "films": ids["films"], "reports": ids["reports"]}, counts


def finish_pending(home: Home, database: Database) -> bool:
    """Remove the files of runners whose rows are gone, and overwrite what the database still holds of them.

    To be called at every start, so that an erasure that was cut short is completed. True when nothing is left to do.
    """
    with database.reading() as db:
        if get_setting(db, PENDING) is None:
            return True
    with database.writing() as db:
        lock_media(db)
        pending = get_setting(db, PENDING) or {}
        # Within the transaction: nobody can add a film with the same content between the question and the removal.
        asked = select(FilmRow.sha256).where(FilmRow.sha256.in_(pending.get("media", [])))
        used = set(db.scalars(asked))
        for sha256 in pending.get("media", []):
            if sha256 not in used:
                MediaStore(home).remove(sha256)
                _remove(home.proxy(sha256))
        for film_id in pending.get("films", []):
            _remove(home.reading(film_id))
        for assessment_id in pending.get("reports", []):
            _remove(home.result(assessment_id))
        # The ids themselves must not stay in the settings; that it has to be overwritten yet does.
        set_setting(db, PENDING, {})
    if not _overwrite(database):
        return False
    with database.writing() as db:
        set_setting(db, PENDING, None)
    return True


def _remove(folder: Path) -> int:
    if folder.is_symlink() or folder.is_file():
        folder.unlink(missing_ok=True)
        return 1
    if not folder.is_dir():
        return 0
    shutil.rmtree(folder)
    return 1


def _overwrite(database: Database) -> bool:
    """Let the database forget removed rows for good; False when others were reading for too long."""
    if not database.is_sqlite:
        with database.engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
            for table in tables():
                try:
                    connection.execute(text(f'VACUUM (FULL, ANALYZE) "{table.name}"'))
                except DBAPIError:
                    return False
        return True
    until = time.monotonic() + PATIENCE_S
    while True:
        raw = database.engine.raw_connection()
        try:
            cursor = raw.cursor()
            try:
                cursor.execute("VACUUM")
                cursor.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                busy = bool((cursor.fetchone() or (0,))[0])
            except Exception as error:
                if type(error).__name__ != "OperationalError":
                    raise
                busy = True
            finally:
                cursor.close()
        finally:
            raw.close()
        if not busy:
            return True
        if time.monotonic() > until:
            return False
        time.sleep(0.1)


def _prove(home: Home, database: Database, wanted: Wanted) -> Proof:
    own = database_files(database)
    in_rows, in_files = search_rows(database, wanted), search_files(home, wanted, but=own)
    traces = [f"{key} in {place}" for hits in (in_rows, in_files) for key, place in hits.keys]
    for path in own:
        keys, named = search_bytes(path, wanted)
        traces += [f"{key} in {path.name}" for key in keys]
        if named and not in_rows.within:
            traces.append(f"the name in {path.name}, though no row has it")
    searched = [
        f"{in_rows.count} rows of {len(tables())} tables",
        f"the names of {in_files.count} files in the data folder, and what is in them (films: names only)",
    ]
    if own:
        searched.append("every byte of " + ", ".join(path.name for path in own))
    return Proof(
        searched=tuple(searched),
        traces=tuple(dict.fromkeys(traces)),
        mentions=(*in_rows.names, *in_files.names),
        backups=tuple(sorted(p.name for p in home.backups.iterdir())) if home.backups.is_dir() else (),
        unreachable=_SQLITE_OUT if database.is_sqlite else _SERVER_OUT,
    )


def tidy(home: Home, database: Database) -> dict[str, int]:
    """Remove files that nothing refers to any more; return how many, by kind. May run while others work.

    Films go when no session has them; what is on its way in is left alone for a day.
    """
    finish_pending(home, database)
    store = MediaStore(home)
    counts = {"films": 0, "proxies": 0, "readings": 0, "results": 0}
    with database.writing() as db:
        lock_media(db)
        for sha256 in media_unused(db):
            db.execute(delete(MediaRow).where(MediaRow.sha256 == sha256))
            counts["films"] += store.remove(sha256)
        known = set(db.scalars(select(MediaRow.sha256)))
        for sha256 in list(store.all()):
            if sha256 not in known and _old(store.home.media / sha256[:2] / sha256):
                counts["films"] += store.remove(sha256)
        films, reports = set(db.scalars(select(FilmRow.id))), set(db.scalars(select(AssessmentRow.id)))
        for kind, kept in (("proxies", known), ("readings", films), ("results", reports)):
            counts[kind] = _clear(home.root / kind, kept, 64 if kind == "proxies" else 16)
    return counts


def _clear(folder: Path, kept: Iterable[Any], length: int) -> int:
    """Remove what is named after something that isn't there any more; other names only when they are old.

    Names that begin with a dot are left alone: they belong to jobs under way.
    """
    count = 0
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        if path.name.startswith("."):
            continue
        named = len(path.name) == length and all(c in "0123456789abcdef" for c in path.name)
        if (named and path.name not in kept) or (not named and _old(path)):
            count += _remove(path)
    return count


def _old(path: Path) -> bool:
    try:
        return time.time() - path.stat().st_mtime > GRACE_S
    except FileNotFoundError:
        return False

