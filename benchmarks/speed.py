"""How long the main job takes on one film, against its own unavoidable parts and against the naive loop, in one run.

    python benchmarks/speed.py FILM --speed 3.3m/s [--height 1.78m] [--longer FILM]

Printed: seconds for decoding alone, for decoding plus landmark inference alone (the frames the product reads, the region
fixed), for the whole job, and for the naive loop (person detector and landmarks on every frame, 32-bit floats; measured
on a part and scaled); peak memory of the whole job, and of the job on a longer film. Every part runs in a process of its
own. The machines are noisy: what counts are the ratios.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

NAIVE_FRAMES = 200


def decode(film: Path) -> dict[str, float]:
    """Decode every frame."""
    from midstance.film.reader import read_frames

    began = time.perf_counter()
    n = sum(1 for _ in read_frames(film))
    return {"seconds": time.perf_counter() - began, "frames": n}


def unavoidable(film: Path, rate_hz: float) -> dict[str, float]:
    """Decode every frame and run the landmark network on those the product reads, in a fixed region."""
    from midstance.film.reader import probe, read_frames
    from midstance.pose.find import region_rgb
    from midstance.pose.landmarker import Region, network_input
    from midstance.pose.runtime import load_network

    info = probe(film)
    network = load_network("landmarks")
    every = max(1, int(float(info.average_fps) / rate_hz + 0.05))
    region = Region(info.width / 2, info.height / 2, 0.9 * info.height)

    def inputs() -> Iterator[np.ndarray]:
        for i, frame in enumerate(read_frames(film)):
            if i % every == 0:
                yield network_input(region_rgb(frame, region)[0])

    began = time.perf_counter()
    n = sum(1 for _ in network.run_many(inputs()))
    return {"seconds": time.perf_counter() - began, "frames": n}


def naive(film: Path) -> dict[str, float]:
    """Detect and read landmarks in each frame, one after the other, and scale to the whole film."""
    from midstance.film.reader import read_frames
    from midstance.pose.detector import detect
    from midstance.pose.find import read_one
    from midstance.pose.runtime import load_network

    landmarks, detector = load_network("landmarks"), load_network("detector")
    began, n = time.perf_counter(), 0
    for n, frame in enumerate(read_frames(film), 1):
        people = detect(detector, frame.rgb())
        if people:
            read_one(landmarks, frame, people[0].region)
        if n == NAIVE_FRAMES:
            break
    each = (time.perf_counter() - began) / n
    from midstance.film.packets import packet_times_s

    return {"seconds": each * len(packet_times_s(film)), "frames": n, "ms_per_frame": 1000 * each}


def job(film: Path, options: list[str]) -> dict[str, float]:
    """Run the command line on the film."""
    with tempfile.TemporaryDirectory() as folder:
        began = time.perf_counter()
        done = subprocess.run(
            [sys.executable, "-m", "midstance.cli", "assess", "--side", str(film), "--out", f"{folder}/out", "--quiet", *options],
            check=False, capture_output=True, text=True,
        )  # fmt: skip
        seconds = time.perf_counter() - began
    if done.returncode:
        raise SystemExit(done.stderr)
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    return {"seconds": seconds, "peak_mib": peak}


def part(name: str, *args: str) -> dict[str, float]:
    """Run one part in a process of its own."""
    env = {k: v for k, v in os.environ.items() if not k.startswith("OPENBLAS_")}
    done = subprocess.run(
        [sys.executable, __file__, "--part", name, *args], check=True, capture_output=True, text=True, env=env
    )
    return json.loads(done.stdout)  # type: ignore[no-any-return]


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("film", type=Path)
    parser.add_argument("--speed", default="3.3m/s")
    parser.add_argument("--height", default="1.78m")
    parser.add_argument("--rate", default="120")
    parser.add_argument("--longer", type=Path)
    parser.add_argument("--part", help=argparse.SUPPRESS)
    args = parser.parse_args()
    options = ["--speed", args.speed, "--height", args.height, "--landmark-rate", args.rate]
    if args.part:
        parts = {
            "decode": lambda: decode(args.film), "unavoidable": lambda: unavoidable(args.film, float(args.rate)),
            "naive": lambda: naive(args.film), "job": lambda: job(args.film, options),
        }  # fmt: skip
        print(json.dumps(parts[args.part]()))
        return
    film = [str(args.film), *[f"{k}={v}" for k, v in (("--speed", args.speed), ("--height", args.height), ("--rate", args.rate))]]
    results = {name: part(name, *film) for name in ("decode", "unavoidable", "job", "naive")}
    base = results["unavoidable"]["seconds"]
    for name, r in results.items():
        print(f"{name:12s} {r['seconds']:7.1f} s  {r['seconds'] / base:5.2f} × decoding and inference alone  " + str(
            {k: round(v, 1) for k, v in r.items() if k != "seconds"}
        ))
    if args.longer:
        longer = part("job", str(args.longer), *film[1:])
        print(f"longer film  {longer['seconds']:7.1f} s, peak {longer['peak_mib']:.0f} MiB against {results['job']['peak_mib']:.0f} MiB")


if __name__ == "__main__":
    main()
