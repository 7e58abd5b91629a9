"""Two sessions side by side: differences against closed forms and simulation, conditions, phases, and what the page says."""

from __future__ import annotations

import base64
import datetime as dt
import math
import re
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from web_client import TestClient

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS
from midstance.records import assessments, films, sessions
from midstance.records.tables import FilmRow, SessionRow
from midstance.web import compare_phase, compare_plots, comparing
from midstance.web.app import Workbench
from midstance.web.comparing import Value, difference, differs

BEYOND = "differs beyond the error of measurement"


class TestDifference:
    @given(
        a=st.floats(-1e3, 1e3),
        b=st.floats(-1e3, 1e3),
        half_a=st.floats(1e-3, 1e2),
        half_b=st.floats(1e-3, 1e2),
    )
    def test_half_widths_add_by_their_squares(self, a: float, b: float, half_a: float, half_b: float) -> None:
        d = difference(Value(a, a - half_a, a + half_a), Value(b, b - half_b, b + half_b))
        half = math.sqrt(half_a**2 + half_b**2)
        assert d.value == pytest.approx(b - a)
        assert (d.low, d.high) == (pytest.approx(b - a - half, abs=1e-6), pytest.approx(b - a + half, abs=1e-6))
        back = difference(Value(b, b - half_b, b + half_b), Value(a, a - half_a, a + half_a))
        assert (back.low, back.high) == (pytest.approx(-d.high, abs=1e-6), pytest.approx(-d.low, abs=1e-6))

    def test_intervals_of_independent_sessions_hold_the_true_difference(self) -> None:
        """95 % by construction: normal errors of known size in both sessions, 40,000 times."""
        rng = np.random.default_rng(7)
        true_a, true_b, sd_a, sd_b, n = 20.0, 23.0, 1.5, 0.8, 40_000
        held = 0
        for x, y in zip(rng.normal(true_a, sd_a, n), rng.normal(true_b, sd_b, n), strict=True):
            d = difference(Value(x, x - 1.96 * sd_a, x + 1.96 * sd_a), Value(y, y - 1.96 * sd_b, y + 1.96 * sd_b))
            held += d.low <= true_b - true_a <= d.high
        # Standard error of the share: 0.11 %.
        assert held / n == pytest.approx(0.95, abs=0.005)

    def test_uneven_intervals_of_proportions(self) -> None:
        """Newcombe RG 1998, Stat Med 17:873-890, table II, method 10, 56/70 − 48/80 (from memory): the same combination.

        With Wilson intervals of the two proportions the combination gives 0.0524 to 0.3339 about 0.2000.
        """

        def wilson(k: int, n: int) -> Value:
            z = 1.959964
            p = k / n
            centre, half = p + z * z / (2 * n), z * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
            return Value(p, (centre - half) / (1 + z * z / n), (centre + half) / (1 + z * z / n))

        d = difference(wilson(48, 80), wilson(56, 70))
        assert d.value == pytest.approx(0.2)
        assert (d.low, d.high) == (pytest.approx(0.0524, abs=5e-5), pytest.approx(0.3339, abs=5e-5))

    def test_zero_in_or_out(self) -> None:
        assert differs(Value(2.0, 0.1, 3.9))
        assert differs(Value(-2.0, -3.9, -0.1))
        assert not differs(Value(2.0, 0.0, 4.0))
        assert not differs(Value(0.0, -1.0, 1.0))


def session(**more: Any) -> SessionRow:
    fields: dict[str, Any] = {
        "id": "a" * 16, "held_on": dt.date(2026, 3, 5), "surface": "treadmill", "speed_mps": 3.0, "shoes": "Road shoe A",
        "pain": [], "place": "", "weekly_distance_km": None,
    }  # fmt: skip
    return SessionRow(**{**fields, **more})


