"""What the API takes and gives. Lengths m, masses kg, speeds m/s, times s, angles deg, unless a name says another unit."""

from __future__ import annotations

import datetime as dt
import math
import unicodedata
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, PlainSerializer, WithJsonSchema, model_validator

from midstance.camera.shutter import READOUT_S
from midstance.gait.model import LANDMARKS
from midstance.records.fields import (
    CAPTURE_FPS,
    EARLIEST,
    HEIGHT_M,
    KNOWN_LENGTH_M,
    MASS_KG,
    MAX_FILM_S,
    MAX_KNOWN_LENGTHS,
    MAX_NOTES,
    MAX_PAINS,
    MAX_PX,
    MIN_MARKED_PX,
    SPEED_MPS,
    WEEKLY_KM,
)
from midstance.web.events import iso

#: Text on one line, and text with line breaks; control characters and halves of characters are never taken.
_LINE = "^[^\\x00-\\x1f\\x7f-\\x9f\\u2028\\u2029]*$"
_TEXT = "^[^\\x00-\\x08\\x0b\\x0c\\x0e-\\x1f\\x7f]*$"
_VERSION = 2**31 - 1


def line(most: int, least: int = 0) -> Any:
    """Return the constraints of text on one line."""
    return Field(min_length=least, max_length=most, pattern=_LINE)


def _printable(text: str) -> str:
    text = "".join(" " if unicodedata.category(c) == "Zs" else c for c in text).strip()
    if not text.isprintable():
        raise ValueError("it holds characters that can't be printed")
    return text


def _no_blank(text: str) -> str:
    if not text:
        raise ValueError("it is empty")
    return text


Name = Annotated[str, line(80, 1), AfterValidator(_printable), AfterValidator(_no_blank)]
Line80 = Annotated[str, line(80), AfterValidator(_printable)]
Line120 = Annotated[str, line(120), AfterValidator(_printable)]
Line200 = Annotated[str, line(200), AfterValidator(_printable)]
Text = Annotated[str, Field(max_length=MAX_NOTES, pattern=_TEXT)]
IdField = Annotated[str, Field(pattern="^[0-9a-f]{16}$", examples=["00112233445566aa"])]
Version = Annotated[int, Field(ge=1, le=_VERSION, description="The version that was read; another one answers 409.")]
Moment = Annotated[dt.datetime, PlainSerializer(iso, return_type=str, when_used="json")]
View = Literal["side", "side_far", "rear", "front"]
JobState = Literal["waiting", "running", "done", "failed", "cancelled"]
Px = Annotated[float, Field(ge=0, le=MAX_PX, description="px of the upright picture, y down")]
Point = Annotated[list[Px], Field(min_length=2, max_length=2, description="x and y")]
FilmTime = Annotated[float, Field(ge=0, le=MAX_FILM_S, description="s of real time from the film's first picture")]


def plain_json(value: Any, depth: int = 0) -> Any:
    """Return JSON that every database can keep; else a fault.

    Raises
    ------
    ValueError
        It is nested too deeply, or holds a number or character that can't be kept.
    """
    if depth > 12:
        raise ValueError("it is nested too deeply")
    if isinstance(value, dict):
        for key, inner in value.items():
            plain_json(key, depth + 1)
            plain_json(inner, depth + 1)
    elif isinstance(value, list):
        for inner in value:
            plain_json(inner, depth + 1)
    elif isinstance(value, float) and not math.isfinite(value):
        raise ValueError("it holds a number that isn't finite")
    elif isinstance(value, int) and abs(value) > 2**53:
        raise ValueError("it holds a number that is too large")
    elif isinstance(value, str) and any(c == "\0" or "\ud800" <= c <= "\udfff" for c in value):
        raise ValueError("it holds a character that can't be kept")
    return value


