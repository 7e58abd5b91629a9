"""Export of one runner: all of it, nothing of others, readable with the standard library alone. On both databases."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any

import pytest
from everything import MOV, MP4, NAME, fill, fill_rest, rows_of
from filled_records import Records

from midstance.camera.marks import read_marks
from midstance.errors import NotFoundError, RecordsError
from midstance.pose.corrections import CORRECTIONS_SCHEMA, load_corrections
from midstance.records.exporting import export_runner, suffix_of
from midstance.records.tables import AssessmentRow, Base, FilmRow, RunnerRow

#: A program that knows nothing of us and reads the whole export.
READER = """
import csv, hashlib, io, json, sys, zipfile
assert not [m for m in sys.modules if m.startswith("midstance")]
found = zipfile.ZipFile(sys.argv[1])
assert found.testzip() is None
for line in found.read("SHA256SUMS").decode().splitlines():
    digest, name = line.split("  ", 1)
    assert hashlib.sha256(found.read(name)).hexdigest() == digest, name
runner, sessions = json.loads(found.read("runner.json")), json.loads(found.read("sessions.json"))
table = list(csv.DictReader(io.StringIO(found.read("measures.csv").decode())))
print(json.dumps({"runner": runner["name"], "sessions": len(sessions), "rows": len(table), "names": found.namelist()}))
"""


@pytest.fixture
def exported(records: Records, tmp_path: Path) -> tuple[Records, RunnerRow, zipfile.ZipFile]:
    runner = fill(records)
    fill(records, "Ben Hidden", "two")
    fill_rest(records)
    return records, runner, zipfile.ZipFile(export_runner(records.home, records.database, runner.id, tmp_path))


def test_a_program_that_knows_nothing_of_us_reads_it(exported: tuple[Records, RunnerRow, zipfile.ZipFile]) -> None:
    _, _, zipped = exported
    command = [sys.executable, "-I", "-c", READER, str(zipped.filename)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)
    assert (said["runner"], said["sessions"], said["rows"]) == (NAME, 2, 2)


def test_all_that_is_kept_is_in_it(exported: tuple[Records, RunnerRow, zipfile.ZipFile]) -> None:
    """Every row of the runner in every table, every film, reading and result file, byte for byte."""
    records, runner, zipped = exported
    text = zipped.read("runner.json").decode() + zipped.read("sessions.json").decode()
    sums = {hashlib.sha256(zipped.read(n)).hexdigest() for n in zipped.namelist()}
    rows = rows_of(records.database)
    mine = {runner.id}
    for _ in range(4):  # session → film → correction
        for name, found in rows.items():
            keys = [k.parent.name for k in Base.metadata.tables[name].foreign_keys if k.column.table.name != "media"]
            mine |= {row["id"] for row in found if "id" in row and any(row.get(k) in mine for k in keys)}
    assert len(mine) > 15
    assert all(one in text for one in mine)
    for film in rows["film"]:
        assert (film["sha256"] in sums) == (film["id"] in mine or film["view"] == "rear")  # the rear film is everybody's
    for folder in ("readings", "results"):
        for path in (records.home.root / folder).rglob("*"):
            if path.is_file():
                owner = path.relative_to(records.home.root / folder).parts[0]
                content = path.read_bytes()
                assert any(zipped.read(n) == content for n in zipped.namelist()) == (owner in mine)


def test_nothing_of_others_is_in_it(exported: tuple[Records, RunnerRow, zipfile.ZipFile]) -> None:
    _, _, zipped = exported
    for name in zipped.namelist():
        content = zipped.read(name)
        assert b"Ben Hidden" not in content
        assert b"password" not in content
    assert not [n for n in zipped.namelist() if n.startswith("/") or ".." in n]


def test_files_are_those_that_the_command_line_takes(
    exported: tuple[Records, RunnerRow, zipfile.ZipFile], tmp_path: Path
) -> None:
    _, _, zipped = exported
    zipped.extractall(tmp_path / "open")
    folder = next((tmp_path / "open" / "sessions").glob("2026-05-03-*"))
    loaded = load_corrections(folder / "corrections.json")
    assert [(c.kind, c.view, c.by, c.note) for c in loaded] == [
        ("landmark", "side", "Eva", "hidden"), ("swap_legs", "rear", "Eva", ""),
    ]  # fmt: skip
    assert json.loads((folder / "corrections.json").read_text())["schema"] == CORRECTIONS_SCHEMA
    roll = read_marks(folder / "marks.json").of("side").roll
    assert roll is not None
    assert roll[0] == 0.5
    assert (folder / "side.mp4").read_bytes() == MP4 + b"side one"
    assert (folder / "rear.mkv").exists()
    (aside,) = (folder / "not-used").iterdir()
    assert aside.suffix == ".mov"
    assert aside.read_bytes() == MOV + b"first take one"
    assert (folder / "report-1" / "stills" / "side.jpg").read_bytes() == b"\xff\xd8 still one"
    rows = list(csv.DictReader(io.StringIO((tmp_path / "open" / "measures.csv").read_text())))
    assert [(r["measure"], r["value"], r["reason"], r["held_on"]) for r in rows] == [
        ("cadence", "172.25", "", "2026-05-03"), ("speed", "", "not measurable: why, then", "2026-05-03"),
    ]  # fmt: skip


def test_the_readme_names_every_file(exported: tuple[Records, RunnerRow, zipfile.ZipFile]) -> None:
    _, _, zipped = exported
    readme = zipped.read("README.txt").decode()
    assert NAME in readme
    named = [line.split("  ")[0].strip() for line in readme.splitlines() if "  " in line]
    for name in zipped.namelist():
        if name not in ("README.txt", "SHA256SUMS"):
            assert any(name == n or (n.endswith("/") and name.startswith(n)) for n in named), name
    assert "Missing" not in readme


def test_what_is_missing_is_said(records: Records, tmp_path: Path) -> None:
    runner = fill(records)
    with records.database.reading() as db:
        film = db.query(FilmRow).filter_by(view="side", used=True).one()
        report = db.query(AssessmentRow).filter_by(state="done").one()
    records.store.path(film.sha256).unlink()
    for path in records.home.result(report.id).rglob("*"):
        if path.is_file():
            path.unlink()
    with zipfile.ZipFile(export_runner(records.home, records.database, runner.id, tmp_path / "x.zip")) as zipped:
        readme = zipped.read("README.txt").decode()
    assert "Missing" in readme
    assert "- the side film of sessions/2026-05-03" in readme
    assert "- the files of report 1" in readme


def test_who_is_not_there(records: Records, tmp_path: Path) -> None:
    with pytest.raises(NotFoundError):
        export_runner(records.home, records.database, "00112233445566aa", tmp_path)
    runner = records.runner()
    (tmp_path / "there.zip").write_text("mine")
    with pytest.raises(RecordsError, match="already"):
        export_runner(records.home, records.database, runner.id, tmp_path / "there.zip")
    assert (tmp_path / "there.zip").read_text() == "mine"


@pytest.mark.parametrize(
    ("head", "suffix"),
    [
        (MP4, ".mp4"), (MOV, ".mov"), (b"\0\0\0\x08wide\0\0\0\0mdat", ".mov"),
        (b"\x1a\x45\xdf\xa3\x01\0\0\0\0\0\0\x1f\x42\x86\x81\x01\x42\x82\x84webm", ".webm"),
        (b"RIFF\0\0\0\0AVI LIST", ".avi"),
        (b"\x00\x00\x01\xba\x44", ".mpg"), (b"hello", ".bin"), (b"", ".bin"),
    ],
)  # fmt: skip
def test_endings_by_content(head: Any, suffix: str) -> None:
    """First bytes as ISO/IEC 14496-12 (ftyp), RFC 8794 (EBML) and the RIFF form of AVI have them."""
    assert suffix_of(head) == suffix
