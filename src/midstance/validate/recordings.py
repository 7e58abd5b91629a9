"""Recordings of runners with force truth: read from a folder, or those that come with the package.

A recording is one ``.npz`` file: ``time_s`` (n,), markers ``R_GTR_m``, ``R_Knee_m``, ``R_Ankle_m``,
``R_Heel_Bottom_m``, ``R_MT2_m`` and the same with ``L_`` (n, 2 or 3; m; X forward, Y up; NaN where lost), ``contact_on_s``,
``contact_off_s``, ``contact_side`` ("R" or "L") from vertical force. Optional: ``speed_mps``, ``mass_kg``, ``height_cm``,
``strike_left``, ``strike_right``; ``R_ASIS_m``, ``R_PSIS_m`` for the hip's angle; and beside it, under the same name with
``_joint_angles`` added, the angles of a joint model. The file's own name is only a label.
"""

from __future__ import annotations

import json
import re
import zipfile
import zlib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from midstance.errors import MidstanceError, OptionError
from midstance.gait.model import SIDES, Floats, Side

#: The points of a leg in the order of the event finder, each with the markers that may stand for it, best first.
POINT_MARKERS: dict[str, tuple[tuple[str, ...], ...]] = {
    "hip": (("GTR",),),
    "knee": (("Knee",),),
    "ankle": (("Ankle",),),
    "heel": (("Heel_Bottom",), ("Heel_Top",)),
    "toe": (("MT2",), ("MT1", "MT5"), ("MT5",), ("MT1",)),
}
#: Markers that angles need as well.
PELVIS_MARKERS = ("ASIS", "PSIS")
ANGLES_SUFFIX = "_joint_angles"
REQUIRED = ("time_s", "contact_on_s", "contact_off_s", "contact_side")
STRIKES = ("rearfoot", "midfoot", "forefoot")
UNKNOWN = "unknown"
#: A marker must be known in this share of the samples.
LEAST_SEEN = 0.2
#: Shortest recording, s, and slowest sampling, Hz, that strides can be read from.
LEAST_SECONDS, LEAST_RATE_HZ = 1.5, 24.0
SHIPPED = "recordings.npz"
#: Steps in which the recordings that come with the package are stored, m and deg.
STEP_M, STEP_DEG = 1e-4, 1e-2
_LOST = np.iinfo(np.int16).min


class RecordingError(MidstanceError):
    """A recording can't be used."""


@attrs.frozen(eq=False)
class Recording:
    """One recording.

    Attributes
    ----------
    name, runner : labels.
    speed_mps, mass_kg, height_cm : None where the file doesn't say.
    strike : class of each foot in lower case, or "unknown".
    time_s : (n,) s.
    markers : as in the file, (n, 2 or 3), m.
    on_s, off_s : by side, contacts in order; the k-th of both belong together.
    contacts : ``contact_on_s``, ``contact_off_s``, ``contact_side`` of both feet, as in the file.
    reference : angles of a joint model with their ``time_s``, or None.
    notes : what had to be done without.
    """

    name: str
    runner: str
    speed_mps: float | None
    mass_kg: float | None
    height_cm: float | None
    strike: dict[Side, str]
    time_s: Floats
    markers: Mapping[str, Floats]
    on_s: dict[Side, Floats]
    off_s: dict[Side, Floats]
    contacts: Mapping[str, Any]
    reference: Mapping[str, Floats] | None
    notes: tuple[str, ...]

    @property
    def rate_hz(self) -> float:
        """Sampling rate of the markers, Hz."""
        return float(1.0 / np.median(np.diff(self.time_s)))

    def leg(self, side: Side) -> Floats:
        """Return (n, 5, 2) hip, knee, ankle, heel and toe, m, x forward and y up; NaN where lost."""
        return np.stack([_marker(self.markers, side, p, len(self.time_s))[0] for p in POINT_MARKERS], axis=1)

    def as_mapping(self) -> dict[str, Any]:
        """Return the recording under the names of its file, for functions that read such a file."""
        return {"time_s": self.time_s, **self.markers, **self.contacts}


