"""Writes the overlay film: H.264 in MP4, the same bytes for the same pictures on one machine."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error
import cv2
import numpy as np

from midstance.errors import OutputError
from midstance.film.drawing import draw_caption, draw_event_mark, draw_skeleton, draw_timeline
from midstance.film.frames import Picture

__all__ = [
    "OverlayWriter",
    "draw_caption",
    "draw_event_mark",
    "draw_skeleton",
    "draw_timeline",
    "write_overlay",
]

Drawing = Callable[[Picture], None]
_BT601, _BT709 = 6, 1  # numbers of ITU-T H.273
_LIMITED = 1
#: Fixed, because the encoder's output depends on the number of its threads.
_ENCODER_THREADS = 2


class OverlayWriter:
    """Writes pictures to an MP4 that appears under its name only when it is complete.

    Parameters
    ----------
    path
        Where the film goes; an existing file there is replaced at ``close``.
    width, height
        Size of the pictures in px. Odd sizes are padded by one pixel, which the coding needs.
    fps
        Pictures per second of the written film; the caller chooses how slow it plays.
    crf, preset
        Quality (lower is better) and speed of the encoder.
    """

    def __init__(
        self,
        path: Path,
        width: int,
        height: int,
        fps: float | Fraction,
        *,
        crf: int = 23,
        preset: str = "veryfast",
    ) -> None:
        self.path = Path(path)
        self.frames_written = 0
        self._part = self.path.with_name(f".{self.path.stem}-{os.getpid()}.part")
        self._size = (width, height)
        self._container: Any = None
        if not (np.isfinite(float(fps)) and 0.1 <= float(fps) <= 1000):
            raise ValueError(f"fps must lie between 0.1 and 1000, got {fps}")
        try:
            # The coder opens the file only with the first picture, too late for a clear message.
            self._part.touch()
            self._container = av.open(
                str(self._part), "w", format="mp4", options={"movflags": "+faststart", "fflags": "+bitexact"}
            )
            stream = self._container.add_stream("libx264", rate=Fraction(fps).limit_denominator(1001))
        except (av.error.FFmpegError, OSError, ValueError) as error:
            self.abort()
            raise self._fault(error) from error
        stream.width, stream.height = width + width % 2, height + height % 2
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": str(crf), "preset": preset}
        coder = stream.codec_context
        coder.thread_count = _ENCODER_THREADS
        coder.colorspace, coder.color_range = _BT601, _LIMITED
        coder.color_primaries = coder.color_trc = _BT709
        self._stream = stream

    def write(self, rgb: Picture) -> None:
        """Append one picture, (height, width, 3) uint8 RGB."""
        width, height = self._size
        if rgb.shape != (height, width, 3) or rgb.dtype != np.uint8:
            raise ValueError(f"expected a ({height}, {width}, 3) uint8 picture, got {rgb.shape} {rgb.dtype}")
        if self._container is None:
            raise ValueError("the overlay film is closed")
        if width % 2 or height % 2:
            rgb = np.asarray(
                cv2.copyMakeBorder(rgb, 0, height % 2, 0, width % 2, cv2.BORDER_REPLICATE), np.uint8
            )
        # Six times quicker than the converter that comes with the coder; by definition BT.601, limited range.
        planes = np.asarray(cv2.cvtColor(rgb, cv2.COLOR_RGB2YUV_I420), np.uint8)
        frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
        frame.colorspace, frame.color_range = _BT601, _LIMITED
        frame.pts = self.frames_written
        frame.time_base = 1 / Fraction(self._stream.codec_context.framerate)
        self._encode(frame)
        self.frames_written += 1

    def close(self) -> None:
        """Finish the film and put it in place."""
        if self._container is None:
            return
        if self.frames_written == 0:
            self.abort()
            raise OutputError(
                "there are no pictures for the overlay film",
                where=str(self.path),
                next_step="choose a longer part",
            )
        self._encode(None)
        try:
            self._container.close()
            self._container = None
            os.replace(self._part, self.path)
        except (av.error.FFmpegError, OSError) as error:
            self.abort()
            raise self._fault(error) from error

    def abort(self) -> None:
        """Drop the film; nothing is left behind. Safe to call at any time."""
        container, self._container = self._container, None
        if container is not None:
            # The file is thrown away in any case.
            with contextlib.suppress(av.error.FFmpegError, OSError, ValueError):
                container.close()
        self._part.unlink(missing_ok=True)

    def __enter__(self) -> OverlayWriter:
        return self

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            self.close()
        else:
            self.abort()

    def _encode(self, frame: av.VideoFrame | None) -> None:
        try:
            for packet in self._stream.encode(frame):
                self._container.mux(packet)
        except (av.error.FFmpegError, OSError) as error:
            self.abort()
            raise self._fault(error) from error

    def _fault(self, error: BaseException) -> OutputError:
        reason = getattr(error, "strerror", None) or str(error)
        return OutputError(
            f"the overlay film cannot be written ({reason})",
            where=str(self.path),
            allowed="a folder that exists and may be written, on a disk with room",
            next_step="free some room or choose another --out",
        )


def write_overlay(
    path: Path,
    frames: Iterable[tuple[Picture, Sequence[Drawing]]],
    size: tuple[int, int],
    fps: float | Fraction,
) -> int:
    """Write a film of (picture, drawings) pairs; each drawing changes a copy of the picture in place.

    ``size`` is (width, height) in px. Returns the number of pictures written. On any fault nothing is left at
    ``path``.
    """
    with OverlayWriter(path, size[0], size[1], fps) as writer:
        for rgb, drawings in frames:
            canvas = rgb.copy()
            for draw in drawings:
                draw(canvas)
            writer.write(canvas)
        return writer.frames_written
