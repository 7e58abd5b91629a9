"""The fitted part of event finding: small linear maps from aligned waves to times, and what they are worth.

For each view and kind of event the coefficient file holds

* where to look: the rough mark and the usual time from the mark to the event;
* *locators*, in pairs: weighted sums of the mean wave around the present guess that say how far the guess is
  off. The first of a pair brings guesses that are tens of milliseconds off near, the second finishes. The
  *fine* pair reads accelerations and vertical velocities of ankle, heel and toe; the *plain* pair
  heights and velocities, and is fitted to landmarks read from films too;
* one *deviation map*: a weighted sum of a single stride's velocities minus the mean wave's, for what this
  stride's event differs from the average one;
* how legs usually move around the event, so that a leg that moves unlike all those in the fit is recognised.
  For such a leg the fine pair means nothing, and the plain pair takes over, with wider intervals;
* variance terms, from errors on runners left out of the fit.

Nothing depends on where the runner is in the picture, on belt or ground speed or on a steadily moving camera:
positions count from the same point's height in stance, velocities from its velocity in stance.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from midstance.gait.events_waves import OFFSETS_S, RATE_HZ, Mark, StrideWaves
from midstance.gait.model import EventKind, View

Floats = NDArray[np.float64]
Quantity = Literal["position", "velocity", "acceleration"]
Reader = Callable[[Quantity, Floats], Floats]

#: Instants around the event that the deviation map looks at, s.
DEVIATION_TAUS_S: Floats = np.arange(-6, 7, dtype=np.float64) * 0.0125
#: The deviation of one stride from the others is believed up to this, s.
LARGEST_DEVIATION_S = 0.025
#: A locator moves a guess by no more than this at once, s, and no further from the start than the second
#: value.
LARGEST_MOVE_S, LARGEST_TOTAL_S = 0.04, 0.10
#: Passes of each locator.
PASSES = 3
#: Strangeness over which the plain locator takes over. The strangest leg among the runners left out of the
#: fit had 1.12.
STRANGE_BAND = 0.25
#: Angular frequency of the main movement of a foot around its events, rad/s: 3 Hz.
ODD_STRIDE_RAD_PER_S = 2.0 * np.pi * 3.0
#: Where in stance positions and velocities count from, s from the event.
STANCE_S: dict[EventKind, float] = {"initial_contact": 0.07, "toe_off": -0.09}
#: Instants over which a value in stance is averaged, s.
_NEAR_S: Floats = np.arange(-2, 3, dtype=np.float64) * 0.006
COEFFICIENT_FILE = "events_coefficients.json"

HIP_X, HIP_Y, KNEE_Y, ANKLE_X, ANKLE_Y, HEEL_X, HEEL_Y, TOE_X, TOE_Y = 0, 1, 3, 4, 5, 6, 7, 8, 9
#: Factors that bring the quantities (leg lengths, s) to like sizes before the ridge penalty.
_UNIT: dict[Quantity, float] = {"position": 100.0, "velocity": 10.0, "acceleration": 1.0}


@attrs.frozen
class FeatureSet:
    """Which channels of which quantities a map reads, at which instants around the guess."""

    parts: tuple[tuple[Quantity, tuple[int, ...]], ...]
    half_width_s: float
    n: int = 9

    @property
    def taus_s(self) -> Floats:
        """Instants around the guess, s."""
        return np.linspace(-self.half_width_s, self.half_width_s, self.n)

    def read(self, reader: Reader, at_s: float, kind: EventKind) -> Floats:
        """Return the features around ``at_s``: (..., p)."""
        stance_s = at_s + STANCE_S[kind] + _NEAR_S
        out = []
        for quantity, channels in self.parts:
            values = reader(quantity, at_s + self.taus_s)[..., list(channels)]
            if quantity != "acceleration":
                values = values - reader(quantity, stance_s)[..., list(channels)].mean(axis=-2, keepdims=True)
            out.append(_UNIT[quantity] * values.reshape(*values.shape[:-2], -1))
        return np.concatenate(out, axis=-1)


_FOOT_XY = (ANKLE_X, ANKLE_Y, HEEL_X, HEEL_Y, TOE_X, TOE_Y)
_FOOT_Y = (ANKLE_Y, HEEL_Y, TOE_Y)
_FOOT_X = (ANKLE_X, HEEL_X, TOE_X)
_SOLE_Y = (HEEL_Y, TOE_Y)
_ALL_Y = (HIP_Y, KNEE_Y, *_FOOT_Y)

FINE: dict[tuple[View, EventKind], FeatureSet] = {
    ("side", "initial_contact"): FeatureSet((("velocity", _FOOT_Y), ("acceleration", _FOOT_XY)), 0.040),
    ("side", "toe_off"): FeatureSet((("velocity", _FOOT_Y), ("acceleration", _FOOT_X)), 0.040),
    ("rear", "initial_contact"): FeatureSet((("velocity", _FOOT_Y), ("acceleration", _ALL_Y)), 0.040),
    ("rear", "toe_off"): FeatureSet((("velocity", _FOOT_Y), ("acceleration", _ALL_Y)), 0.040),
    ("front", "initial_contact"): FeatureSet((("velocity", _FOOT_Y), ("acceleration", _ALL_Y)), 0.040),
    ("front", "toe_off"): FeatureSet((("velocity", _FOOT_Y), ("acceleration", _ALL_Y)), 0.040),
}
#: Heights and vertical velocities of all points of the leg: what the foot's own points leave open on landmarks of a film,
#: where a foot is placed worse than a knee, these settle. Toe-off from behind also shows in how the foot moves sideways.
_HEIGHTS = FeatureSet((("position", _ALL_Y), ("velocity", _ALL_Y)), 0.100, 11)
_HEIGHTS_SHORT = FeatureSet((("position", _ALL_Y), ("velocity", _ALL_Y)), 0.060)
#: A contact from the side is read off the foot alone: its height, and how all of it moves.
_FOOT = FeatureSet((("position", _FOOT_Y), ("velocity", _FOOT_XY)), 0.060)
_REAR_TOE_OFF = FeatureSet((("position", _FOOT_Y), ("velocity", tuple(range(10)))), 0.080)
PLAIN: dict[tuple[View, EventKind], FeatureSet] = {
    ("side", "initial_contact"): _FOOT,
    ("side", "toe_off"): _HEIGHTS_SHORT,
    ("rear", "initial_contact"): _HEIGHTS,
    ("rear", "toe_off"): _REAR_TOE_OFF,
    ("front", "initial_contact"): _HEIGHTS,
    ("front", "toe_off"): _HEIGHTS,
}
#: What strangeness is judged by: all points, since a leg is only like the others when hip and knee are too. From
#: behind and from the front sideways movement says nothing about contact.
WHOLE_LEG: dict[View, FeatureSet] = {
    "side": FeatureSet((("velocity", tuple(range(10))),), 0.040, 5),
    "rear": FeatureSet((("velocity", _ALL_Y),), 0.040, 9),
    "front": FeatureSet((("velocity", _ALL_Y),), 0.040, 9),
}


@attrs.frozen(eq=False)
class LinearMap:
    """y = intercept + sum(weight · (x − mean) / scale), with y in seconds."""

    mean: Floats
    scale: Floats
    weight: Floats
    intercept: float

    def __call__(self, x: Floats) -> Floats:
        """Map (..., p) features to (...) seconds."""
        return np.asarray((x - self.mean) / self.scale @ self.weight + self.intercept, dtype=np.float64)

    def to_dict(self) -> dict[str, Any]:
        """Return plain lists, rounded to six figures."""
        lists = {k: _rounded(getattr(self, k)) for k in ("mean", "scale", "weight")}
        return {**lists, "intercept": float(f"{self.intercept:.6g}")}

    @staticmethod
    def from_dict(d: dict[str, Any]) -> LinearMap:
        """Undo ``to_dict``."""
        mean, scale, weight = (np.asarray(d[k], dtype=np.float64) for k in ("mean", "scale", "weight"))
        return LinearMap(mean, scale, weight, float(d["intercept"]))


@attrs.frozen(eq=False)
class Usual:
    """How legs usually move around the event: mean, scale and damped whitening of ``WHOLE_LEG`` features.

    ``limit`` is the 99th percentile of the strangeness of runners left out of the fit.
    """

    mean: Floats
    scale: Floats
    whiten: Floats
    limit: float

    def strangeness(self, x: Floats) -> float:
        """Return the distance of (p,) features from the usual, in units of ``limit``."""
        z = self.whiten @ ((x - self.mean) / self.scale)
        return float(np.sqrt(np.mean(z**2)) / self.limit)

    def to_dict(self) -> dict[str, Any]:
        """Return plain lists."""
        lower = self.whiten[np.tril_indices(len(self.mean))]
        lists = {"mean": _rounded(self.mean), "scale": _rounded(self.scale), "whiten": _rounded(lower, 4)}
        return {**lists, "limit": self.limit}

    @staticmethod
    def from_dict(d: dict[str, Any]) -> Usual:
        """Undo ``to_dict``."""
        mean = np.asarray(d["mean"], dtype=np.float64)
        whiten = np.zeros((len(mean), len(mean)))
        whiten[np.tril_indices(len(mean))] = d["whiten"]
        return Usual(mean, np.asarray(d["scale"], dtype=np.float64), whiten, float(d["limit"]))


Variance = tuple[float, float, float, float]


@attrs.frozen(eq=False)
class Locator:
    """A pair of linear maps with the features they read, and the variance of single events read with it.

    ``variance`` holds (c0, c1, c2, c3): variance = c0 + c1 · roughness² + c2 · standard error² + c3 · slowness², s².
    """

    features: FeatureSet
    maps: tuple[LinearMap, ...]
    variance: Variance

    def find(self, reader: Reader, kind: EventKind, start_s: float = 0.0) -> float | None:
        """Return the offset where the maps come to rest, s, or None when they run away."""
        at_s = start_s
        for linear in self.maps:
            for _ in range(PASSES):
                move = float(linear(self.features.read(reader, at_s, kind)))
                at_s += float(np.clip(move, -LARGEST_MOVE_S, LARGEST_MOVE_S))
                if not abs(at_s - start_s) <= LARGEST_TOTAL_S:
                    return None
        return at_s

    def sigma(self, roughness: float, error_s: float, slow: float) -> float:
        """Return the 1-SD error of an event, s."""
        c0, c1, c2, c3 = self.variance
        return float(np.sqrt(c0 + c1 * roughness**2 + c2 * error_s**2 + c3 * slow**2))


@attrs.frozen(eq=False)
class KindModel:
    """All that is fitted for one view and kind of event.

    ``own_sigma_s`` is the part of an event's error that it doesn't share with the other strides of its leg, s.
    """

    view: View
    mark: Mark
    offset_s: float
    acceleration_hz: float
    fine: Locator
    deviation: LinearMap
    own_sigma_s: float
    plain: Locator
    usual: Usual

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for the coefficient file."""

        def locator(x: Locator) -> dict[str, Any]:
            return {"maps": [m.to_dict() for m in x.maps], "variance": [float(f"{v:.6g}") for v in x.variance]}

        return {
            "mark": self.mark,
            "offset_s": float(f"{self.offset_s:.6g}"),
            "acceleration_hz": self.acceleration_hz,
            "fine": locator(self.fine),
            "deviation": self.deviation.to_dict(),
            "own_sigma_s": float(f"{self.own_sigma_s:.4g}"),
            "plain": locator(self.plain),
            "usual": self.usual.to_dict(),
        }

    @staticmethod
    def from_dict(d: dict[str, Any], view: View, kind: EventKind) -> KindModel:
        """Undo ``to_dict``."""

        def locator(x: dict[str, Any], features: FeatureSet) -> Locator:
            c0, c1, c2, c3 = (float(v) for v in x["variance"])
            return Locator(features, tuple(LinearMap.from_dict(m) for m in x["maps"]), (c0, c1, c2, c3))

        return KindModel(
            view,
            d["mark"],
            float(d["offset_s"]),
            float(d["acceleration_hz"]),
            locator(d["fine"], FINE[view, kind]),
            LinearMap.from_dict(d["deviation"]),
            float(d["own_sigma_s"]),
            locator(d["plain"], PLAIN[view, kind]),
            Usual.from_dict(d["usual"]),
        )