def _marker(markers: Mapping[str, Floats], side: Side, point: str, n: int) -> tuple[Floats, str | None]:
    """Return a point's path and the marker used, None when no marker can stand for it."""
    for names in POINT_MARKERS[point]:
        paths = [markers.get(f"{side[0].upper()}_{m}_m") for m in names]
        if all(p is not None and _seen(p) >= LEAST_SEEN for p in paths):
            return np.mean([p[:, :2] for p in paths if p is not None], axis=0), " and ".join(names)
    return np.full((n, 2), np.nan), None


def _seen(path: Floats) -> float:
    return float(np.isfinite(path[:, :2]).all(axis=1).mean()) if len(path) else 0.0


def make_recording(
    name: str, values: Mapping[str, Any], reference: Mapping[str, Any] | None = None, *, where: str = ""
) -> Recording:
    """Check the content of a file and return it as a ``Recording``.

    Raises
    ------
    RecordingError
        Something that events can't be judged without is missing or senseless.
    """
    where = where or name

    def fault(
        what: str, allowed: str, next_step: str = "correct the file, or take it out of the folder"
    ) -> RecordingError:
        return RecordingError(what, where=where, allowed=allowed, next_step=next_step)

    for key in REQUIRED:
        if key not in values:
            raise fault(
                f"there is no “{key}” in it", "the keys " + ", ".join(REQUIRED) + " and markers such as R_GTR_m"
            )
    time_s = _numbers(values, "time_s", fault)
    if time_s.ndim != 1 or len(time_s) < 3 or not np.isfinite(time_s).all() or not bool((np.diff(time_s) > 0).all()):
        raise fault("time_s is not a row of rising times", "times in seconds, each later than the one before")
    if time_s[-1] - time_s[0] < LEAST_SECONDS or 1.0 / np.median(np.diff(time_s)) < LEAST_RATE_HZ:
        raise fault(
            f"it has {time_s[-1] - time_s[0]:.2f} s at {1.0 / np.median(np.diff(time_s)):.0f} samples a second",
            f"at least {LEAST_SECONDS:g} s at {LEAST_RATE_HZ:g} a second or more",
        )
    markers: dict[str, Floats] = {}
    for key in values:
        if re.fullmatch(r"[LR]_\w+_m", str(key)):
            path = _numbers(values, key, fault)
            if path.ndim != 2 or path.shape[0] != len(time_s) or path.shape[1] < 2:
                raise fault(f"{key} has the shape {path.shape}", f"({len(time_s)}, 3), one row for each time")
            markers[str(key)] = np.where(np.isfinite(path), path, np.nan)
    notes = []
    for side in SIDES:
        for point in POINT_MARKERS:
            _, used = _marker(markers, side, point, len(time_s))
            if used is None:
                wanted = f"{side[0].upper()}_{POINT_MARKERS[point][0][0]}_m"
                raise fault(
                    f"{wanted} is missing, or lost nearly all the time",
                    f"the {side} {point} in {LEAST_SEEN:.0%} of the times",
                )
            if used != POINT_MARKERS[point][0][0]:
                notes.append(f"{side} {point} from {used}")
    on, off = _numbers(values, "contact_on_s", fault), _numbers(values, "contact_off_s", fault)
    feet = [str(s)[:1].upper() for s in np.asarray(values["contact_side"]).astype(str).ravel()]
    if not on.ndim == off.ndim == 1 or not len(on) == len(off) == len(feet):
        raise fault(
            f"{on.size} contact_on_s, {off.size} contact_off_s and {len(feet)} contact_side don't go together",
            "one of each for every contact",
        )
    if len(on) == 0 or not (np.isfinite(on).all() and np.isfinite(off).all()) or not bool((off > on).all()):
        raise fault(
            "the contacts have no length, or there are none", "contacts that end after they begin, in seconds"
        )
    if not set(feet) <= {"L", "R"}:
        raise fault(f"contact_side holds {sorted(set(feet))}", "R or L")
    if on.min() > time_s[-1] or off.max() < time_s[0]:
        raise fault("the contacts lie outside the markers' times", "one clock for contacts and markers")
    which = np.asarray(feet)
    order = np.argsort(on, kind="stable")
    by_side = {s: order[which[order] == s[0].upper()] for s in SIDES}
    return Recording(
        name=name,
        runner=re.sub(r"[ _-]*\d+([.,]\d+)?\s*m[_/]?p?s.*$", "", name) or name,
        speed_mps=_number(values, "speed_mps"),
        mass_kg=_number(values, "mass_kg"),
        height_cm=_number(values, "height_cm"),
        strike={s: _strike(values.get(f"strike_{s}")) for s in SIDES},
        time_s=time_s,
        markers=markers,
        on_s={s: on[i] for s, i in by_side.items()},
        off_s={s: off[i] for s, i in by_side.items()},
        contacts={"contact_on_s": on, "contact_off_s": off, "contact_side": which},
        reference=None if reference is None else {str(k): _numbers(reference, k, fault) for k in reference},
        notes=tuple(notes),
    )


