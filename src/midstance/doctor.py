"""Is this installation able to do its job? A look at the parts that differ from machine to machine."""

from __future__ import annotations

import platform
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np

from midstance import __version__
from midstance.errors import MidstanceError
from midstance.pose.runtime import load_network, weight_file, worker_count

MIN_FREE_BYTES = 200e6


def look() -> tuple[list[str], bool]:
    """Return what was found, a line each, and whether the main job can be done."""
    lines = [
        f"midstance {__version__}, Python {platform.python_version()}, {platform.system()} {platform.machine()}, "
        f"{worker_count()} cores"
    ]
    healthy = True
    for name in ("landmarks", "detector"):
        try:
            lines.append(f"ok    weights of the {name} network: {weight_file(name).name}, SHA-256 as expected")
        except MidstanceError as error:
            lines.append(f"FAULT {error.message()}")
            healthy = False
    working = 0
    for runtime in ("openvino", "litert"):
        try:
            network = load_network("landmarks", runtime)
            picture = np.zeros((1, 256, 256, 3), np.float32)
            network.run(picture)
            began = time.perf_counter()
            count = len(list(network.run_many(picture for _ in range(10))))
            each = (time.perf_counter() - began) / count
            lines.append(f"ok    {runtime}: {1000 * each:.0f} ms a frame")
            working += 1
        except MidstanceError as error:
            lines.append(f"–     {runtime}: not there ({error.where})")
    if not working:
        lines.append("FAULT no landmark runtime: pip install openvino")
        healthy = False
    lines.append(_video())
    healthy &= lines[-1].startswith("ok")
    free = shutil.disk_usage(Path.cwd()).free
    lines.append(f"{'ok   ' if free > MIN_FREE_BYTES else 'FAULT'} {free / 1e9:.1f} GB free here")
    return lines, healthy and free > MIN_FREE_BYTES


def _video() -> str:
    from midstance.film.overlay import OverlayWriter
    from midstance.film.reader import read_frames

    try:
        with tempfile.TemporaryDirectory() as folder:
            film = Path(folder) / "check.mp4"
            with OverlayWriter(film, 128, 96, 30) as writer:
                for i in range(5):
                    writer.write(np.full((96, 128, 3), 40 * i, np.uint8))
            count = sum(1 for _ in read_frames(film))
    except (MidstanceError, OSError) as error:
        return f"FAULT writing and reading a film: {error}"
    return f"ok    writing and reading a film: {count} of 5 pictures came back"
