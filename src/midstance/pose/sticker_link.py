"""Which dot of each frame is which sticker.

Dots of neighbouring frames are first joined to *pieces* of path wherever only one dot fits, whatever it may be. A piece is
then named as a whole: one that holds a click has its name; another gets a name when it moves with that sticker's segment
where the sticker should be, when it fits those of the same segment that are seen meanwhile, and when no other name, and no
other piece for that name, comes near. An error of the landmarks shifts the stickers of a segment all alike, so that it is
their places against each other that tell apart dots that look the same. What stays unclear stays unnamed: a sticker that
can't be told is missing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait.model import Floats

#: A dot of the next frame belongs to a piece when it is within this many standard deviations of where the piece leads.
JOIN = 3.5
#: 1-SD error of where a piece leads, in body heights: by the landmarks' motion (a new piece), and by its own motion over
#: 1/60 s, growing with the square of time (acceleration).
BY_CARRIER, BY_MOTION = 0.010, 0.004
LEAST_JOIN_PX = 0.7
#: Another dot must be this much farther away (in squared standard deviations), or the piece ends there.
JOIN_CLEAR_BY = 4.0
#: A piece bridges this many frames without a dot.
JOIN_GAP = 1
#: Shortest piece without a click that is named, frames and s.
MIN_ROWS, MIN_PIECE_S = 4, 0.04
#: 1-SD error, in body heights, of a sticker's predicted place: first guess, and least after learning.
FIRST_PLACE, LEAST_PLACE = 0.025, 0.015
#: The same for two stickers of a segment against each other.
FIRST_APART, LEAST_APART = 0.010, 0.004
#: Largest cost (squared standard deviations) of a name, by how much it must beat every other, cost of a sticker of the
#: segment without a piece.
MAX_COST, CLEAR_BY, ALONE_COST = 16.0, 5.0, 6.0
#: 1-SD of the logarithms of a dot's contrast and area through a film; what a piece's shortness costs, s over its length.
LOOK_SD = np.array([0.35, 0.45])
SHORT_S = 0.25
#: A rival is a speck when it spans at most this share of the frames.
SPECK = 0.6
#: Weight of what a piece moves against its segment, beside how far it is off in the mean: landmarks wander too.
SWAY = 0.3
#: Dots nearer than this are one, px.
SAME_DOT_PX = 1.0
#: A piece named alone must be this many standard deviations of its place from every other sticker of the segment.
ALONE_SIGMAS = 4.0
_OVERLAP = 3


@attrs.frozen(eq=False)
class DotTable:
    """Dots of one look in one frame: ``xy`` (k, 2) px, ``sigma`` ``contrast`` ``area`` (k,)."""

    xy: Floats
    sigma: Floats
    contrast: Floats
    area: Floats

    @staticmethod
    def empty() -> DotTable:
        """Return a table without dots."""
        none = np.zeros(0)
        return DotTable(np.zeros((0, 2)), none, none, none)

    def look(self, dot: int) -> Floats:
        """Return the logarithms of a dot's contrast and area."""
        return np.log([max(float(self.contrast[dot]), 1e-6), max(float(self.area[dot]), 1.0)])


@attrs.define(eq=False)
class Piece:
    """A piece of path: its frames, the numbers of its dots in their tables, their places, their log contrast and area."""

    rows: list[int]
    dots: list[int]
    xy: list[Floats]
    looks: list[Floats]

    def place(self) -> tuple[NDArray[np.int64], Floats]:
        """Return frames (k,) and places (k, 2)."""
        return np.array(self.rows), np.array(self.xy)


def pieces(tables: Sequence[DotTable], time_s: Floats, motion: Floats, body_px: float) -> list[Piece]:
    """Join the dots of neighbouring frames to pieces.

    Parameters
    ----------
    tables : (n) dots of each frame.
    time_s : (n,) times, s.
    motion : (c, n, 2) px, predicted paths of the stickers: a new piece moves as the nearest of them does.
    """
    done: list[Piece] = []
    live: list[Piece] = []
    free: list[list[int]] = []
    for k, table in enumerate(tables):
        done += [p for p in live if k - p.rows[-1] > JOIN_GAP + 1]
        live = [p for p in live if k - p.rows[-1] <= JOIN_GAP + 1]
        taken = np.zeros(len(table.xy), bool)
        if live and len(table.xy):
            cost = np.array([_join_cost(p, table, k, time_s, body_px) for p in live])
            for a, b in _clear_pairs(cost):
                piece = live[a]
                piece.rows.append(k)
                piece.dots.append(b)
                piece.xy.append(table.xy[b])
                piece.looks.append(table.look(b))
                taken[b] = True
        free.append([int(b) for b in np.flatnonzero(~taken)])
        if k >= 2:
            for triple in _starts(tables, free, k, time_s, motion, body_px):
                rows = [k - 2, k - 1, k]
                both = list(zip(rows, triple, strict=True))
                xy, looks = [tables[r].xy[d] for r, d in both], [tables[r].look(d) for r, d in both]
                live.append(Piece(rows, list(triple), xy, looks))
                for r, d in zip(rows, triple, strict=True):
                    free[r].remove(d)
    lone = [Piece([k], [d], [tables[k].xy[d]], [tables[k].look(d)]) for k, dots in enumerate(free) for d in dots]
    return done + live + lone


