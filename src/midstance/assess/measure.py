"""From what was read of one film to events, strides and measures: pure computation, no pictures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import attrs
import numpy as np

from midstance.assess.by_stickers import pelvis_of, rearfoot_of, side_with_stickers, without_rearfoot
from midstance.assess.reading import LEGS_CHECK, FilmReading
from midstance.assess.result import Curve, FilmResult
from midstance.assess.settings import Settings
from midstance.assess.straight import StraightPaths, still_camera, straight_paths
from midstance.camera.plane import to_plane
from midstance.camera.scale import (
    compare_scales,
    scale_from_belt,
    scale_from_height,
    scale_from_known_length,
    scale_from_pass,
)
from midstance.errors import RunnerError
from midstance.film.clock import check_against_cadence
from midstance.film.verdicts import TURNED_MEASURES, Verdict, make_check
from midstance.gait.com import whole_body_com
from midstance.gait.curves import stride_curves
from midstance.gait.events import find_events_report
from midstance.gait.measures_frontal import ON_PELVIS, measure_frontal
from midstance.gait.measures_side import FlatFoot, measure_side, reads_event
from midstance.gait.measures_time import measure_times
from midstance.gait.model import (
    SIDES,
    Event,
    EventKind,
    Exclusion,
    Measure,
    PlanePaths,
    QualityCheck,
    Scale,
    Side,
    Stance,
    StrideValue,
    View,
)
from midstance.gait.strides import build_stances, kept, stride_label
from midstance.gait.uncertainty import ErrorBudget
from midstance.gait.yaw import CameraYaw, yaw_from_feet
from midstance.pose.anatomy import load_map
from midstance.pose.corrections import Applied, correct_events, left_out_by_hand
from midstance.pose.sticker_joints import PELVIS_SKIN_SIGMA_DEG

#: Low-pass for what is read at an instant, Hz: the knee and foot turn sharply at contact, and a lower cut-off would
#: round the corner by degrees. Its limit is a share of the landmark rate. Stated in every report.
CUTOFF_HZ = 20.0
CUTOFF_OF_RATE = 0.3
#: Low-pass for peaks and means over stance and swing, Hz: a peak of a noisy path reads too large.
PEAK_CUTOFF_HZ = 10.0
#: Measures that say nothing new where toe-offs were taken from another film.
FROM_TOE_OFF = (
    "contact_time", "flight_time", "swing_time", "duty_factor", "vertical_force_peak_estimated", "vertical_stiffness",
    "leg_stiffness",
)  # fmt: skip
#: Least error of a contact or toe-off from behind or in front that is new in each stride, s (1 SD): stride times of 28
#: and 17 films with known truth (none of those that accuracy is judged on) had an SD of 9 and 5 ms, and each holds two
#: contacts.
OWN_EVENT_SIGMA_S: dict[View, float] = {"rear": 0.007, "front": 0.004}
#: Name of the check of how far a rear or front camera is off the line of running.
TURN_CHECK = "camera_turn"
#: Stance as a share of the stride, and half of its range, where nothing else tells: 35.5 to 38.9 % in runners of two
#: ages at about 2.7 m/s (Karamanidis & Arampatzis 2005, J Exp Biol 208:3907, Table 4; which paper it is: from memory),
#: widened for speed.
USUAL_DUTY = (0.37, 0.06)
#: A stride without a known end is taken as no longer than this, s.
LONGEST_STRIDE_S = 0.9


@attrs.frozen(eq=False)
class FilmMeasures:
    """All that one film gives to an assessment."""

    result: FilmResult
    events: tuple[Event, ...]
    stances: tuple[Stance, ...]
    exclusions: tuple[Exclusion, ...]
    stride_values: tuple[StrideValue, ...]
    measures: tuple[Measure, ...]
    curves: tuple[Curve, ...]
    corrections: tuple[Applied, ...] = ()


def cutoff_hz(rate_hz: float, highest_hz: float = CUTOFF_HZ) -> float:
    """Return the cut-off used at a landmark rate."""
    return min(highest_hz, CUTOFF_OF_RATE * rate_hz)


def measure_film(
    reading: FilmReading, settings: Settings, *, side_contact: Measure | None = None
) -> FilmMeasures:
    """Measure one film.

    Parameters
    ----------
    side_contact : mean contact time of a side film at the same speed. From behind and in front toe-offs are hard to see;
        with this they are the contact plus this time.

    Raises
    ------
    RunnerError
        No running rhythm, or not one whole stance.
    """
    view = reading.view
    still = still_camera(reading, settings)
    straight = straight_paths(reading, settings, still)
    joints, common = straight.joints, straight.common(reading)
    # Events are found on unfiltered paths: the detector does its own smoothing.
    bare = to_plane(straight.for_events or joints, cutoff_hz=None, **common)
    report = find_events_report(bare, source="detected")
    where = str(reading.path)
    unsure = next((q.factor for q in reading.quality if q.check == LEGS_CHECK), 1.0)
    found = tuple(_widened(e, unsure) for e in report.events)
    borrowed = None
    if view != "side" and found:
        borrowed = _stance_from_elsewhere(found, report.stride_period_s, side_contact)
        if borrowed is not None:
            found = _with_toe_offs(found, borrowed)
    if not found:
        raise RunnerError(
            "no running strides were found" + (" (the person walks)" if report.walking else ""),
            where=where,
            allowed="at least two whole strides of running" + (f"; {report.notes[-1].rstrip('.')}" if report.notes else ""),
            next_step="film at least 10 s of steady running; if the film is slow motion, give --capture-fps",
        )
    time_s = joints.time_s
    span = (float(time_s[0]), float(time_s[-1]))
    found, set_right = correct_events(found, reading.asked, 1.0 / reading.clock.capture_fps, span)
    stances, exclusions = build_stances(found, span)
    stances, by_hand, left_out = _without_strides(stances, reading)
    exclusions = [*exclusions, *by_hand]
    good = kept(stances)
    if not any(s.to is not None for s in good):
        raise RunnerError(
            "no stance could be used: " + "; ".join(sorted({e.reason for e in exclusions}))[:200],
            where=where,
            allowed="at least two whole strides of running",
            next_step="film at least 10 s of steady running with both feet in the picture"
            + ("" if view == "side" else ", and give a side film with it, from which toe-offs are taken"),
        )
    if report.stride_period_s:
        check_against_cadence(reading.clock, 120.0 / report.stride_period_s, where=where)
    if reading.camera is not None or settings.surface == "overground":
        straight = straight_paths(reading, settings, still, stances)
        joints, common = straight.joints, straight.common(reading)
    scale, notes = _scale(reading, settings, straight, stances)
    low_pass_hz = cutoff_hz(joints.rate_hz)
    plane = to_plane(joints, scale=scale, cutoff_hz=low_pass_hz, **common)
    budget = _budget(reading, settings, scale, straight, min(unsure, 2.0))
    budget = attrs.evolve(budget, event_shared=_event_shares(found, report.shared_share, view))
    com = whole_body_com(plane, settings.runner.body_table)
    uncorrected = to_plane(straight.landmarks, scale=scale, cutoff_hz=low_pass_hz, **common)
    values, measures = measure_times(
        stances,
        view=view,
        budget=budget,
        speed_mps=settings.speed_mps,
        runner=settings.runner,
        plane=plane,
        com=com,
        uncorrected=uncorrected,
        ground_fixed=False,
    )
    zeros = {s: model_foot_zero() for s in SIDES}
    v, m = _by_view(straight, settings, scale, common, stances, budget, zeros)
    values += v
    measures += m
    quality = reading.quality
    if view != "side":
        quality = (*quality, turn_check(yaw_from_feet(plane, stances, belt_speed(settings))))
    measures, dropped = _refuse(measures, quality)
    if borrowed is not None:
        measures = [_not_from_here(one, borrowed) if one.measure in FROM_TOE_OFF else one for one in measures]
        dropped |= {(key, side) for key in FROM_TOE_OFF for side in SIDES}
    values = [s for s in values if (s.measure, s.side) not in dropped]
    curves = [
        Curve(c.key, c.title, c.unit, c.view, c.side, c.strides, c.mean, c.toe_off_percent, c.measure_keys)
        for c in stride_curves(plane, stances, com=com, flat_foot_deg={s: z.angle_deg for s, z in zeros.items()})
    ]
    exclusions += [Exclusion(view, "film", note) for note in (*report.notes, *reading.notes, *straight.notes)]
    return FilmMeasures(
        result=_result(reading, settings.film_names.get(reading.role) or reading.path.name, quality, plane, scale, notes),
        events=found,
        stances=tuple(stances),
        exclusions=tuple(exclusions),
        stride_values=tuple(values),
        measures=tuple(measures),
        curves=tuple(curves),
        corrections=(*reading.corrections, *set_right, *left_out),
    )


def _by_view(
    straight: StraightPaths,
    settings: Settings,
    scale: Scale | None,
    common: dict[str, Any],
    stances: list[Stance],
    budget: ErrorBudget,
    zeros: dict[Side, FlatFoot],
) -> tuple[list[StrideValue], list[Measure]]:
    """Measure what belongs to the view: angles and distances. Peaks and means come from smoother paths."""
    joints = straight.joints
    slow_hz = cutoff_hz(joints.rate_hz, PEAK_CUTOFF_HZ)
    smooth = to_plane(joints, scale=scale, cutoff_hz=slow_hz, **common)
    slow = f"paths low-passed at {slow_hz:.3g} Hz"
    if joints.view == "side":
        sharp = to_plane(joints, scale=scale, cutoff_hz=None, **common)
        values, measures = measure_side(
            sharp, stances, budget=budget, peaks=smooth, runner=settings.runner, foot_zero=zeros
        )
        if straight.stickered is not None:
            values, measures = side_with_stickers(
                (values, measures),
                straight.stickered,
                sharp,
                smooth,
                stances,
                budget=budget,
                zeros=zeros,
                runner=settings.runner,
                m_per_px=straight.m_per_px(scale, settings.runner.height_m),
            )
        return values, [m if reads_event(m.measure) else attrs.evolve(m, method=f"{m.method}; {slow}") for m in measures]
    pelvis = pelvis_of(straight, scale, slow_hz, settings.runner.height_m)
    marked = dict.fromkeys(ON_PELVIS, PELVIS_SKIN_SIGMA_DEG) if pelvis else {}
    values, measures = without_rearfoot(
        measure_frontal(
            smooth,
            stances,
            budget=attrs.evolve(budget, systematic={**budget.systematic, **marked}),
            speed_mps=belt_speed(settings),
            pelvis=pelvis.track if pelvis else None,
            pelvis_sigma_deg=pelvis.placement_sigma_deg if pelvis else 0.0,
        )
    )
    v, m = rearfoot_of(straight, stances, scale, slow_hz, budget)
    return values + v, [attrs.evolve(x, method=f"{x.method}; {slow}") for x in measures] + m


def _without_strides(
    stances: list[Stance], reading: FilmReading
) -> tuple[list[Stance], list[Exclusion], list[Applied]]:
    """Leave out the strides that a person wants left out."""
    out, why, done = [], [], {}
    for s in stances:
        end = s.next_ic.time_s if s.next_ic else s.ic.time_s + LONGEST_STRIDE_S
        wish = left_out_by_hand(reading.asked, s.side, s.ic.time_s, end)
        if wish is not None:
            done[wish] = "stride left out" if s.excluded is None else f"left out already: {s.excluded}"
            if s.excluded is None:
                reason = "left out by hand" + (f": {wish.note}" if wish.note else "")
                why.append(Exclusion(reading.view, stride_label(s.side, s.ic.time_s), reason))
                s = attrs.evolve(s, excluded=reason)
        out.append(s)
    wishes = [c for c in reading.asked if c.kind == "leave_out"]
    return out, why, [Applied(c, done.get(c, "no stride of this leg there")) for c in wishes]


def _event_shares(
    events: tuple[Event, ...], shares: Mapping[EventKind, float], view: View
) -> dict[EventKind, float] | float:
    """Return the share of events' error variance that all strides of a leg have in common, by kind.

    From behind and in front what is left for the single stride is ``OWN_EVENT_SIGMA_S`` at least.
    """
    if view == "side" or not shares:
        return dict(shares) or 0.5
    out: dict[EventKind, float] = {}
    for kind, share in shares.items():
        sigma = [e.sigma_s for e in events if e.kind == kind]
        typical = float(np.median(sigma)) if sigma else 0.0
        most = 1.0 - min(1.0, OWN_EVENT_SIGMA_S.get(view, 0.0) / typical) ** 2 if typical > 0 else share
        out[kind] = min(share, most)
    return out


def belt_speed(settings: Settings) -> float | None:
    """Return the speed of the belt, m/s, None over ground."""
    return settings.speed_mps if settings.surface == "treadmill" else None


def turn_check(yaw: CameraYaw | None) -> QualityCheck:
    """Judge how far a rear or front camera is off the line of running, as the standing feet show it.

    What a smaller turn does is taken out and in the intervals. Limits are engineering choices.
    """
    good, unfit = 5.0, 12.0
    limit = f"good up to {good:g} deg off the line of running, unfit beyond {unfit:g} deg"
    advice = "Put the camera on the line of the belt's middle, well behind or in front of the runner."
    if yaw is None:
        return make_check(TURN_CHECK, None, "deg", limit, "unknown", advice, widens=False)
    turn = abs(yaw.yaw_deg)
    verdict: Verdict = "good" if turn <= good else "usable" if turn <= unfit else "unfit"
    taken = TURNED_MEASURES if verdict == "unfit" else ()
    return make_check(TURN_CHECK, round(turn, 1), "deg", limit, verdict, "" if verdict == "good" else advice, taken)


def _widened(event: Event, factor: float) -> Event:
    """Widen an event's interval where the legs were read badly."""
    low, high = event.time_s - event.low_s, event.high_s - event.time_s
    return attrs.evolve(event, low_s=event.time_s - factor * low, high_s=event.time_s + factor * high)


