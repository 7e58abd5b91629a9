"""Refit the plain event reading, for points detected in pictures, on recordings and film landmarks together.

    python benchmarks/fit_film_events.py --data DIR --rendered FOLDER [--cache DIR] [--write]

DIR as for ``fit_events.py``; FOLDER and ``--cache`` as for ``fit_anatomy.py``: rendered films with known contacts, none of those
the product is judged on. ``train_*`` films show invented runners; ``rbds_*`` films show figures driven by joint angles measured
on the runners of DIR. Markers say how people land; landmarks read from films say what a landmark network makes of
a foot, above all of one it can hardly see from behind. The plain reading has to serve all of them. Printed: errors with each
film, or each runner (recordings and films of them), left out; and with each kind of film left out. ``--write`` puts maps
and variances into the file that ships; everything else in it stays.
"""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path

import attrs
import numpy as np

import fit_anatomy
import fit_events
from fit_events import Errors, Example, FilmSettings, LocatorSums, Sets
from midstance.camera.plane import to_plane
from midstance.gait.events import KINDS
from midstance.gait.events_model import COEFFICIENT_FILE, EventModel, KindModel, Reading
from midstance.gait.events_waves import align_strides, leg_paths, leg_period, rough_marks
from midstance.gait.model import SIDES, EventKind, View
from midstance.pose.anatomy import to_joints
from midstance.pose.clean import clean, direction_of_travel, near_side

TARGET = Path(__file__).resolve().parents[1] / "src" / "midstance" / "gait" / "data" / COEFFICIENT_FILE
#: Weight in the fit of all recordings, all films of measured runners and all films of invented ones. Where there is none of a
#: kind, the others share.
WEIGHTS = {"recordings": 0.25, "films_of_measured_runners": 0.5, "films_of_invented_runners": 0.25}
#: Share that films whose kind took no part in the fit have in the size of the intervals. A film of a person is of another kind
#: than any film of the fit, and figures of different origin land and leave differently.
STRANGE_SHARE = 0.5


def film_examples(folder: Path, cache: Path | None, number: int, kind: EventKind, offset_s: float) -> list[Example]:
    """Cut and align the strides of a rendered film's landmarks."""
    raw = fit_anatomy.raw_track(folder, cache)
    truth = json.loads((folder / "truth.json").read_text())
    # Where the movement was measured, contacts by force are known too, also those cut by the film's ends.
    forces = folder / "force_events.json"
    contacts = json.loads(forces.read_text())["contacts"] if forces.is_file() else truth["events"]
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
            [e["ic" if kind == "initial_contact" else "to"] for e in contacts if e["side"] == side]
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


@attrs.frozen(eq=False)
class Group:
    """Legs of one film, or of the recordings of one runner.

    ``unit`` names what they are left out with: a runner (their recordings, and films of them) or a film of an invented
    runner; ``kind_of`` is a key of ``WEIGHTS``.
    """

    unit: str
    kind_of: str
    examples: list[Example]
    sums: tuple[LocatorSums, ...]


def group(unit: str, kind_of: str, examples: list[Example], sets: Sets, kind: EventKind) -> Group:
    """Sum up what a group of legs teaches each locator."""
    return Group(unit, kind_of, examples, tuple(fit_events.locator_sums(examples, f, kind) for f, _ in sets))


def leg_weights(groups: list[Group]) -> dict[str, float]:
    """Return the weight of one leg of each kind."""
    legs = {k: sum(len(g.examples) for g in groups if g.kind_of == k) for k in WEIGHTS}
    return {k: w / legs[k] for k, w in WEIGHTS.items() if legs[k]}


def fit_plain(groups: list[Group], sets: Sets) -> Reading:
    """Teach the reading."""
    weight = leg_weights(groups)
    locators = []
    for i, (features, penalty) in enumerate(sets):
        parts = [(len(g.examples) * weight[g.kind_of], g.sums[i]) for g in groups]
        locators.append(fit_events.solve_locator(features, parts, penalty))
    return Reading(tuple(locators), fit_events.NO_VARIANCE, 0.002)


@attrs.frozen(eq=False)
class LeftOut:
    """Errors under fits without each unit, by kind of leg: events as ``Errors``, legs' common times in ms (NaN where lost)."""

    events: dict[str, list[Errors]]
    legs_ms: dict[str, list[float]]


