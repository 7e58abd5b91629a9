"""Paths of a film as one still camera would have given them: everything that a moving camera asks for, in order."""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.camera.motion import CameraMotion, levelled, steadied, turned
from midstance.camera.passing import Straightened, cut, outside_picture, seen_span, straightened, upright_of, without
from midstance.camera.shutter import Readout, lean_error_deg, row_offsets_s, unsheared
from midstance.camera.vertical import Upright
from midstance.gait.model import LANDMARK_INDEX, Floats, LandmarkPaths, State

#: Shift of the picture left in a steadied film of a standing person's hands, m (1 SD): the lens is not the centre of every
#: turn, and a standing person sways [engineering choice; 1 to 2 cm slowly, millimetres from step to step].
SWAY_M = 0.003


@attrs.frozen(eq=False)
class Still:
    """What comes out.

    Attributes
    ----------
    landmarks : px of one still camera. Over ground only the frames in which the runner is wholly in the picture, so fewer
        than were filmed. To draw into the film, take the paths as filmed.
    roll_deg, roll_sigma_deg : slope of the true horizontal in these paths, degrees, + rising to the right as seen, as
        ``to_plane`` takes it, and its 1-SD error; None where this film's camera motion says nothing of it, so that other
        sources must.
    shutter_sigma_deg : 1-SD error of every angle from the vertical that the rolling shutter leaves, degrees.
    crossing : the pass turned square to its path; None where the runner doesn't pass.
    sway_m : 1-SD error that the camera's own shifting adds to heights and places within a step, m; 0 for a camera at rest.
    notes : plain sentences for the report.
    motion, readout, corrected, left_out, span : what was done, so that ``like`` can do it again: whether rows were put
        back, (n,) frames that were left out, and the frames that were kept.
    """

    landmarks: LandmarkPaths
    roll_deg: float | None
    roll_sigma_deg: float | None
    shutter_sigma_deg: float
    crossing: Straightened | None
    sway_m: float
    notes: tuple[str, ...]
    motion: CameraMotion
    readout: Readout
    corrected: bool
    left_out: NDArray[np.bool_]
    span: slice

    def like(self, landmarks: LandmarkPaths) -> LandmarkPaths:
        """Return other paths of the same film and frames, treated in the same way: the same frames, the same turns."""
        paths = _unmoved(without(landmarks, self.left_out), self.motion, self.readout, corrected=self.corrected)
        if self.crossing is not None:
            paths = turned(paths, self.motion.focal_px, self.motion.centre_px, self.crossing.turn_rad)
        return cut(paths, self.span)


def as_still(
    landmarks: LandmarkPaths,
    motion: CameraMotion,
    readout: Readout,
    *,
    overground: bool,
    upright: Upright | None = None,
) -> Still:
    """Return the paths as one still camera would have given them.

    Parameters
    ----------
    landmarks : as filmed, image px.
    overground : the runner goes over ground, not on a belt.
    upright : which way is up in the first picture of a camera at rest, where something else tells; a camera that turns
        is judged by its own pictures.

    Notes
    -----
    Over ground, frames in which a part of the legs is outside the picture are left out.

    Rows are put back to their frame's time where the read-out is known, and, for a runner who crosses the picture, also
    where it is only assumed: without it the lean would be wrong by its whole size and not by the error of the assumption.
    """
    notes: list[str] = []
    left_out = np.zeros(len(landmarks.time_s), bool)
    if overground:
        left_out = outside_picture(landmarks, motion.size_px)
    filmed = without(landmarks, left_out)
    span = seen_span(filmed) if overground else slice(0, len(landmarks.time_s))
    speed = _speed_px_s(filmed)
    corrected = readout.source != "unknown" or (overground and speed != 0.0)
    paths = cut(_unmoved(filmed, motion, readout, corrected=corrected), span)
    up = upright_of(motion) if upright is None or motion.moves else upright
    if motion.kind == "turning":
        turn = np.degrees(np.nanmax(motion.turn_rad, axis=0) - np.nanmin(motion.turn_rad, axis=0))
        notes.append(
            f"the camera moved (by {turn[1]:.1f}° across, {turn[0]:.1f}° up and down, {turn[2]:.1f}° of roll); this was "
            "followed in the surroundings and taken out"
        )
    elif motion.kind == "travelling":
        notes.append(f"{motion.reason}; its roll was taken out, its own ups and downs could not be")
    elif motion.kind == "unknown" and overground:
        notes.append(f"whether the camera moved is not known: {motion.reason}")
    shutter_sigma = lean_error_deg(readout, speed, motion.size_px)[1]
    crossing = None
    if overground and paths.view == "side" and motion.kind in ("turning", "still"):
        crossing = straightened(
            paths,
            focal_px=motion.focal_px,
            centre_px=motion.centre_px,
            focal_relative_sigma=motion.focal_relative_sigma,
            upright=up,
        )
    sway = SWAY_M if motion.kind == "turning" else 0.0
    own = up if motion.moves else None
    roll_deg, roll_sigma = (None, None) if own is None else (own.roll_deg, own.roll_sigma_deg)
    if crossing is not None:
        notes.append(
            f"the path was {abs(crossing.yaw_deg):.1f}° ± {1.96 * crossing.yaw_sigma_deg:.1f}° off square to the camera, "
            "which was taken out"
        )
        paths, roll_deg, roll_sigma = crossing.landmarks, 0.0, crossing.roll_sigma_deg
    return Still(
        landmarks=paths,
        roll_deg=roll_deg,
        roll_sigma_deg=roll_sigma,
        shutter_sigma_deg=shutter_sigma,
        crossing=crossing,
        sway_m=sway,
        notes=tuple(notes),
        motion=motion,
        readout=readout,
        corrected=corrected,
        left_out=left_out,
        span=span,
    )


def _unmoved(landmarks: LandmarkPaths, motion: CameraMotion, readout: Readout, *, corrected: bool) -> LandmarkPaths:
    """Take out the camera's motion, and put rows back to their frame's time where ``corrected``."""
    offsets = row_offsets_s(landmarks.xy, readout, motion.size_px) if corrected else None
    paths = landmarks
    if motion.kind == "turning":
        paths = steadied(landmarks, motion, offsets_s=offsets)
    elif motion.kind == "travelling":
        paths = levelled(landmarks, motion)
    return paths if offsets is None else unsheared(paths, offsets)


def _speed_px_s(landmarks: LandmarkPaths) -> float:
    """Return the speed at which the hips move through the picture as filmed, px/s, + to the right; 0 on the spot."""
    places = []
    for side in ("left", "right"):
        i = LANDMARK_INDEX[f"{side}_hip"]
        seen = np.isin(landmarks.state[:, i], (int(State.SEEN), int(State.FILLED), int(State.CORRECTED)))
        places.append(np.where(seen, landmarks.xy[:, i, 0], np.nan))
    x: Floats = 0.5 * (places[0] + places[1])
    good = np.isfinite(x)
    if good.sum() < 8:
        return 0.0
    t = landmarks.time_s[good]
    slope = float(np.polyfit(t - t.mean(), x[good], 1)[0])
    # On the spot the hips still drift: less than half of a body's height is no crossing.
    body = float(
        np.nanmedian(np.nanmax(landmarks.xy[good, :, 1], axis=1) - np.nanmin(landmarks.xy[good, :, 1], axis=1))
    )
    return slope if abs(slope) * (t[-1] - t[0]) > 0.5 * body else 0.0
