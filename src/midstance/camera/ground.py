"""Where the camera stood, from points of the belt or the ground (or of a board) whose places in metres are known.

Four or more points of a plane, marked in the picture, give the camera's place, its turn and, where the geometry can tell it,
its focal length; pixels are taken as square and the optical axis as passing through the middle of the picture unless a
lens says otherwise. The fit is a least-squares one on the marked pixels, with a wide prior for the focal length, so that
a view that can't tell it (a plane seen square on) falls back to that of an ordinary phone and says so. The
uncertainty of everything comes from the curvature of the same fit: marks are placed to about 2 px (1 SD).

The first pose is that of a planar target (T. Collins & A. Bartoli 2014, Infinitesimal plane-based pose estimation,
Int J Comput Vis 109:252-286 [from memory], as OpenCV has it).
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from typing import Literal

import attrs
import cv2
import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import least_squares
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from midstance.camera.pinhole import Camera, Lens
from midstance.errors import OptionError
from midstance.gait.model import Floats, View

#: 1-SD error of a point marked by hand, px; engineering choice.
CLICK_SIGMA_PX = 2.0
#: 1-SD relative error of a length taken with a tape; engineering choice.
LENGTH_RELATIVE_SIGMA = 0.005
#: Rise of belt or ground, 1-SD error, degrees: given, and taken as level (treadmills are often left at a per cent, floors
#: fall by as much); engineering choice.
SLOPE_SIGMA_DEG = (0.1, 0.4)
#: Focal length over the longer side of the picture when nothing is known: main cameras of phones see 55 to 80 degrees
#: across (0.96 to 0.60), video modes cut a tenth off, and people zoom in; 1 SD of its logarithm. Engineering choice.
FOCAL_OF_SIDE = 0.85
FOCAL_LOG_SIGMA = 0.35
#: The marks tell the focal length when they narrow the prior at least to this share.
TELLS_FOCAL = 0.6
#: A fit worse than marks of ``CLICK_SIGMA_PX`` would give once in so many times is refused.
WORST_FIT = 1e-4
#: Largest turn away from the view that is still that view, degrees.
MAX_YAW_DEG = 45.0
MAX_ROLL_DEG = 45.0
_FOCAL_GRID = np.geomspace(0.35, 5.0, 15)
_MARKS_NEXT = "mark the points again in a full-size frame of the film"

Relabel = Literal["rectangle", "signs", "turns", "fixed"]


@attrs.frozen(eq=False)
class PlaneMarks:
    """Points of one plane, as they lie in the picture and in the world.

    Attributes
    ----------
    points_px : (n, 2) pixels of the upright picture, n >= 4.
    points_m : (n, 3) world places, m: along the travel, up, to the runner's right.
    relabel : what the picture may decide of the places. "rectangle": four corners one after the other round the belt,
        starting anywhere, either way round. "signs": which way along and across is plus. "turns": a quarter, half or
        three-quarter turn about the vertical. "fixed": nothing.
    point_sigma_px : 1-SD error of each point.
    length_relative_sigma : 1-SD relative error of the lengths in m, the same for all.
    align_sigma_deg : 1-SD error of the plane's direction against the travel (a board laid down by hand), degrees.
    slope_percent : rise of belt or ground along the travel against the level.
    slope_sigma_deg : its 1-SD error; wider where nobody said what it is.
    source : words for the report, such as "four corners of the belt".
    """

    points_px: Floats
    points_m: Floats
    relabel: Relabel = "fixed"
    point_sigma_px: float = CLICK_SIGMA_PX
    length_relative_sigma: float = LENGTH_RELATIVE_SIGMA
    align_sigma_deg: float = 0.5
    slope_percent: float = 0.0
    slope_sigma_deg: float = SLOPE_SIGMA_DEG[1]
    source: str = "marked points of the ground"

    def __attrs_post_init__(self) -> None:
        n = len(self.points_px)
        if self.points_px.shape != (n, 2) or self.points_m.shape != (n, 3):
            got = f"{self.points_px.shape}, {self.points_m.shape}"
            raise ValueError(f"PlaneMarks: expected (n, 2) px and (n, 3) m, got {got}")
        if not (np.isfinite(self.points_px).all() and np.isfinite(self.points_m).all()):
            raise ValueError("PlaneMarks: all points must be finite")
        if not self.point_sigma_px > 0:
            raise ValueError("PlaneMarks.point_sigma_px must be above 0")


def belt_corners(
    corners_px: ArrayLike,
    length_m: float,
    width_m: float,
    *,
    point_sigma_px: float = CLICK_SIGMA_PX,
    slope_percent: float | None = None,
) -> PlaneMarks:
    """Marks from the four corners of a belt, mat or other rectangle on the ground.

    Parameters
    ----------
    corners_px : (4, 2) px, one after the other round the rectangle, starting at any corner, either way round.
    length_m, width_m : along and across the travel, m. The world's origin is the middle of the rectangle.
    """
    corners = np.asarray(corners_px, dtype=np.float64)
    if corners.shape != (4, 2):
        raise OptionError(
            f"{len(corners) if corners.ndim else 0} corners are given",
            where="ground marks",
            allowed="four corners, each as x and y in px",
            next_step=_MARKS_NEXT,
        )
    for name, value in (("length", length_m), ("width", width_m)):
        if not 0.05 <= value <= 100.0:
            raise OptionError(
                f"a {name} of {value:g} m can't be used",
                where="ground marks",
                allowed="0.05 to 100 m",
                next_step="measure the rectangle whose corners are marked, in metres",
            )
    return PlaneMarks(
        corners,
        _rectangle(length_m, width_m),
        "rectangle",
        point_sigma_px,
        slope_percent=slope_percent or 0.0,
        slope_sigma_deg=SLOPE_SIGMA_DEG[0 if slope_percent is not None else 1],
        source=f"the four corners of {length_m:g} m × {width_m:g} m of belt or ground",
    )


def ground_points(
    points_px: ArrayLike,
    along_across_m: ArrayLike,
    *,
    point_sigma_px: float = CLICK_SIGMA_PX,
    slope_percent: float | None = None,
) -> PlaneMarks:
    """Marks from (n, 2) px and their (n, 2) places along and across the travel, m, n >= 4.

    Which way along and across is plus need not be known: the picture and the runner tell. Across, 0 is the line the runner
    runs on.
    """
    px, places = np.asarray(points_px, dtype=np.float64), np.asarray(along_across_m, dtype=np.float64)
    if px.shape != places.shape or px.ndim != 2 or px.shape[1] != 2 or len(px) < 4:
        raise OptionError(
            f"{len(px) if px.ndim else 0} points of the ground are marked",
            where="ground marks",
            allowed="at least four points, each with x and y in px and its places along and across the travel in m",
            next_step="mark the corners of the belt, or four marks on the ground with known distances",
        )
    points = np.stack([places[:, 0], np.zeros(len(px)), places[:, 1]], axis=1)
    return PlaneMarks(
        px,
        points,
        "signs",
        point_sigma_px,
        slope_percent=slope_percent or 0.0,
        slope_sigma_deg=SLOPE_SIGMA_DEG[0 if slope_percent is not None else 1],
        source=f"{len(px)} marked points of the ground",
    )


def _rectangle(length: float, width: float) -> Floats:
    """Corners seen from above, anticlockwise from behind on the left."""
    a, b = length / 2.0, width / 2.0
    return np.array([[-a, 0.0, -b], [-a, 0.0, b], [a, 0.0, b], [a, 0.0, -b]])


@attrs.frozen(eq=False)
class SolvedCamera:
    """A camera found from marks, with its error.

    Attributes
    ----------
    camera : the most likely camera.
    view, direction : of the film ("+x" or "-x" in side view, None otherwise).
    residual_px : root mean square distance of the marks from where the camera shows them.
    yaw_deg : turn of the optical axis away from the view: side view + when it looks forward along the travel (the camera
        stands behind), rear and front view + when it looks to the runner's right.
    roll_deg, tilt_deg : see ``Camera``; all three against belt or ground.
    *_sigma_deg, focal_relative_sigma : 1 SD.
    focal_source : "given", "told by the marks" or "assumed".
    slope_deg, slope_sigma_deg : rise of the ground along the travel, and 1 SD.
    marks : what it was found from.
    notes : plain sentences for the report.
    """

    camera: Camera
    view: View
    direction: str | None
    residual_px: float
    roll_deg: float
    roll_sigma_deg: float
    tilt_deg: float
    tilt_sigma_deg: float
    yaw_deg: float
    yaw_sigma_deg: float
    focal_relative_sigma: float
    focal_source: Literal["given", "told by the marks", "assumed"]
    slope_deg: float
    slope_sigma_deg: float
    marks: PlaneMarks
    notes: tuple[str, ...]
    _others: tuple[tuple[Camera, Camera], ...]

    def spread(self, figure: Callable[[Camera], ArrayLike]) -> Floats:
        """Return the 1-SD error of any figure of the camera: marks, focal length, tape and alignment together.

        The figure is taken one standard deviation to either side along each independent error.
        """
        pairs = [(np.asarray(figure(a), dtype=np.float64), np.asarray(figure(b), dtype=np.float64)) for a, b in self._others]
        return np.asarray(np.sqrt(np.sum(np.square([0.5 * (a - b) for a, b in pairs]), axis=0)))


def yaw_of(camera: Camera, view: View, direction: str | None) -> float:
    """Turn of the optical axis away from the view, degrees; see ``SolvedCamera``."""
    ahead = _straight(view, direction)
    side = np.array([1.0, 0.0, 0.0]) if view == "side" else np.array([0.0, 0.0, 1.0])
    return float(np.degrees(np.arctan2(camera.forward @ side, camera.forward @ ahead)))


def _straight(view: View, direction: str | None) -> Floats:
    """Direction in which a camera square to the view looks."""
    if view == "side":
        return np.array([0.0, 0.0, -1.0 if direction == "+x" else 1.0])
    return np.array([1.0 if view == "rear" else -1.0, 0.0, 0.0])


def solve_camera(
    marks: PlaneMarks,
    size_px: tuple[int, int],
    view: View,
    *,
    direction: str | None = None,
    lens: Lens | None = None,
    roll: tuple[float, float] | None = None,
    tilt: tuple[float, float] | None = None,
    where: str = "ground marks",
) -> SolvedCamera:
    """Find the camera.

    Parameters
    ----------
    marks : from ``belt_corners``, ``ground_points`` or ``board.board_marks``.
    size_px : (width, height) of the upright picture.
    direction : side view: "+x" when the runner runs towards the right of the picture, else "-x".
    lens : focal length and distortion where known.
    roll, tilt : (degrees, 1 SD) of the camera's roll and tilt where something else tells them too; see ``Camera``.
    where : names the marks in errors.

    Raises
    ------
    OptionError
        Marks on one line, in twisted order, outside of what such a plane can look like, or of another view.
    """
    if view == "side" and direction not in ("+x", "-x"):
        raise ValueError("a side view needs its direction: '+x' or '-x'")
    lens = (lens or Lens()).for_size(size_px)
    _check_marks(marks, size_px, where)
    tries = [
        (guess, places) for places in _labellings(marks) for guess in _first_poses(marks.points_px, places, size_px, lens)
    ]
    if not tries:
        raise OptionError(
            "no camera above the ground can have seen the marks so",
            where=where,
            allowed="points of one level plane, in order, all in front of the camera",
            next_step=_MARKS_NEXT,
        )
    facing = [float(c.forward @ _straight(view, direction)) / float(np.hypot(c.forward[0], c.forward[2])) for c, _ in tries]
    best_facing = max(facing)
    if best_facing < np.cos(np.radians(MAX_YAW_DEG + 10.0)):
        raise OptionError(
            f"the marks say that the camera is {np.degrees(np.arccos(best_facing)):.0f} degrees off a {view} view",
            where=where,
            allowed=f"marks along and across the travel, seen from at most {MAX_YAW_DEG:g} degrees off",
            next_step="check which lengths run along the travel and which across",
        )
    # Of labellings that differ by a quarter turn or more only one faces the view.
    near = [t for t, f in zip(tries, facing, strict=True) if f > np.cos(np.radians(MAX_YAW_DEG + 10.0))]
    refined = [_refine(marks, places, camera, lens, roll, tilt, max(size_px)) for camera, places in near]
    fits = [f for f in refined if f is not None]
    fit = min(fits, key=lambda f: f.cost, default=None)
    if fit is None or fit.cost > fit.limit:
        residual = "" if fit is None else f" (they miss by {fit.residual_px:.1f} px)"
        raise OptionError(
            f"the marks do not fit together{residual}",
            where=where,
            allowed=f"points placed to about {marks.point_sigma_px:g} px, with lengths right to a per cent",
            next_step="check lengths, places and the order of the points; " + _MARKS_NEXT,
        )
    return _solved(fit, marks, view, direction, where)


@attrs.frozen(eq=False)
class _Fit:
    camera: Camera
    others: tuple[tuple[Camera, Camera], ...]
    cost: float
    limit: float
    residual_px: float
    focal_log_sigma: float
    free: bool


def _solved(fit: _Fit, marks: PlaneMarks, view: View, direction: str | None, where: str) -> SolvedCamera:
    camera = fit.camera
    shell = SolvedCamera(
        camera, view, direction, fit.residual_px, camera.roll_deg, 0.0, camera.tilt_deg, 0.0,
        yaw_of(camera, view, direction), 0.0, fit.focal_log_sigma, "given",
        float(np.degrees(np.arctan(marks.slope_percent / 100.0))), marks.slope_sigma_deg, marks, (), fit.others,
    )  # fmt: skip
    if abs(shell.yaw_deg) > MAX_YAW_DEG or abs(camera.roll_deg) > MAX_ROLL_DEG:
        raise OptionError(
            f"the marks say that the camera is turned by {shell.yaw_deg:.0f} and rolled by {camera.roll_deg:.0f} degrees",
            where=where,
            allowed=f"a turn of at most {MAX_YAW_DEG:g} degrees from the view",
            next_step="check which lengths run along the travel and which across",
        )
    angles = shell.spread(lambda c: [c.roll_deg, c.tilt_deg, yaw_of(c, view, direction)])
    told = fit.focal_log_sigma < TELLS_FOCAL * FOCAL_LOG_SIGMA
    notes = []
    if fit.free and not told:
        notes.append(
            "the marks can't tell the camera's focal length from this angle; "
            "that of an ordinary phone is assumed, with a wide error"
        )
    if marks.relabel == "turns":
        notes.append("the board was taken to lie or stand square to the travel")
    return attrs.evolve(
        shell,
        roll_sigma_deg=float(angles[0]),
        tilt_sigma_deg=float(angles[1]),
        yaw_sigma_deg=float(angles[2]),
        focal_source="given" if not fit.free else "told by the marks" if told else "assumed",
        notes=tuple(notes),
    )


def _check_marks(marks: PlaneMarks, size_px: tuple[int, int], where: str) -> None:
    px, places = marks.points_px, marks.points_m
    width, height = size_px
    n = len(px)
    if n < 4:
        raise OptionError(
            f"only {n} points are marked", where=where, allowed="at least four points of one plane", next_step=_MARKS_NEXT
        )
    # A corner of the belt may lie a little outside the picture, where an extrapolated edge meets another.
    far = (px[:, 0] < -width) | (px[:, 0] > 2 * width) | (px[:, 1] < -height) | (px[:, 1] > 2 * height)
    if far.any():
        x, y = px[np.argmax(far)]
        raise OptionError(
            f"the point {x:g},{y:g} lies far outside the picture",
            where=where,
            allowed=f"about x 0 to {width}, y 0 to {height}, in pixels of the upright picture",
            next_step=_MARKS_NEXT,
        )
    if marks.relabel == "rectangle" and _twisted(px):
        raise OptionError(
            "the four corners are not in order: the lines from one to the next cross",
            where=where,
            allowed="the corners one after the other round the belt, starting anywhere",
            next_step="swap two neighbouring corners",
        )
    wide = np.argsort(np.ptp(places, axis=0))[1:]  # the two coordinates that span the plane
    flat = places[:, wide]
    for what, points, least in (("in the picture", px, 1.5 * marks.point_sigma_px), ("by their places in m", flat, 1e-3)):
        if not _spans(points, least):
            raise OptionError(
                f"three of the points lie (nearly) on one line {what}",
                where=where,
                allowed="four points of which no three lie on one line, seen from well above the ground",
                next_step="mark points farther apart across the view, or film from a little higher",
            )


def _twisted(px: Floats) -> bool:
    def cross(a: Floats, b: Floats) -> float:
        return float(a[0] * b[1] - a[1] * b[0])

    turns = [cross(px[(i + 1) % 4] - px[i], px[(i + 2) % 4] - px[(i + 1) % 4]) for i in range(4)]
    # A flat quadrilateral seen from one side is convex: all turns go one way.
    return min(turns) < 0 < max(turns)


def _spans(points: Floats, least: float) -> bool:
    """Whether some four points exist of which no three lie within ``least`` of one line."""
    quads = combinations(range(len(points)), 4)
    for tried, quad in enumerate(quads):
        if tried > 2000:
            return True  # many points: the corners of a board, never on one line
        if all(_height(points[list(three)]) >= least for three in combinations(quad, 3)):
            return True
    return False


def _height(three: Floats) -> float:
    a, b, c = three
    longest = max(np.linalg.norm(a - b), np.linalg.norm(b - c), np.linalg.norm(c - a))
    area2 = abs((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
    return float(area2 / longest) if longest > 0 else 0.0


def _labellings(marks: PlaneMarks) -> list[Floats]:
    places = marks.points_m
    if marks.relabel == "rectangle":
        orders = [[(start + step * i) % 4 for i in range(4)] for start in range(4) for step in (1, -1)]
        return [places[order] for order in orders]
    if marks.relabel == "signs":
        return [places * (a, 1.0, b) for a in (1.0, -1.0) for b in (1.0, -1.0)]
    if marks.relabel == "turns":
        return [places @ Rotation.from_euler("y", 90 * i, degrees=True).as_matrix().T for i in range(4)]
    return [places]


def _first_poses(px: Floats, places: Floats, size_px: tuple[int, int], lens: Lens) -> list[Camera]:
    """Return cameras to start from: upright, above the ground, all points in front of them; the best-fitting first."""
    # The pose of a planar target is found with its plane as z = 0.
    middle = places.mean(axis=0)
    along = np.linalg.svd(places - middle)[2]
    if np.linalg.det(along) < 0:
        along[2] *= -1
    flat = (places - middle) @ along.T
    flat[:, 2] = 0.0
    found: list[tuple[float, Camera]] = []
    focals = _FOCAL_GRID * max(size_px) if lens.focal_px is None else [lens.focal_px]
    for focal in focals:
        empty = Camera(size_px, float(focal), np.eye(3), np.zeros(3), lens.centre_px, (lens.k1, lens.k2, lens.k3))
        ideal = empty.undistort(px)
        if not np.isfinite(ideal).all():
            continue
        for turn, move in _planar_poses(flat, ideal):
            turn = turn @ along
            move = move - turn @ middle
            camera = attrs.evolve(empty, rotation=turn, translation=move)
            if camera.position_m[1] <= 0 or camera.rotation[1, 1] >= 0 or (camera.depth(places) <= 0).any():
                continue
            miss = float(np.mean(np.square(camera.project(places) - px)))
            found.append((miss, camera))
    found.sort(key=lambda f: f[0])
    return [camera for _, camera in found[:2]]


def _planar_poses(flat: Floats, ideal: Floats) -> list[tuple[Floats, Floats]]:
    """Return the (at most two) poses of a plane z = 0 seen at ideal picture coordinates: (3, 3) turns and (3,) moves."""
    shake = 1e-4 * np.resize([1.0, -1.0, -1.0, 1.0, 1.0, 1.0, -1.0, -1.0], ideal.shape)
    for exact in (True, False):
        # Seen exactly square on, the closed form divides nothing by nothing: a tenth of a pixel off is start enough.
        seen = ideal if exact else ideal + shake
        try:
            count, turns, moves, _ = cv2.solvePnPGeneric(
                flat.reshape(-1, 1, 3), seen.reshape(-1, 1, 2), np.eye(3), np.zeros(4), flags=cv2.SOLVEPNP_IPPE
            )
        except cv2.error:
            return []
        poses = [
            (np.asarray(cv2.Rodrigues(turns[i])[0], dtype=np.float64), np.asarray(moves[i], dtype=np.float64).ravel())
            for i in range(count)
        ]
        good = [p for p in poses if np.isfinite(p[0]).all() and np.isfinite(p[1]).all()]
        if good:
            return good
    return []


def _refine(
    marks: PlaneMarks,
    places: Floats,
    start: Camera,
    lens: Lens,
    roll: tuple[float, float] | None,
    tilt: tuple[float, float] | None,
    longer_px: int,
) -> _Fit | None:
    free = lens.focal_px is None
    expected = float(np.log(lens.focal_px if lens.focal_px is not None else FOCAL_OF_SIDE * longer_px))
    sigma = FOCAL_LOG_SIGMA if free else lens.focal_relative_sigma
    middle = places.mean(axis=0)
    # Turn about the middle of the marks, not about the camera: so turn and move are nearly independent.
    at = start.rotation @ middle + start.translation
    reach = float(np.linalg.norm(at))

    def camera(p: Floats) -> Camera:
        turn = Rotation.from_rotvec(p[1:4]).as_matrix() @ start.rotation
        # Focal length and distance change together: the size of the marks in the picture stays.
        place = at * np.exp(p[0]) + p[4:7] * reach
        focal = start.focal_px * float(np.exp(p[0]))
        return attrs.evolve(start, focal_px=focal, rotation=turn, translation=place - turn @ middle)

    def misses(p: Floats) -> Floats:
        now = camera(p)
        shown = np.nan_to_num(now.project(places), nan=1e6)
        others = [(np.log(now.focal_px) - expected) / sigma]
        if roll is not None:
            others.append((now.roll_deg - roll[0]) / roll[1])
        if tilt is not None:
            others.append((now.tilt_deg - tilt[0]) / tilt[1])
        return np.concatenate([((shown - marks.points_px) / marks.point_sigma_px).ravel(), others])

    try:
        found = least_squares(misses, np.zeros(7), method="trf", x_scale=0.05, max_nfev=200)
    except (ValueError, np.linalg.LinAlgError):
        return None
    best = camera(found.x)
    if best.position_m[1] <= 0 or best.rotation[1, 1] >= 0 or (best.depth(places) <= 0).any():
        return None
    cost = float(2.0 * found.cost)
    count = len(found.fun) - 7
    information = found.jac.T @ found.jac
    try:
        covariance = np.linalg.inv(information)
        factor = np.linalg.cholesky(covariance)
    except np.linalg.LinAlgError:
        return None
    others = [(camera(found.x + factor[:, i]), camera(found.x - factor[:, i])) for i in range(7)]
    tape = marks.length_relative_sigma
    others.append(tuple(attrs.evolve(best, translation=best.translation * (1 + s * tape)) for s in (1, -1)))  # type: ignore[arg-type]
    if marks.align_sigma_deg > 0:
        turns = [Rotation.from_euler("y", s * marks.align_sigma_deg, degrees=True).as_matrix() for s in (1, -1)]
        others.append(tuple(attrs.evolve(best, rotation=best.rotation @ t) for t in turns))  # type: ignore[arg-type]
    residual = float(np.sqrt(np.mean(np.sum(np.square(best.project(places) - marks.points_px), axis=1))))
    limit = float(chi2.isf(WORST_FIT, max(count, 1)))
    return _Fit(best, tuple(others), cost, limit, residual, float(np.sqrt(covariance[0, 0])), free)
