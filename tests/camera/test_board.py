"""The printed board: what is printed, finding it, and the camera and lens that come of it."""

import numpy as np
import pytest
from board_scene import PPI, looking_at, page, picture, true_corners
from pypdf import PdfReader

from midstance.camera.board import (
    COLUMNS,
    ROWS,
    SIZES,
    board_marks,
    board_pdf,
    calibrate_lens,
    find_board,
    find_board_in_pictures,
    write_board,
)
from midstance.camera.ground import solve_camera, yaw_of
from midstance.errors import OptionError, OutputError

FULL = (1920, 1080)


def lying(paper):
    w, h = (v / 1000 for v in SIZES[paper].page_mm)
    return np.array([-w / 2, 0, h / 2]), [1, 0, 0], [0, 0, -1]


def standing(paper):
    return np.array([-SIZES[paper].page_mm[0] / 2000, 0, 0]), [1, 0, 0], [0, 1, 0]


@pytest.mark.parametrize("paper", SIZES)
def test_printed_page_has_its_size_and_its_markers_are_where_the_board_says(paper):
    size = SIZES[paper]
    found = find_board(page(paper))
    assert found.paper == paper
    assert found.markers == COLUMNS * ROWS
    dots = PPI / 25.4
    wanted = np.stack([found.page_m[:, 0] * 1000, size.page_mm[1] - found.page_m[:, 1] * 1000], axis=1) * dots
    assert np.abs(found.points_px - wanted).max() < 1.0  # a tenth of a millimetre
    low, high = found.page_m.min(axis=0) * 1000, found.page_m.max(axis=0) * 1000
    # printers leave 5 mm white, markers need a white border, and the bar its place below
    assert low[0] > 12
    assert high[0] < size.page_mm[0] - 12
    assert high[1] < size.page_mm[1] - 8
    assert low[1] > 30


@pytest.mark.parametrize("paper", SIZES)
def test_pdf_is_one_page_of_the_paper_and_says_how_long_the_bar_is(paper, tmp_path):
    path = write_board(tmp_path / "board.pdf", paper)
    reader = PdfReader(path)
    (sheet,) = reader.pages
    wanted = [v / 25.4 * 72 for v in SIZES[paper].page_mm]
    assert [float(v) for v in sheet.mediabox[2:]] == pytest.approx(wanted, abs=0.5)
    text = sheet.extract_text()
    assert f"must measure {int(SIZES[paper].bar_mm)} mm" in text
    assert "upright" in text
    assert board_pdf(paper) == path.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["board.pdf"]


def test_bar_is_as_long_as_it_says():
    dark = page("a4") < 128
    size = SIZES["a4"]
    below = dark[int((size.page_mm[1] - size.bottom_mm + 8) * 10) :]
    widest = max(np.ptp(np.flatnonzero(row)) for row in below if row.any() and row.sum() > 0.6 * size.bar_mm * 10)
    assert widest / 10 == pytest.approx(size.bar_mm, abs=0.5)


def test_board_cannot_be_written_where_it_cannot(tmp_path):
    with pytest.raises(OptionError, match="no board"):
        write_board(tmp_path / "board.pdf", "a5")
    with pytest.raises(OptionError, match="PDF"):
        write_board(tmp_path / "board.png")
    with pytest.raises(OutputError):
        write_board(tmp_path / "nowhere" / "board.pdf")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(("paper", "place"), [("a4", standing), ("letter", standing), ("a4", lying), ("a3", lying)])
def test_found_to_a_fraction_of_a_pixel_from_a_film_like_distance(paper, place):
    """4.2 m away and 0.95 m high, 1080 lines: the lying board is seen at 13 degrees."""
    camera = looking_at([0, 0.85, 0], np.array([0.3, 0.95, 4.2]), 1890.0, FULL, 1.5)
    found = find_board(picture(camera, paper, *place(paper), over=2))
    assert found.paper == paper
    assert found.markers >= COLUMNS * ROWS - (place is lying)
    miss = found.points_px - true_corners(camera, found, *place(paper))
    assert np.sqrt(np.mean(miss**2)) < 0.7


def test_corners_have_no_shift_to_one_side():
    """Half a pixel would come of counting from a pixel's middle instead of its edge."""
    camera = looking_at([0, 0.1, 0], np.array([0.1, 0.2, 1.0]), 1200.0, (1280, 720))
    found = find_board(picture(camera, "a4", *standing("a4")))
    assert np.abs((found.points_px - true_corners(camera, found, *standing("a4"))).mean(axis=0)).max() < 0.1


