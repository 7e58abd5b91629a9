"""Films: playing them, exact frames, landmarks as they stand, corrections."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import cv2
from fastapi import APIRouter, Header, Query
from fastapi import Path as InPath
from fastapi.responses import FileResponse, Response

from midstance.errors import MidstanceError, NotFoundError, OptionError
from midstance.film.proxy import POSTER_FILE, PROXY_FILE, exact_frame, film_frames, read_about
from midstance.records import corrections, erasing, films
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.records.tables import CorrectionRow, FilmRow
from midstance.web.api import schemas as s
from midstance.web.api.sessions import film_state
from midstance.web.deps import DatabaseDep, HomeDep, Id, ReadDb, Who, WorkbenchDep, WriteDb
from midstance.web.events import job_dict
from midstance.web.files import SNIFFED_BYTES, disposition, film_suffix
from midstance.workers import queue

if TYPE_CHECKING:
    from midstance.web.app import Workbench

router = APIRouter(tags=["films"])
#: Kept by the browser, asked for again each time: an erased film must not come out of a cache.
ASK_AGAIN = {"Cache-Control": "private, no-cache"}
#: What must be read anew when it changes.
_READ_AGAIN = frozenset({"view", "used", "capture_fps", "start_s", "end_s", "runner_x", "marks"})
_decoding = threading.BoundedSemaphore(2)


@router.get("/films/{id}", summary="Show a film", responses=s.problems(404))
def get_film(id: Id, db: ReadDb, home: HomeDep) -> s.FilmStateOut:
    """Give what is noted of a film, and how far it is."""
    return film_state(db, home, films.get_film(db, id))


@router.put("/films/{id}", summary="Change a film", responses=s.problems(404, 409, 422))
def change_film(id: Id, change: s.FilmChange, db: WriteDb, home: HomeDep, bench: WorkbenchDep, by: Who) -> s.FilmStateOut:
    """Change what is said of a film; names left out stay as they are. What must be looked at in the film again is."""
    fields = change.model_dump(exclude_unset=True, exclude={"version"}, mode="json")
    row = films.get_film(db, id)
    before = {name: getattr(row, name) for name in fields}
    row = films.change_film(db, id, fields, version=change.version, by=by)
    db.flush()
    changed = {name for name in fields if before[name] != getattr(row, name)}
    if changed & _READ_AGAIN and row.used and read_about(home.proxy(row.sha256)) is not None:
        queue.queue_read(db, row, by=by)
        bench.wake_after(db)
    return film_state(db, home, row)


@router.delete("/films/{id}", status_code=204, summary="Remove a film", responses=s.problems(404, 409))
def remove_film(id: Id, home: HomeDep, database: DatabaseDep, by: Who) -> Response:
    """Remove a film from its session, with its corrections; its file goes too unless another session has it."""
    with database.writing() as db:
        films.remove_film(db, id, by=by)
    erasing.tidy(home, database)
    return Response(status_code=204)


@router.get(
    "/films/{id}/original",
    summary="The film as it came",
    response_class=Response,
    responses={200: {"description": "the film", "content": {"application/octet-stream": {}}}, **s.problems(404, 416)},
)
def original(id: Id, db: ReadDb, home: HomeDep) -> Response:
    """Give the film's bytes as they came."""
    row = films.get_film(db, id)
    path = _there(MediaStore(home).path(row.sha256), "the film's file")
    with path.open("rb") as file:
        suffix = film_suffix(file.read(SNIFFED_BYTES)) or ".bin"
    stem = Path(row.name).stem if row.name else f"film-{row.id}"
    headers = {**ASK_AGAIN, "Content-Disposition": disposition(f"{stem[:100]}{suffix}")}
    return FileResponse(path, media_type="application/octet-stream", headers=headers)


@router.get(
    "/films/{id}/proxy.mp4",
    summary="The film to play",
    response_class=Response,
    responses={
        200: {"description": "H.264 in MP4, upright", "content": {"video/mp4": {}}},
        206: {"description": "a part of it", "content": {"video/mp4": {}}},
        **s.problems(404, 416),
    },
)
def proxy(id: Id, db: ReadDb, home: HomeDep) -> Response:
    """Give the playable copy; its pictures have exactly the times of the film. Parts may be asked for (``Range``)."""
    row = films.get_film(db, id)
    path = _there(home.proxy(row.sha256) / PROXY_FILE, "the playable copy")
    return FileResponse(path, media_type="video/mp4", headers=ASK_AGAIN)


