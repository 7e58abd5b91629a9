"""Draws the printed board as a camera with a known place and lens sees it."""

from functools import lru_cache

import cv2
import numpy as np

from midstance.camera.board import SIZES, board_png
from midstance.camera.pinhole import Camera

PPI = 254.0  # ten dots a millimetre


@lru_cache(maxsize=3)
def page(paper):
    """The page as it is printed, (height, width) uint8."""
    return cv2.imdecode(np.frombuffer(board_png(paper, PPI), np.uint8), cv2.IMREAD_GRAYSCALE)


def looking_at(target, position, focal_px, size_px=(1280, 720), roll_deg=0.0, k=(0.0, 0.0, 0.0)):
    z = np.asarray(target, float) - position
    z /= np.linalg.norm(z)
    x = np.cross(z, [0, 1.0, 0])
    x /= np.linalg.norm(x)
    y = np.cross(z, x)
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    turn = np.stack([c * x + s * y, -s * x + c * y, z])
    return Camera(size_px, focal_px, turn, -turn @ position, None, k)


def picture(camera, paper, origin, right, up, noise=2.0, seed=0, over=3):
    """The camera's picture of the page with its bottom left at ``origin`` and its edges along ``right`` and ``up``."""
    w, h = camera.size_px
    grid = (np.stack(np.meshgrid(np.arange(w * over), np.arange(h * over)), axis=-1) + 0.5) / over
    rays = camera.rays(grid)
    origin, right, up = (np.asarray(v, float) for v in (origin, right, up))
    normal = np.cross(right, up)
    start = camera.position_m
    with np.errstate(divide="ignore", invalid="ignore"):
        along = ((origin - start) @ normal) / (rays @ normal)
    hit = start + along[..., None] * rays - origin
    size = SIZES[paper]
    dots = page(paper).shape[1] / size.page_mm[0] * 1000.0
    u, v = (hit @ right) * dots - 0.5, page(paper).shape[0] - (hit @ up) * dots - 0.5
    bad = ~np.isfinite(u) | (along <= 0)
    u, v = np.where(bad, -99, u).astype(np.float32), np.where(bad, -99, v).astype(np.float32)
    # Print much finer than the picture's pixels is blurred first, or it would flicker.
    fine = cv2.GaussianBlur(page(paper), (0, 0), 4.0)
    shown = cv2.remap(fine, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=110)
    shown = cv2.resize(shown, (w, h), interpolation=cv2.INTER_AREA)
    shown = 20.0 + 0.8 * shown + noise * np.random.default_rng(seed).standard_normal(shown.shape)
    return np.clip(shown, 0, 255).astype(np.uint8)


def true_corners(camera, board, origin, right, up):
    origin, right, up = (np.asarray(v, float) for v in (origin, right, up))
    return camera.project(origin + board.page_m[:, :1] * right + board.page_m[:, 1:] * up)
