"""The filming guide: where the camera goes, what it is set to, the run, stickers, a list to print, and checks by picture."""

from __future__ import annotations

import re
import secrets
import time
from collections.abc import AsyncIterator, Mapping
from typing import Any

from anyio.to_thread import run_sync
from fastapi import APIRouter, Request
from starlette.datastructures import UploadFile
from starlette.requests import ClientDisconnect
from starlette.responses import JSONResponse, RedirectResponse, Response

from midstance.errors import NotFoundError, OptionError
from midstance.records.home import Home
from midstance.records.tables import JobRow
from midstance.web import guide_geometry as geometry
from midstance.web import guide_plans as plans
from midstance.web import guide_setup
from midstance.web.deps import Id, ReadDb, WorkbenchDep, csrf, templates, who
from midstance.web.files import film_suffix
from midstance.web.guide_plans import seen
from midstance.web.problems import WrongTypeError
from midstance.web.security import too_large
from midstance.web.shell import show

router = APIRouter()

VIEWS = ("side", "rear", "front")
#: Tabs of the guide: address and title.
PARTS: tuple[tuple[str, str], ...] = (
    ("", "Overview"),
    ("side", "From the side"),
    ("rear", "From behind"),
    ("front", "From the front"),
    ("settings", "Camera settings"),
    ("run", "The run"),
    ("stickers", "Stickers and board"),
    ("check", "Check a picture"),
    ("checklist", "List to print"),
)
#: Most bytes of a trial film.
MOST_TRIAL_BYTES = 500 * 1024**2
#: A trial that nobody took up is removed after this long, s.
TRIAL_S = 3600.0
NAME = re.compile(r"trial-[0-9a-f]{16}")

#: The checks of a trial in words: title, and what the value means. ``{}`` is the value.
CHECKS: Mapping[str, tuple[str, str]] = {
    "runner": ("One runner", "{:.0f} found"),
    "view_shown": ("The view", "shoulders {:+.2f} trunk lengths apart"),
    "runner_off_middle": ("In the middle", "{:+.0f} % of the width off the middle"),
    "runner_size": ("Size in the picture", "{:.0f} % of the picture's height"),
    "pixels_per_body_height": ("Pixels", "{:.0f} px from nose to heel"),
    "runner_cut_off": ("Nothing cut off", "cut off in {:.0f} % of the pictures"),
    "camera_roll": ("Camera level", "{:+.1f}° of tilt"),
    "camera_motion": ("Camera still", "moves by {:.2f} % of body height in a quarter of a second"),
    "frame_rate": ("Pictures a second", "{:.0f} a second"),
    "capture_rate": ("Slow motion told", "{:.0f} steps/min by the film's clock"),
    "lost_frames": ("No pictures lost", "{:.1f} % lost or repeated"),
    "foot_blur": ("Sharp feet", "smeared over {:.2f} % of body height"),
    "exposure_time": ("Exposure", "{} s"),
    "light": ("Light", "{:.0f} of 255"),
    "contrast": ("Contrast", "{:.0f} grey levels"),
    "picture_noise": ("Grain", "{:.1f} grey levels"),
}
VERDICTS: Mapping[str, tuple[str, str, str]] = {
    "good": ("good", "good", "check"),
    "usable": ("could be better", "warn", "warn"),
    "unfit": ("change this", "bad", "stop"),
    "unknown": ("couldn't be told", "", "help"),
}
_PICTURES = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n")


def _page(request: Request, db: Any, part: str, context: Mapping[str, Any] | None = None) -> Response:
    name = "guide_view.html" if part in VIEWS else f"guide_{part or 'start'}.html"
    return show(request, db, name, {"parts": PARTS, "part": part, "verdicts": VERDICTS, **(context or {})})


@router.get("/guide")
def start(request: Request, db: ReadDb) -> Response:
    """Show the overview: three views in small, and the order of doing things."""
    small = {v: plans.picture(guide_setup.calculate(v, {}).setup, 300.0) for v in VIEWS}  # type: ignore[arg-type]
    return _page(request, db, "", {"pictures": {v: p.replace("picture-inside", f"inside-{v}") for v, p in small.items()}})


