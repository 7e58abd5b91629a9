"""Forms: what is written comes back as it was meant, faults stand beside their fields, two people lose nothing."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pytest
from page_checks import check_page
from web_client import ADDRESS, DEMO, Browser

from midstance.evidence import load_evidence
from midstance.records.tables import FilmRow, RunnerRow, SessionRow
from midstance.web.shell import PAIN_ACCEPTED, PAIN_STOP


def _runner(bench: Any, runner_id: str) -> RunnerRow:
    with bench.database.reading() as db:
        row = db.get(RunnerRow, runner_id)
    assert row is not None
    return row


def _session(bench: Any, session_id: str) -> SessionRow:
    with bench.database.reading() as db:
        row = db.get(SessionRow, session_id)
    assert row is not None
    return row


def _id_of(answer: Any) -> str:
    assert answer.status_code == 303, answer.text[:3000]
    return str(answer.headers["location"].split("?")[0].rsplit("/", 1)[-1])


def test_a_runner_comes_back_as_written(post: Any, bench: Any, get: Any) -> None:
    fields = {
        "name": "Ines Ó Laoghaire",
        "birth_year": "1991",
        "height_m": "172 cm",
        "mass_kg": "61,5",
        "body_table": "female",
        "notes": "first line\r\nsecond",
        "consent": "given",
        "consent_on": "2026-01-12",
        "consent_by": "A. May",
        "consent_text": "films",
    }
    runner_id = _id_of(post("/runners/new", **fields))
    row = _runner(bench, runner_id)
    assert (row.name, row.birth_year, row.height_m, row.mass_kg) == ("Ines Ó Laoghaire", 1991, 1.72, 61.5)
    assert (row.body_table, row.notes, row.consent) == ("female", "first line\nsecond", "given")
    assert (row.consent_on, row.consent_by) == (dt.date(2026, 1, 12), "A. May")
    # What the form shows is what it takes: saving it unchanged changes nothing.
    page = get(f"/runners/{runner_id}/edit")
    again = {
        e.get("name"): e.get("value") for e in page.all("input") if e.get("type") not in ("hidden", "radio")
    }
    again |= {e.get("name"): e.get("value") for e in page.all("input", type="radio") if "checked" in e.attrs}
    again |= {e.get("name"): e.text for e in page.all("textarea")}
    again["version"] = page.field("version").get("value")
    assert post(f"/runners/{runner_id}/edit", **again).status_code == 303
    after = _runner(bench, runner_id)
    assert after.version == row.version
    assert after.notes == row.notes


@pytest.mark.parametrize(
    ("written", "height_m"), [("1.72", 1.72), ("1,72 m", 1.72), ("172", 1.72), ("172.5cm", 1.725), ("", None)]
)
def test_heights_as_people_write_them(post: Any, bench: Any, written: str, height_m: float | None) -> None:
    row = _runner(bench, _id_of(post("/runners/new", name="X", height_m=written)))
    assert row.height_m == pytest.approx(height_m) if height_m else row.height_m is None


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("name", ""),
        ("name", "x" * 81),
        ("birth_year", "1850"),
        ("birth_year", "91"),
        ("height_m", "17"),
        ("height_m", "tall"),
        ("mass_kg", "700"),
        ("consent_on", "yesterday"),
    ],
)
def test_a_fault_stands_beside_its_field_and_nothing_is_lost(
    post: Any, get: Any, bench: Any, field: str, value: str
) -> None:
    answer = post("/runners/new", **{"name": "Ann", "notes": "kept", field: value})
    assert answer.status_code == 422
    page = check_page(answer.text)
    faulty = page.field(field)
    assert faulty.get("aria-invalid") == "true"
    assert faulty.get("value") == value
    fault = page.one("p", id=f"e-{field}")
    assert len(fault.text.strip()) > 15
    assert f"e-{field}" in faulty.get("aria-describedby").split()
    assert any(a.get("href") == f"#f-{field}" for a in page.all("a")), "the summary doesn't lead to the field"
    assert page.field("notes").text == "kept"
    with bench.database.reading() as db:
        assert db.query(RunnerRow).count() == 0


def test_consent_given_needs_its_day(post: Any) -> None:
    answer = post("/runners/new", name="Ann", consent="given")
    assert answer.status_code == 422
    assert "Note the day on which consent was given." in answer.text


@pytest.mark.parametrize(
    ("written", "speed_mps"),
    [
        ("5:00/km", 1000 / 300),
        ("5:00", 1000 / 300),
        ("5:00 min/km", 1000 / 300),
        ("5:00 per km", 1000 / 300),
        ("12km/h", 12 / 3.6),
        ("12 km/h", 12 / 3.6),
        ("3.33 m/s", 3.33),
        ("3,33 m/s", 3.33),
        ("7.5 mph", 7.5 * 1.609344 / 3.6),
        ("8:02/mi", 1609.344 / 482),
        ("", None),
    ],
)
def test_paces_as_people_write_them(
    post: Any, get: Any, bench: Any, runner: Any, written: str, speed_mps: float | None
) -> None:
    session_id = _id_of(
        post(
            f"/runners/{runner['id']}/sessions/new", held_on="2026-05-03", surface="overground", pace=written
        )
    )
    row = _session(bench, session_id)
    if speed_mps is None:
        assert row.speed_mps is None
        assert "Without it nothing is measured" in get(f"/sessions/{session_id}").text
        return
    assert row.speed_mps == pytest.approx(speed_mps)
    # The form shows the pace so that saving it again keeps the speed to a thousandth.
    shown = get(f"/sessions/{session_id}/edit").field("pace").get("value")
    assert (
        post(
            f"/sessions/{session_id}/edit",
            held_on="2026-05-03",
            surface="overground",
            pace=shown,
            version="1",
        ).status_code
        == 303
    )
    assert _session(bench, session_id).speed_mps == pytest.approx(speed_mps, rel=1e-3)


@pytest.mark.parametrize("written", ["fast", "5:70/km", "0:00/km", "12", "0:30/km", "40 km/h h", "١٢ km/h"])
def test_a_pace_that_is_none_is_told_with_what_would_be(post: Any, runner: Any, written: str) -> None:
    answer = post(f"/runners/{runner['id']}/sessions/new", held_on="2026-05-03", pace=written)
    assert answer.status_code == 422
    page = check_page(answer.text)
    assert page.field("pace").get("value") == written
    assert "Possible:" in page.one("p", id="e-pace").text


def test_pain_comes_back_as_told_and_brings_the_cautions(
    post: Any, get: Any, bench: Any, runner: Any
) -> None:
    fields = {
        "held_on": "2026-05-03",
        "pace": "5:00/km",
        "pain_where_0": "left shin",
        "pain_score_0": "4",
        "pain_note_0": "after 5 km",
    }
    session_id = _id_of(post(f"/runners/{runner['id']}/sessions/new", **fields))
    assert _session(bench, session_id).pain == [
        {"where": "left shin", "score_0_10": 4.0, "note": "after 5 km"}
    ]
    page = get(f"/sessions/{session_id}")
    assert "Left shin, 4 out of 10 (after 5 km)." in page.text
    assert "stop the change and see a licensed clinician" in page.text
    edit = get(f"/sessions/{session_id}/edit")
    assert edit.field("pain_where_0").get("value") == "left shin"
    assert edit.field("pain_score_0").get("value") == "4"


@pytest.mark.parametrize(
    ("score", "said"),
    [
        ("3", "Pain was stated"),
        ("5", "Pain was stated"),
        ("5.5", "see a licensed clinician first"),
        ("10", "see a licensed clinician first"),
    ],
)
def test_pain_beyond_the_limit_comes_before_everything_else(
    post: Any, get: Any, runner: Any, score: str, said: str
) -> None:
    fields = {"held_on": "2026-05-03", "pain_where_0": "heel", "pain_score_0": score}
    page = get("/sessions/" + _id_of(post(f"/runners/{runner['id']}/sessions/new", **fields)))
    assert said in page.text
    if "first" in said:
        assert page.text.index(said) < page.text.index("Add the films")


@pytest.mark.parametrize(
    ("fields", "faulty"),
    [
        ({"pain_where_0": "", "pain_score_0": "4"}, "pain_where_0"),
        ({"pain_where_0": "knee", "pain_score_0": ""}, "pain_score_0"),
        ({"pain_where_1": "knee", "pain_score_1": "11"}, "pain_score_1"),
        ({"pain_where_0": "knee", "pain_score_0": "a lot"}, "pain_score_0"),
    ],
)
def test_pain_that_is_half_told_is_asked_for(
    post: Any, runner: Any, fields: dict[str, str], faulty: str
) -> None:
    answer = post(f"/runners/{runner['id']}/sessions/new", held_on="2026-05-03", **fields)
    assert answer.status_code == 422
    assert check_page(answer.text).field(faulty).get("aria-invalid") == "true"


@pytest.mark.parametrize("day", ["", "3 May", "2099-01-01", "1900-01-01"])
def test_a_day_that_cant_be_is_refused(post: Any, runner: Any, day: str) -> None:
    assert post(f"/runners/{runner['id']}/sessions/new", held_on=day).status_code == 422


def test_the_next_session_is_filled_in_as_last_time_except_pain(post: Any, get: Any, runner: Any) -> None:
    fields = {
        "held_on": "2026-05-03",
        "pace": "5:00/km",
        "shoes": "Racing flat",
        "pain_where_0": "heel",
        "pain_score_0": "2",
    }
    post(f"/runners/{runner['id']}/sessions/new", **fields)
    page = get(f"/runners/{runner['id']}/sessions/new")
    assert (page.field("pace").get("value"), page.field("shoes").get("value")) == ("5:00/km", "Racing flat")
    assert page.field("pain_where_0").get("value") == ""
    assert page.field("held_on").get("value") == dt.date.today().isoformat()


def test_two_people_changing_a_session_see_each_others_words(post: Any, bench: Any, session: Any) -> None:
    path = f"/sessions/{session['id']}/edit"
    base = {"held_on": "2026-05-03", "pace": "3 m/s", "version": "1"}
    assert post(path, **base, place="Hall", shoes="flat").status_code == 303
    answer = post(path, **base, place="Track", notes="windy")
    assert answer.status_code == 409
    page = check_page(answer.text)
    rows = [" ".join(e.text.split()) for e in page.all("tr")]
    assert any(r.startswith("Place") and "Track" in r and "Hall" in r for r in rows), rows
    assert any(r.startswith("Shoes") and "flat" in r for r in rows), rows
    assert not any(r.startswith("Day") for r in rows), "the same on both sides"
    assert page.field("place").get("value") == "Track"
    assert page.field("notes").text == "windy"
    assert _session(bench, session["id"]).place == "Hall", "nothing was overwritten"
    assert page.field("version").get("value") == "2"
    assert post(path, **{**base, "version": "2"}, place="Track", notes="windy").status_code == 303
    assert _session(bench, session["id"]).place == "Track"


def test_two_people_changing_a_runner_see_each_others_words(post: Any, bench: Any, runner: Any) -> None:
    path = f"/runners/{runner['id']}/edit"
    assert post(path, name="First", version="1", height_m="1.7").status_code == 303
    answer = post(path, name="Second", version="1", height_m="1.7")
    assert answer.status_code == 409
    assert "Somebody else changed this meanwhile" in answer.text
    assert _runner(bench, runner["id"]).name == "First"


@pytest.mark.parametrize("version", ["", "-1", "99", "1e9", "x"])
def test_a_form_without_its_version_overwrites_nothing(
    post: Any, bench: Any, runner: Any, version: str
) -> None:
    assert post(f"/runners/{runner['id']}/edit", name="Other", version=version).status_code == 409
    assert _runner(bench, runner["id"]).name == "Invented Runner"


def test_a_session_is_removed_with_its_films(
    post: Any, client: Any, bench: Any, prepared: Any, session: Any
) -> None:
    answer = post(f"/sessions/{session['id']}/remove")
    assert answer.headers["location"] == f"/runners/{session['runner_id']}?done=session-removed"
    assert client.get(f"/sessions/{session['id']}").status_code == 404
    with bench.database.reading() as db:
        assert db.get(FilmRow, prepared["id"]) is None
    assert not bench.config.home.proxy(prepared["sha256"]).exists()


def test_erasing_asks_for_the_name_and_tells_what_went(
    post: Any, get: Any, client: Any, film: Any, runner: Any
) -> None:
    path = f"/runners/{runner['id']}/erase"
    page = get(path)
    assert "1 session" in page.text
    assert "1 film (" in page.text
    refused = post(path, name="invented runner")
    assert refused.status_code == 422
    assert "Write the name exactly as it stands" in refused.text
    done = post(path, name="Invented Runner")
    assert done.status_code == 200, done.text[:2000]
    assert "No id, sum or file of the runner was found any more." in done.text
    assert client.get(f"/runners/{runner['id']}").status_code == 404


def test_a_film_comes_in_by_a_form_without_scripts(client: Any, post: Any, bench: Any, session: Any) -> None:
    browser = Browser(client)
    path = f"/sessions/{session['id']}/films"
    headers = {"Origin": ADDRESS, "Sec-Fetch-Site": "same-origin"}
    fields = {"csrf": browser.token, "view": "side"}
    answer = client.post(
        path,
        data=fields,
        files={"film": ("IMG_1.mov", (DEMO / "side.mp4").read_bytes(), "video/mp4")},
        headers=headers,
        follow_redirects=False,
    )
    assert answer.status_code == 303, answer.text[:2000]
    assert answer.headers["location"] == f"/sessions/{session['id']}?done=film-added#films"
    with bench.database.reading() as db:
        (row,) = db.query(FilmRow).all()
    assert (row.view, row.name, row.used) == ("side", "IMG_1.mov", True)
    wrong = client.post(
        path, data=fields, files={"film": ("a.txt", b"not a film" * 99, "text/plain")}, headers=headers
    )
    assert wrong.status_code == 422
    assert "The film wasn’t taken" in wrong.text
    assert "This is not a film" in wrong.text


def test_an_earlier_take_can_be_used_again_and_a_film_removed(
    client: Any, post: Any, get: Any, bench: Any, film: Any
) -> None:
    content = (DEMO / "rear.mp4").read_bytes()
    path = f"/api/sessions/{film['session_id']}/films"
    second = client.post(
        path,
        params={"view": "side", "name": "second.mp4"},
        content=content,
        headers={"Content-Type": "video/mp4"},
    ).json()
    here = f"/sessions/{film['session_id']}"
    assert get(here).one("form", action=f"/films/{film['id']}/use")
    assert post(f"/films/{film['id']}/use").headers["location"] == f"{here}?done=film-used#films"
    assert get(here).one("form", action=f"/films/{second['id']}/use")
    assert post(f"/films/{second['id']}/view", view="rear").status_code == 303
    with bench.database.reading() as db:
        row = db.get(FilmRow, second["id"])
        assert row is not None
        assert row.view == "rear"
    assert post(f"/films/{second['id']}/view", view="above").status_code == 422
    assert post(f"/films/{second['id']}/remove").headers["location"] == f"{here}?done=film-removed#films"
    assert "second.mp4" not in get(here).text


def test_a_report_needs_a_film(post: Any, session: Any) -> None:
    path = f"/sessions/{session['id']}/report"
    refused = post(path)
    assert refused.status_code == 422
    assert "No report can be made yet" in refused.text


def test_a_form_without_the_pages_token_is_refused(client: Any, runner: Any, bench: Any) -> None:
    headers = {"Origin": "http://127.0.0.1:8320", "Sec-Fetch-Site": "same-origin"}
    answer = client.post(
        f"/runners/{runner['id']}/edit", data={"name": "Other", "version": "1"}, headers=headers
    )
    assert answer.status_code == 403
    assert _runner(bench, runner["id"]).name == "Invented Runner"


def test_the_limits_of_pain_are_those_of_the_caution() -> None:
    text = next(c.text for c in load_evidence().cautions if c.key == "pain_scale")
    assert f"at most {PAIN_ACCEPTED} out of 10" in text
    assert f"More than {PAIN_STOP} out of 10" in text