def left_out(groups: list[Group], sets: Sets, model: KindModel, kind: EventKind, *, by_kind: bool = False) -> LeftOut:
    """Try each unit, or with ``by_kind`` each kind of film, under a fit without it."""
    out = LeftOut({k: [] for k in WEIGHTS}, {k: [] for k in WEIGHTS})
    label = (lambda g: g.kind_of) if by_kind else (lambda g: g.unit)
    for unit in sorted({label(g) for g in groups} - {"recordings"}):
        reading = fit_plain([g for g in groups if label(g) != unit], sets)
        tried = attrs.evolve(model, plain=reading)
        for g in groups:
            if label(g) != unit:
                continue
            for e in g.examples:
                errors = fit_events.errors_of([e], tried, kind, plain=True)
                found = len(errors.error_s) > 0
                out.legs_ms[g.kind_of].append(1000 * float(errors.common_error_s[0]) if found else float("nan"))
                if found:
                    out.events[g.kind_of].append(errors)
    return out


def calibrated(reading: Reading, known: LeftOut, strange: LeftOut) -> Reading:
    """Set the variance so that 95 % intervals hold 95 % of the events left out, each kind of leg by its weight."""
    joined, weights = [], []
    for errors, share in ((known, 1 - STRANGE_SHARE), (strange, STRANGE_SHARE)):
        total = sum(WEIGHTS[k] for k, parts in errors.events.items() if parts)
        for k, parts in errors.events.items():
            joined += parts
            weights += [np.full(len(p.error_s), share * WEIGHTS[k] / total / len(parts) / len(p.error_s)) for p in parts]
    variance = fit_events.fit_variance(fit_events.joined(joined), np.concatenate(weights))
    own = [p.error_s - p.common_error_s for k, parts in known.events.items() if k != "recordings" for p in parts]
    return attrs.evolve(reading, variance=variance, own_sigma_s=float(np.std(np.concatenate(own))))


def unit_of(folder: Path) -> str:
    """Return what a film is left out with: the runner whose movement it shows, or itself."""
    runner = re.search(r"rbds_runner(\d\d)", folder.name)
    return f"runner {int(runner.group(1))}" if runner else folder.name


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
    stored = json.loads(args.out.read_text(encoding="utf-8"))
    shipped = EventModel.from_dict(stored)
    figures = {}
    for view in args.views:
        folders = sorted(args.rendered.glob(f"train_{view}_*"))
        if view == "side":
            # From behind, the eight films of measured runners there are made errors on all others larger.
            folders += sorted(args.rendered.glob("rbds_*_side*"))
        for kind in KINDS:
            sets = fit_events.PLAIN[view, kind]
            offset_s, people = fit_events.build_examples(recordings, view, kind, args.films, 1)
            groups = [
                group(f"runner {r}", "recordings", [e for e in people if e.runner == r], sets, kind)
                for r in sorted({e.runner for e in people})
            ]
            for i, folder in enumerate(folders):
                unit = unit_of(folder)
                legs = film_examples(folder, args.cache, i, kind, offset_s)
                if legs and unit not in {f"runner {r}" for r in args.leave_out}:
                    kind_of = "films_of_invented_runners" if unit == folder.name else "films_of_measured_runners"
                    groups.append(group(unit, kind_of, legs, sets, kind))
            errors = left_out(groups, sets, shipped.kinds[view, kind], kind)
            strange = errors
            if len({g.kind_of for g in groups}) > 2:  # with one kind of film there is nothing left to learn films from
                strange = left_out(groups, sets, shipped.kinds[view, kind], kind, by_kind=True)
            figures[f"{view}/{kind}"] = {
                **{k: show(e) for k, e in errors.legs_ms.items() if e},
                **{f"{k}_none_in_the_fit": show(e) for k, e in strange.legs_ms.items() if e and strange is not errors},
            }
            print(view, kind, figures[f"{view}/{kind}"], flush=True)
            reading = calibrated(fit_plain(groups, sets), errors, strange)
            print("   own", round(1000 * reading.own_sigma_s, 1), "ms; variance", reading.variance, flush=True)
            stored["models"][f"{view}/{kind}"]["plain"] = reading.to_dict()
    if args.write:
        earlier = stored["provenance"].get("plain_reading", {}).get("errors_of_legs_left_out_ms", {})
        stored["provenance"]["plain_reading"] = {
            "fitted_by": "benchmarks/fit_film_events.py",
            "data": "the recordings, and landmarks of rendered films (contact: the sole on the belt)",
            "errors_of_legs_left_out_ms": {**earlier, **figures},
        }
        text = json.dumps(stored, ensure_ascii=False).replace('"models":', '\n"models":').replace('"side/', '\n"side/')
        args.out.write_text(text + "\n", encoding="utf-8")
        EventModel.from_json(text)  # it must still load
        print("written", args.out)


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
