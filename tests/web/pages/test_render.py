"""Each page renders, with data and without, and keeps to what all pages must be."""

from __future__ import annotations

from typing import Any

import pytest
from web_client import DEMO

from midstance.records import assessments, films, jobs, runners, sessions

ALWAYS = ("/runners/new", "/sessions", "/sessions/new", "/work", "/settings", "/keys", "/signin")


@pytest.mark.parametrize("path", ALWAYS)
def test_a_page_renders_in_an_empty_folder(get: Any, path: str) -> None:
    get(path)


def test_an_empty_folder_offers_a_runner_and_the_demo(get: Any) -> None:
    page = get("/")
    assert "/runners/new" in page.links()
    assert page.one("form", action="/demo").get("method") == "post"
    assert "invented" in page.text
    assert get("/runners").one("h1").text == page.one("h1").text


def test_the_demo_comes_in_once_and_leads_to_its_session(client: Any, post: Any, get: Any) -> None:
    first = post("/demo")
    assert first.status_code == 303
    page = get(first.headers["location"])
    assert "Invented runner" in page.one("aside", class_="banner").text
    assert "Three films are being read" in page.text
    assert post("/demo").headers["location"] == first.headers["location"]


@pytest.mark.parametrize("path", ALWAYS)
def test_a_page_renders_with_data(get: Any, path: str, film: Any) -> None:
    get(path)


@pytest.mark.parametrize(
    "path",
    ["", "/edit", "/measures", "/curves", "/findings", "/report"],
)
@pytest.mark.parametrize("has_film", [False, True])
def test_a_session_page_renders(get: Any, session: Any, path: str, has_film: bool, request: Any) -> None:
    if has_film:
        request.getfixturevalue("film")
    page = get(f"/sessions/{session['id']}{path}")
    assert f"/runners/{session['runner_id']}" in page.links()


@pytest.mark.parametrize("path", ["", "/edit", "/erase", "/sessions/new"])
def test_a_runner_page_renders(get: Any, runner: Any, path: str) -> None:
    assert "Invented Runner" in get(f"/runners/{runner['id']}{path}").text


@pytest.mark.parametrize(
    "path", ["/runners/0000000000000000", "/sessions/0000000000000000/measures", "/runners/x", "/nowhere"]
)
def test_what_isnt_there_is_said_on_a_page(get: Any, path: str) -> None:
    page = get(path, 404)
    assert "/runners" in page.links()
    assert "Next step" in page.text


def test_all_links_of_all_pages_lead_somewhere(
    client: Any, get: Any, prepared: Any, session: Any, runner: Any
) -> None:
    """Follow every link of every page of these; pages of other parts only have to be there."""
    seen: set[str] = set()
    waiting = ["/runners", f"/sessions/{session['id']}", f"/runners/{runner['id']}", "/settings", "/keys"]
    own = ("/runners", "/sessions", "/work", "/settings", "/keys")
    slow = ("/settings/doctor", "/api/")
    while waiting:
        path = waiting.pop().split("#")[0]
        if path in seen or path.startswith(slow):
            continue
        seen.add(path)
        answer = client.get(path)
        assert answer.status_code == 200, f"{path}: {answer.status_code}"
        if path.startswith(own) and "/phone" not in path:
            waiting += [link for link in get(path).links() if link.startswith("/")]
    assert len(seen) > 15


def test_a_list_goes_on_where_it_ended(get: Any, bench: Any, runner: Any) -> None:
    with bench.database.writing() as db:
        for number in range(55):
            runners.add_runner(db, {"name": f"Runner {number:02d}"}, by="test")
    page = get("/runners")
    more = page.one("a", rel="next").get("href")
    names = [e.text for e in page.all("th", scope="row")] + [e.text for e in get(more).all("th", scope="row")]
    assert len(names) == len(set(names)) == 56


def test_a_search_finds_and_says_when_it_doesnt(get: Any, runner: Any) -> None:
    assert "Invented Runner" in get("/runners?query=invent").text
    page = get("/runners?query=%3Cscript%3E")
    assert "Nobody of that name" in page.text
    assert "<script>" in page.text


def test_a_name_can_hold_markup(get: Any, bench: Any) -> None:
    with bench.database.writing() as db:
        row = runners.add_runner(db, {"name": '<b onclick="x">Ann</b> & Co'}, by="test")
        session = sessions.add_session(db, row.id, {"place": "<i>hall</i>"}, by="test")
    assert '<b onclick="x">Ann</b> & Co' in get(f"/runners/{row.id}").one("h1").text
    assert "<i>hall</i>" in get(f"/sessions/{session.id}").text


