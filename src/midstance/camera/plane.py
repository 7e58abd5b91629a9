"""From image pixels to the plane of progression: upright, turned the right way, in metres where a scale is
known, filtered.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from midstance.gait.model import Floats, LandmarkPaths, PlanePaths, Scale, Side, State
from midstance.signals.filters import butterworth_lowpass, noise_gain
from midstance.signals.timebase import resample

#: Frame times whose spacing strays by more than this from the median are filtered on an even time base.
UNEVEN = 0.02
#: Above this share of the frame rate a low-pass does nothing but ring.
HIGHEST_CUTOFF = 0.40

_USABLE = (State.SEEN, State.FILLED, State.CORRECTED)


def to_plane(
    landmarks: LandmarkPaths,
    *,
    direction: Literal["+x", "-x"] | None = None,
    roll_deg: float = 0.0,
    scale: Scale | None = None,
    near_side: Side | None = None,
    cutoff_hz: float | None = 12.0,
) -> PlanePaths:
    """Turn landmark paths of a picture into paths in the plane of progression.

    Parameters
    ----------
    landmarks : image pixels, y down.
    direction : side view: "+x" when the runner runs towards the right of the picture, "-x" towards the left.
        Rear and front view: left out, since the view says on which side of the picture the runner's right is
        (rear: right, front: left).
    roll_deg : slope of the true horizontal in the picture, degrees, + when it rises to the right as seen; it
        is taken out.
    scale : metres per pixel; None leaves pixels.
    near_side : the leg nearer to a side camera.
    cutoff_hz : -3 dB frequency of the two-pass Butterworth low-pass, Hz; None, or one above 0.4 of the frame
        rate, leaves the paths unfiltered.

    Returns
    -------
    PlanePaths
        ``sigma`` is the noise per axis left after the filter, as if it were white; noise that is correlated
        from frame to frame is reduced less, and what is constant not at all: these belong to the systematic
        errors. ``usable`` is True for seen, corrected and gap-filled landmarks. Guessed and blurred ones stay
        in the paths, so that the filter has no false edges, but may not be measured. Missing ones stay NaN.

    Notes
    -----
    The origin is the picture's top-left corner: only differences of positions mean anything.
    """
    if landmarks.view == "side":
        if direction is None:
            raise ValueError(
                "a side view needs its direction: '+x' towards the right of the picture, '-x' towards the "
                "left"
            )
        mirror = direction == "-x"
    else:
        expected = "+x" if landmarks.view == "rear" else "-x"
        if direction is not None and direction != expected:
            raise ValueError(
                f"in a {landmarks.view} view the runner's right is {expected} in the picture, got {direction}"
            )
        mirror = expected == "-x"
    xy = np.array(landmarks.xy, dtype=np.float64)
    xy[..., 1] *= -1.0
    if roll_deg != 0.0:
        r = np.radians(roll_deg)
        c, s = float(np.cos(r)), float(np.sin(r))
        xy = np.stack([c * xy[..., 0] + s * xy[..., 1], -s * xy[..., 0] + c * xy[..., 1]], axis=-1)
    if mirror:
        xy[..., 0] *= -1.0
    k = 1.0 if scale is None else scale.m_per_px
    xy *= k
    sigma = np.array(landmarks.sigma_px, dtype=np.float64) * k

    rate = landmarks.rate_hz if len(landmarks.time_s) > 1 else 0.0
    if cutoff_hz is not None and 0 < cutoff_hz < HIGHEST_CUTOFF * rate:
        xy = _filtered(landmarks.time_s, xy, rate, cutoff_hz)
        sigma = sigma * noise_gain(rate, cutoff_hz)
    finite = np.isfinite(xy).all(axis=2)
    xy[~finite] = np.nan
    usable = np.isin(landmarks.state, [int(s) for s in _USABLE]) & finite
    return PlanePaths(
        landmarks.view,
        np.array(landmarks.time_s, dtype=np.float64),
        xy,
        sigma,
        usable,
        "px" if scale is None else "m",
        near_side if landmarks.view == "side" else None,
    )


def _filtered(time_s: Floats, xy: Floats, rate_hz: float, cutoff_hz: float) -> Floats:
    steps = np.diff(time_s)
    if float(np.abs(steps * rate_hz - 1.0).max()) <= UNEVEN:
        return butterworth_lowpass(xy, rate_hz, cutoff_hz)
    n = int(np.ceil((time_s[-1] - time_s[0]) * rate_hz)) + 1
    even = np.linspace(time_s[0], time_s[-1], n)
    smooth = butterworth_lowpass(resample(time_s, xy, even), (n - 1) / (time_s[-1] - time_s[0]), cutoff_hz)
    out = resample(even, smooth, time_s)
    # An even grid may step over the single frame beside a gap: keep that frame as it was rather than lose it.
    return np.where(np.isfinite(out), out, xy)
