"""Rearfoot eversion from four stickers of a leg, seen from behind: heel line against lower-leg line.

The heel line runs from the bottom to the top of the shoe's heel counter, the lower-leg line from a dot above the heel on the
Achilles line to one on the middle of the calf. Their angle is that of two lines in the picture: the camera's roll turns both
alike and cancels; a camera that isn't square behind the runner, and a foot that points outwards, mix in how the heel tips
forwards. The counter is part of the shoe and not the heel bone, which moves within it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait.angles import segment_from_vertical, segment_sigma_deg, wrap_deg
from midstance.gait.at_events import METHOD
from midstance.gait.curves import Track
from midstance.gait.measures_side import at_events, peak_in_stance
from midstance.gait.model import SIDES, Floats, Measure, Side, Stance, StrideValue, View
from midstance.gait.registry import REGISTRY
from midstance.gait.strides import kept
from midstance.gait.uncertainty import ErrorBudget, Sample, not_measurable, root_sum_squares, stride_values, summarise

REARFOOT_KEYS = ("rearfoot_eversion_peak", "rearfoot_inversion_contact")
#: The four dots of a leg, without side: heel line, then lower-leg line, lower end first.
REARFOOT_PLACES = ("heel_bottom", "heel_top", "shank_bottom", "shank_top")
#: Part of stance in which the peak is looked for.
PEAK_WINDOW = (0.10, 0.90)
#: Beyond this angle, or with a heel line that differs from its usual length by more than this share, a dot was mistaken: no
#: shoe is turned so far.
MAX_ANGLE_DEG, LENGTH_RANGE = 45.0, 0.35
#: A value this far from the median of the seven frames around it is a mistaken dot too: 400 deg/s, more than a foot everts,
#: is 7 degrees a frame at 60 frames a second.
SPIKE_DEG = 10.0
#: 1-SD distance, sideways, of a dot from the line it should mark, m: on the middle of the counter, marked with a ruler, and
#: on the calf by touch. Without a standing film it shifts every angle of the leg. Engineering choice, no source.
HEEL_PLACEMENT_SIGMA_M, SHANK_PLACEMENT_SIGMA_M = 0.0015, 0.003
#: How far heel and lower leg differ in their forward tilt, degrees, at the peak in mid-stance and at contact: what leaks
#: into the rear picture of a turned camera. Engineering choice.
SAGITTAL_TILT_DEG = {"rearfoot_eversion_peak": 15.0, "rearfoot_inversion_contact": 25.0}
#: Shortest stretch of a standing film that gives a zero, s, and the 1-SD by which people stand differently from one time to
#: the next, degrees (engineering choice).
MIN_STANDING_S = 0.5
STANDING_SIGMA_DEG = 1.0

FROM_FRONT = "the back of the heel can't be seen from the front; film from behind, with stickers on heel and shank"
NO_STICKERS = "needs stickers on heel and shank"


@attrs.frozen(eq=False)
class RearfootDots:
    """Paths of the rearfoot dots in the plane of the picture, x to the runner's right, y up.

    Attributes
    ----------
    time_s : (n,) real times, s.
    xy : name such as "left_heel_top" → (n, 2), filtered.
    sigma : name → (n,) 1-SD noise per axis, same unit.
    usable : name → (n,) True where the dot may be measured.
    m_per_unit : metres per unit of ``xy``; None when no scale is known.
    missing : name → why a sticker has no path at all.
    """

    time_s: Floats
    xy: Mapping[str, Floats]
    sigma: Mapping[str, Floats]
    usable: Mapping[str, NDArray[np.bool_]]
    m_per_unit: float | None
    missing: Mapping[str, str] = attrs.field(factory=dict)


@attrs.frozen
class RearfootZero:
    """Angle of the two lines in quiet standing of one leg, its 1-SD error, degrees."""

    angle_deg: float
    sigma_deg: float


def rearfoot_angle(heel_bottom: Floats, heel_top: Floats, shank_bottom: Floats, shank_top: Floats, side: Side) -> Floats:
    """Heel line against lower-leg line, (n,) degrees, eversion +, from (n, 2) points, x to the runner's right, y up.

    Everted: the heel's lower end goes outwards, its top inwards, against the shank.
    """
    outwards = 1.0 if side == "right" else -1.0
    heel = outwards * segment_from_vertical(heel_top, heel_bottom)
    shank = outwards * segment_from_vertical(shank_top, shank_bottom)
    return wrap_deg(heel - shank)


def rearfoot_track(dots: RearfootDots, side: Side) -> Track:
    """Rearfoot angle of one leg through the film, degrees, eversion +, raw: with the dots' own zero."""
    names = [f"{side}_{p}" for p in REARFOOT_PLACES]
    low, high, shank_low, shank_high = (dots.xy[n] for n in names)
    value = rearfoot_angle(low, high, shank_low, shank_high, side)
    good = np.logical_and.reduce([dots.usable[n] for n in names]) & np.isfinite(value)
    heel, shank = np.linalg.norm(high - low, axis=1), np.linalg.norm(shank_high - shank_low, axis=1)
    usual = float(np.median(heel[good])) if good.any() else np.nan
    usual_shank = float(np.median(shank[good])) if good.any() else np.nan
    good &= (np.abs(value) <= MAX_ANGLE_DEG) & (np.abs(heel / usual - 1.0) <= LENGTH_RANGE)
    good &= ~_spikes(np.where(good, value, np.nan))
    sigma = np.hypot(
        segment_sigma_deg(np.full(len(heel), usual), dots.sigma[names[0]], dots.sigma[names[1]]),
        segment_sigma_deg(np.full(len(heel), usual_shank), dots.sigma[names[2]], dots.sigma[names[3]]),
    )
    return Track(
        dots.time_s, np.where(good, value, np.nan), np.where(good, sigma, np.nan), "stickers on heel and shank"
    )


