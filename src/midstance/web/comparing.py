"""Two sessions held against each other: conditions first, then differences with their intervals. No verdict.

Whether a change is real needs to know how much a runner differs from day to day; nothing here does. What can be said is
whether two values differ by more than the films' own error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import attrs

from midstance.findings.words import number
from midstance.gait.registry import REGISTRY
from midstance.records.tables import FilmRow, SessionRow
from midstance.report.tables import GROUPS, shown, title_of
from midstance.web import compare_plots, words

#: Speeds that differ by more than this share are different speeds. Belt displays are wrong by a per cent or two, so that a
#: smaller difference can't be told (engineering choice).
SAME_SPEED = 0.01
#: Slack for the rounding of a speed that was typed in as a pace.
_ROUNDING = 1e-9

State = Literal["same", "differs", "unknown", "note", "plain"]
_ORDER = ("side", "side_far", "rear", "front")
_SIDES = ("left", "right", "both")


@attrs.frozen
class Value:
    """A measure of one session: mean and 95 % interval, same unit."""

    value: float
    low: float
    high: float
    n: int = 0


def difference(a: Value, b: Value) -> Value:
    """Return b − a with its 95 % interval, a and b being independent.

    The distances of the limits from the values add up by the root of the sum of their squares; for uneven intervals each
    limit of the difference takes the two that point its way (Zou GY, Donner A 2008, Stat Med 27:1693–1702; from memory).
    Errors that both sessions share are counted twice, so the interval is rather too wide.
    """
    d = b.value - a.value
    low = d - math.hypot(b.value - b.low, a.high - a.value)
    high = d + math.hypot(b.high - b.value, a.value - a.low)
    return Value(d, low, high)


def differs(d: Value) -> bool:
    """Tell whether the interval of a difference leaves zero out."""
    return d.low > 0 or d.high < 0


@attrs.frozen
class Condition:
    """One condition of both sessions in words, and what it means. ``blocks``: values can't be compared because of it."""

    title: str
    a: str
    b: str
    state: State
    why: str = ""
    blocks: bool = False


def conditions(a: SessionRow, b: SessionRow, films_a: Sequence[FilmRow], films_b: Sequence[FilmRow]) -> list[Condition]:
    """Return the conditions of two sessions, those that decide whether values are comparable first."""
    out = [_speed(a, b), _surface(a, b), _shoes(a, b)]
    out.append(Condition("Date", words.day(a.held_on), words.day(b.held_on), "plain", _apart(a, b)))
    out += _films(films_a, films_b)
    pain = (_pain(a), _pain(b))
    out.append(
        Condition(
            "Pain", *pain, "plain" if pain[0] == pain[1] else "note",
            "" if pain[0] == pain[1] else "People run differently with pain. Pain is for a licensed clinician.",
        )
    )  # fmt: skip
    weekly = tuple("not noted" if s.weekly_distance_km is None else f"{s.weekly_distance_km:g} km a week" for s in (a, b))
    out.append(Condition("Weekly distance", weekly[0], weekly[1], "plain"))
    out.append(Condition("Place", a.place or "not noted", b.place or "not noted", "plain"))
    return out


def reasons(found: Sequence[Condition]) -> list[str]:
    """Return why values can't be compared; empty when they can."""
    return [c.why for c in found if c.blocks]


def _speed(a: SessionRow, b: SessionRow) -> Condition:
    said = [words.pace(s.speed_mps) or "not noted" for s in (a, b)]
    if a.speed_mps is None or b.speed_mps is None:
        return Condition("Pace", said[0], said[1], "unknown", "the pace of one session isn't noted", blocks=True)
    apart = abs(b.speed_mps - a.speed_mps) / max(a.speed_mps, b.speed_mps)
    if apart <= SAME_SPEED + _ROUNDING:
        return Condition("Pace", said[0], said[1], "same")
    return Condition("Pace", said[0], said[1], "differs", f"the pace differs by {100 * apart:.0f} %", blocks=True)


def _surface(a: SessionRow, b: SessionRow) -> Condition:
    if a.surface == b.surface:
        return Condition("Surface", a.surface, b.surface, "same")
    return Condition("Surface", a.surface, b.surface, "differs", "the surface differs", blocks=True)


def _shoes(a: SessionRow, b: SessionRow) -> Condition:
    plain = [" ".join(s.shoes.casefold().split()) for s in (a, b)]
    said = [s.shoes or "not noted" for s in (a, b)]
    if not all(plain):
        return Condition("Shoes", said[0], said[1], "unknown", "the shoes of one session aren't noted", blocks=True)
    if plain[0] == plain[1]:
        return Condition("Shoes", said[0], said[1], "same")
    return Condition("Shoes", said[0], said[1], "differs", "the shoes differ", blocks=True)


def _apart(a: SessionRow, b: SessionRow) -> str:
    days = abs((b.held_on - a.held_on).days)
    return words.plural(days, "day") + " apart" if days < 14 else words.plural(round(days / 7), "week") + " apart"


