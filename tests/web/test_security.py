"""Who gets in: names of the server, other sites' pages, tokens, headers, names of files."""

from __future__ import annotations

from pathlib import Path

import pytest
from web_client import ADDRESS, Browser, TestClient, problem

from midstance.errors import NotAllowedError, OptionError, RecordsError
from midstance.web.config import Config, is_loopback
from midstance.web.problems import TooManyError
from midstance.web.security import FAILURES_S, MOST_FAILURES, Failures, host_name, names_of, safe_next, server_secret

NEW = {"name": "Invented Runner"}


@pytest.mark.parametrize(
    ("header", "name"),
    [
        ("127.0.0.1:8320", "127.0.0.1"),
        ("LOCALHOST", "localhost"),
        ("localhost.:80", "localhost"),
        ("[::1]:8320", "[::1]"),
        ("[0:0::1]", "[::1]"),
        ("evil.example@127.0.0.1", ""),
        ("127.0.0.1:8320:1", ""),
        ("127.0.0.1 ", "127.0.0.1"),
        ("[::1", ""),
        ("[:::::]", ""),
        ("a b", ""),
        ("", ""),
    ],
)
def test_the_name_of_a_host_header(header: str, name: str) -> None:
    assert host_name(header) == name


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:8320", "127.0.0.1.evil.example", "localhost@evil.example", "x y"]
)
def test_the_server_answers_to_its_own_names_only(client: TestClient, host: str) -> None:
    body = problem(client.get("/api/about", headers={"Host": host}), 403)
    assert body["where"] == "Host"
    assert "127.0.0.1" in body["allowed"]


@pytest.mark.parametrize("host", ["127.0.0.1:8320", "localhost:8320", "[::1]:8320", "localhost"])
def test_its_own_names(client: TestClient, host: str) -> None:
    assert client.get("/api/about", headers={"Host": host}).status_code == 200


def test_a_server_for_the_network_answers_to_its_addresses(tmp_path: Path) -> None:
    names = names_of(Config(home=tmp_path, host="192.0.2.7", names=("Track.Example",)))
    assert {"192.0.2.7", "127.0.0.1", "track.example"} <= names
    everywhere = names_of(Config(home=tmp_path, host="0.0.0.0"))
    assert "0.0.0.0" not in everywhere
    assert "evil.example" not in everywhere


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
@pytest.mark.parametrize(
    ("method", "path"), [("GET", "/api/runners"), ("POST", "/api/runners"), ("GET", "/api/jobs/stream")]
)
def test_pages_of_other_sites_get_nothing(client: TestClient, site: str, method: str, path: str) -> None:
    problem(client.request(method, path, headers={"Sec-Fetch-Site": site}, json=NEW if method == "POST" else None), 403)


@pytest.mark.parametrize(
    "origin",
    ["http://evil.example", "null", "http://127.0.0.1:9999", "https://127.0.0.1:8320", ADDRESS + ".evil.example"],
)
def test_another_origin_changes_nothing(client: TestClient, browser: Browser, origin: str) -> None:
    problem(browser.send("POST", "/api/runners", json=NEW, headers={"Origin": origin}), 403)
    assert client.get("/api/runners").json()["items"] == []


def test_a_link_elsewhere_may_open_a_page_but_not_the_api(client: TestClient) -> None:
    link = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}
    assert client.get("/nothing", headers=link).status_code == 404
    assert client.get("/nothing", headers=link | {"Sec-Fetch-Dest": "iframe"}).status_code == 403
    problem(client.get("/api/about", headers=link), 403)
    assert client.post("/nothing", headers=link).status_code == 403


def test_a_program_without_cookies_needs_no_token(client: TestClient) -> None:
    assert client.post("/api/runners", json=NEW).status_code == 201


def test_a_browser_needs_the_token_of_a_page(client: TestClient, browser: Browser) -> None:
    assert browser.send("POST", "/api/runners", json=NEW).status_code == 201
    for token in (None, "", "0" * 64, browser.token[:-1], browser.token + "0", "é"):
        sent = {"X-CSRF-Token": token.encode() if token else token}
        body = problem(browser.send("POST", "/api/runners", json=NEW, headers=sent), 403)
        assert body["where"] == "csrf"
    assert len(client.get("/api/runners").json()["items"]) == 1


def test_cookies_alone_need_the_token_too(client: TestClient, browser: Browser) -> None:
    problem(client.post("/api/runners", json=NEW), 403)  # the browser's cookie, no origin


def test_a_token_belongs_to_one_browser(client: TestClient, browser: Browser) -> None:
    name = next(iter(client.cookies))
    client.cookies.clear()
    problem(browser.send("POST", "/api/runners", json=NEW), 403)
    client.cookies.set(name, "x" * 32)
    problem(browser.send("POST", "/api/runners", json=NEW), 403)
    client.cookies.set(name, "not a nonce")
    problem(browser.send("POST", "/api/runners", json=NEW), 403)