@attrs.frozen
class BorrowedStance:
    """A stance's length for films whose toe-offs are not read: s, half of its 95 % interval, and where it comes from."""

    contact_s: float
    half_s: float
    reason: str


def _stance_from_elsewhere(
    events: tuple[Event, ...], stride_s: float | None, side_contact: Measure | None
) -> BorrowedStance | None:
    """Return the length of stance to use behind and in front of a runner, None where the film's own toe-offs serve."""
    if side_contact is not None and side_contact.value is not None and side_contact.high is not None:
        return BorrowedStance(
            side_contact.value,
            side_contact.high - side_contact.value,
            "toe-offs of this view are taken from the side film; see the side view",
        )
    if any(e.kind == "toe_off" for e in events) or stride_s is None:
        return None
    middle, half = USUAL_DUTY
    return BorrowedStance(
        middle * stride_s,
        half * stride_s,
        "toe-offs could not be read in this view; give a side film with it",
    )


def _with_toe_offs(events: tuple[Event, ...], stance: BorrowedStance) -> tuple[Event, ...]:
    """Give every contact a toe-off at the end of the borrowed stance, in place of those read."""
    out = []
    for e in events:
        if e.kind == "initial_contact":
            wide = float(np.hypot(stance.half_s, e.high_s - e.time_s))
            at = e.time_s + stance.contact_s
            out += [e, Event(e.view, e.side, "toe_off", at, at - wide, at + wide)]
    return tuple(sorted(out, key=lambda e: e.time_s))


