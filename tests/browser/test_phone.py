"""A phone hands in films: the coach opens the door, the phone connects and sends, the coach sees it come in and closes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from browsing import Bench
from playwright.sync_api import Browser, Page, expect

import midstance.assess.demo
from midstance.records import films
from midstance.web.pages import phone as phone_pages
from midstance.web.phone import PhoneDoor

DEMO = Path(midstance.assess.demo.__file__).parent
HERE = "127.0.0.1"


@pytest.fixture
def door(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> Iterator[PhoneDoor]:
    """The workbench's door, at an address that every machine has."""
    work = bench.workbench
    made = PhoneDoor(work.config, work.database, work.wake, wrong_wait_s=0.0, allow=lambda address: address == HERE)
    monkeypatch.setattr(work, "phone_door", made)
    monkeypatch.setattr(phone_pages, "near_addresses", lambda: (HERE,))
    yield made
    made.close()


@pytest.fixture
def phone(browser: Browser) -> Iterator[Page]:
    """A phone's browser; fails when a script of a page failed."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, device_scale_factor=2, is_mobile=True, has_touch=True
    )
    shown = context.new_page()
    faults: list[str] = []
    shown.on("pageerror", lambda error: faults.append(str(error)))
    # Requests that were refused on purpose are noted by the browser too.
    shown.on("console", lambda m: faults.append(m.text) if m.type == "error" and "Failed to load" not in m.text else None)
    yield shown
    context.close()
    assert not faults, f"scripts of the page failed: {faults}"


def sound(page: Page) -> None:
    """Fail where axe finds something serious, or the page is wider than the screen."""
    serious = [v["id"] for v in Axe().run(page).response["violations"] if v["impact"] in ("serious", "critical")]
    assert not serious
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 1


def shown_code(page: Page) -> str:
    """Return the code as it stands on the coach's page."""
    return re.sub(r"\s", "", page.locator("[data-code]").inner_text())


def test_a_phone_hands_in_films(bench: Bench, page: Page, phone: Page, door: PhoneDoor, tmp_path: Path) -> None:
    session = bench.session("Handed in")
    page.goto(f"{bench.url}/sessions/{session}/phone")
    expect(page.get_by_text("It is not encrypted.")).to_be_visible()
    sound(page)
    page.get_by_role("button", name="Open for 15 minutes").click()
    expect(page.locator("[data-qr] svg")).to_be_visible()
    sound(page)
    code = shown_code(page)
    url = page.locator(".door-address").inner_text()

    # A wrong code first; then the right one, as the scanned address brings it.
    phone.goto(url)
    sound(phone)
    phone.get_by_label("Code").fill("ABCDEFGH")
    phone.get_by_role("button", name="Connect").click()
    expect(phone.get_by_role("alert")).to_contain_text("4 more tries")
    phone.goto("about:blank")
    phone.goto(f"{url}/#{code}")
    expect(phone.get_by_label("Code")).to_have_value(code)
    assert code not in phone.url, "the code doesn't stay in the address"
    phone.get_by_role("button", name="Connect").tap()
    expect(phone.get_by_role("heading", name="Hand in films")).to_be_visible()
    sound(phone)
    cookie = next(c for c in phone.context.cookies() if c["name"] == "midstance_phone")
    assert (cookie["httpOnly"], cookie["sameSite"], cookie["path"]) == (True, "Strict", "/")

    # A film from behind, and something that is none.
    (tmp_path / "note.mp4").write_bytes(b"no film at all" * 100)
    phone.get_by_role("radio", name="From behind").tap()
    phone.set_input_files("#film", [DEMO / "rear.mp4", tmp_path / "note.mp4"])
    expect(phone.locator("li.received")).to_contain_text("rear.mp4")
    expect(phone.locator("li.failed")).to_contain_text("This is not a film")
    expect(phone.locator("[data-done]")).to_be_hidden()
    sound(phone)

    # It shows on the coach's page without loading it again, and belongs to the session.
    expect(page.locator(".arrival", has_text="rear.mp4")).to_contain_text("here", timeout=10_000)
    expect(page.locator(".arrival", has_text="note.mp4")).to_contain_text("not taken")
    expect(page.locator(".door-in")).to_contain_text("1 phone is connected")
    with bench.workbench.database.reading() as db:
        (film,) = films.films_of(db, session)
        assert (film.view, film.name) == ("rear", "rear.mp4")

    page.get_by_role("button", name="Close the door").click()
    expect(page.get_by_role("heading", name="Open the door")).to_be_visible()
    expect(phone.locator("[data-left]")).to_have_text("The door is closed.", timeout=12_000)
    assert door.state() is None