@router.get(
    "/films/{id}/poster.jpg",
    summary="A still of the film",
    response_class=Response,
    responses={200: {"description": "a picture", "content": {"image/jpeg": {}}}, **s.problems(404)},
)
def poster(id: Id, db: ReadDb, home: HomeDep) -> Response:
    """Give a small picture of the film."""
    row = films.get_film(db, id)
    path = _there(home.proxy(row.sha256) / POSTER_FILE, "the still")
    return FileResponse(path, media_type="image/jpeg", headers=ASK_AGAIN)


def _there(path: Path, what: str) -> Path:
    if not path.is_file():
        raise NotFoundError(
            f"{what} isn't there yet",
            where="film",
            allowed="a film that was prepared",
            next_step="wait until the film is prepared, or start that again",
        )
    return path


@router.get("/films/{id}/frames", summary="Times of all pictures", responses=s.problems(404, 422))
def frames(id: Id, db: ReadDb, home: HomeDep) -> s.Frames:
    """Give size and times of the film's pictures. 404 until the film is prepared."""
    row = films.get_film(db, id)
    return s.Frames(**{"film_id": row.id, "sha256": row.sha256, **_about(home, row)})


def _about(home: Home, row: FilmRow) -> dict[str, Any]:
    about = read_about(home.proxy(row.sha256))
    if about is None:
        _there(home.proxy(row.sha256) / "whole copy", "the playable copy")
        raise AssertionError
    return film_frames(about, row.capture_fps)


@router.get(
    "/films/{id}/frames/{n}.jpg",
    summary="One exact picture",
    response_class=Response,
    responses={
        200: {"description": "the picture", "content": {"image/jpeg": {}}},
        304: {"description": "as before"},
        **s.problems(404, 422),
    },
)
def frame(
    id: Id,
    n: Annotated[int, InPath(ge=0, le=10_000_000, description="which picture, from 0")],
    db: ReadDb,
    home: HomeDep,
    width: Annotated[int | None, Query(ge=16, le=1920, description="px; no wider than the playable copy")] = None,
    if_none_match: Annotated[str | None, Header(max_length=200)] = None,
) -> Response:
    """Give picture ``n`` of the playable copy."""
    row = films.get_film(db, id)
    about = _about(home, row)
    if n >= about["frames"]:
        raise NotFoundError(
            f"there is no picture {n}", where="n", allowed=f"0 to {about['frames'] - 1}", next_step="choose one of these"
        )
    across = min(width or about["proxy_width"], about["proxy_width"])
    tag = f'"{row.sha256[:24]}-{n}-{across}"'
    headers = {**ASK_AGAIN, "ETag": tag}
    if if_none_match is not None and tag in if_none_match:
        return Response(status_code=304, headers=headers)
    with _decoding:
        picture: Any = exact_frame(home.proxy(row.sha256) / PROXY_FILE, n, about["pts_s"])
    if across != picture.shape[1]:
        high = max(1, round(picture.shape[0] * across / picture.shape[1]))
        picture = cv2.resize(picture, (across, high), interpolation=cv2.INTER_AREA)
    ok, jpeg = cv2.imencode(".jpg", cv2.cvtColor(picture, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 92])
    assert ok
    return Response(jpeg.tobytes(), media_type="image/jpeg", headers=headers)


@router.get("/films/{id}/reading", summary="Landmarks, events and measures as they stand", responses=s.problems(404, 422))
def reading(id: Id, db: ReadDb, bench: WorkbenchDep) -> dict[str, Any]:
    """Give the film's landmarks, events, strides and measures with all corrections in. 404 until it is read.

    ``xy`` and ``com`` are little-endian float32 px of the upright picture, ``state`` is uint8, all base64; a row for each of
    ``rows`` (frame indices) and ``time_s``.
    """
    films.get_film(db, id)
    result: dict[str, Any] = bench.live.film(db, id)
    return result


@router.post("/films/{id}/prepare", status_code=202, summary="Prepare a film again", responses=s.problems(404, 409))
def prepare(id: Id, db: WriteDb, bench: WorkbenchDep, by: Who) -> s.JobOut:
    """Make the playable copy again, then read the film."""
    return _queued(bench, queue.queue_film(db, films.get_film(db, id), by=by), db)


