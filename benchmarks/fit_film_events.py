"""Refit the plain event reading, for legs unlike those of the recordings, on recordings and film landmarks together.

    python benchmarks/fit_film_events.py --data DIR --rendered FOLDER [--cache DIR] [--write]

DIR as for ``fit_events.py``; FOLDER and ``--cache`` as for ``fit_anatomy.py`` (rendered films with known contacts, none of those
the product is judged on). Markers say how people land; landmarks read from films say what a landmark network makes of
a foot, above all of one it can hardly see from behind. The plain reading has to serve both, so both have the same weight
in the fit. Printed: errors with each film, or each runner, left out. ``--write`` puts maps and variances into the file that
ships; everything else in it stays.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np

import fit_anatomy
import fit_events
from fit_events import Example, FilmSettings, Floats
from midstance.camera.plane import to_plane
from midstance.gait.events import KINDS
from midstance.gait.events_model import COEFFICIENT_FILE, PLAIN, EventModel, FeatureSet, Locator, mean_wave
from midstance.gait.events_waves import align_strides, leg_paths, leg_period, rough_marks
from midstance.gait.model import SIDES, EventKind, View
from midstance.pose.anatomy import to_joints
from midstance.pose.clean import clean, direction_of_travel, near_side

TARGET = Path(__file__).resolve().parents[1] / "src" / "midstance" / "gait" / "data" / COEFFICIENT_FILE
#: Ridge penalty for each view: few films are seen from behind and in front.
PENALTY: dict[str, float] = {"side": 0.05, "rear": 0.3, "front": 0.05}
#: Weight of all film landmarks together against all recordings together.
FILM_SHARE = 0.5


def film_examples(folder: Path, cache: Path | None, number: int, kind: EventKind, offset_s: float) -> list[Example]:
    """Cut and align the strides of a rendered film's landmarks."""
    raw = fit_anatomy.raw_track(folder, cache)
    truth = json.loads((folder / "truth.json").read_text())
    view: View = truth["args"]["view"].split("_")[0]
    paths = clean(raw, raw.file_time_s, view).paths
    direction = direction_of_travel(paths)[0] if view == "side" else None
    near = near_side(direction) if direction else None
    plane = to_plane(
        to_joints(paths, direction=direction, near=near), cutoff_hz=None, direction=direction, near_side=near  # type: ignore[arg-type]
    )
    out = []
    for side in SIDES:
        leg = leg_paths(plane, side)
        period = None if leg is None else leg_period(leg, view)
        if leg is None or period is None:
            continue
        guess = rough_marks(leg, period.period_s, fit_events.MARKS[view, kind]) + offset_s
        guess = guess[(guess > leg.time_s[0] + 0.05) & (guess < leg.time_s[-1] - 0.05)]
        if len(guess) < 2:
            continue
        waves = align_strides(leg, kind, guess, fit_events.ACCELERATION_HZ[kind])
        wanted = np.array(
            [e["ic" if kind == "initial_contact" else "to"] for e in truth["events"] if e["side"] == side]
        )
        difference = wanted[np.abs(wanted[None, :] - waves.centre_s[:, None]).argmin(axis=1)] - waves.centre_s
        known = np.abs(difference) < 0.15
        difference[~known] = np.nan
        chosen = known & (waves.fit >= fit_events.LEAST_FIT)
        if chosen.any():
            settings = FilmSettings(rate_hz=leg.time_s.size / np.ptp(leg.time_s))
            speed = float(truth["summary"]["belt_speed_m_s"])
            out.append(Example(1000 + number, speed, "", settings, waves, difference, chosen))
    return out


def fit_plain(examples: list[Example], features: FeatureSet, kind: EventKind, penalty: float) -> Locator:
    """Teach the locator; recordings and films have the same weight in all."""
    maps = []
    for spread, n in fit_events.LOCATOR_SPREADS:
        pairs, weights = [], []
        film_legs = sum(e.runner >= 1000 for e in examples)
        for e in examples:
            rows = rows_of(e, features, kind, spread, n)
            if rows is not None:
                pairs.append(rows)
                share = FILM_SHARE / max(film_legs, 1) if e.runner >= 1000 else (1 - FILM_SHARE) / (len(examples) - film_legs)
                weights.append(np.full(len(rows[1]), share / len(rows[1])))
        x, y = np.concatenate([r[0] for r in pairs]), np.concatenate([r[1] for r in pairs])
        maps.append(fit_events.ridge(x, y, np.concatenate(weights), penalty))
    return Locator(features, tuple(maps), (1e-6, 0.0, 0.0, 0.0))


