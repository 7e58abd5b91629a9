"""From what the network read to landmark paths that may be measured: legs settled, jumps removed, short gaps filled.

Nothing is invented: a landmark that jumps away from its own path is dropped, a gap is filled only when it is short against
the motion, and what was filled, hidden or smeared is marked so.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, Floats, LandmarkPaths, Side, State, View
from midstance.pose.legs import CHAIN, settle_legs
from midstance.pose.track import RawTrack
from midstance.signals.gaps import fill_short_gaps

#: Body height as a share of the side of the network's region (a standing body fills 1/1.28 of it).
HEIGHT_OF_REGION = 0.78
#: Longest gap that is filled, s of real time: under a quarter of a stance.
MAX_GAP_S = 0.07
#: A landmark farther than this from its own path (share of body height) is a jump, whatever the noise.
JUMP = 0.035
#: Farther than this from the runner's average stride (share of body height) it is one too …
OFF_STRIDE = 0.07
#: … and in any case this many robust standard deviations: strides differ, and a true one must not be dropped.
JUMP_SIGMAS = 5.0
#: Both legs on one: feet and knees closer than this (share of body height) while their paths are apart.
COLLAPSE = 0.025
#: Bins of the stride for the runner's own average path.
PHASE_BINS = 48
#: In rear and front view a foot or knee below this visibility is hidden and only guessed.
MIN_VISIBILITY = 0.6
#: In rear and front view a shank that is foreshortened below this share of its usual length in the picture is turned
#: towards or away from the camera: in front view the foot is then behind the knee, from behind the raised foot covers the
#: knee and its own toes. On rendered films stance stays above 0.68; the knees marked from behind are off by 3–5 % of body
#: height, against 1–2 % elsewhere.
HIDDEN_SHANK = 0.62
HIDDEN_BEHIND_SHANK: dict[View, tuple[str, ...]] = {"front": ("ankle", "heel", "toe"), "rear": ("knee", "toe")}
#: Feet that smear over more than this share of body height during one exposure are not read.
MAX_SMEAR = 0.025
FEET = tuple(LANDMARK_INDEX[f"{s}_{p}"] for s in ("left", "right") for p in ("ankle", "heel", "toe"))
LEGS = tuple(LANDMARK_INDEX[f"{s}_{p}"] for s in ("left", "right") for p in ("knee", "ankle", "heel", "toe"))


@attrs.frozen(eq=False)
class CleanTrack:
    """Clean landmark paths and what was done to get them.

    ``swapped_frames``: frames in which the network's left and right were exchanged; ``jumps``: landmark readings dropped;
    ``filled``: readings interpolated; ``body_px``: body height, pixels; ``phase``: stride phase (rad) or None.
    """

    paths: LandmarkPaths
    body_px: float
    swapped_frames: int
    jumps: int
    filled: int
    lost_frames: int
    phase: Floats | None


def body_height_px(raw: RawTrack) -> float:
    """Return the body's height in pixels, from the size of the regions."""
    return HEIGHT_OF_REGION * float(np.nanmedian(raw.region[:, 2]))


