"""What a person set right: landmarks, events, legs called by the wrong side, strides left out.

A corrections file lists them, as JSON or CSV. They override what was found automatically and are kept with the results,
with who made them and when. Times are seconds of real time from the first frame, as in every output; pixels are those of
the upright picture, as in ``landmarks-<view>.parquet``.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, get_args

import attrs
import numpy as np

from midstance.errors import OptionError
from midstance.gait.model import (
    LANDMARK_INDEX,
    LANDMARKS,
    SIDES,
    Event,
    EventKind,
    Floats,
    LandmarkPaths,
    Side,
    State,
    View,
)
from midstance.signals.gaps import fill_short_gaps

CORRECTIONS_SCHEMA = 1
#: A correction says that the network is wrong there, and it is wrong alike in the frames around: what was moved fades out
#: over this time on both sides, s (a quarter of a stance; engineering choice).
SPREAD_S = 0.06
#: Two corrections of one landmark closer than this hold for all frames between them, s.
BRIDGE_S = 0.12
#: 1-SD error of a landmark set by hand, px: a click in a full-size picture (engineering choice).
CLICK_SIGMA_PX = 2.0
#: An event is moved when it lies this near to where a person puts it, s; else one is added.
MOVE_S = 0.10
#: Least half of the 95 % interval of an event set by hand, s; one frame is taken where that is longer. People agree on the
#: frame of a contact to about a frame (common practice, no source).
EVENT_HALF_S = 0.005
MAX_TEXT = 200

Kind = Literal["landmark", "not_visible", "event", "swap_legs", "leave_out"]
_VIEWS = get_args(View)
_EVENTS = get_args(EventKind)


@attrs.frozen
class Correction:
    """One thing set right by a person. Which fields are used depends on ``kind``.

    ``landmark``: ``landmark`` at ``time_s`` is at (``x_px``, ``y_px``). ``not_visible``: ``landmark`` can't be seen at
    ``time_s``, or from there to ``to_s``. ``event``: the ``event`` of ``side`` is at ``time_s``, or there is none
    (``remove``). ``swap_legs``: left and right leg are exchanged from ``time_s`` to
    ``to_s``. ``leave_out``: the stride of ``side`` that holds ``time_s`` is not measured.
    """

    kind: Kind
    view: View
    time_s: float
    landmark: str | None = None
    x_px: float | None = None
    y_px: float | None = None
    side: Side | None = None
    event: EventKind | None = None
    remove: bool = False
    to_s: float | None = None
    by: str = ""
    at: str = ""
    note: str = ""


@attrs.frozen
class Applied:
    """A correction with what it did, in words."""

    correction: Correction
    effect: str


_COLUMNS = tuple(f.name for f in attrs.fields(Correction))


def load_corrections(file: Path) -> tuple[Correction, ...]:
    """Read a corrections file, JSON or CSV.

    Raises
    ------
    OptionError
        The file can't be read, or an entry is wrong; the message names the entry.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise OptionError(
            f"the corrections can't be read ({getattr(error, 'strerror', None) or 'not UTF-8 text'})",
            where=f"--corrections {file}",
            allowed="a JSON or CSV file as docs/corrections.md describes",
            next_step="check the file's name and that it is plain text",
        ) from error
    entries = _csv_entries(text, file) if file.suffix.lower() == ".csv" else _json_entries(text, file)
    return tuple(_entry(raw, f"{file}, {i}. correction") for i, raw in enumerate(entries, start=1))


def parse_correction(raw: Mapping[str, Any], where: str = "correction") -> Correction:
    """Check one entry of a corrections file; ``raw`` has the names of the file.

    Raises
    ------
    OptionError
        What is wrong with it.
    """
    return _entry(raw, where)


