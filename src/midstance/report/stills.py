"""Annotated stills: one frame of a film, cropped around the runner, with the angles drawn and their numbers
beside the body.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import attrs
import cv2
import numpy as np

from midstance.assess.result import Assessment
from midstance.findings.words import number
from midstance.gait.model import LANDMARK_INDEX, Floats, Side, View, seen_as
from midstance.report.drawing import (
    SIDE_RGB,
    WHITE,
    Label,
    Picture,
    Plate,
    Rgb,
    Stroke,
    arc,
    dashed,
    draw_dot,
    draw_plates,
    draw_strokes,
    label_size,
    leader,
    place_labels,
)

StillKind = Literal["initial_contact", "midstance", "toe_off"]
KINDS: tuple[StillKind, ...] = ("initial_contact", "midstance", "toe_off")
KIND_WORDS: dict[str, str] = {
    "initial_contact": "initial contact",
    "midstance": "midstance",
    "toe_off": "toe-off",
}

#: What is written on each still, in the order of importance, with the short words for it.
SHOWN: dict[tuple[str, str], dict[str, str]] = {
    ("side", "initial_contact"): {
        "foot_ahead_of_com": "foot ahead of centre",
        "foot_ahead_of_hip": "foot ahead of hip",
        "shank_angle_contact": "shin lean",
        "knee_flexion_contact": "knee bend",
        "foot_strike_angle": "foot, toes up",
        "trunk_lean_contact": "trunk lean",
    },
    ("side", "midstance"): {
        "knee_flexion_peak_stance": "most knee bend",
        "ankle_dorsiflexion_peak_stance": "most ankle bend",
        "trunk_lean_stance": "trunk lean, mean",
    },
    ("side", "toe_off"): {"hip_extension_toe_off": "thigh behind"},
    ("frontal", "initial_contact"): {},
    ("frontal", "midstance"): {
        "thigh_adduction_peak": "thigh leaning in",
        "knee_frontal_angle_peak": "knee off the line",
        "trunk_side_lean_peak": "trunk side lean",
    },
    ("frontal", "toe_off"): {},
}
#: Height of a still, px.
HEIGHT = 800


@attrs.frozen(eq=False)
class Still:
    """One annotated still: ``rgb`` (h, w, 3) uint8 with its drawing, from real time ``time_s`` of the film
    of ``view``.
    """

    view: View
    side: Side
    kind: StillKind
    stride: int
    time_s: float
    rgb: Picture
    caption: str

    def file_name(self) -> str:
        """Return the file's name, such as ``side-left-initial_contact-stride7.jpg``."""
        return f"{self.view}-{self.side}-{self.kind}-stride{self.stride + 1}.jpg"


@attrs.frozen(eq=False)
class StillPoints:
    """Where the body is in the frame: ``xy`` (33, 2) px of the upright picture, NaN where missing; ``com``
    (2,) px or None.
    """

    xy: Floats
    com: Floats | None = None

    def get(self, name: str) -> Floats | None:
        """Return one landmark, or None where it is missing; "mid_hip" and "mid_shoulder" are between left
        and right.
        """
        if name.startswith("mid_"):
            pair = [self.get(f"{s}_{name[4:]}") for s in ("left", "right")]
            return None if pair[0] is None or pair[1] is None else (pair[0] + pair[1]) / 2
        point = self.xy[LANDMARK_INDEX[name]]
        return point if bool(np.isfinite(point).all()) else None


@attrs.frozen
class StillNumber:
    """One number on a still with its 95 % interval, in the measure's unit (deg or m)."""

    value: float
    low: float
    high: float
    unit: str

    def text(self) -> str:
        """Return "13° ±2" or "29 cm ±2"; a half-width that rounds to nothing is said to be below 1."""
        factor, sign = (100.0, " cm") if self.unit == "m" else (1.0, "°")
        half = factor * (self.high - self.low) / 2
        return f"{number(factor * self.value)}{sign} ±{number(half) if half >= 0.5 else '<1'}"


def still_numbers(
    a: Assessment, view: View, side: Side, kind: StillKind, stride: int | None = None
) -> dict[str, StillNumber]:
    """Return the numbers that belong on a still: of the stride shown, else of the whole film; none that
    wasn't measurable.
    """
    found: dict[str, StillNumber] = {}
    for key in SHOWN[_family(view), kind]:
        if (m := a.measure(key, side, seen_as(view)) or a.measure(key, "both", seen_as(view))) is None or m.value is None:
            continue
        assert m.low is not None
        assert m.high is not None
        found[key] = StillNumber(m.value, m.low, m.high, m.unit)
        for v in a.stride_values:
            if (v.measure, v.view, v.side, v.stride) == (key, view, side, stride):
                found[key] = StillNumber(v.value, v.low, v.high, v.unit)
    return found


