"""The marks file: what a person knows or marked about the films' cameras, in one small JSON file beside them.

    {"schema": 1,
     "films": {
       "side": {
         "ground": {"corners_px": [[310, 655], [352, 612], [905, 615], [962, 658]], "length_m": 1.40, "width_m": 0.51,
                    "slope_percent": 1.0},
         "lens": {"focal_px": 1260, "k1": -0.11, "k2": 0.02, "size_px": [1280, 720]},
         "roll_deg": 0.5
       },
       "rear": {
         "ground": [{"x_px": 500, "y_px": 650, "x_m": 0.0, "z_m": -0.25}, …]
       },
       "front": {"ground": {"board": "standing", "bar_mm": 199.5}}
     }}

Pixels are those of the upright picture, the middle of the top-left pixel being (0.5, 0.5). ``x_m`` runs along the travel,
``z_m`` across it, 0 where the runner runs; which way is plus does not matter. Corners go round the belt from any corner,
either way. Parts that belong to others (``PASSED_ON``) are left as they are.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import attrs

from midstance.camera.board import Place
from midstance.camera.ground import CLICK_SIGMA_PX, PlaneMarks, belt_corners, ground_points
from midstance.camera.pinhole import Lens
from midstance.camera.whole_file import write_whole
from midstance.errors import OptionError
from midstance.gait.model import View, seen_as

SCHEMA = 1
VIEWS: tuple[View, ...] = ("side", "side_far", "rear", "front")
#: Parts of a film's marks that are read elsewhere.
PASSED_ON = ("stickers", "landmarks", "events")
MAX_BYTES = 1_000_000
ROLL_LIMIT_DEG = 45.0
#: 1-SD error of a roll given by hand, degrees (a spirit level or a plumb line in the picture); engineering choice.
ROLL_SIGMA_DEG = 0.5
_NEXT = "correct the marks file; docs/marks.md shows a whole one"


@attrs.frozen
class BoardPlace:
    """A board to be found in the film itself or in ``film`` (a path, from the same camera place).

    ``bar_mm`` is what the printed bar measures, None when as printed.
    """

    place: Place
    bar_mm: float | None = None
    paper: str | None = None
    film: Path | None = None
    slope_percent: float | None = None


@attrs.frozen(eq=False)
class FilmMarks:
    """Marks of one film. ``roll`` is (degrees, 1 SD), + when the true horizontal rises to the right as seen.

    ``passed_on`` holds the parts that are read elsewhere, as they stand in the file.
    """

    view: View
    ground: PlaneMarks | None = None
    board: BoardPlace | None = None
    lens: Lens | None = None
    roll: tuple[float, float] | None = None
    passed_on: Mapping[str, Any] = attrs.field(factory=dict)


@attrs.frozen(eq=False)
class Marks:
    """All marks of an assessment; ``raw`` is the file's content, for the record."""

    films: Mapping[View, FilmMarks]
    raw: Mapping[str, Any]

    def of(self, view: View) -> FilmMarks:
        """Return a film's marks, empty ones if it has none."""
        return self.films.get(view) or FilmMarks(seen_as(view))


def read_marks(path: Path) -> Marks:
    """Read a marks file; an ``OptionError`` says what is wrong in it and where."""
    path = Path(path)
    try:
        if path.stat().st_size > MAX_BYTES:
            raise _fault("the file is too large for marks", str(path), f"up to {MAX_BYTES // 1000} kB")
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise _fault("the file is not text", str(path), "JSON in UTF-8") from error
    except OSError as error:
        raise OptionError(
            f"the marks can't be read ({error.strerror or error})",
            where=str(path),
            allowed="a JSON file with marks",
            next_step="check the path",
        ) from error
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError) as error:
        at = f", line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        why = error.msg if isinstance(error, json.JSONDecodeError) else "nested too deep or a number too long"
        raise _fault(f"this is not JSON ({why})", f"{path}{at}", "a JSON object with “schema” and “films”") from error
    return parse_marks(raw, where=str(path), folder=path.parent)


def parse_marks(raw: Any, *, where: str = "marks", folder: Path | None = None) -> Marks:
    """Check the content of a marks file and turn it into value objects.

    Parameters
    ----------
    raw : the parsed JSON.
    where : names the file in errors.
    folder : where paths named in it are relative to.
    """
    top = _object(raw, where, ("schema", "films"), required=("schema", "films"))
    if top["schema"] != SCHEMA or isinstance(top["schema"], bool):
        raise _fault(f"schema {top['schema']!r} is not known", f"{where}: schema", str(SCHEMA))
    films = _object(top["films"], f"{where}: films", VIEWS)
    return Marks({view: _film(view, films[view], f"{where}: {view}", folder) for view in VIEWS if view in films}, top)


