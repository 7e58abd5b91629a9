"""A still camera as a pinhole with a radially distorting lens: from points in metres to pixels and back.

World axes: X along the direction of travel, Y up, Z to the runner's right, metres; y = 0 is the belt or ground. Camera
axes: x to the right of the picture, y down, z into the scene; ``X_camera = R X + t``. Pixels as everywhere: y down, the
centre of the top-left pixel is (0.5, 0.5), so that the middle of a picture is (width / 2, height / 2).

The lens is the usual polynomial one (the radial part of the Brown-Conrady model): a point at radius r from the optical
axis, in units of the focal length, is shown at r (1 + k1 r² + k2 r⁴ + k3 r⁶).
"""

from __future__ import annotations

from typing import Any

import attrs
import numpy as np
from numpy.typing import ArrayLike

from midstance.errors import OptionError
from midstance.gait.model import Floats

_NEWTON_STEPS = 12


def _frozen(value: ArrayLike, shape: tuple[int, ...], name: str) -> Floats:
    out = np.array(value, dtype=np.float64)
    if out.shape != shape or not np.isfinite(out).all():
        raise ValueError(f"{name}: expected {shape} finite numbers, got shape {out.shape}")
    out.setflags(write=False)
    return out


def _rotation(value: ArrayLike) -> Floats:
    return _frozen(value, (3, 3), "Camera.rotation")


def _translation(value: ArrayLike) -> Floats:
    return _frozen(value, (3,), "Camera.translation")


@attrs.frozen
class Lens:
    """What is known of a lens.

    Attributes
    ----------
    k1, k2, k3 : radial distortion, dimensionless (radius in focal lengths). Barrel distortion has k1 < 0.
    focal_px : focal length in pixels of a picture ``size_px`` large; None when unknown.
    size_px : (width, height) of the pictures that ``focal_px`` and ``centre_px`` belong to; None: the film's own.
    centre_px : principal point; None: the middle of the picture.
    focal_relative_sigma : 1-SD relative error of the focal length.
    source : where it comes from, for the report.
    """

    k1: float = 0.0
    k2: float = 0.0
    k3: float = 0.0
    focal_px: float | None = None
    size_px: tuple[int, int] | None = None
    centre_px: tuple[float, float] | None = None
    focal_relative_sigma: float = 0.01
    source: str = "given"

    def __attrs_post_init__(self) -> None:
        numbers = [self.k1, self.k2, self.k3, self.focal_relative_sigma, *(self.centre_px or ()), *(self.size_px or ())]
        if not np.isfinite(numbers).all() or not self.focal_relative_sigma > 0:
            raise ValueError("Lens: all numbers must be finite, the error of the focal length above 0")
        if self.focal_px is not None and not 0 < self.focal_px < 1e6:
            raise ValueError(f"Lens: a focal length of {self.focal_px} px is not possible")
        if self.distorts and self.focal_px is None:
            raise ValueError("Lens: distortion is measured in focal lengths, so it needs focal_px")

    @property
    def distorts(self) -> bool:
        """True when straight lines are bent."""
        return any(k != 0.0 for k in (self.k1, self.k2, self.k3))

    def for_size(self, size_px: tuple[int, int]) -> Lens:
        """Return the lens for pictures of another size of the same shape.

        Raises
        ------
        OptionError
            The two sizes differ in shape: the film then shows a cut-out of the calibrated picture, and nothing says which.
        """
        if self.size_px is None or tuple(self.size_px) == tuple(size_px):
            return attrs.evolve(self, size_px=(int(size_px[0]), int(size_px[1])))
        sx, sy = size_px[0] / self.size_px[0], size_px[1] / self.size_px[1]
        if abs(sx / sy - 1.0) > 0.01:
            raise OptionError(
                f"the lens belongs to pictures of {self.size_px[0]} × {self.size_px[1]} px, "
                f"the film has {size_px[0]} × {size_px[1]} px, another shape",
                where="lens",
                allowed="pictures of one shape, upright alike, taken with the same camera mode",
                next_step="calibrate the lens again with pictures taken in the mode the film was taken in",
            )
        centre = None if self.centre_px is None else (self.centre_px[0] * sx, self.centre_px[1] * sy)
        focal = None if self.focal_px is None else self.focal_px * float(np.sqrt(sx * sy))
        return attrs.evolve(self, size_px=(int(size_px[0]), int(size_px[1])), focal_px=focal, centre_px=centre)

    def as_dict(self) -> dict[str, Any]:
        """Return it as the marks file holds it."""
        out: dict[str, Any] = {"k1": self.k1, "k2": self.k2, "k3": self.k3}
        if self.focal_px is not None:
            out |= {"focal_px": self.focal_px, "focal_relative_sigma": self.focal_relative_sigma}
        if self.size_px is not None:
            out["size_px"] = list(self.size_px)
        if self.centre_px is not None:
            out["centre_px"] = list(self.centre_px)
        return out | {"source": self.source}


