"""One film's camera from marks, board, upright edges, a given roll and the belt's slope together."""

import av
import numpy as np
import pytest
from board_scene import looking_at, picture
from test_vertical import posts
from turned import BELT_M, turned

from midstance.camera.ground import belt_corners, yaw_of
from midstance.camera.marked import SideFilm, find_camera, rectify_film
from midstance.camera.marks import BoardPlace, FilmMarks
from midstance.camera.plane import to_plane
from midstance.camera.rectify import usual_plane
from midstance.errors import OptionError
from midstance.film.reader import probe

SIZE = (1280, 720)
BELT = np.array([[-0.9, 0, 0.27], [0.9, 0, 0.27], [0.9, 0, -0.27], [-0.9, 0, -0.27]])


def film_of(path, pictures):
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=10, options={"crf": "12"})
        stream.height, stream.width = pictures[0].shape
        stream.pix_fmt = "yuv420p"
        for p in pictures:
            for packet in stream.encode(av.VideoFrame.from_ndarray(np.repeat(p[..., None], 3, axis=2), format="rgb24")):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return probe(path)


@pytest.fixture(scope="module")
def camera():
    return looking_at([0.0, 0.9, 0], np.array([-0.7, 1.1, 4.1]), 1000.0, SIZE, 2.5)


@pytest.fixture(scope="module")
def info(camera, tmp_path_factory):
    return film_of(tmp_path_factory.mktemp("film") / "posts.mp4", [posts(camera, seed=3)] * 10)


def clicked(camera, seed=0, slope_percent=None, belt=BELT):
    px = camera.project(belt) + np.random.default_rng(seed).normal(0, 2.0, (4, 2))
    return belt_corners(px, *BELT_M, slope_percent=slope_percent)


def test_upright_edges_steady_the_roll_and_tilt_that_clicks_give(camera, info):
    blank_error, edge_error = [], []
    blank = FilmMarks("side")
    for seed in range(6):
        marks = clicked(camera, seed, slope_percent=0.0)
        s = find_camera(FilmMarks("side", ground=marks), info, direction="+x")
        from midstance.camera.ground import solve_camera

        alone = solve_camera(marks, SIZE, "side", direction="+x")
        blank_error.append([alone.roll_deg - camera.roll_deg, alone.tilt_deg - camera.tilt_deg])
        edge_error.append([s.roll_deg - camera.roll_deg, s.tilt_deg - camera.tilt_deg])
        assert s.roll_sigma_deg < alone.roll_sigma_deg
        assert s.tilt_sigma_deg < alone.tilt_sigma_deg
        assert abs(s.yaw_deg - yaw_of(camera, "side", "+x")) < 3 * s.yaw_sigma_deg
    assert np.sqrt(np.mean(np.square(edge_error))) < 0.8 * np.sqrt(np.mean(np.square(blank_error)))
    assert find_camera(blank, info, direction="+x") is None


def test_edges_that_contradict_the_marks_are_told_and_left(camera, info, tmp_path):
    crooked = looking_at([0.0, 0.9, 0], np.array([-0.7, 1.1, 4.1]), 1000.0, SIZE, 10.0)
    s = find_camera(FilmMarks("side", ground=clicked(crooked, slope_percent=0.0)), info, direction="+x")
    assert s.roll_deg == pytest.approx(10.0, abs=1.0)
    assert any("disagree" in n for n in s.notes)


def test_a_given_roll_is_used_and_a_wrong_one_refused(camera, info):
    marks = clicked(camera, slope_percent=0.0)
    s = find_camera(FilmMarks("side", ground=marks, roll=(2.5, 0.1)), info, direction="+x")
    assert s.roll_deg == pytest.approx(2.5, abs=0.15)
    assert s.roll_sigma_deg < 0.15
    with pytest.raises(OptionError, match="roll given") as error:
        find_camera(FilmMarks("side", ground=marks, roll=(-2.5, 0.1)), info, direction="+x", where="marks.json")
    assert error.value.where == "marks.json: side.roll_deg"


