"""The guide's calculator: what was typed in becomes a set-up, and a set-up becomes things to check, each with its reason."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any, Literal
from urllib.parse import urlencode

import attrs

from midstance.assess.settings import parse_length
from midstance.errors import MidstanceError
from midstance.gait.model import View
from midstance.web import guide_geometry as geometry
from midstance.web import words
from midstance.web.guide_geometry import Setup

Verdict = Literal["good", "usable", "unfit"]

#: Lenses by their equivalent focal length, mm, as makers name them (common practice, no source).
LENSES: tuple[tuple[str, str], ...] = (
    ("24", "main lens, 24 mm equivalent"),
    ("26", "main lens, 26 mm equivalent"),
    ("28", "main lens, 28 mm equivalent"),
    ("50", "2× lens, 50 mm equivalent"),
    ("77", "3× lens, 77 mm equivalent"),
    ("wall", "measured at a wall (best)"),
)
HOLDS: tuple[tuple[str, str], ...] = (("across", "across"), ("upright", "upright"))
SIZES: tuple[tuple[str, str], ...] = (("1920", "1080p"), ("3840", "4K"), ("1280", "720p"))
GROUNDS: tuple[tuple[str, str], ...] = (("treadmill", "treadmill"), ("overground", "ground"))
#: Height of a treadmill's deck above the floor, m (common practice, no source).
DECK_M = 0.18
#: What is filled in at first: how far away, and the zoom that lets a runner of 1.75 m fill 70 % of the picture.
DEFAULT_DISTANCE_M: Mapping[str, float] = {"side": 5.0, "rear": 4.0, "front": 4.0}
AIM = 0.70
#: Exposures that cameras name, one second divided by these.
SHUTTERS = (30, 60, 125, 250, 500, 1000, 2000, 4000, 8000)
#: Distances of the table, m.
DISTANCES_M = (3.0, 4.0, 5.0, 6.0, 8.0, 10.0)


@attrs.frozen
class Point:
    """One thing that a set-up gives: its value, how good that is, and why."""

    title: str
    value: str
    verdict: Verdict
    why: str


@attrs.frozen
class Calculation:
    """What was typed in (as text, to be shown again), what was wrong with it, and the set-up that follows."""

    fields: Mapping[str, str]
    faults: Mapping[str, str]
    setup: Setup


def calculate(view: View, query: Mapping[str, str]) -> Calculation:
    """Return the set-up that a query describes; what can't be read is named and replaced by the usual value."""
    faults: dict[str, str] = {}

    def number(name: str, default: float, low: float, high: float, unit: str, what: str) -> float:
        text = query.get(name, "").strip()
        try:
            value = words.parse_number(text, what, low, high, unit)
        except MidstanceError as error:
            faults[name] = words.fault_text(error)
            return default
        return default if value is None else value

    def choice(name: str, options: tuple[tuple[str, str], ...]) -> str:
        text = query.get(name, options[0][0])
        return text if text in dict(options) else options[0][0]

    height = 1.75
    if query.get("height", "").strip():
        try:
            height = parse_length(query["height"], "height", (1.0, 2.3))
        except MidstanceError as error:
            faults["height"] = words.fault_text(error)
    distance = number("away", DEFAULT_DISTANCE_M[view], 1.0, 40.0, "m", "a distance")
    lens = query.get("lens", "26")
    lens = lens if lens in dict(LENSES) else "26"
    wall_m = number("wall", 3.0, 0.2, 100.0, "m", "a width")
    wall_away_m = number("wall_away", 2.5, 0.2, 100.0, "m", "a distance")
    span = geometry.long_side_from_wall(wall_m, wall_away_m) if lens == "wall" else geometry.long_side_at_1m(float(lens))
    hold = choice("hold", HOLDS)
    ground = choice("ground", GROUNDS)
    deck = number("deck", 100 * DECK_M, 0.0, 60.0, "cm", "a height of the deck") / 100 if ground == "treadmill" else 0.0
    speed = 10 / 3
    try:
        speed = words.parse_running_speed(query.get("pace", "")) or speed
    except MidstanceError as error:
        faults["pace"] = words.fault_text(error)
    long_px = int(choice("size", SIZES))
    plain = Setup(
        view=view,
        height_m=height,
        distance_m=distance,
        span=span,
        hold="upright" if hold == "upright" else "across",
        long_px=long_px,
        deck_m=deck,
        speed_mps=speed,
    )
    zoom = number("zoom", max(1.0, round(plain.zoom_for(AIM), 1)), 1.0, 30.0, "×", "a zoom")
    setup = attrs.evolve(plain, zoom=zoom)
    shown = {
        "height": query.get("height") or f"{height:.2f} m",
        "away": query.get("away") or f"{distance:g}",
        "lens": lens,
        "wall": query.get("wall") or f"{wall_m:g}",
        "wall_away": query.get("wall_away") or f"{wall_away_m:g}",
        "zoom": query.get("zoom") or f"{zoom:g}",
        "hold": hold,
        "size": str(long_px),
        "ground": ground,
        "deck": query.get("deck") or f"{100 * DECK_M:g}",
        "pace": query.get("pace") or words.short_pace(speed),
    }
    return Calculation(shown, faults, setup)


