"""Two intervals on one scale, as small SVG: the first session is a ring, the second a filled square.

As wide as the page lets it be; places are per cent of the width, heights px. The figures stand beside it as text, so it is
hidden from screen readers.
"""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from midstance.findings.words import number
from midstance.report.curves import nice_ticks

_AIR = 5.0
_ROW, _AXIS = 18, 18


def reach(values: Sequence[float], factor: float) -> tuple[float, float]:
    """Return the range that holds all values, times ``factor``; never empty."""
    low, high = min(values) * factor, max(values) * factor
    if factor < 0:
        low, high = high, low
    if not high > low:
        low, high = low - 0.5, high + 0.5
    return low, high


def place(value: float, low: float, high: float) -> float:
    """Return where a value lies, per cent of the width."""
    return _AIR + (100.0 - 2 * _AIR) * (value - low) / (high - low)


def _ticks(low: float, high: float) -> tuple[list[float], int]:
    """Return at least two round numbers within the range where there are any, and the decimals that tell them apart."""
    ticks: list[float] = []
    for count in (3, 5, 8):
        ticks = [t for t in nice_ticks(low, high, count) if low - 1e-9 <= t <= high + 1e-9]
        if len(ticks) > 1:
            break
    decimals = next((d for d in (0, 1, 2, 3) if all(abs(t - round(t, d)) < 1e-9 for t in ticks)), 3)
    return ticks, decimals


def pair(
    a: tuple[float, float, float],
    b: tuple[float, float, float],
    bounds: tuple[float, float],
    factor: float = 1.0,
    *,
    axis: bool = False,
) -> Markup:
    """Draw two values with their 95 % intervals, (value, low, high), one above the other.

    Parameters
    ----------
    bounds : of the scale, already times ``factor``.
    axis : whether the scale's figures stand below.
    """
    low, high = bounds
    height = 2 * _ROW + 6
    total = height + (_AXIS if axis else 0)
    out = [f'<svg class="plot pair-plot" width="100%" height="{total}" aria-hidden="true" focusable="false">']
    ticks, decimals = _ticks(low, high)
    for tick in ticks:
        x = place(tick, low, high)
        kind = "zero" if abs(tick) < 1e-9 else "grid"
        out.append(f'<line class="{kind}" x1="{x:.2f}%" x2="{x:.2f}%" y1="0" y2="{height}"/>')
        if axis:
            out.append(f'<text x="{x:.2f}%" y="{height + 13}" text-anchor="middle">{number(tick, decimals)}</text>')
    for i, (name, (value, bottom, top)) in enumerate((("first", a), ("second", b))):
        y = 3 + _ROW * i + _ROW / 2
        x0, x1, x = (place(factor * v, low, high) for v in (bottom, top, value))
        out.append(f'<line class="span {name}" x1="{x0:.2f}%" x2="{x1:.2f}%" y1="{y:g}" y2="{y:g}"/>')
        for end in (x0, x1):
            out.append(f'<line class="end {name}" x1="{end:.2f}%" x2="{end:.2f}%" y1="{y - 4:g}" y2="{y + 4:g}"/>')
        if name == "first":
            out.append(f'<circle class="mark {name}" cx="{x:.2f}%" cy="{y:g}" r="4.6"/>')
        else:
            # A square's corner can't be a share less some px; the group is moved instead.
            out.append(
                '<g transform="translate(-4.5 0)">'
                f'<rect class="mark {name}" x="{x:.2f}%" y="{y - 4.5:g}" width="9" height="9"/></g>'
            )
    out.append("</svg>")
    return Markup("".join(out))
