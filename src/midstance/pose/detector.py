"""Finding people in a whole picture: the person detector, run on the picture and on overlapping tiles of it.

The detector sees 224 × 224 pixels, so a runner of a fifth of the picture height is lost in the whole picture. Tiles find
them. A detection gives the body's centre and its size (from two key points), from which the landmark region is made.
"""

from __future__ import annotations

import attrs
import cv2
import numpy as np
from numpy.typing import NDArray

from midstance.gait.model import Floats
from midstance.pose.landmarker import Region
from midstance.pose.runtime import Arrays, Network

INPUT_PX = 224
MIN_SCORE = 0.5
#: Two detections are one person when their regions' centres are closer than this share of the larger region.
SAME_PERSON = 0.30
#: The region is this much wider than the circle the detector draws around a body.
REGION_MARGIN = 1.25


@attrs.frozen
class Person:
    """A person found in a picture: landmark region (pixels) and the detector's score, 0–1."""

    region: Region
    score: float


def _anchors() -> Floats:
    """Return the (2254, 2) anchor centres as fractions: 2 on each 8-px cell and 16-px cell, 6 on each 32-px cell."""
    rows = []
    for stride, per_cell in ((8, 2), (16, 2), (32, 6)):
        n = INPUT_PX // stride
        ys, xs = np.meshgrid((np.arange(n) + 0.5) / n, (np.arange(n) + 0.5) / n, indexing="ij")
        rows.append(np.repeat(np.stack([xs.ravel(), ys.ravel()], axis=1), per_cell, axis=0))
    return np.concatenate(rows)


ANCHORS = _anchors()


def _letterbox(rgb: NDArray[np.uint8]) -> tuple[NDArray[np.float32], float, float, float]:
    """Return the detector input and (scale, pad x, pad y) to go back to picture pixels."""
    height, width = rgb.shape[:2]
    scale = INPUT_PX / max(height, width)
    w, h = max(1, round(width * scale)), max(1, round(height * scale))
    small = cv2.resize(rgb, (w, h), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    left, top = (INPUT_PX - w) // 2, (INPUT_PX - h) // 2
    canvas = np.zeros((INPUT_PX, INPUT_PX, 3), np.uint8)
    canvas[top : top + h, left : left + w] = small
    return (canvas.astype(np.float32) * (2 / 255) - 1)[None], scale, left, top


def detect(network: Network, rgb: NDArray[np.uint8], *, offset: tuple[float, float] = (0.0, 0.0)) -> list[Person]:
    """Find people in one picture (or tile at ``offset`` of a larger picture), best first."""
    picture, scale, left, top = _letterbox(rgb)
    return _people(network.run(picture), scale, left, top, offset)


def _people(result: Arrays, scale: float, left: float, top: float, offset: tuple[float, float]) -> list[Person]:
    scores = 1 / (1 + np.exp(-np.clip(result["scores"].reshape(-1).astype(np.float64), -100, 100)))
    keep = np.flatnonzero(scores >= MIN_SCORE)
    raw = result["boxes"].reshape(-1, 12)[keep].astype(np.float64)
    points = raw[:, 4:8].reshape(-1, 2, 2) / INPUT_PX + ANCHORS[keep][:, None]
    points = (points * INPUT_PX - (left, top)) / scale + offset
    people = []
    for (centre, edge), score in zip(points, scores[keep], strict=True):
        size = 2 * REGION_MARGIN * float(np.hypot(*(edge - centre)))
        people.append(Person(Region(float(centre[0]), float(centre[1]), size), float(score)))
    return merge(people)


def merge(people: list[Person]) -> list[Person]:
    """Keep one detection for each person, the best scored."""
    kept: list[Person] = []
    for p in sorted(people, key=lambda p: -p.score):
        if all(not same_person(p.region, q.region) for q in kept):
            kept.append(p)
    return kept


def same_person(a: Region, b: Region) -> bool:
    """Tell whether two regions lie on the same person."""
    larger = max(a.size, b.size)
    return bool(np.hypot(a.x - b.x, a.y - b.y) < SAME_PERSON * larger and 0.5 < a.size / max(b.size, 1e-9) < 2.0)


def tiles(width: int, height: int, share: float) -> list[tuple[int, int, int]]:
    """Return (left, top, side) of square tiles of ``share`` × picture height that overlap by half."""
    side = max(64, round(min(width, height) * share))
    lefts = _starts(width, side)
    tops = _starts(height, side)
    return [(x, y, side) for y in tops for x in lefts]


def _starts(length: int, side: int) -> list[int]:
    if side >= length:
        return [0]
    n = int(np.ceil((length - side) / (side / 2))) + 1
    return [round(i * (length - side) / (n - 1)) for i in range(n)]


def search(network: Network, rgb: NDArray[np.uint8], *, thorough: bool) -> list[Person]:
    """Find people in a whole picture; ``thorough`` adds tiles of 100 %, 60 % and 36 % of its shorter side."""
    height, width = rgb.shape[:2]
    people = detect(network, rgb)
    if thorough:
        places = [t for share in (1.0, 0.6, 0.36) for t in tiles(width, height, share)]
        boxed = [_letterbox(rgb[top : top + side, left : left + side]) for left, top, side in places]
        results = network.run_many(b[0] for b in boxed)
        for (left, top, side), (_, scale, pad_x, pad_y), result in zip(places, boxed, results, strict=True):
            for p in _people(result, scale, pad_x, pad_y, (left, top)):
                # A body cut by the tile's edge is seen whole by a neighbour.
                if _mostly_inside(p.region, left, top, side):
                    people.append(p)
    return merge(people)


def _mostly_inside(region: Region, left: int, top: int, side: int) -> bool:
    half = region.size / (2 * REGION_MARGIN) * 0.8
    return (
        left <= region.x - half * 0.5
        and region.x + half * 0.5 <= left + side
        and top <= region.y - half
        and region.y + half <= top + side
    )
