"""The whole way with the keyboard alone: no pointer is ever used. What can't be reached by Tab and keys fails here."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import until
from playwright.sync_api import Page, expect
from served import Served, serving, side_film

READING_S, REPORT_S = 150.0, 120.0
#: More than this many presses of Tab nobody does.
MOST_TABS = 120
WHY = "Seen once only."


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server with one worker on an empty folder."""
    with serving(tmp_path_factory.mktemp("keyboard") / "data") as running:
        yield running


#: What has the focus, as assistive technology names it: role or tag, and name.
FOCUSED = """() => {
  const e = document.activeElement;
  if (!e || e === document.body) return ["", "", ""];
  const by = (e.getAttribute("aria-labelledby") ?? "")
    .split(" ").map((id) => document.getElementById(id)?.textContent ?? "").join(" ");
  const labels = [...(e.labels ?? [])].map((l) => l.textContent).join(" ");
  const name = e.getAttribute("aria-label") || by.trim() || labels || e.textContent || "";
  const kind = e.getAttribute("role") ?? (e.tagName === "INPUT" ? e.type : e.tagName.toLowerCase());
  return [kind, name.replace(/\\s+/g, " ").trim(), e.id];
}"""
#: Whether the focus can be seen: an outline or a shadow, and within the window.
SEEN = """() => {
  const e = document.activeElement;
  const box = e.getBoundingClientRect();
  const drawn = [e, e.parentElement, e.closest("label"), e.nextElementSibling].filter(Boolean).some((n) => {
    const s = getComputedStyle(n);
    return (s.outlineStyle !== "none" && parseFloat(s.outlineWidth) > 0) || s.boxShadow !== "none";
  });
  return drawn && box.bottom > 0 && box.top < innerHeight;
}"""


def tab_to(page: Page, kind: str, name: str) -> None:
    """Press Tab until a control of that kind and name (a pattern) has the focus, for all to see."""
    passed = []
    for _ in range(MOST_TABS):
        found, said, _ = page.evaluate(FOCUSED)
        if found == kind and re.search(name, said):
            assert page.evaluate(SEEN), f"nobody can see that {found} “{said}” has the focus"
            return
        passed.append(f"{found} “{said[:40]}”")
        page.keyboard.press("Tab")
    raise AssertionError(f"Tab never reaches {kind} “{name}” on {page.url}: {passed}")


def press(page: Page, kind: str, name: str, key: str = "Enter") -> None:
    """Go to a control by Tab and press it."""
    tab_to(page, kind, name)
    page.keyboard.press(key)


def write(page: Page, name: str, text: str, kind: str = "text") -> None:
    """Go to a field by Tab and write into it, in place of what is there."""
    tab_to(page, kind, name)
    page.keyboard.press("Control+a")
    page.keyboard.type(text)


def heading(page: Page, text: str | re.Pattern[str]) -> None:
    """Wait until a page with this heading is shown."""
    expect(page.get_by_role("heading", level=1)).to_have_text(text)


