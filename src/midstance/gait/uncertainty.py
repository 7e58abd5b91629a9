"""From values of strides to a film's measure with an interval that holds everything that limits it.

Errors are of three kinds, kept apart because averaging strides helps only against the first:

* *random*: new in every stride (landmark noise after filtering, the frame-to-frame part of an event's time
  error, and the runner's own variation);
* *shared*: the same in every stride (where the landmark model puts a joint, the event detector's bias, the
  scale, the camera's roll), of unknown sign, given as a 1-SD size;
* *opposed*: shared, with opposite sign on the two sides (camera roll in rear and front view; contacts of one foot
  called later than those of the other, in step times): it cancels in the mean of left and right and counts double in
  their difference.

The mean's interval combines them as in the Guide to the Expression of Uncertainty in Measurement (JCGM
100:2008, 5.1 and G.4): standard uncertainties add in squares, and the Student factor takes the
Welch-Satterthwaite degrees of freedom [formulas from memory, checked by simulated coverage in the tests].
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence

import attrs
import numpy as np
from scipy.stats import t as student_t

from midstance.gait.model import SIDES, Event, EventKind, Floats, Measure, MeasureSide, Side, StrideValue, View
from midstance.gait.registry import MeasureInfo

Z95 = 1.959964
#: Fewest strides of a leg for a mean: one stride shows nothing of the spread between strides.
MIN_STRIDES = 2
#: Share of an event's error variance that is the same in every stride, where nothing better is known.
DEFAULT_EVENT_SHARED = 0.5
#: Share of contacts' common error variance that is each foot's own: 0.27 on 14 rendered side films with known truth
#: (4.1 ms the same for both feet, 2.5 ms each foot's own).
EVENT_FOOT_SHARE = 0.27
#: Frames a second whose landmark errors are independent. On 14 rendered side films with known truth, left out of
#: the joint map one by one, values at contact scattered 1.1 to 1.7 times as much as white noise would make them at
#: 120 frames a second, and as much as it would at 60.
INDEPENDENT_HZ = 60.0
#: Below this many strides of a leg the spread between strides is taken from both legs.
FEW_STRIDES = 5
#: Autocorrelation is looked for only in runs of at least this many strides.
MIN_STRIDES_AUTOCORRELATION = 8


@attrs.frozen
class ErrorBudget:
    """What limits a film's measures. All sizes are 1 SD.

    Attributes
    ----------
    systematic : measure key to the error that is the same in every stride, in the measure's unit: where the
        landmark model puts joints, filter, event bias beyond the events' own intervals. Keys that are absent
        have none.
    scatter : measure key to the least error that is new in every stride, in the measure's unit: what the
        landmark model's joints stray by from stride to stride, too slowly for a filter to take out. A larger
        noise of the film's own counts instead. Keys that are absent have none.
    far_factor : the far leg of a side view is partly hidden: its systematic error and landmark noise are this
        much larger.
    quality_factor : multiplies landmark noise, from the film's fitness checks (>= 1).
    scale_relative_sigma : relative error of lengths in metres.
    parallax_relative_sigma : further relative error of lengths for lying off the plane the scale was taken
        in.
    roll_sigma_deg, yaw_sigma_deg : what is left of the camera's roll, and its turn away from square to the
        path.
    legs_in_depth : each leg of a side view has the scale of its own plane.
    rolling_shutter_s : time to read out one picture from top to bottom, 0 if corrected or unknown.
    picture_height_m : height of the picture in the runner's plane, metres; None without a scale.
    picture_speed_mps : speed at which the runner's body moves through the picture (0 on a treadmill).
    event_shared : share of an event's error variance that is the same in every stride of a foot (detector
        bias) rather than new in each (frame quantisation, noise): one for both kinds of event, or one each.
        ``event_shares`` takes it from what the event finder says; the default is an engineering choice.
    event_foot_share : share of that common variance that is each foot's own; the rest is the same error for both
        feet, and a step time loses it.
    noise_hz : frames a second whose landmark errors are independent of each other. At higher rates
        neighbours err alike, and more frames don't mean less noise; None takes every frame's error as its
        own.
    speed_relative_sigma : relative error of the given speed.
    rate_relative_sigma : relative error of the capture rate, hence of every time.
    """

    systematic: Mapping[str, float] = attrs.field(factory=dict)
    scatter: Mapping[str, float] = attrs.field(factory=dict)
    far_factor: float = 1.5
    quality_factor: float = 1.0
    scale_relative_sigma: float = 0.0
    parallax_relative_sigma: float = 0.0
    roll_sigma_deg: float = 0.0
    yaw_sigma_deg: float = 0.0
    legs_in_depth: bool = False
    rolling_shutter_s: float = 0.0
    picture_height_m: float | None = None
    picture_speed_mps: float = 0.0
    event_shared: float | Mapping[EventKind, float] = DEFAULT_EVENT_SHARED
    event_foot_share: float = EVENT_FOOT_SHARE
    noise_hz: float | None = INDEPENDENT_HZ
    speed_relative_sigma: float = 0.01
    rate_relative_sigma: float = 1e-4

    def __attrs_post_init__(self) -> None:
        for name in ("far_factor", "quality_factor"):
            if getattr(self, name) < 1:
                raise ValueError(
                    f"ErrorBudget.{name} multiplies noise and can't be below 1, got {getattr(self, name)}"
                )
        given = self.event_shared
        for share in given.values() if isinstance(given, Mapping) else (given,):
            if not 0 <= share <= 1:
                raise ValueError(f"ErrorBudget.event_shared is a share from 0 to 1, got {share}")
        if not 0 <= self.event_foot_share <= 1:
            raise ValueError(
                f"ErrorBudget.event_foot_share is a share from 0 to 1, got {self.event_foot_share}"
            )
        if self.noise_hz is not None and not self.noise_hz > 0:
            raise ValueError(f"ErrorBudget.noise_hz is a rate above 0, got {self.noise_hz}")

    def systematic_for(self, key: str, *, far: bool = False) -> float:
        """Return the 1-SD systematic error of a measure, in its unit."""
        return float(self.systematic.get(key, 0.0)) * (self.far_factor if far else 1.0)

    def scatter_for(self, key: str, *, far: bool = False) -> float:
        """Return the least 1-SD error of a measure that is new in every stride, in its unit."""
        return float(self.scatter.get(key, 0.0)) * (self.far_factor if far else 1.0)

    def split_event(self, sigma_s: float, kind: EventKind = "initial_contact") -> tuple[float, float]:
        """Split an event's 1-SD time error into its random and its shared part, s."""
        given = self.event_shared
        share = given.get(kind, DEFAULT_EVENT_SHARED) if isinstance(given, Mapping) else given
        return sigma_s * float(np.sqrt(1 - share)), sigma_s * float(np.sqrt(share))

    def noise_factor(self, rate_hz: float) -> float:
        """How much larger noise is, after averaging frames, than if every frame's were its own (>= 1)."""
        return 1.0 if self.noise_hz is None else float(np.sqrt(max(1.0, rate_hz / self.noise_hz)))

    @property
    def length_relative_sigma(self) -> float:
        """Relative 1-SD error of a length in metres."""
        return float(np.hypot(self.scale_relative_sigma, self.parallax_relative_sigma))

    @property
    def upright_sigma_deg(self) -> float:
        """1-SD error, degrees, of every angle from the vertical: camera roll and rolling shutter.

        A body moving at v through rows read over T leans by atan(v T / H), H the picture's height in metres;
        its sign depends on the phone, so half of it is taken as 1 SD.
        """
        shutter = 0.0
        if self.picture_height_m:
            shear = self.picture_speed_mps * self.rolling_shutter_s / self.picture_height_m
            shutter = 0.5 * float(np.degrees(np.arctan(shear)))
        return float(np.hypot(self.roll_sigma_deg, shutter))


