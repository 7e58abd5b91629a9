"""What single pictures say of how well they can be measured: edge width, camera roll, camera shift, noise.

Pure functions on luma pictures, (height, width) uint8.
"""

from __future__ import annotations

import attrs
import cv2
import numpy as np
from numpy.typing import NDArray

from midstance.film.frames import Picture

Floats = NDArray[np.float64]
#: (x0, y0, x1, y1) in pixels of the picture it goes with.
Box = tuple[float, float, float, float]

_MIN_EDGE_CONTRAST = 24.0  # grey levels; weaker edges drown in noise
_MAX_LEAN_DEG = 12.0


def edge_width_px(luma: Picture, axis: int, reach_px: int) -> float:
    """Typical width of the strongest edges along ``axis`` (1 across, 0 down), pixels; NaN when there are too
    few.

    The width of an edge is its contrast over its steepest slope: an edge smeared evenly over b px measures b,
    a sharp one 1–2 px. Contrast is taken within ± ``reach_px``, which is also the largest width that can be
    told.
    """
    picture = luma if axis == 1 else np.ascontiguousarray(luma.T)
    if min(picture.shape) < 8:
        return float("nan")
    # Averaging over three lines across the edge calms noise without widening the edge.
    calm = cv2.blur(picture.astype(np.float32), (1, 3))
    slope = np.abs(calm[:, 1:] - calm[:, :-1])
    kernel = np.ones((1, 2 * reach_px + 1), np.uint8)
    contrast = (cv2.dilate(calm, kernel) - cv2.erode(calm, kernel))[:, 1:]
    best = np.argmax(slope, axis=1)
    rows = np.arange(len(best))
    strong = contrast[rows, best] >= _MIN_EDGE_CONTRAST
    if int(np.sum(strong)) < 5:
        return float("nan")
    widths = contrast[rows, best][strong] / np.maximum(slope[rows, best][strong], 1e-3)
    return float(np.median(widths))


@attrs.frozen
class Roll:
    """Lean of upright things in the picture, degrees, clockwise +, and what it was read from."""

    angle_deg: float
    spread_deg: float
    source: str


def picture_roll(luma: Picture, runner: Box | None, *, level_lines_too: bool) -> Roll | None:
    """Read the camera's roll from long straight edges; None when there are too few or they disagree.

    Near-vertical edges are used first: a straight line is fitted to lean against position across, whose value
    in the middle is the roll (verticals fan out evenly when the camera is pitched). Near-level edges serve
    only when ``level_lines_too`` (a side view square to the scene), as perspective tilts them.
    """
    height, width = luma.shape
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(luma)[0]
    if found is None:
        return None
    lines = np.asarray(found, np.float64).reshape(-1, 4)
    dx, dy = lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1]
    length = np.hypot(dx, dy)
    middle = np.stack([(lines[:, 0] + lines[:, 2]) / 2, (lines[:, 1] + lines[:, 3]) / 2], axis=1)
    keep = length >= 0.07 * min(height, width)
    if runner is not None:
        x0, y0, x1, y1 = runner
        keep &= ~((middle[:, 0] > x0) & (middle[:, 0] < x1) & (middle[:, 1] > y0) & (middle[:, 1] < y1))
    dx, dy, length, middle = dx[keep], dy[keep], length[keep], middle[keep]
    # Lean of a line against the vertical, clockwise + (its top to the right), in ±90 degrees.
    lean = np.degrees(np.arctan2(dx * -np.sign(dy + 1e-12), np.abs(dy)))
    upright = np.abs(lean) <= _MAX_LEAN_DEG
    if float(np.sum(length[upright])) >= 0.6 * height and int(np.sum(upright)) >= 3:
        across = (middle[upright, 0] - width / 2) / width
        roll = _fit_middle(across, lean[upright], length[upright])
        if roll is not None:
            return Roll(roll[0], roll[1], "upright edges")
    if level_lines_too:
        slope = np.degrees(np.arctan2(dy * np.sign(dx + 1e-12), np.abs(dx)))
        level = np.abs(slope) <= _MAX_LEAN_DEG
        if float(np.sum(length[level])) >= 1.0 * width and int(np.sum(level)) >= 4:
            value = _weighted_median(slope[level], length[level])
            spread = 1.4826 * _weighted_median(np.abs(slope[level] - value), length[level])
            if spread <= 2.0:
                return Roll(value, spread, "level edges")
    return None