def points(setup: Setup) -> list[Point]:
    """Return what a set-up gives, in the order in which a coach would set it up."""
    return [_fill(setup), _pixels(setup), _width(setup), _lens(setup), _distance(setup), _askew(setup), _exposure(setup)]


def _fill(setup: Setup) -> Point:
    share = setup.share
    zoom, away = setup.zoom_for(AIM), setup.distance_for(AIM)
    low, high = geometry.ADVISED_SHARE
    ways = (
        f"{100 * AIM:.0f} % takes {zoom:.1f}× zoom from here"
        if zoom >= 1
        else "even without zoom the runner is larger than that"
    )
    ways += f", or {away:.1f} m with this zoom."
    verdict: Verdict = "good" if low <= share <= high else "usable" if geometry.GOOD_SHARE <= share <= 0.9 else "unfit"
    advice = (
        f"Let the runner fill {100 * low:.0f} to {100 * high:.0f} %, with room above the head and below the feet: {ways}"
    )
    return Point("The runner fills", f"{100 * share:.0f} % of the picture's height", verdict, advice)


def _pixels(setup: Setup) -> Point:
    px = setup.nose_to_heel_px
    verdict: Verdict = "good" if px >= geometry.GOOD_PX else "usable" if px >= geometry.UNFIT_PX else "unfit"
    why = f"The check of films calls {geometry.GOOD_PX:.0f} px good and refuses angles below {geometry.UNFIT_PX:.0f} px."
    return Point("Nose to heel", f"{px:.0f} pixels", verdict, why)


def _width(setup: Setup) -> Point:
    enough = setup.width_m >= geometry.NEEDED_WIDTH_M
    why = "Both feet and some drift on the belt need about 1.4 m (common practice, no source)."
    if setup.view != "side":
        enough = setup.width_m >= 0.9
        why = "Arms and some drift need about 0.9 m (common practice, no source)."
    elif setup.deck_m == 0:
        why = "A runner who passes needs more: at this pace a stride (two steps at 170 a minute) takes "
        why += f"{setup.speed_mps * 120 / 170:.1f} m of ground."
    return Point("The picture shows", f"{setup.width_m:.1f} m across", "good" if enough else "unfit", why)


def _lens(setup: Setup) -> Point:
    why = "Half the body's height above the ground the runner runs on: a level camera then has the runner in its middle. "
    why += "Knee to hip is fine; a camera that has to look down or up shortens what stands upright."
    if setup.deck_m:
        why += f" The deck's {100 * setup.deck_m:.0f} cm are counted in."
    return Point("Middle of the lens", f"{100 * setup.lens_height_m:.0f} cm above the floor", "good", why)


def _distance(setup: Setup) -> Point:
    d = setup.distance_m
    verdict: Verdict = "good" if d >= geometry.NEAREST_M else "usable" if d >= 3 else "unfit"
    if setup.view == "side":
        ratio = geometry.size_ratio(d)
        apart = f"legs {100 * geometry.LEGS_APART_M:.0f} cm apart"
        why = f"The nearer leg looks {100 * ratio:.1f} % larger than the farther one ({apart})."
    else:
        ratio = geometry.size_ratio(d, 0.9)
        why = f"A foot 45 cm nearer than the hips looks {100 * ratio:.0f} % larger than one 45 cm farther away."
    why += " At least 4 m; farther away and zoomed in is better (common practice, no source)."
    return Point("Distance", f"{d:.1f} m", verdict, why)


