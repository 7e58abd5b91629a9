"""Setting things right in the viewer, by pointer and by keys alone, with the invented side film."""

from __future__ import annotations

import base64
from collections.abc import Iterator
from importlib.resources import as_file, files
from typing import Any

import numpy as np
import pytest
from browsing import Bench, open_film, until
from playwright.sync_api import Browser, Page

from midstance.gait.model import LANDMARK_INDEX, State
from midstance.records import corrections, films, jobs

VIEWER = "document.querySelector('[data-viewer]').viewer"


@pytest.fixture(scope="module")
def side_film(bench: Bench) -> Iterator[str]:
    """Give the id of the invented side film, prepared and read."""
    with as_file(files("midstance.assess.demo") / "side.mp4") as path:
        yield bench.film(bench.session("Invented runner"), path, read=True)


@pytest.fixture
def film_id(bench: Bench, side_film: str) -> str:
    """Give that film with nothing set right and nothing marked in it."""
    with bench.workbench.database.writing() as db:
        for row in corrections.corrections_of(db, side_film):
            corrections.withdraw_correction(db, row.id, by=bench.by)
        film = films.get_film(db, side_film)
        films.change_film(db, side_film, {"marks": {}, "known_lengths": []}, version=film.version, by=bench.by)
    return side_film


def reading(page: Page, bench: Bench, film_id: str) -> dict[str, Any]:
    """What the server gives now."""
    answer = page.request.get(f"{bench.url}/api/films/{film_id}/reading")
    assert answer.ok
    return dict(answer.json())


def landmark(content: dict[str, Any], row: int, name: str) -> np.ndarray:
    """Place of a landmark in a reading, px."""
    xy = np.frombuffer(base64.b64decode(content["xy"]), "<f4").reshape(-1, 33, 2)
    return np.asarray(xy[row, LANDMARK_INDEX[name]])


def contacts(content: dict[str, Any], side: str) -> list[dict[str, Any]]:
    """Contacts of one foot in a reading."""
    return [e for e in content["events"] if e["side"] == side and e["kind"] == "initial_contact"]


def screen(page: Page, name: str) -> tuple[float, float]:
    """Where a landmark is on the screen."""
    box = page.locator('[data-part="stage"]').bounding_box()
    assert box is not None
    x, y = page.evaluate(f"(n) => {VIEWER}.stage.toScreen({VIEWER}.editor.place(n))", name)
    return box["x"] + x, box["y"] + y


def kept(page: Page, count: int) -> None:
    """Wait until so many corrections of this visit are kept."""
    until(page, f"{VIEWER}.editor.done.length === {count} && !{VIEWER}.editor.busy")


