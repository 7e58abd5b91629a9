"""Reading films: each picture has its own time, is upright and in RGB; bad files say what is wrong."""

from __future__ import annotations

import hashlib
import resource
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest
from numbered_films import drawn_frame, encode, numbered, read_number

from midstance.errors import FilmError
from midstance.film.reader import content_sha256, probe, read_frames

Film = Callable[..., Path]


def _colourful(width: int = 320, height: int = 192) -> np.ndarray:
    """Smooth colours that differ in every place, so that a shifted, turned or swapped picture shows."""
    y, x = np.mgrid[:height, :width]
    rgb = np.stack(
        [40 + 180 * x / width, 30 + 190 * y / height, 128 + 90 * np.sin(x / 17) * np.cos(y / 23)], axis=2
    )
    rgb[20:60, 30:110] = (230, 30, 20)
    return rgb.astype(np.uint8)


def _numbers_and_times(path: Path, **kwargs: object) -> tuple[list[int], np.ndarray, list[int]]:
    frames = [(read_number(f.rgb()), f.file_time_s, f.index) for f in read_frames(path, **kwargs)]
    numbers, times, indices = zip(*frames, strict=True)
    return list(numbers), np.asarray(times), list(indices)


@pytest.mark.parametrize("rate", [Fraction(60), Fraction(30000, 1001), Fraction(240)])
def test_constant_rate_times_are_exact(film: Film, rate: Fraction) -> None:
    path = film(count=40, rate=rate)
    numbers, times, indices = _numbers_and_times(path)
    assert numbers == list(range(40))
    assert indices == numbers
    np.testing.assert_allclose(times, np.arange(40) / float(rate), atol=1.2e-5)  # one tick of 1/90000 s
    info = probe(path)
    assert info.average_fps == pytest.approx(float(rate), rel=1e-4)
    assert (info.width, info.height, info.bit_depth, info.declared_frames) == (320, 192, 8, 40)


def test_2997_is_not_rounded_to_29_or_30(film: Film) -> None:
    # SMPTE ST 12-1: 30000/1001 pictures a second; after 30 pictures 1.001 s have passed, not 1 s.
    _, times, _ = _numbers_and_times(film(count=31, rate=Fraction(30000, 1001)))
    assert times[30] == pytest.approx(1.001, abs=1.2e-5)


def test_variable_rate_keeps_each_picture_s_own_time(film: Film) -> None:
    gaps = np.random.default_rng(5).uniform(0.010, 0.050, 59)
    wanted = np.concatenate([[0.0], np.cumsum(gaps)])
    numbers, times, _ = _numbers_and_times(film(count=60, times_s=list(wanted)))
    assert numbers == list(range(60))
    np.testing.assert_allclose(times, wanted, atol=1.2e-5)


def test_pictures_coded_out_of_order_come_in_order_of_time(film: Film) -> None:
    path = film(count=40, coder={"bf": "3", "b_strategy": "0"})
    with av.open(str(path)) as container:
        assert [p.pts for p in container.demux(video=0) if p.pts is not None] != sorted(
            p.pts for p in container.demux(video=0) if p.pts is not None
        )
    numbers, times, _ = _numbers_and_times(path)
    assert numbers == list(range(40))
    assert np.all(np.diff(times) > 0)


def test_a_late_start_counts_from_the_first_picture_shown(film: Film) -> None:
    _, times, indices = _numbers_and_times(film(count=20, times_s=[1.5 + i / 30 for i in range(20)]))
    assert times[0] == 0.0
    assert indices[0] == 0
    assert times[10] == pytest.approx(10 / 30, abs=2.3e-5)


def test_pictures_hidden_by_an_edit_list_are_neither_shown_nor_counted(film: Film) -> None:
    path = film(
        count=40,
        times_s=[(i - 6) / 30 for i in range(40)],
        options={"avoid_negative_ts": "disabled", "use_editlist": "1"},
        coder={"bf": "0"},
    )
    numbers, times, indices = _numbers_and_times(path)
    assert numbers == list(range(6, 40))
    assert indices == list(range(34))
    assert times[1] == pytest.approx(1 / 30, abs=2.3e-5)


