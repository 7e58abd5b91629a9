"""Lines, arcs and labels that stay readable on any photograph: every stroke has a dark halo, every text a
plate.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

import attrs
import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from midstance.gait.model import Floats

Rgb = tuple[int, int, int]
Picture = NDArray[np.uint8]

WHITE: Rgb = (255, 255, 255)
HALO: Rgb = (10, 14, 18)
#: Bright on photographs, apart in lightness and in blue–yellow, so that they differ for every kind of colour
#: vision.
SIDE_RGB: dict[str, Rgb] = {"left": (96, 205, 240), "right": (255, 176, 64)}
_SHIFT = 4  # fixed-point bits of cv2's sub-pixel drawing


@lru_cache(maxsize=16)
def font(size: int, bold: bool = False) -> ImageFont.FreeTypeFont:
    """Return DejaVu Sans as matplotlib ships it, so that pictures are the same on every machine."""
    spec = importlib.util.find_spec("matplotlib")
    if spec is None or not spec.submodule_search_locations:  # pragma: no cover - a declared dependency
        raise RuntimeError("matplotlib, which brings the fonts, is not installed")
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(
        str(Path(next(iter(spec.submodule_search_locations))) / "mpl-data/fonts/ttf" / name), size
    )


@attrs.frozen(eq=False)
class Stroke:
    """One line through (k, 2) canvas pixels."""

    points: Floats
    rgb: Rgb
    width: int
    halo: bool = True


@attrs.frozen
class Label:
    """A number with its name, tied to a point. ``side`` is the margin it goes to: -1 left, +1 right."""

    big: str
    small: str
    anchor: tuple[float, float]
    side: int
    rgb: Rgb = WHITE


@attrs.frozen
class Plate:
    """A label with its place on the canvas, px."""

    label: Label
    x: int
    y: int
    width: int
    height: int


def dashed(p: Floats, q: Floats, dash: float = 9.0, gap: float = 7.0) -> list[Floats]:
    """Return the dashes of a line as (2, 2) pieces, px."""
    length = float(np.hypot(*(q - p)))
    if length < 1e-6:
        return []
    unit = (q - p) / length
    starts = np.arange(0.0, length, dash + gap)
    return [np.stack([p + unit * s, p + unit * min(s + dash, length)]) for s in starts]


def arc(centre: Floats, start: Floats, end: Floats, radius: float) -> Floats:
    """Return the shorter arc about ``centre`` from direction ``start`` to direction ``end`` as (k, 2) px."""
    a, b = math.atan2(start[1], start[0]), math.atan2(end[1], end[0])
    turn = (b - a + math.pi) % (2 * math.pi) - math.pi
    angles = np.linspace(a, a + turn, max(4, int(abs(turn) * radius / 3)))
    return np.stack([centre[0] + radius * np.cos(angles), centre[1] + radius * np.sin(angles)], axis=1)


def draw_strokes(canvas: Picture, strokes: Sequence[Stroke]) -> None:
    """Draw all halos first, then all lines, in place, so that no halo cuts through a line."""
    for halo in (True, False):
        for s in strokes:
            if halo and not s.halo:
                continue
            points = np.round((s.points - 0.5) * (1 << _SHIFT)).astype(np.int32).reshape(-1, 1, 2)
            width = s.width + (4 if s.width > 1 else 2) if halo else s.width
            cv2.polylines(canvas, [points], False, HALO if halo else s.rgb, width, cv2.LINE_AA, _SHIFT)


def draw_dot(canvas: Picture, centre: Floats, radius: float, rgb: Rgb, *, hollow: bool = False) -> None:
    """Draw a joint as a dot with a dark rim, in place."""
    at = tuple(int(v) for v in np.round((centre - 0.5) * (1 << _SHIFT)))
    for r, colour in ((radius + 2.0, HALO), (radius, rgb), (radius * 0.5, HALO if hollow else rgb)):
        cv2.circle(canvas, at, int(r * (1 << _SHIFT)), colour, -1, cv2.LINE_AA, _SHIFT)


def label_size(label: Label) -> tuple[int, int]:
    """Return width and height of a label's plate, px."""
    widths = [font(27, True).getlength(label.big), font(17).getlength(label.small)]
    lines = (34 if label.big else 0) + (23 if label.small else 0)
    return int(max(widths)) + 24, lines + 12


def place_labels(
    labels: Sequence[Label], size: tuple[int, int], body: tuple[float, float], top: tuple[int, int] = (8, 8)
) -> list[Plate]:
    """Put the labels into the margins left and right of the body, at the height of what they name where
    there is room.

    Parameters
    ----------
    labels
        At most as many a margin as its height holds; further ones are dropped from the end.
    size
        Width and height of the canvas, px.
    body
        Leftmost and rightmost x that the body covers, px.
    top
        First free y of the left and the right margin.
    """
    width, height = size
    plates: list[Plate] = []
    for side in (-1, 1):
        mine = [x for x in labels if x.side == side]
        first = top[0] if side < 0 else top[1]
        sizes = {id(x): label_size(x) for x in mine}
        gap = 8
        while mine and sum(sizes[id(x)][1] + gap for x in mine) > height - first - 8:
            mine.pop()
        mine.sort(key=lambda x: x.anchor[1])
        ys: list[float] = []
        at = float(first)
        for x in mine:
            h = sizes[id(x)][1]
            at = max(at, x.anchor[1] - h / 2)
            ys.append(at)
            at += h + gap
        limit = float(height - 8)
        for i in reversed(range(len(mine))):
            h = sizes[id(mine[i])][1]
            ys[i] = min(ys[i], limit - h)
            limit = ys[i] - gap
        for x, y in zip(mine, ys, strict=True):
            w, h = sizes[id(x)]
            # Next to the body, but never on it and never beyond the edge.
            left = min(body[1] + 10, width - w - 8) if side > 0 else max(body[0] - 10 - w, 8)
            plates.append(Plate(x, round(left), round(y), w, h))
    return plates


def leader(plate: Plate) -> Floats:
    """Return the line from a plate to what it names, (2, 2) px."""
    x = plate.x + plate.width if plate.label.side < 0 else plate.x
    y = float(np.clip(plate.label.anchor[1], plate.y + 8, plate.y + plate.height - 8))
    return np.array([[x, y], plate.label.anchor], dtype=np.float64)


def draw_plates(canvas: Picture, plates: Sequence[Plate]) -> Picture:
    """Return the canvas with the plates and their text."""
    image = Image.fromarray(canvas)
    for p in plates:
        scale = 3
        big = Image.new("L", (p.width * scale, p.height * scale), 0)
        ImageDraw.Draw(big).rounded_rectangle(
            (0, 0, p.width * scale - 1, p.height * scale - 1), 7 * scale, fill=214
        )
        mask = big.resize((p.width, p.height), Image.Resampling.LANCZOS)
        image.paste(Image.new("RGB", (p.width, p.height), HALO), (p.x, p.y), mask)
        draw = ImageDraw.Draw(image)
        y = p.y + 6
        if p.label.big:
            draw.text((p.x + 12, y + 16), p.label.big, font=font(27, True), fill=p.label.rgb, anchor="lm")
            y += 34
        if p.label.small:
            draw.text((p.x + 12, y + 11), p.label.small, font=font(17), fill=(232, 236, 238), anchor="lm")
    return np.asarray(image).copy()