def test_a_second_phone_needs_another_code(bench: Bench, page: Page, phone: Page, door: PhoneDoor) -> None:
    session = bench.session("Two phones")
    page.goto(f"{bench.url}/sessions/{session}/phone")
    page.get_by_role("button", name="Open for 15 minutes").click()
    first, url = shown_code(page), page.locator(".door-address").inner_text()
    page.get_by_role("button", name="Code for another phone").click()
    expect(page.locator("[data-code]")).not_to_have_text(re.compile(first))
    phone.goto(f"{url}/#{first}")
    phone.get_by_role("button", name="Connect").tap()
    expect(phone.get_by_role("alert")).to_be_visible()
    phone.get_by_label("Code").fill(shown_code(page).lower())
    phone.get_by_role("button", name="Connect").tap()
    expect(phone.get_by_text("What does the film show?")).to_be_visible()


def test_the_guides_calculator_answers_while_one_types(bench: Bench, page: Page) -> None:
    page.goto(f"{bench.url}/guide/side")
    value = page.locator(".point", has_text="Distance").locator(".point-value")
    expect(value).to_contain_text("5.0 m")
    page.get_by_label("Distance, m").fill("8")
    expect(value).to_contain_text("8.0 m")
    expect(page.get_by_label("Zoom, ×")).to_have_value("2.4")  # follows, as nobody chose one
    expect(page.get_by_label("Distance, m")).to_be_focused()
    page.get_by_label("Distance, m").fill("far")
    expect(page.get_by_text("is not a distance")).to_be_visible()
    page.get_by_label("Distance, m").fill("6")
    expect(page.get_by_text("is not a distance")).to_be_hidden()
    page.get_by_label("upright").check()
    expect(page.locator(".picture-frame.upright svg")).to_be_visible()
    sound(page)


def test_two_sessions_at_the_same_place_of_the_stride(bench: Bench, page: Page, tmp_path: Path) -> None:
    """The slider shows the frame that the server named for each film."""
    import datetime as dt

    from midstance.records import sessions

    first = bench.session("Compared", held_on=dt.date(2026, 3, 5))
    with bench.workbench.database.writing() as db:
        one = sessions.get_session(db, first)
        fields = {"held_on": dt.date(2026, 6, 5), "surface": "treadmill", "speed_mps": one.speed_mps}
        second = sessions.add_session(db, one.runner_id, fields, by="T").id
    for session in (first, second):
        bench.film(session, DEMO / "side.mp4", read=True)
    page.goto(f"{bench.url}/compare?a={first}&b={second}")
    expect(page.get_by_text("the shoes of one session aren't noted").first).to_be_visible()
    slider = page.get_by_role("slider")
    pane = page.locator('[data-pane="b"]')
    data = page.evaluate("JSON.parse(document.querySelector('[data-phase]').dataset.phase)")
    for name, place in (("Toe-off", 24), ("Midswing", 36), ("Initial contact", 0)):
        page.get_by_role("button", name=name).click()
        frame = data["b"]["frames"][place]
        expect(pane).to_have_attribute("data-shown", str(frame["n"]), timeout=15_000)
        expect(pane.locator("image")).to_have_attribute("href", re.compile(rf"/frames/{frame['n']}\.jpg"))
        assert slider.get_attribute("aria-valuetext") == {0: "Initial contact", 24: "Toe-off", 36: "Swing, 50 %"}[place]
    slider.focus()
    page.keyboard.press("ArrowRight")
    expect(pane).to_have_attribute("data-shown", str(data["b"]["frames"][1]["n"]), timeout=15_000)
    # The same film twice: the same pictures, and no difference that leaves zero out.
    assert data["a"]["frames"] == data["b"]["frames"]
    expect(page.locator(".beyond")).to_have_count(0)
    sound(page)
