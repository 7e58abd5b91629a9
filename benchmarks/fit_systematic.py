"""Find what the joint map leaves in each measure, and keep it with the map (``systematic`` in ``anatomy.json``).

    python benchmarks/fit_systematic.py FOLDER --truth DIR [--cache DIR] [--write]

FOLDER and ``--cache`` as for ``fit_anatomy.py``; ``--truth`` holds one JSON file a film with the true measures of each contact. Each
film is measured with a map fitted on the *other* films and (side view) with its true contacts, and the mean error of each measure
and leg is noted. Their root mean square over films and legs is the 1-SD systematic error that every interval contains. (It is
not widened for the small number of films: each of these maps has seen fewer films than the one that ships.) Films the product is judged on must not be in FOLDER.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import attrs
import numpy as np

import fit_anatomy
from films import compare
from midstance.assess import measure
from midstance.assess.reading import FilmReading
from midstance.assess.settings import Settings
from midstance.film.clock import CaptureClock, timing_report
from midstance.film.reader import probe
from midstance.gait.events import EventReport
from midstance.gait.model import SIDES, Event, Runner
from midstance.pose import anatomy
from midstance.pose.clean import clean, direction_of_travel, near_side
from midstance.pose.find import RunnerSearch

TARGET = Path(__file__).parent.parent / "src" / "midstance" / "pose" / "data" / "anatomy.json"
#: Measures that hold no joint: their errors come from the events.
TIMES = ("time", "duty_factor", "cadence", "speed", "step_length", "stiffness", "force")


def reading_of(folder: Path, cache: Path | None) -> FilmReading:
    """Return a film's reading without its fitness checks."""
    raw = fit_anatomy.raw_track(folder, cache)
    info = probe(folder / "video.mp4")
    truth = json.loads((folder / "truth.json").read_text())
    view = truth["args"]["view"].split("_")[0]
    cleaned = clean(raw, raw.file_time_s, view)
    direction = direction_of_travel(cleaned.paths)[0] if view == "side" else None
    return FilmReading(
        view=view, path=folder / "video.mp4", info=info, sha256="", clock=CaptureClock(1.0, truth["fps"], "file"),
        timing=timing_report(raw.file_time_s), search=RunnerSearch((), (), 0), raw=raw, cleaned=cleaned,
        joints=cleaned.paths, direction=direction, near=near_side(direction) if direction else None, quality=(),
        notes=(), shown_frames=len(raw.index), runtime="",
    )  # fmt: skip


def true_events(folder: Path, view: str) -> EventReport:
    """Return the film's true contacts and toe-offs as the detector would give them."""
    truth = json.loads((folder / "truth.json").read_text())
    events = [
        Event(view, e["side"], kind, e[key], e[key] - 0.002, e[key] + 0.002)
        for e in truth["events"]
        for kind, key in (("initial_contact", "ic"), ("toe_off", "to"))
    ]
    return EventReport(tuple(sorted(events, key=lambda e: e.time_s)), 120 / truth["summary"]["cadence_spm"], ())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--truth", type=Path, required=True)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    zeros = {Path(k).name: v for k, v in json.loads((args.folder / "foot_zero.json").read_text()).items()}
    folders = [
        f for f in sorted(args.folder.glob("train_*"))
        if (f / "truth.json").is_file() and (args.truth / f"{f.name}.json").is_file() and f.name in zeros
    ]  # fmt: skip
    readings = {f.name: reading_of(f, args.cache) for f in folders}
    sets = {f.name: fit_anatomy.samples(f, args.cache, zeros[f.name])[1] for f in folders}
    result: dict[str, dict[str, float]] = {}
    for view in ("side", "rear", "front"):
        names = [f for f in folders if readings[f.name].view == view]
        if len(names) < 3:
            continue
        errors: dict[str, list[float]] = {}
        for folder in names:
            measured = _measured(folder, readings[folder.name], [sets[f.name] for f in names if f != folder])
            found = compare(measured, json.loads((args.truth / f"{folder.name}.json").read_text()))
            for key, m in found["measures"].items():
                if not any(word in key for word in TIMES):
                    for side in SIDES:
                        if m[f"{side}_bias"] is not None:
                            errors.setdefault(key, []).append(m[f"{side}_bias"])
        result[view] = {k: float(f"{np.sqrt(np.mean(np.square(e))):.3g}") for k, e in sorted(errors.items())}
        print(view, len(names), "films")
        for key, value in result[view].items():
            print(f"  {key:34s} {value:.3g}   (mean {np.mean(errors[key]):+.3g})")
    if args.write:
        kept = json.loads(TARGET.read_text())
        kept["systematic"] = result
        TARGET.write_text(json.dumps(kept, indent=1) + "\n")
        print("written", TARGET)


def _measured(folder: Path, reading: FilmReading, others: list[dict]) -> measure.FilmMeasures:
    tables = {}
    for key in others[0]:
        films = [s[key] for s in others if key in s]
        allowed = [p for p in fit_anatomy.PENALTIES if p >= 1.0]
        tables[key] = fit_anatomy.ridge(
            np.concatenate([f[0] for f in films]), np.concatenate([f[1] for f in films]), allowed[1]
        )
    held_out = anatomy.AnatomyMap({reading.view: tables}, {}, "without this film")
    joints = anatomy.to_joints(reading.joints, direction=reading.direction, near=reading.near, joint_map=held_out)
    truth = json.loads((folder / "truth.json").read_text())
    settings = Settings(
        films={reading.view: reading.path}, speed_mps=truth["summary"]["belt_speed_m_s"],
        runner=Runner(height_m=truth["body"]["height"]),
    )  # fmt: skip
    detector = measure.find_events_report
    if reading.view == "side":
        # Behind and in front the detected events stay: what they do to an excursion is not random from stride to stride.
        measure.find_events_report = lambda plane: true_events(folder, reading.view)
    try:
        return measure.measure_film(attrs.evolve(reading, joints=joints), settings)
    finally:
        measure.find_events_report = detector


if __name__ == "__main__":
    main()
