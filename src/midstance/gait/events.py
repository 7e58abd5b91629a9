"""Initial contact and toe-off of each foot from landmark paths, with 95 % intervals.

Four steps, the first three without any fitted number but the usual time from mark to event:

1. **Rhythm.** The stride period of each leg by autocorrelation; none, and there are no events.
2. **Marks.** One rough mark a stride (side view: the foot furthest ahead of the hip for contacts, furthest
   behind for toe-offs; rear and front view: the ankle at its highest).
3. **Laying strides on each other.** Windows around the marks are shifted onto their mean wave, which tells
   the times of the events of one leg against each other to 3–4 ms.
4. **Reading the event.** Linear maps with damped coefficients find the event in the mean wave and each
   stride's own deviation from it.

The coefficients were fitted to instrumented-treadmill recordings, contact being vertical force of 50 N or
more; at a lower threshold contact starts earlier and, above all, ends later. Runners left out of the fit give
the intervals.
"""

from __future__ import annotations

from collections.abc import Mapping

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait.events_model import EventModel, KindModel, Located, PointSource, default_model, locate
from midstance.gait.events_waves import (
    ANKLE,
    HEEL,
    HIP,
    OFFSETS_S,
    RATE_HZ,
    TOE,
    LegPaths,
    StrideWaves,
    align_strides,
    fill_in_marks,
    leg_paths,
    leg_period,
    rough_marks,
)
from midstance.gait.model import SIDES, Event, EventKind, PlanePaths, Side, View
from midstance.signals.filters import butterworth_lowpass

Floats = NDArray[np.float64]

KINDS: tuple[EventKind, EventKind] = ("initial_contact", "toe_off")
#: A stride whose window correlates less than this with the mean one isn't used and gives no event.
LEAST_FIT = 0.80
#: The foot must be known through this much time on both sides of an event, s.
CORE_S = 0.035
#: Contact times of running, s. Outside, the film doesn't show running.
SHORTEST_CONTACT_S, LONGEST_CONTACT_S = 0.08, 0.45


#: Beyond this distance of the event from its window's middle, s, windows are cut anew around it, so many times at most.
RECENTRE_S, RECENTRE_PASSES = 0.03, 3
#: Starts that are tried one after the other in rear and front views, s from the usual one.
OTHER_STARTS_S = (0.0, -0.06, 0.06)


@attrs.frozen(eq=False)
class EventReport:
    """Events of one film, and what was noticed on the way.

    Attributes
    ----------
    events : in order of time.
    stride_period_s : mean stride period, s; None without a rhythm.
    notes : plain sentences on what was left out and why.
    walking : True when the film shows walking (no events then).
    shared_sigma_s : by (side, kind), the 1-SD error that all events of that kind and foot share, s. It is most of an
        event's error, and doesn't average out over strides: the mean contact time of a film has it in full, once
        from its contacts and once from its toe-offs. Stride times and cadence don't have it at all.
    shared_share : by kind, the share of an event's error variance that is the same in all strides of its leg, 0 to 1.
    """

    events: tuple[Event, ...]
    stride_period_s: float | None
    notes: tuple[str, ...]
    walking: bool = False
    shared_sigma_s: Mapping[tuple[Side, EventKind], float] = attrs.field(factory=dict)
    shared_share: Mapping[EventKind, float] = attrs.field(factory=dict)


@attrs.frozen(eq=False)
class _Found:
    """Events of one kind and leg before they are checked against the others."""

    time_s: Floats
    sigma_s: Floats
    own_sigma_s: float = 0.0

    @property
    def shared_sigma_s(self) -> float:
        """The part of the events' errors that they have in common, 1 SD in s."""
        return float(np.sqrt(max(float(np.median(self.sigma_s)) ** 2 - self.own_sigma_s**2, 0.0)))


