"""The accuracy report: recordings, films and closed checks joined, as JSON, as text and as Markdown."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cached_property
from pathlib import Path
from typing import Any

import attrs

from midstance import __version__
from midstance.validate.closed import check_closed, closed_section
from midstance.validate.films_check import check_films, demo_note, find_films, shipped_films
from midstance.validate.films_tables import films_sections
from midstance.validate.recordings import read_folder, shipped_recordings
from midstance.validate.recordings_check import check_recordings
from midstance.validate.recordings_tables import angles_section, events_section
from midstance.validate.tables import Bar, Section

#: Called with (what is being done, share of it that is done 0–1).
Progress = Callable[[str, float], None]
#: Exit code when something could not be judged; missed bars don't change it.
FAILED_EXIT_CODE = 2


def no_progress(stage: str, share: float) -> None:
    """Say nothing."""


@attrs.frozen(eq=False, slots=False)
class ValidationReport:
    """All that a run of ``validate`` found.

    ``data`` holds the figures, JSON-ready: those of recordings at the top, those of films under "clips", those that need
    no data under "closed_checks". Everything people read is made of them.
    """

    data: dict[str, Any]

    @staticmethod
    def from_json(text: str) -> ValidationReport:
        """Read what ``to_json`` wrote."""
        return ValidationReport(json.loads(text))

    @cached_property
    def sections(self) -> tuple[Section, ...]:
        """What people read, in order; ``key`` names each."""
        out: list[Section] = []
        if "events" in self.data:
            out += [events_section(self.data), *angles_section(self.data)]
        if "clips" in self.data:
            out += films_sections(self.data["clips"])
        if "closed_checks" in self.data:
            out.append(closed_section(self.data["closed_checks"]))
        return tuple(out)

    @property
    def failures(self) -> list[dict[str, str]]:
        """Recordings and films that could not be judged: name and message of each."""
        return [*self.data.get("failed", []), *self.data.get("clips", {}).get("failed", [])]

    @property
    def exit_code(self) -> int:
        """0, or ``FAILED_EXIT_CODE`` when something could not be judged or a closed check does not agree."""
        wrong = any(not c["agrees"] for c in self.data.get("closed_checks", ()))
        return FAILED_EXIT_CODE if self.failures or wrong else 0

    @property
    def bars(self) -> tuple[Bar, ...]:
        """Every bar, in order."""
        return tuple(b for s in self.sections for b in s.bars)

    def to_json(self) -> str:
        """Return the figures as JSON text."""
        return json.dumps(self.data, indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def lines(self) -> list[str]:
        """Return the tables for a terminal."""
        out: list[str] = []
        for section in self.sections:
            out += ["", *section.lines()] if out else section.lines()
        judged = [b for b in self.bars if b.met is not None]
        out += ["", f"{sum(bool(b.met) for b in judged)} of {len(judged)} bars met."]
        return out + [f"Not judged: {f['name']}" for f in self.failures]

    def markdown(self, *keys: str, heading: str = "##") -> str:
        """Return sections ("events", "angles", "films", "each film", "closed") as Markdown; all where none is named."""
        chosen = [s for s in self.sections if not keys or s.key in keys]
        return "\n\n".join(s.markdown(heading=heading) for s in chosen) + "\n"


def run_validate(
    data: Path | None = None, clips: Path | None = None, progress: Progress = no_progress
) -> ValidationReport:
    """Run every accuracy check there is data for.

    Parameters
    ----------
    data : a folder of recordings with force truth.
    clips : a folder of films with known truth.
        With neither, the recordings and films that come with the package, and the checks that need no data.
    progress : called with what is being done and the share of it that is done.

    Raises
    ------
    MidstanceError
        A folder can't be read, or holds nothing that can be judged. A single file that can't be is named in the report.
    """
    out: dict[str, Any] = {}
    films = None if clips is None else find_films(clips)  # a fault of either folder is told before the work
    if data is not None:
        recordings, failures, skipped = read_folder(data)
        out.update(check_recordings(recordings, progress, failures=failures, skipped=skipped))
    if films is not None:
        out["clips"] = check_films(films, progress)
    if data is None and clips is None:
        recordings, source = shipped_recordings()
        out.update(check_recordings(recordings, progress), source=source)
        with shipped_films() as shipped:
            out["clips"] = {**check_films(shipped, progress), "source": demo_note()}
        out["closed_checks"] = check_closed()
    return ValidationReport({**out, "schema": 1, "software": f"midstance {__version__}"})
