"""A stick runner on a treadmill whose every angle, time and distance is known in closed form.

Thigh and shank swing as sines of the stride's phase, the trunk leans by a constant, the hips bob twice a
stride. Nothing of the package is used to make it, so nothing of the package can hide a mistake in it.
"""

from __future__ import annotations

import attrs
import numpy as np

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, Event, LandmarkPaths, PlanePaths

STRIDE_S = 0.72
CONTACT_S = 0.25
THIGH_M, SHANK_M, TRUNK_M, FOOT_M = 0.42, 0.43, 0.50, 0.20
LEAN_DEG = 7.0
BOB_M = 0.04


def thigh_deg(t: np.ndarray, shift: float) -> np.ndarray:
    return 5.0 + 30.0 * np.cos(2 * np.pi * (t / STRIDE_S - shift + 0.04))


def shank_deg(t: np.ndarray, shift: float) -> np.ndarray:
    return -25.0 + 32.0 * np.cos(2 * np.pi * (t / STRIDE_S - shift + 0.04))


def foot_deg(t: np.ndarray, shift: float) -> np.ndarray:
    """12 degrees at contact, flat (2 degrees of heel-toe drop) from 15 to 60 % of stance, then heel up."""
    phase = np.mod(t / STRIDE_S - shift, 1.0) * STRIDE_S / CONTACT_S
    return 2.0 + np.interp(
        phase, [0.0, 0.15, 0.60, 1.0, 1.8, STRIDE_S / CONTACT_S], [10.0, 0.0, 0.0, -50.0, -60.0, 10.0]
    )


def _hang(top: np.ndarray, length: float, deg: np.ndarray) -> np.ndarray:
    r = np.radians(deg)
    return top + length * np.stack([np.sin(r), -np.cos(r)], axis=-1)


@attrs.frozen(eq=False)
class Stick:
    """Paths and events of ``strides`` strides of each leg, left contact at phase 0, right half a stride
    later.
    """

    time_s: np.ndarray
    xy: np.ndarray
    events: list[Event]

    def plane(
        self, *, unit: str = "m", sigma: float = 1e-6, near_side: str | None = "right", noise=None
    ) -> PlanePaths:
        xy = self.xy if noise is None else self.xy + noise
        n = len(self.time_s)
        usable = np.isfinite(xy).all(axis=2)
        return PlanePaths("side", self.time_s, xy, np.full((n, 33), sigma), usable, unit, near_side)

    def landmarks(self, px_per_m: float = 300.0) -> LandmarkPaths:
        """The same as seen by a camera far away: y down, origin moved into the picture."""
        xy = self.xy * [px_per_m, -px_per_m] + [640.0, 600.0]
        n = len(self.time_s)
        state = np.where(np.isfinite(xy).all(axis=2), 0, 4).astype(np.uint8)
        return LandmarkPaths("side", self.time_s, xy, np.ones((n, 33)), np.full((n, 33), 0.5), state)


def stick(strides: int = 8, rate_hz: float = 240.0, jitter_s: float = 0.0, start_s: float = 0.0) -> Stick:
    t = np.arange(0, strides * STRIDE_S + 0.4, 1 / rate_hz)
    n = len(t)
    xy = np.full((n, 33, 2), np.nan)
    hip = np.stack([np.zeros(n), 0.95 + BOB_M * np.cos(4 * np.pi * t / STRIDE_S + 1.0)], axis=-1)
    lean = np.radians(LEAN_DEG)
    shoulder = hip + TRUNK_M * np.array([np.sin(lean), np.cos(lean)])

    def put(name: str, path: np.ndarray) -> None:
        xy[:, LANDMARK_INDEX[name]] = path

    put("nose", shoulder + np.array([0.15, 0.20]))
    for side, shift in (("left", 0.0), ("right", 0.5)):
        knee = _hang(hip, THIGH_M, thigh_deg(t, shift))
        ankle = _hang(knee, SHANK_M, shank_deg(t, shift))
        heel = ankle + np.array([-0.05, -0.06])
        f = np.radians(foot_deg(t, shift))
        toe = heel + FOOT_M * np.stack([np.cos(f), np.sin(f)], axis=-1)
        elbow = _hang(shoulder, 0.30, -20.0 * np.cos(2 * np.pi * (t / STRIDE_S - shift)))
        wrist = elbow + np.array([0.20, 0.10])
        for name, path in (
            ("hip", hip),
            ("knee", knee),
            ("ankle", ankle),
            ("heel", heel),
            ("toe", toe),
            ("shoulder", shoulder),
            ("elbow", elbow),
            ("wrist", wrist),
            ("index", wrist + np.array([0.07, 0.0])),
            ("pinky", wrist + np.array([0.07, -0.02])),
            ("ear", shoulder + np.array([0.05, 0.20])),
        ):
            put(f"{side}_{name}", path)
    events = []
    rng = np.random.default_rng(0)
    for side, shift in (("left", 0.0), ("right", 0.5)):
        for k in range(strides):
            ic = (k + shift) * STRIDE_S
            for kind, at in (("initial_contact", ic), ("toe_off", ic + CONTACT_S)):
                at = at + jitter_s * rng.standard_normal()
                if 0 <= at <= t[-1]:
                    events.append(
                        Event("side", side, kind, at + start_s, at + start_s - 0.004, at + start_s + 0.004)
                    )
    assert len(LANDMARKS) == 33
    return Stick(t + start_s, xy, events)