def _json_entries(text: str, file: Path) -> list[Any]:
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError) as error:  # a number may be too long too
        raise _fault(f"the file is not JSON ({error})", str(file)) from None
    entries = raw.get("corrections") if isinstance(raw, dict) else raw
    schema = raw.get("schema", CORRECTIONS_SCHEMA) if isinstance(raw, dict) else CORRECTIONS_SCHEMA
    if schema != CORRECTIONS_SCHEMA:
        raise _fault(f"its schema is {schema!r}", str(file), f"schema {CORRECTIONS_SCHEMA}")
    if not isinstance(entries, list):
        raise _fault("there is no list of corrections", str(file), '{"schema": 1, "corrections": [ … ]}')
    return entries


def _csv_entries(text: str, file: Path) -> list[Any]:
    rows = csv.DictReader(text.splitlines())
    unknown = set(rows.fieldnames or ()) - set(_COLUMNS)
    if unknown or "kind" not in (rows.fieldnames or ()):
        raise _fault(
            f"unknown column {sorted(unknown)[0]!r}" if unknown else "there is no column “kind”",
            str(file),
            "columns " + ", ".join(_COLUMNS),
        )
    return [{k: v for k, v in row.items() if k is not None and v not in (None, "")} for row in rows]


def _fault(what: str, where: str, allowed: str = "entries as docs/corrections.md describes") -> OptionError:
    return OptionError(what, where=where, allowed=allowed, next_step="correct the file and start again")


def _entry(raw: Any, where: str) -> Correction:
    if not isinstance(raw, Mapping):
        raise _fault("it is not an object with names and values", where)
    unknown = set(raw) - set(_COLUMNS)
    if unknown:
        raise _fault(f"unknown name {sorted(unknown)[0]!r}", where, ", ".join(_COLUMNS))
    kind = _choice(raw, "kind", get_args(Kind), where)
    view = _choice(raw, "view", _VIEWS, where)
    need: dict[str, tuple[str, ...]] = {
        "landmark": ("landmark", "x_px", "y_px"),
        "not_visible": ("landmark",),
        "event": ("side", "event"),
        "swap_legs": ("to_s",),
        "leave_out": ("side",),
    }
    lacking = [n for n in ("time_s", *need[kind]) if raw.get(n) in (None, "")]
    if lacking:
        raise _fault(f"“{lacking[0]}” is missing", where, f"for {kind}: kind, view, time_s, " + ", ".join(need[kind]))
    time_s = _number(raw, "time_s", where)
    part = kind in ("swap_legs", "not_visible") and raw.get("to_s") not in (None, "")
    to_s = _number(raw, "to_s", where) if part else None
    if to_s is not None and to_s <= time_s:
        raise _fault(f"the part from {time_s:g} s to {to_s:g} s is empty", where, "to_s after time_s")
    texts = {n: str(raw.get(n, "")).strip() for n in ("by", "at", "note")}
    long = next((n for n, t in texts.items() if len(t) > MAX_TEXT or not t.isprintable()), None)
    if long:
        raise _fault(f"“{long}” is too long or can't be printed", where, f"up to {MAX_TEXT} characters on one line")
    return Correction(
        kind=kind,  # type: ignore[arg-type]
        view=view,  # type: ignore[arg-type]
        time_s=time_s,
        landmark=_choice(raw, "landmark", LANDMARKS, where) if kind in ("landmark", "not_visible") else None,
        x_px=_number(raw, "x_px", where) if kind == "landmark" else None,
        y_px=_number(raw, "y_px", where) if kind == "landmark" else None,
        side=_choice(raw, "side", SIDES, where) if kind in ("event", "leave_out") else None,  # type: ignore[arg-type]
        event=_choice(raw, "event", _EVENTS, where) if kind == "event" else None,  # type: ignore[arg-type]
        remove=_yes(raw.get("remove", False), where),
        to_s=to_s,
        **texts,
    )


def _choice(raw: Mapping[str, Any], name: str, allowed: Sequence[str], where: str) -> str:
    value = raw.get(name)
    if value not in allowed:
        raise _fault(f"“{name}” is {value!r}", where, f"{name}: " + ", ".join(allowed))
    return str(value)


