"""Following the runner through the film and reading the landmarks of every frame.

A frame-by-frame tracker takes each region from the last reading, so its errors feed themselves and its region trembles. Here
the film is read with a short look ahead: a dozen times a second the body is looked up (an *anchor*), anchors are checked
for presence, size and place, and the frames between are read in a region that moves smoothly through the anchors on both
sides of them. After a loss the runner is searched for again, and the frames before are tried backwards from there.
Memory does not grow with the film's length beyond the landmark rows themselves.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator

import attrs
import numpy as np
from numpy.typing import NDArray

from midstance.film.frames import Frame
from midstance.gait.model import LANDMARKS, Floats
from midstance.pose import detector
from midstance.pose.find import MIN_PRESENCE, RunnerSearch, read_one, region_of, region_rgb
from midstance.pose.landmarker import Reading, Region, decode, network_input
from midstance.pose.runtime import Network

#: Real time between anchors, s.
ANCHOR_S = 1 / 12
#: A body whose size differs more than this from the runner's is somebody else or a false lock.
SIZE_GATE = (0.70, 1.43)
#: The body's centre moves less than this between anchors, in region sizes (a sprinter crossing at 9 m/s: 0.45).
PLACE_GATE = 0.5
#: Real time between searches of the whole picture while the runner is lost, s.
SEARCH_S = 0.5

OnFrame = Callable[[Frame, "Reading | None"], None]


@attrs.frozen
class Anchor:
    """The runner's place at one moment: file time, region, or None where nobody was found."""

    time_s: float
    region: Region | None


@attrs.frozen(eq=False)
class RawTrack:
    """What the network read in every frame, before anything is put right.

    ``index`` (n,) frame numbers, ``file_time_s`` (n,), ``xy`` (n, 33, 2) px, ``visibility`` and ``peak`` (n, 33) 0–1,
    ``presence`` (n,) 0–1 (0 where the runner was lost; landmarks are NaN there), ``region`` (n, 3) centre and side, px.
    ``relocated`` counts how often the runner was lost and found again.
    """

    index: NDArray[np.int64]
    file_time_s: Floats
    xy: Floats
    visibility: Floats
    peak: Floats
    presence: Floats
    region: Floats
    relocated: int


