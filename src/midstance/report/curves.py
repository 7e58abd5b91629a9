"""Curves over the stride and dot plots of measures as small SVG drawings.

They are written directly, not through a plotting library: a page holds a hundred of them, their colours
follow the page (light, dark, print) through class names, their text is text, and the same numbers give the
same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape

import attrs
import numpy as np

from midstance.assess.result import Curve
from midstance.findings.words import number
from midstance.gait.model import Floats, MeasureSide

#: Colours of the classes on white paper, for drawings that stand alone. The page of the HTML report has its
#: own.
PAPER: Mapping[str, str] = {
    "grid": "#dcdcd4",
    "zero": "#8b8d86",
    "text": "#565a57",
    "left": "#0f5c7a",
    "right": "#c56a12",
    "both": "#3a3f3d",
}
_NAMESPACE = "http://www.w3.org/2000/svg"
_W, _H = 340, 206
_LEFT, _RIGHT, _TOP, _BOTTOM = 36, 10, 22, 24


@attrs.frozen
class Drawing:
    """An SVG drawing and its words for those who can't see it."""

    svg: str
    alt: str


def standalone(svg: str) -> str:
    """Return a drawing with its colours inside, for use outside the HTML report."""
    lines = [
        f".g{{stroke:{PAPER['grid']};stroke-width:.8}}",
        f".z{{stroke:{PAPER['zero']};stroke-width:1}}",
        f".t{{fill:{PAPER['text']};font-family:'DejaVu Sans';font-size:9.5px}}",
        "path{fill:none;stroke-linejoin:round}",
    ]
    for side in ("left", "right", "both"):
        letter, colour = side[0], PAPER[side]
        lines += [
            f".s{letter}{{stroke:{colour};stroke-width:.7;stroke-opacity:.3}}",
            f".m{letter}{{stroke:{colour};stroke-width:2.4}}",
            f".i{letter}{{stroke:{colour};stroke-width:2}}",
            f".d{letter}{{fill:{colour};fill-opacity:.28}}",
            f".p{letter},path.p{letter}{{fill:{colour}}}",
        ]
    lines.append(".mr{stroke-dasharray:7 4}")
    return svg.replace(">", f"><style>{''.join(lines)}</style>", 1)


