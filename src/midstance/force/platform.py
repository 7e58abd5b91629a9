"""What platforms put out → force and moment about the middle of their surface, in lab axes; centre of pressure from it.

Channel layouts and the meaning of corners, origin and calibration matrix are those of the open C3D format (types 1 to 4 of
its FORCE_PLATFORM group [from memory]); the arithmetic is statics. Checked against an independent reader of the format and
against published centre-of-pressure paths in the tests.

Plate axes of the format: corner 1 lies at +x +y, 2 at -x +y, 3 at -x -y, 4 at +x -y seen from above with z pointing down.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from midstance.errors import ForceError
from midstance.gait.model import Floats

#: Number of channels of each type.
CHANNELS = {1: 6, 2: 6, 3: 8, 4: 6}
#: Edges of a plate may be out of square by this much, cosine.
SQUARE_COS = 0.05


def plate_axes(corners_m: ArrayLike, where: str = "plate") -> Floats:
    """Axes of a plate in lab axes from its corners.

    Parameters
    ----------
    corners_m : (4, 3) corners in the order of the format, m.

    Returns
    -------
    (3, 3) array whose columns are the plate's x, y and z (down) as unit vectors in lab axes.

    Raises
    ------
    ForceError
        Corners that are missing, coincide or don't make a rectangle.
    """
    c = np.asarray(corners_m, dtype=np.float64)
    if c.shape != (4, 3) or not np.isfinite(c).all():
        raise ForceError(
            f"the corners are not four points in space (shape {c.shape})", where=where, allowed="4 corners of 3 coordinates"
        )
    ex, ey = 0.5 * (c[0] - c[1] + c[3] - c[2]), 0.5 * (c[0] - c[3] + c[1] - c[2])
    lx, ly = float(np.linalg.norm(ex)), float(np.linalg.norm(ey))
    if lx < 0.05 or ly < 0.05 or abs(float(ex @ ey)) > SQUARE_COS * lx * ly:
        raise ForceError(
            f"the corners don't make a rectangle (edges {lx:.3f} m and {ly:.3f} m)",
            where=where,
            allowed="corners in the order +x+y, -x+y, -x-y, +x-y, with the unit of the points",
            next_step="put the plate's corners right in the recording software and save the file again",
        )
    ex = ex / lx
    ey = ey - (ey @ ex) * ex
    ey = ey / np.linalg.norm(ey)
    return np.column_stack([ex, ey, np.cross(ex, ey)])


def surface_wrench(
    kind: int,
    channels: ArrayLike,
    origin_m: ArrayLike,
    calibration: ArrayLike | None = None,
    *,
    where: str = "plate",
) -> Floats:
    """Force and moment about the middle of the surface, in plate axes.

    Parameters
    ----------
    kind : 1 (Fx Fy Fz, CoP x y, free moment), 2 (Fx Fy Fz Mx My Mz), 3 (Fx12 Fx34 Fy14 Fy23 Fz1 to Fz4) or 4 (as 2, before
        the calibration matrix).
    channels : (n, c) what the plate put out, N, N m and m (type 4: what the matrix takes).
    origin_m : (3,) from the sensors' origin to the middle of the surface, plate axes, m; for type 3 the distances of the
        sensors from the plate's axes and the height. The origin lies below the surface, so its z is negative; where a
        file gives it positive, the opposite vector was stored and is turned round.
    calibration : (6, 6) matrix of type 4, or of type 2 where given.

    Returns
    -------
    (n, 6) array: force (N) and moment (N m).
    """
    x = np.asarray(channels, dtype=np.float64)
    need = CHANNELS.get(kind)
    if need is None:
        raise ForceError(
            f"platform type {kind} can't be read",
            where=where,
            allowed="types 1, 2, 3 and 4",
            next_step="export forces and moments or the centre of pressure as CSV",
        )
    if x.ndim != 2 or x.shape[1] != need:
        raise ForceError(f"type {kind} has {need} channels, got shape {x.shape}", where=where)
    r = np.asarray(origin_m, dtype=np.float64).reshape(3)
    if kind == 4 and calibration is None:
        raise ForceError(
            "type 4 without its calibration matrix: the channels are volts and can't be turned into newtons",
            where=where,
            allowed="a 6 × 6 matrix in FORCE_PLATFORM:CAL_MATRIX",
            next_step="save the file again with the calibration matrix, or as type 2",
        )
    if kind == 3:
        a, b, height = abs(r[0]), abs(r[1]), -abs(r[2])
        fx, fy, fz = x[:, 0] + x[:, 1], x[:, 2] + x[:, 3], x[:, 4:].sum(axis=1)
        mx = b * (x[:, 4] + x[:, 5] - x[:, 6] - x[:, 7])
        my = a * (-x[:, 4] + x[:, 5] + x[:, 6] - x[:, 7])
        mz = b * (x[:, 1] - x[:, 0]) + a * (x[:, 2] - x[:, 3])
        return np.column_stack([fx, fy, fz, mx + fy * height, my - fx * height, mz])
    if kind == 1:
        fx, fy, fz, px, py, free = x.T
        return np.column_stack([fx, fy, fz, py * fz, -px * fz, np.nan_to_num(free) + px * fy - py * fx])
    if calibration is not None:
        m = np.asarray(calibration, dtype=np.float64)
        if m.shape != (6, 6) or not np.isfinite(m).all() or abs(np.linalg.det(m)) == 0:
            raise ForceError("the calibration matrix is not an invertible 6 × 6 matrix", where=where)
        x = x @ m.T
    if r[2] > 0:
        r = -r
    return np.column_stack([x[:, :3], x[:, 3:] - np.cross(r, x[:, :3])])


def to_lab(wrench: ArrayLike, axes: ArrayLike) -> Floats:
    """Turn an (n, 6) wrench in plate axes into lab axes; ``axes`` as from ``plate_axes``."""
    w, r = np.asarray(wrench, dtype=np.float64), np.asarray(axes, dtype=np.float64)
    return np.concatenate([w[..., :3] @ r.T, w[..., 3:] @ r.T], axis=-1)


def moved(wrench: ArrayLike, offset_m: ArrayLike) -> Floats:
    """Wrench about a point that lies ``offset_m`` (3,) from the point it was taken about, same axes."""
    w = np.asarray(wrench, dtype=np.float64)
    r = np.asarray(offset_m, dtype=np.float64)
    return np.concatenate([w[..., :3], w[..., 3:] - np.cross(r, w[..., :3])], axis=-1)


def centre_of_pressure(wrench: ArrayLike, least_n: float | ArrayLike) -> tuple[Floats, Floats]:
    """Centre of pressure and free moment from a wrench in runner's axes.

    Parameters
    ----------
    wrench : (n, 6) about the middle of the surface; columns forward, up, right.
    least_n : vertical force below which there is none: there the moments are noise divided by next to nothing.

    Returns
    -------
    cop_m : (n, 2) forward and right from the middle of the surface, m; NaN where unloaded.
    free_moment_nm : (n,) about the vertical (turning forward into the left is positive), N m; NaN where unloaded.
    """
    w = np.asarray(wrench, dtype=np.float64)
    up = w[:, 1]
    loaded = np.isfinite(up) & (up >= np.maximum(least_n, 1e-9))
    safe = np.where(loaded, up, np.nan)
    forward, right = w[:, 5] / safe, -w[:, 3] / safe
    free = w[:, 4] - (right * w[:, 0] - forward * w[:, 2])
    return np.column_stack([forward, right]), free
