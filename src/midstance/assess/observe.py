"""One film, looked at: the runner followed through its pictures, and what these say of the film. All that is slow.

What comes out is kept with the results (``assess/keeping.py``), so that corrections never need the network again.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import attrs
import numpy as np

from midstance.assess.settings import Settings
from midstance.camera.background import BackgroundMotion
from midstance.camera.motion import CameraMotion, motion_check
from midstance.errors import FilmError, OptionError, RunnerError
from midstance.film.clock import CaptureClock, DuplicateFinder, TimingReport, capture_clock, timing_report
from midstance.film.fitness import FitnessMeter
from midstance.film.frames import FilmInfo, Frame
from midstance.film.packets import packet_times_s
from midstance.film.reader import content_sha256, probe, read_frames
from midstance.gait.model import SIDES, Floats, LandmarkPaths, QualityCheck, View, seen_as
from midstance.pose.clean import CleanTrack, clean
from midstance.pose.find import RunnerSearch, find_runner
from midstance.pose.landmarker import Reading
from midstance.pose.runtime import shared_network
from midstance.pose.track import RawTrack, track

#: Share of the measured part in which the runner must be seen; below it the film is refused.
MIN_SEEN = 0.25
#: Shortest run of frames that can hold a stride and its neighbours, s: on a treadmill, and for a pass over ground.
MIN_SECONDS = 1.5
MIN_SECONDS_OF_PASS = 1.0
SMALL_PX = 160

#: Called with (stage, share done 0–1).
Progress = Callable[[str, float], None]


@attrs.frozen(eq=False)
class Observation:
    """What the pictures of one film gave.

    ``view`` is what the film was given as. ``checks`` judge the film itself; ``exposure_s`` is the exposure time as far
    as smeared feet tell. ``notes`` are plain sentences for the report.
    """

    view: View
    info: FilmInfo
    sha256: str
    clock: CaptureClock
    timing: TimingReport
    search: RunnerSearch
    raw: RawTrack
    checks: tuple[QualityCheck, ...]
    exposure_s: float | None
    notes: tuple[str, ...]
    shown_frames: int
    runtime: str
    motion: CameraMotion | None = None

    @property
    def time_s(self) -> Floats:
        """Real times of the frames with landmarks, s."""
        return self.clock.real_times_s(self.raw.file_time_s)


def observe_film(
    view: View, path: Path, settings: Settings, progress: Progress, sha256: str | None = None
) -> tuple[Observation, CleanTrack]:
    """Follow the runner through a film; returns what was seen, and the clean track made from it on the way.

    Raises
    ------
    FilmError, RunnerError
        The film can't be read, or holds no runner or not one.
    """
    info = probe(path)
    _check_marks(info, view, settings)
    times = _times_s(path)
    clock = capture_clock(info, times, settings.capture_fps)
    start_s, end_s = _part(info, clock, times, settings)
    landmarks, detector = shared_network("landmarks", settings.runtime), shared_network("detector", settings.runtime)
    progress("finding the runner", 0.0)
    search = find_runner(
        path, landmarks, detector, start_s=start_s, end_s=end_s, slowdown=clock.slowdown, pick_x=settings.runner_x
    )
    inside = times[(times >= start_s) & (times <= end_s)]
    timing_all = timing_report(inside)
    every = max(1, int(clock.capture_fps / settings.landmark_rate_hz + 0.05))  # 239.76 is 240
    meter, duplicates = FitnessMeter(info, seen_as(view)), DuplicateFinder()
    overground = settings.surface == "overground"
    surroundings = BackgroundMotion((info.width, info.height), slowdown=clock.slowdown, treadmill=not overground)
    people = _people_by_time(search, start_s, end_s)

    def on_frame(frame: Frame, reading: Reading | None) -> None:
        if meter.wants(frame):
            meter.add(frame, None if reading is None else reading.xy, people(frame.file_time_s))
        if surroundings.wants(frame.file_time_s):
            small = frame.gray_small(surroundings.width_px)
            surroundings.add(frame.file_time_s, small, None if reading is None else reading.xy)
        progress("following the runner", (frame.file_time_s - start_s) / max(end_s - start_s, 1e-9))

    reader = read_frames(path, start_s=start_s or None, end_s=end_s)
    shown = 0

    def stream() -> object:
        nonlocal shown
        for frame in reader:
            shown += 1
            duplicates.add(frame.index, frame.gray_small(SMALL_PX))
            if (shown - 1) % every == 0:
                yield frame

    raw = track(stream(), landmarks, detector, search, slowdown=clock.slowdown, on_frame=on_frame)  # type: ignore[arg-type]
    timing = timing_report(inside, duplicates=duplicates.duplicates()) if len(inside) else timing_all
    time_s = clock.real_times_s(raw.file_time_s)
    _check_seen(raw, time_s, path, _least_s(settings))
    cleaned = clean(raw, time_s, seen_as(view))
    body_px = _nose_to_heel_px(cleaned.paths)
    lens = settings.marks.of(view).lens if settings.marks is not None else None
    motion = surroundings.motion(
        clock.real_times_s,
        focal_px=lens.focal_px if lens is not None else None,
        body_px=body_px,
        readout_axis=0 if info.rotation_deg in (90, 270) else 1,
    )
    moved = motion_check(motion, body_px, overground=overground)
    checks = meter.checks(cleaned.paths, clock, timing)
    observation = Observation(
        view=view,
        info=info,
        sha256=sha256 or film_sha256(path),
        clock=clock,
        timing=timing,
        search=search,
        raw=raw,
        checks=tuple(moved if moved is not None and c.check == moved.check else c for c in checks),
        exposure_s=meter.exposure_s(cleaned.paths, clock),
        notes=(*clock.notes, *getattr(reader, "notes", [])),
        shown_frames=shown,
        runtime=landmarks.runtime,
        motion=motion,
    )
    return observation, cleaned


def _least_s(settings: Settings) -> float:
    return MIN_SECONDS_OF_PASS if settings.surface == "overground" else MIN_SECONDS


def _nose_to_heel_px(paths: LandmarkPaths) -> float:
    """Return the runner's height from nose to the lower foot at its most upright, px."""
    feet = np.stack([paths.point(f"{s}_{p}")[:, 1] for s in SIDES for p in ("heel", "toe")])
    tall = np.fmax.reduce(feet) - paths.point("nose")[:, 1]
    return float(np.nanquantile(tall, 0.9)) if np.isfinite(tall).any() else float("nan")


