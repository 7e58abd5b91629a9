"""The API, operation by operation: what it gives, and what it says when it can't."""

from __future__ import annotations

import datetime as dt
import io
import json
import threading
import zipfile
from typing import Any

import pytest
from web_client import DEMO, TestClient, problem

from midstance.records import assessments, jobs
from midstance.web.app import Workbench

NOBODY = "00112233445566aa"
#: On both databases.
BOTH = pytest.mark.parametrize("database_url", ["sqlite", "postgresql"], indirect=True)


# -- about -------------------------------------------------------------------------------------------------------------


def test_about_who_and_settings(client: TestClient) -> None:
    about = client.get("/api/about").json()
    assert about["software"].startswith("midstance ")
    assert about["most_film_bytes"] == 4 * 1024**2
    assert about["accounts"] is False
    assert client.get("/api/who").json() == {"name": "Coach", "account": False}
    assert client.put("/api/settings", json={"coach": "  A. May "}).json() == {"coach": "A. May"}
    assert client.get("/api/settings").json() == {"coach": "A. May"}
    assert client.get("/api/who").json() == {"name": "A. May", "account": False}
    assert client.put("/api/settings", json={"coach": ""}).json() == {"coach": "Coach"}
    problem(client.put("/api/settings", json={"coach": "two\nlines"}), 422)
    problem(client.put("/api/settings", json={"coach": "x" * 81}), 422)
    problem(client.put("/api/settings", json={"other": 1}), 422)


def test_the_measures_are_those_of_the_registry(client: TestClient) -> None:
    from midstance.gait.registry import REGISTRY

    items = client.get("/api/measures").json()["items"]
    assert [i["key"] for i in items] == list(REGISTRY)
    assert {i["key"]: i["unit"] for i in items}["cadence"] == "steps/min"


# -- runners -----------------------------------------------------------------------------------------------------------


def test_a_runner_is_added_shown_changed(client: TestClient) -> None:
    new = client.post("/api/runners", json={"name": " Invented Änne ", "height_m": 1.68, "consent": "given"}).json()
    assert new["name"] == "Invented Änne"
    assert new["version"] == 1
    assert new["consent_by"] == "Coach"
    assert client.get(f"/api/runners/{new['id']}").json() == new
    changed = client.put(f"/api/runners/{new['id']}", json={"version": 1, "mass_kg": 60}).json()
    assert (changed["mass_kg"], changed["height_m"], changed["version"]) == (60, 1.68, 2)
    nothing = client.put(f"/api/runners/{new['id']}", json={"version": 2, "height_m": None}).json()
    assert nothing["height_m"] is None
    entries = client.get(f"/api/runners/{new['id']}/journal").json()["items"]
    assert [e["what"] for e in entries] == ["runner changed", "runner changed", "runner added"]
    assert all(e["by"] == "Coach" for e in entries)
    assert entries[1]["detail"] == {"mass_kg": [None, 60.0]}


@pytest.mark.parametrize(
    ("fields", "where"),
    [
        ({}, "body.name"),
        ({"name": "   "}, "body.name"),
        ({"name": "a\u2028b"}, "body.name"),
        ({"name": "a\0b"}, "body.name"),
        ({"name": "x" * 81}, "body.name"),
        ({"name": "a", "height_m": 170}, "body.height_m"),
        ({"name": "a", "height_m": "tall"}, "body.height_m"),
        ({"name": "a", "birth_year": 3}, "body.birth_year"),
        ({"name": "a", "consent": "maybe"}, "body.consent"),
        ({"name": "a", "consent_on": "yesterday"}, "body.consent_on"),
        ({"name": "a", "invented": True}, "body.invented"),
        ({"name": "a", "id": NOBODY}, "body.id"),
        ({"name": "a", "notes": "x" * 6000}, "body.notes"),
    ],
)
def test_faults_of_a_runner_are_named(client: TestClient, fields: dict[str, Any], where: str) -> None:
    body = problem(client.post("/api/runners", json=fields), 422)
    assert where in [e["where"] for e in body["errors"]]
    assert client.get("/api/runners").json()["items"] == []


def test_what_the_records_refuse_is_told(client: TestClient) -> None:
    body = problem(client.post("/api/runners", json={"name": "a", "consent_on": "2999-01-01"}), 422)
    assert body["where"] == "consent_on"
    assert "nothing was changed" in body["next_step"]


