"""The tables of the report: every measure with its interval, and every stride behind it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

from midstance.assess.result import Assessment
from midstance.findings.words import join_words, number
from midstance.force.registry import FORCE_REGISTRY
from midstance.gait.model import Measure, StrideValue, View
from midstance.gait.registry import REGISTRY, MeasureInfo
from midstance.report.curves import dot_drawing, dot_range

#: Measures of films and of force recordings by key, in the order of the report.
KNOWN: dict[str, MeasureInfo] = {**REGISTRY, **FORCE_REGISTRY}
FILM_TITLES: dict[View, str] = {
    "side": "From the side", "side_far": "From the other side", "rear": "From behind", "front": "From the front"
}  # fmt: skip
_VIEWS: dict[View, str] = {"side": "side", "side_far": "other side", "rear": "rear", "front": "front"}
GROUPS = (
    ("time", "Rhythm and steps", "From the instants of contact and toe-off, and from the speed."),
    ("side", "Seen from the side", "Angles and distances in the plane of running."),
    ("frontal", "Seen from behind or in front", "Angles and distances across the direction of running."),
    (
        "estimate",
        "Estimates from the times",
        "Computed from contact and flight time with a spring-and-mass model. Nothing was weighed or pushed: "
        "these are estimates.",
    ),
    ("other", "Others", ""),
)


def title_of(key: str) -> str:
    """Return a measure's title; for a key that isn't registered the key in words."""
    return KNOWN[key].title if key in KNOWN else key.replace("_", " ").capitalize()


def titles_of(keys: Iterable[str]) -> str:
    """Return the titles of measures as one phrase: "Cadence, step time and contact time"."""
    titles = [title_of(k) for k in dict.fromkeys(keys)]
    return join_words([*titles[:1], *(t[:1].lower() + t[1:] for t in titles[1:])])


def shown(key: str, unit: str) -> tuple[float, str, int]:
    """Return the factor, the unit and the decimals that people read: ms for times, cm for short lengths, °
    for angles.
    """
    decimals = KNOWN[key].decimals if key in KNOWN else 2
    if unit == "s":
        return 1000.0, "ms", max(0, decimals - 3)
    if unit == "m" and decimals >= 3:
        return 100.0, "cm", decimals - 2
    return 1.0, {"deg": "°", "1": ""}.get(unit, unit), decimals


def _with_unit(text: str, unit: str) -> str:
    return f"{text}{unit}" if unit in ("°", "") else f"{text} {unit}"


def same_reason(a: Assessment) -> list[tuple[str, str]]:
    """Return (measure, reason) for every measure that no side or view could give, once each."""
    measured = {m.measure for m in a.measures if m.value is not None}
    seen: dict[str, str] = {}
    for m in a.measures:
        if m.value is None and m.measure not in measured:
            seen.setdefault(m.measure, m.reason or "")
    return list(seen.items())


def measure_groups(a: Assessment) -> list[dict[str, Any]]:
    """Return the measures group by group in the order of the registry."""
    strides: dict[tuple[str, str, str], list[StrideValue]] = {}
    for v in a.measured_strides():
        strides.setdefault((v.measure, v.view, v.side), []).append(v)
    keys = list(dict.fromkeys(m.measure for m in a.measures))
    keys.sort(key=lambda k: list(KNOWN).index(k) if k in KNOWN else len(KNOWN))
    out = []
    for group, title, note in GROUPS:
        mine = [k for k in keys if (KNOWN[k].group if k in KNOWN else "other") == group]
        if mine:
            entries = [measure_rows(a.measures, key, strides) for key in mine]
            out.append({"title": title, "note": note, "measures": entries})
    return out


def measure_rows(
    measures: Sequence[Measure], key: str, strides: dict[tuple[str, str, str], list[StrideValue]]
) -> dict[str, Any]:
    """Return one measure's title, definition and rows; ``strides`` are its values by (measure, view, side)."""
    mine = [m for m in measures if m.measure == key]
    info = KNOWN.get(key)
    # The first film that gives the measure is shown in full, the others in a line below it.
    first = next((m.view for m in mine if m.value is not None), mine[0].view)
    main = [m for m in mine if m.view == first]
    factor, unit, decimals = shown(key, mine[0].unit)
    values = [x for m in main if m.value is not None for x in (m.value, m.low or 0.0, m.high or 0.0)]
    values += [v.value for m in main if m.value is not None for v in _of(strides, m)]
    reach = dot_range(values) if values else (0.0, 1.0)
    rows: list[dict[str, Any]] = []
    for m in main:
        if m.value is None:
            if rows and rows[-1].get("reason") == m.reason:
                rows[-1]["side"] += f", {m.side}"
            else:
                rows.append({"side": m.side, "reason": m.reason, "svg": "", "n": ""})
            continue
        assert m.low is not None
        assert m.high is not None
        each = [v.value for v in _of(strides, m)]
        rows.append(
            {
                "side": m.side,
                "value": _with_unit(number(factor * m.value, decimals), unit),
                "interval": f"{number(factor * m.low, decimals)} to {number(factor * m.high, decimals)}",
                "n": str(m.n),
                "svg": dot_drawing(m.side, m.value, m.low, m.high, each, reach),
            }
        )
    if len(rows) == 1 and "reason" in rows[0]:
        rows[0]["side"] = ""
    sign = ""
    if info and info.negative:
        sign = f"Positive: {info.positive}." if info.positive else f"Negative: {info.negative}."
    return {
        "title": title_of(key),
        "definition": info.definition if info else "",
        "sign": sign,
        "rows": rows,
        "also": _also(m for m in mine if m.view != first),
    }


