"""What other programs read of a force recording: force.json, force_measures.csv, force_contacts.csv.

The same recording and settings always give the same bytes, as for ``assess.export``.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import attrs

from midstance.assess.export import column_name, measure_entry, plain, quality_entry, write_csv
from midstance.assess.ground import GroundRecord
from midstance.force.model import Contact, Plate
from midstance.force.outcome import MeanCurves, mean_curves
from midstance.force.registry import FORCE_REGISTRY
from midstance.gait.model import StrideValue

SCHEMA = 1
_Z95 = 1.96


def force_to_dict(record: GroundRecord) -> dict[str, Any]:
    """Return the recording's measures as force.json has them: plain values, numbers finite or None.

    Times are seconds of the recording's own clock.
    """
    result, about = record.result, record.about
    values = record.values_of()
    content = {
        "schema": SCHEMA,
        "software": record.software,
        "recording": {
            "name": record.name,
            "sha256": record.sha256,
            "rate_hz": about.rate_hz,
            "start_s": about.start_s,
            "duration_s": result.duration_s,
            "unit": about.unit,
            "surface": result.surface,
            "plates": [_plate(p) for p in about.plates],
            "feet_recorded": about.feet is not None,
            "events_labelled": len(about.labels),
            "sides_from": result.side_source,
        },
        "read_as": result.notes,
        "body_weight": {
            "value": result.weight_n if record.weight_known else None,
            "unit": "N",
            "source": result.weight_source,
        },
        "checks": [quality_entry(c) for c in result.checks],
        "contacts": [_contact(c, values.get(c.index, {}), record) for c in result.contacts],
        "measures": [measure_entry(m) for m in result.measures],
        "strike": {side: result.strike.get(side) for side in ("left", "right")},
        "curves": [_curve(c) for c in mean_curves(result).values()],
        "settings": _settings(record),
    }
    entries: dict[str, Any] = plain(content)
    return entries


def _plate(plate: Plate) -> dict[str, Any]:
    return {
        "name": plate.name,
        "corners_m": plate.corners_m,
        "horizontal_force": plate.horizontal,
        "centre_of_pressure": plate.cop,
    }


def _times(c: Contact) -> list[float]:
    on, off = _Z95 * c.on_sigma_s, _Z95 * c.off_sigma_s
    return [c.on_s, c.on_s - on, c.on_s + on, c.off_s, c.off_s - off, c.off_s + off]


def _whole(c: Contact, record: GroundRecord) -> list[float | None]:
    """Peak in N and in body weights, vertical impulse in BW s: of every contact that is kept, whichever foot it was."""
    if c.excluded is not None:
        return [None, None, None]
    peak, impulse, weight = c.values.get("peak"), c.values.get("vertical_impulse"), record.result.weight_n
    in_weights = [None if x is None or weight is None else x / weight for x in (peak, impulse)]
    return [peak if record.weight_known else None, *in_weights]


def _contact(c: Contact, values: dict[str, StrideValue], record: GroundRecord) -> dict[str, Any]:
    on, on_low, on_high, off, off_low, off_high = _times(c)
    peak_n, peak_bw, impulse = _whole(c, record)
    entry: dict[str, Any] = {
        "contact": c.index,
        "plate": plate_name(record, c),
        "side": c.side,
        "initial_contact_s": on,
        "initial_contact_low_s": on_low,
        "initial_contact_high_s": on_high,
        "toe_off_s": off,
        "toe_off_low_s": off_low,
        "toe_off_high_s": off_high,
        "left_out_because": c.excluded,
        "peak_n": peak_n,
        "peak_bw": peak_bw,
        "vertical_impulse_bw_s": impulse,
    }
    entry["values"] = {k: {"value": v.value, "low": v.low, "high": v.high} for k, v in _ordered(values)}
    return entry


def plate_name(record: GroundRecord, c: Contact) -> str:
    """Return the name of the plate a contact was on; all belts of a treadmill are one."""
    plates = record.about.plates
    return "treadmill" if record.result.surface == "treadmill" and len(plates) > 1 else plates[c.plate].name


def _ordered(values: dict[str, StrideValue]) -> list[tuple[str, StrideValue]]:
    return [(k, values[k]) for k in FORCE_REGISTRY if k in values]


def _curve(c: MeanCurves) -> dict[str, Any]:
    entry: dict[str, Any] = {"side": c.side, "n": c.n, "unit": c.unit, "percent_of_contact": list(range(101))}
    for j, name in enumerate(("forward", "up", "right")):
        entry[f"force_{name}"] = c.force[:, j]
        entry[f"force_{name}_sd"] = c.force_sd[:, j]
    for j, name in enumerate(("cop_along", "cop_towards_little_toe_m")):
        entry[name] = None if c.path is None else c.path[:, j]
        entry[f"{name}_sd"] = None if c.path_sd is None else c.path_sd[:, j]
    return entry


def _settings(record: GroundRecord) -> dict[str, Any]:
    own = attrs.asdict(record.settings)
    own["mass_from"], own["speed_from"] = record.mass_from, record.speed_from
    asked = record.options
    return {
        **own,
        "channels": dict(sorted((asked.roles or {}).items())),
        "unit": asked.unit,
        "length_unit": asked.length_unit,
        "rate_hz": asked.rate_hz,
    }


def force_json(record: GroundRecord) -> str:
    """Return force.json's text."""
    return json.dumps(force_to_dict(record), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def write_force_json(record: GroundRecord, file: Path) -> None:
    """Write force.json, UTF-8, keys in the order of the contract."""
    file.write_text(force_json(record), encoding="utf-8", newline="\n")


def write_force_measures_csv(record: GroundRecord, file: Path) -> None:
    """Write one row a measure and side; empty numbers and a reason where not measurable."""
    header = ("measure", "side", "unit", "value", "low_95", "high_95", "n_contacts", "method", "reason")
    names = ("measure", "side", "unit", "value", "low", "high", "n", "method", "reason")
    entries = [measure_entry(m) for m in record.result.measures]
    write_csv(file, [header, *([e.get(k) for k in names] for e in entries)])


def write_force_contacts_csv(record: GroundRecord, file: Path) -> None:
    """Write one row a contact, left-out ones too (with the reason and without values); three columns for each measure."""
    values = record.values_of()
    had = {v.measure for v in record.result.values}
    keys = [k for k in FORCE_REGISTRY if k in had]
    header = ["contact", "plate", "side"]
    for event in ("initial_contact_s", "toe_off_s"):
        header += [event, f"{event}_low_95", f"{event}_high_95"]
    header += ["left_out_because", "peak_N", "peak_BW", "vertical_impulse_BW_s"]
    for key in keys:
        name = column_name(key, FORCE_REGISTRY[key].unit)
        header += [name, f"{name}_low_95", f"{name}_high_95"]
    rows: list[list[Any]] = [header]
    for c in record.result.contacts:
        own = values.get(c.index, {})
        row: list[Any] = [c.index, plate_name(record, c), c.side, *_times(c), c.excluded, *_whole(c, record)]
        for key in keys:
            v = own.get(key)
            row += [v.value, v.low, v.high] if v else [None, None, None]
        rows.append(row)
    write_csv(file, rows)
