"""The whole chain, film to measures, against films with known truth: all that ``midstance validate --clips`` says."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from importlib import resources
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from midstance.assess.demo import demo_settings
from midstance.assess.measure import FilmMeasures, measure_film
from midstance.assess.reading import read_film
from midstance.assess.settings import Settings
from midstance.errors import MidstanceError, OptionError
from midstance.film.reader import probe
from midstance.gait.model import SIDES, Runner, Side, View
from midstance.gait.registry import REGISTRY
from midstance.validate.events_check import PAIR_S, Rows, Truth, both_kinds, contact_time, coverage, judge
from midstance.validate.film_truth import FilmTruth, read_demo_truth, read_truth
from midstance.validate.films_tables import FAST_GROUP, FILM_END_S
from midstance.validate.recordings import Failure

Progress = Callable[[str, float], None]

#: Films that the bar of 120 frames a second and more applies to.
FAST_HZ = 119.0
GROUPS: dict[str, tuple[View, ...]] = {"side": ("side",), "rear and front": ("rear", "front")}


#: The stage of reading a film that takes nearly all the time, as its progress calls it.
LONGEST_STAGE = "following the runner"
#: A film that plays so many times slower than it was captured is slow motion.
SLOWED = 1.5


@attrs.frozen(eq=False)
class Film:
    """A film to check: its name, the place of the pictures, and its truth."""

    name: str
    video: Path
    truth: FilmTruth


@attrs.frozen
class StrideError:
    """A measure in one stride, or a side's mean of it: found minus true, and whether its 95 % interval holds the truth."""

    measure: str
    side: Side
    error: float
    inside: bool


@attrs.frozen(eq=False)
class FilmErrors:
    """What one film gave, held against its truth."""

    name: str
    view: View
    fps: float
    how: str
    rows: Rows
    swaps: int
    cadence: float | None
    true_cadence: float
    values: tuple[StrideError, ...]
    means: tuple[StrideError, ...]
    near: Side | None
    reasons: dict[str, str]

    @property
    def cadence_percent(self) -> float | None:
        """Error of cadence, per cent of the true one."""
        return None if self.cadence is None else 100.0 * (self.cadence / self.true_cadence - 1.0)


def find_films(folder: Path) -> list[Path]:
    """Return the folders of films in a folder, in the order of their names.

    Raises
    ------
    OptionError
        There is no such folder, or no film with a truth in it.
    """
    try:
        films = sorted(
            p
            for p in folder.iterdir()
            if p.is_dir() and p.name[0] != "." and any((p / part).exists() for part in ("truth.json", "video.mp4"))
        )
    except OSError as error:
        raise OptionError(
            f"the folder can't be read ({error.strerror or error})",
            where=f"--clips {folder}",
            allowed="a folder of films with known truth",
            next_step="check the name",
        ) from error
    if not films:
        raise OptionError(
            "there is no film with known truth in it",
            where=f"--clips {folder}",
            allowed="a folder for each film, holding video.mp4 and truth.json",
            next_step="give the folder that holds the folders of the films",
        )
    return films


@contextmanager
def shipped_films() -> Iterator[list[Film]]:
    """Give the films of the demonstration with their truth; they are on disk as long as the block lasts."""
    truths = resources.files("midstance.validate").joinpath("data", "demo")
    with demo_settings() as s:
        yield [
            Film(
                f"demonstration, {view}",
                path,
                read_demo_truth(
                    truths.joinpath(f"{view}.json").read_text(encoding="utf-8"),
                    s.surface,
                    s.runner.height_m,
                    s.speed_mps,
                ),
            )
            for view, path in s.films.items()
        ]