class TestConditions:
    def why(self, a: SessionRow, b: SessionRow) -> list[str]:
        return comparing.reasons(comparing.conditions(a, b, [], []))

    def test_same_conditions_are_comparable(self) -> None:
        assert self.why(session(), session(held_on=dt.date(2026, 6, 5), shoes=" road  SHOE a ", speed_mps=3.02)) == []

    @pytest.mark.parametrize(
        ("other", "reason"),
        [
            ({"speed_mps": 3.04}, "the pace differs by 1 %"),
            ({"speed_mps": 3.5}, "the pace differs by 14 %"),
            ({"speed_mps": None}, "the pace of one session isn't noted"),
            ({"surface": "overground"}, "the surface differs"),
            ({"shoes": "Road shoe B"}, "the shoes differ"),
            ({"shoes": ""}, "the shoes of one session aren't noted"),
        ],
    )
    def test_each_difference_is_named(self, other: dict[str, Any], reason: str) -> None:
        assert self.why(session(), session(**other)) == [reason]
        assert self.why(session(**other), session()) == [reason]

    def test_unknown_shoes_are_not_the_same_shoes(self) -> None:
        assert self.why(session(shoes=""), session(shoes="")) == ["the shoes of one session aren't noted"]

    def test_films_rates_and_pain_are_shown(self) -> None:
        films = [FilmRow(view="side", used=True, capture_fps=None, info={"capture_fps": 239.76})]
        other = [
            FilmRow(view="side", used=True, capture_fps=120.0, info={}),
            FilmRow(view="rear", used=True, capture_fps=None, info={}),
            FilmRow(view="front", used=False, capture_fps=60.0, info={}),
        ]
        hurt = session(pain=[{"where": "left calf", "score_0_10": 4, "note": ""}])
        rows = {c.title: c for c in comparing.conditions(session(), hurt, films, other)}
        assert (rows["Films"].a, rows["Films"].b, rows["Films"].state) == ("side", "side, rear", "note")
        assert (rows["Pictures a second"].a, rows["Pictures a second"].b) == ("side 240", "side 120")
        assert (rows["Pain"].a, rows["Pain"].b) == ("none stated", "left calf 4 of 10")
        assert "clinician" in rows["Pain"].why


class TestTable:
    A = {  # noqa: RUF012
        ("cadence", "both", "side"): Value(160.0, 158.0, 162.0),
        ("contact_time", "left", "side"): Value(0.250, 0.240, 0.260),
        ("contact_time", "both", "side"): Value(0.250, 0.240, 0.260),
        ("step_width", "left", "rear"): Value(0.05, 0.03, 0.07),
    }
    B = {  # noqa: RUF012
        ("cadence", "both", "side"): Value(170.0, 169.0, 171.0),
        ("contact_time", "left", "side"): Value(0.245, 0.235, 0.255),
        ("contact_time", "both", "side"): Value(0.245, 0.235, 0.255),
        ("knee_separation", "left", "front"): Value(0.05, 0.03, 0.07),
    }
    UNITS = {"cadence": "steps/min", "contact_time": "s", "step_width": "m", "knee_separation": "m"}  # noqa: RUF012

    def lines(self, *, comparable: bool) -> dict[str, comparing.Line]:
        groups = comparing.groups(self.A, self.B, self.UNITS, comparable=comparable)
        return {e.key: line for g in groups for e in g["entries"] for line in e.lines}

    def test_what_both_sessions_have(self) -> None:
        lines = self.lines(comparable=True)
        assert set(lines) == {"cadence", "contact_time"}
        cadence = lines["cadence"]
        assert (cadence.difference, cadence.difference_interval) == ("+10.0 steps/min", "7.8 to 12.2")
        assert cadence.beyond
        contact = lines["contact_time"]
        assert (contact.side, contact.a, contact.difference) == ("left", "250 ms", "−5 ms")
        assert not contact.beyond

    def test_nothing_is_said_when_not_comparable(self) -> None:
        assert not any(line.beyond for line in self.lines(comparable=False).values())

    def test_the_rest_is_named(self) -> None:
        assert comparing.only_one(self.A, self.B) == (["Step width"], ["Knee separation"])


class TestPlots:
    @given(
        st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=3),
        st.lists(st.floats(-1e4, 1e4), min_size=3, max_size=3),
        st.sampled_from([1.0, 100.0, 1000.0]),
    )
    def test_marks_lie_where_their_values_say(self, a: list[float], b: list[float], factor: float) -> None:
        (a_low, a_mid, a_high), (b_low, b_mid, b_high) = sorted(a), sorted(b)
        low, high = compare_plots.reach([a_low, a_high, b_low, b_high], factor)
        drawn = str(compare_plots.pair((a_mid, a_low, a_high), (b_mid, b_low, b_high), (low, high), factor, axis=True))
        root = ElementTree.fromstring(drawn)
        ring, square = root.find("circle"), root.find("g/rect")
        assert ring is not None
        assert square is not None
        for mark, name, value in ((ring, "cx", a_mid), (square, "x", b_mid)):
            at = float(mark.get(name, "").rstrip("%"))
            assert 0 <= at <= 100
            assert at == pytest.approx(5 + 90 * (factor * value - low) / (high - low), abs=0.006)

    def test_ticks_tell_themselves_apart(self) -> None:
        drawn = str(compare_plots.pair((0.34, 0.31, 0.37), (0.35, 0.32, 0.39), (0.31, 0.39), axis=True))
        labels = re.findall(r"<text[^>]*>([^<]+)</text>", drawn)
        assert len(labels) == len(set(labels)) >= 2


