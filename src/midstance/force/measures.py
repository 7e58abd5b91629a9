"""From contacts to measures with 95 % intervals, in the way of the films' measures (``gait.uncertainty``)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import attrs
import numpy as np

from midstance.force.bandwidth import Bandwidth
from midstance.force.cop import PLACE_SIGMA_M, InFoot, excursion_across_travel
from midstance.force.impact import NO_PEAK, STAND_IN_SHARE
from midstance.force.model import Contact, ForceSettings
from midstance.force.registry import FORCE_REGISTRY, VIEW
from midstance.force.sides import LONGEST_FLIGHT_S
from midstance.force.stance import FORCE_HZ, IMPACT_HZ, STRIKE_SHARE
from midstance.gait.model import SIDES, Measure, Side, StrideValue
from midstance.gait.registry import MeasureInfo
from midstance.gait.uncertainty import (
    Sample,
    interval_half_width,
    missing,
    not_measurable,
    root_sum_squares,
    side_mean,
    stride_values,
    summarise,
)

#: 1-SD relative errors that all contacts share: the platform's calibration, and body weight from a scale or from the mean
#: force. Engineering choices.
CALIBRATION_SIGMA, WEIGHT_SIGMA = 0.01, 0.01
#: Relative error of the sampling clock.
CLOCK_SIGMA = 1e-4
#: 1-SD error of a vertical axis that isn't quite vertical, rad: it tips vertical force into the fore-aft one.
TILT_SIGMA = 0.003
#: Share of contacts with a distinct impact peak from which loading rates are taken up to it.
MOST_HAVE_PEAK = 0.5


@attrs.frozen(eq=False)
class Steps:
    """Each contact with what follows it: start of the next contact (other foot) and of the next but one (same foot)."""

    contact: Contact
    opposite: Contact | None
    following: Contact | None


def pair_steps(contacts: Sequence[Contact]) -> list[Steps]:
    """Pair contacts with their followers; a gap too long for a flight ends the run of steps.

    Excluded contacts still count as steps (they happened), unless something of their time is doubtful: then neither the
    steps before nor after them are timed.
    """
    out = []
    for i, c in enumerate(contacts):
        nxt = contacts[i + 1] if i + 1 < len(contacts) else None
        if nxt is not None and (not 0 < nxt.on_s - c.off_s + 0.06 <= LONGEST_FLIGHT_S + 0.06 or _doubtful(nxt)):
            nxt = None
        if nxt is not None and c.side is not None and nxt.side == c.side:
            nxt = None
        after = contacts[i + 2] if nxt is not None and i + 2 < len(contacts) else None
        if after is not None and nxt is not None:
            if after.on_s - nxt.off_s > LONGEST_FLIGHT_S or _doubtful(after) or after.side not in (c.side, None):
                after = None
        out.append(Steps(c, nxt, after))
    return out


def _doubtful(contact: Contact) -> bool:
    return contact.excluded is not None and "edge" not in contact.excluded and "saturated" not in contact.excluded


@attrs.frozen(eq=False)
class _Way:
    """How one measure comes from a contact: a function to (value, random 1-SD error) or a reason, and the errors shared."""

    key: str
    method: str
    sample: Callable[[Steps], tuple[float, float] | str]
    relative: float = 0.0
    absolute: float = 0.0


def measure_all(
    contacts: Sequence[Contact],
    *,
    weight_n: float | None,
    weight_source: str,
    bandwidth: Bandwidth,
    settings: ForceSettings,
    in_feet: Mapping[int, InFoot | str],
    front_is: str | None,
    foot_length_m: float | None,
    from_path_sigma: float | None,
    weight_is_mean: bool,
    missing_fore_aft: str | None,
    wider: float = 0.0,
) -> tuple[list[StrideValue], list[Measure]]:
    """Measures of all contacts that aren't excluded.

    Parameters
    ----------
    contacts : in time order; ``side`` None throughout where the feet can't be told apart: then only "both" is given.
    weight_n : body weight, N; None makes forces not measurable.
    in_feet : by contact index, the path in the foot's axes or why there is none.
    front_is : what the front of the foot was, None without feet.
    foot_length_m : mean length from heel to that front, m.
    from_path_sigma : where ``in_feet`` was told from the centre of pressure alone, the 1-SD error of its strike index;
        else None.
    weight_is_mean : weight comes from the same platform, so its calibration cancels in body weights.
    missing_fore_aft : why there is no fore-aft force, None where there is.
    wider : further relative error of forces, from the weight check.
    """
    steps = [s for s in pair_steps(contacts) if s.contact.excluded is None]
    relative = root_sum_squares([WEIGHT_SIGMA, 0.0 if weight_is_mean else CALIBRATION_SIGMA, wider])
    ways = [*_time_ways(settings), *_force_ways(weight_n, relative, missing_fore_aft, settings)]
    ways += _impact_ways(steps, weight_n, relative, bandwidth, settings)
    ways += _cop_ways(in_feet, front_is, foot_length_m, from_path_sigma)
    values: list[StrideValue] = []
    measures: list[Measure] = []
    _cadence(steps, settings, values, measures)
    for way in ways:
        _report(way, steps, values, measures)
    if weight_n is not None:
        measures = [
            attrs.evolve(m, method=f"{m.method}; body weight: {weight_source}") if "BW" in m.unit else m for m in measures
        ]
    order = {k: i for i, k in enumerate(FORCE_REGISTRY)}
    measures.sort(key=lambda m: order[m.measure])
    return values, measures


def _report(way: _Way, steps: Sequence[Steps], values: list[StrideValue], measures: list[Measure]) -> None:
    known = FORCE_REGISTRY[way.key]
    samples: list[Sample] = []
    for s in steps:
        got = way.sample(s)
        side: Side = s.contact.side or "left"
        if isinstance(got, str):
            samples.append(missing(side, s.contact.index, s.contact.on_s, got))
        else:
            samples.append(Sample(side, s.contact.index, s.contact.on_s, got[0], got[1]))
    finish(known, steps, samples, way, values, measures)


def finish(
    known: MeasureInfo,
    steps: Sequence[Steps],
    samples: list[Sample],
    way: _Way,
    values: list[StrideValue],
    measures: list[Measure],
) -> None:
    """Turn samples into measures: of both feet alone where the feet aren't known."""
    good = [s.value for s in samples if s.usable]
    reasons = {s.reason for s in samples if s.reason}
    if not steps:
        measures += not_measurable(known, VIEW, "no usable contact", method=way.method)
        return
    if not good and len(reasons) == 1:
        measures += not_measurable(known, VIEW, reasons.pop() or "", method=way.method)
        return
    shared = root_sum_squares([way.absolute, way.relative * abs(float(np.mean(good))) if good else 0.0])
    if all(s.contact.side is not None for s in steps):
        both: dict[Side, float] = dict.fromkeys(SIDES, shared)
        values += stride_values(known, VIEW, samples, both)
        measures += summarise(known, VIEW, samples, shared=both, method=way.method)
        return
    known_sides = [(smp, st) for smp, st in zip(samples, steps, strict=True) if st.contact.side is not None]
    if known_sides:
        values += stride_values(known, VIEW, [smp for smp, _ in known_sides], dict.fromkeys(SIDES, shared))
    m = side_mean(samples, shared)
    for side in known.sides:
        if side != "both":
            measures.append(
                Measure(
                    known.key,
                    side,
                    VIEW,
                    known.unit,
                    None,
                    None,
                    None,
                    0,
                    way.method,
                    "left and right could not be told apart",
                )
            )
        elif m is None:
            reason = f"{len(good)} usable contacts of {len(samples)}, at least 2 are needed"
            measures.append(Measure(known.key, "both", VIEW, known.unit, None, None, None, len(good), way.method, reason))
        else:
            half = interval_half_width([(m.variance, m.dof)], m.shared)
            text = f"{way.method}; mean of all contacts, left and right not told apart"
            measures.append(Measure(known.key, "both", VIEW, known.unit, m.mean, m.mean - half, m.mean + half, m.n, text))


