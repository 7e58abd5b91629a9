"""What is known of a film, and one picture of it: upright, converted only as far as it is asked for."""

from __future__ import annotations

import threading
from fractions import Fraction
from pathlib import Path
from typing import Any

import attrs
import av
import cv2
import numpy as np
from av.video.reformatter import VideoReformatter
from numpy.typing import NDArray

Picture = NDArray[np.uint8]
_local = threading.local()


@attrs.frozen
class FilmInfo:
    """What the container says about a film.

    ``width`` and ``height`` are those of the upright picture. ``rotation_deg`` is the clockwise turn (0, 90,
    180 or 270) that makes the stored picture upright, applied after mirroring left–right when ``mirrored``.
    ``average_fps`` and ``duration_s`` are the container's own figures in file time; ``declared_frames`` is 0
    when it has none. ``capture_fps_tag`` is the rate the phone says it captured at, pictures per second of
    real time.
    """

    path: Path
    width: int
    height: int
    rotation_deg: int
    mirrored: bool
    codec: str
    pix_fmt: str
    bit_depth: int
    average_fps: Fraction
    declared_frames: int
    duration_s: float
    tags: dict[str, str]
    capture_fps_tag: float | None
    has_audio: bool
    size_bytes: int
    broken_off: bool = False


class Frame:
    """One picture of a film, converted only as far as it is asked for.

    ``index`` counts shown pictures from the film's first; ``file_time_s`` is its presentation time from the
    first shown picture; ``width`` and ``height`` are upright. Coordinates are pixels of the upright picture.
    """

    __slots__ = ("_info", "_video", "file_time_s", "height", "index", "width")

    def __init__(self, video: av.VideoFrame, info: FilmInfo, index: int, file_time_s: float) -> None:
        self._video, self._info = video, info
        self.index, self.file_time_s = index, file_time_s
        self.width, self.height = info.width, info.height

    def rgb(self) -> Picture:
        """Return the whole upright picture, (height, width, 3) uint8, in the order red, green, blue."""
        return np.ascontiguousarray(
            _upright(_crop_rgb(self._video, 0, 0, self._video.width, self._video.height), self._info)
        )

    def rgb_region(self, x0: int, y0: int, x1: int, y1: int) -> Picture:
        """Return the region [x0, x1) × [y0, y1) of ``rgb()``, black where it lies outside the picture.

        Only the region is converted, which is several times cheaper than ``rgb()``; the result is the same to
        within a rounding step.
        """
        if x1 <= x0 or y1 <= y0:
            raise ValueError(f"empty region ({x0}, {y0}, {x1}, {y1})")
        cx0, cy0, cx1, cy1 = max(x0, 0), max(y0, 0), min(x1, self.width), min(y1, self.height)
        if cx1 <= cx0 or cy1 <= cy0:
            return np.zeros((y1 - y0, x1 - x0, 3), np.uint8)
        stored = self._stored_region(cx0, cy0, cx1, cy1)
        part = _upright(_crop_rgb(self._video, *stored), self._info)
        if (cx0, cy0, cx1, cy1) == (x0, y0, x1, y1):
            return np.ascontiguousarray(part)
        out = np.zeros((y1 - y0, x1 - x0, 3), np.uint8)
        out[cy0 - y0 : cy1 - y0, cx0 - x0 : cx1 - x0] = part
        return out

    def gray_small(self, width: int) -> Picture:
        """Return the upright luma reduced to ``width`` px across, uint8 as stored (range not stretched)."""
        height = max(1, round(self.height * width / self.width))
        luma = _luma(self._video)
        turned = self._info.rotation_deg in (90, 270)
        size = (height, width) if turned else (width, height)
        # Dropping rows and columns first keeps area averaging cheap; two or more samples a side are still
        # averaged.
        step = max(1, min(luma.shape[1] // size[0], luma.shape[0] // size[1]) // 2)
        small = cv2.resize(np.ascontiguousarray(luma[::step, ::step]), size, interpolation=cv2.INTER_AREA)
        return np.ascontiguousarray(_upright(small, self._info))

    def gray_region(self, x0: int, y0: int, x1: int, y1: int) -> Picture:
        """Return the upright luma of a region clipped to the picture, uint8; empty when wholly outside."""
        cx0, cy0, cx1, cy1 = max(x0, 0), max(y0, 0), min(x1, self.width), min(y1, self.height)
        if cx1 <= cx0 or cy1 <= cy0:
            return np.zeros((0, 0), np.uint8)
        sx0, sy0, sx1, sy1 = self._stored_region(cx0, cy0, cx1, cy1)
        return np.ascontiguousarray(_upright(_luma(self._video, (sx0, sy0, sx1, sy1)), self._info))

    def _stored_region(self, x0: int, y0: int, x1: int, y1: int) -> tuple[int, int, int, int]:
        """Map an upright region to the stored picture."""
        w, h = self._video.width, self._video.height
        turn = self._info.rotation_deg
        if turn == 90:
            x0, y0, x1, y1 = y0, h - x1, y1, h - x0
        elif turn == 180:
            x0, y0, x1, y1 = w - x1, h - y1, w - x0, h - y0
        elif turn == 270:
            x0, y0, x1, y1 = w - y1, x0, w - y0, x1
        if self._info.mirrored:
            x0, x1 = w - x1, w - x0
        return x0, y0, x1, y1


def _reformatter() -> VideoReformatter:
    """One converter per thread: it caches its set-up for a size, and is not safe to share."""
    found = getattr(_local, "reformatter", None)
    if found is None:
        found = _local.reformatter = VideoReformatter()
    return found


def _to_rgb(video: av.VideoFrame, like: av.VideoFrame) -> Picture:
    """Convert to RGB by the matrix and range of the film ``like`` comes from."""
    matrix = {1: 1, 4: 4, 7: 7, 9: 9, 10: 9}.get(int(like.colorspace), 5)
    full = int(like.color_range) == 2 or like.format.name.startswith("yuvj")
    out = _reformatter().reformat(
        video,
        format="rgb24",
        src_colorspace=matrix,
        dst_colorspace=matrix,
        src_color_range=2 if full else 1,
        dst_color_range=2,
    )
    return np.asarray(out.to_ndarray(), np.uint8)


#: Formats cut plane by plane: bytes a sample, chroma shift x, y, and whether chroma is interleaved.
_PLANAR = {
    "yuv420p": (1, 1, 1, False),
    "yuvj420p": (1, 1, 1, False),
    "yuv422p": (1, 1, 0, False),
    "yuvj422p": (1, 1, 0, False),
    "yuv444p": (1, 0, 0, False),
    "yuvj444p": (1, 0, 0, False),
    "nv12": (1, 1, 1, True),
    "yuv420p10le": (2, 1, 1, False),
    "yuv422p10le": (2, 1, 0, False),
}


def _plane(video: av.VideoFrame, number: int, sample_bytes: int) -> NDArray[Any]:
    plane = video.planes[number]
    dtype = np.dtype(np.uint8 if sample_bytes == 1 else np.uint16)
    rows: NDArray[Any] = np.frombuffer(memoryview(plane), dtype)
    return rows.reshape(plane.height, plane.line_size // sample_bytes)


def _luma(video: av.VideoFrame, region: tuple[int, int, int, int] | None = None) -> Picture:
    x0, y0, x1, y1 = region or (0, 0, video.width, video.height)
    kind = _PLANAR.get(video.format.name)
    if kind is None:
        whole = np.asarray(_reformatter().reformat(video, format="gray").to_ndarray(), np.uint8)
        return whole[y0:y1, x0:x1]
    part = _plane(video, 0, kind[0])[y0:y1, x0:x1]
    return part if kind[0] == 1 else (part >> 2).astype(np.uint8)


def _crop_rgb(video: av.VideoFrame, x0: int, y0: int, x1: int, y1: int) -> Picture:
    """Convert one region of the stored picture, cutting the planes before the conversion.

    Every region of a picture, and the whole of it, goes down the converter's same path, so that they agree:
    8-bit planes of even size. Ten-bit samples lose their last two bits, interleaved chroma is parted, odd
    edges are repeated.
    """
    kind = _PLANAR.get(video.format.name)
    even = video.width % 2 == 0 and video.height % 2 == 0
    large = (x1 - x0) * (y1 - y0) * 4 > video.width * video.height * 3
    if kind is None or (large and even and kind[0] == 1 and not kind[3]):
        return _to_rgb(video, video)[y0:y1, x0:x1]
    sample_bytes, shift_x, shift_y, interleaved = kind
    # The cut starts and ends on whole chroma samples; 16 px multiples keep the converter on its fast path.
    left, top = x0 >> 4 << 4, y0 >> 1 << 1
    right = min(video.width + video.width % 2, (x1 + 15) >> 4 << 4)
    bottom = (y1 + 1) >> 1 << 1
    name = "yuv420p" if interleaved else video.format.name.removesuffix("10le")
    small = av.VideoFrame(right - left, bottom - top, name)
    for number in range(3):
        sx, sy = (shift_x, shift_y) if number else (0, 0)
        if interleaved and number:
            source = _plane(video, 1, 1)[:, number - 1 :: 2]
            wide = (video.width + 1) >> 1
        else:
            source, wide = _plane(video, number, sample_bytes), video.planes[number].width
        source = source[top >> sy : bottom >> sy, left >> sx : min(wide, right >> sx)]
        if sample_bytes == 2:
            source = (source >> 2).astype(np.uint8)
        target = _plane(small, number, 1)
        rows, columns = source.shape
        target[:rows, :columns] = source
        target[:rows, columns : right - left] = target[:rows, columns - 1 : columns]
        target[rows:] = target[rows - 1]
    return _to_rgb(small, video)[y0 - top : y1 - top, x0 - left : x1 - left]


def _upright(picture: NDArray[Any], info: FilmInfo) -> NDArray[Any]:
    """Mirror and turn a stored picture, or a region of one, upright."""
    if info.mirrored:
        picture = picture[:, ::-1]
    turns = {90: -1, 180: 2, 270: 1}.get(info.rotation_deg, 0)
    return np.rot90(picture, turns) if turns else picture
