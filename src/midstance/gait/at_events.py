"""Values at initial contact and toe-off, from unfiltered paths.

At contact the leg stops reaching and starts to give way, so that its angles turn within a few milliseconds. A
low-pass takes that corner for noise and rounds it, by degrees when the corner is sharp. So the path is not
filtered here. Instead a regression is laid through the frames around each event, with a corner allowed at the
event: a straight line before it, another one after it, meeting at the value that is read, and one curvature
for all strides of the leg, since strides are alike in how they bend and differ in height and speed.

Near frames count for more than far ones (triangular weights). The regression's own standard error is the
noise of the value.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np

from midstance.gait.curves import Track
from midstance.gait.model import Floats

#: Half of the window, s. Chosen on rendered figures and recorded runners, none of them used for judging: wider
#: windows begin to round the corner, narrower ones let more noise through.
HALF_WINDOW_S = 0.040
#: The window is never narrower than this many frames to either side.
HALF_WINDOW_FRAMES = 2.6
METHOD = "regression through the unfiltered frames around it, with a corner allowed there"


@attrs.frozen(eq=False)
class EventReadings:
    """Values of one track at events of one kind.

    Attributes
    ----------
    value : (k,) NaN where a frame next to the event may not be read.
    random : (k,) 1-SD error of each value from noise, new in every stride.
    shared : (k,) 1-SD error from the curvature, the same in every stride.
    slope_before, slope_after : (k,) rate of change on either side of the event, per second.
    """

    value: Floats
    random: Floats
    shared: Floats
    slope_before: Floats
    slope_after: Floats

    @property
    def rate(self) -> float:
        """Root-mean-square rate of change around the event, per second: an event wrong by a small time of either
        sign puts the value wrong by this much times the time. 0 where it can't be told.
        """
        known = np.isfinite(self.value)
        if not known.any():
            return 0.0
        # The strides' mean slopes: those of single strides carry more noise than difference.
        slopes = [float(s[known].mean()) for s in (self.slope_before, self.slope_after)]
        return float(np.sqrt(np.mean(np.square(slopes))))


@attrs.frozen(eq=False)
class _Stride:
    """The regression of one stride: ``x`` (n, p) its own columns (height first, then slopes), weights ``w`` (n,)."""

    u: Floats
    y: Floats
    noise: Floats
    w: Floats
    x: Floats
    inverse: Floats
    kink: bool

    def left(self, v: Floats) -> Floats:
        """What the stride's own height and slopes leave of a series, weighted."""
        return np.asarray(self.w * (v - self.x @ (self.inverse @ v)))


def read_at_events(track: Track, times_s: Sequence[float] | Floats) -> EventReadings:
    """Read a track of unfiltered values at events of one kind and foot.

    Parameters
    ----------
    track : the quantity through the film; ``sigma`` is its frame-to-frame noise.
    times_s : (k,) the events, s.
    """
    times = np.asarray(times_s, dtype=np.float64)
    empty = np.full(len(times), np.nan)
    out = EventReadings(empty, empty.copy(), empty.copy(), empty.copy(), empty.copy())
    if len(track.time_s) < 2:
        return out
    frame = float(np.median(np.diff(track.time_s)))
    half = max(HALF_WINDOW_S, HALF_WINDOW_FRAMES * frame)
    strides = {
        i: _stride(track, float(t), half) for i, t in enumerate(times) if np.isfinite(track.at(float(t)))
    }
    if not strides:
        return out
    fit = _common(list(strides.values()))
    for (i, s), of_bend in zip(strides.items(), fit.weights, strict=True):
        square = s.u**2
        own = s.inverse @ (s.y - fit.bend * square)
        out.value[i] = own[0]
        # The value as a weighted sum of this stride's frames, and of the others' through the curvature.
        lever = float(s.inverse[0] @ square)
        weights = s.inverse[0] - lever * of_bend
        declared = float(np.sqrt(((weights * s.noise) ** 2).sum()))
        out.random[i] = max(fit.noise * float(np.sqrt(weights @ weights)), declared)
        others = max(fit.weight_squares - float(of_bend @ of_bend), 0.0)
        out.shared[i] = fit.noise * abs(lever) * float(np.sqrt(others))
        slopes = own[1:] if s.kink else np.repeat(own[1:2], 2)
        out.slope_before[i], out.slope_after[i] = (slopes / half) if len(slopes) else (0.0, 0.0)
    return out


def _stride(track: Track, t: float, half: float) -> _Stride:
    near = np.flatnonzero((np.abs(track.time_s - t) < half) & np.isfinite(track.value))
    u = (track.time_s[near] - t) / half
    w = np.sqrt(1.0 - np.abs(u))
    before, after = np.minimum(u, 0.0), np.maximum(u, 0.0)
    # Two frames are needed on a side for a slope of its own; at the window's edge a frame has hardly any weight.
    inner = u[np.abs(u) < 0.97]
    kink = min(int((inner <= 0).sum()), int((inner >= 0).sum())) >= 2
    columns = [np.ones_like(u)]
    if kink:
        columns += [before, after]
    elif len(inner) >= 2:
        columns += [u]
    x = np.stack(columns, axis=1)
    inverse = np.asarray(np.linalg.pinv(w[:, None] * x) * w, dtype=np.float64)
    return _Stride(u, track.value[near], track.sigma[near], w, x, inverse, kink)


@attrs.frozen(eq=False)
class _Common:
    """The strides' common curvature, the weights by which it is summed up from each stride's frames, the sum of their
    squares, and the noise of one frame as the residuals show it.
    """

    bend: float
    weights: list[Floats]
    weight_squares: float
    noise: float


def _common(strides: list[_Stride]) -> _Common:
    bends = [s.left(s.u**2) for s in strides]
    rests = [s.left(s.y) for s in strides]
    power = sum(float(b @ b) for b in bends)
    freedom = sum(float((s.w**2 * (1.0 - np.diag(s.x @ s.inverse))).sum()) for s in strides)
    weights = [np.zeros_like(s.u) for s in strides]
    # Where every stride has no more frames than unknowns, nothing is left to tell a curvature from.
    if power > 1e-9:
        freedom -= sum(float((s.w * b) @ (s.w * b)) for s, b in zip(strides, bends, strict=True)) / power
        weights = [
            (b * s.w - ((b * s.w) @ s.x) @ s.inverse) / power for s, b in zip(strides, bends, strict=True)
        ]
    bend = sum(float(w @ s.y) for w, s in zip(weights, strides, strict=True))
    squares = sum(float(((r - bend * b) ** 2).sum()) for b, r in zip(bends, rests, strict=True))
    noise = float(np.sqrt(squares / freedom)) if freedom > 1e-6 else 0.0
    return _Common(bend, weights, sum(float(w @ w) for w in weights), noise)