def _not_from_here(measure: Measure, stance: BorrowedStance) -> Measure:
    return attrs.evolve(measure, value=None, low=None, high=None, reason=stance.reason)


def model_foot_zero() -> FlatFoot:
    """The zero of the foot's angles that the joint map brings along: its heel–toe line is level on a flat sole.

    Its error is part of the systematic errors that come with the map.
    """
    return FlatFoot(0.0, 0.0, 0)


def _scale(
    reading: FilmReading, settings: Settings, straight: StraightPaths, stances: list[Stance]
) -> tuple[Scale | None, tuple[str, ...]]:
    joints, view = straight.joints, reading.view
    scales: list[Scale | None] = [straight.scale]
    if settings.runner.height_m:
        scales.append(scale_from_height(joints, settings.runner.height_m, near_side=reading.near))
    scales += [
        scale_from_known_length(k.first_px, k.second_px, k.length_m)
        for k in settings.known_lengths
        if k.view == reading.role and straight.scale is None  # marks are of the picture as filmed
    ]
    if view == "side":
        if settings.surface == "treadmill":
            scales.append(scale_from_belt(joints, stances, settings.speed_mps, near_side=reading.near))
        else:
            scales.append(scale_from_pass(joints, settings.speed_mps))
    return compare_scales([s for s in scales if s is not None])


