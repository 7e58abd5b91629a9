"""A playable copy of a film for the browser: the same pictures at the same times, quick to step through.

Decisions that matter:

* **Times**: each picture has exactly the presentation time it has in the film, counted from the first picture shown, in the
  film's own unit of time. The copy holds the pictures that ``read_frames`` shows, so index i means the same picture
  in the film, in the copy and in landmarks.
* **Quick to step**: a key picture every 12 and no pictures that refer to later ones, so that showing any picture takes
  the decoding of at most twelve.
* **By content only**: the copy doesn't depend on what a person says of the film. ``film_frames`` gives the real times
  for the capture rate a person set.
* **All or nothing**: the folder appears under its name when everything in it is complete.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import secrets
import shutil
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import cv2
import numpy as np

from midstance.errors import FilmError, OptionError, OutputError
from midstance.film.clock import CaptureClock, capture_clock
from midstance.film.frames import FilmInfo, Frame, Picture
from midstance.film.packets import packet_times_s
from midstance.film.reader import open_film, probe, read_frames

PROXY_FILE, FRAMES_FILE, POSTER_FILE = "proxy.mp4", "frames.json", "poster.jpg"
FRAMES_SCHEMA = 1
MAX_SIDE_PX = 1920
KEY_EVERY = 12
POSTER_SIDE_PX = 640
#: Where in the film the poster is taken, share of its length: the runner has come into the picture, and not yet left.
_POSTER_AT = 0.4
#: Slower presets take a third to two thirds more time for the same error of the pictures, and the copy is quicker to decode
#: without what they add. At this quality a noisy film's copy is as large as the film.
_PRESET, _CRF = "ultrafast", "25"
_BT601, _LIMITED, _FULL, _UNSPECIFIED = 6, 1, 2, 2  # numbers of ITU-T H.273, and of FFmpeg's ranges
_HIDDEN = ".making-"
#: No camera waits this long for its next picture, s; the file format couldn't hold much longer.
_LONGEST_STEP_S = 3600

Progress = Callable[[float], None]


def make_proxy(film: Path, folder: Path, progress: Progress = lambda share: None) -> dict[str, Any]:
    """Make the playable copy of a film, its times and its poster, in ``folder``.

    Parameters
    ----------
    film : any film that ``read_frames`` opens.
    folder : is made, or replaced when complete; until then nothing of the new copy can be seen in it.
    progress : called with the share done, 0–1, for every picture.

    Returns
    -------
    what ``frames.json`` holds: width, height (upright film, px), proxy_width, proxy_height, frames, pts_s (file time of each
    picture from the first, s), time_s (real time, s), capture_fps, capture_source, slowdown, codec, duration_s, notes.

    Raises
    ------
    FilmError
        The film can't be read.
    OutputError
        The copy can't be written.
    """
    info = probe(film)
    folder.parent.mkdir(parents=True, exist_ok=True)
    with _staged(folder) as stage:
        written = _Writer(stage / PROXY_FILE, info)
        poster: Picture | None = None
        pts_s: list[float] = []
        with contextlib.closing(written), read_frames(film, info=info) as reader:
            for frame in reader:
                written.add(frame)
                pts_s.append(round(frame.file_time_s, 9))
                if poster is None or len(pts_s) == 1 or pts_s[-2] < _POSTER_AT * info.duration_s <= pts_s[-1]:
                    poster = frame.rgb()
                progress(min(1.0, frame.file_time_s / info.duration_s) if info.duration_s > 0 else 0.0)
            notes = list(reader.notes)
            written.finish()
        if poster is not None:
            _write_poster(stage / POSTER_FILE, poster)
        about = _about(film, info, pts_s, written.size, notes)
        (stage / FRAMES_FILE).write_text(json.dumps(about, separators=(",", ":")), encoding="utf-8")
    progress(1.0)
    return about


def read_about(folder: Path) -> dict[str, Any] | None:
    """Return what ``frames.json`` of a copy holds; None where there is no whole copy."""
    try:
        about = json.loads((folder / FRAMES_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    whole = isinstance(about, dict) and about.get("schema") == FRAMES_SCHEMA and (folder / PROXY_FILE).is_file()
    return about if whole else None


def film_frames(about: dict[str, Any], capture_fps: float | None = None) -> dict[str, Any]:
    """Return ``about`` with the real times that follow from the capture rate a person gave, or from the film itself.

    Raises
    ------
    FilmError
        That rate is below the film's own, or impossible.
    """
    if capture_fps is None:
        return about
    clock = capture_clock(_info_of(about), np.asarray(about.get("clock_pts_s", about["pts_s"])), capture_fps)
    return {**about, **_clocked(clock, about["pts_s"]), "problem": None}


def exact_frame(film: Path, index: int, pts_s: list[float] | None = None) -> Picture:
    """Return picture ``index`` of a film or of its copy, upright, (height, width, 3) uint8 RGB.

    Jumps to the key picture before it where that is safe, else decodes from the beginning. ``pts_s``, the times of all
    pictures (``frames.json``), saves looking through the file for them.

    Raises
    ------
    OptionError
        There is no such picture.
    FilmError
        The film can't be read.
    """
    if index < 0:
        raise _no_such_picture(film, index, None)
    info = probe(film)
    found = _jumped(film, info, index, pts_s) if index > KEY_EVERY else None
    if found is not None:
        return found
    shown = 0
    with read_frames(film, info=info) as reader:
        for frame in reader:
            if frame.index == index:
                return frame.rgb()
            shown = frame.index + 1
    raise _no_such_picture(film, index, shown)


def _no_such_picture(film: Path, index: int, shown: int | None) -> OptionError:
    return OptionError(
        f"there is no picture {index}",
        where=film.name,
        allowed="0 or more" if shown is None else f"0 to {shown - 1}",
        next_step="ask for a picture the film has",
    )


# --- writing --------------------------------------------------------------------------------


class _Writer:
    """Encodes upright pictures with their own times."""

    def __init__(self, path: Path, info: FilmInfo) -> None:
        self.path, self.info = path, info
        self.size = proxy_size(info.width, info.height)
        self._container: Any = None
        self._stream: Any = None
        self._base = Fraction(1, 1)
        self._origin = 0
        self._last: tuple[int, int] | None = None

    def add(self, frame: Frame) -> None:
        """Append a picture; the film's own unit of time is kept, so that no time is rounded."""
        video = frame._video  # converting it to RGB and back would cost three times the encoding
        pts = video.pts if video.pts is not None else video.dts
        assert pts is not None, "the reader shows no picture without a time"
        try:
            if self._stream is None:
                self._open(video, int(pts))
            at = int(pts) - self._origin
            picture = _for_encoder(video, self.info, self.size)
            picture.pts, picture.time_base = at, self._base
            picture.pict_type = av.video.frame.PictureType.NONE  # the encoder chooses, not the film
            step = at - self._last[0] if self._last is not None else 0
            self._last = (at, step)
            if step * self._base > _LONGEST_STEP_S:
                raise _jump(self.info.path, frame.file_time_s)
            self._mux(self._stream.encode(picture))
        except (av.error.FFmpegError, OSError) as error:
            raise _output_fault(error, self.path.parent.name) from error

    def finish(self) -> None:
        """Write what the encoder still holds, and the index."""
        try:
            if self._stream is not None:
                self._mux(self._stream.encode(None))
                self._container.close()
                self._container = None
        except (av.error.FFmpegError, OSError) as error:
            raise _output_fault(error, self.path.parent.name) from error

    def close(self) -> None:
        """Let go of the file; what was written is of no use unless ``finish`` was called."""
        container, self._container = self._container, None
        if container is not None:
            with contextlib.suppress(av.error.FFmpegError, OSError, ValueError):
                container.close()

    def _open(self, video: av.VideoFrame, origin: int) -> None:
        base = video.time_base
        assert base is not None, "decoded pictures carry their unit of time"
        self._base, self._origin = Fraction(base), origin
        options = {"movflags": "+faststart", "fflags": "+bitexact"}
        self._container = av.open(str(self.path), "w", format="mp4", options=options)
        rate = self.info.average_fps if self.info.average_fps > 0 else Fraction(30)
        stream = self._container.add_stream("libx264", rate=rate.limit_denominator(60000))
        stream.width, stream.height = self.size
        stream.pix_fmt = "yuv420p"
        stream.options = {
            "preset": _PRESET,
            "crf": _CRF,
            "g": str(KEY_EVERY),
            "keyint_min": str(KEY_EVERY),
            "sc_threshold": "0",
            "bf": "0",
            "forced-idr": "1",
        }
        stream.time_base = self._base
        coder = stream.codec_context
        coder.time_base = self._base
        coder.thread_count = max(1, min(4, os.cpu_count() or 1))
        matrix = int(video.colorspace)
        # RGB (0) has no matrix of its own; the converter makes BT.601 of it. Untagged films are read as BT.601.
        coder.colorspace = _BT601 if matrix in (0, _UNSPECIFIED) else matrix
        coder.color_range = _LIMITED
        coder.color_primaries, coder.color_trc = video.color_primaries, video.color_trc
        self._stream = stream

    def _mux(self, packets: list[Any]) -> None:
        for packet in packets:
            # Without it the last picture would last no time, and some players wouldn't show it.
            if self._last is not None and packet.pts == self._last[0] and not packet.duration:
                packet.duration = self._last[1]
            self._container.mux(packet)