def clean(raw: RawTrack, time_s: Floats, view: View, *, exposure_s: float | None = None) -> CleanTrack:
    """Clean the raw track of one film.

    Parameters
    ----------
    raw : what the network read.
    time_s : (n,) real times of the frames, s.
    view : decides whether legs are settled by the step clock (side) and what counts as hidden (rear, front).
    exposure_s : exposure time when it could be estimated; smeared feet are marked with it.
    """
    body = body_height_px(raw)
    seen = np.isfinite(raw.xy[:, 0, 0])
    xy, score = raw.xy.copy(), raw.visibility.copy()
    swapped = np.zeros(len(time_s), bool)
    phase: Floats | None = None
    rows = np.flatnonzero(seen)
    if len(rows) >= 4:
        legs = settle_legs(time_s[rows], xy[rows], score[rows], body, use_clock=view == "side")
        xy[rows], score[rows], swapped[rows] = legs.xy, legs.score, legs.swapped
        if legs.phase is not None:
            phase = np.interp(time_s, time_s[rows], legs.phase)
    state = np.where(np.isfinite(xy[..., 0]), State.SEEN, State.MISSING).astype(np.uint8)
    jumps = _drop_collapses(time_s, xy, phase, body) if view == "side" else 0
    jumps += _drop_jumps(time_s, xy, phase, body)
    xy, filled_xy = fill_short_gaps(time_s, xy, MAX_GAP_S)
    filled = filled_xy[..., 0] | filled_xy[..., 1]
    state[~np.isfinite(xy[..., 0])] = State.MISSING
    state[filled] = State.FILLED
    if view != "side":
        hidden = (score < MIN_VISIBILITY) & (state == State.SEEN)
        only_legs = np.zeros(len(LANDMARKS), bool)
        only_legs[list(LEGS)] = True
        state[hidden & only_legs] = State.GUESS
        _mark_hidden(view, xy, state)
    if exposure_s:
        _mark_smeared(time_s, xy, state, exposure_s, body)
    paths = LandmarkPaths(
        view=view, time_s=time_s, xy=xy, score=score, sigma_px=noise_px(time_s, xy, state), state=state
    )
    return CleanTrack(
        paths=paths,
        body_px=body,
        swapped_frames=int(swapped.sum()),
        jumps=jumps,
        filled=int(filled.sum()),
        lost_frames=int((~seen).sum()),
        phase=phase,
    )


def _hips(xy: Floats) -> Floats:
    return np.asarray(xy[:, [LANDMARK_INDEX["left_hip"], LANDMARK_INDEX["right_hip"]]].mean(axis=1, keepdims=True))


def stride_template(values: Floats, phase: Floats) -> tuple[Floats, Floats]:
    """Return the runner's own median path over the stride and its robust spread.

    Parameters
    ----------
    values : (n, k, 2) positions against the hips.
    phase : (n,) stride phase, rad.

    Returns
    -------
    expected : (n, k, 2) median position at each frame's phase (interpolated between bins).
    spread : (n, k) robust 1-SD distance from it at that phase.
    """
    turn = np.mod(phase, 2 * np.pi) / (2 * np.pi) * PHASE_BINS
    own_bin = np.floor(turn).astype(int) % PHASE_BINS
    centres = np.full((PHASE_BINS, *values.shape[1:]), np.nan)
    for b in range(PHASE_BINS):
        near = np.isin(own_bin, [(b - 1) % PHASE_BINS, b])
        if near.any():
            centres[b] = _nanmedian(values[near])
    # Bin b is centred on the edge between bins b-1 and b, so a frame lies between centres[own_bin] and the next.
    w = (turn - own_bin)[:, None, None]
    expected = (1 - w) * centres[own_bin] + w * centres[(own_bin + 1) % PHASE_BINS]
    distance = np.linalg.norm(values - expected, axis=-1)
    spread = np.full((PHASE_BINS, values.shape[1]), np.nan)
    for b in range(PHASE_BINS):
        near = np.isin(own_bin, [(b - 1) % PHASE_BINS, b, (b + 1) % PHASE_BINS])
        if near.any():
            spread[b] = _nanmedian(distance[near]) / 1.177  # median of a Rayleigh distance
    return expected, spread[own_bin]


def _nanmedian(values: Floats) -> Floats:
    finite = np.isfinite(values)
    if not finite.any():
        return np.full(values.shape[1:], np.nan)
    padded = np.where(finite.any(axis=0), values, 0.0)
    out = np.asarray(np.nanmedian(padded, axis=0))
    return np.where(finite.any(axis=0), out, np.nan)


