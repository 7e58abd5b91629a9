"""The lens from pictures of the board, in a process of its own: pictures come from anywhere, so time and memory are limited.

``python -m midstance.web.lens FOLDER [PAPER]`` prints JSON: the lens, or the problem.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from midstance.errors import MidstanceError, OptionError

MOST_PICTURES = 40
#: Largest picture, px of both sides multiplied: a little more than the largest cameras'.
MOST_PX = 120_000_000
_LIMIT_S, _LIMIT_BYTES = 120, 4 * 1024**3


def picture_suffix(head: bytes) -> str | None:
    """Return the suffix of the picture that the first bytes are of; None when it is none that is taken."""
    if head[:3] == b"\xff\xd8\xff":
        return ".jpg"
    return ".png" if head[:8] == b"\x89PNG\r\n\x1a\n" else None


def find_lens(folder: Path, paper: str | None) -> dict[str, Any]:
    """Return ``{"lens", "source"}`` from the pictures in a folder, found in a process of its own.

    Raises
    ------
    OptionError
        The pictures don't tell the lens; the message says why.
    """
    command = [sys.executable, "-m", "midstance.web.lens", str(folder), *([paper] if paper else [])]
    environment = {**os.environ, "OMP_NUM_THREADS": "1", "OPENCV_IO_MAX_IMAGE_PIXELS": str(MOST_PX)}
    with contextlib.suppress(subprocess.TimeoutExpired, ValueError):
        done = subprocess.run(command, capture_output=True, timeout=_LIMIT_S, env=environment, check=False)
        told = json.loads(done.stdout)
        if isinstance(told, dict) and "problem" in told:
            raise OptionError(**told["problem"])
        if isinstance(told, dict):
            return told
    raise OptionError(
        "the pictures can't be read in the time and memory there is",
        where="pictures",
        allowed=f"JPEG or PNG, up to {MOST_PX // 1_000_000} million px each",
        next_step="leave out the largest, or take smaller ones",
    )


def _limit() -> None:
    try:
        import resource
    except ImportError:  # not on Windows; the time is limited all the same
        return
    resource.setrlimit(resource.RLIMIT_AS, (_LIMIT_BYTES, _LIMIT_BYTES))
    resource.setrlimit(resource.RLIMIT_CPU, (_LIMIT_S, _LIMIT_S))
    resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))


def _main(folder: Path, paper: str | None) -> dict[str, Any]:
    import cv2
    import numpy as np

    from midstance.camera.board import calibrate_lens

    pictures = []
    try:
        for path in sorted(folder.iterdir()):
            picture = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_GRAYSCALE)
            if picture is None:
                raise OptionError(
                    f"picture {int(path.stem) + 1} can't be read",
                    where="pictures",
                    allowed="whole JPEG or PNG files",
                    next_step="leave it out, or save it again",
                )
            pictures.append(np.asarray(picture, np.uint8))
        lens = calibrate_lens(pictures, paper=paper, where="pictures")
    except MidstanceError as error:
        told = {"what": error.what, "where": error.where, "allowed": error.allowed, "next_step": error.next_step}
        return {"problem": told}
    return {"lens": lens.as_dict(), "source": lens.source}


if __name__ == "__main__":
    _limit()
    print(json.dumps(_main(Path(sys.argv[1]), sys.argv[2] if len(sys.argv) > 2 else None)))
