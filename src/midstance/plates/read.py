"""Open a force recording of any kind that can be read."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import attrs
import numpy as np

from midstance.errors import ForceError
from midstance.force.analyse import measure_force
from midstance.force.model import ForceAbout, ForceBlock, ForceResult, ForceSettings
from midstance.gait.model import Floats
from midstance.plates import npz, tables
from midstance.plates.c3d import open_c3d
from midstance.plates.mapping import TableMapping, guess_mapping

#: Length of a table that the mapping is guessed from, samples; enough for 30 s at 2000 Hz.
HEAD_SAMPLES = 60_000
KINDS = (".c3d", ".csv", ".tsv", ".txt", ".npz")


@attrs.frozen
class ReadOptions:
    """What a user may say about a table: see ``mapping.guess_mapping``."""

    roles: Mapping[str, str] | None = None
    unit: str | None = None
    length_unit: str | None = None
    rate_hz: float | None = None


@attrs.frozen(eq=False)
class ForceFile:
    """An open recording: what it is, its samples, and the body mass and speed it carries itself (None where it doesn't)."""

    name: str
    about: ForceAbout
    blocks: Callable[[], Iterator[ForceBlock]]
    mapping: TableMapping | None = None
    mass_kg: float | None = None
    speed_mps: float | None = None


def open_force(path: Path, options: ReadOptions | None = None, *, mass_kg: float | None = None) -> ForceFile:
    """Open a force recording.

    Parameters
    ----------
    path : C3D, CSV, TSV or TXT table, or NPZ archive.
    options : what is known of a table's columns.
    mass_kg : body mass, kg; it tells the unit where nothing else does.

    Raises
    ------
    ForceError
        It isn't there, isn't one of these, or lacks what is needed.
    """
    asked = options or ReadOptions()
    if not path.is_file():
        raise ForceError("there is no such file", where=str(path), allowed="a C3D, CSV, TSV or NPZ file")
    kind = path.suffix.lower()
    if kind == ".c3d":
        c3d = open_c3d(path)
        return ForceFile(path.name, c3d.about, c3d.blocks)
    if kind == ".npz":
        return _open_npz(path, asked, mass_kg)
    if kind in (".csv", ".tsv", ".txt"):
        return _open_table(path, asked, mass_kg)
    raise ForceError(
        f"files of the kind {kind or 'without an ending'} can't be read", where=path.name, allowed=", ".join(KINDS)
    )


def read_and_measure(
    path: Path,
    settings: ForceSettings | None = None,
    options: ReadOptions | None = None,
    progress: Callable[[float], None] = lambda s: None,
) -> ForceResult:
    """Open a recording and measure it; body mass and speed that it carries count where the settings name none."""
    asked = settings or ForceSettings()
    file = open_force(path, options, mass_kg=asked.mass_kg)
    filled = attrs.evolve(asked, mass_kg=asked.mass_kg or file.mass_kg, speed_mps=asked.speed_mps or file.speed_mps)
    return measure_force(file.about, file.blocks, filled, where=file.name, progress=progress)


def _open_table(path: Path, asked: ReadOptions, mass_kg: float | None) -> ForceFile:
    shape = tables.look_at(path)
    every = range(len(shape.names))
    head = _head(tables.read_blocks(path, shape, list(every)))
    mapping = _guess(path, shape.names, shape.units, head, asked, mass_kg, shape.named_rate_hz)
    return _from_mapping(path, mapping, lambda columns: tables.read_blocks(path, shape, columns))


def _open_npz(path: Path, asked: ReadOptions, mass_kg: float | None) -> ForceFile:
    shape = npz.look_at(path)
    mass, speed = npz.mass_in(path, shape)
    head = _head(npz.read_blocks(path, shape, range(len(shape.channels))))
    mapping = _guess(path, shape.channels, ("",) * len(shape.channels), head, asked, mass_kg or mass, None)
    file = _from_mapping(path, mapping, lambda columns: npz.read_blocks(path, shape, columns))
    about = attrs.evolve(file.about, samples=shape.length, feet=npz.feet_in(path, shape))
    return attrs.evolve(file, about=about, mass_kg=mass, speed_mps=speed)


def _guess(
    path: Path,
    names: tuple[str, ...],
    units: tuple[str, ...],
    head: Floats,
    asked: ReadOptions,
    mass_kg: float | None,
    named: float | None,
) -> TableMapping:
    return guess_mapping(
        names,
        units,
        head,
        where=path.name,
        roles=asked.roles,
        unit=asked.unit,
        length_unit=asked.length_unit,
        rate_hz=asked.rate_hz,
        mass_kg=mass_kg,
        named_rate_hz=named,
    )


def _head(blocks: Iterator[Floats]) -> Floats:
    parts, have = [], 0
    for block in blocks:
        parts.append(block[: HEAD_SAMPLES - have])
        have += len(parts[-1])
        if have >= HEAD_SAMPLES:
            break
    return np.concatenate(parts) if parts else np.zeros((0, 1))


def _from_mapping(path: Path, mapping: TableMapping, read: Callable[[list[int]], Iterator[Floats]]) -> ForceFile:
    columns = sorted(
        {
            u.column.index
            for group in (mapping.forces, mapping.moments, mapping.cops)
            for uses in group.values()
            for u in uses
        }
    )

    def blocks() -> Iterator[ForceBlock]:
        first = 0
        for data in read(columns):
            yield ForceBlock(first, mapping.wrench(data))
            first += len(data)

    about = ForceAbout(mapping.rate_hz, None, mapping.start_s, mapping.make_plates(), unit=mapping.unit, notes=mapping.notes)
    return ForceFile(path.name, about, blocks, mapping)