def _numbers(values: Mapping[str, Any], key: str, fault: Any) -> Floats:
    try:
        return np.asarray(values[key], dtype=np.float64)
    except (TypeError, ValueError):
        raise fault(f"“{key}” does not hold numbers", "numbers, NaN where a marker is lost") from None


def _number(values: Mapping[str, Any], key: str) -> float | None:
    try:
        number = float(np.asarray(values[key]).ravel()[0])
    except (KeyError, IndexError, TypeError, ValueError):
        return None
    return number if np.isfinite(number) else None


def _strike(value: Any) -> str:
    words = np.asarray("" if value is None else value).astype(str).ravel()
    text = str(words[0]).strip().lower() if len(words) else ""
    return next((s for s in STRIKES if text.startswith(s)), UNKNOWN)


def read_npz(path: Path) -> dict[str, Any]:
    """Read every array of an npz file; arrays of Python objects are never unpacked.

    Raises
    ------
    RecordingError
        The file is no npz file, is damaged, or can't be read.
    """
    try:
        with path.open("rb") as raw:  # numpy leaves a damaged file open
            file = np.load(raw, allow_pickle=False)
            if not isinstance(file, np.lib.npyio.NpzFile):
                raise ValueError("a single array")
            return {key: file[key] for key in file.files}
    except (
        OSError,
        ValueError,
        EOFError,
        KeyError,
        zipfile.BadZipFile,
        zlib.error,
        NotImplementedError,
        MemoryError,
    ) as error:
        raise RecordingError(
            f"it can't be read as an npz file ({str(error)[:80] or type(error).__name__})",
            where=str(path),
            allowed="an undamaged npz file of plain numbers and text",
            next_step="copy the file again, or take it out of the folder",
        ) from error


@attrs.frozen
class Failure:
    """Something that could not be judged: its name and the whole message."""

    name: str
    message: str


def read_folder(folder: Path) -> tuple[list[Recording], list[Failure], list[str]]:
    """Read every recording of a folder.

    Returns
    -------
    recordings : in the order of their names.
    failures : files that are recordings, or should be, and can't be used.
    skipped : names of npz files that are something else.

    Raises
    ------
    OptionError
        There is no such folder, or not one recording that can be used in it.
    """
    try:
        paths = sorted(p for p in folder.iterdir() if p.suffix.lower() == ".npz" and p.is_file())
    except OSError as error:
        raise OptionError(
            f"the folder can't be read ({error.strerror or error})",
            where=f"--data {folder}",
            allowed="a folder of recordings (.npz)",
            next_step="check the name",
        ) from error
    recordings, failures, skipped = [], [], []
    for path in paths:
        if path.stem.endswith(ANGLES_SUFFIX):
            continue
        try:
            values = read_npz(path)
            if not any(key in values for key in REQUIRED[1:]) and not any(k.endswith("_GTR_m") for k in values):
                skipped.append(path.name)
                continue
            beside = path.with_name(path.stem + ANGLES_SUFFIX + path.suffix)
            reference = read_npz(beside) if beside.is_file() else None
            recordings.append(make_recording(path.stem, values, reference, where=str(path)))
        except MidstanceError as error:
            failures.append(Failure(path.name, error.message()))
    if not recordings:
        raise OptionError(
            "there is no recording in it that can be used"
            + (f"; the first fault: {failures[0].message}" if failures else ""),
            where=f"--data {folder}",
            allowed="npz files with " + ", ".join(REQUIRED) + " and markers such as R_GTR_m",
            next_step="give the folder that holds the recordings themselves",
        )
    return recordings, failures, skipped


