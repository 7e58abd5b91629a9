"""The camera found from marks: exact where marks are exact, honest where they are clicked, clear where they are wrong."""

import attrs
import numpy as np
import pytest
from board_scene import looking_at
from turned import BELT_M, turned

from midstance.camera.ground import belt_corners, ground_points, solve_camera, yaw_of
from midstance.camera.pinhole import Lens
from midstance.errors import OptionError

SIZE = (1280, 720)
BELT = np.array([[-0.9, 0, 0.27], [0.9, 0, 0.27], [0.9, 0, -0.27], [-0.9, 0, -0.27]])
SEEN_FROM = {  # view, direction, camera
    "side": ("side", "+x", [-0.6, 0.95, 4.1]),
    "side from the left": ("side", "-x", [-0.6, 1.2, -4.1]),
    "rear": ("rear", None, [-4.1, 1.1, 0.4]),
    "front": ("front", None, [4.1, 1.0, 0.4]),
}


def shown(place, roll=2.0, k=(0.0, 0.0, 0.0), focal=1200.0):
    return looking_at([0, 0.8, 0], np.array(place), focal, SIZE, roll, k)


@pytest.mark.parametrize("name", SEEN_FROM)
@pytest.mark.parametrize("start", range(4))
@pytest.mark.parametrize("way", [1, -1])
def test_corners_may_start_anywhere_and_go_either_way(name, start, way):
    view, direction, place = SEEN_FROM[name]
    camera = shown(place)
    marks = belt_corners(np.roll(camera.project(BELT), start, axis=0)[::way], *BELT_M)
    s = solve_camera(marks, SIZE, view, direction=direction)
    assert s.residual_px < 0.1
    assert s.roll_deg == pytest.approx(camera.roll_deg, abs=0.1)
    assert s.yaw_deg == pytest.approx(yaw_of(camera, view, direction), abs=0.3)
    assert s.camera.focal_px == pytest.approx(camera.focal_px, rel=0.02)  # pulled a little towards a usual phone
    assert np.abs(s.camera.position_m - camera.position_m).max() < 0.08


def test_yaw_has_the_sign_it_says():
    assert yaw_of(shown([-0.6, 0.95, 4.1]), "side", "+x") > 5  # behind, looking forwards
    assert yaw_of(shown([-0.6, 0.95, -4.1]), "side", "-x") > 5
    assert yaw_of(shown([-4.1, 0.95, -0.6]), "rear", None) > 5  # to the left, looking to the right
    assert yaw_of(shown([4.1, 0.95, -0.6]), "front", None) > 5


@pytest.mark.parametrize("signs", [(1, 1), (-1, 1), (1, -1), (-1, -1)])
def test_which_way_is_plus_does_not_matter(signs):
    camera = shown([-0.6, 0.95, 4.1])
    places = np.array([[-0.7, 0.3], [0.8, 0.25], [0.6, -0.4], [-0.9, -0.2], [0.1, 0.35]])
    px = camera.project(np.stack([places[:, 0], np.zeros(5), places[:, 1]], axis=1))
    s = solve_camera(ground_points(px, places * signs), SIZE, "side", direction="+x")
    assert np.abs(s.camera.position_m - camera.position_m).max() < 0.08


def test_known_lens_is_used_and_fixes_the_focal_length():
    camera = shown([-0.6, 0.95, 4.1], k=(-0.18, 0.03, 0.0))
    px = camera.project(BELT)
    lens = Lens(-0.18, 0.03, 0.0, 1200.0, SIZE)
    s = solve_camera(belt_corners(px, *BELT_M), SIZE, "side", direction="+x", lens=lens)
    assert s.focal_source == "given"
    assert s.residual_px < 0.01
    assert np.abs(s.camera.position_m - camera.position_m).max() < 0.01
    blind = solve_camera(belt_corners(px, *BELT_M), SIZE, "side", direction="+x")
    assert np.abs(blind.camera.position_m - camera.position_m).max() > 0.05


@pytest.mark.slow
@pytest.mark.parametrize("name", ["side", "rear"])
def test_stated_errors_hold_the_truth_as_often_as_they_should(name):
    """100 times four clicks with 2 px error: 95 % intervals hold roll, tilt, turn and log focal in 88 % of them or more."""
    view, direction, place = SEEN_FROM[name]
    camera = shown(place)
    truth = np.array([camera.roll_deg, camera.tilt_deg, yaw_of(camera, view, direction), np.log(camera.focal_px)])
    rng = np.random.default_rng(1)
    inside = []
    for _ in range(100):
        marks = belt_corners(camera.project(BELT) + rng.normal(0, 2.0, (4, 2)), *BELT_M)
        marks = attrs.evolve(marks, align_sigma_deg=0.0, length_relative_sigma=1e-6)
        s = solve_camera(marks, SIZE, view, direction=direction)
        error = np.array([s.roll_deg, s.tilt_deg, s.yaw_deg, np.log(s.camera.focal_px)]) - truth
        sigma = [s.roll_sigma_deg, s.tilt_sigma_deg, s.yaw_sigma_deg, s.focal_relative_sigma]
        inside.append(np.abs(error) < 1.96 * np.array(sigma))
    share = np.mean(inside, axis=0)
    assert (share >= 0.88).all(), share
    assert share.mean() < 0.99, share  # nor are they needlessly wide