@attrs.frozen(eq=False)
class EventModel:
    """Coefficients for every view and kind, with their provenance."""

    provenance: dict[str, Any]
    kinds: dict[tuple[View, EventKind], KindModel]

    def to_json(self) -> str:
        """Return the text of a coefficient file."""
        body = {f"{view}/{kind}": m.to_dict() for (view, kind), m in self.kinds.items()}
        text = json.dumps({"provenance": self.provenance, "models": body}, ensure_ascii=False)
        return text.replace('"models":', '\n"models":').replace('"side/', '\n"side/') + "\n"

    @staticmethod
    def from_json(text: str) -> EventModel:
        """Read the text of a coefficient file."""
        data = json.loads(text)
        kinds: dict[tuple[View, EventKind], KindModel] = {}
        for key, d in data["models"].items():
            view, kind = key.split("/")
            kinds[view, kind] = KindModel.from_dict(d, view, kind)
        return EventModel(data["provenance"], kinds)


@lru_cache(maxsize=1)
def default_model() -> EventModel:
    """Return the coefficients that come with the package."""
    path = resources.files("midstance.gait").joinpath("data", COEFFICIENT_FILE)
    return EventModel.from_json(path.read_text(encoding="utf-8"))


def _rounded(values: Floats, figures: int = 6) -> list[float]:
    return [float(f"{v:.{figures}g}") for v in values]


