"""Films through the API: what is taken and what isn't, parts of files, exact pictures, corrections."""

from __future__ import annotations

import base64
import io
from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from fastapi import Request
from numbered_films import encode, numbered, read_number
from PIL import Image
from web_client import DEMO, Browser, TestClient, problem

from midstance.film.proxy import make_proxy
from midstance.web.app import Workbench
from midstance.web.files import clean_name, disposition, film_suffix, take_form

SIDE = DEMO / "side.mp4"


def send(client: TestClient, session: dict[str, Any], content: Any, **params: str) -> Any:
    headers = {"Content-Type": "application/octet-stream"}
    params = {"view": "side", **params}
    return client.post(f"/api/sessions/{session['id']}/films", params=params, content=content, headers=headers)


def stored(bench: Workbench) -> list[Path]:
    home = bench.config.home
    return [p for folder in (home.media, home.incoming) for p in folder.rglob("*") if p.is_file()]


# -- taking films in ---------------------------------------------------------------------------------------------------


def test_a_film_is_stored_as_it_came_and_work_is_queued(
    client: TestClient, bench: Workbench, film: dict[str, Any], session: dict[str, Any]
) -> None:
    assert film["name"] == "side.mp4"
    assert film["used"] is True
    assert client.get(f"/api/films/{film['id']}/original").content == SIDE.read_bytes()
    assert len(stored(bench)) == 1
    assert stored(bench)[0].stat().st_mode & 0o222 == 0
    whole = client.get(f"/api/sessions/{session['id']}").json()
    assert [f["id"] for f in whole["films"]] == [film["id"]]
    assert whole["films"][0]["prepared"] is False
    assert whole["films"][0]["job"]["kind"] == "prepare"
    assert whole["films"][0]["job"]["state"] == "waiting"


def test_a_second_take_puts_the_first_aside(client: TestClient, film: dict[str, Any], session: dict[str, Any]) -> None:
    second = send(client, session, (DEMO / "rear.mp4").read_bytes()).json()
    films = {f["id"]: f["used"] for f in client.get(f"/api/sessions/{session['id']}").json()["films"]}
    assert films == {film["id"]: False, second["id"]: True}


def test_the_same_film_is_kept_once(
    client: TestClient, bench: Workbench, film: dict[str, Any], session: dict[str, Any]
) -> None:
    again = send(client, session, SIDE.read_bytes(), view="rear").json()
    assert again["sha256"] == film["sha256"]
    assert len(stored(bench)) == 1
    assert client.delete(f"/api/films/{again['id']}").status_code == 204
    assert len(stored(bench)) == 1
    assert client.delete(f"/api/films/{film['id']}").status_code == 204
    assert stored(bench) == []


HEADS = {
    "garbage": np.random.default_rng(4).bytes(4096),
    "empty": b"",
    "text": b"#EXTM3U\nhttp://192.0.2.1/film.ts\n" * 50,
    "play list": b"ffconcat version 1.0\nfile /etc/passwd\n" * 50,
    "page": b"<!doctype html><script>alert(1)</script>" * 50,
    "picture": b"\xff\xd8\xff\xe0\x00\x10JFIF" + bytes(2000),
    "heic picture": b"\0\0\0\x18ftypheic" + bytes(2000),
    "archive": b"PK\3\4" + bytes(2000),
    "short": b"\0\0\0\x18ft",
}


@pytest.mark.parametrize("kind", HEADS)
def test_what_is_no_film_is_not_taken(client: TestClient, bench: Workbench, session: dict[str, Any], kind: str) -> None:
    body = problem(send(client, session, HEADS[kind], name="run.mp4"), 415)
    assert "MP4" in body["allowed"]
    assert stored(bench) == []
    assert client.get(f"/api/sessions/{session['id']}").json()["films"] == []