def nice_ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Return round numbers that cover low to high in about ``count`` steps."""
    if not high > low:
        low, high = low - 0.5, low + 0.5
    raw = (high - low) / count
    power = 10.0 ** math.floor(math.log10(raw))
    step = min((m * power for m in (1, 2, 2.5, 5, 10) if m * power >= raw * 0.999), default=10 * power)
    first = math.floor(low / step + 1e-9)
    last = math.ceil(high / step - 1e-9)
    return [i * step for i in range(first, last + 1)]


def path_data(x: Floats, y: Floats) -> str:
    """Return path data with one decimal, broken where a value is missing."""
    parts: list[str] = []
    pen_down = False
    for a, b in zip(x, y, strict=True):
        if not math.isfinite(b):
            pen_down = False
            continue
        parts.append(f"{'L' if pen_down else 'M'}{a:.1f} {b:.1f}")
        pen_down = True
    return "".join(parts)


def curve_drawing(curves: Sequence[Curve], up_means: str) -> Drawing:
    """Draw one quantity over the stride: every stride thin, means bold, left solid and right dashed.

    Parameters
    ----------
    curves
        One or two curves (left, right) of the same key.
    up_means
        What a larger value says, in a word or two, such as "bent".
    """
    first = curves[0]
    scale, unit = _shown_unit(first.unit)
    data = np.concatenate([np.ravel(c.strides) for c in curves] + [c.mean for c in curves]) * scale
    finite = data[np.isfinite(data)]
    ticks = nice_ticks(float(finite.min()), float(finite.max())) if len(finite) else [0.0, 1.0]
    span = ticks[-1] - ticks[0]

    def x_of(percent: Floats | float) -> Floats:
        return np.asarray(_LEFT + (_W - _LEFT - _RIGHT) * np.asarray(percent) / 100.0)

    def y_of(value: Floats | float) -> Floats:
        return np.asarray(_H - _BOTTOM - (_H - _TOP - _BOTTOM) * (np.asarray(value) - ticks[0]) / span)

    out: list[str] = []
    step = ticks[1] - ticks[0]
    decimals = next((d for d in (0, 1, 2) if abs(step - round(step, d)) < 1e-9), 3)
    x0, x1 = float(x_of(0.0)), float(x_of(100.0))
    for tick in ticks:
        y = float(y_of(tick))
        kind = "z" if abs(tick) < 1e-9 else "g"
        out.append(f'<path class="{kind}" d="M{x0:.1f} {y:.1f}H{x1:.1f}"/>')
        place = f'x="{x0 - 5:.1f}" y="{y + 3.3:.1f}" text-anchor="end"'
        out.append(f'<text class="t" {place}>{number(tick, decimals)}</text>')
    arrow = f"{escape(up_means)} ↑" if up_means else "↑"
    out.append(f'<text class="t" x="{x0:.1f}" y="11">{escape(unit)}, {arrow}</text>')
    y_axis = _H - 8
    places = [c.toe_off_percent for c in curves if math.isfinite(c.toe_off_percent)]
    if places:
        off = float(x_of(sum(places) / len(places)))
        out.append(f'<path class="z" stroke-dasharray="2 3" d="M{off:.1f} {_TOP - 6}V{_H - _BOTTOM}"/>')
        out.append(f'<text class="t" x="{off:.1f}" y="{y_axis}" text-anchor="middle">toe-off</text>')
    out.append(f'<text class="t" x="{x0:.1f}" y="{y_axis}">contact</text>')
    out.append(f'<text class="t" x="{x1:.1f}" y="{y_axis}" text-anchor="end">next contact</text>')
    q = np.linspace(0.0, 100.0, first.mean.shape[0])
    for c in curves:
        thin = "".join(path_data(x_of(q)[::2], y_of(row * scale)[::2]) for row in np.atleast_2d(c.strides))
        out.append(f'<path class="s{c.side[0]}" d="{thin}"/>')
    for c in curves:
        out.append(f'<path class="m{c.side[0]}" d="{path_data(x_of(q), y_of(c.mean * scale))}"/>')
    out.append("</svg>")
    spoken = []
    for c in curves:
        mean = c.mean[np.isfinite(c.mean)] * scale
        if len(mean):
            spoken.append(
                f"{c.side} from {number(float(mean.min()), decimals)} to "
                f"{number(float(mean.max()), decimals)} {unit} over "
                f"{np.atleast_2d(c.strides).shape[0]} strides"
            )
    alt = f"{first.title} over the stride: {'; '.join(spoken)}"
    head = f'<svg viewBox="0 0 {_W} {_H}" role="img" aria-label="{escape(alt)}" xmlns="{_NAMESPACE}">'
    return Drawing(head + "".join(out), alt)


def _shown_unit(unit: str) -> tuple[float, str]:
    """Return the factor and the name of the unit people read: degrees as °, metres as cm."""
    return {"deg": (1.0, "°"), "m": (100.0, "cm")}.get(unit, (1.0, unit))


_DOT_W, _DOT_H = 220, 20
_DOT_Y, _STRIDE_Y = 7, 15


def dot_range(values: Sequence[float]) -> tuple[float, float]:
    """Return a range that holds all values with a little air."""
    low, high = min(values), max(values)
    air = 0.06 * (high - low) or 0.5
    return low - air, high + air


def dot_drawing(
    side: MeasureSide,
    value: float,
    low: float,
    high: float,
    strides: Sequence[float],
    reach: tuple[float, float],
) -> str:
    """Draw a measure as a dot with its 95 % bar, and every stride as a faint dot; ``reach`` is the range
    drawn.

    Left is a disc, right a diamond, both a bar, so that colour is never needed. The numbers stand beside
    it as text, so the drawing is hidden from screen readers.
    """
    s = side[0]

    def x(v: float) -> float:
        return 6 + (_DOT_W - 12) * (v - reach[0]) / (reach[1] - reach[0])

    y = _DOT_Y
    out = [
        f'<svg class="dots" viewBox="0 0 {_DOT_W} {_DOT_H}" aria-hidden="true" xmlns="{_NAMESPACE}">',
        f'<path class="g" d="M0 {y}H{_DOT_W}"/>',
    ]
    if reach[0] < 0 < reach[1]:
        out.append(f'<path class="z" d="M{x(0):.1f} 1V{_DOT_H - 1}"/>')
    out += [
        f'<circle class="d{s}" cx="{x(v):.1f}" cy="{_STRIDE_Y}" r="2.5"/>'
        for v in strides
        if math.isfinite(v)
    ]
    ends = f"M{x(low):.1f} {y - 4}V{y + 4}M{x(high):.1f} {y - 4}V{y + 4}"
    out.append(f'<path class="i{s}" d="M{x(low):.1f} {y}H{x(high):.1f}{ends}"/>')
    c = x(value)
    if side == "left":
        out.append(f'<circle class="p{s}" cx="{c:.1f}" cy="{y}" r="4.4"/>')
    elif side == "right":
        corners = f"M{c - 5:.1f} {y}L{c:.1f} {y - 5}L{c + 5:.1f} {y}L{c:.1f} {y + 5}Z"
        out.append(f'<path class="p{s}" d="{corners}"/>')
    else:
        out.append(f'<rect class="p{s}" x="{c - 1.6:.1f}" y="{y - 5}" width="3.2" height="10"/>')
    out.append("</svg>")
    return "".join(out)
