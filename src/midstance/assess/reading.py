"""One film, read: from what its pictures gave to clean landmarks and joint centres, with what a person corrected."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import attrs
import numpy as np

from midstance.assess.observe import Observation, Progress, observe_film
from midstance.assess.settings import Settings, option
from midstance.camera.ground import SolvedCamera
from midstance.camera.marked import find_camera
from midstance.errors import ViewError
from midstance.film.clock import CaptureClock, TimingReport, check_against_cadence
from midstance.film.frames import FilmInfo
from midstance.film.verdicts import ALL_ANGLES, make_check
from midstance.gait.model import SIDES, LandmarkPaths, QualityCheck, Side, View, seen_as
from midstance.pose.anatomy import to_joints
from midstance.pose.clean import CleanTrack, clean, direction_of_travel, mark_smeared, near_side, view_shown
from midstance.pose.corrections import (
    Applied,
    Correction,
    correct_landmarks,
    hide_landmarks,
    swap_legs,
    taken_back,
)
from midstance.pose.find import RunnerSearch
from midstance.pose.legs import any_step_rate_hz
from midstance.pose.sticker_find import find_stickers
from midstance.pose.sticker_joints import Stickered, with_stickers
from midstance.pose.sticker_track import track_stickers
from midstance.pose.stickers import StickerPaths, parse_stickers
from midstance.pose.track import RawTrack

#: Share of feet and faces that must point the same way for the direction of running to be sure.
MIN_AGREEMENT = 0.75

#: In the place of a list of clicks: look for stickers.
FIND = "find"

#: Name of the check of how well legs were read.
LEGS_CHECK = "legs_told_apart"

VIEW_WORDS: dict[View, str] = {
    "side": "from the side", "side_far": "from the other side", "rear": "from behind", "front": "from the front"
}  # fmt: skip


@attrs.frozen(eq=False)
class FilmReading:
    """What was read from one film.

    ``role`` is what the film was given as, ``view`` what it is measured as. ``joints`` are the landmark paths moved to
    the joint centres and corrected; ``cleaned`` says what was put right on the way. ``direction`` is "+x" or "-x" in
    side view, None otherwise. ``corrections`` are those that were applied to this film so far, with their effect;
    ``asked`` all that were given for it.
    ``camera`` is known where the ground was marked; ``roll`` is (degrees, 1 SD) where a person gave it.
    ``without_stickers`` are the joints before stickers took their places; contacts are found on these.
    """

    observed: Observation
    cleaned: CleanTrack
    joints: LandmarkPaths
    direction: str | None
    near: Side | None
    quality: tuple[QualityCheck, ...]
    notes: tuple[str, ...]
    asked: tuple[Correction, ...] = ()
    camera: SolvedCamera | None = None
    roll: tuple[float, float] | None = None
    stickers: StickerPaths | None = None
    stickered: Stickered | None = None
    without_stickers: LandmarkPaths | None = None
    corrections: tuple[Applied, ...] = ()

    @property
    def role(self) -> View:
        """What the film was given as."""
        return self.observed.view

    @property
    def view(self) -> View:
        """What the film is measured as."""
        return seen_as(self.observed.view)

    @property
    def path(self) -> Path:
        """The film's file."""
        return self.observed.info.path

    @property
    def info(self) -> FilmInfo:
        """What the container says."""
        return self.observed.info

    @property
    def sha256(self) -> str:
        """SHA-256 of the film's content."""
        return self.observed.sha256

    @property
    def clock(self) -> CaptureClock:
        """File time to real time."""
        return self.observed.clock

    @property
    def timing(self) -> TimingReport:
        """What the film's times say."""
        return self.observed.timing

    @property
    def search(self) -> RunnerSearch:
        """Where the runner was found."""
        return self.observed.search

    @property
    def raw(self) -> RawTrack:
        """What the network read in every frame."""
        return self.observed.raw

    @property
    def shown_frames(self) -> int:
        """Pictures in the measured part."""
        return self.observed.shown_frames

    @property
    def runtime(self) -> str:
        """What the landmark network ran on."""
        return self.observed.runtime


def read_film(view: View, path: Path, settings: Settings, progress: Progress) -> FilmReading:
    """Read one film of an assessment.

    Raises
    ------
    FilmError, RunnerError, ViewError
        The film can't be read, holds no runner or not one, or shows another view.
    """
    observed, cleaned = observe_film(view, path, settings, progress)
    return with_marks(interpret(observed, settings.corrections, cleaned), settings)


@attrs.frozen(eq=False)
class Marked:
    """What the marks of a film gave when its pictures were looked at: its camera, the paths of its stickers."""

    camera: SolvedCamera | None = None
    stickers: StickerPaths | None = None
    notes: tuple[str, ...] = ()


