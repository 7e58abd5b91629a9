"""Dots in a picture: what a clicked dot looks like, and where such dots are, to a fraction of a pixel.

A dot is a small compact patch that differs from what surrounds it, in brightness or in colour. Its place is the centre of
gravity of that difference, after a sloping background has been taken off; a dot smeared by motion is longer, and its
centre of gravity is where it was in the middle of the exposure.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import attrs
import cv2
import numpy as np
from numpy.typing import NDArray

from midstance.film.frames import Picture
from midstance.gait.model import Floats

#: 1-SD distance of a click from the middle of its dot beyond 0.7 radii, px.
CLICK_SIGMA_PX = 1.5
#: Radii that are tried for a dot, px.
RADII_PX = (1.2, 1.7, 2.4, 3.4, 4.8, 6.8, 9.6, 13.6)
#: The surroundings a dot is held against: from this to that far beyond its edge, px. Near, so that a dot may sit on a
#: patch of tape not much larger than itself.
RING_PX = (1.2, 3.2)
#: A dot must differ from its surroundings by this many grey levels (of 255), in brightness or along its colour.
MIN_CONTRAST = 14.0
#: From here on brightness alone places the dot: it is stored in full resolution, colour in half.
LUMA_IS_ENOUGH = 25.0
#: A dot of another frame keeps at least this share of the clicked one's contrast, and at most this many times it: a smear
#: thins it out, light changes.
CONTRAST_RANGE = (0.25, 2.5)
#: Longest smear that is still taken for the dot, in radii and px: it must leave the patch around it free.
MAX_SMEAR_RADII = 5.0
MAX_SMEAR_PX = 6.0
#: 1-SD error that noise and slope of the background don't explain (compression, uneven light), px.
FLOOR_SIGMA_PX = 0.05
#: The same for a dot placed by its colour.
COLOUR_SIGMA_PX = 0.7
#: Part of a dot's height below which nothing weighs.
LEVEL = 0.2
#: 1-SD error of a dot all of whose edge is unsure, in radii.
OPEN_EDGE = 0.5
#: Most dots kept of one search.
MOST_DOTS = 10

Real = NDArray[np.float32]


@attrs.frozen
class DotLook:
    """What tells a dot from its surroundings.

    ``axis`` is the unit vector, in red, green, blue, from the surroundings' colour to the dot's; ``contrast`` its length in
    grey levels. ``luma`` is the signed difference in brightness.
    """

    radius_px: float
    axis: tuple[float, float, float]
    contrast: float
    luma: float

    def alike(self, other: DotLook) -> bool:
        """Tell whether one search finds both."""
        cosine = float(np.dot(self.axis, other.axis))
        return cosine > 0.9 and 0.75 < self.radius_px / other.radius_px < 1.33 and 0.6 < self.contrast / other.contrast < 1.6


@attrs.frozen
class Dot:
    """A dot found: its place in px of the whole picture, 1-SD error, contrast in grey levels and longest extent in px."""

    x: float
    y: float
    sigma_px: float
    contrast: float
    area_px: float
    smear_px: float


def luma_of(rgb: NDArray[np.generic]) -> Real:
    """Return brightness, 0–255, of a picture (…, 3)."""
    return np.asarray(rgb.astype(np.float32) @ np.array([0.299, 0.587, 0.114], np.float32), np.float32)


@lru_cache(maxsize=64)
def _kernels(radius: float) -> tuple[Real, Real]:
    """Return the averaging kernels of a disc and of the ring around it."""
    outer = radius + RING_PX[1]
    half = int(np.ceil(outer))
    y, x = np.mgrid[-half : half + 1, -half : half + 1]
    far = np.hypot(x, y)
    disc = np.clip(radius + 0.5 - far, 0, 1)
    ring = ((far >= radius + RING_PX[0]) & (far <= outer)).astype(np.float64)
    return (disc / disc.sum()).astype(np.float32), (ring / ring.sum()).astype(np.float32)


def disc_against_ring(channel: Real, radius: float) -> Real:
    """Mean of a disc around each pixel less the mean of the ring around that."""
    disc, ring = _kernels(radius)
    return np.asarray(cv2.filter2D(channel, -1, disc - ring, borderType=cv2.BORDER_REPLICATE), np.float32)


def look_at(rgb: Picture, x: float, y: float, radius_px: float | None = None) -> tuple[DotLook, Dot] | None:
    """Find the dot at or beside a click, and what it looks like.

    Parameters
    ----------
    rgb : (h, w, 3) the picture around the click.
    x, y : the click in pixels of ``rgb``, centre of its top-left pixel (0.5, 0.5).
    radius_px : the dot's radius where it is known.

    Returns
    -------
    The look and the dot (in pixels of ``rgb``), or None where nothing stands out.
    """
    colour = rgb.astype(np.float32)
    red, green, blue = colour[..., 0], colour[..., 1], colour[..., 2]
    channels: list[Real] = [luma_of(rgb), red - green, (0.5 * (red + green) - blue).astype(np.float32)]
    radii = RADII_PX if radius_px is None else tuple(radius_px * f for f in (0.7, 0.85, 1.0, 1.2))
    rows, columns = np.mgrid[0 : rgb.shape[0], 0 : rgb.shape[1]]
    away = np.hypot(columns + 0.5 - x, rows + 0.5 - y)
    best: tuple[float, float, int, int] | None = None
    for channel in channels:
        for radius in radii:
            response = np.abs(disc_against_ring(channel, radius))
            # A click lands on the dot or a few pixels beside it.
            score = response * np.exp(-0.5 * (away / (CLICK_SIGMA_PX + 0.7 * radius)) ** 2)
            r, c = np.unravel_index(int(score.argmax()), score.shape)
            if best is None or score[r, c] > best[0]:
                best = (float(score[r, c]), radius, int(r), int(c))
    if best is None:
        return None
    _, radius, row, column = best
    look = _look(colour, radius, row, column)
    if look is None:
        return None
    for _ in range(2):
        dot = _measure(_signal(rgb, look), look, row, column, row0=0, column0=0, smear=0.6 * MAX_SMEAR_PX)
        if dot is None:
            return None
        found = float(np.clip(np.sqrt(dot.area_px / np.pi), 0.8, 1.5 * RADII_PX[-1])) if radius_px is None else radius_px
        row, column = int(dot.y), int(dot.x)
        again = _look(colour, found, row, column)
        if again is None:
            return None
        look = again
    dot = _measure(_signal(rgb, look), look, row, column, row0=0, column0=0, smear=0.6 * MAX_SMEAR_PX)
    if dot is None or np.hypot(dot.x - x, dot.y - y) > 2.5 * CLICK_SIGMA_PX + 1.5 * look.radius_px:
        return None
    return look, dot


def _look(colour: Real, radius: float, row: int, column: int) -> DotLook | None:
    y, x = np.mgrid[0 : colour.shape[0], 0 : colour.shape[1]]
    far = np.hypot(x - column, y - row)
    inside = far <= max(0.7 * radius, 0.8)
    ring = (far >= radius + RING_PX[0]) & (far <= radius + RING_PX[1])
    if not ring.any():
        return None
    difference = np.mean(colour[inside], axis=0) - np.median(colour[ring], axis=0)
    contrast = float(np.linalg.norm(difference))
    if contrast < MIN_CONTRAST:
        return None
    axis = difference / contrast
    luma = float(difference @ np.array([0.299, 0.587, 0.114]))
    return DotLook(radius, (float(axis[0]), float(axis[1]), float(axis[2])), contrast, luma)


def by_luma(look: DotLook) -> bool:
    """Tell whether a dot is placed by its brightness alone, so that a picture in grey levels serves."""
    return abs(look.luma) >= LUMA_IS_ENOUGH and abs(look.luma) >= 0.5 * look.contrast / np.sqrt(3)


def _signal(picture: Picture, look: DotLook) -> Real:
    """Return the channel in which the dot is bright, in grey levels."""
    if by_luma(look):
        luma = picture.astype(np.float32) if picture.ndim == 2 else luma_of(picture)
        return luma * np.float32(np.sign(look.luma))
    return np.asarray(picture.astype(np.float32) @ np.array(look.axis, np.float32), np.float32)


def _own_contrast(look: DotLook) -> float:
    """Contrast of the look in the channel of ``_signal``."""
    return abs(look.luma) if by_luma(look) else look.contrast


def find_dots(picture: Picture, look: DotLook, x0: int, y0: int, *, most: int = MOST_DOTS) -> list[Dot]:
    """Return the dots of one look in a region, strongest first.

    Parameters
    ----------
    picture : (h, w, 3) the region, or (h, w) its brightness where ``by_luma`` says that this is enough.
    x0, y0 : the region's top-left corner in the whole picture; places are returned in px of the whole picture.
    """
    channel = _signal(picture, look)
    own = _own_contrast(look)
    response = disc_against_ring(channel, look.radius_px)
    reach = 2 * int(np.ceil(max(look.radius_px, 1.0))) + 1
    peak = response >= cv2.dilate(response, np.ones((reach, reach), np.uint8))
    peak &= response >= 0.8 * CONTRAST_RANGE[0] * own
    rows, columns = np.nonzero(peak)
    order = np.argsort(-response[rows, columns])[: 2 * most]
    out: list[Dot] = []
    for i in order:
        dot = _measure(channel, look, int(rows[i]), int(columns[i]), row0=y0, column0=x0, smear=MAX_SMEAR_PX)
        if dot is None or not CONTRAST_RANGE[0] * own <= dot.contrast <= CONTRAST_RANGE[1] * own:
            continue
        # One dot may show more than one crest.
        if any(np.hypot(d.x - dot.x, d.y - dot.y) < 1.0 + look.radius_px for d in out):
            continue
        out.append(dot)
        if len(out) == most:
            break
    return out


def _measure(
    channel: Real, look: DotLook, row: int, column: int, *, row0: int, column0: int, smear: float
) -> Dot | None:
    """Measure the bright dot that holds the pixel (row, column), None where it isn't compact."""
    longest = smear + MAX_SMEAR_RADII * look.radius_px
    half = int(np.ceil(0.5 * longest + look.radius_px + 3))
    top, left = max(row - half, 0), max(column - half, 0)
    patch = channel[top : row + half + 1, left : column + half + 1]
    r, c = row - top, column - left
    if min(patch.shape) < 5:
        return None
    y, x = _grid(*patch.shape)
    far = np.hypot(x - c, y - r)
    around = (far >= look.radius_px + RING_PX[0]) & (far <= look.radius_px + RING_PX[1])
    if around.sum() < 8:
        return None
    ground = float(np.median(patch[around]))
    # The highest of the pixel's neighbourhood: the response may peak beside a smeared dot's crest.
    near = patch[max(r - 1, 0) : r + 2, max(c - 1, 0) : c + 2]
    crest = float(near.max())
    if crest - ground < 0.5 * CONTRAST_RANGE[0] * _own_contrast(look):
        return None
    above = (patch > ground + 0.5 * (crest - ground)).astype(np.uint8)
    _, labels = cv2.connectedComponents(above, connectivity=4)
    seed = labels[np.unravel_index(int(np.where(far <= 1.5, patch, -np.inf).argmax()), patch.shape)]
    if seed == 0:
        return None
    body = labels == seed
    if body[0].any() or body[-1].any() or body[:, 0].any() or body[:, -1].any():
        return None
    area = float(body.sum())
    expected = np.pi * look.radius_px**2
    if area > 2.2 * expected + 2.0 * look.radius_px * smear + 6 or area < 0.25 * expected:
        return None
    wide = cv2.dilate(body.astype(np.uint8), _round(3), iterations=2).astype(bool)
    first = cv2.dilate(wide.astype(np.uint8), _round(3)).astype(bool)
    edge = cv2.dilate(first.astype(np.uint8), _round(3)).astype(bool) & ~wide
    first &= ~wide
    # Other bright bodies that reach into the surroundings (the other dot of a pair) are neither dot nor background.
    foreign = cv2.dilate(((above > 0) & ~body).astype(np.uint8), _round(3)).astype(bool)
    wide &= ~foreign
    edge &= ~foreign
    limit = 0.35 * (crest - ground)
    plane = _background(patch, x, y, edge & (np.abs(patch - ground) <= limit), edge)
    if plane is None:
        return None
    fitted, noise = plane
    open_share = 1.0 - float((first & ~foreign & (np.abs(patch - fitted) <= limit)).sum()) / float(first.sum())
    # Only what rises above a fifth of the dot weighs: the edge of the weights is then a line of equal brightness, which
    # doesn't snap to the pixels as the edge of a mask would, and what lies beyond a narrow tape stays out.
    height = float((patch - fitted)[body].max())
    # A dot hides its background: where that is darker the same cover makes a larger difference.
    step = max(height, _own_contrast(look))
    cover = (patch - fitted) / np.maximum(1.0 - (fitted - float(fitted[body].mean())) / step, 0.5)
    weight = np.where(wide, np.maximum(cover - LEVEL * height, 0.0), 0.0)
    total = float(weight.sum())
    if total <= 0:
        return None
    cx, cy = float((weight * x).sum() / total), float((weight * y).sum() / total)
    dx, dy = x - cx, y - cy
    xx, yy, xy = (float((weight * a).sum() / total) for a in (dx * dx, dy * dy, dx * dy))
    middle, turn = 0.5 * (xx + yy), float(np.hypot(0.5 * (xx - yy), xy))
    smear_px = float(np.sqrt(12.0 * 2.0 * turn))
    if smear_px > smear + 2.5 * look.radius_px or middle <= 0:
        return None
    lever = float(np.sqrt(((dx**2 + dy**2)[weight > 0]).sum() / 2.0))
    # Where the ring around it isn't background, the dot's own edge is unsure.
    unsure = OPEN_EDGE * look.radius_px * max(open_share - 0.1, 0.0)
    sigma = float(np.sqrt((noise * lever / total) ** 2 + FLOOR_SIGMA_PX**2 + unsure**2))
    if abs(look.luma) < LUMA_IS_ENOUGH:
        sigma = float(np.hypot(sigma, COLOUR_SIGMA_PX))
    return Dot(
        column0 + left + cx + 0.5, row0 + top + cy + 0.5, sigma, height, area, smear_px
    )


