"""Opens films and streams their pictures, upright, with the times the camera wrote, never holding the film.

Decisions that matter for measuring:

* **Time** is each picture's presentation timestamp minus that of the first picture shown; never index ÷ frame
  rate. Pictures that an edit list hides are not shown and not counted.
* **Upright** pictures: the display matrix (quarter turns and mirroring) is applied to every picture and
  region.
* **Damage**: a film that breaks off or cannot be decoded further counts as read up to there if at least one
  second of it was shown (``FilmReader.notes`` says so); with less it is an error.
* **Colour**: untagged films are read as BT.601 limited range, the default of the common encoders' software.
* Only local files in ordinary film containers are opened; a play list that points elsewhere is refused.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Generator, Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import numpy as np
from av.sidedata.sidedata import Type as SideDataType
from numpy.typing import NDArray

from midstance.errors import FilmError
from midstance.film.frames import FilmInfo, Frame

__all__ = ["FilmInfo", "FilmReader", "Frame", "content_sha256", "probe", "read_frames"]

MIN_SIDE_PX, MAX_SIDE_PX = 64, 8192
#: A damaged film is used up to the damage when at least this much of it was shown, seconds of file time.
MIN_SALVAGE_S = 1.0
ALLOWED_FILMS = "a film file with a picture track (MP4, MOV, M4V, MKV, WebM, AVI or MPEG)"
_OPEN_OPTIONS = {
    # No play lists, no network, no pictures or subtitles posing as films: health data stay on the machine.
    "format_whitelist": "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,asf,flv,mp3,wav,aac,flac,ogg",
    "protocol_whitelist": "file",
}
_FIRST_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
_CAPTURE_TAGS = ("com.android.capture.fps",)
#: IndexError: a damaged transport stream names a stream that is not there.
_DECODE_ERRORS = (av.error.FFmpegError, OSError, ValueError, IndexError)


class FilmReader(Iterator[Frame]):
    """Iterates over the shown pictures of a film in order of their times.

    ``notes`` (complete once the iteration ended) tells what was wrong with the film and what was done about
    it; ``frames_read`` counts the pictures handed out and ``last_time_s`` is the file time of the last one
    seen.
    """

    def __init__(
        self, info: FilmInfo, start_s: float | None, end_s: float | None, every: int, threads: int | None
    ) -> None:
        if every < 1:
            raise ValueError(f"every must be at least 1, got {every}")
        start, end = start_s or 0.0, end_s
        if start < 0 or (end is not None and end <= start):
            raise FilmError(
                f"the part from {start:g} s to {'the end' if end is None else f'{end:g} s'} is empty",
                where=str(info.path),
                allowed="0 ≤ start < end, in seconds of the film as a player shows it",
                next_step="correct --start and --end",
            )
        self.info = info
        self.notes: list[str] = []
        self.frames_read = 0
        self.last_time_s = 0.0
        self._start_s, self._end_s, self._every = start, end, every
        self._threads = threads if threads else min(4, os.cpu_count() or 1)
        self._frames = self._run()

    def __iter__(self) -> FilmReader:
        return self

    def __next__(self) -> Frame:
        return next(self._frames)

    def close(self) -> None:
        """Stop reading and close the file."""
        self._frames.close()

    def __enter__(self) -> FilmReader:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _run(self) -> Generator[Frame, None, None]:
        path = self.info.path
        container, stream = open_film(path)
        try:
            _use_threads(stream, self._threads)
            origin, index = _first_pts(path), 0
            base = stream.time_base or Fraction(1, 1000)
            # Below two seconds it is quicker to decode what lies before the start than to look for a place to
            # jump to.
            if self._start_s > 2.0:
                jump = _jump(path, origin, base, self._start_s)
                if jump is not None:
                    container.seek(jump[0], stream=stream, backward=True, any_frame=False)
            else:
                jump = None
            yield from self._frames_from(container, stream, origin, base, index, jump)
        finally:
            container.close()
        if self.frames_read == 0:
            raise FilmError(
                f"no pictures from {self._start_s:g} s on: the film ends at {self.last_time_s:.2f} s",
                where=str(path),
                allowed=f"a start between 0 and {self.last_time_s:.2f} s",
                next_step="correct --start and --end",
            )

    def _frames_from(
        self,
        container: Any,
        stream: Any,
        origin: int,
        base: Fraction,
        index: int,
        jump: tuple[int, Any] | None,
    ) -> Iterator[Frame]:
        last_pts: int | None = None
        out_of_order = 0
        counted = jump is None
        fault: str | None = None
        pictures = _decoded(container, stream)
        stored_size = (self.info.width, self.info.height)
        if self.info.rotation_deg in (90, 270):
            stored_size = stored_size[::-1]
        while True:
            try:
                video = next(pictures, None)
            except _DECODE_ERRORS as error:
                fault = f"cannot be decoded beyond {self.last_time_s:.2f} s ({_reason(error)})"
                break
            if video is None:
                if self.info.broken_off:
                    fault = f"breaks off after {self.last_time_s:.2f} s"
                break
            if (video.width, video.height) != stored_size:
                fault = f"changes its picture size after {self.last_time_s:.2f} s"
                break
            pts = _pts(video, self.info.path)
            if last_pts is None and pts < origin:
                continue
            if last_pts is not None and pts <= last_pts:
                out_of_order += 1  # a picture without a time of its own cannot be measured
                continue
            if not counted and jump is not None:
                index = int(np.searchsorted(jump[1], pts))
                counted = True
            last_pts = pts
            time_s = float((pts - origin) * base)
            if self._end_s is not None and time_s > self._end_s:
                break
            self.last_time_s = time_s
            if time_s >= self._start_s - 1e-9 and index % self._every == 0:
                self.frames_read += 1
                yield Frame(video, self.info, index, time_s)
            index += 1
        if out_of_order:
            self.notes.append(f"{out_of_order} pictures without a time of their own were left out")
        if fault is not None:
            if self.last_time_s < MIN_SALVAGE_S:
                raise FilmError(
                    f"the film {fault}",
                    where=str(self.info.path),
                    allowed="a whole film, or a damaged one with at least 1 s before the damage",
                    next_step="copy the film from the camera again",
                )
            self.notes.append(f"the film {fault}; only the part before was used")


def probe(path: Path) -> FilmInfo:
    """Open a film, decode its first picture, and return what is known of it.

    Raises ``FilmError`` with the reason when it cannot be used.
    """
    path = Path(path)
    container, stream = open_film(path)
    try:
        video = _first_frame(container, stream, path)
        turn, mirrored = _orientation(video)
        width, height = video.width, video.height
        _check_size(path, width, height)
        _check_pixel_shape(path, stream)
        if turn in (90, 270):
            width, height = height, width
        tags = {**_text(container.metadata), **_text(stream.metadata)}
        base = stream.time_base or Fraction(1, 1000)
        if stream.duration:
            duration = float(stream.duration * base)
        else:
            duration = float(container.duration or 0) / 1e6
        return FilmInfo(
            path=path,
            width=width,
            height=height,
            rotation_deg=turn,
            mirrored=mirrored,
            codec=stream.codec_context.name,
            pix_fmt=video.format.name,
            bit_depth=max(c.bits for c in video.format.components),
            average_fps=stream.average_rate or stream.guessed_rate or Fraction(0),
            declared_frames=int(stream.frames or 0),
            duration_s=duration,
            tags=tags,
            capture_fps_tag=_capture_tag(tags),
            has_audio=len(container.streams.audio) > 0,
            size_bytes=path.stat().st_size,
            broken_off=_breaks_off(path),
        )
    finally:
        container.close()


def read_frames(
    path: Path,
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    every: int = 1,
    threads: int | None = None,
    info: FilmInfo | None = None,
) -> FilmReader:
    """Stream the pictures shown from ``start_s`` to ``end_s`` (seconds of file time, both ends included).

    ``every`` keeps only pictures whose index is a multiple of it. ``info`` saves a second probe. Frames may
    be kept by the caller, but each holds a whole decoded picture.
    """
    return FilmReader(info if info is not None else probe(path), start_s, end_s, every, threads)


def content_sha256(path: Path) -> str:
    """Return the SHA-256 of the file's bytes as hexadecimal text."""
    digest = hashlib.sha256()
    with Path(path).open("rb") as file:
        while block := file.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()


