"""Feet to contacts: sides from the best source there is, and the foot's frame in each contact."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np

from midstance.force.axes import Axes
from midstance.force.cop import (
    FOOT_OF_HEIGHT,
    FOOT_OF_HEIGHT_SIGMA,
    PUSH_SIGMA,
    FootFrame,
    InFoot,
    foot_frame,
    in_foot,
    index_from_path,
)
from midstance.force.model import FORWARD, RIGHT, Contact, FeetPaths, ForceAbout, ForceSettings, SideSource
from midstance.force.sides import by_alternation, by_events, by_feet, by_place
from midstance.force.survey import Survey
from midstance.gait.model import SIDES, Floats, Side

#: Feet in runner's axes: the file's paths, and by side heel and front as (n, 2) forward and right, m.
Feet = tuple[FeetPaths, dict[Side, Floats], dict[Side, Floats]]


def feet_of(about: ForceAbout, axes: Axes) -> Feet | None:
    """Paths of the feet on the ground plane in runner's axes; None where the file has none."""
    if about.feet is None:
        return None
    columns = [FORWARD, RIGHT]
    heel = {s: axes.turn_points(p)[:, columns] for s, p in about.feet.heel.items()}
    front = {s: axes.turn_points(p)[:, columns] for s, p in about.feet.front.items()}
    return about.feet, heel, front


def assign_sides(
    contacts: Sequence[Contact], about: ForceAbout, first: Survey, settings: ForceSettings, feet: Feet | None
) -> tuple[list[Contact], SideSource, str | None]:
    """Give each contact its side.

    In order: contacts of known side given (the film), labels of contacts in the file, the feet's own paths, where
    the centre of pressure lies on a treadmill, and the first foot given with alternation.

    Returns
    -------
    contacts, source, reason : ``reason`` says why a better source could not be used, or why some or all are unknown.
    """
    on, off = [c.on_s for c in contacts], [c.off_s for c in contacts]
    reason: str | None = None
    if settings.sides:
        return *_filled(contacts, by_events(on, settings.sides), "given"), None
    labels = [(e.time_s, e.side) for e in about.labels if e.kind == "initial_contact" and e.side is not None]
    if labels:
        got = by_events(on, labels)
        ends = [(e.time_s, e.side) for e in about.labels if e.kind == "toe_off" and e.side is not None]
        got = [a or b for a, b in zip(got, by_events(off, ends), strict=True)]
        if any(got):
            return *_filled(contacts, got, "labels"), None
        reason = "no label in the file lies near a contact"
    if feet is not None:
        got = _by_paths(contacts, feet)
        if any(got):
            return *_filled(contacts, got, "feet"), None
        reason = "the feet's markers were lost"
    if first.surface == "treadmill" and first.cop and first.axes.forward_known:
        place = [c.values.get("place_right", float("nan")) for c in contacts]
        got, reason = by_place(on, off, place)
        if any(got):
            lacking = None if all(got) else reason
            return *_filled(contacts, got, "centre of pressure"), lacking
    if settings.first_side is not None:
        whole = next((i for i, c in enumerate(contacts) if c.values), None)
        if whole is not None:
            got = [settings.first_side if i == whole else None for i in range(len(contacts))]
            return *_filled(contacts, got, "alternation"), reason
    why = reason or "no labels, no feet, and no centre of pressure on a treadmill"
    return list(contacts), "unknown", f"{why}; name the foot of the first contact, or join a film"


def _filled(
    contacts: Sequence[Contact], sides: Sequence[Side | None], source: SideSource
) -> tuple[list[Contact], SideSource]:
    filled = by_alternation([c.on_s for c in contacts], [c.off_s for c in contacts], sides)
    return [attrs.evolve(c, side=s) for c, s in zip(contacts, filled, strict=True)], source


def _by_paths(contacts: Sequence[Contact], feet: Feet) -> list[Side | None]:
    paths, heel, front = feet
    middle = np.array([0.5 * (c.on_s + c.off_s) for c in contacts])
    cop = np.array(
        [[c.cop[50, 0], c.cop[50, 1]] if c.cop is not None else [np.nan, np.nan] for c in contacts], dtype=np.float64
    )
    at: dict[Side, Floats] = {}
    inside = (middle >= paths.time_s[0]) & (middle <= paths.time_s[-1])
    for side in SIDES:
        both = 0.5 * (heel[side] + front[side])
        at[side] = np.column_stack([_at(paths.time_s, both[:, j], middle) for j in range(2)])
        at[side][~inside] = np.nan
    if not np.isfinite(cop).any():  # vertical force alone: the foot that is on the ground moves with it, the other swings
        return [None] * len(contacts)
    return by_feet(cop, at)


def _at(time_s: Floats, x: Floats, when: Floats) -> Floats:
    """Nearest sample, so that a gap stays a gap."""
    i = np.clip(np.searchsorted(time_s, when), 1, len(time_s) - 1)
    i = np.where(when - time_s[i - 1] < time_s[i] - when, i - 1, i)
    return np.asarray(x[i], dtype=np.float64)


def frames_of(
    contacts: Sequence[Contact], feet: Feet | None, first: Survey, settings: ForceSettings
) -> dict[int, tuple[InFoot, float] | str]:
    """By contact index the path in the foot's axes with the foot's length (m), or why there is none."""
    if feet is None:
        return {}
    paths, heel, front = feet
    out: dict[int, tuple[InFoot, float] | str] = {}
    for c in contacts:
        if c.excluded is not None:
            continue
        if c.side is None:
            out[c.index] = "left and right could not be told apart"
            continue
        frame = foot_frame(
            paths, heel[c.side], front[c.side], c, treadmill=first.surface == "treadmill", speed_mps=settings.speed_mps
        )
        if isinstance(frame, FootFrame):
            out[c.index] = (in_foot(c, frame, c.side, paths.front_is), frame.length_m)
        else:
            out[c.index] = frame
    return out


def from_path(
    contacts: Sequence[Contact], first: Survey, settings: ForceSettings
) -> tuple[dict[int, InFoot | str], float] | None:
    """Strike index of each contact from the centre of pressure alone, with its shared 1-SD error.

    None where it can't be had: no centre of pressure, direction, foot length or belt speed.
    """
    length, spread = settings.heel_to_metatarsals_m, 0.02
    if length is None and settings.height_m is not None:
        length, spread = FOOT_OF_HEIGHT * settings.height_m, FOOT_OF_HEIGHT_SIGMA / FOOT_OF_HEIGHT
    ground = settings.speed_mps if first.surface == "treadmill" else 0.0
    if length is None or ground is None or not first.cop or not first.axes.forward_known:
        return None
    nothing = np.full((101, 2), np.nan)
    out: dict[int, InFoot | str] = {}
    for c in contacts:
        if c.excluded is None:
            out[c.index] = InFoot(index_from_path(c, ground, length), float("nan"), nothing)
    # A wrong length scales the path from first load to push-off, up to 0.8 of it; so does a belt that is 1 % off its speed.
    scaled = 0.8 * spread
    belt = 0.01 * ground * 0.15 / length
    return out, float(np.sqrt(PUSH_SIGMA**2 + scaled**2 + belt**2))
