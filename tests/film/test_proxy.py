"""The playable copy: every picture of the film, at its own time, quick to reach, whatever the film was coded with."""

from __future__ import annotations

import json
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numbered_films import encode, numbered, read_number

from midstance.errors import FilmError, OptionError
from midstance.film import proxy
from midstance.film.packets import packet_times_s
from midstance.film.proxy import exact_frame, film_frames, make_proxy, proxy_size, read_about
from midstance.film.reader import probe, read_frames

Film = Callable[..., Path]
RNG = np.random.default_rng(11)
VARIABLE_S = list(np.concatenate([[0.0], np.cumsum(RNG.uniform(0.003, 0.060, 69))]))


def _packets(path: Path) -> list[tuple[Fraction, bool]]:
    """Times of all packets as exact fractions of a second from the first, in order of storage, and which are keys."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        packets = [p for p in container.demux(stream) if p.size]
        assert stream.time_base is not None
        return [((p.pts - packets[0].pts) * stream.time_base, p.is_keyframe) for p in packets if p.pts is not None]


def _exact_times(path: Path) -> list[Fraction]:
    """Times of the pictures shown, as exact fractions of a second, from the packets alone."""
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        assert stream.time_base is not None
        pts = sorted({p.pts for p in container.demux(stream) if p.pts is not None and not p.is_discard})
        return [(p - pts[0]) * stream.time_base for p in pts]


TAGS = {"movflags": "use_metadata_tags"}
FILMS: dict[str, dict[str, Any]] = {
    "constant": {"rate": Fraction(60)},
    "29.97": {"rate": Fraction(30000, 1001)},
    "240": {"rate": Fraction(240), "count": 130},
    "variable": {"times_s": VARIABLE_S, "count": 70},
    "late start": {"times_s": [1.5 + i / 30 for i in range(40)], "count": 40},
    "out of order": {"coder": {"bf": "3", "b_strategy": "0"}},
    "rotated": {"rotate": 90},
    "rotated and mirrored": {"rotate": -90, "mirror": True},
    "upside down": {"rotate": 180},
    "slow motion": {"rate": Fraction(30), "tags": {"com.android.capture.fps": "240.0"}, "options": TAGS},
    "matroska": {"name": "film.mkv", "rate": Fraction(240), "count": 100},
    "hidden start": {"hide": 7, "count": 40, "numbers": range(47)},
    "avi": {"name": "film.avi", "rate": Fraction(30000, 1001), "codec": "mpeg4"},
    "mpeg4": {"rate": Fraction(240), "codec": "mpeg4"},
    "hevc": {"codec": "libx265"},
    "hevc, 10 bit": {"codec": "libx265", "pix_fmt": "yuv420p10le"},
    "vp9": {"name": "film.webm", "codec": "libvpx-vp9", "coder": {"cpu-used": "8", "deadline": "realtime"}},
    "av1": {"codec": "libsvtav1", "coder": {"preset": "12"}, "count": 20},
    "full range": {"pix_fmt": "yuvj420p", "matrix": 1, "full_range": True},
    "odd size": {"codec": "libx264", "pix_fmt": "yuv444p", "size": (321, 193)},
    "transport stream": {"name": "film.ts"},
}


@pytest.fixture
def film(film: Film, tmp_path: Path) -> Film:
    """Make a film as the shared maker does; MPEG-4 can't take its unit of time, so it is written with that of its rate.

    With ``hide``, an edit list hides that many pictures at the beginning, which are coded but not shown.
    """

    def make(name: str = "film.mp4", count: int = 30, hide: int = 0, **arguments: Any) -> Path:
        if hide:
            whole = film("whole.mp4", count + hide, **arguments)
            with av.open(str(whole)) as source, av.open(str(tmp_path / name), "w") as target:
                stream = target.add_stream_from_template(source.streams.video[0])
                assert source.streams.video[0].time_base is not None
                shift = round(Fraction(hide, 30) / source.streams.video[0].time_base)
                for packet in [p for p in source.demux(video=0) if p.size]:
                    packet.pts -= shift
                    packet.dts -= shift
                    packet.stream = stream
                    target.mux(packet)
            return tmp_path / name
        if arguments.get("codec") != "mpeg4":
            return film(name, count, **arguments)
        with av.open(str(tmp_path / name), "w") as out:
            stream = out.add_stream("mpeg4", rate=arguments["rate"])
            stream.width, stream.height, stream.pix_fmt, stream.bit_rate = 320, 192, "yuv420p", 4_000_000
            for number in range(count):
                out.mux(stream.encode(av.VideoFrame.from_ndarray(numbered(number), "rgb24")))
            out.mux(stream.encode(None))
        return tmp_path / name

    return make


@pytest.mark.parametrize("kind", FILMS)
def test_every_picture_keeps_its_time_and_its_content(film: Film, tmp_path: Path, kind: str) -> None:
    arguments = {"count": 40, **FILMS[kind]}
    path = film(**arguments)
    about = make_proxy(path, tmp_path / "copy")
    copy = tmp_path / "copy" / "proxy.mp4"
    # Times: of the copy's packets, as fractions, without any rounding.
    packets = _packets(copy)
    assert [t for t, _ in packets] == _exact_times(path)
    assert about["frames"] == len(packets) == arguments["count"]
    np.testing.assert_allclose(about["pts_s"], packet_times_s(path), atol=1e-9)
    # Quick to step: nothing out of order, a key picture every twelve.
    assert [k for _, k in packets] == [i % 12 == 0 for i in range(len(packets))]
    with av.open(str(copy)) as container:
        coder = container.streams.video[0].codec_context
        assert (coder.name, coder.pix_fmt, coder.has_b_frames) == ("h264", "yuv420p", False)
    # Content: picture i of the copy looks like picture i of the film, upright in both.
    info = probe(copy)
    assert (info.rotation_deg, info.mirrored) == (0, False)
    assert (info.width, info.height) == (about["proxy_width"], about["proxy_height"])
    for of_film, of_copy in zip(read_frames(path), read_frames(copy), strict=True):
        a, b = of_film.rgb(), of_copy.rgb()
        assert of_film.index == of_copy.index
        if a.shape == b.shape:
            assert np.mean(np.abs(a.astype(int) - b)) < 2.5
        if not (probe(path).rotation_deg or probe(path).mirrored):
            assert read_number(b) == of_film.index + arguments.get("hide", 0)


def test_the_film_is_not_touched_and_the_file_says_what_was_returned(film: Film, tmp_path: Path) -> None:
    path = film(count=30)
    before = path.read_bytes()
    shares: list[float] = []
    about = make_proxy(path, tmp_path / "copy", shares.append)
    assert path.read_bytes() == before
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert read_about(tmp_path / "copy") == json.loads((tmp_path / "copy/frames.json").read_text())
    assert read_about(tmp_path / "copy") == json.loads(json.dumps(about))
    assert {p.name for p in (tmp_path / "copy").iterdir()} == {"proxy.mp4", "frames.json", "poster.jpg"}
    poster = av.open(str(tmp_path / "copy/poster.jpg"))
    assert read_number(next(poster.decode(video=0)).to_ndarray(format="rgb24")) == 12  # two fifths into it


def test_pictures_without_a_time_of_their_own_are_left_out_of_both(film: Film, tmp_path: Path) -> None:
    path, doubled = film(name="plain.mp4", count=40, rate=Fraction(30), coder={"bf": "0"}), tmp_path / "doubled.mkv"
    with av.open(str(path)) as source, av.open(str(doubled), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        packets = [p for p in source.demux(video=0) if p.size]
        for i, packet in enumerate(packets):
            if i in (15, 27):  # written with the time of the picture before
                packet.pts = packet.dts = packets[i - 1].pts
        for packet in packets:
            packet.stream = stream
            target.mux(packet)
    shown = list(read_frames(doubled))
    about = make_proxy(doubled, tmp_path / "copy")
    assert about["frames"] == len(shown) == 38
    assert [t for t, _ in _packets(tmp_path / "copy/proxy.mp4")] == _exact_times(doubled)
    numbers = [read_number(f.rgb()) for f in read_frames(tmp_path / "copy/proxy.mp4")]
    assert numbers == [read_number(f.rgb()) for f in shown]
    assert 15 not in numbers
    assert any("without a time of their own" in n for n in about["notes"])


def test_a_film_that_breaks_off_is_copied_as_far_as_it_goes(film: Film, tmp_path: Path) -> None:
    path = film(count=90, options={"movflags": "faststart"}, coder={"g": "10", "x264-params": "slices=1"})
    whole = path.read_bytes()
    path.write_bytes(whole[: int(0.7 * len(whole))])
    shown = [f.index for f in read_frames(path)]
    about = make_proxy(path, tmp_path / "copy")
    assert 30 <= about["frames"] == len(shown) < 90
    assert any("breaks off" in n or "decoded" in n for n in about["notes"])


def test_real_times_follow_the_capture_rate(film: Film, tmp_path: Path) -> None:
    path = film(count=60, rate=Fraction(30))
    about = make_proxy(path, tmp_path / "copy")
    assert (about["slowdown"], about["capture_source"]) == (1.0, "file frame rate")
    said = film_frames(about, 240.0)
    assert (said["slowdown"], said["capture_fps"], said["capture_source"]) == (8.0, 240.0, "--capture-fps")
    np.testing.assert_allclose(said["time_s"], np.asarray(about["pts_s"]) / 8, atol=1e-9)
    assert film_frames(about) is about
    with pytest.raises(FilmError, match="below the film's own"):
        film_frames(about, 10.0)


def test_the_phone_s_own_capture_rate_is_used(film: Film, tmp_path: Path) -> None:
    about = make_proxy(film(count=60, **FILMS["slow motion"]), tmp_path / "copy")
    assert (about["slowdown"], about["capture_source"]) == (8.0, "container metadata")
    assert about["time_s"][40] == pytest.approx(40 / 240, abs=1e-5)


def test_an_impossible_capture_rate_in_the_film_doesn_t_hide_the_film(film: Film, tmp_path: Path) -> None:
    path = film(count=40, rate=Fraction(60), tags={"com.android.capture.fps": "20"}, options=TAGS)
    about = make_proxy(path, tmp_path / "copy")
    assert "below the film's own" in about["problem"]["what"]
    assert about["slowdown"] == 1.0
    assert film_frames(about, 240.0)["problem"] is None


@pytest.mark.parametrize(
    ("film_size", "copy_size"),
    [((1920, 1080), (1920, 1080)), ((3840, 2160), (1920, 1080)), ((1080, 1920), (1080, 1920)), ((2160, 3840), (1080, 1920)),
     ((321, 193), (320, 192)), ((1280, 720), (1280, 720)), ((2704, 1520), (1920, 1080))],
)  # fmt: skip
def test_size(film_size: tuple[int, int], copy_size: tuple[int, int]) -> None:
    assert proxy_size(*film_size) == copy_size


def test_a_large_film_is_made_smaller(tmp_path: Path) -> None:
    path = encode(tmp_path / "large.mp4", [numbered(n, 2560, 1440) for n in range(14)], coder={"preset": "ultrafast"})
    about = make_proxy(path, tmp_path / "copy")
    assert (about["width"], about["height"], about["proxy_width"], about["proxy_height"]) == (2560, 1440, 1920, 1080)
    assert [f.rgb().shape for f in read_frames(tmp_path / "copy/proxy.mp4")] == [(1080, 1920, 3)] * 14


@pytest.mark.parametrize(
    "kind",
    ["240", "variable", "out of order", "rotated", "avi", "matroska", "transport stream", "hevc", "late start",
     "hidden start"],
)  # fmt: skip
def test_any_picture_of_film_and_copy_is_found(film: Film, tmp_path: Path, kind: str) -> None:
    arguments = {"count": 60, **FILMS[kind]}
    path = film(**arguments)
    about = make_proxy(path, tmp_path / "copy")
    every = [f.rgb() for f in read_frames(path)]
    for index in [0, 1, 11, 12, 13, 31, len(every) - 1, *RNG.integers(0, len(every), 10).tolist()]:
        np.testing.assert_array_equal(exact_frame(path, index), every[index])
        np.testing.assert_array_equal(exact_frame(path, index, about["pts_s"]), every[index])
        of_copy = exact_frame(tmp_path / "copy/proxy.mp4", index, about["pts_s"])
        assert np.mean(np.abs(of_copy.astype(int) - every[index])) < 2.5
    for beyond in (-1, len(every), len(every) + 50):
        with pytest.raises(OptionError, match="there is no picture"):
            exact_frame(path, beyond)
    with pytest.raises(OptionError, match="there is no picture"):
        exact_frame(path, len(every), about["pts_s"])


def test_a_film_whose_times_jump_is_refused(film: Film, tmp_path: Path) -> None:
    path = film(name="jump.ts", times_s=[i / 30 + (20_000 if i > 20 else 0) for i in range(40)], count=40)
    with pytest.raises(FilmError, match="times jump by more than an hour, to 20001 s"):
        make_proxy(path, tmp_path / "copy")
    assert not (tmp_path / "copy").exists()


def test_nothing_is_left_of_a_film_that_can_t_be_read(tmp_path: Path) -> None:
    bad = tmp_path / "bad.mp4"
    bad.write_bytes(b"\0\0\0\x18ftypisom" + bytes(4000))
    with pytest.raises(FilmError):
        make_proxy(bad, tmp_path / "copies" / "one")
    assert not (tmp_path / "copies").exists() or not list((tmp_path / "copies").iterdir())


def test_nothing_is_seen_before_it_is_complete_and_a_fault_leaves_the_earlier_copy(film: Film, tmp_path: Path) -> None:
    path = film(count=30)
    home = tmp_path / "copies"
    about = make_proxy(path, home / "one")

    def stop(share: float) -> None:
        assert read_about(home / "one") == json.loads(json.dumps(about))
        if share > 0.5:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        make_proxy(path, home / "one", stop)
    assert [p.name for p in home.iterdir()] == ["one"]
    assert read_about(home / "one") is not None

    def not_yet(share: float) -> None:
        assert (home / "two").exists() == (share == 1.0)

    make_proxy(path, home / "two", not_yet)
    (home / ".making-0123456789ab").mkdir()
    assert proxy.clear_unfinished(home) == 1
    assert sorted(p.name for p in home.iterdir()) == ["one", "two"]
