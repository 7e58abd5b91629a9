"""Findings fire only where the interval clears the threshold, and say what they do not say."""

from __future__ import annotations

from typing import Any

import pytest

from midstance.evidence import NO_SOURCE, load_evidence
from midstance.findings import MAX_FINDINGS, does_not_say, find, paragraphs
from midstance.findings.differences import difference, symmetry_angle_margin
from midstance.gait.model import Finding, Measure
from midstance.gait.symmetry import symmetry_angle

SPEED = 1000 / 300


def m(key: str, low: float, high: float, side: str = "right", view: str = "side", **more: Any) -> Measure:
    kw: dict[str, Any] = {"unit": "deg", "value": (low + high) / 2, "n": 20, "method": "test"} | more
    return Measure(measure=key, side=side, view=view, low=low, high=high, **kw)  # type: ignore[arg-type]


def absent(key: str, side: str = "right", view: str = "side") -> Measure:
    return Measure(key, side, view, "deg", None, None, None, 0, "test", reason="foot not seen")  # type: ignore[arg-type]


def keys(measures: list[Measure]) -> list[str]:
    return [f.key for f in find(measures, speed_mps=SPEED)]


def one(measures: list[Measure], key: str) -> Finding:
    return next(f for f in find(measures, speed_mps=SPEED) if f.key == key)


@pytest.mark.parametrize(
    ("measure", "finding", "fires", "touches", "straddles"),
    [
        ("shank_angle_contact", "overstride", (8.01, 14.0), (8.0, 14.0), (6.0, 14.0)),
        ("knee_flexion_contact", "knee_straight_at_contact", (5.0, 9.99), (5.0, 10.0), (5.0, 11.0)),
        ("pelvic_drop_peak", "pelvic_drop", (6.01, 9.0), (6.0, 9.0), (5.0, 9.0)),
    ],
)
def test_fires_only_beyond_the_threshold(
    measure: str, finding: str, fires: Any, touches: Any, straddles: Any
) -> None:
    assert finding in keys([m(measure, *fires)])
    assert finding not in keys([m(measure, *touches)])
    assert finding not in keys([m(measure, *straddles)])
    assert finding not in keys([absent(measure)])
    assert keys([]) == []


def test_only_the_side_that_clears_is_named() -> None:
    found = one([m("shank_angle_contact", 9, 13, "left"), m("shank_angle_contact", 6, 10)], "overstride")
    assert found.side == "left"
    assert found.title.startswith("The left foot")
    assert "right" not in found.text
    both = one([m("shank_angle_contact", 9, 13, "left"), m("shank_angle_contact", 10, 14)], "overstride")
    assert both.side == "both"
    assert "11° (9 to 13) on the left, 12° (10 to 14) on the right" in both.text


def test_overstride_tells_distances_and_marks_its_limit_as_habit() -> None:
    found = one(
        [
            m("shank_angle_contact", 10, 14),
            m("foot_ahead_of_com", 0.10, 0.14),
            m("foot_ahead_of_hip", 0.2, 0.24),
        ],
        "overstride",
    )
    assert "12 cm (10 to 14)" in found.text
    assert "22 cm (20 to 24)" in found.text
    assert NO_SOURCE in found.source
    assert "Lieberman et al. 2015" in found.source
    assert found.measures == ("shank_angle_contact", "foot_ahead_of_com", "foot_ahead_of_hip")


def test_overstride_is_silent_if_the_foot_is_not_surely_ahead_of_the_hip() -> None:
    assert "overstride" not in keys([m("shank_angle_contact", 10, 14), m("foot_ahead_of_hip", -0.02, 0.2)])


def test_cadence_is_held_against_the_runner_alone() -> None:
    # Steps of 5 and 10 % as tested by Heiderscheit et al. 2011, doi 10.1249/MSS.0b013e3181ebedf4: 170 →
    # 178.5 and 187.
    cadence = m("cadence", 169, 171, "both", unit="steps/min")
    alone = one([cadence], "cadence")
    assert alone.status == "described"
    assert "178 to 187" in alone.text or "179 to 187" in alone.text
    assert "Nothing measured here asks for another" in alone.text
    assert "shows 85" in alone.text
    target = one([cadence, m("shank_angle_contact", 10, 14)], "cadence")
    assert "fair thing to try" in target.text
    assert target.priority < alone.priority
    for found in (alone, target):
        assert "180" not in found.text + found.title
        assert "5:00 per km (12.0 km/h)" in found.text


