"""The viewer's pages as pages: nothing hides from a screen reader, nothing falls off a tablet, two films keep in step."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from browsing import Bench, open_film, until
from numbered_films import encode, numbered
from playwright.sync_api import Browser, Page

VIEWER = "document.querySelector('[data-viewer]').viewer"
PAIR = "document.querySelector('[data-pair]').pair"


@pytest.fixture(scope="module")
def two_films(bench: Bench) -> Iterator[tuple[str, str]]:
    """Give the invented runner's side and rear film, read."""
    session = bench.session("Invented runner W.", held_on=dt.date(2026, 5, 4))
    demo = files("midstance.assess.demo")
    with as_file(demo / "side.mp4") as side, as_file(demo / "rear.mp4") as rear:
        yield bench.film(session, side, read=True), bench.film(session, rear, "rear", read=True)


def faults(page: Page) -> list[str]:
    """What axe finds, of any weight."""
    found = Axe().run(page).response["violations"]
    return [f"{v['id']} ({v['impact']}): {[n['html'][:90] for n in v['nodes']][:3]}" for v in found]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_accessibility_faults(browser: Browser, bench: Bench, two_films: tuple[str, str], scheme: Any) -> None:
    """Axe finds nothing on any sheet of the film's page, in either scheme."""
    context = browser.new_context(viewport={"width": 1440, "height": 900}, color_scheme=scheme)
    page = context.new_page()
    open_film(page, bench, two_films[0], 1.0)
    for sheet in ("angles", "measures", "events", "correct", "marks", "film"):
        page.locator(f"#fv-tab-{sheet}").click()
        assert faults(page) == [], sheet
    page.locator('[data-part="layers"] summary').click()
    assert faults(page) == []
    page.goto(f"{bench.url}/watch?left={two_films[0]}&right={two_films[1]}")
    page.wait_for_selector("[data-pair][data-ready]")
    assert faults(page) == []
    context.close()


@pytest.mark.parametrize(("width", "height"), [(1440, 900), (1024, 768), (768, 1024)])
def test_nothing_falls_off_the_side(page: Page, bench: Bench, two_films: tuple[str, str], width: int, height: int) -> None:
    """No sideways scrolling, and picture, buttons and strip of time are in sight together."""
    page.set_viewport_size({"width": width, "height": height})
    open_film(page, bench, two_films[0], 1.0)
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    for name in ("stage", "timeline"):
        box = page.locator(f'[data-part="{name}"]').bounding_box()
        assert box is not None
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= width
        assert box["y"] + box["height"] <= height
    page.goto(f"{bench.url}/watch?left={two_films[0]}&right={two_films[1]}")
    page.wait_for_selector("[data-pair][data-ready]")
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")


def test_no_inline_styles_or_scripts(page: Page, bench: Bench, two_films: tuple[str, str]) -> None:
    """What the server sends keeps to the policy by itself: no style attribute, no script or handler in the page."""
    for path in (f"/films/{two_films[0]}", f"/watch?left={two_films[0]}&right={two_films[1]}"):
        text = page.request.get(bench.url + path).text()
        assert " style=" not in text
        assert " onclick=" not in text
        assert "<style" not in text
        assert all("src=" in tag for tag in text.split("<script")[1:])


def pair_state(page: Page) -> tuple[int, int, float, float]:
    """Frames and real times of both films, once nothing is on its way."""
    until(page, f"{PAIR}.viewers.every((v) => !v.seeker.busy)")
    return tuple(page.evaluate(f"[...{PAIR}.viewers.map((v) => v.frame), ...{PAIR}.viewers.map((v) => v.time_s)]"))


def test_two_films_go_together(page: Page, bench: Bench, two_films: tuple[str, str]) -> None:
    """In real time the same instant, with an offset another; in the stride the same share of it; one set of keys."""
    page.goto(f"{bench.url}/watch?left={two_films[0]}&right={two_films[1]}")
    page.wait_for_selector("[data-pair][data-ready]")
    for key in ("Shift+ArrowRight", "ArrowRight", "c", "Shift+e", "ArrowLeft"):
        page.keyboard.press(key)
        _, _, a, b = pair_state(page)
        assert a == pytest.approx(b, abs=1 / 120)
    page.locator('[data-part="offset"]').fill("0.1")
    _, _, a, b = pair_state(page)
    assert b - a == pytest.approx(0.1, abs=1 / 120)
    page.locator('input[name="lock"][value="phase"]').click()
    # Clicked, the keys act on the picture at once.
    assert page.evaluate("document.activeElement.dataset.part") == "stage"
    page.keyboard.press("c")
    clocks = f"{PAIR}.viewers.map((v) => v.film.stances.filter((s) => s.side === {PAIR}.foot && s.next_ic_s !== null))"
    for _ in range(8):
        page.keyboard.press("Shift+ArrowRight")
        _, _, a, b = pair_state(page)
        left, right = page.evaluate(clocks)
        if (stride := next((i for i, s in enumerate(left) if s["ic_s"] <= a < s["next_ic_s"]), None)) is None:
            continue
        of = [(t - s["ic_s"]) / (s["next_ic_s"] - s["ic_s"]) for t, s in ((a, left[stride]), (b, right[stride]))]
        assert of[0] == pytest.approx(of[1], abs=0.012)
    # Each film shows the picture that its label says.
    for place in (0, 1):
        text = page.locator('[data-viewer] [data-part="where"]').nth(place).inner_text()
        frame = page.evaluate(f"{PAIR}.viewers[{place}].frame")
        assert text.startswith(f"picture {frame + 1} of")
    page.keyboard.press("Space")
    until(page, f"{PAIR}.lead.time_s > {a + 0.02}")
    page.keyboard.press("Space")
    until(page, f"!{PAIR}._clock")


def test_a_film_that_is_not_prepared_says_so(page: Page, bench: Bench, tmp_path: Path) -> None:
    """It waits, and goes on by itself; a film that isn't there is a page that says so, not a fault."""
    path = encode(tmp_path / "film.mp4", [numbered(i) for i in range(12)])
    film_id = bench.film(bench.session("Waiting"), path, prepared=False)
    page.goto(f"{bench.url}/films/{film_id}")
    assert page.get_by_role("heading", name="The film is being prepared").is_visible()
    bench.prepare(film_id, path)
    page.wait_for_selector("[data-viewer][data-ready]")
    page.get_by_text("aren't read yet").or_(page.get_by_text("waiting to be read")).first.wait_for()
    answer = page.request.get(f"{bench.url}/films/{'0' * 16}")
    assert answer.status == 404
    assert "no such film" in answer.text()
    assert page.request.get(f"{bench.url}/watch?left=nonsense&right={'0' * 16}").status == 200


def test_an_address_with_a_time_shows_that_picture(page: Page, bench: Bench, two_films: tuple[str, str]) -> None:
    """Dots of the measures page lead here."""
    open_film(page, bench, two_films[0], 1.5)
    assert page.evaluate(f"{VIEWER}.time_s") == pytest.approx(1.5, abs=1 / 120)
