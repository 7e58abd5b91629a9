"""The page of a force recording: whole, well-formed, offline, escaped, and still where the foot is in the air."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import attrs
import numpy as np
import pytest

from midstance.assess.ground import GroundRecord, measure_recording
from midstance.force.model import ForceSettings
from midstance.force.outcome import mean_curves
from midstance.plates.read import ReadOptions
from midstance.report.force_curves import foot_bundle, foot_drawing, force_bundles, force_drawing, spread_out
from midstance.report.force_page import force_content, render_force_page

DATA = Path(__file__).resolve().parents[1] / "data" / "force"
VOID = {"meta", "br", "img", "input", "hr", "link"}
DRAWN = re.compile(r"([ML])([-\d.]+) ([-\d.]+)")


@pytest.fixture(scope="module")
def record() -> GroundRecord:
    return measure_recording(DATA / "runner12_3.5mps_raw_part.c3d", ForceSettings(speed_mps=3.5))


@pytest.fixture(scope="module")
def vertical_only() -> GroundRecord:
    return measure_recording(DATA / "slope0_3.33mps_bw.csv", ForceSettings(mass_kg=76.8), ReadOptions(rate_hz=500.0))


class Page(HTMLParser):
    """Notes tags that aren't closed in order, all attributes, ids, and the text."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.faults: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(source)
        self.close()

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.faults.append(tag)

    def handle_data(self, data: str) -> None:
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


@pytest.mark.parametrize("which", ["record", "vertical_only"])
def test_well_formed_and_alone(which, request):
    source = render_force_page(request.getfixturevalue(which))
    page = Page(source)
    assert page.faults == []
    assert page.open == []
    ids = [a["id"] for _, a in page.tags if "id" in a]
    assert len(ids) == len(set(ids))
    for tag, a in page.tags:
        assert tag not in ("script", "link", "iframe", "img")
        assert (a.get("href") or "#").startswith("#")
        if "href" in a:
            assert str(a["href"])[1:] in ids
        assert not [k for k in a if k.startswith("on") or k in ("src", "srcset", "action")]
    assert not re.findall(r"(?:https?:)?//(?!www\.w3\.org/2000/svg)[a-z]", source)
    assert "url(" not in source
    for drawing in re.findall(r"<svg.*?</svg>", source, flags=re.DOTALL):
        ElementTree.fromstring(drawing)


def test_everything_is_on_it(record):
    text = Page(render_force_page(record)).text
    for words in (
        "runner12_3.5mps_raw_part.c3d",
        "11 contacts measured (5 left, 6 right), 1 left out",
        "not measurable: sampled at 300 Hz",
        "Nothing is drawn while the foot is in the air",
        "Plate 1: type 4, volts through its calibration matrix",
        "the recording begins or ends within it",
        "Negative: against the direction of travel.",
        "What is weak",
        "67 (85.9 %)",
        "within 4 ms at 10 N only",
        "held in memory whole",
        "0.003 rad",
        "see a licensed clinician",
        "not a diagnosis",
        record.sha256,
    ):
        assert words in text, words
    assert "Positive: ." not in text


def test_what_is_not_there_is_said(vertical_only):
    content = force_content(vertical_only)
    assert [c["title"] for c in content["curves"]] == ["Vertical force"]
    assert content["feet"] == []
    text = Page(render_force_page(vertical_only)).text
    assert "The path of the centre of pressure is not drawn: neither moments nor" in text
    assert "left and right could not be told apart" in text


def test_names_of_files_are_escaped(record):
    nasty = '<script>alert("1")</script>.c3d'
    source = render_force_page(attrs.evolve(record, name=nasty))
    assert "<script" not in source
    assert "&lt;script&gt;" in source


def test_force_curves_lie_within_contact_and_where_the_numbers_are(record):
    """The mean's summit is drawn at the height of its value; nothing is drawn left of contact or right of toe-off."""
    bundles, unit = force_bundles(record.result, 1)
    assert unit == "body weights"
    svg = force_drawing(bundles, unit, "Vertical force", "up").svg
    paths = dict(re.findall(r'<path class="([sm][lr])" d="([^"]*)"', svg))
    assert set(paths) == {"sl", "sr", "ml", "mr"}
    for d in paths.values():
        x = [float(p[1]) for p in DRAWN.findall(d)]
        assert min(x) == pytest.approx(36.0, abs=0.1)
        assert max(x) == pytest.approx(330.0, abs=0.1)
    assert paths["sl"].count("M") == 5
    assert paths["sr"].count("M") == 6
    ticks = {float(v): float(y) - 3.3 for y, v in re.findall(r'y="([\d.]+)" text-anchor="end">(\d)</text>', svg)}
    per_bw = ticks[0.0] - ticks[1.0]
    drawn = (ticks[0.0] - min(float(p[2]) for p in DRAWN.findall(paths["ml"]))) / per_bw
    curve = mean_curves(record.result)["left"]
    assert drawn == pytest.approx(float(curve.force[:, 1].max()), abs=0.01)


@pytest.mark.parametrize("side", ["left", "right"])
def test_the_path_in_the_foot(record, side):
    found = foot_bundle(record.result, side)
    assert found is not None
    paths, mean = found
    theirs = mean_curves(record.result)[side].path
    assert theirs is not None
    np.testing.assert_allclose(mean, theirs, atol=0.12)  # gaps at the ends are weighed differently
    np.testing.assert_allclose(mean[15:85], theirs[15:85], atol=1e-9)
    svg = foot_drawing(side, paths, mean, "metatarsals").svg
    masked = ~np.isfinite(mean[:, 0])
    assert masked[0]
    assert masked[-1]
    d = re.search(rf'<path class="m{side[0]}" d="([^"]*)"', svg)
    assert d is not None
    assert len(DRAWN.findall(d[1])) <= int((~masked).sum())
    y = [float(p[2]) for p in DRAWN.findall(d[1])]
    assert y[0] > y[-1]  # from the heel up to the toes
    # The little toe's side is left on the left foot and right on the right one, as seen from above.
    words = {w: float(x) for x, w in re.findall(r'x="([\d.]+)" y="14" text-anchor="\w+">(\w+) toe', svg)}
    assert (words["little"] < words["big"]) == (side == "left")


def test_long_recordings_stay_small():
    assert spread_out(5, 40) == [0, 1, 2, 3, 4]
    picked = spread_out(5000, 40)
    assert len(picked) == 40
    assert picked[0] == 0
    assert picked[-1] == 4999
    assert max(np.diff(picked)) - min(np.diff(picked)) <= 1


def test_the_same_page_twice(record):
    again = measure_recording(DATA / "runner12_3.5mps_raw_part.c3d", ForceSettings(speed_mps=3.5))
    assert render_force_page(record) == render_force_page(again)