@pytest.mark.parametrize(
    "kind", ["application/json", "image/jpeg", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x"]
)
def test_a_film_is_sent_as_a_film(client: TestClient, bench: Workbench, session: dict[str, Any], kind: str) -> None:
    path = f"/api/sessions/{session['id']}/films?view=side"
    problem(client.post(path, content=SIDE.read_bytes(), headers={"Content-Type": kind}), 415)
    assert stored(bench) == []


def test_too_large_by_its_own_word(client: TestClient, bench: Workbench, session: dict[str, Any]) -> None:
    path = f"/api/sessions/{session['id']}/films?view=side"
    for length in (str(10**15), str(5 * 1024**2)):
        problem(client.post(path, content=b"x", headers={"Content-Length": length}), 413)
    assert stored(bench) == []


def test_too_large_without_saying_so(client: TestClient, bench: Workbench, session: dict[str, Any]) -> None:
    def endless() -> Iterator[bytes]:
        yield SIDE.read_bytes()
        for _ in range(100):
            yield bytes(65536)

    problem(send(client, session, endless()), 413)
    assert stored(bench) == []


def test_a_session_that_is_not_there(client: TestClient, bench: Workbench) -> None:
    problem(send(client, {"id": "0" * 16}, SIDE.read_bytes()), 404)
    assert send(client, {"id": "../../x"}, SIDE.read_bytes()).status_code == 404
    client.cookies.clear()
    problem(send(client, {"id": "..%2f..%2fx"}, SIDE.read_bytes()), 404)
    assert stored(bench) == []


def test_an_unknown_view(client: TestClient, session: dict[str, Any]) -> None:
    problem(send(client, session, SIDE.read_bytes(), view="top"), 422)
    path = f"/api/sessions/{session['id']}/films"
    problem(client.post(path, content=SIDE.read_bytes(), headers={"Content-Type": "video/mp4"}), 422)


@pytest.mark.parametrize(
    ("name", "shown"),
    [
        ("../../x.mp4\0", "x.mp4"),
        ("..\\..\\windows\\run.MOV", "run.MOV"),
        ("C:\\films\\run.mp4", "run.mp4"),
        ("/etc/passwd", "passwd"),
        ("..", ""),
        ("a\r\nSet-Cookie: x=y.mp4", "aSet-Cookie: x=y.mp4"),
        ("\u202egnp.exe", "gnp.exe"),
        ("läufer 走者.mp4", "läufer 走者.mp4"),
        ("x" * 300 + ".mp4", "x" * 120),
        ('"quoted"; filename=evil', '"quoted"; filename=evil'),
    ],
)
def test_names_are_for_people_only(
    client: TestClient, bench: Workbench, session: dict[str, Any], name: str, shown: str
) -> None:
    film = send(client, session, SIDE.read_bytes(), name=name).json()
    assert film["name"] == shown
    assert stored(bench) == [bench.config.home.media / film["sha256"][:2] / film["sha256"]]
    header = client.get(f"/api/films/{film['id']}/original").headers["content-disposition"]
    assert header.startswith("attachment; filename=")
    assert "\r" not in header
    assert "\n" not in header
    assert header.isascii()


def test_content_disposition_follows_the_standards() -> None:
    """RFC 6266: a plain name within quotes; RFC 8187: the true one beside it, UTF-8 in per cents."""
    assert disposition("run.mp4") == 'attachment; filename="run.mp4"'
    assert disposition("€ rates.mp4") == "attachment; filename=\"_ rates.mp4\"; filename*=UTF-8''%E2%82%AC%20rates.mp4" or (
        disposition("€ rates.mp4") == "attachment; filename=\"rates.mp4\"; filename*=UTF-8''%E2%82%AC%20rates.mp4"
    )
    assert '"' not in disposition('a"b.mp4').split('filename="')[1].split('";')[0].rstrip('"')
    assert disposition("") == 'attachment; filename="file"'
    assert clean_name("\x1b[31mred") == "[31mred"


def test_containers_are_known_by_content() -> None:
    """First bytes as the standards write them: ISO/IEC 14496-12, RFC 8794 (EBML), RIFF, ISO/IEC 13818-1."""
    pad = bytes(1000)
    assert film_suffix(b"\0\0\0\x18ftypisom" + pad) == ".mp4"
    assert film_suffix(b"\0\0\0\x14ftypqt  " + pad) == ".mov"
    assert film_suffix(b"\0\0\0\x08wide" + pad) == ".mov"
    assert film_suffix(b"\x1aE\xdf\xa3\x9fB\x86\x81\x01B\x82\x84webm" + pad) == ".webm"
    assert film_suffix(b"\x1aE\xdf\xa3\xa3B\x86\x81\x01B\x82\x88matroska" + pad) == ".mkv"
    assert film_suffix(b"RIFF\0\0\0\0AVI LIST" + pad) == ".avi"
    assert film_suffix((b"G" + bytes(187)) * 5) == ".ts"
    assert film_suffix(b"RIFF\0\0\0\0WAVEfmt " + pad) is None
    assert film_suffix(b"G" + pad) is None


@pytest.mark.parametrize(
    ("suffix", "coder"),
    [*((s, "libx264") for s in (".mp4", ".mov", ".mkv", ".avi", ".ts", ".mpg", ".flv")), (".webm", "libvpx-vp9")],
)
def test_real_containers_are_taken(
    client: TestClient, session: dict[str, Any], tmp_path: Path, suffix: str, coder: str
) -> None:
    path = encode(tmp_path / f"film{suffix}", [numbered(i) for i in range(12)], codec=coder)
    film = send(client, session, path.read_bytes())
    assert film.status_code == 201
    header = client.get(f"/api/films/{film.json()['id']}/original").headers["content-disposition"]
    assert header.rstrip('"').endswith(suffix)


def test_a_form_with_a_film(bench: Workbench, session: dict[str, Any], browser: Browser) -> None:
    """The page's form, with the token first, read piece by piece."""
    async def form(request: Request) -> dict[str, str]:
        film = await take_form(request, session["id"], "A. May")
        return {"sha256": film.sha256, "name": film.name, "view": film.view}

    browser.client.app.add_api_route(f"/sessions/{session['id']}/films", form, methods=["POST"])  # type: ignore[attr-defined]
    browser.client.app.router.routes.insert(0, browser.client.app.router.routes.pop())  # type: ignore[attr-defined]
    path, bare = f"/sessions/{session['id']}/films", {"X-CSRF-Token": None}
    fields = {"csrf": browser.token, "view": "rear"}
    answer = browser.send("POST", path, headers=bare, data=fields, files={"film": ("../a.mp4", SIDE.read_bytes())})
    assert answer.status_code == 200, answer.text
    assert (answer.json()["name"], answer.json()["view"]) == ("a.mp4", "rear")
    assert len(stored(bench)) == 1
    for data, files, status in (
        ({"csrf": "0" * 64, "view": "rear"}, {"film": ("a.mp4", SIDE.read_bytes())}, 403),
        ({"view": "rear"}, {"film": ("a.mp4", SIDE.read_bytes())}, 403),
        (fields, {"film": ("a.mp4", b"no film")}, 415),
        (fields, {"film": ("a.mp4", b"")}, 415),
        (fields, {"other": ("a.mp4", SIDE.read_bytes())}, 422),
        ({"csrf": browser.token, "view": "top"}, {"film": ("a.mp4", SIDE.read_bytes())}, 422),
    ):
        answer = browser.send("POST", path, headers=bare, data=data, files=files)
        assert answer.status_code == status, (data, answer.status_code)
    assert len(stored(bench)) == 1


# -- files that go out -------------------------------------------------------------------------------------------------


def test_before_it_is_prepared(client: TestClient, film: dict[str, Any]) -> None:
    for name in ("proxy.mp4", "poster.jpg", "frames", "frames/0.jpg", "reading"):
        problem(client.get(f"/api/films/{film['id']}/{name}"), 404)


def test_parts_of_the_film(client: TestClient, bench: Workbench, prepared: dict[str, Any]) -> None:
    path = f"/api/films/{prepared['id']}/proxy.mp4"
    whole = client.get(path)
    size = len(whole.content)
    assert whole.headers["accept-ranges"] == "bytes"
    assert whole.headers["content-type"] == "video/mp4"
    assert whole.headers["cache-control"] == "private, no-cache"
    for header, start, end in (("bytes=0-99", 0, 100), ("bytes=100-", 100, size), ("bytes=-10", size - 10, size)):
        part = client.get(path, headers={"Range": header})
        assert part.status_code == 206
        assert part.headers["content-range"] == f"bytes {start}-{end - 1}/{size}"
        assert part.content == whole.content[start:end]
    assert client.get(path, headers={"Range": f"bytes={size}-"}).status_code == 416
    old = client.get(path, headers={"Range": "bytes=0-9", "If-Range": '"other"'})
    assert old.status_code == 200
    assert client.get(f"/api/films/{prepared['id']}/original", headers={"Range": "bytes=4-7"}).content == b"ftyp"


def test_times_of_the_pictures(client: TestClient, prepared: dict[str, Any]) -> None:
    path = f"/api/films/{prepared['id']}"
    frames = client.get(f"{path}/frames").json()
    assert (frames["width"], frames["height"], frames["frames"]) == (1280, 720, 720)
    assert len(frames["pts_s"]) == len(frames["time_s"]) == 720
    assert frames["time_s"][120] == pytest.approx(1.0, abs=1e-6)
    version = client.put(path, json={"version": prepared["version"], "capture_fps": 240}).json()["version"]
    slowed = client.get(f"{path}/frames").json()
    assert slowed["slowdown"] == pytest.approx(2.0)
    assert slowed["time_s"][120] == pytest.approx(0.5, abs=1e-6)
    client.put(path, json={"version": version, "capture_fps": 30})
    assert "fps" in problem(client.get(f"{path}/frames"), 422)["detail"]


def test_every_picture_is_the_right_one(
    client: TestClient, bench: Workbench, session: dict[str, Any], tmp_path: Path
) -> None:
    """The number is drawn in the picture; times are uneven."""
    rng = np.random.default_rng(3)
    times = np.cumsum(rng.uniform(0.008, 0.03, 90))
    path = encode(tmp_path / "numbered.mp4", [numbered(i) for i in range(90)], list(times - times[0]), rate=Fraction(60))
    film = send(client, session, path.read_bytes()).json()
    make_proxy(path, bench.config.home.proxy(film["sha256"]))
    wrong = []
    for n in [0, 89, *rng.integers(0, 90, 40).tolist()]:
        answer = client.get(f"/api/films/{film['id']}/frames/{n}.jpg")
        assert answer.headers["content-type"] == "image/jpeg"
        if read_number(np.asarray(Image.open(io.BytesIO(answer.content)))) != n:
            wrong.append(n)
    assert wrong == []
    problem(client.get(f"/api/films/{film['id']}/frames/90.jpg"), 404)


def test_one_picture(client: TestClient, prepared: dict[str, Any]) -> None:
    path = f"/api/films/{prepared['id']}/frames/100.jpg"
    full = client.get(path)
    assert Image.open(io.BytesIO(full.content)).size == (1280, 720)
    small = client.get(path, params={"width": 320})
    assert Image.open(io.BytesIO(small.content)).size == (320, 180)
    assert small.headers["etag"] != full.headers["etag"]
    again = client.get(path, headers={"If-None-Match": full.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert Image.open(io.BytesIO(client.get(path, params={"width": 1920}).content)).size == (1280, 720)
    for n in ("-1", "x", "1e3", "99999999999999999999"):
        answer = client.get(f"/api/films/{prepared['id']}/frames/{n}.jpg")
        assert answer.status_code == 404, n
    problem(client.get(path, params={"width": 5}), 422)
    assert client.get(f"/api/films/{prepared['id']}/poster.jpg").content[:3] == b"\xff\xd8\xff"


# -- what is said of a film --------------------------------------------------------------------------------------------


def test_a_film_is_changed(client: TestClient, prepared: dict[str, Any]) -> None:
    path = f"/api/films/{prepared['id']}"
    length = {"first_px": [100, 600], "second_px": [700, 600], "length_m": 1.6}
    corners = [[310, 655], [352, 612], [905, 615], [962, 658]]
    marks = {"roll_deg": 0.5, "ground": {"corners_px": corners, "length_m": 1.4, "width_m": 0.51}}
    changed = client.put(path, json={"version": 1, "known_lengths": [length], "marks": marks, "name": "take 2"}).json()
    assert changed["version"] == 2
    assert changed["known_lengths"] == [length]
    assert changed["marks"] == marks
    assert changed["job"] is not None  # marks must be looked at in the film
    problem(client.put(path, json={"version": 1, "name": "late"}), 409)


@pytest.mark.parametrize(
    "fields",
    [
        {"view": "top"},
        {"capture_fps": 0.1},
        {"start_s": 3, "end_s": 2},
        {"runner_x": 2},
        {"known_lengths": [{"first_px": [1, 1], "second_px": [2, 2], "length_m": 1}]},
        {"marks": {"ground": {"film": "/etc/passwd", "board": "standing"}}},
        {"marks": {"nonsense": 1}},
        {"marks": {"roll_deg": "\0"}},
        {"sha256": "0" * 64},
        {"info": {}},
    ],
)
def test_faults_of_a_film(client: TestClient, film: dict[str, Any], fields: dict[str, Any]) -> None:
    problem(client.put(f"/api/films/{film['id']}", json={"version": 1, **fields}), 422)
    assert client.get(f"/api/films/{film['id']}").json()["version"] == 1


# -- corrections -------------------------------------------------------------------------------------------------------


def test_corrections_before_the_film_is_read(client: TestClient, film: dict[str, Any]) -> None:
    made = client.post(f"/api/films/{film['id']}/corrections", json={"kind": "leave_out", "time_s": 1.0, "side": "left"})
    assert made.status_code == 201
    assert made.json()["reading"] is None
    assert made.json()["correction"]["body"] == {"kind": "leave_out", "time_s": 1.0, "side": "left"}


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"kind": "magic", "time_s": 1},
        {"kind": "landmark", "time_s": 1, "landmark": "left_antenna", "x_px": 1, "y_px": 1},
        {"kind": "landmark", "time_s": 1, "landmark": "left_ankle", "x_px": 1},
        {"kind": "landmark", "time_s": -1, "landmark": "left_ankle", "x_px": 1, "y_px": 1},
        {"kind": "event", "time_s": 1, "side": "both", "event": "toe_off"},
        {"kind": "swap_legs", "time_s": 2, "to_s": 1},
        {"kind": "leave_out", "time_s": 1, "side": "left", "by": "somebody else"},
        {"kind": "leave_out", "time_s": 1, "side": "left", "note": "x" * 300},
        {"kind": "leave_out", "time_s": 1, "side": "left", "to_s": 3},
    ],
)
def test_faults_of_a_correction(client: TestClient, film: dict[str, Any], body: dict[str, Any]) -> None:
    path = f"/api/films/{film['id']}/corrections"
    problem(client.post(path, json=body), 422)
    assert client.get(path).json()["items"] == []