# --- opening --------------------------------------------------------------------------------


def open_film(path: Path) -> tuple[Any, Any]:
    """Open the container and choose its picture track."""
    path = Path(path)
    if not path.exists():
        raise FilmError(
            "there is no such file", where=str(path), allowed=ALLOWED_FILMS, next_step="check the path"
        )
    if path.is_dir():
        raise FilmError(
            "this is a folder, not a film",
            where=str(path),
            allowed=ALLOWED_FILMS,
            next_step="name one film in it",
        )
    if not path.is_file():
        raise FilmError(
            "this is not a file", where=str(path), allowed=ALLOWED_FILMS, next_step="name a film file"
        )
    if path.stat().st_size == 0:
        raise FilmError(
            "the file is empty (0 bytes)",
            where=str(path),
            allowed=ALLOWED_FILMS,
            next_step="copy the film from the camera again",
        )
    try:
        container = av.open(f"file:{path.resolve()}", options=dict(_OPEN_OPTIONS), metadata_errors="replace")
    except PermissionError as error:
        raise FilmError(
            "the file may not be read",
            where=str(path),
            allowed=ALLOWED_FILMS,
            next_step="change its permissions",
        ) from error
    except _DECODE_ERRORS as error:
        boxes = _boxes(path)
        if boxes and "moov" not in boxes:
            raise FilmError(
                "the film is cut short: its index (the moov part, written last) is missing",
                where=str(path),
                allowed="a film whose recording and copying were finished",
                next_step="copy the film from the camera again",
            ) from error
        raise FilmError(
            f"this is not a film that can be read ({_reason(error)})",
            where=str(path),
            allowed=ALLOWED_FILMS,
            next_step="check that the right file was named, or save it as MP4 from the phone's own gallery",
        ) from error
    cover = getattr(av.stream.Disposition, "attached_pic", None)
    films = [s for s in container.streams.video if not (cover is not None and s.disposition & cover)]
    if not films:
        sound = len(container.streams.audio) > 0
        container.close()
        raise FilmError(
            "the file holds sound but no pictures" if sound else "the file holds no picture track",
            where=str(path),
            allowed=ALLOWED_FILMS,
            next_step="name the film, not its sound track"
            if sound
            else "check that the right file was named",
        )
    stream = films[0]
    if stream.codec_context is None:
        container.close()
        raise FilmError(
            "the picture coding of this film is not known here",
            where=str(path),
            allowed="H.264, HEVC, AV1, VP9, MPEG-4 and other common codings",
            next_step="save the film as H.264 MP4",
        )
    return container, stream


