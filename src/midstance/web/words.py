"""How pages say dates, paces, sizes and measures: plain, British, with units."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping
from typing import Any

from midstance.assess.settings import parse_height, parse_mass, parse_pace, parse_speed
from midstance.errors import MidstanceError, OptionError
from midstance.findings.words import MINUS, number
from midstance.gait.registry import REGISTRY
from midstance.report.tables import FILM_TITLES, shown, title_of

__all__ = ["MINUS", "number", "parse_height", "parse_mass", "title_of"]

MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
VIEWS: Mapping[str, str] = {str(k): v for k, v in FILM_TITLES.items()}
VIEW_WORDS: Mapping[str, str] = {"side": "side", "side_far": "other side", "rear": "rear", "front": "front"}
SURFACES: Mapping[str, str] = {"treadmill": "treadmill", "overground": "overground"}
JOB_KINDS: Mapping[str, str] = {
    "prepare": "Preparing a film",
    "read": "Reading landmarks",
    "assess": "Making a report",
    "validate": "Checking accuracy",
    "check": "Checking a trial film",
}


def day(date: dt.date | None) -> str:
    """Return "3 May 2026"; "" for no date."""
    return f"{date.day} {MONTHS[date.month - 1]} {date.year}" if date else ""


def moment(at: dt.datetime | None) -> str:
    """Return "3 May 2026, 14:05 UTC"; browsers put their own zone in its place."""
    return f"{day(at.date())}, {at:%H:%M} UTC" if at else ""


def ago(at: dt.datetime | None, now: dt.datetime | None = None) -> str:
    """Return how long ago something was: "just now", "5 minutes ago", "yesterday", or the date."""
    if at is None:
        return ""
    seconds = ((now or dt.datetime.now(dt.UTC)) - at).total_seconds()
    if seconds < 90:
        return "just now"
    for size, most, unit in ((60, 3600, "minute"), (3600, 86400, "hour")):
        if seconds < most:
            return plural(round(seconds / size), unit) + " ago"
    return "yesterday" if seconds < 2 * 86400 else day(at.date())


def plural(count: float, one: str, many: str = "") -> str:
    """Return "1 film", "2 films"."""
    return f"{count:g} {one if count == 1 else many or one + 's'}"


def pace(speed_mps: float | None) -> str:
    """Return "5:00 per km (12.0 km/h)"; "" when it isn't known."""
    if not speed_mps:
        return ""
    seconds = round(1000 / speed_mps)
    return f"{seconds // 60}:{seconds % 60:02d} per km ({speed_mps * 3.6:.1f} km/h)"


def short_pace(speed_mps: float | None) -> str:
    """Return "5:00/km", as one may type it; "" when it isn't known."""
    if not speed_mps:
        return ""
    seconds = round(1000 / speed_mps)
    return f"{seconds // 60}:{seconds % 60:02d}/km"


def speed_text(speed_mps: float | None) -> str:
    """Return the speed as text that reads back to the same number: a pace where that is exact, else m/s."""
    if not speed_mps:
        return ""
    text = short_pace(speed_mps)
    if abs(parse_pace(text) - speed_mps) < 1e-6:
        return text
    kmh = f"{round(3.6 * speed_mps, 2):g} km/h"
    return kmh if abs(parse_speed(kmh) - speed_mps) < 1e-6 else f"{speed_mps:.4g} m/s"


def parse_running_speed(text: str) -> float | None:
    """Return m/s from a pace or a speed, such as "5:00/km", "12 km/h" or "3.33 m/s"; None for an empty text.

    Raises
    ------
    OptionError
        It is neither, or no running speed.
    """
    text = text.strip()
    if not text:
        return None
    if ":" in text:
        return parse_pace(text.lower().replace("per", "/").replace("min", "").replace(" ", ""))
    try:
        return parse_speed(text)
    except OptionError as error:
        if error.what.endswith("is not a speed"):
            raise OptionError(
                f"“{text[:40]}” is neither a pace nor a speed",
                where="pace",
                allowed="5:00/km, 8:02/mi, 12 km/h, 3.33 m/s or 7.5 mph",
                next_step="write the number with its unit",
            ) from error
        raise


