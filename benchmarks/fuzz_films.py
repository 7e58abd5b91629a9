"""Damage a small film at random and hold the reading of it to success or a clear error.

    python benchmarks/fuzz_films.py [--cases 200] [--seed 1] [--film FILE] [--only K]

Each case flips bits, overwrites a stretch, cuts the film short, drops or repeats a piece of it, then probes it, reads its
times and decodes every picture. Allowed outcomes: it is read, or a ``MidstanceError`` says what is wrong. Anything else
(another exception, a hang, a crash, more memory than ``--memory-mb``) is a fault and is printed with its number, which ``--only``
repeats. Cases run in child processes, so that a crash of the decoder is seen too.
"""

from __future__ import annotations

import argparse
import multiprocessing
import resource
import sys
import tempfile
import traceback
from collections import Counter
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

from midstance.assess.reading import _times_s
from midstance.errors import MidstanceError
from midstance.film.clock import capture_clock, timing_report
from midstance.film.reader import probe, read_frames

KINDS = ("bits", "bits in the head", "stretch", "cut", "drop", "repeat", "zeros")
SMALL = ("last.mp4", "first.mp4", "film.mkv", "film.avi")
TIMEOUT_S = 20.0


def small_film(path: Path, seconds: float = 2.5, fps: int = 30, index_first: bool = False) -> Path:
    """Write a film of moving blotches, 160 × 120; not one pixel of a person."""
    rng = np.random.default_rng(0)
    wall = rng.integers(0, 255, (240, 320, 3), dtype=np.uint8)
    with av.open(str(path), "w", options={"movflags": "+faststart"} if index_first else {}) as out:
        stream = out.add_stream("libx264", rate=fps, options={"preset": "veryfast", "bf": "2", "g": "15"})
        stream.width, stream.height, stream.pix_fmt = 160, 120, "yuv420p"
        for k in range(round(seconds * fps)):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(wall[k % 100 : k % 100 + 120, k : k + 160]), "rgb24")
            frame.pts, frame.time_base = k, Fraction(1, fps)
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
    return path


def small_films(folder: Path) -> None:
    """Write one small film of each kind in ``SMALL``."""
    for name in SMALL:
        small_film(folder / name, index_first=name.startswith("first"))


def damage(data: bytes, rng: np.random.Generator) -> tuple[str, bytes]:
    """Return the kind of damage done and the damaged bytes."""
    kind = KINDS[int(rng.integers(len(KINDS)))]
    raw = bytearray(data)
    at = int(rng.integers(len(raw)))
    length = int(rng.integers(1, max(2, len(raw) // 8)))
    if kind.startswith("bits"):
        # The head and the tail hold the index, where damage is most telling.
        reach = min(len(raw), 4096) if kind == "bits in the head" else len(raw)
        for _ in range(int(rng.integers(1, 40))):
            place = int(rng.integers(reach))
            place = place if rng.random() < 0.5 else len(raw) - 1 - place
            raw[place] ^= 1 << int(rng.integers(8))
    elif kind == "stretch":
        raw[at : at + length] = rng.bytes(min(length, len(raw) - at))
    elif kind == "zeros":
        raw[at : at + length] = bytes(min(length, len(raw) - at))
    elif kind == "cut":
        del raw[at:]
    elif kind == "drop":
        del raw[at : at + length]
    else:
        raw[at:at] = raw[at : at + length]
    return kind, bytes(raw)


def read(path: Path) -> str:
    """Do with a film what the main job does before the networks; return what came of it."""
    try:
        info = probe(path)
        times = _times_s(path)
        capture_clock(info, times)
        timing_report(times)
        count = 0
        for start in (None, 2.2):
            for frame in read_frames(path, start_s=start, info=info):
                frame.rgb()
                count += 1
    except MidstanceError as error:
        if not all((error.what, error.where, error.allowed, error.next_step)):
            return f"an incomplete message: {error.message()}"
        return "refused"
    return "read" if count else "read, without one picture"


def child(path: Path, memory_mb: int, pipe: Any) -> None:
    # The decoder tells of each fault; here that is wanted noise.
    av.logging.set_level(None)
    resource.setrlimit(resource.RLIMIT_AS, (memory_mb << 20, memory_mb << 20))
    try:
        pipe.send(read(path))
    except BaseException:
        pipe.send(traceback.format_exc())


def outcome(path: Path, memory_mb: int) -> str:
    """Read a film in a child process and return what came of it."""
    ours, theirs = multiprocessing.Pipe(duplex=False)
    work = multiprocessing.get_context("fork").Process(target=child, args=(path, memory_mb, theirs))
    work.start()
    theirs.close()
    try:
        return str(ours.recv()) if ours.poll(TIMEOUT_S) else "hangs"
    except EOFError:
        work.join(5)
        return f"crashed with {work.exitcode}"
    finally:
        work.kill()
        work.join()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--film", type=Path)
    parser.add_argument("--only", type=int, help="run this one case")
    parser.add_argument("--memory-mb", type=int, default=2048)
    args = parser.parse_args()
    results: Counter[tuple[str, str]] = Counter()
    faults = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if args.film:
            films = [args.film.read_bytes()]
        else:
            # Made in a child: a process that has run the coder's threads must not be forked.
            maker = multiprocessing.get_context("fork").Process(target=small_films, args=(folder,))
            maker.start()
            maker.join()
            films = [(folder / name).read_bytes() for name in SMALL]
        for film in films:
            path = folder / "whole.mp4"
            path.write_bytes(film)
            if (said := outcome(path, args.memory_mb)) != "read":
                sys.exit(f"the film must be readable undamaged: {said}")
        for case in range(args.cases) if args.only is None else [args.only]:
            rng = np.random.default_rng([args.seed, case])
            kind, data = damage(films[case % len(films)], rng)
            path = folder / "damaged.mp4"
            path.write_bytes(data)
            said = outcome(path, args.memory_mb)
            results[kind, said if said in ("read", "refused") else "FAULT"] += 1
            if said not in ("read", "refused"):
                faults += 1
                print(f"case {case} ({kind}, {len(data)} bytes):\n{said}", file=sys.stderr)
    for kind in KINDS:
        print(f"{kind:18s} " + ", ".join(f"{k} {n}" for (of, k), n in sorted(results.items()) if of == kind))
    print(f"{sum(results.values())} cases, {faults} faults")
    sys.exit(1 if faults else 0)


if __name__ == "__main__":
    main()
