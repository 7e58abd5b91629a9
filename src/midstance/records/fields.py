"""What may be written into the records: lengths, ranges, characters. All faults of a form are told in one message."""

from __future__ import annotations

import datetime as dt
import json
import math
import re
import unicodedata
from collections.abc import Callable, Mapping
from typing import Any

from midstance.errors import NotFoundError, OptionError

#: The same as in ``assess.settings`` and ``camera``, which this room may not import or would load slowly; a test holds them
#: together.
SPEED_MPS = (1.2, 12.5)
HEIGHT_M = (1.0, 2.3)
MASS_KG = (20.0, 250.0)
KNOWN_LENGTH_M = (0.05, 100.0)
MIN_MARKED_PX = 10.0
READOUT_S = (0.0, 0.042)
VIEWS = ("side", "side_far", "rear", "front")
MARKS_SCHEMA = 1
CAPTURE_FPS = (1.0, 10000.0)
MAX_NAME = 80
MAX_NOTES = 5000
MAX_JSON_BYTES = 200_000
#: Pictures are no larger than this, px.
MAX_PX = 20000.0
WEEKLY_KM = (0.0, 400.0)
PAIN = (0.0, 10.0)
MAX_PAINS = 20
MAX_KNOWN_LENGTHS = 20
#: The longest film that a part can be chosen of, s.
MAX_FILM_S = 86400.0
EARLIEST = dt.date(1970, 1, 1)
BODY_TABLES = ("male", "female", "mean")
CONSENTS = ("not_asked", "given", "withdrawn")
SURFACES = ("treadmill", "overground")

#: Signs that turn the direction of writing round or can't be seen: a name must not look like another one.
_HIDDEN = frozenset("\u200b\u200e\u200f\u061c\u2060\ufeff\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
_NOT_PRINTED = ("Cc", "Cs", "Zl", "Zp")
_LOOKS_WRONG = "no control characters or signs that turn the direction of writing round"

Check = Callable[[Any], Any]


class Fault(Exception):
    """A value that can't be taken: what is wrong, and what is allowed."""

    def __init__(self, what: str, allowed: str) -> None:
        super().__init__(what)
        self.what, self.allowed = what, allowed


def checked(fields: Mapping[str, Any], checks: Mapping[str, Check], *, required: tuple[str, ...] = ()) -> dict[str, Any]:
    """Return the fields as they may be kept.

    Raises
    ------
    OptionError
        One for all faults; ``where`` names the fields, separated by commas.
    """
    clean: dict[str, Any] = {}
    faults: list[tuple[str, Fault]] = []
    for name, value in fields.items():
        if name not in checks:
            faults.append((_shown(name), Fault("there is no such field", "fields: " + ", ".join(checks))))
            continue
        try:
            clean[name] = checks[name](value)
        except Fault as fault:
            faults.append((name, fault))
    lacking = [name for name in required if name not in fields]
    faults += [(name, Fault("it is missing", "a value")) for name in lacking]
    if faults:
        raise together(faults)
    return clean


def together(faults: list[tuple[str, Fault]]) -> OptionError:
    """Return the error that tells all faults at once."""
    one = len(faults) == 1
    return OptionError(
        "; ".join(fault.what if one else f"{name}: {fault.what}" for name, fault in faults),
        where=", ".join(name for name, _ in faults),
        allowed="; ".join(dict.fromkeys(fault.allowed if one else f"{name}: {fault.allowed}" for name, fault in faults)),
        next_step="correct it and save again; nothing was changed",
    )


def text(most: int, *, least: int = 0, lines: bool = False) -> Check:
    """Return a check for text of at most ``most`` characters, on one line unless ``lines``."""
    span = f"{least} to {most} characters" if least else f"up to {most} characters"
    allowed = f"{span}{'' if lines else ' on one line'}, {_LOOKS_WRONG}"

    def check(value: Any) -> str:
        if value is None and not least:
            return ""
        if not isinstance(value, str):
            raise Fault("it is not text", allowed)
        if len(value) > 4 * most:  # before anything is done with it
            raise Fault(f"it has {len(value)} characters", allowed)
        clean = unicodedata.normalize("NFC", value.replace("\r\n", "\n")).strip()
        kept = clean.replace("\n", "").replace("\t", "") if lines else clean
        if any(c in _HIDDEN or unicodedata.category(c) in _NOT_PRINTED for c in kept):
            raise Fault("it holds characters that can't be printed", allowed)
        if len(clean) < least:
            raise Fault("it is empty", allowed)
        if len(clean) > most:
            raise Fault(f"it has {len(clean)} characters", allowed)
        return clean

    return check


name = text(MAX_NAME, least=1)
person = text(MAX_NAME)
notes = text(MAX_NOTES, lines=True)


def number(low: float, high: float, unit: str = "", *, needed: bool = False) -> Check:
    """Return a check for a number within limits; nothing at all is allowed unless ``needed``."""
    allowed = f"{low:g} to {high:g}{' ' + unit if unit else ''}"

    def check(value: Any) -> float | None:
        if value is None or (isinstance(value, str) and not value.strip()):
            if needed:
                raise Fault("it is missing", allowed)
            return None
        return _number(value, low, high, allowed)

    return check


def _number(value: Any, low: float, high: float, allowed: str) -> float:
    if isinstance(value, str) and re.fullmatch(r"\s*-?[0-9]{1,9}([.,][0-9]{1,12})?\s*", value, re.ASCII):
        value = float(value.replace(",", "."))
    # The limits come first: a whole number of any length compares, but not all fit a float.
    if isinstance(value, bool) or not isinstance(value, int | float) or not low <= value <= high or not math.isfinite(value):
        raise Fault(f"{_shown(value)} can't be used", allowed)
    return float(value)


def whole(low: int, high: int) -> Check:
    """Return a check for a whole number within limits, or nothing."""
    inner = number(low, high)

    def check(value: Any) -> int | None:
        got = inner(value)
        if got is not None and got != int(got):
            raise Fault(f"{_shown(value)} can't be used", f"a whole number from {low} to {high}")
        return None if got is None else int(got)

    return check


def birth_year(value: Any) -> int | None:
    """Check the year of birth."""
    got = whole(1900, dt.date.today().year)(value)
    return None if got is None else int(got)


def date(*, needed: bool = False) -> Check:
    """Return a check for a day that has been; tomorrow is allowed, since it may have begun elsewhere."""

    def check(value: Any) -> dt.date | None:
        latest = dt.date.today() + dt.timedelta(days=1)
        allowed = f"a day from {EARLIEST} to {latest}, written as 2026-05-03"
        if value is None or value == "":
            if needed:
                raise Fault("it is missing", allowed)
            return None
        if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value.strip(), re.ASCII):
            try:
                value = dt.date.fromisoformat(value.strip())
            except ValueError:
                raise Fault(f"{_shown(value)} is not a day", allowed) from None
        if isinstance(value, dt.datetime) or not isinstance(value, dt.date) or not EARLIEST <= value <= latest:
            raise Fault(f"{_shown(value)} can't be used", allowed)
        return value

    return check