def find_events(
    plane: PlanePaths, *, model: EventModel | None = None, source: PointSource | None = None
) -> list[Event]:
    """Return the contacts and toe-offs of both feet, in order of time.

    Parameters
    ----------
    plane : PlanePaths
        Side, rear or front view. Metres or pixels: no scale is needed. The paths should be unfiltered, or
        filtered at 15 Hz or more.
    model : EventModel, optional
        Other coefficients than those of the package.
    source : "markers" or "detected", optional
        Where the points come from: markers on the runner, or points that a landmark network found in pictures. Each has
        its own coefficients. Left out, how the legs move decides.

    Returns
    -------
    list of Event
        Empty when there is no running in the film. Events nearer than about 0.1 s to the film's ends are left
        out.
    """
    return list(find_events_report(plane, model=model, source=source).events)


def find_events_report(
    plane: PlanePaths, *, model: EventModel | None = None, source: PointSource | None = None
) -> EventReport:
    """Return the events with the stride period and notes. Parameters as in ``find_events``."""
    fitted = default_model() if model is None else model
    notes: list[str] = []
    strange: list[str] = []
    found: dict[tuple[Side, EventKind], _Found] = {}
    legs: dict[Side, LegPaths] = {}
    periods: list[float] = []
    for side in SIDES:
        leg = leg_paths(plane, side)
        if leg is None:
            notes.append(f"{side} leg: too little of it is in view to find events.")
            continue
        period = leg_period(leg, plane.view)
        if period is None:
            notes.append(f"{side} leg: no running rhythm between 110 and 265 steps/min.")
            continue
        legs[side] = leg
        periods.append(period.period_s)
        for kind in KINDS:
            model_of_kind = fitted.kinds[plane.view, kind]
            found[side, kind] = _events_of_leg(leg, period.period_s, model_of_kind, kind, source, side, notes, strange)
    if not periods:
        return EventReport((), None, tuple(notes))
    if strange:
        notes.append(
            f"{', '.join(strange)}: the legs look unlike those of the recordings that events were fitted to; a plainer "
            "reading, of heights and velocities, is used, with wider intervals."
        )
    period_s = float(np.mean(periods))
    verdict = _not_running(plane.view, legs, found, period_s, notes)
    if verdict is not None:
        return EventReport((), period_s, (*notes, verdict), walking="walk" in verdict)
    events = [
        Event(plane.view, side, kind, float(t), float(t - 1.96 * s), float(t + 1.96 * s))
        for (side, kind), f in found.items()
        for t, s in zip(f.time_s, f.sigma_s, strict=True)
    ]
    events.sort(key=lambda e: (e.time_s, e.side, e.kind))
    known = {at: f for at, f in found.items() if len(f.time_s)}
    shared = {at: f.shared_sigma_s for at, f in known.items()}
    share = {
        kind: float(np.mean([f.shared_sigma_s**2 / np.median(f.sigma_s) ** 2 for (_, k), f in known.items() if k == kind]))
        for kind in KINDS
        if any(k == kind for _, k in known)
    }
    return EventReport(tuple(events), period_s, tuple(notes), shared_sigma_s=shared, shared_share=share)


def _events_of_leg(
    leg: LegPaths,
    period_s: float,
    model: KindModel,
    kind: EventKind,
    source: PointSource | None,
    side: Side,
    notes: list[str],
    strange: list[str],
) -> _Found:
    marks = fill_in_marks(rough_marks(leg, period_s, model.mark), period_s)
    guess = marks + model.offset_s
    guess = guess[(guess - CORE_S > leg.time_s[0]) & (guess + CORE_S < leg.time_s[-1])]
    waves, located = waves_and_location(leg, guess, model, kind, source)
    label = kind.replace("_", " ")
    if waves is None or located is None:
        if len(guess):
            notes.append(f"{side} leg: no {label} could be read from {len(guess)} strides.")
        return _Found(np.empty(0), np.empty(0))
    time_s = waves.centre_s + located.offset_s + located.deviation_s
    inside = (time_s - CORE_S >= leg.time_s[0]) & (time_s + CORE_S <= leg.time_s[-1])
    good = inside & (waves.fit >= LEAST_FIT)
    if located.plain_share > 0.5 and source is None:
        strange.append(f"{side} {label}s")
    if (inside & ~good).any():
        count = int((inside & ~good).sum())
        notes.append(f"{side} leg: {count} {label}(s) left out, stride unlike the others.")
    shown = _foot_shown(waves, located)
    if (good & ~shown).any():
        notes.append(f"{side} leg: {int((good & ~shown).sum())} {label}(s) left out, foot not in view.")
    keep = good & shown & _apart(time_s, good & shown, period_s)
    return _Found(time_s[keep], located.sigma_s[keep], located.own_sigma_s)


