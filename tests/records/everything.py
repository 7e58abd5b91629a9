"""Records with something in every table and every folder, and what they hold as plain values."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

from filled_records import MEASURE, Records

from midstance.records import accounts, assessments, corrections, films, pairings, sessions, settings
from midstance.records.database import Database
from midstance.records.dumping import LEFT_OUT, rows, snapshot, tables
from midstance.records.home import Home
from midstance.records.tables import JobRow, RunnerRow

#: Begins as an MP4 film does; the rest is any bytes.
MP4 = b"\x00\x00\x00\x20ftypisom\x00\x00\x02\x00isomiso2avc1mp41"
MOV = b"\x00\x00\x00\x14ftypqt  \x00\x00\x02\x00qt  "
MKV = b"\x1a\x45\xdf\xa3\x01\x00\x00\x00\x00\x00\x00\x23\x42\x82\x88matroska"
NAME = "Zoë “Z” O'Brien & Söhne"


def fill(records: Records, name: str = NAME, mark: str = "one") -> RunnerRow:
    """Add a runner with everything a runner can have; ``mark`` makes the contents of films its own."""
    runner = records.runner(
        name, birth_year=1990, height_m=1.7, mass_kg=61.5, notes=f"Coached by {name}’s aunt.\nTwo lines.", consent="given"
    )
    session = records.session(
        runner, held_on="2026-05-03", place=f"Track of {mark}", pain=[{"where": "shin", "score_0_10": 2, "note": name}]
    )
    records.session(runner, held_on="2026-06-04")
    records.film(session, MOV + f"first take {mark}".encode(), name=f"{mark}.MOV")
    side = records.film(session, MP4 + f"side {mark}".encode(), name=f"{name}.mp4"[:100])
    rear = records.film(session, MKV + b"shared", view="rear")
    home = records.home
    with records.database.writing() as db:
        films.change_film(db, side.id, {"marks": {"roll_deg": 0.5}, "capture_fps": 240}, version=1, by="Eva")
        films.set_info(db, side.id, {"frames": 300, "duration_s": 1.25})
        kept = corrections.add_correction(
            db, side.id, {"kind": "landmark", "time_s": 1.25, "landmark": "left_ankle", "x_px": 612.5, "y_px": 640},
            note="hidden", by="Eva",
        )  # fmt: skip
        gone = corrections.add_correction(db, side.id, {"kind": "leave_out", "time_s": 4.1, "side": "right"}, by=name[:20])
        corrections.withdraw_correction(db, gone.id, by="Ben")
        corrections.add_correction(db, rear.id, {"kind": "swap_legs", "time_s": 3.0, "to_s": 3.2}, by="Eva")
        corrections.add_overrule(db, session.id, "overstride", "left", f"{name} limped", by="Eva")
        report = assessments.start_assessment(db, session.id, by="Eva")
        measures = [
            {**MEASURE, "measure": "cadence", "value": 172.25},
            {**MEASURE, "measure": "speed", "value": None, "low": None, "high": None, "reason": "not measurable: why, then"},
        ]
        assessments.finish_assessment(
            db, report.id, settings={"speed_mps": 3.3, "name": name}, software="midstance 0",
            findings=[{"key": "a", "é": [1.5]}], measures=measures,
        )  # fmt: skip
        later = assessments.start_assessment(db, session.id, by="Eva")
        _, code = pairings.open_pairing(db, session.id, by="Eva")
        pairings.use_code(db, code)
        sessions.change_session(db, session.id, {"notes": f"{name} was late"}, version=1, by="Eva")
        number = 1 + max([0, *(j.number for j in db.query(JobRow))])
        db.add(JobRow(number=number, kind="read", state="done", film_id=side.id, session_id=session.id, result={"x": name}))
        db.add(JobRow(number=number + 1, kind="assess", assessment_id=later.id, problem=None, payload={"p": [1, None]}))
    assert kept.number == 1
    for folder, files in (
        (home.reading(side.id), {"reading-side.npz": b"PK\x03\x04 landmarks of " + side.id.encode()}),
        (
            home.result(report.id),
            {"report.html": f"<h1>{name}</h1>".encode(), "stills/side.jpg": b"\xff\xd8 still " + mark.encode()},
        ),
        (home.proxy(side.sha256), {"proxy.mp4": MP4, "frames.json": b"{}"}),
    ):
        for file, content in files.items():
            (folder / file).parent.mkdir(parents=True, exist_ok=True)
            (folder / file).write_bytes(content)
    return runner


def fill_rest(records: Records) -> None:
    """Add what belongs to no runner."""
    with records.database.writing() as db:
        accounts.add_account(db, "Eva", "a long enough password")
        accounts.sign_in(db, "Eva", "a long enough password")
        settings.set_setting(db, "units", {"speed": "min/km"}, by="Eva")


def rows_of(database: Database, *, but: tuple[str, ...] = LEFT_OUT) -> dict[str, list[dict[str, Any]]]:
    """Return all rows by table."""
    with snapshot(database) as connection:
        found = {t.name: list(rows(connection, t)) for t in tables() if t.name not in but}
    found["setting"] = [s for s in found["setting"] if s["key"] not in ("restored", "erasing")]
    return found


def files_of(home: Home, folders: tuple[str, ...] = ("media", "readings", "results")) -> dict[str, str]:
    """Return the sums of all files by place."""
    return {
        p.relative_to(home.root).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for folder in folders
        for p in sorted((home.root / folder).rglob("*"))
        if p.is_file()
    }


def tree(folder: Path) -> dict[str, bytes]:
    """Return all files below a folder, with what is in them."""
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
