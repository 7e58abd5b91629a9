"""Found contacts and toe-offs of recordings against force: rows of single events, and the figures over them.

Errors are found minus true. A true event nearer than ``END_S`` to an end of the recording need not be found, and one that is
found before the first listed contact of either foot or after the last toe-off is no invention: forces list whole stances
only.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import attrs
import numpy as np
from scipy.interpolate import CubicSpline

from midstance.gait.event_accuracy import match_events
from midstance.gait.events import KINDS
from midstance.gait.events_waves import MAX_GAP_S
from midstance.gait.model import LANDMARK_INDEX, SIDES, Event, EventKind, Floats, PlanePaths, Side
from midstance.validate.recordings import Recording

#: Events nearer than this to an end of the recording needn't be found, s.
END_S = 0.15
#: A found and a true event further apart than this are two events, s.
PAIR_S = 0.1
POINTS = ("hip", "knee", "ankle", "heel", "toe")


@attrs.frozen
class Row:
    """One event: found and true (error in ms), or true and not found (missed), or found and not true (invented)."""

    name: str
    runner: str
    speed: str
    strike: str
    kind: EventKind
    side: Side
    outcome: str  # "matched", "missed", "missed near an end", "invented"
    error_ms: float = float("nan")
    inside: bool = False


@attrs.frozen
class StanceRow:
    """The error of one contact time, ms."""

    name: str
    runner: str
    speed: str
    strike: str
    error_ms: float


@attrs.frozen
class Rows:
    """Events and contact times of any number of recordings."""

    events: tuple[Row, ...] = ()
    stances: tuple[StanceRow, ...] = ()

    def __add__(self, other: Rows) -> Rows:
        return Rows(self.events + other.events, self.stances + other.stances)

    def where(self, **wanted: str) -> Rows:
        """Return those whose named fields have these values."""

        def keep(rows: Iterable[Any]) -> tuple[Any, ...]:
            return tuple(r for r in rows if all(getattr(r, k) == v for k, v in wanted.items()))

        return Rows(keep(self.events), keep(self.stances))

    def values(self, field: str) -> list[str]:
        """Return the values of a field, each once, in order."""
        return sorted({getattr(r, field) for r in self.events})


def speed_key(speed_mps: float | None) -> str:
    """Return the name of a speed in tables and JSON, such as "2.5"."""
    return "unknown" if speed_mps is None else f"{round(speed_mps, 2):.10g}"


def plane_paths(
    recording: Recording, *, rate_hz: float | None = None, noise_m: float = 0.0, repeat: int = 0
) -> PlanePaths:
    """Return the sagittal paths that events are found in.

    Parameters
    ----------
    rate_hz : resample to this rate by cubic splines; None leaves the recording as it is.
    noise_m : white noise of this RMS is added to each coordinate of each point, m.
    repeat : another draw of the noise and of the first frame's time for each number.

    Notes
    -----
    Gaps stay gaps where they are longer than the event finder bridges. The draw depends on the recording's contacts, not
    on its name or place in a folder.
    """
    rng = np.random.default_rng(
        [zlib.crc32(recording.contacts["contact_on_s"].tobytes()), round(10 * (rate_hz or 0)), repeat]
    )
    own = recording.time_s
    time_s = own
    if rate_hz is not None:
        time_s = np.arange(own[0] + rng.uniform(0, 1 / rate_hz), own[-1], 1 / rate_hz)
    xy = np.full((len(time_s), len(LANDMARK_INDEX), 2), np.nan)
    for side in SIDES:
        leg = recording.leg(side)
        for j, point in enumerate(POINTS):
            path = leg[:, j] if rate_hz is None else _resampled(own, leg[:, j], time_s)
            xy[:, LANDMARK_INDEX[f"{side}_{point}"]] = path + noise_m * rng.standard_normal(path.shape)
    seen = np.asarray(np.isfinite(xy).all(axis=2), dtype=np.bool_)
    return PlanePaths("side", time_s, xy, np.where(seen, noise_m, np.nan), seen, "m", None)


def _resampled(time_s: Floats, path: Floats, at_s: Floats) -> Floats:
    known = np.isfinite(path).all(axis=1)
    t = time_s[known]
    if len(t) < 4:
        return np.full((len(at_s), 2), np.nan)
    out = np.asarray(CubicSpline(t, path[known], axis=0)(at_s), dtype=np.float64)
    after = np.clip(np.searchsorted(t, at_s), 1, len(t) - 1)
    outside = (at_s < t[0]) | (at_s > t[-1]) | (t[after] - t[after - 1] > MAX_GAP_S)
    out[outside] = np.nan
    return out


@attrs.frozen(eq=False)
class Truth:
    """True contacts and toe-offs of both feet, s; the k-th of a foot belong together. The labels go into every row."""

    name: str
    runner: str
    speed: str
    strike: dict[Side, str]
    on_s: dict[Side, Floats]
    off_s: dict[Side, Floats]


def truth_of(recording: Recording) -> Truth:
    """Return the force's contacts of a recording."""
    rec = recording
    return Truth(rec.name, rec.runner, speed_key(rec.speed_mps), rec.strike, rec.on_s, rec.off_s)


