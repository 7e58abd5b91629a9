"""The filming guide: geometry against closed forms and a projected runner, figures against the documentation, its pages."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import attrs
import cv2
import numpy as np
import pytest
from web_client import DEMO, Browser, TestClient

from midstance.film import fitness
from midstance.records.home import Home
from midstance.web import guide_geometry as geometry
from midstance.web import guide_plans, guide_setup
from midstance.web.app import Workbench
from midstance.web.guide_geometry import Setup
from midstance.web.pages import guide

DOCS = Path(__file__).parents[2] / "docs"
PARTS = ("", "/side", "/rear", "/front", "/settings", "/run", "/stickers", "/check", "/checklist")


def project(points: np.ndarray, camera: np.ndarray, towards: np.ndarray, focal: float = 1.0) -> np.ndarray:
    """Project points with OpenCV's pinhole camera, level, looking from ``camera`` towards a point; x right, y up."""
    ahead = (towards - camera) / np.linalg.norm(towards - camera)
    right = np.cross(ahead, [0.0, 0.0, 1.0])
    turn = np.stack([right, np.cross(ahead, right), ahead])  # rows: x right, y down, z ahead
    matrix = np.diag([focal, focal, 1.0])
    found, _ = cv2.projectPoints(points.astype(float), cv2.Rodrigues(turn)[0], -turn @ camera, matrix, np.zeros(5))
    return found.reshape(-1, 2) * (1, -1)


class TestGeometry:
    def test_equivalent_lens_has_the_diagonal_of_its_name(self) -> None:
        # 2·atan(d ÷ 2f) over the diagonal; 46.8° for 50 mm, 84.1° for 24 mm in tables of lenses (from memory).
        for mm, wanted in ((50.0, 46.8), (24.0, 84.1), (28.0, 75.4)):
            long = geometry.long_side_at_1m(mm)
            assert geometry.view_angle_deg(math.hypot(long, 0.75 * long)) == pytest.approx(wanted, abs=0.05)

    @pytest.mark.parametrize("hold", ["across", "upright"])
    @pytest.mark.parametrize(("distance", "zoom"), [(4.0, 1.0), (5.0, 1.5), (9.0, 3.2)])
    def test_share_and_pixels_are_those_of_a_projected_runner(self, hold: Any, distance: float, zoom: float) -> None:
        setup = Setup(view="side", height_m=1.80, distance_m=distance, zoom=zoom, hold=hold, deck_m=0.2)
        focal_px = setup.long_px / setup.span * zoom  # px for 1 m at 1 m
        camera = np.array([0.0, -distance, setup.lens_height_m])
        ends = np.array([[0.0, 0.0, 0.2], [0.0, 0.0, 2.0]])
        foot, crown = project(ends, camera, np.array([0.0, 0.0, setup.lens_height_m]), focal_px)
        tall_px = setup.long_px if hold == "upright" else setup.long_px * 9 / 16
        assert crown[1] - foot[1] == pytest.approx(setup.share * tall_px)
        assert geometry.NOSE_TO_HEEL * (crown[1] - foot[1]) == pytest.approx(setup.nose_to_heel_px)
        assert crown[1] == pytest.approx(-foot[1]), "the runner is in the middle of a level picture"

    def test_zoom_and_distance_for_a_share_give_that_share(self) -> None:
        setup = Setup(view="rear", distance_m=6.3, zoom=1.4)
        for share in (0.5, 0.7, 0.8):
            assert attrs.evolve(setup, zoom=setup.zoom_for(share)).share == pytest.approx(share)
            assert attrs.evolve(setup, distance_m=setup.distance_for(share)).share == pytest.approx(share)

    def test_a_wall_tells_what_a_lens_tells(self) -> None:
        span = geometry.long_side_at_1m(26.0)
        assert geometry.long_side_from_wall(span * 3.7, 3.7) == pytest.approx(span)

    @pytest.mark.parametrize("turn", [0.0, 5.0, 10.0, 20.0])
    def test_a_turned_side_camera_sees_what_is_said(self, turn: float) -> None:
        # From far away, so that perspective plays no part: a leg of 1 m leaning 20° forward, and 1 m along the path.
        far, a = 1e5, math.radians(turn)
        camera = np.array([far * math.sin(a), -far * math.cos(a), 0.5])
        points = np.array([[0.0, 0.0, 0.0], [math.sin(math.radians(20)), 0.0, math.cos(math.radians(20))], [1.0, 0.0, 0.0]])
        hip, knee, along = project(points, camera, np.array([0.0, 0.0, 0.5]), far)
        lean = math.degrees(math.atan2(knee[0] - hip[0], knee[1] - hip[1]))
        assert lean == pytest.approx(geometry.seen_angle_deg(20.0, turn), abs=0.01)
        assert 1 - (along[0] - hip[0]) == pytest.approx(geometry.lost_length(turn), abs=1e-4)

    @pytest.mark.parametrize("turn", [0.0, 2.0, 5.0, 8.0])
    def test_a_turned_rear_camera_sees_what_is_said(self, turn: float) -> None:
        far, a = 1e5, math.radians(turn)
        camera = np.array([-far * math.cos(a), -far * math.sin(a), 0.5])
        thigh = np.array([[0.0, 0.0, 1.0], [math.sin(math.radians(30)), 0.0, 1.0 - math.cos(math.radians(30))]])
        hip, knee = project(thigh, camera, np.array([0.0, 0.0, 0.5]), far)
        seen = math.degrees(math.atan2(abs(knee[0] - hip[0]), hip[1] - knee[1]))
        assert seen == pytest.approx(geometry.leaked_angle_deg(30.0, turn), abs=0.01)

    def test_nearer_things_look_larger_as_said(self) -> None:
        near, far = (1.0 / (4.0 + s) for s in (-0.1, 0.1))
        assert near / far - 1 == pytest.approx(geometry.size_ratio(4.0))

    def test_exposure_and_smear_undo_each_other(self) -> None:
        for speed, height in ((2.5, 1.6), (5.0, 1.9)):
            t = geometry.longest_exposure_s(speed, height)
            assert geometry.smear_m(speed, t) == pytest.approx(0.004 * 0.92 * height)

    def test_limits_are_those_of_the_film_checks(self) -> None:
        source = Path(fitness.__file__).read_text(encoding="utf-8")
        for text in (
            f"body_px >= {geometry.GOOD_PX:.0f}",
            f"body_px >= {geometry.UNFIT_PX:.0f}",
            f"share >= {100 * geometry.GOOD_SHARE:.0f}",
            f"share <= {100 * geometry.GOOD_SMEAR:.1f} ",
            f"share <= {100 * geometry.UNFIT_SMEAR:.1f} ",
            f"body_px / {geometry.NOSE_TO_HEEL} ",
        ):
            assert text in source, text


