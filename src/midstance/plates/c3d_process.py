"""Read a C3D file in a process of its own.

The library that reads C3D is C++ and trusts what a file says of itself: damaged files make it crash, run on without end or
ask for all memory there is. None of this may take the program along.
"""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from midstance.errors import ForceError
from midstance.gait.model import Floats

#: Time a file may take: so many seconds and so many more for every MB.
PATIENCE_S, PATIENCE_S_PER_MB = 30.0, 1.0
#: Memory a file may take: so many MB and so many times its size.
MEMORY_MB, MEMORY_TIMES = 1500, 40
_GROUPS = ("FORCE_PLATFORM", "ANALOG", "POINT", "EVENT")


@attrs.frozen(eq=False)
class C3dContent:
    """What a C3D file holds.

    ``parameters`` by group and name; ``analog`` (channels, n) with the file's scales applied; ``points`` (k, n, 3) in the
    file's unit, NaN where lost; ``point_rate_hz``, ``analog_rate_hz``; ``first_frame`` number of the first frame, from 0.
    """

    parameters: dict[str, dict[str, Any]]
    analog: Floats
    points: Floats
    point_rate_hz: float
    analog_rate_hz: float
    first_frame: int


def read_content(path: Path) -> C3dContent:
    """Read a C3D file.

    Raises
    ------
    ForceError
        The reader can't make sense of it, crashes on it, or takes too long.
    """
    size_mb = path.stat().st_size / 1e6
    with tempfile.TemporaryDirectory(prefix="midstance-c3d-") as folder:
        out = Path(folder) / "content.npz"
        try:
            done = subprocess.run(
                [sys.executable, "-m", __name__, str(path.resolve()), str(out)],
                capture_output=True,
                text=True,
                errors="replace",
                timeout=PATIENCE_S + PATIENCE_S_PER_MB * size_mb,
                check=False,
            )
        except subprocess.TimeoutExpired:
            raise _damaged(path, "reading it takes without end") from None
        if done.returncode != 0 or not out.exists():
            lines = [x for x in done.stderr.strip().splitlines() if x.strip()]
            told = lines[-1].removeprefix("C3D: ") if lines and lines[-1].startswith("C3D: ") else "the reader stopped"
            raise _damaged(path, told[:200])
        with np.load(out, allow_pickle=False) as z:
            facts = json.loads(str(z["facts"]))
            return C3dContent(
                facts["parameters"],
                z["analog"],
                z["points"],
                facts["point_rate"],
                facts["analog_rate"],
                facts["first_frame"],
            )


def _damaged(path: Path, why: str) -> ForceError:
    return ForceError(
        f"it can't be read as C3D ({why})",
        where=path.name,
        allowed="whole C3D files",
        next_step="export the trial again; the file may be damaged",
    )


def _plain(value: Any) -> Any:
    if isinstance(value, np.ndarray):
        return value.tolist()
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value.item() if isinstance(value, np.generic) else value


def _limit_memory(size_bytes: int) -> None:
    with contextlib.suppress(ImportError, ValueError, OSError):  # not to be had on every system
        import resource

        most = MEMORY_MB * 1_000_000 + MEMORY_TIMES * size_bytes
        resource.setrlimit(resource.RLIMIT_AS, (most, most))


def _write_content(path: Path, out: Path) -> None:
    import ezc3d

    _limit_memory(path.stat().st_size)
    c3d = ezc3d.c3d(str(path))
    shapes = {
        g: {
            k: (_plain(v["value"]), list(np.shape(v["value"])))
            for k, v in c3d["parameters"][g].items()
            if not k.startswith("__")
        }
        for g in _GROUPS
        if g in c3d["parameters"]
    }
    points = np.transpose(c3d["data"]["points"][:3], (1, 2, 0)).astype(np.float64)
    # Lost markers are stored as (0, 0, 0) by some writers and with a negative residual by others.
    lost = ~np.isfinite(points).all(axis=2) | (np.abs(points).sum(axis=2) == 0)
    residuals = np.asarray(c3d["data"]["meta_points"]["residuals"])[0]
    if residuals.shape == lost.shape:
        lost |= residuals < 0
    points[lost] = np.nan
    facts = {
        "parameters": shapes,
        "point_rate": float(c3d["header"]["points"]["frame_rate"]),
        "analog_rate": float(c3d["header"]["analogs"]["frame_rate"]),
        "first_frame": int(c3d["header"]["points"]["first_frame"]),
    }
    np.savez(out, analog=np.asarray(c3d["data"]["analogs"][0], dtype=np.float64), points=points, facts=json.dumps(facts))


if __name__ == "__main__":
    try:
        _write_content(Path(sys.argv[1]), Path(sys.argv[2]))
    except Exception as error:  # whatever the C++ raises is told in one line
        print(f"C3D: {str(error).splitlines()[0] if str(error) else type(error).__name__}", file=sys.stderr)
        sys.exit(1)