def _film(view: View, raw: Any, where: str, folder: Path | None) -> FilmMarks:
    part = _object(raw, where, ("ground", "lens", "roll_deg", "roll_sigma_deg", *PASSED_ON))
    ground: PlaneMarks | None = None
    board: BoardPlace | None = None
    if "ground" in part:
        if isinstance(part["ground"], dict) and "board" in part["ground"]:
            board = _board(part["ground"], f"{where}.ground", folder)
        else:
            ground = _ground(part["ground"], f"{where}.ground")
    roll = None
    if "roll_deg" in part:
        sigma = _number(part.get("roll_sigma_deg", ROLL_SIGMA_DEG), f"{where}.roll_sigma_deg", 0.05, 10.0)
        roll = (_number(part["roll_deg"], f"{where}.roll_deg", -ROLL_LIMIT_DEG, ROLL_LIMIT_DEG), sigma)
    elif "roll_sigma_deg" in part:
        raise _fault("an error of the roll is given, but no roll", f"{where}.roll_sigma_deg", "roll_deg with it")
    lens = _lens(part["lens"], f"{where}.lens") if "lens" in part else None
    return FilmMarks(seen_as(view), ground, board, lens, roll, {k: part[k] for k in PASSED_ON if k in part})


def _ground(raw: Any, where: str) -> PlaneMarks:
    if isinstance(raw, list):
        return _points(raw, where, CLICK_SIGMA_PX, None)
    if isinstance(raw, dict) and "points" in raw:
        part = _object(raw, where, ("points", "click_sigma_px", "slope_percent"))
        if not isinstance(part["points"], list):
            raise _fault("the points are not a list", f"{where}.points", "a list of points")
        return _points(part["points"], f"{where}.points", _click(part, where), _slope(part, where))
    if not isinstance(raw, dict):
        raise _fault("the ground is neither points nor corners", where, "a list of points, or an object with corners_px")
    need = ("corners_px", "length_m", "width_m")
    part = _object(raw, where, (*need, "click_sigma_px", "slope_percent"), required=need)
    corners = part["corners_px"]
    if not isinstance(corners, list) or len(corners) != 4:
        got = f"{len(corners)} corners are given" if isinstance(corners, list) else "the corners are not a list"
        raise _fault(got, f"{where}.corners_px", "four corners, each [x, y] in px")
    px = [_pair(c, f"{where}.corners_px[{i}]") for i, c in enumerate(corners)]
    length, width = (_number(part[k], f"{where}.{k}", 0.05, 100.0) for k in ("length_m", "width_m"))
    return _at(where, lambda: belt_corners(
        px, length, width, point_sigma_px=_click(part, where), slope_percent=_slope(part, where)
    ))  # fmt: skip


def _points(raw: list[Any], where: str, sigma_px: float, slope: float | None) -> PlaneMarks:
    keys = ("x_px", "y_px", "x_m", "z_m")
    px, metres = [], []
    for i, one in enumerate(raw):
        place = f"{where}[{i}]"
        part = _object(one, place, keys, required=keys)
        x, y, along, across = (
            _number(part[k], f"{place}.{k}", *((-1e5, 1e5) if k.endswith("px") else (-1000.0, 1000.0))) for k in keys
        )
        px.append((x, y))
        metres.append((along, across))
    if len(raw) < 4:
        raise _fault(f"{len(raw)} points are marked", where, "at least four points")
    return _at(where, lambda: ground_points(px, metres, point_sigma_px=sigma_px, slope_percent=slope))


def _board(raw: dict[str, Any], where: str, folder: Path | None) -> BoardPlace:
    part = _object(raw, where, ("board", "bar_mm", "paper", "film", "slope_percent"))
    place, paper, film = part["board"], part.get("paper"), part.get("film")
    if place not in ("standing", "lying"):
        raise _fault(f"a board can't be {place!r}", f"{where}.board", "“standing” or “lying”")
    if paper is not None and paper not in ("a4", "a3", "letter"):
        raise _fault(f"there is no board for {paper!r} paper", f"{where}.paper", "a4, a3 or letter")
    if film is not None and not (isinstance(film, str) and film.strip() and "\0" not in film):
        raise _fault("the board's film is not a path", f"{where}.film", "the path of a film that shows the board")
    bar = _number(part["bar_mm"], f"{where}.bar_mm", 100.0, 400.0) if "bar_mm" in part else None
    path = None if film is None else (folder or Path()) / film
    return BoardPlace(place, bar, paper, path, _slope(part, where))


