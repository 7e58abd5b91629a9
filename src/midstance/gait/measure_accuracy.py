"""How well measures of resampled, noisy paths of real runners agree with those of the paths they came from, and
how often their intervals hold the truth.

Truth is the same quantity of the same points, read from the full-rate unfiltered paths at contacts and toe-offs
told by force. So what is judged here is reading, timing and intervals, not where a landmark model puts a joint.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import attrs
import numpy as np

from midstance.gait.curves import Track, side_tracks
from midstance.gait.measures_side import ANKLE_PEAK_WINDOW, KNEE_PEAK_WINDOW, SWING_ANKLE_WINDOW
from midstance.gait.model import SIDES, Measure, PlanePaths, Side, Stance, StrideValue
from midstance.signals.filters import butterworth_lowpass

#: Low-pass of the true paths for peaks, Hz: markers jitter by a fraction of a millimetre, and a peak would count that.
TRUTH_PEAK_HZ = 25.0
#: Found and true contacts further apart than this are not the same, s.
PAIR_S = 0.08
_AT_CONTACT = {
    "foot_strike_angle": "foot",
    "shank_angle_contact": "shank",
    "knee_flexion_contact": "knee",
    "thigh_angle_contact": "thigh",
    "ankle_dorsiflexion_contact": "ankle",
    "foot_ahead_of_hip": "ahead_of_hip",
}

TrueValues = Mapping[tuple[Side, float], Mapping[str, float]]


@attrs.frozen
class MeasureError:
    """One value against its truth: of a stride, or of a film's mean for one leg (``whole_film``).

    ``error`` is found minus true in the measure's unit, ``half_width`` half of the 95 % interval, ``held`` whether that
    holds the truth.
    """

    measure: str
    side: Side
    whole_film: bool
    error: float
    half_width: float
    held: bool


@attrs.frozen
class MeasureRow:
    """Errors of one measure; ``n_means`` and ``means_held`` are of the films' means for each leg (NaN without any)."""

    measure: str
    n: int
    bias: float
    median_abs: float
    p95_abs: float
    held: float
    half_width: float
    n_means: int
    means_held: float


def true_side_values(plane: PlanePaths, stances: Sequence[Stance]) -> dict[tuple[Side, float], dict[str, float]]:
    """Return the true values of each stance, by side and time of contact.

    Parameters
    ----------
    plane : unfiltered full-rate paths of a side view. Landmarks that aren't known leave out the measures that need them.
    stances : from events told by force.
    """
    smooth = plane
    if plane.rate_hz * 0.4 > TRUTH_PEAK_HZ:
        smooth = attrs.evolve(plane, xy=butterworth_lowpass(plane.xy, plane.rate_hz, TRUTH_PEAK_HZ))
    out: dict[tuple[Side, float], dict[str, float]] = {}
    for side in SIDES:
        sharp, calm = side_tracks(plane, side), side_tracks(smooth, side)
        for s in stances:
            if s.side == side and s.excluded is None and s.to is not None:
                values = _times(s) | _angles(sharp, calm, s)
                out[side, s.ic.time_s] = {k: v for k, v in values.items() if np.isfinite(v)}
    return out


def _times(s: Stance) -> dict[str, float]:
    out: dict[str, float] = {}
    if s.to is not None:
        out["contact_time"] = s.to.time_s - s.ic.time_s
        if s.opposite_ic is not None:
            out["flight_time"] = s.opposite_ic.time_s - s.to.time_s
        if s.next_ic is not None:
            out["swing_time"] = s.next_ic.time_s - s.to.time_s
            out["duty_factor"] = out["contact_time"] / (s.next_ic.time_s - s.ic.time_s)
    if s.opposite_ic is not None:
        out["step_time"] = s.opposite_ic.time_s - s.ic.time_s
    if s.next_ic is not None:
        out["stride_time"] = s.next_ic.time_s - s.ic.time_s
    return out


def _angles(sharp: Mapping[str, Track], calm: Mapping[str, Track], s: Stance) -> dict[str, float]:
    if s.to is None:
        return {}
    on, off = s.ic.time_s, s.to.time_s
    out = {key: sharp[track].at(on) for key, track in _AT_CONTACT.items()}
    out["hip_extension_toe_off"] = -sharp["thigh"].at(off)
    for key, track, (low, high) in (
        ("knee_flexion_peak_stance", "knee", KNEE_PEAK_WINDOW),
        ("ankle_dorsiflexion_peak_stance", "ankle", ANKLE_PEAK_WINDOW),
    ):
        out[key] = calm[track].peak(on + low * (off - on), on + high * (off - on))[0]
    if s.next_ic is not None:
        swing = s.next_ic.time_s - off
        out["knee_flexion_peak_swing"] = calm["knee"].peak(off, off + swing)[0]
        low, high = SWING_ANKLE_WINDOW
        out["ankle_dorsiflexion_swing"] = calm["ankle"].peak(off + low * swing, off + high * swing, inside=False)[0]
    return out


def judge_measures(
    values: Sequence[StrideValue], measures: Sequence[Measure], stances: Sequence[Stance], truth: TrueValues
) -> list[MeasureError]:
    """Hold found values against ``true_side_values``.

    Parameters
    ----------
    values, measures : of ``measure_side`` and ``measure_times``.
    stances : those the values belong to.
    truth : of the same recording, on the same clock. A film's mean is held against the mean of all the true values of
        that leg: give those of a longer recording to judge it as an estimate of how the runner runs.
    """
    contact = {s.index: s.ic.time_s for s in stances}
    out: list[MeasureError] = []
    for v in values:
        near = [t for side, t in truth if side == v.side and abs(t - contact[v.stride]) <= PAIR_S]
        if near:
            nearest = min(near, key=lambda t: abs(t - contact[v.stride]))
            wanted = truth[v.side, nearest].get(v.measure)
            if wanted is not None:
                half = 0.5 * (v.high - v.low)
                out.append(
                    MeasureError(v.measure, v.side, False, v.value - wanted, half, v.low <= wanted <= v.high)
                )
    for m in measures:
        if m.value is None or m.low is None or m.high is None or m.side == "both":
            continue
        known = [t[m.measure] for (side, _), t in truth.items() if side == m.side and m.measure in t]
        if known:
            mean = float(np.mean(known))
            half = 0.5 * (m.high - m.low)
            out.append(MeasureError(m.measure, m.side, True, m.value - mean, half, m.low <= mean <= m.high))
    return out


def measure_table(errors: Iterable[MeasureError]) -> list[MeasureRow]:
    """Return one row for each measure that has single strides, in the order of their first appearance."""
    every = list(errors)
    out = []
    for key in dict.fromkeys(e.measure for e in every if not e.whole_film):
        single = [e for e in every if e.measure == key and not e.whole_film]
        means = [e for e in every if e.measure == key and e.whole_film]
        size = np.abs([e.error for e in single])
        out.append(
            MeasureRow(
                key,
                len(single),
                float(np.mean([e.error for e in single])),
                float(np.median(size)),
                float(np.percentile(size, 95)),
                float(np.mean([e.held for e in single])),
                float(np.mean([e.half_width for e in single])),
                len(means),
                float(np.mean([e.held for e in means])) if means else float("nan"),
            )
        )
    return out