def _view(request: Request, db: Any, view: str) -> Response:
    calculation = guide_setup.calculate(view, dict(request.query_params))  # type: ignore[arg-type]
    setup = calculation.setup
    context = {
        "view": view,
        "fields": calculation.fields,
        "faults": calculation.faults,
        "setup": setup,
        "points": guide_setup.points(setup),
        "above": plans.plan_above(setup),
        "beside": plans.plan_beside(setup),
        "picture": plans.picture(setup),
        "distances": guide_setup.distances(setup),
        "options": {
            "lens": guide_setup.LENSES,
            "hold": guide_setup.HOLDS,
            "size": guide_setup.SIZES,
            "ground": guide_setup.GROUNDS,
        },
        "figures": {
            "seen_20_10": geometry.seen_angle_deg(20, 10),
            "lost_10": 100 * geometry.lost_length(10),
            "leak_30_5": geometry.leaked_angle_deg(30, 5),
        },
    }
    return _page(request, db, view, context)


@router.get("/guide/side")
def side(request: Request, db: ReadDb) -> Response:
    """Show where the camera goes for the side view, with the calculator."""
    return _view(request, db, "side")


@router.get("/guide/rear")
def rear(request: Request, db: ReadDb) -> Response:
    """Show where the camera goes for the rear view."""
    return _view(request, db, "rear")


@router.get("/guide/front")
def front(request: Request, db: ReadDb) -> Response:
    """Show where the camera goes for the front view."""
    return _view(request, db, "front")


@router.get("/guide/settings")
def settings(request: Request, db: ReadDb) -> Response:
    """Show what the camera is set to."""
    return _page(request, db, "settings", {"exposures": guide_setup.exposures(), "rates": guide_setup.rates()})


@router.get("/guide/run")
def run(request: Request, db: ReadDb) -> Response:
    """Show what to know about treadmill, outdoors, clothes and the run itself."""
    return _page(request, db, "run")


@router.get("/guide/stickers")
def stickers(request: Request, db: ReadDb) -> Response:
    """Show where stickers go and what the printed board is for."""
    return _page(request, db, "stickers")


@router.get("/guide/checklist")
def checklist(request: Request, db: ReadDb) -> Response:
    """Show a list to print."""
    return _page(request, db, "checklist")


# --- checks by picture