def choice(*options: str) -> Check:
    """Return a check for one of some words."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or value not in options:
            raise Fault(f"{_shown(value)} can't be used", " or ".join(options))
        return value

    return check


def flag(value: Any) -> bool:
    """Check a yes or no."""
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value.lower() in ("true", "on", "yes", "1", "false", "off", "no", "0", ""):
        return value.lower() in ("true", "on", "yes", "1")
    raise Fault(f"{_shown(value)} can't be used", "true or false")


def pain(value: Any) -> list[dict[str, Any]]:
    """Check a list of {"where", "score_0_10", "note"}."""
    allowed = f"a list of up to {MAX_PAINS} places, each with where (text), score_0_10 (0 to 10) and note (text)"
    if value is None:
        return []
    if not isinstance(value, list) or len(value) > MAX_PAINS:
        raise Fault("it is not a list of places, or too long", allowed)
    checks = {"where": text(80, least=1), "score_0_10": number(*PAIN, needed=True), "note": text(200)}
    out = []
    for i, one in enumerate(value, start=1):
        entry = _entry(one, checks, ("where", "score_0_10"), f"{i}. place", allowed)
        out.append({"where": entry["where"], "score_0_10": entry["score_0_10"], "note": entry.get("note", "")})
    return out


def known_lengths(value: Any) -> list[dict[str, Any]]:
    """Check a list of {"first_px": [x, y], "second_px": [x, y], "length_m"}."""
    allowed = (
        f"a list of up to {MAX_KNOWN_LENGTHS}, each with first_px and second_px (two numbers, at least "
        f"{MIN_MARKED_PX:g} px apart) and length_m ({KNOWN_LENGTH_M[0]:g} to {KNOWN_LENGTH_M[1]:g})"
    )
    if value is None:
        return []
    if not isinstance(value, list) or len(value) > MAX_KNOWN_LENGTHS:
        raise Fault("it is not a list of lengths, or too long", allowed)
    checks = {"first_px": _point, "second_px": _point, "length_m": number(*KNOWN_LENGTH_M, "m", needed=True)}
    out = []
    for i, one in enumerate(value, start=1):
        entry = _entry(one, checks, tuple(checks), f"{i}. length", allowed)
        if math.dist(entry["first_px"], entry["second_px"]) < MIN_MARKED_PX:
            raise Fault(f"{i}. length: the two points are less than {MIN_MARKED_PX:g} px apart", allowed)
        out.append(entry)
    return out


def _point(value: Any) -> list[float]:
    allowed = "two numbers, px of the upright picture"
    if not isinstance(value, list | tuple) or len(value) != 2:
        raise Fault("it is not a point", allowed)
    return [_number(v, 0.0, MAX_PX, allowed) for v in value]


def _entry(raw: Any, checks: Mapping[str, Check], needed: tuple[str, ...], place: str, allowed: str) -> dict[str, Any]:
    if not isinstance(raw, Mapping) or set(raw) - set(checks) or [n for n in needed if n not in raw]:
        raise Fault(f"{place}: it lacks something, or holds something unknown", allowed)
    out = {}
    for key, value in raw.items():
        try:
            out[key] = checks[key](value)
        except Fault as fault:
            raise Fault(f"{place}, {key}: {fault.what}", fault.allowed) from None
    return out


def marks(value: Any) -> dict[str, Any]:
    """Check a film's entry of a marks file (docs/marks.md): shape and limits, not yet against the film."""
    from midstance.camera.marks import parse_marks  # takes a second to load; most changes have no marks

    if value is None:
        return {}
    if not isinstance(value, Mapping):
        raise Fault("it is not an object", "a film's entry of a marks file")
    try:
        size = len(json.dumps(value, allow_nan=False))
    except (TypeError, ValueError, RecursionError):
        raise Fault("it holds something that isn't JSON", "a film's entry of a marks file") from None
    if size > MAX_JSON_BYTES:
        raise Fault("it is too large for marks", f"up to {MAX_JSON_BYTES // 1000} kB")
    ground = value.get("ground")
    if isinstance(ground, Mapping) and "film" in ground:
        raise Fault(
            "ground.film: a board in another film can't be named here", "a board shown in the film itself"
        )
    try:
        parse_marks({"schema": MARKS_SCHEMA, "films": {"side": dict(value)}}, where="marks")
    except OptionError as error:
        raise Fault(f"{error.where.removeprefix('marks: ').removeprefix('side.')}: {error.what}", error.allowed) from None
    plain = json.loads(json.dumps(value))
    if _unprintable(plain):
        raise Fault("it holds characters that can't be kept", _LOOKS_WRONG)
    return dict(plain)


