"""Small plots as SVG, written on the server: every stride of a measure on one line, and measures over sessions.

They are as wide as the page lets them be, while signs and text keep their size: places along the page are shares in per
cent, heights are pixels. Colours come from the page's style by class. Left is a disc, right a diamond. Each plot has its
numbers beside it as text, so all of them are hidden from screen readers and their links can't be reached by Tab; the tables
of single strides hold the same links.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import attrs
from markupsafe import Markup, escape

from midstance.findings.words import number
from midstance.report.curves import nice_ticks

#: Signs that the plots of a page draw with; once a page.
SIGNS = Markup(
    '<svg class="signs" width="0" height="0" aria-hidden="true"><defs>'
    '<circle id="dot-left" r="4"/><path id="dot-right" d="M0-5.2L5.2 0 0 5.2-5.2 0z"/>'
    '<path id="dot-both" d="M-4.5-2.2h9v4.4h-9z"/>'
    '<circle id="ring-left" r="4.6"/><path id="ring-right" d="M0-6L6 0 0 6-6 0z"/>'
    '<path id="ring-both" d="M-5-2.6h10v5.2h-10z"/>'
    "</defs></svg>"
)
#: Room left and right of the outermost value, per cent of the width.
_AIR = 4.0
_ROW, _AXIS = 38, 20
#: Dots closer than this are put side by side; the width is a typical one, px.
_DOT_APART, _LANE, _WIDTH = 8.6, 5.4, 460


@attrs.frozen
class Dot:
    """One stride: its value, the address of the frame it was seen in, its side, and what a pointer over it says."""

    value: float
    href: str
    side: str
    title: str


@attrs.frozen
class Row:
    """One leg's strides with their mean and 95 % interval."""

    side: str
    value: float
    low: float
    high: float
    dots: tuple[Dot, ...] = ()


@attrs.frozen
class Point:
    """A measure of one session: place in time, mean, interval. Points with the same ``group`` may be joined."""

    at: float
    label: str
    side: str
    value: float
    low: float
    high: float
    group: str
    href: str
    title: str


def _reach(values: Sequence[float]) -> tuple[float, float]:
    low, high = min(values), max(values)
    if high - low <= 1e-9 * max(abs(low), abs(high)):  # all the same, up to rounding
        low, high = low - 0.5, high + 0.5
    return low, high


def _ticks(low: float, high: float, count: int) -> tuple[list[float], int]:
    slack = 1e-9 * (high - low)
    ticks = [t for t in nice_ticks(low, high, count) if low - slack <= t <= high + slack]
    if len(ticks) < 2:
        ticks = [t for t in nice_ticks(low, high, 2 * count) if low - slack <= t <= high + slack]
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    return ticks, next((d for d in (0, 1, 2) if abs(step - round(step, d)) < 1e-9), 3)


def _lanes(places: Sequence[float]) -> list[int]:
    """Return for every place (px) the lane 0, 1, -1, 2, -2 … in which it touches nobody."""
    taken: dict[int, float] = {}
    out = [0] * len(places)
    order = (0, 1, -1, 2, -2)
    for i in sorted(range(len(places)), key=lambda k: places[k]):
        free = [lane for lane in order if places[i] - taken.get(lane, -math.inf) >= _DOT_APART]
        lane = free[0] if free else min(order, key=lambda k: taken[k])
        taken[lane] = places[i]
        out[i] = lane
    return out