def payload(*, direction: int = 1, period: float = 0.7, stance: float = 0.25, rate: float = 120.0) -> dict[str, Any]:
    """A reading of a figure whose right ankle passes the hips at known times, on a treadmill at 400 px."""
    time_s = np.arange(0, 4, 1 / rate)
    xy = np.full((len(time_s), len(LANDMARKS), 2), np.nan, np.float32)
    xy[:, LANDMARK_INDEX["nose"]] = (400, 100)
    for side in ("left", "right"):
        for name, y in (("shoulder", 160), ("hip", 300), ("knee", 400), ("ankle", 480), ("heel", 490), ("toe", 495)):
            xy[:, LANDMARK_INDEX[f"{side}_{name}"]] = (400, y)
        xy[:, LANDMARK_INDEX[f"{side}_toe"], 0] += 20 * direction
    starts = [0.1 + period * i for i in range(5)]
    stances: list[dict[str, Any]] = [
        {"index": i, "side": "right", "ic_s": t, "to_s": t + stance, "next_ic_s": t + period, "excluded": None}
        for i, t in enumerate(starts)
    ]
    # One that is unlike the others, one left out, one without an end: none of these is typical.
    stances[1] = {**stances[1], "to_s": 0.1 + period + 0.9 * period}
    stances[2] = {**stances[2], "excluded": "for a reason"}
    stances[4] = {**stances[4], "next_ic_s": None}
    return {
        "film_id": "f" * 16, "width": 800, "height": 600, "direction": "+x" if direction > 0 else "-x", "near": "right",
        "time_s": [float(t) for t in time_s], "xy": base64.b64encode(xy.tobytes()).decode(), "stances": stances,
    }  # fmt: skip


class TestPhase:
    def test_nearest_picture_against_a_slow_search(self) -> None:
        rng = np.random.default_rng(3)
        times = np.sort(rng.uniform(0, 10, 200))
        for at in rng.uniform(-1, 11, 500):
            assert compare_phase.nearest(list(times), float(at)) == int(np.argmin(np.abs(times - at)))

    def test_events_of_both_films_lie_at_the_same_places(self) -> None:
        films = [payload(), payload(period=0.66, stance=0.31, rate=240.0)]
        made = [compare_phase.phase_film(p, p["time_s"], "right", "side") for p in films]
        for film, period, stance, rate in zip(made, (0.7, 0.66), (0.25, 0.31), (120.0, 240.0), strict=True):
            assert film is not None
            assert len(film.frames) == len(compare_phase.places()) == 2 * compare_phase.STEPS + 1
            start = film.frames[0]["t"]
            assert (start - 0.1) % period == pytest.approx(0, abs=1 / rate) or (start - 0.1) % period == pytest.approx(
                period, abs=1 / rate
            )
            half = 0.5 / rate + 1e-4
            assert film.frames[compare_phase.STEPS]["t"] - start == pytest.approx(stance, abs=2 * half)
            assert film.frames[-1]["t"] - start == pytest.approx(period, abs=2 * half)
            for frame in film.frames:
                assert frame["t"] == pytest.approx(frame["n"] / rate, abs=1e-4), "the exact picture"

    def test_the_typical_stride_is_one_that_counts(self) -> None:
        stride = compare_phase.typical(payload()["stances"], "right")
        assert stride is not None
        assert stride.to_s - stride.ic_s == pytest.approx(0.25)
        assert stride.ic_s in (pytest.approx(0.1), pytest.approx(0.1 + 3 * 0.7))
        assert compare_phase.typical(payload()["stances"], "left") is None

    def test_the_runner_is_in_the_cut(self) -> None:
        p = payload()
        film = compare_phase.phase_film(p, p["time_s"], "right", "side")
        assert film is not None
        for frame in film.frames:
            assert frame["x"] < 380
            assert frame["x"] + film.box[0] > 420
            assert frame["y"] < 70  # the crown
            assert frame["y"] + film.box[1] > 495
            assert len(frame["leg"]) == 7

    def test_without_pictures_or_strides_there_is_nothing(self) -> None:
        p = payload()
        assert compare_phase.phase_film(p, [], "right", "side") is None
        assert compare_phase.phase_film({**p, "stances": []}, p["time_s"], "right", "side") is None