def _use_threads(stream: Any, threads: int) -> None:
    stream.codec_context.thread_count = threads
    stream.thread_type = "AUTO" if threads > 1 else "SLICE"


def _decoded(container: Any, stream: Any) -> Iterator[av.VideoFrame]:
    """Yield decoded pictures; pictures hidden by an edit list are dropped by the decoder itself."""
    for packet in container.demux(stream):
        yield from packet.decode()


def _first_frame(container: Any, stream: Any, path: Path) -> av.VideoFrame:
    fault = "not one picture in it can be decoded"
    try:
        video = next(_decoded(container, stream), None)
    except _DECODE_ERRORS as error:
        video, fault = None, f"its first picture cannot be decoded ({_reason(error)})"
    if video is None:
        raise FilmError(
            "the film has no pictures" if "not one" in fault else fault,
            where=str(path),
            allowed="a film with at least one picture",
            next_step="copy the film from the camera again",
        )
    return video


def _first_pts(path: Path) -> int:
    """Timestamp of the first picture shown, in stream units."""
    container, stream = open_film(path)
    try:
        return _pts(_first_frame(container, stream, path), path)
    finally:
        container.close()


def _pts(video: av.VideoFrame, path: Path) -> int:
    # AVI and raw streams carry decoding times only; in them these are in the order of display after the
    # decoder.
    pts = video.pts if video.pts is not None else video.dts
    if pts is None:
        raise FilmError(
            "the pictures of this film have no times, so nothing can be timed",
            where=str(path),
            allowed="a film with timestamps (MP4, MOV, MKV)",
            next_step="use the original film as the camera wrote it",
        )
    return int(pts)