def test_runners_are_listed_in_parts(client: TestClient) -> None:
    for i in range(5):
        client.post("/api/runners", json={"name": f"Runner {i}"})
    names, after = [], None
    while True:
        part = client.get("/api/runners", params={"most": 2} | ({"after": after} if after else {})).json()
        names += [i["name"] for i in part["items"]]
        after = part["next"]
        if after is None:
            break
    assert names == [f"Runner {i}" for i in range(5)]
    assert [i["name"] for i in client.get("/api/runners", params={"query": "ner 3"}).json()["items"]] == ["Runner 3"]
    problem(client.get("/api/runners", params={"after": "bm8"}), 422)
    problem(client.get("/api/runners", params={"after": "!"}), 422)
    problem(client.get("/api/runners", params={"most": 0}), 422)


@pytest.mark.parametrize("path", ["runners", "sessions", "films", "assessments", "jobs"])
@pytest.mark.parametrize("id", [NOBODY, "x", "..", "%2e%2e", NOBODY.upper(), NOBODY + "0", "%00", "é"])
def test_what_is_not_there_is_404(client: TestClient, path: str, id: str) -> None:
    answer = client.get(f"/api/{path}/{id}")
    if answer.status_code != 405:  # "jobs/.." is another address
        assert answer.status_code == 404 or (path == "runners" and id == "..")


def test_two_who_change_the_same_runner_lose_nothing(client: TestClient, runner: dict[str, Any]) -> None:
    path = f"/api/runners/{runner['id']}"
    assert client.put(path, json={"version": 1, "notes": "first"}).status_code == 200
    body = problem(client.put(path, json={"version": 1, "notes": "second"}), 409)
    assert body["current"]["notes"] == "first"
    assert body["current"]["version"] == 2
    assert client.get(path).json()["notes"] == "first"
    assert client.put(path, json={"version": body["current"]["version"], "notes": "first and second"}).status_code == 200


