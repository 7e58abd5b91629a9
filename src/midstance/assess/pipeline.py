"""The main job without its outputs: films in, an ``Assessment`` out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from midstance import __version__
from midstance.assess.both_sides import both_sides
from midstance.assess.keeping import keep, keep_marked, kept, kept_marked
from midstance.assess.measure import PEAK_CUTOFF_HZ, FilmMeasures, cutoff_hz, measure_film
from midstance.assess.observe import Progress, film_sha256, observe_film
from midstance.assess.reading import FilmReading, interpret, look_at_marks, needs_pictures, with_marks
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.film.reader import probe
from midstance.findings.find import find
from midstance.gait.model import Measure, View, seen_as
from midstance.pose.clean import CleanTrack

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
        tell: Progress = lambda s, d, v=view: progress(v, s, d)  # type: ignore[misc]  # noqa: E731
        reading = reading_of(view, settings, tell, kept_in=kept_in, keep_in=keep_in)
        runtimes.add(reading.runtime)
        progress(view, "measuring", 0.0)
        contact = contact_time(parts.get("side")) if seen_as(view) != "side" else None
        parts[view] = measure_film(reading, settings.of(view), side_contact=contact)
        progress(view, "measuring", 1.0)
        if view == "side_far":
            parts["side"], parts[view] = both_sides(parts["side"], parts[view])
    return combine(settings, list(parts.values()), runtimes)


def contact_time(side: FilmMeasures | None) -> Measure | None:
    """Return the mean contact time of a side film, None without one."""
    if side is None:
        return None
    return next((m for m in side.measures if (m.measure, m.side) == ("contact_time", "both")), None)


def reading_of(
    view: View,
    settings: Settings,
    progress: Progress,
    *,
    kept_in: Sequence[Path] = (),
    keep_in: Path | None = None,
) -> FilmReading:
    """Read one film of an assessment, or take what an earlier result kept of it; keep what was seen in ``keep_in``.

    Raises
    ------
    FilmError, RunnerError, ViewError
        The film can't be read, holds no runner or not one, or shows another view.
    """
    path = settings.films[view]
    corrections, settings = settings.corrections, settings.of(view)
    sha256 = film_sha256(path)
    cleaned: CleanTrack | None = None
    for folder in kept_in:
        observed = kept(folder, view, sha256, settings, path)
        if observed is not None:
            progress("taking up the earlier reading", 1.0)
            marked = kept_marked(folder, observed, settings)
            break
    else:
        observed, cleaned = observe_film(view, path, settings, progress, sha256)
        marked = None
    if keep_in is not None:
        keep(observed, settings, keep_in)
    reading = interpret(observed, corrections, cleaned)
    if marked is None and needs_pictures(settings, view):
        progress("looking at the marks", 0.0)
        marked = look_at_marks(reading, settings)
    if keep_in is not None and marked is not None:
        keep_marked(marked, observed, settings, keep_in)
    return with_marks(reading, settings, marked)


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
        overruled=settings.overruled,
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
