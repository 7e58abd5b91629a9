"""Published rules for contact and toe-off, in plain reference versions, to compare the event finder with.

Each works on one leg (``LegPaths``: side view, 240 Hz, leg lengths), inside the same search windows around
the foot's foremost and rearmost place against the hip, so that only the rules differ. Paths are low-passed at
20 Hz where a rule needs velocities or accelerations. The hip stands in for the sacrum, and the middle of the
foot or the toe landmark for the markers of the papers: figures here are those of the rule on landmarks, not
those of the papers.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy import signal

from midstance.gait.events_waves import ANKLE, HEEL, HIP, KNEE, RATE_HZ, TOE, LegPaths, leg_paths, leg_period, rough_marks
from midstance.gait.model import SIDES, EventKind, PlanePaths, Side
from midstance.signals.filters import butterworth_lowpass

Floats = NDArray[np.float64]

#: Search windows, s: around the foremost foot for contacts, before the rearmost foot for toe-offs.
IC_WINDOW_S = (-0.06, 0.12)
TO_WINDOW_S = (-0.20, 0.04)
SMOOTH_HZ = 20.0


@attrs.frozen(eq=False)
class RuleEvents:
    """Contacts and toe-offs by one rule, s. Empty where the rule has no say."""

    ic_s: Floats
    to_s: Floats


def _smooth(leg: LegPaths) -> Floats:
    return butterworth_lowpass(leg.xy, RATE_HZ, SMOOTH_HZ)


def _rate_of_change(x: Floats) -> Floats:
    return np.asarray(np.gradient(x, 1.0 / RATE_HZ, axis=0), dtype=np.float64)


def _parabola_peak(x: Floats, i: int) -> float:
    """Return the place of a maximum near sample i, in samples."""
    if not 0 < i < len(x) - 1:
        return float(i)
    curvature = x[i - 1] - 2 * x[i] + x[i + 1]
    return float(i) if curvature >= 0 else i + 0.5 * float((x[i - 1] - x[i + 1]) / curvature)


def _in_windows(leg: LegPaths, marks: Floats, window: tuple[float, float]) -> list[tuple[int, int]]:
    out = []
    for m in marks:
        a = round((m + window[0] - leg.time_s[0]) * RATE_HZ)
        b = round((m + window[1] - leg.time_s[0]) * RATE_HZ) + 1
        if a >= 0 and b <= len(leg.time_s):
            out.append((a, b))
    return out


def _low(height: Floats) -> NDArray[np.bool_]:
    """Tell where a point is in the lowest 35 % of its range of height."""
    low, high = np.nanpercentile(height, [1, 99])
    return np.asarray(height < low + 0.35 * (high - low), dtype=np.bool_)


def _largest(leg: LegPaths, series: Floats, windows: list[tuple[int, int]]) -> Floats:
    """Return the time of the largest peak of a series in each window (or of its largest value)."""
    times = []
    for a, b in windows:
        part = series[a:b]
        if not np.isfinite(part).all():
            continue
        peaks, _ = signal.find_peaks(part)
        i = a + int(peaks[np.argmax(part[peaks])] if len(peaks) else np.argmax(part))
        times.append(leg.time_s[0] + _parabola_peak(series, i) / RATE_HZ)
    return np.asarray(times, dtype=np.float64)


def _rising_zero(leg: LegPaths, series: Floats, windows: list[tuple[int, int]]) -> Floats:
    """Return the time of the first - → + crossing in each window."""
    times = []
    for a, b in windows:
        part = series[a:b]
        up = np.flatnonzero((part[:-1] < 0) & (part[1:] >= 0))
        if len(up):
            i = int(up[0])
            times.append(leg.time_s[a + i] + part[i] / (part[i] - part[i + 1]) / RATE_HZ)
    return np.asarray(times, dtype=np.float64)


def _windows(leg: LegPaths, period_s: float) -> tuple[list[tuple[int, int]], list[tuple[int, int]]]:
    ic = _in_windows(leg, rough_marks(leg, period_s, "foremost"), IC_WINDOW_S)
    to = _in_windows(leg, rough_marks(leg, period_s, "rearmost"), TO_WINDOW_S)
    return ic, to


def foot_against_pelvis(leg: LegPaths, period_s: float) -> RuleEvents:
    """Coordinate rule of walking: contact = heel furthest ahead of the pelvis, toe-off = toe furthest behind.

    Zeni JA, Richards JG, Higginson JS (2008), Gait Posture 27:710-714, doi 10.1016/j.gaitpost.2007.07.007
    [rule from memory]. In running the foot moves back before it lands and goes on moving back after it
    leaves, so this rule is early for contacts and late for toe-offs.
    """
    x = _smooth(leg)[..., 0]
    ic = _in_windows(leg, rough_marks(leg, period_s, "foremost"), (-0.10, 0.10))
    to = _in_windows(leg, rough_marks(leg, period_s, "rearmost"), (-0.10, 0.10))
    return RuleEvents(_largest(leg, x[:, HEEL] - x[:, HIP], ic), _largest(leg, x[:, HIP] - x[:, TOE], to))


def heel_stops_and_knee_extends(leg: LegPaths, period_s: float) -> RuleEvents:
    """Contact = heel's vertical velocity turns upward; toe-off = knee most extended in late stance.

    The two that did best of five methods in Fellin RE, Rose WC, Royer TD, Davis IS (2010), J Sci Med Sport
    13:646-650, doi 10.1016/j.jsams.2010.03.006 (there: contact 22.4-24.6 ms, toe-off 4.9-5.2 ms in absolute
    error, 3.35 m/s). The heel rule is attributed to Alton et al. 1998 and Schache et al. 2001, the knee rule
    to Dingwell et al. 2001 [from memory].
    """
    xy = _smooth(leg)
    ic, to = _windows(leg, period_s)
    thigh = xy[:, HIP] - xy[:, KNEE]
    shank = xy[:, ANKLE] - xy[:, KNEE]
    cosine = (thigh * shank).sum(axis=1) / (np.linalg.norm(thigh, axis=1) * np.linalg.norm(shank, axis=1))
    extension = np.arccos(np.clip(cosine, -1, 1))
    return RuleEvents(_rising_zero(leg, _rate_of_change(xy[:, HEEL, 1]), ic), _largest(leg, extension, to))


def foot_velocity(leg: LegPaths, period_s: float) -> RuleEvents:
    """Contact = trough of the foot centre's vertical velocity while it is low; toe-off = its peak.

    O'Connor CM, Thorpe SK, O'Malley MJ, Vaughan CL (2007), Gait Posture 25:469-474 [from memory]; made for
    walking (there: contact +16 ± 15 ms, toe-off +9 ± 15 ms [from memory]).
    """
    centre = _smooth(leg)[:, [HEEL, TOE], 1].mean(axis=1)
    velocity = _rate_of_change(centre)
    ic, to = _windows(leg, period_s)
    trough = np.where(_low(centre), -velocity, -50.0)
    return RuleEvents(_largest(leg, trough, ic), _largest(leg, velocity, to))


def acceleration_and_jerk_peaks(leg: LegPaths, period_s: float) -> RuleEvents:
    """Contact = earlier of heel's and toe's vertical acceleration peak; toe-off = toe's vertical jerk peak.

    Handsaker JC, Forrester SE, Folland JP, Black MI, Allen SJ (2016), J Biomech 49:4128-4133 (there, at 250
    Hz with markers: contact +3.1 ms, 95 % -11.8 to +18.1; toe-off +2.1 ms, -8.1 to +12.2). The paper's search
    windows are not known here; contacts are looked for once the foot moves back, so that the swing's own deceleration
    isn't taken.
    """
    acceleration = _rate_of_change(_rate_of_change(_smooth(leg)[..., 1]))
    _, to = _windows(leg, period_s)
    ic = _in_windows(leg, rough_marks(leg, period_s, "foremost"), (0.0, 0.12))
    heel, toe = (_largest(leg, acceleration[:, p], ic) for p in (HEEL, TOE))
    contact = np.minimum(heel, toe) if len(heel) == len(toe) else toe
    return RuleEvents(contact, _largest(leg, _rate_of_change(acceleration[:, TOE]), to))


def toe_acceleration_peak(leg: LegPaths, period_s: float) -> RuleEvents:
    """Toe-off = peak of the toe's vertical acceleration as it leaves its lowest place. No rule for contacts.

    De Witt JK (2010), J Biomech 43:3067-3069 [detail from memory].
    """
    acceleration = _rate_of_change(_rate_of_change(_smooth(leg)[:, TOE, 1]))
    _, to = _windows(leg, period_s)
    return RuleEvents(np.empty(0), _largest(leg, acceleration, to))


def pelvis_falls_fastest(leg: LegPaths, period_s: float) -> RuleEvents:
    """Contact = 15 ms before the pelvis moves down fastest. No rule for toe-offs.

    Milner CE, Paquette MR (2015), J Biomech 48:3502-3505 (there: an offset of 15 ms at 200 Hz).
    """
    velocity = _rate_of_change(butterworth_lowpass(leg.xy[:, HIP, 1], RATE_HZ, 12.0))
    windows = _in_windows(leg, rough_marks(leg, period_s, "foremost"), (-0.04, 0.14))
    return RuleEvents(_largest(leg, -velocity, windows) - 0.015, np.empty(0))


#: How well a source is known here: "checked" where the rule's wording was read in the paper's abstract, "from memory"
#: where it wasn't.
Status = Literal["checked", "from memory"]


@attrs.frozen
class PublishedRule:
    """One rule with its source.

    Attributes
    ----------
    name : what tables call it.
    source : authors, year, journal.
    doi : empty where not known.
    status : whether the wording of the rule was checked in the source's abstract.
    made_for : the movement it was published for.
    kinds : the events it has a say on.
    rule : (leg, stride period in s) to events.
    """

    name: str
    source: str
    doi: str
    status: Status
    made_for: Literal["walking", "running"]
    kinds: tuple[EventKind, ...]
    rule: Callable[[LegPaths, float], RuleEvents]


_BOTH: tuple[EventKind, EventKind] = ("initial_contact", "toe_off")
PUBLISHED: tuple[PublishedRule, ...] = (
    PublishedRule(
        "foot against pelvis",
        "Zeni JA, Richards JG, Higginson JS 2008, Gait Posture 27:710-714",
        "10.1016/j.gaitpost.2007.07.007",
        "from memory",
        "walking",
        _BOTH,
        foot_against_pelvis,
    ),
    PublishedRule(
        "heel stops / knee extends",
        "Fellin RE, Rose WC, Royer TD, Davis IS 2010, J Sci Med Sport 13:646-650",
        "10.1016/j.jsams.2010.03.006",
        "checked",
        "running",
        _BOTH,
        heel_stops_and_knee_extends,
    ),
    PublishedRule(
        "foot velocity",
        "O'Connor CM, Thorpe SK, O'Malley MJ, Vaughan CL 2007, Gait Posture 25:469-474",
        "",
        "from memory",
        "walking",
        _BOTH,
        foot_velocity,
    ),
    PublishedRule(
        "acceleration and jerk peaks",
        "Handsaker JC, Forrester SE, Folland JP, Black MI, Allen SJ 2016, J Biomech 49:4128-4133",
        "",
        "checked",
        "running",
        _BOTH,
        acceleration_and_jerk_peaks,
    ),
    PublishedRule(
        "toe acceleration peak",
        "De Witt JK 2010, J Biomech 43:3067-3069",
        "",
        "checked",
        "running",
        ("toe_off",),
        toe_acceleration_peak,
    ),
    PublishedRule(
        "pelvis falls fastest",
        "Milner CE, Paquette MR 2015, J Biomech 48:3502-3505",
        "",
        "checked",
        "running",
        ("initial_contact",),
        pelvis_falls_fastest,
    ),
)
#: Every rule by the name tables use.
RULES: dict[str, Callable[[LegPaths, float], RuleEvents]] = {p.name: p.rule for p in PUBLISHED}


def published_events(plane: PlanePaths) -> dict[str, dict[tuple[Side, EventKind], Floats]]:
    """Find the events of both feet by every published rule.

    Parameters
    ----------
    plane : PlanePaths
        A side view.

    Returns
    -------
    dict
        By the rule's name (see ``PUBLISHED`` for its source), then by side and kind: times in s, in order. Only kinds on
        which the rule has a say; empty where a leg shows no running.
    """
    out: dict[str, dict[tuple[Side, EventKind], Floats]] = {p.name: {} for p in PUBLISHED}
    for side in SIDES:
        leg = leg_paths(plane, side)
        period = None if leg is None else leg_period(leg, "side")
        for p in PUBLISHED:
            got = None if leg is None or period is None else p.rule(leg, period.period_s)
            for kind in p.kinds:
                times = np.empty(0) if got is None else got.ic_s if kind == "initial_contact" else got.to_s
                out[p.name][side, kind] = np.sort(times)
    return out
