"""Measures and findings of a film that was really read: what stands on the page is what the API says."""

from __future__ import annotations

import re
from typing import Any

import pytest
from web_client import Browser

from midstance.web import words

pytestmark = pytest.mark.slow


def test_each_measure_stands_with_its_interval_or_its_reason(get: Any, client: Any, read_film: Any) -> None:
    session = read_film["session_id"]
    page = get(f"/sessions/{session}/measures")
    live = client.get(f"/api/sessions/{session}/live").json()
    for m in live["measures"]:
        if m["value"] is None:
            assert m["reason"].rstrip(".") in page.text or m["side"] == "both", m
        else:
            said = words.measured(m["measure"], m["unit"], m["value"], m["low"], m["high"])
            assert said["value"] in page.text, m
            assert said["interval"] in page.text, m


def test_every_stride_is_a_dot_and_a_row_that_lead_to_its_frame(
    get: Any, client: Any, read_film: Any
) -> None:
    session = read_film["session_id"]
    page = get(f"/sessions/{session}/measures")
    live = client.get(f"/api/sessions/{session}/live").json()
    wanted = sorted(f"/films/{read_film['id']}?at={v['time_s']:.4f}" for v in live["strides"])
    dots = sorted(
        e.get("href") for e in page.all("a") if "svg" in e.inside and e.get("href").startswith("/films/")
    )
    rows = sorted(
        e.get("href") for e in page.all("a") if "td" in e.inside and e.get("href").startswith("/films/")
    )
    assert len(wanted) > 100
    assert dots == wanted
    assert rows == wanted
    assert all(e.get("tabindex") == "-1" for e in page.all("a") if "svg" in e.inside), (
        "hundreds of stops for the Tab key"
    )


def test_a_correction_is_in_at_once(get: Any, client: Any, post: Any, read_film: Any) -> None:
    session, film = read_film["session_id"], read_film["id"]
    before = get(f"/sessions/{session}/measures")
    assert "As found automatically; nothing corrected" in before.text
    stance = next(s for s in client.get(f"/api/films/{film}/reading").json()["stances"] if not s["excluded"])
    body = {"kind": "leave_out", "time_s": stance["ic_s"] + 0.05, "side": stance["side"], "note": "stumbled"}
    assert (
        client.post(f"/api/films/{film}/corrections", json=body, headers=Browser(client).headers).status_code
        == 201
    )
    after = get(f"/sessions/{session}/measures")
    assert "1 correction is in" in after.text
    strides = [len([e for e in p.all("a") if "svg" in e.inside]) for p in (before, after)]
    assert strides[1] < strides[0]


def test_curves_are_drawn(get: Any, read_film: Any) -> None:
    page = get(f"/sessions/{read_film['session_id']}/curves")
    drawings = [e for e in page.all("svg") if e.get("role") == "img"]
    assert len(drawings) >= 6
    assert all(e.get("aria-label") for e in drawings)


def test_a_finding_is_overruled_with_a_reason_and_taken_back(
    get: Any, post: Any, bench: Any, read_film: Any
) -> None:
    path = f"/sessions/{read_film['session_id']}/findings"
    page = get(path)
    form = next(e for e in page.all("form") if e.get("action") == path)
    index = page.elements.index(form)
    finding, side = [
        e.get("value")
        for e in page.elements[index:]
        if e.tag == "input" and e.get("name") in ("finding", "side")
    ][:2]
    refused = post(path, finding=finding, side=side, why="")
    assert refused.status_code == 422
    assert "Say why" in refused.text
    assert (
        post(path, finding=finding, side=side, why="The belt was wet & slippery").headers["location"]
        == f"{path}?done=overruled#{finding}"
    )
    page = get(path)
    assert "The belt was wet & slippery" in page.text
    assert next(e for e in page.all("article") if "is-overruled" in e.get("class")).get("id") == finding
    assert "older" not in page.text
    assert (
        post(f"{path}/agree", finding=finding, side=side).headers["location"]
        == f"{path}?done=agreed#{finding}"
    )
    assert "is-overruled" not in " ".join(e.get("class") for e in get(path).all("article"))
    assert post(f"{path}/agree", finding=finding, side=side).status_code == 404


def test_findings_name_strength_source_and_what_they_dont_say(get: Any, client: Any, read_film: Any) -> None:
    session = read_film["session_id"]
    page = get(f"/sessions/{session}/findings")
    for f in client.get(f"/api/sessions/{session}/live").json()["findings"]:
        for part in (f["title"], f["does_not_say"], f["source"], f["evidence"]):
            assert " ".join(part.split()) in page.text
    assert "It is not a diagnosis" in page.text
    assert re.search(r"m-\w+", " ".join(page.links()))


def test_the_overview_leads_on(get: Any, read_film: Any) -> None:
    here = f"/sessions/{read_film['session_id']}"
    page = get(here)
    assert "Watch the film and check what was found" in page.text
    assert f"/films/{read_film['id']}" in page.links()
    get(f"{here}/measures")
    assert "steps/min" in get(here).text, "what is in memory is shown on the overview"