def check_films(
    films: Sequence[Path | Film], progress: Progress, *, landmark_rate_hz: float | None = None
) -> dict[str, Any]:
    """Measure every film as a user would, hold it against its truth, and return the figures, JSON-ready.

    Parameters
    ----------
    films : folders, or films with their truth at hand. What a user would type in (view, speed, height, surface) is known.
    landmark_rate_hz : frames a second that landmarks are read from; None for the product's own.

    Notes
    -----
    A film that fails is named with its error, and the rest goes on.
    """
    done: list[FilmErrors] = []
    failures: list[Failure] = []
    for item in films:
        name = item.name
        progress(name, 0.0)

        def tell(stage: str, share: float, name: str = name) -> None:
            if stage == LONGEST_STAGE:
                progress(name, 0.98 * min(max(share, 0.0), 1.0))

        try:
            film = item if isinstance(item, Film) else Film(name, item / "video.mp4", read_truth(item))
            done.append(check_film(film, tell, landmark_rate_hz))
        except MidstanceError as error:
            failures.append(Failure(name, error.message()))
        except Exception as error:  # whatever one film does, the others are to be judged
            failures.append(Failure(name, f"a fault of the program: {type(error).__name__}: {error}"))
        progress(name, 1.0)
    return _data(done, failures)


def check_film(film: Film, progress: Progress, landmark_rate_hz: float | None = None) -> FilmErrors:
    """Measure one film and hold it against its truth."""
    t = film.truth
    options: dict[str, Any] = {} if landmark_rate_hz is None else {"landmark_rate_hz": landmark_rate_hz}
    stored = float(probe(film.video).average_fps)
    if t.fps > SLOWED * stored:
        options["capture_fps"] = t.fps  # slow motion: somebody who filmed it knows the rate
    settings = Settings(
        films={t.view: film.video},
        speed_mps=t.speed_mps,
        surface=t.surface,  # type: ignore[arg-type]
        runner=Runner(height_m=t.height_m),
        **options,
    )
    return hold(film.name, t, measure_film(read_film(t.view, film.video, settings, progress), settings))


def hold(name: str, truth: FilmTruth, measured: FilmMeasures) -> FilmErrors:
    """Hold one film's events and measures against its truth."""
    times = {s: truth.times(s) for s in SIDES}
    true = Truth(
        name, name, f"{truth.speed_mps:.3g}", dict.fromkeys(SIDES, "all"), {s: x[0] for s, x in times.items()},
        {s: x[1] for s, x in times.items()},
    )  # fmt: skip
    film = measured.result
    rows = judge(
        true, measured.events, film.start_s, film.start_s + film.duration_s, end_s=FILM_END_S, shown=truth.shown
    )  # fmt: skip
    cadence = next((m for m in measured.measures if m.measure == "cadence" and m.side == "both"), None)
    stances = {s.index: s for s in measured.stances}
    known = {key for c in truth.contacts for key in c.measures}
    values: list[StrideError] = []
    wanted_of: dict[tuple[str, Side], list[float]] = {}
    for v in measured.stride_values:
        contact = stances[v.stride].ic.time_s
        near = [c for c in truth.contacts if c.side == v.side and abs(c.on_s - contact) <= PAIR_S]
        wanted = min(near, key=lambda c: abs(c.on_s - contact)).measures.get(v.measure) if near else None
        if wanted is not None:
            values.append(StrideError(v.measure, v.side, v.value - wanted, v.low <= wanted <= v.high))
            wanted_of.setdefault((v.measure, v.side), []).append(wanted)
    means = []
    for m in measured.measures:
        if m.value is not None and m.low is not None and m.high is not None and m.side != "both":
            wanted = float(np.mean(wanted_of.get((m.measure, m.side), [np.nan])))
            if np.isfinite(wanted):
                means.append(StrideError(m.measure, m.side, m.value - wanted, m.low <= wanted <= m.high))
    return FilmErrors(
        name, truth.view, truth.fps, truth.how, rows, _swaps(truth, measured),
        None if cadence is None else cadence.value, _true_cadence(truth, measured), tuple(values), tuple(means),
        film.near_side,
        {m.measure: m.reason for m in measured.measures if m.side == "both" and m.reason and m.measure in known},
    )  # fmt: skip


def _true_cadence(truth: FilmTruth, measured: FilmMeasures) -> float:
    """Return the true cadence over the steps that were found: a runner may be in the picture for a part of the film only."""
    found = [e.time_s for e in measured.events if e.kind == "initial_contact"]
    first, last = min(found, default=0.0) - PAIR_S, max(found, default=0.0) + PAIR_S
    on = sorted(c.on_s for c in truth.contacts if first <= c.on_s <= last)
    return 60.0 * (len(on) - 1) / (on[-1] - on[0]) if len(on) >= 3 else truth.cadence_steps_min