def strip(rows: Sequence[Row], factor: float = 1.0) -> Markup:
    """Draw each row's mean, 95 % interval and every stride on a common scale; values are multiplied by ``factor``.

    Values that aren't finite are left out. Without any row the result is empty.
    """
    if not rows:
        return Markup("")
    every = [v for r in rows for v in (r.value, r.low, r.high)] + [d.value for r in rows for d in r.dots]
    low, high = _reach([factor * v for v in every if math.isfinite(v)])
    ticks, decimals = _ticks(low, high, 4)

    def share(value: float) -> float:
        return _AIR + (100 - 2 * _AIR) * (factor * value - low) / (high - low)

    bottom = _ROW * len(rows)
    out = [f'<svg class="plot strip" width="100%" height="{bottom + _AXIS}" aria-hidden="true" focusable="false">']
    for tick in ticks:
        x = share(tick / factor)
        kind = "zero" if abs(tick) < 1e-9 else "grid"
        out.append(f'<line class="{kind}" x1="{x:.2f}%" x2="{x:.2f}%" y1="2" y2="{bottom}"/>')
        out.append(f'<text x="{x:.2f}%" y="{bottom + 14}">{number(tick, decimals)}</text>')
    for i, r in enumerate(rows):
        y, s = i * _ROW + _ROW / 2, r.side
        x0, x1, x = share(r.low), share(r.high), share(r.value)
        out.append(
            f'<rect class="band {s}" x="{x0:.2f}%" width="{max(x1 - x0, 0.3):.2f}%" y="{y - 15:g}" height="30" rx="3"/>'
        )
        out.append(f'<line class="mean {s}" x1="{x:.2f}%" x2="{x:.2f}%" y1="{y - 15:g}" y2="{y + 15:g}"/>')
        dots = [d for d in r.dots if math.isfinite(d.value)]
        for d, lane in zip(dots, _lanes([share(d.value) * _WIDTH / 100 for d in dots]), strict=True):
            mark = f'<use href="#dot-{d.side}" x="{share(d.value):.2f}%" y="{y + lane * _LANE:g}"/>'
            out.append(
                f'<a href="{escape(d.href)}" tabindex="-1" class="{d.side}"><title>{escape(d.title)}</title>{mark}</a>'
                if d.href
                else f'<g class="{d.side}">{mark}</g>'
            )
    out.append("</svg>")
    return Markup("".join(out))


def trend(points: Sequence[Point], factor: float = 1.0, height: int = 168) -> Markup:
    """Draw a measure over sessions: means with their 95 % intervals; points of one group are joined by a line."""
    points = [p for p in points if all(math.isfinite(v) for v in (p.value, p.low, p.high))]
    if not points:
        return Markup("")
    low, high = _reach([factor * v for p in points for v in (p.low, p.high)])
    air = 0.06 * (high - low)
    low, high = low - air, high + air
    ticks, decimals = _ticks(low, high, 3)
    first, last = min(p.at for p in points), max(p.at for p in points)
    top, bottom = 8, height - 24

    def share(at: float) -> float:
        return 55.0 if last == first else 13 + 82 * (at - first) / (last - first)

    def y_of(value: float) -> float:
        return bottom - (bottom - top) * (factor * value - low) / (high - low)

    out = [f'<svg class="plot trend" width="100%" height="{height}" aria-hidden="true" focusable="false">']
    for tick in ticks:
        y = y_of(tick / factor)
        kind = "zero" if abs(tick) < 1e-9 else "grid"
        out.append(f'<line class="{kind}" x1="9%" x2="100%" y1="{y:.1f}" y2="{y:.1f}"/>')
        out.append(f'<text class="end" x="8%" y="{y + 4:.1f}">{number(tick, decimals)}</text>')
    said: list[float] = []
    for p in sorted(points, key=lambda p: -p.at):
        x = share(p.at)
        if all(abs(x - other) > 17 for other in said):
            said.append(x)
            out.append(f'<text x="{x:.2f}%" y="{height - 6}">{escape(p.label)}</text>')
    sides = [s for s in ("left", "right", "both") if any(p.side == s for p in points)]
    for side in sides:
        mine = sorted((p for p in points if p.side == side), key=lambda p: p.at)
        shift = {"left": -5, "right": 5}.get(side, 0) if len(sides) > 1 else 0
        out.append(f'<g class="{side}" transform="translate({shift})">')
        for a, b in itertools.pairwise(mine):
            if a.group == b.group:
                ends = f'x1="{share(a.at):.2f}%" x2="{share(b.at):.2f}%" y1="{y_of(a.value):.1f}" y2="{y_of(b.value):.1f}"'
                out.append(f'<line class="join" {ends}/>')
        for p in mine:
            place = f"{share(p.at):.2f}%"
            out.append(f'<line class="range" x1="{place}" x2="{place}" y1="{y_of(p.low):.1f}" y2="{y_of(p.high):.1f}"/>')
            mark = f'<use href="#ring-{side}" x="{place}" y="{y_of(p.value):.1f}"/>'
            out.append(f'<a href="{escape(p.href)}" tabindex="-1"><title>{escape(p.title)}</title>{mark}</a>')
        out.append("</g>")
    out.append("</svg>")
    return Markup("".join(out))
