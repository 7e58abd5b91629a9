"""Differences between left and right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import attrs
import numpy as np

from midstance.gait.model import Measure, Side
from midstance.gait.registry import MeasureInfo, info
from midstance.gait.uncertainty import Z95, Sample, interval_half_width, side_mean

#: Frontal angles that the camera's roll changes, with opposite sign on the two sides.
ROLL_OPPOSED = frozenset({"pelvic_drop_peak", "trunk_side_lean_peak", "thigh_adduction_peak"})

#: Measures whose error is mostly of opposite sign on the two sides: contacts of one foot called later than the other's
#: make one step long and the other short.
CONTACT_OPPOSED = frozenset({"step_time", "step_length"})

#: Lengths that one side camera sees at two depths, near and far leg: their difference is mostly parallax.
NEAR_AND_FAR_LENGTHS = frozenset({"foot_ahead_of_hip", "foot_ahead_of_com"})


@attrs.frozen
class SideDifference:
    """Left minus right of one measure over the film, with its 95 % interval, in the measure's unit.

    ``index_percent`` is the symmetry index, only for measures whose zero means "none".
    """

    measure: str
    unit: str
    difference: float
    low: float
    high: float
    n_left: int
    n_right: int
    index_percent: float | None
    method: str

    @property
    def clear(self) -> bool:
        """True when the interval leaves out zero. It says that there is a difference, not that it matters."""
        return self.low > 0 or self.high < 0


def symmetry_index(left: float, right: float) -> float:
    """100 (R - L) / (mean of both), per cent; + when right is larger.

    Robinson RO, Herzog W, Nigg BM (1987), J Manipulative Physiol Ther 10:172-176 [from memory]. It blows up
    near zero, so it is refused for values that aren't both positive.
    """
    if not (left > 0 and right > 0):
        raise ValueError(f"a symmetry index needs two positive values, got left {left:g} and right {right:g}")
    return 100.0 * (right - left) / (0.5 * (right + left))


def symmetry_angle(left: float, right: float) -> float:
    """100 (45 deg - atan(L / R)) / 90 deg, per cent; + when right is larger, bounded, for positive values.

    Zifchock RA et al. (2008), Gait Posture 27:622-627 [from memory].
    """
    if not (left > 0 and right > 0):
        raise ValueError(f"a symmetry angle needs two positive values, got left {left:g} and right {right:g}")
    return 100.0 * (45.0 - float(np.degrees(np.arctan2(left, right)))) / 90.0


def side_difference(
    measure: MeasureInfo,
    samples: Sequence[Sample],
    *,
    shared: Mapping[Side, float] | None = None,
    opposed: float = 0.0,
    method: str = "",
) -> SideDifference | None:
    """Left minus right with a 95 % interval, or None where a side can't be measured.

    Shared errors of the two sides are *not* assumed to cancel: near and far leg, or left and right joint, are
    seen differently. An opposed error (camera roll in rear and front view, contacts of one foot called later than the
    other's) counts twice.
    """
    systematic = shared or {}
    left = side_mean([s for s in samples if s.side == "left"], systematic.get("left", 0.0))
    right = side_mean([s for s in samples if s.side == "right"], systematic.get("right", 0.0))
    if left is None or right is None:
        return None
    both = (left.opposed + right.opposed) ** 2 + (2.0 * opposed) ** 2
    error = float(np.sqrt(left.shared**2 + right.shared**2 + both))
    half = interval_half_width([(left.variance, left.dof), (right.variance, right.dof)], error)
    difference = left.mean - right.mean
    index = None
    if measure.ratio_scale and left.mean > 0 and right.mean > 0:
        index = symmetry_index(left.mean, right.mean)
    return SideDifference(
        measure.key,
        measure.unit,
        difference,
        difference - half,
        difference + half,
        left.n,
        right.n,
        index,
        method,
    )


def differences(measures: Sequence[Measure], *, roll_sigma_deg: float = 0.0) -> list[SideDifference]:
    """Left-right differences of all measures of a view that have a value on both sides.

    Parameters
    ----------
    measures : as returned by ``measure_times``, ``measure_side`` and ``measure_frontal``, of one view.
    roll_sigma_deg : what is left of the camera's roll; it counts twice in frontal angles from the horizontal
        or vertical.

    Notes
    -----
    Lengths read off one side film aren't compared: the near leg looks some 4 % larger than the far one. The
    same lengths in leg lengths are, since each is divided by its own leg.

    The intervals of the two sides are added in squares. Those of frontal angles hold the roll once each, so
    twice its square is added to make it four times. Those of steps are added as they are.
    """
    by_key = {(m.measure, m.side): m for m in measures if m.value is not None}
    out = []
    for (key, side), left in by_key.items():
        right = by_key.get((key, "right"))
        if side != "left" or right is None or left.value is None or right.value is None:
            continue
        if left.view == "side" and key in NEAR_AND_FAR_LENGTHS:
            continue
        if left.high is None or right.high is None:
            continue
        known = info(key)
        extra = 2.0 * (Z95 * roll_sigma_deg) ** 2 if key in ROLL_OPPOSED else 0.0
        half = float(np.sqrt((left.high - left.value) ** 2 + (right.high - right.value) ** 2 + extra))
        if key in CONTACT_OPPOSED:
            half = (left.high - left.value) + (right.high - right.value)
        difference = left.value - right.value
        index = None
        if known.ratio_scale and left.value > 0 and right.value > 0:
            index = symmetry_index(left.value, right.value)
        out.append(
            SideDifference(
                key,
                known.unit,
                difference,
                difference - half,
                difference + half,
                left.n,
                right.n,
                index,
                left.method,
            )
        )
    return out
