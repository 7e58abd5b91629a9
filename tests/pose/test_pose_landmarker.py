"""From the network's raw numbers to landmarks: refinement against a slow, obvious loop; regions there and back."""

from __future__ import annotations

import numpy as np
import pytest

from midstance.pose.detector import (
    ANCHORS,
    REGION_MARGIN,
    Person,
    detect,
    merge,
    same_person,
    tiles,
)
from midstance.pose.landmarker import (
    HEAT_CELLS,
    INPUT_PX,
    N_PUBLIC,
    N_RAW,
    REFINE_HALF,
    REFINE_MIN_PEAK,
    Region,
    decode,
    network_input,
    refine,
)


def refine_slowly(xy: np.ndarray, heat: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Centre of mass of the confidences in the window around each landmark, cell by cell."""
    out, peaks = xy.copy(), np.zeros(len(xy))
    for k, (x, y) in enumerate(xy):
        column, row = int(np.floor(x * HEAT_CELLS)), int(np.floor(y * HEAT_CELLS))
        if not (0 <= column < HEAT_CELLS and 0 <= row < HEAT_CELLS):
            continue
        total = sum_x = sum_y = 0.0
        for r in range(max(0, row - REFINE_HALF), min(HEAT_CELLS, row + REFINE_HALF + 1)):
            for c in range(max(0, column - REFINE_HALF), min(HEAT_CELLS, column + REFINE_HALF + 1)):
                confidence = 1 / (1 + np.exp(-float(heat[r, c, k])))
                total += confidence
                sum_x += confidence * c
                sum_y += confidence * r
                peaks[k] = max(peaks[k], confidence)
        if peaks[k] >= REFINE_MIN_PEAK:
            out[k] = sum_x / total / HEAT_CELLS, sum_y / total / HEAT_CELLS
    return out, peaks


@pytest.mark.parametrize("seed", range(6))
def test_refine_equals_the_slow_loop(seed):
    rng = np.random.default_rng(seed)
    heat = rng.normal(-4, 3, (HEAT_CELLS, HEAT_CELLS, 60)).astype(np.float32)
    xy = rng.uniform(-0.1, 1.1, (60, 2))  # some outside the region
    xy[:6] = [[0, 0], [1, 1], [0.999, 0.001], [0.5, 0.5], [0.03, 0.97], [1.0, 0.2]]
    heat[..., 7:12] = -20.0  # no confidence anywhere
    got, peak = refine(xy, heat)
    want, want_peak = refine_slowly(xy, heat)
    np.testing.assert_allclose(got, want, atol=1e-6)
    np.testing.assert_allclose(peak, want_peak, atol=1e-6)
    assert (got[7:12] == xy[7:12]).all()
    assert (np.abs(got - xy).max(axis=1) > 0.01).sum() > 10  # the comparison had something to compare


@pytest.mark.parametrize("place", [(20.3, 33.7), (8.9, 55.2), (31.5, 31.5)])
def test_refine_finds_the_centre_of_a_blob_from_a_cell_off(place):
    rows, columns = np.mgrid[:HEAT_CELLS, :HEAT_CELLS]
    confidence = np.clip(0.9 * np.exp(-((columns - place[0]) ** 2 + (rows - place[1]) ** 2) / (2 * 1.2**2)), 1e-6, None)
    heat = np.log(confidence / (1 - confidence)).astype(np.float32)[..., None]
    start = (np.array([place]) + np.array([0.8, -0.7])) / HEAT_CELLS
    got, peak = refine(start, heat)
    assert np.abs(got * HEAT_CELLS - place).max() < 0.15
    assert peak[0] > 0.75


def raw_result(fractions: np.ndarray, *, visibility: float = 2.0, presence: float = 0.97) -> dict[str, np.ndarray]:
    """A network answer with given coordinates and empty heat maps, so that nothing is refined."""
    points = np.zeros((N_RAW, 5), np.float32)
    points[:, :2] = fractions * INPUT_PX
    points[:, 3] = visibility
    return {
        "points": points.reshape(1, -1),
        "presence": np.array([[presence]], np.float32),
        "heat": np.full((1, HEAT_CELLS, HEAT_CELLS, N_RAW), -30.0, np.float32),
    }


def test_decode_puts_landmarks_back_into_the_picture():
    region = Region(412.5, 300.0, 350.0)
    rng = np.random.default_rng(1)
    wanted = rng.uniform(250, 460, (N_RAW, 2))
    fractions = (wanted - region.corner) / region.size
    reading = decode(raw_result(fractions), region)
    np.testing.assert_allclose(reading.xy, wanted[:N_PUBLIC], atol=1e-4)
    np.testing.assert_allclose(reading.centre, wanted[N_PUBLIC], atol=1e-4)
    assert reading.body_px == pytest.approx(np.hypot(*(wanted[N_PUBLIC + 1] - wanted[N_PUBLIC])), abs=1e-3)
    assert reading.presence == pytest.approx(0.97)
    np.testing.assert_allclose(reading.visibility, 1 / (1 + np.exp(-2.0)), rtol=1e-6)
    assert (reading.peak < 1e-6).all()


def test_network_input_keeps_the_order_of_the_channels_and_the_range():
    rgb = np.zeros((600, 600, 3), np.uint8)
    rgb[..., 0], rgb[..., 1], rgb[..., 2] = 255, 102, 51
    picture = network_input(rgb)
    assert picture.shape == (1, INPUT_PX, INPUT_PX, 3)
    assert picture.dtype == np.float32
    np.testing.assert_allclose(picture[0, 100, 100], [1.0, 0.4, 0.2], atol=1e-6)


@pytest.mark.parametrize("side", [40, 256, 300, 700, 1500])
def test_network_input_keeps_places(side):
    """A blob at a fraction of the region stays at that fraction, whatever the region's size."""
    y, x = (np.mgrid[:side, :side] + 0.5) / side
    blob = 255 * np.exp(-((x - 0.62) ** 2 + (y - 0.31) ** 2) / (2 * 0.05**2))
    picture = network_input(np.repeat(blob[..., None], 3, axis=2).astype(np.uint8))[0, ..., 0]
    yy, xx = (np.mgrid[:INPUT_PX, :INPUT_PX] + 0.5) / INPUT_PX
    assert (picture * xx).sum() / picture.sum() == pytest.approx(0.62, abs=0.002)
    assert (picture * yy).sum() / picture.sum() == pytest.approx(0.31, abs=0.002)


@pytest.mark.parametrize(
    "wrong", [np.zeros((9, 9), np.uint8), np.zeros((9, 9, 4), np.uint8), np.zeros((9, 9, 3), np.float32)]
)
def test_network_input_refuses_what_is_not_an_rgb_picture(wrong):
    with pytest.raises(ValueError, match="RGB"):
        network_input(wrong)


class OneAnchor:
    """A detector network that answers with one person at a known place of its input."""

    runtime = "none"

    def __init__(self, centre: tuple[float, float], edge: tuple[float, float]) -> None:
        self.centre, self.edge = np.array(centre), np.array(edge)

    def run(self, picture: np.ndarray) -> dict[str, np.ndarray]:
        assert picture.shape == (1, 224, 224, 3)
        scores = np.full((len(ANCHORS), 1), -20.0, np.float32)
        boxes = np.zeros((len(ANCHORS), 12), np.float32)
        for a in (700, 701):  # two answers for one body are one person
            scores[a] = 3.0
            boxes[a, 4:6] = self.centre - ANCHORS[a] * 224
            boxes[a, 6:8] = self.edge - ANCHORS[a] * 224
        return {"scores": scores[None], "boxes": boxes[None]}

    def run_many(self, pictures):
        raise NotImplementedError


@pytest.mark.parametrize(("width", "height"), [(1280, 720), (720, 1280), (640, 640)])
def test_a_detection_lands_where_it_is_in_the_picture(width, height):
    scale = 224 / max(width, height)
    pad = ((224 - round(width * scale)) // 2, (224 - round(height * scale)) // 2)
    place, edge = np.array([0.4 * width, 0.6 * height]), np.array([0.4 * width, 0.6 * height - 90.0])
    network = OneAnchor(tuple(place * scale + pad), tuple(edge * scale + pad))
    people = detect(network, np.zeros((height, width, 3), np.uint8), offset=(10.0, 20.0))
    assert len(people) == 1
    region = people[0].region
    assert (region.x, region.y) == pytest.approx((place[0] + 10, place[1] + 20), abs=0.1)
    assert region.size == pytest.approx(2 * REGION_MARGIN * 90, abs=0.2)
    assert people[0].score == pytest.approx(1 / (1 + np.exp(-3)), rel=1e-4)


def test_same_person_and_merge():
    a = Region(100, 100, 200)
    assert same_person(a, Region(140, 100, 210))
    assert not same_person(a, Region(170, 100, 200))
    assert not same_person(a, Region(100, 100, 450))
    people = [Person(a, 0.6), Person(Region(110, 105, 190), 0.9), Person(Region(400, 100, 200), 0.7)]
    assert merge(people) == [people[1], people[2]]


@pytest.mark.parametrize(
    ("width", "height", "share"), [(1280, 720, 0.36), (1920, 1080, 0.6), (720, 1280, 1.0), (300, 200, 0.36)]
)
def test_tiles_cover_the_picture_overlap_by_half_and_stay_inside(width, height, share):
    covered = np.zeros((height, width), int)
    for left, top, side in tiles(width, height, share):
        assert min(left, top) >= 0
        assert left + side <= width or left == 0
        assert top + side <= height or top == 0
        covered[top : top + side, left : left + side] += 1
    assert covered.min() >= 1
    if share < 1:
        assert covered[height // 3 : -height // 3, width // 3 : -width // 3].min() >= 4
