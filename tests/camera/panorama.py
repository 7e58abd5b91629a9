"""Pictures of a camera that turns before a textured wall, with known turns: OpenCV's perspective warp makes them."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.spatial.transform import Rotation


def wall(
    seed: int = 1, half_width: float = 1.3, half_height: float = 0.7, per_unit: float = 620.0
) -> tuple[np.ndarray, np.ndarray]:
    """A wall with blobs of many sizes: (picture, 3 × 3 matrix from wall pixels to directions of the reference camera)."""
    rng = np.random.default_rng(seed)
    w, h = int(2 * half_width * per_unit), int(2 * half_height * per_unit)
    out = np.zeros((h, w), np.float32)
    for cell in (3, 6, 14, 40, 120):
        small = rng.standard_normal((h // cell + 2, w // cell + 2)).astype(np.float32)
        out += cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC)
    out = np.clip(120 + 28 * out, 0, 255).astype(np.uint8)
    to_rays = np.array([[1 / per_unit, 0, -half_width], [0, 1 / per_unit, -half_height], [0, 0, 1.0]])
    return out, to_rays


def camera(focal: float, size: tuple[int, int]) -> np.ndarray:
    return np.array(
        [[focal, 0, size[0] / 2 - 0.5], [0, focal, size[1] / 2 - 0.5], [0, 0, 1.0]]
    )  # OpenCV's pixel corner


def picture(scene, turn: Rotation, focal: float, size: tuple[int, int]) -> np.ndarray:
    """What the camera turned by ``turn`` (directions of the reference to its own) shows."""
    image, to_rays = scene
    h = camera(focal, size) @ turn.as_matrix() @ to_rays
    return cv2.warpPerspective(image, h, size, flags=cv2.INTER_AREA)


def rolling(
    scene, turn_at, focal: float, size: tuple[int, int], time_s: float, readout_s: float, bands: int = 30
) -> np.ndarray:
    """The same, read row by row: ``turn_at(time)`` gives the turn; the middle row is read at ``time_s``."""
    out = np.empty((size[1], size[0]), np.uint8)
    for b in range(bands):
        y0, y1 = b * size[1] // bands, (b + 1) * size[1] // bands
        t = time_s + readout_s * ((b + 0.5) / bands - 0.5)
        out[y0:y1] = picture(scene, turn_at(t), focal, size)[y0:y1]
    return out
