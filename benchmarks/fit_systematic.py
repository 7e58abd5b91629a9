"""Find what the joint map leaves in each measure, and keep it with the map (``systematic``, ``scatter`` in ``anatomy.json``).

    python benchmarks/fit_systematic.py FOLDER --truth DIR [--cache DIR] [--write]

FOLDER and ``--cache`` as for ``fit_anatomy.py``; ``--truth`` holds one JSON file a film with the true measures of each contact.
Each film is measured with a map fitted without it (without all films of its runner, where its motion was measured on one),
in side view with its true contacts, and with a camera known to be level (as it is in these films). Then

* ``scatter`` is the standard deviation of the errors of a leg's strides around their mean, pooled over legs: the 1-SD error
  that is new in each stride;
* ``systematic`` is the 1-SD error that all strides have in common: the size at which, beside all else that the intervals hold,
  95 % intervals hold the truth in 95 % of all strides and of all legs' means, films of invented and of measured motion
  weighing the same. (Strides alone won't do: where they scatter much, their intervals are wide enough without it, but a
  scatter vanishes from the mean of a long film and an error in common does not.)

Printed for each measure and kind of motion: mean error, median size, the share of strides held with the size found on the
*other* films and runners, and the share of legs whose mean is held. Films the product is judged on must not be in FOLDER.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import attrs
import numpy as np

import fit_anatomy
from fit_anatomy import TARGET, Leg
from midstance.assess import measure
from midstance.assess.observe import Observation
from midstance.assess.reading import LEGS_CHECK, FilmReading, interpret
from midstance.assess.settings import Settings
from midstance.film.clock import CaptureClock, timing_report
from midstance.film.reader import probe
from midstance.gait.events import EventReport
from midstance.gait.model import Event, Runner, View
from midstance.gait.uncertainty import Z95
from midstance.pose.anatomy import AnatomyMap, to_joints
from midstance.pose.find import RunnerSearch

#: Measures that hold no joint: their errors come from the events.
TIMES = ("time", "duty_factor", "cadence", "speed", "step_length", "stiffness", "force")
#: A film's true measures: {"contacts": [{"side", "initial_contact_s", "measures": {…}}, …]}.
Truth = dict[str, Any]
#: Share of strides whose interval is to hold the truth.
WANTED = 0.95
#: Half of the interval of a true event, s: next to nothing, for the same reason as no roll.
KNOWN_S = 0.0002
#: A found contact is a true one when they are this near, s.
SAME_CONTACT_S = 0.08


@attrs.frozen
class StrideError:
    """One stride's error of one measure.

    ``sigma`` is the 1-SD error the interval holds without the map's systematic one, ``factor`` what the film's checks multiply
    that by. ``leg`` names film and side.
    """

    unit: str
    leg: str
    measured_motion: bool
    error: float
    sigma: float
    factor: float

    def held(self, systematic: float) -> bool:
        """Tell whether the 95 % interval holds the truth."""
        return abs(self.error) <= Z95 * float(np.hypot(self.sigma, self.factor * systematic))


def reading_of(folder: Path, cache: Path | None) -> FilmReading:
    """Return a film's reading from its kept landmarks, without the checks that need its pictures."""
    raw = fit_anatomy.raw_track(folder, cache)
    truth = json.loads((folder / "truth.json").read_text())
    observed = Observation(
        view=truth["args"]["view"].split("_")[0], info=probe(folder / "video.mp4"), sha256="",
        clock=CaptureClock(1.0, truth["fps"], "file"), timing=timing_report(raw.file_time_s), search=RunnerSearch((), (), 0),
        raw=raw, checks=(), exposure_s=None, notes=(), shown_frames=len(raw.index), runtime="",
    )  # fmt: skip
    # The cameras of these films stand level: what intervals allow for a roll must not hide the map's error.
    return attrs.evolve(interpret(observed), roll=(0.0, 0.0))


def true_events(folder: Path, view: View) -> EventReport:
    """Return the film's true contacts and toe-offs as the detector would give them."""
    truth = json.loads((folder / "truth.json").read_text())
    events = [
        Event(view, e["side"], kind, e[key], e[key] - KNOWN_S, e[key] + KNOWN_S)
        for e in truth["events"]
        for kind, key in (("initial_contact", "ic"), ("toe_off", "to"))
    ]
    return EventReport(tuple(sorted(events, key=lambda e: e.time_s)), 120 / truth["summary"]["cadence_spm"], ())


def map_without(unit: str, view: View, some: Iterable[Leg]) -> AnatomyMap:
    """Return the joint map of a view fitted without a film or runner, and without systematic errors."""
    rest = [leg for leg in some if leg.view == view and leg.unit != unit]
    tables = {
        key: fit_anatomy.fit([leg for leg in rest if leg.key == key], fit_anatomy.PENALTY[rest[0].view])
        for key in sorted({leg.key for leg in rest})
    }
    return AnatomyMap({view: tables}, {}, f"without {unit}")