def _fit_middle(across: Floats, lean: Floats, weight: Floats) -> tuple[float, float] | None:
    """Fit lean = a + b·across robustly; return a and the weighted spread about the line, or None when it fits
    badly.
    """
    value = _weighted_median(lean, weight)
    slope = 0.0
    trust = weight.copy()
    for _ in range(8):
        mean_x = float(np.average(across, weights=trust))
        mean_y = float(np.average(lean, weights=trust))
        var = float(np.average((across - mean_x) ** 2, weights=trust))
        # A fan can be told only from edges spread over the picture.
        if var > 0.15**2:
            slope = float(np.average((across - mean_x) * (lean - mean_y), weights=trust)) / var
            slope = float(np.clip(slope, -15.0, 15.0))
        value = mean_y - slope * mean_x
        rest = np.abs(lean - value - slope * across)
        scale = max(0.3, 1.4826 * _weighted_median(rest, weight))
        trust = weight / np.maximum(1.0, (rest / (1.5 * scale)) ** 2)
    spread = 1.4826 * _weighted_median(np.abs(lean - value - slope * across), weight)
    return (float(value), float(spread)) if spread <= 2.5 else None


def _weighted_median(values: Floats, weight: Floats) -> float:
    order = np.argsort(values)
    total = np.cumsum(weight[order])
    return float(values[order][np.searchsorted(total, total[-1] / 2)])


def background_shift_px(
    before: Picture, now: Picture, runner_before: Box | None, runner_now: Box | None, *, tile: int = 64
) -> tuple[float, float] | None:
    """Shift of the still surroundings between two pictures of one size, pixels (right +, down +); None if not
    to be told.

    The median of the phase correlation of up to six tiles with texture that the runner touches in neither
    picture.
    """
    height, width = now.shape
    corners = [
        (x, y)
        for y in range(0, height - tile + 1, tile)
        for x in range(0, width - tile + 1, tile)
        if not _touches((x, y, x + tile, y + tile), runner_before)
        and not _touches((x, y, x + tile, y + tile), runner_now)
    ]
    texture = [float(np.std(now[y : y + tile : 2, x : x + tile : 2])) for x, y in corners]
    order = [i for i in np.argsort(texture)[::-1][:6] if texture[i] >= 5.0]
    if len(order) < 2:
        return None
    window = cv2.createHanningWindow((tile, tile), cv2.CV_32F)
    shifts = []
    for i in order:
        x, y = corners[i]
        shift = _tile_shift(before, now, x, y, tile, np.asarray(window, np.float32))
        if shift is not None:
            shifts.append(shift)
    if len(shifts) < 2:
        return None
    dx, dy = np.median(np.asarray(shifts), axis=0)
    return float(dx), float(dy)


def _tile_shift(
    before: Picture, now: Picture, x: int, y: int, tile: int, window: NDArray[np.float32]
) -> tuple[float, float] | None:
    """Shift of one tile, px, or None where the two don't match.

    The window pulls large shifts towards nothing, so the second tile is moved along until only a fraction is
    left.
    """
    a = before[y : y + tile, x : x + tile].astype(np.float32)
    at_x = at_y = 0
    for _ in range(4):
        if not (0 <= x + at_x <= now.shape[1] - tile and 0 <= y + at_y <= now.shape[0] - tile):
            return None
        b = now[y + at_y : y + at_y + tile, x + at_x : x + at_x + tile].astype(np.float32)
        (dx, dy), response = cv2.phaseCorrelate(a - a.mean(), b - b.mean(), window)
        if response < 0.15:
            return None
        step_x, step_y = round(dx), round(dy)
        if step_x == 0 and step_y == 0:
            break
        at_x, at_y = at_x + step_x, at_y + step_y
        dx, dy = dx - step_x, dy - step_y
    return at_x + float(dx), at_y + float(dy)


def _touches(tile: tuple[int, int, int, int], box: Box | None) -> bool:
    return box is not None and tile[0] < box[2] and tile[2] > box[0] and tile[1] < box[3] and tile[3] > box[1]


def noise_level(luma: Picture) -> float:
    """Standard deviation of the noise of a plain patch, grey levels.

    Immerkær's estimator (J. Immerkær 1996, Fast noise variance estimation, Computer Vision and Image
    Understanding 64:300–302; from memory): the mean absolute response to a mask that is blind to planes.
    Texture adds to it, so take the least over several patches.
    """
    if min(luma.shape) < 5:
        return float("nan")
    mask = np.array([[1, -2, 1], [-2, 4, -2], [1, -2, 1]], np.float32)
    response = cv2.filter2D(luma.astype(np.float32), -1, mask)[1:-1, 1:-1]
    return float(np.sqrt(np.pi / 2) / 6.0 * np.mean(np.abs(response)))
