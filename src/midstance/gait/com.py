"""Whole-body centre of mass from the landmarks, with de Leva's segment masses.

References
----------
de Leva P (1996), Adjustments to Zatsiorsky-Seluyanov's segment inertia parameters, J Biomech 29:1223-1230,
doi 10.1016/0021-9290(95)00178-6. Masses are fractions of body mass; ``c`` is the distance of a segment's
centre of mass from its first-named end as a fraction of its length.
"""

from __future__ import annotations

from typing import Literal

import attrs
import numpy as np

from midstance.gait.model import LANDMARK_INDEX, SIDES, Floats, PlanePaths

BodyTable = Literal["male", "female", "mean"]


@attrs.frozen
class Segment:
    """One row of the table: mass fraction, and position of the centre of mass from the first-named end."""

    mass: float
    c: float


# head: vertex to mid-gonion (only the mass is used); trunk: mid-shoulder to mid-hip ("trunk 3"); upper arm,
# forearm, thigh and shank between joint centres; hand: wrist to third knuckle; foot: heel to tip of the
# longest toe.
_MALE = {
    "head": Segment(0.0694, 0.5976),
    "trunk": Segment(0.4346, 0.4310),
    "upper_arm": Segment(0.0271, 0.5772),
    "forearm": Segment(0.0162, 0.4574),
    "hand": Segment(0.0061, 0.7900),
    "thigh": Segment(0.1416, 0.4095),
    "shank": Segment(0.0433, 0.4395),
    "foot": Segment(0.0137, 0.4415),
}
_FEMALE = {
    "head": Segment(0.0668, 0.5894),
    "trunk": Segment(0.4257, 0.3782),
    "upper_arm": Segment(0.0255, 0.5754),
    "forearm": Segment(0.0138, 0.4559),
    "hand": Segment(0.0056, 0.7474),
    "thigh": Segment(0.1478, 0.3612),
    "shank": Segment(0.0481, 0.4352),
    "foot": Segment(0.0129, 0.4014),
}
LIMB_SEGMENTS = ("upper_arm", "forearm", "hand", "thigh", "shank", "foot")

#: An arm is used when it was tracked in at least this share of the frames; else its mass is moved
#: (``REDUCED_ARM``).
ARM_SHARE = 0.8
#: 1-SD distance, as a fraction of trunk length, between an arm's true centre of mass and the trunk point that
#: stands in for it. A bent running arm swings about +/- a quarter of the trunk's length; engineering choice,
#: no source.
REDUCED_ARM_SIGMA = 0.25
#: Noise of a landmark that is only the model's guess, as a multiple of its stated noise; engineering choice.
GUESS_FACTOR = 3.0


def body_table(which: BodyTable = "mean") -> dict[str, Segment]:
    """Return de Leva's table as segment name to ``Segment``; "mean" averages the two sexes."""
    if which == "male":
        return dict(_MALE)
    if which == "female":
        return dict(_FEMALE)
    if which != "mean":
        raise ValueError(f"body table must be male, female or mean, got {which!r}")
    return {
        k: Segment(0.5 * (_MALE[k].mass + _FEMALE[k].mass), 0.5 * (_MALE[k].c + _FEMALE[k].c)) for k in _MALE
    }


def total_mass(table: dict[str, Segment]) -> float:
    """Sum of the mass fractions of the whole body, limbs counted twice (1.0000 male, 0.9999 female)."""
    return sum(s.mass * (2.0 if k in LIMB_SEGMENTS else 1.0) for k, s in table.items())


def combine(points: Floats, masses: Floats) -> Floats:
    """Mass-weighted mean of points: (..., k, 2) and (k,) to (..., 2)."""
    w = np.asarray(masses, dtype=np.float64)
    return np.asarray(np.einsum("...kd,k->...d", points, w) / w.sum(), dtype=np.float64)


@attrs.frozen(eq=False)
class ComPath:
    """Path of the whole-body centre of mass.

    ``xy`` (n, 2) in the plane's unit, NaN where it can't be had; ``sigma`` (n,) 1-SD noise per axis;
    ``method`` says which landmarks and which table; ``reason`` why there is none at all, or None.
    """

    xy: Floats
    sigma: Floats
    method: str
    reason: str | None


class _Weights:
    """The centre of mass as a weighted sum of landmarks: weights add up, so noise propagates exactly."""

    def __init__(self) -> None:
        self.of: dict[str, float] = {}

    def add(self, names: tuple[str, ...], weight: float) -> None:
        for name in names:
            self.of[name] = self.of.get(name, 0.0) + weight / len(names)

    def segment(self, first: tuple[str, ...], second: tuple[str, ...], s: Segment) -> None:
        self.add(first, s.mass * (1.0 - s.c))
        self.add(second, s.mass * s.c)


