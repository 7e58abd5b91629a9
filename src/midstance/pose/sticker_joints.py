"""Stickers in the place of landmarks, and in the plane of the picture."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.camera.plane import to_plane
from midstance.gait.curves import Track
from midstance.gait.measures_frontal import pelvis_line
from midstance.gait.measures_rearfoot import REARFOOT_PLACES, RearfootDots
from midstance.gait.model import (
    LANDMARK_INDEX,
    LANDMARKS,
    SIDES,
    Floats,
    LandmarkPaths,
    PlanePaths,
    Scale,
    Side,
    State,
    View,
)
from midstance.gait.uncertainty import root_sum_squares
from midstance.pose.stickers import PLACES, StickerPaths

#: A sticker seen in fewer frames than this share doesn't take a landmark's place.
MIN_SEEN_TO_REPLACE = 0.4
#: 1-SD distance of a sticker from the point it stands for, m: placing a dot over a joint by touch reaches 5-10 mm
#: (engineering choice, no source). It holds the sliding of the skin, which is largest at the hip.
PLACEMENT_SIGMA_M = 0.007
#: 1-SD difference in height of two pelvis dots against the bony points, m, when they are put on level in quiet
#: standing; and what skin sliding over the bone adds to every angle of the pelvis, degrees (1 SD). Engineering choices:
#: pelvic drop read from film differs between two days by up to 2.7 to 2.8 degrees in 95 of 100 runners (Dingenen et al.
#: 2018, Phys Ther Sport 33:40-47).
PELVIS_PLACEMENT_SIGMA_M = 0.003
PELVIS_SKIN_SIGMA_DEG = 1.0
#: Measures of the side view that can rest on stickers alone, and the lines they are taken from.
SIDE_LINES: dict[str, tuple[tuple[str, str], ...]] = {
    "shank_angle_contact": (("knee", "ankle"),),
    "thigh_angle_contact": (("hip", "knee"),),
    "hip_extension_toe_off": (("hip", "knee"),),
    "knee_flexion_contact": (("hip", "knee"), ("knee", "ankle")),
    "knee_flexion_peak_stance": (("hip", "knee"), ("knee", "ankle")),
    "knee_flexion_peak_swing": (("hip", "knee"), ("knee", "ankle")),
    "foot_strike_angle": (("heel", "toe"),),
    "ankle_dorsiflexion_contact": (("heel", "toe"), ("knee", "ankle")),
    "ankle_dorsiflexion_peak_stance": (("heel", "toe"), ("knee", "ankle")),
    "ankle_dorsiflexion_swing": (("heel", "toe"), ("knee", "ankle")),
}
#: Bony points of the pelvis that stickers mark.
PELVIS_POINTS: dict[View, str] = {"rear": "psis", "front": "asis"}


@attrs.frozen(eq=False)
class Stickered:
    """Landmark paths with stickers in their place.

    ``replaced`` are the landmarks whose paths are now a sticker's. ``notes`` are sentences for the report.
    """

    paths: LandmarkPaths
    replaced: frozenset[str]
    notes: tuple[str, ...]

    @property
    def foot_needs_own_zero(self) -> frozenset[Side]:
        """Sides whose heel and toe are dots on the shoe: their flat foot must give the zero of the foot's angles."""
        return frozenset(s for s in SIDES if f"{s}_heel" in self.replaced)

    def measures(self, side: Side) -> frozenset[str]:
        """Keys of the measures of one side whose points are all stickers."""
        if self.paths.view != "side":
            return frozenset()
        return frozenset(
            key
            for key, lines in SIDE_LINES.items()
            if all(f"{side}_{p}" in self.replaced for line in lines for p in line)
        )

    def systematic(self, side: Side, m_per_px: float) -> dict[str, float]:
        """1-SD systematic errors, degrees, of ``measures(side)``, to stand in place of those of the joint map.

        A dot lies ``PLACEMENT_SIGMA_M`` off the point it stands for, so that a line of length L between two of them is
        turned by sqrt(2) times that over L; the lines of a joint add in squares. The heel-toe line has no such error: its
        zero is taken from the same dots on a flat foot, and brings its own.
        """
        out: dict[str, float] = {}
        for key in self.measures(side):
            lengths = [self._length(side, a, b) for a, b in SIDE_LINES[key] if (a, b) != ("heel", "toe")]
            out[key] = root_sum_squares(
                float(np.degrees(np.sqrt(2.0) * PLACEMENT_SIGMA_M / (length * m_per_px))) for length in lengths
            )
        return out

    def _length(self, side: Side, a: str, b: str) -> float:
        return float(np.nanmedian(np.linalg.norm(self.paths.point(f"{side}_{a}") - self.paths.point(f"{side}_{b}"), axis=1)))


