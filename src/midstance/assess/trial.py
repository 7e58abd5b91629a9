"""A trial: one still or a few seconds of film, judged before the filming proper.

It answers what a coach with a camera on a tripod wants to know at once: is the runner there, whole and large enough, is the
camera level, sharp and fast enough, does the film show the view it should? The checks and their limits are those of an
assessment (``film/fitness.py``); only a few seconds are looked at, at a low rate, and nothing is measured.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any, Literal

import attrs
import av
import numpy as np
from PIL import Image, ImageOps, UnidentifiedImageError

from midstance.assess.observe import Observation, observe_film
from midstance.assess.settings import Settings
from midstance.errors import FilmError, MidstanceError, RunnerError
from midstance.film.clock import CaptureClock, capture_clock, check_against_cadence, timing_report
from midstance.film.fitness import FitnessMeter
from midstance.film.frames import FilmInfo, Frame, Picture
from midstance.film.packets import packet_times_s
from midstance.film.reader import probe, read_frames
from midstance.film.verdicts import EVENT_MEASURES, Verdict, make_check
from midstance.gait.model import LANDMARKS, Floats, LandmarkPaths, QualityCheck, State, View, seen_as
from midstance.pose import detector
from midstance.pose.clean import direction_of_travel, near_side, view_shown
from midstance.pose.find import MIN_PRESENCE, RIVAL_SIZE, read_one, region_of
from midstance.pose.landmarker import Reading, Region
from midstance.pose.legs import any_step_rate_hz
from midstance.pose.runtime import shared_network

Progress = Callable[[str, float], None]

#: Longest part of a film that is looked at, s as a player shows it and s of real time; the middle of the film is taken.
LOOK_FILE_S, LOOK_REAL_S = 24.0, 3.0
#: A film that does not tell its capture rate may be slow motion, which takes longer to show a step.
LOOK_UNKNOWN_S = 6.0
#: Landmark readings a second of real time; enough for where the runner is, too few to measure.
LOOK_RATE_HZ = 30.0
#: A still is reduced to this many pixels along its longer side, that of a 1080p film, so that its pixels mean the same.
STILL_LONG_PX = 1920
#: Pictures with more than this many pixels are refused before they are decoded.
MOST_STILL_PIXELS = 120_000_000
STILL_FORMATS = ("JPEG", "PNG", "WEBP")
#: Exposures that smear a foot going at running speed (3.3 m/s, a runner of 1.75 m) by the 0.4 % of nose-to-heel height
#: that the check of films calls good, and by its 2 %: t = share × 0.92 × height ÷ speed.
GOOD_EXPOSURE_S, UNFIT_EXPOSURE_S = 0.004 * 0.92 * 1.75 / 3.3, 0.02 * 0.92 * 1.75 / 3.3
#: A runner farther than this from the middle of the picture, as a share of its width, is seen askew (engineering choice).
OFF_MIDDLE = 0.20
_EXIF_EXPOSURE, _EXIF_IFD = 33434, 34665
#: What one picture can say; the other checks of a film need time.
_OF_ONE_PICTURE = (
    "pixels_per_body_height", "runner_size", "runner_cut_off", "camera_roll", "light", "contrast", "picture_noise"
)  # fmt: skip
_WHERE = "the picture or film that was dropped"


@attrs.frozen(eq=False)
class Trial:
    """What a trial showed.

    Attributes
    ----------
    kind : a still, or a film.
    view : the view it was meant to show.
    width, height : px of the upright picture that was looked at (a still reduced to film size).
    checks : in the order a coach would go through them: runner, view, picture, camera, light.
    landmarks : (33, 2) px in the picture that ``at_s`` names (NaN where not seen), or None when nobody was found.
    at_s : file time of that picture, s; 0 for a still.
    roll_deg : lean of upright things, clockwise +, or None where it could not be told.
    near_side : the leg nearer the camera, from the side.
    notes : plain sentences.
    """

    kind: Literal["still", "film"]
    view: View
    width: int
    height: int
    checks: tuple[QualityCheck, ...]
    landmarks: Floats | None
    at_s: float
    roll_deg: float | None
    near_side: str | None
    notes: tuple[str, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst of all checks; what is unknown doesn't count."""
        found = {c.verdict for c in self.checks}
        return "unfit" if "unfit" in found else "usable" if "usable" in found else "good"

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for JSON: figures only, nothing of the picture."""
        points = None
        if self.landmarks is not None:
            points = [[round(float(x), 1), round(float(y), 1)] if np.isfinite(x + y) else None for x, y in self.landmarks]
        return {
            "kind": self.kind,
            "view": self.view,
            "width": self.width,
            "height": self.height,
            "verdict": self.verdict,
            "checks": [{**attrs.asdict(c), "measures": list(c.measures)} for c in self.checks],
            "landmarks": points,
            "at_s": round(self.at_s, 4),
            "roll_deg": self.roll_deg,
            "near_side": self.near_side,
            "notes": list(self.notes),
        }


def check_trial(path: Path, view: View, progress: Progress | None = None) -> Trial:
    """Judge a still or a short film.

    Parameters
    ----------
    path : a picture (JPEG, PNG, WebP) or a film; told apart by content.
    view : the view it should show.

    Raises
    ------
    FilmError
        It is neither a picture nor a film that can be read.
    """
    tell = progress or _silent
    still = _open_still(path)
    if still is not None:
        tell("looking at the picture", 0.0)
        return _of_still(still[0], still[1], view)
    return _of_film(path, view, tell)


def _silent(_stage: str, _share: float) -> None:
    return None


# --- one picture


def _open_still(path: Path) -> tuple[Picture, float | None] | None:
    """Return (RGB picture, exposure time in s or None), or None when the file is no picture of a known kind."""
    if _is_heif(path):
        raise FilmError(
            "pictures of this kind (HEIF) can't be read here",
            where=_WHERE,
            allowed="JPEG, PNG or WebP pictures, or a film",
            next_step="film for two seconds and drop the film, or set the camera to save JPEG",
        )
    try:
        with Image.open(path, formats=STILL_FORMATS) as image:
            if image.width * image.height > MOST_STILL_PIXELS or min(image.size) < 64:
                raise FilmError(
                    f"the picture has {image.width} × {image.height} pixels",
                    where=_WHERE,
                    allowed=f"64 pixels a side or more, {MOST_STILL_PIXELS // 1_000_000} million in all at most",
                    next_step="drop a picture as the camera wrote it",
                )
            exposure = image.getexif().get_ifd(_EXIF_IFD).get(_EXIF_EXPOSURE)
            rgb = ImageOps.exif_transpose(image).convert("RGB")
            rgb.thumbnail((STILL_LONG_PX, STILL_LONG_PX), Image.Resampling.LANCZOS)
            # Even sides: the conversion to luma pairs pixels.
            picture = np.asarray(rgb, np.uint8)[: rgb.height // 2 * 2, : rgb.width // 2 * 2]
    except FilmError:
        raise
    except UnidentifiedImageError:
        return None
    except (OSError, ValueError, SyntaxError, EOFError, ArithmeticError, Image.DecompressionBombError) as error:
        raise FilmError(
            "the picture is damaged",
            where=_WHERE,
            allowed="a whole JPEG, PNG or WebP picture",
            next_step="copy it from the camera again",
        ) from error
    seconds = _positive(exposure)
    return np.ascontiguousarray(picture), seconds


def _positive(value: object) -> float | None:
    try:
        number = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    return number if 0 < number < 60 else None


def _is_heif(path: Path) -> bool:
    with path.open("rb") as file:
        head = file.read(12)
    return head[4:8] == b"ftyp" and head[8:12] in (b"heic", b"heix", b"mif1", b"heim", b"heis", b"avif")


def _of_still(rgb: Picture, exposure_s: float | None, view: View) -> Trial:
    height, width = rgb.shape[:2]
    info = _info_of(width, height)
    frame = Frame(av.VideoFrame.from_ndarray(rgb, format="rgb24"), info, 0, 0.0)
    readings = _people_in(frame)
    seen = readings[0] if readings else None
    checks = [_runner(readings, None)]
    meter = FitnessMeter(info, seen_as(view))
    meter.add(frame, None if seen is None else seen.xy, len(readings))
    paths = _one_row(seen, view)
    checks += _picture_checks(paths, view, width)
    if seen is not None:
        judged = meter.checks(paths, CaptureClock(1.0, 60.0, "file frame rate"), timing_report(np.zeros(1)))
        checks += [c for c in judged if c.check in _OF_ONE_PICTURE]
    checks.append(_exposure(exposure_s))
    notes = ["one picture says nothing of the frame rate or of a camera that moves: film for two seconds to check these"]
    if abs(max(width, height) / min(width, height) - 4 / 3) < 0.02:
        notes.append(
            "photos of this shape (4:3) show more than a film (16:9): in the film the runner fills more of the picture; "
            "take the picture in the camera's film mode"
        )
    return _trial("still", view, info, checks, paths if seen is not None else None, 0, 0.0, notes)


def _info_of(width: int, height: int) -> FilmInfo:
    return FilmInfo(Path("still"), width, height, 0, False, "still", "rgb24", 8, Fraction(60), 1, 0.0, {}, None, False, 0)


def _people_in(frame: Frame) -> list[Reading]:
    """Return readings of everybody in a picture, largest first."""
    landmarks, finder = shared_network("landmarks", None), shared_network("detector", None)
    found: list[tuple[float, Reading]] = []
    regions: list[Region] = []
    for person in detector.search(finder, frame.rgb(), thorough=True):
        region = person.region
        reading = read_one(landmarks, frame, region)
        for _ in range(2):  # the detector's box is rough: look again where the network found the body
            if reading.presence < MIN_PRESENCE:
                break
            region = region_of(reading)
            reading = read_one(landmarks, frame, region)
        if reading.presence >= MIN_PRESENCE and all(not detector.same_person(region, r) for r in regions):
            regions.append(region)
            found.append((region.size, reading))
    return [reading for _, reading in sorted(found, key=lambda f: -f[0])]


def _one_row(reading: Reading | None, view: View) -> LandmarkPaths:
    k = len(LANDMARKS)
    xy = np.full((1, k, 2), np.nan) if reading is None else reading.xy[None].astype(np.float64)
    state = np.full((1, k), State.MISSING if reading is None else State.SEEN, np.uint8)
    score = np.zeros((1, k)) if reading is None else reading.visibility[None].astype(np.float64)
    return LandmarkPaths(seen_as(view), np.zeros(1), xy, score, np.ones((1, k)), state)


# --- a film


def _of_film(path: Path, view: View, tell: Progress) -> Trial:
    info = probe(path)
    times = packet_times_s(path.resolve())
    clock = capture_clock(info, times, None)
    start, end = _part(times, clock)
    checks: list[QualityCheck] = []
    notes = list(clock.notes)
    settings = Settings(
        films={view: path}, speed_mps=3.0, start_s=start if start > 0 else None, end_s=end, landmark_rate_hz=LOOK_RATE_HZ
    )
    observed: Observation | None = None
    paths: LandmarkPaths | None = None
    problem: MidstanceError | None = None
    try:
        observed, cleaned = observe_film(view, path, settings, tell)
        paths = cleaned.paths
    except RunnerError as error:
        problem = error
    except FilmError as error:
        if float(times[-1] if len(times) else 0.0) / clock.slowdown >= 1.5:
            raise
        problem = error  # too short to follow anybody; its middle picture still tells something
    if observed is None or paths is None:
        return _of_film_picture(path, info, view, clock, times, problem)
    people = max(observed.search.people, default=1)
    checks.append(_runner_followed(people))
    checks += _picture_checks(paths, view, info.width)
    checks += [c for c in observed.checks if c.check not in ("film_length", "people")]
    checks.insert(2, _rate_known(clock, paths, path))
    row = _clearest_row(paths)
    shown = float(observed.raw.file_time_s[row])
    looked = (end - start) / clock.slowdown
    notes.append(f"{looked:.1f} s of running were looked at: enough to judge the film, too little to measure")
    return _trial("film", view, info, checks, paths, row, shown, notes)


def _part(times: Floats, clock: CaptureClock) -> tuple[float, float]:
    """Return the part of the film to look at, file time, s: its middle."""
    last = float(times[-1]) if len(times) else 0.0
    first = 0.0
    if clock.uniform_s is not None:
        first, last = clock.uniform_s
    doubtful = clock.source == "file frame rate" and clock.capture_fps < 65
    real = LOOK_UNKNOWN_S if doubtful else LOOK_REAL_S
    length = min(real * clock.slowdown, max(LOOK_FILE_S, 1.6 * clock.slowdown), last - first)
    middle = 0.5 * (first + last)
    return max(first, middle - length / 2), min(last, middle + length / 2)


def _of_film_picture(
    path: Path, info: FilmInfo, view: View, clock: CaptureClock, times: Floats, problem: MidstanceError | None
) -> Trial:
    """Judge the middle picture of a film in which nobody could be followed."""
    middle = 0.5 * float(times[-1]) if len(times) else 0.0
    with read_frames(path, start_s=middle, info=info) as frames:
        frame = next(frames)
    readings = _people_in(frame)
    seen = readings[0] if readings else None
    meter = FitnessMeter(info, seen_as(view))
    meter.add(frame, None if seen is None else seen.xy, len(readings))
    paths = _one_row(seen, view)
    judged = meter.checks(paths, clock, timing_report(times))
    wanted = ("frame_rate", "lost_frames", *(_OF_ONE_PICTURE if seen is not None else ()))
    checks = [_runner(readings, problem), *_picture_checks(paths, view, info.width)]
    checks += [c for c in judged if c.check in wanted]
    notes = [*clock.notes, "only one picture from the middle of the film was looked at"]
    return _trial("film", view, info, checks, paths if seen is not None else None, 0, frame.file_time_s, notes)


def _clearest_row(paths: LandmarkPaths) -> int:
    """Return the row, nearest the middle, in which most landmarks were seen."""
    seen = np.isfinite(paths.xy[..., 0]).sum(axis=1)
    best = np.flatnonzero(seen == seen.max())
    return int(best[np.argmin(np.abs(best - len(seen) / 2))])


# --- the checks that only a trial has


def _runner(readings: list[Reading], problem: MidstanceError | None) -> QualityCheck:
    limit = "one person in the picture"
    if problem is not None and readings:
        advice = f"{_sentence(problem.what)} {_sentence(problem.next_step)}"
        return make_check("runner", float(len(readings)), "people", limit, "unfit", advice)
    if not readings:
        return make_check(
            "runner", 0.0, "people", limit, "unfit",
            "Nobody was found. Go nearer or zoom in, with the whole runner in the picture, in better light.",
        )  # fmt: skip
    rivals = [r for r in readings if r.body_px >= RIVAL_SIZE * readings[0].body_px]
    if len(rivals) > 1:
        advice = "Film when nobody else is in the picture; of two people the same size the runner can't be told."
        return make_check("runner", float(len(readings)), "people", limit, "unfit", advice)
    if len(readings) > 1:
        advice = "Film when nobody else is in the picture."
        return make_check("runner", float(len(readings)), "people", limit, "usable", advice, widens=False)
    return make_check("runner", 1.0, "people", limit, "good", "")


def _runner_followed(people: int) -> QualityCheck:
    limit = "one person in the picture"
    if people <= 1:
        return make_check("runner", 1.0, "people", limit, "good", "")
    return make_check(
        "runner", float(people), "people", limit, "usable", "Film when nobody else is in the picture.", widens=False
    )


def _picture_checks(paths: LandmarkPaths, view: View, width_px: int) -> list[QualityCheck]:
    """Judge view and place of the runner; nothing where nobody was seen."""
    if not np.isfinite(paths.xy).any():
        return []
    shown, ratio = view_shown(paths)
    wanted = seen_as(view)
    words = {"side": "from the side", "rear": "from behind", "front": "from the front"}
    limit = "shoulders less than 0.35 of the trunk's length apart from the side, more than 0.45 from behind and in front"
    if not np.isfinite(ratio):
        advice = "Both shoulders and hips must show."
        view_check = make_check("view_shown", None, "of trunk length", limit, "unknown", advice)
    elif shown == wanted:
        view_check = make_check("view_shown", round(ratio, 2), "of trunk length", limit, "good", "")
    elif shown is None:
        between = "front" if ratio > 0 else "rear"
        advice = f"The camera stands between side and {between}. Put it square to the running direction, or straight behind "
        advice += "or in front."
        view_check = make_check("view_shown", round(ratio, 2), "of trunk length", limit, "unfit", advice)
    else:
        advice = f"The runner is seen {words[shown]}, not {words[wanted]}. Move the camera, or choose the other view."
        view_check = make_check("view_shown", round(ratio, 2), "of trunk length", limit, "unfit", advice)
    hips = 0.5 * (paths.point("left_hip") + paths.point("right_hip"))[:, 0]
    if not np.isfinite(hips).any():
        return [view_check]
    off = 100.0 * (float(np.nanmedian(hips)) / width_px - 0.5)
    verdict: Verdict = "good" if abs(off) <= 100 * OFF_MIDDLE else "usable"
    advice = "" if verdict == "good" else "Aim the camera so that the runner is near the middle of the picture."
    place = make_check(
        "runner_off_middle",
        round(off, 1),
        "% of the picture's width",
        f"good up to {100 * OFF_MIDDLE:.0f} %",
        verdict,
        advice,
        widens=False,
    )
    return [view_check, place]


def _exposure(exposure_s: float | None) -> QualityCheck:
    """Judge the exposure a still says it had."""
    limit = f"good up to 1/{1 / GOOD_EXPOSURE_S:.0f} s, unfit above 1/{1 / UNFIT_EXPOSURE_S:.0f} s"
    if exposure_s is None:
        advice = "Film two seconds of running: smeared feet then show the exposure."
        return make_check("exposure_time", None, "s", limit, "unknown", advice)
    verdict: Verdict = "good" if exposure_s <= GOOD_EXPOSURE_S else "usable" if exposure_s <= UNFIT_EXPOSURE_S else "unfit"
    advice = "" if verdict == "good" else "More light and a shorter exposure: 1/500 s or less, best 1/1000 s."
    return make_check("exposure_time", exposure_s, "s", limit, verdict, advice)


def _rate_known(clock: CaptureClock, paths: LandmarkPaths, path: Path) -> QualityCheck:
    """Judge whether the film's clock can be right: whoever runs takes 120 to 250 steps a minute."""
    limit = "a rhythm of 120 to 250 steps/min by the film's clock"
    rate = any_step_rate_hz(paths)
    if rate is not None:
        try:
            check_against_cadence(clock, 60 * rate, where=str(path))
        except FilmError:
            advice = (
                "The film seems to be slow motion that doesn't say so. Use the original file from the camera, or give the "
                "rate it was set to with the film."
            )
            return make_check("capture_rate", round(60 * rate, 1), "steps/min", limit, "unfit", advice, EVENT_MEASURES)
    if clock.source == "file frame rate" and clock.capture_fps < 50:
        advice = "If this is slow motion, the file doesn't say so: give the rate the camera was set to with the film."
        return make_check("capture_rate", None, "steps/min", limit, "unknown", advice)
    return make_check("capture_rate", None, "steps/min", limit, "good", "")


def _sentence(text: str) -> str:
    text = text.replace("--runner-x", "the runner's place").strip()
    return text[:1].upper() + text[1:].rstrip(".") + "." if text else ""


def _trial(
    kind: Literal["still", "film"],
    view: View,
    info: FilmInfo,
    checks: list[QualityCheck],
    paths: LandmarkPaths | None,
    row: int,
    at_s: float,
    notes: list[str],
) -> Trial:
    roll = next((c.value for c in checks if c.check == "camera_roll"), None)
    near = None
    if paths is not None and seen_as(view) == "side" and view_shown(paths)[0] == "side":
        direction, sure = direction_of_travel(paths)
        near = near_side(direction) if sure >= 0.75 else None
    return Trial(
        kind=kind,
        view=view,
        width=info.width,
        height=info.height,
        checks=tuple(checks),
        landmarks=None if paths is None else paths.xy[row],
        at_s=at_s,
        roll_deg=roll,
        near_side=near,
        notes=tuple(notes),
    )
