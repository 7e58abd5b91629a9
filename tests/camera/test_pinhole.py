"""The camera model against OpenCV's (general reference library) and itself."""

import cv2
import numpy as np
import pytest
from board_scene import looking_at
from hypothesis import given
from hypothesis import strategies as st

from midstance.camera.pinhole import Camera, Lens
from midstance.errors import OptionError

BENT = (-0.21, 0.06, 0.004)
RNG = np.random.default_rng(3)
POINTS = RNG.uniform([-1.5, 0, -1], [1.5, 1.9, 1], (200, 3))


def camera(k=BENT, roll=3.0):
    return looking_at([0.1, 0.8, 0], np.array([0.9, 1.2, 4.0]), 900.0, (1280, 720), roll, k)


def opencv(c, points):
    k1, k2, k3 = c.k
    matrix = np.array([[c.focal_px, 0, c.centre[0]], [0, c.focal_px, c.centre[1]], [0, 0, 1]])
    lens = np.array([k1, k2, 0, 0, k3])
    return cv2.projectPoints(points, cv2.Rodrigues(c.rotation)[0], c.translation, matrix, lens)[0][:, 0], matrix, lens


def test_projects_as_opencv_does():
    c = camera()
    assert np.abs(c.project(POINTS) - opencv(c, POINTS)[0]).max() < 1e-6


def test_undistorts_as_opencv_does():
    c = camera()
    px, matrix, lens = opencv(c, POINTS)
    # OpenCV iterates a fixed number of times, so its answer is good to a fraction of a pixel only far out
    theirs = cv2.undistortPoints(px[:, None], matrix, lens)[:, 0]
    near = np.linalg.norm(c.undistort(px), axis=1) < 0.35
    assert near.sum() > 50
    assert np.abs(c.undistort(px) - theirs)[near].max() < 1e-3


def test_a_point_lies_on_the_ray_of_its_pixel_whatever_plane_is_cut():
    c = camera()
    px = c.project(POINTS)
    for axis in (1, 2):
        assert np.abs(c.on_plane(px, axis, POINTS[:, axis]) - POINTS).max() < 1e-8


@given(st.floats(-0.3, 0.3), st.floats(-0.05, 0.05), st.floats(0, 0.6))
def test_undistortion_is_the_inverse_or_says_nan(k1, k2, r):
    c = camera((k1, k2, 0.0))
    slope = 1 + 3 * k1 * r**2 + 5 * k2 * r**4
    shown = r * (1 + k1 * r**2 + k2 * r**4)
    back = c.undistort(c.centre + c.focal_px * shown * np.array([0.6, 0.8]))
    if slope > 0.2:
        assert np.linalg.norm(back) == pytest.approx(r, abs=1e-6)
    else:
        assert np.isnan(back).all() or np.isfinite(back).all()


def test_pixels_that_the_lens_cannot_have_made_are_nan():
    c = camera((-0.3, 0.0, 0.0))  # turns back at r = 1.05, shown at 0.70 focal lengths
    assert np.isnan(c.undistort(c.centre + np.array([0.75 * c.focal_px, 0]))).all()
    assert np.isfinite(c.undistort(c.centre + np.array([0.65 * c.focal_px, 0]))).all()


def test_behind_the_camera_is_nan():
    c = camera()
    behind = c.position_m - 2 * c.forward
    assert np.isnan(c.project(behind)).all()
    up = c.on_plane(c.centre - [0, 300], 1, -100.0)  # a ray above the horizon never meets the ground
    assert np.isnan(up).all()


@pytest.mark.parametrize("roll", [-7.0, 0.0, 4.0])
def test_roll_and_tilt_are_those_of_the_picture(roll):
    c = looking_at([0, 0.5, 0], np.array([0, 1.5, 4.0]), 900.0, (1280, 720), roll)
    assert c.roll_deg == pytest.approx(roll)
    assert c.tilt_deg == pytest.approx(-np.degrees(np.arctan2(1.0, 4.0)))
    ahead = c.position_m + 4 * c.forward / np.hypot(c.forward[0], c.forward[2])
    level = c.project(np.stack([ahead, ahead + np.array([0.01, 0, 0])]))  # + rises to the right: y falls
    assert np.degrees(np.arctan2(-(level[1] - level[0])[1], (level[1] - level[0])[0])) == pytest.approx(roll, abs=0.05)


def test_faulty_cameras_and_lenses_are_refused():
    with pytest.raises(ValueError, match="not a rotation"):
        Camera((640, 480), 500.0, 2 * np.eye(3), np.zeros(3))
    with pytest.raises(ValueError, match="finite"):
        Camera((640, 480), 500.0, np.full((3, 3), np.nan), np.zeros(3))
    with pytest.raises(ValueError, match="needs focal_px"):
        Lens(k1=-0.1)


def test_a_lens_goes_with_the_picture_size_but_not_with_another_shape():
    lens = Lens(-0.1, 0.01, 0.0, 1000.0, (1920, 1080), (950.0, 545.0))
    half = lens.for_size((960, 540))
    assert half.focal_px == pytest.approx(500)
    assert half.centre_px == pytest.approx((475, 272.5))
    assert half.k1 == -0.1
    with pytest.raises(OptionError, match="another shape"):
        lens.for_size((1080, 1920))
