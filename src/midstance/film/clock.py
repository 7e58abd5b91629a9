"""From file time to real time, and whether a film's times can be trusted.

A slow-motion film is stored slower than it was captured: real time = file time ÷ slowdown, with slowdown =
captured pictures per second ÷ stored pictures per second. The capture rate comes from the container where the
phone stored it, else from ``--capture-fps``, else it is taken to be the file's own rate and checked later
against the cadence found.
"""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import ArrayLike, NDArray

from midstance.errors import FilmError
from midstance.film.frames import FilmInfo, Picture

Floats = NDArray[np.float64]

#: Engineering gate, not a norm: outside it no adult or child is running, so the capture rate must be wrong.
RUNNING_CADENCE_SPM = (120.0, 250.0)
#: Rates cameras offer, pictures per second.
_COMMON_RATES = (24, 25, 30, 48, 50, 60, 100, 120, 200, 240, 480, 960)
_MAX_CAPTURE_FPS = 10000.0
#: Below this ratio of capture to stored rate the film is not slowed: the camera merely missed its nominal
#: rate.
_NOT_SLOWED = 1.2


@attrs.frozen
class Segment:
    """A run of pictures with one interval: first and last index, and the interval in file time."""

    first: int
    last: int
    interval_s: float


@attrs.frozen
class CaptureClock:
    """Turns file time into real time.

    ``slowdown`` is how many times slower the film plays than it was captured (≥ 1). ``capture_fps`` is the
    pictures per second of real time that follow from it. ``source`` is "container metadata", "--capture-fps"
    or "file frame rate". ``notes`` are plain sentences for the report. ``uniform_s`` is the stretch of file
    time that runs at one speed when a change of speed can be seen in the times (ramped slow motion), else
    None: only that stretch may be measured.
    """

    slowdown: float
    capture_fps: float
    source: str
    notes: tuple[str, ...] = ()
    uniform_s: tuple[float, float] | None = None

    @property
    def playback_fps(self) -> float:
        """Pictures per second of file time."""
        return self.capture_fps / self.slowdown

    def real_time_s(self, file_time_s: float) -> float:
        """Real time of a file time, both in seconds from the film's first picture."""
        return file_time_s / self.slowdown

    def real_times_s(self, file_times_s: ArrayLike) -> Floats:
        """Real times of an array of file times, any shape."""
        return np.asarray(file_times_s, dtype=np.float64) / self.slowdown

    def file_time_s(self, real_time_s: float) -> float:
        """File time at which a player shows the given real time."""
        return real_time_s * self.slowdown


