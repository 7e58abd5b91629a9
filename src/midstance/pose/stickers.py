"""Stickers: bright, dark or coloured dots stuck on skin or shoe, clicked once in a film, and their paths.

A sticker is named by side and place, as in ``left_heel_top``. ``PLACES`` says which places are known, in which views they
mean something, which part of the body carries them and which landmark they take the place of.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Literal

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.errors import OptionError
from midstance.gait.model import SIDES, Floats, Side, State, View, seen_as

StickerSource = Literal["clicked", "found"]


@attrs.frozen
class Place:
    """A place on the body where a sticker goes.

    ``carriers`` are the landmarks (without side) of the line that carries it, ``near`` landmarks whose motion helps to
    predict it. ``landmark`` is the landmark it takes the place of, None where it takes none.
    """

    name: str
    words: str
    views: tuple[View, ...]
    carriers: tuple[str, str]
    near: tuple[str, ...] = ()
    landmark: str | None = None


_ALL: tuple[View, ...] = ("side", "rear", "front")
#: Every place a sticker can have.
PLACES: dict[str, Place] = {
    p.name: p
    for p in (
        Place("heel_top", "top of the heel counter", ("rear",), ("ankle", "heel"), ("toe", "knee")),
        Place("heel_bottom", "bottom of the heel counter", ("rear",), ("ankle", "heel"), ("toe", "knee")),
        Place("shank_top", "middle of the calf", ("rear",), ("knee", "ankle"), ("hip",)),
        Place("shank_bottom", "above the heel on the Achilles line", ("rear",), ("knee", "ankle"), ("hip",)),
        Place("psis", "bony point at the back of the pelvis (PSIS)", ("rear",), ("hip", "shoulder"), ("knee",)),
        Place("asis", "bony point at the front of the pelvis (ASIS)", ("front",), ("hip", "shoulder"), ("knee",)),
        Place("hip", "outside of the hip (greater trochanter)", ("side",), ("hip", "knee"), ("shoulder",), "hip"),
        Place("knee", "knee joint", _ALL, ("knee", "ankle"), ("hip",), "knee"),
        Place("ankle", "ankle joint (outer ankle bone)", _ALL, ("ankle", "knee"), ("heel", "toe"), "ankle"),
        Place("heel", "back of the shoe", ("side",), ("heel", "ankle"), ("toe", "knee"), "heel"),
        Place("toe", "front of the shoe", ("side",), ("toe", "ankle"), ("heel", "knee"), "toe"),
    )
}
#: Longest time of one click: later ones can't be of a film that is measured.
_MAX_TIME_S = 24 * 3600.0
MAX_CLICKS = 200


@attrs.frozen
class StickerMark:
    """One click on a sticker: its name, file time (s, as a player shows it), place in px of the upright picture."""

    name: str
    time_s: float
    x_px: float
    y_px: float
    radius_px: float | None = None
    source: StickerSource = "clicked"

    @property
    def side(self) -> Side:
        """The side of the body."""
        return "left" if self.name.startswith("left_") else "right"

    @property
    def place(self) -> Place:
        """The place on the body."""
        return PLACES[self.name.split("_", 1)[1]]


def sticker_names(view: View) -> tuple[str, ...]:
    """Return the names stickers may have in a view."""
    return tuple(f"{s}_{p.name}" for s in SIDES for p in PLACES.values() if seen_as(view) in p.views)


def parse_stickers(raw: Any, view: View, width: int, height: int, *, where: str = "stickers") -> tuple[StickerMark, ...]:
    """Return the clicks of one film from the list of a marks file.

    Parameters
    ----------
    raw : list of ``{"name", "time_s", "x_px", "y_px"}``, optionally ``"radius_px"``.
    view, width, height : of the film; pixels are those of its upright picture.
    where : begins the place named in error messages.

    Raises
    ------
    OptionError
        What is wrong, in which entry, and what is allowed.
    """
    if not isinstance(raw, Sequence) or isinstance(raw, str | bytes):
        raise _bad("this is not a list", where, 'a list of {"name", "time_s", "x_px", "y_px"}')
    if len(raw) > MAX_CLICKS:
        raise _bad(f"{len(raw)} clicks", where, f"at most {MAX_CLICKS} clicks of one film; one of each dot is enough")
    marks: list[StickerMark] = []
    for i, entry in enumerate(raw):
        place = f"{where}[{i}]"
        if not isinstance(entry, Mapping):
            raise _bad("this is not an object", place, '{"name", "time_s", "x_px", "y_px"}')
        known = {"name", "time_s", "x_px", "y_px", "radius_px"}
        unknown = sorted(str(k) for k in entry if k not in known)
        if unknown:
            raise _bad(f"unknown field “{unknown[0][:40]}”", place, ", ".join(sorted(known)))
        name = entry.get("name")
        if not isinstance(name, str) or name not in sticker_names(view):
            shown = f"“{name[:40]}”" if isinstance(name, str) else "without a name,"
            raise _bad(
                f"a sticker {shown} is not known in a {view} view", f"{place}.name", ", ".join(sticker_names(view))
            )
        time_s = _number(entry, "time_s", place, 0.0, _MAX_TIME_S, "s of the film as a player shows it")
        x = _number(entry, "x_px", place, 0.0, float(width), "px of the upright picture")
        y = _number(entry, "y_px", place, 0.0, float(height), "px of the upright picture")
        radius = None
        if entry.get("radius_px") is not None:
            radius = _number(entry, "radius_px", place, 0.8, 20.0, "px")
        for other in marks:
            if other.name == name and abs(other.time_s - time_s) < 1e-4:
                raise _bad(f"{name} is clicked twice at {time_s:g} s", place, "one click of a dot at one time")
        marks.append(StickerMark(name, time_s, x, y, radius))
    return tuple(marks)


def _number(entry: Mapping[str, Any], key: str, place: str, low: float, high: float, unit: str) -> float:
    value = entry.get(key)
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not math.isfinite(float(value)) or not low <= float(value) <= high:  # type: ignore[arg-type]
        shown = "missing" if value is None else f"{str(value)[:40]} is not possible"
        raise _bad(shown, f"{place}.{key}", f"{low:g} to {high:g} {unit}")
    return float(value)  # type: ignore[arg-type]


def _bad(what: str, where: str, allowed: str) -> OptionError:
    return OptionError(what, where=where, allowed=allowed, next_step="correct the marks file")


@attrs.frozen(eq=False)
class StickerPaths:
    """Paths of the stickers of one film, in image px, at the times of its landmark paths.

    Attributes
    ----------
    view : of the film.
    time_s : (n,) real times, s.
    names : the m stickers.
    xy : (n, m, 2) px of the upright picture, y down; NaN where missing.
    sigma_px : (n, m) 1-SD error of a place, px.
    state : (n, m) ``State``: SEEN, FILLED (over a gap of a few frames) or MISSING.
    sources : how each was named: "clicked" or "found".
    reasons : for each sticker why it has no path at all, None where it has one.
    notes : sentences for the report.
    """

    view: View
    time_s: Floats
    names: tuple[str, ...]
    xy: Floats
    sigma_px: Floats
    state: NDArray[np.uint8]
    sources: tuple[StickerSource, ...]
    reasons: tuple[str | None, ...]
    notes: tuple[str, ...] = ()

    def __attrs_post_init__(self) -> None:
        n, m = len(self.time_s), len(self.names)
        for name, shape in (("xy", (n, m, 2)), ("sigma_px", (n, m)), ("state", (n, m))):
            if getattr(self, name).shape != shape:
                raise ValueError(f"StickerPaths.{name}: expected shape {shape}, got {getattr(self, name).shape}")
        if len(self.sources) != m or len(self.reasons) != m:
            raise ValueError("StickerPaths: one source and one reason a sticker")

    def has(self, *names: str) -> bool:
        """Tell whether every one of these stickers was followed."""
        return all(n in self.names and self.reasons[self.names.index(n)] is None for n in names)

    def path(self, name: str) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Return (n, 2) px, (n,) 1-SD px and (n,) whether it is known, of one sticker."""
        j = self.names.index(name)
        return self.xy[:, j], self.sigma_px[:, j], self.state[:, j] != State.MISSING

    def share_seen(self, name: str) -> float:
        """Share of frames in which a sticker was seen."""
        return float(np.mean(self.state[:, self.names.index(name)] == State.SEEN)) if len(self.time_s) else 0.0
