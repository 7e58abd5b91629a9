"""Where up is, without marks: from what the camera recorded of its own motion, and from upright edges in the picture.

Motion records: the open "camera motion metadata" track (CAMM) that some phones and cameras write into MP4 files
(developers.google.com/streetview/publish/camm-spec): little-endian packets of a reserved and a type number and, for type 3,
three floats of acceleration in m/s². A camera at rest feels 9.81 m/s² upwards. The axes are those of the device's sensor,
by the convention of Android: x to the right and y up as one looks at the screen, so also as the main camera sees the scene.
They may be a quarter turn off the picture, which is taken out since a camera is held upright or across, never in between;
that they are aligned otherwise is up to the maker, hence the wide error. Read from files made for the tests only: no film of
a phone was to hand.

Edges: upright lines of a scene meet in one vanishing point; where it lies tells roll, and with the focal length tilt.
"""

from __future__ import annotations

import struct
from pathlib import Path

import attrs
import av
import cv2
import numpy as np

from midstance.film.frames import FilmInfo, Picture
from midstance.film.picture_checks import Box
from midstance.film.reader import open_film
from midstance.gait.model import Floats

GRAVITY_MPS2 = 9.81
#: Accelerations whose mean strays from gravity by more than this are of a moving camera or in other units, m/s².
GRAVITY_ALLOWED_MPS2 = 0.6
#: 1-SD error of a roll from an accelerometer: how it is mounted; engineering choice, degrees.
MOTION_SIGMA_DEG = 1.0
#: A camera held nearer to the diagonal than this is neither upright nor across, degrees.
MOST_ROLL_DEG = 30.0
MIN_SAMPLES = 20
#: Kinds of packets and the bytes of their content: orientation, exposure, turning, acceleration, place (three ways),
#: magnetic field.
PACKET_BYTES = {0: 12, 1: 8, 2: 12, 3: 12, 4: 24, 5: 24, 6: 56, 7: 12}
ACCELERATION = 3
MAX_PACKETS = 200_000
#: Edges: lean of the lines that count as upright, degrees; fewest lines, the share of them (by length) that must agree, and
#: how well (median), or the uprights are those of trees. Chosen on 28 rendered films with known cameras.
MOST_LEAN_DEG = 20.0
MOST_TILT_DEG = 25.0
MIN_EDGES = 9
AGREEING_SHARE = 0.85
MOST_MISS_DEG = 0.5
#: Least 1-SD errors of roll and tilt, degrees: those left on the same films (0.25 and 0.9 root mean square, most outdoors).
EDGE_SIGMA_DEG = 0.3
EDGE_TILT_SIGMA_DEG = 1.0


@attrs.frozen
class Upright:
    """Roll and tilt of a camera, degrees, with 1-SD errors; tilt is None where it was not told.

    ``roll_deg`` is + when the true horizontal rises to the right as seen, ``tilt_deg`` + when the camera looks up.
    """

    roll_deg: float
    roll_sigma_deg: float
    tilt_deg: float | None
    tilt_sigma_deg: float | None
    source: str


def upright_from_motion(path: Path, info: FilmInfo) -> Upright | None:
    """Return roll and tilt from the film's motion track; None without one, or where it says nothing sure."""
    acceleration = read_acceleration(path)
    if len(acceleration) < MIN_SAMPLES:
        return None
    mean = np.median(acceleration, axis=0)
    size = float(np.linalg.norm(mean))
    if abs(size - GRAVITY_MPS2) > GRAVITY_ALLOWED_MPS2:
        return None
    flat = float(np.hypot(mean[0], mean[1]))
    if flat < 0.5 * size:
        return None  # looks mostly down or up: the picture's roll is not told
    # Upwards in the picture, anticlockwise from the device's y axis; films are held at quarter turns of it.
    turn = float(np.degrees(np.arctan2(-mean[0], mean[1])))
    away = turn - 90.0 * round(turn / 90.0)
    if info.mirrored:
        away = -away
    if abs(away) > MOST_ROLL_DEG:
        return None
    # The main camera looks along -z. Up leans anticlockwise by ``away``, and so does the horizontal: it rises to the right.
    tilt = float(np.degrees(np.arctan2(-mean[2], flat)))
    spread = 1.4826 * np.median(np.abs(acceleration - mean), axis=0)
    sigma = float(np.hypot(MOTION_SIGMA_DEG, np.degrees(np.max(spread) / size) / np.sqrt(len(acceleration) / 10)))
    return Upright(away, sigma, tilt, sigma, "the camera's own motion record")


