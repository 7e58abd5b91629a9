"""C3D files: force platforms of types 1 to 4, event labels, and the paths of the feet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from midstance.errors import ForceError
from midstance.force.model import FeetPaths, ForceAbout, ForceBlock, Label, Plate
from midstance.force.platform import CHANNELS, plate_axes, surface_wrench, to_lab
from midstance.gait.model import EventKind, Floats, Side
from midstance.plates.c3d_process import C3dContent, read_content
from midstance.plates.markers import feet_from_markers

#: Samples handed on at once.
BLOCK = 65_536
_LENGTH = {"mm": 0.001, "cm": 0.01, "m": 1.0, "": 0.001, "in": 0.0254}
_MOMENT = {"nmm": 0.001, "n.mm": 0.001, "n*mm": 0.001, "nm": 1.0, "n.m": 1.0, "n*m": 1.0}
_FORCE = {"n": 1.0, "kn": 1000.0, "lbf": 4.4482216}


@attrs.frozen(eq=False)
class _PlateSource:
    """What turns one plate's channels into its wrench."""

    plate: Plate
    kind: int
    channels: tuple[int, ...]
    scales: Floats
    origin_m: Floats
    axes: Floats
    calibration: Floats | None
    zero: Floats


@attrs.frozen(eq=False)
class C3dFile:
    """A C3D file: ``about`` and its samples."""

    about: ForceAbout
    _analog: Floats
    _sources: tuple[_PlateSource, ...]

    def blocks(self) -> Iterator[ForceBlock]:
        """Samples in lab axes, block by block."""
        n = self._analog.shape[1]
        for start in range(0, n, BLOCK):
            part = self._analog[:, start : start + BLOCK]
            yield ForceBlock(start, np.stack([_wrench(s, part) for s in self._sources]))


def _wrench(source: _PlateSource, analog: Floats) -> Floats:
    x = (analog[list(source.channels)].T - source.zero) * source.scales
    name = source.plate.name
    return to_lab(surface_wrench(source.kind, x, source.origin_m, source.calibration, where=name), source.axes)


def open_c3d(path: Path) -> C3dFile:
    """Read a C3D file's force platforms.

    The whole file is held in memory (the format's own limits keep it to minutes).

    Raises
    ------
    ForceError
        It isn't a C3D file, has no force platforms, or lacks what they need: channels, corners, calibration matrix.
    """
    with path.open("rb") as file:
        head = file.read(512)
    if len(head) < 512 or head[1] != 0x50:
        raise ForceError("it isn't a C3D file (its second byte is not 0x50)", where=path.name)
    content = read_content(path)
    try:
        return _made_of(path, content)
    except (TypeError, ValueError, IndexError, OverflowError) as error:
        raise ForceError(
            f"what it says of its platforms makes no sense ({error})",
            where=path.name,
            next_step="export the trial again; the file may be damaged",
        ) from None


def _made_of(path: Path, content: C3dContent) -> C3dFile:
    parameters, analog = content.parameters, content.analog
    rate = _number(_value(parameters, "ANALOG", "RATE", [0.0])) or content.analog_rate_hz
    group = parameters.get("FORCE_PLATFORM", {})
    used = int(_number(_value(parameters, "FORCE_PLATFORM", "USED", [0])))
    if used < 1 or not group:
        raise ForceError(
            "it has no force platforms (FORCE_PLATFORM:USED is 0)",
            where=path.name,
            allowed="files with a FORCE_PLATFORM group",
            next_step="export the trial with its force plates",
        )
    if not rate > 0 or analog.shape[1] == 0:
        raise ForceError("it has no analog samples", where=path.name)
    units = [str(u).strip().lower() for u in _value(parameters, "ANALOG", "UNITS", [])]
    length = _LENGTH.get(str(_first(_value(parameters, "POINT", "UNITS", ["mm"]))).strip().lower(), 0.001)
    notes: list[str] = []
    sources = [_plate(path, parameters, i, units, length, analog.shape[0], notes) for i in range(used)]
    start = content.first_frame / (content.point_rate_hz or rate)
    labels, shift = _labels(parameters, start, analog.shape[1] / rate)
    about = ForceAbout(
        rate,
        analog.shape[1],
        start + shift,
        tuple(s.plate for s in sources),
        notes=tuple(notes),
        labels=labels,
        feet=_feet(content, length, start + shift),
    )
    return C3dFile(about, analog, tuple(sources))