def _budget(
    reading: FilmReading,
    settings: Settings,
    scale: Scale | None,
    straight: StraightPaths,
    unsure: float,
) -> ErrorBudget:
    return ErrorBudget(
        systematic={k: unsure * v for k, v in load_map().systematic.get(reading.view, {}).items()},
        scatter={k: unsure * v for k, v in load_map().scatter.get(reading.view, {}).items()},
        far_factor=1.0,  # the far leg is part of what the systematic errors were measured on
        quality_factor=float(np.prod([max(1.0, q.factor) for q in reading.quality])),
        scale_relative_sigma=scale.relative_sigma if scale else 0.0,
        parallax_relative_sigma=straight.parallax_relative_sigma,
        roll_sigma_deg=float(np.hypot(straight.roll_sigma_deg, straight.shutter_sigma_deg)),
        yaw_sigma_deg=straight.yaw_sigma_deg,
        legs_in_depth=straight.legs_in_depth,
    )


def _refuse(
    measures: list[Measure], quality: tuple[QualityCheck, ...]
) -> tuple[list[Measure], set[tuple[str, Side]]]:
    """Turn measures that a fitness check makes impossible into "not measurable", with the check's name."""
    why: dict[str, str] = {}
    for check in quality:
        for key in check.measures:
            why.setdefault(key, f"the film is not fit for it: {check.check.replace('_', ' ')} {_value(check)}")
    out, dropped = [], set()
    for m in measures:
        if m.measure in why and m.value is not None:
            out.append(attrs.evolve(m, value=None, low=None, high=None, reason=why[m.measure]))
            dropped |= {(m.measure, s) for s in SIDES}
        else:
            out.append(m)
    return out, dropped


