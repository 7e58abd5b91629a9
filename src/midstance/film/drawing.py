"""Marks drawn into a film's pictures: skeleton, events, captions and the strip of stances.

Blue and orange, told apart by colour-blind people too; no mark relies on colour alone. The
left side is drawn with unbroken lines and round joints, the right side with dashed lines and square joints; a
landmark that was not seen (filled, guessed or blurred) is hollow. Everything is drawn in place into (height,
width, 3) uint8 RGB.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Iterable, Sequence
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray
from PIL import Image, ImageDraw, ImageFont

from midstance.film.frames import Picture
from midstance.gait.model import LANDMARK_INDEX, SIDES, EventKind, Side, Stance, State

Colour = tuple[int, int, int]
#: As on the stills of the report.
SIDE_RGB: dict[Side, Colour] = {"left": (96, 205, 240), "right": (255, 176, 64)}
MIDDLE_RGB: Colour = (236, 236, 236)
CASING_RGB: Colour = (24, 24, 24)
CURSOR_RGB: Colour = (255, 255, 255)
SIDE_LETTER: dict[Side, str] = {"left": "L", "right": "R"}

_SHIFT = 4  # cv2 takes fixed-point coordinates, in sixteenths of a pixel
_SIDE_BONES = (
    ("shoulder", "elbow"),
    ("elbow", "wrist"),
    ("shoulder", "hip"),
    ("hip", "knee"),
    ("knee", "ankle"),
    ("ankle", "heel"),
    ("heel", "toe"),
    ("ankle", "toe"),
)
_SIDE_JOINTS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "toe")
_MIDDLE_BONES = (("left_shoulder", "right_shoulder"), ("left_hip", "right_hip"))
_SURE = (State.SEEN, State.CORRECTED)


def _unit(rgb: Picture) -> float:
    """Size of marks: 1 at a picture 720 px high or wide, whichever is less."""
    shorter: int = min(rgb.shape[0], rgb.shape[1])
    return max(0.4, shorter / 720.0)


def _fixed(point: NDArray[np.float64]) -> tuple[int, int]:
    """Pixel coordinates (centre of the first pixel at 0.5) in cv2's fixed-point form (centre at 0)."""
    return round((float(point[0]) - 0.5) * 16), round((float(point[1]) - 0.5) * 16)


def draw_skeleton(
    rgb: Picture, xy33: ArrayLike, state: ArrayLike, *, near_side: Side | None = None, scale: float = 1.0
) -> None:
    """Draw the landmarks of one frame.

    Parameters
    ----------
    rgb
        The picture, changed in place.
    xy33 : (33, 2) landmarks in pixels of the film's upright picture; NaN ones are left out.
    state : (33,) ``State`` values.
    near_side
        The side nearer the camera, drawn on top and thicker; None draws both alike.
    scale
        Overlay pixels per film pixel.
    """
    xy = np.asarray(xy33, dtype=np.float64) * scale
    known = np.asarray(state).astype(int)
    unit = _unit(rgb)
    reach = 4.0 * max(rgb.shape[:2])
    shown = (
        np.isfinite(xy).all(axis=1)
        & (known != State.MISSING)
        & (np.abs(np.nan_to_num(xy)) < reach).all(axis=1)
    )
    sure = np.isin(known, [int(s) for s in _SURE])

    def bone(a: str, b: str, colour: Colour, width: float, dashed: bool) -> None:
        i, j = LANDMARK_INDEX[a], LANDMARK_INDEX[b]
        if shown[i] and shown[j]:
            thick = max(1, round(width * unit * (1.0 if sure[i] and sure[j] else 0.6)))
            _line(rgb, xy[i], xy[j], colour, thick, dash=9.0 * unit if dashed else None)

    order: Sequence[Side] = SIDES if near_side != "left" else ("right", "left")
    for a, b in _MIDDLE_BONES:
        bone(a, b, MIDDLE_RGB, 2.0, False)
    for side in order:
        width = 3.2 if near_side in (None, side) else 2.0
        for a, b in _SIDE_BONES:
            bone(f"{side}_{a}", f"{side}_{b}", SIDE_RGB[side], width, side == "right")
        for joint in _SIDE_JOINTS:
            i = LANDMARK_INDEX[f"{side}_{joint}"]
            if shown[i]:
                _joint(
                    rgb, xy[i], SIDE_RGB[side], (1.25 * width + 1.0) * unit, side == "right", bool(sure[i])
                )
    nose = LANDMARK_INDEX["nose"]
    if shown[nose]:
        _joint(rgb, xy[nose], MIDDLE_RGB, 4.0 * unit, False, bool(sure[nose]))