@BOTH
@pytest.mark.parametrize("what", ["runners", "sessions"])
def test_of_many_changes_at_once_one_wins(
    client: TestClient, runner: dict[str, Any], session: dict[str, Any], what: str
) -> None:
    path = f"/api/{what}/{(runner if what == 'runners' else session)['id']}"
    ready, answers = threading.Barrier(6), []

    def change(i: int) -> None:
        ready.wait()
        answers.append((i, client.put(path, json={"version": 1, "notes": f"of {i}"})))

    threads = [threading.Thread(target=change, args=(i,)) for i in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    won = [i for i, a in answers if a.status_code == 200]
    assert len(won) == 1
    now = client.get(path).json()
    assert now["notes"] == f"of {won[0]}"
    assert now["version"] == 2
    for i, answer in answers:
        if i != won[0]:
            assert problem(answer, 409)["current"]["notes"] == f"of {won[0]}"


@BOTH
def test_counting_up_from_many_threads_loses_nothing(client: TestClient, session: dict[str, Any]) -> None:
    """Each thread adds to what it read, and reads again when somebody was quicker: all additions must be there."""
    path = f"/api/sessions/{session['id']}"

    def add(mark: str) -> None:
        for i in range(5):
            while True:
                now = client.get(path).json()
                notes = f"{now['notes']} {mark}{i}".strip()
                if client.put(path, json={"version": now["version"], "notes": notes}).status_code == 200:
                    break

    threads = [threading.Thread(target=add, args=(m,)) for m in "abcd"]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    words = client.get(path).json()["notes"].split()
    assert sorted(words) == sorted(f"{m}{i}" for m in "abcd" for i in range(5))


def test_a_runner_is_exported(client: TestClient, bench: Workbench, film: dict[str, Any], runner: dict[str, Any]) -> None:
    answer = client.get(f"/api/runners/{runner['id']}/export")
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == 'attachment; filename="Invented Runner.zip"'
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        assert any(n.endswith("runner.json") for n in archive.namelist())
        assert any(archive.read(n) == (DEMO / "side.mp4").read_bytes() for n in archive.namelist())
    assert list(bench.config.home.incoming.iterdir()) == []  # nothing of it stays


def test_a_runner_is_erased_only_by_name(
    client: TestClient, bench: Workbench, film: dict[str, Any], runner: dict[str, Any], session: dict[str, Any]
) -> None:
    path = f"/api/runners/{runner['id']}"
    problem(client.post(f"{path}/erase", json={"name": "Another"}), 422)
    assert client.get(path).status_code == 200
    answer = client.post(f"{path}/erase", json={"name": runner["name"]})
    assert answer.status_code == 200, answer.text
    assert answer.headers["clear-site-data"] == '"cache"'
    assert answer.json()["counts"]
    for gone in (path, f"/api/sessions/{session['id']}", f"/api/films/{film['id']}"):
        problem(client.get(gone), 404)
    assert not any(p.is_file() for p in bench.config.home.media.rglob("*"))


# -- sessions ----------------------------------------------------------------------------------------------------------


def test_a_session_is_added_shown_changed_removed(client: TestClient, runner: dict[str, Any]) -> None:
    pain = [{"where": "left shin", "score_0_10": 3, "note": "after 5 km"}]
    new = {"held_on": "2026-05-03", "surface": "overground", "speed_mps": 3.3, "pain": pain}
    made = client.post(f"/api/runners/{runner['id']}/sessions", json=new).json()
    path = f"/api/sessions/{made['id']}"
    whole = client.get(path).json()
    assert whole["runner"]["name"] == runner["name"]
    assert whole["films"] == []
    assert whole["pain"] == pain
    changed = client.put(path, json={"version": 1, "shoes": "red"}).json()
    assert (changed["shoes"], changed["surface"], changed["held_on"]) == ("red", "overground", "2026-05-03")
    listed = client.get("/api/sessions").json()["items"]
    assert [i["id"] for i in listed] == [made["id"]]
    assert listed[0]["runner_name"] == runner["name"]
    assert client.get("/api/sessions", params={"runner": NOBODY}).json()["items"] == []
    assert client.delete(path).status_code == 204
    problem(client.get(path), 404)
    problem(client.post(f"/api/runners/{NOBODY}/sessions", json=new), 404)


@pytest.mark.parametrize(
    "fields",
    [
        {"held_on": "2026-02-30"},
        {"held_on": "2026-05-03", "speed_mps": 0.5},
        {"held_on": "2026-05-03", "surface": "moon"},
        {"held_on": "2026-05-03", "pain": [{"where": "knee", "score_0_10": 11}]},
        {"held_on": "2026-05-03", "pain": [{"where": ""}]},
        {"held_on": "2026-05-03", "weekly_distance_km": -1},
        {},
    ],
)
def test_faults_of_a_session(client: TestClient, runner: dict[str, Any], fields: dict[str, Any]) -> None:
    problem(client.post(f"/api/runners/{runner['id']}/sessions", json=fields), 422)


def test_findings_are_overruled_and_stand_again(client: TestClient, session: dict[str, Any]) -> None:
    path = f"/api/sessions/{session['id']}/overrules"
    made = client.post(path, json={"finding": "foot_far_ahead", "side": "left", "why": "seen otherwise"})
    assert made.status_code == 201
    problem(client.post(path, json={"finding": "foot_far_ahead", "side": "left", "why": "again"}), 409)
    problem(client.post(path, json={"finding": "foot_far_ahead", "side": "left", "why": " "}), 422)
    withdrawn = client.post(f"/api/overrules/{made.json()['id']}/withdraw").json()
    assert withdrawn["withdrawn_by"] == "Coach"
    problem(client.post(f"/api/overrules/{made.json()['id']}/withdraw"), 409)
    assert len(client.get(path).json()["items"]) == 1


def test_live_measures_need_a_film_that_was_read(client: TestClient, session: dict[str, Any]) -> None:
    problem(client.get(f"/api/sessions/{session['id']}/live"), 422)


# -- assessments -------------------------------------------------------------------------------------------------------


@pytest.fixture
def done(client: TestClient, bench: Workbench, film: dict[str, Any], session: dict[str, Any]) -> dict[str, Any]:
    """An assessment with a few files, put there as its job would."""
    started = client.post(f"/api/sessions/{session['id']}/assessments")
    assert started.status_code == 202, started.text
    row = dict(started.json()["assessment"])
    folder = bench.config.home.result(row["id"])
    (folder / "stills").mkdir(parents=True)
    (folder / "report.html").write_text("<!doctype html><title>Report</title><script>parent.x</script>")
    (folder / "assessment.json").write_text("{}")
    (folder / "measures.csv").write_text("measure\r\n")
    (folder / "stills" / "side-left-initial_contact-stride3.jpg").write_bytes(b"\xff\xd8\xff")
    (folder / ".hidden").write_text("secret")
    (folder / "link.csv").symlink_to(bench.config.home.root / "server.key")
    measure = {"measure": "cadence", "side": "both", "view": "side", "unit": "steps/min", "value": 170.0, "low": 169.0,
               "high": 171.0, "n": 12, "reason": None}  # fmt: skip
    with bench.database.writing() as db:
        assessments.run_assessment(db, row["id"])
        assessments.finish_assessment(
            db, row["id"], settings={"speed_mps": 3.0}, software="midstance", findings=[], measures=[measure]
        )
    return row


def test_a_report_is_asked_for_once(client: TestClient, film: dict[str, Any], session: dict[str, Any]) -> None:
    path = f"/api/sessions/{session['id']}/assessments"
    started = client.post(path).json()
    assert started["assessment"]["state"] == "waiting"
    assert started["assessment"]["number"] == 1
    assert started["job"]["kind"] == "assess"
    assert started["job"]["assessment_id"] == started["assessment"]["id"]
    assert client.get(path).json()["items"] == [started["assessment"]]
    assert client.get(f"/api/assessments/{started['assessment']['id']}/files").json()["items"] == []
    problem(client.post(f"/api/sessions/{NOBODY}/assessments"), 404)


def test_a_report_needs_a_film(client: TestClient, session: dict[str, Any]) -> None:
    answer = client.post(f"/api/sessions/{session['id']}/assessments")
    assert answer.status_code in (409, 422)
    assert client.get(f"/api/sessions/{session['id']}/assessments").json()["items"] == []


def test_an_assessment_with_its_numbers(client: TestClient, done: dict[str, Any]) -> None:
    whole = client.get(f"/api/assessments/{done['id']}").json()
    assert whole["state"] == "done"
    assert whole["provenance"]["films"][0]["view"] == "side"
    assert [m["value"] for m in whole["measures"]] == [170.0]
    listed = client.get("/api/sessions").json()["items"][0]
    assert (listed["assessment_number"], listed["cadence_spm"]) == (1, 170.0)


def test_files_of_an_assessment(client: TestClient, done: dict[str, Any]) -> None:
    path = f"/api/assessments/{done['id']}/files"
    still = "stills/side-left-initial_contact-stride3.jpg"
    assert [f["name"] for f in client.get(path).json()["items"]] == ["assessment.json", "measures.csv", "report.html", still]
    report = client.get(f"{path}/report.html")
    policy = report.headers["content-security-policy"]
    assert policy.startswith("sandbox;")
    assert "allow-scripts" not in policy
    assert "script-src" not in policy  # default-src 'none' holds for scripts
    assert "default-src 'none'" in policy
    assert report.headers["content-type"] == "text/html; charset=utf-8"
    assert report.headers["content-disposition"] == 'inline; filename="report-2026-05-03-1.html"'
    table = client.get(f"{path}/measures.csv")
    assert table.headers["content-disposition"] == 'attachment; filename="measures-2026-05-03-1.csv"'
    assert client.get(f"{path}/{still}").headers["content-type"] == "image/jpeg"
    assert client.get(f"{path}/report.html", params={"download": True}).headers["content-disposition"].startswith("attach")
    assert client.get(f"{path}/measures.csv", headers={"Range": "bytes=0-6"}).content == b"measure"


@pytest.mark.parametrize(
    "name",
    [
        ".hidden",
        "link.csv",
        "stills",
        "../../server.key",
        "..%2f..%2fserver.key",
        "%2e%2e/%2e%2e/server.key",
        "..%5c..%5cserver.key",
        "stills%2f..%2freport.html",
        "stills//side-left-initial_contact-stride3.jpg",
        "%2fetc%2fpasswd",
        "/etc/passwd",
        "report.html%00",
        "report.html%00.jpg",
        "REPORT.HTML",
        "%c0%ae%c0%ae/server.key",
    ],
)
def test_no_other_file_comes_out(client: TestClient, done: dict[str, Any], name: str) -> None:
    answer = client.get(f"/api/assessments/{done['id']}/files/{name}")
    assert answer.status_code == 404
    assert b"secret" not in answer.content


def test_an_assessment_is_removed_with_its_files(client: TestClient, bench: Workbench, done: dict[str, Any]) -> None:
    with bench.database.writing() as db:
        for job in jobs.jobs_of(db, states=("waiting",)):
            jobs.cancel(db, job.id)
    assert client.delete(f"/api/assessments/{done['id']}").status_code == 204
    problem(client.get(f"/api/assessments/{done['id']}"), 404)
    assert not bench.config.home.result(done["id"]).exists()


# -- the rest ----------------------------------------------------------------------------------------------------------


def test_the_demo_is_added_once(client: TestClient) -> None:
    made = client.post("/api/demo")
    assert made.status_code == 201, made.text
    assert client.post("/api/demo").json() == made.json()
    whole = client.get(f"/api/sessions/{made.json()['session_id']}").json()
    assert whole["runner"]["invented"] is True
    assert "invented" in whole["runner"]["name"]
    assert {f["view"] for f in whole["films"]} == {"side", "rear", "front"}
    assert all(f["job"] is not None for f in whole["films"])
    assert len(client.get("/api/runners").json()["items"]) == 1


@pytest.mark.parametrize("paper", ["a4", "a3", "letter"])
def test_the_board(client: TestClient, paper: str) -> None:
    answer = client.get("/api/board.pdf", params={"paper": paper})
    assert answer.content.startswith(b"%PDF-")
    assert paper in answer.headers["content-disposition"]
    problem(client.get("/api/board.pdf", params={"paper": "a9"}), 422)


def test_the_lens_from_pictures_of_the_board(client: TestClient, bench: Workbench) -> None:
    """Pictures made by a camera model whose focal length is known."""
    import cv2
    import numpy as np

    from midstance.camera.board import board_png

    page = cv2.imdecode(np.frombuffer(board_png("a4", 100.0), np.uint8), cv2.IMREAD_GRAYSCALE)
    high, wide = page.shape
    focal, size = 1100.0, (1280, 720)
    inner = np.array([[focal, 0, 639.5], [0, focal, 359.5], [0, 0, 1]])
    files = []
    middle = [(0, 0, 0, 0), (25, 0, 0, 0), (-25, 10, 0, 0), (0, 30, 0, 0), (10, -30, 0, 0)]
    corners = [(15, 15, 0.16, 0.07), (-15, 15, -0.16, -0.07), (5, -15, 0.16, -0.07), (-8, 8, -0.16, 0.07)]
    for i, (a, b, x, y) in enumerate(middle + corners):
        turn = cv2.Rodrigues(np.radians([a, b, 3.0]))[0]
        metres = np.array([[0.297 / wide, 0, -0.1485], [0, 0.21 / high, -0.105], [0, 0, 1]])
        plane = np.column_stack([turn[:, 0], turn[:, 1], [x, y, 0.42]])
        picture = cv2.warpPerspective(page, inner @ plane @ metres, size, borderValue=128, flags=cv2.INTER_AREA)
        files.append(("pictures", (f"../{i}.png", cv2.imencode(".png", picture)[1].tobytes(), "image/png")))
    answer = client.post("/api/lens", files=files)
    assert answer.status_code == 200, answer.text
    assert answer.json()["lens"]["focal_px"] == pytest.approx(focal, rel=0.02)
    assert answer.json()["lens"]["size_px"] == [1280, 720]
    problem(client.post("/api/lens", files=files[:2]), 422)
    assert list(bench.config.home.incoming.iterdir()) == []


@pytest.mark.parametrize(
    ("content", "status"), [(b"no picture", 415), (b"", 415), (b"\x89PNG\r\n\x1a\n" + bytes(100), 422), (b"GIF89a", 415)]
)
def test_pictures_that_are_none(client: TestClient, bench: Workbench, content: bytes, status: int) -> None:
    files = [("pictures", (f"{i}.png", content, "image/png")) for i in range(5)]
    problem(client.post("/api/lens", files=files), status)
    assert list(bench.config.home.incoming.iterdir()) == []


def test_a_picture_that_unfolds_to_gigabytes_is_refused(client: TestClient) -> None:
    """A small file that claims 60000 × 60000 px: the process that looks at it is limited, the server lives on."""
    import struct
    import zlib

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    header = chunk(b"IHDR", struct.pack(">IIBBBBB", 60_000, 60_000, 8, 0, 0, 0, 0))
    bomb = b"\x89PNG\r\n\x1a\n" + header + chunk(b"IDAT", zlib.compress(bytes(100_000))) + chunk(b"IEND", b"")
    files = [("pictures", (f"{i}.png", bomb, "image/png")) for i in range(5)]
    problem(client.post("/api/lens", files=files), 422)
    assert client.get("/api/about").status_code == 200


def test_the_doctor(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    import midstance.doctor

    monkeypatch.setattr(midstance.doctor, "look", lambda: (["ok    all"], True))  # the real one takes seconds
    assert client.get("/api/doctor").json() == {"healthy": True, "lines": ["ok    all"]}


def test_the_accuracy_check_is_a_job(client: TestClient) -> None:
    answer = client.post("/api/validate")
    assert answer.status_code == 202
    assert answer.json()["kind"] == "validate"


def test_backups(client: TestClient, bench: Workbench, film: dict[str, Any]) -> None:
    made = client.post("/api/backups")
    assert made.status_code == 201, made.text
    assert (bench.config.home.backups / made.json()["name"]).stat().st_size == made.json()["bytes"]
    assert [b["name"] for b in client.get("/api/backups").json()["items"]] == [made.json()["name"]]


def test_codes_for_phones(client: TestClient, bench: Workbench, session: dict[str, Any]) -> None:
    from midstance.records import pairings

    path = f"/api/sessions/{session['id']}/pairings"
    made = client.post(path).json()
    assert len(made["code"]) == 8
    listed = client.get(path).json()["items"]
    assert [p["id"] for p in listed] == [made["id"]]
    assert "code" not in listed[0]
    with bench.database.writing() as db:
        assert pairings.use_code(db, made["code"])
    assert client.delete(f"/api/pairings/{made['id']}").status_code == 204
    assert client.get(path).json()["items"] == []
    problem(client.delete(f"/api/pairings/{NOBODY}"), 404)


def test_times_are_told_in_utc(client: TestClient, runner: dict[str, Any]) -> None:
    assert runner["created_at"].endswith("Z")
    moment = dt.datetime.fromisoformat(runner["created_at"])
    assert abs((dt.datetime.now(dt.UTC) - moment).total_seconds()) < 60


def test_the_description_is_sound(client: TestClient) -> None:
    """OpenAPI 3.1: references lead somewhere, every operation says what it is and how it fails."""
    described = client.get("/api/openapi.json").json()
    assert described["openapi"].startswith("3.1")
    schemas = described["components"]["schemas"]
    text = json.dumps(described)
    for name in {part.split('"')[0] for part in text.split('"#/components/schemas/')[1:]}:
        assert name in schemas
    assert "HTTPValidationError" not in schemas
    tags, ids = {t["name"] for t in described["tags"]}, []
    for path, operations in described["paths"].items():
        assert path.startswith("/api/")
        for operation in operations.values():
            ids.append(operation["operationId"])
            assert operation["summary"]
            assert operation["description"]
            assert set(operation["tags"]) & tags
            assert {"401", "403", "503"} <= set(operation["responses"])
            if "{" in path:
                assert "404" in operation["responses"]
            for status, response in operation["responses"].items():
                if status[0] in "45":
                    assert "application/problem+json" in response["content"]
    assert len(ids) == len(set(ids))


def test_a_name_that_cannot_be_printed_is_not_taken(client: TestClient, film: dict[str, Any]) -> None:
    """Else every correction would be refused afterwards, since its file couldn't hold who made it."""
    problem(client.put("/api/settings", json={"coach": "A\ue000"}), 422)  # a character of private use
    assert client.put("/api/settings", json={"coach": "A.\u00a0May"}).json()["coach"] == "A. May"
    leave = {"kind": "leave_out", "time_s": 1.0, "side": "left", "note": "stumbled\u2003here"}
    made = client.post(f"/api/films/{film['id']}/corrections", json=leave).json()["correction"]
    assert (made["made_by"], made["note"]) == ("A. May", "stumbled here")