class Taken(BaseModel):
    """What is taken: unknown names are faults, so that a slip of the pen isn't silently lost."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, str_max_length=20_000)


class Given(BaseModel):
    """What is given."""

    model_config = ConfigDict(from_attributes=True)


class Problem(BaseModel):
    """A problem document (RFC 9457), ``application/problem+json``."""

    type: str
    title: str
    status: int
    detail: str
    what: str = Field(description="the fault")
    where: str = Field(description="the field, file or place it concerns")
    allowed: str = Field(description="what would be taken")
    next_step: str = Field(description="what can be done now")
    current: dict[str, Any] | None = Field(None, description="with 409: what the records hold now")
    errors: list[dict[str, str]] | None = Field(None, description="with 422: all faults, each with where and what")


def problems(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """Return the description of the problem answers of an operation."""
    words = {
        400: "It can't be read.",
        401: "Nobody is signed in.",
        403: "Not allowed: another site's page, a token or page that is out of date, or a wrong password.",
        404: "There is no such thing.",
        409: "Somebody else changed it meanwhile, or it isn't ready for this; `current` is what there is now.",
        413: "More than is taken in one piece.",
        415: "Another kind than what is taken here.",
        416: "There is no such part.",
        422: "Something isn't as described; says what, where and what is allowed.",
        429: "Too many tries; `Retry-After` says when again.",
        503: "The records can't be used at the moment.",
    }
    shown = {"application/problem+json": {"schema": {"$ref": "#/components/schemas/Problem"}}}
    return {status: {"description": words[status], "content": shown} for status in sorted({400, 401, 403, 503, *statuses})}


# -- runners -----------------------------------------------------------------------------------------------------------


class RunnerFields(Taken):
    """What is noted of a runner. Names left out stay as they are."""

    birth_year: int | None = Field(None, ge=1900, le=2100)
    height_m: float | None = Field(None, ge=HEIGHT_M[0], le=HEIGHT_M[1])
    mass_kg: float | None = Field(None, ge=MASS_KG[0], le=MASS_KG[1])
    body_table: Literal["mean", "female", "male"] = Field("mean", description="segment masses for the centre of mass")
    notes: Text = ""
    consent: Literal["not_asked", "given", "withdrawn"] = "not_asked"
    consent_on: dt.date | None = Field(None, description="when it was given or withdrawn")
    consent_by: Line80 = Field("", description="who noted it")
    consent_text: Annotated[str, Field(max_length=2000, pattern=_TEXT)] = Field("", description="to what")


class RunnerNew(RunnerFields):
    """A new runner."""

    name: Name


class RunnerChange(RunnerFields):
    """A change of a runner."""

    name: Name = Field("", validate_default=False)
    version: Version


class RunnerOut(Given):
    """A runner."""

    id: str
    name: str
    birth_year: int | None
    height_m: float | None
    mass_kg: float | None
    body_table: str
    notes: str
    consent: str
    consent_on: dt.date | None
    consent_by: str
    consent_text: str
    invented: bool = Field(description="true for the demo: no person")
    created_at: Moment
    changed_at: Moment
    changed_by: str
    version: int


class RunnerItem(Given):
    """A runner of a list."""

    id: str
    name: str
    birth_year: int | None
    consent: str
    invented: bool
    version: int
    sessions: int = Field(description="how many")
    last_held_on: dt.date | None = Field(description="day of the latest session")


class Runners(BaseModel):
    """A part of the list of runners; ``next`` is the ``after`` of the next part."""

    items: list[RunnerItem]
    next: str | None


class EraseRunner(Taken):
    """The runner's name, written again so that nobody erases the wrong one."""

    name: Line80


class Erased(BaseModel):
    """What was erased, and what was searched afterwards."""

    counts: dict[str, int]
    clean: bool = Field(description="nothing was found any more")
    searched: list[str]
    traces: list[str] = Field(description="what was found all the same")
    mentions: list[str] = Field(description="where the same name still is, which may be somebody else's")
    backups: list[str] = Field(description="backups in the data folder that may still hold the runner")
    unreachable: list[str] = Field(description="what can't be searched")


class JournalEntry(Given):
    """Who did what, when."""

    id: str
    at: Moment
    by: str
    what: str
    runner_id: str | None
    subject_id: str
    detail: dict[str, Any]


class Journal(BaseModel):
    """A part of the journal, newest first."""

    items: list[JournalEntry]
    next: str | None


# -- sessions ----------------------------------------------------------------------------------------------------------


class Pain(Taken):
    """Where it hurts, and how much."""

    where: Name
    score_0_10: float = Field(ge=0, le=10)
    note: Line200 = ""


