"""Pairing of events into stances, and the gates that decide which of them are measured.

A stance that fails a gate is left out with a readable reason and counted. Nothing is repaired: an event that
was missed is not put back, because every value of that stride would then rest on a guess.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from midstance.gait.model import Event, Exclusion, Side, Stance

#: Contact, flight and step times outside these are not running steps. Engineering limits, no source.
CONTACT_TIME_S = (0.090, 0.450)
FLIGHT_TIME_S = (-0.050, 0.250)
STEP_TIME_DEVIATION = 0.25
#: Fewest steps that give a median to hold the others against.
MIN_STEPS_FOR_MEDIAN = 3


def stride_label(side: Side, time_s: float) -> str:
    """Return the readable name of a stride, such as "left stride at 2.31 s"."""
    return f"{side} stride at {time_s:.2f} s"


def build_stances(
    events: Sequence[Event], time_range: tuple[float, float] | None = None
) -> tuple[list[Stance], list[Exclusion]]:
    """Pair the events of one view into stances and apply the gates.

    Parameters
    ----------
    events : of one view, in any order.
    time_range : first and last real time measured, s; events outside are not used. None takes all.

    Returns
    -------
    stances : one for each initial contact, in time order, excluded ones too (``Stance.excluded`` says why).
    exclusions : one for each excluded stance, and one for each toe-off without a contact.

    Notes
    -----
    The last stances of a film may lack ``opposite_ic`` or ``next_ic`` and are still used for what happens in
    stance.
    """
    views = {e.view for e in events}
    if len(views) > 1:
        raise ValueError(f"build_stances takes the events of one view, got {sorted(views)}")
    low, high = time_range if time_range is not None else (-np.inf, np.inf)
    used = sorted(
        (e for e in events if low <= e.time_s <= high), key=lambda e: (e.time_s, e.kind != "toe_off")
    )
    contacts = [e for e in used if e.kind == "initial_contact"]
    toe_offs = [e for e in used if e.kind == "toe_off"]
    median_step = _median_step(contacts)

    stances: list[Stance] = []
    claimed: set[int] = set()
    for i, ic in enumerate(contacts):
        later = contacts[i + 1 :]
        next_ic = next((e for e in later if e.side == ic.side), None)
        opposite = next((e for e in later if e.side != ic.side), None)
        if opposite is not None and next_ic is not None and opposite.time_s > next_ic.time_s:
            opposite = None
        until = next_ic.time_s if next_ic is not None else np.inf
        to = next((e for e in toe_offs if e.side == ic.side and ic.time_s < e.time_s <= until), None)
        if to is not None:
            claimed.add(id(to))
        reason = _fault(ic, to, opposite, next_ic, median_step)
        stances.append(Stance(i, ic.side, ic, to, opposite, next_ic, reason))

    exclusions = [
        Exclusion(s.ic.view, stride_label(s.side, s.ic.time_s), s.excluded) for s in stances if s.excluded
    ]
    for to in toe_offs:
        first = next((e.time_s for e in contacts if e.side == to.side), np.inf)
        # A toe-off before the first contact belongs to a stance that began before the film: nothing is wrong.
        if id(to) not in claimed and to.time_s > first:
            label = f"{to.side} toe-off at {to.time_s:.2f} s"
            exclusions.append(
                Exclusion(to.view, label, "toe-off without an initial contact of the same foot before it")
            )
    return stances, exclusions


def _median_step(contacts: Sequence[Event]) -> float | None:
    steps = [b.time_s - a.time_s for a, b in pairwise(contacts) if a.side != b.side]
    return float(np.median(steps)) if len(steps) >= MIN_STEPS_FOR_MEDIAN else None


def _outside(name: str, value: float, limits: tuple[float, float]) -> str | None:
    if limits[0] - 1e-9 <= value <= limits[1] + 1e-9:
        return None
    joiner = "–" if limits[0] >= 0 else " to "
    return f"{name} {value:.2f} s is outside {limits[0]:.2f}{joiner}{limits[1]:.2f} s"


def _fault(
    ic: Event, to: Event | None, opposite: Event | None, next_ic: Event | None, median_step: float | None
) -> str | None:
    other = "right" if ic.side == "left" else "left"
    if to is None:
        if next_ic is None and opposite is None:
            return "the film ends before toe-off"
        return "no toe-off was found after this contact"
    fault = _outside("contact time", to.time_s - ic.time_s, CONTACT_TIME_S)
    if fault is not None:
        return fault
    if opposite is None:
        if next_ic is not None:
            return f"the feet do not alternate: no {other} contact before the next {ic.side} contact"
        return None
    fault = _outside("flight time", opposite.time_s - to.time_s, FLIGHT_TIME_S)
    if fault is not None:
        return fault
    steps = [opposite.time_s - ic.time_s]
    if next_ic is not None:
        steps.append(next_ic.time_s - opposite.time_s)
    if median_step is not None:
        for step in steps:
            if abs(step - median_step) > STEP_TIME_DEVIATION * median_step:
                return (
                    f"step time {step:.2f} s is more than {100 * STEP_TIME_DEVIATION:.0f} % "
                    f"off the median of {median_step:.2f} s"
                )
    return None


def kept(stances: Sequence[Stance], side: Side | None = None) -> list[Stance]:
    """Return the stances that are measured, of one side or of both."""
    return [s for s in stances if s.excluded is None and (side is None or s.side == side)]
