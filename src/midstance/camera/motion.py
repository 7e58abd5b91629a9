"""A camera that turns while it films, and landmark paths as a still camera would have shown them.

A hand-held or panning camera turns about a point near its lens. Then the picture of the still surroundings changes by a
homography that depends on the turn and the focal length alone, whatever the distances; a shift, a turn and a scale of the
flat picture would do for small shakes but not for a pan. Camera axes: x to the right, y down, z into the scene; a turn R
takes directions of the reference picture's camera to directions of the camera at another time, d_k = R_k d_ref.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

import attrs
import numpy as np
from scipy.spatial.transform import Rotation

from midstance.camera.turns import from_flat, to_flat
from midstance.film.verdicts import make_check
from midstance.gait.model import Floats, LandmarkPaths, QualityCheck, State
from midstance.signals.timebase import resample

#: What a camera did. "still": it moves less than it matters; "turning": hand-held or panning; "travelling": it also moved
#: through the scene, so that near and far surroundings move apart; "unknown": the surroundings could not be followed.
MotionKind = Literal["still", "turning", "travelling", "unknown"]
#: Side of the square that stands for the runner when the effect of a turn is told in pixels, share of the picture's height.
ROLL_ARM = 0.5


@attrs.frozen(eq=False)
class CameraMotion:
    """How the camera turned through a film, from its still surroundings.

    Attributes
    ----------
    kind : see ``MotionKind``. ``reason`` says in words why it is unknown or travelling, else "".
    time_s : (n,) real times of the pictures looked at, s.
    turn_rad : (n, 3) rotation vectors from the reference camera to the camera at that time, rad; NaN where unknown.
    log_zoom : (n,) natural logarithm of the picture's enlargement against the reference picture.
    sigma_px : (n,) 1-SD error of where the picture's middle lies in the reference picture, px.
    sigma_roll_deg : (n,) 1-SD error of the roll against the reference picture, degrees.
    size_px : (width, height) of the upright picture.
    focal_px, focal_relative_sigma, focal_source : focal length at the reference time, px, its 1-SD relative error, and
        whether it was given, found from the pan, or assumed.
    reference_s : real time of the reference picture, s.
    residual_px : median distance of followed points from where the turn puts them, px.
    moved_share : middle of the picture: largest distance within 0.25 s (95th percentile), share of the picture's height.
    travel_share : how far near and far surroundings move apart, as a share of how far they move.
    readout_s, readout_sigma_s : time to read out a picture found from how the surroundings shear with the camera's own
        motion, s, and its 1-SD error; None when the camera moved too little to tell. + from top to bottom of the upright
        picture, or from left to right where ``readout_axis`` is 0.
    uprights : (m, 3) real time, lean of upright edges in the middle of the picture (degrees, clockwise +) and its spread.
    """

    kind: MotionKind
    reason: str
    time_s: Floats
    turn_rad: Floats
    log_zoom: Floats
    sigma_px: Floats
    sigma_roll_deg: Floats
    size_px: tuple[int, int]
    focal_px: float
    focal_relative_sigma: float
    focal_source: str
    reference_s: float
    residual_px: float
    moved_share: float
    travel_share: float
    readout_s: float | None = None
    readout_sigma_s: float | None = None
    readout_axis: int = 1
    uprights: Floats = attrs.field(factory=lambda: np.empty((0, 3)))

    def __attrs_post_init__(self) -> None:
        n = len(self.time_s)
        shapes = {"turn_rad": (n, 3), "log_zoom": (n,), "sigma_px": (n,), "sigma_roll_deg": (n,)}
        for name, shape in shapes.items():
            if getattr(self, name).shape != shape:
                raise ValueError(f"CameraMotion.{name}: expected shape {shape}, got {getattr(self, name).shape}")
        if not self.focal_px > 0:
            raise ValueError(f"CameraMotion.focal_px must be above 0, got {self.focal_px}")

    @property
    def centre_px(self) -> Floats:
        """Middle of the picture, (2,) px."""
        return np.array(self.size_px, dtype=np.float64) / 2.0

    @property
    def moves(self) -> bool:
        """True when the motion is known and large enough to be taken out."""
        return self.kind in ("turning", "travelling")

    def as_dict(self) -> dict[str, Any]:
        """Return it in plain numbers, texts and lists, for keeping; null where unknown."""
        out: dict[str, Any] = {}
        for field in attrs.fields(CameraMotion):
            value = getattr(self, field.name)
            if isinstance(value, np.ndarray):
                whole = value.astype(object)
                whole[~np.isfinite(value)] = None
                value = whole.tolist()
            elif isinstance(value, float) and not np.isfinite(value):
                value = None
            out[field.name] = list(value) if isinstance(value, tuple) else value
        return out

    @staticmethod
    def from_dict(kept: Mapping[str, Any]) -> CameraMotion:
        """Return what ``as_dict`` was made from."""
        shapes = {"time_s": (-1,), "turn_rad": (-1, 3), "log_zoom": (-1,), "sigma_px": (-1,), "sigma_roll_deg": (-1,)}
        values = dict(kept)
        for name in ("residual_px", "moved_share", "travel_share"):
            values[name] = float("nan") if kept[name] is None else float(kept[name])
        for name, shape in {**shapes, "uprights": (-1, 3)}.items():
            values[name] = np.array(kept[name], dtype=np.float64).reshape(shape)
        return CameraMotion(**{**values, "size_px": (int(kept["size_px"][0]), int(kept["size_px"][1]))})

    def at(self, time_s: Floats) -> tuple[Floats, Floats]:
        """Return the (m, 3) rotation vectors and (m,) log zooms at other real times; NaN where unknown.

        Times up to half a sample before the first and after the last picture looked at take the nearest one's.
        """
        t = np.asarray(time_s, dtype=np.float64)
        if len(self.time_s) == 0:
            return np.full((len(t), 3), np.nan), np.full(len(t), np.nan)
        gap = float(np.max(np.diff(self.time_s), initial=0.0))
        inside = (t >= self.time_s[0] - gap) & (t <= self.time_s[-1] + gap)
        held = np.clip(t, self.time_s[0], self.time_s[-1])
        both = resample(self.time_s, np.column_stack([self.turn_rad, self.log_zoom]), held)
        both[~inside] = np.nan
        return both[:, :3], both[:, 3]

    def to_reference(self, xy: Floats, time_s: Floats) -> Floats:
        """Return where pixels of pictures at these times lie in the reference picture.

        Parameters
        ----------
        xy : (m, ..., 2) px, first axis as ``time_s``, which may also have the shape of ``xy`` without its last axis, for
            pixels that were exposed at different times.
        """
        t = np.asarray(time_s, dtype=np.float64)
        turn, zoom = self.at(t.ravel())
        back = Rotation.from_rotvec(np.nan_to_num(turn)).inv().as_matrix()
        back[~np.isfinite(turn).all(axis=1)] = np.nan
        extra = xy.ndim - 1 - t.ndim
        back = back.reshape(*t.shape, *(1,) * extra, 3, 3)
        focal = (self.focal_px * np.exp(zoom)).reshape(*t.shape, *(1,) * extra, 1)
        rays = np.concatenate([(xy - self.centre_px) / focal, np.ones((*xy.shape[:-1], 1))], axis=-1)
        return np.asarray(self.centre_px + self.focal_px * to_flat((back @ rays[..., None])[..., 0]))

    def roll_deg(self, time_s: Floats) -> Floats:
        """Return the (m,) roll of the camera against the reference picture, degrees, clockwise + (as held)."""
        turn, _ = self.at(time_s)
        matrix = Rotation.from_rotvec(np.nan_to_num(turn)).as_matrix()
        # The reference picture's downward direction as the turned camera sees it.
        roll = -np.degrees(np.arctan2(matrix[:, 0, 1], matrix[:, 1, 1]))
        return np.where(np.isfinite(turn).all(axis=1), -roll, np.nan)


def steadied(landmarks: LandmarkPaths, motion: CameraMotion, *, offsets_s: Floats | None = None) -> LandmarkPaths:
    """Return the landmark paths in the pixels of one still camera, that of the motion's reference picture.

    Parameters
    ----------
    landmarks : image px.
    motion : of the same film.
    offsets_s : (n, 33) how much later than its frame's time each landmark was exposed, s (``shutter.row_offsets_s``); the
        camera's turn is then taken at that time.

    Returns
    -------
    LandmarkPaths
        Paths may leave the picture's bounds. ``sigma_px`` is enlarged as the picture is, and holds the error of the
        motion. Where the motion is unknown the landmarks are missing. A camera that stands still, or whose motion is not
        known at all, leaves the paths as they are.

    Notes
    -----
    Only turns and zoom are taken out. A camera that shifts by d while the surroundings are at distance B and the runner
    at D moves the steadied runner by d (1 - D / B): the sway of a standing person is about 1 cm.
    """
    if not motion.moves:
        return landmarks
    k = landmarks.score.shape[1]
    t = np.repeat(landmarks.time_s[:, None], k, axis=1)
    if offsets_s is not None:
        t = t + np.nan_to_num(offsets_s)
    # Rows of one frame differ by milliseconds: held inside the film so that its ends are not lost.
    t = np.clip(t, landmarks.time_s[0], landmarks.time_s[-1])
    xy = motion.to_reference(landmarks.xy, t)
    step = 1.0  # px: the enlargement here, by finite difference
    wide = np.linalg.norm(motion.to_reference(landmarks.xy + np.array([step, 0.0]), t) - xy, axis=-1)
    high = np.linalg.norm(motion.to_reference(landmarks.xy + np.array([0.0, step]), t) - xy, axis=-1)
    larger = np.sqrt(wide * high) / step
    known = np.isfinite(motion.sigma_px)
    own = np.interp(landmarks.time_s, motion.time_s[known], motion.sigma_px[known])[:, None]
    state = landmarks.state.copy()
    lost = ~np.isfinite(xy).all(axis=-1)
    state[lost] = int(State.MISSING)
    xy[lost] = np.nan
    sigma = np.hypot(landmarks.sigma_px * np.where(np.isfinite(larger), larger, 1.0), own)
    return attrs.evolve(landmarks, xy=xy, sigma_px=sigma, state=state)


def levelled(landmarks: LandmarkPaths, motion: CameraMotion) -> LandmarkPaths:
    """Return the landmark paths with the camera's roll against the reference picture taken out, and nothing else.

    For a camera that travels with the runner: its place over the ground is not known, but which way it was rolled is.
    """
    if not motion.moves:
        return landmarks
    roll = np.radians(motion.roll_deg(landmarks.time_s))[:, None]
    c, s = np.cos(roll), np.sin(roll)
    rel = landmarks.xy - motion.centre_px
    xy = np.stack([c * rel[..., 0] - s * rel[..., 1], s * rel[..., 0] + c * rel[..., 1]], axis=-1) + motion.centre_px
    state = landmarks.state.copy()
    state[~np.isfinite(xy).all(axis=-1)] = int(State.MISSING)
    known = np.isfinite(motion.sigma_roll_deg)
    left = np.interp(landmarks.time_s, motion.time_s[known], np.radians(motion.sigma_roll_deg[known]))[:, None]
    sigma = np.hypot(landmarks.sigma_px, left * np.nan_to_num(np.linalg.norm(rel, axis=-1)))
    return attrs.evolve(landmarks, xy=xy, sigma_px=sigma, state=state)


def turned(landmarks: LandmarkPaths, focal_px: float, centre_px: Floats, turn_rad: Floats) -> LandmarkPaths:
    """Return the paths as a camera turned by ``turn_rad`` (3,) (rotation vector, this camera to the new one) shows them."""
    matrix = Rotation.from_rotvec(turn_rad).as_matrix()
    rays = from_flat((landmarks.xy - centre_px) / focal_px) @ matrix.T
    xy = centre_px + focal_px * to_flat(rays)
    state = landmarks.state.copy()
    state[~np.isfinite(xy).all(axis=-1)] = int(State.MISSING)
    return attrs.evolve(landmarks, xy=xy, state=state)


def motion_check(motion: CameraMotion, body_px: float, *, overground: bool = False) -> QualityCheck | None:
    """Judge a film by its camera's motion; None leaves the verdict to the check on raw shifts.

    Parameters
    ----------
    body_px : height of the runner from nose to heel, px.
    overground : lengths along and above the ground then need a camera that stands, or whose motion is known.

    Notes
    -----
    The limits are engineering choices. A motion that was followed is taken out of the paths: it widens intervals by what
    is left of it, and takes nothing away, but for a camera that travels along. Where the surroundings could not be followed
    nothing tells a camera at rest from one that moves: None for a treadmill, whose camera mostly stands on something.
    """
    limit = "good up to 0.5 % of body height within 0.25 s; what is more is taken out where the surroundings can be followed"
    if motion.kind == "unknown" or not body_px > 0:
        if not overground:
            return None
        return make_check("camera_motion", None, "% of body height", limit, "unknown", ADVICE, TRAVELLING_MEASURES)
    share = 100.0 * motion.moved_share * motion.size_px[1] / body_px
    still = motion.kind == "still"
    known = motion.sigma_px[np.isfinite(motion.sigma_px)]
    left = 100.0 * float(np.median(known)) / body_px if len(known) else 0.0
    return make_check(
        "camera_motion",
        round(share, 2),
        "% of body height",
        limit,
        "good" if still and share <= 0.5 else "usable",
        "" if still else ADVICE,
        TRAVELLING_MEASURES if motion.kind == "travelling" else (),
        1.0 if still else float(np.clip(1.0 + left / 2.0, 1.02, 1.5)),
    )


ADVICE = "Put the camera on a tripod or a firm support; if you follow the runner, stand still and turn with them."
#: A camera that travels with the runner has a height of its own, which its surroundings don't tell.
TRAVELLING_MEASURES = ("vertical_oscillation", "step_width")