def _join_cost(p: Piece, table: DotTable, k: int, time_s: Floats, body_px: float) -> Floats:
    """Squared standard deviations of each dot from where a piece leads."""
    last, before = p.rows[-1], p.rows[-2]
    dt = float(time_s[k] - time_s[last])
    expected = p.xy[-1] + (p.xy[-1] - p.xy[-2]) / float(time_s[last] - time_s[before]) * dt
    sigma = max(BY_MOTION * body_px * (60.0 * dt) ** 2, LEAST_JOIN_PX)
    return np.asarray(((table.xy - expected) ** 2).sum(axis=1) / sigma**2)


def _starts(
    tables: Sequence[DotTable], free: Sequence[Sequence[int]], k: int, time_s: Floats, motion: Floats, body_px: float
) -> list[tuple[int, int, int]]:
    """Return the dots of three frames running that can only belong together.

    They lie on a smooth path and move about as the nearest sticker's segment does. A step from one dot of a pair to the
    other would have to be made twice.
    """
    a, b, c = (np.array(free[r], np.int64) for r in (k - 2, k - 1, k))
    if not (len(a) and len(b) and len(c)):
        return []
    xa, xb, xc = tables[k - 2].xy[a], tables[k - 1].xy[b], tables[k].xy[c]
    first, second = float(time_s[k - 1] - time_s[k - 2]), float(time_s[k] - time_s[k - 1])
    carried = max(BY_CARRIER * body_px * max(1.0, 60.0 * first), 1.0)
    smooth = max(BY_MOTION * body_px * (60.0 * second) ** 2, LEAST_JOIN_PX)
    near = np.nanargmin(((motion[:, None, k - 2] - xa[None]) ** 2).sum(axis=2), axis=0)
    step = motion[near, k - 1] - motion[near, k - 2]
    by_carrier = ((xb[None] - xa[:, None] - step[:, None]) ** 2).sum(axis=2) / carried**2
    expected = xb[None] + (xb[None] - xa[:, None]) * (second / first)
    by_motion = ((xc[None, None] - expected[:, :, None]) ** 2).sum(axis=3) / smooth**2
    cost = by_carrier[:, :, None] + by_motion
    cost[(by_motion > JOIN**2)] = np.inf
    cost[by_carrier > JOIN**2] = np.inf
    out = []
    while np.isfinite(cost).any():
        i, j, m = np.unravel_index(int(cost.argmin()), cost.shape)
        best = float(cost[i, j, m])
        own = np.zeros(cost.shape, bool)
        own[i] = own[:, j] = own[:, :, m] = True
        rivals = cost[own]
        if (rivals < best + JOIN_CLEAR_BY).sum() == 1:
            out.append((int(a[i]), int(b[j]), int(c[m])))
            cost[own] = np.inf
        else:
            cost[i, j, m] = np.inf
    return out


def _clear_pairs(cost: Floats) -> list[tuple[int, int]]:
    """Return the (piece, dot) pairs that are each other's best by a clear distance."""
    out = []
    for a in range(len(cost)):
        b = int(cost[a].argmin())
        if cost[a, b] > JOIN**2:
            continue
        others = np.concatenate([np.delete(cost[a], b), np.delete(cost[:, b], a)])
        if not len(others) or others.min() >= cost[a, b] + JOIN_CLEAR_BY:
            out.append((a, b))
    return out


