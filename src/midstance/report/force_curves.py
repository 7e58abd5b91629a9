"""Forces over contact and the centre of pressure in the foot, as small SVG drawings in the way of ``curves``.

Both are drawn from contact to toe-off only: with the foot in the air a plate shows nothing but its own noise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

import attrs
import numpy as np

from midstance.findings.words import number
from midstance.force.cop import THIRDS
from midstance.force.model import Contact, ForceResult
from midstance.gait.model import Floats, MeasureSide, Side
from midstance.report.curves import Drawing, nice_ticks, path_data

#: Single contacts drawn behind a mean; of more, so many evenly spread over the recording.
MOST_SINGLE = 40
_NAMESPACE = "http://www.w3.org/2000/svg"
_W, _H = 340, 206
_LEFT, _RIGHT, _TOP, _BOTTOM = 36, 10, 22, 24
_FOOT_W, _FOOT_H = 240, 340


@attrs.frozen(eq=False)
class Bundle:
    """Curves of one foot, (n, 101), and their mean (101,); ``side`` is both where left and right aren't known."""

    side: MeasureSide
    single: Floats
    mean: Floats


def kept(result: ForceResult) -> dict[MeasureSide, list[Contact]]:
    """Return the measured contacts by foot; under "both" where no foot is known."""
    good = [c for c in result.contacts if c.excluded is None and c.force is not None]
    sides: tuple[Side, ...] = ("left", "right")
    out: dict[MeasureSide, list[Contact]] = {s: [c for c in good if c.side == s] for s in sides}
    out = {s: cs for s, cs in out.items() if cs}
    return out or ({"both": good} if good else {})


def spread_out(count: int, most: int = MOST_SINGLE) -> list[int]:
    """Return up to ``most`` numbers from 0 to count − 1, evenly spread."""
    if count <= most:
        return list(range(count))
    return sorted({round(i * (count - 1) / (most - 1)) for i in range(most)})


def force_bundles(result: ForceResult, axis: int) -> tuple[list[Bundle], str]:
    """Return one force of each foot over contact, and its unit: body weights, or N where body weight isn't known."""
    scale, unit = (1.0, "N") if result.weight_n is None else (1.0 / result.weight_n, "body weights")
    out = []
    for side, contacts in kept(result).items():
        data = scale * np.array([c.force for c in contacts], dtype=np.float64)[:, :, axis]
        out.append(Bundle(side, data[spread_out(len(data))], data.mean(axis=0)))
    return out, unit


def force_drawing(bundles: Sequence[Bundle], unit: str, title: str, up_means: str) -> Drawing:
    """Draw a force over contact: single contacts faint, means bold, left solid and right dashed."""
    data = np.concatenate([np.ravel(b.single) for b in bundles] + [b.mean for b in bundles])
    finite = data[np.isfinite(data)]
    ticks = nice_ticks(min(0.0, float(finite.min())), float(finite.max())) if len(finite) else [0.0, 1.0]
    step, span = ticks[1] - ticks[0], ticks[-1] - ticks[0]
    decimals = next((d for d in (0, 1, 2) if abs(step - round(step, d)) < 1e-9), 3)

    def x_of(percent: Floats) -> Floats:
        return np.asarray(_LEFT + (_W - _LEFT - _RIGHT) * percent / 100.0)

    def y_of(value: Floats | float) -> Floats:
        return np.asarray(_H - _BOTTOM - (_H - _TOP - _BOTTOM) * (np.asarray(value) - ticks[0]) / span)

    x0, x1 = float(_LEFT), float(_W - _RIGHT)
    out = []
    for tick in ticks:
        y = float(y_of(tick))
        out.append(f'<path class="{"z" if abs(tick) < 1e-9 else "g"}" d="M{x0:.1f} {y:.1f}H{x1:.1f}"/>')
        out.append(f'<text class="t" x="{x0 - 5:.1f}" y="{y + 3.3:.1f}" text-anchor="end">{number(tick, decimals)}</text>')
    out.append(f'<text class="t" x="{x0:.1f}" y="11">{escape(unit)}, {escape(up_means)} ↑</text>')
    middle = f'x="{(x0 + x1) / 2:.1f}" y="{_H - 8}" text-anchor="middle"'
    out.append(f'<text class="t" x="{x0:.1f}" y="{_H - 8}">contact</text><text class="t" {middle}>50 %</text>')
    out.append(f'<text class="t" x="{x1:.1f}" y="{_H - 8}" text-anchor="end">toe-off</text>')
    q = x_of(np.linspace(0.0, 100.0, 101))
    for b in bundles:
        thin = "".join(path_data(q[::2], y_of(row)[::2]) for row in b.single)
        out.append(f'<path class="s{b.side[0]}" d="{thin}"/>')
    for b in bundles:
        out.append(f'<path class="m{b.side[0]}" d="{path_data(q, y_of(b.mean))}"/>')
    spoken = "; ".join(
        f"{'left and right' if b.side == 'both' else b.side} from {number(float(b.mean.min()), 2)} to "
        f"{number(float(b.mean.max()), 2)} {unit}"
        for b in bundles
    )
    alt = f"{title} over contact, mean: {spoken}"
    head = f'<svg viewBox="0 0 {_W} {_H}" role="img" aria-label="{escape(alt)}" xmlns="{_NAMESPACE}">'
    return Drawing(f"{head}{''.join(out)}</svg>", alt)