def rows_of(e: Example, features: FeatureSet, kind: EventKind, spread_ms: float, n: int) -> tuple[Floats, Floats] | None:
    """Rows of a leg around its true event."""
    reader = mean_wave(e.waves, e.chosen)
    if reader is None:
        return None
    true_offset = float(e.truth_s[e.chosen].mean())
    off = np.linspace(-spread_ms, spread_ms, n) * 1e-3
    return np.array([features.read(reader, true_offset + o, kind) for o in off]), -off


def common_errors_ms(examples: list[Example], locator: Locator, kind: EventKind, offset_s: float) -> list[float]:
    """Errors of the legs' common event times, ms, starting from the usual offset as in use."""
    out = []
    for e in examples:
        reader = mean_wave(e.waves, e.chosen)
        at = None if reader is None else locator.find(reader, kind)
        if at is not None:
            out.append(1000 * (at - float(e.truth_s[e.chosen].mean())))
        else:
            out.append(float("nan"))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--rendered", type=Path, required=True)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--films", type=int, default=4)
    parser.add_argument("--out", type=Path, default=TARGET, help="coefficient file whose plain reading is replaced")
    parser.add_argument("--leave-out", type=int, nargs="*", default=[])
    parser.add_argument("--views", nargs="+", default=["side", "rear", "front"], choices=["side", "rear", "front"])
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    recordings = [r for r in fit_events.load_recordings(args.data) if r.runner not in args.leave_out]
    # Read as plain values: the maps that are replaced may have been fitted with other features.
    stored = json.loads(args.out.read_text(encoding="utf-8"))
    figures = {}
    for view in args.views:
        folders = sorted(args.rendered.glob(f"train_{view}_*"))
        for kind in KINDS:
            offset_s, people = fit_events.build_examples(recordings, view, kind, args.films, 1)
            rendered = {f.name: film_examples(f, args.cache, i, kind, offset_s) for i, f in enumerate(folders)}
            features = PLAIN[view, kind]
            left_out: list[float] = []
            for name, own in rendered.items():
                rest = [e for n, es in rendered.items() if n != name for e in es]
                left_out += common_errors_ms(own, fit_plain(people + rest, features, kind, PENALTY[view]), kind, offset_s)
            people_errors: list[float] = []
            everything = [e for es in rendered.values() for e in es]
            for runner in sorted({e.runner for e in people}):
                locator = fit_plain([e for e in people if e.runner != runner] + everything, features, kind, PENALTY[view])
                people_errors += common_errors_ms([e for e in people if e.runner == runner], locator, kind, offset_s)
            figures[f"{view}/{kind}"] = {"films_left_out": show(left_out), "runners_left_out": show(people_errors)}
            print(view, kind, "films left out", show(left_out), "people", show(people_errors), flush=True)
            sigma = pooled_sigma_ms(left_out, people_errors) / 1000
            locator = fit_plain(people + everything, features, kind, PENALTY[view])
            stored["models"][f"{view}/{kind}"]["plain"] = {
                "maps": [m.to_dict() for m in locator.maps],
                "variance": [float(f"{sigma**2:.4g}"), 0.0, 0.0, 0.0],
            }
    if args.write:
        earlier = stored["provenance"].get("plain_reading", {}).get("errors_of_legs_left_out_ms", {})
        stored["provenance"]["plain_reading"] = {
            "fitted_by": "benchmarks/fit_film_events.py",
            "data": "the recordings, and landmarks of rendered films with invented motion (contact: the sole on the belt)",
            "errors_of_legs_left_out_ms": {**earlier, **figures},
        }
        text = json.dumps(stored, ensure_ascii=False).replace('"models":', '\n"models":').replace('"side/', '\n"side/')
        args.out.write_text(text + "\n", encoding="utf-8")
        EventModel.from_json(text)  # it must still load
        print("written", args.out)


def pooled_sigma_ms(films: list[float], people: list[float]) -> float:
    """1-SD error, ms, whose 95 % interval holds 95 % of the errors left out, films and people weighing the same."""
    parts = [np.abs(np.array(e))[np.isfinite(e)] for e in (films, people)]
    errors = np.concatenate(parts)
    weights = np.concatenate([np.full(len(p), 1 / len(p)) for p in parts])
    order = np.argsort(errors)
    share = np.cumsum(weights[order]) / weights.sum()
    return float(errors[order][np.searchsorted(share, 0.95)]) / 1.96


def show(errors_ms: list[float]) -> dict[str, float]:
    """Summarise errors, ms."""
    e = np.array(errors_ms)
    lost = int(np.isnan(e).sum())
    e = e[np.isfinite(e)]
    return {
        "legs": len(e), "lost": lost, "bias_ms": round(float(e.mean()), 1),
        "median_abs_ms": round(float(np.median(np.abs(e))), 1), "p95_abs_ms": round(float(np.percentile(np.abs(e), 95)), 1),
    }  # fmt: skip


if __name__ == "__main__":
    main()
