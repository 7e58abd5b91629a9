"""Settings: the coach's name, the data folder, backups, this installation, accuracy, board and lens, accounts."""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path
from typing import Any

from fastapi import APIRouter, Request
from sqlalchemy import select
from sqlalchemy.orm import Session
from starlette.responses import Response

from midstance import __version__
from midstance.doctor import look
from midstance.errors import MidstanceError
from midstance.records import jobs
from midstance.records.settings import get_setting, set_setting
from midstance.records.tables import AccountRow
from midstance.web.api.tools import back_up
from midstance.web.deps import DatabaseDep, HomeDep, ReadDb, Who, WorkbenchDep
from midstance.web.shell import Form, go, problem_of, show, text
from midstance.workers.queue import queue_validate

router = APIRouter()

MOST_NAME = 80
#: How long the folders are gone through for their sizes, s.
_LOOK_S = 0.5
_FOLDERS = (
    ("media", "Films as they came"),
    ("proxies", "Playable copies"),
    ("readings", "What was read in them"),
    ("results", "Reports"),
    ("incoming", "Uploads not complete"),
    ("backups", "Backups"),
)


@router.get("/settings")
def settings(request: Request, db: ReadDb, bench: WorkbenchDep) -> Response:
    """Show all settings."""
    return _page(request, db, bench)


@router.post("/settings")
def save(request: Request, database: DatabaseDep, bench: WorkbenchDep, who: Who, form: Form) -> Response:
    """Keep the coach's name."""
    name = text(form, "coach")
    if len(name) > MOST_NAME or not name.isprintable():
        fault = {"coach": f"Possible: up to {MOST_NAME} characters on one line."}
        with database.reading() as db:
            return _page(request, db, bench, faults=fault, coach=name, status=422)
    with database.writing() as db:
        set_setting(db, "coach", name, by=who)
    return go("/settings", "settings-saved")


@router.post("/settings/backup")
def make_backup(request: Request, database: DatabaseDep, home: HomeDep, bench: WorkbenchDep) -> Response:
    """Make a backup in the data folder; the page comes when it is complete."""
    try:
        back_up(home, database)
    except MidstanceError as error:
        with database.reading() as db:
            return _page(request, db, bench, problem=problem_of(error), status=503)
    return go("/settings#backup", "backup-made")


@router.post("/settings/validate")
def validate(database: DatabaseDep, bench: WorkbenchDep, who: Who) -> Response:
    """Start the accuracy check."""
    with database.writing() as db:
        queue_validate(db, by=who)
    bench.wake()
    return go("/settings#accuracy", "check-asked")


@router.get("/settings/doctor")
def doctor(request: Request, db: ReadDb) -> Response:
    """Look at what this installation can do; takes some seconds."""
    lines, healthy = look()
    return show(request, db, "doctor.html", {"lines": [_doctor_line(line) for line in lines], "healthy": healthy})


def _doctor_line(line: str) -> dict[str, str]:
    for mark, state in (("ok", "good"), ("FAULT", "bad"), ("–", "none")):
        if line.startswith(mark + " "):
            return {"state": state, "text": line[len(mark) :].strip()}
    return {"state": "about", "text": line}


def _page(
    request: Request,
    db: Session,
    bench: Any,
    *,
    faults: dict[str, str] | None = None,
    coach: str | None = None,
    problem: dict[str, str] | None = None,
    status: int = 200,
) -> Response:
    home = bench.config.home
    checks = [j for j in jobs.jobs_of(db, states=None, most=500) if j.kind == "validate"]
    names = list(db.scalars(select(AccountRow.name).order_by(AccountRow.name)))
    context = {
        "coach": get_setting(db, "coach", "") if coach is None else coach,
        "faults": faults or {},
        "problem": problem,
        "folder": str(home.root),
        "database": "SQLite, in the data folder" if bench.database.is_sqlite else "PostgreSQL",
        "sizes": sizes_of(home.root),
        "free": shutil.disk_usage(home.root).free,
        "backups": backups_in(home.backups),
        "check": checks[0] if checks else None,
        "accounts": names,
        "local_only": bench.config.local_only,
        "origin": bench.config.origin,
        "version": __version__,
    }
    return show(request, db, "settings.html", context, status)


def sizes_of(root: Path) -> list[dict[str, Any]]:
    """Return the size of each part of the data folder, bytes; ``whole`` is False where time ran out."""
    until = time.monotonic() + _LOOK_S
    out = []
    database = sum(p.stat().st_size for p in root.glob("midstance.sqlite*") if p.is_file())
    if database:
        out.append({"what": "Database file", "bytes": database, "whole": True})
    for name, title in _FOLDERS:
        total, whole = 0, True
        for base, _, files in os.walk(root / name):
            if time.monotonic() > until:
                whole = False
                break
            for file in files:
                try:
                    total += os.stat(os.path.join(base, file)).st_size
                except OSError:
                    continue
        if total or not whole:
            out.append({"what": title, "bytes": total, "whole": whole})
    return out


def backups_in(folder: Path) -> list[dict[str, Any]]:
    """Return the backups in the data folder, newest first."""
    found = [p for p in folder.iterdir() if p.is_file() and not p.name.startswith(".")] if folder.is_dir() else []
    found.sort(key=lambda p: p.stat().st_mtime, reverse=True)
    return [{"name": p.name, "path": str(p), "bytes": p.stat().st_size} for p in found[:20]]