def mean_wave(waves: StrideWaves, chosen: NDArray[np.bool_]) -> Reader | None:
    """Return a reader of the weighted mean wave of the chosen strides, or None when it has holes.

    Positions are the integral of the mean velocity (their zero is arbitrary), so that strides which lack a
    few samples don't make the mean jump.
    """
    weight = waves.weight[chosen]
    total = weight.sum(axis=0)
    inner = np.abs(OFFSETS_S) <= 0.11
    if not chosen.any() or bool((total[inner] <= 0).any()):
        return None
    total = total + 1e-12
    acceleration = (weight * np.where(weight > 0, waves.acceleration[chosen], 0.0)).sum(axis=0) / total
    velocity = (weight * np.where(weight > 0, waves.velocity[chosen], 0.0)).sum(axis=0) / total
    splines = {
        "position": CubicSpline(OFFSETS_S, np.cumsum(velocity, axis=0) / RATE_HZ, axis=0),
        "velocity": CubicSpline(OFFSETS_S, velocity, axis=0),
        "acceleration": CubicSpline(OFFSETS_S, acceleration, axis=0),
    }

    def read(quantity: Quantity, at_s: Floats) -> Floats:
        return np.asarray(splines[quantity](np.clip(at_s, OFFSETS_S[0], OFFSETS_S[-1])), dtype=np.float64)

    return read


