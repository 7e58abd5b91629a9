"""Value objects that pass between the rooms: landmark paths, events, stances, stride values and measures.

All are immutable. Times are seconds of real (captured) time from the first frame of the film. Image coordinates are
pixels of the upright picture, x right and y down, the centre of the top-left pixel being (0.5, 0.5). Plane coordinates
(``PlanePaths``) are x along the direction of travel (side view) or to the runner's right (rear and front view), y up.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Literal

import attrs
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
#: What a film is given as. "side_far" is a second side film, of the runner's other side; it is measured as "side".
#: "force" is no film: it marks what came from force platforms.
View = Literal["side", "side_far", "rear", "front", "force"]
Side = Literal["left", "right"]
MeasureSide = Literal["left", "right", "both"]
EventKind = Literal["initial_contact", "toe_off"]
EventSource = Literal["auto", "corrected"]

SIDES: tuple[Side, Side] = ("left", "right")


def seen_as(view: View) -> View:
    """Return the view that a film is measured as: a second side film is a side view."""
    return "side" if view == "side_far" else view


#: The 33 body landmarks, in the order of the landmark model's output.
LANDMARKS: tuple[str, ...] = (
    "nose", "left_eye_inner", "left_eye", "left_eye_outer", "right_eye_inner", "right_eye", "right_eye_outer",
    "left_ear", "right_ear", "mouth_left", "mouth_right", "left_shoulder", "right_shoulder", "left_elbow",
    "right_elbow", "left_wrist", "right_wrist", "left_pinky", "right_pinky", "left_index", "right_index", "left_thumb",
    "right_thumb", "left_hip", "right_hip", "left_knee", "right_knee", "left_ankle", "right_ankle", "left_heel",
    "right_heel", "left_toe", "right_toe",
)  # fmt: skip
LANDMARK_INDEX: dict[str, int] = {name: i for i, name in enumerate(LANDMARKS)}


class State(IntEnum):
    """How a landmark of one frame is known. Only SEEN and CORRECTED are observations."""

    SEEN = 0
    FILLED = 1  # interpolated over a short gap
    GUESS = 2  # hidden behind another part of the body; the model's guess
    BLURRED = 3  # smeared by motion; kept for drawing, not for angles
    MISSING = 4  # xy is NaN
    CORRECTED = 5  # set by a person


@attrs.frozen(eq=False)
class LandmarkPaths:
    """Landmarks of one runner through one film, in image pixels.

    Attributes
    ----------
    view : "side", "rear" or "front".
    time_s : (n,) strictly increasing real times of the frames, seconds.
    xy : (n, 33, 2) image pixels, y down; NaN where missing.
    score : (n, 33) the model's visibility, 0–1.
    sigma_px : (n, 33) 1-SD position noise, pixels.
    state : (n, 33) ``State`` values, uint8.
    """

    view: View
    time_s: Floats
    xy: Floats
    score: Floats
    sigma_px: Floats
    state: NDArray[np.uint8]

    def __attrs_post_init__(self) -> None:
        n, k = len(self.time_s), len(LANDMARKS)
        for name, shape in (("xy", (n, k, 2)), ("score", (n, k)), ("sigma_px", (n, k)), ("state", (n, k))):
            got = getattr(self, name).shape
            if got != shape:
                raise ValueError(f"LandmarkPaths.{name}: expected shape {shape}, got {got}")
        if n > 1 and not bool(np.all(np.diff(self.time_s) > 0)):
            raise ValueError("LandmarkPaths.time_s must be strictly increasing")

    def point(self, name: str) -> Floats:
        """Return the (n, 2) path of one landmark in pixels."""
        return self.xy[:, LANDMARK_INDEX[name]]

    @property
    def rate_hz(self) -> float:
        """Median frame rate, frames per second of real time."""
        return float(1.0 / np.median(np.diff(self.time_s)))


@attrs.frozen(eq=False)
class PlanePaths:
    """Landmark paths after orientation: x along travel (side) or runner's right (rear/front), y up.

    ``unit`` is "m" when a scale is known, else "px". Angles may be taken from either; lengths only from metres.
    ``xy`` is (n, 33, 2), filtered; ``sigma`` (n, 33) the remaining 1-SD noise in the same unit; ``usable`` (n, 33) False
    where a landmark must not be measured (guess, blurred, missing).
    """

    view: View
    time_s: Floats
    xy: Floats
    sigma: Floats
    usable: NDArray[np.bool_]
    unit: Literal["m", "px"]
    near_side: Side | None

    def point(self, name: str) -> Floats:
        """Return the (n, 2) path of one landmark."""
        return self.xy[:, LANDMARK_INDEX[name]]

    @property
    def rate_hz(self) -> float:
        """Median frame rate, frames per second of real time."""
        return float(1.0 / np.median(np.diff(self.time_s)))


@attrs.frozen
class Event:
    """One initial contact or toe-off with its 95 % interval, seconds of real time."""

    view: View
    side: Side
    kind: EventKind
    time_s: float
    low_s: float
    high_s: float
    source: EventSource = "auto"

    def __attrs_post_init__(self) -> None:
        if not self.low_s <= self.time_s <= self.high_s:
            raise ValueError(f"Event interval must hold its time: {self.low_s} ≤ {self.time_s} ≤ {self.high_s}")

    @property
    def sigma_s(self) -> float:
        """1-SD error of the time, from the 95 % interval."""
        return (self.high_s - self.low_s) / (2 * 1.96)


@attrs.frozen
class Stance:
    """One stance: initial contact, toe-off of the same foot, and the contacts that follow.

    ``excluded`` is None for a stance that is used, else the reason it is left out. ``next_ic`` is the next contact of the
    same foot (ends the stride), ``opposite_ic`` the next contact of the other foot (ends the step).
    """

    index: int
    side: Side
    ic: Event
    to: Event | None
    opposite_ic: Event | None
    next_ic: Event | None
    excluded: str | None = None


@attrs.frozen
class StrideValue:
    """A measure's value in one stride, with its own 95 % interval (measurement error only)."""

    measure: str
    side: Side
    view: View
    unit: str
    stride: int
    time_s: float
    value: float
    low: float
    high: float


