"""Which step of a film the stills show, and at which times: the most ordinary one, so that a picture doesn't
mislead.
"""

from __future__ import annotations

from midstance.assess.result import Assessment
from midstance.gait.model import Side, Stance, View
from midstance.report.stills import SHOWN, StillKind

#: The peak that the midstance still is taken at, by view.
_PEAK = {"side": "knee_flexion_peak_stance", "rear": "pelvic_drop_peak", "front": "pelvic_drop_peak"}
#: Midstance as a share of the stance where no curve tells where the peak is; engineering choice.
MIDDLE = 0.45


def representative_stance(a: Assessment, view: View, side: Side) -> Stance | None:
    """Return the kept stance whose numbers on the stills are nearest to the film's means, or None if there
    is none.

    Nearness is the mean, over the measures shown on stills, of the distance from the mean in units of that
    measure's spread from stride to stride. A stance that lacks a measure is judged by the others; ties go to
    the earlier stance.
    """
    stances = [
        s
        for s in a.stances
        if s.ic.view == view and s.side == side and s.excluded is None and s.to is not None
    ]
    if not stances:
        return None
    family = "side" if view == "side" else "frontal"
    keys = {k for (f, _), words in SHOWN.items() if f == family for k in words}
    far: dict[int, list[float]] = {s.index: [] for s in stances}
    for key in sorted(keys):
        mine = [
            v for v in a.stride_values if (v.measure, v.view, v.side) == (key, view, side) and v.stride in far
        ]
        if len(mine) < 2:
            continue
        mean = sum(v.value for v in mine) / len(mine)
        spread = (sum((v.value - mean) ** 2 for v in mine) / (len(mine) - 1)) ** 0.5
        for v in mine:
            far[v.stride].append(abs(v.value - mean) / spread if spread > 0 else 0.0)
    most = max(len(x) for x in far.values())
    full = [s for s in stances if len(far[s.index]) == most]
    return min(full, key=lambda s: (sum(far[s.index]) / max(most, 1), s.index))


def still_times(a: Assessment, stance: Stance) -> dict[StillKind, float]:
    """Return the real times of the three stills of a stance, seconds from the first frame.

    Midstance is where the mean curve has its peak within the stance (knee bend from the side, pelvic drop
    from behind or in front); without such a curve :data:`MIDDLE` of the stance.
    """
    if stance.to is None:
        return {"initial_contact": stance.ic.time_s}
    view, side = stance.ic.view, stance.side
    contact, toe_off = stance.ic.time_s, stance.to.time_s
    share = MIDDLE
    for c in a.curves:
        if c.view == view and c.side == side and _PEAK[view] in c.measure_keys and c.toe_off_percent > 0:
            within = [(float(v), i) for i, v in enumerate(c.mean) if i <= c.toe_off_percent and v == v]
            if within:
                share = min(1.0, max(within, key=lambda p: (p[0], -p[1]))[1] / c.toe_off_percent)
    return {
        "initial_contact": contact,
        "midstance": contact + share * (toe_off - contact),
        "toe_off": toe_off,
    }