@router.get("/guide/check")
def check(request: Request, db: ReadDb, view: str = "side") -> Response:
    """Show where a still or a short film can be dropped."""
    return _page(request, db, "check", {"view": view if view in VIEWS else "side", "most_mb": MOST_TRIAL_BYTES // 1024**2})


@router.post("/guide/check")
async def take(request: Request, bench: WorkbenchDep) -> Response:
    """Take a trial and queue the look at it: the file as the body (scripts), or a form with ``view`` and ``film``."""
    kind = request.headers.get("content-type", "").split(";")[0].strip().lower()
    by = await run_sync(who, request)
    if kind == "multipart/form-data":
        if int(request.headers.get("content-length") or MOST_TRIAL_BYTES + 1) > MOST_TRIAL_BYTES:
            raise too_large(MOST_TRIAL_BYTES)
        async with request.form(max_files=1, max_fields=10) as form:
            view, film = str(form.get("view", "")), form.get("film")
            if not isinstance(film, UploadFile) or not film.filename:
                raise OptionError(
                    "nothing was chosen", where="film", allowed="a picture or a film", next_step="choose a file first"
                )
            job = await _keep(bench, _pieces(film), view, by)
        return RedirectResponse(f"/guide/check/{job}", 303)
    job = await _keep(bench, _body(request), request.query_params.get("view", ""), by)
    return JSONResponse({"job": job}, 202)


async def _pieces(film: UploadFile) -> AsyncIterator[bytes]:
    while block := await film.read(1 << 20):
        yield block


async def _body(request: Request) -> AsyncIterator[bytes]:
    try:
        async for block in request.stream():
            if block:
                yield block
    except ClientDisconnect as gone:
        raise OptionError("the file broke off", where="film", allowed="the whole file", next_step="send it again") from gone


async def _keep(bench: Any, blocks: AsyncIterator[bytes], view: str, by: str) -> str:
    """Write a trial into the folder of uploads and queue the job; nothing is left when it breaks off."""
    if view not in VIEWS:
        raise OptionError("this is not a view", where="view", allowed=", ".join(VIEWS), next_step="choose one")
    home: Home = bench.config.home
    name = f"trial-{secrets.token_hex(8)}"
    path = home.incoming / name
    try:
        await run_sync(_forget_old, home)
        head, size = b"", 0
        with path.open("xb") as file:
            async for block in blocks:
                if len(head) < 1024:
                    head += block[: 1024 - len(head)]
                size += len(block)
                if size > MOST_TRIAL_BYTES:
                    raise too_large(MOST_TRIAL_BYTES)
                await run_sync(file.write, block)
        if film_suffix(head) is None and not _is_picture(head):
            raise WrongTypeError(
                "this is neither a picture nor a film",
                where="film",
                allowed="JPEG, PNG or WebP, or a film as the camera wrote it",
                next_step="choose another file",
            )
        return await run_sync(_queue, bench, name, view, by)
    except BaseException:
        path.unlink(missing_ok=True)
        raise


def _is_picture(head: bytes) -> bool:
    # HEIF is let through so that the check can say what to do about it.
    webp = head[:4] == b"RIFF" and head[8:12] == b"WEBP"
    return head.startswith(_PICTURES) or webp or (head[4:8] == b"ftyp" and head[8:11] in (b"hei", b"mif", b"avi"))


def _queue(bench: Any, name: str, view: str, by: str) -> str:
    from midstance.records import jobs

    with bench.database.writing() as db:
        job = jobs.add_job(db, "check", payload={"file": name, "view": view}, by=by)
        db.flush()
        made = str(job.id)
    bench.wake()
    return made


def _forget_old(home: Home) -> None:
    for path in home.incoming.glob("trial-*"):
        if NAME.fullmatch(path.name) and time.time() - path.stat().st_mtime > TRIAL_S:
            path.unlink(missing_ok=True)


@router.get("/guide/check/{job_id}")
def checked(request: Request, db: ReadDb, job_id: Id, part: bool = False) -> Response:
    """Show how far a trial is, or what it showed; ``part`` gives only that piece of the page, for scripts."""
    job = db.get(JobRow, job_id)
    if job is None or job.kind != "check":
        raise NotFoundError("there is no such check", where=f"check {job_id}", next_step="drop the picture again")
    context: dict[str, Any] = {"job": job, "result": _result(job), "view": str(job.payload.get("view", "side"))}
    if part:
        context |= {"verdicts": VERDICTS}
        return templates.TemplateResponse(request, "guide_checked_part.html", context)
    return _page(request, db, "checked", {**context, "token": csrf(request)})


def _result(job: JobRow) -> dict[str, Any] | None:
    """Return what a trial showed, in words."""
    found = job.result
    if job.state != "done" or not found:
        return None
    rows = []
    for entry in found.get("checks", []):
        title, sentence = CHECKS.get(entry["check"], (str(entry["check"]).replace("_", " ").capitalize(), "{}"))
        value = entry["value"]
        rows.append(
            {
                "title": title,
                "found": "" if value is None else _say(entry["check"], sentence, float(value)),
                "limit": entry["limit"],
                "verdict": entry["verdict"],
                "advice": entry["advice"],
            }
        )
    order = {"unfit": 0, "usable": 1, "unknown": 2, "good": 3}
    return {
        "kind": found.get("kind", "film"),
        "verdict": found.get("verdict", "good"),
        "rows": sorted(rows, key=lambda r: order.get(str(r["verdict"]), 3)),
        "drawing": seen(found["width"], found["height"], found.get("landmarks"), found.get("roll_deg"), found["view"]),
        "at_s": found.get("at_s", 0.0),
        "near": found.get("near_side"),
        "notes": [n[:1].upper() + n[1:].rstrip(".") + "." for n in found.get("notes", [])],
        "size": f"{found['width']} × {found['height']}",
        "wide": found["width"] >= found["height"],
    }


def _say(check: str, sentence: str, value: float) -> str:
    if check == "exposure_time":
        return f"1/{1 / value:.0f} s" if value < 0.5 else f"{value:.1f} s"
    said = sentence.format(value + 0.0)
    if check == "runner_off_middle" and abs(value) < 0.5:
        return "in the middle"
    return said.replace("-0.0", "0.0").replace("+0.0", "0.0").replace("-", "−")