def _swaps(truth: FilmTruth, measured: FilmMeasures) -> int:
    """Count found contacts that are the other foot's: near one of its contacts, and far from any of their own foot's."""
    count = 0
    for e in measured.events:
        if e.kind == "initial_contact":
            apart = {s: min((abs(t - e.time_s) for t in truth.times(s)[0]), default=np.inf) for s in SIDES}
            other: Side = "left" if e.side == "right" else "right"
            count += bool(apart[other] <= PAIR_S < apart[e.side])
    return count


def _value_figures(values: Sequence[StrideError]) -> dict[str, Any]:
    errors = np.array([v.error for v in values])

    def mean(side: Side) -> float | None:
        mine = [v.error for v in values if v.side == side]
        return round(float(np.mean(mine)), 5) if mine else None

    return {
        "unit": REGISTRY[values[0].measure].unit,
        "n": len(errors),
        "bias": round(float(errors.mean()), 5),
        "median_abs": round(float(np.median(np.abs(errors))), 5),
        "p95_abs": round(float(np.percentile(np.abs(errors), 95)), 5),
        "coverage": round(float(np.mean([v.inside for v in values])), 4),
        "bias_left": mean("left"),
        "bias_right": mean("right"),
    }


def _by_measure(values: Sequence[StrideError], means: Sequence[StrideError]) -> dict[str, Any]:
    keys = [k for k in REGISTRY if any(v.measure == k for v in values)]
    return {
        k: {
            **_value_figures([v for v in values if v.measure == k]),
            "means": _mean_figures([m for m in means if m.measure == k]),
        }
        for k in keys
    }


def _mean_figures(means: Sequence[StrideError]) -> dict[str, Any] | None:
    """Return what films' means of a side are worth: the numbers that a report shows first. None where all are refused."""
    if not means:
        return None
    errors = np.array([m.error for m in means])
    return {
        "n": len(means),
        "bias": round(float(errors.mean()), 5),
        "median_abs": round(float(np.median(np.abs(errors))), 5),
        "held": sum(m.inside for m in means),
    }


def _film_data(f: FilmErrors) -> dict[str, Any]:
    return {
        "view": f.view,
        "fps": f.fps,
        "near_side": f.near,
        "truth": f.how,
        "events": both_kinds(f.rows),
        "coverage": coverage(f.rows),
        "left_right_swaps": f.swaps,
        "cadence": {
            "found_steps_min": None if f.cadence is None else round(f.cadence, 3),
            "true_steps_min": round(f.true_cadence, 3),
            "error_percent": None if f.cadence_percent is None else round(f.cadence_percent, 4),
        },
        "contact_time": contact_time(f.rows),
        "measures": _by_measure(f.values, f.means),
        "not_measurable": f.reasons,
    }


def _pooled(films: Sequence[FilmErrors]) -> dict[str, Any]:
    rows = Rows()
    for f in films:
        rows += f.rows
    off = [abs(f.cadence_percent) for f in films if f.cadence_percent is not None]
    return {
        "films": len(films),
        "events": both_kinds(rows),
        "coverage": coverage(rows),
        "left_right_swaps": sum(f.swaps for f in films),
        "cadence_worst_error_percent": round(max(off), 4) if off else None,
        "contact_time": contact_time(rows),
        "measures": _by_measure([v for f in films for v in f.values], [m for f in films for m in f.means]),
    }


def _data(films: Sequence[FilmErrors], failures: Sequence[Failure]) -> dict[str, Any]:
    pooled = {name: [f for f in films if f.view in views] for name, views in GROUPS.items()}
    pooled[FAST_GROUP] = [f for f in pooled["side"] if f.fps >= FAST_HZ]
    return {
        "films": {f.name: _film_data(f) for f in films},
        "pooled": {name: _pooled(group) for name, group in pooled.items() if group},
        "failed": [attrs.asdict(f) for f in failures],
    }


def demo_note() -> str:
    """Return what must be said of the films of the demonstration."""
    with resources.files("midstance.validate").joinpath("data", "demo", "side.json").open(encoding="utf-8") as file:
        origin: str = json.load(file)["origin"]
    return f"The films of the demonstration show an invented figure; their truth: {origin}."