class TestFigures:
    """What the guide says in numbers is what the documentation says."""

    def test_contacts_by_rate_are_those_of_the_accuracy_tables(self) -> None:
        table = (DOCS / "accuracy.md").read_text(encoding="utf-8").split("**Initial contact, ms")[1].split("**Toe-off")[0]
        for rate, median, most in guide_setup.CONTACTS_BY_RATE:
            row = re.search(rf"^\| {rate} a second, 3 mm \|(.*)$", table, re.MULTILINE)
            assert row is not None
            cells = [c.strip() for c in row[1].split("|")]
            assert (float(cells[4]), float(cells[5])) == (median, most), f"{rate} a second"

    def test_filming_page_and_guide_agree(self) -> None:
        text = (DOCS / "filming.md").read_text(encoding="utf-8")
        assert "20° seen 10° off square reads 19.7°" in text
        assert geometry.seen_angle_deg(20, 10) == pytest.approx(19.7, abs=0.05)
        assert "lose 1.5 % at 10° and 6 % at 20°" in text
        assert 100 * geometry.lost_length(10) == pytest.approx(1.5, abs=0.05)
        assert 100 * geometry.lost_length(20) == pytest.approx(6.0, abs=0.05)
        assert "about 5 % at 4 m and 2.5 % at 8 m" in text
        assert 100 * geometry.size_ratio(4.0) == pytest.approx(5.0, abs=0.15)
        assert 100 * geometry.size_ratio(8.0) == pytest.approx(2.5, abs=0.06)
        assert "a foot at 8 m/s moves 1.6 cm in 1/500 s" in text
        assert 100 * geometry.smear_m(geometry.SWING_FOOT_MPS, 1 / 500) == pytest.approx(1.6)
        assert "by as little as 5°" in text
        assert geometry.leaked_angle_deg(30, 5) == pytest.approx(3.0, abs=0.15)

    @pytest.mark.parametrize(
        ("page", "says", "document", "quote"),
        [
            ("/guide/rear", "2.7°", "limits.md", "at 8° off, thigh adduction by about 2.7°"),
            ("/guide/rear", "5.5°", "limits.md", "the knee's frontal angle by about 5.5°"),
            ("/guide/rear", "differ by 2°", "limits.md", "differ by 2° in trunk side lean and thigh adduction"),
            ("/guide/side", "about 2° from hip height", "limits.md", "about 2° from hip height"),
            ("/guide/stickers", "± 5° in the drop", "marks.md", "worth ± 5° in the drop"),
            ("/guide/stickers", "± 6° in every value", "marks.md", "worth ± 6° (95 %) in every value"),
            ("/guide/stickers", "0.2–0.6°", "marks.md", "roll is known to 0.2–0.6°"),
            ("/guide/stickers", "scale to 1–2 %", "marks.md", "the scale to 1–2 %"),
            ("/guide/run", "Sci Rep 11:3083", "filming.md", "Sci Rep 11:3083"),
            ("/guide/run", "33:40–47", "filming.md", "33:40–47"),
        ],
    )
    def test_pages_quote_the_documents(self, client: TestClient, page: str, says: str, document: str, quote: str) -> None:
        assert says in client.get(page).text
        # Lines of the documents are broken anywhere.
        assert quote in " ".join((DOCS / document).read_text(encoding="utf-8").split())


