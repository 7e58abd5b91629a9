"""The real kinds of jobs, on real films, through the real queue."""

from __future__ import annotations

import json
import os
import re
import signal
import time
from collections.abc import Callable, Iterator
from fractions import Fraction
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from numbered_films import encode, numbered

from midstance.records import assessments, films, jobs, runners, sessions
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.records.tables import FilmRow, JobRow
from midstance.workers.queue import film_state, queue_assessment, queue_film, queue_missing, queue_read, queue_validate
from midstance.workers.supervisor import Supervisor

Ended = Callable[..., JobRow]
DEMO = Path(str(files("midstance.assess") / "demo"))


@pytest.fixture
def supervisor(home: Home, database: Database) -> Iterator[Supervisor]:
    started = Supervisor(home)
    started.start()
    yield started
    started.stop()


@pytest.fixture
def session_id(database: Database) -> str:
    """A session of an invented runner whose pace is noted."""
    with database.writing() as db:
        runner = runners.add_runner(db, {"name": "Anna May", "height_m": 1.7}, by="Coach")
        return sessions.add_session(db, runner.id, {"speed_mps": 3.0, "surface": "treadmill"}, by="Coach").id


@pytest.fixture
def bring(database: Database, home: Home, session_id: str) -> Callable[..., FilmRow]:
    def make(path: Path, view: str = "side", name: str = "IMG_1.mov") -> FilmRow:
        with path.open("rb") as file:
            return films.bring_film(database, MediaStore(home), session_id, file, view=view, name=name, by="Coach")

    return make


def _queue(database: Database, film: FilmRow) -> str:
    with database.writing() as db:
        return queue_film(db, film, by="Coach").id


def _last_job(database: Database, film_id: str, kind: str) -> str:
    with database.reading() as db:
        return next(j.id for j in jobs.jobs_of(db, film_id=film_id) if j.kind == kind)


@pytest.fixture
def tiny(tmp_path: Path) -> Path:
    """A film of 3 s in which nobody runs."""
    pictures = [numbered(n) for n in range(90)]
    return encode(tmp_path / "tiny.mp4", pictures, rate=Fraction(30), tags={}, coder={"preset": "ultrafast"})


def test_a_film_is_prepared_then_read_and_what_is_wrong_is_said_by_its_given_name(
    home: Home, database: Database, supervisor: Supervisor, bring: Callable[..., FilmRow], ended: Ended, tiny: Path
) -> None:
    film = bring(tiny, name="Morning run.mov")
    prepared = ended(_queue(database, film))
    assert (prepared.state, prepared.result) == ("done", {"frames": 90})
    copy = home.proxy(film.sha256)
    assert sorted(p.name for p in copy.iterdir()) == ["frames.json", "poster.jpg", "proxy.mp4"]
    with database.reading() as db:
        now = films.get_film(db, film.id)
    assert now.version == film.version  # nobody's edit conflicts with it
    assert {k: now.info[k] for k in ("width", "height", "frames", "codec", "capture_fps")} == {
        "width": 320, "height": 192, "frames": 90, "codec": "h264", "capture_fps": pytest.approx(30, abs=0.01),
    }  # fmt: skip
    assert now.info["duration_s"] == pytest.approx(89 / 30, abs=1e-4)
    read = ended(_last_job(database, film.id, "read"))
    assert (read.state, read.attempts) == ("failed", 1)
    assert read.problem is not None
    assert read.problem["where"] == "Morning run.mov"
    assert film.sha256 not in json.dumps(read.problem)
    assert str(home.root) not in json.dumps(read.problem)
    with database.reading() as db:
        state = film_state(db, home, now)
    assert (state.prepared, state.read, state.problem) == (True, False, read.problem)
    assert state.job is not None
    assert state.job.id == read.id
    assert not list(home.root.rglob(".making-*"))