@attrs.frozen(eq=False)
class Camera:
    """A camera that stands still.

    Attributes
    ----------
    size_px : (width, height) of the picture.
    focal_px : focal length, px; pixels are square.
    rotation, translation : (3, 3) and (3,), world to camera, m.
    centre_px : principal point, px.
    k : (k1, k2, k3) of the lens.
    """

    size_px: tuple[int, int]
    focal_px: float
    rotation: Floats = attrs.field(converter=_rotation)
    translation: Floats = attrs.field(converter=_translation)
    centre_px: tuple[float, float] | None = None
    k: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __attrs_post_init__(self) -> None:
        if not self.focal_px > 0:
            raise ValueError(f"Camera.focal_px must be above 0, got {self.focal_px}")
        if np.abs(self.rotation @ self.rotation.T - np.eye(3)).max() > 1e-6 or np.linalg.det(self.rotation) < 0:
            raise ValueError("Camera.rotation is not a rotation")

    @property
    def centre(self) -> Floats:
        """Principal point, (2,) px."""
        return np.array(self.centre_px or (self.size_px[0] / 2.0, self.size_px[1] / 2.0))

    @property
    def position_m(self) -> Floats:
        """Place of the camera in the world, (3,) m."""
        return np.asarray(-self.rotation.T @ self.translation)

    @property
    def forward(self) -> Floats:
        """Direction of the optical axis in the world, (3,)."""
        return np.asarray(self.rotation[2])

    @property
    def roll_deg(self) -> float:
        """Slope of the true horizontal in the middle of the picture, degrees, + when it rises to the right as seen."""
        # The image of the vertical through the optical axis runs along (R01, R11).
        return float(-np.degrees(np.arctan2(self.rotation[0, 1], -self.rotation[1, 1])))

    @property
    def tilt_deg(self) -> float:
        """Angle of the optical axis above the horizontal, degrees."""
        return float(np.degrees(np.arcsin(np.clip(self.forward[1], -1.0, 1.0))))

    def project(self, points_m: ArrayLike) -> Floats:
        """Return the (..., 2) pixels of (..., 3) points, NaN for points behind the camera."""
        seen = np.asarray(points_m, dtype=np.float64) @ self.rotation.T + self.translation
        depth = np.where(seen[..., 2:] > 1e-6, seen[..., 2:], np.nan)
        flat = seen[..., :2] / depth
        return np.asarray(flat * self._stretch(np.sum(flat**2, axis=-1))[..., None] * self.focal_px + self.centre)

    def depth(self, points_m: ArrayLike) -> Floats:
        """Return the (...) distances along the optical axis of (..., 3) points, m."""
        return np.asarray((np.asarray(points_m, dtype=np.float64) @ self.rotation.T + self.translation)[..., 2])

    def _stretch(self, r2: Floats) -> Floats:
        k1, k2, k3 = self.k
        return np.asarray(1.0 + r2 * (k1 + r2 * (k2 + r2 * k3)))

    def undistort(self, xy_px: ArrayLike) -> Floats:
        """Return (..., 2) ideal picture coordinates in focal lengths from the optical axis, for (..., 2) pixels.

        NaN where no point of the scene can have been shown by this lens: beyond the radius at which its polynomial
        turns back.
        """
        flat = (np.asarray(xy_px, dtype=np.float64) - self.centre) / self.focal_px
        if self.k == (0.0, 0.0, 0.0):
            return np.asarray(flat)
        k1, k2, k3 = self.k
        shown = np.sqrt(np.sum(flat**2, axis=-1))
        r = shown.copy()
        with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
            for _ in range(_NEWTON_STEPS):
                r2 = r * r
                slope = 1.0 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3))
                r = r - (r * self._stretch(r2) - shown) / slope
            r2 = r * r
            slope = 1.0 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3))
            good = (np.abs(r * self._stretch(r2) - shown) < 1e-9 + 1e-6 * shown) & (slope > 0) & (r >= 0)
            ratio = np.where(shown > 0, r / np.where(shown > 0, shown, 1.0), 1.0)
        return np.asarray(np.where(good, ratio, np.nan)[..., None] * flat)

    def rays(self, xy_px: ArrayLike) -> Floats:
        """Return the (..., 3) directions in the world in which (..., 2) pixels lie; not of unit length."""
        flat = self.undistort(xy_px)
        return np.asarray(np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1) @ self.rotation)

    def on_plane(self, xy_px: ArrayLike, axis: int, at_m: ArrayLike) -> Floats:
        """Return where the rays of (..., 2) pixels meet the plane on which world coordinate ``axis`` is ``at_m``.

        Parameters
        ----------
        axis : 0 for planes across the travel, 1 for level ones, 2 for planes along the travel.
        at_m : (...) places of the planes, m, one for all or one for each pixel.

        Returns
        -------
        (..., 3) points, m; NaN where the ray is parallel to its plane or meets it behind the camera.
        """
        rays, start = self.rays(xy_px), self.position_m
        with np.errstate(divide="ignore", invalid="ignore"):
            along = (np.asarray(at_m, dtype=np.float64) - start[axis]) / rays[..., axis]
        along = np.where(np.isfinite(along) & (along > 0), along, np.nan)
        return np.asarray(start + along[..., None] * rays)