def _number(raw: Mapping[str, Any], name: str, where: str) -> float:
    value = raw[name]
    try:
        number = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not (math.isfinite(number) and number >= 0):
        raise _fault(f"“{name}” is {value!r:.40}", where, f"{name}: a number from 0 on")
    return number


def _yes(value: Any, where: str) -> bool:
    if isinstance(value, bool):
        return value
    if str(value).lower() in ("true", "yes", "1", "false", "no", "0", ""):
        return str(value).lower() in ("true", "yes", "1")
    raise _fault(f"“remove” is {value!r}", where, "remove: true or false")


def swap_legs(paths: LandmarkPaths, corrections: Iterable[Correction]) -> tuple[LandmarkPaths, list[Applied]]:
    """Exchange left and right leg (knee to toe, hip too) where a person says that they were mixed up."""
    applied: list[Applied] = []
    xy, score, sigma, state = paths.xy.copy(), paths.score.copy(), paths.sigma_px.copy(), paths.state.copy()
    parts = ("hip", "knee", "ankle", "heel", "toe")
    left = np.array([LANDMARK_INDEX[f"left_{p}"] for p in parts])
    right = np.array([LANDMARK_INDEX[f"right_{p}"] for p in parts])
    for c in corrections:
        if c.kind != "swap_legs" or c.to_s is None:
            continue
        rows = np.flatnonzero((paths.time_s >= c.time_s) & (paths.time_s <= c.to_s))
        for table in (xy, score, sigma, state):
            a, b = table[np.ix_(rows, left)].copy(), table[np.ix_(rows, right)].copy()
            table[np.ix_(rows, left)], table[np.ix_(rows, right)] = b, a
        applied.append(Applied(c, f"left and right leg exchanged in {len(rows)} frames"))
    if not applied:
        return paths, applied
    return attrs.evolve(paths, xy=xy, score=score, sigma_px=sigma, state=state), applied


def correct_landmarks(
    paths: LandmarkPaths, corrections: Iterable[Correction], size_px: tuple[int, int]
) -> tuple[LandmarkPaths, list[Applied]]:
    """Put landmarks where a person put them.

    The frame itself takes the place given, with ``State.CORRECTED``. What it was moved by fades out over ``SPREAD_S`` in the
    frames around, since a network that is wrong in one frame is wrong alike in its neighbours; between two corrections less
    than ``BRIDGE_S`` apart it goes over from one to the other, and what was missing there is filled.

    Raises
    ------
    OptionError
        A correction lies outside the film or its picture.
    """
    by_landmark: dict[str, dict[int, Correction]] = {}
    half = 0.5 * float(np.median(np.diff(paths.time_s))) + 1e-6
    for c in corrections:
        if c.kind != "landmark" or c.landmark is None:
            continue
        row = int(np.abs(paths.time_s - c.time_s).argmin())
        where = f"correction of {c.landmark} at {c.time_s:g} s"
        if abs(float(paths.time_s[row]) - c.time_s) > half:
            raise _fault(
                "no frame with landmarks at that time",
                where,
                f"times from {paths.time_s[0]:.3f} to {paths.time_s[-1]:.3f} s, as in landmarks-{paths.view}.parquet",
            )
        if not (c.x_px is not None and c.y_px is not None and c.x_px <= size_px[0] and c.y_px <= size_px[1]):
            raise _fault("the place lies outside the picture", where, f"x 0 to {size_px[0]}, y 0 to {size_px[1]} px")
        by_landmark.setdefault(c.landmark, {})[row] = c
    if not by_landmark:
        return paths, []
    xy, sigma, state = paths.xy.copy(), paths.sigma_px.copy(), paths.state.copy()
    applied: list[Applied] = []
    for name, given in by_landmark.items():
        j = LANDMARK_INDEX[name]
        rows = np.array(sorted(given))
        wanted = np.array([[given[r].x_px, given[r].y_px] for r in rows], dtype=np.float64)
        before = xy[:, j].copy()
        xy[:, j], filled = _spread(paths.time_s, before, rows, wanted)
        newly = filled & ~np.isfinite(before).all(axis=1)
        bridged = filled & np.isin(state[:, j], [State.GUESS, State.BLURRED, State.MISSING])
        state[newly | bridged, j] = State.FILLED
        sigma[newly | bridged, j] = 2.0 * CLICK_SIGMA_PX
        state[rows, j], sigma[rows, j] = State.CORRECTED, CLICK_SIGMA_PX
        for r, place in zip(rows, wanted, strict=True):
            moved = float(np.hypot(*(place - before[r])))
            text = f"moved by {moved:.1f} px" if math.isfinite(moved) else "set where nothing had been seen"
            applied.append(Applied(given[int(r)], text))
    return attrs.evolve(paths, xy=xy, sigma_px=sigma, state=state), applied