class TestPlans:
    @pytest.mark.parametrize("view", ["side", "rear", "front"])
    @pytest.mark.parametrize("hold", ["across", "upright"])
    def test_plans_are_whole_and_to_scale(self, view: Any, hold: Any) -> None:
        setup = Setup(view=view, distance_m=6.0, zoom=2.0, hold=hold, deck_m=0.18)
        for drawn in (guide_plans.plan_above(setup), guide_plans.plan_beside(setup), guide_plans.picture(setup)):
            root = ElementTree.fromstring(drawn)
            assert root.get("aria-label")
            assert "style=" not in drawn
            assert "nan" not in drawn
        assert "6.0 m" in guide_plans.plan_above(setup)
        assert f"{100 * setup.lens_height_m:.0f} cm" in guide_plans.plan_beside(setup)
        frame = ElementTree.fromstring(guide_plans.picture(setup))
        width, height = (float(v) for v in frame.get("viewBox", "").split()[2:])
        assert (width - 6) / (height - 6) == pytest.approx(setup.width_m / setup.tall_m, rel=0.01)

    def test_names_in_a_drawing_are_escaped(self) -> None:
        drawing = guide_plans.Drawing((0, 0), (1, 1), 100.0, 'a "b" <c>')
        drawing.text((0.5, 0.5), "<script>")
        assert "<script>" not in drawing.svg()
        ElementTree.fromstring(drawing.svg())


class TestCalculator:
    @pytest.mark.parametrize("view", ["side", "rear", "front"])
    def test_what_is_filled_in_at_first_is_good(self, view: Any) -> None:
        calculation = guide_setup.calculate(view, {})
        assert not calculation.faults
        assert {p.verdict for p in guide_setup.points(calculation.setup)} == {"good"}

    def test_too_near_and_too_small_are_told(self) -> None:
        near = guide_setup.points(guide_setup.calculate("side", {"away": "2", "zoom": "1"}).setup)
        assert next(p for p in near if p.title == "Distance").verdict == "unfit"
        small = guide_setup.points(guide_setup.calculate("side", {"away": "10", "zoom": "1", "size": "1280"}).setup)
        assert next(p for p in small if p.title == "The runner fills").verdict == "unfit"
        assert next(p for p in small if p.title == "Nose to heel").verdict == "usable"

    @pytest.mark.parametrize(
        "query",
        [
            {"height": "9 m"},
            {"away": "abc"},
            {"zoom": "-1"},
            {"deck": "nan"},
            {"pace": "fast"},
            {"wall": "0", "lens": "wall"},
        ],
    )
    def test_what_cannot_be_read_is_named_and_the_page_stands(self, client: TestClient, query: dict[str, str]) -> None:
        calculation = guide_setup.calculate("side", query)
        assert set(calculation.faults) == {next(iter(query))}
        answer = client.get("/guide/side", params=query)
        assert answer.status_code == 200
        assert 'aria-invalid="true"' in answer.text

    def test_commas_and_units_are_taken(self) -> None:
        setup = guide_setup.calculate("rear", {"height": "182 cm", "away": "4,5 m", "zoom": "1,6", "pace": "12 km/h"}).setup
        assert (setup.height_m, setup.distance_m, setup.zoom) == (1.82, 4.5, 1.6)
        assert setup.speed_mps == pytest.approx(12 / 3.6)

    def test_named_shutters(self) -> None:
        assert [guide_setup.shutter(1 / n) for n in (90, 500, 512, 530, 900)] == [125, 500, 500, 1000, 1000]


