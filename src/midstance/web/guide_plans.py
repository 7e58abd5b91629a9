"""Plans of where the camera stands, drawn to scale: from above, from the side, and what the picture then shows.

Plain SVG without styles of its own; colours and line widths come from static/guide/guide.css by class.
"""

from __future__ import annotations

import html
import math
from collections.abc import Sequence

import attrs

from midstance.gait.model import Side
from midstance.web.guide_geometry import Setup

Point = tuple[float, float]
#: Belt of the drawn treadmill and its frame, m (a usual size, no source).
BELT_M = (1.5, 0.55)
FRAME_M = (1.9, 0.85)
#: Heights as shares of stature, used for drawing only (Drillis & Contini 1966, from memory).
_SHOULDER, _HIP, _KNEE, _ANKLE = 0.818, 0.530, 0.285, 0.039


class Drawing:
    """SVG in metres: x to the right, y up (or away, in a plan), fitted into a fixed width of px."""

    def __init__(self, low: Point, high: Point, width_px: float, title: str, margin_px: float = 8.0) -> None:
        self._low, self._high, self._title, self._margin = low, high, title, margin_px
        self.scale = (width_px - 2 * margin_px) / (high[0] - low[0])
        self.width_px = width_px
        self.height_px = (high[1] - low[1]) * self.scale + 2 * margin_px
        self._parts: list[str] = []

    def at(self, point: Point) -> Point:
        """Return px of a place in metres."""
        return (
            self._margin + (point[0] - self._low[0]) * self.scale,
            self._margin + (self._high[1] - point[1]) * self.scale,
        )

    def _d(self, points: Sequence[Point]) -> str:
        return " ".join(f"{x:.1f} {y:.1f}" for x, y in (self.at(p) for p in points))

    def line(self, points: Sequence[Point], name: str) -> None:
        """Add a line through points."""
        self._parts.append(f'<path class="{name}" d="M{self._d(points)}"/>')

    def shape(self, points: Sequence[Point], name: str) -> None:
        """Add a closed shape."""
        self._parts.append(f'<path class="{name}" d="M{self._d(points)}z"/>')

    def box(self, low: Point, high: Point, name: str, round_px: float = 0.0) -> None:
        """Add a rectangle."""
        (x0, y1), (x1, y0) = self.at(low), self.at(high)
        corner = f' rx="{round_px:g}"' if round_px else ""
        self._parts.append(
            f'<rect class="{name}" x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" height="{y1 - y0:.1f}"{corner}/>'
        )

    def oval(self, centre: Point, across_m: float, along_m: float, name: str) -> None:
        """Add an ellipse by its half axes."""
        x, y = self.at(centre)
        self._parts.append(
            f'<ellipse class="{name}" cx="{x:.1f}" cy="{y:.1f}" rx="{across_m * self.scale:.1f}" '
            f'ry="{along_m * self.scale:.1f}"/>'
        )

    def limb(self, points: Sequence[Point], width_m: float, name: str) -> None:
        """Add a line of a width in metres."""
        self._parts.append(f'<path class="{name}" stroke-width="{width_m * self.scale:.1f}" d="M{self._d(points)}"/>')

    def text(self, point: Point, words: str, name: str = "", *, anchor: str = "middle", shift: Point = (0.0, 0.0)) -> None:
        """Add words at a place, shifted by px."""
        x, y = self.at(point)
        self._words(x + shift[0], y + shift[1], words, name, anchor)

    def _words(self, x: float, y: float, words: str, name: str, anchor: str) -> None:
        named = f' class="{name}"' if name else ""
        self._parts.append(f'<text{named} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{html.escape(words)}</text>')

    def measure(self, a: Point, b: Point, words: str, *, below: bool = True) -> None:
        """Add a dimension line with ticks at both ends and its length in words."""
        (x0, y0), (x1, y1) = self.at(a), self.at(b)
        length = math.hypot(x1 - x0, y1 - y0) or 1.0
        nx, ny = -(y1 - y0) / length * 5, (x1 - x0) / length * 5
        ticks = "".join(f"M{x - nx:.1f} {y - ny:.1f}L{x + nx:.1f} {y + ny:.1f}" for x, y in ((x0, y0), (x1, y1)))
        self._parts.append(f'<path class="dim" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}{ticks}"/>')
        mx, my = (x0 + x1) / 2, (y0 + y1) / 2
        if abs(x1 - x0) >= abs(y1 - y0):
            self._words(mx, my + (19 if below else -8), words, "dim-text", "middle")
        elif below:
            self._words(mx + 9, my + 5, words, "dim-text", "start")
        else:
            self._words(mx - 9, my + 5, words, "dim-text", "end")

    def raw(self, text: str) -> None:
        """Add SVG as it is."""
        self._parts.append(text)

    def svg(self) -> str:
        """Return the drawing."""
        return (
            f'<svg class="plan" viewBox="0 0 {self.width_px:.0f} {self.height_px:.0f}" role="img" '
            f'aria-label="{html.escape(self._title, quote=True)}">{"".join(self._parts)}</svg>'
        )