class TestPage:
    @pytest.fixture
    def pair(self, bench: Workbench, runner: dict[str, Any]) -> tuple[str, str]:
        """Two sessions with a report each."""
        ids = []
        for on, cadence in ((dt.date(2026, 3, 5), 160.0), (dt.date(2026, 6, 5), 170.0)):
            with bench.database.writing() as db:
                fields = {"held_on": on, "speed_mps": 3.0, "surface": "treadmill", "shoes": "Road shoe A"}
                made = sessions.add_session(db, runner["id"], fields, by="T")
                films.add_film(db, made.id, sha256=f"{len(ids)}" * 64, bytes=1, view="side", name="a.mp4", by="T")
                row = assessments.start_assessment(db, made.id, by="T")
                measures = [
                    {"measure": "cadence", "side": "both", "view": "side", "unit": "steps/min", "value": cadence,
                     "low": cadence - 2, "high": cadence + 2, "n": 20, "method": "m", "reason": None}
                ]  # fmt: skip
                assessments.finish_assessment(db, row.id, settings={}, software="x", findings=[], measures=measures)
                ids.append(made.id)
        return ids[0], ids[1]

    def change(self, bench: Workbench, session_id: str, **fields: Any) -> None:
        with bench.database.writing() as db:
            row = sessions.get_session(db, session_id)
            sessions.change_session(db, session_id, fields, version=row.version, by="T")

    def test_comparable_sessions(self, client: TestClient, pair: tuple[str, str]) -> None:
        page = client.get(f"/compare?a={pair[0]}&b={pair[1]}")
        assert page.status_code == 200
        assert BEYOND in page.text
        assert "+10.0 steps/min" in page.text
        assert "normal variation from day to day" in page.text
        assert "from report 1" in page.text
        assert "Not comparable" not in page.text

    @pytest.mark.parametrize(
        ("fields", "reason"),
        [
            ({"speed_mps": 3.5}, "the pace differs"),
            ({"surface": "overground"}, "the surface differs"),
            ({"shoes": "Other"}, "the shoes differ"),
        ],
    )
    def test_other_conditions_silence_the_page(
        self, client: TestClient, bench: Workbench, pair: tuple[str, str], fields: dict[str, Any], reason: str
    ) -> None:
        self.change(bench, pair[1], **fields)
        text = client.get(f"/compare?a={pair[0]}&b={pair[1]}").text
        assert "Not comparable" in text
        assert reason in text
        assert BEYOND not in text
        assert "+10.0 steps/min" in text, "figures still stand side by side"

    def test_no_judgement_anywhere(self, client: TestClient, pair: tuple[str, str]) -> None:
        text = re.sub(r"<[^>]+>", " ", client.get(f"/compare?a={pair[0]}&b={pair[1]}").text).casefold()
        for word in ("better", "worse", "improve", "progress", "regress"):
            assert word not in text

    def test_the_last_two_of_a_runner(self, client: TestClient, runner: dict[str, Any], pair: tuple[str, str]) -> None:
        for query in (f"runner={runner['id']}", f"a={pair[0]}", f"a={pair[1]}", f"b={pair[1]}"):
            text = client.get(f"/compare?{query}").text
            assert "5 March 2026 and 5 June 2026" in text, query

    def test_one_session_is_not_enough(self, client: TestClient, session: dict[str, Any]) -> None:
        for query in (f"a={session['id']}", f"a={session['id']}&b={session['id']}"):
            page = client.get(f"/compare?{query}")
            assert page.status_code == 200
            assert "not enough" in page.text

    def test_two_peoples_sessions_are_not_compared(self, client: TestClient, pair: tuple[str, str]) -> None:
        other = client.post("/api/runners", json={"name": "Somebody Else"}).json()
        theirs = client.post(f"/api/runners/{other['id']}/sessions", json={"held_on": "2026-06-01"}).json()
        page = client.get(f"/compare?a={pair[0]}&b={theirs['id']}")
        assert page.status_code == 422
        assert "two runners" in page.text

    @pytest.mark.parametrize("query", ["a=0000000000000000", "a=../etc", "runner=x", "b=%00"])
    def test_unknown_sessions(self, client: TestClient, query: str) -> None:
        assert client.get(f"/compare?{query}").status_code == 404

    def test_nobody_chosen(self, client: TestClient, pair: tuple[str, str]) -> None:
        page = client.get("/compare")
        assert page.status_code == 200
        assert "Invented Runner" in page.text

    def test_names_are_escaped(self, client: TestClient, bench: Workbench, pair: tuple[str, str]) -> None:
        for one in pair:
            self.change(bench, one, shoes='<script>alert("x")</script>')
        text = client.get(f"/compare?a={pair[0]}&b={pair[1]}").text
        assert "<script>alert" not in text
