"""What a user asks for: the films, the speed, the runner. Parsed and checked before any work begins."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import attrs

from midstance.assess.result import Surface
from midstance.camera.marks import Marks
from midstance.errors import OptionError
from midstance.findings.overruled import Overruled
from midstance.gait.model import Runner, View
from midstance.pose.corrections import Correction

#: Speeds of running that are believed, m/s: a slow jog to a world-class sprint (engineering gate).
SPEED_MPS = (1.2, 12.5)
HEIGHT_M = (1.0, 2.3)
MASS_KG = (20.0, 250.0)
#: Lengths that can be marked in a picture, m (engineering gate: a shoe to a straight of track).
KNOWN_LENGTH_M = (0.05, 100.0)
#: Two marked points nearer than this, px, give no scale worth having.
MIN_MARKED_PX = 10.0
#: The slowest and fastest landmark rates that make sense, Hz.
LANDMARK_RATE_HZ = (24.0, 10000.0)
MAX_LABEL = 80
KM_PER_MILE = 1.609344

_NUMBER = r"([0-9]+(?:[.,][0-9]+)?)"


def option(view: View) -> str:
    """Return the option that a view's film is given by."""
    return "--" + view.replace("_", "-")


def parse_speed(text: str) -> float:
    """Return m/s from "12km/h", "3.33m/s" or "7.5mph"."""
    match = re.fullmatch(rf"\s*{_NUMBER}\s*(km/?h|kmh|kph|m/?s|mph)\s*", text.lower())
    allowed = "a number with its unit: 12km/h, 3.33m/s or 7.5mph"
    if not match:
        raise OptionError(
            f"“{text}” is not a speed", where="--speed", allowed=allowed, next_step="give the unit with the number"
        )
    value, unit = float(match[1].replace(",", ".")), match[2].replace("/", "")
    factor = {"kmh": 1 / 3.6, "kph": 1 / 3.6, "ms": 1.0, "mph": KM_PER_MILE / 3.6}[unit]
    return _checked_speed(value * factor, "--speed")


def parse_pace(text: str) -> float:
    """Return m/s from a pace such as "5:00/km" or "8:02/mi"."""
    match = re.fullmatch(r"\s*([0-9]{1,2}):([0-5][0-9](?:\.[0-9]+)?)\s*/?\s*(km|mi|mile)?\s*", text.lower())
    if not match:
        raise OptionError(
            f"“{text}” is not a pace",
            where="--pace",
            allowed="minutes and seconds per kilometre or mile: 5:00/km or 8:02/mi",
            next_step="write minutes, a colon and two digits of seconds",
        )
    seconds = 60 * int(match[1]) + float(match[2])
    if seconds <= 0:
        raise OptionError(
            f"“{text}” is not a pace",
            where="--pace",
            allowed="a time above 0:00, such as 5:00/km or 8:02/mi",
            next_step="check the number",
        )
    metres = 1000.0 if (match[3] or "km") == "km" else 1000 * KM_PER_MILE
    return _checked_speed(metres / seconds, "--pace")


def _checked_speed(speed_mps: float, where: str) -> float:
    low, high = SPEED_MPS
    if not low <= speed_mps <= high:
        pace = divmod(round(1000 / speed_mps), 60) if speed_mps > 0 else (0, 0)
        raise OptionError(
            f"{speed_mps:.2f} m/s ({3.6 * speed_mps:.1f} km/h, {pace[0]}:{pace[1]:02d}/km) is not a running speed",
            where=where,
            allowed=f"{low} to {high} m/s, that is {3.6 * low:.1f} to {3.6 * high:.0f} km/h",
            next_step="check number and unit",
        )
    return speed_mps


def parse_length(text: str, where: str, limits: tuple[float, float] | None = None) -> float:
    """Return metres from "1.78m", "178cm", "1780mm" or "1.78"."""
    match = re.fullmatch(rf"\s*{_NUMBER}\s*(m|cm|mm)?\s*", text.lower())
    allowed = f"{limits[0]:g} to {limits[1]:g} m, written as 1.78m or 178cm" if limits else "such as 1.60m or 160cm"
    if not match:
        raise OptionError(
            f"“{text}” is not a length", where=where, allowed=allowed, next_step="give a number in m or cm"
        )
    value = float(match[1].replace(",", ".")) * {"m": 1.0, "cm": 0.01, "mm": 0.001}[match[2] or "m"]
    if limits and not limits[0] <= value <= limits[1]:
        raise OptionError(
            f"{value:g} m is outside what is allowed", where=where, allowed=allowed, next_step="check number and unit"
        )
    return value


def parse_height(text: str) -> float:
    """Return the body height in metres."""
    return parse_length(text, "--height", HEIGHT_M)