def test_the_token_in_forms(client: TestClient, browser: Browser) -> None:
    bare = {"X-CSRF-Token": None}
    path = "/nothing"  # passes the gate and finds no page: 404 instead of 403
    assert browser.send("POST", path, headers=bare, data={"csrf": browser.token}).status_code == 404
    assert browser.send("POST", path, headers=bare, data={"csrf": "0" * 64}).status_code == 403
    assert browser.send("POST", path, headers=bare, data={"other": browser.token}).status_code == 403
    files = {"film": ("a.mp4", b"x" * 100)}
    assert browser.send("POST", path, headers=bare, data={"csrf": browser.token}, files=files).status_code == 404
    assert browser.send("POST", path, headers=bare, data={"csrf": "0" * 64}, files=files).status_code == 403
    assert browser.send("POST", path, headers=bare, files=files).status_code == 403
    broken = {**bare, "Content-Type": "multipart/form-data"}
    assert browser.send("POST", path, headers=broken, content=b"--x\r\n").status_code == 403


def test_the_cookie_of_the_token(client: TestClient) -> None:
    cookie = client.get("/nothing").headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert "Path=/" in cookie
    assert "Secure" not in cookie  # no TLS here
    assert "set-cookie" not in client.get("/api/about").headers
    assert "set-cookie" not in client.get("/nothing").headers  # it has one by now


@pytest.mark.parametrize("path", ["/nothing", "/api/about", "/api/nothing", "/static/type/SourceSansPro-Regular.ttf"])
def test_every_answer_carries_the_headers(client: TestClient, path: str) -> None:
    headers = client.get(path).headers
    policy = dict(part.split(" ", 1) for part in headers["content-security-policy"].split("; "))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == "'self'"
    assert policy["frame-ancestors"] == "'self'"
    assert policy["base-uri"] == "'none'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cross-origin-opener-policy"] == "same-origin"
    assert headers["cross-origin-resource-policy"] == "same-origin"
    assert "camera=()" in headers["permissions-policy"]
    assert "server" not in headers


def test_refusals_carry_the_headers_too(client: TestClient) -> None:
    for answer in (
        client.get("/api/about", headers={"Host": "evil.example"}),
        client.get("/api/about", headers={"Sec-Fetch-Site": "cross-site"}),
        client.post("/api/runners", content=b"x", headers={"Content-Length": str(10**12)}),
    ):
        assert answer.headers["content-security-policy"].startswith("default-src 'none'")
        assert answer.headers["cache-control"] == "no-store"


def test_answers_with_peoples_data_are_not_kept(client: TestClient) -> None:
    assert client.get("/api/runners").headers["cache-control"] == "no-store"


@pytest.mark.parametrize(
    "path",
    [
        "/static/x/../app.py",
        "/static/x/%2e%2e/app.py",
        "/static/x/..%2fapp.py",
        "/static/x/..%5capp.py",
        "/static/x//etc/passwd",
        "/static/x/%2fetc%2fpasswd",
        "/static/x/style/%00.css",
        "/static/x/style",
        "/static/type/..%2f..%2f__init__.py",
        "/static/type/LICENSE.txt",
    ],
)
def test_static_files_are_those_of_the_folder(client: TestClient, path: str) -> None:
    assert client.get(path).status_code == 404


def test_static_files_are_kept_for_ever_by_their_hash(client: TestClient) -> None:
    from midstance.web.deps import STATIC, asset

    one = next(p.relative_to(STATIC).as_posix() for p in sorted(STATIC.rglob("*.css")))
    answer = client.get(asset(one))
    assert answer.status_code == 200
    assert answer.headers["content-type"] == "text/css; charset=utf-8"
    assert answer.headers["cache-control"] == "public, max-age=31536000, immutable"
    assert client.get(f"/static/000000000000/{one}").headers["cache-control"] == "no-cache"


@pytest.mark.parametrize("name", ["Regular", "It", "Semibold", "Bold"])
def test_the_typeface_comes_from_its_package(client: TestClient, name: str) -> None:
    answer = client.get(f"/static/type/SourceSansPro-{name}.ttf")
    assert answer.headers["content-type"] == "font/ttf"
    assert answer.content[:4] == b"\0\1\0\0"  # TrueType's own mark


@pytest.mark.parametrize(
    ("target", "goes"),
    [
        ("/runners?query=a", "/runners?query=a"),
        ("//evil.example", "/"),
        ("/\\evil.example", "/"),
        ("https://evil.example/", "/"),
        ("javascript:alert(1)", "/"),
        ("runners", "/"),
        ("/a\r\nSet-Cookie: x=y", "/"),
        ("", "/"),
    ],
)
def test_where_to_go_after_signing_in(target: str, goes: str) -> None:
    assert safe_next(target) == goes