def capture_clock(info: FilmInfo, file_times_s: ArrayLike, capture_fps: float | None = None) -> CaptureClock:
    """Choose the capture rate of a film.

    Parameters
    ----------
    info
        The film.
    file_times_s : (n,) presentation times of its pictures, seconds. Fewer than three fall back on the
    container's rate. capture_fps
        The rate the user gives, pictures per second of real time, or None.

    Notes
    -----
    Cameras slow a film by whole numbers, and nominal rates are rounded (239.76 is called 240), so a ratio
    within 1 % (given by the user) or 3 % (written by the phone, whose true rate wanders with the light) of a
    whole number is that number.
    """
    times = np.asarray(file_times_s, dtype=np.float64)
    where = str(info.path)
    stored = 1.0 / nominal_interval_s(times) if len(times) >= 3 else float(info.average_fps)
    if abs(stored - float(info.average_fps)) < 1e-6 * stored:
        stored = float(info.average_fps)  # the same, without the rounding of the times
    if not np.isfinite(stored) or stored <= 0:
        raise FilmError(
            "the film's frame rate cannot be told",
            where=where,
            allowed="a film of at least three pictures with times",
            next_step="use the original film as the camera wrote it",
        )
    notes: list[str] = []
    uniform = None
    parts = rate_segments(times)
    if len(parts) > 1:
        # Only one stretch can be measured by one clock; the longest is the slowed middle of a ramped film.
        longest = max(parts, key=lambda s: s.last - s.first)
        uniform = (float(times[longest.first]), float(times[longest.last]))
        stored = 1.0 / longest.interval_s
        notes.append(
            f"the film changes speed ({_parts_text(times, parts)}); only {uniform[0]:.2f}–{uniform[1]:.2f} s "
            "run at one speed and can be measured together"
        )
    tag = info.capture_fps_tag
    if capture_fps is not None:
        if not (np.isfinite(capture_fps) and 1.0 <= capture_fps <= _MAX_CAPTURE_FPS):
            raise FilmError(
                f"a capture rate of {capture_fps:g} fps is not possible",
                where="--capture-fps",
                allowed=f"1 to {_MAX_CAPTURE_FPS:g} fps",
                next_step="give the rate the camera was set to",
            )
        rate, source, snap = float(capture_fps), "--capture-fps", 0.01
        if tag is not None and abs(tag / rate - 1.0) > 0.02:
            notes.append(f"the film's own metadata say {tag:g} fps; the {rate:g} fps given were used")
    elif tag is not None:
        rate, source, snap = tag, "container metadata", 0.03
    else:
        rate, source, snap = stored, "file frame rate", 0.03
        if len(parts) > 1:
            # Stretches with the shortest interval are those played in real time.
            rate = 1.0 / min(p.interval_s for p in parts)
    ratio = rate / stored
    if ratio < 1.0 / _NOT_SLOWED:
        raise FilmError(
            f"the capture rate, {rate:g} fps ({source}), is below the film's own {stored:.2f} fps",
            where=where,
            allowed=f"a capture rate of at least {stored:.0f} fps",
            next_step="film at normal speed or in slow motion, or correct --capture-fps",
        )
    slowdown = ratio
    if ratio < _NOT_SLOWED:
        slowdown = 1.0
    elif abs(ratio / round(ratio) - 1.0) <= snap:
        slowdown = float(round(ratio))
    if slowdown > 1.0:
        notes.append(
            f"slow motion: captured at about {rate:g} fps, stored at {stored:.2f} fps, "
            f"{slowdown:.4g} times slower"
        )
    return CaptureClock(slowdown, slowdown * stored, source, tuple(notes), uniform)


def check_against_cadence(clock: CaptureClock, cadence_spm: float, *, where: str = "") -> None:
    """Stop when the cadence found is impossible for a runner, and say which capture rate would fit.

    The allowed range, 120–250 steps/min, is an engineering gate and not a statement about good running.
    """
    low, high = RUNNING_CADENCE_SPM
    if low <= cadence_spm <= high:
        return
    stored = clock.playback_fps
    guesses = capture_rates_that_fit(clock, cadence_spm)
    found = f"the cadence found is {cadence_spm:.0f} steps/min, which nobody runs"
    allowed = f"{low:.0f} to {high:.0f} steps/min (limits of what is possible, not of what is good)"
    if guesses and clock.source == "file frame rate":
        rates = " or ".join(f"{g:g}" for g in guesses)
        raise FilmError(
            f"{found}: this looks like {rates} fps stored at {stored:.4g}",
            where=where,
            allowed=allowed,
            next_step=f"look up the rate the camera was set to; pass it, as in --capture-fps {guesses[0]:g}",
        )
    if guesses:
        raise FilmError(
            f"{found} when the film is taken as {clock.capture_fps:.4g} fps ({clock.source})",
            where=where,
            allowed=allowed,
            next_step=f"pass the true rate; --capture-fps {guesses[0]:g} would give a possible cadence",
        )
    raise FilmError(
        found,
        where=where,
        allowed=allowed,
        next_step="check that the film shows running throughout (not walking), or pass --capture-fps",
    )