_NO_NEXT = "the next step isn't in the recording"


def _time_ways(settings: ForceSettings) -> list[_Way]:
    on = f"vertical force of {settings.threshold_n:g} N or more"

    def contact(s: Steps) -> tuple[float, float]:
        return s.contact.contact_s, float(np.hypot(s.contact.on_sigma_s, s.contact.off_sigma_s))

    def flight(s: Steps) -> tuple[float, float] | str:
        if s.opposite is None:
            return _NO_NEXT
        return s.opposite.on_s - s.contact.off_s, float(np.hypot(s.contact.off_sigma_s, s.opposite.on_sigma_s))

    def step(s: Steps) -> tuple[float, float] | str:
        if s.opposite is None:
            return _NO_NEXT
        return s.opposite.on_s - s.contact.on_s, float(np.hypot(s.contact.on_sigma_s, s.opposite.on_sigma_s))

    def stride(s: Steps) -> tuple[float, float] | str:
        if s.following is None:
            return _NO_NEXT
        return s.following.on_s - s.contact.on_s, float(np.hypot(s.contact.on_sigma_s, s.following.on_sigma_s))

    def swing(s: Steps) -> tuple[float, float] | str:
        if s.following is None:
            return _NO_NEXT
        return s.following.on_s - s.contact.off_s, float(np.hypot(s.contact.off_sigma_s, s.following.on_sigma_s))

    def duty(s: Steps) -> tuple[float, float] | str:
        if s.following is None:
            return _NO_NEXT
        period = s.following.on_s - s.contact.on_s
        return s.contact.contact_s / period, contact(s)[1] / period

    return [
        _Way("step_time", f"contact to next contact of the other foot, contact being {on}", step, CLOCK_SIGMA),
        _Way("stride_time", f"contact to next contact of the same foot, contact being {on}", stride, CLOCK_SIGMA),
        _Way("contact_time", on, contact, CLOCK_SIGMA),
        _Way("flight_time", f"end of contact to next contact of the other foot, contact being {on}", flight, CLOCK_SIGMA),
        _Way("swing_time", f"end of contact to next contact of the same foot, contact being {on}", swing, CLOCK_SIGMA),
        _Way("duty_factor", f"contact time divided by stride time, contact being {on}", duty),
    ]