def _metres(value: float, digits: int = 1) -> str:
    return f"{value:.{digits}f} m"


def _camera(drawing: Drawing, at: Point, towards: Point) -> None:
    """Draw a phone seen from its narrow side, looking at ``towards``."""
    x, y = drawing.at(at)
    tx, ty = drawing.at(towards)
    turn = math.degrees(math.atan2(ty - y, tx - x))
    drawing.raw(
        f'<g class="camera" transform="translate({x:.1f} {y:.1f}) rotate({turn:.1f})">'
        '<rect x="-9" y="-15" width="8" height="30" rx="3"/><path d="M-1 -5h4v10h-4z"/></g>'
    )


def _arrow(drawing: Drawing, a: Point, b: Point, name: str) -> None:
    (x0, y0), (x1, y1) = drawing.at(a), drawing.at(b)
    turn = math.atan2(y1 - y0, x1 - x0)
    head = "".join(
        f"M{x1:.1f} {y1:.1f}L{x1 - 9 * math.cos(turn + w):.1f} {y1 - 9 * math.sin(turn + w):.1f}" for w in (0.45, -0.45)
    )
    drawing.raw(f'<path class="{name}" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}{head}"/>')


def _runner_above(drawing: Drawing, forward: Point) -> None:
    """Draw a runner at the origin from above: shoulders, head and the two feet; ``forward`` is a unit vector."""
    fx, fy = forward
    sx, sy = fy, -fx  # to the runner's right

    def place(ahead: float, right: float) -> Point:
        return ahead * fx + right * sx, ahead * fy + right * sy

    drawing.limb([place(-0.42, -0.08), place(-0.18, -0.08)], 0.09, "limb left-leg")
    drawing.limb([place(0.20, 0.08), place(0.44, 0.08)], 0.09, "limb right-leg")
    drawing.limb([place(0.0, -0.17), place(0.0, 0.17)], 0.20, "limb body")
    drawing.oval(place(0.03, 0.0), 0.10, 0.10, "head")


