"""Markers on the feet, found by their names: heel, metatarsal heads, tip of the toes, of the left and the right foot."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from midstance.force.model import FeetPaths
from midstance.gait.model import SIDES, Floats, Side

#: Names, best first; each entry lists markers whose mean is taken. They are matched without the side's letter, signs and
#: case.
_HEEL: tuple[tuple[str, ...], ...] = (("heelbottom",), ("heel",), ("hee",), ("calc",), ("heeltop",), ("heellateral",))
_METATARSALS: tuple[tuple[str, ...], ...] = (
    ("mt2",), ("2mt",), ("p2mt",), ("mt1", "mt5"),
    ("1mt", "5mt"), ("p1mt", "p5mt"), ("met1", "met5"), ("mth1", "mth5"), ("toe",),
)  # fmt: skip
_SIDE = {"left": re.compile(r"^l(eft)?[ ._-]*", re.I), "right": re.compile(r"^r(ight)?[ ._-]*", re.I)}


def feet_from_markers(labels: Sequence[str], xyz: Floats, time_s: Floats) -> FeetPaths | None:
    """Paths of the feet.

    Parameters
    ----------
    labels : (k,) names of the markers.
    xyz : (k, n, 3) paths, lab axes, m; NaN where lost.
    time_s : (n,).

    Returns
    -------
    FeetPaths or None
        None where heel or front of either foot has no marker. A marker called only "toe" is taken for the metatarsal line:
        on running shoes it sits on the toe box above it (common practice).
    """
    heel: dict[Side, Floats] = {}
    front: dict[Side, Floats] = {}
    for side in SIDES:
        plain = {
            re.sub(r"[^a-z0-9]", "", _SIDE[side].sub("", name.split(":")[-1]).lower()): i
            for i, name in enumerate(labels)
            if _SIDE[side].match(name.split(":")[-1])
        }
        h, f = _pick(plain, _HEEL, xyz), _pick(plain, _METATARSALS, xyz)
        if h is None or f is None:
            return None
        heel[side], front[side] = h, f
    return FeetPaths(np.asarray(time_s, dtype=np.float64), heel, front, "metatarsals")


def _pick(plain: dict[str, int], choices: tuple[tuple[str, ...], ...], xyz: Floats) -> Floats | None:
    for names in choices:
        if all(n in plain for n in names):
            paths = np.stack([xyz[plain[n]] for n in names])
            if np.isfinite(paths).any():
                return np.asarray(paths.mean(axis=0), dtype=np.float64)
    return None