def draw_event_mark(
    rgb: Picture, xy: ArrayLike, kind: EventKind, side: Side, *, scale: float = 1.0, strength: float = 1.0
) -> None:
    """Mark an initial contact (filled triangle, tip down, on a bar) or a toe-off (open, tip up) below a foot.

    ``xy`` is the place on the ground in film pixels. ``strength`` 0–1 lets a mark fade out; below 0.05
    nothing is drawn.
    """
    place = np.asarray(xy, dtype=np.float64) * scale
    if strength < 0.05 or not np.isfinite(place).all():
        return
    unit = _unit(rgb)
    half, height = 11.0 * unit, 17.0 * unit
    colour = SIDE_RGB[side]
    x, y = float(place[0]), float(place[1]) + 5 * unit
    down = kind == "initial_contact"
    tip, base = (y + height, y) if down else (y, y + height)
    corners = np.array([[x, tip], [x - half, base], [x + half, base]])
    x0, x1 = int(x - 40 * unit), int(x + 40 * unit) + 1
    y0, y1 = int(y - 4 * unit), int(y + 30 * unit) + 1
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, rgb.shape[1]), min(y1, rgb.shape[0])
    if x1 <= x0 or y1 <= y0:
        return
    patch = rgb[y0:y1, x0:x1]
    before = patch.copy() if strength < 1.0 else patch
    points = np.array([_fixed(c) for c in corners], np.int32)
    thick = max(1, round(2.2 * unit))
    cv2.polylines(rgb, [points], True, CASING_RGB, thick + 2, cv2.LINE_AA, _SHIFT)
    if down:
        cv2.fillPoly(rgb, [points], colour, cv2.LINE_AA, _SHIFT)
    cv2.polylines(rgb, [points], True, colour, thick, cv2.LINE_AA, _SHIFT)
    if down:
        bar = np.array([[x - 1.6 * half, tip + 2 * unit], [x + 1.6 * half, tip + 2 * unit]])
        _line(rgb, bar[0], bar[1], colour, thick, dash=None)
    _text(rgb, SIDE_LETTER[side], x + 1.5 * half, y - 1 * unit, 15 * unit, colour)
    if strength < 1.0:
        cv2.addWeighted(patch, strength, before, 1.0 - strength, 0.0, dst=patch)


