"""The board, the lens, checks of accuracy and installation, backups, the demo."""

from __future__ import annotations

import contextlib
import datetime as dt
import secrets
import shutil
import threading
from typing import Annotated, Literal

from fastapi import APIRouter, File, Form, Query, UploadFile
from fastapi.responses import Response

from midstance.camera.board import MIN_LENS_VIEWS, board_pdf
from midstance.errors import ConflictError, OptionError
from midstance.records import backup
from midstance.web.api import schemas as s
from midstance.web.config import MOST_PICTURE_BYTES
from midstance.web.demo import add_demo
from midstance.web.deps import DatabaseDep, HomeDep, Who, WorkbenchDep, WriteDb
from midstance.web.events import job_dict
from midstance.web.files import disposition
from midstance.web.lens import MOST_PICTURES, find_lens, picture_suffix
from midstance.web.problems import WrongTypeError
from midstance.web.security import too_large
from midstance.workers import queue

router = APIRouter(tags=["tools"])
Paper = Literal["a4", "a3", "letter"]
_one_backup, _one_look, _one_lens = threading.Lock(), threading.Lock(), threading.Lock()


@router.get(
    "/board.pdf",
    summary="The board to print",
    response_class=Response,
    responses={200: {"description": "a page to print at 100 %", "content": {"application/pdf": {}}}, **s.problems(422)},
)
def board(paper: Annotated[Paper, Query()] = "a4") -> Response:
    """Give the board that tells the camera's place and the scale."""
    headers = {"Content-Disposition": disposition(f"midstance-board-{paper}.pdf")}
    return Response(board_pdf(paper), media_type="application/pdf", headers=headers)


@router.post("/lens", summary="Find a camera's lens", responses=s.problems(413, 415, 422))
def lens(
    home: HomeDep,
    pictures: Annotated[list[UploadFile], File(description="pictures of the board, JPEG or PNG, all of one size")],
    paper: Annotated[Paper | None, Form(description="the board's paper; told by itself mostly")] = None,
) -> s.LensOut:
    """Find focal length and distortion from five or more pictures of the board."""
    if not MIN_LENS_VIEWS <= len(pictures) <= MOST_PICTURES:
        raise OptionError(
            f"{len(pictures)} pictures were sent",
            where="pictures",
            allowed=f"{MIN_LENS_VIEWS} to {MOST_PICTURES}",
            next_step="take ten, with the board at different places and angles",
        )
    folder = home.incoming / f"lens-{secrets.token_hex(8)}"
    folder.mkdir()
    try:
        for i, picture in enumerate(pictures):
            head = picture.file.read(16)
            suffix = picture_suffix(head)
            if suffix is None:
                raise WrongTypeError(
                    f"file {i + 1} is no picture", where="pictures", allowed="JPEG or PNG", next_step="leave it out"
                )
            if (picture.size or 0) > MOST_PICTURE_BYTES:
                raise too_large(MOST_PICTURE_BYTES)
            with (folder / f"{i:02d}{suffix}").open("wb") as out:
                out.write(head)
                shutil.copyfileobj(picture.file, out)
        with _one_lens:
            return s.LensOut(**find_lens(folder, paper))
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@router.post("/validate", status_code=202, summary="Check the accuracy", responses=s.problems(409))
def validate(db: WriteDb, bench: WorkbenchDep, by: Who) -> s.JobOut:
    """Hold the numbers against outside truth; the tables are the job's result."""
    job = queue.queue_validate(db, by=by)
    db.flush()
    bench.wake_after(db)
    return s.JobOut(**job_dict(job))


@router.get("/doctor", summary="Check the installation", responses=s.problems())
def doctor() -> s.Doctor:
    """Look whether this machine can do the work."""
    from midstance.doctor import look

    with _one_look:
        lines, healthy = look()
    return s.Doctor(lines=lines, healthy=healthy)


@router.get("/backups", summary="List backups", responses=s.problems())
def list_backups(home: HomeDep) -> s.Backups:
    """List the backups in the data folder, newest first."""
    found = []
    with contextlib.suppress(OSError):
        for path in home.backups.iterdir():
            if path.is_file() and not path.name.startswith("."):
                status = path.stat()
                made = dt.datetime.fromtimestamp(status.st_mtime, dt.UTC)
                found.append(s.Backup(name=path.name, bytes=status.st_size, made_at=made))
    return s.Backups(items=sorted(found, key=lambda b: b.made_at, reverse=True))


@router.post("/backups", status_code=201, summary="Back up everything", responses=s.problems(409))
def back_up(home: HomeDep, database: DatabaseDep) -> s.Backup:
    """Write one archive with everything into the data folder's ``backups``; work goes on meanwhile."""
    if not _one_backup.acquire(blocking=False):
        raise ConflictError("a backup is being made", allowed="one at a time", next_step="wait until it is complete")
    try:
        name = f"midstance-{dt.datetime.now(dt.UTC):%Y-%m-%d-%H%M%S}-{secrets.token_hex(2)}.zip"
        path = backup.back_up(home, database, home.backups / name)
    finally:
        _one_backup.release()
    status = path.stat()
    return s.Backup(name=path.name, bytes=status.st_size, made_at=dt.datetime.fromtimestamp(status.st_mtime, dt.UTC))


@router.post("/demo", status_code=201, summary="Add the demo", responses=s.problems())
def demo(bench: WorkbenchDep, by: Who) -> s.Demo:
    """Add the invented runner with a session and three films; what is there already is given back."""
    runner_id, session_id = add_demo(bench, by=by)
    return s.Demo(runner_id=runner_id, session_id=session_id)
