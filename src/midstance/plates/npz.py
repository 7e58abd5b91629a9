"""NumPy archives: one array for each channel, read block by block without unpacking the whole."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import IO, Any

import attrs
import numpy as np

from midstance.errors import ForceError
from midstance.force.model import FeetPaths
from midstance.gait.model import SIDES, Floats, Side

#: Samples read at once.
BLOCK = 65_536


@attrs.frozen
class NpzShape:
    """Arrays of an archive: ``channels`` are the one-dimensional ones of the commonest length, with that length."""

    channels: tuple[str, ...]
    length: int
    others: dict[str, tuple[int, ...]]


def look_at(path: Path) -> NpzShape:
    """List the arrays of an archive."""
    shapes: dict[str, tuple[int, ...]] = {}
    numeric: list[str] = []
    try:
        with zipfile.ZipFile(path) as archive:
            for member in archive.namelist():
                if not member.endswith(".npy"):
                    continue
                with archive.open(member) as file:
                    shape, _, dtype = _header(file, member, path)
                shapes[member.removesuffix(".npy")] = shape
                if dtype.kind in "fiu":
                    numeric.append(member.removesuffix(".npy"))
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError) as error:
        raise ForceError(f"it can't be read as a NumPy archive ({error})", where=path.name) from None
    lengths = [shapes[n][0] for n in numeric if len(shapes[n]) == 1 and shapes[n][0] > 10 and _telling(n)]
    if not lengths:
        raise ForceError(
            "no channels were found in it",
            where=path.name,
            allowed="one-dimensional arrays with names such as vertical_force_n, cop_forward_m, force_time_s",
        )
    length = max(set(lengths), key=lambda v: (lengths.count(v), v))
    channels = tuple(n for n in numeric if shapes[n] == (length,))
    return NpzShape(channels, length, shapes)


def _telling(name: str) -> bool:
    from midstance.plates.columns import read_column

    return read_column(0, name).quantity in ("force", "moment", "cop")


def _header(file: IO[bytes], member: str, path: Path) -> tuple[tuple[int, ...], bool, np.dtype[Any]]:
    try:
        version = np.lib.format.read_magic(file)
        read = np.lib.format.read_array_header_1_0 if version == (1, 0) else np.lib.format.read_array_header_2_0
        shape, fortran, dtype = read(file)
    except ValueError as error:
        raise ForceError(f"array {member!r} can't be read ({error})", where=path.name) from None
    if dtype.hasobject:
        raise ForceError(f"array {member!r} holds objects, which are never loaded", where=path.name, allowed="plain numbers")
    return shape, fortran, dtype


def read_blocks(path: Path, shape: NpzShape, columns: Sequence[int]) -> Iterator[Floats]:
    """Read the channels block by block: (n, channels) arrays, NaN in channels that aren't wanted."""
    wanted = sorted(set(columns))
    with zipfile.ZipFile(path) as archive:
        files = {i: archive.open(f"{shape.channels[i]}.npy") for i in wanted}
        try:
            types = {i: _header(f, shape.channels[i], path)[2] for i, f in files.items()}
            for start in range(0, shape.length, BLOCK):
                n = min(BLOCK, shape.length - start)
                out = np.full((n, len(shape.channels)), np.nan)
                for i, f in files.items():
                    raw = f.read(n * types[i].itemsize)
                    if len(raw) != n * types[i].itemsize:
                        raise ForceError(f"array {shape.channels[i]!r} is cut off", where=path.name)
                    out[:, i] = np.frombuffer(raw, dtype=types[i])
                yield out
        except (zlib.error, zipfile.BadZipFile, EOFError) as error:
            raise ForceError(f"the archive is damaged ({error})", where=path.name) from None
        finally:
            for f in files.values():
                f.close()


def feet_in(path: Path, shape: NpzShape) -> FeetPaths | None:
    """Paths of heel and metatarsals where it has them: ``time_s`` and ``R_Heel_Bottom_m``, ``R_MT2_m`` and with L_."""
    heel: dict[Side, Floats] = {}
    front: dict[Side, Floats] = {}
    names = {s: (f"{s[0].upper()}_Heel_Bottom_m", f"{s[0].upper()}_MT2_m") for s in SIDES}
    if "time_s" not in shape.others or any(n not in shape.others for pair in names.values() for n in pair):
        return None
    with np.load(path, allow_pickle=False) as archive:
        time = archive["time_s"].astype(np.float64)
        for side, (h, f) in names.items():
            heel[side], front[side] = archive[h].astype(np.float64), archive[f].astype(np.float64)
    if any(p.shape != (len(time), 3) for p in (*heel.values(), *front.values())):
        return None
    return FeetPaths(time, heel, front, "metatarsals")


def mass_in(path: Path, shape: NpzShape) -> tuple[float | None, float | None]:
    """Body mass (kg) and belt speed (m/s) where the archive has ``mass_kg`` and ``speed_mps``."""
    out: list[float | None] = []
    with np.load(path, allow_pickle=False) as archive:
        for name in ("mass_kg", "speed_mps"):
            out.append(float(archive[name]) if shape.others.get(name) in ((), (1,)) else None)
    return out[0], out[1]