def waves_and_location(
    leg: LegPaths, guess_s: Floats, model: KindModel, kind: EventKind, source: PointSource | None = None
) -> tuple[StrideWaves | None, Located | None]:
    """Align the strides around the guesses and find the event; strides unlike the others are set aside.

    From behind and in front the rough mark can be a tenth of a second off, for the swinging foot is guessed there: other
    starts are tried when the first leads nowhere.
    """
    if len(guess_s) == 0:
        return None, None
    tried: tuple[StrideWaves | None, Located | None] = (None, None)
    for start_s in (0.0,) if model.view == "side" else OTHER_STARTS_S:
        waves, located = _recentred(leg, guess_s + start_s, model, kind, source)
        if located is not None and (abs(located.offset_s) <= RECENTRE_S or tried[1] is None):
            tried = (waves, located)
        if located is not None and abs(located.offset_s) <= RECENTRE_S:
            return waves, located
        if tried[0] is None:
            tried = (waves, None)
    return tried


def _recentred(
    leg: LegPaths, guess_s: Floats, model: KindModel, kind: EventKind, source: PointSource | None = None
) -> tuple[StrideWaves | None, Located | None]:
    """Find the event, and cut the windows anew around it while it lies near their edge."""
    waves: StrideWaves | None = None
    located: Located | None = None
    for _ in range(1 if model.view == "side" else 1 + RECENTRE_PASSES):
        inside = (guess_s - CORE_S > leg.time_s[0]) & (guess_s + CORE_S < leg.time_s[-1])
        if not inside.any():
            return waves, None
        waves, located = _aligned_and_located(leg, guess_s[inside], model, kind, source)
        if located is None or abs(located.offset_s) <= RECENTRE_S:
            break
        guess_s = waves.centre_s + located.offset_s
    return waves, located


def _aligned_and_located(
    leg: LegPaths, guess_s: Floats, model: KindModel, kind: EventKind, source: PointSource | None
) -> tuple[StrideWaves, Located | None]:
    waves = align_strides(leg, kind, guess_s, model.acceleration_hz)
    chosen = waves.fit >= LEAST_FIT
    if not chosen.all() and chosen.sum() >= 2 and model.view != "side":
        # A guessed swinging foot puts a rough mark far off: look where the other strides' rhythm says once more.
        waves = align_strides(leg, kind, _by_rhythm(waves.centre_s, chosen), model.acceleration_hz)
        chosen = waves.fit >= LEAST_FIT
    if not chosen.all() and chosen.sum() >= 2:
        # The odd strides have bent the mean wave: lay the others on each other once more, without them.
        again = align_strides(leg, kind, waves.centre_s[chosen], model.acceleration_hz)
        return again, locate(again, again.fit >= LEAST_FIT, model, source)
    return waves, locate(waves, chosen, model, source)


def _by_rhythm(centre_s: Floats, good: NDArray[np.bool_]) -> Floats:
    """Return the centres with those that aren't good put where the rhythm of the good ones has them."""
    number, known = np.arange(len(centre_s)), np.flatnonzero(good)
    stride_s = float(np.median(np.diff(centre_s[known]) / np.diff(known)))
    out = np.where(good, centre_s, np.interp(number, known, centre_s[known]))
    out[: known[0]] = centre_s[known[0]] - stride_s * (known[0] - number[: known[0]])
    out[known[-1] + 1 :] = centre_s[known[-1]] + stride_s * (number[known[-1] + 1 :] - known[-1])
    return np.asarray(out, dtype=np.float64)


def _foot_shown(waves: StrideWaves, located: Located) -> NDArray[np.bool_]:
    core = np.abs(OFFSETS_S - located.offset_s) <= CORE_S
    foot = [2 * p + c for p in (ANKLE, HEEL, TOE) for c in (0, 1)]
    return np.asarray((waves.weight[:, core][:, :, foot] > 0).mean(axis=(1, 2)) >= 0.6)


