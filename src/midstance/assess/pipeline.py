"""The main job without its outputs: films in, an ``Assessment`` out."""

from __future__ import annotations

from collections.abc import Callable

from midstance import __version__
from midstance.assess.measure import PEAK_CUTOFF_HZ, FilmMeasures, cutoff_hz, measure_film
from midstance.assess.reading import read_film
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.film.reader import probe
from midstance.findings.find import find
from midstance.gait.model import View

#: Called with (view or None, stage, share done 0–1).
FilmProgress = Callable[[View | None, str, float], None]
ORDER: tuple[View, ...] = ("side", "rear", "front")


def no_progress(view: View | None, stage: str, share: float) -> None:
    """Say nothing."""


def assess_films(settings: Settings, progress: FilmProgress = no_progress) -> Assessment:
    """Measure every film of the settings and put the results together.

    Raises
    ------
    MidstanceError
        Anything a user can act on: a film that can't be read or measured, no runner, the wrong view, …
    """
    parts: list[FilmMeasures] = []
    runtimes: set[str] = set()
    for path in settings.films.values():
        probe(path)  # a fault of the last film is told before the first one is measured
    for view in ORDER:
        if view not in settings.films:
            continue
        reading = read_film(view, settings.films[view], settings, lambda s, d, v=view: progress(v, s, d))  # type: ignore[misc]
        runtimes.add(reading.runtime)
        progress(view, "measuring", 0.0)
        contact = next((m for p in parts for m in p.measures if (m.measure, m.side) == ("contact_time", "both")), None)
        parts.append(measure_film(reading, settings, side_contact=contact))
        progress(view, "measuring", 1.0)
    return combine(settings, parts, runtimes)


def combine(settings: Settings, parts: list[FilmMeasures], runtimes: set[str]) -> Assessment:
    """Put the measured films together and look for findings."""
    measures = tuple(m for p in parts for m in p.measures)
    rates = {p.result.view: p.result.landmarks.rate_hz for p in parts}
    return Assessment(
        software=f"midstance {__version__}",
        runner=settings.runner,
        runner_label=settings.runner_label,
        speed_mps=settings.speed_mps,
        surface=settings.surface,
        films=tuple(p.result for p in parts),
        events=tuple(e for p in parts for e in p.events),
        stances=tuple(s for p in parts for s in p.stances),
        stride_values=tuple(v for p in parts for v in p.stride_values),
        curves=tuple(c for p in parts for c in p.curves),
        measures=measures,
        findings=tuple(find(measures, speed_mps=settings.speed_mps, surface=settings.surface)),
        exclusions=tuple(e for p in parts for e in p.exclusions),
        settings={
            **settings.as_dict(),
            "landmark_runtime": ", ".join(sorted(runtimes)),
            "landmark_rate_hz_used": {v: round(r, 3) for v, r in rates.items()},
            "low_pass_cutoff_hz": {v: round(cutoff_hz(r), 3) for v, r in rates.items()},
            "low_pass_cutoff_peaks_hz": {v: round(cutoff_hz(r, PEAK_CUTOFF_HZ), 3) for v, r in rates.items()},
        },
        invented=settings.invented,
    )