def _lens(raw: Any, where: str) -> Lens:
    part = _object(raw, where, ("focal_px", "focal_relative_sigma", "k1", "k2", "k3", "size_px", "centre_px", "source"))
    number = {k: _number(part.get(k, 0.0), f"{where}.{k}", -10.0, 10.0) for k in ("k1", "k2", "k3")}
    focal = _number(part["focal_px"], f"{where}.focal_px", 50.0, 1e5) if "focal_px" in part else None
    if focal is None:
        raise _fault(
            "the focal length is missing",
            where,
            "focal_px with it: distortion is measured in focal lengths",
        )
    size = None
    if "size_px" in part:
        w, h = _pair(part["size_px"], f"{where}.size_px")
        if not (w == int(w) and h == int(h) and 16 <= w <= 20000 and 16 <= h <= 20000):
            raise _fault("this is not the size of a picture", f"{where}.size_px", "[width, height] in px")
        size = (int(w), int(h))
    centre = None
    if "centre_px" in part:
        centre = _pair(part["centre_px"], f"{where}.centre_px")
        w, h = size or (2 * centre[0], 2 * centre[1])
        if not (0.3 * w <= centre[0] <= 0.7 * w and 0.3 * h <= centre[1] <= 0.7 * h):
            raise _fault("the principal point is far from the middle", f"{where}.centre_px", "within a fifth of the picture")
    source = part.get("source", "given")
    if not isinstance(source, str) or len(source) > 200:
        raise _fault("the source is not a short text", f"{where}.source", "up to 200 characters")
    sigma = _number(part.get("focal_relative_sigma", 0.01), f"{where}.focal_relative_sigma", 0.0005, 0.5)
    return Lens(number["k1"], number["k2"], number["k3"], focal, size, centre, sigma, source)


def with_lens(raw: Mapping[str, Any] | None, views: tuple[View, ...], lens: Lens) -> dict[str, Any]:
    """Return the content of a marks file with a lens put in for some films; everything else stays."""
    out: dict[str, Any] = json.loads(json.dumps(raw)) if raw is not None else {"schema": SCHEMA, "films": {}}
    for view in views:
        out["films"].setdefault(view, {})["lens"] = lens.as_dict()
    parse_marks(out)
    return out


def write_marks(path: Path, raw: Mapping[str, Any]) -> None:
    """Write a marks file, whole or not at all, after checking it."""
    path = Path(path)
    parse_marks(raw, where=str(path), folder=path.parent)
    text = json.dumps(raw, indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    write_whole(path, text.encode("utf-8"), "the marks")


# --- checks ---------------------------------------------------------------------------------


def _fault(what: str, where: str, allowed: str) -> OptionError:
    return OptionError(what, where=where, allowed=allowed, next_step=_NEXT)


def _at(where: str, make: Any) -> PlaneMarks:
    """Say where in the file the fault is that the geometry found."""
    try:
        made = make()
    except OptionError as error:
        raise OptionError(error.what, where=where, allowed=error.allowed, next_step=error.next_step) from error
    assert isinstance(made, PlaneMarks)
    return made


def _object(raw: Any, where: str, keys: tuple[str, ...], *, required: tuple[str, ...] = ()) -> dict[str, Any]:
    if not isinstance(raw, dict):
        raise _fault("this is not an object", where, "an object with " + ", ".join(keys))
    odd = [k for k in raw if k not in keys]
    if odd:
        raise _fault(f"“{str(odd[0])[:40]}” is not known here", where, ", ".join(keys))
    lacking = [k for k in required if k not in raw]
    if lacking:
        raise _fault(f"“{lacking[0]}” is missing", where, "all of " + ", ".join(required))
    return raw


def _number(raw: Any, where: str, low: float, high: float) -> float:
    # The limits come first: a whole number of any length compares, but not all fit a float.
    if isinstance(raw, bool) or not isinstance(raw, int | float) or not low <= raw <= high or not math.isfinite(raw):
        raise _fault(f"{str(raw)[:40]!r} can't be used", where, f"a number from {low:g} to {high:g}")
    return float(raw)


def _pair(raw: Any, where: str) -> tuple[float, float]:
    if not isinstance(raw, list) or len(raw) != 2:
        raise _fault("this is not a pair of numbers", where, "[x, y] in px")
    return _number(raw[0], f"{where}[0]", -1e5, 1e5), _number(raw[1], f"{where}[1]", -1e5, 1e5)


def _click(part: Mapping[str, Any], where: str) -> float:
    return _number(part.get("click_sigma_px", CLICK_SIGMA_PX), f"{where}.click_sigma_px", 0.1, 20.0)


def _slope(part: Mapping[str, Any], where: str) -> float | None:
    return _number(part["slope_percent"], f"{where}.slope_percent", -30.0, 30.0) if "slope_percent" in part else None