class SessionFields(Taken):
    """What is noted of a session. Names left out stay as they are."""

    place: Line80 = ""
    surface: Literal["treadmill", "overground"] = "treadmill"
    speed_mps: float | None = Field(None, ge=SPEED_MPS[0], le=SPEED_MPS[1])
    shoes: Line120 = ""
    weekly_distance_km: float | None = Field(None, ge=WEEKLY_KM[0], le=WEEKLY_KM[1])
    pain: list[Pain] = Field(default_factory=list, max_length=MAX_PAINS)
    notes: Text = ""


class SessionNew(SessionFields):
    """A new session."""

    held_on: dt.date = Field(ge=EARLIEST, le=dt.date(2100, 12, 31))


class SessionChange(SessionFields):
    """A change of a session."""

    held_on: dt.date = Field(EARLIEST, ge=EARLIEST, le=dt.date(2100, 12, 31))
    version: Version


class SessionOut(Given):
    """A session."""

    id: str
    runner_id: str
    held_on: dt.date
    place: str
    surface: str
    speed_mps: float | None
    shoes: str
    weekly_distance_km: float | None
    pain: list[dict[str, Any]]
    notes: str
    created_at: Moment
    changed_at: Moment
    changed_by: str
    version: int


class SessionItem(Given):
    """A session of a list."""

    id: str
    runner_id: str
    runner_name: str
    invented: bool
    held_on: dt.date
    place: str
    surface: str
    speed_mps: float | None
    shoes: str
    pain: list[dict[str, Any]]
    version: int
    views: list[str] = Field(description="of the films that are used")
    films: int = Field(description="how many are used")
    assessment_id: str | None = Field(description="its latest assessment, whatever its state")
    assessment_number: int | None
    assessment_state: str | None
    cadence_spm: float | None = Field(description="of the latest assessment that is done, steps/min")


class Sessions(BaseModel):
    """A part of the list of sessions, newest first; ``next`` is the ``after`` of the next part."""

    items: list[SessionItem]
    next: str | None


# -- jobs --------------------------------------------------------------------------------------------------------------


class JobOut(BaseModel):
    """A piece of slow work."""

    id: str
    number: int
    kind: str
    state: JobState
    session_id: str | None
    film_id: str | None
    assessment_id: str | None
    stage: str = Field(description="what is being done")
    share: float = Field(description="how much of it is done, 0 to 1")
    attempts: int
    cancel_wanted: bool
    problem: dict[str, Any] | None = Field(description="what ended it: what, where, allowed, next_step")
    result: dict[str, Any] | None
    created_by: str
    created_at: str
    started_at: str | None
    ended_at: str | None
    change: int = Field(description="rises with every change of any job")


class Jobs(BaseModel):
    """Jobs, newest first."""

    items: list[JobOut]
    next: str | None = None


# -- films -------------------------------------------------------------------------------------------------------------


class KnownLength(Taken):
    """A length marked in the picture."""

    first_px: Point
    second_px: Point
    length_m: float = Field(ge=KNOWN_LENGTH_M[0], le=KNOWN_LENGTH_M[1])

    @model_validator(mode="after")
    def _apart(self) -> Self:
        if math.dist(self.first_px, self.second_px) < MIN_MARKED_PX:
            raise ValueError(f"the two points must be at least {MIN_MARKED_PX:g} px apart")
        return self


class FilmChange(Taken):
    """A change of what is said of a film. Names left out stay as they are."""

    view: View = "side"
    used: bool = Field(True, description="false for a take that is kept but not measured")
    name: Line120 = ""
    capture_fps: float | None = Field(
        None, ge=CAPTURE_FPS[0], le=CAPTURE_FPS[1], description="pictures a second of real time; null: as the film says"
    )
    start_s: float | None = Field(None, ge=0, le=MAX_FILM_S, description="measure from here, s as a player shows it")
    end_s: float | None = Field(None, gt=0, le=MAX_FILM_S, description="measure up to here, s as a player shows it")
    runner_x: float | None = Field(None, ge=0, le=1, description="where the runner is across the picture, 0 to 1")
    readout_s: float | None = Field(
        None, ge=READOUT_S[0], le=READOUT_S[1], description="time the camera takes to read out a picture, s"
    )
    known_lengths: list[KnownLength] = Field(default_factory=list, max_length=MAX_KNOWN_LENGTHS)
    marks: Annotated[dict[str, Any], AfterValidator(plain_json)] = Field(
        default_factory=dict, description="the film's entry of a marks file: ground, lens, roll_deg, stickers"
    )
    version: Version


