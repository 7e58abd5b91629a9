"""Paths as filmed, made into paths of a camera that stands still, upright and square to the runner, as far as that is known.

Three things are taken out, where something tells them: the camera's own motion (``camera/still.py``), its place and
lens from marks of the ground (``camera/marked.py``), and its roll, found in the picture or given. What is left of each
goes into the intervals.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import attrs
import numpy as np

from midstance.assess.reading import FilmReading
from midstance.assess.settings import Settings
from midstance.camera.marked import rectify_film
from midstance.camera.rectify import Rectified
from midstance.camera.shutter import Readout, readout_of
from midstance.camera.still import Still, as_still
from midstance.gait.model import LandmarkPaths, QualityCheck, Scale, Stance
from midstance.gait.strides import kept
from midstance.pose.sticker_joints import Stickered, metres_per_pixel, moved_with
from midstance.pose.stickers import StickerPaths

#: Camera roll left, degrees (1 SD): when long edges in the picture gave it, and when nothing did.
ROLL_SIGMA_DEG = (0.5, 1.5)
#: Roll beyond this is not believed but left to the coach.
MAX_ROLL_DEG = 8.0
#: Yaw against square that a careful user leaves, degrees (1 SD); engineering choice.
YAW_SIGMA_DEG = 4.0
#: Further relative error of lengths for lying off the plane of the scale: side, and rear or front. Engineering choices.
PARALLAX_RELATIVE = (0.01, 0.03)


@attrs.frozen(eq=False)
class StraightPaths:
    """Paths to be measured, with what is left of the camera in them.

    Attributes
    ----------
    joints : joint centres, px. ``landmarks`` : the same before they were moved to the joints.
    roll_deg : slope of the true horizontal in these paths, + rising to the right as seen; ``to_plane`` takes it out.
    roll_sigma_deg, yaw_sigma_deg : 1-SD errors left.
    shutter_sigma_deg : 1-SD error of every angle from the vertical that the rolling shutter leaves.
    parallax_relative_sigma : further relative error of lengths.
    legs_in_depth : each leg has the scale of its own plane.
    scale : from the ground's marks, else None.
    notes : plain sentences for the report.
    for_events : joints without stickers, where stickers took the place of some; contacts are found on these.
    stickers : paths of stickers, steadied but never rectified, with the roll of their picture, and their scale where the
        ground is marked (else that of the film).
    """

    joints: LandmarkPaths
    landmarks: LandmarkPaths
    roll_deg: float
    roll_sigma_deg: float
    yaw_sigma_deg: float
    shutter_sigma_deg: float
    parallax_relative_sigma: float
    legs_in_depth: bool
    scale: Scale | None
    notes: tuple[str, ...]
    stickers: StickerPaths | None = None
    stickers_roll_deg: float = 0.0
    stickers_scale: Scale | None = None
    stickered: Stickered | None = None
    for_events: LandmarkPaths | None = None

    def m_per_px(self, scale: Scale | None, height_m: float | None) -> float:
        """Return a scale good enough for how far stickers lie off their places."""
        y = self.landmarks.xy[..., 1]
        body = np.nanmax(y, axis=1) - np.nanmin(y, axis=1) if np.isfinite(y).any() else np.array([np.nan])
        return metres_per_pixel(scale, float(np.nanquantile(body, 0.9)), height_m)

    def common(self, reading: FilmReading) -> dict[str, Any]:
        """Return the arguments that every ``to_plane`` of this film has."""
        return {"direction": reading.direction, "roll_deg": self.roll_deg, "near_side": reading.near}


def readout(reading: FilmReading, settings: Settings) -> Readout:
    """Return how long the film's camera takes to read out a picture."""
    motion = reading.observed.motion
    return readout_of(
        reading.info.rotation_deg,
        reading.clock.capture_fps,
        given_s=settings.readout_s,
        found=None if motion is None or motion.readout_s is None else (motion.readout_s, motion.readout_sigma_s or 0.0),
    )


def still_camera(reading: FilmReading, settings: Settings) -> Still | None:
    """Return a film's joints as one still camera would have shown them; None where its motion was not looked at."""
    motion = reading.observed.motion
    if motion is None:
        return None
    overground = settings.surface == "overground"
    return as_still(reading.joints, motion, readout(reading, settings), overground=overground)


