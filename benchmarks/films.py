"""Hold the whole chain, film to measures, against rendered films with known truth.

    python benchmarks/films.py FOLDER … [--truth DIR] [--json FILE]

Each FOLDER holds ``video.mp4``, ``truth.json`` and ``args`` (view, speed m/s, height m, surface). Printed for each film: events,
cadence, contact time; for each measure the median absolute error over contacts and how often the 95 % interval of a
contact holds the truth. The truth of angles is that of ``truth.json`` unless ``--truth`` names a folder with finer ones.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any

import numpy as np

from midstance.assess.measure import FilmMeasures, measure_film
from midstance.assess.reading import read_film
from midstance.assess.settings import Settings
from midstance.gait.model import Runner


def run(folder: Path, **options: Any) -> tuple[FilmMeasures, Settings]:
    """Measure one film of the set with what its ``args`` say."""
    truth = json.loads((folder / "truth.json").read_text())
    view = truth["args"]["view"].split("_")[0]
    height = float(truth["body"]["height"])
    settings = Settings(
        films={view: folder / "video.mp4"},
        speed_mps=float(truth["summary"]["belt_speed_m_s"]),
        runner=Runner(height_m=height),
        **options,
    )
    return measure_film(read_film(view, folder / "video.mp4", settings, lambda *_: None), settings), settings


def film_truth(folder: Path, finer: Path | None) -> dict[str, Any]:
    """Return {"contacts": [{side, initial_contact_s, toe_off_s, measures}], "mean": …} of one film."""
    for place in ([finer / f"{folder.name}.json", finer / "clips" / f"{folder.name}.json"] if finer else []):
        if place.is_file():
            return json.loads(place.read_text())  # type: ignore[no-any-return]
    raw = json.loads((folder / "truth.json").read_text())
    contacts = []
    for e in raw["events"]:
        at = e["at_ic"]
        contacts.append(
            {
                "side": e["side"],
                "initial_contact_s": e["ic"],
                "toe_off_s": e["to"],
                "measures": {
                    "contact_time": e["contact_time"],
                    "knee_flexion_contact": at["knee_flexion_surface"],
                    "thigh_angle_contact": at["thigh_surface"],
                    "shank_angle_contact": -at["shank"],
                    "trunk_lean_contact": at["trunk_lean"],
                    "foot_ahead_of_com": at["ankle_ahead_of_com_m"],
                    "foot_ahead_of_hip": at["ankle_ahead_of_hip_m"],
                },
            }
        )
    return {"contacts": contacts, "cadence_steps_min": raw["summary"]["cadence_spm"]}


def compare(measured: FilmMeasures, truth: dict[str, Any]) -> dict[str, Any]:
    """Hold one film's measures against its truth."""
    contacts = truth["contacts"]
    first = min(c["initial_contact_s"] for c in contacts)
    last = max(c["toe_off_s"] for c in contacts)
    out: dict[str, Any] = {"events": {}, "measures": {}}
    for kind, key in (("initial_contact", "initial_contact_s"), ("toe_off", "toe_off_s")):
        errors, missed, invented, held = [], 0, 0, []
        for side in ("left", "right"):
            ours = [e for e in measured.events if e.kind == kind and e.side == side]
            inside = [e for e in ours if first - 0.08 <= e.time_s <= last + 0.08]
            wanted = np.array([c[key] for c in contacts if c["side"] == side])
            found = np.array([e.time_s for e in inside])
            # A film's first and last half stride lie outside what the detector can see: not misses.
            seen = wanted[(wanted > measured.result.start_s + 0.25) & (wanted < first + measured.result.duration_s - 0.35)]
            missed += sum(not len(found) or np.abs(found - w).min() > 0.08 for w in seen)
            invented += sum(not len(wanted) or np.abs(wanted - f).min() > 0.08 for f in found)
            for e in inside:
                d = e.time_s - wanted[np.abs(wanted - e.time_s).argmin()]
                if abs(d) <= 0.08:
                    errors.append(d)
                    held.append(e.low_s <= e.time_s - d <= e.high_s)
        e = 1000 * np.array(errors)
        out["events"][kind] = {
            "n": len(e), "missed": missed, "invented": invented, "bias_ms": float(e.mean()) if len(e) else None,
            "median_abs_ms": float(np.median(np.abs(e))) if len(e) else None,
            "p95_abs_ms": float(np.percentile(np.abs(e), 95)) if len(e) else None,
            "held": float(np.mean(held)) if held else None,
            "errors": [round(float(v), 2) for v in e], "holds": [bool(h) for h in held],
        }  # fmt: skip
    cadence = next(m for m in measured.measures if m.measure == "cadence" and m.side == "both")
    if cadence.value is not None:
        out["cadence_percent"] = 100 * (cadence.value / truth["cadence_steps_min"] - 1)
    times = {s.index: s for s in measured.stances}
    by_key: dict[str, list[tuple[str, float, bool]]] = {}
    for v in measured.stride_values:
        stance = times[v.stride]
        near = [c for c in contacts if c["side"] == v.side and abs(c["initial_contact_s"] - stance.ic.time_s) < 0.08]
        if near and near[0]["measures"].get(v.measure) is not None:
            wanted = near[0]["measures"][v.measure]
            by_key.setdefault(v.measure, []).append((v.side, v.value - wanted, v.low <= wanted <= v.high))
    for key, rows in by_key.items():
        e = np.array([r[1] for r in rows])
        out["measures"][key] = {
            "n": len(e), "bias": float(np.mean(e)), "median_abs": float(np.median(np.abs(e))),
            "held": float(np.mean([r[2] for r in rows])),
            "left_bias": _mean([r[1] for r in rows if r[0] == "left"]),
            "right_bias": _mean([r[1] for r in rows if r[0] == "right"]),
            "errors": [round(float(r[1]), 5) for r in rows], "holds": [bool(r[2]) for r in rows],
        }  # fmt: skip
    return out