def test_a_view_that_cannot_tell_the_focal_length_falls_back_to_a_phone_and_says_so():
    above = looking_at([0, 0, 0], np.array([0.0, 4.0, 0.05]), 700.0, SIZE)  # straight above: no perspective at all
    px = above.project(BELT)
    s = solve_camera(belt_corners(px, *BELT_M), SIZE, "side", direction="+x")
    assert s.focal_source == "assumed"
    assert s.focal_relative_sigma > 0.2
    assert any("focal length" in n for n in s.notes)


def test_roll_and_tilt_from_elsewhere_narrow_the_errors():
    camera = shown([-0.6, 0.95, 4.1])
    marks = belt_corners(camera.project(BELT), *BELT_M)
    plain = solve_camera(marks, SIZE, "side", direction="+x")
    helped = solve_camera(
        marks, SIZE, "side", direction="+x", roll=(camera.roll_deg, 0.1), tilt=(camera.tilt_deg, 0.3)
    )
    assert helped.roll_sigma_deg < 0.6 * plain.roll_sigma_deg
    assert helped.tilt_sigma_deg < 0.5 * plain.tilt_sigma_deg


@pytest.mark.parametrize("name", ["turned_side", "turned_rolled_side_left", "turned_rear"])
def test_finds_the_renderers_own_camera(name):
    film = turned(name)
    s = solve_camera(belt_corners(film.corners_px, *BELT_M), film.camera.size_px, film.view, direction=film.direction)
    assert s.roll_deg == pytest.approx(film.camera.roll_deg, abs=0.1)
    assert s.yaw_deg == pytest.approx(yaw_of(film.camera, film.view, film.direction), abs=0.2)
    assert s.camera.focal_px == pytest.approx(film.camera.focal_px, rel=0.02)


def px():
    return shown([-0.6, 0.95, 4.1]).project(BELT)


@pytest.mark.parametrize(
    ("corners", "message"),
    [
        (lambda: px()[[0, 2, 1, 3]], "not in order"),
        (lambda: np.array([[300, 600], [500, 600], [700, 600.5], [500, 650]]), "on one line in the picture"),
        (lambda: px() + np.array([[0, 0], [0, 0], [70, 0], [0, 0]]), "do not fit together"),
        (lambda: px() + 5000, "far outside the picture"),
    ],
)
def test_wrong_marks_are_refused_with_a_reason(corners, message):
    with pytest.raises(OptionError, match=message) as error:
        solve_camera(belt_corners(corners(), *BELT_M), SIZE, "side", direction="+x", where="marks.json: side.ground")
    assert error.value.where == "marks.json: side.ground"
    assert error.value.next_step
    assert error.value.allowed


def test_lengths_the_wrong_way_round_are_refused():
    with pytest.raises(OptionError, match=r"do not fit|off a side view"):
        solve_camera(belt_corners(px(), BELT_M[1], BELT_M[0]), SIZE, "side", direction="+x")


def test_marks_of_another_view_are_refused():
    rear = shown([-4.1, 1.1, 0.4])
    places = np.array([[-0.9, 0.27], [0.9, 0.27], [0.9, -0.27], [-0.9, -0.27]])
    with pytest.raises(OptionError, match="off a side view"):
        solve_camera(ground_points(rear.project(BELT), places), SIZE, "side", direction="+x")


def test_points_above_the_horizon_are_refused():
    with pytest.raises(OptionError):
        solve_camera(belt_corners(px()[:, :] * [1, -1] + [0, 900], *BELT_M), SIZE, "side", direction="+x")


@pytest.mark.parametrize(
    "make",
    [
        lambda: belt_corners(px()[:3], *BELT_M),
        lambda: belt_corners(px(), 0.0, 0.5),
        lambda: belt_corners(px(), 1.5, 500.0),
        lambda: ground_points(px()[:3], np.zeros((3, 2))),
    ],
)
def test_too_few_points_and_impossible_lengths(make):
    with pytest.raises(OptionError):
        make()


def test_same_marks_same_camera():
    marks = belt_corners(px() + 1.3, *BELT_M)
    a, b = (solve_camera(marks, SIZE, "side", direction="+x") for _ in range(2))
    assert np.array_equal(a.camera.rotation, b.camera.rotation)
    assert a.camera.focal_px == b.camera.focal_px