def _apart(time_s: Floats, keep: NDArray[np.bool_], period_s: float) -> NDArray[np.bool_]:
    """Of two events of one kind and foot within 0.6 of a stride, keep the first."""
    out = np.zeros(len(time_s), dtype=bool)
    last = -np.inf
    for i in np.argsort(time_s):
        if keep[i] and time_s[i] - last > 0.6 * period_s:
            out[i] = True
            last = time_s[i]
    return out


def _pairs(ic_s: Floats, to_s: Floats, period_s: float) -> NDArray[np.float64]:
    """Return (k, 2): each contact with the toe-off that follows within 0.7 of a stride."""
    rows = []
    for ic in ic_s:
        later = to_s[(to_s > ic) & (to_s < ic + 0.7 * period_s)]
        if len(later):
            rows.append((ic, float(later.min())))
    return np.asarray(rows, dtype=np.float64).reshape(-1, 2)


def _not_running(
    view: View,
    legs: dict[Side, LegPaths],
    found: dict[tuple[Side, EventKind], _Found],
    period_s: float,
    notes: list[str],
) -> str | None:
    """Return why the film doesn't show running, or None."""
    # From behind and from the front a landmark model places the swinging foot too badly for this test.
    if view == "side" and _hip_rises_over_stance(legs, period_s):
        return "The hip is highest in midstance: this is a walk, and events of walking are not read."
    stances: list[float] = []
    for side in legs:
        pairs = _pairs(found[side, "initial_contact"].time_s, found[side, "toe_off"].time_s, period_s)
        stances.extend(pairs[:, 1] - pairs[:, 0])
    if not stances:
        return None
    contact = float(np.median(stances))
    if view != "side" and not SHORTEST_CONTACT_S <= contact < 0.5 * period_s:
        # A runner's foot is never down so long or so briefly; from here that is rather a toe-off misread than a walk.
        for side in legs:
            found[side, "toe_off"] = _Found(np.empty(0), np.empty(0))
        notes.append(f"toe-offs could not be read in this view (they would make contacts of {1000 * contact:.0f} ms).")
        return None
    if not SHORTEST_CONTACT_S <= contact <= LONGEST_CONTACT_S:
        return f"Contacts of {1000 * contact:.0f} ms don't belong to running; no events are given."
    if len(legs) == 2:
        left, right = (found[s, "initial_contact"].time_s for s in SIDES)
        if len(left) and len(right):
            phase = np.mod(left[:, None] - right[None, :], period_s) / period_s
            partner = np.abs(left[:, None] - right[None, :]).argmin(axis=1)
            nearest = phase[np.arange(len(left)), partner]
            if float(np.median(np.abs(nearest - 0.5))) > 0.25:
                return "Left and right foot land together: the legs were not told apart, so no events are given."
    return None


def _hip_rises_over_stance(legs: dict[Side, LegPaths], period_s: float) -> bool:
    """Tell walking from running: is the hip high or low while one foot swings past the other, which then stands?

    Just after the ankle is at its highest the other leg is in midstance, walking or running. A walker vaults over that
    leg, a runner sinks into it.
    """
    both = np.stack([leg.xy[:, HIP, 1] for leg in legs.values()])
    hip = both.mean(axis=0) if len(legs) > 1 else None
    above: list[float] = []
    for leg in legs.values():
        height = butterworth_lowpass(leg.xy[:, HIP, 1] if hip is None else hip, RATE_HZ, 8.0)
        for mark in rough_marks(leg, period_s, "highest") + 0.08 * period_s:
            stride = height[np.abs(leg.time_s - mark) <= period_s / 2]
            if len(stride) >= 0.95 * period_s * RATE_HZ and np.isfinite(stride).all():
                # Against the mean of the same stride, so that slow drift in the picture doesn't count.
                above.append(float(np.interp(mark, leg.time_s, height) - stride.mean()))
    return bool(above) and float(np.median(above)) > 0.0
