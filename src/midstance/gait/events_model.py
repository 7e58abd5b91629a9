"""The fitted part of event finding: small linear maps from aligned waves to times, and what they are worth.

For each view and kind of event the coefficient file holds

* where to look: the rough mark and the usual time from the mark to the event;
* two *readings* of the mean wave, each the mean of one or more *locators*. A locator is a pair of weighted sums around
  the present guess that say how far the guess is off: the first brings guesses that are tens of milliseconds off near,
  the second finishes. The locators of a reading look at different parts of the movement (the foot, the way
  thigh and shank move forward, all heights), so their errors differ and their mean is better than each. The
  *fine* reading is fitted to markers; the *plain* one to landmarks read from films too;
  Legs seen from the side that a network found have a third, *close* reading, better than the plain one on legs like
  those of the fit; a *gate* says which they are;
* one *deviation map*: a weighted sum of a single stride's velocities minus the mean wave's, for what this
  stride's event differs from the average one;
* how legs usually move around the event, so that a leg that moves unlike all those in the fit is recognised.
  For such a leg the fine reading means nothing, and the plain one takes over, with wider intervals;
* variance terms, from errors on runners left out of the fit.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib import resources
from typing import Any, Literal

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait.events_features import (
    WHOLE_LEG,
    FeatureSet,
    Floats,
    Reader,
    deviation_features,
    mean_wave,
    slowness,
    stride_waves_reader,
)
from midstance.gait.events_waves import Mark, StrideWaves
from midstance.gait.model import EventKind, View

#: Where the points of a leg come from: "markers" on the skin or shoe, or "detected" in pictures by a landmark network.
PointSource = Literal["markers", "detected"]

#: The deviation of one stride from the others is believed up to this, s.
LARGEST_DEVIATION_S = 0.025
#: A locator moves a guess by no more than this at once, s, and no further from the start than the second
#: value.
LARGEST_MOVE_S, LARGEST_TOTAL_S = 0.04, 0.10
#: Passes of each map of a locator.
PASSES = 3
#: Width of the strangeness over which the plain reading takes over where nobody said where the points come from.
STRANGE_BAND = 0.25
#: Width of the ``Gate``'s measure over which the plain reading takes over from the close one, for detected points.
GATE_BAND = 0.30
#: Angular frequency of the main movement of a foot around its events, rad/s: 3 Hz.
ODD_STRIDE_RAD_PER_S = 2.0 * np.pi * 3.0
COEFFICIENT_FILE = "events_coefficients.json"


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
        """Return plain lists, rounded to five figures."""
        lists = {k: _rounded(getattr(self, k)) for k in ("mean", "scale", "weight")}
        return {**lists, "intercept": float(f"{self.intercept:.5g}")}

    @staticmethod
    def from_dict(d: dict[str, Any]) -> LinearMap:
        """Undo ``to_dict``."""
        mean, scale, weight = (np.asarray(d[k], dtype=np.float64) for k in ("mean", "scale", "weight"))
        return LinearMap(mean, scale, weight, float(d["intercept"]))


@attrs.frozen(eq=False)
class Usual:
    """How legs usually move around the event: mean, scale and damped whitening of ``WHOLE_LEG`` features.

    ``limit`` is the strangeness up to which a leg counts as usual; from runners left out of the fit.
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


@attrs.frozen(eq=False)
class Locator:
    """A pair of linear maps with the features they read."""

    features: FeatureSet
    maps: tuple[LinearMap, ...]

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


@attrs.frozen
class Found:
    """Where a reading finds the event: offset in s, and how far its locators are apart (SD, s; 0 with one)."""

    offset_s: float
    spread_s: float