def parse_mass(text: str) -> float:
    """Return the body mass in kilograms from "70kg" or "70"."""
    match = re.fullmatch(rf"\s*{_NUMBER}\s*(kg)?\s*", text.lower())
    value = float(match[1].replace(",", ".")) if match else math.nan
    if not MASS_KG[0] <= value <= MASS_KG[1]:
        raise OptionError(
            f"“{text}” is not a body mass",
            where="--mass",
            allowed=f"{MASS_KG[0]:g} to {MASS_KG[1]:g} kg, written as 70kg",
            next_step="check number and unit",
        )
    return value


def _check_part(start_s: float | None, end_s: float | None) -> None:
    """Stop when the part to measure can't be one in any film."""
    for name, value in (("--start", start_s), ("--end", end_s)):
        if value is not None and not (math.isfinite(value) and value >= 0):
            raise OptionError(
                f"{value:g} s is not a time in a film",
                where=name,
                allowed="0 or more, in seconds as a player shows them",
                next_step=f"correct {name}, or leave it out",
            )
    if end_s is not None and (start_s or 0.0) >= end_s:
        raise OptionError(
            f"the part from {start_s or 0:g} s to {end_s:g} s is empty",
            where="--start, --end",
            allowed="a start before the end, in seconds as a player shows them",
            next_step="correct --start and --end",
        )


