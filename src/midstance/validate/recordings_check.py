"""Events and angles of recordings with force truth: everything that ``midstance validate --data`` says."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import attrs
import numpy as np

from midstance.gait.angle_accuracy import AngleRow, angle_table, recorded_courses
from midstance.gait.events import find_events_report
from midstance.gait.events_left_out import coefficients_without, known_runner
from midstance.gait.events_model import EventModel, default_model
from midstance.gait.events_published import PUBLISHED, PublishedRule, published_events
from midstance.gait.model import Event, PlanePaths
from midstance.validate.events_check import (
    END_S,
    Rows,
    both_kinds,
    contact_time,
    coverage,
    judge,
    near_ends,
    plane_paths,
    truth_of,
)
from midstance.validate.recordings import STRIKES, Failure, Recording

Progress = Callable[[str, float], None]

#: The vertical force at which a contact begins and ends in the recordings, N. Part of what the words mean.
THRESHOLD_N = 50
RATES_HZ, NOISES_MM = (60.0, 120.0, 240.0), (0.0, 3.0, 6.0)
#: Published rules are off by more than ours, so pairs may be further apart for them, s.
RULE_PAIR_S = 0.2
LEFT_OUT = "coefficients fitted without this runner"
UNSEEN = "coefficients of the package; this runner took no part in fitting them"


def model_for(recording: Recording) -> tuple[EventModel, int | None]:
    """Return the coefficients to judge a recording with, and its runner's number where that runner took part in the fit."""
    runner = known_runner(
        recording.contacts["contact_on_s"], mass_kg=recording.mass_kg, height_cm=recording.height_cm
    )
    return (default_model(), None) if runner is None else (coefficients_without(runner), runner)


def check_recordings(
    recordings: Sequence[Recording],
    progress: Progress,
    *,
    failures: Sequence[Failure] = (),
    skipped: Sequence[str] = (),
    rates_hz: Sequence[float] = RATES_HZ,
    noises_mm: Sequence[float] = NOISES_MM,
) -> dict[str, Any]:
    """Find the events of recordings, hold them against force, and return the figures, JSON-ready.

    Parameters
    ----------
    recordings : at least one.
    failures, skipped : what the folder held besides; named in the result.
    rates_hz, noises_mm : every pair of them is one more condition that all recordings are judged in.
    """
    pairs = [(r, n) for r in rates_hz for n in noises_mm]
    total = len(recordings) * (2 + len(pairs))
    done = 0

    def step() -> None:
        nonlocal done
        done += 1
        progress("recordings against force", min(done / total, 1.0))

    models = {rec.name: model_for(rec) for rec in recordings}
    recorded = Rows()
    notes: list[str] = []
    faults = list(failures)
    good: list[Recording] = []
    for rec in recordings:
        try:
            report = find_events_report(plane_paths(rec), model=models[rec.name][0], source="markers")
        except Exception as error:  # whatever one recording does, the others are to be judged
            faults.append(Failure(rec.name, f"a fault of the program: {type(error).__name__}: {error}"))
            continue
        good.append(rec)
        recorded += judge(truth_of(rec), report.events, float(rec.time_s[0]), float(rec.time_s[-1]))
        notes += [f"{rec.name}: {note}" for note in (*rec.notes, *report.notes)]
        step()
    recordings = good
    rules = {p.name: Rows() for p in PUBLISHED}
    for rec in recordings:
        for name, events in rule_events(plane_paths(rec)).items():
            rules[name] += judge(
                truth_of(rec), events, float(rec.time_s[0]), float(rec.time_s[-1]), pair_s=RULE_PAIR_S
            )
        step()
    conditions: list[tuple[float, float, Rows]] = []
    for rate, noise in pairs:
        rows = Rows()
        for rec in recordings:
            paths = plane_paths(rec, rate_hz=rate, noise_m=noise / 1e3)
            report = find_events_report(paths, model=models[rec.name][0], source="markers")
            rows += judge(truth_of(rec), report.events, float(paths.time_s[0]), float(paths.time_s[-1]))
            step()
        conditions.append((rate, noise, rows))
    return {
        **_data(recordings, models, recorded, rules, conditions, angle_rows(recordings)),
        "notes": notes,
        "failed": [attrs.asdict(f) for f in faults],
        "skipped_files": list(skipped),
    }