@lru_cache(maxsize=256)
def _grid(height: int, width: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    y, x = np.mgrid[0:height, 0:width]
    return y, x


@lru_cache(maxsize=4)
def _round(size: int) -> Picture:
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _background(
    patch: Real, x: NDArray[np.int64], y: NDArray[np.int64], like: NDArray[np.bool_], ring: NDArray[np.bool_]
) -> tuple[Floats, float] | None:
    """Lay a plane through the background around a dot: its values over the patch, and the noise about it.

    ``like`` is the part of the ``ring`` around the dot that is background; the wall beyond the edge of a leg isn't.
    """
    if like.sum() < 8:
        return None
    ex, ey, ev = x[like].astype(np.float64), y[like].astype(np.float64), patch[like].astype(np.float64)
    mx, my = ex.mean(), ey.mean()
    if like.sum() < 0.6 * ring.sum():  # a ring with a gap can't tell slope from gap
        level = float(np.median(ev))
        return np.full(patch.shape, level), float(np.std(ev))
    table = np.stack([np.ones_like(ex), ex - mx, ey - my], axis=1)
    coefficients, *_ = np.linalg.lstsq(table, ev, rcond=None)
    noise = float(np.sqrt(np.sum((ev - table @ coefficients) ** 2) / max(len(ev) - 3, 1)))
    return coefficients[0] + coefficients[1] * (x - mx) + coefficients[2] * (y - my), noise


def standing_out(rgb: Picture, x0: int, y0: int, least_contrast: float) -> list[tuple[Dot, DotLook]]:
    """Return every compact bright or dark dot of a region that stands out by ``least_contrast`` grey levels.

    For finding stickers nobody clicked; places are in px of the whole picture whose pixel (x0, y0) is the region's first.
    """
    luma = luma_of(rgb)
    axis = (1.0 / np.sqrt(3.0),) * 3
    out: list[tuple[Dot, DotLook]] = []
    for radius in RADII_PX[1:6]:
        response = disc_against_ring(luma, radius)
        reach = 2 * int(np.ceil(radius)) + 1
        strong = np.abs(response)
        crest = strong >= cv2.dilate(strong, np.ones((reach, reach), np.uint8))
        rows, columns = np.nonzero(crest & (strong >= 0.6 * least_contrast))
        for row, column in zip(rows, columns, strict=True):
            here = float(response[row, column])
            look = DotLook(radius, axis, abs(here) * float(np.sqrt(3.0)), here)
            dot = _measure(luma * np.float32(np.sign(here)), look, int(row), int(column), row0=y0, column0=x0, smear=2.0)
            if dot is None or dot.contrast < least_contrast or dot.smear_px > 2.0 * radius + 2.0 or dot.sigma_px > 0.25:
                continue
            again = [i for i, (d, _) in enumerate(out) if np.hypot(d.x - dot.x, d.y - dot.y) < 1.0 + radius]
            if not again:
                out.append((dot, look))
    return out


def same_looks(looks: Sequence[DotLook]) -> list[list[int]]:
    """Group looks that one search serves; indices into ``looks``."""
    groups: list[list[int]] = []
    for i, look in enumerate(looks):
        for group in groups:
            if looks[group[0]].alike(look):
                group.append(i)
                break
        else:
            groups.append([i])
    return groups
