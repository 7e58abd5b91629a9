"""How far a rear or front camera is turned off the direction of running, and what that does to frontal values.

A camera that does not look exactly along the direction of running sees part of the fore-aft motion as sideways motion: what
lies ``X`` ahead of the body is shifted by ``X sin(yaw)`` in the picture. Thigh and knee bend then leak into hip adduction
and frontal knee angle, with opposite sign on the two sides.

On a treadmill the turn can be measured from the runner alone. The ankle of a foot that stands on the belt moves backwards
with the belt; its sideways drift in the picture, mean of left and right, divided by that speed is the sine of the yaw. What
the feet do sideways themselves is nearly the mirror image on the two sides and drops out of the mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import attrs
import numpy as np

from midstance.gait.curves import Track, ankle_track
from midstance.gait.model import SIDES, Floats, PlanePaths, Side, Stance
from midstance.gait.strides import kept
from midstance.gait.uncertainty import root_sum_squares

#: Part of stance over which the ankle is followed.
STANDING = (0.10, 0.80)
#: Backward speed of the ankle over that part of stance as a share of belt speed, mean of 13 runners at 2.5, 3.5 and
#: 4.5 m/s, and its SD between runners. Computed from the markers of Fukuchi, Fukuchi & Duarte 2017, PeerJ 5:e3298.
ANKLE_SPEED = 0.945
ANKLE_SPEED_SD = 0.013
#: Yaw read from the markers of the same runners with the "camera" exactly square: mean 0.05, SD 0.21 degrees (largest 0.58).
RUNNER_SD_DEG = 0.25
#: What the landmarks add. On 34 rendered films of known yaw, -10 to 12 degrees, each left out of the joint map's fit, the
#: whole error was 0.85 degrees RMS (largest 2.1).
LANDMARK_SD_DEG = 0.75
#: Stances of each side that are needed.
MIN_STANCES = 3
#: A view turned farther than this is not a rear or front view.
MAX_YAW_DEG = 25.0

#: Shares of stance at which the following courses are given.
_SHARES = np.linspace(0.0, 1.0, 11)
#: Thigh and shank from the vertical in the sagittal plane (knee ahead of hip +, ankle ahead of knee +), degrees, and how
#: far the stance knee is ahead of the other, m, over stance: means of the same runners and speeds (markers; hip joint placed
#: from the pelvis markers). SD between runners and speeds 2.6 to 4.1 and 1.8 to 3.2 degrees, 0.03 to 0.08 m.
_THIGH_DEG = np.array([19.1, 18.8, 19.3, 19.2, 15.8, 10.1, 2.9, -4.9, -12.5, -19.1, -24.3])
_SHANK_DEG = np.array([9.2, 2.6, -6.6, -15.1, -21.8, -26.6, -30.0, -32.3, -33.8, -34.6, -35.3])
_KNEE_AHEAD_M = np.array([0.27, 0.23, 0.18, 0.12, 0.04, -0.07, -0.17, -0.26, -0.33, -0.38, -0.41])
#: Forward lean of the trunk, degrees: 7.3 (SD 3.6) in 24 runners at 3.4 m/s (Teng & Powers 2014, JOSPT 44:785-792).
_TRUNK_DEG = 7.3

Leak = Literal["hip", "knee", "trunk", "knee_gap"]
#: Typical fore-aft slope where each is read, as (parts added up, 1 SD of how far a runner differs from it), degrees; for the
#: gap between the knees metres. The SD is taken wider than between those runners: other speeds, slopes, ways of running.
_TYPICAL: dict[Leak, tuple[tuple[float, ...], float]] = {
    "hip": ((19.0,), 6.0),
    "knee": ((16.0, 22.0), 6.0),
    "trunk": ((_TRUNK_DEG,), 4.0),
    "knee_gap": ((-0.07,), 0.05),
}


@attrs.frozen
class CameraYaw:
    """Turn of a rear or front camera away from the direction of running, degrees, with its 1-SD error.

    ``yaw_deg`` is + when what lies ahead of the runner is shifted to the runner's left in the picture (camera behind and to
    the left, or in front and to the right of the runner). ``n`` stances, 0 when it is not measured but allowed for.
    """

    yaw_deg: float
    sigma_deg: float
    n: int = 0

    @property
    def measured(self) -> bool:
        """True when it was measured from the film."""
        return self.n > 0

    @property
    def sine(self) -> float:
        """Sine of the yaw."""
        return float(np.sin(np.radians(self.yaw_deg)))

    def reach_sigma(self, ahead: float, sigma_ahead: float) -> float:
        """1-SD sideways error of a point ``ahead`` of the body, its own 1-SD error ``sigma_ahead``, in their unit."""
        return float(np.hypot(ahead * np.radians(self.sigma_deg), sigma_ahead * self.sine))

    def leak_sigma(self, of: Leak) -> float:
        """1-SD error that is left in a value after ``square`` (degrees; m for the gap between the knees).

        It has opposite sign on the two sides.
        """
        parts, spread = _TYPICAL[of]
        if of == "knee_gap":
            return self.reach_sigma(parts[0], spread)
        slope = sum(np.tan(np.radians(p)) for p in parts)
        return float(np.degrees(self.reach_sigma(slope, np.radians(spread))))


def yaw_from_feet(plane: PlanePaths, stances: Sequence[Stance], speed_mps: float | None) -> CameraYaw | None:
    """Measure the camera's yaw from the standing feet of a rear or front film on a treadmill.

    Parameters
    ----------
    plane : filtered paths in metres, x to the runner's right.
    stances : from ``build_stances``; excluded ones are skipped. Toe-offs need not be exact.
    speed_mps : belt speed. None, or a runner over ground, gives None.

    Returns
    -------
    CameraYaw or None
        None where it can't be had. An error of 0.25 degrees comes from the runner's own asymmetry (real runners), 0.75
        from the landmarks (rendered films), the rest from the spread between stances. It is the angle to the line of sight,
        so a runner beside the middle of the picture is allowed for.
    """
    if plane.view == "side" or plane.unit != "m" or not speed_mps or speed_mps <= 0:
        return None
    drift: dict[Side, list[float]] = {side: [] for side in SIDES}
    tracks = {side: ankle_track(plane, side) for side in SIDES}
    for s in kept(stances):
        if s.to is not None:
            slope = _slope(tracks[s.side], s)
            if np.isfinite(slope):
                drift[s.side].append(slope / (ANKLE_SPEED * speed_mps))
    if min(len(d) for d in drift.values()) < MIN_STANCES:
        return None
    sine = 0.5 * sum(float(np.median(d)) for d in drift.values())
    if abs(sine) > np.sin(np.radians(MAX_YAW_DEG)):
        return None
    yaw = float(np.degrees(np.arcsin(sine)))
    # The median of n values scatters by 1.25 SD / sqrt(n).
    spread = [1.25 * float(np.std(d, ddof=1)) / np.sqrt(len(d)) for d in drift.values()]
    own = float(np.degrees(0.5 * root_sum_squares(spread)))
    # Scale and belt speed count as their errors times the yaw.
    scale = abs(yaw) * float(np.hypot(ANKLE_SPEED_SD / ANKLE_SPEED, 0.05))
    sigma = root_sum_squares([own, scale, RUNNER_SD_DEG, LANDMARK_SD_DEG])
    return CameraYaw(yaw, sigma, sum(len(d) for d in drift.values()))


def _slope(track: Track, s: Stance) -> float:
    if s.to is None:
        return float("nan")
    tc = s.to.time_s - s.ic.time_s
    good, enough = track.window(s.ic.time_s + STANDING[0] * tc, s.ic.time_s + STANDING[1] * tc)
    if not enough or len(good) < 4:
        return float("nan")
    return float(np.polyfit(track.time_s[good], track.value[good], 1)[0])


def square(track: Track, of: Leak, side: Side, stances: Sequence[Stance], yaw: CameraYaw) -> Track:
    """Take what a turned camera adds out of a frontal track, within the stances of ``side``.

    The fore-aft slopes of the segments are those of an average runner at the same share of stance; ``leak_sigma`` tells what
    that leaves. Outside stance the track stays as it is.
    """
    if yaw.sine == 0.0:
        return track
    inward = 1.0 if side == "left" else -1.0
    value = track.value.copy()
    for s in kept(stances, side):
        if s.to is None:
            continue
        share = (track.time_s - s.ic.time_s) / (s.to.time_s - s.ic.time_s)
        inside = (share >= -0.05) & (share <= 1.05)
        value[inside] += inward * _leak(of, share[inside], yaw.sine)
    return attrs.evolve(track, value=value)


def _leak(of: Leak, share: Floats, sine: float) -> Floats:
    def angle(course: Floats) -> Floats:
        slope = np.tan(np.radians(np.interp(share, _SHARES, course)))
        return np.asarray(np.degrees(np.arctan(slope * sine)), dtype=np.float64)

    if of == "hip":
        return angle(_THIGH_DEG)
    if of == "knee":
        return angle(_THIGH_DEG) - angle(_SHANK_DEG)
    if of == "trunk":
        # The shoulders are above the hips: shifted the other way than a knee below them, and lean is + to the outside.
        return -angle(np.full(len(_SHARES), _TRUNK_DEG))
    return np.asarray(-np.interp(share, _SHARES, _KNEE_AHEAD_M) * sine, dtype=np.float64)