def test_dragging_a_landmark_moves_its_neighbours_and_the_measures(page: Page, bench: Bench, film_id: str) -> None:
    """The point goes where it is put, the pictures around follow already under the hand, the measures change at once."""
    before = reading(page, bench, film_id)
    contact = next(e for e in contacts(before, "right") if e["time_s"] > 1)
    open_film(page, bench, film_id, contact["time_s"])
    row = page.evaluate(f"{VIEWER}.film.pose({VIEWER}.frame).row")
    x, y = screen(page, "right_knee")
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 10, y - 4, steps=5)
    # Not kept yet, and the next picture's point has moved by most of it.
    assert page.evaluate(f"{VIEWER}.editor.done.length") == 0
    preview = page.evaluate(f"[...{VIEWER}.film.preview.path]")
    moved = np.array(preview).reshape(-1, 2) - [landmark(before, r, "right_knee") for r in range(len(preview) // 2)]
    far = np.hypot(*moved[row])
    assert far > 5
    share = 0.5 * (1 + np.cos(np.pi * (before["time_s"][row + 1] - before["time_s"][row]) / 0.06))
    assert np.hypot(*moved[row + 1]) == pytest.approx(share * far, rel=0.01)
    page.mouse.up()
    kept(page, 1)
    after = reading(page, bench, film_id)
    made = after["corrections"]
    assert [c["kind"] for c in made] == ["landmark"]
    scale = page.evaluate(f"{VIEWER}.stage.scale")
    wanted = landmark(before, row, "right_knee") + np.array([10, -4]) / scale
    np.testing.assert_allclose([made[0]["x_px"], made[0]["y_px"]], wanted, atol=0.6)
    np.testing.assert_allclose(landmark(after, row, "right_knee"), wanted, atol=0.6)
    # What the page shows is what the server has, and the sheet says what changed.
    shown = page.evaluate(f"Array.from({VIEWER}.film.pose({VIEWER}.frame).xy)")
    j = LANDMARK_INDEX["right_knee"]
    np.testing.assert_allclose(shown[2 * j : 2 * j + 2], landmark(after, row, "right_knee"), atol=1e-3)
    page.locator("#fv-tab-measures").click()
    changed = page.locator(".fv-measures tr.changed").all_inner_texts()
    assert any("Knee flexion at contact" in t or "right" in t for t in changed)
    assert all("→" in t for t in changed)
    page.locator("#fv-tab-correct").click()
    assert "Right knee placed at" in page.locator('[data-part="corrections"]').inner_text()


def test_by_keys_alone(page: Page, bench: Bench, film_id: str) -> None:
    """Select, nudge, hide, set an event, exchange legs, leave out a stride, undo and redo: nothing needs a pointer."""
    open_film(page, bench, film_id, 1.0)
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("Enter")
    assert page.evaluate(f"{VIEWER}.editor.selected") == "left_hip"
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Shift+Tab")
    assert page.evaluate(f"{VIEWER}.editor.selected") == "right_hip"
    start = np.array(page.evaluate(f"{VIEWER}.editor.place('right_hip')"))
    for key in ("d", "d", "Shift+d", "w"):
        page.keyboard.press(key)
    kept(page, 1)  # one correction for all of it
    moved = np.array(page.evaluate(f"{VIEWER}.editor.place('right_hip')")) - start
    np.testing.assert_allclose(moved, [7, -1], atol=0.01)
    # Zoomed in, a press moves by less than a pixel of the film.
    for _ in range(6):
        page.keyboard.press("+")
    scale = page.evaluate(f"{VIEWER}.stage.scale")
    assert scale > 1
    start = np.array(page.evaluate(f"{VIEWER}.editor.place('right_hip')"))
    page.keyboard.press("a")
    kept(page, 2)
    moved = np.array(page.evaluate(f"{VIEWER}.editor.place('right_hip')")) - start
    np.testing.assert_allclose(moved, [-1 / scale, 0], atol=0.01)
    page.keyboard.press("x")
    kept(page, 3)
    state = page.evaluate(f"{VIEWER}.film.pose({VIEWER}.frame).state[{LANDMARK_INDEX['right_hip']}]")
    assert state not in (State.SEEN, State.CORRECTED)  # one picture is bridged from its neighbours at most
    page.keyboard.press("Escape")
    page.keyboard.press(",")
    page.keyboard.press("Shift+ArrowRight")
    page.keyboard.press(".")
    page.keyboard.press("y")
    kept(page, 4)
    page.keyboard.press("Shift+j")
    kept(page, 5)
    kinds = [c["kind"] for c in reading(page, bench, film_id)["corrections"]]
    # The places set by hand gave way to "not visible"; they are on record.
    assert kinds == ["not_visible", "swap_legs", "leave_out"]
    assert [c["kind"] for c in reading(page, bench, film_id)["withdrawn"]][-2:] == ["landmark", "landmark"]
    for left in (4, 3):
        page.keyboard.press("Control+z")
        kept(page, left)
    page.keyboard.press("Control+Shift+z")
    kept(page, 4)
    content = reading(page, bench, film_id)
    assert page.evaluate(f"{VIEWER}.film.reading.corrections.map((c) => c.kind)") == kinds[:2]
    assert [c["kind"] for c in content["corrections"]] == kinds[:2]
    gone = content["withdrawn"][-1]
    assert gone["kind"] == "leave_out"
    assert gone["by"]
    assert gone["withdrawn_by"]
    assert gone["withdrawn_at"]
    for left in (3, 2):
        page.keyboard.press("Control+z")
        kept(page, left)
    assert [c["kind"] for c in reading(page, bench, film_id)["corrections"]] == ["landmark", "landmark"]
    # Tab leaves the picture again once nothing is selected.
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement !== document.querySelector('[data-part=\"stage\"]')")


def test_events_by_key_and_by_dragging(page: Page, bench: Bench, film_id: str) -> None:
    """A contact is moved to the picture shown, dragged along the strip of time, and taken away."""
    before = reading(page, bench, film_id)
    contact = next(e for e in contacts(before, "left") if e["time_s"] > 0.5)
    open_film(page, bench, film_id, contact["time_s"])
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    until(page, f"!{VIEWER}.seeker.busy")
    now = page.evaluate(f"{VIEWER}.time_s")
    page.keyboard.press("j")
    kept(page, 1)

    def lefts() -> list[dict[str, Any]]:
        return contacts(reading(page, bench, film_id), "left")

    by_hand = [e for e in lefts() if e["source"] == "corrected"]
    assert [e["time_s"] for e in by_hand] == [pytest.approx(now, abs=1e-4)]
    assert len(lefts()) == len(contacts(before, "left"))

    # Along the strip of time by five pictures.
    frame = page.evaluate(f"{VIEWER}.frame")
    strip = page.locator('[data-part="timeline"]').bounding_box()
    assert strip is not None
    to_s = page.evaluate(f"{VIEWER}.film.time_s[{frame + 5}]")
    place = f"(t) => [{VIEWER}.timeline._x(t), {VIEWER}.timeline._laneY('left')]"
    x0, y0 = page.evaluate(place, now)
    x1, _ = page.evaluate(place, to_s)
    page.mouse.move(strip["x"] + x0, strip["y"] + y0)
    page.mouse.down()
    page.mouse.move(strip["x"] + (x0 + x1) / 2, strip["y"] + y0, steps=3)
    page.mouse.move(strip["x"] + x1, strip["y"] + y0, steps=3)
    until(page, f"{VIEWER}.frame === {frame + 5}")  # the picture goes with it
    page.mouse.up()
    kept(page, 2)
    assert any(abs(e["time_s"] - to_s) < 1e-4 and e["source"] == "corrected" for e in lefts())

    many = len(lefts())
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("Escape")
    page.keyboard.press("v")
    page.keyboard.press("Delete")
    kept(page, 3)
    assert len(lefts()) == many - 1


def test_what_the_server_refuses_changes_nothing_here(page: Page, bench: Bench, film_id: str) -> None:
    """A point dragged while the server says no goes back to where it was, and the page says why."""
    open_film(page, bench, film_id, 1.0)
    page.route("**/corrections", lambda route: route.fulfill(
        status=422, content_type="application/problem+json", body='{"what": "the film is gone", "next_step": "look for it"}'
    ))  # fmt: skip
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("n")
    start = page.evaluate(f"{VIEWER}.editor.place('left_hip')")
    page.keyboard.press("Shift+d")
    until(page, "document.querySelector('[data-part=\"say\"]').dataset.kind === 'bad'")
    assert page.locator('[data-part="say"]').inner_text() == "The film is gone. Look for it."
    assert page.evaluate(f"{VIEWER}.editor.place('left_hip')") == start
    assert page.evaluate(f"{VIEWER}.editor.done.length") == 0


def test_marks_are_kept_and_survive_somebody_elses_change(page: Page, bench: Bench, film_id: str) -> None:
    """Four corners by clicks, a level line; somebody else changes the film meanwhile: nothing of either is lost."""
    open_film(page, bench, film_id, 1.0)
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("m")
    box = page.locator('[data-part="stage"]').bounding_box()
    assert box is not None
    corners = [[310.0, 655.0], [352.0, 612.0], [905.0, 615.0], [962.0, 658.0]]
    for corner in corners:
        x, y = page.evaluate(f"(p) => {VIEWER}.stage.toScreen(p)", corner)
        page.mouse.click(box["x"] + x, box["y"] + y)
    page.locator('[data-part="marks-save"]').click()
    assert "length along the running" in page.locator('[data-part="say"]').inner_text()
    page.locator('[data-mark="length_m"]').fill("1.4")
    page.locator('[data-mark="width_m"]').fill("0.51")
    with bench.workbench.database.writing() as db:
        film = films.get_film(db, film_id)
        films.change_film(db, film_id, {"name": "renamed.mp4"}, version=film.version, by="Somebody else")
    page.locator('[data-part="marks-save"]').click()
    page.get_by_text("Somebody else changed this film meanwhile").wait_for()
    page.get_by_role("button", name="Keep mine too, on top").click()
    until(page, f"!{VIEWER}.marks.dirty")
    with bench.workbench.database.reading() as db:
        film = films.get_film(db, film_id)
        assert film.name == "renamed.mp4"
        ground = film.marks["ground"]
    np.testing.assert_allclose(ground["corners_px"], corners, atol=1.0)
    assert (ground["length_m"], ground["width_m"]) == (1.4, 0.51)


def test_marks_by_keys(page: Page, bench: Bench, film_id: str) -> None:
    """The crosshair goes by keys and Enter puts the mark."""
    open_film(page, bench, film_id, 1.0)
    page.keyboard.press("m")
    page.locator('input[name="fv-mark"][value="length"]').focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowLeft")  # radios go by arrows
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("Enter")
    for _ in range(10):
        page.keyboard.press("Shift+d")
    page.keyboard.press("Enter")
    lengths = page.evaluate(f"{VIEWER}.marks.now.lengths")
    assert len(lengths) == 1
    assert lengths[0]["second_px"][0] - lengths[0]["first_px"][0] == pytest.approx(50, abs=0.1)
    page.locator('[data-mark="known_m"]').fill("0.4")
    page.locator('[data-part="marks-save"]').click()
    until(page, f"!{VIEWER}.marks.dirty")
    with bench.workbench.database.reading() as db:
        assert films.get_film(db, film_id).known_lengths[0]["length_m"] == 0.4


def test_going_round_a_stride(page: Page, bench: Bench, film_id: str) -> None:
    """The loop is the stride that holds the picture, from contact to contact of that foot, and playback stays in it."""
    open_film(page, bench, film_id, 1.0)
    page.locator('[data-part="speed"]').select_option("1")
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("l")
    first, last = page.evaluate(f"{VIEWER}.player.loop")
    stances = reading(page, bench, film_id)["stances"]
    times = page.evaluate(f"[{VIEWER}.film.time_s[{first}], {VIEWER}.film.time_s[{last}]]")
    assert any(
        abs(s["ic_s"] - times[0]) < 0.005 and s["next_ic_s"] is not None and abs(s["next_ic_s"] - times[1]) < 0.005
        for s in stances
    )
    page.evaluate(f"window.went = []; {VIEWER}.watchers.push(() => went.push({VIEWER}.frame))")
    until(page, "went.some((f, i) => i && f < went[i - 1])")  # it came round
    page.keyboard.press("Space")
    went = page.evaluate("went")
    # A picture or two past the end can be shown before the turn.
    assert first <= min(went)
    assert max(went) <= last + 3


def test_following_a_foot(page: Page, bench: Bench, film_id: str) -> None:
    """Zoomed to the near foot it stays in the middle while the film goes on."""
    open_film(page, bench, film_id, 1.0)
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("f")
    for _ in range(5):
        page.keyboard.press("ArrowRight")
        until(page, f"!{VIEWER}.seeker.busy")
        x, y, w, h = page.evaluate(
            f"(() => {{ const v = {VIEWER}; const p = v.stage.toScreen(v.editor.place(v.film.reading.near + '_ankle'));"
            " return [...p, ...v.stage.size]; })()"
        )
        assert abs(x - w / 2) < 0.2 * w
        assert abs(y - h / 2) < 0.3 * h


def test_the_picture_in_words(page: Page, bench: Bench, film_id: str) -> None:
    """Those who can't see the picture get frame, time, phase, the selected landmark and a table of angles."""
    content = reading(page, bench, film_id)
    stance = next(s for s in content["stances"] if s["side"] == "right" and s["to_s"])
    open_film(page, bench, film_id, (stance["ic_s"] + stance["to_s"]) / 2)
    page.locator('[data-part="stage"]').focus()
    page.keyboard.press("n")
    until(page, "document.querySelector('[data-part=\"live\"]').textContent.includes('selected')")
    said = page.locator('[data-part="live"]').text_content() or ""
    assert "of 720" in said
    assert "right stance 5" in said or "right stance 4" in said
    assert "left hip selected" in said
    slider = page.locator('[data-part="timeline"]')
    assert slider.get_attribute("aria-valuetext") is not None
    rows = page.locator('[data-part="angles"] tr').all_inner_texts()
    assert [r.split("\n")[0] for r in rows][:3] == ["Knee flexion", "Shank from vertical", "Thigh from vertical"]
    # The table says what the measures' own module makes of the same landmarks.
    values = {(v["key"], v["side"]): v["value"] for v in page.evaluate(f"{VIEWER}.values")}
    assert f"{values[('knee', 'right')]:.0f}°" in rows[0]


def test_the_help_sheet_lists_every_key(page: Page, bench: Bench, film_id: str) -> None:
    """Written from the key map itself."""
    open_film(page, bench, film_id)
    page.keyboard.press("?")
    sheet = page.locator("[data-viewer-keys]")
    assert sheet.is_visible()
    words = sheet.inner_text()
    for text in ("ten pictures on", "left foot: toe-off here", "exchange left and right leg in the part"):
        assert text in words
    page.keyboard.press("Escape")
    assert not sheet.is_visible()


def test_by_finger(bench: Bench, film_id: str, browser: Browser) -> None:
    """Two fingers zoom; the first touch of a point selects it, the next drags it by as far as the finger goes."""
    context = browser.new_context(viewport={"width": 1024, "height": 768}, has_touch=True)
    page = context.new_page()
    open_film(page, bench, film_id, 1.0)
    device = context.new_cdp_session(page)
    box = page.locator('[data-part="stage"]').bounding_box()
    assert box is not None
    middle = (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)

    def touch(kind: str, *points: tuple[float, float]) -> None:
        fingers = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(points)]
        device.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": fingers})

    touch("touchStart", (middle[0] - 40, middle[1]))
    touch("touchStart", (middle[0] - 40, middle[1]), (middle[0] + 40, middle[1]))
    for apart in (60, 80, 100):
        touch("touchMove", (middle[0] - apart, middle[1]), (middle[0] + apart, middle[1]))
    touch("touchEnd")
    until(page, f"{VIEWER}.stage.zoom > 2")
    assert page.evaluate(f"{VIEWER}.stage.zoom") == pytest.approx(2.5, rel=0.15)
    page.evaluate(f"{VIEWER}.stage.fit()")

    x, y = screen(page, "right_knee")
    for count, dx in ((0, 30), (1, 30)):
        start = page.evaluate(f"{VIEWER}.editor.place('right_knee')")
        touch("touchStart", (x, y))
        for share in (0.5, 1.0):
            touch("touchMove", (x + share * dx, y))
        touch("touchEnd")
        until(page, f"{VIEWER}.editor.selected === 'right_knee'")
        kept(page, count)
    moved = page.evaluate(f"{VIEWER}.editor.place('right_knee')")[0] - start[0]
    assert moved * page.evaluate(f"{VIEWER}.stage.scale") == pytest.approx(30, abs=1.5)
    context.close()


def test_scrubbing_with_the_jog_strip(page: Page, bench: Bench, film_id: str) -> None:
    """Dragging goes picture by picture, the same number for the same way."""
    open_film(page, bench, film_id, 1.0)
    frame = page.evaluate(f"{VIEWER}.frame")
    jog = page.locator('[data-part="jog"]').bounding_box()
    assert jog is not None
    x, y = jog["x"] + jog["width"] / 2, jog["y"] + jog["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 60, y, steps=12)
    until(page, f"{VIEWER}.frame === {frame - 12}")
    page.mouse.move(x + 25, y, steps=12)
    until(page, f"{VIEWER}.frame === {frame + 5}")
    page.mouse.up()


def test_film_settings_start_a_new_reading(page: Page, bench: Bench) -> None:
    """Part, rate and runner are noted, and the film waits to be read again; the page says so."""
    with as_file(files("midstance.assess.demo") / "front.mp4") as path:
        film_id = bench.film(bench.session("Invented runner"), path, "front")
    open_film(page, bench, film_id)
    page.locator("#fv-tab-film").click()
    page.evaluate(f"{VIEWER}.go(60)")
    until(page, f"{VIEWER}.frame === 60")
    page.locator('[data-here="start_s"]').click()
    page.locator('[data-part="pick-runner"]').click()
    box = page.locator('[data-part="stage"]').bounding_box()
    assert box is not None
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.locator('[data-part="settings"] button[type="submit"]').click()
    page.get_by_text("waiting to be read").wait_for()
    with bench.workbench.database.reading() as db:
        film = films.get_film(db, film_id)
        kinds = [job.kind for job in jobs.jobs_of(db, film_id=film_id)]
        assert film.start_s == pytest.approx(page.evaluate(f"{VIEWER}.film.pts_s[60]"), abs=1e-3)
        assert film.runner_x == pytest.approx(0.5, abs=0.01)
    assert "read" in kinds
    assert page.evaluate(f"{VIEWER}.measuredPart()[0]") == 60