def plan_above(setup: Setup) -> str:
    """Return the plan from above, the camera at the left: beside the runner, or on their line behind or in front."""
    d = setup.distance_m
    side = setup.view == "side"
    forward: Point = {"side": (0.0, -1.0), "rear": (1.0, 0.0)}.get(setup.view, (-1.0, 0.0))
    half_w = setup.width_m / 2
    tall = max(1.65 if side else 1.0, half_w + 0.3)
    where = {"side": "beside the runner, square to the running direction", "rear": "behind the runner, on their line"}.get(
        setup.view, "in front of the runner, on their line"
    )
    plan = Drawing((-d - 0.55, -tall), (2.15, tall), 720.0, f"Plan from above: camera {d:.1f} m {where}")
    beyond = (d + 1.0) / d
    plan.shape([(-d, 0.0), (1.0, beyond * half_w), (1.0, -beyond * half_w)], "view-field")
    if setup.deck_m > 0:
        for (long_m, wide_m), name, corner in ((FRAME_M, "treadmill", 8.0), (BELT_M, "belt", 0.0)):
            x, y = (wide_m / 2, long_m / 2) if side else (long_m / 2, wide_m / 2)
            plan.box((-x, -y), (x, y), name, corner)
    fx, fy = forward
    _arrow(plan, (-1.1 * fx, -1.1 * fy), (1.1 * fx, 1.1 * fy), "path-line")
    _runner_above(plan, forward)
    plan.line([(-d, 0.0), (0.0, 0.0)], "axis")
    off = d * math.tan(math.radians(5.0))
    plan.line([(-d, -off), (-d, off)], "tolerance")
    plan.text((-d, -off), f"± {100 * off:.0f} cm: 5° off", "soft", anchor="start", shift=(-24, 22))
    plan.measure((-d, -tall + 0.22), (0.0, -tall + 0.22), _metres(d), below=False)
    plan.measure((1.3, -half_w), (1.3, half_w), f"{setup.width_m:.1f} m")
    plan.text((1.3, half_w), "in the picture", "soft", anchor="start", shift=(9, 6))
    if side:
        plan.text((0.0, -1.1), "running", "soft", anchor="start", shift=(10, 0))
    else:
        plan.text((1.1 * fx, 0.0), "running", "soft", anchor="end" if fx > 0 else "start", shift=(0, -9))
    _camera(plan, (-d, 0.0), (0.0, 0.0))
    return plan.svg()


def plan_beside(setup: Setup) -> str:
    """Return the plan from the side: lens height, what the picture holds from top to bottom, the runner in it."""
    d, h, deck, lens = setup.distance_m, setup.height_m, setup.deck_m, setup.lens_height_m
    half = setup.tall_m / 2
    top = max(deck + h + 0.35, lens + half + 0.1)
    title = f"Plan from the side: lens {lens:.2f} m above the floor, level, {d:.1f} m from the runner"
    bottom = min(-0.42, lens - half - 0.1)
    plan = Drawing((-1.1, bottom), (d + 1.6, top), 720.0, title)
    plan.line([(-1.1, 0.0), (d + 1.6, 0.0)], "floor")
    if deck > 0:
        reach = (FRAME_M[1] if setup.view == "side" else FRAME_M[0]) / 2
        plan.box((d - reach, 0.0), (d + reach, deck), "treadmill", 3)
    camera: Point = (0.0, lens)
    plan.shape([camera, (d, lens + half), (d, lens - half)], "view-field")
    plan.line([camera, (d, lens)], "axis")
    plan.line([(d, lens - half), (d, lens + half)], "picture-edge")
    for foot in (-0.28, 0.0, 0.28):
        plan.line([(0.0, lens - 0.12), (foot, 0.0)], "tripod")
    if setup.view == "side":
        _runner_frontal(plan, (d, deck), h, facing=False)
    else:
        _runner_side(plan, (d, deck), h, forward=1.0 if setup.view == "rear" else -1.0)
    low, high = deck + _KNEE * h, deck + _HIP * h
    plan.box((-0.62, low), (-0.5, high), "band")
    plan.text((-0.56, high), "knee to hip", "soft", shift=(0, -9))
    plan.measure((0.42, 0.0), (0.42, lens), f"{100 * lens:.0f} cm")
    plan.measure((0.0, -0.2), (d, -0.2), _metres(d))
    plan.measure((d + 1.05, lens - half), (d + 1.05, lens + half), f"{setup.tall_m:.1f} m")
    _camera(plan, camera, (d, lens))
    return plan.svg()