def _askew(setup: Setup) -> Point:
    d = setup.distance_m
    five = geometry.sideways_m(d, 5.0)
    if setup.view == "side":
        lost_10, lost_20 = (100 * geometry.lost_length(a) for a in (10, 20))
        seen = geometry.seen_angle_deg(20, 10)
        why = f"That is 5° off square. Angles hardly change (20° seen 10° askew reads {seen:.1f}°); "
        why += f"lengths along the path lose {lost_10:.1f} % at 10° and {lost_20:.0f} % at 20°."
    else:
        leak = geometry.leaked_angle_deg(30, 5)
        why = f"That is 5° off the line, and a thigh swinging 30° forward then adds {leak:.1f}° to a frontal angle. "
        why += f"Aim for less than {100 * geometry.sideways_m(d, 2.0):.0f} cm (2°)."
    return Point("Stand within", f"± {100 * five:.0f} cm of the mark", "good", why)


def _exposure(setup: Setup) -> Point:
    longest = geometry.longest_exposure_s(setup.speed_mps, setup.height_m)
    swing = geometry.smear_m(geometry.SWING_FOOT_MPS, longest)
    why = (
        f"At 1/{1 / longest:.0f} s a foot going at running speed smears over 0.4 % of nose to heel, which film checks "
        f"call good ({setup.smear_px(longest):.1f} pixels here); one swinging forward at 8 m/s over {100 * swing:.1f} cm."
    )
    return Point("Exposure", f"1/{shutter(longest)} s or shorter", "good", why)


def shutter(longest_s: float) -> int:
    """Return the longest exposure cameras name (1/60, 1/125 …, as its divisor) that is not longer, to within 5 %."""
    return next((n for n in SHUTTERS if 1 / n <= 1.05 * longest_s), SHUTTERS[-1])


def distances(setup: Setup) -> list[dict[str, str]]:
    """Return the table of distances: zoom for 70 %, and what the distance does to sizes and angles."""
    rows = []
    for d in DISTANCES_M:
        there = attrs.evolve(setup, distance_m=d)
        zoom = there.zoom_for(AIM)
        apart = geometry.LEGS_APART_M if setup.view == "side" else 0.9
        rows.append(
            {
                "distance": f"{d:g} m",
                "zoom": f"{zoom:.1f}×" if zoom >= 1 else f"too near: {100 * attrs.evolve(there, zoom=1.0).share:.0f} %",
                "ratio": f"{100 * geometry.size_ratio(d, apart):.1f} %",
                "five": f"{100 * geometry.sideways_m(d, 5.0):.0f} cm",
                "drift": f"{math.degrees(math.atan(0.3 / d)):.1f}°",
            }
        )
    return rows


#: Contacts on marker paths of 13 runners, points off by 3 mm, from docs/accuracy.md: pictures a second, median absolute
#: error and 95 % within, ms.
CONTACTS_BY_RATE: tuple[tuple[int, float, float], ...] = ((60, 2.5, 7.0), (120, 2.3, 6.6), (240, 2.3, 6.4))


def exposures() -> list[dict[str, str]]:
    """Return what exposures do to a foot: smear at running speed (3.3 m/s) and at 8 m/s, cm, and how a film is judged."""
    rows = []
    good, unfit = (geometry.longest_exposure_s(10 / 3, 1.75, s) for s in (geometry.GOOD_SMEAR, geometry.UNFIT_SMEAR))
    for per_second in (60, 125, 250, 500, 1000, 2000):
        t = 1 / per_second
        rows.append(
            {
                "exposure": f"1/{per_second} s",
                "slow": f"{100 * geometry.smear_m(10 / 3, t):.1f} cm",
                "fast": f"{100 * geometry.smear_m(geometry.SWING_FOOT_MPS, t):.1f} cm",
                "verdict": "good" if t <= 1.05 * good else "usable" if t <= unfit else "unfit",
            }
        )
    return rows


def rates() -> list[dict[str, str]]:
    """Return what rates do: time between pictures, way of a foot meanwhile, how well contacts were found."""
    return [
        {
            "rate": f"{fps} a second",
            "between": f"{1000 / fps:.1f} ms",
            "moves": f"{100 * geometry.SWING_FOOT_MPS / fps:.1f} cm",
            "median": f"{median:.1f} ms",
            "most": f"{most:.1f} ms",
        }
        for fps, median, most in CONTACTS_BY_RATE
    ]


def link(view: str, fields: Mapping[str, Any]) -> str:
    """Return the address of a set-up."""
    return f"/guide/{view}?{urlencode(dict(fields))}"
