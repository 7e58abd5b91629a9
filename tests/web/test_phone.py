"""The phone door: who gets in, what gets in, what can be seen through it, and that it closes."""

from __future__ import annotations

import datetime as dt
import re
import socket
import threading
import time
from collections.abc import Iterator
from typing import Any

import cv2
import httpx
import numpy as np
import pytest
import segno
from sqlalchemy import select
from web_client import DEMO, Browser, TestClient

from midstance.errors import ConflictError, OptionError, RecordsError
from midstance.records import pairings
from midstance.records.tables import FilmRow, JobRow, PairingRow
from midstance.web import phone_lan
from midstance.web.app import Workbench
from midstance.web.pages import phone as phone_pages
from midstance.web.phone import DoorState, PhoneDoor
from midstance.web.phone_app import COOKIE, FILES, MOST_WRONG

HERE = "127.0.0.1"
FILM = (DEMO / "rear.mp4").read_bytes()


def make_door(bench: Workbench, **more: Any) -> PhoneDoor:
    """Make a door that may listen on this machine, where no network is needed."""
    settings: dict[str, Any] = {"wrong_wait_s": 0.0, "allow": lambda address: address == HERE, **more}
    return PhoneDoor(bench.config, bench.database, bench.wake, **settings)


@pytest.fixture
def door(bench: Workbench) -> Iterator[PhoneDoor]:
    """A door of the workbench, closed at the end."""
    made = make_door(bench)
    yield made
    made.close()


@pytest.fixture
def opened(door: PhoneDoor, session: dict[str, Any]) -> DoorState:
    """What the coach sees of the door, open for a session."""
    return door.open(session["id"], by="Coach", address=HERE)


class Phone:
    """A phone's browser."""

    def __init__(self, url: str) -> None:
        self.client = httpx.Client(base_url=url.rstrip("/"), timeout=20, trust_env=False)
        self.origin = {"Origin": url.rstrip("/")}

    def pair(self, code: str, **headers: str) -> httpx.Response:
        return self.client.post("/pair", data={"code": code}, headers={**self.origin, **headers})

    def send(self, content: Any = FILM, *, view: str = "rear", name: str = "IMG_1.MOV", **headers: str) -> httpx.Response:
        sent = {**self.origin, "Content-Type": "application/octet-stream", **headers}
        return self.client.post("/films", params={"view": view, "name": name}, content=content, headers=sent)


@pytest.fixture
def phone(opened: DoorState) -> Iterator[Phone]:
    """A phone that looks at the door's address."""
    made = Phone(opened.url)
    with made.client:
        yield made


@pytest.fixture
def paired(phone: Phone, opened: DoorState) -> Phone:
    """A phone that was let in."""
    assert opened.code
    assert phone.pair(opened.code).status_code == 303
    return phone


def gone(url: str, within_s: float = 8.0) -> bool:
    """Tell whether nothing listens there any more."""
    host, port = re.fullmatch(r"http://([\d.]+):(\d+)/", url).groups()  # type: ignore[union-attr]
    until = time.monotonic() + within_s
    while time.monotonic() < until:
        try:
            socket.create_connection((host, int(port)), timeout=1).close()
        except OSError:
            return True
        time.sleep(0.05)
    return False


def films_of(bench: Workbench, session_id: str) -> list[FilmRow]:
    with bench.database.reading() as db:
        return list(db.scalars(select(FilmRow).where(FilmRow.session_id == session_id)))


