"""Follows stickers through a film: one more pass over its pictures, without landmark network, only around the stickers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing

from midstance.errors import FilmError, OptionError
from midstance.film.frames import FilmInfo, Frame
from midstance.film.reader import probe, read_frames
from midstance.gait.model import LANDMARK_INDEX, Floats, LandmarkPaths, State
from midstance.pose.sticker_dots import Dot, DotLook, by_luma, find_dots, look_at, same_looks
from midstance.pose.sticker_link import (
    ALONE_SIGMAS,
    FIRST_APART,
    FIRST_PLACE,
    LEAST_APART,
    LEAST_PLACE,
    DotTable,
    Stickers,
    name_pieces,
    pieces,
)
from midstance.pose.stickers import StickerMark, StickerPaths
from midstance.signals.filters import finite_runs
from midstance.signals.gaps import fill_short_gaps

#: Stickers are looked for this far around their predicted places, in body heights: what landmarks jitter and what a
#: sticker's place against them changes over the stride.
SEARCH = 0.075
#: A click may be this far from its dot, px.
CLICK_PX = 14
#: A place is predicted over gaps of the landmarks up to this long, s.
LANDMARK_GAP_S = 0.15
#: Gaps of a sticker up to this long are filled, s; farther off it is missing.
FILL_S = 0.036
#: 1-SD error of a filled place, in body heights.
FILL_SIGMA = 0.003
#: A sticker's place against its landmarks is learnt from at least this many frames.
LEARN_FRAMES = 40
#: A sticker is dropped where it is farther from the place learnt for it than this many robust standard deviations, and than
#: this share of body height.
STRAY_SIGMAS, STRAY_LEAST = 4.0, 0.012
#: The same for two stickers of one segment against each other.
MISFIT_LEAST = 0.006
MISFIT_FRAMES = 8
#: A dot that could as well be its neighbour counts only when the two are seen together in this many frames of a run.
TOGETHER_FRAMES = 3
#: A screen shows the last picture whose time has come; times copied from it are rounded to milliseconds.
CLICK_TIME_S = 0.001


@attrs.frozen(eq=False)
class _Clicked:
    """A click measured in its own picture."""

    mark: StickerMark
    index: int
    file_time_s: float
    look: DotLook
    dot: Dot


@attrs.frozen(eq=False)
class _Line:
    """Pictures that are searched: film index, file and real time, landmarks (n, 33, 2) bridged over gaps, where trusted."""

    index: NDArray[np.int64]
    file_time_s: Floats
    time_s: Floats
    xy: Floats
    known: NDArray[np.bool_]
    rows: NDArray[np.intp]


def track_stickers(
    path: Path,
    marks: Sequence[StickerMark],
    landmarks: LandmarkPaths,
    *,
    index: NDArray[np.int64],
    file_time_s: Floats,
    body_px: float,
    info: FilmInfo | None = None,
) -> StickerPaths:
    """Follow clicked (or found) stickers through a film.

    Parameters
    ----------
    path : the film.
    marks : clicks; one for each sticker is enough, more help where it was lost.
    landmarks : clean landmark paths of the film, image px.
    index, file_time_s : (n,) film index and file time, s, of the frames of ``landmarks``.
    body_px : body height, px.

    Raises
    ------
    OptionError
        A click at a time outside the part that is measured.
    """
    info = info or probe(path)
    names = tuple(dict.fromkeys(m.name for m in marks))
    clicked, reasons = _clicks(path, info, marks, file_time_s)
    _same_dot(clicked)
    line = _line(clicked, landmarks, index, file_time_s)
    followed = [n for n in names if any(c.mark.name == n for c in clicked)]
    groups = _groups(followed)
    carriers = {n: _first_carrier(n, clicked, line, landmarks.view) for n in followed}
    firsts = [next(c.look for c in clicked if c.mark.name == n) for n in followed]
    looks = [(firsts[g[0]], tuple(followed[i] for i in g)) for g in same_looks(firsts)]
    tables = _search(path, info, groups, carriers, looks, line, body_px)
    n, m = len(landmarks.time_s), len(names)
    xy, sigma = np.full((n, m, 2), np.nan), np.full((n, m), np.nan)
    state = np.full((n, m), State.MISSING, np.uint8)
    why: list[str | None] = [reasons.get(name) for name in names]
    for name, (place, error) in _follow(groups, carriers, clicked, looks, tables, line, body_px).items():
        j = names.index(name)
        xy[:, j], sigma[:, j], state[:, j] = _filled(
            landmarks.time_s, place[line.rows], error[line.rows], body_px
        )
        if not (state[:, j] == State.SEEN).any():
            why[j] = f"the sticker {name} could not be followed from its click"
    sources = tuple(next(k.source for k in marks if k.name == name) for name in names)
    notes = tuple(r for r in why if r is not None)
    return StickerPaths(landmarks.view, landmarks.time_s, names, xy, sigma, state, sources, tuple(why), notes)


# --- clicks ---------------------------------------------------------------------------------------


def picture_at(path: Path, info: FilmInfo, time_s: float) -> Frame | None:
    """Return the picture a player shows at a file time, None where there is none."""
    last: Frame | None = None
    for back in (0.5, 5.0):
        try:
            with read_frames(path, start_s=max(0.0, time_s - back), end_s=time_s + CLICK_TIME_S, info=info) as reader:
                for frame in reader:
                    last = frame
        except FilmError:
            last = None
        if last is not None:
            return last
    return None


def _clicks(
    path: Path, info: FilmInfo, marks: Sequence[StickerMark], file_time_s: Floats
) -> tuple[list[_Clicked], dict[str, str]]:
    first, last = float(file_time_s[0]), float(file_time_s[-1])
    slack = 1.5 * float(np.median(np.diff(file_time_s)))
    out: list[_Clicked] = []
    reasons: dict[str, str] = {}
    by_time: dict[float, list[StickerMark]] = {}
    for mark in marks:
        if not first - CLICK_TIME_S <= mark.time_s <= last + slack:
            raise OptionError(
                f"the sticker {mark.name} is clicked at {mark.time_s:g} s, outside the part of the film that is measured",
                where=str(path),
                allowed=f"{first:.3f} to {last:.3f} s, as a player shows it",
                next_step="click it in a picture of that part, or widen --start and --end",
            )
        by_time.setdefault(mark.time_s, []).append(mark)
    for time_s, here in sorted(by_time.items()):
        frame = picture_at(path, info, time_s)
        for mark in here:
            got = None if frame is None else _measured(frame, mark)
            if got is not None and frame is not None:
                out.append(_Clicked(mark, frame.index, frame.file_time_s, *got))
            else:
                reasons[mark.name] = (
                    f"the sticker {mark.name} was clicked at {mark.time_s:g} s, but no dot stands out there; "
                    "click its middle in a sharp picture"
                )
    for c in out:
        reasons.pop(c.mark.name, None)
    return out, reasons


def _measured(frame: Frame, mark: StickerMark) -> tuple[DotLook, Dot] | None:
    half = CLICK_PX + int(4 * (mark.radius_px or 10))
    x0, y0 = int(mark.x_px) - half, int(mark.y_px) - half
    region = frame.rgb_region(x0, y0, x0 + 2 * half + 1, y0 + 2 * half + 1)
    got = look_at(region, mark.x_px - x0, mark.y_px - y0, mark.radius_px)
    if got is None:
        return None
    look, dot = got
    return look, attrs.evolve(dot, x=dot.x + x0, y=dot.y + y0)


def _same_dot(clicked: Sequence[_Clicked]) -> None:
    for i, a in enumerate(clicked):
        for b in clicked[:i]:
            if a.index == b.index and np.hypot(a.dot.x - b.dot.x, a.dot.y - b.dot.y) < 1.0:
                raise OptionError(
                    f"{b.mark.name} and {a.mark.name} are clicked on the same dot, at {a.dot.x:.0f},{a.dot.y:.0f}",
                    where=f"stickers at {a.mark.time_s:g} s",
                    allowed="one name for each dot",
                    next_step="click each dot in its middle, or give radius_px where dots lie close together",
                )


# --- where to look --------------------------------------------------------------------------------


def _line(
    clicked: Sequence[_Clicked], landmarks: LandmarkPaths, index: NDArray[np.int64], file_time_s: Floats
) -> _Line:
    known = {int(i) for i in index}
    extra = {c.index: c.file_time_s for c in clicked if c.index not in known}
    all_index = np.concatenate([index, np.array(list(extra), np.int64)])
    all_file = np.concatenate([file_time_s, np.array(list(extra.values()), np.float64)])
    order = np.argsort(all_index, kind="stable")
    all_index, all_file = all_index[order], all_file[order]
    n, k = len(all_index), landmarks.xy.shape[1]
    real = np.interp(all_file, file_time_s, landmarks.time_s)
    xy, trusted = np.full((n, k, 2), np.nan), np.zeros((n, k), bool)
    for j in range(k):
        good = np.isfinite(landmarks.xy[:, j, 0])
        if good.sum() < 2:
            continue
        times = landmarks.time_s[good]
        for axis in (0, 1):
            xy[:, j, axis] = np.interp(real, times, landmarks.xy[good, j, axis])
        after = np.clip(np.searchsorted(times, real), 0, len(times) - 1)
        before = np.clip(after - 1, 0, None)
        gap = np.where(times[after] <= real, 0.0, times[after] - times[before])
        away = np.minimum(np.abs(times[after] - real), np.abs(times[before] - real))
        trusted[:, j] = (gap <= LANDMARK_GAP_S) & (away <= LANDMARK_GAP_S)
    rows = np.searchsorted(all_index, index)
    return _Line(all_index, all_file, real, xy, trusted, rows)


def _landmark(name: str, place: str) -> int:
    return LANDMARK_INDEX[f"{name.split('_', 1)[0]}_{place}"]


def _mark_of(name: str) -> StickerMark:
    return StickerMark(name, 0.0, 0.0, 0.0)


def _groups(names: Sequence[str]) -> list[tuple[str, ...]]:
    """Group stickers by the segment that carries them."""
    found: dict[tuple[str, frozenset[str]], list[str]] = {}
    for name in names:
        mark = _mark_of(name)
        found.setdefault((mark.side, frozenset(mark.place.carriers)), []).append(name)
    return [tuple(g) for g in found.values()]


def _first_carrier(name: str, clicked: Sequence[_Clicked], line: _Line, view: str) -> Floats:
    """Predict a sticker's path from its place on its segment when clicked: (n, 2) px."""
    place = _mark_of(name).place
    a, b = (line.xy[:, _landmark(name, p)] for p in place.carriers)
    d = b - a
    paths = []
    for c in (c for c in clicked if c.mark.name == name):
        row = int(np.searchsorted(line.index, c.index))
        at = np.array([c.dot.x, c.dot.y])
        length = float(d[row] @ d[row])
        usual = float(np.nanmedian((d**2).sum(axis=1)))
        share = float(np.clip((at - a[row]) @ d[row] / length, -0.5, 1.5)) if length > 0.25 * usual else 0.0
        rest = at - (a[row] + share * d[row])
        path = a + share * d
        if view == "side":
            turn = np.arctan2(d[:, 1], d[:, 0]) - np.arctan2(d[row, 1], d[row, 0])
            cos, sin = np.cos(turn), np.sin(turn)
            path = path + np.stack([cos * rest[0] - sin * rest[1], sin * rest[0] + cos * rest[1]], axis=1)
        else:
            path = path + rest
        paths.append(path)
    return np.asarray(np.mean(paths, axis=0))