def draw_still(
    rgb: Picture,
    points: StillPoints,
    kind: StillKind,
    numbers: Mapping[str, StillNumber],
    *,
    view: View,
    side: Side,
    direction: str = "",
    note: str = "",
) -> Picture:
    """Return an annotated still, (h, w, 3) uint8 RGB, :data:`HEIGHT` px high.

    Parameters
    ----------
    rgb
        The frame, (h, w, 3) uint8, upright.
    points
        Landmarks (and centre of mass) of this frame in its pixels.
    kind, view, side
        The instant, and the leg that is on the ground.
    numbers
        What to write, by measure key; see :func:`still_numbers`. An angle without a number is still drawn if
        its landmarks are there.
    direction
        Of running, "left to right" or "right to left"; only used in the side view.
    note
        A short remark for the corner, for instance "invented runner".
    """
    tag = Label("", f"{side} {'foot' if seen_as(view) == 'side' else 'leg'} · {KIND_WORDS[kind]}", (0, 0), -1)
    tags = [tag, Label("", note, (0, 0), -1)] if note else [tag]
    frame = _Frame.around(rgb, points)
    moved = frame.moved(points)
    ahead = -1 if direction == "right to left" else 1
    drawing = _Drawing(moved, side, _other(side), ahead, numbers, SHOWN[_family(view), kind])
    if seen_as(view) == "side":
        _SIDE_DRAWINGS[kind](drawing)
    else:
        _frontal(drawing, kind)
    plates: list[Plate] = []
    y = 10
    for t in tags:
        w, h = label_size(t)
        plates.append(Plate(t, 10, y, w, h))
        y += h + 6
    width = frame.canvas.shape[1]
    # The corner's tag is in the way of labels in the left margin, and of the right one where the canvas is
    # narrow.
    tag_right = max(p.x + p.width for p in plates)
    labels = place_labels(
        drawing.labels, (width, HEIGHT), frame.body, (y + 4, y + 4 if tag_right > frame.body[1] else 8)
    )
    strokes = [*drawing.strokes, *(Stroke(leader(p), WHITE, 1) for p in labels)]
    draw_strokes(frame.canvas, strokes)
    for point, colour, hollow in drawing.dots:
        draw_dot(frame.canvas, point, 5.0, colour, hollow=hollow)
    return draw_plates(frame.canvas, [*plates, *labels])


@attrs.frozen(eq=False)
class _Frame:
    """The cropped and scaled picture; ``matrix`` (2, 3) takes picture pixels to canvas pixels; ``body`` is x
    from–to.
    """

    canvas: Picture
    matrix: Floats
    body: tuple[float, float]

    @classmethod
    def around(cls, rgb: Picture, points: StillPoints) -> _Frame:
        """Crop to the runner with margins wide enough for the labels, scaled to HEIGHT; beyond the picture
        it is dark.
        """
        seen = points.xy[np.isfinite(points.xy).all(axis=1)]
        if len(seen) < 2:
            seen = np.array([[0.0, 0.0], [rgb.shape[1], rgb.shape[0]]])
        (x0, y0), (x1, y1) = seen.min(axis=0), seen.max(axis=0)
        tall = max(float(y1 - y0), 20.0)
        # Landmarks end at the eyes and the ankles' skin: add the crown, the sole and half a limb's width.
        y0, y1 = y0 - 0.12 * tall, y1 + 0.10 * tall
        x0, x1 = x0 - 0.045 * tall, x1 + 0.045 * tall
        scale = HEIGHT / (y1 - y0)
        gutter = 216.0
        width = round((x1 - x0) * scale + 2 * gutter)
        matrix = np.array([[scale, 0.0, gutter - scale * x0], [0.0, scale, -scale * y0]])
        # cv2 counts pixel centres from 0, landmarks from 0.5.
        shifted = matrix.copy()
        shifted[:, 2] += 0.5 * scale - 0.5
        how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
        canvas = cv2.warpAffine(
            rgb, shifted, (width, HEIGHT), flags=how, borderMode=cv2.BORDER_CONSTANT, borderValue=(38, 43, 47)
        )
        return cls(np.asarray(canvas, np.uint8), matrix, (gutter, width - gutter))

    def moved(self, points: StillPoints) -> StillPoints:
        """Return the points in canvas pixels."""

        def move(xy: Floats) -> Floats:
            return np.asarray(xy @ self.matrix[:, :2].T + self.matrix[:, 2], np.float64)

        return StillPoints(move(points.xy), None if points.com is None else move(points.com))


