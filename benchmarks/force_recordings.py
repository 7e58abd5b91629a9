"""How long a long recording takes and how much memory, from CSV, NPZ and C3D.

    python benchmarks/force_recordings.py [MINUTES …]

Makes treadmill recordings of 1000 Hz (six channels, a zero that wanders) of an invented runner in a temporary folder and measures
each in a process of its own. Prints seconds, the processor's seconds, and the largest memory.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

RATE = 1000
CHILD = """
import resource, sys, time
from pathlib import Path
from midstance.force.model import ForceSettings
from midstance.plates.read import read_and_measure
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
wall, cpu = time.perf_counter(), time.process_time()
result = read_and_measure(Path(sys.argv[1]), ForceSettings(mass_kg=70.0))
wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
children = resource.getrusage(resource.RUSAGE_CHILDREN)
most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
print(f"{len(result.contacts)} contacts, {wall:.1f} s ({cpu + children.ru_utime + children.ru_stime:.1f} s of processor), "
      f"{most:.0f} MiB ({before:.0f} before; reader's process {children.ru_maxrss / 1024:.0f})")
"""


def channels(minutes: float) -> np.ndarray:
    """(n, 7): time, force (x forward, y left, z up; N) and moment (N m) of a runner at 171 steps/min, 70 kg."""
    rng = np.random.default_rng(1)
    t = np.arange(round(minutes * 60 * RATE)) / RATE
    since, k = t % 0.35, (t // 0.35).astype(int)
    on, s = since < 0.24, np.clip(since / 0.24, 0, 1)
    weight = 70 * 9.81
    up = np.where(on, np.pi / 2 * 0.35 / 0.24 * weight * np.sin(np.pi * s), 0.0)
    up += np.where(since < 0.03, 300 * np.sin(np.pi * since / 0.03), 0.0)
    fore = np.where(on, -0.25 * weight * np.sin(2 * np.pi * s), 0.0)
    left = np.where(on, 0.05 * weight * np.sin(np.pi * s) * np.where(k % 2, -1, 1), 0.0)
    x, y = 0.3 - 2.9 * since + 0.2 * s, np.where(k % 2, 0.06, -0.06)
    zero = 40 * np.sin(2 * np.pi * t / 1500) + t / 30
    noise = rng.normal(0, 1, (len(t), 6)) * [3, 3, 4, 0.5, 0.5, 0.3]
    clean = np.column_stack([fore, left, up + zero, y * up + 0.1 * zero, -x * up - 0.1 * zero, x * left - y * fore])
    return np.column_stack([t, clean + noise])


def write_csv(path: Path, data: np.ndarray) -> None:
    import pyarrow as pa
    from pyarrow import csv

    names = ["Time (s)", "Fx (N)", "Fy (N)", "Fz (N)", "Mx (Nm)", "My (Nm)", "Mz (Nm)"]
    csv.write_csv(pa.table(dict(zip(names, np.round(data, 3).T, strict=True))), path)


def write_npz(path: Path, data: np.ndarray) -> None:
    names = ("time_s", "Fx_n", "Fy_n", "Fz_n", "Mx_nm", "My_nm", "Mz_nm")
    np.savez_compressed(path, **dict(zip(names, data.T.astype(np.float32), strict=True)))


def write_c3d(path: Path, data: np.ndarray) -> None:
    import ezc3d

    frames = len(data) // 40  # the format counts frames in 16 bits: 25 frames a second
    c3d = ezc3d.c3d()
    c3d["parameters"]["POINT"]["RATE"]["value"] = [RATE / 40]
    c3d["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    c3d["parameters"]["POINT"]["LABELS"]["value"] = ["marker"]
    c3d["data"]["points"] = np.ones((4, 1, frames))
    c3d["parameters"]["ANALOG"]["RATE"]["value"] = [float(RATE)]
    c3d["parameters"]["ANALOG"]["LABELS"]["value"] = ["Fx", "Fy", "Fz", "Mx", "My", "Mz"]
    c3d.add_parameter("ANALOG", "UNITS", ["N", "N", "N", "Nmm", "Nmm", "Nmm"])
    flip = np.array([1, -1, -1, 1, -1, -1]) * np.array([1, 1, 1, 1000, 1000, 1000])  # z down
    c3d["data"]["analogs"] = (data[: frames * 40, 1:] * flip).T[None]
    c3d.add_parameter("FORCE_PLATFORM", "USED", [1])
    c3d.add_parameter("FORCE_PLATFORM", "TYPE", [2])
    c3d.add_parameter("FORCE_PLATFORM", "CHANNEL", np.arange(1.0, 7.0).reshape(6, 1))
    corners = np.array([[900.0, -300, 0], [-900, -300, 0], [-900, 300, 0], [900, 300, 0]])
    c3d.add_parameter("FORCE_PLATFORM", "CORNERS", corners.T.reshape(3, 4, 1))
    c3d.add_parameter("FORCE_PLATFORM", "ORIGIN", np.zeros((3, 1)))
    c3d.write(str(path))


WRITERS = {"csv": write_csv, "npz": write_npz, "c3d": write_c3d}


def main() -> None:
    if sys.argv[1:2] == ["--write"]:
        path = Path(sys.argv[2])
        WRITERS[path.suffix[1:]](path, channels(float(sys.argv[3])))
        return
    minutes = [float(a) for a in sys.argv[1:]] or [5.0, 30.0]
    with tempfile.TemporaryDirectory() as folder:
        for m in minutes:
            for kind in WRITERS:
                path = Path(folder) / f"run{m:g}.{kind}"
                # Written by another process: what a parent has held counts as its children's largest memory.
                subprocess.run([sys.executable, __file__, "--write", str(path), str(m)], check=True)
                done = subprocess.run([sys.executable, "-c", CHILD, str(path)], capture_output=True, text=True, check=False)
                size = path.stat().st_size / 1e6
                print(f"{m:g} min, {kind} ({size:.0f} MB): {done.stdout.strip() or done.stderr.strip()}", flush=True)
                path.unlink()


if __name__ == "__main__":
    main()