def read_acceleration(path: Path) -> Floats:
    """Return the (n, 3) accelerations of the film's CAMM track, m/s²; (0, 3) without one.

    The track is known by its packets: every one of a data track has the form of a CAMM packet.
    """
    packets: dict[int, list[bytes]] = {}
    try:
        container, _ = open_film(path)
        with container:
            streams = [s for s in container.streams if s.type == "data"]
            if not streams:
                return np.zeros((0, 3))
            for i, packet in enumerate(container.demux(streams)):
                if i >= MAX_PACKETS:
                    break
                if packet.size:
                    packets.setdefault(packet.stream.index, []).append(bytes(packet))
    except (av.error.FFmpegError, OSError, ValueError):
        return np.zeros((0, 3))  # a record that can't be read is no record: the pictures are checked elsewhere
    for data in packets.values():
        if all(_is_motion(one) for one in data):
            found = np.array([struct.unpack_from("<3f", one, 4) for one in data if one[2] == ACCELERATION]).reshape(-1, 3)
            return np.asarray(found[np.isfinite(found).all(axis=1)], dtype=np.float64)
    return np.zeros((0, 3))


def _is_motion(packet: bytes) -> bool:
    if len(packet) < 4:
        return False
    reserved, kind = struct.unpack_from("<HH", packet, 0)
    return reserved == 0 and PACKET_BYTES.get(kind) == len(packet) - 4


def upright_from_edges(
    luma: Picture, runner: Box | None, focal_px: float, *, centre_px: tuple[float, float] | None = None
) -> Upright | None:
    """Return roll and tilt from where the scene's upright edges meet; None with too few edges.

    Parameters
    ----------
    luma : (height, width) uint8.
    runner : box to leave out, px.
    focal_px : focal length; the tilt is as wrong as this is.
    """
    height, width = luma.shape
    found = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD).detect(luma)[0]
    if found is None:
        return None
    lines = np.asarray(found, np.float64).reshape(-1, 4) + 0.5
    centre = np.array(centre_px or (width / 2.0, height / 2.0))
    a, b = (lines[:, :2] - centre) / focal_px, (lines[:, 2:] - centre) / focal_px
    middle = 0.5 * (lines[:, :2] + lines[:, 2:])
    length = np.linalg.norm(lines[:, 2:] - lines[:, :2], axis=1)
    lean = np.degrees(np.arctan2(np.abs(lines[:, 2] - lines[:, 0]), np.abs(lines[:, 3] - lines[:, 1])))
    keep = (length >= 0.07 * min(height, width)) & (lean <= MOST_LEAN_DEG)
    if runner is not None:
        x0, y0, x1, y1 = runner
        keep &= ~((middle[:, 0] > x0) & (middle[:, 0] < x1) & (middle[:, 1] > y0) & (middle[:, 1] < y1))
    if int(keep.sum()) < MIN_EDGES or float(np.ptp(middle[keep, 0])) < 0.4 * width:
        return None
    a, b, length = a[keep], b[keep], length[keep]
    one = np.ones((len(a), 1))
    normals = np.cross(np.concatenate([a, one], axis=1), np.concatenate([b, one], axis=1))
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    up = np.array([0.0, -1.0, 0.0])
    trust = length.copy()
    miss = np.zeros(len(length))
    for _ in range(20):
        # The upright direction is square to the plane of every upright edge.
        _, vectors = np.linalg.eigh((normals * trust[:, None]).T @ normals)
        up = vectors[:, 0] * (-1.0 if vectors[1, 0] > 0 else 1.0)
        miss = np.degrees(np.arcsin(np.clip(np.abs(normals @ up), 0, 1)))
        scale = max(EDGE_SIGMA_DEG, 1.4826 * float(np.median(miss)))
        trust = length / (1.0 + (miss / (1.5 * scale)) ** 2) ** 2
    agreeing = miss < 3.0 * max(EDGE_SIGMA_DEG, float(np.median(miss)))
    agreed = float(length[agreeing].sum())
    if float(np.median(miss)) > MOST_MISS_DEG:
        return None
    if int(agreeing.sum()) < MIN_EDGES or agreed < AGREEING_SHARE * float(length.sum()) or agreed < 0.8 * height:
        return None
    # Errors from how well the edges agree, by the curvature of the same sum of squares.
    weight = normals * np.sqrt(np.where(agreeing, 1.0, 0.0))[:, None]
    right, ahead = np.cross(up, [0.0, 0.0, 1.0]), np.array([0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    ahead = np.cross(right, up)
    turn = np.stack([weight @ right, weight @ ahead], axis=1)
    spread = max(EDGE_SIGMA_DEG, float(np.sqrt(np.mean(miss[agreeing] ** 2))))
    information = turn.T @ turn + 1e-12 * np.eye(2)
    sigma = spread * np.sqrt(np.diag(np.linalg.inv(information)))
    roll = float(-np.degrees(np.arctan2(up[0], -up[1])))
    tilt = float(np.degrees(np.arcsin(np.clip(up[2], -1.0, 1.0))))
    if abs(roll) > MOST_LEAN_DEG or abs(tilt) > MOST_TILT_DEG:
        return None
    roll_sigma, tilt_sigma = (float(v) for v in np.hypot((EDGE_SIGMA_DEG, EDGE_TILT_SIGMA_DEG), sigma))
    if tilt_sigma > 10.0:
        return Upright(roll, roll_sigma, None, None, "upright edges in the picture")
    return Upright(roll, roll_sigma, tilt, tilt_sigma, "upright edges in the picture")