def measured_with(
    reading: FilmReading, folder: Path, joint_map: AnatomyMap, *, events: EventReport | None
) -> measure.FilmMeasures:
    """Measure a film with another joint map and its errors, and with the events given."""
    joints = to_joints(reading.cleaned.paths, direction=reading.direction, near=reading.near, joint_map=joint_map)
    truth = json.loads((folder / "truth.json").read_text())
    settings = Settings(
        films={reading.view: reading.path}, speed_mps=truth["summary"]["belt_speed_m_s"],
        runner=Runner(height_m=truth["body"]["height"]),
    )  # fmt: skip
    kept = measure.find_events_report, measure.load_map
    if events is not None:
        measure.find_events_report = lambda plane: events
    measure.load_map = lambda: joint_map
    try:
        return measure.measure_film(attrs.evolve(reading, joints=joints), settings)
    finally:
        measure.find_events_report, measure.load_map = kept


def stride_errors(
    measured: measure.FilmMeasures, reading: FilmReading, truth: Truth, unit: str
) -> dict[str, list[StrideError]]:
    """Return each measure's stride errors."""
    factor = min(2.0, next((q.factor for q in reading.quality if q.check == LEGS_CHECK), 1.0))
    contact = {s.index: s.ic.time_s for s in measured.stances}
    out: dict[str, list[StrideError]] = {}
    for v in measured.stride_values:
        near = [
            c["measures"][v.measure] for c in truth["contacts"]
            if c["side"] == v.side and abs(c["initial_contact_s"] - contact[v.stride]) < SAME_CONTACT_S and v.measure in c["measures"]
        ]  # fmt: skip
        if near and not any(word in v.measure for word in TIMES):
            sigma = (v.high - v.low) / 2 / Z95
            leg = f"{reading.path.parent.name} {v.side}"
            one = StrideError(unit, leg, unit.startswith("runner"), v.value - near[0], sigma, factor)
            out.setdefault(v.measure, []).append(one)
    return out


def share_held(errors: Sequence[StrideError], systematic: float) -> float:
    """Return the share of strides held; films of either kind of motion weigh the same."""
    kinds = [[e.held(systematic) for e in errors if e.measured_motion == k] for k in (False, True)]
    return float(np.mean([np.mean(k) for k in kinds if k]))


def leg_means(errors: Sequence[StrideError], scatter: float) -> list[StrideError]:
    """Return the errors of legs' means; ``sigma`` is what such a mean's interval holds beside the systematic error."""
    out = []
    for leg in sorted({e.leg for e in errors}):
        own = [e for e in errors if e.leg == leg]
        common = max(0.0, float(np.mean([e.sigma**2 for e in own])) - scatter**2)
        sigma = float(np.sqrt(common + scatter**2 / len(own)))
        mean = float(np.mean([e.error for e in own]))
        out.append(attrs.evolve(own[0], error=mean, sigma=sigma, factor=float(np.mean([e.factor for e in own]))))
    return out


def smallest_size(errors: Sequence[StrideError]) -> float:
    """Return the smallest 1-SD systematic error with which the wanted share is held, 0 at least."""
    # An error is held from this size on.
    sizes = [np.sqrt(max(0.0, (e.error / Z95) ** 2 - e.sigma**2)) / e.factor for e in errors]
    for size in sorted({0.0, *sizes}):
        if share_held(errors, size + 1e-9) >= WANTED:
            return float(size)
    return float(max(sizes))


def size_needed(errors: Sequence[StrideError], scatter: float) -> float:
    """Return the systematic error that strides and means of legs need."""
    return max(smallest_size(errors), smallest_size(leg_means(errors, scatter)))


def scatter_of(errors: Sequence[StrideError]) -> float:
    """Return the standard deviation of errors around their leg's mean, pooled over legs."""
    legs = {e.leg for e in errors}
    rows = [np.array([e.error for e in errors if e.leg == leg]) for leg in legs]
    squares, free = sum(float(((r - r.mean()) ** 2).sum()) for r in rows), sum(len(r) - 1 for r in rows)
    return float(np.sqrt(squares / free)) if free else 0.0


def show(key: str, errors: list[StrideError], scatter: float, means: list[tuple[bool, bool]]) -> None:
    """Print one measure: sizes, and shares held with the size found on the other films and runners."""
    units = sorted({e.unit for e in errors})
    without = {u: size_needed([e for e in errors if e.unit != u], scatter) for u in units} if len(units) > 1 else {}
    text = f"  {key:32s} {size_needed(errors, scatter):7.3g} scatter {scatter:7.3g}"
    for kind, words in ((False, "invented"), (True, "measured")):
        mine = [e for e in errors if e.measured_motion == kind]
        if mine:
            e = np.array([m.error for m in mine])
            held = np.mean([m.held(without.get(m.unit, 0.0)) for m in mine])
            legs = [h for measured_motion, h in means if measured_motion == kind]
            text += (f" | {words} n {len(e)} mean {e.mean():+.3g} median size {np.median(np.abs(e)):.3g} "
                     f"held {100 * held:.0f} %, {len(legs)} means {100 * np.mean(legs) if legs else np.nan:.0f} %")  # fmt: skip
    print(text)


