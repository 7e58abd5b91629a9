"""The outputs that other programs read: assessment.json, measures.csv, strides.csv, landmarks-<view>.parquet.

The same assessment always gives the same bytes: no clock, no machine path, no random order. A number that
isn't finite never leaves as one: it is null in JSON and Parquet and empty in CSV.
"""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import attrs
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from midstance.assess.result import Assessment, FilmResult
from midstance.findings import does_not_say, paragraphs
from midstance.findings.overruled import Overruled
from midstance.gait.model import (
    LANDMARKS,
    Event,
    Exclusion,
    Finding,
    LandmarkPaths,
    Measure,
    QualityCheck,
    Side,
    State,
    StrideValue,
    View,
)
from midstance.gait.registry import REGISTRY
from midstance.pose.corrections import Applied

SCHEMA = 1
NO_PLAN = "No plan was made: this version measures and explains, and leaves what to change to the coach."
#: Decimal places kept: a micrometre, a microsecond, a millionth of a degree; far below any interval.
DECIMALS = 6

_UNIT_IN_NAME = {
    "1": "ratio",
    "steps/min": "steps_per_min",
    "m/s": "m_per_s",
    "kN/m": "kN_per_m",
    "%": "percent",
    "BW/s": "BW_per_s",
    "BW·s": "BW_s",
}


def plain(value: Any) -> Any:
    """Return a value as JSON can hold it; not finite becomes None, and an unknown type is a fault of ours."""
    if value is None or (isinstance(value, bool | str | int) and not isinstance(value, State)):
        return value
    if isinstance(value, State):
        return value.name.lower()
    if isinstance(value, float | np.floating):
        number = float(value)
        return (round(number, DECIMALS) + 0.0) if math.isfinite(number) else None
    if isinstance(value, np.integer | np.bool_):
        return value.item()
    if isinstance(value, Path):
        return value.name
    if isinstance(value, Mapping):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, set | frozenset):
        return [plain(v) for v in sorted(value)]
    if isinstance(value, Iterable):
        return [plain(v) for v in value]
    if attrs.has(type(value)):
        return plain(attrs.asdict(value))
    raise TypeError(f"an assessment can't hold a {type(value).__name__}")


def quality_entry(check: QualityCheck) -> dict[str, Any]:
    """Return a check of fitness as it stands in the JSON."""
    return {
        "check": check.check,
        "value": check.value,
        "unit": check.unit,
        "limit": check.limit,
        "verdict": check.verdict,
        "effect": check.effect,
        "advice": check.advice,
        "measures": check.measures,
        "factor": check.factor,
    }


def _film(film: FilmResult) -> dict[str, Any]:
    return {
        "view": film.view,
        "frames": film.frames,
        "duration_s": film.duration_s,
        "capture_fps": film.capture_fps,
        "direction": film.direction,
        "quality": [quality_entry(c) for c in film.quality],
        "name": film.name,
        "sha256": film.sha256,
        "width_px": film.width,
        "height_px": film.height,
        "capture_source": film.capture_source,
        "slowdown": film.slowdown,
        "near_side": film.near_side,
        "scale": attrs.asdict(film.scale) if film.scale else None,
        "scale_notes": film.scale_notes,
        "duplicate_frames": film.duplicate_frames,
        "dropped_frames": film.dropped_frames,
        "start_s": film.start_s,
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "view": event.view,
        "side": event.side,
        "kind": event.kind,
        "time_s": event.time_s,
        "low_s": event.low_s,
        "high_s": event.high_s,
        "source": event.source,
    }


def measure_entry(measure: Measure) -> dict[str, Any]:
    """Return a measure as it stands in the JSON; ``reason`` only where it is not measurable."""
    entry: dict[str, Any] = {
        "measure": measure.measure,
        "side": measure.side,
        "view": measure.view,
        "unit": measure.unit,
        "value": measure.value,
        "low": measure.low if measure.value is not None else None,
        "high": measure.high if measure.value is not None else None,
        "n": measure.n,
        "method": measure.method,
    }
    if measure.reason is not None:
        entry["reason"] = measure.reason
    return entry


def _finding(finding: Finding, overruled: Overruled | None) -> dict[str, Any]:
    entry = {
        "key": finding.key,
        "title": finding.title,
        "text": " ".join(paragraphs(finding.text)),
        "does_not_say": does_not_say(finding.text),
        "status": finding.status,
        "evidence": finding.evidence,
        "source": finding.source,
        "measures": finding.measures,
        "side": finding.side,
        "priority": finding.priority,
    }
    if overruled is not None:
        entry["overruled"] = {"why": overruled.why, "by": overruled.by, "at": overruled.at}
    return entry


def _correction(applied: Applied) -> dict[str, Any]:
    asked = {k: v for k, v in attrs.asdict(applied.correction).items() if v not in (None, "", False)}
    return {**asked, "effect": applied.effect}


def _exclusion(exclusion: Exclusion) -> dict[str, Any]:
    return {"stride": exclusion.stride, "reason": exclusion.reason, "view": exclusion.view}


