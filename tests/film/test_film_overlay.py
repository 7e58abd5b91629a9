"""The overlay film: written whole or not at all, and its marks legible without colour."""

from __future__ import annotations

import hashlib
from pathlib import Path

import av
import numpy as np
import pytest

from midstance.errors import OutputError
from midstance.film.drawing import SIDE_RGB, text_width, wrap_text
from midstance.film.overlay import (
    OverlayWriter,
    draw_caption,
    draw_event_mark,
    draw_skeleton,
    draw_timeline,
    write_overlay,
)
from midstance.film.reader import probe, read_frames
from midstance.gait.model import LANDMARK_INDEX, Event, EventKind, Side, Stance, State

GREY = 90


def _blank(width: int = 640, height: int = 360) -> np.ndarray:
    return np.full((height, width, 3), GREY, np.uint8)


def _figure() -> np.ndarray:
    xy = np.full((33, 2), np.nan)
    for side, shift in (("left", -60.0), ("right", 60.0)):
        for n, name in enumerate(("shoulder", "hip", "knee", "ankle", "heel", "toe")):
            xy[LANDMARK_INDEX[f"{side}_{name}"]] = (320 + shift, 60 + 50 * n)
    return xy


def test_a_film_is_written_and_read_back(tmp_path: Path) -> None:
    path = tmp_path / "overlay.mp4"
    with OverlayWriter(path, 320, 180, 29.97) as writer:
        for i in range(20):
            picture = np.zeros((180, 320, 3), np.uint8)
            picture[:] = (200, 30, 10 * i)
            writer.write(picture)
    assert [p.name for p in tmp_path.iterdir()] == ["overlay.mp4"]
    info = probe(path)
    assert (info.codec, info.pix_fmt, info.declared_frames) == ("h264", "yuv420p", 20)
    assert float(info.average_fps) == pytest.approx(29.97, abs=0.002)
    frames = list(read_frames(path))
    np.testing.assert_allclose(frames[15].rgb()[90, 160], (200, 30, 150), atol=6)
    data = path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")  # starts to play before it is loaded


def test_the_same_pictures_give_the_same_bytes(tmp_path: Path) -> None:
    digests = set()
    rng = np.random.default_rng(0)
    pictures = [rng.integers(0, 255, (120, 160, 3), np.uint8) for _ in range(10)]
    for name in ("a.mp4", "b.mp4"):
        assert (
            write_overlay(tmp_path / name, ((p, [draw_caption_of("x")]) for p in pictures), (160, 120), 30)
            == 10
        )
        digests.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(digests) == 1


def draw_caption_of(text: str):
    return lambda rgb: draw_caption(rgb, text)


def test_odd_sizes_are_padded(tmp_path: Path) -> None:
    path = tmp_path / "odd.mp4"
    with OverlayWriter(path, 161, 121, 25) as writer:
        writer.write(_blank(161, 121))
    assert (probe(path).width, probe(path).height) == (162, 122)


def test_nothing_is_left_behind_by_a_fault(tmp_path: Path) -> None:
    path = tmp_path / "overlay.mp4"

    def stopped() -> None:
        with OverlayWriter(path, 160, 120, 25) as writer:
            writer.write(_blank(160, 120))
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OutputError, match="no pictures"), OverlayWriter(path, 160, 120, 25):
        pass
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(OutputError, match="cannot be written"):
        OverlayWriter(tmp_path / "none" / "overlay.mp4", 160, 120, 25)
    writer = OverlayWriter(path, 160, 120, 25)
    with pytest.raises(ValueError, match="expected a"):
        writer.write(_blank(100, 100))
    writer.abort()
    writer.abort()
    assert list(tmp_path.iterdir()) == []


def test_an_existing_film_stays_until_the_new_one_is_whole(tmp_path: Path) -> None:
    path = tmp_path / "overlay.mp4"
    path.write_bytes(b"old")
    writer = OverlayWriter(path, 160, 120, 25)
    writer.write(_blank(160, 120))
    assert path.read_bytes() == b"old"
    writer.close()
    assert av.open(str(path)).streams.video[0].frames == 1


def test_sides_differ_without_colour() -> None:
    rgb = _blank()
    draw_skeleton(rgb, _figure(), np.zeros(33, np.uint8))
    # Down the shank: the left line is unbroken, the right one has gaps of untouched background.
    rows = slice(175, 205)
    left, right = rgb[rows, 259:262], rgb[rows, 379:382]
    assert not np.any(np.all(left == GREY, axis=(1, 2)))
    assert np.any(np.all(right == GREY, axis=(1, 2)))