@attrs.frozen(eq=False)
class Gate:
    """Whether a leg of detected points is one that the close reading was fitted to.

    Two things tell: how far the leg's ``WHOLE_LEG`` features are from the mean of the nearest kind of leg of the fit (damped
    Mahalanobis distance, per feature), and how far the close and the plain reading are apart. ``limit`` and ``apart_s`` are
    what legs left out within known kinds show.

    Attributes
    ----------
    centres : (kinds, p) mean features of each kind of leg.
    scale : (p,) their SD within a kind.
    whiten : (p, p) lower triangle, whitens standardised features.
    limit : distance up to which a leg is like those of the fit.
    apart_s : distance of the two readings up to which they agree, s.
    """

    centres: Floats
    scale: Floats
    whiten: Floats
    limit: float
    apart_s: float

    def distance(self, x: Floats) -> float:
        """Return the distance of (p,) features from the nearest kind, SD per feature."""
        z = (x - self.centres) / self.scale @ self.whiten.T
        return float(np.sqrt(np.mean(z**2, axis=1)).min())

    def share_of_plain(self, distance: float, apart_s: float) -> float:
        """Return how much the plain reading counts, 0 to 1: the larger of the two measures decides."""
        return float(np.clip((max(distance / self.limit, abs(apart_s) / self.apart_s) - 1.0) / GATE_BAND, 0.0, 1.0))

    def to_dict(self) -> dict[str, Any]:
        """Return plain lists."""
        return {
            "centres": [_rounded(c) for c in self.centres],
            "scale": _rounded(self.scale),
            "whiten": _rounded(self.whiten[np.tril_indices(len(self.scale))], 4),
            "limit": float(f"{self.limit:.5g}"),
            "apart_s": float(f"{self.apart_s:.4g}"),
        }

    @staticmethod
    def from_dict(d: dict[str, Any]) -> Gate:
        """Undo ``to_dict``."""
        scale = np.asarray(d["scale"], dtype=np.float64)
        whiten = np.zeros((len(scale), len(scale)))
        whiten[np.tril_indices(len(scale))] = d["whiten"]
        return Gate(np.asarray(d["centres"], dtype=np.float64), scale, whiten, float(d["limit"]), float(d["apart_s"]))


Variance = tuple[float, float, float, float, float]


@attrs.frozen(eq=False)
class Reading:
    """The mean of several locators, and the variance of single events read with it.

    ``variance`` holds (c0 … c4): variance = c0 + c1 · roughness² + c2 · standard error² + c3 · slowness² + c4 · spread², s².
    ``own_sigma_s`` is the part of an event's error that it doesn't share with the other strides of its leg, s.
    """

    locators: tuple[Locator, ...]
    variance: Variance
    own_sigma_s: float

    def find(self, reader: Reader, kind: EventKind) -> Found | None:
        """Return the mean of the locators' offsets, or None when fewer than half of them come to rest."""
        each = [x for x in (one.find(reader, kind) for one in self.locators) if x is not None]
        if 2 * len(each) < len(self.locators):
            return None
        return Found(float(np.mean(each)), float(np.std(each, ddof=1)) if len(each) > 1 else 0.0)

    def standard_error_s(self, waves: StrideWaves, chosen: NDArray[np.bool_], kind: EventKind, at_s: float) -> float:
        """Return the standard error of the answer over the strides, s (0.02 when there is but one)."""
        reader = stride_waves_reader(waves, chosen)
        each = np.mean([one.maps[-1](one.features.read(reader, at_s, kind)) for one in self.locators], axis=0)
        each = each[np.isfinite(each)]
        if len(each) < 2:
            return 0.02
        return float(np.std(each, ddof=1) / np.sqrt(len(each)))

    def sigma_s(self, roughness: float, error_s: float, slow: float, spread_s: float) -> float:
        """Return the 1-SD error of an event, s."""
        terms = (1.0, roughness**2, error_s**2, slow**2, spread_s**2)
        return float(np.sqrt(sum(c * t for c, t in zip(self.variance, terms, strict=True))))

    def to_dict(self) -> dict[str, Any]:
        """Return plain values."""
        return {
            "locators": [{**x.features.to_dict(), "maps": [m.to_dict() for m in x.maps]} for x in self.locators],
            "variance": [float(f"{v:.5g}") for v in self.variance],
            "own_sigma_s": float(f"{self.own_sigma_s:.4g}"),
        }

    @staticmethod
    def from_dict(d: dict[str, Any]) -> Reading:
        """Undo ``to_dict``."""
        locators = tuple(
            Locator(FeatureSet.from_dict(x), tuple(LinearMap.from_dict(m) for m in x["maps"])) for x in d["locators"]
        )
        c0, c1, c2, c3, c4 = (float(v) for v in d["variance"])
        return Reading(locators, (c0, c1, c2, c3, c4), float(d["own_sigma_s"]))