class TestPages:
    @pytest.mark.parametrize("part", PARTS)
    def test_every_page_is_whole(self, client: TestClient, part: str) -> None:
        answer = client.get(f"/guide{part}")
        assert answer.status_code == 200
        assert answer.text.count("<h1>") == 1
        assert "<script>" not in answer.text
        assert "style=" not in answer.text

    def test_what_is_only_habit_says_so(self, client: TestClient) -> None:
        assert "common practice, no source" in client.get("/guide/run").text
        assert "common practice, no source" in client.get("/guide/side").text


class TestCheck:
    """A trial comes in, waits as a job, and leaves nothing."""

    BYTES = {"Content-Type": "application/octet-stream"}  # noqa: RUF012

    def trials(self, home: Home) -> list[str]:
        return [p.name for p in home.incoming.iterdir() if p.name.startswith("trial-")]

    def test_a_film_becomes_a_job(self, browser: Browser, bench: Workbench) -> None:
        film = (DEMO / "side.mp4").read_bytes()
        answer = browser.send("POST", "/guide/check?view=side", content=film, headers=self.BYTES)
        assert answer.status_code == 202, answer.text
        (name,) = self.trials(bench.config.home)
        assert (bench.config.home.incoming / name).read_bytes() == film
        page = browser.client.get(f"/guide/check/{answer.json()['job']}")
        assert page.status_code == 200
        assert "waiting" in page.text
        piece = browser.client.get(f"/guide/check/{answer.json()['job']}?part=1")
        assert piece.text.lstrip().startswith("<div data-state=")

    def test_a_form_works_without_scripts(self, browser: Browser, bench: Workbench) -> None:
        picture = cv2.imencode(".jpg", np.full((90, 160, 3), 90, np.uint8))[1].tobytes()
        answer = browser.send(
            "POST",
            "/guide/check",
            data={"csrf": browser.token, "view": "rear"},
            files={"film": ("a.jpg", picture, "image/jpeg")},
            headers={"X-CSRF-Token": None},
            follow_redirects=False,
        )
        assert answer.status_code == 303, answer.text
        assert re.fullmatch(r"/guide/check/[0-9a-f]{16}", answer.headers["location"])
        assert len(self.trials(bench.config.home)) == 1

    @pytest.mark.parametrize(
        ("content", "query", "status"),
        [(b"not a film" * 300, "view=side", 415), (b"", "view=side", 415), (b"\xff\xd8\xff\xe0" * 300, "view=above", 422)],
    )
    def test_what_is_not_taken_leaves_nothing(
        self, browser: Browser, bench: Workbench, content: bytes, query: str, status: int
    ) -> None:
        answer = browser.send("POST", f"/guide/check?{query}", content=content, headers=self.BYTES)
        assert answer.status_code == status
        assert not self.trials(bench.config.home)

    def test_too_much_is_refused(self, browser: Browser, bench: Workbench, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(guide, "MOST_TRIAL_BYTES", 10_000)
        answer = browser.send(
            "POST",
            "/guide/check?view=side",
            content=(DEMO / "side.mp4").read_bytes(),
            headers=self.BYTES,
        )
        assert answer.status_code == 413
        assert not self.trials(bench.config.home)

    def test_the_token_is_needed(self, browser: Browser, bench: Workbench) -> None:
        answer = browser.send("POST", "/guide/check?view=side", content=b"\xff\xd8\xff", headers={"X-CSRF-Token": "0" * 64})
        assert answer.status_code == 403
        assert not self.trials(bench.config.home)

    def test_a_job_of_another_kind_is_no_check(self, client: TestClient, film: dict[str, Any]) -> None:
        job = client.get("/api/jobs").json()["items"][0]["id"]
        assert client.get(f"/guide/check/{job}").status_code == 404
        assert client.get("/guide/check/0000000000000000").status_code == 404

    def test_results_are_told_in_words(self) -> None:
        for name, (title, sentence) in guide.CHECKS.items():
            assert title
            assert guide._say(name, sentence, 0.016)
        assert guide._say("exposure_time", "{} s", 1 / 60) == "1/60 s"
        assert guide._say("camera_roll", *guide.CHECKS["camera_roll"][1:], -0.04) == "0.0° of tilt"
        drawn = guide_plans.seen(1280, 720, [[100.0, 200.0], None] * 16 + [[1.0, 2.0]], -3.0, "side")
        ElementTree.fromstring(drawn)
        assert "Nobody" in guide_plans.seen(720, 1280, None, None, "rear")