def proxy_size(width: int, height: int) -> tuple[int, int]:
    """Return the size of the copy of a film of this size, px: at most 1920 a side, both even."""
    scale = min(1.0, MAX_SIDE_PX / max(width, height))
    even = [max(2, 2 * round(side * scale / 2)) for side in (width, height)]
    return even[0], even[1]


def _for_encoder(video: av.VideoFrame, info: FilmInfo, size: tuple[int, int]) -> av.VideoFrame:
    """Return a picture as the encoder takes it: 8 bit, limited range, the size of the copy, upright."""
    turned = info.rotation_deg in (90, 270)
    width, height = size[::-1] if turned else size
    full = int(video.color_range) == _FULL or video.format.name.startswith("yuvj")
    if full or video.format.name != "yuv420p" or (video.width, video.height) != (width, height):
        matrix = {1: 1, 4: 4, 7: 7, 9: 9, 10: 9}.get(int(video.colorspace), 5)
        video = video.reformat(
            width,
            height,
            "yuv420p",
            src_colorspace=matrix,
            dst_colorspace=matrix,
            src_color_range=2 if full else 1,
            dst_color_range=1,
            interpolation="AREA" if video.width > width else "BICUBIC",
        )
    if not info.rotation_deg and not info.mirrored:
        return video
    upright = av.VideoFrame(size[0], size[1], "yuv420p")
    for number in range(3):
        source, target = _plane(video, number), _plane(upright, number)
        if info.mirrored:
            source = cv2.flip(source, 1)
        turn = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}.get(info.rotation_deg)
        target[:] = source if turn is None else cv2.rotate(source, turn)
    return upright


