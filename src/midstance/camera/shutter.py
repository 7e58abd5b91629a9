"""Rolling shutter and exposure: when each part of a picture was seen, and paths as if all of it were seen at once.

Most cameras read a picture row by row, from top to bottom of the picture as stored, within 8 to 30 ms [from memory]. What
moves to the right while the rows are read leans: later rows, the lower ones, show it farther on. The time of a frame is
here that of its middle row (or column).
"""

from __future__ import annotations

import re

import attrs
import numpy as np

from midstance.errors import OptionError
from midstance.gait.model import Floats, LandmarkPaths, State
from midstance.signals.filters import finite_runs
from midstance.signals.timebase import resample

#: Read-out times that can be given, s: a whole picture interval at 24 pictures a second is more than any phone takes.
READOUT_S = (0.0, 0.042)
#: Read-out time of an unknown camera and its 1-SD error, s: between 8 and 30 ms [from memory], but never longer than the
#: time between two pictures, of which it takes the share below. Its direction is that of the stored picture, top to
#: bottom, in nearly all cameras [from memory]: its effect has a known sign but not a known size.
#: The errors leave room for a picture taken all at once.
USUAL_READOUT_S, USUAL_READOUT_SIGMA_S = 0.016, 0.008
USUAL_SHARE, USUAL_SHARE_SIGMA = 0.65, 0.32


@attrs.frozen
class Readout:
    """How long a camera takes to read out a picture, s, with its 1-SD error, and where that comes from.

    ``seconds`` is signed: + from top to bottom of the upright picture (from left to right where ``axis`` is 0). ``axis`` is
    1 where rows of the upright picture are read one after the other, 0 where columns are.
    """

    seconds: float
    sigma_s: float
    axis: int
    source: str


def parse_readout(text: str) -> float:
    """Return seconds from "16ms", "0.016s" or "16"; a bare number is milliseconds."""
    match = re.fullmatch(r"\s*([0-9]+(?:\.[0-9]+)?)\s*(ms|s)?\s*", text.lower())
    seconds = float(match[1]) * (1.0 if match[2] == "s" else 1e-3) if match else float("nan")
    if not READOUT_S[0] <= seconds <= READOUT_S[1]:
        raise OptionError(
            f"“{text}” is not a read-out time of a camera",
            where="--readout",
            allowed=f"{1000 * READOUT_S[0]:g} ms (all of the picture at once) to {1000 * READOUT_S[1]:g} ms, such as 16ms",
            next_step="leave it out if you don't know it; the intervals then allow for it",
        )
    return seconds


def readout_of(
    rotation_deg: int,
    capture_fps: float,
    *,
    given_s: float | None = None,
    found: tuple[float, float] | None = None,
) -> Readout:
    """Return the read-out of a film as it lies in the upright picture.

    Parameters
    ----------
    rotation_deg : of the film (``FilmInfo``): the clockwise turn that makes the stored picture upright.
    capture_fps : pictures taken in a second of real time: each is read before the next one.
    given_s : time that the user gave; it wins.
    found : signed time along the upright picture and its 1-SD error (``CameraMotion.readout_s``), s; used where it is surer
        than what is usual, or speaks against it.

    Notes
    -----
    The stored picture's top is read first. Turned clockwise by 90 degrees the top becomes the right edge, so the upright
    picture is read from right to left; by 180 degrees, from bottom to top; by 270, from left to right. A picture mirrored
    left to right before that keeps its top.
    """
    axis = 0 if rotation_deg in (90, 270) else 1
    sign = {0: 1.0, 90: -1.0, 180: -1.0, 270: 1.0}[rotation_deg % 360]
    if given_s is not None:
        return Readout(sign * given_s, 0.05 * given_s, axis, "given")
    interval_s = 1.0 / capture_fps
    usual_s = sign * min(USUAL_READOUT_S, USUAL_SHARE * interval_s)
    usual_sigma_s = min(USUAL_READOUT_SIGMA_S, USUAL_SHARE_SIGMA * interval_s)
    if found is not None and (
        found[1] < usual_sigma_s or abs(found[0] - usual_s) > 2.0 * np.hypot(found[1], usual_sigma_s)
    ):
        return Readout(found[0], found[1], axis, "found from how the surroundings shear")
    return Readout(usual_s, usual_sigma_s, axis, "unknown")


