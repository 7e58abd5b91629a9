"""Tables of numbers in text files (CSV, TSV, semicolons, decimal commas), read block by block."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from pathlib import Path

import attrs
import numpy as np
import pyarrow as pa
import pyarrow.csv as pc

from midstance.errors import ForceError
from midstance.gait.model import Floats

#: Lines looked at for the heading, bytes of the file they may take, and bytes read at once.
LOOK_LINES, LOOK_BYTES, BLOCK_BYTES = 120, 400_000, 4_000_000
#: Lines of numbers in a row that end the heading.
NUMBERS_IN_A_ROW = 3
_SEPARATORS = ("\t", ";", ",", None)
_RATE = re.compile(r"(?:rate|frequency|freq|fs|hz)[^\d\n]{0,20}(\d+(?:[.,]\d+)?)", re.I)
_MISSING = ["", "NaN", "nan", "NA", "N/A", "null", "NULL", "-", "#N/A", "-nan", "inf", "-inf"]


@attrs.frozen
class TableShape:
    """How a text file is laid out: separator (None: runs of blanks), decimal comma, columns, lines before the numbers."""

    separator: str | None
    decimal_comma: bool
    names: tuple[str, ...]
    units: tuple[str, ...]
    skip: int
    named_rate_hz: float | None
    encoding: str


def look_at(path: Path) -> TableShape:
    """Find out how a table is laid out from its first lines.

    Raises
    ------
    ForceError
        It is empty, or holds no lines of numbers.
    """
    with path.open("rb") as file:
        start = file.read(LOOK_BYTES)
    if not start.strip():
        raise ForceError("the file is empty", where=path.name)
    text, encoding = _decoded(start, path)
    lines = text.splitlines()[:LOOK_LINES]
    if len(start) == LOOK_BYTES and lines:
        lines = lines[: max(1, len(lines) - 1)]
    for separator in _SEPARATORS:
        for comma in (False, True):
            if separator == "," and comma:
                continue
            found = _first_numbers(lines, separator, comma)
            if found is None:
                continue
            first, width = found
            names, units = _heading(lines[:first], separator, width, comma)
            rate = next((float(m.group(1).replace(",", ".")) for m in map(_RATE.search, lines[:first]) if m), None)
            return TableShape(separator, comma, names, units, first, rate, encoding)
    raise ForceError(
        "no lines of numbers were found in it",
        where=path.name,
        allowed="a table with a line of column names and lines of numbers, separated by commas, semicolons, tabs or blanks",
        next_step="export forces and moments, or forces and centre of pressure, as CSV",
    )


def _decoded(start: bytes, path: Path) -> tuple[str, str]:
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return start.decode("utf-16", errors="replace"), "utf-16"
    if b"\0" in start[:2000]:
        raise ForceError("it isn't text", where=path.name, allowed="C3D, CSV, TSV, NPZ")
    try:
        return start.decode("utf-8-sig"), "utf-8"
    except UnicodeDecodeError as error:
        if error.start > len(start) - 4:
            return start[: error.start].decode("utf-8-sig"), "utf-8"
        return start.decode("latin-1"), "latin-1"


def _cells(line: str, separator: str | None) -> list[str]:
    return line.split() if separator is None else [c.strip().strip('"') for c in line.rstrip("\r\n").split(separator)]


def _is_number(cell: str, comma: bool) -> bool:
    if cell in _MISSING:
        return True
    if comma:
        if "." in cell:
            return False
        cell = cell.replace(",", ".")
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _first_numbers(lines: Sequence[str], separator: str | None, comma: bool) -> tuple[int, int] | None:
    """First of ``NUMBERS_IN_A_ROW`` lines with the same number of numbers, and that number."""
    widths = []
    for line in lines:
        cells = _cells(line, separator)
        fine = any(c not in _MISSING for c in cells) and all(_is_number(c, comma) for c in cells)
        widths.append(len(cells) if fine else 0)
    for i in range(len(widths)):
        ahead = widths[i : i + NUMBERS_IN_A_ROW]
        if widths[i] and len(ahead) == NUMBERS_IN_A_ROW and len(set(ahead)) == 1:
            if separator in ("\t", ";", ",") and widths[i] == 1:
                # One number a line, or numbers with this sign inside: only if nothing else fits better.
                if any(s in lines[i] for s in (";", "\t")) or (comma and "," in lines[i]):
                    return None
            return i, widths[i]
    return None


def _heading(
    lines: Sequence[str], separator: str | None, width: int, comma: bool
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Names and units: the last lines of the heading with the right number of cells, a line of units below the names."""
    rows = [_cells(line, separator) for line in lines]
    fits = [r for r in rows if len(r) == width and any(c and not _is_number(c, comma) for c in r)]
    if not fits:
        return tuple(f"column {i + 1}" for i in range(width)), ("",) * width
    last = fits[-1]
    if len(fits) > 1 and _are_units(last):
        return tuple(fits[-2]), tuple(c.strip("[]() ") for c in last)
    return tuple(last), ("",) * width