def picture(setup: Setup, width_px: float = 400.0) -> str:
    """Return what the picture then shows: the runner to scale in its frame, with a level line through its middle."""
    h = setup.height_m
    half_w, half_h = setup.width_m / 2, setup.tall_m / 2
    words = {"side": "from the side", "rear": "from behind", "front": "from the front"}[setup.view]
    title = f"The picture {words}: the runner fills {100 * setup.share:.0f} % of its height"
    if setup.hold == "upright":
        width_px *= 0.62
    plan = Drawing((-half_w, -half_h), (half_w, half_h), width_px, title, margin_px=3.0)
    plan.box((-half_w, -half_h), (half_w, half_h), "frame", 4)
    ground = -h / 2
    plan.raw(_clip(plan))
    plan.raw('<g clip-path="url(#picture-inside)">')
    if setup.deck_m > 0:
        wide = FRAME_M[0] / 2 if setup.view == "side" else FRAME_M[1] / 2
        plan.box((-wide, ground - 0.16), (wide, ground), "treadmill", 2)
    else:
        plan.line([(-half_w, ground), (half_w, ground)], "floor")
    if setup.view == "side":
        _runner_side(plan, (0.0, ground), h, forward=1.0)
    else:
        _runner_frontal(plan, (0.0, ground), h, facing=setup.view == "front")
    plan.raw("</g>")
    plan.line([(-half_w, 0.0), (half_w, 0.0)], "axis")
    return plan.svg()


def _clip(plan: Drawing) -> str:
    inside = f'<rect width="{plan.width_px:.0f}" height="{plan.height_px:.0f}"/>'
    return f'<defs><clipPath id="picture-inside">{inside}</clipPath></defs>'


@attrs.frozen
class _Leg:
    """Angles of a leg from the vertical, degrees, forward +: thigh and shank; foot against level, toes up +."""

    thigh: float
    shank: float
    foot: float


def _along(start: Point, angle_deg: float, length: float, forward: float) -> Point:
    a = math.radians(angle_deg)
    return start[0] + forward * length * math.sin(a), start[1] - length * math.cos(a)


def _runner_side(plan: Drawing, ground: Point, h: float, *, forward: float) -> None:
    """Draw a runner from the side just before contact; the nearer leg is the right one when running to the right."""
    near: Side = "right" if forward > 0 else "left"
    far: Side = "left" if forward > 0 else "right"
    thigh, shank, foot = (_HIP - _KNEE) * h, (_KNEE - _ANKLE) * h, 0.14 * h
    hip = (ground[0] - forward * 0.06 * h, ground[1] + 0.512 * h)

    def leg(angles: _Leg, side: Side) -> None:
        knee = _along(hip, angles.thigh, thigh, forward)
        ankle = _along(knee, angles.shank, shank, forward)
        toe = (
            ankle[0] + forward * foot * math.cos(math.radians(angles.foot)) * 0.8,
            ankle[1] + foot * math.sin(math.radians(angles.foot)) * 0.8 - 0.03 * h,
        )
        plan.limb([hip, knee, ankle], 0.062 * h, f"limb {side}-leg")
        plan.limb([(ankle[0] - forward * 0.02 * h, ankle[1] - 0.02 * h), toe], 0.042 * h, f"limb {side}-leg")

    def arm(shoulder: Point, upper: float, lower: float, name: str) -> None:
        elbow = _along(shoulder, upper, 0.172 * h, forward)
        wrist = _along(elbow, lower, 0.157 * h, forward)
        plan.limb([shoulder, elbow, wrist], 0.042 * h, name)

    shoulder = (hip[0] + forward * 0.032 * h, hip[1] + (_SHOULDER - _HIP) * h)
    arm(shoulder, 35, 125, "limb body far")
    leg(_Leg(-14, -96, -70), far)
    plan.limb([hip, shoulder], 0.12 * h, "limb body")
    plan.oval((shoulder[0] + forward * 0.03 * h, shoulder[1] + 0.11 * h), 0.055 * h, 0.068 * h, "head")
    leg(_Leg(27, 4, 8), near)
    arm(shoulder, -48, 40, "limb body near")