def _plane(video: av.VideoFrame, number: int) -> Any:
    plane = video.planes[number]
    return np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)[:, : plane.width]


def _write_poster(path: Path, rgb: Picture) -> None:
    scale = min(1.0, POSTER_SIDE_PX / max(rgb.shape[:2]))
    size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
    small = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    done, jpeg = cv2.imencode(".jpg", cv2.cvtColor(small, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 82])
    if not done:
        raise _output_fault(OSError(errno.EIO, "no picture could be made"), path.parent.name)
    path.write_bytes(jpeg.tobytes())


# --- times ----------------------------------------------------------------------------------


def _about(film: Path, info: FilmInfo, pts_s: list[float], size: tuple[int, int], notes: list[str]) -> dict[str, Any]:
    times = packet_times_s(film.resolve())
    about: dict[str, Any] = {
        "schema": FRAMES_SCHEMA,
        "width": info.width,
        "height": info.height,
        "proxy_width": size[0],
        "proxy_height": size[1],
        "frames": len(pts_s),
        "pts_s": pts_s,
        "codec": info.codec,
        "duration_s": pts_s[-1],
        "average_fps": str(info.average_fps),
        "capture_fps_tag": info.capture_fps_tag,
        "notes": notes,
        "problem": None,
    }
    if not np.array_equal(np.round(times, 9), pts_s):
        about["clock_pts_s"] = [round(float(t), 9) for t in times]  # what landmarks are timed by where pictures are hidden
    try:
        clock = capture_clock(_info_of(about), times)
    except FilmError as error:  # a person can say the rate; until then the film can at least be looked at
        clock = CaptureClock(1.0, float(info.average_fps), "file frame rate")
        about["problem"] = {"what": error.what, "allowed": error.allowed, "next_step": error.next_step}
    return {**about, **_clocked(clock, pts_s)}


def _clocked(clock: CaptureClock, pts_s: list[float]) -> dict[str, Any]:
    return {
        "time_s": [round(t / clock.slowdown, 9) for t in pts_s],
        "capture_fps": round(clock.capture_fps, 6),
        "capture_source": clock.source,
        "slowdown": clock.slowdown,
        "uniform_s": clock.uniform_s,
        "clock_notes": list(clock.notes),
    }