def _films(films_a: Sequence[FilmRow], films_b: Sequence[FilmRow]) -> list[Condition]:
    by = [{f.view: f for f in films if f.used} for films in (films_a, films_b)]
    said = [", ".join(words.VIEW_WORDS.get(v, v) for v in _ORDER if v in mine) or "none" for mine in by]
    same = set(by[0]) == set(by[1])
    out = [
        Condition(
            "Films",
            said[0],
            said[1],
            "plain" if same else "note",
            "" if same else "Some measures come from one session only.",
        )
    ]
    rates = [", ".join(f"{words.VIEW_WORDS.get(v, v)} {r}" for v in _ORDER if (r := _rate(mine.get(v)))) for mine in by]
    if any(rates):
        differ = any(_rate(by[0].get(v)) != _rate(by[1].get(v)) for v in _ORDER if v in by[0] and v in by[1])
        why = "Times are surer at more pictures a second; the intervals say by how much." if differ else ""
        out.append(
            Condition(
                "Pictures a second", rates[0] or "not known", rates[1] or "not known", "note" if differ else "plain", why
            )
        )
    return out


def _rate(film: FilmRow | None) -> str:
    if film is None:
        return ""
    rate = film.capture_fps or film.info.get("capture_fps")
    return f"{float(rate):.0f}" if rate else ""


def _pain(session: SessionRow) -> str:
    stated = [p for p in session.pain if p.get("where") or p.get("score_0_10")]
    if not stated:
        return "none stated"
    return "; ".join(f"{p.get('where') or 'somewhere'} {float(p.get('score_0_10') or 0):g} of 10" for p in stated)


@attrs.frozen
class Line:
    """One side of one measure in both sessions, as people read it."""

    side: str
    a: str
    a_interval: str
    b: str
    b_interval: str
    difference: str
    difference_interval: str
    plot: Any
    beyond: bool


@attrs.frozen
class Entry:
    """A measure that both sessions have."""

    key: str
    title: str
    unit: str
    view: str
    lines: tuple[Line, ...]


Measures = Mapping[tuple[str, str, str], Value]


def measures_of(entries: Sequence[Any]) -> Measures:
    """Return the measured values of an assessment by (measure, side, view)."""
    return {
        (m.measure, m.side, m.view): Value(float(m.value), float(m.low), float(m.high), int(m.n))
        for m in entries
        if m.value is not None and m.low is not None and m.high is not None
    }


def units_of(entries: Sequence[Any]) -> dict[str, str]:
    """Return the unit of every measure."""
    return {m.measure: m.unit for m in entries}


def groups(a: Measures, b: Measures, units: Mapping[str, str], *, comparable: bool) -> list[dict[str, Any]]:
    """Return the measures that both sessions have, group by group.

    Parameters
    ----------
    comparable : whether anything may be said of a difference beyond its interval.
    """
    keys = [k for k in dict.fromkeys([*REGISTRY, *units]) if k != "speed"]
    out = []
    for group, title, _ in GROUPS:
        mine = [k for k in keys if (REGISTRY[k].group if k in REGISTRY else "other") == group]
        entries = [e for k in mine if (e := _entry(k, a, b, units.get(k, ""), comparable=comparable)) is not None]
        if entries:
            out.append({"key": group, "title": title, "entries": entries})
    return out


def only_one(a: Measures, b: Measures) -> tuple[list[str], list[str]]:
    """Return titles of measures that only the first, and only the second session has in a film of the same view."""
    views_a: dict[str, set[str]] = {}
    views_b: dict[str, set[str]] = {}
    for mine, views in ((a, views_a), (b, views_b)):
        for key, _, view in mine:
            views.setdefault(key, set()).add(view)
    order = [k for k in dict.fromkeys([*REGISTRY, *views_a, *views_b]) if k != "speed"]
    first = [title_of(k) for k in order if k in views_a and not views_a[k] & views_b.get(k, set())]
    second = [title_of(k) for k in order if k in views_b and not views_b[k] & views_a.get(k, set())]
    return first, second


def _entry(key: str, a: Measures, b: Measures, unit: str, *, comparable: bool) -> Entry | None:
    for view in _ORDER:
        sides = [s for s in _SIDES if (key, s, view) in a and (key, s, view) in b]
        if not sides:
            continue
        if len(sides) > 1:
            sides = [s for s in sides if s != "both"]  # the mean of both says again what left and right say
        pairs = [(s, a[key, s, view], b[key, s, view]) for s in sides]
        factor, word, decimals = shown(key, unit)
        reach = compare_plots.reach([v for _, x, y in pairs for v in (x.low, x.high, y.low, y.high)], factor)
        lines = [
            _line(side, x, y, factor, word, decimals, reach, last=i == len(pairs) - 1, comparable=comparable)
            for i, (side, x, y) in enumerate(pairs)
        ]
        return Entry(key, title_of(key), word, words.VIEW_WORDS.get(view, view), tuple(lines))
    return None


def _line(
    side: str,
    a: Value,
    b: Value,
    factor: float,
    unit: str,
    decimals: int,
    reach: tuple[float, float],
    *,
    last: bool,
    comparable: bool,
) -> Line:
    d = difference(a, b)

    def text(value: float) -> str:
        return words.with_unit(number(factor * value, decimals), unit)

    def between(v: Value) -> str:
        return f"{number(factor * v.low, decimals)} to {number(factor * v.high, decimals)}"

    sign = "+" if d.value > 0 and number(factor * d.value, decimals) != number(0.0, decimals) else ""
    return Line(
        side=side,
        a=text(a.value),
        a_interval=between(a),
        b=text(b.value),
        b_interval=between(b),
        difference=sign + text(d.value),
        difference_interval=between(d),
        plot=compare_plots.pair((a.value, a.low, a.high), (b.value, b.low, b.high), reach, factor, axis=last),
        beyond=comparable and differs(d),
    )