def _drop_collapses(time_s: Floats, xy: Floats, phase: Floats | None, body: float) -> int:
    """Drop the leg that was put onto the other one, or both where neither is in its place; ``xy`` is changed in place."""
    if phase is None:
        return 0
    hips = _hips(xy)
    expected, _ = stride_template(xy - hips, phase)
    dropped = 0
    for points in (("knee",), ("ankle", "heel", "toe")):
        left = [LANDMARK_INDEX[f"left_{p}"] for p in points]
        right = [LANDMARK_INDEX[f"right_{p}"] for p in points]
        apart = np.linalg.norm(xy[:, left] - xy[:, right], axis=-1).mean(axis=1)
        should = np.linalg.norm(expected[:, left] - expected[:, right], axis=-1).mean(axis=1)
        both = np.flatnonzero((apart < COLLAPSE * body) & (should > 2.5 * COLLAPSE * body))
        for i in both:
            misfit = {
                k: float(np.linalg.norm(xy[i, idx] - hips[i] - expected[i, idx], axis=-1).mean())
                for k, idx in (("left", left), ("right", right))
            }
            worse = max(misfit, key=lambda k: misfit[k])
            for k, idx in (("left", left), ("right", right)):
                # When both were put between the two true legs, neither is right.
                if misfit[k] > 0.5 * misfit[worse]:
                    xy[i, idx] = np.nan
                    dropped += len(idx)
    return dropped


def _drop_jumps(time_s: Floats, xy: Floats, phase: Floats | None, body: float) -> int:
    """Drop readings far from the landmark's own path; ``xy`` is changed in place."""
    bad = np.zeros(xy.shape[:2], bool)
    if phase is not None and phase[-1] - phase[0] > 6 * np.pi:
        hips = _hips(xy)
        expected, spread = stride_template(xy - hips, phase)
        miss = np.linalg.norm(xy - hips - expected, axis=-1)
        bad |= miss > np.maximum(OFF_STRIDE * body, JUMP_SIGMAS * spread)
    miss = np.linalg.norm(xy - _local_median(time_s, xy), axis=-1)
    # At 30 frames a second a fast foot leaves the straight line through its neighbours in every stride: a jump must also
    # stand out from what is usual for its landmark.
    usual = _nanmedian(miss) / 1.177  # median of a Rayleigh distance
    with np.errstate(invalid="ignore"):
        bad |= miss > np.maximum(JUMP * body, JUMP_SIGMAS * usual)
    bad &= np.isfinite(xy[..., 0])
    xy[bad] = np.nan
    return int(bad.sum())


def _local_median(time_s: Floats, xy: Floats) -> Floats:
    """Predict each frame from its neighbours on both sides: median of straight lines through pairs around it."""
    n = len(time_s)
    lag = max(1, round(0.008 / float(np.median(np.diff(time_s))))) if n > 1 else 1
    guesses = []
    for k in (1, 2):
        d = k * lag
        before, after = np.full_like(xy, np.nan), np.full_like(xy, np.nan)
        before[d:], after[:-d] = xy[: n - d], xy[d:]
        tb, ta = np.full(n, np.nan), np.full(n, np.nan)
        tb[d:], ta[:-d] = time_s[: n - d], time_s[d:]
        w = ((time_s - tb) / (ta - tb))[:, None, None]
        guesses.append((1 - w) * before + w * after)
    stack = np.stack(guesses)
    finite = np.isfinite(stack)
    mean = np.where(finite, stack, 0.0).sum(axis=0) / np.maximum(finite.sum(axis=0), 1)
    # Where no neighbours exist on both sides nothing can be said: the frame stands as its own prediction.
    return np.where(finite.any(axis=0), mean, xy)


def _mark_hidden(view: View, xy: Floats, state: NDArray[np.uint8]) -> None:
    """Mark as guesses what the swing leg hides; the network's visibility sees only part of it."""
    for side in ("left", "right"):
        shank = xy[:, LANDMARK_INDEX[f"{side}_ankle"], 1] - xy[:, LANDMARK_INDEX[f"{side}_knee"], 1]
        if not np.isfinite(shank).any():
            continue
        short = np.nan_to_num(shank, nan=np.inf) < HIDDEN_SHANK * float(np.nanpercentile(shank, 95))
        for part in HIDDEN_BEHIND_SHANK.get(view, ()):
            i = LANDMARK_INDEX[f"{side}_{part}"]
            state[short & (state[:, i] == State.SEEN), i] = State.GUESS


def mark_smeared(track: CleanTrack, exposure_s: float) -> CleanTrack:
    """Return the track with smeared feet marked, once the exposure time is known."""
    paths = track.paths
    state = paths.state.copy()
    _mark_smeared(paths.time_s, paths.xy, state, exposure_s, track.body_px)
    sigma_px = noise_px(paths.time_s, paths.xy, state)
    return attrs.evolve(track, paths=attrs.evolve(paths, state=state, sigma_px=sigma_px))


