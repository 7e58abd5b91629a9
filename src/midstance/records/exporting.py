"""Export of one runner: all that is kept, in open formats, in one zip file that needs no program of ours to be read."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import attrs
from sqlalchemy import select
from sqlalchemy.orm import Session

import midstance
from midstance.pose.corrections import CORRECTIONS_SCHEMA
from midstance.records import fields as f
from midstance.records.archive import Writer, place, safe
from midstance.records.corrections import corrections_of, overrules_of
from midstance.records.database import Database
from midstance.records.dumping import snapshot
from midstance.records.films import films_of
from midstance.records.home import Home
from midstance.records.listing import as_plain
from midstance.records.runners import get_runner
from midstance.records.tables import (
    AssessmentRow,
    CorrectionRow,
    FilmRow,
    JobRow,
    JournalRow,
    MeasureRow,
    RunnerRow,
    SessionRow,
    now,
)

_SNIFFED = 64
_MEASURES = ("measure", "side", "view", "unit", "value", "low", "high", "n", "reason")
_SESSION = ("session", "held_on", "surface", "speed_mps", "report", "software")


@attrs.define
class _Told:
    """What the README says of each entry, and what was missing."""

    lines: list[tuple[str, str]] = attrs.field(factory=list)
    missing: list[str] = attrs.field(factory=list)

    def of(self, name: str, what: str) -> str:
        self.lines.append((name, what))
        return name


def export_runner(home: Home, database: Database, runner_id: str, to: Path) -> Path:
    """Write all that is kept of a runner into one zip file; return the file.

    Parameters
    ----------
    to : a file that isn't there yet, or a folder, in which it is named after the runner's id.

    Raises
    ------
    NotFoundError
        There is no such runner.
    RecordsError
        The file can't be written.
    """
    with snapshot(database) as connection, Session(connection, expire_on_commit=False) as db:
        runner = get_runner(db, runner_id)
        to_file = place(to, f"runner-{runner.id}-{now():%Y-%m-%d-%H%M%S}.zip")
        told = _Told()
        asked = select(SessionRow).where(SessionRow.runner_id == runner.id)
        sessions = list(db.scalars(asked.order_by(SessionRow.held_on, SessionRow.id)))
        with Writer(to_file) as out:
            out.json(told.of("runner.json", "the runner: what was noted, consent, and the journal of changes"), {
                **as_plain(runner),
                "journal": [as_plain(row) for row in _journal(db, runner)],
            })  # fmt: skip
            out.json(
                told.of("sessions.json", "all sessions: intake, films, corrections, overruled findings, reports, work done"),
                [_session(db, session) for session in sessions],
            )
            out.text(told.of("measures.csv", "all measures of all reports, one row each"), _measures(db, sessions))
            for session in sessions:
                _files(home, db, out, session, told)
            out.text("README.txt", _readme(runner, told))
    return to_file


def _journal(db: Session, runner: RunnerRow) -> Iterable[JournalRow]:
    return db.scalars(select(JournalRow).where(JournalRow.runner_id == runner.id).order_by(JournalRow.at, JournalRow.id))


def _session(db: Session, session: SessionRow) -> dict[str, Any]:
    films, reports = films_of(db, session.id), _reports(db, session)
    keys = [session.id, *(film.id for film in films), *(report.id for report in reports)]
    work = select(JobRow).where(JobRow.session_id.in_(keys) | JobRow.film_id.in_(keys) | JobRow.assessment_id.in_(keys))
    return {
        **as_plain(session),
        "folder": _folder(session),
        "films": [
            {**as_plain(film), "corrections": [as_plain(c) for c in corrections_of(db, film.id, withdrawn=None)]}
            for film in films
        ],
        "overruled_findings": [as_plain(o) for o in overrules_of(db, session.id, withdrawn=None)],
        "reports": [as_plain(report) for report in reports],
        "work": [as_plain(job) for job in db.scalars(work.order_by(JobRow.number))],
    }


def _reports(db: Session, session: SessionRow) -> list[AssessmentRow]:
    asked = select(AssessmentRow).where(AssessmentRow.session_id == session.id)
    return list(db.scalars(asked.order_by(AssessmentRow.number)))


def _measures(db: Session, sessions: list[SessionRow]) -> str:
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow([*_SESSION, *_MEASURES])
    for session in sessions:
        for report in _reports(db, session):
            asked = select(MeasureRow).where(MeasureRow.assessment_id == report.id)
            for row in db.scalars(asked.order_by(MeasureRow.measure, MeasureRow.view, MeasureRow.side)):
                of = (session.id, session.held_on.isoformat(), session.surface, session.speed_mps, report.number)
                table.writerow([*of, report.software, *(getattr(row, name) for name in _MEASURES)])
    return text.getvalue()


def _files(home: Home, db: Session, out: Writer, session: SessionRow, told: _Told) -> None:
    """Put in what lies in files: films as they came, readings, reports; and corrections and marks as files of their own."""
    folder, films = _folder(session), films_of(db, session.id)
    for film in films:
        _film(home, out, film, folder, told)
    used = [film for film in films if film.used]
    corrections = [_entry(c, film) for film in used for c in corrections_of(db, film.id)]
    if corrections:
        out.json(
            told.of(f"{folder}/corrections.json", "what was corrected and holds, for `midstance assess --corrections`"),
            {"schema": CORRECTIONS_SCHEMA, "corrections": corrections},
        )
    marks = {film.view: film.marks for film in used if film.marks}
    if marks:
        out.json(
            told.of(f"{folder}/marks.json", "camera, ground and stickers, for `midstance assess --marks`"),
            {"schema": f.MARKS_SCHEMA, "films": marks},
        )
    for report in _reports(db, session):
        name = f"{folder}/report-{report.number}"
        count = _all_of(home.result(report.id), name, out)
        if count:
            told.of(f"{name}/", f"report {report.number} as it was made, files: {count}")
        elif report.state == "done":
            told.missing.append(f"the files of report {report.number} of {session.held_on}")


def _film(home: Home, out: Writer, film: FilmRow, folder: str, told: _Told) -> None:
    name = f"{folder}/{film.view}" if film.used else f"{folder}/not-used/{film.view}-{film.id}"
    path = home.media / film.sha256[:2] / film.sha256
    try:
        with open(path, "rb") as file:
            suffix = suffix_of(file.read(_SNIFFED))
            file.seek(0)
            found = out.file(told.of(name + suffix, f"film, {film.view} view, as it came" + _came_as(film)), file)
        if found != film.sha256:
            told.missing.append(f"{name + suffix} has changed on the disk since it came")
    except FileNotFoundError:
        told.missing.append(f"the {film.view} film of {folder}")
    count = _all_of(home.reading(film.id), f"{name}-reading", out)
    if count:
        told.of(f"{name}-reading/", "what the landmark network saw in the film (NumPy .npz)")


def _came_as(film: FilmRow) -> str:
    return f" (under the name “{film.name}”)" if film.name else ""


def _entry(row: CorrectionRow, film: FilmRow) -> dict[str, Any]:
    entry = {**row.body, "view": film.view, "by": row.made_by, "at": row.made_at.isoformat(), "note": row.note}
    return {name: value for name, value in entry.items() if value != ""}


def _all_of(folder: Path, name: str, out: Writer) -> int:
    count = 0
    for path in sorted(folder.rglob("*")) if folder.is_dir() else ():
        entry = f"{name}/{path.relative_to(folder).as_posix()}"
        if path.is_file() and not path.is_symlink() and safe(entry):
            with open(path, "rb") as file:
                out.file(entry, file)
            count += 1
    return count


def _folder(session: SessionRow) -> str:
    return f"sessions/{session.held_on.isoformat()}-{session.id}"


def suffix_of(head: bytes) -> str:
    """Return the ending of a film's name from its first bytes; ".bin" for what isn't known."""
    if head[4:8] == b"ftyp":
        return ".mov" if head[8:12] == b"qt  " else ".mp4"
    if head[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip"):
        return ".mov"  # QuickTime of before the file type was written
    if head.startswith(b"\x1a\x45\xdf\xa3"):
        return ".webm" if b"webm" in head else ".mkv"
    if head.startswith(b"RIFF") and head[8:12] == b"AVI ":
        return ".avi"
    if head.startswith((b"\x00\x00\x01\xba", b"\x00\x00\x01\xb3")):
        return ".mpg"
    if head.startswith(b"\x47") and len(head) < 189:
        return ".ts"
    return ".bin"


def _readme(runner: RunnerRow, told: _Told) -> str:
    width = max(len(name) for name, _ in told.lines)
    lines = [
        f"All that is kept of {runner.name}" + (" (an invented runner)" if runner.invented else ""),
        f"Written by midstance {midstance.__version__} on {now():%Y-%m-%d %H:%M} UTC.",
        "",
        "JSON and CSV are UTF-8 text. Moments are UTC. Units stand in the names: m, kg, m/s (mps), s, px.",
        "SHA256SUMS holds the sum of every file: sha256sum -c SHA256SUMS",
        "",
        *(f"{name.ljust(width)}  {what}" for name, what in told.lines),
    ]
    if told.missing:
        lines += ["", "Missing, because the data folder didn't have it:", *(f"- {one}" for one in told.missing)]
    return "\n".join(lines) + "\n"
