"""Measures that rest on stickers: in a side film in place of landmarks, in a rear or front film pelvis and rear foot."""

from __future__ import annotations

from collections.abc import Sequence

import attrs

from midstance.assess.straight import StraightPaths
from midstance.gait.curves import Track
from midstance.gait.measures_rearfoot import REARFOOT_KEYS, measure_rearfoot
from midstance.gait.measures_side import FlatFoot, flat_foot, measure_side
from midstance.gait.model import SIDES, Measure, PlanePaths, Runner, Scale, Side, Stance, StrideValue
from midstance.gait.uncertainty import ErrorBudget
from midstance.pose.sticker_joints import (
    Stickered,
    pelvis_placement_sigma_deg,
    pelvis_track,
    rearfoot_dots,
)

Measured = tuple[list[StrideValue], list[Measure]]


def side_with_stickers(
    plain: Measured,
    stickered: Stickered,
    sharp: PlanePaths,
    smooth: PlanePaths,
    stances: Sequence[Stance],
    *,
    budget: ErrorBudget,
    zeros: dict[Side, FlatFoot],
    runner: Runner,
    m_per_px: float,
) -> Measured:
    """Measure again what rests on stickers alone, with the stickers' own errors and their own zero of the foot.

    Parameters
    ----------
    plain : values and measures of the same paths with the joint map's errors.
    """
    values, measures = plain
    for side in (s for s in SIDES if stickered.measures(s)):
        keys = stickered.measures(side)
        own = attrs.evolve(
            budget,
            systematic={**budget.systematic, **stickered.systematic(side, m_per_px)},
            scatter={k: v for k, v in budget.scatter.items() if k not in keys},
        )
        own_zeros = dict(zeros)
        if side in stickered.foot_needs_own_zero:
            own_zeros[side] = flat_foot(smooth, stances, side)
        v, m = measure_side(sharp, stances, budget=own, peaks=smooth, runner=runner, foot_zero=own_zeros)
        again = {(x.measure, x.side): x for x in m}
        values = [x for x in values if not (x.measure in keys and x.side == side)]
        values += [x for x in v if x.measure in keys and x.side == side]
        measures = [
            attrs.evolve(again[x.measure, x.side], method=f"{again[x.measure, x.side].method}; points from stickers")
            if x.measure in keys and x.side == side
            else _no_surer(again[x.measure, "both"], x)
            if x.measure in keys and x.side == "both"
            else x
            for x in measures
        ]
    return values, measures


def _no_surer(new: Measure, old: Measure) -> Measure:
    """Return the mean of both sides with stickers on one of them, no surer than it was with landmarks on both."""
    if new.value is None or new.low is None or new.high is None:
        return new
    half = 0.5 * (new.high - new.low)
    if old.low is not None and old.high is not None:
        half = max(half, 0.5 * (old.high - old.low))
    return attrs.evolve(new, low=new.value - half, high=new.value + half)


@attrs.frozen(eq=False)
class Pelvis:
    """The pelvis line from two stickers, and the 1-SD slope that their placing gives it, degrees."""

    track: Track
    placement_sigma_deg: float


def pelvis_of(straight: StraightPaths, scale: Scale | None, cutoff_hz: float, height_m: float | None) -> Pelvis | None:
    """Return the pelvis line of a rear or front film, None without its two stickers."""
    stickers = straight.stickers
    if stickers is None:
        return None
    own = straight.stickers_scale or scale
    track = pelvis_track(stickers, roll_deg=straight.stickers_roll_deg, scale=own, cutoff_hz=cutoff_hz)
    if track is None:
        return None
    return Pelvis(track, pelvis_placement_sigma_deg(stickers, straight.m_per_px(own, height_m)))


def rearfoot_of(
    straight: StraightPaths, stances: Sequence[Stance], scale: Scale | None, cutoff_hz: float, budget: ErrorBudget
) -> Measured:
    """Measure the rear foot; without stickers both measures say what they need."""
    stickers, view = straight.stickers, straight.joints.view
    if stickers is None:
        return measure_rearfoot(None, stances, view=view, budget=budget)
    own = straight.stickers_scale or scale
    sharp = rearfoot_dots(stickers, roll_deg=straight.stickers_roll_deg, scale=own)
    calm = rearfoot_dots(stickers, roll_deg=straight.stickers_roll_deg, scale=own, cutoff_hz=cutoff_hz)
    return measure_rearfoot(sharp, stances, view=view, budget=budget, peaks=calm)


def without_rearfoot(measured: Measured) -> Measured:
    """Return measures without those of the rear foot, which are read elsewhere."""
    values, measures = measured
    return (
        [v for v in values if v.measure not in REARFOOT_KEYS],
        [m for m in measures if m.measure not in REARFOOT_KEYS],
    )