class TestPairing:
    def test_nothing_listens_until_it_is_opened(self, door: PhoneDoor) -> None:
        assert door.state() is None
        assert not [t for t in threading.enumerate() if t.name == "phone door"]

    def test_a_code_lets_a_phone_in(self, door: PhoneDoor, phone: Phone, opened: DoorState) -> None:
        assert opened.code
        assert re.fullmatch(f"[{pairings.ALPHABET}]{{8}}", opened.code)
        first = phone.client.get("/")
        assert first.status_code == 200
        assert 'name="code"' in first.text
        assert phone.client.get("/films").headers["location"] == "/"
        answer = phone.pair(f"{opened.code[:4].lower()} {opened.code[4:]}")
        assert answer.status_code == 303
        assert answer.headers["location"] == "/films"
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith(f"{COOKIE}=")
        attributes = {a.strip().lower() for a in cookie.split(";")[1:]}
        assert {"httponly", "samesite=strict", "path=/"} <= attributes
        assert any(a.startswith("max-age=") and 0 < int(a[8:]) <= 900 for a in attributes)
        assert phone.client.get("/films").status_code == 200
        state = door.state()
        assert state is not None
        assert (state.code, state.phones) == (None, 1)

    def test_a_code_works_once(self, paired: Phone, opened: DoorState) -> None:
        other = Phone(opened.url)
        with other.client:
            assert opened.code
            answer = other.pair(opened.code)
            assert answer.status_code == 403
            assert "set-cookie" not in answer.headers
            assert other.send().status_code == 403

    def test_of_two_phones_with_one_code_one_gets_in(self, opened: DoorState) -> None:
        phones = [Phone(opened.url) for _ in range(4)]
        found: list[int] = []
        threads = [threading.Thread(target=lambda p=p: found.append(p.pair(opened.code or "").status_code)) for p in phones]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        for p in phones:
            p.client.close()
        assert sorted(found) == [303, 403, 403, 403]

    def test_another_code_for_another_phone(self, door: PhoneDoor, paired: Phone, opened: DoorState) -> None:
        state = door.new_code()
        assert state is not None
        assert state.code
        assert state.code != opened.code
        other = Phone(opened.url)
        with other.client:
            assert other.pair(state.code).status_code == 303
            assert other.send(view="side").status_code == 201
            assert paired.send().status_code == 201
            # Each phone sees its own films only.
            assert [f["view"] for f in other.client.get("/state").json()["films"]] == ["side"]

    def test_a_new_code_ends_the_one_before(self, door: PhoneDoor, phone: Phone, opened: DoorState) -> None:
        door.new_code()
        assert phone.pair(opened.code or "").status_code == 403

    def test_an_old_code_is_refused(self, bench: Workbench, phone: Phone, opened: DoorState) -> None:
        with bench.database.writing() as db:
            for row in db.scalars(select(PairingRow)):
                row.expires_at = dt.datetime.now(dt.UTC) - dt.timedelta(seconds=1)
        assert phone.pair(opened.code or "").status_code == 403

    def test_another_sessions_code_is_refused(
        self, client: TestClient, runner: dict[str, Any], phone: Phone, opened: DoorState
    ) -> None:
        other = client.post(f"/api/runners/{runner['id']}/sessions", json={"held_on": "2026-06-01"}).json()
        code = client.post(f"/api/sessions/{other['id']}/pairings", json={}).json()["code"]
        answer = phone.pair(code)
        assert answer.status_code == 403
        assert "set-cookie" not in answer.headers

    def test_wrong_codes_close_the_door(self, door: PhoneDoor, phone: Phone, opened: DoorState) -> None:
        for left in range(MOST_WRONG - 1, 0, -1):
            answer = phone.pair("ABCDEFGH")
            assert answer.status_code == 403
            assert f"{left} more" in answer.text
        assert "closed" in phone.pair("ABCDEFGH").text
        assert gone(opened.url)
        assert door.state() is None
        assert door.closed_because == "too many wrong codes"

    def test_wrong_codes_are_slowed(self, bench: Workbench, session: dict[str, Any]) -> None:
        door = make_door(bench, wrong_wait_s=0.2)
        state = door.open(session["id"], by="Coach", address=HERE)
        times = []
        other = Phone(state.url)
        with other.client:
            for _ in range(3):
                start = time.monotonic()
                other.pair("ABCDEFGH")
                times.append(time.monotonic() - start)
        door.close()
        for i, spent in enumerate(times, 1):
            assert spent >= 0.2 * i

    @pytest.mark.parametrize("body", [b"", b"code=", b"code=" + b"A" * 5000, b"\xff\xfe", b"code=A&" * 20])
    def test_what_is_no_code_is_refused(self, phone: Phone, body: bytes) -> None:
        kind = {"Content-Type": "application/x-www-form-urlencoded"}
        assert phone.client.post("/pair", content=body, headers={**phone.origin, **kind}).status_code in (403, 422)


