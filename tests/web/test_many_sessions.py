"""Ten thousand sessions of five hundred runners: every list comes at once, its first part and its last, searched or not."""

from __future__ import annotations

import datetime as dt
import random
import statistics
import time
from collections.abc import Iterator
from typing import Any

import attrs
import pytest
from postgres_server import PostgresServer, binaries, required
from sqlalchemy import insert
from web_client import ADDRESS, TestClient

from midstance.records import tables as t
from midstance.records.database import Database, new_id
from midstance.web.app import create_app
from midstance.web.config import Config

pytestmark = pytest.mark.slow
RUNNERS, SESSIONS = 500, 10_000
#: The bar for one list, ms, from asking to the whole answer.
LIST_MS = 300.0
FIRST = ("Ada", "Berta", "Carla", "Dora", "Émilie", "Frida", "Greta", "Hanna", "Ines", "Jana")
PLACES = ("Track", "Hall", "Room 2", "Canal path", "Treadmill left")


@attrs.frozen
class Crowd:
    """A server with all that, and what its lists are asked for."""

    client: TestClient
    kind: str
    busiest: str


def fill(database: Database) -> str:
    """Put runners, sessions, films, reports with measures, jobs and journal into the records; returns the busiest runner."""
    draw = random.Random(11)
    day, moment = dt.date(2016, 1, 1), dt.datetime(2016, 1, 1, 8, tzinfo=dt.UTC)
    runners = [
        {"id": new_id(), "name": f"{draw.choice(FIRST)} {i:03d}", "height_m": 1.7, "consent": "given", "created_at": moment}
        for i in range(RUNNERS)
    ]
    sessions, films, assessments, measures, jobs, journal = [], [], [], [], [], []  # type: ignore[var-annotated]
    sha256 = "0" * 64
    for i in range(SESSIONS):
        # One runner has come every week for years, most have come a few times.
        runner = runners[0] if i % 20 == 0 else draw.choice(runners)
        at = moment + dt.timedelta(minutes=450 * i)
        session = {
            "id": new_id(), "runner_id": runner["id"], "held_on": day + dt.timedelta(days=i * 3650 // SESSIONS),
            "place": draw.choice(PLACES), "shoes": f"pair {i % 7}", "speed_mps": 2.5 + (i % 10) / 10, "created_at": at,
        }  # fmt: skip
        sessions.append(session)
        journal.append({"id": new_id(), "at": at, "by": "Coach", "what": "session added", "runner_id": runner["id"], "subject_id": session["id"], "detail": {}})  # fmt: skip  # noqa: E501
        for view in ("side", "rear")[: 1 + i % 2]:
            film = {"id": new_id(), "session_id": session["id"], "sha256": sha256, "view": view, "created_at": at}
            films.append(film)
            jobs.append({"id": new_id(), "number": len(jobs) + 1, "kind": "read", "state": "done", "session_id": session["id"], "film_id": film["id"], "created_at": at, "started_at": at, "ended_at": at, "change": len(jobs) + 1})  # fmt: skip  # noqa: E501
        for number in range(1, 1 + i % 3):
            assessment = {"id": new_id(), "session_id": session["id"], "number": number, "state": "done", "created_at": at, "done_at": at}  # fmt: skip  # noqa: E501
            assessments.append(assessment)
            for measure, value in (("cadence", 160 + i % 30), ("contact_time", 0.2 + (i % 50) / 1000)):
                for side in ("both",) if measure == "cadence" else ("left", "right"):
                    measures.append({"assessment_id": assessment["id"], "measure": measure, "side": side, "view": "side", "unit": "s", "value": value, "low": 0.98 * value, "high": 1.02 * value, "n": 20})  # fmt: skip  # noqa: E501
    with database.writing() as db:
        db.execute(insert(t.RunnerRow), runners)
        db.execute(insert(t.MediaRow), [{"sha256": sha256, "bytes": 1}])
        for table, rows in (
            (t.SessionRow, sessions), (t.FilmRow, films), (t.AssessmentRow, assessments), (t.MeasureRow, measures),
            (t.JobRow, jobs), (t.JournalRow, journal),
        ):  # fmt: skip
            for start in range(0, len(rows), 2000):
                db.execute(insert(table), rows[start : start + 2000])
    return str(runners[0]["id"])


@pytest.fixture(scope="module", params=["sqlite", "postgresql"])
def crowd(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Crowd]:
    """Serve them from a file and from a database server."""
    server, url = None, None
    if request.param == "postgresql":
        if binaries() is None:
            reason = "no PostgreSQL server is installed (Debian: apt-get install postgresql)"
            pytest.fail(reason) if required() else pytest.skip(reason)
        server = PostgresServer()
        url = server.url(server.new_database())
    config = Config(home=tmp_path_factory.mktemp("crowd") / "data", workers=0, database_url=url)
    with TestClient(create_app(config), base_url=ADDRESS) as client:
        busiest = fill(client.app.state.workbench.database)  # type: ignore[attr-defined]
        yield Crowd(client, str(request.param), busiest)
    if server is not None:
        server.stop()


def took_ms(crowd: Crowd, path: str) -> tuple[float, Any]:
    """Ask five times; returns the median time and the last answer."""
    times = []
    for _ in range(5):
        start = time.perf_counter()
        answer = crowd.client.get(path)
        times.append(1000 * (time.perf_counter() - start))
        assert answer.status_code == 200, f"{path}: {answer.status_code} {answer.text[:300]}"
    return statistics.median(times), answer


def all_parts(crowd: Crowd, path: str) -> list[str]:
    """Return the cursors of all parts of a list, in order, and check that nothing comes twice."""
    cursors, seen = [], set()
    after = ""
    while True:
        page = crowd.client.get(f"{path}&after={after}" if after else path).json()
        ids = [item["id"] for item in page["items"]]
        assert not seen & set(ids)
        seen |= set(ids)
        if not page["next"]:
            assert len(seen) in (RUNNERS, SESSIONS)
            return cursors
        after = page["next"]
        cursors.append(after)


def test_every_list_comes_at_once(crowd: Crowd, capsys: pytest.CaptureFixture[str]) -> None:
    sessions = all_parts(crowd, "/api/sessions?most=200")
    runners = all_parts(crowd, "/api/runners?most=100")
    middle, last = sessions[len(sessions) // 2], sessions[-1]
    asked = {
        "runners": "/runners",
        "runners, last part": f"/runners?after={runners[-1]}",
        "runners, searched": "/runners?query=%C3%A9mil",
        "runners, nobody": "/runners?query=xyz",
        "sessions": "/sessions",
        "sessions, middle": f"/sessions?after={middle}",
        "sessions, last part": f"/sessions?after={last}",
        "sessions, searched by runner": "/sessions?query=greta",
        "sessions, searched by place": "/sessions?query=canal",
        "sessions, searched for nothing": "/sessions?query=zzz",
        "a runner with 500 sessions": f"/runners/{crowd.busiest}",
        "work": "/work",
        "new session: whose": "/sessions/new",
        "compare: whose": "/compare",
        "compare: which": f"/compare?runner={crowd.busiest}",
        "api runners": "/api/runners?most=200",
        "api runners, last part": f"/api/runners?after={runners[-1]}",
        "api runners, searched": "/api/runners?query=ada&most=200",
        "api sessions": "/api/sessions?most=200",
        "api sessions, middle": f"/api/sessions?most=200&after={middle}",
        "api sessions, last": f"/api/sessions?most=200&after={last}",
        "api sessions, searched": "/api/sessions?most=200&query=hall",
        "api sessions, searched for nothing": "/api/sessions?query=zzz",
        "api sessions of a runner": f"/api/sessions?runner={crowd.busiest}&most=200",
        "api jobs": "/api/jobs?most=500",
        "api jobs that wait": "/api/jobs?state=waiting&state=running",
        "api journal": f"/api/runners/{crowd.busiest}/journal",
    }
    took = {name: took_ms(crowd, path) for name, path in asked.items()}
    with capsys.disabled():
        print(f"\n{crowd.kind}, {SESSIONS} sessions of {RUNNERS} runners, median of 5 requests, ms:")
        print("; ".join(f"{name} {ms:.0f}" for name, (ms, _) in took.items()))
    assert {name: round(ms) for name, (ms, _) in took.items() if ms >= LIST_MS} == {}
    # What is timed is what was asked for.
    assert "Émilie" in took["runners, searched"][1].text
    assert took["sessions"][1].text.count("/sessions/") >= 50
    assert "Canal path" in str(crowd.client.get("/api/sessions?query=canal").json()["items"])
    assert len(took["api sessions"][1].json()["items"]) == 200
    assert took["api sessions, searched for nothing"][1].json()["items"] == []