def test_cadence_that_looks_like_strides_is_asked_about() -> None:
    found = find(
        [m("cadence", 84, 86, "both", unit="steps/min"), m("shank_angle_contact", 10, 14)], speed_mps=3
    )
    assert found[0].key == "cadence_unit_question"
    assert "170 steps a minute" in found[0].text
    assert "cadence" not in [f.key for f in found]
    assert "cadence_unit_question" not in keys([m("cadence", 108, 112, "both", unit="steps/min")])


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (7.5, 12, "heel first"),
        (-8, -0.9, "ball of the foot first"),
        (0, 7, "nearly together"),
        (5, 10, "heel or midfoot"),
        (-4, 3, "midfoot or forefoot"),
        (-5, 12, "too wide"),
    ],
)
def test_foot_strike_is_described_by_its_interval_and_never_judged(
    low: float, high: float, words: str
) -> None:
    found = one([m("foot_strike_angle", low, high)], "foot_strike")
    assert words in found.text
    assert found.status == "described"
    assert "No way of landing is better" in found.text


def test_left_right_difference_must_exceed_natural_unevenness() -> None:
    def pair(gap: float, half: float) -> list[Measure]:
        return [
            m("contact_time", 0.25 + gap - half, 0.25 + gap + half, "left", unit="s"),
            m("contact_time", 0.25 - half, 0.25 + half, "right", unit="s"),
        ]

    assert "left_right" not in keys(pair(0.009, 0.0001))  # surely there, but natural: margin is 9.6 ms
    assert "left_right" in keys(pair(0.012, 0.0005))
    assert "left_right" not in keys(pair(0.012, 0.004))  # beyond the margin, but not surely
    text = one(pair(0.012, 0.0005), "left_right").text
    assert "not abnormal" in text
    assert "left 262 ms, right 250 ms" in text


def test_left_right_never_compares_two_films_or_lengths_or_roll_prone_angles() -> None:
    far = [m("knee_flexion_contact", 29, 31, "left"), m("knee_flexion_contact", 14, 16, "right", "rear")]
    assert "left_right" not in keys(far)
    for key in ("step_length", "foot_ahead_of_com", "pelvic_drop_peak", "trunk_side_lean_peak"):
        assert "left_right" not in keys([m(key, 4.9, 5.0, "left"), m(key, 1.0, 1.1, "right")])


def test_difference_interval_adds_as_squares() -> None:
    d = difference(m("a", 7, 13, "left"), m("a", 1, 9, "right"))
    assert d.value == 5
    assert (d.low, d.high) == (0, 10)
    assert not d.beyond(0)


def test_symmetry_angle_margin_against_worked_value() -> None:
    # Right 250, left 240 have a symmetry angle of 1.2990 % (Zifchock et al. 2008, the formula from memory;
    # computed).
    assert symmetry_angle_margin(245, 1.2990) == pytest.approx(10.0, abs=0.01)
    assert symmetry_angle(240, 250) == pytest.approx(1.2990, abs=1e-3)


def everything() -> list[Measure]:
    return [
        m("cadence", 157, 159, "both", unit="steps/min"),
        *(m("shank_angle_contact", 10, 14, s) for s in ("left", "right")),
        *(m("foot_ahead_of_com", 0.2, 0.24, s) for s in ("left", "right")),
        *(m("knee_flexion_contact", 4, 8, s) for s in ("left", "right")),
        *(m("pelvic_drop_peak", 7, 9, s, "rear") for s in ("left", "right")),
        *(m("foot_strike_angle", 14, 18, s) for s in ("left", "right")),
        m("trunk_lean_stance", 5, 7, "both"),
        *(m("hip_extension_toe_off", 20, 24, s) for s in ("left", "right")),
        *(m("knee_frontal_angle_peak", 2, 6, s, "rear") for s in ("left", "right")),
        m("contact_time", 0.280, 0.281, "left", unit="s"),
        m("contact_time", 0.250, 0.251, "right", unit="s"),
    ]


def test_a_handful_in_order_each_with_source_strength_and_limits() -> None:
    found = find(everything(), speed_mps=SPEED)
    assert len(found) == MAX_FINDINGS
    assert [f.priority for f in found] == sorted(f.priority for f in found)
    assert [f.key for f in found][:4] == ["overstride", "knee_straight_at_contact", "pelvic_drop", "cadence"]
    assert "left_right" in [f.key for f in found]
    for f in found:
        assert f.source
        assert does_not_say(f.text), f.key
        assert 1 <= len(paragraphs(f.text)) <= 2
        assert "diagnos" not in f.text.lower()
    assert find(everything(), speed_mps=SPEED) == found


def test_no_finding_shows_a_citation_from_memory() -> None:
    evidence = load_evidence()
    memory = [c for c in evidence.citations.values() if c.status == "memory"]
    sets = [[x] for x in everything()] + [everything()]
    shown = "\n".join(f.source + f.text for ms in sets for f in find(ms, speed_mps=SPEED))
    assert shown
    for c in memory:
        assert c.reference not in shown
        assert c.short not in shown
        assert (c.doi or "!!") not in shown
