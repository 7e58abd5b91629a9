"""The vertical from upright edges and from the camera's own motion record."""

import struct
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest
from board_scene import looking_at

from midstance.camera.vertical import read_acceleration, upright_from_edges, upright_from_motion
from midstance.film.reader import probe

SIZE = (1280, 720)


def posts(camera, lean_deg=0.0, count=14, seed=0):
    """A scene of dark posts; ``lean_deg`` makes each lean its own way (trees)."""
    rng = np.random.default_rng(seed)
    image = np.full((SIZE[1], SIZE[0]), 170.0)
    for x in np.linspace(-3.0, 3.0, count):
        z, lean = rng.uniform(-2, -1), np.tan(np.radians(rng.uniform(-lean_deg, lean_deg)))
        wide = 0.05
        ends = [[x, 0, z], [x + wide, 0, z], [x + wide + 2.4 * lean, 2.4, z], [x + 2.4 * lean, 2.4, z]]
        px = camera.project(np.array(ends))
        if np.isfinite(px).all():
            cv2.fillPoly(image, [np.round((px - 0.5) * 16).astype(np.int32)], 40.0, cv2.LINE_AA, 4)
    image = cv2.GaussianBlur(image, (0, 0), 0.8) + 2.0 * rng.standard_normal(image.shape)
    return np.clip(image, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("roll", [-5.0, 0.0, 3.0])
@pytest.mark.parametrize("height", [0.3, 1.2, 2.2])
def test_upright_posts_tell_roll_and_tilt(roll, height):
    camera = looking_at([0.3, 1.2, 0], np.array([0.0, height, 4.0]), 1000.0, SIZE, roll)
    found = upright_from_edges(posts(camera), None, 1000.0)
    assert found.roll_deg == pytest.approx(camera.roll_deg, abs=0.3)
    assert found.tilt_deg == pytest.approx(camera.tilt_deg, abs=1.0)
    assert 0.2 < found.roll_sigma_deg < 1.0
    assert 0.8 < found.tilt_sigma_deg < 3.0


def test_leaning_trees_plain_pictures_and_covered_ones_tell_nothing():
    camera = looking_at([0, 1.2, 0], np.array([0.0, 1.2, 4.0]), 1000.0, SIZE)
    assert upright_from_edges(posts(camera, 12.0), None, 1000.0) is None
    assert upright_from_edges(np.full((720, 1280), 90, np.uint8), None, 1000.0) is None
    assert upright_from_edges(posts(camera), (0, 0, 1280, 720), 1000.0) is None


def motion_film(path, packets, track=b"camm"):
    """A film with a track of raw packets under the name of the open camera motion track."""
    with av.open(str(path), "w", format="mp4") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 96, 64, "yuv420p"
        data = out.add_data_stream("bin_data")
        data.time_base = Fraction(1, 1000)
        for i in range(45):
            for packet in stream.encode(av.VideoFrame.from_ndarray(np.full((64, 96, 3), 90 + i, np.uint8), format="rgb24")):
                out.mux(packet)
            if i < len(packets):
                packet = av.Packet(packets[i])
                packet.stream, packet.pts, packet.dts, packet.time_base = data, i * 33, i * 33, Fraction(1, 1000)
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    # FFmpeg writes such a track under a name of its own.
    path.write_bytes(path.read_bytes().replace(b"gpmd", track))
    return path


def acceleration(*xyz):
    return struct.pack("<HH3f", 0, 3, *xyz)


def turning():
    return struct.pack("<HH3f", 0, 2, 0.01, 0.0, 0.0)


def at_rest(up_deg, tilt_deg=0.0, seed=0):
    """Packets of a device at rest whose y axis is ``up_deg`` clockwise of up (seen by the camera), the camera looking up."""
    rng = np.random.default_rng(seed)
    a, t = np.radians(up_deg), np.radians(tilt_deg)
    up = 9.81 * np.array([-np.sin(a) * np.cos(t), np.cos(a) * np.cos(t), -np.sin(t)])
    return [p for _ in range(22) for p in (turning(), acceleration(*(up + 0.05 * rng.standard_normal(3))))]


@pytest.mark.parametrize("quarter", [0, 90, -90, 180])
@pytest.mark.parametrize(("roll", "tilt"), [(0.0, 0.0), (4.0, -7.0), (-6.0, 10.0)])
def test_gravity_tells_roll_and_tilt_however_the_phone_was_held(tmp_path, quarter, roll, tilt):
    """The device's y axis leans clockwise: up leans the other way in its picture, so the horizontal rises to the right."""
    film = motion_film(tmp_path / "film.mp4", at_rest(quarter + roll, tilt))
    found = upright_from_motion(film, probe(film))
    assert found.roll_deg == pytest.approx(roll, abs=0.2)
    assert found.tilt_deg == pytest.approx(tilt, abs=0.2)
    assert found.roll_sigma_deg >= 1.0
    assert "motion" in found.source


def test_the_whole_record_is_read(tmp_path):
    film = motion_film(tmp_path / "film.mp4", [acceleration(0, 9.81, i) for i in range(40)])
    assert set(read_acceleration(film)[:, 2]) >= set(range(39))


def test_edges_that_lean_a_little_give_a_wider_error():
    camera = looking_at([0, 1.2, 0], np.array([0.0, 1.2, 4.0]), 1000.0, SIZE)
    straight = upright_from_edges(posts(camera), None, 1000.0)
    leaning = upright_from_edges(posts(camera, 0.8), None, 1000.0)
    assert leaning.roll_sigma_deg > straight.roll_sigma_deg
    assert leaning.tilt_sigma_deg > straight.tilt_sigma_deg
    assert abs(leaning.roll_deg) < 3 * leaning.roll_sigma_deg
    assert abs(leaning.tilt_deg) < 3 * leaning.tilt_sigma_deg


@pytest.mark.parametrize(
    "packets",
    [
        [],
        [turning()] * 40,
        [acceleration(0, 1.0, 0)] * 40,  # in g, or of a falling camera
        [acceleration(6.9, 6.9, 0)] * 40,  # held on the diagonal
        [acceleration(0.5, 0.5, -9.75)] * 40,  # looks at the ground
        [acceleration(0, 9.81, 0)] * 5,
        [acceleration(float("nan"), 9.81, 0)] * 40,
        [b"GPS5 something else entirely"] * 40,
        [*[acceleration(0, 9.81, 0)] * 30, b"\0\0\3\0odd", *[acceleration(0, 9.81, 0)] * 9],
    ],
)
def test_other_tracks_and_unsure_ones_tell_nothing(tmp_path, packets):
    film = motion_film(tmp_path / "film.mp4", packets)
    assert upright_from_motion(film, probe(film)) is None