class FilmOut(Given):
    """A film of a session."""

    id: str
    session_id: str
    sha256: str
    view: str
    used: bool
    name: str
    capture_fps: float | None
    start_s: float | None
    end_s: float | None
    runner_x: float | None
    readout_s: float | None
    known_lengths: list[dict[str, Any]]
    marks: dict[str, Any]
    info: dict[str, Any] = Field(description="what the container says; empty until the film is prepared")
    created_at: Moment
    created_by: str
    changed_at: Moment
    changed_by: str
    version: int


class FilmStateOut(FilmOut):
    """A film, and how far it is."""

    prepared: bool = Field(description="it can be played here")
    read: bool = Field(description="its landmarks were read")
    job: JobOut | None = Field(description="what runs or waits for it, else what was done last")
    problem: dict[str, Any] | None = Field(description="why it couldn't be prepared or read")


class SessionWhole(SessionOut):
    """A session with its runner and films."""

    runner: RunnerOut
    films: list[FilmStateOut]


class Frames(BaseModel):
    """The times of a film's pictures. A frame is shown by going to the middle between its time and the next one's."""

    film_id: str
    sha256: str
    width: int
    height: int
    proxy_width: int
    proxy_height: int
    frames: int
    pts_s: list[float] = Field(description="time in the file from the first picture, s")
    time_s: list[float] = Field(description="real time from the first picture, s")
    capture_fps: float
    capture_source: str
    slowdown: float = Field(description="file time divided by real time")
    uniform_s: list[float] | None = Field(None, description="the part that runs at one speed, s of the file")
    codec: str = Field("", description="of the film as it came")
    duration_s: float = Field(description="s of the file")
    notes: list[str] = Field(default_factory=list, description="what is damaged")
    clock_notes: list[str] = Field(default_factory=list, description="what is odd about its times")
    problem: dict[str, Any] | None = Field(None, description="why its capture rate must be given")


# -- corrections -------------------------------------------------------------------------------------------------------


def _landmark(name: str) -> str:
    if name not in LANDMARKS:
        raise ValueError("there is no such landmark")
    return name


Landmark = Annotated[str, AfterValidator(_landmark), WithJsonSchema({"type": "string", "enum": list(LANDMARKS)})]
Side = Literal["left", "right"]


class _Correction(Taken):
    time_s: FilmTime
    note: Line200 = ""


class LandmarkCorrection(_Correction):
    """A landmark is here."""

    kind: Literal["landmark"]
    landmark: Landmark
    x_px: Px
    y_px: Px


class NotVisibleCorrection(_Correction):
    """A landmark can't be seen."""

    kind: Literal["not_visible"]
    landmark: Landmark
    to_s: FilmTime | None = None


class EventCorrection(_Correction):
    """A contact or toe-off is here, or there is none here."""

    kind: Literal["event"]
    side: Side
    event: Literal["initial_contact", "toe_off"]
    remove: bool = False


class SwapLegsCorrection(_Correction):
    """Left and right leg are exchanged in this part."""

    kind: Literal["swap_legs"]
    to_s: FilmTime


class LeaveOutCorrection(_Correction):
    """The stride of this foot that holds the time isn't measured."""

    kind: Literal["leave_out"]
    side: Side


CorrectionNew = Annotated[
    LandmarkCorrection | NotVisibleCorrection | EventCorrection | SwapLegsCorrection | LeaveOutCorrection,
    Field(discriminator="kind"),
]


class CorrectionOut(Given):
    """Something set right by hand."""

    id: str
    film_id: str
    number: int
    body: dict[str, Any]
    note: str
    made_by: str
    made_at: Moment
    withdrawn_by: str | None
    withdrawn_at: Moment | None


class Corrections(BaseModel):
    """Corrections of a film in the order they were made, withdrawn ones too."""

    items: list[CorrectionOut]
    next: str | None = None


class Corrected(BaseModel):
    """A correction, and the film as it is now measured; ``reading`` is null while the film isn't read yet."""

    correction: CorrectionOut
    reading: dict[str, Any] | None


