"""The camera of one film that stands still, from all that is known: marks or board, lens, the camera's motion record, edges.

One call for the pipeline. What the picture's upright edges and the camera's motion record say of the vertical is weighed
with the marks, and where belt and vertical disagree a little, the belt's slope takes up its share.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import attrs
import numpy as np

from midstance.camera.board import board_marks, find_board_in_film
from midstance.camera.ground import PlaneMarks, SolvedCamera, solve_camera
from midstance.camera.marks import FilmMarks
from midstance.camera.rectify import Rectified, RunnerPlane, depths_from_side, plane_from_feet, rectify
from midstance.camera.vertical import Upright, upright_from_edges, upright_from_motion
from midstance.errors import OptionError
from midstance.film.frames import FilmInfo
from midstance.film.picture_checks import Box
from midstance.film.reader import read_frames
from midstance.gait.model import Floats, LandmarkPaths, PlanePaths, Stance

#: Pictures of a film looked at for upright edges.
EDGE_PICTURES = 5
#: Roll of two sources further apart than this many combined standard errors: the one of lesser standing is not used.
APART_SIGMAS = 3.5


def find_camera(
    marks: FilmMarks,
    info: FilmInfo,
    *,
    direction: str | None = None,
    start_s: float = 0.0,
    end_s: float | None = None,
    paths: LandmarkPaths | None = None,
    where: str = "marks",
) -> SolvedCamera | None:
    """Return the camera of a film, None where its ground is not marked.

    Parameters
    ----------
    marks : of this film.
    info : of this film.
    direction : "+x" or "-x" in side view.
    start_s, end_s : part of the film, file time, in which pictures are looked at.
    paths : the runner's landmarks, image px, to leave the runner out when edges are looked for.
    where : names the marks in errors.

    Raises
    ------
    OptionError
        The marks are wrong, or the board was not found.
    """
    ground = marks.ground if marks.board is None else _from_board(marks, info, direction, end_s, where)
    if ground is None:
        return None
    size = (info.width, info.height)
    place = f"{where}: {marks.view}.ground"

    def solve(roll: tuple[float, float] | None, tilt: tuple[float, float] | None) -> SolvedCamera:
        return solve_camera(
            ground, size, marks.view, direction=direction, lens=marks.lens, roll=roll, tilt=tilt, where=place
        )

    first = solve(None, None)
    upright = _upright(marks, info, first, start_s, end_s, paths)
    if upright is None:
        return first
    along = {"+x": 1.0, "-x": -1.0}.get(direction or "", 0.0)
    slope_sigma = first.slope_sigma_deg if along else 0.0
    expected = upright.roll_deg + along * first.slope_deg
    sigma = float(np.hypot(upright.roll_sigma_deg, slope_sigma))
    if abs(first.roll_deg - expected) > APART_SIGMAS * float(np.hypot(sigma, first.roll_sigma_deg)):
        rolls = f"({expected:.1f} and {first.roll_deg:.1f} degrees)"
        note = f"{upright.source} and the marks disagree about the camera's roll {rolls}"
        if marks.roll is not None:
            raise OptionError(
                note,
                where=f"{where}: {marks.view}.roll_deg",
                allowed="+ when the true horizontal rises to the right in the picture",
                next_step="check the sign of the roll, the marks, or give the belt's slope_percent",
            )
        return attrs.evolve(first, notes=(*first.notes, f"{note}; the marks are used"))
    tilt = None
    if upright.tilt_deg is not None and upright.tilt_sigma_deg is not None:
        tilt = (upright.tilt_deg, upright.tilt_sigma_deg)
        apart = abs(upright.tilt_deg - first.tilt_deg)
        if apart > APART_SIGMAS * float(np.hypot(upright.tilt_sigma_deg, first.tilt_sigma_deg)):
            tilt = None  # edges that are no uprights may still agree about the roll
    both = solve((expected, sigma), tilt)
    both = attrs.evolve(both, notes=(*both.notes, f"the camera's roll is weighed with that of {upright.source}"))
    if not along:
        return both
    # How far the belt is off level, given its roll in the picture and the vertical's.
    share = slope_sigma**2 / (slope_sigma**2 + upright.roll_sigma_deg**2)
    slope = both.slope_deg + along * share * (both.roll_deg - expected)
    return attrs.evolve(both, slope_deg=slope, slope_sigma_deg=slope_sigma * float(np.sqrt(1.0 - share)))


def _from_board(
    marks: FilmMarks, info: FilmInfo, direction: str | None, end_s: float | None, where: str
) -> PlaneMarks:
    board = marks.board
    assert board is not None
    if board.film is not None:
        found = find_board_in_film(board.film, paper=board.paper)
    else:
        # The board is filmed before anybody runs, so before the part that is measured too.
        found = find_board_in_film(info.path, end_s=end_s, paper=board.paper)
    if found is None:
        raise OptionError(
            "the board was not found in the film",
            where=f"{where}: {marks.view}.ground.board",
            allowed="a film in which the printed board is seen sharp, whole and still for a second or two",
            next_step="film the board again from the same camera place and name that as “film”, or mark the belt's corners",
        )
    return board_marks(
        found, marks.view, place=board.place, direction=direction, bar_mm=board.bar_mm, slope_percent=board.slope_percent
    )


def _upright(
    marks: FilmMarks,
    info: FilmInfo,
    solved: SolvedCamera,
    start_s: float,
    end_s: float | None,
    paths: LandmarkPaths | None,
) -> Upright | None:
    """Return the vertical from the best source there is: given, upright edges, the camera's motion record."""
    if marks.roll is not None:
        return Upright(marks.roll[0], marks.roll[1], None, None, "the roll given")
    if marks.lens is None or not marks.lens.distorts:  # bent lines have no vanishing point
        found = film_upright(
            info, solved.camera.focal_px, paths, start_s=start_s, end_s=end_s,
            centre_px=(float(solved.camera.centre[0]), float(solved.camera.centre[1])),
        )  # fmt: skip
        if found is not None:
            if found.tilt_deg is None or found.tilt_sigma_deg is None:
                return found
            # A focal length off by a share puts the tilt off by the same share.
            part = abs(found.tilt_deg) * solved.focal_relative_sigma
            return attrs.evolve(found, tilt_sigma_deg=float(np.hypot(found.tilt_sigma_deg, part)))
    return upright_from_motion(info.path, info)


