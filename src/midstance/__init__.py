"""Midstance: films of a runner turned into measurements with error bars, explained.

The steps of the main job, as functions that work in a notebook::

    import midstance as ms
    from pathlib import Path

    settings = ms.Settings(films={"side": Path("side.mp4")}, speed_mps=ms.parse_pace("5:00/km"),
                           runner=ms.Runner(height_m=1.78))
    reading = ms.read_film("side", Path("side.mp4"), settings, lambda stage, share: None)   # pictures → landmarks
    measured = ms.measure_film(reading, settings)                                           # landmarks → measures
    result = ms.combine(settings, [measured], {reading.runtime})                            # … → findings
    ms.write_all(result, settings, Path("out"))                                             # report, CSV, JSON, films

or all at once: ``result, files = ms.run(settings, Path("out"))``.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from midstance.assess.export import assessment_to_dict
    from midstance.assess.measure import FilmMeasures, measure_film
    from midstance.assess.observe import Observation, observe_film
    from midstance.assess.pipeline import assess_films, combine
    from midstance.assess.reading import FilmReading, interpret, read_film
    from midstance.assess.result import Assessment, Curve, FilmResult
    from midstance.assess.settings import KnownLength, Settings, parse_height, parse_mass, parse_pace, parse_speed
    from midstance.camera.marks import read_marks
    from midstance.camera.plane import to_plane
    from midstance.errors import (
        FilmError,
        MidstanceError,
        OptionError,
        OutputError,
        RunnerError,
        RuntimeMissingError,
        ViewError,
    )
    from midstance.film.reader import probe, read_frames
    from midstance.findings.find import find
    from midstance.gait.events import find_events, find_events_report
    from midstance.gait.model import (
        Event,
        Exclusion,
        Finding,
        LandmarkPaths,
        Measure,
        PlanePaths,
        QualityCheck,
        Runner,
        Scale,
        Stance,
        StrideValue,
    )
    from midstance.gait.registry import REGISTRY
    from midstance.gait.strides import build_stances
    from midstance.job import run, write_all
    from midstance.pose.corrections import Correction, load_corrections
    from midstance.validate.report import run_validate

#: Where each public name lives. Names are loaded when first used, so that ``import midstance`` is quick.
_HOME = {
    "assess.export": ["assessment_to_dict"],
    "assess.measure": ["FilmMeasures", "measure_film"],
    "assess.pipeline": ["assess_films", "combine"],
    "assess.observe": ["Observation", "observe_film"],
    "assess.reading": ["FilmReading", "interpret", "read_film"],
    "assess.result": ["Assessment", "Curve", "FilmResult"],
    "assess.settings": ["KnownLength", "Settings", "parse_height", "parse_mass", "parse_pace", "parse_speed"],
    "camera.marks": ["read_marks"],
    "camera.plane": ["to_plane"],
    "errors": [
        "FilmError", "MidstanceError", "OptionError", "OutputError", "RunnerError", "RuntimeMissingError", "ViewError",
    ],
    "film.reader": ["probe", "read_frames"],
    "findings.find": ["find"],
    "gait.events": ["find_events", "find_events_report"],
    "gait.model": [
        "Event", "Exclusion", "Finding", "LandmarkPaths", "Measure", "PlanePaths", "QualityCheck", "Runner", "Scale",
        "Stance", "StrideValue",
    ],
    "gait.registry": ["REGISTRY"],
    "gait.strides": ["build_stances"],
    "job": ["run", "write_all"],
    "pose.corrections": ["Correction", "load_corrections"],
    "validate.report": ["run_validate"],
}  # fmt: skip
_MODULE_OF = {name: module for module, names in _HOME.items() for name in names}
__all__ = [*sorted(_MODULE_OF), "__version__"]


def __getattr__(name: str) -> Any:
    if name not in _MODULE_OF:
        raise AttributeError(f"module 'midstance' has no attribute '{name}'")
    value = getattr(import_module(f"midstance.{_MODULE_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return __all__
