"""What others take from a result: events for joining with a film, and mean curves for drawing."""

from __future__ import annotations

import attrs
import numpy as np

from midstance.force.model import ForceResult
from midstance.force.registry import VIEW
from midstance.gait.model import SIDES, Event, EventKind, Floats, Side

_Z95 = 1.96
#: A point of a mean path needs this share of the contacts.
LEAST_SHARE = 0.5


def events_of(result: ForceResult) -> list[Event]:
    """Initial contacts and toe-offs of all contacts whose side is known, with 95 % intervals, in time order.

    Contacts that are excluded for what their forces are (an edge, a channel at its limit) still happened, and count; those
    cut off by the recording's ends or by gaps don't.
    """
    out = []
    for c in result.contacts:
        if c.side is None or not c.values:
            continue
        kinds: tuple[tuple[EventKind, float, float], ...] = (
            ("initial_contact", c.on_s, c.on_sigma_s),
            ("toe_off", c.off_s, c.off_sigma_s),
        )
        out += [Event(VIEW, c.side, kind, t, t - _Z95 * s, t + _Z95 * s) for kind, t, s in kinds]
    return sorted(out, key=lambda e: e.time_s)


@attrs.frozen(eq=False)
class MeanCurves:
    """Mean and standard deviation over the contacts of one foot at 0 to 100 % of contact.

    ``force``, ``force_sd`` : (101, 3) forward, up, right, body weights (N where body weight isn't known: ``unit`` says).
    ``path``, ``path_sd`` : (101, 2) centre of pressure in the foot's axes, as ``ForceResult.foot_paths``; None without
    feet; NaN where the plate bears too little.
    """

    side: Side
    n: int
    unit: str
    force: Floats
    force_sd: Floats
    path: Floats | None
    path_sd: Floats | None


def mean_curves(result: ForceResult) -> dict[Side, MeanCurves]:
    """Mean curves of each foot that has at least two measured contacts."""
    out: dict[Side, MeanCurves] = {}
    for side in SIDES:
        own = [c for c in result.contacts if c.side == side and c.excluded is None and c.force is not None]
        if len(own) < 2:
            continue
        scale, unit = (1.0, "N") if result.weight_n is None else (1.0 / result.weight_n, "BW")
        force = np.array([c.force for c in own], dtype=np.float64) * scale
        paths = np.array([result.foot_paths[c.index] for c in own if c.index in result.foot_paths], dtype=np.float64)
        path = spread = None
        if len(paths) >= 2:
            enough = np.isfinite(paths).mean(axis=0) >= LEAST_SHARE
            filled = np.where(enough, paths, 0.0)
            path = np.where(enough, np.nanmean(filled, axis=0), np.nan)
            spread = np.where(enough, np.nanstd(filled, axis=0), np.nan)
        out[side] = MeanCurves(side, len(own), unit, force.mean(axis=0), force.std(axis=0, ddof=1), path, spread)
    return out
