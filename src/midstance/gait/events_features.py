"""What the fitted maps read: quantities of the mean wave, or of single strides, around a guess of the event.

Nothing depends on where the runner is in the picture, on belt or ground speed or on a steadily moving camera:
positions count from the same point's height in stance, velocities from its velocity in stance.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from midstance.gait.events_waves import OFFSETS_S, RATE_HZ, StrideWaves
from midstance.gait.model import EventKind, View

Floats = NDArray[np.float64]
Quantity = Literal["position", "velocity", "acceleration"]
Reader = Callable[[Quantity, Floats], Floats]

#: Channels of a wave: x along travel (to the runner's right from behind and in front), y up.
HIP_X, HIP_Y, KNEE_X, KNEE_Y, ANKLE_X, ANKLE_Y, HEEL_X, HEEL_Y, TOE_X, TOE_Y = range(10)
#: Instants around the event that the deviation map looks at, s.
DEVIATION_TAUS_S: Floats = np.arange(-6, 7, dtype=np.float64) * 0.0125
#: Where in stance positions and velocities count from, s from the event.
STANCE_S: dict[EventKind, float] = {"initial_contact": 0.07, "toe_off": -0.09}
#: Instants over which a value in stance is averaged, s.
_NEAR_S: Floats = np.arange(-2, 3, dtype=np.float64) * 0.006
#: Factors that bring the quantities (leg lengths, s) to like sizes before the ridge penalty.
_UNIT: dict[Quantity, float] = {"position": 100.0, "velocity": 10.0, "acceleration": 1.0}


@attrs.frozen
class FeatureSet:
    """Which channels of which quantities a map reads, at ``n`` instants within ``half_width_s`` of the guess."""

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

    def to_dict(self) -> dict[str, Any]:
        """Return plain lists."""
        return {"parts": [[q, list(c)] for q, c in self.parts], "half_width_s": self.half_width_s, "n": self.n}

    @staticmethod
    def from_dict(d: dict[str, Any]) -> FeatureSet:
        """Undo ``to_dict``."""
        return FeatureSet(tuple((q, tuple(c)) for q, c in d["parts"]), float(d["half_width_s"]), int(d["n"]))


_UPRIGHT = (HIP_Y, KNEE_Y, ANKLE_Y, HEEL_Y, TOE_Y)
#: What strangeness is judged by: all points, since a leg is only like the others when hip and knee are too. From
#: behind and from the front sideways movement says nothing about contact.
WHOLE_LEG: dict[View, FeatureSet] = {
    "side": FeatureSet((("velocity", tuple(range(10))),), 0.040, 5),
    "rear": FeatureSet((("velocity", _UPRIGHT),), 0.040, 9),
    "front": FeatureSet((("velocity", _UPRIGHT),), 0.040, 9),
}


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
    roughness : RMS of the features of the chosen strides, leg lengths per s: how much strides differ, by nature or by
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
