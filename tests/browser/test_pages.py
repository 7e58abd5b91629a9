"""The pages in a real browser: nothing that axe finds serious, films handed in with progress, keys, nothing that jumps."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from browsing import Bench, until
from playwright.sync_api import Browser, Page, expect

from midstance.assess import demo
from midstance.records import jobs, runners, sessions

DEMO = Path(demo.__file__).parent
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture(scope="module")
def ids(bench: Bench) -> dict[str, str]:
    """A runner with three sessions: one whose film is read, one whose film waits, one that is bare and tells of pain."""
    full = bench.session("Invented Ida")
    film = bench.film(full, DEMO / "side.mp4", read=True)
    with bench.workbench.database.writing() as db:
        runner = sessions.get_session(db, full).runner_id
        bare = sessions.add_session(
            db, runner, {"pain": [{"where": "heel", "score_0_10": 6, "note": "at rest"}]}, by=bench.by
        ).id
        other = runners.add_runner(db, {"name": "Invented Olaf"}, by=bench.by).id
    waiting = bench.session("Invented Wanda")
    bench.film(waiting, DEMO / "rear.mp4", "rear")
    return {"runner": runner, "full": full, "film": film, "bare": bare, "other": other, "waiting": waiting}


PAGES = (
    "/runners", "/runners/new", "/runners/{runner}", "/runners/{other}", "/runners/{other}/edit", "/runners/{runner}/erase",
    "/sessions", "/runners/{runner}/sessions/new", "/sessions/{full}", "/sessions/{waiting}", "/sessions/{bare}",
    "/sessions/{bare}/edit", "/sessions/{full}/measures", "/sessions/{full}/curves", "/sessions/{bare}/measures",
    "/sessions/{full}/findings", "/sessions/{full}/report", "/work", "/settings", "/keys", "/signin",
)  # fmt: skip


@pytest.fixture(scope="module")
def bare(browser: Browser) -> Iterator[Page]:
    """A page that lets axe in past the pages' own policy."""
    context = browser.new_context(bypass_csp=True)
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("path", PAGES)
def test_axe_finds_nothing_serious_and_nothing_is_too_wide(bare: Page, bench: Bench, ids: dict[str, str], path: str) -> None:
    bare.emulate_media(color_scheme="light", reduced_motion="reduce")
    bare.set_viewport_size({"width": 1440, "height": 900})
    bare.goto(bench.url + path.format(**ids))
    # What is folded away counts too.
    bare.evaluate("document.querySelectorAll('details').forEach((d, i) => { if (i < 8) d.open = true })")
    assert _serious(bare, {"runOnly": RULES}) == []
    bare.emulate_media(color_scheme="dark", reduced_motion="reduce")  # or colours are caught on their way
    assert _serious(bare, {"runOnly": {"type": "rule", "values": ["color-contrast"]}}) == []
    for width in (1440, 1024, 768, 390):
        bare.set_viewport_size({"width": width, "height": 900})
        wider = bare.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wider <= 0, f"at {width} px"


