"""Commands that look after what the workbench keeps: what they do, and what they say when they can't."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from midstance import cli
from midstance.records.accounts import sign_in
from midstance.records.home import Home
from midstance.records.runners import add_runner
from midstance.records.schema import open_records
from midstance.records.sessions import add_session
from midstance.records.tables import AccountRow, JobRow, RunnerRow

Run = Callable[..., Result]


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """A data folder with two runners, one of them with a session."""
    home = Home(tmp_path / "data")
    database = open_records(home)
    with database.writing() as db:
        anna = add_runner(db, {"name": "Anna Invented"}, by="test")
        add_runner(db, {"name": "Bea Invented"}, by="test")
        add_session(db, anna.id, {"held_on": "2026-05-01", "place": "hall nine"}, by="test")
    database.close()
    return home.root


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    monkeypatch.setenv("COLUMNS", "200")

    def run(*args: object, input: str | None = None) -> Result:
        return CliRunner().invoke(cli.app, [str(a) for a in args], input=input)

    return run


def names(data: Path) -> list[str]:
    with open_records(Home(data)).reading() as db:
        return sorted(r.name for r in db.query(RunnerRow))


def test_an_account_is_made_changed_listed_and_taken_away(run: Run, data: Path) -> None:
    assert "nobody has an account" in run("account", "--data", data).output
    made = run("account", "anna", "--data", data, input="a long password\n")
    assert made.exit_code == 0, made.output
    assert "a long password" not in made.output
    with open_records(Home(data)).writing() as db:
        assert sign_in(db, "anna", "a long password")
        assert "a long password" not in db.query(AccountRow).one().password_hash
    assert run("account", "--data", data).output.strip() == "anna"
    assert "changed" in run("account", "anna", "--data", data, input="another password\n").output
    with open_records(Home(data)).writing() as db:
        assert sign_in(db, "anna", "another password")
    assert run("account", "anna", "--remove", "--data", data).exit_code == 0
    assert "nobody" in run("account", "--data", data).output


def test_a_password_that_is_too_short_is_refused(run: Run, data: Path) -> None:
    done = run("account", "anna", "--data", data, input="short\n")
    assert done.exit_code == 2
    assert "10" in done.output
    assert "nobody" in run("account", "--data", data).output


def test_backup_and_restore_bring_everything_back(run: Run, data: Path, tmp_path: Path) -> None:
    done = run("backup", "--data", data, "--out", tmp_path / "stick.zip")
    assert done.exit_code == 0, done.output
    assert zipfile.ZipFile(tmp_path / "stick.zip").testzip() is None
    again = run("restore", tmp_path / "stick.zip", "--data", tmp_path / "again")
    assert again.exit_code == 0, again.output
    assert names(tmp_path / "again") == names(data)


def test_restore_never_writes_over_anything(run: Run, data: Path, tmp_path: Path) -> None:
    run("backup", "--data", data, "--out", tmp_path / "stick.zip")
    done = run("restore", tmp_path / "stick.zip", "--data", data)
    assert done.exit_code == 2
    assert names(data) == ["Anna Invented", "Bea Invented"]
    broken = tmp_path / "broken.zip"
    broken.write_bytes((tmp_path / "stick.zip").read_bytes()[:-200])
    done = run("restore", broken, "--data", tmp_path / "new")
    assert done.exit_code == 2
    assert not (tmp_path / "new").exists()


def test_export_writes_what_is_kept_of_one_runner(run: Run, data: Path, tmp_path: Path) -> None:
    done = run("export", "Anna Invented", "--data", data, "--out", tmp_path / "anna.zip")
    assert done.exit_code == 0, done.output
    with zipfile.ZipFile(tmp_path / "anna.zip") as file:
        inside = file.namelist()
        text = b"".join(file.read(n) for n in file.namelist()).decode("utf-8", "replace")
    assert any(n.endswith("runner.json") for n in inside)
    assert "hall nine" in text
    assert "Bea" not in text


def test_erase_asks_for_the_name_and_removes_one_runner_only(run: Run, data: Path) -> None:
    refused = run("erase", "Anna Invented", "--data", data, input="Anna\n")
    assert refused.exit_code == 2
    assert "nothing was erased" in refused.output
    assert names(data) == ["Anna Invented", "Bea Invented"]
    done = run("erase", "Anna Invented", "--data", data, input="Anna Invented\n")
    assert done.exit_code == 0, done.output
    assert names(data) == ["Bea Invented"]
    held = b"".join(p.read_bytes() for p in data.rglob("*") if p.is_file())
    assert b"Anna Invented" not in held
    assert b"hall nine" not in held


def test_erase_goes_on_after_a_server_that_was_killed(run: Run, data: Path) -> None:
    with open_records(Home(data)).writing() as db:
        anna = db.query(RunnerRow).filter_by(name="Anna Invented").one()
        session = add_session(db, anna.id, {"held_on": "2026-05-02"}, by="test")
        db.add(JobRow(number=1, kind="assess", state="running", session_id=session.id, worker="gone", attempts=1))
    done = run("erase", anna.id, "--yes", "--data", data)
    assert done.exit_code == 0, done.output
    assert names(data) == ["Bea Invented"]


@pytest.mark.parametrize("command", [("export",), ("erase", "--yes")])
def test_an_unknown_runner_is_told(run: Run, data: Path, command: tuple[str, ...]) -> None:
    done = run(*command, "Carla", "--data", data)
    assert done.exit_code == 2
    assert "there is no “Carla”" in done.output
    assert names(data) == ["Anna Invented", "Bea Invented"]


def test_two_runners_of_one_name_are_told_apart_by_their_ids(run: Run, data: Path, tmp_path: Path) -> None:
    with open_records(Home(data)).writing() as db:
        other = add_runner(db, {"name": "Anna Invented"}, by="test")
    done = run("export", "Anna Invented", "--data", data, "--out", tmp_path / "a.zip")
    assert done.exit_code == 2
    assert other.id in done.output
    assert run("export", other.id, "--data", data, "--out", tmp_path / "a.zip").exit_code == 0


@pytest.mark.parametrize("command", [("backup",), ("export", "A"), ("erase", "A"), ("account",)])
def test_a_data_folder_that_is_not_there_is_not_made(run: Run, tmp_path: Path, command: tuple[str, ...]) -> None:
    done = run(*command, "--data", tmp_path / "nowhere")
    assert done.exit_code == 2
    assert "there is no data folder" in done.output
    assert not (tmp_path / "nowhere").exists()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--host", "0.0.0.0"], "nobody has an account"),
        (["--port", "0"], "is not a port"),
        (["--workers", "999"], "workers"),
        (["--certificate", "cert.pem"], "a certificate needs its key"),
        (["--database", "mysql://somewhere/else"], "database can't be opened"),
    ],
)
def test_serve_says_why_it_does_not_start(run: Run, data: Path, options: list[str], said: str) -> None:
    done = run("serve", "--data", data, "--no-browser", *options)
    assert done.exit_code == 2
    assert said in done.output.replace("\n", " ")
    assert "Traceback" not in done.output


def test_figures_of_an_export_are_plain_json(run: Run, data: Path, tmp_path: Path) -> None:
    run("export", "Anna Invented", "--data", data, "--out", tmp_path / "anna.zip")
    with zipfile.ZipFile(tmp_path / "anna.zip") as file:
        for name in file.namelist():
            if name.endswith(".json"):
                json.loads(file.read(name))