def _learnt_carrier(name: str, line: _Line, place_xy: Floats, body_px: float) -> Floats | None:
    """Predict a sticker's path from landmarks by what was seen of it: a ridge regression of its place on theirs."""
    place = _mark_of(name).place
    good = np.isfinite(place_xy[:, 0])
    if good.sum() < LEARN_FRAMES:
        return None
    a = line.xy[:, _landmark(name, place.carriers[0])]
    others = [line.xy[:, _landmark(name, p)] for p in (place.carriers[1], *place.near)]
    table = np.concatenate([(o - a) / body_px for o in others], axis=1)
    if not np.isfinite(table[good]).all():
        return None
    middle = table[good].mean(axis=0)
    x, y = table[good] - middle, place_xy[good] - a[good]
    ridge = 1e-4 * len(x) * np.eye(x.shape[1])
    coefficients = np.linalg.solve(x.T @ x + ridge, x.T @ (y - y.mean(axis=0)))
    return np.asarray(a + y.mean(axis=0) + (table - middle) @ coefficients)


def _search(
    path: Path,
    info: FilmInfo,
    segments: Sequence[tuple[str, ...]],
    carriers: dict[str, Floats],
    looks: Sequence[tuple[DotLook, tuple[str, ...]]],
    line: _Line,
    body_px: float,
) -> list[list[DotTable]]:
    """Find the dots of every look around the predicted places in every picture of the line."""
    tables = [[DotTable.empty()] * len(line.index) for _ in looks]
    if not looks:
        return tables
    row_of = {int(i): k for k, i in enumerate(line.index)}
    end = float(line.file_time_s[-1])
    with read_frames(path, start_s=float(line.file_time_s[0]) or None, end_s=end + 1e-6, info=info) as reader:
        for frame in reader:
            k = row_of.get(frame.index)
            if k is None:
                continue
            dots: list[list[Dot]] = [[] for _ in looks]
            for names in segments:
                radius = max(look.radius_px for look, members in looks if set(members) & set(names))
                box = _box([carriers[n][k] for n in names], radius, body_px, info)
                if box is None:
                    continue
                here = [look for look, members in looks if set(members) & set(names)]
                region = frame.gray_region(*box) if all(by_luma(x) for x in here) else frame.rgb_region(*box)
                for g, (look, members) in enumerate(looks):
                    if set(members) & set(names):
                        dots[g] += find_dots(region, look, box[0], box[1])
            for g, many in enumerate(dots):
                tables[g][k] = _table(many, looks[g][0].radius_px)
    return tables