def capture_rates_that_fit(clock: CaptureClock, cadence_spm: float) -> tuple[int, ...]:
    """Return the common capture rates that would give a possible cadence, likeliest first."""
    low, high = RUNNING_CADENCE_SPM
    stored = clock.playback_fps
    fits: list[tuple[float, int]] = []
    for rate in _COMMON_RATES:
        times = rate / stored
        if times < 0.97 or abs(times / round(times) - 1.0) > 0.03:
            continue
        cadence = cadence_spm * round(times) / clock.slowdown
        if low <= cadence <= high:
            # 170 steps/min is about the middle of recreational running; it only orders the guesses.
            fits.append((abs(np.log(cadence / 170.0)), rate))
    return tuple(rate for _, rate in sorted(fits))


# --- trust in the times
# ------------------------------------------------------------------------------------------------


@attrs.frozen
class TimingReport:
    """What a film's times say, in file time.

    ``interval_s`` is the nominal interval between pictures, ``mean_fps`` the pictures per second over the
    whole film. ``jitter_s`` is the SD of the intervals about the nominal one, dropped pictures apart.
    ``dropped`` holds, for each gap, the index of the picture before it; ``dropped_frames`` counts the
    pictures missing. ``duplicates`` are indices of pictures that repeat the one before. ``segments`` has more
    than one entry when the film changes speed.
    """

    frames: int
    duration_s: float
    interval_s: float
    mean_fps: float
    jitter_s: float
    variable_rate: bool
    dropped: tuple[int, ...]
    dropped_frames: int
    duplicates: tuple[int, ...]
    segments: tuple[Segment, ...]

    @property
    def nominal_fps(self) -> float:
        """Pictures per second at the nominal interval."""
        return 1.0 / self.interval_s

    @property
    def dropped_fraction(self) -> float:
        """Missing pictures over those there should be."""
        return self.dropped_frames / max(1, self.frames + self.dropped_frames)

    @property
    def duplicate_fraction(self) -> float:
        """Repeated pictures over all pictures."""
        return len(self.duplicates) / max(1, self.frames)

    @property
    def distinct_fps(self) -> float:
        """Pictures per second that show something new."""
        return self.nominal_fps * (1.0 - self.duplicate_fraction)


def nominal_interval_s(file_times_s: ArrayLike) -> float:
    """Interval between neighbouring pictures, gaps apart, seconds.

    The mean of the intervals up to 1.5 × the median: containers that round to whole milliseconds have a
    median that is off by up to a tenth at high rates, while the mean stays right.
    """
    steps = np.diff(np.asarray(file_times_s, dtype=np.float64))
    if len(steps) == 0:
        return float("nan")
    middle = float(np.median(steps))
    return float(np.mean(steps[steps <= 1.5 * middle]))


def rate_segments(file_times_s: ArrayLike, *, min_frames: int = 10) -> tuple[Segment, ...]:
    """Split a film where the interval between pictures changes by a whole-number ratio and stays changed.

    Runs shorter than ``min_frames`` are not segments: single wide gaps are dropped pictures. Returns one
    segment for an even film, and () for fewer than two pictures.
    """
    times = np.asarray(file_times_s, dtype=np.float64)
    steps = np.diff(times)
    if len(steps) == 0:
        return ()
    # Log2 of the interval against the shortest sustained one; a running median of 5 takes single gaps out.
    padded = np.pad(steps, 2, mode="edge")
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    base = float(np.quantile(smooth, 0.02))
    if base <= 0:
        return (Segment(0, len(times) - 1, nominal_interval_s(times)),)
    ratio = smooth / base
    level = np.where(np.abs(ratio / np.round(ratio) - 1.0) <= 0.1, np.round(ratio), np.nan)
    runs: list[tuple[int, int, float]] = []
    start = 0
    for i in range(1, len(level) + 1):
        if i == len(level) or level[i] != level[start]:
            if i - start >= min_frames and np.isfinite(level[start]):
                runs.append((start, i, float(level[start])))
            start = i
    joined: list[tuple[int, int, float]] = []
    for run in runs:
        if joined and joined[-1][2] == run[2]:
            joined[-1] = (joined[-1][0], run[1], run[2])
        else:
            joined.append(run)
    if len(joined) <= 1:
        return (Segment(0, len(times) - 1, nominal_interval_s(times)),)
    return tuple(Segment(a, b, float(np.median(steps[a:b]))) for a, b, _ in joined)