@pytest.mark.slow
def test_the_whole_way_by_keyboard(served: Served, page: Page, tmp_path: Path) -> None:
    page.goto(served.url)
    # The first Tab offers to skip what stands above each page.
    page.keyboard.press("Tab")
    assert page.evaluate(FOCUSED)[1] == "Skip to the content"
    press(page, "a", "New runner")
    heading(page, "New runner")

    write(page, "^Name", "Dora Invented")
    write(page, "^Height", "168 cm")
    write(page, "^Body mass", "60 kg")
    tab_to(page, "radio", "^not asked|^given")
    while page.evaluate(FOCUSED)[1] != "given":
        page.keyboard.press("ArrowDown")
    tab_to(page, "date", "^Given on")
    page.keyboard.type("04302026")
    page.keyboard.press("Enter")  # sends the form, as in every form
    heading(page, "Dora Invented")

    press(page, "a", "New session")
    heading(page, "New session")
    write(page, "^Pace or speed", "6:25/km")
    page.keyboard.press("Enter")
    heading(page, re.compile("Dora Invented"))

    # Films are chosen in a window of the browser, no part of the page: the field is reached by Tab, the file is given.
    tab_to(page, "file", "Drop the film here|choose")
    chosen = page.evaluate_handle("document.activeElement").as_element()
    assert chosen is not None
    assert chosen.get_attribute("id") == "film-side"
    chosen.set_input_files(side_film(tmp_path))
    expect(page.locator("#card-side .chip.good", has_text="read")).to_be_visible(timeout=1000 * READING_S)

    # g s goes to the sessions, Enter opens the one.
    page.keyboard.press("g")
    page.keyboard.press("s")
    heading(page, "Sessions")
    press(page, "a", "Dora Invented")
    heading(page, re.compile("Dora Invented"))
    press(page, "a", "^Watch the film")
    page.wait_for_selector("[data-viewer][data-ready]")

    # The help sheet, and back.
    page.keyboard.press("?")
    sheet = page.get_by_role("dialog", name="Keys")
    expect(sheet).to_be_visible()
    expect(sheet.get_by_text("next contact of either foot")).to_be_visible()
    page.keyboard.press("Escape")
    expect(sheet).to_be_hidden()

    # To the third contact, two pictures on, and the contact is put there.
    for number in range(3):
        page.keyboard.press("c")
        side, time_s = contact_shown(page, number)
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    until(page, f"document.querySelector('[data-viewer]').viewer.time_s - {time_s} > 1.5 / 120")
    page.keyboard.press({"left": "j", "right": "k"}[side])
    say = page.locator('[data-part="say"]')
    expect(say).to_contain_text("Kept: ", timeout=20_000)
    # A landmark is nudged, then hidden instead; that is taken back, and it is where it was put.
    page.keyboard.press("n")
    expect(say).to_contain_text("selected")
    page.keyboard.press("Shift+d")
    page.keyboard.press("d")
    expect(say).to_contain_text("placed", timeout=20_000)
    page.keyboard.press("x")
    expect(say).to_contain_text("not visible", timeout=20_000)
    page.keyboard.press("Control+z")
    expect(say).to_contain_text("holds again", timeout=20_000)
    page.keyboard.press("Escape")

    # The sheet of measures, by Tab and arrows, tells what changed.
    tab_to(page, "tab", "^Angles")
    page.keyboard.press("ArrowRight")
    expect(page.locator("#fv-sheet-measures")).to_be_visible()
    page.keyboard.press("End")
    expect(page.locator("#fv-sheet-film")).to_be_visible()
    tab_to(page, "tab", "^Film")
    for _ in range(2):
        page.keyboard.press("ArrowLeft")
    expect(page.locator("#fv-sheet-correct")).to_be_visible()
    expect(page.locator('[data-part="corrections"] li')).to_have_count(2)

    # Measures: a stride's dot leads to its picture.
    page.evaluate("document.activeElement.blur()")
    press(page, "a", "^Measures$")
    heading(page, "Measures")
    expect(page.get_by_text("2 corrections are in")).to_be_visible()
    press(page, "summary", "^How, and every stride")
    press(page, "a", "see the frame$")
    page.wait_for_selector("[data-viewer][data-ready]")
    assert re.search(r"[?&]at=\d", page.url)
    page.go_back()
    heading(page, "Measures")

    # A finding isn't agreed with.
    press(page, "a", "^Findings$")
    heading(page, "Findings")
    press(page, "summary", "^I don’t agree")
    write(page, "^Why", WHY, "textarea")
    press(page, "button", "^Overrule this finding")
    expect(page.get_by_role("heading", name="Overruled", exact=True)).to_be_visible()

    # The report and a file of it.
    press(page, "a", "^Report$")
    heading(page, "Report")
    press(page, "button", "^Make the report")
    expect(page.locator(".preview iframe")).to_be_visible(timeout=1000 * REPORT_S)
    with page.expect_download() as download:
        press(page, "a", "^All numbers|assessment|JSON|Everything")
    made = json.loads(Path(download.value.path()).read_text())
    corrected = [e for e in made["events"] if e["source"] == "corrected"]
    assert [e["side"] for e in corrected] == [side]
    assert corrected[0]["time_s"] > time_s
    assert [f["overruled"]["why"] for f in made["findings"] if f.get("overruled")] == [WHY]

    # A second session, and the two beside each other: without a film there is nothing to compare, and the page says so.
    press(page, "a", "Dora Invented")
    heading(page, "Dora Invented")
    press(page, "a", "New session")
    heading(page, "New session")
    write(page, "^Pace or speed", "6:25/km")
    page.keyboard.press("Enter")
    heading(page, re.compile("Dora Invented"))
    press(page, "a", "^Compare$")
    heading(page, "Compare")
    expect(page.get_by_text("No measures of")).to_be_visible()
    tab_to(page, "select", "^First session")



def contact_shown(page: Page, number: int) -> tuple[str, float]:
    """Wait until the viewer stands at that contact of the film, from 0; returns its foot and time."""
    viewer = "document.querySelector('[data-viewer]').viewer"
    landed = page.evaluate(f"{viewer}.film.events.filter((e) => e.kind === 'initial_contact')")
    event = sorted(landed, key=lambda e: e["time_s"])[number]
    until(page, f"Math.abs({viewer}.time_s - {event['time_s']}) < 0.006")
    return str(event["side"]), float(event["time_s"])


@pytest.mark.slow
def test_a_question_by_keyboard(served: Served, page: Page) -> None:
    """What can't be undone is asked about first; Escape and the first button keep it, the other does it."""
    answer = page.request.post(f"{served.url}/api/runners", data={"name": "Erna Invented"})
    runner = answer.json()["id"]
    session = page.request.post(f"{served.url}/api/runners/{runner}/sessions", data={"held_on": "2026-05-03"}).json()["id"]
    page.goto(f"{served.url}/sessions/{session}/edit")
    press(page, "button", "^Remove the session")
    dialog = page.locator("#ask")
    expect(dialog).to_be_visible()
    page.keyboard.press("Escape")
    expect(dialog).to_be_hidden()
    assert page.request.get(f"{served.url}/api/sessions/{session}").status == 200
    assert page.evaluate(FOCUSED)[1] == "Remove the session", "the focus comes back to where it was"
    page.keyboard.press("Enter")
    expect(dialog).to_be_visible()
    assert page.evaluate(FOCUSED)[1].startswith("No"), "the harmless answer comes first"
    press(page, "button", "^Yes")
    heading(page, "Erna Invented")
    assert page.request.get(f"{served.url}/api/sessions/{session}").status == 404
