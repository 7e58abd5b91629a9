"""Paths of a film as one still camera would have given them: everything that a moving camera asks for, in order."""

from __future__ import annotations

import attrs
import numpy as np

from midstance.camera.motion import CameraMotion, levelled, steadied
from midstance.camera.passing import Straightened, straightened, trimmed, upright_of, whole_in_picture
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
    """

    landmarks: LandmarkPaths
    roll_deg: float | None
    roll_sigma_deg: float | None
    shutter_sigma_deg: float
    crossing: Straightened | None
    sway_m: float
    notes: tuple[str, ...]


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
    if overground:
        landmarks = trimmed(whole_in_picture(landmarks, motion.size_px))
    speed = _speed_px_s(landmarks)
    crosses = overground and abs(speed) > 0
    correct = readout.source != "unknown" or crosses
    offsets = row_offsets_s(landmarks.xy, readout, motion.size_px) if correct else None
    up = upright
    paths = landmarks
    if motion.kind == "turning":
        paths = steadied(landmarks, motion, offsets_s=offsets)
        up = upright_of(motion)
        turn = np.degrees(np.nanmax(motion.turn_rad, axis=0) - np.nanmin(motion.turn_rad, axis=0))
        notes.append(
            f"the camera moved (by {turn[1]:.1f}° across, {turn[0]:.1f}° up and down, {turn[2]:.1f}° of roll); this was "
            "followed in the surroundings and taken out"
        )
    elif motion.kind == "travelling":
        paths = levelled(landmarks, motion)
        up = upright_of(motion)
        notes.append(f"{motion.reason}; its roll was taken out, its own ups and downs could not be")
    elif motion.kind == "unknown" and overground:
        notes.append(f"whether the camera moved is not known: {motion.reason}")
    if offsets is not None:
        paths = unsheared(paths, offsets)
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
    if crossing is not None:
        notes.append(
            f"the path was {abs(crossing.yaw_deg):.1f}° ± {1.96 * crossing.yaw_sigma_deg:.1f}° off square to the camera, "
            "which was taken out"
        )
        return Still(crossing.landmarks, 0.0, crossing.roll_sigma_deg, shutter_sigma, crossing, sway, tuple(notes))
    own = up if motion.moves else None
    return Still(
        paths,
        None if own is None else own.roll_deg,
        None if own is None else own.roll_sigma_deg,
        shutter_sigma,
        None,
        sway,
        tuple(notes),
    )


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
