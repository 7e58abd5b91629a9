"""The whole way as a coach goes it, in a real browser, with a server that was started as a user starts it.

New runner, session, film with live progress, a contact put elsewhere, measures, a finding that isn't agreed with, the
report and its files, a second session, the two side by side. And two people at the same thing at the same time.
"""

from __future__ import annotations

import datetime as dt
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from browsing import Bench, open_film, until
from playwright.sync_api import Browser, Page, expect
from pypdf import PdfReader
from served import Served, cut, serving, side_film

#: Reading a film of two seconds takes ten on two cores; other tests may run beside.
READING_S, REPORT_S = 150.0, 120.0
WHY = "Filmed right after a hard race; I look at it again next week."


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A server with one worker on an empty folder."""
    with serving(tmp_path_factory.mktemp("journey") / "data") as running:
        yield running


def watch_progress(page: Page) -> None:
    """Note what the page says of the work, as it changes."""
    page.evaluate("""() => {
      window.stays = true;
      window.told = [];
      const look = () => {
        for (const job of document.querySelectorAll('[data-job][data-state="running"]')) {
          const told = [job.querySelector("[data-stage]").textContent, job.querySelector("progress").value];
          const last = window.told.at(-1);
          if (!last || last[0] !== told[0] || last[1] !== told[1]) window.told.push(told);
        }
      };
      new MutationObserver(look).observe(document.querySelector("[data-live]"), {
        subtree: true, childList: true, attributes: true, characterData: true });
    }""")


def hand_in(page: Page, film: Path) -> list[tuple[str, float]]:
    """Give the session shown a film from the side, wait until it is read, and return what was told meanwhile."""
    watch_progress(page)
    page.set_input_files("#film-side", film)
    expect(page.locator("#card-side .chip", has_text=re.compile("waiting|working"))).to_be_visible(timeout=30_000)
    expect(page.locator("#card-side .chip.good", has_text="read")).to_be_visible(timeout=1000 * READING_S)
    assert page.evaluate("window.stays"), "the page was loaded again instead of being kept up to date"
    return [(str(stage), float(share)) for stage, share in page.evaluate("window.told")]


def value_of(page: Page, measure: str, side: str) -> float:
    """Return a value of the page of measures."""
    cell = page.locator(f"#m-{measure} tr.{side} td.value")
    return float(cell.inner_text().split()[0].replace("−", "-"))


def fetch(page: Page, url: str) -> bytes:
    """Press a link that hands a file over, and return the file."""
    with page.expect_download() as download:
        page.locator(f'a[href*="{url}"][download]').first.click()
    return Path(download.value.path()).read_bytes()


def events(page: Page) -> list[dict[str, Any]]:
    """Return the contacts and toe-offs that the viewer shows."""
    found: list[dict[str, Any]] = page.evaluate("document.querySelector('[data-viewer]').viewer.film.events")
    return found


@pytest.mark.slow
def test_from_a_new_runner_to_a_comparison(served: Served, page: Page, tmp_path: Path) -> None:
    film = side_film(tmp_path)

    # A new runner who agreed to be filmed.
    page.goto(served.url)
    expect(page.get_by_role("heading", level=1)).to_contain_text("Films of a runner")
    page.get_by_role("link", name="New runner").click()
    page.get_by_label("Name").fill("Anna Invented")
    page.get_by_label("Height").fill("168 cm")
    page.get_by_label("Body mass").fill("60")
    page.get_by_role("group", name="consent is").get_by_label("given", exact=True).check()
    page.get_by_label("Given on").fill("2026-04-30")
    page.get_by_role("button", name="Add runner").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Anna Invented")
    expect(page.get_by_text("Given on 30 April 2026")).to_be_visible()

    # A session at a known pace.
    page.get_by_role("link", name="New session").first.click()
    page.get_by_label("Day").fill("2026-05-03")
    page.get_by_label("Pace or speed").fill("2.6 m/s")
    page.get_by_label("Shoes").fill("Old trainers")
    page.get_by_role("button", name="Add session").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Anna Invented")
    session_url = page.url.split("#")[0].split("?")[0]

    # A film, with live progress.
    told = hand_in(page, film)
    assert any("runner" in stage.lower() for stage, _ in told), told
    shares = [share for stage, share in told if stage.lower().startswith("following")]
    assert len(shares) >= 5, f"the work told too little of itself: {told}"
    assert shares == sorted(shares)
    first_measures(page, session_url)
    before = value_of(page, "contact_time", "left")

    # A contact is put three pictures later, by dragging it on the strip of time.
    page.goto(session_url)
    page.locator("#card-side").get_by_role("link", name="Watch").click()
    page.wait_for_selector("[data-viewer][data-ready]")
    landed = [e for e in events(page) if e["side"] == "left" and e["kind"] == "initial_contact"]
    event = landed[len(landed) // 2]
    new_s = drag_event(page, event, 3)
    said = page.locator('[data-part="say"]')
    expect(said).to_contain_text("Kept: ", timeout=20_000)
    page.get_by_role("tab", name="Measures").click()
    expect(page.locator(".fv-changes")).to_contain_text("changed with the last correction")
    page.get_by_role("tab", name="Correct").click()
    expect(page.locator('[data-part="corrections"] li')).to_have_count(1)
    first_measures(page, session_url)
    expect(page.get_by_text("1 correction is in")).to_be_visible()
    after = value_of(page, "contact_time", "left")
    assert after < before, "the contact came later, so contact is shorter"

    # A finding isn't agreed with.
    page.get_by_role("link", name="Findings").click()
    finding = page.locator("article.finding").first
    key = finding.get_attribute("id")
    finding.get_by_text("I don’t agree").click()
    finding.get_by_label("Why").fill(WHY)
    finding.get_by_role("button", name="Overrule this finding").click()
    expect(page.locator(f"#{key}.is-overruled")).to_contain_text(WHY)

    # The report, its preview and its files.
    page.get_by_role("link", name="Report", exact=True).click()
    page.get_by_role("button", name="Make the report").first.click()
    expect(page.locator(".preview iframe")).to_be_visible(timeout=1000 * REPORT_S)
    frame = page.wait_for_selector(".preview iframe").content_frame()
    assert frame is not None
    expect(page.frame_locator(".preview iframe").locator("h1")).to_be_visible()
    made = json.loads(fetch(page, "assessment.json"))
    moved = [e for e in made["events"] if e["source"] == "corrected"]
    assert [(e["side"], e["kind"]) for e in moved] == [("left", "initial_contact")]
    assert moved[0]["time_s"] == pytest.approx(new_s, abs=1e-4)
    overruled = [f for f in made["findings"] if f.get("overruled")]
    assert [(f["key"], f["overruled"]["why"]) for f in overruled] == [(key, WHY)]
    contact = next(m for m in made["measures"] if (m["measure"], m["side"]) == ("contact_time", "left"))
    assert contact["value"] == pytest.approx(after / 1000 if after > 1 else after, abs=6e-4)
    html = fetch(page, "report.html").decode()
    assert "Overruled" in html
    assert WHY in html.replace("&#39;", "'")
    pdf = "".join(p.extract_text() for p in PdfReader(io.BytesIO(fetch(page, "report.pdf"))).pages)
    assert "Overruled" in pdf
    assert "hard race" in re.sub(r"\s+", " ", pdf)

    # A second session, filled in as last time, and both side by side.
    page.get_by_role("navigation", name="Where you are").get_by_role("link", name="Anna Invented").click()
    page.get_by_role("link", name="New session").first.click()
    expect(page.get_by_label("Shoes")).to_have_value("Old trainers")
    page.get_by_label("Day").fill("2026-06-14")
    page.get_by_role("button", name="Add session").click()
    # A shorter cut, so that it isn't the same file.
    hand_in(page, cut(film, tmp_path / "later.mp4", 1.8))
    page.get_by_role("link", name="Compare", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Compare")
    expect(page.locator(".lead").first).to_contain_text("3 May 2026 and 14 June 2026")
    expect(page.get_by_text("Same pace, surface and shoes")).to_be_visible()
    expect(page.locator("table.differences tbody").first).to_be_visible()
    until(page, "[...document.querySelectorAll('[data-pane] image')].length === 2")
    for picture in page.locator(".stills image").all()[:2]:
        answer = page.request.get(served.url + str(picture.get_attribute("href")))
        assert answer.headers["content-type"] == "image/jpeg"


def first_measures(page: Page, session_url: str) -> None:
    """Open the page of measures as people do: from the session."""
    page.goto(session_url)
    page.get_by_role("navigation", name="Session").get_by_role("link", name="Measures").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Measures")


def drag_event(page: Page, event: dict[str, Any], pictures: int) -> float:
    """Drag a contact or toe-off on the strip of time by some pictures; returns the time it is put to, s."""
    x0, x1, y, time_s = page.evaluate(
        """([time_s, side, pictures]) => {
          const viewer = document.querySelector("[data-viewer]").viewer;
          const strip = viewer.timeline;
          const box = strip.element.getBoundingClientRect();
          const to_s = viewer.film.time_s[viewer.film.frameAt(time_s) + pictures];
          return [box.left + strip._x(time_s), box.left + strip._x(to_s), box.top + strip._laneY(side), to_s];
        }""",
        [event["time_s"], event["side"], pictures],
    )
    page.mouse.move(x0, y)
    page.mouse.down()
    page.mouse.move((x0 + x1) / 2, y, steps=3)
    page.mouse.move(x1, y, steps=3)
    page.mouse.up()
    return float(time_s)


# -- two people at the same thing ---------------------------------------------------------------------------------------


@pytest.fixture
def two(browser: Browser) -> Iterator[tuple[Page, Page]]:
    """Two people, each with a browser of their own."""
    contexts = [browser.new_context(viewport={"width": 1280, "height": 900}) for _ in range(2)]
    yield contexts[0].new_page(), contexts[1].new_page()
    for context in contexts:
        context.close()


def test_two_people_change_a_session(bench: Bench, two: tuple[Page, Page]) -> None:
    session = bench.session("Berta Invented", held_on=dt.date(2026, 3, 9))
    one, other = two
    for page in two:
        page.goto(f"{bench.url}/sessions/{session}/edit")
    one.get_by_label("Shoes").fill("Blue ones")
    one.get_by_label("Notes").fill("She slept badly.")
    one.get_by_role("button", name="Save").click()
    expect(one.get_by_role("heading", level=1)).to_contain_text("Berta Invented")

    other.get_by_label("Shoes").fill("Red ones")
    other.get_by_label("Place").fill("Hall")
    with other.expect_response(lambda r: r.request.method == "POST") as answer:
        other.get_by_role("button", name="Save").click()
    assert answer.value.status == 409
    expect(other.get_by_role("heading", name="Somebody else changed this meanwhile")).to_be_visible()
    shown = other.locator("table.conflict tbody tr").all()
    rows = {row.locator("th").inner_text(): row.locator("td").all_inner_texts() for row in shown}
    assert rows["Shoes"] == ["Red ones", "Blue ones"]
    assert rows["Notes"][1] == "She slept badly."
    # What the second one wrote is still in the form, what the first one wrote is still in the records.
    expect(other.get_by_label("Shoes")).to_have_value("Red ones")
    expect(other.get_by_label("Place")).to_have_value("Hall")
    kept = one.request.get(f"{bench.url}/api/sessions/{session}").json()
    assert (kept["shoes"], kept["notes"], kept["place"]) == ("Blue ones", "She slept badly.", "")

    # The second one takes the note over and saves: now all three hold.
    other.get_by_label("Notes").fill("She slept badly.")
    other.get_by_role("button", name="Save").click()
    expect(other.get_by_role("heading", level=1)).to_contain_text("Berta Invented")
    kept = one.request.get(f"{bench.url}/api/sessions/{session}").json()
    assert (kept["shoes"], kept["notes"], kept["place"]) == ("Red ones", "She slept badly.", "Hall")


def test_two_people_mark_a_film(bench: Bench, two: tuple[Page, Page], tmp_path: Path) -> None:
    session = bench.session("Carla Invented", held_on=dt.date(2026, 3, 10))
    film = bench.film(session, side_film(tmp_path, 0.5))
    one, other = two
    for page in two:
        open_film(page, bench, film)
        page.get_by_role("tab", name="Marks").click()
    mark_roll(one, "1.5")
    one.get_by_role("button", name="Save marks").click()
    until(one, "document.querySelector('[data-part=\"marks-state\"]').textContent === ''")
    assert film_row(one, bench, film)["marks"]["roll_deg"] == 1.5

    mark_length(other, "1.2")
    other.get_by_role("button", name="Save marks").click()
    note = other.locator('[data-part="note"]')
    expect(note).to_contain_text("changed this film meanwhile")
    expect(note).to_contain_text("still here and not yet kept")
    # Nothing was overwritten, nothing is gone.
    assert film_row(one, bench, film)["marks"]["roll_deg"] == 1.5
    expect(other.locator('[data-part="marks"]')).to_contain_text("Length of 1.2 m")
    other.get_by_role("button", name="Keep mine too").click()
    expect(note).to_be_hidden()
    row = film_row(one, bench, film)
    assert [k["length_m"] for k in row["known_lengths"]] == [1.2]
    assert row["marks"]["roll_deg"] == 1.5, "the first one's mark was lost"


def film_row(page: Page, bench: Bench, film: str) -> dict[str, Any]:
    """Return what the records hold of a film."""
    row: dict[str, Any] = page.request.get(f"{bench.url}/api/films/{film}").json()
    return row


def mark_roll(page: Page, degrees: str) -> None:
    """Give the camera's roll as a number."""
    page.get_by_role("radio", name="Level").check()
    page.locator('[data-mark="roll_deg"]').fill(degrees)


def mark_length(page: Page, metres: str) -> None:
    """Mark two ends in the picture, and how far they are apart."""
    page.get_by_role("radio", name="Length").check()
    page.locator('[data-mark="known_m"]').fill(metres)
    box = page.locator('[data-part="stage"]').bounding_box()
    assert box is not None
    for share in (0.35, 0.65):
        page.mouse.click(box["x"] + share * box["width"], box["y"] + 0.8 * box["height"])
    expect(page.locator('[data-part="marks"]')).to_contain_text("Length of")