class TestFilms:
    def test_a_film_arrives_in_the_doors_session(
        self, bench: Workbench, door: PhoneDoor, paired: Phone, session: dict[str, Any]
    ) -> None:
        answer = paired.send(name="../../etc/IMG_1.MOV")
        assert answer.status_code == 201
        (film,) = films_of(bench, session["id"])
        assert (film.view, film.name) == ("rear", "IMG_1.MOV")
        assert film.created_by == "Coach, phone 1"
        stored = bench.config.home.media / film.sha256[:2] / film.sha256
        assert stored.read_bytes() == FILM
        with bench.database.reading() as db:
            assert [j.kind for j in db.scalars(select(JobRow).where(JobRow.film_id == film.id))]
        state = door.state()
        assert state is not None
        (arrival,) = state.arrivals
        assert (arrival["state"], arrival["film_id"], arrival["bytes"]) == ("received", film.id, len(FILM))
        assert "film_id" not in paired.client.get("/state").json()["films"][0], "a phone learns no ids"

    def test_a_session_named_by_the_phone_plays_no_part(
        self, client: TestClient, bench: Workbench, runner: dict[str, Any], session: dict[str, Any], paired: Phone
    ) -> None:
        other = client.post(f"/api/runners/{runner['id']}/sessions", json={"held_on": "2026-06-01"}).json()
        asked = {"view": "rear", "name": "a.mp4", "session": other["id"], "session_id": other["id"]}
        kind = {"Content-Type": "application/octet-stream"}
        answer = paired.client.post("/films", params=asked, content=FILM, headers={**paired.origin, **kind})
        assert answer.status_code == 201
        assert not films_of(bench, other["id"])
        assert len(films_of(bench, session["id"])) == 1
        assert paired.client.post(f"/sessions/{other['id']}/films", content=FILM, headers=paired.origin).status_code == 404

    @pytest.mark.parametrize(
        ("content", "view", "status"),
        [(b"no film" * 400, "rear", 415), (b"", "rear", 415), (FILM, "above", 422), (FILM, "", 422)],
    )
    def test_what_is_not_taken_leaves_nothing(
        self, bench: Workbench, paired: Phone, session: dict[str, Any], content: bytes, view: str, status: int
    ) -> None:
        answer = paired.send(content, view=view)
        assert answer.status_code == status
        assert answer.headers["content-type"] == "application/problem+json"
        assert answer.json()["what"]
        assert not films_of(bench, session["id"])
        assert not list(bench.config.home.incoming.iterdir())
        assert not [p for p in bench.config.home.media.rglob("*") if p.is_file()]

    def test_too_large_a_film_is_refused(self, bench: Workbench, paired: Phone, session: dict[str, Any]) -> None:
        answer = paired.send(FILM + b"\0" * bench.config.most_film_bytes)
        assert answer.status_code in (413, 422)
        assert not films_of(bench, session["id"])
        assert not list(bench.config.home.incoming.iterdir())

    def test_a_film_that_breaks_off_leaves_nothing(
        self, bench: Workbench, door: PhoneDoor, paired: Phone, opened: DoorState, session: dict[str, Any]
    ) -> None:
        with _half_a_film(opened, paired):
            pass
        until = time.monotonic() + 5
        while time.monotonic() < until:
            state = door.state()
            assert state is not None
            if state.arrivals and state.arrivals[0]["state"] == "not taken":
                break
            time.sleep(0.05)
        else:
            pytest.fail("the break was not noticed")
        assert not films_of(bench, session["id"])
        assert not list(bench.config.home.incoming.iterdir())

    def test_without_a_key_nothing_is_taken(self, bench: Workbench, phone: Phone, session: dict[str, Any]) -> None:
        assert phone.send().status_code == 403
        assert phone.send(Cookie=f"{COOKIE}=guessed").status_code == 403
        assert phone.client.get("/state").status_code == 403
        assert not films_of(bench, session["id"])

    def test_a_key_ends_with_the_door(
        self, client: TestClient, bench: Workbench, door: PhoneDoor, runner: dict[str, Any], paired: Phone, opened: DoorState
    ) -> None:
        key = paired.client.cookies[COOKIE]
        door.close()
        assert gone(opened.url)
        other = client.post(f"/api/runners/{runner['id']}/sessions", json={"held_on": "2026-06-01"}).json()
        again = door.open(other["id"], by="Coach", address=HERE)
        late = Phone(again.url)
        with late.client:
            assert late.send(Cookie=f"{COOKIE}={key}").status_code == 403
        assert not films_of(bench, other["id"])