def _are_units(cells: Sequence[str]) -> bool:
    from midstance.plates.columns import BODY_WEIGHT, FORCE_UNITS, LENGTH_UNITS, MOMENT_UNITS, TIME_UNITS

    every = {*BODY_WEIGHT, *FORCE_UNITS, *LENGTH_UNITS, *MOMENT_UNITS, *TIME_UNITS, "v", "deg", "%", "frames", "frame", "#"}
    plain = [re.sub(r"[\s·*^()\[\]]", "", c.lower()) for c in cells if c]
    return bool(plain) and sum(c in every for c in plain) >= 0.6 * len(plain)


def read_blocks(path: Path, shape: TableShape, columns: Sequence[int]) -> Iterator[Floats]:
    """Read the numbers block by block.

    Parameters
    ----------
    columns : the columns that are wanted; the others are NaN in what is returned.

    Yields
    ------
    (n, columns of the file) arrays; cells that are empty or no number are NaN.

    Raises
    ------
    ForceError
        A line has another number of cells, or a cell can't be read as a number: with the line's number where known.
    """
    if shape.separator is None or shape.encoding == "utf-16":
        yield from _slow_blocks(path, shape)
        return
    names = [f"c{i}" for i in range(len(shape.names))]
    wanted = [names[i] for i in sorted(set(columns))]
    try:
        reader = pc.open_csv(
            path,
            read_options=pc.ReadOptions(
                use_threads=False, block_size=BLOCK_BYTES, skip_rows=shape.skip, column_names=names, encoding=shape.encoding
            ),
            parse_options=pc.ParseOptions(delimiter=shape.separator, ignore_empty_lines=True),
            convert_options=pc.ConvertOptions(
                column_types={n: pa.float64() for n in wanted},
                include_columns=wanted,
                null_values=_MISSING,
                decimal_point="," if shape.decimal_comma else ".",
            ),
        )
        for batch in reader:
            out = np.full((batch.num_rows, len(names)), np.nan, order="F")
            for n in wanted:
                column = batch.column(n).cast(pa.float64()).fill_null(float("nan"))
                out[:, int(n[1:])] = column.to_numpy(zero_copy_only=False)
            yield out
    except pa.ArrowInvalid as error:
        raise ForceError(
            f"a line can't be read as numbers: {_plain(error)}",
            where=path.name,
            allowed=f"{len(names)} numbers a line, as in its first lines",
            next_step="open the file at that line, or export it again",
        ) from None


def _slow_blocks(path: Path, shape: TableShape) -> Iterator[Floats]:
    """Blanks as separators, or an encoding of two bytes: line by line."""
    width, rows = len(shape.names), []
    with path.open(encoding=shape.encoding, errors="replace") as file:
        for number, line in enumerate(file):
            if number < shape.skip or not line.strip():
                continue
            cells = _cells(line.rstrip("\r\n"), shape.separator)
            if len(cells) != width or not all(_is_number(c, shape.decimal_comma) for c in cells):
                raise ForceError(
                    f"line {number + 1} has {len(cells)} cells or one that is no number: {line.strip()[:60]!r}",
                    where=path.name,
                    allowed=f"{width} numbers a line",
                )
            rows.append([float("nan") if c in _MISSING else float(c.replace(",", ".")) for c in cells])
            if len(rows) == 20_000:
                yield np.array(rows, dtype=np.float64)
                rows = []
    if rows:
        yield np.array(rows, dtype=np.float64)


def _plain(error: Exception) -> str:
    return re.sub(r"\bc(\d+)\b", lambda m: f"column {int(m.group(1)) + 1}", str(error)).split("\n")[0].rstrip(".")