def _unprintable(value: Any) -> bool:
    """Whether a text anywhere in it can't be kept in every database."""
    if isinstance(value, str):
        return any(unicodedata.category(c) in ("Cc", "Cs") and c not in "\n\t" for c in value)
    if isinstance(value, Mapping):
        return any(_unprintable(k) or _unprintable(v) for k, v in value.items())
    return isinstance(value, list) and any(_unprintable(v) for v in value)


def plain(value: Any) -> Any:
    """Return a value as JSON that every database takes: numbers that aren't finite become None, odd characters go."""
    if isinstance(value, Mapping):
        return {str(plain(str(k))): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, str):
        return "".join("\ufffd" if c == "\0" or unicodedata.category(c) == "Cs" else c for c in value)
    if value is None or isinstance(value, bool | int):
        return value
    if isinstance(value, dt.date | dt.datetime):
        return value.isoformat()
    number = float(value)  # numpy's numbers too
    return number if math.isfinite(number) else None


RUNNER: Mapping[str, Check] = {
    "name": name,
    "birth_year": birth_year,
    "height_m": number(*HEIGHT_M, "m"),
    "mass_kg": number(*MASS_KG, "kg"),
    "body_table": choice(*BODY_TABLES),
    "notes": notes,
    "consent": choice(*CONSENTS),
    "consent_on": date(),
    "consent_by": person,
    "consent_text": text(2000, lines=True),
    "invented": flag,
}
SESSION: Mapping[str, Check] = {
    "held_on": date(needed=True),
    "place": text(80),
    "surface": choice(*SURFACES),
    "speed_mps": number(*SPEED_MPS, "m/s"),
    "shoes": text(120),
    "weekly_distance_km": number(*WEEKLY_KM, "km"),
    "pain": pain,
    "notes": notes,
}
FILM: Mapping[str, Check] = {
    "view": choice(*VIEWS),
    "used": flag,
    "name": text(120),
    "capture_fps": number(*CAPTURE_FPS, "fps"),
    "start_s": number(0.0, MAX_FILM_S, "s"),
    "end_s": number(0.0, MAX_FILM_S, "s"),
    "runner_x": number(0.0, 1.0),
    "readout_s": number(*READOUT_S, "s"),
    "known_lengths": known_lengths,
    "marks": marks,
}


def sha256(value: Any) -> str:
    """Return a SHA-256 sum, or stop at what isn't one (the program's fault, not the user's)."""
    if not (isinstance(value, str) and re.fullmatch(r"[0-9a-f]{64}", value, re.ASCII)):
        raise ValueError(f"not a SHA-256 sum: {_shown(value)}")
    return value


def an_id(value: Any, what: str) -> str:
    """Return an id as it may be looked for.

    Raises
    ------
    NotFoundError
        Nothing has such an id.
    """
    if not (isinstance(value, str) and re.fullmatch(r"[0-9a-f]{16}", value, re.ASCII)):
        raise missing(what, value)
    return value


def missing(what: str, wanted: Any) -> NotFoundError:
    """Return the error for something that isn't in the records."""
    return NotFoundError(
        f"there is no such {what}",
        where=f"{what} {str(wanted)[:16] if str(wanted).isprintable() else '?'}",
        allowed=f"the id of a {what} that is in the records",
        next_step="go back to the list; somebody may have removed it",
    )


def _shown(value: Any) -> str:
    """Return a value short and printable, for messages."""
    shown = repr(value)[:40] if not isinstance(value, int) or abs(value) < 10**30 else "a very large number"
    return "".join(c if c.isprintable() and unicodedata.category(c) != "Cs" else "?" for c in shown)
