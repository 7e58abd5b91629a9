"""What a column's name says: force, moment, centre of pressure or time; axis; plate; unit."""

from __future__ import annotations

import re
from typing import Literal

import attrs

Quantity = Literal["time", "force", "moment", "cop", "free moment"]
#: Axis as named: letters are the file's own axes, words are directions.
Axis = Literal["x", "y", "z", "forward", "up", "right", "left"]

#: Multiples of N, N m, m and s.
FORCE_UNITS = {"n": 1.0, "newton": 1.0, "newtons": 1.0, "kn": 1000.0, "mn": 0.001, "kgf": 9.81, "kg": 9.81, "lbf": 4.4482216}
MOMENT_UNITS = {"nm": 1.0, "n.m": 1.0, "nmm": 0.001, "n.mm": 0.001, "ncm": 0.01, "knm": 1000.0}
LENGTH_UNITS = {"m": 1.0, "mm": 0.001, "cm": 0.01, "in": 0.0254}
TIME_UNITS = {"s": 1.0, "sec": 1.0, "seconds": 1.0, "second": 1.0, "ms": 0.001, "us": 1e-6}
BODY_WEIGHT = {"bw", "bodyweight", "bodyweights", "xbw"}

_TIME = re.compile(r"^(force_?)?(time|zeit|temps|tiempo|t|timestamp|seconds?|abs time)\b", re.I)
_COP = re.compile(r"c\.?o\.?p|cent(er|re)[ _.-]*of[ _.-]*pressure|(?<![a-z])c?p[ _.-]?[xyz](?![a-z])", re.I)
_FREE = re.compile(r"free[ _.-]*(moment|torque)|(?<![a-z])t[ _.-]?z(?![a-z])", re.I)
_MOMENT = re.compile(r"moment|torque|(?<![a-z])m[ _.-]?\d*[ _.-]?[xyz](?![a-z])", re.I)
_FORCE = re.compile(r"force|grf|(?<![a-z])v?f[ _.-]?\d*[ _.-]?[xyzv](?![a-z])|vertical|propuls|brak", re.I)
_WORDS: tuple[tuple[str, Axis], ...] = (
    (r"vertical|(?<![a-z])up(?![a-z])|vgrf|grf[ _.-]?v(?![a-z])|(?<![a-z])fv(?![a-z])|(?<![a-z])vert(?![a-z])", "up"),
    (
        r"forward|fore[ _.-]?aft|anterior|antero|(?<![a-z])ap(?![a-z])|ant[ _.-]?post|progression|travel|braking|propulsi",
        "forward",
    ),
    (r"medio|lateral|sideways|(?<![a-z])ml(?![a-z])|rightward|(?<![a-z])right(?![a-z])", "right"),
    (r"leftward", "left"),
)
_LETTER = re.compile(
    r"(?<![a-z])(?:force|moment|torque|cop|grf|[fmcptv]+)?[ _.-]*(?:v|p|m)?[ _.-]*\d*[ _.-]*([xyz])(?![a-z])", re.I
)
_UNIT_BRACKET = re.compile(r"[\[(]\s*([^\])]*?)\s*[\])]")
_PLATE = re.compile(r"(?:plate|fp|platform|force|cop|belt|[fmxyz])[ _.-]*(\d{1,2})(?![\d.])|^(\d{1,2})[ _.-]", re.I)


@attrs.frozen
class Column:
    """A column as its name reads.

    ``scale`` multiplies its values to give SI units (body weights stay body weights); None where no unit is named.
    ``body_weights`` is True where the unit is body weight. ``side`` "left" or "right" for a belt's columns.
    """

    index: int
    name: str
    quantity: Quantity | None
    axis: Axis | None
    plate: int
    unit: str
    scale: float | None
    body_weights: bool = False


def read_column(index: int, name: str, unit: str = "") -> Column:
    """Read a column's name and, where the file has a row of units, its unit."""
    text, named = _split_unit(name)
    given = unit.strip() or named
    quantity = _quantity(text)
    axis = None if quantity in (None, "time") else _axis(text, quantity)
    plate = _plate(text)
    key = re.sub(r"[\s·*^()]", "", given.lower()).replace("n-m", "nm")
    table = {
        "force": FORCE_UNITS,
        "moment": MOMENT_UNITS,
        "free moment": MOMENT_UNITS,
        "cop": LENGTH_UNITS,
        "time": TIME_UNITS,
    }
    if quantity == "force" and key in BODY_WEIGHT:
        return Column(index, name, quantity, axis, plate, "BW", 1.0, True)
    scale = table[quantity].get(key) if quantity is not None else None
    return Column(index, name, quantity, axis, plate, given if scale is not None else "", scale)


def _split_unit(name: str) -> tuple[str, str]:
    """Take the unit off a name: in brackets, or after the last underscore."""
    found = _UNIT_BRACKET.search(name)
    if found:
        return name[: found.start()] + name[found.end() :], found.group(1)
    stem, _, tail = name.rpartition("_")
    everything = {*FORCE_UNITS, *MOMENT_UNITS, *LENGTH_UNITS, *TIME_UNITS, *BODY_WEIGHT}
    if stem and tail.lower() in everything:
        return stem, tail
    return name, ""


def _quantity(text: str) -> Quantity | None:
    plain = text.strip()
    if _TIME.search(plain):
        return "time"
    if _FREE.search(plain):
        return "free moment"
    # A name of the kind ground_force_px or ground_torque_y says force first and then what it is.
    if re.search(r"force[ _.-]*p[ _.-]?[xyz]$", plain, re.I) or _COP.search(plain):
        return "cop"
    if _MOMENT.search(plain):
        return "moment"
    if _FORCE.search(plain):
        return "force"
    return None


def _axis(text: str, quantity: Quantity | None) -> Axis | None:
    for pattern, axis in _WORDS:
        if re.search(pattern, text, re.I):
            return axis
    letters = _LETTER.findall(re.sub(r"(?i)plate|platform|force(?=[ _.-]*\d)", " ", text))
    if letters:
        return letters[-1].lower()  # type: ignore[no-any-return]
    return "up" if quantity == "force" else None


def _plate(text: str) -> int:
    if re.search(r"(?<![a-z])(left|l)(?=[ _.-]*(belt|plate|f[xyz]|force|grf|foot|fp))", text, re.I):
        return 1
    if re.search(r"(?<![a-z])(right|r)(?=[ _.-]*(belt|plate|f[xyz]|force|grf|foot|fp))", text, re.I):
        return 2
    found = _PLATE.search(text)
    return int(next(g for g in found.groups() if g)) if found else 0