def stride_waves_reader(waves: StrideWaves, chosen: NDArray[np.bool_]) -> Reader:
    """Return a reader of the single strides: (k, m, 10)."""
    arrays = {
        "position": np.cumsum(waves.velocity[chosen], axis=1) / RATE_HZ,
        "velocity": waves.velocity[chosen],
        "acceleration": waves.acceleration[chosen],
    }

    def read(quantity: Quantity, at_s: Floats) -> Floats:
        return at_offsets(arrays[quantity], np.clip(at_s, OFFSETS_S[0], OFFSETS_S[-1]))

    return read


def at_offsets(values: Floats, at_s: Floats) -> Floats:
    """Read (k, w, c) waves at times (m,) by straight lines between samples: (k, m, c), NaN passes through."""
    position = (at_s - OFFSETS_S[0]) * RATE_HZ
    low = np.clip(np.floor(position).astype(int), 0, len(OFFSETS_S) - 2)
    share = (position - low)[None, :, None]
    return np.asarray(values[:, low] * (1 - share) + values[:, low + 1] * share, dtype=np.float64)


def deviation_features(waves: StrideWaves, chosen: NDArray[np.bool_], at_s: float) -> tuple[Floats, Floats, float]:
    """Return single strides' velocities minus the mean wave's, around the event.

    Returns
    -------
    features : (k, 130) leg lengths per s; 0 where unknown.
    known : (k,) share of the features that are known.
    roughness : RMS of the features of the chosen strides, leg lengths per s: how much strides differ, by
    nature or by
        noise.
    """
    values = at_offsets(waves.velocity, at_s + DEVIATION_TAUS_S)
    good = np.isfinite(values)
    usable = good & chosen[:, None, None]
    count = usable.sum(axis=0)
    mean = np.where(usable, values, 0.0).sum(axis=0) / np.maximum(count, 1)
    difference = np.where(good & (count > 0), values - mean, 0.0)
    known = good.mean(axis=(1, 2))
    n = int(chosen.sum())
    # With n strides the mean takes part of each stride's own difference with it.
    correction = n / max(n - 1, 1)
    square = (difference[chosen] ** 2)[usable[chosen]]
    roughness = float(np.sqrt(np.mean(square) * correction)) if square.size and n > 1 else 0.0
    return difference.reshape(len(values), -1), known, roughness


def agreement(waves: StrideWaves, chosen: NDArray[np.bool_], locator: Locator, kind: EventKind, at_s: float) -> float:
    """Return the standard error of the locator's answer over the strides, s (0.02 when there is but one)."""
    each = locator.maps[-1](locator.features.read(stride_waves_reader(waves, chosen), at_s, kind))
    each = each[np.isfinite(each)]
    if len(each) < 2:
        return 0.02
    return float(np.std(each, ddof=1) / np.sqrt(len(each)))


