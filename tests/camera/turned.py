"""Loads the turned films' points (see data/README.md)."""

from pathlib import Path

import attrs
import numpy as np

from midstance.camera.pinhole import Camera
from midstance.gait.model import LANDMARK_INDEX, Event, LandmarkPaths
from midstance.gait.strides import build_stances

DATA = Path(__file__).parent / "data"
BELT_M = (1.8, 0.54)
POINTS = ("hip", "knee", "ankle", "heel", "shoulder")


@attrs.frozen(eq=False)
class Turned:
    view: str
    direction: str | None
    camera: Camera
    paths: LandmarkPaths
    xyz: dict
    middle: np.ndarray
    corners_px: np.ndarray
    stances: tuple


def turned(name, noise_px=0.0, seed=0):
    with np.load(DATA / f"{name}.npz") as z:
        names = [str(n) for n in z["names"]]
        xyz, uv, t = z["xyz_mm"] / 1000.0, z["uv_px10"] / 10.0, z["t"].astype(float)
        camera = Camera(tuple(int(v) for v in z["size_px"]), float(z["focal_px"]), z["rotation"], z["translation"])
        label, middle, events = str(z["view"]), z["middle_m"], z["events"]
    view = label.split("_")[0]
    xy = np.full((len(t), 33, 2), np.nan)
    for side in ("left", "right"):
        for point in POINTS:
            xy[:, LANDMARK_INDEX[f"{side}_{point}"]] = uv[:, names.index(f"{side}_{point}")]
        xy[:, LANDMARK_INDEX[f"{side}_toe"]] = uv[:, names.index(f"{side}_big_toe")]
    xy += noise_px * np.random.default_rng(seed).standard_normal(xy.shape)
    state = np.where(np.isfinite(xy).all(axis=2), 0, 4).astype(np.uint8)
    paths = LandmarkPaths(view, t, xy, np.ones((len(t), 33)), np.full((len(t), 33), 1.0), state)
    found = [
        Event(view, "right" if right else "left", kind, at, at - 0.002, at + 0.002)
        for right, ic, to in events
        for kind, at in (("initial_contact", ic), ("toe_off", to))
    ]
    stances = build_stances(tuple(sorted(found, key=lambda e: e.time_s)), (float(t[0]), float(t[-1])))[0]
    a, b = BELT_M[0] / 2, BELT_M[1] / 2
    corners = camera.project(middle + np.array([[-a, 0, b], [a, 0, b], [a, 0, -b], [-a, 0, -b]]))
    points = {n: xyz[:, i] - middle for i, n in enumerate(names)}
    return Turned(view, {"side": "+x", "side_left": "-x"}.get(label), camera, paths, points, middle, corners, tuple(stances))