@attrs.frozen(eq=False)
class Stickers:
    """The stickers of a film to be found among pieces of path.

    ``carrier`` (m, n, 2) px predicted paths; ``segment`` (m,) numbers the segment that carries each; ``look`` (m,) the table
    of dots that holds it; ``trusted`` (m, n) where its carrier is known; ``clicks`` row → place of the clicked dots;
    ``look_like`` (m, 2) log contrast and area when clicked; ``place_sigma`` and ``apart_sigma`` (m,) px.
    """

    time_s: Floats
    carrier: Floats
    segment: Sequence[int]
    look: Sequence[int]
    trusted: NDArray[np.bool_]
    clicks: Sequence[Mapping[int, Floats]]
    look_like: Floats
    place_sigma: Floats
    apart_sigma: Floats


@attrs.frozen(eq=False)
class _Name:
    """A name proposed for one piece, or names for two at once: ((look, piece), sticker), and what it costs."""

    pairs: tuple[tuple[tuple[int, int], int], ...]
    cost: float


def name_pieces(stickers: Stickers, found: Sequence[Sequence[Piece]]) -> list[dict[int, tuple[int, int]]]:
    """Name pieces of path.

    Parameters
    ----------
    found : pieces of each look's table.

    Returns
    -------
    For each sticker: frame → (number of the dot in its table, look).
    """
    m = len(stickers.segment)
    named: dict[tuple[int, int], int] = {}
    for i in range(m):
        for row, xy in stickers.clicks[i].items():
            key = _at(found, stickers.look[i], row, xy)
            if key is not None:
                named[key] = i
    open_keys = [
        (g, j)
        for g, group in enumerate(found)
        for j, p in enumerate(group)
        if (g, j) not in named and _long_enough(p, stickers)
    ]
    while True:
        proposals = _proposals(stickers, found, named, open_keys)
        accepted = _accept(proposals, found, named)
        if not accepted:
            break
        named.update(accepted)
        open_keys = [k for k in open_keys if k not in named]
    out: list[dict[int, tuple[int, int]]] = [{} for _ in range(m)]
    for (g, j), i in named.items():
        for row, dot in zip(found[g][j].rows, found[g][j].dots, strict=True):
            out[i][row] = (dot, g)
    return out


def _at(found: Sequence[Sequence[Piece]], look: int, row: int, xy: Floats) -> tuple[int, int] | None:
    for j, p in enumerate(found[look]):
        if row in p.rows and np.hypot(*(p.xy[p.rows.index(row)] - xy)) < 1.5:
            return look, j
    return None


def _long_enough(p: Piece, stickers: Stickers) -> bool:
    return len(p.rows) >= MIN_ROWS and stickers.time_s[p.rows[-1]] - stickers.time_s[p.rows[0]] >= MIN_PIECE_S - 1e-9


def _overlap(a: Piece, b: Piece) -> int:
    """Frames that two pieces span together."""
    return min(a.rows[-1], b.rows[-1]) - max(a.rows[0], b.rows[0]) + 1


def _proposals(
    stickers: Stickers,
    found: Sequence[Sequence[Piece]],
    named: Mapping[tuple[int, int], int],
    open_keys: Sequence[tuple[int, int]],
) -> list[_Name]:
    m = len(stickers.segment)
    own: list[list[Piece]] = [[] for _ in range(m)]
    for (g, j), i in named.items():
        own[i].append(found[g][j])
    # A clicked frame may be one in which the landmarks were off: all that is named says where a sticker sits.
    carrier = stickers.carrier.copy()
    for i in range(m):
        if own[i]:
            rows, xy = (np.concatenate(part) for part in zip(*[p.place() for p in own[i]], strict=True))
            carrier[i] += np.median(xy - stickers.carrier[i, rows], axis=0)
    stickers = attrs.evolve(stickers, carrier=carrier)
    singles: dict[tuple[tuple[int, int], int], tuple[Floats, float]] = {}
    for key in open_keys:
        piece = found[key[0]][key[1]]
        rows, xy = piece.place()
        for i in range(m):
            if stickers.look[i] != key[0] or any(_overlap(piece, p) > 0 for p in own[i]):
                continue
            if stickers.trusted[i, rows].mean() < 0.8:
                continue
            away = xy - stickers.carrier[i, rows]
            middle = away.mean(axis=0)
            sway = SWAY * float(((away - middle) ** 2).sum(axis=1).mean()) / stickers.place_sigma[i] ** 2
            cost = float((middle**2).sum()) / stickers.place_sigma[i] ** 2 + sway + _unlike(stickers, piece, i)
            if cost <= MAX_COST + 4.0:
                singles[key, i] = (middle, cost)
    out: list[_Name] = []
    for (key, i), (_, cost) in singles.items():
        piece = found[key[0]][key[1]]
        mates = [j for j in range(m) if j != i and stickers.segment[j] == stickers.segment[i]]
        total, seen = cost, False
        for j in mates:
            fits = [_misfit(stickers, piece, i, p, j) for p in own[j] if _overlap(piece, p) >= _OVERLAP]
            if fits:
                total, seen = total + max(fits), True
            else:
                total += ALONE_COST
        if seen or not mates or _stands_alone(stickers, i, mates, piece):
            if total <= MAX_COST + ALONE_COST * len(mates):
                out.append(_Name(((key, i),), total))
    keys = list(singles)
    for a, (key_a, i) in enumerate(keys):
        for key_b, j in keys[:a]:
            if i == j or key_a == key_b or stickers.segment[i] != stickers.segment[j]:
                continue
            pa, pb = found[key_a[0]][key_a[1]], found[key_b[0]][key_b[1]]
            if _overlap(pa, pb) < _OVERLAP:
                continue
            misfit = _misfit(stickers, pa, i, pb, j)
            # What shifts both alike counts once.
            cost = 0.5 * (singles[key_a, i][1] + singles[key_b, j][1]) + misfit
            lacking = sum(1 for k in range(m) if stickers.segment[k] == stickers.segment[i]) - 2
            if cost <= MAX_COST:
                out.append(_Name(((key_a, i), (key_b, j)), cost + ALONE_COST * lacking))
    return out