def parse_number(text: str, what: str, low: float, high: float, unit: str) -> float | None:
    """Return a number with a point or comma, its unit allowed but not needed; None for an empty text."""
    cleaned = text.strip().lower().removesuffix(unit.lower()).strip().replace(",", ".")
    if not text.strip():
        return None
    try:
        value = float(cleaned)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise OptionError(
            f"“{text.strip()[:40]}” is not {what}",
            where=what,
            allowed=f"{low:g} to {high:g} {unit}".rstrip(),
            next_step="check the number",
        )
    return value


def parse_body_height(text: str) -> float | None:
    """Return metres from "1.78 m", "178 cm" or a bare "178"; None for an empty text."""
    cleaned = text.strip().replace(",", ".")
    if not cleaned:
        return None
    bare = cleaned.replace(".", "", 1).isdigit() and cleaned.isascii()
    return parse_height(f"{cleaned} cm" if bare and float(cleaned) >= 100 else cleaned)


def fault_text(error: MidstanceError) -> str:
    """Return a fault as it stands beside a field: what, and what would be right."""
    what = error.what[:1].upper() + error.what[1:]
    return f"{what}. Possible: {error.allowed}." if error.allowed else f"{what}."


def size(count: float | None) -> str:
    """Return bytes as "412 MB"."""
    value = float(count or 0)
    for unit in ("bytes", "kB", "MB", "GB"):
        if value < 1000:
            return f"{value:.0f} {unit}" if unit in ("bytes", "kB") or value >= 100 else f"{value:.1f} {unit}"
        value /= 1000
    return f"{value:.1f} TB"


def seconds(value: float | None) -> str:
    """Return a length of time: "4.2 s", "3 min 20 s"."""
    if value is None:
        return ""
    if value < 60:
        return f"{value:.1f} s"
    minutes, rest = divmod(round(value), 60)
    return f"{minutes} min {rest:02d} s" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def measured(
    key: str, unit: str, value: float | None, low: float | None = None, high: float | None = None
) -> dict[str, str]:
    """Return a measure as people read it: ``value`` with its unit, ``interval`` "171.8 to 173.1" and ``half`` "± 0.6"."""
    if value is None:
        return {"value": "", "interval": "", "half": "", "unit": ""}
    factor, word, decimals = shown(key, unit)
    out = {"value": with_unit(number(factor * value, decimals), word), "unit": word, "interval": "", "half": ""}
    if low is not None and high is not None:
        out["interval"] = f"{number(factor * low, decimals)} to {number(factor * high, decimals)}"
        out["half"] = f"± {number(factor * (high - low) / 2, decimals)}"
    return out


def with_unit(text: str, unit: str) -> str:
    """Return "12°" or "248 ms"; a plain number stands alone."""
    return f"{text}{unit}" if unit in ("°", "") else f"{text} {unit}"


def sides_of(key: str) -> tuple[str, ...]:
    """Return the sides a measure is given for."""
    return REGISTRY[key].sides if key in REGISTRY else ("left", "right", "both")


def consent_words(consent: str) -> str:
    """Return what a runner's consent is."""
    return {"not_asked": "not asked yet", "given": "given", "withdrawn": "withdrawn"}.get(consent, consent)


FILTERS: Mapping[str, Callable[..., Any]] = {
    "day": day,
    "moment": moment,
    "ago": ago,
    "pace": pace,
    "short_pace": short_pace,
    "size": size,
    "seconds": seconds,
    "plural": plural,
    "view_title": lambda v: VIEWS.get(v, v),
    "view_word": lambda v: VIEW_WORDS.get(v, v),
    "job_kind": lambda k: JOB_KINDS.get(k, k),
    "consent": consent_words,
    "upper_first": lambda t: t[:1].upper() + t[1:],
}