def film_upright(
    info: FilmInfo,
    focal_px: float,
    paths: LandmarkPaths | None = None,
    *,
    start_s: float = 0.0,
    end_s: float | None = None,
    centre_px: tuple[float, float] | None = None,
) -> Upright | None:
    """Return roll and tilt of a still camera from upright edges in ``EDGE_PICTURES`` pictures of its film.

    None when most of them tell nothing. Pictures of one scene share their errors: the median is taken, but its error is that
    of one picture.
    """
    end = info.duration_s if end_s is None else end_s
    every = max(1, int((end - start_s) * float(info.average_fps or 30)) // EDGE_PICTURES)
    box = _box(paths, info)
    seen: list[Upright] = []
    for frame in read_frames(info.path, start_s=start_s or None, end_s=end, every=every, info=info):
        one = upright_from_edges(frame.gray_small(frame.width), box, focal_px, centre_px=centre_px)
        if one is not None:
            seen.append(one)
    if 2 * len(seen) <= EDGE_PICTURES:
        return None
    roll = float(np.median([u.roll_deg for u in seen]))
    middle = min(seen, key=lambda u: abs(u.roll_deg - roll))
    tilts = [u.tilt_deg for u in seen if u.tilt_deg is not None]
    if 2 * len(tilts) <= EDGE_PICTURES or middle.tilt_deg is None:
        return attrs.evolve(middle, roll_deg=roll, tilt_deg=None, tilt_sigma_deg=None)
    return attrs.evolve(middle, roll_deg=roll, tilt_deg=float(np.median(tilts)))


def _box(paths: LandmarkPaths | None, info: FilmInfo) -> Box | None:
    """Return where the runner is through the whole film, with a margin; None when that is most of the picture."""
    if paths is None or not np.isfinite(paths.xy).any():
        return None
    low, high = (np.nanpercentile(paths.xy.reshape(-1, 2), q, axis=0) for q in (1, 99))
    if float(high[0] - low[0]) > 0.6 * info.width:
        return None
    return float(low[0] - 20), float(low[1] - 20), float(high[0] + 20), float(high[1] + 20)


@attrs.frozen(eq=False)
class SideFilm:
    """What a side film of the same running lends to a rear or front film: its paths in m, and its stances."""

    plane: PlanePaths
    stances: Sequence[Stance]


def rectify_film(
    paths: LandmarkPaths,
    solved: SolvedCamera,
    stances: Sequence[Stance] = (),
    *,
    surface: Literal["treadmill", "overground"] = "treadmill",
    side: SideFilm | None = None,
) -> Rectified:
    """Rectify a film's paths, with all that is known so far.

    Without ``stances`` (before events are found) the runner's plane is that of the marks; with them, that of the standing
    feet. Events need no exact plane, so rectify once, find events and stances, and rectify again.

    Parameters
    ----------
    paths : image px (joint centres).
    stances : of this film.
    surface : overground, a rear or front view's plane moves along with the runner.
    side : for rear and front views.
    """
    plane: RunnerPlane | None = None
    depths: Floats | None = None
    if stances:
        passing = surface == "overground" and paths.view != "side"
        plane = plane_from_feet(paths, solved, stances, passing=passing)
        if side is not None and paths.view != "side":
            depths = depths_from_side(side.plane, side.stances, paths.time_s, stances)
    return rectify(paths, solved, plane=plane, depths_m=depths)