def timing_report(file_times_s: ArrayLike, *, duplicates: Sequence[int] = ()) -> TimingReport:
    """Judge the presentation times of a film, (n,) seconds of file time, strictly increasing.

    A gap within 0.3 of an interval of 2, 3, … intervals counts as dropped pictures when most intervals are
    even; a film whose intervals wander without such steps is one of variable rate, which true timestamps make
    harmless.
    """
    times = np.asarray(file_times_s, dtype=np.float64)
    if len(times) < 2:
        return TimingReport(
            len(times), 0.0, float("nan"), float("nan"), 0.0, False, (), 0, tuple(duplicates), ()
        )
    steps = np.diff(times)
    segments = rate_segments(times)
    # The nominal interval is local: in a ramped film each part has its own.
    local = np.full(len(steps), nominal_interval_s(times))
    for part in segments:
        local[part.first : part.last] = part.interval_s
    ratio = steps / local
    near = np.round(ratio)
    gaps = (near >= 2) & (np.abs(ratio - near) <= 0.3)
    rest = steps[~gaps] / local[~gaps]
    spread = float(np.std(rest)) if len(rest) else 0.0
    interval = max(segments, key=lambda s: s.last - s.first).interval_s
    # Whole-millisecond containers jitter by up to half a millisecond without being of variable rate.
    variable = spread * interval > max(0.02 * interval, 0.00055)
    if variable and float(np.mean(gaps)) > 0.2:
        gaps = np.zeros_like(gaps)
    duration = float(times[-1] - times[0])
    return TimingReport(
        frames=len(times),
        duration_s=duration,
        interval_s=interval,
        mean_fps=(len(times) - 1) / duration,
        jitter_s=spread * interval,
        variable_rate=variable,
        dropped=tuple(int(i) for i in np.flatnonzero(gaps)),
        dropped_frames=int(np.sum(near[gaps] - 1)),
        duplicates=tuple(duplicates),
        segments=segments,
    )


class DuplicateFinder:
    """Finds pictures that repeat the one before, from a stream of small luma pictures.

    A repeated picture differs from its neighbour far less than the runner's motion makes neighbours differ.
    Each picture's change is the 99th percentile of the absolute luma difference; it is a repeat when below
    ``ratio`` of the 90th percentile of the changes within ±``reach`` pictures. Where nothing moves (that
    percentile under ``still`` grey levels) repeats cannot be told and none are reported. Keeps one picture
    and one number per picture.
    """

    def __init__(self, *, ratio: float = 0.12, still: float = 2.0, reach: int = 30) -> None:
        self._ratio, self._still, self._reach = ratio, still, reach
        self._last: NDArray[np.int16] | None = None
        self._change: list[float] = []
        self._index: list[int] = []

    def add(self, index: int, small: Picture) -> None:
        """Take the next picture (film index, small luma of constant size, e.g. ``Frame.gray_small(160)``)."""
        now = small.astype(np.int16)
        if self._last is not None:
            change = np.abs(now - self._last).ravel()
            kth = max(0, int(0.99 * len(change)) - 1)
            self._change.append(float(np.mean(np.partition(change, kth)[kth:])))
            self._index.append(index)
        self._last = now

    def duplicates(self) -> tuple[int, ...]:
        """Film indices of the pictures that repeat the one before."""
        if not self._change:
            return ()
        change = np.asarray(self._change)
        window = 2 * self._reach + 1
        padded = np.pad(change, self._reach, mode="reflect" if len(change) > self._reach else "edge")
        local = np.quantile(np.lib.stride_tricks.sliding_window_view(padded, window), 0.9, axis=1)
        repeat = (local >= self._still) & (change <= self._ratio * local)
        return tuple(self._index[i] for i in np.flatnonzero(repeat))


def _parts_text(times: Floats, parts: Sequence[Segment]) -> str:
    return ", ".join(
        f"{times[p.first]:.2f}–{times[p.last]:.2f} s at {1.0 / p.interval_s:.4g} fps" for p in parts
    )
