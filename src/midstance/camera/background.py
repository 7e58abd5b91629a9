"""Following the still surroundings of a runner through a film, and the camera's motion from them.

Points with texture are marked in a *key picture* away from the runner and followed in the pictures after it, always
against the key picture itself, so that errors don't add up from picture to picture. When the camera has turned far, or too
few points are left, a new key picture is taken. The fits are done once the film has been read: every picture against its
key, keys chained to each other. Memory: at most ``MOST_POINTS`` points for each picture looked at.
"""

from __future__ import annotations

from collections.abc import Callable

import attrs
import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from midstance.camera.chain import Link, solve_motion
from midstance.camera.motion import CameraMotion
from midstance.film.frames import Picture
from midstance.film.picture_checks import picture_roll
from midstance.gait.model import Floats

#: Long side of the picture that is looked at, px, and real time between pictures, s: hands shake at up to 10 Hz.
LONG_PX, EVERY_S = 480, 1.0 / 30.0
#: A camera that has not moved for this many pictures in a row is looked at this many times more rarely.
CALM_PICTURES, CALM_EVERY, CALM_PX = 6, 3, 0.25
#: Points in a key picture, most of them kept for a fit, least distance between them, px of the small picture.
MOST_POINTS, POINT_APART_PX = 160, 9
#: A new key picture is taken when points have moved by this share of the width, or fewer than this share are left.
KEY_SHIFT, KEY_LEFT = 0.16, 0.5
#: Pictures between readings of upright edges while the camera moves, and most such readings.
UPRIGHT_EVERY, MOST_UPRIGHTS = 20, 40
#: Margins around the runner, shares of the height of the landmarks' box: hair, hands, shoes, shadow.
GROWN = 0.12
#: Window, levels and end of the search for a point.
_WINDOW, _LEVELS = (17, 17), 2
_UNTIL = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 12, 0.02)
#: Points whose surroundings differ from the key picture's by more than this were lost, grey levels.
LOST_LEVELS = 24.0


@attrs.define(eq=False)
class _Key:
    index: int
    picture: Picture
    points: NDArray[np.float32]