def taken_back(corrections: Sequence[Correction], frame_s: float) -> list[Applied]:
    """Return the landmarks set by hand that the same list later says can't be seen: the later word holds.

    ``frame_s``: time between two frames; half of it counts as the same time.
    """
    out = []
    for i, c in enumerate(corrections):
        later = (
            h for h in corrections[i + 1 :] if (c.kind, h.kind) == ("landmark", "not_visible") and h.landmark == c.landmark
        )
        if any(h.time_s - 0.5 * frame_s <= c.time_s <= (h.to_s or h.time_s) + 0.5 * frame_s for h in later):
            out.append(Applied(c, "taken back later: not visible"))
    return out


def hide_landmarks(
    paths: LandmarkPaths, corrections: Iterable[Correction]
) -> tuple[LandmarkPaths, list[Applied]]:
    """Take back landmarks that a person can't see: they are not measured there.

    A short hiding (``BRIDGE_S`` from the last place before it to the first one after it) is bridged by a smooth path, as a
    guess, so that filters have no edge there; a longer one stays empty.

    Raises
    ------
    OptionError
        A correction lies outside the film.
    """
    hidden: dict[str, Any] = {}
    counts: list[tuple[Correction, int]] = []
    half = 0.5 * float(np.median(np.diff(paths.time_s))) + 1e-6
    for c in corrections:
        if c.kind != "not_visible" or c.landmark is None:
            continue
        rows = np.flatnonzero(
            (paths.time_s >= c.time_s - half) & (paths.time_s <= (c.to_s if c.to_s is not None else c.time_s) + half)
        )
        if c.to_s is None and len(rows) > 1:  # half-way between two frames
            rows = rows[:1]
        if len(rows) == 0:
            raise _fault(
                "no frame with landmarks at that time",
                f"correction of {c.landmark} at {c.time_s:g} s",
                f"times from {paths.time_s[0]:.3f} to {paths.time_s[-1]:.3f} s, as in landmarks-{paths.view}.parquet",
            )
        hidden.setdefault(c.landmark, np.zeros(len(paths.time_s), dtype=np.bool_))[rows] = True
        counts.append((c, len(rows)))
    if not hidden:
        return paths, []
    xy, sigma, state = paths.xy.copy(), paths.sigma_px.copy(), paths.state.copy()
    for name, rows in hidden.items():
        j = LANDMARK_INDEX[name]
        xy[rows, j] = np.nan
        bridged, filled = fill_short_gaps(paths.time_s, xy[:, j], BRIDGE_S)
        bridge = filled.any(axis=1) & rows
        xy[rows, j] = bridged[rows]
        state[rows, j], sigma[rows, j] = State.MISSING, np.nan
        state[bridge, j], sigma[bridge, j] = State.GUESS, 4.0 * CLICK_SIGMA_PX
    effect = [Applied(c, f"not measured in {n} frame" + ("s" if n > 1 else "")) for c, n in counts]
    return attrs.evolve(paths, xy=xy, sigma_px=sigma, state=state), effect