def event_shares(
    events: Sequence[Event], shared_sigma_s: Mapping[tuple[Side, EventKind], float]
) -> dict[EventKind, float]:
    """Return the share of events' error variance that all strides of a foot have in common, for each kind.

    Parameters
    ----------
    events : of one film.
    shared_sigma_s : by foot and kind, the 1-SD error that all its events share, s, as in ``EventReport``.
    """
    out: dict[EventKind, float] = {}
    kinds: tuple[EventKind, EventKind] = ("initial_contact", "toe_off")
    for kind in kinds:
        shares = []
        for side in SIDES:
            own = [e.sigma_s for e in events if e.kind == kind and e.side == side]
            if own and (side, kind) in shared_sigma_s:
                typical = float(np.median(own))
                if typical > 0:
                    shares.append(min(1.0, (shared_sigma_s[side, kind] / typical) ** 2))
        if shares:
            out[kind] = float(np.mean(shares))
    return out


def root_sum_squares(parts: Iterable[float]) -> float:
    """Combine independent 1-SD errors."""
    return float(np.sqrt(sum(float(p) ** 2 for p in parts)))


@attrs.frozen
class Sample:
    """One stride's value of a measure, or the reason it has none (then ``value`` is NaN).

    ``random``, ``shared`` and ``opposed`` are 1-SD errors in the measure's unit that this stride adds: landmark noise,
    and the event's time error times the rate of change.
    """

    side: Side
    stride: int
    time_s: float
    value: float
    random: float = 0.0
    shared: float = 0.0
    reason: str | None = None
    opposed: float = 0.0

    @property
    def usable(self) -> bool:
        """True when there is a finite value."""
        return bool(np.isfinite(self.value))


