"""Contacts that must not be measured, each with its reason."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import ArrayLike

from midstance.force.model import Contact, Plate
from midstance.gait.model import Floats

#: Longer than this it isn't a running contact, s; nor is one this much longer than the median of the recording.
LONGEST_CONTACT_S, LONGER_THAN_MEDIAN = 0.45, 1.5
SHORTER_THAN_MEDIAN = 0.55
#: Nearer to the plate's edge than this the foot may hang over it, m (common practice, no source).
EDGE_M = 0.02
#: The centre of pressure of one foot moves by at most about a shoe's length in contact, m.
LONGEST_COP_M = 0.36
#: A running step peaks above this many body weights.
LEAST_PEAK_BW = 1.15
#: A flat top at least this long, s, that is this many times flatter than a rounded summit, is a channel at its limit.
FLAT_S, FLAT_FACTOR = 0.005, 4.0
LEAST_FOR_MEDIAN = 4
#: How the reason of a contact ends in which a channel was at its limit.
SATURATED = "(saturated)"


def flat_top(x: ArrayLike, rate_hz: float) -> bool:
    """True where a signal stands at its largest magnitude as a channel at the end of its range does.

    A summit stored in coarse steps is flat, too; but it falls off as a parabola through its ends would, by few steps. A
    clipped one falls off by many.
    """
    v = np.abs(np.asarray(x, dtype=np.float64))
    n = len(v)
    if n < 8:
        return False
    top = float(v.max())
    if not top > 0:  # all zero, or a gap
        return False
    at = np.flatnonzero(v >= top - 1e-6 * top)
    if len(at) < max(4, FLAT_S * rate_hz):
        return False
    breaks = np.flatnonzero(np.diff(at) > 1)
    groups = np.split(at, breaks + 1)
    longest = max(groups, key=len)
    length = len(longest)
    if length < max(4, FLAT_S * rate_hz):
        return False
    steps = np.abs(np.diff(v))
    steps = steps[steps > 1e-6 * top]
    if len(steps) == 0:
        return True
    step = float(steps.min())
    beside = max(2, round(0.004 * rate_hz))
    left, right = int(longest[0]) - beside, int(longest[-1]) + beside
    falls = [top - float(v[i]) for i in (left, right) if 0 <= i < n]
    if not falls:
        return True
    half = 0.5 * length
    natural = step * ((half + beside) / half) ** 2
    return min(falls) > FLAT_FACTOR * natural


def contact_fault(
    contact: Contact, wrench: Floats, rate_hz: float, plate: Plate, edges: Floats | None, weight_n: float, overground: bool
) -> str | None:
    """Why one contact can't be used, looked at alone.

    ``wrench`` (n, 6) of the contact, runner's axes. ``edges`` (2, 2) least and largest forward and right coordinate of the
    plate, runner's axes, m; None where unknown.
    """
    if contact.contact_s > LONGEST_CONTACT_S:
        ms = 1000 * contact.contact_s
        return f"on the ground for {ms:.0f} ms: two feet on {plate.name} one after the other, or no running step"
    for j, name in ((1, "vertical"), (0, "fore-aft"), (2, "sideways")):
        if (j == 1 or plate.horizontal) and flat_top(wrench[:, j], rate_hz):
            return f"the {name} force of {plate.name} stood at the end of its range {SATURATED}"
    peak = contact.values.get("peak", float("nan"))
    if peak < LEAST_PEAK_BW * weight_n:
        share = peak / weight_n
        return f"the force peaks at {share:.2f} body weights: part of the foot beside {plate.name}, or no running step"
    if overground and contact.cop is not None and np.isfinite(contact.cop).any():
        low, high = np.nanmin(contact.cop, axis=0), np.nanmax(contact.cop, axis=0)
        if float(high[0] - low[0]) > LONGEST_COP_M:
            return f"the centre of pressure travels {100 * (high[0] - low[0]):.0f} cm: two feet on {plate.name}"
        if edges is not None:
            middle = contact.cop[10:91]
            gap = np.minimum(middle - edges[0], edges[1] - middle)
            if np.isfinite(gap).any() and float(np.nanmin(gap)) < EDGE_M:
                return (
                    f"the centre of pressure comes within {max(0.0, 1000 * float(np.nanmin(gap))):.0f} mm of the edge of "
                    f"{plate.name} (limit {1000 * EDGE_M:.0f} mm): part of the foot may have been beside it"
                )
    return None


def beside_the_others(contacts: Sequence[Contact], plates: Sequence[Plate]) -> list[Contact]:
    """Exclude contacts that stand out from the recording's own, and feet that stood on two plates at once."""
    kept = [c.contact_s for c in contacts if c.excluded is None]
    out = list(contacts)
    if len(kept) >= LEAST_FOR_MEDIAN:
        median = float(np.median(kept))
        for i, c in enumerate(out):
            if c.excluded is not None:
                continue
            against = f"{1000 * c.contact_s:.0f} ms on the ground against {1000 * median:.0f} ms usually"
            if c.contact_s > LONGER_THAN_MEDIAN * median:
                reason = f"{against}: both feet, or a stumble"
            elif c.contact_s < SHORTER_THAN_MEDIAN * median:
                reason = f"{against}: only part of a contact"
            else:
                continue
            out[i] = attrs.evolve(c, excluded=reason)
    for i, c in enumerate(out):
        for j in range(i + 1, len(out)):
            d = out[j]
            if d.on_s > c.off_s:
                break
            if d.plate == c.plate:
                continue
            overlap = min(c.off_s, d.off_s) - max(c.on_s, d.on_s)
            if overlap > 0.3 * min(c.contact_s, d.contact_s):
                reason = f"a foot on {plates[c.plate].name} and {plates[d.plate].name} at once"
                out[i] = attrs.evolve(out[i], excluded=out[i].excluded or reason)
                out[j] = attrs.evolve(out[j], excluded=out[j].excluded or reason)
    return out