def with_stickers(joints: LandmarkPaths, stickers: StickerPaths) -> Stickered:
    """Put stickers in the place of the landmarks they mark.

    Parameters
    ----------
    joints : landmark paths after the joint map.
    stickers : of the same film, at the same times.

    Notes
    -----
    Where a sticker isn't seen its path follows the landmark, moved over to it, with state GUESS: there is no jump for a
    filter to ring on, but it isn't measured there. A landmark set by a person stays. Heel and toe are replaced together or
    not at all: a line from a dot to a landmark has no zero.
    """
    if len(joints.time_s) != len(stickers.time_s) or not np.allclose(joints.time_s, stickers.time_s, atol=1e-6):
        raise ValueError("with_stickers: stickers and landmarks have different times")
    notes: list[str] = []
    wanted = _wanted(stickers, notes)
    xy, sigma = joints.xy.copy(), joints.sigma_px.copy()
    state, score = joints.state.copy(), joints.score.copy()
    for landmark, name in wanted.items():
        i, j = LANDMARK_INDEX[landmark], stickers.names.index(name)
        own, own_sigma, known = stickers.path(name)
        free = joints.state[:, i] != State.CORRECTED
        xy[free, i] = _carried(joints.time_s, own, known, joints.xy[:, i])[free]
        state[free, i] = np.where(known, stickers.state[:, j], State.GUESS)[free]
        state[~np.isfinite(xy[:, i, 0]), i] = State.MISSING
        sigma[known & free, i] = own_sigma[known & free]
        score[known & free, i] = 1.0
    paths = attrs.evolve(joints, xy=xy, sigma_px=sigma, state=state, score=score)
    return Stickered(paths, frozenset(wanted), tuple(notes))


def _wanted(stickers: StickerPaths, notes: list[str]) -> dict[str, str]:
    """Return landmark → sticker for the stickers that take a landmark's place."""
    wanted: dict[str, str] = {}
    for name, reason in zip(stickers.names, stickers.reasons, strict=True):
        side, place = name.split("_", 1)
        landmark = PLACES[place].landmark
        if landmark is None or reason is not None:
            continue
        share = stickers.share_seen(name)
        if share < MIN_SEEN_TO_REPLACE:
            notes.append(f"the sticker {name} was seen in only {share:.0%} of the frames; the landmark is used instead")
            continue
        wanted[f"{side}_{landmark}"] = name
    for side in SIDES:
        alone = [p for p in (f"{side}_heel", f"{side}_toe") if p in wanted]
        if len(alone) == 1:
            del wanted[alone[0]]
            notes.append(f"the sticker {alone[0]} was not used: heel and toe are needed together")
    return wanted


def _carried(time_s: Floats, own: Floats, known: NDArray[np.bool_], landmark: Floats) -> Floats:
    """Return a sticker's path, over its gaps the landmark's path moved over to it."""
    offset = own - landmark
    good = known & np.isfinite(offset[:, 0])
    if not good.any():
        return np.where(known[:, None], own, np.nan)
    moved = np.stack([np.interp(time_s, time_s[good], offset[good, k]) for k in (0, 1)], axis=1)
    return np.where(known[:, None], own, landmark + moved)


def pelvis_track(
    stickers: StickerPaths,
    *,
    roll_deg: float = 0.0,
    scale: Scale | None = None,
    cutoff_hz: float | None = None,
) -> Track | None:
    """Slope of the line through the two PSIS (from behind) or ASIS (from the front) stickers, for ``measure_frontal``.

    Takes what ``to_plane`` takes. None where the two weren't followed together in ``MIN_SEEN_TO_REPLACE`` of the frames.
    """
    point = PELVIS_POINTS.get(stickers.view)
    names = [f"{s}_{point}" for s in SIDES]
    if not stickers.has(*names):
        return None
    plane = _plane(stickers, names, roll_deg, scale, cutoff_hz)
    known = plane.usable[:, 0] & plane.usable[:, 1]
    if known.mean() < MIN_SEEN_TO_REPLACE:
        return None
    left, right = (np.where(known[:, None], plane.xy[:, k], np.nan) for k in (0, 1))
    sigma = float(np.nanmedian(plane.sigma[:, :2][known]))
    return pelvis_line(plane.time_s, left, right, sigma, f"stickers on both {str(point).upper()}")


