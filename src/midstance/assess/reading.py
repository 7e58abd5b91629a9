"""One film, read: found runner, clean landmarks, joint centres, fitness. Everything that needs the pictures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import attrs
import numpy as np

from midstance.assess.settings import Settings
from midstance.errors import FilmError, OptionError, RunnerError, ViewError
from midstance.film.clock import (
    CaptureClock,
    DuplicateFinder,
    TimingReport,
    capture_clock,
    check_against_cadence,
    timing_report,
)
from midstance.film.fitness import FitnessMeter
from midstance.film.frames import FilmInfo, Frame
from midstance.film.packets import packet_times_s
from midstance.film.reader import content_sha256, probe, read_frames
from midstance.film.verdicts import ALL_ANGLES, make_check
from midstance.gait.model import Floats, LandmarkPaths, QualityCheck, Side, View
from midstance.pose.anatomy import to_joints
from midstance.pose.clean import CleanTrack, clean, direction_of_travel, mark_smeared, near_side, view_shown
from midstance.pose.find import RunnerSearch, find_runner
from midstance.pose.landmarker import Reading
from midstance.pose.legs import any_step_rate_hz
from midstance.pose.runtime import shared_network
from midstance.pose.track import RawTrack, track

#: Share of the measured part in which the runner must be seen; below it the film is refused.
MIN_SEEN = 0.25
#: Shortest run of frames that can hold a stride and its neighbours, s.
MIN_SECONDS = 1.5
#: Share of feet and faces that must point the same way for the direction of running to be sure.
MIN_AGREEMENT = 0.75
SMALL_PX = 160

#: Called with (stage, share done 0–1).
Progress = Callable[[str, float], None]

#: Name of the check of how well legs were read.
LEGS_CHECK = "legs_told_apart"

VIEW_WORDS: dict[View, str] = {
    "side": "from the side", "rear": "from behind", "front": "from the front"
}  # fmt: skip


@attrs.frozen(eq=False)
class FilmReading:
    """What was read from one film.

    ``joints`` are the landmark paths moved to the joint centres; ``cleaned`` says what was put right on the way.
    ``direction`` is "+x" or "-x" in side view, None otherwise. ``notes`` are plain sentences for the report.
    """

    view: View
    path: Path
    info: FilmInfo
    sha256: str
    clock: CaptureClock
    timing: TimingReport
    search: RunnerSearch
    raw: RawTrack
    cleaned: CleanTrack
    joints: LandmarkPaths
    direction: str | None
    near: Side | None
    quality: tuple[QualityCheck, ...]
    notes: tuple[str, ...]
    shown_frames: int
    runtime: str


def read_film(view: View, path: Path, settings: Settings, progress: Progress) -> FilmReading:
    """Read one film of an assessment.

    Raises
    ------
    FilmError, RunnerError, ViewError
        The film can't be read, holds no runner or not one, or shows another view.
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
    meter, duplicates = FitnessMeter(info, view), DuplicateFinder()
    people = _people_by_time(search, start_s, end_s)

    def on_frame(frame: Frame, reading: Reading | None) -> None:
        if meter.wants(frame):
            meter.add(frame, None if reading is None else reading.xy, people(frame.file_time_s))
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
    _check_seen(raw, time_s, path)
    cleaned = clean(raw, time_s, view)
    _check_view(cleaned.paths, view, path)
    direction, near = None, None
    if view == "side":
        direction, agreement = direction_of_travel(cleaned.paths)
        if agreement < MIN_AGREEMENT:
            raise ViewError(
                f"the direction of running is not clear (feet and face agree in {agreement:.0%} of the frames)",
                where=str(path),
                allowed="a side view of a runner who runs one way through the film",
                next_step="cut the film with --start and --end to one direction",
            )
        near = near_side(direction)
    _check_rhythm(cleaned, clock, path)
    quality = meter.checks(cleaned.paths, clock, timing)
    exposure_s = meter.exposure_s(cleaned.paths, clock)
    if exposure_s:
        cleaned = mark_smeared(cleaned, exposure_s)
    quality = (*quality, legs_check(cleaned, len(time_s)))
    notes = [*clock.notes, *getattr(reader, "notes", [])]
    if cleaned.lost_frames:
        notes.append(
            f"the runner was not seen in {cleaned.lost_frames} of {len(time_s)} frames; only the rest is measured"
        )
    return FilmReading(
        view=view,
        path=path,
        info=info,
        sha256=_sha256(path),
        clock=clock,
        timing=timing,
        search=search,
        raw=raw,
        cleaned=cleaned,
        joints=to_joints(cleaned.paths, direction=direction, near=near),
        direction=direction,
        near=near,
        quality=quality,
        notes=tuple(notes),
        shown_frames=shown,
        runtime=landmarks.runtime,
    )


