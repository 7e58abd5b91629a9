"""The networks themselves: weights, both runtimes, order of channels, refinement on real pictures, repeatability."""

from __future__ import annotations

import hashlib
import shutil
import sys
from pathlib import Path

import numpy as np
import pytest
from pose_films import demo_film, write

import midstance.pose
from midstance.errors import RuntimeMissingError
from midstance.film.frames import Frame
from midstance.film.reader import read_frames
from midstance.pose import runtime
from midstance.pose.detector import search
from midstance.pose.find import RunnerSearch, Sighting, region_rgb
from midstance.pose.landmarker import HEAT_CELLS, INPUT_PX, N_PUBLIC, N_RAW, Region, decode, network_input
from midstance.pose.runtime import LiteRtNetwork, OpenVinoNetwork, load_network, weight_file
from midstance.pose.track import track

#: The runner's square in the demonstration films, px.
DEMO_REGION = Region(645.0, 372.0, 660.0)
BODY_PX = 0.78 * DEMO_REGION.size


def frames_of(view: str, times_s: tuple[float, ...]) -> list[Frame]:
    out = []
    for t in times_s:
        with read_frames(demo_film(view), start_s=t, end_s=t + 0.05) as frames:
            out.append(next(iter(frames)))
    return out


@pytest.fixture(scope="module")
def pictures() -> list[np.ndarray]:
    """Six regions, two of each view."""
    return [
        region_rgb(f, DEMO_REGION)[0] for view in ("side", "rear", "front") for f in frames_of(view, (1.0, 1.2))
    ]


# --- weights -----------------------------------------------------------------------------------------------------------


def test_the_weights_are_those_named_in_the_code_and_the_readme():
    readme = (Path(midstance.pose.__file__).parent / "weights" / "README.md").read_text(encoding="utf-8")
    for name, (file_name, sha256) in runtime.WEIGHTS.items():
        path = weight_file(name)
        assert hashlib.sha256(path.read_bytes()).hexdigest() == sha256
        assert file_name in readme
        assert sha256 in readme
        assert "Apache" in readme