def _half_a_film(opened: DoorState, paired: Phone) -> socket.socket:
    """Begin to send a film and stop half way."""
    host, port = opened.url[7:].rstrip("/").split(":")
    line = socket.create_connection((host, int(port)))
    head = (
        f"POST /films?view=rear&name=half.mp4 HTTP/1.1\r\nHost: {host}:{port}\r\nOrigin: http://{host}:{port}\r\n"
        f"Cookie: {COOKIE}={paired.client.cookies[COOKIE]}\r\nContent-Length: {len(FILM)}\r\n\r\n"
    )
    line.sendall(head.encode() + FILM[: len(FILM) // 2])
    time.sleep(0.4)
    return line


class TestGuard:
    @pytest.mark.parametrize("origin", [None, "http://evil.example", "null", "http://127.0.0.1"])
    def test_other_sites_change_nothing(
        self, bench: Workbench, paired: Phone, session: dict[str, Any], origin: str | None
    ) -> None:
        headers = {"Content-Type": "application/octet-stream", **({} if origin is None else {"Origin": origin})}
        answer = paired.client.post("/films", params={"view": "rear"}, content=FILM, headers=headers)
        assert answer.status_code == 403
        assert not films_of(bench, session["id"])

    @pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1", "127.0.0.1:1"])
    def test_it_answers_to_its_address_only(self, phone: Phone, host: str) -> None:
        assert phone.client.get("/", headers={"Host": host}).status_code == 403

    @pytest.mark.parametrize(
        "path",
        [
            "/file/../phone.py",
            "/file/%2e%2e/phone.py",
            "/file/..%2fphone.py",
            "/file/style/tokens.css",
            "/file/",
            "/file/\\..\\phone.py",
        ],
    )
    def test_only_its_own_files_are_given(self, phone: Phone, path: str) -> None:
        answer = phone.client.request("GET", phone.client.base_url.copy_with(raw_path=path.encode()))
        assert answer.status_code == 404

    @pytest.mark.parametrize(
        "path", ["/runners", "/api/about", "/api/runners", "/sessions", "/openapi.json", "/static/x/style/base.css"]
    )
    def test_the_workbench_is_not_behind_it(self, paired: Phone, path: str) -> None:
        assert paired.client.get(path).status_code == 404

    def test_every_answer_is_guarded(self, paired: Phone) -> None:
        for path in ("/", "/films", "/state", "/file/phone.css", "/nothing"):
            headers = paired.client.get(path).headers
            assert "script-src 'self'" in headers["content-security-policy"]
            assert headers["x-content-type-options"] == "nosniff"
            assert "server" not in headers
        for path in ("/", "/films"):
            text = paired.client.get(path, follow_redirects=True).text
            assert "style=" not in text
            assert "<script>" not in text
            assert "http://" not in text.replace("http://www.w3.org", "")

    @pytest.mark.parametrize("name", sorted(FILES))
    def test_its_files_are_there(self, phone: Phone, name: str) -> None:
        answer = phone.client.get(f"/file/{name}")
        assert answer.status_code == 200
        assert answer.headers["content-type"] == FILES[name][1]

    def test_plain_words_about_the_network(self, phone: Phone) -> None:
        assert "Not encrypted" in phone.client.get("/").text


class TestOpenAndClose:
    def test_one_session_at_a_time(
        self, client: TestClient, door: PhoneDoor, runner: dict[str, Any], opened: DoorState
    ) -> None:
        other = client.post(f"/api/runners/{runner['id']}/sessions", json={"held_on": "2026-06-01"}).json()
        with pytest.raises(ConflictError):
            door.open(other["id"], by="Coach", address=HERE)
        assert door.open(opened.session_id, by="Coach", address=HERE).url == opened.url

    def test_only_addresses_near_by(self, bench: Workbench, session: dict[str, Any]) -> None:
        door = PhoneDoor(bench.config, bench.database, bench.wake)
        for address in ("127.0.0.1", "0.0.0.0", "8.8.8.8", "fe80::1", "", "here"):
            with pytest.raises(OptionError):
                door.open(session["id"], by="Coach", address=address)
        assert door.state() is None

    def test_an_address_of_another_machine(self, bench: Workbench, session: dict[str, Any]) -> None:
        door = PhoneDoor(bench.config, bench.database, bench.wake)
        with pytest.raises(RecordsError):
            door.open(session["id"], by="Coach", address="10.254.253.252")
        assert door.state() is None

    def test_a_taken_port_is_no_obstacle(self, bench: Workbench, session: dict[str, Any]) -> None:
        with socket.socket() as taken:
            taken.bind((HERE, 0))
            taken.listen()
            door = make_door(bench, port=taken.getsockname()[1])
            state = door.open(session["id"], by="Coach", address=HERE)
            with Phone(state.url).client as client:
                assert client.get("/").status_code == 200
            door.close()

    def test_closing_frees_the_port_and_ends_the_pairings(
        self, bench: Workbench, door: PhoneDoor, paired: Phone, opened: DoorState
    ) -> None:
        key = paired.client.cookies[COOKIE]
        door.close()
        assert gone(opened.url)
        assert not [t for t in threading.enumerate() if t.name == "phone door" and t.is_alive()]
        with bench.database.reading() as db:
            assert pairings.pairing_of(db, key) is None
        door.close()  # twice does no harm

    def test_closing_breaks_a_film_off_and_keeps_nothing(
        self, bench: Workbench, door: PhoneDoor, paired: Phone, opened: DoorState, session: dict[str, Any]
    ) -> None:
        with _half_a_film(opened, paired):
            start = time.monotonic()
            door.close()
            assert time.monotonic() - start < 8
        assert not films_of(bench, session["id"])
        assert not list(bench.config.home.incoming.iterdir())

    def test_it_closes_by_itself(self, bench: Workbench, session: dict[str, Any]) -> None:
        door = make_door(bench, minutes=0.01)
        state = door.open(session["id"], by="Coach", address=HERE)
        assert gone(state.url)
        assert door.state() is None
        assert door.closed_because == "time was up"

    def test_a_film_on_its_way_may_arrive_when_time_is_up(self, bench: Workbench, session: dict[str, Any]) -> None:
        door = make_door(bench, minutes=0.03)
        state = door.open(session["id"], by="Coach", address=HERE)
        slow = Phone(state.url)
        with slow.client:
            assert slow.pair(state.code or "").status_code == 303

            def trickle() -> Iterator[bytes]:
                yield FILM[:5000]
                time.sleep(2.5)
                late = door.state()
                assert late is not None
                assert late.closing
                assert slow_too.send().status_code == 403
                yield FILM[5000:]

            slow_too = Phone(state.url)
            slow_too.client.cookies.update(slow.client.cookies)
            answer = slow.send(trickle(), **{"Content-Length": str(len(FILM))})
            slow_too.client.close()
        assert answer.status_code == 201
        assert len(films_of(bench, session["id"])) == 1
        assert gone(state.url)


class TestNear:
    @pytest.mark.parametrize("address", ["192.168.1.5", "10.0.0.7", "172.20.10.2", "100.64.1.1", "169.254.3.4"])
    def test_addresses_of_local_networks(self, address: str) -> None:
        assert phone_lan.is_near(address)

    @pytest.mark.parametrize("address", ["8.8.8.8", "127.0.0.1", "0.0.0.0", "224.0.0.1", "255.255.255.255", "::1", "x", ""])
    def test_all_others_are_not(self, address: str) -> None:
        assert not phone_lan.is_near(address)

    def test_nothing_is_sent_to_find_them(self, monkeypatch: pytest.MonkeyPatch) -> None:
        kinds: list[int] = []
        true_socket = socket.socket

        class Watched(true_socket):  # type: ignore[misc, valid-type]
            def __init__(self, family: int = -1, type: int = -1, *rest: Any) -> None:
                kinds.append(type)
                super().__init__(family, type, *rest)

            def _refuse(self, *_: Any) -> None:
                raise AssertionError("something was sent")

            send = sendto = sendall = sendmsg = _refuse  # type: ignore[assignment]

        monkeypatch.setattr(socket, "socket", Watched)
        monkeypatch.setattr(socket, "getaddrinfo", lambda *_: pytest.fail("a name was looked up"))
        found = phone_lan.near_addresses()
        assert all(phone_lan.is_near(a) for a in found)
        assert kinds
        assert set(kinds) == {socket.SOCK_DGRAM}


class TestPage:
    """The coach's page."""

    @pytest.fixture
    def page(self, bench: Workbench, session: dict[str, Any], browser: Browser, monkeypatch: pytest.MonkeyPatch) -> Browser:
        bench.phone_door = make_door(bench)
        monkeypatch.setattr(phone_pages, "near_addresses", lambda: (HERE, "192.168.7.7"))
        return browser

    def test_from_open_to_close(self, page: Browser, bench: Workbench, session: dict[str, Any]) -> None:
        there = f"/sessions/{session['id']}/phone"
        first = page.client.get(there)
        assert "192.168.7.7" in first.text
        assert "not encrypted" in first.text
        answer = page.send("POST", f"{there}/open", data={"address": HERE})
        assert answer.status_code == 200
        state = bench.phone_door.state()
        assert state.url.rstrip("/") in answer.text
        digits = "".join(re.findall(r"<span>([A-Z0-9]{4})</span>", answer.text))
        assert digits == state.code
        assert page.client.get(f"{there}?part=1").text.lstrip().startswith("<div")
        another = page.send("POST", f"{there}/code")
        assert state.code not in another.text
        closed = page.send("POST", f"{there}/close")
        assert "Open the door" in closed.text
        assert gone(state.url)

    def test_a_wrong_address_is_refused(self, page: Browser, bench: Workbench, session: dict[str, Any]) -> None:
        answer = page.send("POST", f"/sessions/{session['id']}/phone/open", data={"address": "8.8.8.8"})
        assert answer.status_code == 422
        assert bench.phone_door.state() is None

    def test_without_the_token_it_stays_closed(self, page: Browser, bench: Workbench, session: dict[str, Any]) -> None:
        answer = page.send(
            "POST", f"/sessions/{session['id']}/phone/open", data={"address": HERE}, headers={"X-CSRF-Token": None}
        )
        assert answer.status_code == 403
        assert bench.phone_door.state() is None

    def test_another_sessions_page_shows_no_code(
        self, page: Browser, bench: Workbench, runner: dict[str, Any], session: dict[str, Any]
    ) -> None:
        page.send("POST", f"/sessions/{session['id']}/phone/open", data={"address": HERE})
        state = bench.phone_door.state()
        other = page.send("POST", f"/api/runners/{runner['id']}/sessions", json={"held_on": "2026-06-01"}).json()
        there = f"/sessions/{other['id']}/phone"
        assert "another session" in page.client.get(there).text
        assert state.code not in page.client.get(there).text
        page.send("POST", f"{there}/close")
        assert bench.phone_door.state() is not None, "only its own session's page closes the door"

    def test_unknown_sessions(self, page: Browser) -> None:
        assert page.client.get("/sessions/0000000000000000/phone").status_code == 404
        assert page.send("POST", "/sessions/0000000000000000/phone/open", data={"address": HERE}).status_code == 404

    def test_the_picture_holds_the_link(self, opened: DoorState) -> None:
        """Read back with OpenCV's decoder, which shares nothing with what drew it."""
        rows = [list(row) for row in segno.make(opened.link, error="m", micro=False).matrix_iter(scale=6, border=4)]
        picture = np.where(np.array(rows, bool), 0, 255).astype(np.uint8)
        text, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
        assert text == opened.link == f"{opened.url}#{opened.code}"

    def test_the_server_closes_the_door_behind_it(self, page: Browser, bench: Workbench, session: dict[str, Any]) -> None:
        page.send("POST", f"/sessions/{session['id']}/phone/open", data={"address": HERE})
        url = bench.phone_door.state().url
        bench.phone_door.close()
        assert gone(url)