def _check_label(label: str) -> None:
    """Stop at a name of the runner that no page can show: empty, endless, or with line breaks and control characters."""
    fault = None
    if not label.strip():
        fault = "the runner's name is empty"
    elif len(label) > MAX_LABEL:
        fault = f"the runner's name has {len(label)} characters"
    elif any(unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") for c in label):
        fault = "the runner's name holds characters that can't be printed"
    if fault is not None:
        raise OptionError(
            fault,
            where="--runner",
            allowed=f"1 to {MAX_LABEL} characters on one line",
            next_step="give a shorter name, or initials",
        )


@attrs.frozen
class KnownLength:
    """A length marked in a film's picture: two points (px of the upright picture) and their distance, m."""

    view: View
    first_px: tuple[float, float]
    second_px: tuple[float, float]
    length_m: float


def parse_known_length(text: str) -> KnownLength:
    """Return a known length from "side:412,640,902,644=1.60m"."""
    point = r"([0-9]+(?:\.[0-9]+)?)"
    pattern = rf"\s*(side_far|side-far|side|rear|front):{point},{point},{point},{point}=(.+)"
    match = re.fullmatch(pattern, text.strip().lower())
    if not match:
        raise OptionError(
            f"“{text}” is not a known length",
            where="--known-length",
            allowed="VIEW:x1,y1,x2,y2=LENGTH in pixels of the upright picture, such as side:412,640,902,644=1.60m",
            next_step="read the pixels of two points in a frame of the film with an image viewer",
        )
    x1, y1, x2, y2 = (float(match[i]) for i in range(2, 6))
    view: View = match[1].replace("-", "_")  # type: ignore[assignment]
    if math.hypot(x2 - x1, y2 - y1) < MIN_MARKED_PX:
        raise OptionError(
            f"the two points of “{text}” are less than {MIN_MARKED_PX:g} px apart",
            where="--known-length",
            allowed=f"two points at least {MIN_MARKED_PX:g} px apart; the farther, the better",
            next_step="mark the two ends of something longer, such as the side rail of the treadmill",
        )
    return KnownLength(view, (x1, y1), (x2, y2), parse_length(match[6], "--known-length", KNOWN_LENGTH_M))


@attrs.frozen(kw_only=True)
class FilmSettings:
    """What is known of one film alone; None where what is said of all films holds."""

    capture_fps: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    runner_x: float | None = None
    readout_s: float | None = None


@attrs.frozen(kw_only=True)
class Settings:
    """One assessment as asked for. Lengths m, mass kg, speed m/s, rates Hz, times s of the film as a player shows it.

    ``by_film`` holds what is known of single films and goes before what is said of all; ``film_names`` what people call
    them, where the names of the files say nothing.
    """

    films: Mapping[View, Path]
    speed_mps: float
    surface: Surface = "treadmill"
    runner: Runner = attrs.field(factory=Runner)
    runner_label: str = "Runner"
    capture_fps: float | None = None
    start_s: float | None = None
    end_s: float | None = None
    known_lengths: tuple[KnownLength, ...] = ()
    runner_x: float | None = None
    landmark_rate_hz: float = 120.0
    runtime: Literal["openvino", "litert"] | None = None
    overlay: Literal["part", "whole", "none"] = "part"
    invented: bool = False
    corrections: tuple[Correction, ...] = ()
    marks: Marks | None = None
    readout_s: float | None = None
    by_film: Mapping[View, FilmSettings] = attrs.field(factory=dict)
    film_names: Mapping[View, str] = attrs.field(factory=dict)
    overruled: tuple[Overruled, ...] = ()

    def of(self, view: View) -> Settings:
        """Return the settings with what is known of one film put in place of what is said of all."""
        one = self.by_film.get(view)
        if one is None:
            return self
        known = {k: v for k, v in attrs.asdict(one).items() if v is not None}
        return attrs.evolve(self, by_film={}, **known)

    def __attrs_post_init__(self) -> None:
        for view in self.by_film:
            if view in self.films:
                self.of(view)  # checks its values
        if not self.films:
            raise OptionError(
                "no film given",
                where="--side, --rear, --front",
                allowed="one film for each view, at least one in all",
                next_step="give the films, such as: midstance assess --side side.mp4 --pace 5:00/km",
            )
        if "side_far" in self.films and "side" not in self.films:
            raise OptionError(
                "a film of the other side is given, but none from the side",
                where="--side-far",
                allowed="--side with one side of the runner, --side-far with the other",
                next_step="give the film as --side",
            )
        _checked_speed(self.speed_mps, "speed")
        for view, path in self.films.items():
            if any(unicodedata.category(c) == "Cs" for c in str(path)):
                raise OptionError(
                    "the film's name is not written in the way this system reads names (UTF-8)",
                    where=f"{option(view)} {str(path).encode('utf-8', 'replace').decode()}",
                    allowed="names of letters, digits and signs",
                    next_step="rename the film",
                )
        _check_part(self.start_s, self.end_s)
        if self.runner_x is not None and not 0 <= self.runner_x <= 1:
            raise OptionError(
                f"{self.runner_x:g} is not a place in the picture",
                where="--runner-x",
                allowed="0 (left edge) to 1 (right edge)",
                next_step="give the share of the picture's width where the runner is, such as 0.5 for the middle",
            )
        low, high = LANDMARK_RATE_HZ
        if not low <= self.landmark_rate_hz <= high:
            raise OptionError(
                f"landmarks can't be read at {self.landmark_rate_hz:g} Hz",
                where="--landmark-rate",
                allowed=f"{low:g} Hz, below which a foot can't be followed, to {high:g} Hz",
                next_step="leave it out, or give 1000 for every frame",
            )
        if self.capture_fps is not None and not 1 <= self.capture_fps <= 10000:
            raise OptionError(
                f"a capture rate of {self.capture_fps:g} fps is not possible",
                where="--capture-fps",
                allowed="1 to 10000 fps",
                next_step="give the rate the camera was set to",
            )
        _check_label(self.runner_label)
        for known in self.known_lengths:
            if known.view not in self.films:
                raise OptionError(
                    f"a length is marked for the {known.view} film, but there is none",
                    where="--known-length",
                    allowed=" or ".join(self.films),
                    next_step=f"give {option(known.view)}, or mark the length in a film that is given",
                )
        for correction in self.corrections:
            if correction.view not in self.films:
                raise OptionError(
                    f"the {correction.view} film is corrected at {correction.time_s:g} s, but there is none",
                    where="--corrections",
                    allowed=" or ".join(self.films),
                    next_step=f"give {option(correction.view)}, or take the correction out of the file",
                )
        paths = [p.resolve() for p in self.films.values()]
        if len(set(paths)) < len(paths):
            raise OptionError(
                "the same film is given for two views",
                where="--side, --side-far, --rear, --front",
                allowed="a film of its own for each view",
                next_step="leave out the view that this film does not show",
            )

    def as_dict(self) -> dict[str, Any]:
        """Return what is kept with the results: all that changes the numbers, no folders."""
        return {
            "speed_mps": self.speed_mps,
            "surface": self.surface,
            "height_m": self.runner.height_m,
            "mass_kg": self.runner.mass_kg,
            "body_table": self.runner.body_table,
            "capture_fps": self.capture_fps,
            "start_s": self.start_s,
            "end_s": self.end_s,
            "known_lengths": [attrs.asdict(k) for k in self.known_lengths],
            "runner_x": self.runner_x,
            "marks": dict(self.marks.raw) if self.marks is not None else None,
            "readout_s": self.readout_s,
            "landmark_rate_hz": self.landmark_rate_hz,
            "runtime": self.runtime or "openvino, else litert",
            **self._of_single_films(),
        }

    def _of_single_films(self) -> dict[str, Any]:
        known = {
            view: {k: v for k, v in attrs.asdict(one).items() if v is not None}
            for view, one in self.by_film.items()
        }
        return {"by_film": {v: k for v, k in known.items() if k}} if any(known.values()) else {}