def test_work_shows_what_waits_and_why_something_failed(get: Any, post: Any, bench: Any, film: Any) -> None:
    page = get("/work")
    assert "Preparing a film: from the side" in page.text
    assert page.one("span", class_="count").text == "1"
    job_id = page.one("div", class_="progress").get("data-job")
    assert post(f"/jobs/{job_id}/cancel").headers["location"] == "/work?done=cancelled"
    page = get("/work")
    assert "Nothing to do" in page.text
    assert "cancelled" in page.text
    assert post(f"/jobs/{job_id}/retry", back=f"/sessions/{film['session_id']}").status_code == 303
    with bench.database.writing() as db:
        claimed = jobs.claim(db, "worker-1")
        assert claimed is not None
        problem = {
            "what": "the film can't be decoded",
            "where": "a.mp4",
            "allowed": "a film",
            "next_step": "export it again",
        }
        jobs.fail(db, claimed.id, problem, worker="worker-1")
    assert "The film can't be decoded. Next step: export it again." in get("/work").text
    page = get(f"/sessions/{film['session_id']}")
    assert "A film needs you" in page.text
    assert "The film can't be decoded." in page.text
    assert page.one("form", action=f"/films/{film['id']}/read")


@pytest.mark.parametrize(
    "there", ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere", "javascript:alert(1)"]
)
def test_a_form_never_leads_away(post: Any, film: Any, get: Any, there: str) -> None:
    job_id = get("/work").one("div", class_="progress").get("data-job")
    target = post(f"/jobs/{job_id}/cancel", back=there).headers["location"]
    assert target.startswith("/")
    assert not target.startswith(("//", "/\\"))


def test_settings_keep_the_name_and_show_the_folder(get: Any, post: Any, bench: Any) -> None:
    assert post("/settings", coach="  Ada B. ").headers["location"].startswith("/settings?")
    page = get("/settings")
    assert page.field("coach").get("value") == "Ada B."
    assert str(bench.config.home.root) in page.text
    assert "midstance restore" in page.text
    answer = post("/settings", coach="x" * 81)
    assert answer.status_code == 422
    assert 'aria-invalid="true"' in answer.text


def test_settings_make_a_backup_and_tell_where(get: Any, post: Any, bench: Any, session: Any) -> None:
    assert post("/settings/backup").headers["location"] == "/settings?done=backup-made#backup"
    (file,) = list(bench.config.home.backups.iterdir())
    page = get("/settings")
    assert f"midstance restore {file}" in page.text


def test_settings_start_the_accuracy_check(get: Any, post: Any) -> None:
    assert post("/settings/validate").status_code == 303
    assert get("/settings").all("div", class_="progress")


def test_trends_join_only_the_same_pace(get: Any, bench: Any, runner: Any, film: Any) -> None:
    measure = {
        "measure": "cadence",
        "side": "both",
        "view": "side",
        "unit": "steps/min",
        "n": 20,
        "reason": None,
    }
    size = (DEMO / "side.mp4").stat().st_size
    with bench.database.writing() as db:
        for day, speed, value in (
            ("2026-01-10", 3.0, 160.0),
            ("2026-02-10", 3.0, 164.0),
            ("2026-03-10", 3.6, 172.0),
        ):
            row = sessions.add_session(db, runner["id"], {"held_on": day, "speed_mps": speed}, by="test")
            films.add_film(
                db, row.id, sha256=film["sha256"], bytes=size, view="side", name="a.mp4", by="test"
            )
            made = assessments.run_assessment(db, assessments.start_assessment(db, row.id, by="test").id)
            one = {**measure, "value": value, "low": value - 2, "high": value + 2}
            assessments.finish_assessment(
                db, made.id, settings={}, software="test", findings=[], measures=[one]
            )
    page = get(f"/runners/{runner['id']}")
    plot = [e for e in page.all("svg") if "trend" in e.get("class")]
    assert len(plot) == 1
    assert len([e for e in page.all("line") if e.get("class") == "join"]) == 1
    assert len([e for e in page.all("line") if e.get("class") == "range"]) == 3
    assert "172.0 steps/min170.0 to 174.0" in page.text