def draw_caption(rgb: Picture, text: str, *, corner: str = "top left", size: float = 1.0) -> None:
    """Write a caption on a darkened plate in a corner, such as "top left" or "bottom right".

    Long text is wrapped to the picture's width and cut with "…" when it would cover more than two fifths of
    the height.
    """
    height, width = rgb.shape[:2]
    pixels = max(9.0, 19.0 * _unit(rgb) * size)
    pad = max(3, round(0.45 * pixels))
    line_height = round(1.35 * pixels)
    room = width - 4 * pad
    lines = wrap_text(text, room, pixels, max_lines=max(1, int(0.4 * height) // line_height))
    if not lines:
        return
    across = min(room, max(text_width(line, pixels) for line in lines))
    box_w, box_h = across + 2 * pad, len(lines) * line_height + 2 * pad
    x0 = pad if "left" in corner else width - box_w - pad
    y0 = pad if "top" in corner else height - box_h - pad
    x0, y0 = max(0, x0), max(0, y0)
    plate = rgb[y0 : y0 + box_h, x0 : x0 + box_w]
    cv2.convertScaleAbs(plate, dst=plate, alpha=0.25, beta=8)
    for n, line in enumerate(lines):
        _text(rgb, line, x0 + pad, y0 + pad + n * line_height, pixels, CURSOR_RGB, casing=False)


def draw_timeline(
    rgb: Picture,
    time_s: float,
    stances: Iterable[Stance],
    start_s: float,
    end_s: float,
    *,
    height_share: float = 0.085,
) -> None:
    """Draw the strip of stances along the bottom edge, with a cursor at ``time_s`` (all real time, seconds).

    One lane a foot, left above right. A bar is a stance from initial contact (tall solid tick) to toe-off
    (open ring); a left bar is solid, a right bar striped, an excluded one empty.
    """
    height, width = rgb.shape[:2]
    if end_s <= start_s:
        return
    unit = _unit(rgb)
    strip = min(max(round(height_share * height), 30), height)
    top = height - strip
    plate = rgb[top:]
    cv2.convertScaleAbs(plate, dst=plate, alpha=0.22, beta=6)
    size = strip * 0.3
    left = round(1.4 * size) + 4
    right = width - round(0.5 * size) - 4
    per_s = (right - left) / (end_s - start_s)
    lane: dict[Side, float] = {"left": top + strip * 0.29, "right": top + strip * 0.71}
    half = strip * 0.13
    for side in SIDES:
        _text(rgb, SIDE_LETTER[side], 4, lane[side] - 0.62 * size, size, SIDE_RGB[side], casing=False)
        _line(rgb, np.array([left, lane[side]]), np.array([right, lane[side]]), (110, 110, 110), 1, dash=None)
    for stance in stances:
        begin = stance.ic.time_s
        end = stance.to.time_s if stance.to is not None else begin
        if end < start_s or begin > end_s:
            continue
        y, colour = lane[stance.side], SIDE_RGB[stance.side]
        x0 = left + (max(begin, start_s) - start_s) * per_s
        x1 = left + (min(end, end_s) - start_s) * per_s
        a, b = (round(x0), round(y - half)), (round(x1), round(y + half))
        if stance.to is not None and b[0] > a[0]:
            if stance.excluded is not None:
                cv2.rectangle(rgb, a, b, colour, 1)
            else:
                cv2.rectangle(rgb, a, b, colour, -1)
                if stance.side == "right":
                    _stripes(rgb, a, b, max(3, round(5 * unit)))
        if begin >= start_s:
            tick = round(half * 1.7)
            cv2.line(rgb, (a[0], round(y) - tick), (a[0], round(y) + tick), colour, max(2, round(2.5 * unit)))
        if stance.to is not None and end <= end_s:
            centre = _fixed(np.array([x1 + 0.5, y + 0.5]))
            cv2.circle(rgb, centre, round(half * 0.85 * 16), CASING_RGB, -1, cv2.LINE_AA, _SHIFT)
            cv2.circle(
                rgb, centre, round(half * 0.85 * 16), colour, max(1, round(1.6 * unit)), cv2.LINE_AA, _SHIFT
            )
    x = left + (min(max(time_s, start_s), end_s) - start_s) * per_s
    _line(
        rgb,
        np.array([x, top + 1.0]),
        np.array([x, height - 1.0]),
        CURSOR_RGB,
        max(1, round(2 * unit)),
        dash=None,
    )


# --- primitives
# --------------------------------------------------------------------------------------------------------


def _line(
    rgb: Picture,
    a: NDArray[np.float64],
    b: NDArray[np.float64],
    colour: Colour,
    thick: int,
    *,
    dash: float | None,
) -> None:
    """Draw a line with a dark casing, dashed when ``dash`` (px) is given."""
    pieces = [(a, b)]
    if dash is not None:
        # The round ends and the casing eat into the gaps of short dashes.
        dash = max(dash, 2.2 * (thick + 2))
        length = float(np.hypot(*(b - a)))
        count = max(1, round((length / dash - 1.0) / 1.8))
        if count > 1:
            # Whole dashes at both ends, so joints stay joined.
            period = 1.0 / (count - 1 + 0.56)
            starts = np.arange(count) * period
            pieces = [(a + (b - a) * s, a + (b - a) * min(1.0, s + 0.56 * period)) for s in starts]
    for colour_now, width in ((CASING_RGB, thick + 2), (colour, thick)):
        for p, q in pieces:
            cv2.line(rgb, _fixed(p), _fixed(q), colour_now, width, cv2.LINE_AA, _SHIFT)


def _joint(
    rgb: Picture, at: NDArray[np.float64], colour: Colour, radius: float, square: bool, sure: bool
) -> None:
    thick = max(1, round(radius * 0.4))
    if square:
        corner = np.array([radius, radius]) * 0.88
        a, b = _fixed(at - corner), _fixed(at + corner)
        cv2.rectangle(rgb, a, b, CASING_RGB, thick + 2, cv2.LINE_AA, _SHIFT)
        cv2.rectangle(rgb, a, b, colour if sure else CASING_RGB, -1, cv2.LINE_AA, _SHIFT)
        cv2.rectangle(rgb, a, b, colour, thick, cv2.LINE_AA, _SHIFT)
        return
    centre, r = _fixed(at), round(radius * 16)
    cv2.circle(rgb, centre, r, CASING_RGB, thick + 2, cv2.LINE_AA, _SHIFT)
    cv2.circle(rgb, centre, r, colour if sure else CASING_RGB, -1, cv2.LINE_AA, _SHIFT)
    cv2.circle(rgb, centre, r, colour, thick, cv2.LINE_AA, _SHIFT)


def _stripes(rgb: Picture, a: tuple[int, int], b: tuple[int, int], period: int) -> None:
    x0, x1 = max(0, a[0]), min(rgb.shape[1], b[0])
    for x in range(x0 + period, x1, 2 * period):
        rgb[max(0, a[1]) : b[1], x : min(x + max(1, period // 2), x1)] = CASING_RGB


# --- text ---------------------------------------------------------------------------------------------------
# -----------


@lru_cache(maxsize=16)
def _font(size: int) -> ImageFont.FreeTypeFont:
    """The sans-serif face that comes with matplotlib, which has the degree sign, dashes and Greek."""
    spec = importlib.util.find_spec("matplotlib")
    folder = Path(next(iter(spec.submodule_search_locations or [""]))) if spec is not None else Path()
    return ImageFont.truetype(str(folder / "mpl-data" / "fonts" / "ttf" / "DejaVuSans.ttf"), size)


def text_width(text: str, size_px: float) -> int:
    """Width of a line of text in pixels."""
    return int(np.ceil(_font(round(size_px)).getlength(text)))


def wrap_text(text: str, room_px: int, size_px: float, *, max_lines: int) -> list[str]:
    """Break text into lines no wider than ``room_px``, at spaces where possible, ending in "…" if cut."""
    lines: list[str] = []
    for paragraph in text.split("\n"):
        line = ""
        for word in paragraph.split():
            while text_width(word, size_px) > room_px and len(word) > 1:
                if line:
                    lines.append(line)
                    line = ""
                fit = next(
                    (n for n in range(len(word) - 1, 0, -1) if text_width(word[:n], size_px) <= room_px), 1
                )
                lines.append(word[:fit])
                word = word[fit:]
            trial = f"{line} {word}" if line else word
            if line and text_width(trial, size_px) > room_px:
                lines.append(line)
                line = word
            else:
                line = trial
        if line:
            lines.append(line)
    if len(lines) > max_lines:
        lines = lines[:max_lines]
        last = lines[-1]
        while last and text_width(last + "…", size_px) > room_px:
            last = last[:-1]
        lines[-1] = last.rstrip() + "…"
    return lines


@lru_cache(maxsize=512)
def _text_mask(text: str, size: int) -> NDArray[np.uint8]:
    font = _font(size)
    width, height = int(np.ceil(font.getlength(text))) + 2, round(1.35 * size)
    image = Image.new("L", (width, height), 0)
    ImageDraw.Draw(image).text((1, 0), text, fill=255, font=font)
    return np.array(image, dtype=np.uint8)


def _text(
    rgb: Picture, text: str, x: float, y: float, size_px: float, colour: Colour, *, casing: bool = True
) -> None:
    """Write one line with its top-left corner at (x, y), clipped to the picture."""
    mask = _text_mask(text, max(8, round(size_px)))
    if casing:
        wide = cv2.copyMakeBorder(mask, 2, 2, 2, 2, cv2.BORDER_CONSTANT)
        halo = np.asarray(cv2.dilate(wide, np.ones((3, 3), np.uint8)), np.uint8)
        _blend(rgb, halo, round(x) - 2, round(y) - 2, CASING_RGB)
    _blend(rgb, mask, round(x), round(y), colour)


def _blend(rgb: Picture, mask: NDArray[np.uint8], x: int, y: int, colour: Colour) -> None:
    x0, y0 = max(x, 0), max(y, 0)
    x1, y1 = min(x + mask.shape[1], rgb.shape[1]), min(y + mask.shape[0], rgb.shape[0])
    if x1 <= x0 or y1 <= y0:
        return
    weight = mask[y0 - y : y1 - y, x0 - x : x1 - x, None].astype(np.uint16)
    part = rgb[y0:y1, x0:x1]
    part[:] = ((part * (255 - weight) + np.array(colour, np.uint16) * weight + 127) // 255).astype(np.uint8)
