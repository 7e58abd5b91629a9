"""The centre of pressure in the axes of the foot: strike index, strike pattern, sideways excursion.

The foot's axes are those of the foot lying flat in mid-contact: from the heel towards the front of the foot, on the ground.
On a belt the whole picture travels with it, so the path is taken relative to the belt.
"""

from __future__ import annotations

from typing import Literal

import attrs
import numpy as np

from midstance.force.model import Contact, FeetPaths
from midstance.gait.model import Floats, Side

#: Part of contact in which the foot lies flat.
FLAT_PART = (0.30, 0.50)
#: Borders of rearfoot, midfoot and forefoot: thirds of the foot's length (Cavanagh & Lafortune 1980, J Biomech 13:397-406);
#: of the line from heel to metatarsal heads where the tip of the foot isn't known (as Graf et al. do for bare feet).
THIRDS = (1.0 / 3.0, 2.0 / 3.0)
#: Part of contact over which the sideways excursion is taken: at its ends the path is that of an unloaded plate.
EXCURSION_PART = (10, 90)
#: 1-SD error of the heel's and the front's place along the foot, m: where a marker sits on a shoe. Engineering choice.
PLACE_SIGMA_M = 0.010
#: Places this far off the foot, in shares of its length, can't bear load: samples there are noise of a nearly unloaded
#: plate. The shoe reaches about 0.15 behind the heel's marker and 0.45 beyond the metatarsal heads; the rest is error.
ON_FOOT = {"metatarsals": (-0.35, 1.60), "toes": (-0.25, 1.20)}
Pattern = Literal["rearfoot", "midfoot", "forefoot"]


@attrs.frozen(eq=False)
class FootFrame:
    """A foot lying flat: heel (2,) forward and right at the time ``at_s``, m; unit vector to the front; length, m; the speed
    (2,) at which the ground carries it, m/s.
    """

    at_s: float
    heel: Floats
    axis: Floats
    length_m: float
    ground_mps: Floats

    def place(self, points: Floats, times_s: Floats) -> Floats:
        """Points (n, 2) at ``times_s`` (n,) in the foot's axes: along (heel 0) and to the runner's right of the axis, m."""
        moved = points - self.heel - (times_s - self.at_s)[:, None] * self.ground_mps
        across = np.array([-self.axis[1], self.axis[0]])
        return np.column_stack([moved @ self.axis, moved @ across])


def foot_frame(
    feet: FeetPaths,
    heel: Floats,
    front: Floats,
    contact: Contact,
    *,
    treadmill: bool,
    speed_mps: float | None,
) -> FootFrame | str:
    """Frame of the foot in one contact, or why there is none.

    Parameters
    ----------
    feet : for its times; ``heel`` and ``front`` (n, 2) are the paths of this foot, forward and right in runner's axes, m.
    treadmill : the ground moves; its speed is ``speed_mps`` where given, else the foot's own in mid-contact.
    """
    t = feet.time_s
    low, high = (contact.on_s + p * contact.contact_s for p in FLAT_PART)
    i, j = np.searchsorted(t, [low, high])
    i, j = max(0, int(i) - 1), min(len(t), int(j) + 1)
    if j - i < 3 or t[i] > high or t[j - 1] < low:
        return "the foot was not recorded in this contact"
    h, f, at = heel[i:j], front[i:j], t[i:j]
    good = np.isfinite(h).all(axis=1) & np.isfinite(f).all(axis=1)
    if good.sum() < 3:
        return "markers of the foot were lost in mid-contact"
    h, f, at = h[good], f[good], at[good]
    middle = float(at.mean())
    ground = np.zeros(2)
    if treadmill:
        own = float(np.polyfit(at - middle, f[:, 0], 1)[0])
        ground = np.array([-speed_mps if speed_mps is not None else own, 0.0])
    still = (at - middle)[:, None] * ground
    heel0, front0 = (h - still).mean(axis=0), (f - still).mean(axis=0)
    axis = front0 - heel0
    length = float(np.linalg.norm(axis))
    if not 0.08 < length < 0.40:
        return f"heel and front of the foot lie {100 * length:.0f} cm apart, which is no foot"
    return FootFrame(middle, heel0, axis / length, length, ground)


