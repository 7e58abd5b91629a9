"""Measures from the times of contacts and toe-offs, with speed and body data where they need them."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence

import numpy as np

from midstance.gait.com import ComPath, whole_body_com
from midstance.gait.curves import Track, ankle_track
from midstance.gait.model import SIDES, Event, Measure, PlanePaths, Runner, Side, Stance, StrideValue, View
from midstance.gait.registry import REGISTRY, MeasureInfo, info, keys_for
from midstance.gait.spring_mass import LEG_FRACTION, MODEL_RELATIVE_SIGMA, SpringMass, spring_mass
from midstance.gait.strides import kept
from midstance.gait.uncertainty import (
    Z95,
    ErrorBudget,
    Sample,
    at_least,
    effective_n,
    interval_half_width,
    missing,
    not_measurable,
    root_sum_squares,
    stride_values,
    summarise,
)

#: 1-SD relative error of leg length taken as a fraction of stature; between-person spread, from memory.
LEG_FRACTION_RELATIVE_SIGMA = 0.03
#: How much moving the landmarks to the joints changes the vertical oscillation in the films that the move was learnt
#: from, m: root mean square over 14 rendered side films, each left out in its turn (0.001 to 0.009).
USUAL_CORRECTION_M = 0.0046
#: Part of stance in which the foot lies still on the ground, for its place on the ground.
FLAT_PART = (0.25, 0.5)

_NO_TO = "no toe-off"
_NO_STEP = "no next contact of the other foot"
_NO_STRIDE = "no next contact of the same foot"


class _Times:
    """Times of one stance with the way their errors enter: sign of each event in the result."""

    def __init__(self, stance: Stance, budget: ErrorBudget) -> None:
        self.stance = stance
        self.ic = stance.ic.time_s
        self.to = None if stance.to is None else stance.to.time_s
        self.opposite = None if stance.opposite_ic is None else stance.opposite_ic.time_s
        self.next = None if stance.next_ic is None else stance.next_ic.time_s
        self._sigma = {
            "ic": stance.ic.sigma_s,
            "to": 0.0 if stance.to is None else stance.to.sigma_s,
            "opposite": 0.0 if stance.opposite_ic is None else stance.opposite_ic.sigma_s,
            "next": 0.0 if stance.next_ic is None else stance.next_ic.sigma_s,
        }
        self._budget = budget

    def errors(self, **gradient: float) -> tuple[float, float, float]:
        """Random, shared and opposed 1-SD errors of a value that has the given derivatives by event time.

        What all contacts of a foot have in common is partly the same for both feet, partly each foot's own. With
        h and t the derivatives by this foot's and by the other foot's contacts, the error is (h + t) times what the
        feet have in common plus (h - t) times half of their difference, and the latter has the opposite sign on the
        other side. So a stride time loses it all, a step time loses what is common, and the mean of left and right
        step times the rest too. Toe-offs have an error of their own.
        """
        random = root_sum_squares(
            g * self._budget.split_event(self._sigma[k], "toe_off" if k == "to" else "initial_contact")[0]
            for k, g in gradient.items()
        )
        here, there = gradient.get("ic", 0.0) + gradient.get("next", 0.0), gradient.get("opposite", 0.0)
        common = self._budget.split_event(self._sigma["ic"], "initial_contact")[1]
        half_own = 0.5 * self._budget.event_foot_share
        shared_ic = abs(here + there) * common * float(np.sqrt(1.0 - half_own))
        opposed = abs(here - there) * common * float(np.sqrt(half_own))
        shared_to = abs(gradient.get("to", 0.0)) * self._budget.split_event(self._sigma["to"], "toe_off")[1]
        return random, root_sum_squares([shared_ic, shared_to]), opposed

    def sample(self, value: float, **gradient: float) -> Sample:
        random, shared, opposed = self.errors(**gradient)
        return Sample(self.stance.side, self.stance.index, self.ic, value, random, shared, opposed=opposed)

    def missing(self, reason: str) -> Sample:
        return missing(self.stance.side, self.stance.index, self.ic, reason)


def _step_time(t: _Times) -> Sample:
    if t.opposite is None:
        return t.missing(_NO_STEP)
    return t.sample(t.opposite - t.ic, ic=-1.0, opposite=1.0)


def _stride_time(t: _Times) -> Sample:
    if t.next is None:
        return t.missing(_NO_STRIDE)
    return t.sample(t.next - t.ic, ic=-1.0, next=1.0)


def _contact_time(t: _Times) -> Sample:
    if t.to is None:
        return t.missing(_NO_TO)
    return t.sample(t.to - t.ic, ic=-1.0, to=1.0)


def _flight_time(t: _Times) -> Sample:
    if t.to is None or t.opposite is None:
        return t.missing(_NO_STEP if t.opposite is None else _NO_TO)
    return t.sample(t.opposite - t.to, to=-1.0, opposite=1.0)


def _swing_time(t: _Times) -> Sample:
    if t.to is None or t.next is None:
        return t.missing(_NO_STRIDE if t.next is None else _NO_TO)
    return t.sample(t.next - t.to, to=-1.0, next=1.0)


def _duty_factor(t: _Times) -> Sample:
    if t.to is None or t.next is None:
        return t.missing(_NO_STRIDE if t.next is None else _NO_TO)
    stride = t.next - t.ic
    duty = (t.to - t.ic) / stride
    return t.sample(duty, ic=(duty - 1.0) / stride, to=1.0 / stride, next=-duty / stride)


_TIME_MEASURES: dict[str, tuple[Callable[[_Times], Sample], str]] = {
    "step_time": (
        _step_time,
        "contact to next contact of the other foot; the side is that of the first contact",
    ),
    "stride_time": (_stride_time, "contact to next contact of the same foot"),
    "contact_time": (_contact_time, "initial contact to toe-off"),
    "flight_time": (_flight_time, "toe-off to contact of the other foot"),
    "swing_time": (_swing_time, "toe-off to next contact of the same foot"),
    "duty_factor": (_duty_factor, "contact time divided by stride time"),
}


def _both_sides(value: float) -> dict[Side, float]:
    return {"left": value, "right": value}


def cadence_of_steps(step_times_s: Sequence[float]) -> float:
    """Cadence in steps/min from step intervals: 60 N / their sum.

    For an unbroken run this is first-to-last contact over N intervals; counting contacts in a window would be
    off by up to one.
    """
    if not step_times_s:
        raise ValueError("cadence needs at least one step")
    return 60.0 * len(step_times_s) / float(sum(step_times_s))


#: A contact whose error is above this multiple of the film's median is not used as an end for the cadence.
SURE_CONTACT = 1.2
#: A contact further off its foot's rhythm than this many robust standard deviations, and than the least, s, is no end; told
#: from this many contacts on. Engineering choices.
UNEVEN_SIGMAS, LEAST_UNEVEN_S, EVEN_FROM = 3.0, 0.010, 5


def _numbered_contacts(steps: Sequence[Stance], median_step_s: float) -> list[tuple[int, Event]]:
    """Contacts of the steps with their step number; breaks between runs are bridged by whole steps."""
    numbered: list[tuple[int, Event]] = []
    for s in steps:
        if not numbered or numbered[-1][1] != s.ic:
            number = 0
            if numbered:
                last_number, last = numbered[-1]
                number = last_number + max(1, round((s.ic.time_s - last.time_s) / median_step_s))
            numbered.append((number, s.ic))
        if s.opposite_ic is not None:
            numbered.append((numbered[-1][0] + 1, s.opposite_ic))
    return numbered


def _even(numbered: list[tuple[int, float]]) -> list[tuple[int, float]]:
    """Leave out contacts of one foot that stand out from its rhythm: a misread one at an end would decide.

    The rhythm is the line through number and time with the median of all slopes between two contacts (Theil-Sen).
    """
    if len(numbered) < EVEN_FROM:
        return numbered
    n, t = np.array([k for k, _ in numbered], dtype=np.float64), np.array([s for _, s in numbered])
    i, j = np.triu_indices(len(n), 1)
    rest = t - float(np.median((t[j] - t[i]) / (n[j] - n[i]))) * n
    rest = np.abs(rest - np.median(rest))
    limit = max(UNEVEN_SIGMAS * 1.4826 * float(np.median(rest)), LEAST_UNEVEN_S)
    return [one for one, off in zip(numbered, rest, strict=True) if off <= limit]


def _mean_step(contacts: Sequence[tuple[int, Event]]) -> tuple[float, float]:
    """Mean step time, s, and its error per second of random error of one contact.

    For each foot the time from its first to its last contact, over the steps between: a detector that calls one foot
    earlier than the other, or a runner with one quick and one slow step, doesn't change it, and averaging the two feet
    halves the weight of the contacts at the ends.
    """
    span_s, steps, ends = 0.0, 0, 0
    sure = SURE_CONTACT * float(np.median([e.sigma_s for _, e in contacts]))
    for side in SIDES:
        # A contact read less surely than most must not be an end that decides.
        own = _even([(n, e.time_s) for n, e in contacts if e.side == side and e.sigma_s <= sure])
        if len(own) >= 2:
            span_s += own[-1][1] - own[0][1]
            steps += own[-1][0] - own[0][0]
            ends += 2
    if steps == 0:  # two or three contacts: first to last, whichever feet they are
        span_s, steps, ends = contacts[-1][1].time_s - contacts[0][1].time_s, contacts[-1][0] - contacts[0][0], 2
    return span_s / steps, float(np.sqrt(ends)) / steps


def _cadence(
    stances: Sequence[Stance], view: View, budget: ErrorBudget
) -> tuple[list[StrideValue], list[Measure]]:
    known = info("cadence")
    steps = [s for s in kept(stances) if s.opposite_ic is not None]
    if len(steps) < 2:
        return [], not_measurable(
            known, view, f"{len(steps)} usable steps, at least 2 are needed", n=len(steps)
        )
    times = np.array([s.opposite_ic.time_s - s.ic.time_s for s in steps if s.opposite_ic is not None])
    contacts = _numbered_contacts(steps, float(np.median(times)))
    step_s, error_per_s = _mean_step(contacts)
    value = 60.0 / step_s
    runs = 1 + sum(a.opposite_ic != b.ic for a, b in itertools.pairwise(steps))
    random = float(np.mean([budget.split_event(e.sigma_s, e.kind)[0] ** 2 for _, e in contacts])) ** 0.5
    timing = value * random * error_per_s / step_s
    # Left and right steps differ, so the spread that matters is that of pairs: the mean of whole pairs is
    # free of the difference. pairs is free of it.
    pairs = times[: len(times) // 2 * 2].reshape(-1, 2).mean(axis=1) if len(times) >= 4 else times
    n_eff = effective_n(pairs)
    spread = float(np.var(pairs, ddof=1)) / n_eff * (value / float(times.mean())) ** 2
    shared = root_sum_squares([timing, value * budget.rate_relative_sigma, budget.systematic_for("cadence")])
    half = interval_half_width([(spread, max(n_eff - 1.0, 0.5 * (len(pairs) - 1.0), 1.0))], shared)
    plural = "" if runs == 1 else "s"
    method = (
        "60 x steps / time from first to last sure contact of the same foot, both feet together; "
        f"{runs} unbroken run{plural} of steps"
    )
    measure = Measure(
        "cadence", "both", view, known.unit, value, value - half, value + half, len(steps), method
    )
    samples = []
    for s, t in zip(steps, times, strict=True):
        random = _Times(s, budget).errors(ic=-1.0, opposite=1.0)[0]
        samples.append(Sample(s.side, s.index, s.ic.time_s, 60.0 / t, 60.0 / t**2 * random, 0.0))
    values = stride_values(known, view, samples, _both_sides(value * budget.rate_relative_sigma))
    return values, [measure]


def measure_times(
    stances: Sequence[Stance],
    *,
    view: View,
    budget: ErrorBudget,
    speed_mps: float | None = None,
    runner: Runner | None = None,
    plane: PlanePaths | None = None,
    com: ComPath | None = None,
    uncorrected: PlanePaths | None = None,
    ground_fixed: bool = False,
) -> tuple[list[StrideValue], list[Measure]]:
    """Measures of the groups "time" and "estimate" of one view.

    Parameters
    ----------
    stances : from ``build_stances``; excluded ones are skipped.
    speed_mps : belt or running speed that was given; None makes what needs it not measurable.
    runner : body mass (stiffness) and height (leg length as 0.53 of it).
    plane, com : paths, for vertical oscillation (metres needed); ``com`` is worked out from ``plane`` if not
        given.
    uncorrected : the same paths before landmarks were moved to the joints. Where that changes the vertical
        oscillation more than it does in the films it was learnt from, the systematic error grows with it.
    ground_fixed : True where the plane's x stands still against the ground (overground, still or compensated
        camera): step length is then the distance between contacts; else it is speed times step time, the only
        valid way on a treadmill.

    Returns
    -------
    values, measures : every key of the groups appears in ``measures``, with a value or with a reason.
    """
    body = runner or Runner()
    values: list[StrideValue] = []
    measures: list[Measure] = []
    times = [_Times(s, budget) for s in kept(stances)]

    v, m = _cadence(stances, view, budget)
    values += v
    measures += m
    for key, (formula, method) in _TIME_MEASURES.items():
        known = REGISTRY[key]
        samples = [formula(t) for t in times]
        typical = _typical(samples)
        relative = 0.0 if key == "duty_factor" else budget.rate_relative_sigma * abs(typical)
        _report(
            known,
            view,
            samples,
            root_sum_squares([budget.systematic_for(key), relative]),
            method,
            values,
            measures,
        )
    _step_length(times, view, budget, speed_mps, plane, ground_fixed, values, measures)
    _oscillation(times, view, budget, body, plane, com, uncorrected, values, measures)
    known = REGISTRY["speed"]
    if speed_mps is None:
        measures += not_measurable(known, view, "speed not given")
    else:
        half = Z95 * budget.speed_relative_sigma * speed_mps
        n = len(times)
        measures.append(
            Measure(
                "speed",
                "both",
                view,
                known.unit,
                speed_mps,
                speed_mps - half,
                speed_mps + half,
                n,
                "as given, not measured",
            )
        )
    _estimates(times, view, budget, body, speed_mps, values, measures)
    order = {k: i for i, k in enumerate(keys_for(view, "time", "estimate"))}
    measures.sort(key=lambda one: order[one.measure])
    return values, measures


def _typical(samples: Sequence[Sample]) -> float:
    good = [s.value for s in samples if s.usable]
    return float(np.median(good)) if good else 0.0


def _report(
    known: MeasureInfo,
    view: View,
    samples: Sequence[Sample],
    shared: float,
    method: str,
    values: list[StrideValue],
    measures: list[Measure],
) -> None:
    by_side = _both_sides(shared)
    values += stride_values(known, view, samples, by_side)
    measures += summarise(known, view, samples, shared=by_side, method=method)


def _step_length(
    times: Sequence[_Times],
    view: View,
    budget: ErrorBudget,
    speed_mps: float | None,
    plane: PlanePaths | None,
    ground_fixed: bool,
    values: list[StrideValue],
    measures: list[Measure],
) -> None:
    known = REGISTRY["step_length"]
    if ground_fixed and plane is not None and plane.unit == "m" and view == "side":
        samples = _lengths_on_ground(times, plane, budget)
        relative = budget.length_relative_sigma
        method = "distance on the ground between the ankles of successive stances"
    elif speed_mps is None:
        measures += not_measurable(known, view, "speed not given")
        return
    else:
        samples = []
        for t in times:
            if t.opposite is None:
                samples.append(t.missing(_NO_STEP))
            else:
                samples.append(t.sample(speed_mps * (t.opposite - t.ic), ic=-speed_mps, opposite=speed_mps))
        relative = budget.speed_relative_sigma
        method = f"speed ({speed_mps:.2f} m/s, given) times step time"
    shared = root_sum_squares([budget.systematic_for("step_length"), relative * _typical(samples)])
    _report(known, view, samples, shared, method, values, measures)


def _lengths_on_ground(times: Sequence[_Times], plane: PlanePaths, budget: ErrorBudget) -> list[Sample]:
    tracks = {side: ankle_track(plane, side, noise=budget.quality_factor) for side in SIDES}
    place: dict[tuple[Side, float], tuple[float, float]] = {}
    for t in times:
        if t.to is not None:
            tc = t.to - t.ic
            track = tracks[t.stance.side]
            a, b = t.ic + FLAT_PART[0] * tc, t.ic + FLAT_PART[1] * tc
            place[t.stance.side, t.ic] = (track.median(a, b), track.sigma_at(0.5 * (a + b)))
    out = []
    nowhere = (float("nan"), float("nan"))
    for t in times:
        if t.opposite is None:
            out.append(t.missing(_NO_STEP))
            continue
        other: Side = "right" if t.stance.side == "left" else "left"
        here, there = place.get((t.stance.side, t.ic), nowhere), place.get((other, t.opposite), nowhere)
        length = there[0] - here[0]
        if not np.isfinite(length):
            out.append(t.missing("an ankle was not visible in stance"))
        else:
            out.append(
                Sample(t.stance.side, t.stance.index, t.ic, length, float(np.hypot(here[1], there[1])), 0.0)
            )
    return out


def _oscillation(
    times: Sequence[_Times],
    view: View,
    budget: ErrorBudget,
    body: Runner,
    plane: PlanePaths | None,
    com: ComPath | None,
    uncorrected: PlanePaths | None,
    values: list[StrideValue],
    measures: list[Measure],
) -> None:
    known = REGISTRY["vertical_oscillation"]
    if plane is None:
        measures += not_measurable(known, view, "no landmark paths")
        return
    if plane.unit != "m":
        measures += not_measurable(known, view, NO_SCALE)
        return
    path = com if com is not None else whole_body_com(plane, body.body_table)
    if path.reason is not None:
        measures += not_measurable(known, view, path.reason)
        return
    samples = _oscillations(times, plane, path, budget)
    systematic = budget.systematic_for("vertical_oscillation")
    if uncorrected is not None:
        before = _oscillations(times, uncorrected, whole_body_com(uncorrected, body.body_table), budget)
        change = [
            a.value - b.value for a, b in zip(samples, before, strict=True) if a.usable and b.usable
        ]
        if change:
            systematic *= max(1.0, abs(float(np.mean(change))) / USUAL_CORRECTION_M)
    shared = root_sum_squares([systematic, budget.length_relative_sigma * _typical(samples)])
    method = f"highest minus lowest point in each step, drift from stride to stride taken out; {path.method}"
    _report(known, view, samples, shared, method, values, measures)


def _oscillations(
    times: Sequence[_Times], plane: PlanePaths, path: ComPath, budget: ErrorBudget
) -> list[Sample]:
    noise = budget.quality_factor * (budget.noise_factor(plane.rate_hz) if len(plane.time_s) > 1 else 1.0)
    track = Track(plane.time_s, path.xy[:, 1], path.sigma * noise, "centre of mass")
    steps = [t.opposite - t.ic for t in times if t.opposite is not None]
    drift = _Drift(track, 2.0 * float(np.median(steps))) if steps else None
    scatter = budget.scatter_for("vertical_oscillation")
    return [at_least(_oscillation_of(t, track, drift), scatter) for t in times]


class _Drift:
    """Slow drift of the runner against the camera: the mean height over one whole stride, which the bobbing of the
    steps leaves alone however unlike left and right are. Near the film's ends it is taken to stand still.
    """

    def __init__(self, track: Track, stride_s: float) -> None:
        known = np.isfinite(track.value)
        self._time, value = track.time_s[known], track.value[known]
        self._stride = stride_s
        self._area = np.concatenate([[0.0], np.cumsum(np.diff(self._time) * 0.5 * (value[1:] + value[:-1]))])

    def at(self, t: float) -> float:
        """Mean height over the stride around ``t``, s; 0 for a film shorter than a stride."""
        half = 0.5 * self._stride
        if len(self._time) < 2 or self._time[-1] - self._time[0] <= 2 * half:
            return 0.0
        middle = float(np.clip(t, self._time[0] + half, self._time[-1] - half))
        ends = np.interp([middle - half, middle + half], self._time, self._area)
        return float(ends[1] - ends[0]) / self._stride


def _oscillation_of(t: _Times, track: Track, drift: _Drift | None) -> Sample:
    if t.opposite is None or drift is None:
        return t.missing(_NO_STEP)
    _, enough = track.window(t.ic, t.opposite)
    if not enough or not np.isfinite(track.at(t.ic) + track.at(t.opposite)):
        return t.missing("centre of mass not known through the step")
    slope = (drift.at(t.opposite) - drift.at(t.ic)) / (t.opposite - t.ic)
    level = Track(track.time_s, track.value - slope * (track.time_s - t.ic), track.sigma, track.points)
    top, _, sigma_top = level.peak(t.ic, t.opposite, inside=False)
    negative, _, sigma_low = level.scaled(-1.0).peak(t.ic, t.opposite, inside=False)
    return Sample(
        t.stance.side, t.stance.index, t.ic, top + negative, float(np.hypot(sigma_top, sigma_low)), 0.0
    )


#: Why lengths can't be had without a scale.
NO_SCALE = "no scale: give the runner's height, a known length in the picture, or the belt speed"


def _estimates(
    times: Sequence[_Times],
    view: View,
    budget: ErrorBudget,
    body: Runner,
    speed_mps: float | None,
    values: list[StrideValue],
    measures: list[Measure],
) -> None:
    leg = None if body.height_m is None else LEG_FRACTION * body.height_m

    def model(
        tc: float, tf: float, mass: float | None, length: float | None, speed: float | None
    ) -> SpringMass:
        return spring_mass(tc, tf, mass_kg=mass, leg_length_m=length, speed_mps=speed)

    lacking = {
        "vertical_force_peak_estimated": None,
        "vertical_stiffness": None if body.mass_kg is not None else "body mass not given",
        "leg_stiffness": _leg_lack(body, speed_mps),
    }
    for key, reason in lacking.items():
        known = REGISTRY[key]
        if reason is not None:
            measures += not_measurable(known, view, reason)
            continue
        field = "force_peak_bw" if key == "vertical_force_peak_estimated" else key

        def formula(tc: float, tf: float, field: str = field) -> float:
            return float(getattr(model(tc, tf, body.mass_kg, leg, speed_mps), field))

        samples = [_estimate(t, formula) for t in times]
        typical = _typical(samples)
        relative = [MODEL_RELATIVE_SIGMA]
        if key == "leg_stiffness" and leg is not None and speed_mps is not None:
            tc, tf = _typical([_contact_time(t) for t in times]), _typical([_flight_time(t) for t in times])
            if tc > 0:
                try:
                    at = model(tc, tf, body.mass_kg, leg, speed_mps).leg_stiffness
                    longer = model(tc, tf, body.mass_kg, leg * 1.01, speed_mps).leg_stiffness
                    faster = model(tc, tf, body.mass_kg, leg, speed_mps * 1.01).leg_stiffness
                except ValueError:
                    at = longer = faster = None
                if at and longer and faster:
                    relative.append((longer / at - 1.0) / 0.01 * LEG_FRACTION_RELATIVE_SIGMA)
                    relative.append((faster / at - 1.0) / 0.01 * budget.speed_relative_sigma)
        shared = root_sum_squares([budget.systematic_for(key), typical * root_sum_squares(relative)])
        method = (
            "estimate from contact and flight time by a spring-mass model (Morin et al. 2005), "
            "level ground only"
        )
        if key == "leg_stiffness":
            method += f"; leg length {LEG_FRACTION} of height"
        _report(known, view, samples, shared, method, values, measures)


def _leg_lack(body: Runner, speed_mps: float | None) -> str | None:
    if body.mass_kg is None:
        return "body mass not given"
    if body.height_m is None:
        return "body height not given"
    return "speed not given" if speed_mps is None else None


def _estimate(t: _Times, formula: Callable[[float, float], float]) -> Sample:
    if t.to is None or t.opposite is None:
        return t.missing(_NO_STEP if t.opposite is None else _NO_TO)
    tc, tf = t.to - t.ic, t.opposite - t.to
    h = 1e-4
    try:
        value = formula(tc, tf)
        by_tc = (formula(tc + h, tf) - formula(tc - h, tf)) / (2 * h)
        by_tf = (formula(tc, tf + h) - formula(tc, tf - h)) / (2 * h)
    except ValueError:
        return t.missing("contact and flight time do not fit a spring-mass model")
    return t.sample(value, ic=-by_tc, to=by_tc - by_tf, opposite=by_tf)