def _jump(path: Path, origin: int, base: Fraction, start_s: float) -> tuple[int, NDArray[np.int64]] | None:
    """Find where to jump to so that decoding begins before ``start_s``, and all shown times up to there.

    Returns the seek target and the sorted shown timestamps up to a little beyond the start, from which a
    picture's index follows; None when jumping is not safe. Packets are read without decoding, so this costs
    little.
    """
    target = origin + int((start_s - 1.0) / base)
    beyond = origin + int((start_s + 2.0) / base)
    container, stream = open_film(path)
    times: list[int] = []
    try:
        for packet in container.demux(stream):
            if packet.pts is None or packet.is_discard or packet.pts < origin:
                if packet.size and packet.pts is None:
                    return None
                continue
            times.append(packet.pts)
            if packet.dts is not None and packet.dts > beyond:
                break
        pts = np.unique(np.asarray(times, dtype=np.int64))
        container.seek(target, stream=stream, backward=True, any_frame=False)
        first = next(_decoded(container, stream), None)
        if first is None or first.pts is None or first.pts > origin + int(start_s / base):
            return None
        if len(pts) != len(times) or first.pts not in pts:
            return None
    except _DECODE_ERRORS:
        return None
    finally:
        container.close()
    return target, pts


def _orientation(video: av.VideoFrame) -> tuple[int, bool]:
    """Return the clockwise turn (0–270) that makes the picture upright, and whether to mirror it first."""
    container: Any = video.side_data
    try:
        side = container[SideDataType.DISPLAYMATRIX]
    except KeyError:
        return 0, False
    a, b, _, c, d = np.frombuffer(bytes(side), np.int32)[:5].astype(float)
    mirrored = a * d - b * c < 0
    if mirrored:
        a, b = -a, -b
    turn = np.degrees(np.arctan2(b, a))
    return round(float(turn) / 90.0) % 4 * 90, bool(mirrored)


def _check_size(path: Path, width: int, height: int) -> None:
    if not (MIN_SIDE_PX <= width <= MAX_SIDE_PX and MIN_SIDE_PX <= height <= MAX_SIDE_PX):
        raise FilmError(
            f"the picture is {width} × {height} px",
            where=str(path),
            allowed=f"{MIN_SIDE_PX} to {MAX_SIDE_PX} px a side",
            next_step="use the original film as the camera wrote it",
        )


def _check_pixel_shape(path: Path, stream: Any) -> None:
    shape = stream.sample_aspect_ratio
    if shape and abs(float(shape) - 1.0) > 0.005:
        raise FilmError(
            f"its pixels are not square ({shape.numerator}:{shape.denominator}), which bends every angle",
            where=str(path),
            allowed="square pixels",
            next_step="save the film again with square pixels (1:1)",
        )


def _text(metadata: Any) -> dict[str, str]:
    return {str(k): str(v) for k, v in dict(metadata).items()}


def _capture_tag(tags: dict[str, str]) -> float | None:
    for key in _CAPTURE_TAGS:
        try:
            fps = float(tags[key])
        except (KeyError, ValueError):
            continue
        if 1.0 <= fps <= 10000.0:
            return fps
    return None


def _reason(error: BaseException) -> str:
    text = getattr(error, "strerror", None) or str(error)
    return str(text).split("\n")[0].strip().rstrip(".") or type(error).__name__


def _boxes(path: Path) -> dict[str, tuple[int, int]]:
    """Top-level parts of an MP4/MOV file: name → (offset, declared size); empty for other files."""
    found: dict[str, tuple[int, int]] = {}
    total = path.stat().st_size
    with path.open("rb") as file:
        at = 0
        while at + 8 <= total and len(found) < 64:
            file.seek(at)
            head = file.read(16)
            size, name = int.from_bytes(head[:4], "big"), head[4:8]
            if not name.isalnum() or (
                at == 0 and name not in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
            ):
                return found
            if size == 1 and len(head) == 16:
                size = int.from_bytes(head[8:16], "big")
            elif size == 0:
                size = total - at
            if size < 8:
                return found
            found[name.decode("ascii")] = (at, size)
            at += size
    return found


def _breaks_off(path: Path) -> bool:
    """Whether an MP4/MOV file is shorter than its own parts say."""
    total = path.stat().st_size
    return any(at + size > total for at, size in _boxes(path).values())
