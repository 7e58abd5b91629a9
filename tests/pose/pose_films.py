"""Films for the tests: the demonstration runner cut out, shrunk, put beside others, frozen or taken away. All invented."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np

import midstance.assess
from midstance.film.reader import read_frames

DEMO = Path(midstance.assess.__file__).parent / "demo"
FPS = 60
#: The demonstration runner's square in the side film, px of 1280 × 720.
LEFT, TOP, SIDE = 280, 0, 720


def demo_film(view: str) -> Path:
    return DEMO / f"{view}.mp4"


def pictures(view: str = "side", *, seconds: float, start_s: float = 0.0) -> Iterator[np.ndarray]:
    """Whole RGB pictures of a demonstration film at 60 a second."""
    step = 1 if view == "front" else 2
    with read_frames(demo_film(view), start_s=start_s, end_s=start_s + seconds - 0.001, every=step) as frames:
        for frame in frames:
            yield frame.rgb()


def runner(size: int, **kwargs) -> Iterator[np.ndarray]:
    """The demonstration runner's square, ``size`` px."""
    for rgb in pictures(**kwargs):
        yield cv2.resize(rgb[TOP : TOP + SIDE, LEFT : LEFT + SIDE], (size, size), interpolation=cv2.INTER_AREA)


def backdrop(width: int, height: int, seed: int = 0) -> np.ndarray:
    """A wall with nobody: soft blotches and fine noise."""
    rng = np.random.default_rng(seed)
    soft = cv2.resize(rng.uniform(90, 160, (9, 16, 3)), (width, height), interpolation=cv2.INTER_CUBIC)
    return np.clip(soft + rng.normal(0, 4, (height, width, 3)), 0, 255).astype(np.uint8)


def paste(base: np.ndarray, patch: np.ndarray, left: int, top: int) -> np.ndarray:
    out = base.copy()
    out[top : top + patch.shape[0], left : left + patch.shape[1]] = patch
    return out


def write(path: Path, rgbs: Iterable[np.ndarray], fps: int = FPS) -> Path:
    """Write an H.264 film of good quality, frame k at k ÷ fps."""
    with av.open(str(path), "w") as out:
        stream = None
        for k, rgb in enumerate(rgbs):
            if stream is None:
                stream = out.add_stream("libx264", rate=fps, options={"crf": "14", "preset": "ultrafast"})
                stream.height, stream.width = rgb.shape[:2]
                stream.pix_fmt = "yuv420p"
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), "rgb24")
            frame.pts, frame.time_base = k, Fraction(1, fps)
            out.mux(stream.encode(frame))
        assert stream is not None
        out.mux(stream.encode())
    return path