def judge(
    true: Truth,
    events: Sequence[Event],
    first_s: float,
    last_s: float,
    *,
    pair_s: float = PAIR_S,
    end_s: float = END_S,
    shown: Callable[[Side, float], bool] = lambda side, time_s: True,
) -> Rows:
    """Hold found events against true ones.

    Parameters
    ----------
    first_s, last_s : the times of the paths' ends; a true event outside is no miss.
    pair_s : a found and a true event further apart are two events.
    end_s : a true event nearer than this to an end needn't be found.
    shown : tells whether a foot can be seen at a time; an event that can't needn't be found.
    """
    listed = [x for s in SIDES for x in (*true.on_s[s], *true.off_s[s])]
    rows: list[Row] = []
    stances: list[StanceRow] = []
    for side in SIDES:
        label = (true.name, true.runner, true.speed, true.strike[side])
        off_by: dict[EventKind, dict[int, float]] = {}
        for kind in KINDS:
            truth = true.on_s[side] if kind == "initial_contact" else true.off_s[side]
            mine = [e for e in events if e.side == side and e.kind == kind]
            got = match_events([e.time_s for e in mine], truth, pair_s)
            off_by[kind] = {int(j): 1e3 * float(e) for (_, j), e in zip(got.pairs, got.errors_s, strict=True)}
            for i, j in got.pairs:
                inside = mine[i].low_s <= truth[j] <= mine[i].high_s
                rows.append(Row(*label, kind, side, "matched", off_by[kind][int(j)], bool(inside)))
            for j in sorted(set(range(len(truth))) - set(off_by[kind])):
                if first_s <= truth[j] <= last_s and shown(side, float(truth[j])):
                    near_end = not first_s + end_s <= truth[j] <= last_s - end_s
                    rows.append(Row(*label, kind, side, "missed near an end" if near_end else "missed"))
            for i in sorted(set(range(len(mine))) - {int(i) for i in got.pairs[:, 0]}):
                if min(listed) < mine[i].time_s < max(listed):
                    rows.append(Row(*label, kind, side, "invented"))
        on, off = (off_by[k] for k in KINDS)
        stances += [StanceRow(*label, off[j] - on[j]) for j in sorted(set(on) & set(off))]
    return Rows(tuple(rows), tuple(stances))


def figures(rows: Iterable[Row]) -> dict[str, Any]:
    """Return n, missed, invented, bias, median and 95th percentile of the absolute error; None where there is no event."""
    every = list(rows)
    errors = np.array([r.error_ms for r in every if r.outcome == "matched"])
    size = np.abs(errors)
    some = len(errors) > 0
    return {
        "n": len(errors),
        "missed": sum(r.outcome == "missed" for r in every),
        "invented": sum(r.outcome == "invented" for r in every),
        "bias_ms": round(float(errors.mean()), 3) if some else None,
        "median_abs_ms": round(float(np.median(size)), 3) if some else None,
        "p95_abs_ms": round(float(np.percentile(size, 95)), 3) if some else None,
    }


def both_kinds(rows: Rows) -> dict[str, Any]:
    """Return the figures of contacts and of toe-offs."""
    return {kind: figures(r for r in rows.events if r.kind == kind) for kind in KINDS}


def coverage(rows: Rows) -> dict[str, Any]:
    """Return the share of true times inside their event's 95 % interval, by kind; None where there is none."""
    out: dict[str, Any] = {}
    for kind in KINDS:
        inside = [r.inside for r in rows.events if r.kind == kind and r.outcome == "matched"]
        out[kind] = round(float(np.mean(inside)), 4) if inside else None
    return out


def contact_time(rows: Rows) -> dict[str, Any]:
    """Return bias and SD of the contact time's error, ms."""
    errors = np.array([s.error_ms for s in rows.stances])
    if len(errors) == 0:
        return {"bias_ms": None, "sd_ms": None}
    return {"bias_ms": round(float(errors.mean()), 3), "sd_ms": round(float(errors.std()), 3)}


def near_ends(rows: Rows) -> dict[str, int]:
    """Return how many true events nearer than ``END_S`` to an end were not found, by kind."""
    return {k: sum(r.kind == k and r.outcome == "missed near an end" for r in rows.events) for k in KINDS}
