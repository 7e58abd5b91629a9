"""The archive that backups and exports are written as: a zip file with a list of sums that common tools can check."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import re
import secrets
import time
import zipfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self

from midstance.errors import RecordsError

SUMS = "SHA256SUMS"
_BLOCK = 1 << 20
#: What is made of bytes that hardly get smaller is put in as it is.
_PACKED = (".mp4", ".mov", ".mkv", ".webm", ".avi", ".jpg", ".png", ".npz", ".parquet", ".pdf", ".zip", ".gz")


class Writer:
    """Writes an archive beside its place and moves it there when it is whole; what fails leaves nothing."""

    def __init__(self, to: Path) -> None:
        self.to = to
        self._part = to.with_name(f".{to.name}.{secrets.token_hex(4)}.part")
        self._sums: dict[str, str] = {}
        self._at = time.localtime()[:6]

    def __enter__(self) -> Self:
        with _told(self.to):
            if self.to.exists():
                raise RecordsError(
                    "there is a file of this name already",
                    where=str(self.to),
                    allowed="a name that isn't taken, or a folder",
                    next_step="choose another name, or move the file away",
                )
            self._file = open(self._part, "xb")
            os.chmod(self._part, 0o600)
            self._zip = zipfile.ZipFile(self._file, "w", zipfile.ZIP_STORED, allowZip64=True)
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        try:
            with _told(self.to):
                if error is None:
                    self._finish()
                elif isinstance(error, OSError):
                    raise error
        finally:
            with contextlib.suppress(OSError, ValueError):  # what is left of it is thrown away
                self._zip.close()
            self._file.close()
            self._part.unlink(missing_ok=True)

    def _finish(self) -> None:
        lines = "".join(f"{digest}  {name}\n" for name, digest in sorted(self._sums.items()))
        self._zip.writestr(zipfile.ZipInfo(SUMS, self._at), lines.encode(), zipfile.ZIP_DEFLATED)
        self._zip.close()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        os.replace(self._part, self.to)

    def text(self, name: str, text: str) -> None:
        """Add a text."""
        self.file(name, io.BytesIO(text.encode()))

    def json(self, name: str, value: Any) -> None:
        """Add a value as JSON that people can read."""
        self.text(name, json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False) + "\n")

    def lines(self, name: str, rows: Iterator[Mapping[str, Any]]) -> int:
        """Add rows, one JSON object a line; return how many."""
        count = 0
        with self._entry(name, packed=False) as out:
            for row in rows:
                out.write((json.dumps(row, ensure_ascii=False, allow_nan=False) + "\n").encode())
                count += 1
        return count

    def file(self, name: str, source: BinaryIO) -> str:
        """Add what can be read from ``source``; return its sum."""
        with self._entry(name, packed=name.startswith("media/") or name.endswith(_PACKED)) as out:
            while block := source.read(_BLOCK):
                out.write(block)
        return self._sums[name]

    def _entry(self, name: str, *, packed: bool) -> _Summing:
        assert name not in self._sums, name
        info = zipfile.ZipInfo(name, self._at)
        info.compress_type = zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED
        info.external_attr = 0o644 << 16
        return _Summing(self._zip.open(info, "w", force_zip64=True), self._sums, name)


class _Summing:
    """An entry that is being written, and its sum."""

    def __init__(self, out: Any, sums: dict[str, str], name: str) -> None:
        self._out, self._sums, self._name = out, sums, name
        self._digest = hashlib.sha256()

    def write(self, block: bytes) -> None:
        self._digest.update(block)
        self._out.write(block)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._out.close()
        self._sums[self._name] = self._digest.hexdigest()


class _told:
    """Turn a full or missing disk into an error a user can act on."""

    def __init__(self, to: Path) -> None:
        self._to = to

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if isinstance(error, OSError):
            raise RecordsError(
                f"the file can't be written ({error.strerror or error})",
                where=str(self._to),
                allowed="a place that exists, may be written to and has room",
                next_step="choose another place; nothing was left there",
            ) from error


def place(to: Path, name: str) -> Path:
    """Return the file to write: ``to`` itself, or ``name`` in it when it is a folder."""
    to = Path(to)
    return to / name if to.is_dir() else to


_PART = re.compile(r"[^/\\:*?\"<>|\x00-\x1f\x7f]{1,120}")


def safe(name: str) -> bool:
    """Whether the name of an entry stays within the folder it is unpacked to, on any system."""
    parts = name.split("/")
    return len(parts) <= 6 and all(
        _PART.fullmatch(p) is not None and p.strip(" .") == p.strip() and p.strip(".") != "" for p in parts
    )