def legs_check(cleaned: CleanTrack, frames: int) -> QualityCheck:
    """Judge how well the legs could be read, from how many readings had to be put right or dropped.

    Where the network mixes up the legs often, it also places them worse where it seems right. Limits and factor are
    engineering choices.
    """
    readings = 8  # knee, ankle, heel and toe of two legs
    share = 100.0 * (readings * cleaned.swapped_frames + cleaned.jumps) / (readings * max(frames, 1))
    good, unfit = 15.0, 60.0
    factor = float(np.clip(1.0 + (share - good) / 10.0, 1.0, 4.0))
    advice = "More light, and shorts, socks and shoes that stand out from each other, from the skin and from the background."
    return make_check(
        LEGS_CHECK,
        round(share, 1),
        "% of leg readings",
        f"good up to {good:g} % mixed up or dropped, unfit above {unfit:g} %",
        "good" if share <= good else "usable" if share <= unfit else "unfit",
        "" if share <= good else advice,
        () if share <= unfit else ALL_ANGLES,
        factor,
    )


def _part(info: FilmInfo, clock: CaptureClock, times: Floats, settings: Settings) -> tuple[float, float]:
    """Return the part of the film to measure, file time, s."""
    last = float(times[-1]) if len(times) else info.duration_s
    start, end = settings.start_s or 0.0, settings.end_s if settings.end_s is not None else last
    if clock.uniform_s is not None:
        start, end = max(start, clock.uniform_s[0]), min(end, clock.uniform_s[1])
    if start >= last:
        raise FilmError(
            f"the part to measure starts at {start:g} s, but the film ends at {last:.2f} s",
            where=str(info.path),
            allowed=f"a start before {max(0.0, last - MIN_SECONDS * clock.slowdown):.2f} s, as a player shows it",
            next_step="correct --start",
        )
    end = min(end, last)
    if end - start < MIN_SECONDS * clock.slowdown:
        raise FilmError(
            f"only {max(0.0, (end - start) / clock.slowdown):.2f} s of running time to measure",
            where=str(info.path),
            allowed=f"at least {MIN_SECONDS:g} s; 10 s or more is better",
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


def _sha256(path: Path) -> str:
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


def _check_seen(raw: RawTrack, time_s: Floats, path: Path) -> None:
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
    if longest < MIN_SECONDS:
        raise RunnerError(
            f"the runner is in the picture for only {longest:.1f} s at a stretch",
            where=str(path),
            allowed=f"at least {MIN_SECONDS:g} s without a break",
            next_step="film so that the runner stays in the picture longer",
        )


def _check_view(paths: LandmarkPaths, view: View, path: Path) -> None:
    shown, width = view_shown(paths)
    if shown == view:
        return
    if shown is None:
        raise ViewError(
            "the film shows the runner from an angle between side and "
            f"{'front' if width > 0 else 'rear'}, which can't be measured",
            where=str(path),
            allowed="a camera square to the running direction, or straight behind or in front",
            next_step="film again with the camera at a right angle",
        )
    raise ViewError(
        f"the film was given as --{view} but shows the runner {VIEW_WORDS[shown]}",
        where=str(path),
        allowed=f"for --{view} a film {VIEW_WORDS[view]}",
        next_step=f"give it as --{shown}",
    )


def _check_rhythm(cleaned: CleanTrack, clock: CaptureClock, path: Path) -> None:
    """Stop when the legs move, but not at any rate a runner can: the film is slow motion that does not say so."""
    rate = any_step_rate_hz(cleaned.paths)
    if rate is not None:
        check_against_cadence(clock, 60 * rate, where=str(path))