def leg_means_held(
    measured: measure.FilmMeasures, reading: FilmReading, truth: Truth, unit: str
) -> dict[str, list[tuple[bool, bool]]]:
    """Return for each measure and leg whether the motion was measured, and whether the interval of the leg's mean holds the truth.

    The truth is the mean over the strides that were measured.
    """
    errors: dict[tuple[str, str], list[float]] = {}
    for key, some in stride_errors(measured, reading, truth, unit).items():
        for e in some:
            errors.setdefault((key, e.leg.split()[-1]), []).append(e.error)
    out: dict[str, list[tuple[bool, bool]]] = {}
    for m in measured.measures:
        own = errors.get((m.measure, m.side))
        if own and m.value is not None and m.low is not None and m.high is not None:
            true = m.value - float(np.mean(own))
            out.setdefault(m.measure, []).append((unit.startswith("runner"), m.low <= true <= m.high))
    return out


@attrs.frozen(eq=False)
class ViewFilms:
    """All films of one view, with the maps that have not seen them."""

    view: View
    folder: Path
    units: dict[str, str]
    maps: dict[str, AnatomyMap]
    readings: dict[str, FilmReading]
    truths: dict[str, Truth]

    def measured(self, film: str, systematic: dict[str, float], scatter: dict[str, float]) -> measure.FilmMeasures:
        """Measure a film with a map that has not seen it."""
        # Behind and in front the detected events stay: what they do to a peak is not random from stride to stride.
        events = true_events(self.folder / film, self.view) if self.view == "side" else None
        joint_map = attrs.evolve(
            self.maps[self.units[film]], systematic={self.view: systematic}, scatter={self.view: scatter}
        )
        return measured_with(self.readings[film], self.folder / film, joint_map, events=events)

    def errors(self, scatter: dict[str, float]) -> dict[str, list[StrideError]]:
        """Return every measure's stride errors, with intervals that hold all but the systematic error."""
        out: dict[str, list[StrideError]] = {}
        for film, unit in self.units.items():
            found = stride_errors(self.measured(film, {}, scatter), self.readings[film], self.truths[film], unit)
            for key, some in found.items():
                out.setdefault(key, []).extend(some)
        return dict(sorted(out.items()))

    def means(self, systematic: dict[str, float], scatter: dict[str, float]) -> dict[str, list[tuple[bool, bool]]]:
        """Return for every measure which legs' means are held, as ``leg_means_held``."""
        out: dict[str, list[tuple[bool, bool]]] = {}
        for film, unit in self.units.items():
            measured = self.measured(film, systematic, scatter)
            for key, some in leg_means_held(measured, self.readings[film], self.truths[film], unit).items():
                out.setdefault(key, []).extend(some)
        return out


def films_of(view: View, folder: Path, truth: Path, cache: Path | None, found: list[Leg]) -> ViewFilms:
    """Gather the films of a view."""
    units = {leg.film: leg.unit for leg in found if leg.view == view}
    return ViewFilms(
        view, folder, units,
        maps={unit: map_without(unit, view, found) for unit in set(units.values())},
        readings={film: reading_of(folder / film, cache) for film in units},
        truths={film: json.loads((truth / f"{film}.json").read_text()) for film in units},
    )  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--truth", type=Path, required=True)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    found = fit_anatomy.all_legs(args.folder, args.cache)
    systematic: dict[str, dict[str, float]] = {}
    scatter: dict[str, dict[str, float]] = {}
    views: tuple[View, ...] = ("side", "rear", "front")
    for view in views:
        films = films_of(view, args.folder, args.truth, args.cache, found)
        scatter[view] = {k: float(f"{scatter_of(e):.3g}") for k, e in films.errors({}).items()}
        errors = films.errors(scatter[view])
        systematic[view] = {k: float(f"{size_needed(e, scatter[view][k]):.3g}") for k, e in errors.items()}
        means = films.means(systematic[view], scatter[view])
        print(view, len(films.units), "films")
        for key, some in errors.items():
            show(key, some, scatter[view][key], means.get(key, []))
    if args.write:
        kept = json.loads(TARGET.read_text()) | {"systematic": systematic, "scatter": scatter}
        TARGET.write_text(json.dumps(kept, indent=1) + "\n")
        print("written", TARGET)


if __name__ == "__main__":
    main()
