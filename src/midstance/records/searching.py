"""Looking for what must not be there any more: ids, sums and a name, in the bytes of files and in all rows."""

from __future__ import annotations

import json
import re
from collections.abc import Collection, Iterator
from pathlib import Path
from typing import Any

import attrs
from sqlalchemy import JSON, String, select
from sqlalchemy.types import TypeEngine

from midstance.records.database import Database
from midstance.records.dumping import snapshot, tables
from midstance.records.home import Home

_BLOCK = 1 << 22
_HEX = re.compile(rb"[0-9a-f]{16,}")
#: Names shorter than this, in bytes, turn up by chance in any file and are looked for in rows only.
LEAST_NAME_BYTES = 4


@attrs.frozen
class Wanted:
    """What is looked for. ``keys`` are ids (16 hexadecimal digits) and sums (64)."""

    keys: frozenset[str]
    name: str

    def names(self) -> list[bytes]:
        """Return the name as it stands in files: as it is, and as JSON and HTML write it."""
        escaped = json.dumps(self.name)[1:-1]
        html = self.name.replace("&", "&amp;").replace("<", "&lt;").replace("'", "&#39;").replace('"', "&#34;")
        return [n.encode() for n in dict.fromkeys((self.name, escaped, html)) if len(n.encode()) >= LEAST_NAME_BYTES]


@attrs.frozen
class Hits:
    """Where something was found: keys (id or sum, place), places where the name occurs, how much was searched.

    ``within``: whether the name occurs anywhere, also as a part of a longer word.
    """

    keys: tuple[tuple[str, str], ...]
    names: tuple[str, ...]
    count: int
    within: bool = False


def search_files(home: Home, wanted: Wanted, *, but: Collection[Path] = ()) -> Hits:
    """Look into the data folder: names of all files, and the bytes of all but films, backups and ``but``."""
    keys: list[tuple[str, str]] = []
    names: list[str] = []
    count = 0
    for path in sorted(home.root.rglob("*")):
        place = path.relative_to(home.root).as_posix()
        if place == home.backups.name or place.startswith(home.backups.name + "/"):
            continue
        keys += [(key, f"the name of {place}") for key in _keys_in(path.name.encode("utf-8", "replace"), wanted.keys)]
        if not path.is_file() or path.is_symlink():
            continue
        count += 1
        if place.startswith("media/") or path.suffix == ".mp4" or path in but:
            continue
        found, named = search_bytes(path, wanted)
        keys += [(key, place) for key in found]
        names += [place] if named else []
    return Hits(tuple(keys), tuple(names), count)


def search_bytes(path: Path, wanted: Wanted) -> tuple[list[str], bool]:
    """Return which keys occur in the bytes of a file, and whether the name does."""
    found: set[str] = set()
    named, writings = False, wanted.names()
    overlap = max([80, *(len(n) for n in writings)])
    try:
        with open(path, "rb") as file:
            tail = b""
            while block := file.read(_BLOCK):
                piece = tail + block
                found.update(_keys_in(piece, wanted.keys))
                named = named or any(n in piece for n in writings)
                tail = piece[-overlap:]
    except FileNotFoundError:
        pass  # gone meanwhile
    return sorted(found), named


def _keys_in(piece: bytes, keys: frozenset[str]) -> Iterator[str]:
    """Yield keys that occur anywhere in it; databases write one id right after another, so every place counts."""
    for run in _HEX.finditer(piece):
        text = run[0].decode()
        if len(text) == 16:  # by far the most
            if text in keys:
                yield text
            continue
        for length in (16, 64):
            for i in range(len(text) - length + 1):
                if text[i : i + length] in keys:
                    yield text[i : i + length]


def search_rows(database: Database, wanted: Wanted) -> Hits:
    """Look into all text of every row of every table."""
    keys: list[tuple[str, str]] = []
    names: list[str] = []
    count = 0
    within = False
    whole = re.compile(rf"(?<!\w){re.escape(wanted.name)}(?!\w)")  # a short name is a part of many words
    with snapshot(database) as connection:
        for table in tables():
            asked = select(*(c for c in table.columns if isinstance(c.type, JSON) or _may_hold(c.type)))
            for row in connection.execute(asked.execution_options(yield_per=1000)):
                count += 1
                for value in row:
                    if value is None or value == {} or value == []:
                        continue
                    text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False)
                    if len(text) == 16:
                        found = [text] if text in wanted.keys else []
                    else:
                        found = list(_keys_in(text.encode("utf-8", "replace"), wanted.keys)) if len(text) > 16 else []
                    keys += [(key, f"table {table.name}") for key in found]
                    if wanted.name not in text:
                        continue
                    within = True
                    if whole.search(text):
                        names.append(f"table {table.name}, row {row[0]}")
    return Hits(tuple(keys), tuple(dict.fromkeys(names)), count, within)


def _may_hold(kind: TypeEngine[Any]) -> bool:
    """Whether a column has room for an id or a name."""
    return isinstance(kind, String) and (kind.length is None or kind.length >= 16)


def database_files(database: Database) -> list[Path]:
    """Return the files of an SQLite database: itself, its log of writes, its index. None of a server's."""
    name = database.engine.url.database if database.is_sqlite else None
    if not name or name == ":memory:":
        return []
    return [p for p in (Path(name + ending) for ending in ("", "-wal", "-shm", "-journal")) if p.exists()]