def pack(recordings: list[Recording], about: Mapping[str, Any]) -> dict[str, Any]:
    """Return the arrays that ``np.savez_compressed`` turns into the file of the package.

    Sagittal paths in steps of 0.1 mm and angles in steps of 0.01 deg, each as the difference from the sample
    before: rounding moves no coordinate by more than 0.05 mm.
    """
    out: dict[str, Any] = {"about": json.dumps(dict(about), ensure_ascii=False)}
    for i, rec in enumerate(recordings):
        names = sorted(k for k in rec.markers if k[2:-2] in _KEPT)
        meta = {
            "name": rec.name, "markers": names, "speed_mps": rec.speed_mps, "mass_kg": rec.mass_kg,
            "height_cm": rec.height_cm, **{f"strike_{s}": rec.strike[s] for s in SIDES},
            "first_s": float(rec.time_s[0]), "rate_hz": rec.rate_hz,
        }  # fmt: skip
        paths = np.stack([rec.markers[k][:, :2] for k in names], axis=1)
        out[f"{i}.markers"] = _pressed(paths.reshape(len(paths), -1), STEP_M)
        for key in ("contact_on_s", "contact_off_s", "contact_side"):
            out[f"{i}.{key}"] = np.asarray(rec.contacts[key])
        if rec.reference is not None:
            angles = sorted(k for k in rec.reference if _ANGLE.fullmatch(k))
            meta["angles"] = angles
            out[f"{i}.angles"] = _pressed(np.stack([rec.reference[k] for k in angles], axis=1), STEP_DEG)
            out[f"{i}.angles_first_s"] = rec.reference["time_s"][0]
            out[f"{i}.angles_rate_hz"] = 1.0 / np.median(np.diff(rec.reference["time_s"]))
        out[f"{i}.meta"] = json.dumps(meta)
    return out


_KEPT = (*(m for choices in POINT_MARKERS.values() for m in choices[0]), *PELVIS_MARKERS)
_ANGLE = re.compile(r"(pelvis_tilt|hip_flexion_[rl]|knee_angle_[rl]|ankle_angle_[rl])_deg")


def _pressed(values: Floats, step: float) -> Any:
    whole = np.where(np.isfinite(values), np.round(np.nan_to_num(values) / step), _LOST)
    whole = whole.astype(np.int16)
    return np.diff(whole, axis=0, prepend=np.zeros_like(whole[:1])).T.copy()


def _unpressed(stored: Any, step: float) -> Floats:
    whole = np.cumsum(stored.T, axis=0, dtype=np.int16)
    return np.where(whole == _LOST, np.nan, whole * step)


def shipped_recordings() -> tuple[list[Recording], dict[str, Any]]:
    """Return the recordings that come with the package, and what is known of their source."""
    with (
        resources.as_file(resources.files("midstance.validate").joinpath("data", SHIPPED)) as path,
        np.load(path, allow_pickle=False) as file,
    ):
        about: dict[str, Any] = json.loads(str(file["about"]))
        out = []
        for i in range(sum(k.endswith(".meta") for k in file.files)):
            meta = json.loads(str(file[f"{i}.meta"]))
            paths = _unpressed(file[f"{i}.markers"], STEP_M)
            n = len(paths)
            values: dict[str, Any] = {
                k: meta[k] for k in ("speed_mps", "mass_kg", "height_cm", "strike_left", "strike_right")
            }
            values["time_s"] = meta["first_s"] + np.arange(n) / meta["rate_hz"]
            values.update(zip(meta["markers"], paths.reshape(n, -1, 2).transpose(1, 0, 2), strict=True))
            values.update({k: file[f"{i}.{k}"] for k in ("contact_on_s", "contact_off_s", "contact_side")})
            reference = None
            if "angles" in meta:
                angles = _unpressed(file[f"{i}.angles"], STEP_DEG)
                first, rate = float(file[f"{i}.angles_first_s"]), float(file[f"{i}.angles_rate_hz"])
                reference = dict(zip(meta["angles"], angles.T, strict=True))
                reference["time_s"] = first + np.arange(len(angles)) / rate
            out.append(make_recording(meta["name"], values, reference))
    return out, about
