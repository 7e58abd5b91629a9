"""Pictures of the board, from files, to a lens in a marks file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from midstance.camera.board import calibrate_lens
from midstance.camera.marks import VIEWS, read_marks, with_lens, write_marks
from midstance.camera.pinhole import Lens
from midstance.errors import OptionError
from midstance.film.frames import Picture


def lens_into_marks(pictures: Sequence[Path], marks: Path, views: Sequence[str], *, paper: str | None = None) -> Lens:
    """Find the lens from picture files and put it into a marks file for some views; everything else in it stays.

    Raises
    ------
    OptionError, OutputError
        A picture or the marks can't be read, the pictures don't tell the lens, or the marks can't be written.
    """
    chosen = tuple(v for v in VIEWS if v in views)
    unknown = [v for v in views if v not in VIEWS]
    if unknown or not chosen:
        raise OptionError(
            f"there is no view “{unknown[0]}”" if unknown else "no view is given",
            where="--view",
            allowed=", ".join(VIEWS),
            next_step="name the film that the camera is used for",
        )
    raw = read_marks(marks).raw if marks.exists() else None
    lens = calibrate_lens([_luma(p) for p in pictures], paper=paper, where=", ".join(p.name for p in pictures[:3]))
    write_marks(marks, with_lens(raw, chosen, lens))
    return lens


def _luma(path: Path) -> Picture:
    try:
        data = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError as error:
        raise OptionError(
            f"the picture can't be read ({error.strerror or error})",
            where=str(path),
            allowed="a JPEG or PNG file",
            next_step="check the name",
        ) from error
    picture = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE) if len(data) else None
    if picture is None:
        raise OptionError(
            "this is no picture",
            where=str(path),
            allowed="a JPEG or PNG file",
            next_step="take a still picture out of the film, in full size",
        )
    return np.asarray(picture, dtype=np.uint8)
