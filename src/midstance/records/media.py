"""The media store: every file once, under the SHA-256 sum of its content, never written to again."""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import TracebackType
from typing import BinaryIO, Self

import attrs

from midstance.errors import NotFoundError, OptionError, RecordsError
from midstance.records.fields import sha256 as as_sum
from midstance.records.home import Home

_BLOCK = 1 << 20


@attrs.frozen
class Stored:
    """A file in the store: its sum and size."""

    sha256: str
    bytes: int


class Incoming:
    """A file on its way into the store. What isn't finished leaves nothing behind.

    Use it as a context: ``with store.incoming() as file: file.write(block); stored = file.finish()``.
    """

    def __init__(self, store: MediaStore, most_bytes: int | None) -> None:
        self._store, self._most = store, most_bytes
        self._sum, self._size = hashlib.sha256(), 0
        self._part = store.home.incoming / f"{secrets.token_hex(16)}.part"
        with _told(self._part):
            self._file: BinaryIO | None = open(self._part, "xb")  # noqa: SIM115

    def write(self, block: bytes) -> None:
        """Add bytes.

        Raises
        ------
        OptionError
            It is larger than allowed.
        RecordsError
            The disk is full or can't be written.
        """
        assert self._file is not None, "finished already"
        self._size += len(block)
        if self._most is not None and self._size > self._most:
            raise OptionError(
                "the file is too large",
                where="film",
                allowed=f"up to {self._most / 1e9:g} GB",
                next_step="cut the film to the part with the run, or film in a smaller size",
            )
        self._sum.update(block)
        with _told(self._part):
            self._file.write(block)

    def finish(self) -> Stored:
        """Move the file to its place, complete and on the disk, and return what it is called there."""
        assert self._file is not None, "finished already"
        with _told(self._part):
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            self._file = None
            os.chmod(self._part, 0o444)
            stored = Stored(self._sum.hexdigest(), self._size)
            self._store._place(self._part, stored)
        return stored

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if self._file is not None:
            self._file.close()
            self._file = None
        self._part.unlink(missing_ok=True)


class MediaStore:
    """The store in a data folder. Names in it are sums and nothing else, so none can lead out of it."""

    def __init__(self, home: Home) -> None:
        self.home = home

    def incoming(self, most_bytes: int | None = None) -> Incoming:
        """Begin a new file of at most ``most_bytes``."""
        return Incoming(self, most_bytes)

    def take(self, source: BinaryIO | Iterable[bytes], *, most_bytes: int | None = None) -> Stored:
        """Take a file in, from something to read or from blocks of bytes. The same content is kept once.

        Raises
        ------
        OptionError
            It is larger than ``most_bytes``.
        RecordsError
            The disk is full or can't be written.
        """
        with self.incoming(most_bytes) as file:
            for block in _blocks(source):
                file.write(block)
            return file.finish()

    def adopt(self, path: Path, *, move: bool = False) -> Stored:
        """Take a file that lies elsewhere; with ``move`` it is gone from there afterwards.

        Raises
        ------
        RecordsError
            It can't be read, or the store can't be written.
        """
        try:
            with open(path, "rb") as file:
                stored = self.take(file)
        except OSError as error:
            raise RecordsError(
                f"the file can't be read ({error.strerror or error})",
                where=path.name,
                allowed="a file that may be read",
                next_step="check that it is still there",
            ) from error
        if move:
            path.unlink(missing_ok=True)
        return stored

    def path(self, sha256: str) -> Path:
        """Return where a file lies.

        Raises
        ------
        NotFoundError
            It isn't in the store.
        """
        path = self._at(sha256)
        if not path.is_file():
            raise NotFoundError(
                "the file is not in the media store",
                where=f"media {sha256[:12]}…",
                allowed="films that are in the data folder",
                next_step="hand the film in again, or put the backup back that holds it",
            )
        return path

    def has(self, sha256: str) -> bool:
        """Whether there is such a file."""
        return self._at(sha256).is_file()

    def remove(self, sha256: str) -> bool:
        """Remove a file; False when there was none. Whoever calls makes sure that nothing refers to it."""
        path = self._at(sha256)
        try:
            path.unlink()
        except FileNotFoundError:
            return False
        _sync_folder(path.parent)
        return True

    def all(self) -> Iterator[str]:
        """Yield the sums of all files, in order."""
        for folder in sorted(self.home.media.iterdir()) if self.home.media.is_dir() else ():
            if len(folder.name) == 2 and folder.is_dir():
                yield from sorted(p.name for p in folder.iterdir() if len(p.name) == 64 and p.name.startswith(folder.name))

    def check(self) -> list[str]:
        """Read every file again and return what is wrong, one line each; empty when all is well."""
        faults = []
        for path in sorted(p for p in self.home.media.rglob("*") if not p.is_dir()):
            name = path.relative_to(self.home.media).as_posix()
            try:
                fits = name == f"{path.name[:2]}/{as_sum(path.name)}"
            except ValueError:
                fits = False
            if not fits or path.is_symlink():
                faults.append(f"{name}: does not belong here")
            elif file_sum(path).sha256 != path.name:
                faults.append(f"{name}: its content has changed; put it back from a backup")
        return faults

    def _at(self, sha256: str) -> Path:
        return self.home.media / as_sum(sha256)[:2] / sha256

    def _place(self, part: Path, stored: Stored) -> None:
        """Move a finished file to its place; on the disk before this returns."""
        path = self._at(stored.sha256)
        if path.is_file() and path.stat().st_size == stored.bytes:
            return  # the same content; the part goes when its context ends
        path.parent.mkdir(exist_ok=True)
        os.replace(part, path)
        _sync_folder(path.parent)
        _sync_folder(self.home.media)


def file_sum(path: Path) -> Stored:
    """Return the sum and size of a file."""
    digest, size = hashlib.sha256(), 0
    with open(path, "rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
            size += len(block)
    return Stored(digest.hexdigest(), size)


def _blocks(source: BinaryIO | Iterable[bytes]) -> Iterable[bytes]:
    read = getattr(source, "read", None)
    return iter(lambda: read(_BLOCK), b"") if read is not None else source


def _sync_folder(folder: Path) -> None:
    """Put the names in a folder on the disk, where the system can."""
    try:
        fd = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(fd)
    except OSError:
        pass
    finally:
        os.close(fd)


class _told:
    """Turn a full or read-only disk into an error a user can act on."""

    def __init__(self, path: Path) -> None:
        self._path = path

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if isinstance(error, OSError):
            raise RecordsError(
                f"the file can't be stored ({error.strerror or error})",
                where=str(self._path.parent.parent),
                allowed="a data folder with room that may be written to",
                next_step="make room on the disk, then hand the film in again",
            ) from error
