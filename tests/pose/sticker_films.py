"""Invented films of dots that move along known paths, with landmarks that carry them badly, as real ones do."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import attrs
import av
import cv2
import numpy as np
from numpy.typing import NDArray

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, LandmarkPaths, State, View

Floats = NDArray[np.float64]
SIZE = (480, 360)  # width, height
FPS = 60
BODY_PX = 400.0
#: Drawn this many times finer than the film's pixels.
FINE = 8


@attrs.frozen
class DrawnDot:
    """A dot of a film: (n, 2) px path, radius px, grey level, and (n,) whether it is hidden."""

    path: Floats
    radius: float = 3.0
    level: float = 225.0
    hidden: NDArray[np.bool_] | None = None


def swing(n: int, centre: tuple[float, float], size: tuple[float, float], cycles: float = 4.0) -> Floats:
    """A smooth closed path of irrational shape, so that every sub-pixel place comes up."""
    t = np.arange(n) / n * 2 * np.pi * cycles
    x = centre[0] + size[0] * np.sin(t) + 0.37 * np.sin(2.31 * t)
    y = centre[1] + size[1] * np.cos(t * 1.0) + 0.29 * np.cos(1.77 * t)
    return np.stack([x, y], axis=1)


def draw(
    dots: Sequence[DrawnDot],
    k: int,
    *,
    noise: float = 2.0,
    ground: float = 90.0,
    smear_frames: float = 0.0,
    light: float = 1.0,
    blur_px: float = 0.6,
    rng: np.random.Generator,
    others: Sequence[tuple[float, float, float]] = (),
) -> NDArray[np.uint8]:
    """One grey picture. ``smear_frames`` is the exposure in frames; ``others`` are still dots (x, y, radius)."""
    width, height = SIZE
    picture = np.full((height, width), ground, np.float64)
    picture += 6.0 * np.sin(np.arange(width) / 17.0)[None] + 5.0 * np.cos(np.arange(height) / 23.0)[:, None]
    steps = 1 if smear_frames == 0 else 12
    for dot in dots:
        if dot.hidden is not None and dot.hidden[k]:
            continue
        n = len(dot.path)
        half = int(np.ceil(dot.radius + 14))
        x0, y0 = int(dot.path[k, 0]) - half, int(dot.path[k, 1]) - half
        cover = np.zeros((2 * half * FINE, 2 * half * FINE), np.float64)
        yy, xx = np.mgrid[0 : cover.shape[0], 0 : cover.shape[1]]
        for s in range(steps):
            f = ((s + 0.5) / steps - 0.5) * smear_frames
            at = dot.path[k] + f * 0.5 * (dot.path[min(k + 1, n - 1)] - dot.path[max(k - 1, 0)])
            inside = np.hypot((xx + 0.5) / FINE + x0 - at[0], (yy + 0.5) / FINE + y0 - at[1]) <= dot.radius
            cover += inside / steps
        cover = cv2.GaussianBlur(cover, (0, 0), blur_px * FINE)
        alpha = cover.reshape(2 * half, FINE, 2 * half, FINE).mean(axis=(1, 3))
        part = picture[y0 : y0 + 2 * half, x0 : x0 + 2 * half]
        part += alpha * (dot.level - part)
    for x, y, radius in others:
        yy, xx = np.mgrid[0:height, 0:width]
        alpha = np.clip(radius + 0.5 - np.hypot(xx + 0.5 - x, yy + 0.5 - y), 0, 1)
        picture += alpha * (225.0 - picture)
    picture = picture * light + rng.normal(0, noise, picture.shape)
    return np.clip(np.round(picture), 0, 255).astype(np.uint8)


def write_film(
    path: Path, pictures: int, picture: Callable[[int], NDArray[np.uint8]], *, crf: int = 18
) -> None:
    """Write an H.264 film of grey (h, w) or colour (h, w, 3) pictures."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=Fraction(FPS))
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.options = {"crf": str(crf), "preset": "fast"}
        for k in range(pictures):
            p = picture(k)
            rgb = np.repeat(p[..., None], 3, axis=2) if p.ndim == 2 else p
            for packet in stream.encode(av.VideoFrame.from_ndarray(rgb, format="rgb24")):
                out.mux(packet)
        for packet in stream.encode(None):
            out.mux(packet)


def landmarks(
    view: View, n: int, carried: dict[str, Floats], *, jitter_px: float = 3.0, seed: int = 5
) -> LandmarkPaths:
    """Landmarks that follow given paths with a slow wander and a jitter; the others stand somewhere."""
    rng = np.random.default_rng(seed)
    xy = np.tile(np.array([240.0, 60.0]), (n, len(LANDMARKS), 1))
    for name, path in carried.items():
        wander = np.cumsum(rng.normal(0, 0.3, (n, 2)), axis=0)
        wander -= wander.mean(axis=0)
        xy[:, LANDMARK_INDEX[name]] = path + wander + rng.normal(0, jitter_px, (n, 2))
    full = (n, len(LANDMARKS))
    return LandmarkPaths(
        view, np.arange(n) / FPS, xy, np.ones(full), np.full(full, jitter_px), np.full(full, State.SEEN, np.uint8)
    )