@pytest.mark.slow
def test_a_correction_changes_the_measures_at_once(client: TestClient, read_film: dict[str, Any]) -> None:
    path = f"/api/films/{read_film['id']}"
    before = client.get(f"{path}/reading").json()
    contact = next(e for e in before["events"] if e["kind"] == "initial_contact" and 1 < e["time_s"] < 3)
    body = {
        "kind": "event",
        "time_s": contact["time_s"] + 0.03,
        "side": contact["side"],
        "event": "initial_contact",
        "note": "seen on the belt",
    }
    answer = client.post(f"{path}/corrections", json=body)
    assert answer.status_code == 201, answer.text[:600]
    reading = answer.json()["reading"]
    assert reading["version"] > before["version"]
    assert any(e["source"] == "corrected" and abs(e["time_s"] - body["time_s"]) < 1e-6 for e in reading["events"])

    def contact_time(content: dict[str, Any]) -> float:
        return next(
            m["value"] for m in content["measures"] if m["measure"] == "contact_time" and m["side"] == contact["side"]
        )

    assert contact_time(reading) < contact_time(before)
    assert client.get(f"{path}/reading").json() == reading
    correction = answer.json()["correction"]["id"]
    undone = client.post(f"/api/corrections/{correction}/withdraw").json()
    assert contact_time(undone["reading"]) == contact_time(before)
    assert undone["correction"]["withdrawn_by"] == "Coach"
    problem(client.post(f"/api/corrections/{correction}/withdraw"), 409)
    redone = client.post(f"/api/corrections/{correction}/restore").json()
    assert contact_time(redone["reading"]) == contact_time(reading)
    problem(client.post(f"/api/corrections/{correction}/restore"), 409)
    rows = len(before["rows"])
    points = np.frombuffer(base64.b64decode(before["xy"]), "<f4").reshape(rows, 33, 2)
    assert np.nanmax(points[..., 0]) < before["width"]
    listed = client.get(f"{path}/corrections").json()["items"]
    assert [c["note"] for c in listed] == ["seen on the belt"]


@pytest.mark.slow
def test_a_correction_that_spoils_the_film_is_refused(client: TestClient, read_film: dict[str, Any]) -> None:
    path = f"/api/films/{read_film['id']}"
    outside = {"kind": "landmark", "time_s": 1.0, "landmark": "left_ankle", "x_px": 19_000, "y_px": 10}
    problem(client.post(f"{path}/corrections", json=outside), 422)
    late = {"kind": "event", "time_s": 3000, "side": "left", "event": "toe_off"}
    problem(client.post(f"{path}/corrections", json=late), 422)
    assert client.get(f"{path}/corrections").json()["items"] == []
    assert client.get(f"{path}/reading").json()["problem"] is None


@pytest.mark.slow
def test_the_session_as_it_stands(client: TestClient, read_film: dict[str, Any], session: dict[str, Any]) -> None:
    live = client.get(f"/api/sessions/{session['id']}/live").json()
    assert live["films"][0]["film_id"] == read_film["id"]
    cadence = next(m for m in live["measures"] if m["measure"] == "cadence")
    assert cadence["low"] < cadence["value"] < cadence["high"]
    assert live["strides"]