def _mark_smeared(time_s: Floats, xy: Floats, state: NDArray[np.uint8], exposure_s: float, body: float) -> None:
    for i in FEET:
        step = np.gradient(np.nan_to_num(xy[:, i]), time_s, axis=0)
        smear = np.hypot(step[:, 0], step[:, 1]) * exposure_s
        state[(smear > MAX_SMEAR * body) & (state[:, i] == State.SEEN), i] = State.BLURRED


def noise_px(time_s: Floats, xy: Floats, state: NDArray[np.uint8]) -> Floats:
    """Estimate each landmark's frame-to-frame noise, px: (n, 33).

    The third difference of a path holds almost no motion and 20 times the variance of white noise, so its robust size gives
    the noise without knowing the motion. Filled, guessed and smeared readings get larger values.
    """
    n = len(time_s)
    sigma = np.full(xy.shape[:2], np.nan)
    if n >= 8:
        third = np.diff(xy, n=3, axis=0)
        for i in range(xy.shape[1]):
            d = third[:, i][np.isfinite(third[:, i, 0])]
            if len(d) >= 8:
                sigma[:, i] = 1.4826 * float(np.median(np.abs(d))) / np.sqrt(20.0)
    fallback = float(np.nanmedian(sigma)) if np.isfinite(sigma).any() else 1.0
    sigma = np.where(np.isfinite(sigma), sigma, fallback)
    factor = np.ones(xy.shape[:2])
    for value, wider in ((State.FILLED, 3.0), (State.GUESS, 4.0), (State.BLURRED, 4.0), (State.MISSING, np.nan)):
        factor[state == value] = wider
    return np.asarray(np.maximum(sigma, 0.25) * factor)


def direction_of_travel(paths: LandmarkPaths) -> tuple[str, float]:
    """Find the direction of running in a side view: ("+x" or "-x", share of frames that agree)."""
    votes = []
    for s in ("left", "right"):
        foot = paths.point(f"{s}_toe")[:, 0] - paths.point(f"{s}_heel")[:, 0]
        votes.append(np.sign(foot[np.isfinite(foot)]))
    face = paths.point("nose")[:, 0] - 0.5 * (paths.point("left_ear") + paths.point("right_ear"))[:, 0]
    votes.append(np.sign(face[np.isfinite(face)]))
    all_votes = np.concatenate(votes)
    mean = float(all_votes.mean()) if len(all_votes) else 0.0
    return ("+x" if mean >= 0 else "-x"), (1 + abs(mean)) / 2


def near_side(direction: str) -> Side:
    """The leg nearer the camera: whoever runs to the right of the picture shows their right side."""
    return "right" if direction == "+x" else "left"


def view_shown(paths: LandmarkPaths) -> tuple[View | None, float]:
    """Tell which view a film shows, from how far the shoulders and hips lie apart against the trunk's length.

    Returns the view (None when it lies between) and the signed width ÷ trunk length: about 0 in side view, beyond ±0.5 in
    rear (negative: the runner's left is on the picture's left) and front view.
    """
    shoulders = paths.point("left_shoulder") - paths.point("right_shoulder")
    trunk = 0.5 * (
        paths.point("left_shoulder") + paths.point("right_shoulder") - paths.point("left_hip") - paths.point("right_hip")
    )
    length = np.hypot(trunk[:, 0], trunk[:, 1])
    ok = np.isfinite(length) & (length > 0)
    if not ok.any():
        return None, float("nan")
    width = float(np.median(shoulders[ok, 0] / length[ok]))
    if abs(width) <= 0.35:
        return "side", width
    if abs(width) >= 0.45:
        return ("front" if width > 0 else "rear"), width
    return None, width


__all__ = [
    "CHAIN", "CleanTrack", "body_height_px", "clean", "direction_of_travel", "mark_smeared", "near_side", "noise_px",
    "stride_template", "view_shown",
]  # fmt: skip