def _box(places: Sequence[Floats], radius_px: float, body_px: float, info: FilmInfo) -> tuple[int, int, int, int] | None:
    at = np.array(places)
    if not np.isfinite(at).all():
        return None
    reach = SEARCH * body_px + 4 * radius_px + 4
    low, high = at.min(axis=0) - reach, at.max(axis=0) + reach
    x0, y0 = max(int(low[0]), 0), max(int(low[1]), 0)
    x1, y1 = min(int(high[0]) + 1, info.width), min(int(high[1]) + 1, info.height)
    return (x0, y0, x1, y1) if x1 - x0 > 8 and y1 - y0 > 8 else None


def _table(dots: Sequence[Dot], radius_px: float) -> DotTable:
    """Put dots into a table; one found in two overlapping regions counts once."""
    kept: list[Dot] = []
    for d in dots:
        if all(np.hypot(d.x - e.x, d.y - e.y) >= 1.0 + radius_px for e in kept):
            kept.append(d)
    if not kept:
        return DotTable.empty()
    rows = np.array([(d.x, d.y, d.sigma_px, d.contrast, d.area_px) for d in kept])
    return DotTable(rows[:, :2], rows[:, 2], rows[:, 3], rows[:, 4])


# --- which is which -------------------------------------------------------------------------------