def _runner_frontal(plan: Drawing, ground: Point, h: float, *, facing: bool) -> None:
    """Draw a runner from behind, or from the front: the right leg stands, the left one is drawn up."""
    right = -1.0 if facing else 1.0
    x, y = ground
    hip_r, hip_l = (x + right * 0.055 * h, y + _HIP * h), (x - right * 0.055 * h, y + (_HIP - 0.008) * h)
    knee_r, ankle_r = (x + right * 0.035 * h, y + _KNEE * h), (x + right * 0.02 * h, y + _ANKLE * h)
    knee_l, ankle_l = (x - right * 0.05 * h, y + (_KNEE + 0.03) * h), (x - right * 0.045 * h, y + 0.21 * h)
    plan.limb([hip_l, knee_l, ankle_l], 0.062 * h, "limb left-leg")
    plan.limb([ankle_l, (ankle_l[0], ankle_l[1] - 0.05 * h)], 0.05 * h, "limb left-leg")
    plan.limb([hip_r, knee_r, ankle_r], 0.062 * h, "limb right-leg")
    plan.limb([ankle_r, (ankle_r[0], y + 0.02 * h)], 0.055 * h, "limb right-leg")
    shoulder = y + _SHOULDER * h
    for out in (1.0, -1.0):
        elbow = (x + out * 0.165 * h, shoulder - 0.15 * h)
        plan.limb(
            [(x + out * 0.105 * h, shoulder), elbow, (x + out * 0.12 * h, shoulder - 0.21 * h)], 0.042 * h, "limb body far"
        )
    top, low = shoulder + 0.015 * h, y + 0.5 * h
    plan.shape([(x - 0.115 * h, top), (x + 0.115 * h, top), (x + 0.075 * h, low), (x - 0.075 * h, low)], "torso")
    plan.oval((x, shoulder + 0.115 * h), 0.052 * h, 0.07 * h, "head")


def seen(width: int, height: int, points: Sequence[Sequence[float] | None] | None, roll_deg: float | None, view: str) -> str:
    """Return what a trial saw, without its picture: frame, middle, level and the runner's joints.

    Parameters
    ----------
    width, height : px of the picture.
    points : 33 landmarks, px, None where not seen; None when nobody was found.
    roll_deg : lean of upright things, clockwise +.
    """
    scale = 640.0 / max(width, height)
    w, h = width * scale, height * scale
    parts = [f'<rect class="frame" x="1" y="1" width="{w - 2:.1f}" height="{h - 2:.1f}" rx="4"/>']
    for share in (0.25, 0.75):
        parts.append(f'<path class="axis" d="M{w * share:.1f} 1V{h - 1:.1f}"/>')
    if roll_deg is not None:
        rise = math.tan(math.radians(roll_deg)) * w / 2
        parts.append(f'<path class="level" d="M0 {h / 2 - rise:.1f}L{w:.1f} {h / 2 + rise:.1f}"/>')
    if points is not None:
        parts += _skeleton(points, scale)
    label = "Nobody was found in the picture" if points is None else f"Where the runner was seen, {view} view"
    return f'<svg class="plan seen" viewBox="0 0 {w:.0f} {h:.0f}" role="img" aria-label="{label}">{"".join(parts)}</svg>'


_CHAINS: tuple[tuple[str, tuple[int, ...]], ...] = (
    ("bone body", (11, 12, 24, 23, 11)),
    ("bone body", (11, 13, 15)),
    ("bone body", (12, 14, 16)),
    ("bone left-leg", (23, 25, 27, 29, 31, 27)),
    ("bone right-leg", (24, 26, 28, 30, 32, 28)),
)


def _skeleton(points: Sequence[Sequence[float] | None], scale: float) -> list[str]:
    out = []
    for name, chain in _CHAINS:
        found = [points[i] for i in chain]
        known = [(p[0] * scale, p[1] * scale) for p in found if p is not None]
        if len(known) > 1:
            out.append(f'<path class="{name}" d="M{" ".join(f"{x:.1f} {y:.1f}" for x, y in known)}"/>')
    nose = points[0]
    if nose is not None:
        out.append(f'<circle class="head" cx="{nose[0] * scale:.1f}" cy="{nose[1] * scale:.1f}" r="7"/>')
    return out