def test_the_secret_stays_and_is_its_owners(tmp_path: Path) -> None:
    from midstance.records.home import Home

    home = Home(tmp_path)
    secret = server_secret(home)
    assert len(secret) == 32
    assert server_secret(home) == secret
    assert (tmp_path / "server.key").stat().st_mode & 0o077 == 0
    (tmp_path / "server.key").write_bytes(b"")  # cut short
    assert len(server_secret(home)) == 32


def test_failures_count_by_address_and_are_forgotten() -> None:
    now = 0.0
    failures = Failures(clock=lambda: now)
    for _ in range(MOST_FAILURES):
        failures.check("a")
        failures.note("a")
    with pytest.raises(TooManyError) as stopped:
        failures.check("a")
    assert 0 < stopped.value.wait_s <= FAILURES_S
    failures.check("b")
    now = FAILURES_S + 1
    failures.check("a")


def test_a_server_is_local_or_not() -> None:
    assert all(is_loopback(h) for h in ("127.0.0.1", "127.8.9.10", "::1", "[::1]", "localhost"))
    assert not any(is_loopback(h) for h in ("0.0.0.0", "::", "192.168.1.2", "example.org", ""))


@pytest.mark.parametrize(
    "wrong",
    [{"port": 0}, {"port": 70000}, {"workers": -1}, {"certificate": Path("a.pem")}, {"key": Path("a.pem")}],
)
def test_impossible_settings_are_told(tmp_path: Path, wrong: dict) -> None:  # type: ignore[type-arg]
    with pytest.raises(OptionError) as told:
        Config(home=tmp_path, **wrong)
    assert told.value.where.startswith("--")
    assert told.value.next_step


def test_other_machines_need_accounts(tmp_path: Path) -> None:
    from midstance.web.serve import check

    with pytest.raises(RecordsError) as told:
        check(Config(home=tmp_path / "data", host="0.0.0.0", workers=0))
    assert "midstance account" in told.value.next_step


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    import socket

    from midstance.web.serve import check

    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with pytest.raises(RecordsError, match="can't listen"):
            check(Config(home=tmp_path / "data", port=other.getsockname()[1], workers=0))


def test_one_server_for_one_folder(tmp_path: Path) -> None:
    from midstance.records.home import Home
    from midstance.web.serve import check
    from midstance.workers.lock import HomeLock

    home = Home(tmp_path / "data").create()
    lock = HomeLock(home)
    lock.take()
    try:
        with pytest.raises(RecordsError, match="another server"):
            check(Config(home=home, port=_free_port()))
    finally:
        lock.release()
    check(Config(home=home, port=_free_port()))


def _free_port() -> int:
    import socket

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def test_not_allowed_is_403_or_401(client: TestClient) -> None:
    from midstance.web.problems import SignInError, status_of

    assert status_of(NotAllowedError("x")) == 403
    assert status_of(SignInError("x")) == 401


def test_no_faults_are_shown(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    import midstance.web.api.about as about

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("secret detail")

    monkeypatch.setattr(about, "__version__", property(broken))
    monkeypatch.setattr(about.s, "About", broken)
    body = problem(client.get("/api/about"), 500)
    assert "secret detail" not in str(body)
    assert client.get("/api/about").headers["content-security-policy"]


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH"])
def test_methods_that_are_not_taken(client: TestClient, method: str) -> None:
    answer = client.request(method, "/api/about")
    problem(answer, 405)
    assert answer.headers["allow"] == "GET"


@pytest.mark.parametrize("body", [b"{", b"\xff\xfe", b"[" * 10000, b'{"name": NaN}', b'{"name": "\\ud800"}', b"null", b""])
def test_bodies_that_are_not_json(client: TestClient, body: bytes) -> None:
    answer = client.post("/api/runners", content=body, headers={"Content-Type": "application/json"})
    assert answer.status_code in (400, 422)
    problem(answer, answer.status_code)


def test_bodies_that_are_too_large(client: TestClient) -> None:
    huge = b'{"name": "' + b"x" * (3 * 1024**2) + b'"}'
    problem(client.post("/api/runners", content=huge, headers={"Content-Type": "application/json"}), 413)

    def pieces():  # type: ignore[no-untyped-def]
        yield from (huge[i : i + 65536] for i in range(0, len(huge), 65536))

    problem(client.post("/api/runners", content=pieces(), headers={"Content-Type": "application/json"}), 413)
    for length in ("-1", "1e3", "٣", "99999999999999999999"):
        answer = client.post("/api/runners", content=b"", headers={"Content-Length": length.encode()})
        assert answer.status_code == 413
