"""From the landmark model's points to joint centres.

The network's points are not the joints a coach means: its ankle lies 2–3 cm too high, its heel 2 cm too far forward, its hip
moves with the thigh. The offsets turn with the body's segments and are much alike from runner to runner, so they are
taken out by a small linear map: each point's offset, in leg lengths, from the posture (``features``). The map was fitted on
rendered figures whose joints are exactly known (``benchmarks/fit_anatomy.py``; other bodies, motions, clothes and cameras
than those it is judged on), some of invented motion, some driven by joint angles measured on runners, and is kept, with its
provenance, in ``data/anatomy.json``. What it leaves is part of every interval. A figure is not a person: that the same
offsets hold for people is plausible (the network was trained on people), not shown.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib import resources

import attrs
import numpy as np

from midstance.camera.plane import to_plane
from midstance.gait.model import LANDMARK_INDEX, SIDES, Floats, LandmarkPaths, Side, State, View
from midstance.signals.filters import butterworth_lowpass
from midstance.signals.timebase import resample

#: Points that are moved; the others stay as the network gave them.
POINTS = ("shoulder", "hip", "knee", "ankle", "heel", "toe")
#: The directions are smoothed with this cut-off, Hz, so that the map adds no noise of its own.
DIRECTION_CUTOFF_HZ = 10.0
#: A segment's length in the picture may count as this share of its median over the film, and hips and shoulders as this
#: many leg lengths apart: further out is a landmark gone astray, and the map was never shown such a posture.
LENGTH_RANGE = (0.75, 1.25)
APART_RANGE = 0.6


@attrs.frozen(eq=False)
class AnatomyMap:
    """Coefficients of the map.

    ``coefficients`` hold, for "side" and there for "near" and "far" leg, (features, 2 × points) arrays; for "rear" and
    "front" the same under "left" (mirrored for the right leg). ``systematic`` gives, by view and measure, the 1-SD error
    left that all strides of a film have in common, ``scatter`` the one that is new in each stride.
    """

    coefficients: dict[str, dict[str, Floats]]
    systematic: dict[str, dict[str, float]]
    provenance: str
    scatter: dict[str, dict[str, float]] = attrs.field(factory=dict)


@lru_cache(maxsize=1)
def load_map() -> AnatomyMap:
    """Load the map that comes with the package."""
    text = (resources.files("midstance.pose") / "data" / "anatomy.json").read_text(encoding="utf-8")
    raw = json.loads(text)
    return AnatomyMap(
        {v: {k: np.array(c) for k, c in legs.items()} for v, legs in raw["coefficients"].items()},
        raw["systematic"],
        raw["provenance"],
        raw.get("scatter", {}),
    )


def leg_px(xy: Floats, side: Side) -> float:
    """Thigh plus shank of one leg, pixels (median over the film)."""
    hip, knee, ankle = (xy[:, LANDMARK_INDEX[f"{side}_{p}"]] for p in ("hip", "knee", "ankle"))
    length = np.linalg.norm(hip - knee, axis=1) + np.linalg.norm(knee - ankle, axis=1)
    return float(np.nanmedian(length)) if np.isfinite(length).any() else float("nan")


def upright(paths: LandmarkPaths, direction: str | None) -> Floats:
    """Return xy with y up and x along the travel (side) or to the runner's right (rear and front): (n, 33, 2)."""
    return to_plane(paths, direction=direction, cutoff_hz=None).xy  # type: ignore[arg-type]


def features(xy: Floats, side: Side, view: View, time_s: Floats) -> Floats:
    """Return the (n, k) features of one leg's posture: a constant, directions, and how the segments look in the picture.

    ``xy`` is (n, 33, 2), y up. In rear and front view x points away from the other leg, so that one map serves both.

    Side view: directions of trunk, thigh, shank, foot and the other thigh; products of two of the leg's own directions (the
    network's knee and ankle move with the bend of the joint); lengths of thigh, shank, foot and trunk in leg lengths, which
    betray a point that slid along its segment; the other hip as seen from this one (turn of the pelvis). Rear and front
    view: the segments themselves, in leg lengths, since a segment's length there tells how far it is turned out of the
    picture; and the other leg's hip and shoulder as seen from this leg's.
    """
    other: Side = "right" if side == "left" else "left"
    sign = np.array((1.0 if view == "side" or side == "right" else -1.0, 1.0))

    def p(name: str, s: str = side) -> Floats:
        return np.asarray(xy[:, LANDMARK_INDEX[f"{s}_{name}"]])

    reach = leg_px(xy, side)
    mid_shoulder = 0.5 * (p("shoulder") + p("shoulder", other))
    mid_hip = 0.5 * (p("hip") + p("hip", other))
    ends = [(mid_shoulder, mid_hip), (p("hip"), p("knee")), (p("knee"), p("ankle")), (p("heel"), p("toe"))]
    trunk, thigh, shank, foot = ((b - a) * sign / reach for a, b in ends)
    other_thigh, other_shank = (
        (p(b, other) - p(a, other)) * sign / reach for a, b in (("hip", "knee"), ("knee", "ankle"))
    )
    hips, shoulders = (_near((p(k, other) - p(k)) * sign / reach) for k in ("hip", "shoulder"))
    if view == "side":
        lengths = [np.linalg.norm(v, axis=1, keepdims=True) for v in (thigh, shank, foot, trunk)]
        trunk, thigh, shank, foot, other_thigh = (
            v / np.linalg.norm(v, axis=1, keepdims=True) for v in (trunk, thigh, shank, foot, other_thigh)
        )
        columns = [trunk, thigh, shank, foot, other_thigh, _products(thigh, shank, foot)]
        columns += [*(_usual(length) for length in lengths), hips]
    else:
        columns = [trunk, thigh, shank, foot, other_thigh, hips, shoulders, other_shank]
    flat = _smooth(time_s, np.concatenate(columns, axis=1))
    return np.concatenate([np.ones((len(flat), 1)), flat], axis=1)