def _part(info: FilmInfo, clock: CaptureClock, times: Floats, settings: Settings) -> tuple[float, float]:
    """Return the part of the film to measure, file time, s."""
    least_s = _least_s(settings)
    last = float(times[-1]) if len(times) else info.duration_s
    start, end = settings.start_s or 0.0, settings.end_s if settings.end_s is not None else last
    if clock.uniform_s is not None:
        start, end = max(start, clock.uniform_s[0]), min(end, clock.uniform_s[1])
    if start >= last:
        raise FilmError(
            f"the part to measure starts at {start:g} s, but the film ends at {last:.2f} s",
            where=str(info.path),
            allowed=f"a start before {max(0.0, last - least_s * clock.slowdown):.2f} s, as a player shows it",
            next_step="correct --start",
        )
    end = min(end, last)
    if end - start < least_s * clock.slowdown:
        raise FilmError(
            f"only {max(0.0, (end - start) / clock.slowdown):.2f} s of running time to measure",
            where=str(info.path),
            allowed=f"at least {least_s:g} s; 10 s or more is better",
            next_step="film longer, or widen --start and --end (seconds as a player shows them)",
        )
    return start, end


def _check_marks(info: FilmInfo, view: View, settings: Settings) -> None:
    """Stop when a marked length lies outside the picture it was marked in."""
    for known in settings.known_lengths:
        if known.view != view:
            continue
        for x, y in (known.first_px, known.second_px):
            if not (0 <= x <= info.width and 0 <= y <= info.height):
                raise OptionError(
                    f"the point {x:g},{y:g} lies outside the {view} film's picture",
                    where="--known-length",
                    allowed=f"x 0 to {info.width}, y 0 to {info.height}, in pixels of the upright picture",
                    next_step="read the pixels again in a full-size frame of the film",
                )


def _times_s(path: Path) -> Floats:
    try:
        return packet_times_s(path.resolve())  # an absolute path is never taken for an address
    except ValueError as error:  # the decoder's library on damaged texts in the file's index
        raise FilmError(
            "the film's index is damaged",
            where=str(path),
            allowed="a film as the camera wrote it",
            next_step="copy the film from the camera again",
        ) from error


def film_sha256(path: Path) -> str:
    """Return the SHA-256 of a film's content, which tells films apart whatever they are called."""
    try:
        return content_sha256(path)
    except OSError as error:
        raise FilmError(
            f"the film can't be read any more ({error.strerror or error})",
            where=str(path),
            allowed="a film that stays where it is until the work is done",
            next_step="put the film back, or copy it to this machine, and start again",
        ) from error


def _people_by_time(search: RunnerSearch, start_s: float, end_s: float) -> Callable[[float], int | None]:
    counts = search.people

    def count(time_s: float) -> int | None:
        if not counts:
            return None
        share = (time_s - start_s) / max(end_s - start_s, 1e-9)
        return counts[min(len(counts) - 1, int(share * len(counts)))]

    return count


def _check_seen(raw: RawTrack, time_s: Floats, path: Path, least_s: float) -> None:
    seen = raw.presence > 0
    share = float(seen.mean()) if len(seen) else 0.0
    if share < MIN_SEEN or len(seen) < 16:
        raise RunnerError(
            f"the runner could be followed in only {share:.0%} of the film",
            where=str(path),
            allowed=f"one runner, whole in the picture, in at least {MIN_SEEN:.0%} of the part measured",
            next_step="cut the film to the running part with --start and --end, or film closer",
        )
    gap = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(int), [0]])))
    longest = max((time_s[b - 1] - time_s[a] for a, b in gap.reshape(-1, 2)), default=0.0)
    if longest < least_s:
        raise RunnerError(
            f"the runner is in the picture for only {longest:.1f} s at a stretch",
            where=str(path),
            allowed=f"at least {least_s:g} s without a break",
            next_step="film so that the runner stays in the picture longer",
        )