@pytest.mark.parametrize("state", [State.FILLED, State.GUESS, State.BLURRED])
def test_unsure_landmarks_are_hollow_and_missing_ones_absent(state: State) -> None:
    knee = LANDMARK_INDEX["left_knee"]
    xy, known = np.full((33, 2), np.nan), np.full(33, int(State.MISSING), np.uint8)
    xy[knee] = (200.5, 150.5)
    rgb = _blank(1280, 720)
    draw_skeleton(rgb, xy, known)
    assert np.all(rgb == GREY)
    known[knee] = state
    draw_skeleton(rgb, xy, known)
    assert rgb[150, 200].max() < 60
    known[knee] = State.SEEN
    draw_skeleton(rgb, xy, known)
    np.testing.assert_allclose(rgb[150, 200], SIDE_RGB["left"], atol=2)


def test_landmarks_are_drawn_where_they_are_also_beyond_the_edge() -> None:
    xy = np.full((33, 2), np.nan)
    xy[LANDMARK_INDEX["nose"]] = (100.5, 40.5)
    xy[LANDMARK_INDEX["left_heel"]] = (-50.0, 1e7)
    rgb = _blank()
    draw_skeleton(rgb, xy, np.zeros(33, np.uint8), scale=2.0)
    y, x = np.nonzero(np.any(rgb != GREY, axis=2))
    # Twice the size: 100.5 px of the film is 201 px of the overlay, the pixel whose centre is 200.5 or 201.5.
    assert x.mean() == pytest.approx(200.5, abs=0.6)
    assert y.mean() == pytest.approx(80.5, abs=0.6)


@pytest.mark.parametrize(("width", "height"), [(320, 180), (180, 320), (1280, 720), (64, 64)])
def test_long_captions_stay_inside(width: int, height: int) -> None:
    rgb = _blank(width, height)
    draw_caption(rgb, "The foot lands ahead of the body by 12.3 cm ± 0.8 cm; " * 20 + "W" * 400)
    touched = np.any(rgb != GREY, axis=2)
    assert touched.any()
    assert not touched[round(0.65 * height) :].any()
    assert not touched[:, -1].any()
    lines = wrap_text("aa bb " * 50 + "W" * 300, 120, 14, max_lines=4)
    assert len(lines) == 4
    assert lines[-1].endswith("…")
    assert max(text_width(line, 14) for line in lines) <= 120
    assert wrap_text("", 100, 14, max_lines=3) == []


def _stance(index: int, side: Side, begin: float, end: float, excluded: str | None = None) -> Stance:
    def event(kind: EventKind, t: float) -> Event:
        return Event("side", side, kind, t, t, t)

    return Stance(index, side, event("initial_contact", begin), event("toe_off", end), None, None, excluded)


def test_the_timeline_shows_stances_in_two_lanes_and_the_cursor() -> None:
    rgb = _blank(1280, 720)
    draw_timeline(rgb, 5.0, [_stance(0, "left", 1.0, 3.0), _stance(1, "right", 6.0, 8.0)], 0.0, 10.0)
    strip = rgb[-60:]
    assert np.all(rgb[:600] == GREY)
    is_left = np.all(strip == SIDE_RGB["left"], axis=2)[:, 100:]
    is_right = np.all(strip == SIDE_RGB["right"], axis=2)[:, 100:]
    assert np.nonzero(is_left)[0].mean() < np.nonzero(is_right)[0].mean()
    assert np.nonzero(is_left)[1].max() < np.nonzero(is_right)[1].min()
    cursor = np.nonzero(np.all(strip[30] >= 250, axis=1))[0]
    assert cursor.mean() == pytest.approx(650, abs=20)


@pytest.mark.parametrize("kind", ["initial_contact", "toe_off"])
def test_event_marks_differ_in_shape_and_fade(kind: EventKind) -> None:
    rgb = _blank(1280, 720)
    draw_event_mark(rgb, (600, 300), kind, "left")
    inside = rgb[312 if kind == "initial_contact" else 316, 600]
    assert np.allclose(inside, SIDE_RGB["left"], atol=4) == (kind == "initial_contact")
    faint = _blank(1280, 720)
    draw_event_mark(faint, (600, 300), kind, "left", strength=0.3)
    assert 0 < np.abs(faint.astype(int) - GREY).sum() < np.abs(rgb.astype(int) - GREY).sum()
    draw_event_mark(faint, (np.nan, 3), kind, "left")
    draw_event_mark(faint, (-500, 9000), kind, "left")