def _spikes(value: Floats) -> NDArray[np.bool_]:
    """Tell which known values stand off their neighbours: two or three frames of a mistaken dot."""
    out = np.zeros(len(value), bool)
    for k in np.flatnonzero(np.isfinite(value)):
        near = value[max(k - 3, 0) : k + 4]
        out[k] = abs(value[k] - np.nanmedian(near)) > SPIKE_DEG
    return out


def rearfoot_zero(dots: RearfootDots, side: Side) -> RearfootZero | None:
    """Zero of one leg from a film of quiet standing with the same stickers; None where they weren't seen long enough."""
    if not all(f"{side}_{p}" in dots.xy for p in REARFOOT_PLACES):
        return None
    track = rearfoot_track(dots, side)
    good = np.isfinite(track.value)
    if not good.any() or np.ptp(track.time_s[good]) < MIN_STANDING_S:
        return None
    spread = float(np.std(track.value[good]))
    return RearfootZero(float(np.median(track.value[good])), float(np.hypot(spread, STANDING_SIGMA_DEG)))


def measure_rearfoot(
    dots: RearfootDots | None,
    stances: Sequence[Stance],
    *,
    view: View,
    budget: ErrorBudget,
    peaks: RearfootDots | None = None,
    zero: Mapping[Side, RearfootZero] | None = None,
) -> tuple[list[StrideValue], list[Measure]]:
    """Peak rearfoot eversion in stance and rearfoot inversion at contact, of one rear film.

    Parameters
    ----------
    dots : unfiltered paths, for the value at contact; None without stickers.
    peaks : low-passed paths of the same film, for the peak; left out, ``dots`` serve for it too.
    stances : from ``build_stances``; excluded ones are skipped.
    budget : errors of the film; roll cancels, yaw and the events' errors count.
    zero : angle in standing by side. Without it the angle is that of the lines as they were stuck on, and how far off the
        dots may sit is part of the interval.

    Returns
    -------
    values, measures : both keys appear for left, right and both, with a value or with a reason.
    """
    if view != "rear" or dots is None:
        why = FROM_FRONT if view != "rear" else NO_STICKERS
        return [], [m for key in REARFOOT_KEYS for m in not_measurable(REGISTRY[key], view, why)]
    tracks: dict[Side, Track] = {}
    calm: dict[Side, Track] = {}
    smooth = dots if peaks is None else peaks
    reasons: dict[Side, str] = {}
    for side in SIDES:
        lacking = [f"{side}_{p}" for p in REARFOOT_PLACES if f"{side}_{p}" not in dots.xy]
        if lacking:
            told = next((dots.missing[n] for n in lacking if n in dots.missing), "")
            words = ", ".join(n.replace("_", " ") for n in lacking)
            reasons[side] = told or (NO_STICKERS if len(lacking) == 4 else f"{NO_STICKERS}: {words} not marked")
        else:
            tracks[side] = rearfoot_track(dots, side)
            calm[side] = rearfoot_track(smooth, side)
    zeros = dict(zero or {})
    values: list[StrideValue] = []
    measures: list[Measure] = []
    for key in REARFOOT_KEYS:
        samples: list[Sample] = []
        for side in tracks:
            track = (calm if key == "rearfoot_eversion_peak" else tracks)[side]
            samples += _samples(key, track, zeros.get(side), kept(stances, side), budget)
        shared = {side: _shared(key, dots, side, zeros, budget) if side in tracks else 0.0 for side in SIDES}
        notes = {side: _zero_text(side, dots, zeros) for side in tracks}
        values += stride_values(REGISTRY[key], view, samples, shared)
        found = summarise(REGISTRY[key], view, samples, shared=shared, method=_METHODS[key], side_notes=notes)
        measures += [_with_reason(m, reasons) for m in found]
    return values, measures