def _value(parameters: Mapping[str, Any], group: str, name: str, default: Any) -> Any:
    found = parameters.get(group, {}).get(name)
    if found is None:
        return default
    value, shape = found
    if value is None or np.size(value) == 0:
        return default
    return np.asarray(value).reshape(shape) if len(shape) > 1 else value


def _number(value: Any) -> float:
    """The first number of a parameter, 0 where it isn't one."""
    try:
        number = float(np.asarray(value).ravel()[0])
    except (TypeError, ValueError, IndexError):
        return 0.0
    return number if np.isfinite(number) else 0.0


def _first(value: Any) -> Any:
    return value[0] if len(value) else ""


def _plate(
    path: Path, parameters: Mapping[str, Any], i: int, units: Sequence[str], length: float, n_analog: int, notes: list[str]
) -> _PlateSource:
    name = f"plate {i + 1}"
    where = f"{path.name}, {name}"
    kinds = np.atleast_1d(_value(parameters, "FORCE_PLATFORM", "TYPE", []))
    channel = np.asarray(_value(parameters, "FORCE_PLATFORM", "CHANNEL", np.zeros((0, 0))))
    corners = np.asarray(_value(parameters, "FORCE_PLATFORM", "CORNERS", np.zeros((3, 4, 0))), dtype=np.float64)
    origin = np.asarray(_value(parameters, "FORCE_PLATFORM", "ORIGIN", np.zeros((3, 0))), dtype=np.float64)
    if len(kinds) <= i:
        raise ForceError("its type is missing (FORCE_PLATFORM:TYPE)", where=where, allowed="types 1 to 4")
    kind = int(kinds[i])
    need = CHANNELS.get(kind)
    if need is None:
        raise ForceError(
            f"platform type {kind} can't be read",
            where=where,
            allowed="types 1, 2, 3 and 4",
            next_step="export forces and centre of pressure as CSV",
        )
    if channel.ndim != 2 or channel.shape[1] <= i or channel.shape[0] < need:
        raise ForceError("its channels are missing (FORCE_PLATFORM:CHANNEL)", where=where, allowed=f"{need} channels")
    numbers = channel[:need, i].astype(int) - 1
    if numbers.min() < 0 or numbers.max() >= n_analog:
        raise ForceError(f"channel {int(numbers.max()) + 1} of {n_analog} analog channels", where=where)
    if corners.ndim != 3 or corners.shape[2] <= i:
        raise ForceError(
            "its corners are missing (FORCE_PLATFORM:CORNERS)", where=where, allowed="4 corners of 3 coordinates"
        )
    corners_m = corners[:, :, i].T * length
    axes = plate_axes(corners_m, where)
    origin_m = origin[:, i] * length if origin.ndim == 2 and origin.shape[1] > i else np.zeros(3)
    calibration, scales = None, np.ones(need)
    own = [units[c] if c < len(units) else "" for c in numbers]
    if kind == 4:
        matrix = np.asarray(_value(parameters, "FORCE_PLATFORM", "CAL_MATRIX", np.zeros((6, 6, 0))), dtype=np.float64)
        if matrix.ndim != 3 or matrix.shape[2] <= i or not np.any(matrix[:, :, i]):
            raise ForceError(
                "type 4 without its calibration matrix: its channels can't be turned into newtons",
                where=where,
                allowed="a 6 × 6 matrix in FORCE_PLATFORM:CAL_MATRIX",
                next_step="save the file again with the matrix, or as type 2",
            )
        calibration = matrix[:, :, i].copy()
        calibration[3:] *= length  # moments come out in N times the file's length unit
        notes.append(f"{name}: type 4, volts through its calibration matrix, moments in N {_said(length)}")
    else:
        scales = np.array([_scale(kind, j, own[j], length) for j in range(need)])
        if any(u == "v" for u in own):
            raise ForceError(
                f"type {kind} with channels in volts",
                where=where,
                allowed="newtons, or type 4 with a calibration matrix",
                next_step="save the file with the plate's calibration",
            )
        notes.append(f"{name}: type {kind}, channels in {own[0].upper() or 'N'} and {own[-1].upper() or 'N mm'}")
    down = axes[:, 2]
    return _PlateSource(
        Plate(name, corners_m, True, True, down, cop_as_given=kind == 1),
        kind,
        tuple(int(c) for c in numbers),
        scales,
        origin_m,
        axes,
        calibration,
        np.zeros(need),
    )


