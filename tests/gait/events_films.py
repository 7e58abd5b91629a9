"""Films for the event tests: real markers projected to a view, and an invented walk."""

from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

from midstance.gait.events_model import EventModel
from midstance.gait.model import LANDMARK_INDEX, SIDES, PlanePaths

DATA = Path(__file__).parents[1] / "data" / "rbds"
POINTS = ("hip", "knee", "ankle", "heel", "toe")
NAMES = ("runner01_3.5mps", "runner12_2.5mps")


def unseen_model():
    """Coefficients fitted without the two runners of the test recordings."""
    return EventModel.from_json((DATA / "events_coefficients_without_1_12.json").read_text(encoding="utf-8"))


def load(name):
    """Return marker paths {side: (n, 5, 3)}, times and true events {(side, kind): s} (force >= 50 N)."""
    with np.load(DATA / f"{name}.npz") as d:
        t = d["time_s"]
        points, truth = {}, {}
        for side in SIDES:
            s = side[0].upper()
            markers = [d[f"{s}_{m}_m"].astype(float) for m in ("GTR", "Knee", "Ankle", "Heel_Bottom", "MT2")]
            points[side] = np.stack(markers, axis=1)
            mine = d["contact_side"] == s
            truth[side, "initial_contact"] = d["contact_on_s"][mine]
            truth[side, "toe_off"] = d["contact_off_s"][mine]
    assert all(np.isfinite(p).all() for p in points.values())
    return t, points, truth


def project(points, view, *, distance_m=4.5, camera_height_m=1.0):
    """Perspective picture of {side: (n, 5, 3)} points, y up, x along travel or to the runner's right."""
    centre = np.mean([p[:, 0].mean(axis=0) for p in points.values()], axis=0)
    out = {}
    for side, p in points.items():
        forward, right = p[..., 0] - centre[0], p[..., 2] - centre[2]
        across, depth = {
            "side": (forward, distance_m - right),
            "rear": (right, distance_m + forward),
            "front": (right, distance_m - forward),
        }[view]
        up = p[..., 1] - camera_height_m
        out[side] = np.stack([across, up], axis=-1) * (distance_m / depth)[..., None]
    return out


def plane(time_s, paths, view="side", unit="m"):
    """Put {side: (n, 5, 2)} paths into a PlanePaths."""
    xy = np.full((len(time_s), len(LANDMARK_INDEX), 2), np.nan)
    for side, p in paths.items():
        for j, name in enumerate(POINTS):
            xy[:, LANDMARK_INDEX[f"{side}_{name}"]] = p[:, j]
    seen = np.isfinite(xy).all(axis=2)
    return PlanePaths(view, np.asarray(time_s, dtype=float), xy, np.where(seen, 0.0, np.nan), seen, unit, None)


def film(name, view="side", rate_hz=120.0, noise_m=0.0, seed=0, start_s=0.013, stop_s=7.9):
    """Return a PlanePaths of a recording at another rate with white noise, and the truth."""
    t, points, truth = load(name)
    new_t = np.arange(start_s, stop_s, 1 / rate_hz)
    rng = np.random.default_rng(seed)
    paths = {}
    for side, p in project(points, view).items():
        paths[side] = CubicSpline(t, p, axis=0)(new_t) + rng.normal(scale=noise_m, size=(len(new_t), 5, 2))
    return plane(new_t, paths, view), truth


def walk(duration_s=8.0, rate_hz=120.0, stride_s=1.0):
    """Invented walk: stiff legs as inverted pendulums on a belt, hip highest in midstance, double support."""
    t = np.arange(0, duration_s, 1 / rate_hz)
    length, speed, stance = 0.85, 1.4, 0.62
    paths = {}
    for side, lag in (("left", 0.0), ("right", 0.5)):
        phase = np.mod(t / stride_s + lag, 1.0)
        reach = speed * stance * stride_s / 2
        on_ground = phase < stance
        swing = np.clip((phase - stance) / (1 - stance), 0, 1)
        ahead = np.where(on_ground, reach - speed * phase * stride_s, -reach * np.cos(np.pi * swing))
        lift = np.where(on_ground, 0.0, 0.12 * np.sin(np.pi * swing))
        hip_y = length - 0.02 + 0.02 * np.cos(4 * np.pi * (t / stride_s + lag - stance / 2))
        ankle = np.stack([ahead, 0.08 + lift], axis=-1)
        hip = np.stack([np.zeros_like(t), hip_y + 0.08], axis=-1)
        bend = np.where(on_ground, 0.02, 0.02 + 0.12 * np.sin(np.pi * swing))
        knee = (hip + ankle) / 2 + np.stack([bend, np.zeros_like(t)], axis=-1)
        heel = ankle + np.array([-0.06, -0.06])
        toe = ankle + np.array([0.15, -0.06])
        paths[side] = np.stack([hip, knee, ankle, heel, toe], axis=1)
    return plane(t, paths)
