"""The report as a page and as a PDF: complete, offline, escaped, the same twice."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
import time
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import attrs
import pypdf
import pytest
from sample import UNMEASURED, sample_assessment, sample_stills

from midstance.assess.result import Assessment
from midstance.evidence import load_evidence
from midstance.gait.model import Exclusion, Measure
from midstance.report.content import INVENTED, report_content
from midstance.report.html import render_html
from midstance.report.tables import shown
from midstance.report.write import encode_stills, write_report

HERE = Path(__file__).parent
NASTY = '<script>alert("1")</script><img src=x onerror=alert(2)>'


class Page(HTMLParser):
    """Collects tags with attributes, and the text outside style."""

    def __init__(self, source: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self._skip = 0
        self.feed(source)

    def handle_starttag(self, tag: str, attrs: Any) -> None:
        self.tags.append((tag, dict(attrs)))
        self._skip += tag == "style"

    def handle_endtag(self, tag: str) -> None:
        self._skip -= tag == "style"

    def handle_data(self, data: str) -> None:
        if not self._skip:
            self.words.append(data)

    @property
    def text(self) -> str:
        return re.sub(r"\s+", " ", " ".join(self.words))


def page_of(a: Assessment, with_stills: bool = False) -> tuple[str, Page]:
    stills = sample_stills(a) if with_stills else []
    html = render_html(report_content(a, stills), encode_stills(stills))
    return html, Page(html)


@pytest.fixture(scope="module")
def sample() -> tuple[str, Page]:
    return page_of(sample_assessment(), with_stills=True)


def test_page_loads_nothing_from_outside(sample: tuple[str, Page]) -> None:
    html, page = sample
    for tag, at in page.tags:
        assert tag not in ("script", "link", "iframe", "object", "embed", "base", "form")
        for name in ("src", "href", "srcset", "data", "action", "poster", "xlink:href"):
            if at.get(name):
                assert str(at[name]).startswith(("data:image/jpeg;base64,", "#")), (tag, name)
        assert not any(k.startswith("on") for k in at)
    assert "url(" not in html
    assert "@import" not in html
    addresses = set(re.findall(r"https?://[^\s\"'<>]+", html))
    assert addresses <= {"http://www.w3.org/2000/svg"}
    assert len(html.encode()) < 3_000_000


def test_links_within_the_page_lead_somewhere(sample: tuple[str, Page]) -> None:
    _, page = sample
    ids = [at["id"] for _, at in page.tags if at.get("id")]
    assert len(ids) == len(set(ids))
    for tag, at in page.tags:
        if tag == "a":
            assert str(at["href"])[1:] in ids
    labelled = [at["aria-labelledby"] for tag, at in page.tags if tag == "section"]
    assert all(x in ids for x in labelled)


def test_page_is_readable_without_eyes(sample: tuple[str, Page]) -> None:
    _, page = sample
    images = [at for tag, at in page.tags if tag == "img"]
    assert len(images) == 12
    assert all(at.get("alt") and at.get("width") and at.get("height") for at in images)
    assert all(at.get("scope") for tag, at in page.tags if tag == "th")
    assert ("html", {"lang": "en"}) in page.tags
    drawings = [at for tag, at in page.tags if tag == "svg"]
    assert all(at.get("aria-hidden") == "true" or (at.get("role") == "img" and at.get("aria-label")) for at in drawings)
    levels = [int(tag[1]) for tag, _ in page.tags if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_page_says_all_it_should(sample: tuple[str, Page]) -> None:
    _, page = sample
    a = sample_assessment()
    text = page.text
    assert INVENTED in text
    for f in a.findings:
        assert f.title in text
        assert f.source in text
    for key in UNMEASURED.values():
        assert key in text
    for caution in load_evidence().cautions:
        assert caution.text in text
    for film in a.films:
        assert film.sha256 in text
        assert film.capture_source in text
        assert all(q.advice in text and q.check.replace("_", " ") in text for q in film.quality)
        assert all(n in text for n in film.scale_notes)
    for e in a.exclusions:
        assert e.reason in text
        assert e.stride in text
    assert f"{len(a.exclusions)} strides left out" in text
    assert a.software in text
    assert "13.4°" in text
    assert "11.6 to 15.2" in text


def test_notes_on_a_whole_film_are_told_but_not_counted() -> None:
    a = sample_assessment()
    more = (*a.exclusions, Exclusion("rear", "film", "left leg: 2 toe-off(s) left out, foot not in view."))
    excluded = report_content(attrs.evolve(a, exclusions=more), [])["excluded"]
    assert excluded["total"] == len(a.exclusions) == sum(r["count"] for r in excluded["rows"])
    assert excluded["notes"] == ["From behind: left leg: 2 toe-off(s) left out, foot not in view."]


def test_no_banner_for_a_person() -> None:
    html, _ = page_of(sample_assessment(invented=False))
    assert INVENTED not in html
    assert 'class="banner"' not in html


def test_memory_is_not_cited_in_the_report(sample: tuple[str, Page]) -> None:
    for c in load_evidence().citations.values():
        if c.status == "memory":
            assert c.reference not in sample[0]
            assert c.short not in sample[0]
            assert (c.doi or "!!") not in sample[0]


def test_not_measurable_row_shows_no_number() -> None:
    a = sample_assessment()
    row = Measure("foot_strike_angle", "left", "side", "deg", None, None, None, 0, "m", reason="the foot is hidden")
    kept = tuple(m for m in a.measures if m.measure != "foot_strike_angle")
    content = report_content(attrs.evolve(a, measures=(row, *kept)), [])
    entry = next(m for g in content["groups"] for m in g["measures"] if m["title"] == "Foot strike angle")
    assert entry["rows"] == [{"side": "", "reason": "the foot is hidden", "svg": "", "n": ""}]
    what = [n["what"] for n in content["summary"]["not_measured"]]
    assert any("Foot strike angle" in w for w in what)


def test_measure_that_one_side_lacks_keeps_the_other() -> None:
    a = sample_assessment()
    lacking = tuple(
        attrs.evolve(m, value=None, low=None, high=None, n=0, reason="the far leg is hidden")
        if (m.measure, m.side) == ("knee_flexion_contact", "left")
        else m
        for m in a.measures
    )
    content = report_content(attrs.evolve(a, measures=lacking), [])
    entry = next(m for g in content["groups"] for m in g["measures"] if m["title"] == "Knee flexion at contact")
    assert [r.get("value") is None for r in entry["rows"]] == [True, False, False]
    assert not any("Knee flexion at contact" in n["what"] for n in content["summary"]["not_measured"])


def test_nothing_standing_out_is_said_plainly() -> None:
    _, page = page_of(sample_assessment(findings=()))
    assert "Nothing here is beyond its limit" in page.text


def test_few_steps_and_weak_evidence_are_said_with_their_source(sample: tuple[str, Page]) -> None:
    # 25 steps: Oliveira & Pirscoveanu 2021, doi 10.1038/s41598-021-82876-z.
    text = sample[1].text
    assert "25 or more steps of each leg; here there are 13" in text
    for short in (
        "Willwacher et al. 2022",
        "Oliveira & Pirscoveanu 2021",
        "Morin et al. 2005",
        "de Leva 1996",
    ):
        assert text.count(short) >= 2  # where it is used, and among the sources


def nasty_assessment() -> Assessment:
    a = sample_assessment()
    film = attrs.evolve(a.films[0], name=NASTY, scale_notes=(NASTY,), capture_source=NASTY)
    return attrs.evolve(
        a,
        runner_label=NASTY,
        films=(film, *a.films[1:]),
        exclusions=(Exclusion("side", NASTY, NASTY),),
        measures=(
            *a.measures,
            Measure("new_measure", "left", "side", NASTY, 1.0, 0.0, 2.0, 3, NASTY),
            Measure("other_measure", "left", "side", "deg", None, None, None, 0, "m", reason=NASTY),
        ),
        curves=(attrs.evolve(a.curves[0], title=NASTY, unit=NASTY), *a.curves[1:]),
        findings=tuple(attrs.evolve(f, title=NASTY, text=NASTY, source=NASTY) for f in a.findings),
        settings={NASTY: NASTY},
        software=NASTY,
    )


def test_texts_from_outside_are_escaped() -> None:
    a = nasty_assessment()
    stills = [attrs.evolve(s, caption=NASTY) for s in sample_stills(sample_assessment())]
    html = render_html(report_content(a, stills), encode_stills(stills))
    assert "<script" not in html
    assert "<img src=x" not in html
    page = Page(html)
    assert NASTY in page.text
    assert not any(k.startswith("on") for _, at in page.tags for k in at)


def digest(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


EVERYTHING = """
import json, sys, time
from pathlib import Path
sys.path.insert(0, sys.argv[1])
from sample import sample_assessment, sample_stills
from midstance.assess.export import *
from midstance.report.write import write_report
out = Path(sys.argv[2])
a = sample_assessment(("side", "rear", "front"))
stills = sample_stills(a)
start = time.process_time()
write_json(a, out / "assessment.json")
write_measures_csv(a, out / "measures.csv")
write_strides_csv(a, out / "strides.csv")
for film in a.films:
    write_landmarks_parquet(film.landmarks, out / f"landmarks-{film.view}.parquet")