def test_a_bad_film_doesn_t_hold_up_others_and_one_content_is_copied_once(
    home: Home, database: Database, bring: Callable[..., FilmRow], ended: Ended, tiny: Path, tmp_path: Path
) -> None:
    bad = tmp_path / "bad.mp4"
    whole = tiny.read_bytes()
    bad.write_bytes(whole[:2000] + np.random.default_rng(3).bytes(len(whole) - 2000))
    nothing = tmp_path / "nothing.mp4"
    nothing.write_bytes(b"\0\0\0\x18ftypmp42" + bytes(3000))
    handed_in = (
        (bad, "side", "bad.mp4"),
        (nothing, "rear", "nothing.mp4"),
        (tiny, "front", "good.mp4"),
        (tiny, "side_far", "same.mp4"),
    )
    ids = [_queue(database, bring(*film)) for film in handed_in]
    supervisor = Supervisor(home, tasks="midstance.workers.tasks")
    supervisor.start()
    try:
        rows = [ended(job) for job in ids]
    finally:
        supervisor.stop()
    assert [job.state for job in rows] == ["failed", "failed", "done", "done"]
    for job, name in zip(rows[:2], ("bad.mp4", "nothing.mp4"), strict=True):
        assert job.attempts == 1
        assert (job.problem or {})["where"] == name
        assert (job.problem or {})["next_step"]
        assert str(home.root) not in json.dumps(job.problem)
    assert len(list((home.root / "proxies").iterdir())) == 1
    assert rows[3].ended_at is not None
    copy = home.proxy(MediaStore(home).adopt(tiny).sha256) / "proxy.mp4"
    assert copy.stat().st_mtime < rows[3].started_at.timestamp()  # type: ignore[union-attr]


def test_films_without_a_playable_copy_are_prepared_but_not_what_failed_before(
    home: Home, database: Database, bring: Callable[..., FilmRow], tiny: Path
) -> None:
    """As after a restore: films are there, copies are not."""
    film = bring(tiny)
    with database.writing() as db:
        assert queue_missing(db, home) == 1
        assert queue_missing(db, home) == 0  # it waits already
    with database.writing() as db:
        taken = jobs.claim(db, "w1")
        assert taken is not None
        assert (taken.kind, taken.film_id) == ("prepare", film.id)
    with database.writing() as db:
        jobs.fail(db, taken.id, {"what": "broken", "where": "", "allowed": "", "next_step": ""}, worker="w1")
    with database.writing() as db:
        assert queue_missing(db, home) == 0


def test_what_waits_already_is_not_queued_twice(
    database: Database, bring: Callable[..., FilmRow], tiny: Path, session_id: str
) -> None:
    film = bring(tiny)
    with database.writing() as db:
        assert queue_film(db, film, by="Coach").id == queue_film(db, film, by="Coach").id
        assert queue_read(db, film, "Coach").id == queue_read(db, film, "Coach").id
        first, second = queue_assessment(db, session_id, by="Coach"), queue_assessment(db, session_id, by="Coach")
        assert (first[0].id, first[1].id) == (second[0].id, second[1].id)
        assert queue_validate(db, "Coach").id == queue_validate(db, "Coach").id
    with database.writing() as db:
        taken = jobs.claim(db, "w1")
        assert taken is not None
        assert taken.kind == "prepare"
        assert queue_film(db, film, by="Coach").id == taken.id
    with database.writing() as db:
        jobs.finish(db, taken.id, worker="w1")
        read = jobs.claim(db, "w2")
        assert read is not None
        assert read.kind == "read"
        # Settings changed while it is read: it must be read once more.
        assert queue_read(db, film, "Coach").id != read.id


def test_a_copy_under_way_is_never_seen_when_its_process_is_killed(
    home: Home, database: Database, supervisor: Supervisor, bring: Callable[..., FilmRow], ended: Ended, tmp_path: Path
) -> None:
    pictures = [numbered(n % 1000, 1280, 720) for n in range(40)]
    path = encode(tmp_path / "long.mp4", pictures * 20, rate=Fraction(240), coder={"preset": "ultrafast"})
    film = bring(path)
    job = _queue(database, film)
    supervisor.wake()
    until = time.monotonic() + 60
    while not list((home.root / "proxies").glob(".making-*/.making-*/proxy.mp4")):
        assert time.monotonic() < until
        time.sleep(0.005)
    assert not home.proxy(film.sha256).exists()
    os.kill(supervisor.pids()[0], signal.SIGKILL)
    done = ended(job)
    assert (done.state, done.attempts, done.result) == ("done", 2, {"frames": 800})
    assert len(list((home.root / "proxies").iterdir())) == 1


