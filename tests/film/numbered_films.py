"""Small films made for the tests, each picture carrying its number, so a wrong picture cannot hide."""

from __future__ import annotations

import os
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from midstance.film.frames import FilmInfo, Frame

BITS = 10
BLOCK = 24
TICK = Fraction(1, 90000)


def numbered(number: int, width: int = 320, height: int = 192) -> np.ndarray:
    """A grey picture whose top row of blocks spells ``number`` in black and white, lowest bit first."""
    rgb = np.full((height, width, 3), 110, np.uint8)
    for bit in range(BITS):
        rgb[:BLOCK, bit * BLOCK : (bit + 1) * BLOCK] = 255 if number >> bit & 1 else 0
    return rgb


def read_number(rgb: np.ndarray) -> int:
    """Read the number that ``numbered`` drew."""
    middle = BLOCK // 2
    return sum(int(rgb[middle, bit * BLOCK + middle].mean() > 128) << bit for bit in range(BITS))


def encode(
    path: Path,
    pictures: Sequence[np.ndarray],
    times_s: Sequence[float] | None = None,
    *,
    rate: Fraction = Fraction(30),
    codec: str = "libx264",
    pix_fmt: str = "yuv420p",
    rotate: float | None = None,
    mirror: bool = False,
    matrix: int | None = None,
    full_range: bool = False,
    audio: bool = False,
    tags: dict[str, str] | None = None,
    options: dict[str, str] | None = None,
    coder: dict[str, str] | None = None,
    container_format: str | None = None,
) -> Path:
    """Write pictures to a film; ``times_s`` gives presentation times, else they follow from ``rate``."""
    if codec not in av.codecs_available:
        pytest.skip(f"this build of PyAV has no {codec} encoder")
    height, width = pictures[0].shape[:2]
    with av.open(str(path), "w", options=options or {}, format=container_format) as out:
        out.metadata.update(tags or {})
        stream = out.add_stream(codec, rate=rate)
        stream.width, stream.height, stream.pix_fmt = width, height, pix_fmt
        stream.options = (
            {"x265-params": "log-level=none", **(coder or {})} if codec == "libx265" else (coder or {})
        )
        context = stream.codec_context
        context.time_base = TICK
        if matrix is not None:
            context.colorspace = matrix
            context.color_range = 2 if full_range else 1
        if rotate is not None:
            if not hasattr(stream, "set_display_rotation"):
                pytest.skip("this PyAV cannot write a display matrix")
            stream.set_display_rotation(rotate, mirror)
        sound = out.add_stream("aac", rate=48000) if audio else None
        for i, rgb in enumerate(pictures):
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), "rgb24")
            kwargs: dict[str, Any] = {}
            if matrix is not None:
                kwargs = {
                    "dst_colorspace": {6: 5}.get(matrix, matrix),
                    "dst_color_range": 2 if full_range else 1,
                }
            frame = frame.reformat(format=pix_fmt, **kwargs)
            if matrix is not None:
                frame.colorspace, frame.color_range = matrix, 2 if full_range else 1
            time = Fraction(i) / rate if times_s is None else Fraction(times_s[i])
            frame.pts, frame.time_base = round(time / TICK), TICK
            out.mux(stream.encode(frame))
        out.mux(stream.encode(None))
        if sound is not None:
            tone = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), format="fltp", layout="mono")
            tone.sample_rate = 48000
            out.mux(sound.encode(tone))
            out.mux(sound.encode(None))
    as_before()
    return path


def as_before() -> None:
    """Take back the real-time priority that the AV1 encoder gives this thread when it runs as root.

    Without that, this process and the browsers and servers it starts later would leave nothing to any other.
    """
    if hasattr(os, "sched_getscheduler") and os.sched_getscheduler(0) != os.SCHED_OTHER:
        os.sched_setscheduler(0, os.SCHED_OTHER, os.sched_param(0))


def drawn_frame(
    rgb: np.ndarray, pix_fmt: str = "yuv420p", *, index: int = 0, time_s: float = 0.0, **changes: Any
) -> Frame:
    """One picture as the reader would hand it out, without a file; ``changes`` go into its ``FilmInfo``."""
    video = av.VideoFrame.from_ndarray(np.ascontiguousarray(rgb), "rgb24").reformat(format=pix_fmt)
    return Frame(video, drawn_info(rgb.shape[1], rgb.shape[0], pix_fmt=pix_fmt, **changes), index, time_s)


def drawn_info(width: int, height: int, **changes: Any) -> FilmInfo:
    """Facts of a film that is only drawn."""
    facts: dict[str, Any] = {
        "path": Path("drawn.mp4"),
        "width": width,
        "height": height,
        "rotation_deg": 0,
        "mirrored": False,
        "codec": "h264",
        "pix_fmt": "yuv420p",
        "bit_depth": 8,
        "average_fps": Fraction(60),
        "declared_frames": 600,
        "duration_s": 10.0,
        "tags": {},
        "capture_fps_tag": None,
        "has_audio": False,
        "size_bytes": 1,
    }
    return FilmInfo(**{**facts, **changes})