def straight_paths(
    reading: FilmReading, settings: Settings, still: Still | None, stances: Sequence[Stance] = ()
) -> StraightPaths:
    """Take out of a film's paths what is known of its camera; ``still`` is that of ``still_camera``.

    Events need no exact plane: call it once without stances, find these, and call it again with them where the ground
    is marked.
    """
    joints = still.landmarks if still else reading.joints
    landmarks = still.like(reading.cleaned.paths) if still else reading.cleaned.paths
    shutter = still.shutter_sigma_deg if still else 0.0
    bare = reading.without_stickers
    if still is not None and bare is not None:
        bare = still.like(bare)
    notes = still.notes if still else ()
    motion = reading.observed.motion
    if reading.camera is not None and not (motion is not None and motion.moves):
        rect = rectify_film(joints, reading.camera, stances, surface=settings.surface)
        other = rectify_film(landmarks, reading.camera, stances, surface=settings.surface)
        if bare is not None:
            bare = rectify_film(bare, reading.camera, stances, surface=settings.surface).paths
        return _marked(reading, rect, other, shutter, notes, _steadied(reading.stickers, still), bare)
    roll, roll_sigma = roll_of(reading.quality)
    if reading.roll is not None:
        roll, roll_sigma = reading.roll
    yaw_sigma, crossing = YAW_SIGMA_DEG, still.crossing if still else None
    if still is not None and still.roll_deg is not None and still.roll_sigma_deg is not None:
        roll, roll_sigma = still.roll_deg, still.roll_sigma_deg
    if crossing is not None:
        yaw_sigma = crossing.yaw_sigma_deg
        contacts_s = np.array([s.ic.time_s for s in kept(stances)]) if stances else joints.time_s
        roll_sigma = crossing.upright_sigma_deg(contacts_s)
        shutter = float(np.hypot(shutter, crossing.oblique_sigma_deg(contacts_s)))
    return StraightPaths(
        joints=joints,
        landmarks=landmarks,
        roll_deg=roll,
        roll_sigma_deg=roll_sigma,
        yaw_sigma_deg=yaw_sigma,
        shutter_sigma_deg=shutter,
        parallax_relative_sigma=PARALLAX_RELATIVE[reading.view != "side"],
        legs_in_depth=False,
        scale=None,
        notes=notes,
        stickers=_steadied(reading.stickers, still),
        stickers_roll_deg=roll,
        stickered=_stickered(reading, joints),
        for_events=bare,
    )


def _marked(
    reading: FilmReading,
    rect: Rectified,
    other: Rectified,
    shutter_deg: float,
    notes: Sequence[str],
    stickers: StickerPaths | None,
    for_events: LandmarkPaths | None,
) -> StraightPaths:
    assert reading.camera is not None
    return StraightPaths(
        joints=rect.paths,
        landmarks=other.paths,
        roll_deg=0.0,
        roll_sigma_deg=rect.roll_sigma_deg,
        yaw_sigma_deg=rect.yaw_sigma_deg,
        shutter_sigma_deg=shutter_deg,
        parallax_relative_sigma=rect.parallax_relative_sigma,
        legs_in_depth=True,
        scale=rect.scale,
        stickers=stickers,
        stickers_roll_deg=reading.camera.roll_deg,
        stickered=_stickered(reading, rect.paths),
        for_events=for_events,
        stickers_scale=Scale(
            rect.camera_distance_m / reading.camera.camera.focal_px, rect.scale.relative_sigma, rect.scale.source
        ),
        notes=tuple(dict.fromkeys((*notes, *reading.camera.notes, *rect.notes))),
    )


def _steadied(stickers: StickerPaths | None, still: Still | None) -> StickerPaths | None:
    """Take the camera's motion out of stickers too."""
    if stickers is None or still is None:
        return stickers
    return moved_with(stickers, still.like)


def _stickered(reading: FilmReading, joints: LandmarkPaths) -> Stickered | None:
    """Return what stickers replaced, with the paths as they are measured."""
    return None if reading.stickered is None else attrs.evolve(reading.stickered, paths=joints)


def roll_of(quality: Sequence[QualityCheck]) -> tuple[float, float]:
    """Return the slope of the true horizontal in the picture, degrees, + rising to the right, and its 1-SD error."""
    check = next((q for q in quality if q.check == "camera_roll"), None)
    if check is None or check.value is None or abs(check.value) > MAX_ROLL_DEG:
        return 0.0, ROLL_SIGMA_DEG[1]
    # The check gives the lean of upright things, clockwise +: the horizon then falls to the right.
    return -check.value, ROLL_SIGMA_DEG[0]
