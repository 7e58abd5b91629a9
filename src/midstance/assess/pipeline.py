"""The main job without its outputs: films in, an ``Assessment`` out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from midstance import __version__
from midstance.assess.both_sides import both_sides
from midstance.assess.keeping import keep, kept
from midstance.assess.measure import PEAK_CUTOFF_HZ, FilmMeasures, cutoff_hz, measure_film
from midstance.assess.observe import Progress, film_sha256, observe_film
from midstance.assess.reading import FilmReading, interpret, with_marks
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.film.reader import probe
from midstance.findings.find import find
from midstance.gait.model import View, seen_as

#: Called with (view or None, stage, share done 0–1).
FilmProgress = Callable[[View | None, str, float], None]
ORDER: tuple[View, ...] = ("side", "side_far", "rear", "front")


def no_progress(view: View | None, stage: str, share: float) -> None:
    """Say nothing."""


def assess_films(
    settings: Settings,
    progress: FilmProgress = no_progress,
    *,
    kept_in: Sequence[Path] = (),
    keep_in: Path | None = None,
) -> Assessment:
    """Measure every film of the settings and put the results together.

    Parameters
    ----------
    kept_in : folders of earlier results; a film that was read there with the same settings is not read again.
    keep_in : folder in which what was seen in each film is kept.

    Raises
    ------
    MidstanceError
        Anything a user can act on: a film that can't be read or measured, no runner, the wrong view, …
    """
    parts: dict[View, FilmMeasures] = {}
    runtimes: set[str] = set()
    for path in settings.films.values():
        probe(path)  # a fault of the last film is told before the first one is measured
    for view in ORDER:
        if view not in settings.films:
            continue
        reading = _read(view, settings, lambda s, d, v=view: progress(v, s, d), kept_in, keep_in)  # type: ignore[misc]
        runtimes.add(reading.runtime)
        progress(view, "measuring", 0.0)
        side = parts.get("side")
        contact = next((m for m in side.measures if (m.measure, m.side) == ("contact_time", "both")), None) if side else None
        parts[view] = measure_film(reading, settings, side_contact=None if seen_as(view) == "side" else contact)
        progress(view, "measuring", 1.0)
        if view == "side_far":
            parts["side"], parts[view] = both_sides(parts["side"], parts[view])
    return combine(settings, list(parts.values()), runtimes)


def _read(
    view: View, settings: Settings, progress: Progress, kept_in: Sequence[Path], keep_in: Path | None
) -> FilmReading:
    """Read a film, or take what an earlier result kept of it."""
    path = settings.films[view]
    sha256 = film_sha256(path)
    for folder in kept_in:
        observed = kept(folder, view, sha256, settings, path)
        if observed is not None:
            progress("taking up the earlier reading", 1.0)
            reading = with_marks(interpret(observed, settings.corrections), settings)
            break
    else:
        observed, cleaned = observe_film(view, path, settings, progress, sha256)
        reading = with_marks(interpret(observed, settings.corrections, cleaned), settings)
    if keep_in is not None:
        keep(observed, settings, keep_in)
    return reading


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
        corrections=tuple(c for p in parts for c in p.corrections),
        settings={
            **settings.as_dict(),
            "landmark_runtime": ", ".join(sorted(runtimes)),
            "landmark_rate_hz_used": {v: round(r, 3) for v, r in rates.items()},
            "low_pass_cutoff_hz": {v: round(cutoff_hz(r), 3) for v, r in rates.items()},
            "low_pass_cutoff_peaks_hz": {v: round(cutoff_hz(r, PEAK_CUTOFF_HZ), 3) for v, r in rates.items()},
        },
        invented=settings.invented,
    )