def _spread(time_s: Floats, xy: Floats, rows: Any, wanted: Floats) -> tuple[Floats, Any]:
    """Return the path through the corrected places, and which frames lie on bridges between two of them."""
    base, bridged = xy.copy(), np.zeros(len(time_s), dtype=np.bool_)
    pairs = [(k, k + 1) for k in range(len(rows) - 1) if time_s[rows[k + 1]] - time_s[rows[k]] <= BRIDGE_S]
    for k, after in pairs:
        between = np.arange(rows[k] + 1, rows[after])
        bridged[between] = True
        w = ((time_s[between] - time_s[rows[k]]) / (time_s[rows[after]] - time_s[rows[k]]))[:, None]
        gaps = ~np.isfinite(xy[between]).all(axis=1)
        base[between[gaps]] = ((1 - w) * wanted[k] + w * wanted[after])[gaps]
    unseen = ~np.isfinite(base[rows]).all(axis=1)
    base[rows[unseen]] = wanted[unseen]
    move = wanted - base[rows]
    nearest = np.abs(time_s[rows][:, None] - time_s).argmin(axis=0)
    fade = 0.5 * (1 + np.cos(np.pi * np.clip(np.abs(time_s - time_s[rows][nearest]) / SPREAD_S, 0, 1)))
    spread = fade[:, None] * move[nearest]
    for k, after in pairs:
        between = np.arange(rows[k] + 1, rows[after])
        w = ((time_s[between] - time_s[rows[k]]) / (time_s[rows[after]] - time_s[rows[k]]))[:, None]
        spread[between] = (1 - w) * move[k] + w * move[after]
    return base + spread, bridged


def correct_events(
    events: Sequence[Event],
    corrections: Iterable[Correction],
    frame_s: float,
    span_s: tuple[float, float] = (0.0, math.inf),
) -> tuple[tuple[Event, ...], list[Applied]]:
    """Put contacts and toe-offs where a person put them; source "corrected".

    The nearest event of that foot and kind within ``MOVE_S`` is moved, else one is added; ``remove`` takes it away. Steps,
    strides and all values that rest on the event follow from it; other events stay as they were found. ``span_s``: first
    and last time of the film's measured part.

    Raises
    ------
    OptionError
        An event lies outside the film, or there is none to take away.
    """
    out = list(events)
    applied: list[Applied] = []
    half = max(EVENT_HALF_S, frame_s)
    for c in corrections:
        if c.kind != "event" or c.event is None or c.side is None:
            continue
        if not span_s[0] - MOVE_S <= c.time_s <= span_s[1] + MOVE_S:
            raise _fault(
                "the measured part of the film doesn't reach there",
                f"correction of the {c.side} {c.event.replace('_', ' ')} at {c.time_s:g} s",
                f"times from {span_s[0]:.3f} to {span_s[1]:.3f} s",
            )
        same = [e for e in out if e.kind == c.event and e.side == c.side and abs(e.time_s - c.time_s) <= MOVE_S]
        old = min(same, key=lambda e: abs(e.time_s - c.time_s), default=None)
        words = c.event.replace("_", " ").replace("toe off", "toe-off")
        if old is not None:
            out.remove(old)
        if c.remove:
            if old is None:
                raise _fault(
                    f"there is no {c.side} {words} to take away within {MOVE_S:g} s of it",
                    f"correction at {c.time_s:g} s",
                    "the time of an event in assessment.json",
                )
            applied.append(Applied(c, f"{words} at {old.time_s:.4f} s taken away"))
            continue
        out.append(Event(c.view, c.side, c.event, c.time_s, c.time_s - half, c.time_s + half, "corrected"))
        moved = f"moved by {1000 * (c.time_s - old.time_s):+.1f} ms" if old is not None else f"{words} added"
        applied.append(Applied(c, moved))
    return tuple(sorted(out, key=lambda e: (e.time_s, e.side, e.kind))), applied


def left_out_by_hand(corrections: Iterable[Correction], side: Side, start_s: float, end_s: float) -> Correction | None:
    """Return the correction that leaves out the stride of a side from contact to next contact, or None."""
    for c in corrections:
        if c.kind == "leave_out" and c.side == side and start_s <= c.time_s < end_s:
            return c
    return None