def _follow(
    segments: Sequence[tuple[str, ...]],
    carriers: dict[str, Floats],
    clicked: Sequence[_Clicked],
    looks: Sequence[tuple[DotLook, tuple[str, ...]]],
    tables: Sequence[Sequence[DotTable]],
    line: _Line,
    body_px: float,
) -> dict[str, tuple[Floats, Floats]]:
    """Tell the stickers apart twice: by the first guess of where they sit, then by what was learnt from that."""
    names = [n for segment in segments for n in segment]
    if not names:
        return {}
    segment_of = [g for g, segment in enumerate(segments) for _ in segment]
    look_of = [next(g for g, (_, members) in enumerate(looks) if n in members) for n in names]
    clicks: list[dict[int, Floats]] = []
    for name in names:
        own = [c for c in clicked if c.mark.name == name]
        clicks.append({int(np.searchsorted(line.index, c.index)): np.array([c.dot.x, c.dot.y]) for c in own})
    firsts = [next(c for c in clicked if c.mark.name == n) for n in names]
    look_like = np.array([np.log([c.dot.contrast, max(c.dot.area_px, 1.0)]) for c in firsts])
    trusted = np.array(
        [np.logical_and.reduce([line.known[:, _landmark(n, p)] for p in _mark_of(n).place.carriers]) for n in names]
    )
    motion = np.array([carriers[n] for n in names])
    found = [pieces(table, line.time_s, motion, body_px) for table in tables]
    place_sigma = np.full(len(names), FIRST_PLACE * body_px)
    apart_sigma = np.full(len(names), FIRST_APART * body_px)
    paths: dict[str, tuple[Floats, Floats]] = {}
    for _ in range(2):
        named = name_pieces(
            Stickers(
                line.time_s,
                np.array([carriers[n] for n in names]),
                segment_of,
                look_of,
                trusted,
                clicks,
                look_like,
                place_sigma,
                apart_sigma,
            ),
            found,
        )
        for i, name in enumerate(names):
            place, error = np.full((len(line.index), 2), np.nan), np.full(len(line.index), np.nan)
            for k, (dot, g) in named[i].items():
                place[k], error[k] = tables[g][k].xy[dot], tables[g][k].sigma[dot]
            learnt = _learnt_carrier(name, line, place, body_px)
            if learnt is not None:
                carriers[name] = learnt
                place_sigma[i] = max(_robust_sd(place - learnt), LEAST_PLACE * body_px)
                place[_stray(place - learnt, body_px, STRAY_LEAST)] = np.nan
            error[~np.isfinite(place[:, 0])] = np.nan
            paths[name] = place, error
        for i, a in enumerate(names):
            bends = [
                _robust_sd(paths[a][0] - paths[b][0] - (carriers[a] - carriers[b]))
                for j, b in enumerate(names)
                if j != i
                and segment_of[i] == segment_of[j]
                and (np.isfinite(paths[a][0][:, 0]) & np.isfinite(paths[b][0][:, 0])).sum() >= MISFIT_FRAMES
            ]
            if bends:
                apart_sigma[i] = min(max(2.0 * min(bends), LEAST_APART * body_px), apart_sigma[i])
        for segment in segments:
            _drop_misfits([paths[n] for n in segment], [carriers[n] for n in segment], body_px)
            _drop_lonely(segment, names, paths, carriers, place_sigma, clicks)
    return paths


