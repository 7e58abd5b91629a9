"""Stickers that nobody clicked: proposed where one dot, and only one, keeps its place on a segment.

A dot gets a name when, in most of the pictures looked at, a bright or dark compact dot of the same looks sits at the same
place of the segment, in the area where that sticker belongs, and no other one does. Everything else needs a click. The two
dots of the heel counter always do: the landmarks of the foot wander by more than the distance of the two.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.film.frames import FilmInfo
from midstance.film.reader import probe, read_frames
from midstance.gait.model import LANDMARK_INDEX, SIDES, Floats, LandmarkPaths, State, View
from midstance.pose.sticker_dots import Dot, standing_out
from midstance.pose.stickers import StickerMark, sticker_names

#: Pictures looked at, spread over the film.
PICTURES = 36
#: Least contrast of a dot, grey levels of 255: stickers are chosen to stand out.
LEAST_CONTRAST = 50.0
#: A dot keeps its place when it is within this of it, body heights, in this share of the pictures, with its contrast and
#: area (logarithm) within this 1 SD.
SAME_PLACE, MIN_SHARE, LOOK_SPREAD = 0.014, 0.7, (0.30, 0.40)
#: A second dot that keeps its place in this share of the pictures makes the area unclear.
RIVAL_SHARE = 0.35


@attrs.frozen
class _Area:
    """Where a sticker belongs: along the line from landmark a (0) to b (1), and across it, in body heights."""

    view: View
    a: str
    b: str
    along: tuple[float, float]
    across: float


_AREAS: dict[str, _Area] = {
    "shank_top": _Area("rear", "knee", "ankle", (0.25, 0.62), 0.035),
    "shank_bottom": _Area("rear", "knee", "ankle", (0.70, 0.98), 0.030),
    "psis": _Area("rear", "hip", "shoulder", (0.02, 0.35), 0.06),
    "hip": _Area("side", "hip", "knee", (-0.25, 0.20), 0.045),
    "knee": _Area("side", "knee", "ankle", (-0.15, 0.15), 0.040),
    "ankle": _Area("side", "knee", "ankle", (0.88, 1.12), 0.035),
}


@attrs.frozen
class Found:
    """Stickers found without a click: one mark each, and sentences on areas where dots were seen that can't be named."""

    marks: tuple[StickerMark, ...]
    unclear: tuple[str, ...]


@attrs.frozen(eq=False)
class _Sighting:
    picture: int
    time_s: float
    along: float
    across: float
    dot: Dot


def find_stickers(
    path: Path,
    landmarks: LandmarkPaths,
    *,
    index: NDArray[np.int64],
    file_time_s: Floats,
    body_px: float,
    info: FilmInfo | None = None,
    sides: Sequence[str] = SIDES,
) -> Found:
    """Look for stickers in a film.

    Parameters
    ----------
    landmarks : clean landmark paths, image px.
    index, file_time_s : (n,) film index and file time, s, of their frames.
    body_px : body height, px.
    sides : the legs to look at; in a side view only the near one.
    """
    info = info or probe(path)
    view = landmarks.view
    names = [n for n in sticker_names(view) if n.split("_", 1)[1] in _AREAS and n.split("_", 1)[0] in sides]
    names = [n for n in names if _AREAS[n.split("_", 1)[1]].view == view]
    if not names or not len(index):
        return Found((), ())
    rows = np.unique(np.linspace(0, len(index) - 1, min(PICTURES, len(index))).astype(int))
    row_of = {int(index[r]): int(r) for r in rows}
    seen: dict[str, list[_Sighting]] = {n: [] for n in names}
    looked = dict.fromkeys(names, 0)
    with read_frames(path, start_s=float(file_time_s[0]) or None, end_s=float(file_time_s[-1]) + 1e-6, info=info) as reader:
        for frame in reader:
            r = row_of.get(frame.index)
            if r is None:
                continue
            for name in names:
                line = _segment(landmarks, name, r)
                if line is None:
                    continue
                looked[name] += 1
                a, b = line
                seen[name] += [
                    s
                    for d in _dots(frame.rgb_region, a, b, name, body_px, info)
                    if (s := _placed(d, a, b, name, body_px, r, frame.file_time_s)) is not None
                ]
    marks, unclear = [], []
    for name in names:
        mark, told = _settle(name, seen[name], looked[name])
        if mark is not None:
            marks.append(mark)
        if told:
            unclear.append(told)
    return Found(*_apart(marks, unclear))


