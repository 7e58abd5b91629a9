"""Signing in: needed where other machines reach the server or somebody has an account."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from web_client import ADDRESS, Browser, TestClient, problem

from midstance.records import accounts
from midstance.web.app import create_app
from midstance.web.config import Config
from midstance.web.security import MOST_FAILURES

PASSWORD = "seven lanes, two bends"


@pytest.fixture(autouse=True)
def _no_failures() -> Iterator[None]:
    """Wrong passwords of one test don't slow down another."""
    accounts.slowdown._wrong.clear()
    yield
    accounts.slowdown._wrong.clear()


@pytest.fixture
def guarded(client: TestClient) -> TestClient:
    """The same server once somebody has an account."""
    bench = client.app.state.workbench  # type: ignore[attr-defined]
    with bench.database.writing() as db:
        accounts.add_account(db, "Anna May", PASSWORD)
    bench.accounts_changed()
    return client


def key_of(client: TestClient) -> str:
    answer = client.post("/api/signin", json={"name": "Anna May", "password": PASSWORD})
    assert answer.status_code == 200, answer.text
    return str(answer.json()["key"])


def test_without_accounts_nobody_signs_in(client: TestClient) -> None:
    assert client.get("/api/about").json()["accounts"] is False
    problem(client.post("/api/signin", json={"name": "Anna May", "password": PASSWORD}), 403)


@pytest.mark.parametrize(
    ("method", "path"),
    [
        ("GET", "/api/about"),
        ("GET", "/api/runners"),
        ("POST", "/api/runners"),
        ("GET", "/api/sessions/0000000000000000/live"),
        ("GET", "/api/jobs/stream"),
        ("GET", "/api/openapi.json"),
        ("GET", "/api/films/0000000000000000/proxy.mp4"),
        ("POST", "/api/sessions/0000000000000000/films?view=side"),
        ("POST", "/api/backups"),
        ("GET", "/api/nothing"),
        ("GET", "/api"),
    ],
)
def test_with_accounts_the_api_needs_a_login(guarded: TestClient, method: str, path: str) -> None:
    answer = guarded.request(method, path, json={"name": "a"} if method == "POST" else None)
    problem(answer, 401)
    assert answer.headers["www-authenticate"].startswith("Bearer")


def test_every_operation_needs_a_login(guarded: TestClient) -> None:
    """Nothing that was added later is forgotten: the list is the application's own."""
    key = key_of(guarded)
    described = guarded.get("/api/openapi.json", headers={"Authorization": f"Bearer {key}"}).json()
    count = 0
    for path, operations in described["paths"].items():
        for method in operations:
            if path == "/api/signin":
                continue
            url = re.sub(r"\{[a-z]+\}", "0" * 16, path)
            assert guarded.request(method.upper(), url).status_code == 401, (method, path)
            count += 1
    assert count > 40