def test_a_trial_is_judged_and_then_gone(
    home: Home, database: Database, supervisor: Supervisor, ended: Ended, tiny: Path
) -> None:
    trial = home.incoming / ("trial-" + "ab" * 8)
    trial.write_bytes(tiny.read_bytes())
    with database.writing() as db:
        job = jobs.add_job(db, "check", payload={"file": trial.name, "view": "side"}, by="Coach").id
        outside = jobs.add_job(db, "check", payload={"file": "../midstance.sqlite", "view": "side"}).id
    judged = ended(job)
    if judged.state == "done":
        assert (judged.result or {})["kind"] == "film"
    else:
        assert (judged.problem or {})["where"] == "the picture or film that was dropped"
    assert not trial.exists()
    assert ended(outside).state == "failed"
    assert (home.root / "midstance.sqlite").exists()


def peak_kib(pid: int) -> int:
    """Return the most memory a process had so far, KiB; 0 where the system doesn't tell or it is gone."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0
    found = re.search(r"^VmHWM:\s+(\d+) kB", status, re.MULTILINE)
    return int(found[1]) if found else 0


@pytest.mark.slow
def test_the_demo_films_from_upload_to_report(
    home: Home, database: Database, bring: Callable[..., FilmRow], ended: Ended, session_id: str
) -> None:
    from midstance.assess.live import LiveFilms

    about = json.loads((DEMO / "demo.json").read_text())
    with database.writing() as db:
        session = sessions.get_session(db, session_id)
        sessions.change_session(db, session_id, {"speed_mps": about["speed_m_s"]}, version=session.version, by="Coach")
    side, rear = bring(DEMO / "side.mp4"), bring(DEMO / "rear.mp4", "rear", "behind.mp4")
    ids = [_queue(database, film) for film in (side, rear)]
    supervisor = Supervisor(home)
    supervisor.start()
    try:
        assert all(ended(job, 120).state == "done" for job in ids)
        # The report is asked for before the films are read: it waits for them.
        with database.writing() as db:
            report, job = queue_assessment(db, session_id, by="Coach")
        supervisor.wake()
        stages: dict[str, None] = {}
        most_kib = 0
        while (row := ended(job.id, 300, ("waiting", "running", "done", "failed"))).state in ("waiting", "running"):
            stages[row.stage] = None
            most_kib = max([most_kib, *(peak_kib(pid) for pid in supervisor.pids())])
            time.sleep(0.05)
        assert row.problem is None
        assert row.state == "done"
        for film in (side, rear):
            assert ended(_last_job(database, film.id, "read")).state == "done"
    finally:
        supervisor.stop()
    assert any(s.startswith("side: drawing") for s in stages)
    assert most_kib < 1.5 * (1 << 20)  # what a job may need at most
    names = {p.name for p in home.result(report.id).iterdir()}
    assert {"report.html", "report.pdf", "assessment.json", "measures.csv"} <= names
    with database.reading() as db:
        made = assessments.get_assessment(db, report.id)
        assert (made.state, made.number) == ("done", 1)
        content = json.loads((home.result(report.id) / "assessment.json").read_text())
        rows = assessments.measures_of(db, report.id)
        assert len(rows) == len(content["measures"])
        in_file = {(m["measure"], m["side"], m["view"]): m["value"] for m in content["measures"]}
        assert {(r.measure, r.side, r.view): r.value for r in rows} == in_file
        assert in_file["cadence", "both", "side"] is not None
        assert made.settings["speed_mps"] == about["speed_m_s"]
        assert {f["film"] for f in made.provenance["films"]} == {side.id, rear.id}
        assert film_state(db, home, side).read
        live = LiveFilms(home).film(db, side.id)
        assert live["measures"]
    assert content["films"][0].get("name", "IMG_1.mov") == "IMG_1.mov"
    assert str(home.root) not in (home.result(report.id) / "assessment.json").read_text()


@pytest.mark.slow
def test_a_film_of_the_other_side_is_read_again_when_one_of_the_side_comes(
    home: Home, database: Database, bring: Callable[..., FilmRow], ended: Ended
) -> None:
    far = bring(DEMO / "side.mp4", "side_far", "far.mp4")
    supervisor = Supervisor(home)
    supervisor.start()
    try:
        assert ended(_queue(database, far), 120).state == "done"
        ended(_last_job(database, far.id, "read"), 120)
        with database.reading() as db:
            assert film_state(db, home, far).read
        side = bring(DEMO / "rear.mp4", "side", "side.mp4")
        with database.reading() as db:
            assert not film_state(db, home, far).read
        assert ended(_queue(database, side), 120).state == "done"
        again = _last_job(database, far.id, "read")
        assert ended(again, 120).number > 3
    finally:
        supervisor.stop()
    with database.reading() as db:
        assert film_state(db, home, far).read