def _segment(landmarks: LandmarkPaths, name: str, row: int) -> tuple[Floats, Floats] | None:
    side, place = name.split("_", 1)
    area = _AREAS[place]
    ends = [LANDMARK_INDEX[f"{side}_{p}"] for p in (area.a, area.b)]
    if not all(landmarks.state[row, i] in (State.SEEN, State.CORRECTED) for i in ends):
        return None
    a, b = landmarks.xy[row, ends[0]], landmarks.xy[row, ends[1]]
    usual = np.nanmedian(np.linalg.norm(landmarks.xy[:, ends[0]] - landmarks.xy[:, ends[1]], axis=1))
    # A segment turned towards the camera has no scale along itself.
    return (a, b) if np.linalg.norm(b - a) > 0.75 * usual else None


def _dots(region: object, a: Floats, b: Floats, name: str, body_px: float, info: FilmInfo) -> list[Dot]:
    area = _AREAS[name.split("_", 1)[1]]
    ends = np.array([a + u * (b - a) for u in area.along])
    reach = (area.across + 0.02) * body_px + 6
    low, high = ends.min(axis=0) - reach, ends.max(axis=0) + reach
    x0, y0 = max(int(low[0]), 0), max(int(low[1]), 0)
    x1, y1 = min(int(high[0]), info.width), min(int(high[1]), info.height)
    if x1 - x0 < 16 or y1 - y0 < 16:
        return []
    return [d for d, _ in standing_out(region(x0, y0, x1, y1), x0, y0, LEAST_CONTRAST)]  # type: ignore[operator]


def _placed(
    dot: Dot, a: Floats, b: Floats, name: str, body_px: float, picture: int, time_s: float
) -> _Sighting | None:
    area = _AREAS[name.split("_", 1)[1]]
    d = b - a
    length = float(np.linalg.norm(d))
    rel = np.array([dot.x, dot.y]) - a
    along, across = float(rel @ d) / length, float(d[0] * rel[1] - d[1] * rel[0]) / length / body_px
    if not area.along[0] <= along / length <= area.along[1] or abs(across) > area.across:
        return None
    return _Sighting(picture, time_s, along / body_px, across, dot)


def _settle(name: str, seen: Sequence[_Sighting], looked: int) -> tuple[StickerMark | None, str]:
    """Return the one dot that keeps its place, or what is unclear."""
    groups = _places(seen)
    shares = [len({s.picture for s in g}) / max(looked, 1) for g in groups]
    lasting = [g for g, share in zip(groups, shares, strict=True) if share >= RIVAL_SHARE]
    words = name.replace("_", " ")
    if looked < PICTURES // 4 or not lasting:
        return None, ""
    best = max(lasting, key=len)
    if len(lasting) > 1:
        return None, f"{len(lasting)} dots were seen where the sticker {words} belongs; click the right one"
    share = max(shares)
    looks = np.log([[s.dot.contrast, max(s.dot.area_px, 1.0)] for s in best])
    if share < MIN_SHARE or bool((looks.std(axis=0) > LOOK_SPREAD).any()):
        return None, f"a dot was seen now and then where the sticker {words} belongs; click it if it is one"
    typical = np.median(looks, axis=0)
    clear = min(best, key=lambda s: s.dot.smear_px + 10 * abs(np.log(s.dot.contrast) - typical[0]))
    return StickerMark(name, clear.time_s, clear.dot.x, clear.dot.y, source="found"), ""


def _places(seen: Sequence[_Sighting]) -> list[list[_Sighting]]:
    """Group sightings by their place on the segment, the most crowded place first."""
    left = list(seen)
    groups: list[list[_Sighting]] = []
    while left:
        at = np.array([(s.along, s.across) for s in left])
        near = np.linalg.norm(at[:, None] - at[None], axis=2) <= SAME_PLACE
        core = near[int(near.sum(axis=1).argmax())]
        middle = np.median(at[core], axis=0)
        member = np.linalg.norm(at - middle, axis=1) <= SAME_PLACE
        if not member.any():
            break
        groups.append([s for s, m in zip(left, member, strict=True) if m])
        left = [s for s, m in zip(left, member, strict=True) if not m]
    return groups


def _apart(marks: list[StickerMark], unclear: list[str]) -> tuple[tuple[StickerMark, ...], tuple[str, ...]]:
    """Drop both where one dot got two names."""
    twice = {
        m.name
        for m in marks
        for n in marks
        if m is not n and m.time_s == n.time_s and np.hypot(m.x_px - n.x_px, m.y_px - n.y_px) < 3.0
    }
    told = [f"one dot could be {' or '.join(sorted(n.replace('_', ' ') for n in twice))}; click it"] if twice else []
    return tuple(m for m in marks if m.name not in twice), (*unclear, *told)
