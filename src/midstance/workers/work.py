"""A job as its task sees it: what it is about, a hidden place to write to, a way to say how far it is."""

from __future__ import annotations

import contextlib
import os
import shutil
import time
from collections.abc import Callable, Collection, Iterator, Mapping
from pathlib import Path
from typing import Any

import attrs
from sqlalchemy.orm import Session

from midstance.errors import ConflictError, MidstanceError, RecordsError
from midstance.records import jobs
from midstance.records.database import Database
from midstance.records.home import Home

#: Progress is written at most so often.
TELL_EVERY_S = 0.25
_HIDDEN = ".making-"


class TakenError(Exception):
    """The job was taken from this worker: what it made must not be shown."""


@attrs.frozen
class Done:
    """What a task made. ``publish`` shows it, in the transaction that ends the job, and returns what is kept with the job.

    It may be called more than once, when the database was busy. With a ``problem`` what was made is shown, yet the job
    failed.
    """

    publish: Callable[[Session], Mapping[str, Any] | None]
    problem: MidstanceError | None = None


@attrs.define
class Work:
    """One job under way. ``names`` holds what people call each file, for messages; tasks add to it."""

    home: Home
    database: Database
    job_id: str
    worker: str
    kind: str
    payload: Mapping[str, Any]
    session_id: str | None
    film_id: str | None
    assessment_id: str | None
    by: str
    names: dict[str, str] = attrs.field(factory=dict)
    _told_at: float = -1e9
    _told: tuple[str, float] = ("", -1.0)

    @property
    def name(self) -> str:
        """What people call that which the job is about."""
        return next(iter(self.names.values()), "")

    def tell(self, stage: str, share: float) -> None:
        """Say how far the work is: what is being done, and the share of the whole job that is done, 0–1.

        Raises
        ------
        TakenError
            The job is no longer this worker's, or is to be stopped.
        """
        now = time.monotonic()
        share = max(share, self._told[1] if self._told[1] > 0 else 0.0)  # never backwards
        if now - self._told_at < TELL_EVERY_S or (stage == self._told[0] and share - self._told[1] < 0.001):
            if now - self._told_at < 5.0:
                return
        self._told_at, self._told = now, (stage, share)
        try:
            with self.database.writing() as db:
                mine = jobs.progress(db, self.job_id, stage, share, worker=self.worker)
        except RecordsError:  # a busy database is no reason to lose the work
            return
        if not mine:
            raise TakenError(self.job_id)

    @contextlib.contextmanager
    def own(self) -> Iterator[Session]:
        """Give a session for writing, in which the job is certainly this worker's.

        Raises
        ------
        TakenError
            It isn't any more.
        """
        with self.database.writing() as db:
            try:
                jobs.hold(db, self.job_id, self.worker)
            except ConflictError as error:
                raise TakenError(self.job_id) from error
            yield db

    def part(self, start: float, end: float) -> Callable[[str, float], None]:
        """Return a ``tell`` for a part of the job that goes from one share of the whole to another."""
        return lambda stage, share: self.tell(stage, start + (end - start) * min(1.0, max(0.0, share)))

    @contextlib.contextmanager
    def stage(self, parent: Path) -> Iterator[Path]:
        """Give a hidden folder in ``parent``. It goes when the block ends; ``Done.publish`` moves things out of it."""
        parent.mkdir(parents=True, exist_ok=True)
        folder = parent / f"{_HIDDEN}{self.worker}"
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir()
        try:
            yield folder
        finally:
            shutil.rmtree(folder, ignore_errors=True)


def show_folder(made: Path, place: Path) -> None:
    """Give a complete folder its name, in place of an earlier one. Does nothing when that was done already."""
    if not made.exists():
        return
    place.parent.mkdir(parents=True, exist_ok=True)
    if place.exists():
        old = made.with_name(f"{made.name}-old")
        shutil.rmtree(old, ignore_errors=True)
        place.rename(old)
        made.rename(place)
        shutil.rmtree(old, ignore_errors=True)
    else:
        made.rename(place)
    flush_folder(place.parent)


def show_files(made: Path, place: Path) -> None:
    """Move complete files into a folder, each in place of an earlier one of its name."""
    place.mkdir(parents=True, exist_ok=True)
    for path in sorted(made.iterdir()):
        os.replace(path, place / path.name)
    flush_folder(place)


def flush(folder: Path) -> None:
    """Put all that a folder holds on the disk, so that a power cut can't leave names without content."""
    for path in folder.rglob("*"):
        if path.is_file():
            with path.open("rb+") as file:
                os.fsync(file.fileno())


def flush_folder(folder: Path) -> None:
    """Put the names in a folder on the disk, where the system can."""
    with contextlib.suppress(OSError):
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def working_places(home: Home) -> list[Path]:
    """Return the folders in which tasks make hidden ones."""
    return [home.root / name for name in ("proxies", "readings", "results")]


def clear_hidden(home: Home, worker: str | None = None) -> int:
    """Remove what broken-off work left: of one worker, or of all when nothing runs. Returns how many folders there were."""
    found = [p for place in working_places(home) for p in place.glob(f"{_HIDDEN}{worker or ''}*")]
    for path in found:
        shutil.rmtree(path, ignore_errors=True)
    return len(found)


def clear_incoming(home: Home, kept: Collection[Any] = ()) -> int:
    """Remove what was on its way in when the server was killed, but for the names in ``kept``; how much there was.

    It is of no use to anybody, and parts of films of people. Only for whoever has the lock of the data folder.
    """
    found = [p for p in home.incoming.glob("*") if p.name not in kept]
    for path in found:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path, ignore_errors=True)
        else:
            with contextlib.suppress(OSError):
                path.unlink()
    return len(found)


def checked(text: Any, allowed: Callable[[str], bool], what: str) -> str:
    """Return a text of a payload if it is what it should be; payloads come from the database and lead to files.

    Raises
    ------
    MidstanceError
        It isn't.
    """
    if not (isinstance(text, str) and allowed(text)):
        raise MidstanceError(f"the job names no {what}", next_step="ask for it again")
    return text