def _of(strides: dict[tuple[str, str, str], list[StrideValue]], m: Measure) -> list[StrideValue]:
    if m.side == "both":
        return [v for s in ("left", "right") for v in strides.get((m.measure, m.view, s), [])]
    return strides.get((m.measure, m.view, m.side), [])


def _also(measures: Iterable[Measure]) -> list[str]:
    """Return one line for each further film that gives the same measure."""
    lines: dict[str, list[str]] = {}
    for m in measures:
        factor, unit, decimals = shown(m.measure, m.unit)
        if m.value is None:
            continue
        assert m.low is not None
        assert m.high is not None
        value = _with_unit(number(factor * m.value, decimals), unit)
        text = f"{m.side} {value} ({number(factor * m.low, decimals)} to {number(factor * m.high, decimals)})"
        lines.setdefault(_VIEWS[m.view], []).append(text)
    return [f"{view} film: {', '.join(texts)}" for view, texts in lines.items()]


def stride_tables(a: Assessment) -> list[dict[str, Any]]:
    """Return for each film a table of all strides: one row a stride, one column a measure."""
    out = []
    for film in a.films:
        values = [v for v in a.stride_values if v.view == film.view]
        keys = [k for k in KNOWN if any(v.measure == k for v in values)]
        units = {v.measure: v.unit for v in values}
        rows: dict[tuple[int, str], dict[str, StrideValue]] = {}
        for v in values:
            rows.setdefault((v.stride, v.side), {})[v.measure] = v
        table = []
        for (stride, side), mine in sorted(rows.items()):
            cells = []
            for key in keys:
                factor, _, decimals = shown(key, units[key])
                cells.append(number(factor * mine[key].value, decimals) if key in mine else "–")
            time = min(v.time_s for v in mine.values())
            table.append({"stride": str(stride + 1), "side": side, "time": f"{time:.3f}", "cells": cells})
        if table:
            columns = [{"title": title_of(k), "unit": shown(k, units[k])[1]} for k in keys]
            out.append({"view": film.view, "title": FILM_TITLES[film.view], "columns": columns, "rows": table})
    return out


def methods(a: Assessment) -> list[dict[str, str]]:
    """Return how each measure was read: what holds for all sides once, then what holds for one side only."""
    texts: dict[str, dict[str, None]] = {}
    for key in dict.fromkeys(m.measure for m in a.measures if m.value is not None):
        for view in dict.fromkeys(m.view for m in a.measures):
            mine = [m for m in a.measures if (m.measure, m.view) == (key, view) and m.value is not None]
            # The mean of both sides says again what left and right say.
            mine = [m for m in mine if m.side != "both"] or mine
            if mine:
                texts.setdefault(key, {})[_method_text(mine)] = None
    return [{"measure": title_of(k), "method": ". ".join(v)} for k, v in texts.items()]


def _method_text(measures: list[Measure]) -> str:
    clauses = [m.method.split("; ") for m in measures]
    common = [c for c in clauses[0] if all(c in other for other in clauses[1:])]
    own = [
        f"{m.side}: {', '.join(rest)}"
        for m, mine in zip(measures, clauses, strict=True)
        if (rest := [c for c in mine if c not in common])
    ]
    return "; ".join([*common, *own])
