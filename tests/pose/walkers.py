"""A stick runner in pixels, seen from the side, whose left and right are known, and the faults a landmark network makes.

Thigh and shank swing as sums of two sines over the stride, the other leg half a stride later; feet turn with the shank.
Nothing of the package makes it. Proportions and angles are round numbers near a running adult's (common practice, no
source).
"""

from __future__ import annotations

import attrs
import numpy as np

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, LandmarkPaths
from midstance.pose.track import RawTrack

BODY_PX = 500.0
CHAIN = ("hip", "knee", "ankle", "heel", "toe")
LEFT = [LANDMARK_INDEX[f"left_{p}"] for p in CHAIN]
RIGHT = [LANDMARK_INDEX[f"right_{p}"] for p in CHAIN]
#: The region the network would have been given for a body of this height.
REGION_PX = BODY_PX / 0.78


@attrs.frozen(eq=False)
class Walker:
    """``xy`` (n, 33, 2) true landmarks, px; ``phase`` (n,) stride phase, rad: the left thigh farthest ahead at 0."""

    time_s: np.ndarray
    xy: np.ndarray
    phase: np.ndarray


def walker(
    seconds: float = 8.0,
    rate_hz: float = 120.0,
    *,
    direction: int = 1,
    cadence: float = 168.0,
    drift: float = 0.01,
    bounce: float = 0.04,
    moves: bool = True,
) -> Walker:
    """Make a runner; ``cadence`` in steps a minute wanders by the share ``drift``; ``direction`` +1 runs to the right."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    stride_hz = cadence / 120
    phase = 2 * np.pi * stride_hz * t + drift * 2 * np.pi * stride_hz * 2.0 * np.sin(2 * np.pi * t / 5.0) / np.pi
    if not moves:
        phase = np.zeros_like(t)
    n = len(t)
    xy = np.full((n, 33, 2), np.nan)
    h = BODY_PX
    hip = np.stack([640 + 0.01 * h * np.sin(phase), 330 - bounce / 2 * h * np.cos(2 * phase)], axis=1)
    if not moves:
        hip[:, 1] = 330.0
    shoulder = hip + np.array([0.03 * h * direction, -0.29 * h])
    head = shoulder + np.array([0.02 * h * direction, -0.14 * h])
    for i, name in enumerate(LANDMARKS[:11]):
        xy[:, i] = head + np.array([direction * (-0.03 * h if "ear" in name else 0.04 * h), 0])
    for side, shift in (("left", 0.0), ("right", np.pi)):
        p = phase + shift
        off = 0.006 * h * (1 if side == "left" else -1)

        def put(name: str, path: np.ndarray, side: str = side) -> None:
            xy[:, LANDMARK_INDEX[f"{side}_{name}"]] = path

        own_hip = hip + np.stack([0.5 * off * np.cos(phase), np.full(n, 0.5 * off)], axis=1)
        thigh = np.radians(8 + 32 * np.cos(p))
        flexion = np.radians(45 - 25 * np.cos(2 * p + 0.4) - 25 * np.sin(p + 0.3))
        shank = thigh - np.maximum(flexion, np.radians(5))
        foot = shank + np.pi / 2 - np.radians(10 + 15 * np.sin(p))
        knee = own_hip + 0.24 * h * _down(thigh, direction)
        ankle = knee + 0.24 * h * _down(shank, direction)
        heel = ankle + 0.04 * h * _down(shank, direction) - 0.03 * h * _down(foot, direction)
        put("hip", own_hip)
        put("knee", knee)
        put("ankle", ankle)
        put("heel", heel)
        put("toe", heel + 0.14 * h * _down(foot, direction))
        own_shoulder = shoulder + np.array([off, 0])
        put("shoulder", own_shoulder)
        arm = np.radians(-20 - 35 * np.cos(p))
        elbow = own_shoulder + 0.17 * h * _down(arm, direction)
        wrist = elbow + 0.15 * h * _down(arm + np.radians(90), direction)
        put("elbow", elbow)
        for hand in ("wrist", "pinky", "index", "thumb"):
            put(hand, wrist)
    assert np.isfinite(xy).all()
    return Walker(t, xy, phase)


def _down(angle: np.ndarray, direction: int) -> np.ndarray:
    """Unit vectors in the picture (y down), turned forward from straight down by ``angle``."""
    return np.stack([direction * np.sin(angle), np.cos(angle)], axis=-1)


def noisy(xy: np.ndarray, share: float, rng: np.random.Generator) -> np.ndarray:
    """Add white noise with an SD of ``share`` of the body height to each coordinate."""
    return xy + rng.normal(0, share * BODY_PX, xy.shape)


def swap(xy: np.ndarray, rows: np.ndarray, start: int) -> None:
    """Exchange the legs in some frames from joint ``start`` of the chain down, in place."""
    for a, b in zip(LEFT[start:], RIGHT[start:], strict=True):
        xy[rows, a], xy[rows, b] = xy[rows, b].copy(), xy[rows, a].copy()


def inject_swaps(
    xy: np.ndarray, rate_hz: float, rng: np.random.Generator, *, long_s: tuple[float, ...] = ()
) -> np.ndarray:
    """Return a copy with swaps from hip, knee or ankle: 4 % of single frames and a burst each second; long ones whole."""
    out = xy.copy()
    n = len(xy)
    for start in (0, 1, 2):
        swap(out, np.flatnonzero(rng.random(n) < 0.04 / 3), start)
    for _ in range(int(n / rate_hz)):
        a = rng.integers(0, n)
        length = max(2, int(rng.uniform(0.03, 0.15) * rate_hz))
        swap(out, np.arange(a, min(n, a + length)), int(rng.integers(0, 3)))
    at = 0.9
    for length_s in long_s:
        swap(out, np.arange(int(at * rate_hz), min(n, int((at + length_s) * rate_hz))), 0)
        at += length_s + 1.2
    return out


def wrong_share(xy: np.ndarray, truth: np.ndarray) -> float:
    """Share of frames whose legs lie on the other leg: mean distance from the truth of knee … toe above 2.5 % of height."""
    legs = LEFT[1:] + RIGHT[1:]
    return float((np.linalg.norm(xy[:, legs] - truth[:, legs], axis=-1).mean(axis=1) > 0.025 * BODY_PX).mean())


def raw_track(w: Walker, xy: np.ndarray, visibility: np.ndarray | None = None) -> RawTrack:
    """Wrap landmarks as the network's raw track; rows that are NaN count as lost."""
    n = len(w.time_s)
    seen = np.isfinite(xy[:, 0, 0])
    region = np.full((n, 3), np.nan)
    region[seen] = (640, 380, REGION_PX)
    return RawTrack(
        index=np.arange(n),
        file_time_s=w.time_s,
        xy=xy.copy(),
        visibility=np.full((n, 33), 0.99) if visibility is None else visibility,
        peak=np.full((n, 33), 0.9),
        presence=np.where(seen, 1.0, 0.0),
        region=region,
        relocated=0,
    )


def paths_of(w: Walker, xy: np.ndarray, view: str = "side") -> LandmarkPaths:
    """Wrap landmarks as landmark paths, all seen."""
    n = len(w.time_s)
    return LandmarkPaths(view, w.time_s, xy, np.ones((n, 33)), np.ones((n, 33)), np.zeros((n, 33), np.uint8))
