"""One server for one data folder: a lock that goes with the process that holds it, however it ends."""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path
from typing import Any

from midstance.errors import RecordsError
from midstance.records.home import Home

LOCK_FILE = "serving.lock"


class HomeLock:
    """The right to work on the jobs of a data folder. The file stays; only the lock on it counts."""

    def __init__(self, home: Home) -> None:
        self.path: Path = home.root / LOCK_FILE
        self._file: Any = None

    def take(self) -> None:
        """Take the lock.

        Raises
        ------
        RecordsError
            Another process has it, or the folder can't be written.
        """
        try:
            # Not passed on to children: a child that outlives the server for a moment must not keep the lock.
            fd = os.open(self.path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
        except OSError as error:
            raise RecordsError(
                f"the data folder can't be used ({error.strerror or error})",
                where=str(self.path.parent),
                allowed="a folder you may write to",
                next_step="choose another folder with --data",
            ) from error
        file = os.fdopen(fd, "r+b", buffering=0)
        try:
            _lock(file)
        except OSError as error:
            file.close()
            raise RecordsError(
                "another server works on this data folder",
                where=str(self.path.parent),
                allowed="one server for each data folder",
                next_step="use the one that runs, or stop it first; or choose another folder with --data",
            ) from error
        self._file = file

    def release(self) -> None:
        """Let others have it."""
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):
                _unlock(file)
            file.close()

    def __enter__(self) -> HomeLock:
        self.take()
        return self

    def __exit__(self, *_: object) -> None:
        self.release()


if sys.platform == "win32":
    import msvcrt

    def _lock(file: Any) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)

    def _unlock(file: Any) -> None:
        file.seek(0)
        msvcrt.locking(file.fileno(), msvcrt.LK_UNLCK, 1)

else:
    import fcntl

    def _lock(file: Any) -> None:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _unlock(file: Any) -> None:
        fcntl.flock(file, fcntl.LOCK_UN)