@pytest.mark.parametrize(("direction", "z"), [("+x", 4.1), ("-x", -4.1)])
def test_a_belt_off_level_is_told_from_the_camera_by_the_edges(direction, z, tmp_path):
    """A belt that rises by 2 %: the world's vertical stays that of gravity, within what marks and edges allow."""
    camera = looking_at([0.0, 0.9, 0], np.array([-0.4, 1.1, z]), 1000.0, SIZE, 0.0)
    # the posts' scene is symmetrical: seen from the other side it is made anew for that camera
    scene = camera if z > 0 else looking_at([0.0, 0.9, 0], np.array([-0.4, 1.1, 4.1]), 1000.0, SIZE, 0.0)
    info = film_of(tmp_path / "film.mp4", [posts(scene, seed=5)] * 10)
    rise = np.arctan(0.02)
    uphill = BELT @ np.array([[np.cos(rise), np.sin(rise), 0], [-np.sin(rise), np.cos(rise), 0], [0, 0, 1]])
    px = camera.project(uphill)
    true_deg = float(np.degrees(rise))
    known = find_camera(FilmMarks("side", ground=belt_corners(px, *BELT_M, slope_percent=2.0)), info, direction=direction)
    assert known.slope_deg == pytest.approx(true_deg, abs=0.1)
    found = find_camera(FilmMarks("side", ground=belt_corners(px, *BELT_M)), info, direction=direction)
    assert 0.3 * true_deg < found.slope_deg < 1.3 * true_deg
    assert found.slope_sigma_deg < 0.4
    for s in (known, found):
        upright = camera.project(np.array([[0, 0.1, 0], [0, 1.0, 0]]))
        hit = s.camera.on_plane(upright, 2, 0.0)
        lean = np.degrees(np.arctan2((hit[1] - hit[0])[0], (hit[1] - hit[0])[1])) - s.slope_deg
        assert abs(lean) < 2 * float(np.hypot(s.roll_sigma_deg, s.slope_sigma_deg))


def test_the_board_is_found_in_the_film_or_missed_in_words(tmp_path):
    camera = looking_at([0, 0.85, 0], np.array([0.3, 0.95, 4.2]), 1260.0, SIZE, -1.5)
    shown = picture(camera, "a3", np.array([-0.21, 0, 0]), [1, 0, 0], [0, 1, 0], over=2)
    info = film_of(tmp_path / "board.mp4", [shown] * 10)
    marks = FilmMarks("side", board=BoardPlace("standing"))
    s = find_camera(marks, info, direction="+x")
    assert s.roll_deg == pytest.approx(-1.5, abs=0.5)
    assert "board" in s.marks.source
    empty = film_of(tmp_path / "empty.mp4", [np.full((720, 1280), 90, np.uint8)] * 10)
    with pytest.raises(OptionError, match="board was not found") as error:
        find_camera(marks, empty, direction="+x", where="marks.json")
    assert error.value.where == "marks.json: side.ground.board"
    other = FilmMarks("side", board=BoardPlace("standing", film=tmp_path / "board.mp4"))
    assert find_camera(other, empty, direction="+x").roll_deg == pytest.approx(-1.5, abs=0.5)


def test_rectifying_before_and_after_the_events_are_known():
    from midstance.camera.ground import solve_camera

    film = turned("turned_rear")
    s = solve_camera(belt_corners(film.corners_px, *BELT_M), film.camera.size_px, "rear")
    first = rectify_film(film.paths, s)
    assert first.plane == usual_plane(s) or first.plane.at_m == usual_plane(s).at_m
    then = rectify_film(film.paths, s, film.stances)
    assert "feet" in then.scale.source
    assert then.scale.relative_sigma < first.scale.relative_sigma
    side = SideFilm(to_plane(turned("turned_side").paths, direction="+x", scale=then.scale), turned("turned_side").stances)
    deep = rectify_film(film.paths, s, film.stances, side=side)
    assert deep.yaw_sigma_deg < then.yaw_sigma_deg
    passing = rectify_film(film.paths, s, film.stances, surface="overground")
    assert np.shape(passing.plane.at_m) == film.paths.time_s.shape
