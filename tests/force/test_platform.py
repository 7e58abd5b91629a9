"""Channels of platforms → force, moment, centre of pressure: statics in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from midstance.errors import ForceError
from midstance.force.platform import centre_of_pressure, moved, plate_axes, surface_wrench, to_lab

FORCE = np.array([30.0, -60.0, -800.0])  # plate axes, z down: the ground's force on a runner points to -z
POINT = np.array([0.07, -0.12])  # of the surface, from its middle, plate axes
FREE = 3.5
ORIGIN = np.array([0.01, -0.02, -0.04])  # sensors → middle of the surface; the surface lies above them (z down)


def about_surface() -> np.ndarray:
    r = np.array([*POINT, 0.0])
    return np.array([*FORCE, *np.add(np.cross(r, FORCE), [0, 0, FREE])])


def about_sensors() -> np.ndarray:
    r = np.add(ORIGIN, [*POINT, 0.0])
    return np.array([*FORCE, *np.add(np.cross(r, FORCE), [0, 0, FREE])])


def test_type_1_takes_its_own_centre_of_pressure():
    got = surface_wrench(1, [[*FORCE, *POINT, FREE]], ORIGIN)
    np.testing.assert_allclose(got[0], about_surface(), atol=1e-9)


@pytest.mark.parametrize("origin", [ORIGIN, -ORIGIN], ids=["as the format says", "stored the other way round"])
def test_type_2_moves_the_moment_to_the_surface(origin):
    np.testing.assert_allclose(surface_wrench(2, [about_sensors()], origin)[0], about_surface(), atol=1e-9)


def test_type_4_goes_through_its_matrix():
    matrix = np.diag([500.0, 500, 1000, 800, 250, 400]) + 3.0
    volts = np.linalg.solve(matrix, about_sensors())
    np.testing.assert_allclose(surface_wrench(4, [volts], ORIGIN, matrix)[0], about_surface(), atol=1e-9)


def test_type_3_from_four_sensors():
    """Each sensor bears its share; a force between them is found where it acts."""
    a, b, height = 0.12, 0.20, -0.05
    places = [(a, b), (-a, b), (-a, -b), (a, -b)]
    x, y = 0.03, -0.08
    share = [(1 + x * px / a**2) * (1 + y * py / b**2) / 4 for px, py in places]
    fz = [-800.0 * s for s in share]
    got = surface_wrench(3, [[0, 0, 0, 0, *fz]], [a, b, height])[0]
    np.testing.assert_allclose(got[:3], [0, 0, -800.0])
    np.testing.assert_allclose([-got[4] / got[2], got[3] / got[2]], [x, y], atol=1e-12)


def test_type_3_horizontal_forces_turn_about_the_surface():
    got = surface_wrench(3, [[10.0, 20, 5, 7, 0, 0, 0, 0]], [0.12, 0.20, -0.05])[0]
    np.testing.assert_allclose(got[:3], [30, 12, 0])
    # The force acts in the sensors' plane, 5 cm below the surface: r = (0, 0, +0.05) from the surface, z down.
    # Sensor pairs give no lever in z here, so the moment about the sensors' origin is 0 and this is r × F.
    np.testing.assert_allclose(got[3:5], np.cross([0, 0, 0.05], [30, 12, 0])[:2])
    assert got[5] == pytest.approx(0.20 * (20 - 10) + 0.12 * (5 - 7))


CORNERS = np.array([[3.049, 0, 0.7337], [3.049, 0, 1.2197], [1.249, 0, 1.2197], [1.249, 0, 0.7337]])


def test_axes_of_a_plate_on_the_ground():
    """Corners of a real treadmill (Fukuchi et al. 2017): Y is up in the lab, so z points to -Y."""
    axes = plate_axes(CORNERS)
    np.testing.assert_allclose(axes[:, 2], [0, -1, 0], atol=1e-9)
    assert np.linalg.det(axes) == pytest.approx(1)
    assert to_lab(np.array([[0, 0, -700.0, 0, 0, 0]]), axes)[0, 1] == pytest.approx(700)


@pytest.mark.parametrize(
    ("corners", "words"),
    [
        (np.zeros((4, 3)), "rectangle"),
        (CORNERS[[0, 2, 1, 3]], "rectangle"),
        (np.full((4, 3), np.nan), "four points"),
        (CORNERS[:3], "four points"),
    ],
)
def test_bad_corners_are_told(corners, words):
    with pytest.raises(ForceError, match=words):
        plate_axes(corners)


@pytest.mark.parametrize(
    ("kind", "width", "matrix", "words"),
    [
        (5, 6, None, "type 5"),
        (3, 6, None, "8 channels"),
        (4, 6, None, "calibration"),
        (4, 6, np.zeros((6, 6)), "invertible"),
    ],
)
def test_bad_types_are_told(kind, width, matrix, words):
    with pytest.raises(ForceError, match=words):
        surface_wrench(kind, np.zeros((3, width)), np.zeros(3), matrix)


@given(
    forward=st.floats(-0.9, 0.9),
    right=st.floats(-0.3, 0.3),
    force=st.tuples(st.floats(-400, 400), st.floats(60, 3000), st.floats(-200, 200)),
    free=st.floats(-20, 20),
)
def test_centre_of_pressure_is_where_the_force_acts(forward, right, force, free):
    """Runner's axes: forward, up, right."""
    f = np.array(force)
    m = np.add(np.cross([forward, 0, right], f), [0, free, 0])
    cop, torque = centre_of_pressure(np.array([[*f, *m]]), 50.0)
    np.testing.assert_allclose(cop[0], [forward, right], atol=1e-9)
    assert torque[0] == pytest.approx(free, abs=1e-8)


def test_no_centre_of_pressure_in_the_air():
    w = np.zeros((3, 6))
    w[:, 1] = [0.0, 49.9, 50.0]
    cop, free = centre_of_pressure(w, 50.0)
    assert np.isnan(cop[:2]).all()
    assert np.isnan(free[:2]).all()
    assert np.isfinite(cop[2]).all()


def test_moving_the_point_and_back():
    w = np.random.default_rng(1).normal(size=(5, 6))
    np.testing.assert_allclose(moved(moved(w, [0.1, -0.2, 0.3]), [-0.1, 0.2, -0.3]), w, atol=1e-12)