def rule_events(plane: PlanePaths) -> dict[str, list[Event]]:
    """Return the events of each published rule, without intervals."""
    return {
        name: [
            Event("side", side, kind, float(t), float(t), float(t))
            for (side, kind), times in found.items()
            for t in times
        ]
        for name, found in published_events(plane).items()
    }


def angle_rows(recordings: Sequence[Recording]) -> list[AngleRow]:
    """Return the table of plane angles against a joint model's, empty where no recording has those."""
    courses = []
    for rec in recordings:
        if rec.reference is not None and "time_s" in rec.reference:
            courses += recorded_courses(rec.as_mapping(), rec.reference, label=rec.name)
    return angle_table(courses)


def _classes(rows: Rows, field: str) -> dict[str, Any]:
    order = [*STRIKES, "unknown"] if field == "strike" else []
    found = sorted(rows.values(field), key=lambda v: (order.index(v) if v in order else 0, v))
    return {value: both_kinds(rows.where(**{field: value})) for value in found}


def _data(
    recordings: Sequence[Recording],
    models: dict[str, tuple[EventModel, int | None]],
    recorded: Rows,
    rules: dict[str, Rows],
    conditions: list[tuple[float, float, Rows]],
    angles: list[AngleRow],
) -> dict[str, Any]:
    runners: dict[str, Any] = {}
    for rec in recordings:
        fitted = models[rec.name][1]
        one = runners.setdefault(
            rec.runner,
            {"judged_with": UNSEEN if fitted is None else LEFT_OUT, "left_out": fitted is not None, "recordings": []},
        )
        one["recordings"].append(rec.name)
        if one["left_out"] != (fitted is not None):
            one["judged_with"] = f"{LEFT_OUT}, or, where it was not recognised, those of the package"
    for name, one in runners.items():
        mine = recorded.where(runner=name)
        one.update(events=both_kinds(mine), contact_time=contact_time(mine), coverage=coverage(mine))
    return {
        "events": both_kinds(recorded),
        "contact_time": contact_time(recorded),
        "by_speed": _classes(recorded, "speed"),
        "by_strike": _classes(recorded, "strike"),
        "threshold_n": THRESHOLD_N,
        "coverage": {
            **coverage(recorded),
            "by_speed": {v: coverage(recorded.where(speed=v)) for v in recorded.values("speed")},
            "by_strike": {v: coverage(recorded.where(strike=v)) for v in recorded.values("strike")},
        },
        "conditions": [
            {
                "rate_hz": rate,
                "noise_mm": noise,
                "events": both_kinds(rows),
                "contact_time": contact_time(rows),
                "coverage": coverage(rows),
                "by_speed": _classes(rows, "speed"),
                "by_strike": _classes(rows, "strike"),
            }
            for rate, noise, rows in conditions
        ],
        "published_rules": {p.name: _rule(p, rules[p.name]) for p in PUBLISHED},
        "angles": [{k: _plain(v) for k, v in attrs.asdict(row).items()} for row in angles],
        "runners": runners,
        "ends_s": END_S,
        "not_found_near_ends": near_ends(recorded),
    }


def _rule(rule: PublishedRule, rows: Rows) -> dict[str, Any]:
    """Return a rule's figures and source; None for a kind that it has no say on."""
    out: dict[str, Any] = {
        "source": f"{rule.source}, doi {rule.doi}" if rule.doi else rule.source,
        "rule_known": rule.status,
        "made_for": rule.made_for,
    }
    for kind, figures in both_kinds(rows).items():
        errors = np.array([r.error_ms for r in rows.events if r.kind == kind and r.outcome == "matched"])
        if len(errors):
            size = np.abs(errors - errors.mean())
            figures["median_abs_ms_without_bias"] = round(float(np.median(size)), 3)
            figures["p95_abs_ms_without_bias"] = round(float(np.percentile(size, 95)), 3)
        out[kind] = figures if kind in rule.kinds else None
    return out


def _plain(value: Any) -> Any:
    if isinstance(value, float):
        return round(value, 4) if np.isfinite(value) else None
    return value