def assessment_to_dict(a: Assessment) -> dict[str, Any]:
    """Return the assessment as the JSON contract (schema 1) has it: plain values only, numbers finite or
    None.

    Times are seconds of real time from the first frame. ``context`` holds what a later session needs to be
    comparable.
    """
    content = {
        "schema": SCHEMA,
        "software": a.software,
        "films": [_film(f) for f in a.films],
        "events": [_event(e) for e in a.events],
        "measures": [measure_entry(m) for m in a.measures],
        "findings": [_finding(f, a.overrule_of(f)) for f in a.findings],
        "plan": {"note": NO_PLAN},
        "excluded": [_exclusion(e) for e in a.exclusions],
        "corrections": [_correction(c) for c in a.corrections],
        "context": {
            "runner": a.runner_label,
            "invented": a.invented,
            "height_m": a.runner.height_m,
            "mass_kg": a.runner.mass_kg,
            "body_table": a.runner.body_table,
            "speed_mps": a.speed_mps,
            "surface": a.surface,
            "settings": a.settings,
        },
    }
    entries: dict[str, Any] = plain(content)
    return entries


def write_json(a: Assessment, file: Path) -> None:
    """Write assessment.json, UTF-8, keys in the order of the contract."""
    text = json.dumps(assessment_to_dict(a), ensure_ascii=False, indent=1, allow_nan=False)
    file.write_text(text + "\n", encoding="utf-8", newline="\n")


def _cell(value: Any) -> str:
    cell = plain(value)
    if cell is None:
        return ""
    return repr(cell) if isinstance(cell, float) else str(cell)


def write_csv(file: Path, rows: Iterable[Iterable[Any]]) -> None:
    """Write rows as RFC 4180 asks: commas, CRLF, quotes only where needed; UTF-8 without a mark."""
    buffer = io.StringIO(newline="")
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerows([_cell(c) for c in row] for row in rows)
    file.write_bytes(buffer.getvalue().encode("utf-8"))


def write_measures_csv(a: Assessment, file: Path) -> None:
    """Write one row a measure, side and view, in its own unit; empty numbers and a reason where not
    measurable.
    """
    header = (
        "measure",
        "side",
        "view",
        "unit",
        "value",
        "low_95",
        "high_95",
        "n_strides",
        "method",
        "reason",
    )
    entries = [measure_entry(m) for m in a.measures]
    names = ("measure", "side", "view", "unit", "value", "low", "high", "n", "method", "reason")
    write_csv(file, [header, *([e.get(k) for k in names] for e in entries)])


def column_name(measure: str, unit: str) -> str:
    """Return a measure's column name with its unit, such as ``knee_flexion_contact_deg``."""
    return f"{measure}_{_UNIT_IN_NAME.get(unit, unit)}"


def write_strides_csv(a: Assessment, file: Path) -> None:
    """Write one row a stride (view, side, number) with its events, and for each measure value, low and high.

    Strides left out of the measures have a row too, with the reason and without numbers.
    """
    values: dict[tuple[View, Side, int], dict[str, StrideValue]] = {}
    units: dict[str, str] = {}
    for v in a.stride_values:
        values.setdefault((v.view, v.side, v.stride), {})[v.measure] = v
        units.setdefault(v.measure, v.unit)
    stances = {(s.ic.view, s.side, s.index): s for s in a.stances}
    order = {key: i for i, key in enumerate(REGISTRY)}
    measures = sorted(units, key=lambda k: (order.get(k, len(order)), k))
    header = ["view", "side", "leg", "stride", "initial_contact_s", "toe_off_s", "left_out_because"]
    for key in measures:
        name = column_name(key, units[key])
        header += [name, f"{name}_low_95", f"{name}_high_95"]
    rows: list[list[Any]] = [header]
    views = [f.view for f in a.films]
    for place in sorted({*values, *stances}, key=lambda p: (_rank(views, p[0]), p[2], p[1])):
        stance = stances.get(place)
        mine = values.get(place, {})
        contact = stance.ic.time_s if stance else min(v.time_s for v in mine.values())
        toe_off = stance.to.time_s if stance and stance.to else None
        film = a.film(place[0])
        leg = None if film is None or film.near_side is None else "near" if film.near_side == place[1] else "far"
        row: list[Any] = [place[0], place[1], leg, place[2], contact, toe_off, stance.excluded if stance else None]
        for key in measures:
            sv = mine.get(key)
            row += [sv.value, sv.low, sv.high] if sv else [None, None, None]
        rows.append(row)
    write_csv(file, rows)


def _rank(views: list[View], view: str) -> int:
    return next((i for i, v in enumerate(views) if v == view), len(views))


def write_landmarks_parquet(paths: LandmarkPaths, file: Path) -> None:
    """Write one row a frame and landmark: pixels of the upright picture, y down, top-left pixel centred on
    (0.5, 0.5).
    """
    n, k = paths.score.shape
    names = pa.array(LANDMARKS, pa.string())
    states = pa.array([s.name.lower() for s in State], pa.string())

    def numbers(values: Any) -> pa.Array:
        flat = np.asarray(values, np.float64).reshape(-1)
        return pa.array(flat, pa.float64(), mask=~np.isfinite(flat))

    columns = {
        "frame": pa.array(np.repeat(np.arange(n, dtype=np.int32), k)),
        "time_s": pa.array(np.repeat(paths.time_s, k)),
        "landmark": pa.DictionaryArray.from_arrays(pa.array(np.tile(np.arange(k, dtype=np.int8), n)), names),
        "x_px": numbers(paths.xy[..., 0]),
        "y_px": numbers(paths.xy[..., 1]),
        "score": numbers(paths.score),
        "sigma_px": numbers(paths.sigma_px),
        "state": pa.DictionaryArray.from_arrays(pa.array(paths.state.reshape(-1).astype(np.int8)), states),
    }
    table = pa.table(columns).replace_schema_metadata({"view": paths.view, "schema": str(SCHEMA)})
    pq.write_table(table, file, compression="zstd")
