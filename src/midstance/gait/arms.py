"""Arm crossing in the front view: how many arm swings carry the wrist past the body's mid-line.

The mid-line is the line from mid-hip to mid-shoulder, taken at the wrist's height. Every stride of a leg holds one swing of
the arm of the same side; its innermost place decides. It is a count, so its interval holds two things: how far a share of so
few swings may lie from the runner's habit, and swings so close to the line that the landmarks can't tell.

No link between arm crossing and injury or economy is known to us; it is described and never judged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np

from midstance.gait.curves import Track
from midstance.gait.model import SIDES, Measure, MeasureSide, Side, Stance, View
from midstance.gait.registry import REGISTRY
from midstance.gait.strides import kept
from midstance.gait.uncertainty import Z95, not_measurable, root_sum_squares
from midstance.gait.yaw import CameraYaw

KEY = "arm_crossing"
#: Fewest swings of an arm for a share.
MIN_SWINGS = 4
#: 1-SD error of the wrist against the mid-line that is the same in every swing, in trunk lengths (mid-hip to mid-shoulder):
#: RMS over arms and films on rendered films from the front, left out of the joint map's fit and with their yaw known.
PLACE_SIGMA = 0.025
#: How far the wrist is ahead of the mid-line when it is innermost, trunk lengths, and its 1 SD; from the same films, where
#: the elbow is bent to about a right angle. Widened, since arms are carried in many ways.
WRIST_AHEAD = 0.45
WRIST_AHEAD_SIGMA = 0.12

HIDDEN = "from behind, the trunk hides the hand just when it crosses; film from the front"
METHOD = (
    "share of arm swings whose wrist passes the line from mid-hip to mid-shoulder at the wrist's height; 95 % interval of "
    "the share (Wilson), swings too close to the line to tell counted both ways"
)


@attrs.frozen
class ArmSwing:
    """One swing: how far the wrist got past the mid-line, trunk lengths (+ past it), with its 1-SD error."""

    side: Side
    stride: int
    time_s: float
    across: float
    sigma: float

    @property
    def certain(self) -> bool:
        """True when the error leaves no doubt on which side of the line it was."""
        return abs(self.across) > Z95 * self.sigma


def arm_swings(tracks: Mapping[Side, Track], stances: Sequence[Stance], yaw: CameraYaw) -> list[ArmSwing]:
    """Return the swings of both arms that were seen, one for each whole stride.

    Parameters
    ----------
    tracks : of each side, how far the wrist is past the mid-line, trunk lengths.
    yaw : the camera's; the wrist is ahead of the body and so shifted by it.
    """
    reach = yaw.reach_sigma(WRIST_AHEAD, WRIST_AHEAD_SIGMA)
    out = []
    for s in kept(stances):
        if s.next_ic is None:
            continue
        value, at, noise = tracks[s.side].peak(s.ic.time_s, s.next_ic.time_s, inside=False)
        if np.isfinite(value):
            shift = (1.0 if s.side == "left" else -1.0) * WRIST_AHEAD * yaw.sine
            sigma = root_sum_squares([noise, PLACE_SIGMA, reach])
            out.append(ArmSwing(s.side, s.index, at, value + shift, sigma))
    return out


def wilson_interval(count: int, n: int) -> tuple[float, float]:
    """95 % interval of a share from ``count`` of ``n``, as fractions.

    Wilson EB (1927), J Am Stat Assoc 22:209-212 [formula from memory, checked against scipy in the tests].
    """
    if n < 1 or not 0 <= count <= n:
        raise ValueError(f"a share needs 0 <= count <= n and n >= 1, got {count} of {n}")
    p, z2 = count / n, Z95**2
    middle = (p + z2 / (2 * n)) / (1 + z2 / n)
    half = Z95 * float(np.sqrt(p * (1 - p) / n + z2 / (4 * n * n))) / (1 + z2 / n)
    return max(0.0, middle - half), min(1.0, middle + half)


def measure_arms(
    tracks: Mapping[Side, Track], stances: Sequence[Stance], *, view: View, yaw: CameraYaw
) -> list[Measure]:
    """Share of arm swings that cross, per cent, for left, right and both; or the reason there is none."""
    known = REGISTRY[KEY]
    if view != "front":
        return not_measurable(known, view, HIDDEN)
    swings = arm_swings(tracks, stances, yaw)
    out = []
    sides: tuple[MeasureSide, ...] = known.sides
    for side in sides:
        own = [s for s in swings if side in (s.side, "both")]
        fewest = min(sum(s.side == one for s in own) for one in (SIDES if side == "both" else (side,)))
        out.append(_share(own, side, view, fewest))
    return out


def _share(swings: Sequence[ArmSwing], side: MeasureSide, view: View, fewest: int) -> Measure:
    known = REGISTRY[KEY]
    n = len(swings)
    value: float | None = None
    low: float | None = None
    high: float | None = None
    reason: str | None = None
    text = METHOD
    if fewest < MIN_SWINGS:
        arm = "an arm" if side == "both" else f"the {side} arm"
        reason = f"{fewest} usable swings of {arm}, at least {MIN_SWINGS} are needed"
    else:
        crossed = sum(s.across > 0 for s in swings)
        unsure = sum(not s.certain for s in swings)
        least = sum(s.across > 0 and s.certain for s in swings)
        text = f"{METHOD}; {crossed} of {n} swings crossed, {unsure} too close to tell"
        bottom, top = wilson_interval(least, n)[0], wilson_interval(least + unsure, n)[1]
        limit = known.useful_half_width
        if limit is not None and 50 * (top - bottom) > limit:
            near = f"{unsure} of {n} swings come too close to the mid-line to tell" if unsure else f"only {n} swings"
            reason = f"{near}: the 95 % interval is {100 * bottom:.0f} to {100 * top:.0f} %, too wide to be of use"
        else:
            value = 100.0 * crossed / n
            low, high = min(value, 100.0 * bottom), max(value, 100.0 * top)
    return Measure(KEY, side, view, known.unit, value, low, high, n, text, reason)
