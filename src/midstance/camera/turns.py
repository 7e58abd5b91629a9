"""Turns of a camera from points that were followed between two pictures: arrays in, arrays out."""

from __future__ import annotations

import attrs
import numpy as np
from scipy.spatial.transform import Rotation

from midstance.gait.model import Floats

#: Robust fit: residuals beyond this many scales count for nothing, and the scale is never taken below this, px.
TUKEY, LEAST_SCALE_PX = 4.7, 0.15
#: First width of the robust fit, px of the film (or more where the start is farther off), and the number of steps.
START_PX, STEPS = 12.0, 7
#: 1 SD allowed to shear and stretch of a picture read out row by row, per px. A pan of a picture's width a second read out
#: in 30 ms shears by 0.05.
SHEAR_PRIOR = 0.03
LEAST_POINTS = 10


def from_flat(flat: Floats) -> Floats:
    """Return (..., 3) directions of (..., 2) picture coordinates in focal lengths from the middle."""
    return np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1)


def to_flat(rays: Floats) -> Floats:
    """Return (..., 2) picture coordinates of directions; NaN for what lies beside or behind the camera."""
    depth = np.where(rays[..., 2:] > 1e-3, rays[..., 2:], np.nan)
    return np.asarray(rays[..., :2] / depth)


@attrs.frozen(eq=False)
class Turn:
    """One picture against another.

    ``turn_rad`` (3,) rotation vector, ``log_zoom``; ``shear`` (2,): px in x and in y that a point is moved for each px
    it lies later in the order of read-out, against the other picture. ``covariance`` (6, 6) of these in this order, with
    ``turn_rad`` first. ``residual_px``: robust scale of what is left; ``far_px``: 80th percentile of it over all points;
    ``inliers``: share of the points that fit; ``cost``: sum of log(1 + residual² / px²), to compare fits by.
    """

    turn_rad: Floats
    log_zoom: float
    shear: Floats
    covariance: Floats
    residual_px: float
    far_px: float
    cost: float
    inliers: float
    points: int


def fit_turn(
    first_px: Floats,
    second_px: Floats,
    *,
    focal_px: float,
    centre_px: Floats,
    start: Turn | None = None,
    zoom_too: bool = True,
    readout_axis: int = 1,
) -> Turn | None:
    """Find the turn of the camera between two pictures from points seen in both; None when there are too few.

    Robust Gauss-Newton: Tukey's weights with a width that shrinks from ``START_PX`` to what the residuals are, so that
    people, shadows and wrongly followed points drop out.

    Parameters
    ----------
    first_px, second_px : (n, 2) the points in both pictures, px.
    start : where to begin, such as the turn of the picture before.
    zoom_too : False holds the focal length still.
    readout_axis : 1 when rows are read one after the other, 0 when columns are (a picture turned upright).
    """
    good = np.isfinite(first_px).all(axis=1) & np.isfinite(second_px).all(axis=1)
    first, second = first_px[good], second_px[good]
    n = len(first)
    if n < LEAST_POINTS:
        return None
    rays = from_flat((first - centre_px) / focal_px)
    seen = second - centre_px
    late = seen[:, readout_axis]
    p = np.zeros(6)
    if start is not None:
        p[:3], p[3], p[4:] = start.turn_rad, start.log_zoom, start.shear
    else:
        shift = np.median(second - first, axis=0) / focal_px
        p[:2] = -shift[1], shift[0]
    prior = np.array([0.0, 0.0, 0.0, 0.0 if zoom_too else 1e12, SHEAR_PRIOR**-2, SHEAR_PRIOR**-2])
    width = START_PX
    for step in range(STEPS):
        model, jacobian = _model(p, rays, late, focal_px)
        rest = seen - model
        far = np.hypot(*rest.T)
        scale = max(
            1.4826 * float(np.median(far)) / 1.177, LEAST_SCALE_PX
        )  # of one axis; the median radius is 1.177 of it
        width = max(START_PX, 2.5 * float(np.median(far))) if step == 0 else max(0.45 * width, TUKEY * scale)
        weight = np.where(far < width, (1.0 - (far / width) ** 2) ** 2, 0.0)
        if int((weight > 0).sum()) < LEAST_POINTS:
            return None
        jw = jacobian * weight[:, None, None]
        normal = np.einsum("nai,naj->ij", jw, jacobian) / scale**2 + np.diag(prior)
        wanted = np.einsum("nai,na->i", jw, rest) / scale**2 - prior * p
        change = np.linalg.solve(normal + 1e-9 * np.diag(np.diag(normal)), wanted)
        p[:3] = (Rotation.from_rotvec(change[:3]) * Rotation.from_rotvec(p[:3])).as_rotvec()
        p[3:] += change[3:]
    fits = far < TUKEY * scale
    # Followed points are not independent: features cluster, and the picture's own blur is common to them.
    covariance = np.linalg.inv(normal + 1e-9 * np.diag(np.diag(normal))) * 2.0
    cost = float(np.sum(np.log1p(far**2)))
    return Turn(p[:3], float(p[3]), p[4:], covariance, scale, float(np.quantile(far, 0.8)), cost, float(fits.mean()), n)


def _model(p: Floats, rays: Floats, late: Floats, focal_px: float) -> tuple[Floats, Floats]:
    """Return where the points should be seen, px from the middle, and the (n, 2, 6) derivatives."""
    turned = rays @ Rotation.from_rotvec(p[:3]).as_matrix().T
    depth = np.maximum(turned[:, 2], 0.05)
    flat = turned[:, :2] / depth[:, None]
    focal = focal_px * np.exp(p[3])
    out = focal * flat + np.outer(late, p[4:])
    x, y = flat.T
    jacobian = np.zeros((len(rays), 2, 6))
    # A small further turn w moves a direction d by w × d.
    jacobian[:, 0, :3] = focal * np.stack([-x * y, 1 + x * x, -y], axis=1)
    jacobian[:, 1, :3] = focal * np.stack([-(1 + y * y), x * y, x], axis=1)
    jacobian[:, :, 3] = focal * flat
    jacobian[:, 0, 4] = late
    jacobian[:, 1, 5] = late
    return out, jacobian