def _mean(values: list[float]) -> float | None:
    return float(np.mean(values)) if values else None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--truth", type=Path)
    parser.add_argument("--json", type=Path)
    parser.add_argument("--rate", type=float, default=120.0)
    args = parser.parse_args()
    everything: dict[str, Any] = {}
    for folder in args.folders:
        began = time.perf_counter()
        measured, _ = run(folder, landmark_rate_hz=args.rate)
        result = compare(measured, film_truth(folder, args.truth))
        result["view"], result["near"] = measured.result.view, measured.result.near_side
        everything[folder.name] = result
        show(folder.name, result, measured, time.perf_counter() - began)
        if args.json:
            args.json.write_text(json.dumps(everything, indent=1))
    for views in (("side",), ("rear", "front")):
        pooled(everything, views)


def pooled(everything: dict[str, Any], views: tuple[str, ...]) -> None:
    """Print a Markdown table over the films of some views."""
    films = [r for r in everything.values() if r["view"] in views]
    if not films:
        return
    print(f"\n{' and '.join(views)}: {len(films)} films, cadence off by at most "
          f"{max(abs(r.get('cadence_percent', 0)) for r in films):.2f} %")  # fmt: skip
    print("| | n | bias | median abs. error | 95 % within | interval holds |\n|---|---|---|---|---|---|")
    for kind in ("initial_contact", "toe_off"):
        line(kind.replace("_", " "), [r["events"][kind] for r in films], 1, "ms")
    for key in dict.fromkeys(k for r in films for k in r["measures"]):
        scale, unit = unit_of(key)
        line(f"`{key}`", [r["measures"][key] for r in films if key in r["measures"]], scale, unit)


def line(name: str, rows: list[dict[str, Any]], scale: float, unit: str) -> None:
    """Print one row of the table."""
    e = scale * np.array([v for r in rows for v in r["errors"]])
    if len(e):
        held = np.mean([h for r in rows for h in r["holds"]])
        size = np.abs(e)
        print(f"| {name} | {len(e)} | {e.mean():+.1f} {unit} | {np.median(size):.1f} {unit} | "
              f"{np.percentile(size, 95):.1f} {unit} | {100 * held:.0f} % |")  # fmt: skip


def unit_of(key: str) -> tuple[float, str]:
    """Return the factor and unit in which a measure is printed."""
    if key in ("foot_ahead_of_hip", "foot_ahead_of_com", "vertical_oscillation", "step_width", "knee_separation"):
        return 100, "cm"
    if key.endswith("_time"):
        return 1000, "ms"
    return (100, "%") if key == "duty_factor" else (1, "°")


def show(name: str, result: dict[str, Any], measured: FilmMeasures, seconds: float) -> None:
    film = measured.result
    print(f"\n{name}: {film.view}, {film.frames} frames, {film.capture_fps:.0f} fps, {seconds:.0f} s, near {film.near_side}")
    scale = film.scale
    print(f"  scale {1000 * scale.m_per_px:.3f} mm/px ±{100 * scale.relative_sigma:.1f} %" if scale else "  no scale", film.scale_notes)
    print("  not good: " + "; ".join(f"{q.check} {q.value} {q.verdict}" for q in film.quality if q.verdict != "good"))
    print(f"  strides left out {len(measured.exclusions)}: " + "; ".join(f"{e.stride}: {e.reason}" for e in measured.exclusions)[:300])
    for kind, e in result["events"].items():
        print(f"  {kind}: " + ", ".join(
            f"{k} {v:.1f}" if isinstance(v, float) else f"{k} {v}" for k, v in e.items() if not isinstance(v, list)
        ))
    print(f"  cadence {result.get('cadence_percent', float('nan')):+.2f} %")
    for key, m in result["measures"].items():
        k, u = unit_of(key)
        left, right = m["left_bias"], m["right_bias"]
        print(
            f"  {key:32s} n {m['n']:3d} median {k * m['median_abs']:6.2f} {u:2s} bias {k * m['bias']:+6.2f} "
            f"(L {k * left if left is not None else float('nan'):+6.2f} R {k * right if right is not None else float('nan'):+6.2f}) held {100 * m['held']:.0f} %"
        )  # fmt: skip


if __name__ == "__main__":
    main()
