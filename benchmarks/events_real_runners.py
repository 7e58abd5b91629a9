"""How well contacts and toe-offs are found in real running, against force: runners left out of the fit.

    python benchmarks/events_real_runners.py --data DIR [--rates 60 120 240] [--noise-mm 0 3 6] [--view side]
        [--films 6] [--shipped] [--rules]

DIR as in ``fit_events.py`` (13 runners x 3 speeds, 12 s each). For each runner the coefficients are fitted
without them; with --shipped the coefficients of the package are used instead (those have seen all runners:
only good for a look). Markers are projected to the view and resampled to each frame rate, white noise of the
given RMS is added to every coordinate, and the whole event finder is run on the result. --rules adds
published rules on the same paths.

Truth: vertical force >= 50 N after 50 Hz low-pass, 300 Hz, so rounded to 3.3 ms. Errors are found minus true,
ms.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from fit_events import (
    CITATION,
    FilmSettings,
    KindFit,
    Recording,
    build_examples,
    load_recordings,
    make_film,
)
from midstance.gait.event_accuracy import contact_time_accuracy, match_events
from midstance.gait.events import KINDS, find_events_report
from midstance.gait.events_model import EventModel, KindModel, default_model
from midstance.gait.events_published import PUBLISHED, published_events
from midstance.gait.model import SIDES, EventKind, View

#: Events nearer than this to an end of the film needn't be found, s.
END_S = 0.15


@attrs.frozen
class Row:
    """A found event with its truth; or a miss (error NaN, not found), or an invention (error NaN, found)."""

    runner: int
    speed: float
    strike: str
    kind: EventKind
    found: bool
    error_ms: float
    inside_interval: bool
    condition: str


def models_without_each(recordings: list[Recording], view: View, films: int, seed: int) -> dict[int, EventModel]:
    """Fit one model per runner without that runner; intervals, too, come from the other runners alone."""
    kinds: dict[int, dict[tuple[View, EventKind], KindModel]] = {r.runner: {} for r in recordings}
    for kind in KINDS:
        offset_s, examples = build_examples(recordings, view, kind, films, seed)
        fit = KindFit(examples, view, kind, offset_s)
        for runner in kinds:
            kinds[runner][view, kind] = fit.calibrated(frozenset({runner}))[0]
    return {runner: EventModel({}, k) for runner, k in kinds.items()}


def run_film(rec: Recording, view: View, settings: FilmSettings, model: EventModel, condition: str) -> list[Any]:
    """Find the events of one film; return rows and contact-time errors."""
    rng = np.random.default_rng([rec.runner, round(10 * rec.speed_mps), round(settings.rate_hz)])
    film = make_film(rec, view, settings, rng)
    events = find_events_report(film, model=model, source="markers").events
    rows: list[Row] = []
    contacts = []
    first = min(rec.on_s[s].min() for s in SIDES)
    last = max(rec.off_s[s].max() for s in SIDES)
    for side in SIDES:
        for kind in KINDS:
            truth = rec.truth(side, kind)
            mine = [e for e in events if e.side == side and e.kind == kind]
            got = match_events([e.time_s for e in mine], truth)
            for (i, j), error in zip(got.pairs, got.errors_s, strict=True):
                inside = mine[i].low_s <= truth[j] <= mine[i].high_s
                row = Row(
                    rec.runner,
                    rec.speed_mps,
                    rec.strike[side],
                    kind,
                    True,
                    1e3 * error,
                    bool(inside),
                    condition,
                )
                rows.append(row)
            nothing = (float("nan"), False, condition)
            for j in set(range(len(truth))) - set(got.pairs[:, 1].tolist()):
                if film.time_s[0] + END_S < truth[j] < film.time_s[-1] - END_S:
                    rows.append(Row(rec.runner, rec.speed_mps, rec.strike[side], kind, False, *nothing))
            for i in set(range(len(mine))) - set(got.pairs[:, 0].tolist()):
                # The force lists whole stances only: a stance cut off by the recording's end has no truth.
                if first < mine[i].time_s < last:
                    rows.append(Row(rec.runner, rec.speed_mps, rec.strike[side], kind, True, *nothing))
        ic, to = ([e.time_s for e in events if e.side == side and e.kind == k] for k in KINDS)
        contacts.append(contact_time_accuracy(ic, to, rec.on_s[side], rec.off_s[side]))
    return [rows, contacts]


def line(label: str, rows: list[Row]) -> str:
    """Return one line of a table."""
    errors = np.array([r.error_ms for r in rows if np.isfinite(r.error_ms)])
    missed = sum(not r.found for r in rows)
    invented = sum(r.found and not np.isfinite(r.error_ms) for r in rows)
    if len(errors) == 0:
        return f"{label:34s} {'none':>6s}"
    covered = np.mean([r.inside_interval for r in rows if np.isfinite(r.error_ms)])
    a = np.abs(errors)
    return (
        f"{label:34s} {len(errors):6d} {missed:7d} {invented:9d} {errors.mean():7.1f} {errors.std():6.1f} "
        f"{np.median(a):8.1f} {np.percentile(a, 95):7.1f} {100 * covered:9.1f}"
    )


HEAD = (
    f"{'':34s} {'n':>6s} {'missed':>7s} {'invented':>9s} {'bias':>7s} {'SD':>6s} "
    f"{'median':>8s} {'95 %':>7s} {'covered %':>9s}"
)


def print_tables(rows: list[Row], conditions: list[str]) -> None:
    """Print errors by condition, speed, strike class and runner."""
    for kind in KINDS:
        mine = [r for r in rows if r.kind == kind]
        print(f"\n{kind.replace('_', ' ')}, ms\n{HEAD}")
        print(line("all", mine))
        for c in conditions:
            print(line(c, [r for r in mine if r.condition == c]))
        for speed in sorted({r.speed for r in mine}):
            print(line(f"{speed} m/s", [r for r in mine if r.speed == speed]))
        for strike in ("Rearfoot", "Midfoot", "Forefoot"):
            print(line(strike.lower(), [r for r in mine if r.strike == strike]))
        for runner in sorted({r.runner for r in mine}):
            print(line(f"runner {runner}", [r for r in mine if r.runner == runner]))


def print_rules(recordings: list[Recording], settings: FilmSettings, condition: str) -> None:
    """Print published rules on the same side-view paths, as they are and with their mean error taken off."""
    print(
        f"\npublished rules, {condition}: bias, SD, median and 95 % of the error; "
        "then median and 95 % of the error minus its mean"
    )
    collected: dict[tuple[str, EventKind], list[float]] = {(p.name, k): [] for p in PUBLISHED for k in p.kinds}
    for rec in recordings:
        rng = np.random.default_rng([rec.runner, round(10 * rec.speed_mps), round(settings.rate_hz)])
        for name, found in published_events(make_film(rec, "side", settings, rng)).items():
            for (side, kind), times in found.items():
                collected[name, kind].extend(1e3 * match_events(times, rec.truth(side, kind), 0.2).errors_s)
    for p in PUBLISHED:
        errors = {k: collected[p.name, k] for k in p.kinds}
        name = p.name
        for kind, e in errors.items():
            if e:
                x = np.asarray(e)
                a, b = np.abs(x), np.abs(x - x.mean())
                print(
                    f"{name:30s} {kind:16s} {len(x):5d} {x.mean():7.1f} {x.std():6.1f} {np.median(a):7.1f} "
                    f"{np.percentile(a, 95):7.1f}   {np.median(b):7.1f} {np.percentile(b, 95):7.1f}"
                )


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument("--rates", type=float, nargs="+", default=[60.0, 120.0, 240.0])
    parser.add_argument("--noise-mm", type=float, nargs="+", default=[0.0, 3.0, 6.0])
    parser.add_argument("--noise-lasts-ms", type=float, default=0.0, help="autocorrelation time of the noise")
    parser.add_argument("--view", choices=("side", "rear", "front"), default="side")
    parser.add_argument("--films", type=int, default=6)
    parser.add_argument("--seconds", type=float, default=12.0, help="length of each film")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--shipped", action="store_true")
    parser.add_argument("--rules", action="store_true")
    args = parser.parse_args()
    view: View = args.view
    recordings = load_recordings(args.data)
    if args.shipped:
        models = {r.runner: default_model() for r in recordings}
    else:
        models = models_without_each(recordings, view, args.films, args.seed)
    how = "shipped coefficients (fitted to these runners)" if args.shipped else "each runner left out of the fit"
    print(f"{len(recordings)} recordings of {len(models)} runners, {view} view, {how}. Truth: force >= 50 N.\n{CITATION}")
    rows: list[Row] = []
    contacts: list[tuple[str, Any]] = []
    conditions = []
    for rate in args.rates:
        for noise in args.noise_mm:
            condition = f"{rate:.0f}/s, noise {noise:g} mm"
            conditions.append(condition)
            s = FilmSettings(
                rate_hz=rate,
                noise_m=noise / 1e3,
                noise_lasts_s=args.noise_lasts_ms / 1e3,
                duration_s=args.seconds,
            )
            for rec in recordings:
                new, contact = run_film(rec, view, s, models[rec.runner], condition)
                rows += new
                contacts += [(condition, c) for c in contact]
    print_tables(rows, conditions)
    print("\ncontact time, ms: n, bias, SD between films, SD within a film")
    for c in conditions:
        mine = [x for label, x in contacts if label == c and x.n]
        bias = np.array([x.bias_ms for x in mine])
        print(
            f"{c:34s} {sum(x.n for x in mine):6d} {bias.mean():7.1f} {bias.std():6.1f} "
            f"{np.mean([x.sd_ms for x in mine]):6.1f}"
        )
    if args.rules and view == "side":
        print_rules(recordings, FilmSettings(), "240/s, no noise")
        print_rules(recordings, FilmSettings(rate_hz=120.0, noise_m=0.003), "120/s, noise 3 mm")


if __name__ == "__main__":
    main()