def _cadence(steps: Sequence[Steps], settings: ForceSettings, values: list[StrideValue], measures: list[Measure]) -> None:
    known = FORCE_REGISTRY["cadence"]
    timed = [s for s in steps if s.opposite is not None]
    if len(timed) < 2:
        measures += not_measurable(
            known, VIEW, f"{len(timed)} steps with the next step recorded, at least 2 are needed", n=len(timed)
        )
        return
    periods = np.array([s.opposite.on_s - s.contact.on_s for s in timed if s.opposite is not None])
    value = 60.0 / float(periods.mean())
    # Left and right steps differ: pairs are free of the difference, so their spread is what the mean's error comes from.
    pairs = periods[: len(periods) // 2 * 2].reshape(-1, 2).mean(axis=1) if len(periods) >= 4 else periods
    spread = float(np.var(pairs, ddof=1)) / len(pairs) * (value / float(periods.mean())) ** 2
    half = interval_half_width([(spread, max(1.0, len(pairs) - 1.0))], value * CLOCK_SIGMA)
    method = f"60 divided by the mean step time, contact being vertical force of {settings.threshold_n:g} N or more"
    measures.append(Measure("cadence", "both", VIEW, known.unit, value, value - half, value + half, len(periods), method))
    samples = [
        Sample(
            s.contact.side or "left",
            s.contact.index,
            s.contact.on_s,
            60.0 / float(p),
            60.0 / float(p) ** 2 * s.contact.on_sigma_s,
        )
        for s, p in zip(timed, periods, strict=True)
        if s.contact.side is not None
    ]
    values += stride_values(known, VIEW, samples, dict.fromkeys(SIDES, value * CLOCK_SIGMA))


def _named(name: str, scale: float | None, lack: str) -> Callable[[Steps], tuple[float, float] | str]:
    def sample(s: Steps) -> tuple[float, float] | str:
        if scale is None:
            return lack
        c = s.contact
        if name not in c.values:
            return c.reasons.get(name, "not known in this contact")
        return c.values[name] * scale, c.sigmas.get(name, 0.0) * abs(scale)

    return sample


_NO_WEIGHT = "body weight is not known: give the body mass, or record steps in a row on a treadmill"


def _force_ways(weight_n: float | None, relative: float, no_fore_aft: str | None, settings: ForceSettings) -> list[_Way]:
    scale = None if weight_n is None else 1.0 / weight_n
    low = f"after a zero-lag low-pass at {FORCE_HZ:.0f} Hz"
    ways = [_Way("vertical_force_peak", f"largest vertical force {low}", _named("peak", scale, _NO_WEIGHT), relative)]
    for key, name in (("braking_impulse", "braking"), ("propulsive_impulse", "propulsion")):
        sample = _named(name, scale if no_fore_aft is None else None, no_fore_aft or _NO_WEIGHT)
        sign = "negative (against travel)" if name == "braking" else "positive (along travel)"
        # A vertical axis that leans tips a share of the vertical impulse (about 0.35 BW s a step) into the fore-aft one.
        ways.append(
            _Way(key, f"{sign} part of the fore-aft force over contact, {low}", sample, relative, TILT_SIGMA * 0.175)
        )
    return ways


def _impact_ways(
    steps: Sequence[Steps], weight_n: float | None, relative: float, bandwidth: Bandwidth, settings: ForceSettings
) -> list[_Way]:
    scale = None if weight_n is None else 1.0 / weight_n
    why_not_peak, why_not_rate = bandwidth.why_no_impact_peak(), bandwidth.why_no_loading_rate()
    have = sum("impact" in s.contact.values for s in steps)
    most = bool(steps) and have >= MOST_HAVE_PEAK * len(steps)
    low, high = settings.loading_between
    shares = f"{100 * low:.0f} and {100 * high:.0f} % of the {settings.loading_share_of}"
    filtered = f"after a zero-lag low-pass at {IMPACT_HZ:.0f} Hz"
    if not most and why_not_peak is None:
        why_not_peak = f"{NO_PEAK} in {len(steps) - have} of {len(steps)} contacts"
    ways = [
        _Way(
            "impact_peak",
            f"first summit within 50 ms of contact that is followed by a dip, {filtered}",
            _named("impact", None if why_not_peak else scale, why_not_peak or _NO_WEIGHT),
            relative,
        )
    ]
    name = "rise" if most else "stand_in"
    until = (
        "the impact peak" if most else f"the force at {100 * STAND_IN_SHARE:.0f} % of contact ({NO_PEAK} in most contacts)"
    )
    for key, part, what in (
        ("loading_rate_average", "average", f"mean slope between {shares}"),
        ("loading_rate_peak", "peak", "steepest slope"),
    ):
        sample = _named(f"{name}_{part}", None if why_not_rate else scale, why_not_rate or _NO_WEIGHT)
        if why_not_rate is None and most:
            sample = _or_no_peak(sample)
        ways.append(_Way(key, f"{what} on the way from contact to {until}, {filtered}", sample, relative))
    return ways


def _or_no_peak(sample: Callable[[Steps], tuple[float, float] | str]) -> Callable[[Steps], tuple[float, float] | str]:
    def wrapped(s: Steps) -> tuple[float, float] | str:
        return NO_PEAK if "impact" not in s.contact.values else sample(s)

    return wrapped


_NO_FEET = (
    "where the foot stands on the plate is not known: it takes markers of heel and toes, the film, or (from the centre of "
    "pressure alone) body height and, on a treadmill, the belt's speed"
)


def _cop_ways(
    in_feet: Mapping[int, InFoot | str], front_is: str | None, length_m: float | None, from_path_sigma: float | None
) -> list[_Way]:
    def strike(s: Steps) -> tuple[float, float] | str:
        if s.contact.first_load is None:
            return s.contact.reasons.get("strike", "the place of the first load is not known")
        got = in_feet.get(s.contact.index, _NO_FEET)
        if isinstance(got, str):
            return got
        return (got.strike_index, 0.0) if np.isfinite(got.strike_index) else "the first load lay off the foot"

    def sideways(s: Steps) -> tuple[float, float] | str:
        if s.contact.cop is None or "cop" in s.contact.reasons:
            return s.contact.reasons.get("cop", "no centre of pressure")
        got = in_feet.get(s.contact.index)
        if front_is is not None:
            if not isinstance(got, InFoot):
                return got or _NO_FEET
            x = got.excursion_m
        else:
            x = excursion_across_travel(s.contact)
        return (x, 0.0) if np.isfinite(x) else "the centre of pressure is known in too small a part of contact"

    front = "heel to toe tip" if front_is == "toes" else "heel to metatarsal heads"
    load = f"centre of pressure, weighted by load, until the force first reaches {STRIKE_SHARE:.1f} body weights"
    place = f"{load}, along the line from"
    how, sigma = f"{place} {front}", PLACE_SIGMA_M * 1.41 / (length_m or 0.25)
    if from_path_sigma is not None:
        told = "the foot's place being told from where the push-off begins (no markers, no film)"
        how = f"{place} heel to metatarsal heads, {told}"
        sigma = from_path_sigma
    across = (
        "across the foot"
        if front_is is not None
        else "across the direction of travel (the foot's own axis is not known: toeing out adds)"
    )
    return [
        _Way("strike_index", how, strike, absolute=sigma),
        _Way(
            "cop_excursion_mediolateral",
            f"range {across} from 10 to 90 % of contact",
            sideways,
            absolute=0.002 if front_is is not None else 0.006,
        ),
    ]