class RegionFollower:
    """Turns a stream of frames into (frame, region) pairs, a few anchors behind the stream."""

    def __init__(
        self, landmark_net: Network, detector_net: Network, search: RunnerSearch, slowdown: float
    ) -> None:
        self._landmarks, self._detector = landmark_net, detector_net
        self._step_s, self._search_s = ANCHOR_S * slowdown, SEARCH_S * slowdown
        self._sightings = search.runner
        self._not_the_runner = (*search.standing, *search.others)
        self._sizes: deque[float] = deque([search.size_px] * 5, maxlen=25)
        self._anchors: deque[Anchor] = deque(maxlen=4)
        self._last_search_s = -np.inf
        self.relocated = 0

    def follow(self, frames: Iterable[Frame]) -> Iterator[tuple[Frame, Region | None]]:
        """Yield every frame in order with the region to read, None where the runner is lost."""
        waiting: deque[Frame] = deque()
        next_s = -np.inf
        for frame in frames:
            waiting.append(frame)
            if frame.file_time_s >= next_s - 1e-9:
                self._anchor(frame, waiting)
                next_s = frame.file_time_s + self._step_s
                if len(self._anchors) >= 3:
                    yield from self._release(waiting, self._anchors[-2].time_s)
        if waiting:
            if self._anchors[-1].time_s < waiting[-1].file_time_s:
                self._anchor(waiting[-1], waiting)
            yield from self._release(waiting, np.inf)

    def _size(self) -> float:
        return float(np.median(self._sizes))

    def _anchor(self, frame: Frame, waiting: deque[Frame]) -> None:
        before = self._anchors[-1] if self._anchors else None
        region = self._continue(frame, before)
        if region is None:
            region = self._search(frame, before)
            if region is not None and before is not None and before.region is None:
                self._try_backwards(region, waiting)
            if region is not None and before is not None:
                self.relocated += 1
        self._anchors.append(Anchor(frame.file_time_s, region))
        if region is not None:
            self._sizes.append(region.size)

    def _continue(self, frame: Frame, before: Anchor | None) -> Region | None:
        """Look where the runner was (and was heading) at the last anchor."""
        if before is None or before.region is None:
            return None
        guess = before.region
        earlier = self._anchors[-2] if len(self._anchors) > 1 else None
        if earlier is not None and earlier.region is not None:
            share = (frame.file_time_s - before.time_s) / (before.time_s - earlier.time_s)
            dx = np.clip(share * (before.region.x - earlier.region.x), -guess.size / 2, guess.size / 2)
            guess = Region(guess.x + float(dx), guess.y, guess.size)
        return self._check(read_one(self._landmarks, frame, Region(guess.x, guess.y, self._size())), guess)

    def _check(self, reading: Reading, expected: Region | None) -> Region | None:
        if reading.presence < MIN_PRESENCE:
            return None
        found = region_of(reading)
        if not SIZE_GATE[0] < found.size / self._size() < SIZE_GATE[1]:
            return None
        if expected is not None:
            moved = np.hypot(found.x - expected.x, found.y - expected.y)
            if moved > PLACE_GATE * self._size():
                return None
        return found

    def _search(self, frame: Frame, before: Anchor | None) -> Region | None:
        if frame.file_time_s - self._last_search_s < self._search_s and before is not None:
            people = detector.detect(self._detector, frame.rgb())
        else:
            self._last_search_s = frame.file_time_s
            sighting = min(self._sightings, key=lambda s: abs(s.time_s - frame.file_time_s))
            known = self._check(read_one(self._landmarks, frame, sighting.region), None)
            if known is not None and before is None:
                return known
            people = detector.search(self._detector, frame.rgb(), thorough=True)
        last = next((a.region for a in reversed(self._anchors) if a.region), None)
        place = last or min(self._sightings, key=lambda s: abs(s.time_s - frame.file_time_s)).region
        for person in sorted(people, key=lambda p: _distance(p.region, place)):
            if not 0.5 < person.region.size / self._size() < 2.0 or self._is_somebody_else(person.region, place):
                continue
            found = self._check(read_one(self._landmarks, frame, person.region), None)
            if found is not None:
                return self._check(read_one(self._landmarks, frame, found), None)
        return None

    def _is_somebody_else(self, region: Region, place: Region) -> bool:
        """Tell whether a person is where a bystander, a picture or another runner was seen, and not nearer to the runner.

        While the runner is out of the picture these are all that can be found, and they pass the check of size.
        """
        return any(
            detector.same_person(region, s.region) and _distance(region, s.region) < _distance(region, place)
            for s in self._not_the_runner
        )

    def _try_backwards(self, region: Region, waiting: deque[Frame]) -> None:
        """After a loss: the frame of the lost anchor is still here; try it from the place found later."""
        lost = self._anchors[-1]
        frame = next((f for f in waiting if f.file_time_s == lost.time_s), None)
        if frame is not None:
            found = self._check(read_one(self._landmarks, frame, region), region)
            if found is not None:
                self._anchors[-1] = Anchor(lost.time_s, found)

    def _release(self, waiting: deque[Frame], until_s: float) -> Iterator[tuple[Frame, Region | None]]:
        anchors = list(self._anchors)
        smooth = [_smooth(anchors, i) for i in range(len(anchors))]
        while waiting and waiting[0].file_time_s <= until_s:
            frame = waiting.popleft()
            yield frame, self._between(anchors, smooth, frame.file_time_s)

    def _between(
        self, anchors: list[Anchor], smooth: list[tuple[float, float] | None], time_s: float
    ) -> Region | None:
        for i in range(len(anchors) - 1):
            a, b = anchors[i], anchors[i + 1]
            if a.time_s <= time_s <= b.time_s:
                pa, pb = smooth[i], smooth[i + 1]
                if pa is None or pb is None:
                    # At the edge of a loss a frame at the good anchor itself can still be read.
                    edge = pa if time_s == a.time_s else pb if time_s == b.time_s else None
                    return Region(*edge, self._size()) if edge else None
                w = (time_s - a.time_s) / (b.time_s - a.time_s)
                return Region(pa[0] + w * (pb[0] - pa[0]), pa[1] + w * (pb[1] - pa[1]), self._size())
        only = smooth[0] if anchors and time_s <= anchors[0].time_s else smooth[-1] if anchors else None
        return Region(*only, self._size()) if only else None