def _value(check: QualityCheck) -> str:
    return f"is {check.value:g} {check.unit} ({check.limit})" if check.value is not None else f"({check.limit})"


def _result(
    reading: FilmReading,
    name: str,
    quality: tuple[QualityCheck, ...],
    plane: PlanePaths,
    scale: Scale | None,
    notes: tuple[str, ...],
) -> FilmResult:
    words = {"+x": "left to right", "-x": "right to left"}
    fixed = {"rear": "away from camera", "front": "towards camera"}
    time_s = reading.joints.time_s
    return FilmResult(
        view=reading.view,
        path=str(reading.path),
        name=name,
        sha256=reading.sha256,
        width=reading.info.width,
        height=reading.info.height,
        frames=reading.shown_frames,
        duration_s=float(time_s[-1] - time_s[0] + 1.0 / reading.joints.rate_hz),
        capture_fps=reading.clock.capture_fps,
        capture_source=reading.clock.source,
        slowdown=reading.clock.slowdown,
        direction=words[reading.direction] if reading.direction else fixed[reading.view],
        near_side=reading.near,
        quality=quality,
        landmarks=reading.joints,
        plane=plane,
        scale=scale,
        scale_notes=notes,
        duplicate_frames=len(reading.timing.duplicates),
        dropped_frames=reading.timing.dropped_frames,
        start_s=float(time_s[0]),
    )
