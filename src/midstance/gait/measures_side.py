"""Sagittal angles and distances of the side view, stride by stride."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Literal

import attrs
import numpy as np

from midstance.gait.at_events import METHOD, read_at_events
from midstance.gait.com import ComPath, whole_body_com
from midstance.gait.curves import Track, leg_length, side_tracks, trunk_points
from midstance.gait.measures_time import NO_SCALE
from midstance.gait.model import SIDES, EventKind, Measure, PlanePaths, Runner, Side, Stance, StrideValue
from midstance.gait.registry import REGISTRY, keys_for
from midstance.gait.strides import kept
from midstance.gait.uncertainty import (
    ErrorBudget,
    Sample,
    at_least,
    missing,
    not_measurable,
    root_sum_squares,
    stride_values,
    summarise,
)

#: Part of stance searched for the flat foot, and the length of the flat piece, as fractions of stance.
FLAT_SEARCH = (0.15, 0.60)
FLAT_PIECE = 0.15
#: 1-SD error of taking the mid-stance foot for the foot in flat standing: the shoe is compressed and the heel
#: may be about to rise. Engineering choice, no source.
FLAT_FOOT_SIGMA_DEG = 2.5
#: Stance windows, as fractions of stance, in which peaks are looked for. The knee bends again before toe-off.
KNEE_PEAK_WINDOW = (0.10, 0.80)
ANKLE_PEAK_WINDOW = (0.20, 0.97)
#: Part of swing in which the largest dorsiflexion is looked for.
SWING_ANKLE_WINDOW = (0.30, 0.90)
#: 1-SD relative error of leg length from the film's thigh and shank.
LEG_LENGTH_RELATIVE_SIGMA = 0.03

#: Relative difference of scale between the plane of one leg and the middle plane: half the distance of the
#: hips, 0.09 m, at a usual filming distance of 4 m.
LEG_PARALLAX_RELATIVE = 0.09 / 4.0

#: Foot strike angle above which the heel lands first, and below which the forefoot does, degrees (Altman &
#: Davis 2012, Gait Posture 35:298-300; digits from memory), and half of the band around each in which the
#: pattern isn't told: the typical error of the angle outdoors at 240 Hz, 2.5 degrees (Murray, Beaven &
#: Hébert-Losier 2018, Sports 7:8).
REARFOOT_ABOVE_DEG = 8.0
FOREFOOT_BELOW_DEG = -1.6
STRIKE_BAND_DEG = 2.5

StrikePattern = Literal["rearfoot", "midfoot", "forefoot", "not clear"]


def foot_strike_pattern(angle_deg: float, *, band_deg: float = STRIKE_BAND_DEG) -> StrikePattern:
    """Describe the foot strike from its angle; "not clear" within ``band_deg`` of a boundary. No pattern is
    better.

    For a measured angle give the larger of ``STRIKE_BAND_DEG`` and half its 95 % interval as the band.
    """
    if not np.isfinite(angle_deg):
        return "not clear"
    if angle_deg > REARFOOT_ABOVE_DEG + band_deg:
        return "rearfoot"
    if angle_deg < FOREFOOT_BELOW_DEG - band_deg:
        return "forefoot"
    if FOREFOOT_BELOW_DEG + band_deg <= angle_deg <= REARFOOT_ABOVE_DEG - band_deg:
        return "midfoot"
    return "not clear"


@attrs.frozen
class FlatFoot:
    """Heel-toe line of one foot lying flat: ``angle_deg`` from the horizontal, its 1-SD error, stances used,
    or why not.
    """

    angle_deg: float
    sigma_deg: float
    n: int
    reason: str | None = None


def flat_foot(plane: PlanePaths, stances: Sequence[Stance], side: Side) -> FlatFoot:
    """Zero of the foot's angles: the heel-toe line while the foot lies flat on the ground.

    Standing isn't filmed. In each stance the stillest piece of the foot's angle between ``FLAT_SEARCH`` of
    stance is taken, and over the stances the median. A runner whose heel never comes down has no flat foot,
    and this zero is then too far toe-down: such a foot strike angle reads too large.
    """
    track = side_tracks(plane, side)["foot"]
    found = []
    for s in kept(stances, side):
        if s.to is None:
            continue
        tc = s.to.time_s - s.ic.time_s
        good, enough = track.window(s.ic.time_s + FLAT_SEARCH[0] * tc, s.ic.time_s + FLAT_SEARCH[1] * tc)
        if not enough:
            continue
        t, v = track.time_s[good], track.value[good]
        best: tuple[float, float] | None = None
        for i in range(len(t)):
            piece = v[(t >= t[i]) & (t <= t[i] + FLAT_PIECE * tc)]
            if t[i] + FLAT_PIECE * tc > t[-1] + 1e-9 and best is not None:
                break
            spread = float(piece.max() - piece.min())
            if len(piece) >= 2 and (best is None or spread < best[0]):
                best = (spread, float(np.median(piece)))
        if best is not None:
            found.append(best[1])
    if len(found) < 2:
        return FlatFoot(
            float("nan"), float("nan"), len(found), f"the {side} foot was not seen flat in two stances"
        )
    values = np.array(found)
    spread = 1.253 * float(values.std(ddof=1)) / np.sqrt(len(values))
    return FlatFoot(float(np.median(values)), float(np.hypot(spread, FLAT_FOOT_SIGMA_DEG)), len(values))


Reader = Callable[[Track, Stance, ErrorBudget], Sample]


def at_events(
    track: Track, stances: Sequence[Stance], budget: ErrorBudget, kind: EventKind, *, scatter: float = 0.0
) -> list[Sample]:
    """Values of a track of unfiltered paths at the stances' contacts or toe-offs, one sample for each stance.

    ``scatter`` is the least 1-SD error that is new in each stride, in the track's unit; the regression's own counts
    where it is larger.

    The event's time error counts by the rate of change around the event, and is random and shared in the
    shares that ``budget`` gives for the kind.
    """
    contact = kind == "initial_contact"
    events = [s.ic if contact else s.to for s in stances]
    known = [i for i, e in enumerate(events) if e is not None]
    read = read_at_events(track, [e.time_s for e in events if e is not None])
    factor = budget.noise_factor(1.0 / float(np.median(np.diff(track.time_s)))) if len(track.time_s) > 1 else 1.0
    out = [missing(s.side, s.index, s.ic.time_s, "no toe-off") for s in stances]
    for j, i in enumerate(known):
        s, event = stances[i], events[i]
        if not np.isfinite(read.value[j]) or event is None:
            name = "initial contact" if contact else "toe-off"
            why = f"{track.points} not all clearly seen at {name}"
            out[i] = missing(s.side, s.index, s.ic.time_s, why)
            continue
        random, shared = budget.split_event(event.sigma_s, kind)
        out[i] = Sample(
            s.side,
            s.index,
            s.ic.time_s,
            float(read.value[j]),
            float(np.hypot(max(factor * read.random[j], scatter), read.rate * random)),
            float(np.hypot(factor * read.shared[j], read.rate * shared)),
        )
    return out


def stance_mean(track: Track, s: Stance, budget: ErrorBudget) -> Sample:
    """Mean over stance."""
    if s.to is None:
        return missing(s.side, s.index, s.ic.time_s, "no toe-off")
    value, noise = track.mean(s.ic.time_s, s.to.time_s)
    if not np.isfinite(value):
        return missing(s.side, s.index, s.ic.time_s, f"{track.points} not seen through stance")
    return Sample(s.side, s.index, s.ic.time_s, value, noise)


def peak_in_stance(low: float, high: float, *, inside: bool = True) -> Reader:
    """Return a reader of the largest value between two fractions of stance; ``inside`` refuses one at an
    end.
    """

    def read(track: Track, s: Stance, budget: ErrorBudget) -> Sample:
        if s.to is None:
            return missing(s.side, s.index, s.ic.time_s, "no toe-off")
        tc = s.to.time_s - s.ic.time_s
        return _peak(track, s, s.ic.time_s + low * tc, s.ic.time_s + high * tc, "stance", inside=inside)

    return read


def peak_in_swing(low: float, high: float, *, inside: bool) -> Reader:
    """Return a reader of the largest value between two fractions of swing."""

    def read(track: Track, s: Stance, budget: ErrorBudget) -> Sample:
        if s.to is None or s.next_ic is None:
            return missing(s.side, s.index, s.ic.time_s, "no whole swing")
        swing = s.next_ic.time_s - s.to.time_s
        return _peak(track, s, s.to.time_s + low * swing, s.to.time_s + high * swing, "swing", inside=inside)

    return read


def _peak(track: Track, s: Stance, t0: float, t1: float, phase: str, *, inside: bool) -> Sample:
    value, _, noise = track.peak(t0, t1, inside=inside)
    if not np.isfinite(value):
        _, enough = track.window(t0, t1)
        why = f"no peak inside {phase}" if enough else f"{track.points} not seen through {phase}"
        return missing(s.side, s.index, s.ic.time_s, why)
    return Sample(s.side, s.index, s.ic.time_s, value, noise)


@attrs.frozen
class _Spec:
    track: str
    read: Reader | EventKind  # an event: read there, from the unfiltered paths
    method: str
    sign: float = 1.0
    upright: bool = False  # changed by the camera's roll
    foot_zero: bool = False  # rests on the flat foot


_CONTACT = f"at initial contact, {METHOD}"
_SPECS: dict[str, _Spec] = {
    "foot_strike_angle": _Spec("foot", "initial_contact", f"heel-toe line {_CONTACT}", foot_zero=True),
    "shank_angle_contact": _Spec("shank", "initial_contact", f"knee-ankle line {_CONTACT}", upright=True),
    "knee_flexion_contact": _Spec("knee", "initial_contact", f"hip, knee and ankle {_CONTACT}"),
    "thigh_angle_contact": _Spec("thigh", "initial_contact", f"hip-knee line {_CONTACT}", upright=True),
    "hip_flexion_contact": _Spec("hip", "initial_contact", f"thigh against trunk line {_CONTACT}"),
    "ankle_dorsiflexion_contact": _Spec(
        "ankle", "initial_contact", f"foot against shank {_CONTACT}", upright=True, foot_zero=True
    ),
    "trunk_lean_contact": _Spec("trunk", "initial_contact", f"hip-shoulder line {_CONTACT}", upright=True),
    "trunk_lean_stance": _Spec("trunk", stance_mean, "hip-shoulder line, mean over stance", upright=True),
    "knee_flexion_peak_stance": _Spec(
        "knee", peak_in_stance(*KNEE_PEAK_WINDOW), "largest knee flexion between 10 and 80 % of stance"
    ),
    "ankle_dorsiflexion_peak_stance": _Spec(
        "ankle",
        peak_in_stance(*ANKLE_PEAK_WINDOW),
        "largest dorsiflexion in stance",
        upright=True,
        foot_zero=True,
    ),
    "hip_extension_toe_off": _Spec(
        "thigh", "toe_off", f"hip-knee line at toe-off, {METHOD}", sign=-1.0, upright=True
    ),
    "knee_flexion_peak_swing": _Spec(
        "knee", peak_in_swing(0.0, 1.0, inside=True), "largest knee flexion in swing"
    ),
    "ankle_dorsiflexion_swing": _Spec(
        "ankle",
        peak_in_swing(*SWING_ANKLE_WINDOW, inside=False),
        "largest dorsiflexion between 30 and 90 % of swing",
        upright=True,
        foot_zero=True,
    ),
    "foot_ahead_of_hip": _Spec("ahead_of_hip", "initial_contact", f"ankle minus hip of the same leg {_CONTACT}"),
    "foot_ahead_of_com": _Spec("ahead_of_com", "initial_contact", f"ankle minus centre of mass {_CONTACT}"),
    "foot_ahead_of_hip_leg": _Spec("ahead_of_hip", "initial_contact", f"ankle minus hip of the same leg {_CONTACT}"),
    "foot_ahead_of_com_leg": _Spec("ahead_of_com", "initial_contact", f"ankle minus centre of mass {_CONTACT}"),
}


def reads_event(key: str) -> bool:
    """Tell whether a measure of the side view is a value at contact or toe-off, read from unfiltered paths."""
    return key in _SPECS and isinstance(_SPECS[key].read, str)


_FOOT_ZERO_NOTE = "zero is the foot lying flat in mid-stance"
_KNOWN_ZERO_NOTE = "zero is the flat sole"


def measure_side(
    plane: PlanePaths,
    stances: Sequence[Stance],
    *,
    budget: ErrorBudget,
    peaks: PlanePaths | None = None,
    runner: Runner | None = None,
    com: ComPath | None = None,
    foot_zero: Mapping[Side, FlatFoot] | None = None,
) -> tuple[list[StrideValue], list[Measure]]:
    """All measures of the group "side" of one side film.

    Parameters
    ----------
    plane : unfiltered paths of a side view, for values at contact and toe-off (``reads_event`` tells which).
        Angles need no scale; distances in metres do.
    stances : from ``build_stances``; excluded ones are skipped.
    budget : errors of the film. Landmark noise is that of ``plane`` times the quality factor; the far leg's
        is larger still.
    peaks : low-passed paths of the same film, for peaks and means over stance and swing: a peak of a noisy
        path reads too large. Left out, ``plane`` serves for these too.
    runner : chooses the body table.
    com : centre of mass of ``plane``, if worked out already.
    foot_zero : what the heel-toe line reads on a flat foot, when it is known beforehand (its error is then
        part of ``budget.systematic``); else it is taken from the foot in mid-stance.

    Returns
    -------
    values, measures : every key appears in ``measures`` for left, right and both, with a value or with a
        reason.
    """
    if plane.view != "side":
        raise ValueError(f"measure_side takes a side view, got {plane.view}")
    smooth = plane if peaks is None else peaks
    path = com if com is not None else whole_body_com(plane, (runner or Runner()).body_table)
    zeros = {side: foot_zero[side] if foot_zero else flat_foot(smooth, stances, side) for side in SIDES}
    far: dict[Side, bool] = {side: plane.near_side is not None and side != plane.near_side for side in SIDES}

    def tracks_of(paths: PlanePaths, side: Side, noise: float = 1.0) -> dict[str, Track]:
        return side_tracks(
            paths,
            side,
            com=path if paths is plane else None,
            noise=noise * budget.quality_factor * (budget.far_factor if far[side] else 1.0),
            flat_foot_deg=0.0 if zeros[side].reason else zeros[side].angle_deg,
        )

    sharp = {side: tracks_of(plane, side) for side in SIDES}
    # The stated noise of filtered paths is that of white noise.
    kept_noise = budget.noise_factor(smooth.rate_hz) if len(smooth.time_s) > 1 else 1.0
    calm = sharp if smooth is plane else {side: tracks_of(smooth, side, kept_noise) for side in SIDES}
    legs = {side: leg_length(plane, side) for side in SIDES}
    trunk_method = trunk_points(plane)[2]
    values: list[StrideValue] = []
    measures: list[Measure] = []
    for key in keys_for("side", "side"):
        known, spec = REGISTRY[key], _SPECS[key]
        if known.unit == "m" and plane.unit != "m":
            measures += not_measurable(known, "side", NO_SCALE)
            continue
        if spec.track == "ahead_of_com" and path.reason is not None:
            measures += not_measurable(known, "side", path.reason)
            continue
        samples: list[Sample] = []
        shared: dict[Side, float] = {}
        notes: dict[Side, str] = {}
        for side in SIDES:
            factor = spec.sign / legs[side] if known.unit == "1" else spec.sign
            track = (sharp if reads_event(key) else calm)[side][spec.track]
            scatter = _per_unit(key, budget.scatter, budget.scatter_for, far[side], _leg_m(plane, legs[side]))
            one = _side_samples(track, spec, factor, kept(stances, side), budget, zeros[side], scatter)
            samples += one
            shared[side] = _shared(
                key, spec, one, budget, zeros[side], far=far[side], leg_m=_leg_m(plane, legs[side])
            )
            notes[side] = "far leg, partly hidden" if far[side] else ""
        method = spec.method
        if spec.foot_zero:
            method += f"; {_KNOWN_ZERO_NOTE if foot_zero else _FOOT_ZERO_NOTE}"
        if spec.track in ("trunk", "hip"):
            method += f"; {trunk_method}"
        if spec.track == "ahead_of_com":
            method += f"; {path.method}"
        if known.unit == "1":
            method += "; divided by leg length from the film's thigh and shank"
        # Near and far leg lie on either side of the plane of the scale: one reads long, the other short.
        good = [abs(x.value) for x in samples if x.usable]
        apart = known.unit == "m" and plane.near_side is not None and not budget.legs_in_depth
        parallax = LEG_PARALLAX_RELATIVE if apart else 0.0
        opposed = parallax * float(np.mean(good)) if good else 0.0
        single: dict[Side, float] = {side: float(np.hypot(shared[side], opposed)) for side in SIDES}
        values += stride_values(known, "side", samples, single)
        measures += summarise(
            known, "side", samples, shared=shared, opposed=opposed, method=method, side_notes=notes
        )
    return values, measures


def _side_samples(
    track: Track,
    spec: _Spec,
    factor: float,
    stances: Sequence[Stance],
    budget: ErrorBudget,
    zero: FlatFoot,
    scatter: float,
) -> list[Sample]:
    if spec.foot_zero and zero.reason is not None:
        return [missing(s.side, s.index, s.ic.time_s, zero.reason) for s in stances]
    if not np.isfinite(factor):
        return [
            missing(s.side, s.index, s.ic.time_s, "leg length not to be had from the film") for s in stances
        ]
    if isinstance(spec.read, str):
        found = at_events(track, stances, budget, spec.read, scatter=scatter / abs(factor))
    else:
        found = [at_least(spec.read(track, s, budget), scatter / abs(factor)) for s in stances]
    return [
        attrs.evolve(
            one, value=one.value * factor, random=one.random * abs(factor), shared=one.shared * abs(factor)
        )
        for one in found
    ]


def _leg_m(plane: PlanePaths, leg: float) -> float:
    # Without a scale an adult's leg turns a systematic error given in metres into leg lengths well enough.
    return leg if plane.unit == "m" and np.isfinite(leg) else 0.9


def _per_unit(
    key: str, table: Mapping[str, float], look_up: Callable[..., float], far: bool, leg_m: float
) -> float:
    """Look a measure's error up; one in leg lengths that isn't there is that of the metres, divided."""
    if REGISTRY[key].unit == "1" and key not in table:
        return look_up(key.removesuffix("_leg"), far=far) / leg_m
    return look_up(key, far=far)


def _shared(
    key: str,
    spec: _Spec,
    samples: Sequence[Sample],
    budget: ErrorBudget,
    zero: FlatFoot,
    *,
    far: bool,
    leg_m: float,
) -> float:
    good = [abs(s.value) for s in samples if s.usable]
    typical = float(np.mean(good)) if good else 0.0
    unit = REGISTRY[key].unit
    parts = [_per_unit(key, budget.systematic, budget.systematic_for, far, leg_m)]
    if unit == "deg":
        if spec.upright:
            parts.append(budget.upright_sigma_deg)
        if spec.foot_zero and zero.reason is None:
            parts.append(zero.sigma_deg)
        # A camera turned by yaw sees tan(angle) cos(yaw).
        squeezed = np.degrees(
            np.arctan(np.tan(np.radians(min(typical, 80.0))) * np.cos(np.radians(budget.yaw_sigma_deg)))
        )
        parts.append(min(typical, 80.0) - float(squeezed))
    elif unit == "m":
        parts.append(budget.length_relative_sigma * typical)
    else:
        parts.append(LEG_LENGTH_RELATIVE_SIGMA * typical)
    return root_sum_squares(parts)
