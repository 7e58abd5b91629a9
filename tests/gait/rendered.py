"""Loads the rendered films' landmark positions and truth (see data/README.md)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from midstance.gait.model import LANDMARK_INDEX, SIDES, Event, LandmarkPaths

DATA = Path(__file__).parent / "data"


def rendered(
    name: str, noise_px: float = 0.0, seed: int = 0
) -> tuple[dict[str, Any], LandmarkPaths, list[Event], np.ndarray]:
    """Return truth, landmarks (white noise added), events and the true centre of mass (m)."""
    with np.load(DATA / f"{name}.npz") as z:
        meta = json.loads(str(z["meta"]))
        names = [str(n) for n in z["names"]]
        uv = np.cumsum(z["delta_px10"].astype(np.int64), axis=0) / 10.0
        com = z["com_mm10"] / 1e4
    n = len(uv)
    xy = np.full((n, 33, 2), np.nan)
    for side in SIDES:
        for ours in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "toe", "ear"):
            theirs = f"{side}_big_toe" if ours == "toe" else f"{side}_{ours}"
            xy[:, LANDMARK_INDEX[f"{side}_{ours}"]] = uv[:, names.index(theirs)]
    xy[:, LANDMARK_INDEX["nose"]] = uv[:, names.index("nose")]
    state = np.where(np.isfinite(xy).all(axis=2), 0, 4).astype(np.uint8)
    xy = xy + noise_px * np.random.default_rng(seed).standard_normal(xy.shape)
    view = meta["view"]
    landmarks = LandmarkPaths(
        view, np.arange(n) / meta["fps"], xy, np.ones((n, 33)), np.full((n, 33), max(noise_px, 0.05)), state
    )
    events = []
    for e in meta["events"]:
        for key, kind in (("ic", "initial_contact"), ("to", "toe_off")):
            if e[key] is not None:
                events.append(Event(view, e["side"], kind, e[key], e[key] - 0.003, e[key] + 0.003))
    return meta, landmarks, events, com