write_report(a, stills, out)
print(time.process_time() - start)
"""


def test_two_runs_give_the_same_bytes_within_the_time_allowed(tmp_path: Path) -> None:
    digests = []
    for i in range(2):
        out = tmp_path / str(i)
        out.mkdir()
        run = subprocess.run(
            [sys.executable, "-c", EVERYTHING, str(HERE), str(out)],
            env={**os.environ, "PYTHONHASHSEED": str(i + 1), "TZ": ("UTC", "Asia/Tokyo")[i]},
            capture_output=True,
            text=True,
            check=True,
        )
        assert float(run.stdout) < 8.0  # CPU seconds, three films
        digests.append(digest(out))
        time.sleep(0.01)
    assert digests[0] == digests[1]
    assert {"report.html", "report.pdf", "assessment.json", "strides.csv"} <= set(digests[0])


def test_pdf_holds_the_same_and_no_date(tmp_path: Path) -> None:
    a = sample_assessment()
    written = write_report(a, sample_stills(a), tmp_path)
    assert all(p.exists() for p in written)
    reader = pypdf.PdfReader(tmp_path / "report.pdf")
    assert len(reader.pages) < 20
    assert reader.metadata is not None
    assert reader.metadata.title == f"{a.runner_label}: running form"
    assert "/CreationDate" not in reader.metadata
    assert "/StructTreeRoot" in reader.trailer["/Root"]
    text = re.sub(r"\s+", " ", " ".join(p.extract_text() for p in reader.pages))
    for words in (
        INVENTED,
        "In short",
        "not measurable: needs the line of the heel",
        "11.6 to 15.2",
        "licensed clinician",
    ):
        assert words in text
    for f in a.findings:
        assert f.title in text
    assert sum(len(p.images) for p in reader.pages) >= 12


def test_pdf_takes_texts_as_texts(tmp_path: Path) -> None:
    typst_code = '#panic("no") $x$ *b* @a <l> \\ `'
    a = attrs.evolve(nasty_assessment(), runner_label=typst_code, software=typst_code)
    write_report(a, [], tmp_path)
    reader = pypdf.PdfReader(tmp_path / "report.pdf")
    assert '#panic("no")' in reader.pages[0].extract_text()


def test_report_without_stills_curves_or_strides_is_written(tmp_path: Path) -> None:
    a = sample_assessment(curves=(), stride_values=(), findings=(), exclusions=(), settings={}, measures=(), stances=())
    names = [p.name for p in write_report(a, [], tmp_path)]
    assert names == ["report.html", "report.pdf"]
    assert "No stride was left out" in (tmp_path / "report.html").read_text("utf-8")


def test_content_is_plain_json() -> None:
    json.dumps(report_content(sample_assessment(), []), allow_nan=False)


def test_people_read_ms_cm_and_degrees() -> None:
    assert shown("contact_time", "s") == (1000.0, "ms", 0)
    assert shown("foot_ahead_of_com", "m") == (100.0, "cm", 1)
    assert shown("step_length", "m") == (1.0, "m", 2)
    assert shown("knee_flexion_contact", "deg") == (1.0, "°", 1)
    assert shown("duty_factor", "1") == (1.0, "", 3)


def test_dots_of_every_stride_lie_within_the_drawing() -> None:
    # A measure of both sides whose strides belong to left and right, as cadence is.
    a = sample_assessment()
    row = Measure("cadence", "both", "side", "steps/min", 158.0, 157.9, 158.1, 2, "m")
    far = next(v for v in a.stride_values if v.measure == "step_time")
    strides = tuple(
        attrs.evolve(far, measure="cadence", unit="steps/min", side=s, value=v, low=v - 1, high=v + 1)
        for s, v in (("left", 150.0), ("right", 166.0))
    )
    content = report_content(attrs.evolve(a, measures=(row,), stride_values=strides), [])
    svg = content["groups"][0]["measures"][0]["rows"][0]["svg"]
    places = [float(x) for x in re.findall(r'class="db" cx="([\d.-]+)"', svg)]
    assert len(places) == 2
    assert all(0 <= x <= 220 for x in places)


def test_method_says_what_is_common_once_and_what_one_side_has_beside_it() -> None:
    def row(side: str, method: str) -> Measure:
        return Measure("step_time", side, "side", "s", 0.35, 0.34, 0.36, 9, method)  # type: ignore[arg-type]

    rows = (
        row("left", "contact to contact; far leg, partly hidden"),
        row("right", "contact to contact"),
        row("both", "contact to contact; left: far leg, partly hidden; mean of left and right"),
    )
    shown_methods = report_content(sample_assessment(measures=rows), [])["methods"]
    assert shown_methods == [{"measure": "Step time", "method": "contact to contact; left: far leg, partly hidden"}]


def test_what_was_set_right_by_hand_is_told() -> None:
    html = render_html(report_content(sample_assessment(), []), {})
    who = "A. May, 2026-11-25, hidden by the rail"
    for words in ("Set right by hand", "left ankle at 1.250 s", "moved by 12.0 px", who):
        assert words in html