def slowness(reader: Reader, at_s: float, kind: EventKind, view: View) -> float:
    """Return 1 / (speed of the hip over the foot in stance)², (s per leg length)²; 0 where the view hides it.

    Slow runners load and, above all, unload their feet slowly, so the instant when force passes the threshold hangs
    less firmly on the movement.
    """
    if view != "side":
        return 0.0
    stance = reader("velocity", at_s + STANCE_S[kind] + _NEAR_S).mean(axis=-2)
    speed = stance[HIP_X] - 0.5 * (stance[HEEL_X] + stance[TOE_X])
    return float(1.0 / max(speed, 1.5) ** 2)


def odd_stride_sigma_s(fit: Floats) -> Floats:
    """Return what a stride unlike the others adds to its event's error, 1 SD in s: (k,).

    A wave of angular frequency w shifted by d correlates with itself by 1 - (w d)² / 2, so a stride that falls short of the
    others' correlation by m is as unlike them as one shifted by sqrt(2 m) / w. It is its shape that differs, and the event
    may lie anywhere in that.
    """
    short = np.maximum(np.median(1.0 - fit), 0.0)
    return np.asarray(np.sqrt(2.0 * np.maximum(1.0 - fit - short, 0.0)) / ODD_STRIDE_RAD_PER_S, dtype=np.float64)


@attrs.frozen(eq=False)
class Located:
    """Where the events lie in a set of waves.

    Attributes
    ----------
    offset_s : the common offset from each window's zero, s.
    deviation_s : (k,) what each stride adds to it, s.
    sigma_s : (k,) 1-SD error of each event, s.
    strangeness : how unlike the legs of the fit this one moves; up to 1 is usual.
    plain_share : share of the plain locator in the answer, 0 to 1.
    """

    offset_s: float
    deviation_s: Floats
    sigma_s: Floats
    strangeness: float
    plain_share: float


def locate(waves: StrideWaves, chosen: NDArray[np.bool_], model: KindModel) -> Located | None:
    """Find the event in aligned waves.

    Parameters
    ----------
    waves : StrideWaves
    chosen : (k,) the strides that make the mean wave.
    model : KindModel

    Returns
    -------
    Located or None
        None when the mean wave has holes or no locator comes to rest.
    """
    reader = mean_wave(waves, chosen)
    if reader is None:
        return None
    fine_s = model.fine.find(reader, waves.kind)
    plain_s = model.plain.find(reader, waves.kind)
    centre_s = fine_s if fine_s is not None else plain_s
    if centre_s is None:
        return None
    strangeness = model.usual.strangeness(WHOLE_LEG[model.view].read(reader, centre_s, waves.kind))
    share = 1.0 if fine_s is None else float(np.clip((strangeness - 1.0) / STRANGE_BAND, 0.0, 1.0))
    if plain_s is None:
        if share > 0.5:
            return None  # the fine reading means nothing for this leg, and the plain one found no rest
        share = 0.0
    at_s = (1 - share) * (fine_s or 0.0) + share * (plain_s or 0.0)
    features, known, roughness = deviation_features(waves, chosen, at_s)
    slow = slowness(reader, at_s, waves.kind, model.view)
    sigma_s = 0.0
    if share < 1:
        error_s = agreement(waves, chosen, model.fine, waves.kind, at_s)
        sigma_s += (1 - share) * model.fine.sigma(roughness, error_s, slow)
    if share > 0:
        # The plain reading's error was measured on landmarks of films left out, most of them as strange as this leg.
        error_s = agreement(waves, chosen, model.plain, waves.kind, at_s)
        wide = model.plain.sigma(roughness, error_s, slow)
        if model.view != "side" and fine_s is not None and plain_s is not None:
            # Few films of these views took part in the fit: half the distance of the two readings joins in.
            wide = float(np.hypot(wide, 0.5 * (fine_s - plain_s)))
        sigma_s += share * wide
    deviation = np.clip(model.deviation(features), -LARGEST_DEVIATION_S, LARGEST_DEVIATION_S)
    # What a stride doesn't show can't correct the mean: its own deviation (SD 4 ms over all runners) stays.
    sigma = np.sqrt(sigma_s**2 + (1.0 - known) * 0.004**2 + odd_stride_sigma_s(waves.fit) ** 2)
    return Located(at_s, deviation, sigma, strangeness, share)