def _drop_lonely(
    segment: Sequence[str],
    names: Sequence[str],
    paths: dict[str, tuple[Floats, Floats]],
    carriers: dict[str, Floats],
    place_sigma: Floats,
    clicks: Sequence[Mapping[int, Floats]],
) -> None:
    """Drop, in place, runs of a sticker that could be its neighbour's, where the neighbour isn't seen with it."""
    lone: list[tuple[str, slice]] = []
    for a in segment:
        i = names.index(a)
        gaps = {b: float(np.nanmedian(np.hypot(*(carriers[a] - carriers[b]).T))) for b in segment if b != a}
        close = [b for b, gap in gaps.items() if gap < ALONE_SIGMAS * place_sigma[i]]
        if not close:
            continue
        seen = np.isfinite(paths[a][0][:, 0])
        for start, stop in finite_runs(binary_closing(seen, np.ones(3))):
            both = max(int((seen & np.isfinite(paths[b][0][:, 0]))[start:stop].sum()) for b in close)
            if both < TOGETHER_FRAMES and not any(start <= k < stop for k in clicks[i]):
                lone.append((a, slice(start, stop)))
    for a, part in lone:
        paths[a][0][part], paths[a][1][part] = np.nan, np.nan


def _robust_sd(residual: Floats) -> float:
    """1-SD per axis of (n, 2) distances, by their median; NaN rows are left out."""
    return float(np.nanmedian(np.hypot(*(residual - np.nanmedian(residual, axis=0)).T))) / 1.177


def _drop_misfits(paths: Sequence[tuple[Floats, Floats]], carriers: Sequence[Floats], body_px: float) -> None:
    """Drop two stickers of a segment where they don't lie to each other as they do in the rest of the film, in place.

    The landmarks' own errors move both alike and don't show here, so that the limits are narrow.
    """
    for i in range(len(paths)):
        for j in range(i):
            bend = (paths[i][0] - paths[j][0]) - (carriers[i] - carriers[j])
            both = np.isfinite(bend[:, 0])
            if both.sum() < MISFIT_FRAMES:
                continue
            wrong = _stray(bend, body_px, MISFIT_LEAST)
            for place, error in (paths[i], paths[j]):
                place[wrong], error[wrong] = np.nan, np.nan


def _stray(residual: Floats, body_px: float, least: float) -> NDArray[np.bool_]:
    """Tell where a path is farther from what was learnt than chance can put it; ``least`` in body heights."""
    away = np.hypot(*(residual - np.nanmedian(residual, axis=0)).T)
    limit = max(STRAY_SIGMAS * float(np.nanmedian(away)) / 1.177, least * body_px)
    return np.asarray(away > limit, dtype=np.bool_)


def _filled(
    time_s: Floats, place: Floats, error: Floats, body_px: float
) -> tuple[Floats, Floats, NDArray[np.uint8]]:
    """Bridge gaps of a few frames."""
    seen = np.isfinite(place[:, 0])
    xy, filled = fill_short_gaps(time_s, place, FILL_S)
    gap = filled[:, 0] | filled[:, 1]
    state = np.where(seen, State.SEEN, np.where(gap, State.FILLED, State.MISSING)).astype(np.uint8)
    beside = np.nanmedian(error) if seen.any() else np.nan
    return xy, np.where(gap, np.hypot(beside, FILL_SIGMA * body_px), error), state