@attrs.frozen(eq=False)
class InFoot:
    """What one contact's path says in the foot's axes.

    ``strike_index`` load-weighted place of first load along the foot (heel 0, front 1); ``excursion_m``
    sideways range; ``path`` (101, 2) along (share of length) and sideways (m, positive towards the little toe); NaN masked.
    """

    strike_index: float
    excursion_m: float
    path: Floats


def in_foot(
    contact: Contact, frame: FootFrame, side: Side, front_is: Literal["metatarsals", "toes"] = "metatarsals"
) -> InFoot:
    """Bring a contact's centre of pressure into the foot's axes."""
    outwards = 1.0 if side == "right" else -1.0
    index = float("nan")
    if contact.first_load is not None:
        f = contact.first_load.astype(np.float64)
        along = frame.place(f[:, 1:3], contact.on_s + f[:, 0])[:, 0] / frame.length_m
        low, high = ON_FOOT[front_is]
        on = (along > low) & (along < high)
        if on.any():
            index = float(np.average(along[on], weights=f[on, 3]))
    path = np.full((101, 2), np.nan)
    excursion = float("nan")
    if contact.cop is not None:
        times = contact.on_s + np.linspace(0.0, 1.0, 101) * contact.contact_s
        placed = frame.place(contact.cop.astype(np.float64), times)
        path = np.column_stack([placed[:, 0] / frame.length_m, outwards * placed[:, 1]])
        excursion = _range(path[EXCURSION_PART[0] : EXCURSION_PART[1] + 1, 1])
    return InFoot(index, excursion, path)


#: Where along the line from heel to metatarsal heads the centre of pressure lies from 60 to 70 % of contact, whatever the
#: strike pattern, and how far a strike index told from it is off, 1 SD; found on 78 legs of 13 runners at 2.5 to 4.5 m/s
#: (Fukuchi et al. 2017, doi 10.6084/m9.figshare.4543435).
PUSH_PART, PUSH_PLACE, PUSH_SIGMA = (60, 71), 0.864, 0.06
#: Heel marker to second metatarsal's as a share of body height, and its spread between people: 26 feet of the same runners.
FOOT_OF_HEIGHT, FOOT_OF_HEIGHT_SIGMA = 0.131, 0.0034


def index_from_path(contact: Contact, ground_mps: float, length_m: float) -> float:
    """Strike index from the centre of pressure alone; NaN where it can't be told.

    The path from the place of first load to where the push-off begins, relative to the ground, tells how far behind that
    place the foot landed.

    Parameters
    ----------
    ground_mps : speed at which the ground moves back under the runner: the belt's, 0 overground.
    length_m : heel to metatarsal heads.
    """
    if contact.cop is None or contact.first_load is None:
        return float("nan")
    since = np.linspace(0.0, contact.contact_s, 101)[PUSH_PART[0] : PUSH_PART[1]]
    push = contact.cop[PUSH_PART[0] : PUSH_PART[1], 0].astype(np.float64) + ground_mps * since
    f = contact.first_load.astype(np.float64)
    along = PUSH_PLACE + (f[:, 1] + ground_mps * f[:, 0] - push.mean()) / length_m
    on = (along > ON_FOOT["metatarsals"][0]) & (along < ON_FOOT["metatarsals"][1])
    return float(np.average(along[on], weights=f[on, 3])) if on.any() and np.isfinite(push).all() else float("nan")


def excursion_across_travel(contact: Contact) -> float:
    """Sideways range of the centre of pressure across the direction of travel, m; NaN where unknown."""
    if contact.cop is None:
        return float("nan")
    return _range(contact.cop[EXCURSION_PART[0] : EXCURSION_PART[1] + 1, 1].astype(np.float64))


def _range(x: Floats) -> float:
    good = x[np.isfinite(x)]
    return float(good.max() - good.min()) if len(good) >= 0.8 * len(x) else float("nan")


def pattern_of(strike_index: float) -> Pattern:
    """Strike pattern of a strike index (share of length, 0 to 1)."""
    if strike_index < THIRDS[0]:
        return "rearfoot"
    return "midfoot" if strike_index < THIRDS[1] else "forefoot"


def pattern_in_words(value: float, low: float, high: float) -> str:
    """The pattern, and what else its interval allows."""
    sure = pattern_of(value)
    others = [p for p in dict.fromkeys((pattern_of(low), pattern_of(high))) if p != sure]
    return sure if not others else f"{sure}, near the border to {' and '.join(others)}"