@attrs.frozen
class Measure:
    """A measure over the whole film: mean, 95 % interval, number of strides, method; or the reason it has none."""

    measure: str
    side: MeasureSide
    view: View
    unit: str
    value: float | None
    low: float | None
    high: float | None
    n: int
    method: str
    reason: str | None = None

    def __attrs_post_init__(self) -> None:
        if (self.value is None) != (self.reason is not None):
            raise ValueError(f"{self.measure}: a measure has either a value or a reason why not")
        if self.value is not None:
            if self.low is None or self.high is None or not self.low <= self.value <= self.high:
                raise ValueError(f"{self.measure}: the interval must hold the value")


@attrs.frozen
class Exclusion:
    """Something left out of the measures, with the reason. ``stride`` is a readable label."""

    view: View
    stride: str
    reason: str


@attrs.frozen
class QualityCheck:
    """One check of a film's fitness to be measured.

    ``effect`` is what the check does to the measures: "none", "wider intervals" or "not measurable". ``measures`` lists
    the keys it makes not measurable (empty when it only widens). ``factor`` multiplies landmark noise (≥ 1).
    """

    check: str
    value: float | None
    unit: str
    limit: str
    verdict: Literal["good", "usable", "unfit", "unknown"]
    effect: Literal["none", "wider intervals", "not measurable"]
    advice: str
    measures: tuple[str, ...] = ()
    factor: float = 1.0


@attrs.frozen
class Scale:
    """Metres per pixel in the plane of progression, with 1-SD relative error and where it came from."""

    m_per_px: float
    relative_sigma: float
    source: str


@attrs.frozen
class Runner:
    """What is known of the runner. Lengths in m, mass in kg; None where not given."""

    height_m: float | None = None
    mass_kg: float | None = None
    body_table: Literal["male", "female", "mean"] = "mean"


@attrs.frozen
class Finding:
    """One statement about the running form that the measures support.

    ``status``: "clear" when the interval clears the threshold, "described" for plain description (strike pattern),
    never a judgement. ``evidence``: "strong", "moderate", "limited", "very limited" or "practice only".
    """

    key: str
    title: str
    text: str
    status: Literal["clear", "described"]
    evidence: Literal["strong", "moderate", "limited", "very limited", "practice only"]
    source: str
    measures: tuple[str, ...]
    side: MeasureSide
    priority: int = attrs.field(default=100)