def _distance(a: Region, b: Region) -> float:
    return float(np.hypot(a.x - b.x, a.y - b.y))


def _smooth(anchors: list[Anchor], i: int) -> tuple[float, float] | None:
    """Mean place of an anchor and its neighbours (weights ¼ ½ ¼), None at a lost anchor."""
    here = anchors[i].region
    if here is None:
        return None
    sides = [anchors[j].region for j in (i - 1, i + 1) if 0 <= j < len(anchors)]
    both = [r for r in sides if r is not None]
    if len(both) < 2:
        return here.x, here.y
    return (
        0.5 * here.x + 0.25 * (both[0].x + both[1].x),
        0.5 * here.y + 0.25 * (both[0].y + both[1].y),
    )


def track(
    frames: Iterable[Frame],
    landmark_net: Network,
    detector_net: Network,
    search: RunnerSearch,
    *,
    slowdown: float,
    on_frame: OnFrame | None = None,
) -> RawTrack:
    """Read the landmarks of every frame of a stream.

    ``on_frame`` is called once for every frame, in order, with its reading (None where the runner is lost).
    """
    follower = RegionFollower(landmark_net, detector_net, search, slowdown)
    waiting: deque[tuple[Frame, Region | None]] = deque()

    def inputs() -> Iterator[NDArray[np.float32]]:
        for frame, region in follower.follow(frames):
            if region is None:
                waiting.append((frame, None))
                continue
            rgb, cut = region_rgb(frame, region)
            waiting.append((frame, cut))
            yield network_input(rgb)

    rows = _Rows()

    def take(frame: Frame, region: Region | None, reading: Reading | None) -> None:
        rows.add(frame, region, reading)
        if on_frame is not None:
            on_frame(frame, reading)

    for result in landmark_net.run_many(inputs()):
        while waiting[0][1] is None:
            take(*waiting.popleft(), None)
        frame, region = waiting.popleft()
        assert region is not None
        reading = decode(result, region)
        take(frame, region, reading if reading.presence >= MIN_PRESENCE else None)
    while waiting:
        take(*waiting.popleft(), None)
    return rows.finish(follower.relocated)


class _Rows:
    """Landmark rows in 32-bit floats while the film is read: 33 landmarks take 0.5 kB a frame."""

    def __init__(self) -> None:
        self._index: list[int] = []
        self._time: list[float] = []
        self._rows: list[NDArray[np.float32]] = []

    def add(self, frame: Frame, region: Region | None, reading: Reading | None) -> None:
        self._index.append(frame.index)
        self._time.append(frame.file_time_s)
        row = np.full((len(LANDMARKS) + 1, 4), np.nan, np.float32)
        if reading is not None and region is not None:
            row[:-1, :2], row[:-1, 2], row[:-1, 3] = reading.xy, reading.visibility, reading.peak
            row[-1] = (region.x, region.y, region.size, reading.presence)
        self._rows.append(row)

    def finish(self, relocated: int) -> RawTrack:
        table = np.array(self._rows, np.float32).astype(np.float64).reshape(-1, len(LANDMARKS) + 1, 4)
        return RawTrack(
            index=np.array(self._index, np.int64),
            file_time_s=np.array(self._time),
            xy=table[:, :-1, :2],
            visibility=np.nan_to_num(table[:, :-1, 2]),
            peak=np.nan_to_num(table[:, :-1, 3]),
            presence=np.nan_to_num(table[:, -1, 3]),
            region=table[:, -1, :3],
            relocated=relocated,
        )