def _said(length: float) -> str:
    return next((k for k, v in _LENGTH.items() if v == length and k), "mm")


def _scale(kind: int, j: int, unit: str, length: float) -> float:
    """Factor of a channel to N, N m or m. The file's own unit counts; without one, N and N times the length unit."""
    force = j < 3 or kind == 3
    if force:
        return _FORCE.get(unit, 1.0)
    if kind == 1 and j in (3, 4):
        return _LENGTH.get(unit, length) if unit else length
    return _MOMENT.get(unit, length)


def _labels(parameters: Mapping[str, Any], start_s: float, duration_s: float) -> tuple[tuple[Label, ...], float]:
    """Events that were marked in the file, and by how much the samples' times must be shifted to be on their clock.

    Event times count from the clock's zero, as frame numbers do; some writers count frames from 1 and some from 0, which
    moves events by one frame at most. Files whose events all lie in the first ``duration_s`` although the trial was cut
    later keep the trial's own clock, starting at 0.
    """
    used = int(_number(_value(parameters, "EVENT", "USED", [0])))
    if used < 1:
        return (), 0.0
    times = np.atleast_2d(np.asarray(_value(parameters, "EVENT", "TIMES", np.zeros((2, 0))), dtype=np.float64))
    names = [str(x) for x in _value(parameters, "EVENT", "LABELS", [])]
    contexts = [str(x).lower() for x in _value(parameters, "EVENT", "CONTEXTS", [])]
    out = []
    for i in range(min(used, times.shape[1], len(names))):
        kind = _kind(names[i])
        if kind is None:
            continue
        context = contexts[i] if i < len(contexts) else ""
        side: Side | None = "left" if "left" in context else ("right" if "right" in context else None)
        out.append(Label(float(times[0, i] * 60.0 + times[1, i]), kind, side))
    if not out:
        return (), 0.0
    last = max(e.time_s for e in out)
    shift = -start_s if start_s > 0 and last <= duration_s and max(e.time_s for e in out) < start_s else 0.0
    return tuple(sorted(out, key=lambda e: e.time_s)), shift


def _kind(name: str) -> EventKind | None:
    plain = name.lower().replace("-", " ").replace("_", " ")
    if "off" in plain:
        return "toe_off"
    if any(w in plain for w in ("strike", "contact", "touchdown", "touch down", "foot on", "heel on")):
        return "initial_contact"
    return None


def _feet(content: C3dContent, length: float, start_s: float) -> FeetPaths | None:
    labels = [str(x) for x in _value(content.parameters, "POINT", "LABELS", [])]
    if len(content.points) == 0 or not labels or not content.point_rate_hz > 0:
        return None
    time = start_s + np.arange(content.points.shape[1]) / content.point_rate_hz
    return feet_from_markers(labels[: len(content.points)], content.points * length, time)