def pelvis_placement_sigma_deg(stickers: StickerPaths, m_per_px: float) -> float:
    """1-SD slope, degrees, that dots placed beside the bony points give the pelvis line.

    The same all the time, so that it adds to the drop of one side what it takes from that of the other, as a tilted camera
    does: it cancels in the mean of both sides.
    """
    left, right = (stickers.path(f"{s}_{PELVIS_POINTS[stickers.view]}")[0] for s in SIDES)
    apart = float(np.nanmedian(np.linalg.norm(left - right, axis=1)))
    return float(np.degrees(np.sqrt(2.0) * PELVIS_PLACEMENT_SIGMA_M / (apart * m_per_px)))


def rearfoot_dots(
    stickers: StickerPaths,
    *,
    roll_deg: float = 0.0,
    scale: Scale | None = None,
    cutoff_hz: float | None = None,
) -> RearfootDots | None:
    """Bring the rearfoot stickers of a rear film into the plane of the picture, filtered; None where there are none.

    Takes what ``to_plane`` takes, so that stickers and landmarks are treated alike.
    """
    places = [f"{s}_{p}" for s in SIDES for p in REARFOOT_PLACES]
    marked = [n for n in stickers.names if n in places]
    if not marked or stickers.view != "rear":
        return None
    names = [n for n in marked if stickers.has(n)]
    plane = _plane(stickers, names, roll_deg, scale, cutoff_hz)
    reasons = dict(zip(stickers.names, stickers.reasons, strict=True))
    return RearfootDots(
        time_s=plane.time_s,
        xy={name: plane.xy[:, i] for i, name in enumerate(names)},
        sigma={name: plane.sigma[:, i] for i, name in enumerate(names)},
        usable={name: plane.usable[:, i] for i, name in enumerate(names)},
        m_per_unit=1.0 if scale is not None else None,
        missing={name: str(reasons[name]) for name in marked if reasons[name] is not None},
    )


def moved_with(stickers: StickerPaths, move: Callable[[LandmarkPaths], LandmarkPaths]) -> StickerPaths:
    """Return stickers treated as landmark paths of the same film are, such as by ``Still.like``.

    ``move`` must treat all landmarks alike; it may leave out frames.
    """
    size = len(LANDMARKS)
    names, m = stickers.names, len(stickers.names)
    xy, sigma, state = [], [], []
    time_s = stickers.time_s
    for first in range(0, m, size):
        chunk = list(names[first : first + size])
        moved = move(_riders(stickers, chunk))
        time_s = moved.time_s
        xy.append(moved.xy[:, : len(chunk)])
        sigma.append(moved.sigma_px[:, : len(chunk)])
        state.append(moved.state[:, : len(chunk)])
    return attrs.evolve(
        stickers,
        time_s=time_s,
        xy=np.concatenate(xy, axis=1),
        sigma_px=np.concatenate(sigma, axis=1),
        state=np.concatenate(state, axis=1),
    )


def _riders(stickers: StickerPaths, names: Sequence[str]) -> LandmarkPaths:
    """Put stickers in the places of the first landmarks, so that what treats landmarks treats them."""
    n, k = len(stickers.time_s), len(LANDMARKS)
    xy, sigma, state = np.full((n, k, 2), np.nan), np.zeros((n, k)), np.full((n, k), State.MISSING, np.uint8)
    for i, name in enumerate(names):
        j = stickers.names.index(name)
        xy[:, i], sigma[:, i], state[:, i] = stickers.xy[:, j], stickers.sigma_px[:, j], stickers.state[:, j]
    return LandmarkPaths(stickers.view, stickers.time_s, xy, np.ones((n, k)), sigma, state)


def _plane(
    stickers: StickerPaths, names: Sequence[str], roll_deg: float, scale: Scale | None, cutoff_hz: float | None
) -> PlanePaths:
    """Bring stickers into the plane by the landmarks' own way, riding in the places of the first landmarks."""
    return to_plane(_riders(stickers, names), roll_deg=roll_deg, scale=scale, cutoff_hz=cutoff_hz)


def metres_per_pixel(scale: Scale | None, body_px: float, height_m: float | None) -> float:
    """Return a scale good enough for placement errors: the film's, or body height over its pixels (1.7 m if unknown)."""
    if scale is not None:
        return scale.m_per_px
    return (height_m or 1.7) / body_px