def test_damaged_weights_are_refused(tmp_path, monkeypatch):
    folder = tmp_path / "weights"
    folder.mkdir()
    good = weight_file("detector")
    data = bytearray(good.read_bytes())
    data[len(data) // 2] ^= 1  # one bit
    (folder / good.name).write_bytes(data)
    monkeypatch.setattr(runtime.resources, "files", lambda package: tmp_path)
    for load in (OpenVinoNetwork, LiteRtNetwork):
        with pytest.raises(RuntimeMissingError, match="damaged") as caught:
            load("detector")
        assert "install" in caught.value.next_step
        assert good.name in caught.value.where
    shutil.copy(good, folder / good.name)
    assert weight_file("detector") == folder / good.name


def test_missing_weights_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(runtime.resources, "files", lambda package: tmp_path)
    with pytest.raises(RuntimeMissingError, match="not there"):
        load_network("landmarks")


# --- runtimes ----------------------------------------------------------------------------------------------------------


def test_without_openvino_the_second_runtime_is_used(monkeypatch):
    pytest.importorskip("ai_edge_litert")
    monkeypatch.setitem(sys.modules, "openvino", None)
    assert load_network("detector").runtime == "litert"


def test_without_any_runtime_the_message_names_both(monkeypatch):
    for module in ("openvino", "ai_edge_litert", "ai_edge_litert.interpreter"):
        monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(RuntimeMissingError, match="no landmark runtime") as caught:
        load_network("detector")
    assert "openvino" in caught.value.where
    assert "litert" in caught.value.where
    assert "pip install" in caught.value.next_step


def test_both_runtimes_read_the_same_landmarks(landmarks, pictures):
    """Same weights, both in 32-bit floats: coordinates within 0.05 px of 256, landmarks within 0.02 % of body height."""
    pytest.importorskip("ai_edge_litert")
    second = load_network("landmarks", "litert")
    inputs = [network_input(p) for p in pictures]
    for a, b in zip(landmarks.run_many(inputs), second.run_many(inputs), strict=True):
        assert set(a) == set(b) == {"points", "presence", "heat"}
        pa, pb = (r["points"].reshape(N_RAW, 5) for r in (a, b))
        np.testing.assert_allclose(pa[:, :2], pb[:, :2], atol=0.05)
        np.testing.assert_allclose(a["presence"], b["presence"], atol=1e-3)
        ra, rb = decode(a, DEMO_REGION), decode(b, DEMO_REGION)
        assert np.linalg.norm(ra.xy - rb.xy, axis=1).max() < 0.0002 * BODY_PX
        np.testing.assert_allclose(ra.visibility, rb.visibility, atol=0.002)
        np.testing.assert_allclose(ra.peak, rb.peak, atol=0.002)


def test_both_runtimes_detect_the_same_people(detector):
    pytest.importorskip("ai_edge_litert")
    rgb = frames_of("side", (2.0,))[0].rgb()
    first = search(detector, rgb, thorough=False)
    second = search(load_network("detector", "litert"), rgb, thorough=False)
    assert len(first) == len(second) == 1
    a, b = first[0].region, second[0].region
    assert (a.x, a.y, a.size) == pytest.approx((b.x, b.y, b.size), abs=0.2)


def test_several_at_a_time_give_the_same_as_one_by_one_in_order(landmarks, pictures):
    inputs = [network_input(p) for p in pictures]
    one_by_one = [landmarks.run(i) for i in inputs]
    for a, b in zip(one_by_one, landmarks.run_many(iter(inputs)), strict=True):
        for key in a:
            np.testing.assert_array_equal(a[key], b[key])
    assert list(landmarks.run_many([])) == []


def test_two_runs_are_the_same_bit_for_bit(pictures):
    results = []
    for _ in range(2):
        network = load_network("landmarks")  # loaded anew
        readings = [decode(r, DEMO_REGION) for r in network.run_many(network_input(p) for p in pictures[:3])]
        results.append(np.stack([r.xy for r in readings]))
    np.testing.assert_array_equal(results[0], results[1])


# --- channels ----------------------------------------------------------------------------------------------------------


def test_blue_and_red_exchanged_gives_other_landmarks(landmarks, pictures):
    """Nothing warns (presence and visibility stay high), but landmarks move: hence the tests of the path below."""
    moved, presence = [], []
    for rgb in pictures:
        right = decode(landmarks.run(network_input(rgb)), DEMO_REGION)
        wrong = decode(landmarks.run(network_input(np.ascontiguousarray(rgb[..., ::-1]))), DEMO_REGION)
        moved.append(np.linalg.norm(right.xy - wrong.xy, axis=1) / BODY_PX)
        presence.append(wrong.presence)
    assert np.median(moved) > 0.0015
    assert np.percentile(moved, 95) > 0.008
    assert np.median(presence) > 0.9


COLOURS = np.array([[200, 40, 30], [30, 160, 60], [20, 60, 190]])  # red, green and blue thirds, left to right


def coloured(path: Path) -> Path:
    rgb = np.repeat(COLOURS, 160, axis=0)[None].repeat(270, axis=0).astype(np.uint8)
    return write(path, [rgb] * 8, fps=30)


class Recorder:
    """A network that keeps what it was given and answers that a body fills the region (2.5 × its radius)."""

    runtime = "none"

    def __init__(self) -> None:
        self.given: list[np.ndarray] = []

    def run(self, picture: np.ndarray) -> dict[str, np.ndarray]:
        self.given.append(picture.copy())
        points = np.full((N_RAW, 5), INPUT_PX / 2, np.float32)
        points[N_PUBLIC + 1, 0] += 0.4 * INPUT_PX
        return {
            "points": points.reshape(1, -1),
            "presence": np.ones((1, 1), np.float32),
            "heat": np.full((1, HEAT_CELLS, HEAT_CELLS, N_RAW), -20, np.float32),
            "scores": np.full((1, 2254, 1), -20, np.float32),
            "boxes": np.zeros((1, 2254, 12), np.float32),
        }

    def run_many(self, pictures):
        for p in pictures:
            yield self.run(p)


def test_the_path_from_the_film_to_the_landmark_network_is_rgb(tmp_path):
    """A film of known colours goes through reading, cutting and tracking: red comes first in all the network is given."""
    network = Recorder()
    seen = Sighting(0.0, Region(240.0, 135.0, 240.0), 0.9, 0.5)
    search_result = RunnerSearch((seen,), (1,), 1)
    raw = track(read_frames(coloured(tmp_path / "colours.mp4")), network, Recorder(), search_result, slowdown=1.0)
    assert (raw.presence == 1).all()
    assert len(network.given) >= len(raw.index) == 8
    for picture in network.given:
        assert picture.shape == (1, INPUT_PX, INPUT_PX, 3)
        for column, wanted in zip((8, 128, -9), COLOURS, strict=True):
            assert np.abs(picture[0, 128, column] - wanted / 255).max() < 0.06


def test_the_path_from_the_film_to_the_detector_is_rgb(tmp_path):
    with read_frames(coloured(tmp_path / "colours.mp4")) as frames:
        frame = next(iter(frames))
    network = Recorder()
    search(network, frame.rgb(), thorough=False)
    picture = (network.given[0][0] + 1) / 2
    assert np.abs(picture[112, 20] - COLOURS[0] / 255).max() < 0.06
    assert np.abs(picture[112, 112] - COLOURS[1] / 255).max() < 0.06
    assert np.abs(picture[112, 204] - COLOURS[2] / 255).max() < 0.06


def test_a_region_that_leaves_the_picture_is_black_there_and_stays_in_place(landmarks):
    frame = frames_of("side", (1.0,))[0]
    inside = decode(landmarks.run(network_input(region_rgb(frame, DEMO_REGION)[0])), DEMO_REGION)
    rgb, cut = region_rgb(frame, Region(DEMO_REGION.x, DEMO_REGION.y + 60, 820.0))
    assert rgb.shape == (820, 820, 3)
    assert (rgb[-50:] == 0).all()
    beyond = decode(landmarks.run(network_input(rgb)), cut)
    assert np.median(np.linalg.norm(inside.xy - beyond.xy, axis=1)) < 0.02 * BODY_PX


# --- refinement --------------------------------------------------------------------------------------------------------


def test_the_heat_maps_move_landmarks_by_more_than_a_third_of_a_percent_of_height(landmarks, pictures):
    moved = []
    for rgb in pictures:
        result = landmarks.run(network_input(rgb))
        left, top = DEMO_REGION.corner
        plain = result["points"].reshape(N_RAW, 5)[:N_PUBLIC, :2] / INPUT_PX * DEMO_REGION.size + (left, top)
        moved.append(np.linalg.norm(decode(result, DEMO_REGION).xy - plain, axis=1) / BODY_PX)
    assert np.median(moved) > 0.003
    assert np.percentile(moved, 90) > 0.01


def test_refined_landmarks_depend_less_on_the_region_than_plain_ones(landmarks):
    """Where the region is put must not matter. Six regions a few percent apart: median scatter of the landmarks."""
    frame = frames_of("side", (1.0,))[0]
    refined, plain = [], []
    for dx, dy, grow in ((0, 0, 1.0), (15, 0, 1.0), (-15, 8, 1.0), (0, -15, 1.05), (8, 8, 0.97), (-8, 12, 1.03)):
        region = Region(DEMO_REGION.x + dx, DEMO_REGION.y + dy, DEMO_REGION.size * grow)
        rgb, cut = region_rgb(frame, region)
        result = landmarks.run(network_input(rgb))
        refined.append(decode(result, cut).xy)
        plain.append(result["points"].reshape(N_RAW, 5)[:N_PUBLIC, :2] / INPUT_PX * cut.size + np.array(cut.corner))
    scatter = [float(np.median(np.hypot(*np.std(r, axis=0).T))) / BODY_PX for r in (refined, plain)]
    assert scatter[0] < 0.006
    assert scatter[0] < scatter[1]


def test_a_mirrored_picture_gives_mirrored_landmarks(landmarks, pictures):
    """Refinement must not add a constant shift: half a heat-map cell would be 0.8 % of the region."""
    from midstance.gait.model import LANDMARKS

    other = [
        LANDMARKS.index(n.replace("left", "#").replace("right", "left").replace("#", "right")) for n in LANDMARKS
    ]
    unit = Region(0.5, 0.5, 1.0)
    shifts = []
    for rgb in pictures:
        a = decode(landmarks.run(network_input(rgb)), unit)
        b = decode(landmarks.run(network_input(np.ascontiguousarray(rgb[:, ::-1]))), unit)
        good = (a.peak > 0.5) & (b.peak[other] > 0.5)
        shifts.append(np.median(a.xy[good, 0] + b.xy[other][good, 0] - 1.0))
    assert abs(np.mean(shifts)) < 0.25 / HEAT_CELLS