@attrs.frozen(eq=False)
class KindModel:
    """All that is fitted for one view and kind of event.

    ``close`` and ``gate`` are for detected points from the side: a reading that is better than the plain one on legs like
    those of the fit and worse on others, and what tells them apart.
    """

    view: View
    mark: Mark
    offset_s: float
    acceleration_hz: float
    fine: Reading
    deviation: LinearMap
    plain: Reading
    usual: Usual
    close: Reading | None = None
    gate: Gate | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return plain values for the coefficient file."""
        parts = (("close", self.close), ("gate", self.gate))
        gated = {name: part.to_dict() for name, part in parts if part is not None}
        return {
            "mark": self.mark,
            "offset_s": float(f"{self.offset_s:.6g}"),
            "acceleration_hz": self.acceleration_hz,
            "fine": self.fine.to_dict(),
            "deviation": self.deviation.to_dict(),
            "plain": self.plain.to_dict(),
            "usual": self.usual.to_dict(),
            **gated,
        }

    @staticmethod
    def from_dict(d: dict[str, Any], view: View) -> KindModel:
        """Undo ``to_dict``."""
        return KindModel(
            view,
            d["mark"],
            float(d["offset_s"]),
            float(d["acceleration_hz"]),
            Reading.from_dict(d["fine"]),
            LinearMap.from_dict(d["deviation"]),
            Reading.from_dict(d["plain"] or d["fine"]),
            Usual.from_dict(d["usual"]),
            Reading.from_dict(d["close"]) if d.get("close") else None,
            Gate.from_dict(d["gate"]) if d.get("gate") else None,
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
        return EventModel.from_dict(json.loads(text))

    @staticmethod
    def from_dict(data: dict[str, Any]) -> EventModel:
        """Build from the values of a coefficient file."""
        kinds: dict[tuple[View, EventKind], KindModel] = {}
        for key, d in data["models"].items():
            view, kind = key.split("/")
            kinds[view, kind] = KindModel.from_dict(d, view)
        return EventModel(data["provenance"], kinds)


@lru_cache(maxsize=1)
def default_model() -> EventModel:
    """Return the coefficients that come with the package."""
    path = resources.files("midstance.gait").joinpath("data", COEFFICIENT_FILE)
    return EventModel.from_json(path.read_text(encoding="utf-8"))


def _rounded(values: Floats, figures: int = 5) -> list[float]:
    return [float(f"{v:.{figures}g}") for v in values]


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
    own_sigma_s : the part of it that an event doesn't share with the leg's others, s.
    strangeness : how unlike the legs of the fit this one moves; up to 1 is usual.
    plain_share : share of the readings for detected points in the answer, 0 to 1; the rest is the fine reading's.
    gate_share : share of the plain reading in those, 0 to 1; the rest is the close reading's.
    """

    offset_s: float
    deviation_s: Floats
    sigma_s: Floats
    own_sigma_s: float
    strangeness: float
    plain_share: float
    gate_share: float = 1.0


def _share_of_plain(strangeness: float, source: PointSource | None) -> float:
    """Return how much the plain reading counts, 0 to 1.

    It was fitted to detected points, the fine one to markers. Where nobody says which these are, their movement does.
    """
    if source is not None:
        return 1.0 if source == "detected" else 0.0
    return float(np.clip((strangeness - 1.0) / STRANGE_BAND, 0.0, 1.0))


#: Events that the close reading places even in legs unlike the fit's; the gate then only sets how sure they are. Tried on
#: films of measured motion after a fit on markers and invented films alone, which is the step from the fit to films of
#: people, contacts were off by 4.7 ms in median with it and 5.8 with the plain reading (toe-offs 4.9 and 5.1, but 95 %
#: within 24 and 13).
PLACED_BY_CLOSE: frozenset[EventKind] = frozenset({"initial_contact"})