@attrs.define(eq=False)
class _Drawing:
    """Strokes, dots and labels of one still as they are collected, in canvas pixels."""

    at: StillPoints
    side: Side
    other: Side
    ahead: int
    numbers: Mapping[str, StillNumber]
    words: Mapping[str, str]
    strokes: list[Stroke] = attrs.Factory(list)
    dots: list[tuple[Floats, Rgb, bool]] = attrs.Factory(list)
    labels: list[Label] = attrs.Factory(list)

    @property
    def rgb(self) -> Rgb:
        """Colour of the leg on the ground."""
        return SIDE_RGB[self.side]

    def points(self, *names: str) -> list[Floats] | None:
        """Return landmarks, ``~`` standing for the side on the ground; None if one is missing."""
        found = [self.at.get(n.replace("~", self.side)) for n in names]
        return None if any(p is None for p in found) else [p for p in found if p is not None]

    def segment(self, p: Floats, q: Floats, rgb: Rgb, width: int = 4) -> None:
        """Draw a part of the body."""
        self.strokes.append(Stroke(np.stack([p, q]), rgb, width))

    def reference(self, p: Floats, q: Floats) -> None:
        """Draw a dashed line that an angle is taken from."""
        self.strokes += [Stroke(d, WHITE, 2) for d in dashed(p, q)]

    def angle(self, centre: Floats, start: Floats, end: Floats, radius: float) -> Floats:
        """Draw an arc and return its middle."""
        curve = arc(centre, start, end, radius)
        self.strokes.append(Stroke(curve, WHITE, 2))
        return np.asarray(curve[len(curve) // 2])

    def label(self, key: str, anchor: Floats, margin: int) -> None:
        """Write a measure's number if there is one."""
        if key in self.numbers:
            self.labels.append(
                Label(self.numbers[key].text(), self.words[key], (float(anchor[0]), float(anchor[1])), margin)
            )

    def joints(self, *names: str) -> None:
        """Mark joints of the leg on the ground."""
        for name in names:
            if (p := self.points(name)) is not None:
                self.dots.append((p[0], self.rgb, False))


def _leg(d: _Drawing, *, foot: bool = True) -> None:
    """Draw thigh, shank and, where it isn't foreshortened, the foot of the leg on the ground."""
    for a, b in (("~_hip", "~_knee"), ("~_knee", "~_ankle"), *([("~_heel", "~_toe")] if foot else [])):
        if (p := d.points(a, b)) is not None:
            d.segment(p[0], p[1], d.rgb)
    d.joints("~_hip", "~_knee", "~_ankle")


def _trunk(d: _Drawing, key: str, margin: int) -> None:
    """Draw the trunk line against the vertical."""
    if (p := d.points("mid_hip", "mid_shoulder")) is None:
        return
    hip, shoulder = p
    length = float(np.hypot(*(shoulder - hip)))
    up = np.array([0.0, -1.0])
    d.reference(hip, hip + up * length)
    d.segment(hip, shoulder, WHITE, 3)
    d.label(key, d.angle(hip, up, shoulder - hip, 0.72 * length), margin)


def _knee(d: _Drawing, key: str, margin: int) -> None:
    """Draw the bend of the knee: the shank against the thigh carried on."""
    if (p := d.points("~_hip", "~_knee", "~_ankle")) is None:
        return
    hip, knee, ankle = p
    along = (knee - hip) / max(float(np.hypot(*(knee - hip))), 1e-9)
    shank = float(np.hypot(*(ankle - knee)))
    d.reference(knee, knee + along * 0.62 * shank)
    d.label(key, d.angle(knee, along, ankle - knee, 0.45 * shank), margin)


def _side_contact(d: _Drawing) -> None:
    _leg(d)
    _trunk(d, "trunk_lean_contact", -d.ahead)
    _knee(d, "knee_flexion_contact", d.ahead)
    if (p := d.points("~_knee", "~_ankle")) is not None:
        knee, ankle = p
        up = np.array([0.0, -1.0])
        shank = float(np.hypot(*(knee - ankle)))
        d.reference(ankle, ankle + up * 0.95 * shank)
        d.label("shank_angle_contact", d.angle(ankle, up, knee - ankle, 0.45 * shank), d.ahead)
    if (p := d.points("~_heel", "~_toe")) is not None:
        heel, toe = p
        level = np.array([float(d.ahead), 0.0])
        foot = float(np.hypot(*(toe - heel)))
        d.reference(heel, heel + level * 1.15 * foot)
        d.label("foot_strike_angle", d.angle(heel, level, toe - heel, 0.9 * foot), d.ahead)
    _distance(d)


def _distance(d: _Drawing) -> None:
    """Draw how far the ankle is ahead of the centre of mass (or of the hip) as a bar on the ground."""
    if (p := d.points("~_ankle", "~_heel", "~_toe")) is None:
        return
    ankle, heel, toe = p
    key, start = "foot_ahead_of_com", d.at.com
    if start is None or key not in d.numbers:
        hip = d.points("~_hip")
        key, start = "foot_ahead_of_hip", hip[0] if hip else None
    if start is None or key not in d.numbers:
        return
    ground = max(float(heel[1]), float(toe[1])) + 26.0
    a, b = np.array([start[0], ground]), np.array([ankle[0], ground])
    d.strokes += [Stroke(x, WHITE, 2) for x in dashed(start, a, 3, 7)]
    d.strokes += [Stroke(x, WHITE, 2) for x in dashed(ankle, b, 3, 7)]
    d.strokes.append(Stroke(np.stack([a, b]), WHITE, 4))
    tick = np.array([0.0, 7.0])
    for end in (a, b):
        d.strokes.append(Stroke(np.stack([end - tick, end + tick]), WHITE, 3))
    if key == "foot_ahead_of_com":
        d.dots.append((np.asarray(start), WHITE, True))
    d.label(key, (a + b) / 2, -d.ahead)


def _side_midstance(d: _Drawing) -> None:
    _leg(d)
    _trunk(d, "trunk_lean_stance", -d.ahead)
    _knee(d, "knee_flexion_peak_stance", -d.ahead)
    if (p := d.points("~_knee", "~_ankle", "~_toe", "~_heel")) is not None:
        knee, ankle, toe, heel = p
        shank = float(np.hypot(*(knee - ankle)))
        d.label(
            "ankle_dorsiflexion_peak_stance", d.angle(ankle, knee - ankle, toe - heel, 0.35 * shank), d.ahead
        )


def _side_toe_off(d: _Drawing) -> None:
    _leg(d)
    _trunk(d, "trunk_lean_stance", d.ahead)
    if (p := d.points("~_hip", "~_knee")) is not None:
        hip, knee = p
        down = np.array([0.0, 1.0])
        thigh = float(np.hypot(*(knee - hip)))
        d.reference(hip, hip + down * 1.05 * thigh)
        d.label("hip_extension_toe_off", d.angle(hip, down, knee - hip, 0.7 * thigh), -d.ahead)


def _frontal(d: _Drawing, kind: StillKind) -> None:
    """Draw leg and trunk as seen from behind or in front.

    The pelvis is not drawn: its line comes from stickers, if at all, and the hips of the skeleton don't show it.
    """
    _leg(d, foot=False)
    if (hips := d.points("~_hip", f"{d.other}_hip")) is None:
        return
    stance, swing = hips
    to_swing = 1 if swing[0] >= stance[0] else -1
    _trunk(d, "trunk_side_lean_peak", to_swing)
    if kind == "midstance" and (p := d.points("~_knee", "~_ankle")) is not None:
        knee, ankle = p
        thigh = float(np.hypot(*(knee - stance)))
        if "thigh_adduction_peak" in d.numbers:
            down = np.array([0.0, 1.0])
            d.reference(stance, stance + down * 0.8 * thigh)
            d.label("thigh_adduction_peak", d.angle(stance, down, knee - stance, 0.6 * thigh), -to_swing)
        if "knee_frontal_angle_peak" in d.numbers:
            d.reference(stance, ankle)
            d.label("knee_frontal_angle_peak", knee, -to_swing)


_SIDE_DRAWINGS = {"initial_contact": _side_contact, "midstance": _side_midstance, "toe_off": _side_toe_off}


def _family(view: View) -> str:
    return "side" if seen_as(view) == "side" else "frontal"


def _other(side: Side) -> Side:
    return "right" if side == "left" else "left"