class OverruleNew(Taken):
    """A finding that isn't agreed with, and why."""

    finding: Annotated[str, Field(min_length=1, max_length=80, pattern="^[a-z0-9_]+$")]
    side: Literal["left", "right", "both"] = "both"
    why: Annotated[str, line(400, 1), AfterValidator(_printable), AfterValidator(_no_blank)]


class OverruleOut(Given):
    """A finding that isn't agreed with."""

    id: str
    session_id: str
    finding: str
    side: str
    why: str
    made_by: str
    made_at: Moment
    withdrawn_by: str | None
    withdrawn_at: Moment | None


class Overrules(BaseModel):
    """Findings of a session that aren't agreed with, withdrawn ones too."""

    items: list[OverruleOut]
    next: str | None = None


# -- assessments -------------------------------------------------------------------------------------------------------


class MeasureOut(Given):
    """A measure of an assessment."""

    measure: str
    side: str
    view: str
    unit: str
    value: float | None
    low: float | None
    high: float | None
    n: int
    reason: str | None


class AssessmentOut(Given):
    """A report as it was made."""

    id: str
    session_id: str
    number: int
    state: JobState
    software: str
    provenance: dict[str, Any] = Field(description="films, corrections and versions that the numbers came from")
    created_by: str
    created_at: Moment
    done_at: Moment | None


class AssessmentWhole(AssessmentOut):
    """A report with its numbers."""

    settings: dict[str, Any]
    findings: list[dict[str, Any]]
    measures: list[MeasureOut]


class Assessments(BaseModel):
    """Assessments of a session, newest first."""

    items: list[AssessmentOut]
    next: str | None = None


class AssessmentStarted(BaseModel):
    """An assessment that was asked for, and the job that makes it."""

    assessment: AssessmentOut
    job: JobOut


class ResultFile(BaseModel):
    """A file of an assessment."""

    name: str
    bytes: int
    media_type: str


class ResultFiles(BaseModel):
    """Files of an assessment."""

    items: list[ResultFile]
    next: str | None = None


# -- the rest ----------------------------------------------------------------------------------------------------------


class About(BaseModel):
    """The software and its limits."""

    software: str
    most_film_bytes: int
    accounts: bool = Field(description="people must sign in")


class WhoOut(BaseModel):
    """Who is asking."""

    name: str
    account: bool = Field(description="signed in with an account; else the name is the one in the settings")


class SignIn(Taken):
    """Name and password of an account."""

    name: Line80
    password: Annotated[str, Field(max_length=1000)]


class SignedIn(BaseModel):
    """The key of a login, to be sent as ``Authorization: Bearer KEY``."""

    key: str


class SettingsOut(BaseModel):
    """Settings of the workbench."""

    coach: str = Field(description="the name that stands for whoever works here without signing in")


class SettingsChange(Taken):
    """A change of the settings."""

    coach: Line80


class MeasureInfo(Given):
    """What a measure is."""

    key: str
    unit: str
    views: list[str]
    group: str
    title: str
    definition: str
    positive: str
    negative: str
    decimals: int
    ratio_scale: bool
    sides: list[str]
    useful_half_width: float | None


class Measures(BaseModel):
    """All measures."""

    items: list[MeasureInfo]
    next: str | None = None


class Doctor(BaseModel):
    """What was found on this machine."""

    healthy: bool
    lines: list[str]


class Backup(BaseModel):
    """A backup in the data folder."""

    name: str
    bytes: int
    made_at: Moment


class Backups(BaseModel):
    """Backups in the data folder, newest first."""

    items: list[Backup]
    next: str | None = None


class LensOut(BaseModel):
    """A camera's lens, as a marks file holds it under ``lens``."""

    lens: dict[str, Any]
    source: str


class Demo(BaseModel):
    """The invented runner and the session of the demo."""

    runner_id: str
    session_id: str


class PairingOut(Given):
    """A code for a phone, or a phone that used it."""

    id: str
    session_id: str
    created_by: str
    created_at: Moment
    expires_at: Moment
    used_at: Moment | None = Field(description="when a phone used the code")
    ended_at: Moment | None


class PairingCode(PairingOut):
    """A new code."""

    code: str = Field(description="told only this once")


class Pairings(BaseModel):
    """Open codes and paired phones of a session."""

    items: list[PairingOut]
    next: str | None = None
