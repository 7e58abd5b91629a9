"""What was seen in a film, kept beside the results: corrections and other settings then need no landmark network again.

One file for each film, ``reading-<view>.npz``: the rows of the network as they came, and what else the pictures gave,
as text. It is used only for the very same film (by content), read with the same settings by the same version; otherwise
the film is read again.
"""

from __future__ import annotations

import io
import json
import zipfile
import zlib
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any, get_origin

import attrs
import cattrs
import numpy as np

from midstance import __version__
from midstance.assess.observe import Observation
from midstance.assess.reading import Marked
from midstance.assess.settings import Settings
from midstance.camera.motion import CameraMotion
from midstance.gait.model import View
from midstance.pose.track import RawTrack

KEPT_SCHEMA = 1
_ARRAYS = tuple(f.name for f in attrs.fields(RawTrack) if f.name != "relocated")
#: What a damaged file can end in.
_DAMAGED = (EOFError, OSError, ValueError, KeyError, TypeError, zlib.error, zipfile.BadZipFile)


def file_name(view: View) -> str:
    """Return the name of the file that keeps what was seen in a film."""
    return f"reading-{view}.npz"


def _converter() -> cattrs.Converter:
    converter = cattrs.Converter()
    converter.register_unstructure_hook(Path, lambda p: p.name)  # results don't say where films lie
    converter.register_structure_hook(Path, lambda v, _: Path(v))
    # Numbers stay as they were: a whole number that became 319.0 would be written differently.
    converter.register_structure_hook(float, lambda v, _: v)
    converter.register_unstructure_hook(Fraction, str)
    converter.register_structure_hook(Fraction, lambda v, _: Fraction(v))
    converter.register_unstructure_hook(CameraMotion, lambda motion: motion.as_dict())
    converter.register_structure_hook(CameraMotion, lambda v, _: CameraMotion.from_dict(v))
    converter.register_unstructure_hook(RawTrack, lambda raw: {"relocated": raw.relocated})
    converter.register_structure_hook(RawTrack, lambda v, _: v)
    return converter


def what_matters(view: View, sha256: str, settings: Settings) -> dict[str, Any]:
    """Return all that the reading of a film depends on."""
    lens = settings.marks.of(view).lens if settings.marks is not None else None
    return {
        "schema": KEPT_SCHEMA,
        "software": __version__,
        "view": view,
        "film_sha256": sha256,
        "capture_fps": settings.capture_fps,
        "surface": settings.surface,
        "focal_px": lens.focal_px if lens is not None else None,
        "start_s": settings.start_s,
        "end_s": settings.end_s,
        "runner_x": settings.runner_x,
        "landmark_rate_hz": settings.landmark_rate_hz,
        "runtime": settings.runtime,
    }


def _keeps_arrays() -> cattrs.Converter:
    """Return a converter that writes arrays as nested lists with every digit, so that nothing changes on the way."""
    converter = _converter()
    is_array: Callable[[Any], bool] = lambda kind: np.ndarray in (kind, get_origin(kind))  # noqa: E731
    converter.register_unstructure_hook_func(
        is_array, lambda a: {"dtype": str(a.dtype), "shape": a.shape, "values": a.ravel().tolist()}
    )
    converter.register_structure_hook_func(
        is_array,
        lambda v, _: np.array(v["values"], dtype=v["dtype"]).reshape(v["shape"]),
    )
    return converter


def marked_name(view: View) -> str:
    """Return the name of the file that keeps what a film's marks gave."""
    return f"marked-{view}.json"


def _marks_matter(observed: Observation, settings: Settings) -> dict[str, Any]:
    raw = (settings.marks.raw["films"] if settings.marks is not None else {}).get(observed.view)
    return {**what_matters(observed.view, observed.sha256, settings), "marks": json.loads(json.dumps(raw))}


def keep_marked(marked: Marked, observed: Observation, settings: Settings, folder: Path) -> None:
    """Write what the marks of a film gave into a folder."""
    seen = _keeps_arrays().unstructure(marked)
    text = json.dumps({"for": _marks_matter(observed, settings), "seen": seen})
    (folder / marked_name(observed.view)).write_text(text, encoding="utf-8")


def kept_marked(folder: Path, observed: Observation, settings: Settings) -> Marked | None:
    """Return what the same marks of the same film gave earlier; None where that was not kept."""
    try:
        content = json.loads((folder / marked_name(observed.view)).read_text(encoding="utf-8"))
        if content["for"] != _marks_matter(observed, settings):
            return None
        return _keeps_arrays().structure(content["seen"], Marked)
    except (*_DAMAGED, cattrs.errors.BaseValidationError):
        return None


def keep(observed: Observation, settings: Settings, folder: Path) -> None:
    """Write what was seen in a film into a folder."""
    rest = _converter().unstructure(observed)
    text = json.dumps({"for": what_matters(observed.view, observed.sha256, settings), "seen": rest})
    arrays = {name: getattr(observed.raw, name) for name in _ARRAYS}
    np.savez_compressed(folder / file_name(observed.view), text=np.array(text), **arrays)


def kept(folder: Path, view: View, sha256: str, settings: Settings, film: Path) -> Observation | None:
    """Return what was seen in a film, from an earlier result; None where there is none for this film and these settings.

    A damaged file counts as none: the film itself has all that was in it.
    """
    try:
        whole = io.BytesIO((folder / file_name(view)).read_bytes())
        with np.load(whole, allow_pickle=False) as file:
            content = json.loads(str(file["text"][()]))
            if content["for"] != what_matters(view, sha256, settings):
                return None
            arrays = {name: file[name] for name in _ARRAYS}
        raw = RawTrack(**arrays, relocated=int(content["seen"]["raw"]["relocated"]))
        observed = _converter().structure({**content["seen"], "raw": raw}, Observation)
    except (*_DAMAGED, cattrs.errors.BaseValidationError):
        return None
    return attrs.evolve(observed, info=attrs.evolve(observed.info, path=film))