@pytest.mark.parametrize(
    ("view", "direction", "place", "right"),
    [
        ("side", "+x", [-0.7, 0.95, 4.1], [1, 0, 0]),
        ("side", "-x", [-0.7, 0.95, -4.1], [-1, 0, 0]),
        ("rear", None, [-4.1, 0.95, 0.3], [0, 0, 1]),
        ("front", None, [4.1, 0.95, 0.3], [0, 0, -1]),
    ],
)
@pytest.mark.parametrize("how", ["standing", "lying"])
def test_gives_the_camera(view, direction, place, right, how):
    camera = looking_at([0, 0.85, 0], np.array(place), 1890.0, FULL, -2.0)
    w, h = (v / 1000 for v in SIZES["a3"].page_mm)
    right = np.array(right, float)
    up = np.array([0.0, 1, 0]) if how == "standing" else np.cross([0, 1.0, 0], right)
    origin = -w / 2 * right - (h / 2 * up if how == "lying" else 0)
    found = find_board(picture(camera, "a3", origin, right, up, over=2))
    marks = board_marks(found, view, place=how, direction=direction)
    s = solve_camera(marks, FULL, view, direction=direction)
    assert abs(s.roll_deg - camera.roll_deg) < 2.5 * s.roll_sigma_deg
    assert s.roll_sigma_deg < 0.5
    assert abs(s.yaw_deg - yaw_of(camera, view, direction)) < 2.5 * s.yaw_sigma_deg
    assert abs(s.tilt_deg - camera.tilt_deg) < 2.5 * s.tilt_sigma_deg
    # what counts: lengths in the runner's plane
    ends = camera.project(np.array([[0, 0.1, 0], [0, 0.95, 0]]))
    back = s.camera.on_plane(ends, 2 if view == "side" else 0, 0.0)
    assert np.linalg.norm(back[1] - back[0]) == pytest.approx(0.85, rel=0.02)


def test_a_page_printed_too_small_gives_true_lengths_with_its_bar():
    camera = looking_at([0, 0.85, 0], np.array([0.3, 0.95, 4.2]), 1890.0, FULL)
    found = find_board(picture(camera, "a4", *standing("a4"), over=2))
    plain = board_marks(found, "side", direction="+x").points_m
    small = board_marks(found, "side", direction="+x", bar_mm=194.0).points_m
    assert small == pytest.approx(plain * 0.97)
    with pytest.raises(OptionError, match="too far"):
        board_marks(found, "side", direction="+x", bar_mm=150.0)


def test_nothing_is_found_where_nothing_is():
    rng = np.random.default_rng(0)
    assert find_board(rng.integers(0, 255, (480, 640)).astype(np.uint8)) is None
    assert find_board(np.full((480, 640), 90, np.uint8)) is None
    shown = picture(looking_at([0, 0.1, 0], np.array([0, 0.2, 1.0]), 1200.0), "a4", *standing("a4"))
    assert find_board(shown, paper="a3") is None


def test_of_several_pictures_those_in_which_the_board_lies_still_are_used():
    camera = looking_at([0, 0.1, 0], np.array([0, 0.3, 1.5]), 1200.0)
    origin, right, up = standing("a4")
    carried = [picture(camera, "a4", origin + np.array([0.05 * i, 0.1, 0]), right, up, over=1) for i in range(2)]
    still = [picture(camera, "a4", origin, right, up, seed=i, over=1) for i in range(3)]
    found = find_board_in_pictures([*carried, np.zeros_like(still[0]), *still])
    assert np.abs(found.points_px - true_corners(camera, found, origin, right, up)).max() < 1.0
    assert find_board_in_pictures([np.zeros_like(still[0])]) is None


def board_views(k, size=(1280, 720), focal=1000.0, n=9):
    rng = np.random.default_rng(4)
    views = []
    for i in range(n):
        camera = looking_at([0, 0, 0.0], np.array([0, 0, 0.55]), focal, size, 0.0, k)
        across, down = [(-0.2, 0.1), (0.2, 0.1), (-0.2, -0.1), (0.2, -0.1), (0, 0)][i % 5]
        a, b = rng.uniform(-0.5, 0.5, 2)
        right = np.array([np.cos(a), 0, np.sin(a)])
        up = np.array([np.sin(a) * np.sin(b), np.cos(b), -np.cos(a) * np.sin(b)])
        w, h = 0.297, 0.21
        views.append(picture(camera, "a4", np.array([across, down, 0.0]) - w / 2 * right - h / 2 * up, right, up, over=2))
    return views


def test_lens_is_found_from_pictures_of_the_board():
    k = (-0.17, 0.04, 0.0)
    lens = calibrate_lens(board_views(k))
    assert lens.focal_px == pytest.approx(1000, rel=0.01)
    assert lens.size_px == (1280, 720)
    assert lens.centre_px == pytest.approx((640, 360), abs=4)
    # what counts: where the lens puts points, out to the corners
    r = np.linspace(0, 0.65, 20)
    bend = [r * (1 + a * r**2 + b * r**4) * 1000 for a, b in ((k[0], k[1]), (lens.k1, lens.k2))]
    assert np.abs(bend[0] - bend[1]).max() < 2.0
    assert "misfit" in lens.source


def test_too_few_or_useless_pictures_give_no_lens():
    views = board_views((0.0, 0.0, 0.0), n=5)
    with pytest.raises(OptionError, match="found in 4 of 4"):
        calibrate_lens(views[:4])
    with pytest.raises(OptionError, match="several sizes"):
        calibrate_lens([*views, views[0][:, :600]])
    square = looking_at([0, 0, 0], np.array([0, 0, 3.0]), 1000.0, (1280, 720))
    same = [picture(square, "a4", np.array([-0.15, -0.1, 0]), [1, 0, 0], [0, 1, 0], seed=i, over=1) for i in range(6)]
    with pytest.raises(OptionError, match=r"do not tell the lens|never came near"):
        calibrate_lens(same)