def _unlike(stickers: Stickers, piece: Piece, i: int) -> float:
    """Cost of a piece's looks, and of its being short: a speck of the background seldom lasts."""
    off = (np.median(piece.looks, axis=0) - stickers.look_like[i]) / LOOK_SD
    lasts = float(stickers.time_s[piece.rows[-1]] - stickers.time_s[piece.rows[0]])
    return float((off**2).sum()) + SHORT_S / max(lasts, 1e-3)


def _misfit(stickers: Stickers, a: Piece, i: int, b: Piece, j: int) -> float:
    """Squared standard deviations by which two pieces lie otherwise to each other than stickers i and j do."""
    rows, in_a, in_b = np.intersect1d(a.rows, b.rows, return_indices=True)
    if len(rows) < _OVERLAP:
        return 0.0
    apart = np.array(a.xy)[in_a] - np.array(b.xy)[in_b]
    expected = stickers.carrier[i, rows] - stickers.carrier[j, rows]
    if np.hypot(*apart.T).min() < SAME_DOT_PX:
        return np.inf
    sigma = 0.5 * (stickers.apart_sigma[i] + stickers.apart_sigma[j])
    return float(((apart - expected) ** 2).sum(axis=1).mean() / sigma**2)


def _stands_alone(stickers: Stickers, i: int, mates: Sequence[int], piece: Piece) -> bool:
    rows = piece.rows
    gaps = [np.hypot(*(stickers.carrier[i, rows] - stickers.carrier[j, rows]).T).min() for j in mates]
    return bool(min(gaps) > ALONE_SIGMAS * stickers.place_sigma[i])


def _accept(
    proposals: Sequence[_Name], found: Sequence[Sequence[Piece]], named: Mapping[tuple[int, int], int]
) -> dict[tuple[int, int], int]:
    """Accept the cheapest proposal that beats clearly all that contradict it; the next ones are judged afresh.

    One that would have a piece under another name must cost clearly more. One that has another piece for a name may also
    just be much shorter: a speck seen for a moment doesn't cast doubt on a path seen for long.
    """
    for p in sorted(proposals, key=lambda n: n.cost):
        if all(
            q.cost >= p.cost + CLEAR_BY or (kind == "other piece" and _rows(q, found) <= SPECK * _rows(p, found))
            for q in proposals
            if q is not p and (kind := _contradict(p, q, found))
        ):
            return dict(p.pairs)
    return {}


def _rows(name: _Name, found: Sequence[Sequence[Piece]]) -> int:
    return sum(len(found[g][j].rows) for (g, j), _ in name.pairs)


def _contradict(p: _Name, q: _Name, found: Sequence[Sequence[Piece]]) -> str:
    """Tell how two proposals contradict each other; empty where they don't."""
    kind = ""
    for key_p, i in p.pairs:
        for key_q, j in q.pairs:
            if key_p == key_q and i != j:
                return "other name"
            if i == j and key_p != key_q and _overlap(found[key_p[0]][key_p[1]], found[key_q[0]][key_q[1]]) > 0:
                kind = "other piece"
    return kind