@router.post("/films/{id}/read", status_code=202, summary="Read a film again", responses=s.problems(404, 409))
def read(id: Id, db: WriteDb, bench: WorkbenchDep, by: Who) -> s.JobOut:
    """Read the film's landmarks again."""
    return _queued(bench, queue.queue_read(db, films.get_film(db, id), by=by), db)


def _queued(bench: Workbench, job: Any, db: Any) -> s.JobOut:
    db.flush()
    bench.wake_after(db)
    return s.JobOut(**job_dict(job))


# -- corrections -------------------------------------------------------------------------------------------------------


@router.get("/films/{id}/corrections", tags=["corrections"], summary="List corrections", responses=s.problems(404))
def list_corrections(id: Id, db: ReadDb) -> s.Corrections:
    """List corrections of a film in the order they were made, withdrawn ones too."""
    films.get_film(db, id)
    rows = corrections.corrections_of(db, id, withdrawn=None)
    return s.Corrections(items=[s.CorrectionOut.model_validate(r) for r in rows])


@router.post(
    "/films/{id}/corrections",
    status_code=201,
    tags=["corrections"],
    summary="Correct something",
    responses=s.problems(404, 409, 422),
)
def add_correction(id: Id, new: s.CorrectionNew, db: WriteDb, bench: WorkbenchDep, by: Who) -> s.Corrected:
    """Set a landmark, an event, mixed-up legs or a stride right; answers with the film as it is now measured."""
    body = new.model_dump(exclude={"note"}, exclude_none=True)
    _check_time(bench.config.home, films.get_film(db, id), body)
    row = corrections.add_correction(db, id, body, note=new.note, by=by)
    return _corrected(bench, db, row, check=True)


def _check_time(home: Home, row: FilmRow, body: dict[str, Any]) -> None:
    """Stop at a time that the film doesn't have, where its times are known."""
    about = read_about(home.proxy(row.sha256))
    if about is None:
        return
    times = film_frames(about, row.capture_fps)["time_s"]
    longest = times[-1] + (times[-1] - times[0]) / max(1, len(times) - 1)
    if body["time_s"] > longest or body.get("to_s", 0.0) > longest + 1:
        raise OptionError(
            "the film has no such time",
            where="time_s",
            allowed=f"0 to {times[-1]:.3f} s of real time from the film's first picture",
            next_step="correct the time",
        )


@router.post(
    "/corrections/{id}/withdraw", tags=["corrections"], summary="Withdraw a correction", responses=s.problems(404, 409)
)
def withdraw_correction(id: Id, db: WriteDb, bench: WorkbenchDep, by: Who) -> s.Corrected:
    """Undo a correction; it stays on record."""
    return _corrected(bench, db, corrections.withdraw_correction(db, id, by=by), check=False)


@router.post(
    "/corrections/{id}/restore", tags=["corrections"], summary="Put a correction back", responses=s.problems(404, 409, 422)
)
def restore_correction(id: Id, db: WriteDb, bench: WorkbenchDep, by: Who) -> s.Corrected:
    """Redo a correction that was withdrawn."""
    return _corrected(bench, db, corrections.restore_correction(db, id, by=by), check=False)


def _corrected(bench: Workbench, db: Any, row: CorrectionRow, *, check: bool) -> s.Corrected:
    """Measure the film with the correction before it is kept; with ``check`` one that spoils the film is refused."""
    db.flush()
    reading, fault = _measured(bench, db, row.film_id)
    if fault is not None and check:
        with bench.database.reading() as as_before:
            if _measured(bench, as_before, row.film_id)[1] is None:
                raise fault
    return s.Corrected(correction=s.CorrectionOut.model_validate(row), reading=reading)


def _measured(bench: Workbench, db: Any, film_id: str) -> tuple[dict[str, Any] | None, MidstanceError | None]:
    """Return the film as it is measured, None where it isn't read yet, and why it can't be measured."""
    try:
        reading: dict[str, Any] = bench.live.film(db, film_id)
    except NotFoundError:
        return None, None
    except MidstanceError as error:
        return None, error
    problem = reading["problem"]
    if problem is None:
        return reading, None
    fault = OptionError(
        problem["what"], where="correction", allowed=problem["allowed"], next_step="correct it elsewhere in the film"
    )
    return reading, fault