def _products(*directions: Floats) -> Floats:
    """Products of two components of unit vectors; y² is left out, since x² + y² = 1."""
    v = np.concatenate(directions, axis=1)
    pairs = [(i, j) for i in range(v.shape[1]) for j in range(i, v.shape[1]) if not (i == j and i % 2)]
    return np.stack([v[:, i] * v[:, j] for i, j in pairs], axis=1)


def _usual(length: Floats) -> Floats:
    """Hold a segment's length to the usual range around its median."""
    if not np.isfinite(length).any():
        return length
    middle = float(np.nanmedian(length))
    return np.clip(length, LENGTH_RANGE[0] * middle, LENGTH_RANGE[1] * middle)


def _near(apart: Floats) -> Floats:
    """Hold the distance of two hips or shoulders to what a body allows."""
    return np.clip(apart, -APART_RANGE, APART_RANGE)


def _smooth(time_s: Floats, x: Floats) -> Floats:
    """Low-pass features over gaps: a direction is known roughly even where its landmark is missing for a few frames."""
    out = np.empty_like(x)
    for j in range(x.shape[1]):
        good = np.isfinite(x[:, j])
        out[:, j] = np.interp(time_s, time_s[good], x[good, j]) if good.any() else 0.0
    n = len(time_s)
    if n < 16:
        return out
    rate = (n - 1) / (time_s[-1] - time_s[0])
    if rate < 2.6 * DIRECTION_CUTOFF_HZ:
        return out
    even = np.linspace(time_s[0], time_s[-1], n)
    return np.asarray(resample(even, butterworth_lowpass(resample(time_s, out, even), rate, DIRECTION_CUTOFF_HZ), time_s))


def leg_key(view: View, side: Side, near: Side | None) -> str:
    """Return which set of coefficients a leg uses."""
    if view == "side":
        return "near" if side == near else "far"
    return "left"


def to_joints(
    paths: LandmarkPaths, *, direction: str | None, near: Side | None, joint_map: AnatomyMap | None = None
) -> LandmarkPaths:
    """Move the landmarks to the joint centres.

    Parameters
    ----------
    paths : clean landmark paths, image pixels.
    direction : "+x" or "-x" in a side view, None otherwise.
    near : the leg nearer the camera in a side view.
    joint_map : another map than the one that comes with the package.

    Returns
    -------
    LandmarkPaths
        The same paths with shoulders, hips, knees, ankles, heels and toes moved. Corrected landmarks, set by a person, are
        joints already and stay.
    """
    coefficients = (joint_map or load_map()).coefficients.get(paths.view)
    if not coefficients:
        return paths
    xy = upright(paths, direction)
    out = paths.xy.copy()
    mirror = direction == "-x" if paths.view == "side" else paths.view == "front"
    to_image = np.array([-1.0 if mirror else 1.0, -1.0])
    for side in SIDES:
        reach = leg_px(xy, side)
        if not np.isfinite(reach):
            continue
        table = coefficients[leg_key(paths.view, side, near)]
        offset = features(xy, side, paths.view, paths.time_s) @ table * reach
        sign = 1.0 if paths.view == "side" or side == "right" else -1.0
        for j, name in enumerate(POINTS):
            i = LANDMARK_INDEX[f"{side}_{name}"]
            move = offset[:, 2 * j : 2 * j + 2] * (sign, 1.0) * to_image
            own = paths.state[:, i] != State.CORRECTED
            out[own, i] += move[own]
    return attrs.evolve(paths, xy=out)