def through_gate(
    model: KindModel, reader: Reader, kind: EventKind, plain: Found | None
) -> tuple[Found | None, float]:
    """Return what the close reading finds and the share of the plain one; None and 1 where there is no close one."""
    if model.close is None or model.gate is None or plain is None:
        return None, 1.0
    close = model.close.find(reader, kind)
    if close is None:
        return None, 1.0
    distance = model.gate.distance(WHOLE_LEG[model.view].read(reader, plain.offset_s, kind))
    share = model.gate.share_of_plain(distance, close.offset_s - plain.offset_s)
    return close, share


def locate(
    waves: StrideWaves, chosen: NDArray[np.bool_], model: KindModel, source: PointSource | None = None
) -> Located | None:
    """Find the event in aligned waves.

    Parameters
    ----------
    waves : StrideWaves
    chosen : (k,) the strides that make the mean wave.
    model : KindModel
    source : where the points come from; None lets their movement decide.

    Returns
    -------
    Located or None
        None when the mean wave has holes or no reading comes to rest.
    """
    reader = mean_wave(waves, chosen)
    if reader is None:
        return None
    fine = model.fine.find(reader, waves.kind)
    plain = model.plain.find(reader, waves.kind)
    best = fine if fine is not None else plain
    if best is None:
        return None
    strangeness = model.usual.strangeness(WHOLE_LEG[model.view].read(reader, best.offset_s, waves.kind))
    share = 1.0 if fine is None else _share_of_plain(strangeness, source)
    if plain is None:
        if share > 0.5:
            return None  # the fine reading means nothing for this leg, and the plain one found no rest
        share = 0.0
    close, gate_share = (None, 1.0) if source != "detected" else through_gate(model, reader, waves.kind, plain)
    film_s = plain.offset_s if plain else 0.0
    if close is not None:
        place_share = 0.0 if waves.kind in PLACED_BY_CLOSE else gate_share
        film_s = (1 - place_share) * close.offset_s + place_share * film_s
    at_s = (1 - share) * (fine.offset_s if fine else 0.0) + share * film_s
    features, known, roughness = deviation_features(waves, chosen, at_s)
    slow = slowness(reader, at_s, waves.kind, model.view)
    sigma_s = own_s = 0.0
    if share < 1 and fine is not None:
        error_s = model.fine.standard_error_s(waves, chosen, waves.kind, at_s)
        # Markers on a leg unlike all others: the error grows with the distance from what the fit has seen.
        own_s += (1 - share) * model.fine.own_sigma_s
        sigma_s += (1 - share) * max(strangeness, 1.0) * model.fine.sigma_s(roughness, error_s, slow, fine.spread_s)
    if share > 0 and plain is not None:
        # The plain reading's error was measured on landmarks of films left out, most of them as strange as this leg.
        error_s = model.plain.standard_error_s(waves, chosen, waves.kind, at_s)
        wide = model.plain.sigma_s(roughness, error_s, slow, plain.spread_s)
        if model.view != "side" and fine is not None:
            # Few films of these views took part in the fit: half the distance of the two readings joins in.
            wide = float(np.hypot(wide, 0.5 * (fine.offset_s - plain.offset_s)))
        own = model.plain.own_sigma_s
        if close is not None and model.close is not None:
            error_s = model.close.standard_error_s(waves, chosen, waves.kind, at_s)
            narrow = model.close.sigma_s(roughness, error_s, slow, close.spread_s)
            wide = (1 - gate_share) * narrow + gate_share * wide
            own = (1 - gate_share) * model.close.own_sigma_s + gate_share * own
        own_s += share * own
        sigma_s += share * wide
    deviation = np.clip(model.deviation(features), -LARGEST_DEVIATION_S, LARGEST_DEVIATION_S)
    # What a stride doesn't show can't correct the mean: its own deviation (SD 4 ms over all runners) stays.
    sigma = np.sqrt(sigma_s**2 + (1.0 - known) * 0.004**2 + odd_stride_sigma_s(waves.fit) ** 2)
    return Located(at_s, deviation, sigma, own_s, strangeness, share, gate_share)