@pytest.mark.parametrize("size", [(320, 192), (321, 191)])
@pytest.mark.parametrize(
    "pix_fmt",
    [
        "yuv420p",
        "yuvj420p",
        "nv12",
        "yuv422p",
        "yuv444p",
        "yuv420p10le",
        "yuv422p10le",
        "rgb24",
        "gray",
        "yuv444p12le",
    ],
)
def test_a_region_equals_that_part_of_the_whole_picture(pix_fmt: str, size: tuple[int, int]) -> None:
    frame = drawn_frame(_colourful(*size), pix_fmt)
    whole = frame.rgb().astype(int)
    w, h = size
    for x0, y0, x1, y1 in [
        (0, 0, w, h),
        (3, 7, 150, 121),
        (101, 55, 102, 56),
        (200, 100, w, h),
        (16, 0, 48, 31),
    ]:
        part = frame.rgb_region(x0, y0, x1, y1)
        assert part.shape == (y1 - y0, x1 - x0, 3)
        assert np.max(np.abs(part - whole[y0:y1, x0:x1])) <= 1
    # Against the converter that comes with the decoder, away from sharp edges of colour.
    outside = frame._video.to_ndarray(format="rgb24").astype(int)
    assert np.median(np.abs(outside - whole)) <= 2


def test_a_region_beyond_the_picture_is_black_there(film: Film) -> None:
    frame = next(read_frames(film(count=2)))
    part = frame.rgb_region(-10, 180, 30, 210)
    assert part.shape == (30, 40, 3)
    assert not part[:, :10].any()
    assert not part[12:].any()
    np.testing.assert_array_equal(part[:12, 10:], frame.rgb()[180:, :30])
    assert not frame.rgb_region(500, 500, 520, 510).any()
    with pytest.raises(ValueError, match="empty region"):
        frame.rgb_region(5, 5, 5, 9)


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize(("counterclockwise", "clockwise"), [(0, 0), (90, 270), (180, 180), (-90, 90)])
def test_pictures_are_turned_upright(
    tmp_path: Path, counterclockwise: int, clockwise: int, mirror: bool
) -> None:
    path = encode(tmp_path / "film.mp4", [_colourful()] * 3, rotate=counterclockwise, mirror=mirror)
    plain = encode(tmp_path / "plain.mp4", [_colourful()] * 3)
    # The display matrix turns counter-clockwise and then mirrors left-right, as a player does.
    expected = np.rot90(next(read_frames(plain)).rgb(), counterclockwise // 90)
    expected = expected[:, ::-1] if mirror else expected
    info, frame = probe(path), next(read_frames(path))
    whole = frame.rgb()
    np.testing.assert_array_equal(whole, expected)
    assert (info.height, info.width) == whole.shape[:2] == (frame.height, frame.width)
    if not mirror:
        assert info.rotation_deg == clockwise
    assert info.mirrored == mirror
    h, w = whole.shape[:2]
    for box in [(5, 9, w - 31, h - 47), (w - 40, 0, w, 33)]:
        part = frame.rgb_region(*box)
        assert np.max(np.abs(part.astype(int) - whole[box[1] : box[3], box[0] : box[2]])) <= 1
    small = frame.gray_small(w // 4)
    grey = cv2.resize(
        cv2.cvtColor(whole, cv2.COLOR_RGB2GRAY), small.shape[::-1], interpolation=cv2.INTER_AREA
    )
    assert np.corrcoef(small.ravel(), grey.ravel())[0, 1] > 0.99
    np.testing.assert_allclose(frame.gray_region(8, 4, 40, 24).shape, (20, 32))


@pytest.mark.parametrize(
    ("matrix", "full"), [(None, False), (1, False), (6, False), (9, False), (6, True), (1, True)]
)
@pytest.mark.parametrize("colour", [(255, 0, 0), (0, 0, 255), (200, 120, 40)])
def test_the_order_is_red_green_blue_by_the_film_s_own_matrix(
    tmp_path: Path, matrix: int | None, full: bool, colour: tuple[int, int, int]
) -> None:
    picture = np.empty((96, 128, 3), np.uint8)
    picture[:] = colour
    path = encode(tmp_path / "film.mp4", [picture] * 2, matrix=matrix, full_range=full)
    frame = next(read_frames(path))
    np.testing.assert_allclose(frame.rgb()[40, 60], colour, atol=4)
    np.testing.assert_allclose(frame.rgb_region(40, 30, 70, 50)[5, 5], colour, atol=4)


def test_opencv_reads_the_same_pictures_at_the_same_times(film: Film) -> None:
    """Against an outside reader: OpenCV's VideoCapture (general reference library)."""
    path = film(count=25, rate=Fraction(30000, 1001))
    capture = cv2.VideoCapture(str(path))
    for frame in read_frames(path):
        assert capture.grab()
        time_ms = capture.get(cv2.CAP_PROP_POS_MSEC)
        _, bgr = capture.retrieve()
        assert frame.file_time_s * 1000 == pytest.approx(time_ms, abs=0.05)
        assert np.mean(np.abs(frame.rgb().astype(int) - bgr[:, :, ::-1])) < 1.5
    assert not capture.grab()
    capture.release()


def test_ten_bit_hevc(film: Film) -> None:
    path = film(count=12, codec="libx265", pix_fmt="yuv420p10le")
    info = probe(path)
    assert (info.codec, info.bit_depth) == ("hevc", 10)
    assert _numbers_and_times(path)[0] == list(range(12))


@pytest.mark.parametrize("start_s", [0.0, 0.5, 2.5, 7.03])
def test_a_part_has_the_same_numbers_times_and_indices_as_in_the_whole(film: Film, start_s: float) -> None:
    path = film(count=300, coder={"g": "40", "bf": "3"})
    whole = list(zip(*_numbers_and_times(path), strict=True))
    part = list(zip(*_numbers_and_times(path, start_s=start_s, end_s=start_s + 1.0), strict=True))
    assert part == [row for row in whole if start_s - 1e-9 <= row[1] <= start_s + 1.0]
    assert len(part) >= 30


def test_every_keeps_the_indices_of_the_film(film: Film) -> None:
    assert _numbers_and_times(film(count=20), every=6)[2] == [0, 6, 12, 18]


def test_a_part_beyond_the_end_is_an_error(film: Film) -> None:
    path = film(count=20)
    with pytest.raises(FilmError, match=r"ends at 0\.63 s"):
        list(read_frames(path, start_s=5.0))
    with pytest.raises(FilmError, match="is empty"):
        read_frames(path, start_s=2.0, end_s=1.0)


def test_memory_does_not_grow_with_the_film(film: Film) -> None:
    path = film(count=1000, size=(640, 384), coder={"preset": "ultrafast"})
    reader = read_frames(path)
    peak = []
    for frame in reader:
        frame.rgb_region(10, 10, 300, 300)
        if frame.index in (200, 999):
            peak.append(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
    # Held pictures would take 800 × 0.37 MB = 290 MB.
    assert peak[1] - peak[0] < 30_000


def test_sound_and_capture_rate_are_found(film: Film) -> None:
    path = film(
        name="slow.mp4",
        audio=True,
        tags={"com.android.capture.fps": "240.0"},
        options={"movflags": "use_metadata_tags"},
    )
    info = probe(path)
    assert info.has_audio
    assert info.capture_fps_tag == 240.0
    assert probe(film(name="plain.mp4")).capture_fps_tag is None


def test_content_hash(film: Film) -> None:
    path = film()
    assert content_sha256(path) == hashlib.sha256(path.read_bytes()).hexdigest()


# --- bad input
# ---------------------------------------------------------------------------------------------------------


def _fault(path: Path) -> FilmError:
    with pytest.raises(FilmError) as caught:
        list(read_frames(path))
    error = caught.value
    assert str(path) in str(error)
    assert error.allowed
    assert error.next_step
    return error


def test_missing_file_and_folder(tmp_path: Path) -> None:
    assert "no such file" in _fault(tmp_path / "none.mp4").what
    assert "folder" in _fault(tmp_path).what


def test_empty_file_and_text_named_as_film(tmp_path: Path) -> None:
    empty, text = tmp_path / "empty.mp4", tmp_path / "text.mp4"
    empty.touch()
    text.write_text("This is a shopping list, not a film.\n" * 50)
    assert "empty" in _fault(empty).what
    assert "not a film" in _fault(text).what


def test_a_play_list_is_not_followed(tmp_path: Path, film: Film) -> None:
    inner = film(name="inner.mp4")
    play_list = tmp_path / "list.mp4"
    play_list.write_text(f"#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\n{inner.name}\n#EXT-X-ENDLIST\n")
    assert "not a film" in _fault(play_list).what


def test_a_still_picture_is_not_a_film(tmp_path: Path) -> None:
    path = tmp_path / "still.jpg"
    cv2.imwrite(str(path), numbered(3))
    assert "not a film" in _fault(path).what


def test_sound_alone(tmp_path: Path) -> None:
    path = tmp_path / "sound.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("aac", rate=48000)
        tone = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
        tone.sample_rate = 48000
        out.mux(stream.encode(tone))
        out.mux(stream.encode(None))
    assert "sound but no pictures" in _fault(path).what


def test_no_pictures(tmp_path: Path) -> None:
    """A film whose track was opened and never filled."""
    path = tmp_path / "none.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264", rate=30)
        stream.width, stream.height, stream.pix_fmt = 320, 192, "yuv420p"
        out.start_encoding()
    assert "no pictures" in _fault(path).what or "no picture track" in _fault(path).what


def test_cut_short_without_its_index(film: Film) -> None:
    path = film(count=60)
    path.write_bytes(path.read_bytes()[:-2000])
    if b"moov" not in path.read_bytes():
        assert "cut short" in _fault(path).what
    path.write_bytes(path.read_bytes()[:400])
    assert "cut short" in _fault(path).what


def test_a_broken_end_is_noted_when_a_second_was_shown_and_an_error_otherwise(film: Film) -> None:
    path = film(count=150, options={"movflags": "faststart"}, coder={"g": "10", "bf": "0"})
    data = path.read_bytes()
    start = data.index(b"mdat")
    path.write_bytes(data[: start + (len(data) - start) * 6 // 10])
    reader = read_frames(path)
    numbers = [read_number(f.rgb()) for f in reader]
    assert numbers == list(range(len(numbers)))
    assert 30 < len(numbers) < 150
    assert len(reader.notes) == 1
    assert "only the part before was used" in reader.notes[0]
    path.write_bytes(data[: start + (len(data) - start) // 12])
    assert "s" in _fault(path).what


def test_an_absurd_size(tmp_path: Path) -> None:
    path = encode(tmp_path / "tiny.mp4", [np.zeros((32, 48, 3), np.uint8)] * 3)
    error = _fault(path)
    assert "48 × 32" in error.what


def test_a_change_of_picture_size_ends_the_film(tmp_path: Path) -> None:
    """Two transport streams run together, as a player would show them one after the other."""
    pictures = [numbered(n) for n in range(45)]
    first = encode(tmp_path / "a.ts", pictures, coder={"g": "15", "bf": "0"})
    times = [2 + n / 30 for n in range(10)]
    second = encode(tmp_path / "b.ts", [numbered(n, 480, 256) for n in range(10)], times, coder={"bf": "0"})
    path = tmp_path / "both.ts"
    path.write_bytes(first.read_bytes() + second.read_bytes())
    reader = read_frames(path)
    numbers = [read_number(frame.rgb()) for frame in reader]
    assert numbers == list(range(45))
    assert "picture size" in reader.notes[0]
