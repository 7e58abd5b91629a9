"""Where a camera has to stand: fields of view, distances, angles and smear, from plain geometry.

Lengths are metres, angles degrees, times seconds. The picture is that of a pinhole camera held level and square to what it
looks at; the runner stands in the plane at ``distance_m``.
"""

from __future__ import annotations

import math
from typing import Literal

import attrs

from midstance.gait.model import View

Hold = Literal["across", "upright"]

#: Picture of a 4:3 sensor whose diagonal is that of 36 × 24 mm film, mm: "equivalent" focal lengths compare diagonals.
_DIAGONAL_MM = math.hypot(36.0, 24.0)
LONG_SIDE_MM = _DIAGONAL_MM * 4.0 / 5.0
#: Films are 16:9; they keep the long side of the sensor.
SHAPE = 16.0 / 9.0
#: Nose to heel as a share of body height; the fitness check of films counts with the same share.
NOSE_TO_HEEL = 0.92
#: How far the two legs are apart in depth for a camera at the side, m (docs/filming.md).
LEGS_APART_M = 0.20
#: Limits of the film checks (film/fitness.py): share of the picture's height, px from nose to heel, smear.
GOOD_SHARE, GOOD_PX, UNFIT_PX = 0.50, 400.0, 120.0
ADVISED_SHARE = (0.60, 0.80)
GOOD_SMEAR, UNFIT_SMEAR = 0.004, 0.02
#: Wide enough for both feet and some drift on the belt, m (common practice, no source).
NEEDED_WIDTH_M = 1.4
#: Nearest camera that is advised, m (common practice, no source).
NEAREST_M = 4.0
#: Speed of the foot swinging forward at an easy pace, m/s (docs/filming.md; common practice, no source).
SWING_FOOT_MPS = 8.0


def long_side_at_1m(equivalent_mm: float) -> float:
    """Return how many metres the long side of the picture spans at 1 m, for a lens of an equivalent focal length."""
    return LONG_SIDE_MM / equivalent_mm


def long_side_from_wall(width_m: float, distance_m: float) -> float:
    """Return the same from a wall of which ``width_m`` was seen along the long side from ``distance_m`` away."""
    return width_m / distance_m


def view_angle_deg(span_at_1m: float) -> float:
    """Return the whole angle that ``span_at_1m`` metres at 1 m are seen under."""
    return 2.0 * math.degrees(math.atan(span_at_1m / 2.0))


def seen_angle_deg(true_deg: float, turn_deg: float) -> float:
    """Return how a sagittal angle from the vertical is seen by a side camera turned off square."""
    return math.degrees(math.atan(math.tan(math.radians(true_deg)) * math.cos(math.radians(turn_deg))))


def lost_length(turn_deg: float) -> float:
    """Return the share by which lengths along the path are seen too short by a camera turned off square."""
    return 1.0 - math.cos(math.radians(turn_deg))


def leaked_angle_deg(sagittal_deg: float, turn_deg: float) -> float:
    """Return the frontal angle that a purely forward angle seems to have for a rear or front camera off the line."""
    return math.degrees(math.atan(math.tan(math.radians(sagittal_deg)) * math.sin(math.radians(turn_deg))))


def sideways_m(distance_m: float, turn_deg: float) -> float:
    """Return how far a camera stands off its line when it sees the runner ``turn_deg`` askew."""
    return distance_m * math.tan(math.radians(turn_deg))


def size_ratio(distance_m: float, apart_m: float = LEGS_APART_M) -> float:
    """Return by how much the nearer of two equal things looks larger, both ``apart_m / 2`` from the plane in focus."""
    return (distance_m + apart_m / 2) / (distance_m - apart_m / 2) - 1.0


def smear_m(speed_mps: float, exposure_s: float) -> float:
    """Return how far something moves during one exposure."""
    return speed_mps * exposure_s


def longest_exposure_s(speed_mps: float, height_m: float, smear: float = GOOD_SMEAR) -> float:
    """Return the exposure at which a foot going at ``speed_mps`` smears over ``smear`` of nose to heel."""
    return smear * NOSE_TO_HEEL * height_m / speed_mps


@attrs.frozen(kw_only=True)
class Setup:
    """A camera before a runner.

    Parameters
    ----------
    view : from where.
    height_m : of the runner.
    distance_m : from the lens to the middle of the runner's path.
    span : metres along the picture's long side at 1 m, without zoom.
    zoom : 1 or more.
    hold : long side across or upright.
    long_px : pixels along the long side.
    deck_m : height of the ground the runner runs on above the ground the tripod stands on.
    speed_mps : of the run.
    """

    view: View
    height_m: float = 1.75
    distance_m: float = 5.0
    span: float = LONG_SIDE_MM / 26.0
    zoom: float = 1.0
    hold: Hold = "across"
    long_px: int = 1920
    deck_m: float = 0.0
    speed_mps: float = 10 / 3

    @property
    def long_m(self) -> float:
        """Length of the picture's long side in the runner's plane."""
        return self.span * self.distance_m / self.zoom

    @property
    def width_m(self) -> float:
        """What the picture shows from left to right in the runner's plane."""
        return self.long_m if self.hold == "across" else self.long_m / SHAPE

    @property
    def tall_m(self) -> float:
        """What the picture shows from top to bottom in the runner's plane."""
        return self.long_m / SHAPE if self.hold == "across" else self.long_m

    @property
    def width_deg(self) -> float:
        """Angle of view from left to right."""
        return view_angle_deg(self.width_m / self.distance_m)

    @property
    def tall_deg(self) -> float:
        """Angle of view from top to bottom."""
        return view_angle_deg(self.tall_m / self.distance_m)

    @property
    def share(self) -> float:
        """The runner's height as a share of the picture's height."""
        return self.height_m / self.tall_m

    @property
    def px_per_m(self) -> float:
        """Pixels a metre in the runner's plane."""
        return self.long_px / self.long_m

    @property
    def nose_to_heel_px(self) -> float:
        """Pixels from nose to heel."""
        return NOSE_TO_HEEL * self.height_m * self.px_per_m

    @property
    def lens_height_m(self) -> float:
        """Height of the lens above the floor that puts the runner in the middle of a level picture: half the body's."""
        return self.deck_m + self.height_m / 2

    def zoom_for(self, share: float) -> float:
        """Return the zoom at which the runner fills ``share`` of the picture's height from here."""
        return share / attrs.evolve(self, zoom=1.0).share

    def distance_for(self, share: float) -> float:
        """Return the distance at which the runner fills ``share`` of the picture's height with this zoom."""
        return self.distance_m * self.share / share

    def smear_px(self, exposure_s: float, speed_mps: float | None = None) -> float:
        """Return how many pixels a foot smears over; at running speed unless another is given."""
        return smear_m(self.speed_mps if speed_mps is None else speed_mps, exposure_s) * self.px_per_m