def row_offsets_s(xy: Floats, readout: Readout, size_px: tuple[int, int]) -> Floats:
    """Return how much later than its frame's time each point was seen, s, of the shape of ``xy`` without its last axis.

    Parameters
    ----------
    xy : (..., 2) px of the upright picture as filmed, before any steadying.
    size_px : (width, height).
    """
    length = float(size_px[readout.axis])
    return np.asarray(readout.seconds * (xy[..., readout.axis] / length - 0.5))


def unsheared(landmarks: LandmarkPaths, offsets_s: Floats) -> LandmarkPaths:
    """Return the paths at the times of the frames, from points seen ``offsets_s`` (n, 33) later than these.

    Each landmark's path is a spline through the times at which it was really seen. At the ends of a run, where a frame's
    time lies outside of what was seen, the place is carried on along a straight line over those milliseconds.

    Notes
    -----
    In a picture of a camera that turned while it filmed, steady the paths first, with the same offsets.
    """
    t = landmarks.time_s
    xy = landmarks.xy.copy()
    state = landmarks.state.copy()
    for k in range(xy.shape[1]):
        good = np.isfinite(xy[:, k]).all(axis=1) & np.isfinite(offsets_s[:, k])
        for a, b in finite_runs(good):
            seen = t[a:b] + offsets_s[a:b, k]
            if b - a < 2 or not bool(np.all(np.diff(seen) > 0)):
                continue
            moved = resample(seen, xy[a:b, k], t[a:b])
            for end, inner in ((0, 1), (b - a - 1, b - a - 2)):
                if not np.isfinite(moved[end]).all():
                    slope = (xy[a + end, k] - xy[a + inner, k]) / (seen[end] - seen[inner])
                    moved[end] = xy[a + end, k] + slope * (t[a + end] - seen[end])
            # More than one frame may lie outside when the offsets exceed the frames' spacing.
            still = ~np.isfinite(moved).all(axis=1)
            moved[still] = xy[a:b, k][still]
            xy[a:b, k] = moved
        lost = ~np.isfinite(xy[:, k]).all(axis=1)
        state[lost, k] = int(State.MISSING)
    return attrs.evolve(landmarks, xy=xy, state=state)


def lean_error_deg(readout: Readout, speed_px_s: float, size_px: tuple[int, int]) -> tuple[float, float]:
    """Return how far a body that moves at this speed leans in the picture, degrees, and the 1-SD error of that.

    Parameters
    ----------
    speed_px_s : speed of the body through the picture as filmed, px/s, + to the right. 0 on a treadmill, and close to 0 when
        the camera follows.

    Returns
    -------
    lean : degrees, clockwise + (top to the right), that upright things seem to lean: - for a runner to the right.
    sigma : what is left when it is taken out, from the error of the read-out time. When columns are read the body gets
        longer or shorter instead, and does not lean.
    """
    if readout.axis != 1:
        return 0.0, 0.0
    shear = speed_px_s / size_px[1]
    lean = -float(np.degrees(np.arctan(shear * readout.seconds)))
    return lean, float(np.degrees(abs(shear) * readout.sigma_s))


def smear_sigma_px(exposure_s: float, speed_px_s: float) -> float:
    """Return the 1-SD error along the motion of a point smeared by the exposure, px.

    A point moving at v during T is anywhere on a line of v T with equal chance; a landmark model that puts it at random on
    it errs by v T / sqrt(12), and one that takes the middle, not at all. Half of the former is taken: an engineering choice.
    """
    return 0.5 * abs(speed_px_s) * max(exposure_s, 0.0) / float(np.sqrt(12.0))