def test_pages_lead_to_signing_in_and_back(guarded: TestClient) -> None:
    answer = guarded.get("/runners?query=a&b=c", follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/signin?next=/runners%3Fquery%3Da%26b%3Dc"
    assert guarded.post("/runners/new", data={"name": "x"}).status_code == 401
    assert guarded.get("/static/type/SourceSansPro-Regular.ttf").status_code == 200
    assert guarded.get("/static/x/../../runners", follow_redirects=False).status_code in (303, 404)


def test_a_key_lets_a_program_in(guarded: TestClient) -> None:
    key = key_of(guarded)
    bearer = {"Authorization": f"Bearer {key}"}
    assert guarded.get("/api/who", headers=bearer).json() == {"name": "Anna May", "account": True}
    made = guarded.post("/api/runners", json={"name": "x"}, headers=bearer).json()
    assert made["changed_by"] == "Anna May"
    for wrong in ("Bearer x", f"Bearer {key}x", f"Basic {key}", "Bearer ", key, f"Bearer {'x' * 5000}"):
        problem(guarded.get("/api/who", headers={"Authorization": wrong}), 401)
    assert guarded.post("/api/signout", headers=bearer).status_code == 204
    problem(guarded.get("/api/who", headers=bearer), 401)


def test_a_login_cookie_needs_the_token(guarded: TestClient) -> None:
    bench = guarded.app.state.workbench  # type: ignore[attr-defined]
    guarded.cookies.set(bench.cookies.login, key_of(guarded))
    assert guarded.get("/api/who").json()["account"] is True
    problem(guarded.post("/api/runners", json={"name": "x"}), 403)
    browser = Browser(guarded)
    assert browser.send("POST", "/api/runners", json={"name": "x"}).status_code == 201
    assert browser.send("POST", "/api/signout").status_code == 204
    problem(guarded.get("/api/who"), 401)


def test_a_token_of_before_signing_in_is_worth_nothing_after(guarded: TestClient) -> None:
    bench = guarded.app.state.workbench  # type: ignore[attr-defined]
    page = guarded.get("/signin")
    token = re.search(r'name="csrf" content="([0-9a-f]{64})"', page.text)
    assert token is not None
    guarded.cookies.set(bench.cookies.login, key_of_with(guarded, token[1]))
    headers = {"Origin": ADDRESS, "Sec-Fetch-Site": "same-origin", "X-CSRF-Token": token[1]}
    problem(guarded.post("/api/runners", json={"name": "x"}, headers=headers), 403)


def key_of_with(client: TestClient, token: str) -> str:
    headers = {"Origin": ADDRESS, "X-CSRF-Token": token}
    answer = client.post("/api/signin", json={"name": "Anna May", "password": PASSWORD}, headers=headers)
    assert answer.status_code == 200, answer.text
    return str(answer.json()["key"])


def test_wrong_name_and_wrong_password_sound_the_same(guarded: TestClient) -> None:
    told = [
        problem(guarded.post("/api/signin", json={"name": name, "password": "wrong password"}), 403)["detail"]
        for name in ("Anna May", "Nobody")
    ]
    assert told[0] == told[1]


def test_guessing_is_slowed_down(guarded: TestClient) -> None:
    answers = [
        guarded.post("/api/signin", json={"name": f"name {i}", "password": "wrong password"}).status_code
        for i in range(MOST_FAILURES)
    ]
    assert answers == [403] * MOST_FAILURES
    stopped = guarded.post("/api/signin", json={"name": "Anna May", "password": PASSWORD})
    problem(stopped, 429)
    assert int(stopped.headers["retry-after"]) > 0


def test_a_login_runs_out(guarded: TestClient) -> None:
    import datetime as dt

    from sqlalchemy import update

    from midstance.records.tables import LoginRow

    bearer = {"Authorization": f"Bearer {key_of(guarded)}"}
    assert guarded.get("/api/who", headers=bearer).status_code == 200
    with guarded.app.state.workbench.database.writing() as db:  # type: ignore[attr-defined]
        db.execute(update(LoginRow).values(expires_at=dt.datetime.now(dt.UTC) - dt.timedelta(seconds=1)))
    problem(guarded.get("/api/who", headers=bearer), 401)


def test_for_other_machines_a_login_is_needed_whatever_the_records_say(tmp_path: Path) -> None:
    """With no account left nobody gets in, rather than everybody."""
    config = Config(home=tmp_path / "data", host="192.0.2.7", workers=0)
    with TestClient(create_app(config), base_url="http://192.0.2.7:8320") as client:
        problem(client.get("/api/runners"), 401)


def test_cookies_over_tls(tmp_path: Path) -> None:
    config = Config(home=tmp_path / "data", workers=0, certificate=Path("a.pem"), key=Path("b.pem"))
    with TestClient(create_app(config), base_url="https://127.0.0.1:8320") as client:
        answer = client.get("/nothing")
    assert answer.headers["set-cookie"].startswith("__Host-")
    assert "; Secure" in answer.headers["set-cookie"]
    assert answer.headers["strict-transport-security"].startswith("max-age=")


def test_the_page_signs_in(guarded: TestClient) -> None:
    """The whole way of a browser: page, form, cookie, out again."""
    page = guarded.get("/signin?next=/runners")
    assert page.status_code == 200
    token = re.search(r'name="csrf" value="([0-9a-f]{64})"', page.text)
    assert token is not None
    form: dict[str, Any] = {"csrf": token[1], "name": "Anna May", "password": PASSWORD, "next": "/runners"}
    headers = {"Origin": ADDRESS, "Sec-Fetch-Site": "same-origin"}
    wrong = guarded.post("/signin", data=form | {"password": "wrong password"}, headers=headers, follow_redirects=False)
    assert wrong.status_code == 403
    answer = guarded.post("/signin", data=form, headers=headers, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"] == "/runners"
    cookies = answer.headers.get_list("set-cookie")
    login = next(c for c in cookies if "-login=" in c)
    assert "HttpOnly" in login
    assert "SameSite=Strict" in login
    assert guarded.get("/runners").status_code == 200
    assert guarded.post("/signin", data=form | {"next": "//evil.example"}, headers=headers).status_code == 403
