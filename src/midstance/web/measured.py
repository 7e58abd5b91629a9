"""The measures of a session as they stand, kept in memory as long as nothing they rest on changes."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import attrs
from sqlalchemy import select
from sqlalchemy.orm import Session

from midstance.assess.from_records import role_of
from midstance.assess.result import Assessment
from midstance.findings.words import number
from midstance.gait.model import Measure, StrideValue
from midstance.gait.registry import REGISTRY
from midstance.records.tables import CorrectionRow, FilmRow, OverruleRow, RunnerRow, SessionRow
from midstance.report.tables import GROUPS, shown, title_of
from midstance.web import plots, words

if TYPE_CHECKING:
    from midstance.web.app import Workbench

_MOST = 6
_lock = threading.Lock()
_kept: OrderedDict[tuple[Any, ...], Assessment] = OrderedDict()


def assessment_of(db: Session, bench: Workbench, session_id: str) -> Assessment:
    """Return the assessment of a session as it stands.

    Raises
    ------
    NotFoundError, MidstanceError
        No film is read yet, something is missing, or a film can't be measured.
    """
    key = (id(bench), *_stamp(db, bench, session_id))
    with _lock:
        if key in _kept:
            _kept.move_to_end(key)
            return _kept[key]
    made: Assessment = bench.live.assessment(db, session_id)
    with _lock:
        _kept[key] = made
        while len(_kept) > _MOST:
            _kept.popitem(last=False)
    return made


def forget() -> None:
    """Hold nothing in memory any more, as after an erasure."""
    with _lock:
        _kept.clear()


def peek(db: Session, bench: Workbench, session_id: str) -> Assessment | None:
    """Return the assessment of a session as it stands when it is in memory; never computes one."""
    key = (id(bench), *_stamp(db, bench, session_id))
    with _lock:
        return _kept.get(key)


def _stamp(db: Session, bench: Workbench, session_id: str) -> tuple[Any, ...]:
    session = db.get(SessionRow, session_id)
    runner = db.get(RunnerRow, session.runner_id) if session else None
    films = db.scalars(select(FilmRow).where(FilmRow.session_id == session_id, FilmRow.used).order_by(FilmRow.id)).all()
    ids = [f.id for f in films]
    corrections = db.scalars(
        select(CorrectionRow.id)
        .where(CorrectionRow.film_id.in_(ids), CorrectionRow.withdrawn_at.is_(None))
        .order_by(CorrectionRow.id)
    ).all()
    overrules = db.scalars(
        select(OverruleRow.id)
        .where(OverruleRow.session_id == session_id, OverruleRow.withdrawn_at.is_(None))
        .order_by(OverruleRow.id)
    ).all()
    readings = []
    for film_id in ids:
        folder = bench.config.home.reading(film_id)
        readings += sorted((p.name, p.stat().st_mtime_ns) for p in folder.iterdir()) if folder.is_dir() else []
    return (
        session_id,
        session.version if session else 0,
        runner.version if runner else 0,
        tuple((f.id, f.version) for f in films),
        tuple(corrections),
        tuple(overrules),
        tuple(readings),
    )


@attrs.frozen
class Line:
    """One side of a measure as people read it; ``reason`` says why there is no value."""

    side: str
    value: str = ""
    half: str = ""
    interval: str = ""
    n: int = 0
    reason: str = ""


@attrs.frozen
class Entry:
    """A measure: what it is, its lines, the plot, every stride, how it was had."""

    key: str
    title: str
    definition: str
    sign: str
    unit: str
    lines: tuple[Line, ...]
    measured: bool
    plot: Any = ""
    strides: tuple[dict[str, Any], ...] = ()
    methods: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    view: str = ""


def film_ids(db: Session, session_id: str) -> dict[str, str]:
    """Return the used film of every view as it is measured."""
    films = db.scalars(select(FilmRow.id).where(FilmRow.session_id == session_id, FilmRow.used)).all()
    return {str(role_of(db, film_id)): film_id for film_id in films}


def groups_of(a: Assessment, films: dict[str, str]) -> list[dict[str, Any]]:
    """Return all measures group by group as in the report; of each, the first film that gives it is shown in full."""
    strides: dict[tuple[str, str, str], list[StrideValue]] = {}
    for v in a.measured_strides():
        strides.setdefault((v.measure, v.view, v.side), []).append(v)
    keys = sorted(
        dict.fromkeys(m.measure for m in a.measures),
        key=lambda k: list(REGISTRY).index(k) if k in REGISTRY else len(REGISTRY),
    )
    out = []
    for group, title, note in GROUPS:
        mine = [k for k in keys if (REGISTRY[k].group if k in REGISTRY else "other") == group]
        if mine:
            entries = [_entry(a, key, strides, films) for key in mine]
            out.append({"key": group, "title": title, "note": note, "entries": entries})
    return out


def _entry(a: Assessment, key: str, strides: dict[tuple[str, str, str], list[StrideValue]], films: dict[str, str]) -> Entry:
    every = [m for m in a.measures if m.measure == key]
    first = next((m.view for m in every if m.value is not None), every[0].view)
    main = [m for m in every if m.view == first]
    info = REGISTRY.get(key)
    factor, unit, decimals = shown(key, main[0].unit)
    rows, table = [], []
    for m in main:
        if m.value is None or m.low is None or m.high is None or m.side == "both":
            continue
        mine = strides.get((key, first, m.side), [])
        rows.append(plots.Row(m.side, m.value, m.low, m.high, tuple(_dot(v, films, factor, unit, decimals) for v in mine)))
        table += [_stride(v, films, factor, unit, decimals) for v in mine]
    if not rows:  # given for both sides only: its single steps are those of left and right
        both = next((m for m in main if m.value is not None), None)
        mine = [v for s in ("left", "right") for v in strides.get((key, first, s), [])]
        if both is not None and both.value is not None and both.low is not None and both.high is not None and mine:
            dots = tuple(_dot(v, films, factor, unit, decimals) for v in mine)
            rows.append(plots.Row("both", both.value, both.low, both.high, dots))
            table += [_stride(v, films, factor, unit, decimals) for v in mine]
    return Entry(
        key=key,
        title=title_of(key),
        definition=info.definition if info else "",
        sign=f"Positive: {info.positive}; negative: {info.negative}." if info and info.negative else "",
        unit=unit,
        lines=_lines(main),
        measured=any(m.value is not None for m in main),
        plot=plots.strip(rows, factor) if any(r.dots or r.high > r.low for r in rows) else "",
        strides=tuple(sorted(table, key=lambda s: s["time_s"])),
        methods=_methods(main),
        also=_also([m for m in every if m.view != first]),
        view=words.VIEWS.get(first, first),
    )


def _lines(measures: Iterable[Measure]) -> tuple[Line, ...]:
    out: list[Line] = []
    for m in measures:
        if m.value is None:
            reason = (m.reason or "").rstrip(".")
            if out and out[-1].reason == reason:
                out[-1] = attrs.evolve(out[-1], side="" if m.side == "both" else f"{out[-1].side}, {m.side}")
            else:
                out.append(Line(m.side, reason=reason))
            continue
        out.append(Line(m.side, **_said(m), n=m.n))
    # One reason for all sides needs no side; why there is no mean of both follows from why there is no left or right.
    if len(out) == 1 and out[0].reason:
        return (attrs.evolve(out[0], side=""),)
    return tuple(x for x in out if not (x.side == "both" and x.reason and len(out) > 1))


def _said(m: Measure) -> dict[str, str]:
    said = words.measured(m.measure, m.unit, m.value, m.low, m.high)
    return {name: said[name] for name in ("value", "half", "interval")}


def _methods(measures: Iterable[Measure]) -> tuple[str, ...]:
    texts: dict[str, list[str]] = {}
    for m in measures:
        if m.value is not None and m.method:
            texts.setdefault(m.method, []).append(m.side)
    if len(texts) == 1:
        return tuple(texts)
    return tuple(f"{' and '.join(sides).capitalize()}: {text}" for text, sides in texts.items())


def _also(measures: Iterable[Measure]) -> tuple[str, ...]:
    lines: dict[str, list[str]] = {}
    for m in measures:
        if m.value is not None:
            said = words.measured(m.measure, m.unit, m.value, m.low, m.high)
            lines.setdefault(m.view, []).append(f"{m.side} {said['value']} ({said['interval']})")
    return tuple(f"{words.VIEWS.get(view, view)}: {', '.join(texts)}" for view, texts in lines.items())


def _frame(v: StrideValue, films: dict[str, str]) -> str:
    film = films.get(v.view)
    return f"/films/{film}?at={v.time_s:.4f}" if film else ""


def _dot(v: StrideValue, films: dict[str, str], factor: float, unit: str, decimals: int) -> plots.Dot:
    value = words.with_unit(number(factor * v.value, decimals), unit)
    return plots.Dot(v.value, _frame(v, films), v.side, f"{v.side}, stride {v.stride + 1}: {value} at {v.time_s:.2f} s")


def _stride(v: StrideValue, films: dict[str, str], factor: float, unit: str, decimals: int) -> dict[str, Any]:
    return {
        "stride": v.stride + 1,
        "side": v.side,
        "time_s": float(v.time_s),
        "value": words.with_unit(number(factor * v.value, decimals), unit),
        "interval": f"{number(factor * v.low, decimals)} to {number(factor * v.high, decimals)}",
        "href": _frame(v, films),
    }
