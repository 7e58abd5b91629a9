"""From a square region of the picture to 33 landmarks, read off the network's heat maps.

The network answers twice: with 39 coordinates, and with a 64 × 64 heat map for each. The coordinates are refined by the
centre of mass of the heat map around them; without this step landmarks move by 0.7–3 % of body height. The heat map
also tells how sure the network is: its peak and its spread are kept for the noise model.
"""

from __future__ import annotations

import attrs
import cv2
import numpy as np
from numpy.typing import NDArray

from midstance.gait.model import LANDMARKS, Floats
from midstance.pose.runtime import Arrays

INPUT_PX = 256
HEAT_CELLS = 64
#: Half width of the refinement window in heat-map cells (a 7 × 7 window), as the network was built to be used.
REFINE_HALF = 3
#: A landmark is refined only where its heat map reaches this confidence.
REFINE_MIN_PEAK = 0.5
N_RAW = 39
N_PUBLIC = len(LANDMARKS)


@attrs.frozen
class Region:
    """A square of the upright picture: centre and side length in pixels."""

    x: float
    y: float
    size: float

    @property
    def corner(self) -> tuple[float, float]:
        """Left and top edge, pixels."""
        return self.x - self.size / 2, self.y - self.size / 2


@attrs.frozen(eq=False)
class Reading:
    """What the network says of one region.

    Attributes
    ----------
    xy : (33, 2) image pixels.
    visibility : (33,) 0–1, the network's own visibility.
    peak : (33,) 0–1, highest heat-map confidence near the landmark; low where the landmark is a guess.
    presence : 0–1, that there is a person in the region at all.
    centre : (2,) image pixels, the body's centre (between the hips).
    body_px : radius-like size of the body in pixels, from which the next region is made.
    """

    xy: Floats
    visibility: Floats
    peak: Floats
    presence: float
    centre: Floats
    body_px: float


def network_input(rgb: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return the (1, 256, 256, 3) network input of a square RGB region (channels in the order R, G, B)."""
    if rgb.ndim != 3 or rgb.shape[2] != 3 or rgb.dtype != np.uint8:
        raise ValueError(f"expected an (H, W, 3) uint8 RGB picture, got {rgb.shape} {rgb.dtype}")
    side = rgb.shape[0]
    # Area averaging when shrinking: plain bilinear sampling would alias and make landmarks tremble.
    how = cv2.INTER_AREA if side > INPUT_PX else cv2.INTER_LINEAR
    small = cv2.resize(rgb, (INPUT_PX, INPUT_PX), interpolation=how)
    return np.multiply(small, np.float32(1 / 255), dtype=np.float32)[None]


def _sigmoid(x: NDArray[np.float32]) -> NDArray[np.float32]:
    return (1.0 / (1.0 + np.exp(-np.clip(x, -60, 60)))).astype(np.float32)


_ROWS, _COLS = np.meshgrid(
    np.arange(-REFINE_HALF, REFINE_HALF + 1), np.arange(-REFINE_HALF, REFINE_HALF + 1), indexing="ij"
)


def refine(xy: Floats, heat: NDArray[np.float32]) -> tuple[Floats, Floats]:
    """Refine coordinates by their heat maps.

    Parameters
    ----------
    xy : (k, 2) coordinates as fractions of the region, 0–1.
    heat : (64, 64, k) raw heat maps (before the sigmoid), rows first.

    Returns
    -------
    xy : (k, 2) refined fractions; unrefined where the heat map is too weak.
    peak : (k,) highest confidence in the window, 0–1; 0 where the window lies outside the region.
    """
    k = len(xy)
    cell = np.floor(xy * HEAT_CELLS).astype(int)
    rows = cell[:, 1, None, None] + _ROWS
    cols = cell[:, 0, None, None] + _COLS
    # A landmark outside the region has no heat map to be refined by.
    inside = (rows >= 0) & (rows < HEAT_CELLS) & (cols >= 0) & (cols < HEAT_CELLS)
    in_region = (cell >= 0) & (cell < HEAT_CELLS)
    inside &= (in_region[:, 0] & in_region[:, 1])[:, None, None]
    values = heat[
        np.clip(rows, 0, HEAT_CELLS - 1), np.clip(cols, 0, HEAT_CELLS - 1), np.arange(k)[:, None, None]
    ]
    weight = np.where(inside, _sigmoid(values), 0.0).astype(np.float64)
    total = weight.sum(axis=(1, 2))
    peak = weight.max(axis=(1, 2))
    good = (peak >= REFINE_MIN_PEAK) & (total > 0)
    safe = np.where(total > 0, total, 1.0)
    mean = np.stack([(weight * cols).sum(axis=(1, 2)) / safe, (weight * rows).sum(axis=(1, 2)) / safe], axis=1)
    return np.where(good[:, None], mean / HEAT_CELLS, xy), peak


def decode(result: Arrays, region: Region) -> Reading:
    """Turn the network's raw output into a reading in image pixels."""
    raw = result["points"].reshape(N_RAW, 5).astype(np.float64)
    fractions, peak = refine(raw[:, :2] / INPUT_PX, result["heat"][0])
    left, top = region.corner
    xy = fractions * region.size + (left, top)
    centre, scale = xy[N_PUBLIC], xy[N_PUBLIC + 1]
    return Reading(
        xy=xy[:N_PUBLIC],
        visibility=_sigmoid(raw[:N_PUBLIC, 3].astype(np.float32)).astype(np.float64),
        peak=peak[:N_PUBLIC],
        presence=float(result["presence"].reshape(-1)[0]),
        centre=centre,
        body_px=float(np.hypot(*(scale - centre))),
    )