def _info_of(about: dict[str, Any]) -> FilmInfo:
    """Return the facts the clock needs, from ``frames.json``."""
    return FilmInfo(
        path=Path("film"),
        width=about["width"],
        height=about["height"],
        rotation_deg=0,
        mirrored=False,
        codec=about["codec"],
        pix_fmt="",
        bit_depth=8,
        average_fps=Fraction(about["average_fps"]),
        declared_frames=0,
        duration_s=about["duration_s"],
        tags={},
        capture_fps_tag=about["capture_fps_tag"],
        has_audio=False,
        size_bytes=0,
    )


# --- one picture ----------------------------------------------------------------------------


def _jumped(film: Path, info: FilmInfo, index: int, pts_s: list[float] | None) -> Picture | None:
    """Return a picture by jumping near it; None where that isn't certain to give the same picture as reading all."""
    with contextlib.suppress(av.error.FFmpegError, OSError, ValueError):
        container, stream = open_film(film)
        with container:
            base = stream.time_base
            if base is None:
                return None
            stream.codec_context.thread_count = max(1, min(4, os.cpu_count() or 1))
            # Threads by frame would first decode as many pictures as there are threads.
            stream.thread_type = "SLICE"
            target = _target_pts(film, container, stream, index, pts_s)
            if target is None:
                return None
            container.seek(target, stream=stream, backward=True, any_frame=False)
            first = True
            for packet in container.demux(stream):
                for video in packet.decode():
                    if video.pts is None or (first and video.pts > target) or video.pts > target:
                        return None
                    if first and not video.key_frame:
                        return None
                    first = False
                    if video.pts == target:
                        stored = (info.height, info.width) if info.rotation_deg in (90, 270) else (info.width, info.height)
                        return Frame(video, info, index, 0.0).rgb() if (video.width, video.height) == stored else None
    return None


def _target_pts(film: Path, container: Any, stream: Any, index: int, pts_s: list[float] | None) -> int | None:
    """Return the timestamp of the picture, in the stream's unit; None where pictures can't be told by it."""
    first = next((v for p in container.demux(stream) for v in p.decode()), None)
    if first is None or first.pts is None:
        return None
    origin = int(first.pts)
    if pts_s is not None:
        if index >= len(pts_s):
            raise _no_such_picture(film, index, len(pts_s))
        step: Fraction = stream.time_base
        return origin + round(pts_s[index] / step)
    container.seek(0 if stream.start_time is None else stream.start_time, stream=stream, backward=True)
    times: list[int] = []
    for packet in container.demux(stream):
        if packet.pts is None:
            if packet.size:
                return None
        elif packet.pts >= origin and not packet.is_discard:
            times.append(packet.pts)
    unique = sorted(set(times))
    if len(unique) != len(times) or unique[:1] != [origin]:
        return None
    if index >= len(unique):
        return None  # let reading all of it say how many there are
    return int(unique[index])


# --- all or nothing -------------------------------------------------------------------------


@contextlib.contextmanager
def _staged(folder: Path) -> Iterator[Path]:
    """Give a hidden folder beside ``folder``; it takes the name when the block ends well, and goes when it doesn't."""
    stage = folder.with_name(f"{_HIDDEN}{secrets.token_hex(6)}")
    old = folder.with_name(f"{_HIDDEN}{secrets.token_hex(6)}")
    try:
        stage.mkdir()
        yield stage
        for path in stage.iterdir():
            _flush(path)
        if folder.exists():
            folder.rename(old)
        stage.rename(folder)
    except OSError as error:
        raise _output_fault(error, folder.name) from error
    finally:
        for left in (stage, old):
            shutil.rmtree(left, ignore_errors=True)


def clear_unfinished(parent: Path) -> int:
    """Remove what copies that were broken off left among the copies; returns how many. For when nothing runs."""
    left = [p for p in parent.glob(f"{_HIDDEN}*") if p.is_dir()]
    for path in left:
        shutil.rmtree(path, ignore_errors=True)
    return len(left)


def _flush(path: Path) -> None:
    """Make sure that a file's content is on the disk before its name is."""
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _jump(film: Path, time_s: float) -> FilmError:
    return FilmError(
        f"the film's times jump by more than an hour, to {time_s:.0f} s",
        where=str(film),
        allowed="a film as the camera wrote it",
        next_step="copy the film from the camera again",
    )


def _output_fault(error: BaseException, where: str) -> OutputError:
    full = getattr(error, "errno", None) in (errno.ENOSPC, errno.EDQUOT)
    reason = getattr(error, "strerror", None) or str(error)
    return OutputError(
        "the disk is full" if full else f"the playable copy can't be written ({reason})",
        where=where,
        allowed="a data folder on a disk with room for it (about as much as the film itself takes)",
        next_step="free some room, then try again",
    )