class BackgroundMotion:
    """Gathers how the surroundings move while a film is being read, then tells how the camera did.

    Offer it every picture, or any subset: ``wants`` tells whether it would look at one of that time. The costs are about
    2 ms for each picture looked at, 30 a second of real time, fewer while the camera stands still.

    Parameters
    ----------
    size_px : (width, height) of the upright picture.
    slowdown : file seconds for each second of real time.
    treadmill : the belt and what is beside it are left out too.
    """

    def __init__(self, size_px: tuple[int, int], *, slowdown: float = 1.0, treadmill: bool = False) -> None:
        self._size, self._slowdown, self._treadmill = size_px, slowdown, treadmill
        self.width_px = min(round(LONG_PX * size_px[0] / max(size_px)), size_px[0])
        self._ratio = size_px[0] / self.width_px
        self._every_s = EVERY_S * slowdown
        self._next_s = -np.inf
        self._key: _Key | None = None
        self._at: NDArray[np.float32] | None = None  # where the key's points are now
        self._before: NDArray[np.float32] | None = None
        self._alive: NDArray[np.bool_] = np.zeros(0, bool)
        self._calm = self._last_upright = 0
        self._times: list[float] = []
        self._links: list[Link] = []
        self._uprights: list[tuple[int, float, float]] = []

    def wants(self, file_time_s: float) -> bool:
        """Whether ``add`` would look at a picture of this file time."""
        return file_time_s >= self._next_s - 1e-9

    def add(self, file_time_s: float, luma: Picture, runner_xy_px: ArrayLike | None) -> None:
        """Look at a picture.

        Parameters
        ----------
        file_time_s : its time in the file, s.
        luma : the upright luma picture reduced to ``width_px`` across.
        runner_xy_px : (k, 2) landmarks of the runner in pixels of the film, NaN where missing; None without a runner.
        """
        if not self.wants(file_time_s):
            return
        box = self._box(runner_xy_px)
        index = len(self._times)
        self._times.append(file_time_s)
        if self._key is None:
            self._take_key(index, luma, box)
        else:
            self._follow(index, luma, box)
        rare = CALM_EVERY if self._calm >= CALM_PICTURES else 1
        self._next_s = file_time_s + rare * self._every_s

    def motion(
        self, real_times_s: Callable[[Floats], Floats], *, focal_px: float | None = None, focal_relative_sigma: float = 0.01,
        body_px: float | None = None, readout_axis: int = 1,
    ) -> CameraMotion:  # fmt: skip
        """Return how the camera moved.

        Parameters
        ----------
        real_times_s : turns file times into real times, s.
        focal_px, focal_relative_sigma : focal length where it is known; else it is found from a pan, or assumed.
        body_px : height of the runner, px, against which "still" is judged; None takes half of the picture.
        readout_axis : 1 where rows of the upright picture are read one after the other, 0 where its columns are.
        """
        times_s = np.asarray(real_times_s(np.asarray(self._times, dtype=np.float64)), dtype=np.float64)
        uprights = np.array([(times_s[i], lean, spread) for i, lean, spread in self._uprights]).reshape(-1, 3)
        return solve_motion(
            times_s,
            self._links,
            size_px=self._size,
            focal_px=focal_px,
            focal_relative_sigma=focal_relative_sigma,
            body_px=body_px,
            readout_axis=readout_axis,
            uprights=uprights,
        )

    # --- one picture ---

    def _box(self, runner_xy_px: ArrayLike | None) -> tuple[float, float, float, float] | None:
        if runner_xy_px is None:
            return None
        xy = np.asarray(runner_xy_px, dtype=np.float64)
        xy = xy[np.isfinite(xy).all(axis=1)]
        if len(xy) < 4:
            return None
        (x0, y0), (x1, y1) = xy.min(axis=0) / self._ratio, xy.max(axis=0) / self._ratio
        more = GROWN * (y1 - y0)
        return x0 - more, y0 - more, x1 + more, y1 + more

    def _hidden(self, points: NDArray[np.float32], box: tuple[float, float, float, float] | None) -> NDArray[np.bool_]:
        """Tell which points lie on the runner or, on a treadmill, on the belt and its frame."""
        out = np.zeros(len(points), bool)
        if box is None:
            return out
        x, y = points.T
        x0, y0, x1, y1 = box
        out |= (x > x0) & (x < x1) & (y > y0) & (y < y1)
        if self._treadmill:
            high, middle = y1 - y0, 0.5 * (x0 + x1)
            # A belt is about 1.5 m long and a runner's box 1.6 to 1.9 m high; its frame doesn't move, the belt does.
            out |= (np.abs(x - middle) < 0.7 * high) & (y > y1 - 0.2 * high)
        return out

    def _take_key(self, index: int, luma: Picture, box: tuple[float, float, float, float] | None) -> None:
        mask = np.full(luma.shape, 255, np.uint8)
        if box is not None:
            x0, y0, x1, y1 = (max(0, int(v)) for v in box)
            mask[y0:y1, x0:x1] = 0
            if self._treadmill:
                high, middle = y1 - y0, (x0 + x1) // 2
                mask[max(0, int(y1 - 0.2 * high)) :, max(0, int(middle - 0.7 * high)) : int(middle + 0.7 * high)] = 0
        found = _spread_points(luma, mask)
        self._key = _Key(index, luma, found)
        self._at, self._before = found.copy(), None
        self._alive = np.ones(len(found), bool)
        self._read_upright(index, luma, box)

    def _read_upright(self, index: int, luma: Picture, box: tuple[float, float, float, float] | None) -> None:
        self._last_upright = index
        roll = picture_roll(luma, box, level_lines_too=False)
        if roll is not None:
            self._uprights.append((index, roll.angle_deg, roll.spread_deg))

    def _follow(self, index: int, luma: Picture, box: tuple[float, float, float, float] | None) -> None:
        assert self._key is not None
        assert self._at is not None
        key, before = self._key, self._at
        if int(self._alive.sum()) < 4:
            self._take_key(index, luma, box)  # a break in the chain: nothing links the two
            return
        step = np.zeros(2, np.float32)
        if self._before is not None:
            step = np.median((before - self._before)[self._alive], axis=0)
        guess = before + step
        followed = cv2.calcOpticalFlowPyrLK(
            key.picture,
            luma,
            key.points.reshape(-1, 1, 2),
            np.array(guess, dtype=np.float32).reshape(-1, 1, 2),
            winSize=_WINDOW,
            maxLevel=_LEVELS,
            criteria=_UNTIL,
            flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
        )
        at = np.asarray(followed[0], dtype=np.float32).reshape(-1, 2)
        found, error = np.asarray(followed[1]).ravel(), np.asarray(followed[2]).ravel()
        height, width = luma.shape
        edge = 4.0
        inside = (at[:, 0] > edge) & (at[:, 0] < width - edge) & (at[:, 1] > edge) & (at[:, 1] < height - edge)
        good = self._alive & (found > 0) & (error < LOST_LEVELS) & inside & ~self._hidden(at, box)
        # A point that the runner hides now may come back: it goes along with the others meanwhile.
        shift = np.median((at - before)[good], axis=0) if good.any() else step
        moved = np.where(good[:, None], at, before + shift).astype(np.float32)
        self._alive = self._alive & (inside | ~good)
        half = 0.5  # the middle of the top-left pixel is (0.5, 0.5)
        self._links.append(
            Link(key.index, index, (key.points[good] + half) * self._ratio, (at[good] + half) * self._ratio)
        )
        self._before, self._at = before, moved
        far = float(np.median(np.hypot(*(at - key.points)[good].T))) if good.any() else np.inf
        last = float(np.hypot(*shift))
        self._calm = self._calm + 1 if last < CALM_PX and far < 4 * CALM_PX else 0
        few = int(good.sum()) < max(12, KEY_LEFT * len(key.points))
        if far > KEY_SHIFT * width or few:
            self._take_key(index, luma, box)
        elif index - self._last_upright >= UPRIGHT_EVERY and self._calm == 0 and len(self._uprights) < MOST_UPRIGHTS:
            self._read_upright(index, luma, box)


def _spread_points(luma: Picture, mask: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Return points with texture, the best of each of 6 × 4 parts of the picture: one busy corner can't take all."""
    height, width = luma.shape
    columns, rows = 6, 4
    each = MOST_POINTS // (columns * rows) + 1
    out = []
    strength = cv2.cornerMinEigenVal(luma, 5)
    strength[mask == 0] = 0.0
    strength[:6], strength[-6:], strength[:, :6], strength[:, -6:] = 0.0, 0.0, 0.0, 0.0
    least = max(0.01 * float(strength.max(initial=0.0)), 2e-5)
    # A point is the strongest within its surroundings.
    peak = (strength == cv2.dilate(strength, np.ones((POINT_APART_PX, POINT_APART_PX), np.uint8))) & (strength > least)
    for row in range(rows):
        for column in range(columns):
            y0, y1 = row * height // rows, (row + 1) * height // rows
            x0, x1 = column * width // columns, (column + 1) * width // columns
            y, x = np.nonzero(peak[y0:y1, x0:x1])
            order = np.argsort(strength[y0 + y, x0 + x])[::-1][:each]
            out.append(np.stack([x[order] + x0, y[order] + y0], axis=1))
    return np.concatenate(out).astype(np.float32).reshape(-1, 2)