def _serious(page: Page, options: dict[str, Any]) -> list[tuple[str, str]]:
    found = Axe().run(page, options=options).response["violations"]
    return [(v["id"], v["nodes"][0]["html"][:120]) for v in found if v["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("path", ["/runners", "/sessions/{full}", "/sessions/{full}/measures", "/sessions/{full}/findings"])
def test_nothing_jumps_while_a_page_comes_in(page: Page, bench: Bench, ids: dict[str, str], path: str) -> None:
    """Cumulative layout shift stays below 0.1, which counts as good (web.dev/cls, from memory)."""
    page.add_init_script(
        "window.shifted = 0; new PerformanceObserver((l) => { for (const e of l.getEntries()) window.shifted += e.value })"
        ".observe({ type: 'layout-shift', buffered: true })"
    )
    page.goto(bench.url + path.format(**ids), wait_until="networkidle" if "full" not in path else "load")
    page.wait_for_timeout(400)
    assert page.evaluate("window.shifted") < 0.1


def test_touch_targets_are_large_on_touch_screens(browser: Browser, bench: Bench, ids: dict[str, str]) -> None:
    context = browser.new_context(has_touch=True, viewport={"width": 768, "height": 1024})
    page = context.new_page()
    for path in ("/runners", "/sessions/{full}", "/sessions/{bare}/edit", "/settings"):
        page.goto(bench.url + path.format(**ids))
        small = page.evaluate(
            "[...document.querySelectorAll('button, .button, .nav a, .tabs a, input:not([type=hidden],[type=radio])')]"
            ".filter((e) => e.checkVisibility() && e.getBoundingClientRect().height < 39.5)"
            ".map((e) => `${e.textContent.trim() || e.name}: ${e.getBoundingClientRect().height}`)"
        )
        assert small == []
    context.close()


def test_the_colours_are_switched_and_kept(page: Page, bench: Bench, ids: dict[str, str]) -> None:
    page.goto(f"{bench.url}/runners")
    before = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.get_by_role("button", name="Switch to dark colours").click()
    after = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert after != before
    page.goto(f"{bench.url}/sessions/{ids['full']}")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == after
    expect(page.get_by_role("button", name="Switch to light colours")).to_be_visible()


def test_the_key_sheet_opens_by_key_and_gives_the_focus_back(page: Page, bench: Bench) -> None:
    page.goto(f"{bench.url}/runners")
    link = page.get_by_role("link", name="New runner")
    link.focus()
    page.keyboard.press("?")
    expect(page.get_by_role("dialog", name="Keys")).to_be_visible()
    page.keyboard.press("Escape")
    expect(page.get_by_role("dialog")).to_have_count(0)
    expect(link).to_be_focused()
    page.keyboard.press("/")
    expect(page.get_by_role("searchbox")).to_be_focused()
    page.keyboard.type("g s ?")
    expect(page.get_by_role("dialog")).to_have_count(0)
    page.keyboard.press("Escape")
    page.locator("h1").click()
    page.keyboard.press("g")
    page.keyboard.press("w")
    page.wait_for_url("**/work")


def test_a_runner_and_a_session_by_keyboard_alone(page: Page, bench: Bench, ids: dict[str, str]) -> None:
    page.goto(f"{bench.url}/runners/new")
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.name") == "name":
            break
    page.keyboard.type("Keyboard Kim")
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/runners/[0-9a-f]{16}"))
    assert "done=" not in page.url, "the message would be told again at every reload"
    expect(page.get_by_role("status").first).to_contain_text("The runner is in")
    _tab_to(page, "New session")
    page.keyboard.press("Enter")
    page.wait_for_url("**/sessions/new")
    page.get_by_label("Pace or speed").focus()
    page.keyboard.type("12 km/h")
    expect(page.get_by_text("= 5:00 per km, 12.0 km/h, 3.33 m/s")).to_be_visible()
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile("/sessions/[0-9a-f]{16}"))
    assert page.get_by_role("heading", level=1).inner_text().startswith("Keyboard Kim")


def _tab_to(page: Page, name: str) -> None:
    for _ in range(40):
        page.keyboard.press("Tab")
        if (page.evaluate("document.activeElement.textContent") or "").strip() == name:
            return
    raise AssertionError(f"{name} can't be reached by Tab")


def test_a_faulty_field_gets_the_focus(browser: Browser, bench: Bench) -> None:
    page = browser.new_page()  # one that may be answered 422
    page.goto(f"{bench.url}/runners/new")
    page.get_by_label("Name").fill("Ann")
    page.get_by_label("Height").fill("tall")
    page.get_by_role("button", name="Add runner").click()
    expect(page.get_by_label("Height")).to_be_focused()
    expect(page.get_by_label("Height")).to_have_accessible_description(re.compile("“tall” is not a length"))
    expect(page.get_by_label("Name")).to_have_value("Ann")
    page.get_by_role("alert").get_by_role("link").click()
    expect(page.get_by_label("Height")).to_be_focused()
    page.context.close()


def test_a_film_is_handed_in_with_progress_and_shown_at_once(page: Page, bench: Bench, ids: dict[str, str]) -> None:
    page.goto(f"{bench.url}/sessions/{ids['bare']}")
    page.locator("#film-side").set_input_files(str(Path(__file__)))
    expect(page.locator("#card-side [data-fault]")).to_contain_text("This is not a film. Possible: MP4")
    page.locator("#film-side").set_input_files(str(DEMO / "side.mp4"))
    expect(page.locator("#card-side .progress[data-job]")).to_contain_text("Waiting for its turn")
    expect(page.locator("#card-side")).to_contain_text("side.mp4")
    expect(page.locator("#head-films")).to_contain_text("1 film is being read")
    expect(page.locator("[data-work-count]")).not_to_have_text("0")
    page.locator("#card-side").get_by_role("button", name=re.compile("^Cancel")).click()
    expect(page.locator("#card-side")).to_contain_text("not read")
    page.locator("#card-side").get_by_role("button", name="Try again").click()
    expect(page.locator("#card-side .chip")).to_have_text("waiting")


def test_a_film_is_dropped_in(page: Page, bench: Bench, ids: dict[str, str]) -> None:
    page.goto(f"{bench.url}/sessions/{ids['bare']}")
    data = list((DEMO / "front.mp4").read_bytes())
    page.evaluate(
        """(data) => {
          const bag = new DataTransfer();
          bag.items.add(new File([new Uint8Array(data)], "dropped.mp4", { type: "video/mp4" }));
          const place = document.querySelector("#card-front form[data-upload]");
          const how = { dataTransfer: bag, bubbles: true, cancelable: true };
          for (const kind of ["dragenter", "drop"]) place.dispatchEvent(new DragEvent(kind, how));
        }""",
        data,
    )
    expect(page.locator("#card-front")).to_contain_text("dropped.mp4")


def test_progress_is_live_and_a_part_that_changed_is_put_in_place(page: Page, bench: Bench) -> None:
    """The worker is played by the test: what it writes into the records appears on the page by itself."""
    session = bench.session("Invented Lena")
    page.goto(f"{bench.url}/sessions/{session}")
    page.locator("#film-side").set_input_files(str(DEMO / "side.mp4"))
    expect(page.locator("#card-side .progress[data-job]")).to_be_visible()
    database: Any = bench.workbench.database
    with database.writing() as db:
        mine = next(j for j in jobs.jobs_of(db, session_id=session))
        while (job := jobs.claim(db, "test")) is not None and job.id != mine.id:
            pass
    expect(page.locator("#card-side .chip")).to_have_text("working")
    with database.writing() as db:
        jobs.progress(db, mine.id, "making the playable copy", 0.37, worker="test")
    expect(page.locator("#card-side [data-job] [data-stage]")).to_have_text("Making the playable copy")
    expect(page.locator("#card-side [data-job] [data-share]")).to_have_text("37 %")
    # Somebody has a fold open and the focus in it; it stays so when the card is put in place anew.
    page.locator("#card-side summary").click()
    with database.writing() as db:
        problem = {"what": "the film can't be decoded", "where": "", "allowed": "a whole film", "next_step": "copy it again"}
        jobs.fail(db, mine.id, problem, worker="test")
    expect(page.locator("#card-side .film-problem")).to_contain_text("Next step: copy it again.")
    expect(page.locator("#card-side details")).to_have_attribute("open", "")
    expect(page.locator("#card-side summary")).to_be_focused()
    expect(page.locator("[data-say]")).to_have_text("Preparing a film: it needs you")
    expect(page.locator("#next")).to_contain_text("A film needs you")


def test_what_cant_be_undone_is_asked_for(page: Page, bench: Bench) -> None:
    session = bench.session("Invented Greta")
    page.goto(f"{bench.url}/sessions/{session}/edit")
    page.get_by_role("button", name="Remove the session").click()
    expect(page.get_by_role("dialog", name="Are you sure?")).to_contain_text("with its films, corrections and reports")
    expect(page.get_by_role("button", name="No, keep it")).to_be_focused()
    page.keyboard.press("Escape")
    assert page.url.endswith("/edit")
    page.get_by_role("button", name="Remove the session").click()
    page.get_by_role("button", name="Yes, do it").click()
    page.wait_for_url(re.compile("/runners/[0-9a-f]{16}"))


def test_a_dot_leads_to_its_frame(page: Page, bench: Bench, ids: dict[str, str]) -> None:
    page.goto(f"{bench.url}/sessions/{ids['full']}/measures")
    dot = page.locator("#m-contact_time .strip a").first
    target = dot.get_attribute("href")
    dot.click()
    page.wait_for_url(f"**{target}")
    assert f"/films/{ids['film']}?at=" in page.url


def test_the_first_page_comes_within_a_second(page: Page, bench: Bench, ids: dict[str, str]) -> None:
    page.goto(f"{bench.url}/runners")
    page.goto(f"{bench.url}/runners")
    took_ms = page.evaluate("performance.getEntriesByType('navigation')[0].loadEventEnd")
    assert took_ms < 1000
    until(page, "document.fonts.status === 'loaded'")
    assert page.evaluate("document.fonts.check('600 16px \"Source Sans\"')")