def with_marks(reading: FilmReading, settings: Settings, marked: Marked | None = None) -> FilmReading:
    """Add what the marks say of the film's camera, and the stickers they name.

    Parameters
    ----------
    marked : what was found earlier; None looks into the film where that is needed.

    Raises
    ------
    OptionError
        The marks don't fit the film.
    """
    if settings.marks is None:
        return reading
    if marked is None:
        marked = look_at_marks(reading, settings)
    reading = attrs.evolve(
        reading, camera=marked.camera, roll=settings.marks.of(reading.role).roll, notes=(*reading.notes, *marked.notes)
    )
    if marked.stickers is None:
        return reading
    placed = with_stickers(reading.joints, marked.stickers)
    return attrs.evolve(
        reading,
        joints=placed.paths,
        stickers=marked.stickers,
        stickered=placed,
        without_stickers=reading.joints,
        notes=(*reading.notes, *placed.notes),
    )


def needs_pictures(settings: Settings, view: View) -> bool:
    """Tell whether a film's marks need a look into the film: ground and stickers do, lens and roll don't."""
    if settings.marks is None:
        return False
    marks = settings.marks.of(view)
    return marks.ground is not None or marks.board is not None or bool(marks.passed_on.get("stickers"))


def look_at_marks(reading: FilmReading, settings: Settings) -> Marked:
    """Find the camera of a film from its marks and follow its stickers: looks into the film where the marks need it.

    The list of sticker clicks may also be "find": then dots are looked for, and used where they can't be mistaken.

    Raises
    ------
    OptionError
        The marks don't fit the film.
    """
    if settings.marks is None:
        return Marked()
    marks = settings.marks.of(reading.role)
    camera = find_camera(
        marks,
        reading.info,
        direction=reading.direction,
        start_s=settings.start_s or 0.0,
        end_s=settings.end_s,
        paths=reading.joints,
        where=f"--marks, {reading.role} film",
    )
    asked = marks.passed_on.get("stickers")
    if not asked:
        return Marked(camera)
    info, raw, paths = reading.info, reading.raw, reading.cleaned.paths
    where: dict[str, Any] = {
        "index": raw.index, "file_time_s": raw.file_time_s, "body_px": reading.cleaned.body_px, "info": info
    }  # fmt: skip
    notes: tuple[str, ...] = ()
    if asked == FIND:
        sides = SIDES if reading.near is None else (reading.near,)
        found = find_stickers(reading.path, paths, sides=sides, **where)
        clicks, notes = found.marks, found.unclear
    else:
        clicks = parse_stickers(
            asked, reading.view, info.width, info.height, where=f"--marks, {reading.role} film: stickers"
        )
    if not clicks:
        return Marked(camera, notes=("no stickers were found", *notes))
    stickers = track_stickers(reading.path, clicks, paths, **where)
    return Marked(camera, stickers, (*notes, *stickers.notes))


def interpret(
    observed: Observation, corrections: Sequence[Correction] = (), cleaned: CleanTrack | None = None
) -> FilmReading:
    """Turn what was seen into joint paths: pure computation, no pictures.

    Parameters
    ----------
    corrections : those for other films are passed over.
    cleaned : the clean track of ``observed``, where it is at hand.

    Raises
    ------
    ViewError
        The film shows another view than it was given as.
    OptionError
        A correction does not fit the film.
    """
    view, path, clock = seen_as(observed.view), observed.info.path, observed.clock
    time_s = observed.time_s
    if cleaned is None:
        cleaned = clean(observed.raw, time_s, view)
    _check_view(cleaned.paths, observed.view, path)
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
    if observed.exposure_s:
        cleaned = mark_smeared(cleaned, observed.exposure_s)
    notes = list(observed.notes)
    if cleaned.lost_frames:
        notes.append(
            f"the runner was not seen in {cleaned.lost_frames} of {len(time_s)} frames; only the rest is measured"
        )
    mine = tuple(c for c in corrections if c.view == observed.view)
    legs, swapped = swap_legs(cleaned.paths, mine)
    joints, hidden = hide_landmarks(to_joints(legs, direction=direction, near=near), mine)
    dropped = taken_back(mine, 1.0 / joints.rate_hz)
    held = [c for c in mine if c not in [a.correction for a in dropped]]
    joints, moved = correct_landmarks(joints, held, (observed.info.width, observed.info.height))
    return FilmReading(
        observed=observed,
        cleaned=cleaned,
        joints=joints,
        direction=direction,
        near=near,
        quality=(*observed.checks, legs_check(cleaned, len(time_s))),
        notes=tuple(notes),
        asked=mine,
        corrections=(*swapped, *hidden, *dropped, *moved),
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


def _check_view(paths: LandmarkPaths, view: View, path: Path) -> None:
    shown, width = view_shown(paths)
    if shown == seen_as(view):
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
        f"the film was given as {option(view)} but shows the runner {VIEW_WORDS[shown]}",
        where=str(path),
        allowed=f"for {option(view)} a film {VIEW_WORDS[view]}",
        next_step=f"give it as {option(shown)}",
    )


def _check_rhythm(cleaned: CleanTrack, clock: CaptureClock, path: Path) -> None:
    """Stop when the legs move, but not at any rate a runner can: the film is slow motion that does not say so."""
    rate = any_step_rate_hz(cleaned.paths)
    if rate is not None:
        check_against_cadence(clock, 60 * rate, where=str(path))