_LINES = "sticker line of the heel counter against sticker line of the lower leg, in the rear picture"
_SHOE = "the shoe's counter, not the heel bone in it"
_METHODS = {
    "rearfoot_eversion_peak": f"{_LINES}, largest between 10 and 90 % of stance; {_SHOE}",
    "rearfoot_inversion_contact": f"{_LINES}, at initial contact, {METHOD}; {_SHOE}",
}
_peak = peak_in_stance(*PEAK_WINDOW, inside=False)


def _samples(
    key: str, track: Track, zero: RearfootZero | None, stances: Sequence[Stance], budget: ErrorBudget
) -> list[Sample]:
    if zero is not None:
        track = track.shifted(-zero.angle_deg)
    if key == "rearfoot_eversion_peak":
        return [_peak(track, s, budget) for s in stances]
    return at_events(track.scaled(-1.0), stances, budget, "initial_contact")


def placement_sigma_deg(dots: RearfootDots, side: Side) -> float | None:
    """1-SD shift of one leg's angles by dots that sit beside their line, degrees; None without a scale."""
    if dots.m_per_unit is None:
        return None
    parts = []
    for low, high, sigma in (
        ("heel_bottom", "heel_top", HEEL_PLACEMENT_SIGMA_M),
        ("shank_bottom", "shank_top", SHANK_PLACEMENT_SIGMA_M),
    ):
        a, b = f"{side}_{low}", f"{side}_{high}"
        good = dots.usable[a] & dots.usable[b]
        if not good.any():
            return None
        length = float(np.median(np.linalg.norm(dots.xy[a] - dots.xy[b], axis=1)[good])) * dots.m_per_unit
        parts.append(float(np.degrees(np.sqrt(2.0) * sigma / length)))
    return root_sum_squares(parts)


#: Taken where no scale tells the lines' length: counters are about 4 cm high, and the dots on the shank 15 cm apart.
_USUAL_PLACEMENT_SIGMA_DEG = root_sum_squares(
    [
        float(np.degrees(np.sqrt(2.0) * HEEL_PLACEMENT_SIGMA_M / 0.04)),
        float(np.degrees(np.sqrt(2.0) * SHANK_PLACEMENT_SIGMA_M / 0.15)),
    ]
)


def _shared(
    key: str, dots: RearfootDots, side: Side, zeros: Mapping[Side, RearfootZero], budget: ErrorBudget
) -> float:
    leak = np.tan(np.radians(SAGITTAL_TILT_DEG[key])) * np.sin(np.radians(budget.yaw_sigma_deg))
    parts = [budget.systematic_for(key), float(np.degrees(np.arctan(leak)))]
    if side in zeros:
        parts.append(zeros[side].sigma_deg)
    else:
        placed = placement_sigma_deg(dots, side)
        parts.append(_USUAL_PLACEMENT_SIGMA_DEG if placed is None else placed)
    return root_sum_squares(parts)


def _zero_text(side: Side, dots: RearfootDots, zeros: Mapping[Side, RearfootZero]) -> str:
    if side in zeros:
        return f"zero from standing ({zeros[side].angle_deg:+.1f} degrees taken off)"
    a, b = f"{side}_heel_bottom", f"{side}_heel_top"
    good = dots.usable[a] & dots.usable[b]
    text = "no standing film: zero is where the sticker lines are parallel"
    if dots.m_per_unit is not None and good.any():
        length = float(np.median(np.linalg.norm(dots.xy[a] - dots.xy[b], axis=1)[good])) * dots.m_per_unit
        text += f", and a heel sticker 1 mm to the side shifts it by {np.degrees(0.001 / length):.1f} degrees"
    return text


def _with_reason(measure: Measure, reasons: Mapping[Side, str]) -> Measure:
    """Say of a side without its stickers that these are lacking, rather than that it has no strides."""
    if measure.value is not None or not reasons:
        return measure
    if measure.side in ("left", "right"):
        return attrs.evolve(measure, reason=reasons[measure.side]) if measure.side in reasons else measure
    return attrs.evolve(measure, reason=next(iter(reasons.values())) if len(reasons) == 2 else measure.reason)