_SHOULDERS = ("left_shoulder", "right_shoulder")
_HIPS = ("left_hip", "right_hip")


def whole_body_com(plane: PlanePaths, table: BodyTable = "mean") -> ComPath:
    """Whole-body centre of mass of every frame.

    Trunk from mid-shoulder to mid-hip, head at the middle of the ears (else the nose), hand at its table
    point between the wrist and the knuckles of index and little finger where they are tracked, else at the
    wrist. A hidden far limb's guessed landmark is still better than none, so it is used, with
    ``GUESS_FACTOR`` times its noise.

    An arm tracked in fewer than ``ARM_SHARE`` of the frames is left out for the *whole* film, so that the
    path never jumps: its mass is put at the trunk's centre of mass and the noise grows by
    ``REDUCED_ARM_SIGMA`` trunk lengths times the arm's share of the mass. Without trunk, thigh, shank, foot
    or head there is no centre of mass in that frame.
    """
    seg = body_table(table)
    finite = np.asarray(np.isfinite(plane.xy).all(axis=2), dtype=np.bool_)
    share = np.asarray(finite, dtype=np.float64).sum(axis=0) / max(len(plane.time_s), 1)

    def tracked(*names: str) -> bool:
        return all(share[LANDMARK_INDEX[n]] >= ARM_SHARE for n in names)

    w = _Weights()
    notes: list[str] = []
    ears = ("left_ear", "right_ear")
    if tracked(*ears):
        w.add(ears, seg["head"].mass)
    elif tracked("nose"):
        w.add(("nose",), seg["head"].mass)
        notes.append("head at the nose")
    else:
        return _none(plane, "the head was not tracked")
    w.segment(_SHOULDERS, _HIPS, seg["trunk"])
    reduced_mass = 0.0
    for side in SIDES:
        hip, knee, ankle = (f"{side}_hip",), (f"{side}_knee",), (f"{side}_ankle",)
        w.segment(hip, knee, seg["thigh"])
        w.segment(knee, ankle, seg["shank"])
        w.segment((f"{side}_heel",), (f"{side}_toe",), seg["foot"])
        elbow, wrist = (f"{side}_elbow",), (f"{side}_wrist",)
        knuckles = (f"{side}_index", f"{side}_pinky")
        if tracked(*elbow, *wrist):
            w.segment((f"{side}_shoulder",), elbow, seg["upper_arm"])
            w.segment(elbow, wrist, seg["forearm"])
            if tracked(*knuckles):
                w.segment(wrist, knuckles, seg["hand"])
            else:
                w.add(wrist, seg["hand"].mass)
        else:
            arm = seg["upper_arm"].mass + seg["forearm"].mass + seg["hand"].mass
            w.segment(_SHOULDERS, _HIPS, Segment(arm, seg["trunk"].c))
            reduced_mass += arm
            notes.append(f"{side} arm not tracked, its mass put in the trunk")

    names = list(w.of)
    index = [LANDMARK_INDEX[n] for n in names]
    weights = np.array([w.of[n] for n in names])
    weights = weights / weights.sum()
    xy = combine(plane.xy[:, index], weights)
    if not np.isfinite(xy).any():
        return _none(plane, "trunk and legs were never tracked together")
    noise = plane.sigma[:, index] * np.where(plane.usable[:, index], 1.0, GUESS_FACTOR)
    variance = np.nansum((noise * weights) ** 2, axis=1)
    if reduced_mass > 0:
        shoulder = 0.5 * (plane.point("left_shoulder") + plane.point("right_shoulder"))
        hip_mid = 0.5 * (plane.point("left_hip") + plane.point("right_hip"))
        trunk = float(np.nanmedian(np.linalg.norm(shoulder - hip_mid, axis=1)))
        variance = variance + (REDUCED_ARM_SIGMA * trunk * reduced_mass) ** 2
    sigma = np.where(np.isfinite(xy).all(axis=1), np.sqrt(variance), np.nan)
    method = f"centre of mass from {len(names)} landmarks, segment masses of de Leva 1996 ({table})"
    return ComPath(xy, sigma, "; ".join([method, *notes]), None)


def _none(plane: PlanePaths, reason: str) -> ComPath:
    n = len(plane.time_s)
    return ComPath(np.full((n, 2), np.nan), np.full(n, np.nan), "", f"no centre of mass: {reason}")