def foot_bundle(result: ForceResult, side: Side) -> tuple[Floats, Floats] | None:
    """Return paths (n, 101, 2) in one foot and their mean; None where fewer than two are known.

    Points of the mean that fewer than half of the contacts have are left out.
    """
    own = [c.index for c in result.contacts if c.side == side and c.excluded is None and c.index in result.foot_paths]
    if len(own) < 2:
        return None
    paths = np.array([result.foot_paths[i] for i in own], dtype=np.float64)
    known = np.isfinite(paths)
    enough = known.mean(axis=0) >= 0.5
    sums = np.where(known, paths, 0.0).sum(axis=0)
    mean = np.where(enough, sums / np.maximum(known.sum(axis=0), 1), np.nan)
    return paths[spread_out(len(paths))], mean


def foot_drawing(side: Side, paths: Floats, mean: Floats, front_is: str) -> Drawing:
    """Draw the centre of pressure in the foot seen from above, toes up: single contacts faint, the mean bold.

    Along the foot in shares of its length, across it in cm; not to one scale. A disc marks the first point of the mean.
    """
    s = side[0]
    outwards = -1.0 if side == "left" else 1.0  # seen from above, the little toe of the left foot is on the left
    across = outwards * 100.0 * paths[..., 1]
    finite = across[np.isfinite(across)]
    reach = max(3.0, math.ceil(float(np.percentile(np.abs(finite), 99)))) if len(finite) else 3.0
    along = paths[..., 0][np.isfinite(paths[..., 0])]
    low = min(-0.2, float(np.floor(5 * np.percentile(along, 1)) / 5)) if len(along) else -0.2
    high = max(1.2, float(np.ceil(5 * np.percentile(along, 99)) / 5)) if len(along) else 1.2
    left, right, top, bottom = 84, _FOOT_W - 10, 24, _FOOT_H - 30

    def x_of(cm: Floats | float) -> Floats:
        return np.asarray((left + right) / 2 + (right - left) / 2 * np.asarray(cm) / reach)

    def y_of(share: Floats | float) -> Floats:
        return np.asarray(bottom - (bottom - top) * (np.asarray(share) - low) / (high - low))

    out = []
    front = "metatarsal heads" if front_is == "metatarsals" else "tip of the shoe"
    for share, words in ((0.0, "heel"), (THIRDS[0], "1/3"), (THIRDS[1], "2/3"), (1.0, front)):
        y = float(y_of(share))
        dash = "" if share in (0.0, 1.0) else ' stroke-dasharray="3 3"'
        out.append(f'<path class="{"z" if not dash else "g"}"{dash} d="M{left} {y:.1f}H{right}"/>')
        for i, word in enumerate(words.rsplit(" ", 1) if len(words) > 12 else [words]):
            place = f'x="{left - 6}" y="{y + 3.3 + 11 * i:.1f}" text-anchor="end"'
            out.append(f'<text class="t" {place}>{word}</text>')
    out.append(f'<path class="g" d="M{float(x_of(0.0)):.1f} {top}V{bottom}"/>')
    for cm in (-reach, 0.0, reach):
        words = "0" if cm == 0 else f"{number(abs(cm))} cm"
        anchor = "start" if cm < 0 else "end" if cm > 0 else "middle"
        out.append(f'<text class="t" x="{float(x_of(cm)):.1f}" y="{bottom + 13}" text-anchor="{anchor}">{words}</text>')
    little, big = ("start", "end") if side == "left" else ("end", "start")
    ends = {"start": left, "end": right}
    out.append(f'<text class="t" x="{ends[little]}" y="{top - 10}" text-anchor="{little}">little toe’s side</text>')
    out.append(f'<text class="t" x="{ends[big]}" y="{top - 10}" text-anchor="{big}">big toe’s side</text>')

    def inside(x: Floats, y: Floats) -> Floats:
        return np.where((y >= low) & (y <= high) & (np.abs(x) <= 1.02 * reach), y, np.nan)

    thin = "".join(path_data(x_of(x), y_of(inside(x, p[:, 0]))) for x, p in zip(across, paths, strict=True))
    out.append(f'<path class="s{s}" d="{thin}"/>')
    mx = outwards * 100.0 * mean[:, 1]
    my = inside(mx, mean[:, 0])
    out.append(f'<path class="m{s}" d="{path_data(x_of(mx), y_of(my))}"/>')
    good = np.flatnonzero(np.isfinite(my))
    spoken = "not known"
    if len(good):
        a, b = good[0], good[-1]
        out.append(f'<circle class="p{s}" cx="{float(x_of(mx[a])):.1f}" cy="{float(y_of(my[a])):.1f}" r="4.4"/>')
        spoken = (
            f"from {number(float(my[a]), 2)} of the length at {a} % of contact to {number(float(my[b]), 2)} at {b} %, "
            f"0 being the heel and 1 the {front}"
        )
    alt = f"Centre of pressure in the {side} foot, mean of {len(paths)} contacts drawn: {spoken}"
    head = f'<svg viewBox="0 0 {_FOOT_W} {_FOOT_H}" role="img" aria-label="{escape(alt)}" xmlns="{_NAMESPACE}">'
    return Drawing(f"{head}{''.join(out)}</svg>", alt)