def at_least(sample: Sample, random: float) -> Sample:
    """Return the sample with a random 1-SD error of at least this size."""
    return attrs.evolve(sample, random=max(sample.random, random))


def missing(side: Side, stride: int, time_s: float, reason: str) -> Sample:
    """Return the sample of a stride that has no value."""
    return Sample(side, stride, time_s, float("nan"), reason=reason)


def effective_n(values: Sequence[float] | Floats) -> float:
    """Number of independent strides that a run of strides is worth.

    n (1 - r) / (1 + r) for a first-order autoregressive series, r the lag-one autocorrelation with its
    small-sample bias taken out, (r + 1/n) / (1 - 4/n) [Kendall's correction, from memory]. Only a positive r
    that stands out from chance (r above 1 / sqrt(n)) counts, so that independent strides aren't punished; n
    at most, 2 at least. Below ``MIN_STRIDES_AUTOCORRELATION`` strides nothing can be told and n is returned.
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    if n < MIN_STRIDES_AUTOCORRELATION:
        return float(n)
    d = x - x.mean()
    power = float(d @ d)
    if power <= 1e-24 * max(1.0, float(np.abs(x).max()) ** 2):
        return float(n)
    r = float(d[1:] @ d[:-1]) / power
    if r + 1.0 / n <= 1.0 / np.sqrt(n):
        return float(n)
    r = min(max((r + 1.0 / n) / (1.0 - 4.0 / n), 0.0), 0.9)
    return float(np.clip(n * (1 - r) / (1 + r), 2.0, n))


@attrs.frozen
class SideMean:
    """Mean of one side's strides: ``variance`` of the mean from random errors alone, with its degrees of
    freedom.
    """

    n: int
    mean: float
    variance: float
    dof: float
    shared: float
    opposed: float = 0.0
    pooled: bool = False


def side_mean(
    samples: Sequence[Sample], systematic: float = 0.0, other: Sequence[Sample] = ()
) -> SideMean | None:
    """Mean of the usable samples of one side, or None with fewer than ``MIN_STRIDES``.

    With fewer than ``FEW_STRIDES`` the spread between strides is that of both sides together, each about its own mean
    (``other`` are the other side's samples): two or three strides of one leg tell next to nothing of it.

    The spread between strides holds both the runner's variation and the random measurement error; where
    chance makes it smaller than the measurement error alone could, the latter is taken.
    """
    good = [s for s in samples if s.usable]
    n = len(good)
    if n < MIN_STRIDES:
        return None
    x = np.array([s.value for s in good])
    n_eff = effective_n(x)
    spread = float(x.var(ddof=1)) / n_eff
    noise = float(np.mean([s.random**2 for s in good])) / n
    shared = root_sum_squares([systematic, float(np.mean([s.shared for s in good]))])
    opposed = float(np.mean([s.opposed for s in good]))
    y = np.array([s.value for s in other if s.usable])
    if n < FEW_STRIDES and len(y) >= MIN_STRIDES:
        both = n + len(y) - 2
        pooled = float(((x - x.mean()) ** 2).sum() + ((y - y.mean()) ** 2).sum()) / both / n
        return SideMean(n, float(x.mean()), max(pooled, noise), float(both), shared, opposed, pooled=True)
    # n strides still tell more of the spread than n_eff independent ones would: half of n - 1 at least, or a
    # chance run of alike strides would blow up the interval tenfold.
    dof = max(n_eff - 1.0, 0.5 * (n - 1.0), 1.0)
    return SideMean(n, float(x.mean()), max(spread, noise), dof, shared, opposed)


def interval_half_width(random: Sequence[tuple[float, float]], shared: float) -> float:
    """Half of a 95 % interval from random parts (variance, degrees of freedom) and a shared 1-SD error.

    With fewer than three degrees of freedom in the random parts these are widened on their own before the
    shared error joins: the Welch-Satterthwaite formula would be a little too narrow there.
    """
    variance = sum(v for v, _ in random)
    spread = sum(v**2 / dof for v, dof in random)
    if spread <= 0:
        return Z95 * shared
    dof = variance**2 / spread
    if dof < 3:
        return float(np.sqrt(student_t.ppf(0.975, dof) ** 2 * variance + (Z95 * shared) ** 2))
    total = variance + shared**2
    return float(student_t.ppf(0.975, min(total**2 / spread, 1e9)) * np.sqrt(total))


def stride_values(
    info: MeasureInfo, view: View, samples: Sequence[Sample], shared: Mapping[Side, float]
) -> list[StrideValue]:
    """Values of the single strides with intervals of measurement error only; strides without a value are left
    out.
    """
    out = []
    for s in samples:
        if s.usable:
            half = Z95 * root_sum_squares([s.random, s.shared, s.opposed, shared.get(s.side, 0.0)])
            out.append(
                StrideValue(
                    info.key,
                    s.side,
                    view,
                    info.unit,
                    s.stride,
                    s.time_s,
                    s.value,
                    s.value - half,
                    s.value + half,
                )
            )
    return out


def not_measurable(
    info: MeasureInfo, view: View, reason: str, *, method: str = "", n: int = 0
) -> list[Measure]:
    """Return the measure for each of its sides, without a value and with one reason."""
    return [
        Measure(info.key, side, view, info.unit, None, None, None, n, method, reason) for side in info.sides
    ]


def _no_mean_reason(side: Side, samples: Sequence[Sample]) -> str:
    if not samples:
        return f"no usable {side} strides"
    n_good = sum(s.usable for s in samples)
    reasons = Counter(s.reason for s in samples if s.reason)
    plural = "" if n_good == 1 else "s"
    text = f"{n_good} usable {side} stride{plural} of {len(samples)}, at least {MIN_STRIDES} are needed"
    if reasons:
        reason, count = reasons.most_common(1)[0]
        text += f"; {reason} in {count}"
    return text


def summarise(
    info: MeasureInfo,
    view: View,
    samples: Sequence[Sample],
    *,
    shared: Mapping[Side, float],
    opposed: float = 0.0,
    method: str,
    side_notes: Mapping[Side, str] | None = None,
) -> list[Measure]:
    """Mean and 95 % interval of each side and of both, or why not.

    Parameters
    ----------
    shared : 1-SD error common to all strides of a side, in the measure's unit. Those of the two sides are
        taken as the same error when left and right are averaged, so that averaging sides never shrinks it.
    opposed : 1-SD error of opposite sign on the two sides, beside that of the samples.
    method : how it was measured; the number of strides left out is added.
    side_notes : added to the method of one side, such as "far leg".

    Notes
    -----
    "both" is the mean of left and right, each weighted the same however many strides it has, and needs both.
    """
    notes = side_notes or {}
    by_side: dict[Side, list[Sample]] = {side: [s for s in samples if s.side == side] for side in SIDES}
    others: dict[Side, Side] = {"left": "right", "right": "left"}
    means = {side: side_mean(by_side[side], shared.get(side, 0.0), by_side[others[side]]) for side in SIDES}
    out: list[Measure] = []
    for side in SIDES:
        m = means[side]
        text = _method_text(method, by_side[side], notes.get(side, ""))
        if m is None:
            n = sum(s.usable for s in by_side[side])
            out.append(_without(info, side, view, n, text, _no_mean_reason(side, by_side[side])))
        else:
            half = interval_half_width([(m.variance, m.dof)], root_sum_squares([m.shared, m.opposed, opposed]))
            out.append(_with(info, side, view, m.mean, half, m.n, text))
    text = _method_text(method, samples, "; ".join(f"{s}: {notes[s]}" for s in SIDES if notes.get(s)))
    left, right = means["left"], means["right"]
    if left is None or right is None:
        lacking = " and ".join(s for s in SIDES if means[s] is None)
        n = sum(s.usable for s in samples)
        out.append(
            _without(
                info, "both", view, n, text, f"{lacking} not measurable, so there is no mean of both sides"
            )
        )
    else:
        parts = [(left.variance / 4, left.dof), (right.variance / 4, right.dof)]
        if left.pooled or right.pooled:  # one estimate of the spread serves both, so it is not two that agree
            parts = [(0.25 * (left.variance + right.variance), min(left.dof, right.dof))]
        half = interval_half_width(parts, 0.5 * (left.shared + right.shared))
        mean = 0.5 * (left.mean + right.mean)
        out.append(_with(info, "both", view, mean, half, left.n + right.n, f"{text}; mean of left and right"))
    return [m for m in out if m.side in info.sides]


def _method_text(method: str, samples: Sequence[Sample], note: str) -> str:
    lost = sum(not s.usable for s in samples)
    parts = [method]
    if note:
        parts.append(note)
    if lost:
        parts.append(f"{lost} of {len(samples)} strides without a value left out")
    return "; ".join(parts)


def _with(
    info: MeasureInfo, side: MeasureSide, view: View, mean: float, half: float, n: int, method: str
) -> Measure:
    limit = info.useful_half_width
    if not (np.isfinite(mean) and np.isfinite(half)):
        return _without(info, side, view, n, method, "the strides gave no finite mean")
    if limit is not None and half > limit:
        unit = info.unit
        reason = f"the 95 % interval is ±{half:.1f} {unit}, too wide to be of use (limit ±{limit:g} {unit})"
        return _without(info, side, view, n, method, reason)
    return Measure(info.key, side, view, info.unit, mean, mean - half, mean + half, n, method)


def _without(info: MeasureInfo, side: MeasureSide, view: View, n: int, method: str, reason: str) -> Measure:
    return Measure(info.key, side, view, info.unit, None, None, None, n, method, reason)
