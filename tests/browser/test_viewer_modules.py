"""The viewer's pure modules, run in the browser, against the package's own numbers and closed forms."""

from __future__ import annotations

import base64
import json
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from browsing import Bench
from playwright.sync_api import Browser, Page

from midstance.camera.plane import to_plane
from midstance.gait import angles
from midstance.gait.measures_side import flat_foot
from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, Event, LandmarkPaths, Stance, State
from midstance.pose.corrections import BRIDGE_S, SPREAD_S, Correction, correct_landmarks
from midstance.pose.stickers import sticker_names
from midstance.web.deps import asset


class Modules:
    """Imports modules from the server into a page of it and evaluates expressions on them."""

    def __init__(self, page: Page, bench: Bench) -> None:
        self._page = page
        page.goto(f"{bench.url}/keys")

    def __call__(self, module: str, expression: str, given: Any = None) -> Any:
        """Evaluate ``expression`` of ``m``, the module, and ``given``; NaN comes back as None."""
        code = f"""async ([url, given]) => {{ const m = await import(url); return JSON.stringify({expression}); }}"""
        return json.loads(self._page.evaluate(code, [asset(f"viewer/{module}.js"), given]))


@pytest.fixture(scope="module")
def js(browser: Browser, bench: Bench) -> Iterator[Modules]:
    """Give the modules, in one page for all tests here."""
    context = browser.new_context()
    yield Modules(context.new_page(), bench)
    context.close()


def people(n: int, seed: int) -> np.ndarray:
    """n random sets of 33 points in a picture of 1280 x 720 px."""
    return np.random.default_rng(seed).uniform([100.0, 50.0], [1180.0, 670.0], (n, 33, 2))


def paths(xy: np.ndarray, view: str = "side", rate: float = 120.0) -> LandmarkPaths:
    """Landmark paths that were all seen."""
    n = len(xy)
    full = np.ones((n, 33))
    return LandmarkPaths(view, np.arange(n) / rate, xy, full, full, np.full((n, 33), State.SEEN, np.uint8))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("view", "direction", "roll"),
    [("side", "+x", 0.0), ("side", "-x", 3.5), ("side", "+x", -7.0), ("rear", None, 2.0), ("front", None, -4.0)],
)
def test_plane_and_angles_are_those_of_the_package(js: Modules, view: str, direction: str | None, roll: float) -> None:
    """Random people: the way into the plane and every angle agree with the package to a thousandth of a degree."""
    xy = people(40, seed=1)
    plane = to_plane(
        paths(xy, view), direction=direction if view == "side" else None, roll_deg=roll, cutoff_hz=None  # type: ignore[arg-type]
    )

    def point(name: str) -> np.ndarray:
        return plane.point(name)

    got = js(
        "geometry",
        """(() => {
          const plane = m.plane(given.film);
          return given.xy.map((row) => {
            const p = row.map(plane.to);
            const at = (name) => p[given.index[name]];
            const mid = (part) => m.middle(at(`left_${part}`), at(`right_${part}`));
            const [hip, knee, ankle, heel, toe] = ["hip", "knee", "ankle", "heel", "toe"].map((n) => at(`left_${n}`));
            return { p, back: p.map(plane.from),
              knee: m.kneeFlexion(hip, knee, ankle), shank: m.fromVertical(knee, ankle), thigh: m.fromVertical(hip, knee),
              hip: m.hipFlexion(mid("shoulder"), mid("hip"), hip, knee), foot: m.footAngle(heel, toe),
              ankle: m.dorsiflexion(knee, ankle, heel, toe, -5), trunk: m.trunkLean(mid("hip"), mid("shoulder")),
              frontal: m.kneeFrontal(hip, knee, ankle, "left"),
              frontalRight: m.kneeFrontal(at("right_hip"), at("right_knee"), at("right_ankle"), "right"),
              lean: m.trunkSideLean(mid("hip"), mid("shoulder"), "right"), drop: m.pelvicDrop(hip, at("right_hip")) };
          });
        })()""",
        {"film": {"view": view, "direction": direction, "roll_deg": roll}, "xy": xy.tolist(), "index": LANDMARK_INDEX},
    )
    left = {n: point(f"left_{n}") for n in ("hip", "knee", "ankle", "heel", "toe")}
    mid_hip = (point("left_hip") + point("right_hip")) / 2
    mid_shoulder = (point("left_shoulder") + point("right_shoulder")) / 2
    expected = {
        "knee": angles.knee_flexion(left["hip"], left["knee"], left["ankle"]),
        "shank": angles.shank_angle(left["knee"], left["ankle"]),
        "thigh": angles.thigh_angle(left["hip"], left["knee"]),
        "hip": angles.hip_flexion(mid_shoulder, left["hip"], left["knee"], trunk_hip=mid_hip),
        "foot": angles.foot_angle(left["heel"], left["toe"]),
        "ankle": angles.ankle_dorsiflexion(*(left[n] for n in ("knee", "ankle", "heel", "toe")), flat_foot_deg=-5.0),
        "trunk": angles.trunk_lean(mid_hip, mid_shoulder),
        "frontal": angles.knee_frontal_angle(left["hip"], left["knee"], left["ankle"], side="left"),
        "frontalRight": angles.knee_frontal_angle(
            point("right_hip"), point("right_knee"), point("right_ankle"), side="right"
        ),
        "lean": angles.trunk_side_lean(mid_hip, mid_shoulder, stance_side="right"),
        "drop": angles.pelvic_drop(left["hip"], point("right_hip")),
    }
    np.testing.assert_allclose([g["p"] for g in got], plane.xy, atol=1e-9)
    np.testing.assert_allclose([g["back"] for g in got], xy, atol=1e-9)
    for name, values in expected.items():
        apart = angles.wrap_deg(np.array([g[name] for g in got]) - values)
        np.testing.assert_allclose(apart, 0.0, atol=1e-3, err_msg=name)


def test_angles_of_known_triangles(js: Modules) -> None:
    """Closed forms: a right angle at the knee, a leaning shank of 3-4-5, nothing where two points are in one place."""
    assert js("geometry", "m.kneeFlexion([0, 2], [0, 1], [-1, 1])") == pytest.approx(90.0)
    assert js("geometry", "m.kneeFlexion([0, 2], [0, 1], [0, 0])") == pytest.approx(0.0)
    assert js("geometry", "m.fromVertical([0, 4], [3, 0])") == pytest.approx(math.degrees(math.atan2(3, 4)))
    assert js("geometry", "m.footAngle([0, 0], [1, 1])") == pytest.approx(45.0)
    assert js("geometry", "m.pelvicDrop([0, 1], [-1, 0])") == pytest.approx(45.0)
    assert js("geometry", "m.fromVertical([1, 1], [1, 1])") is None
    assert js("geometry", "m.kneeFlexion([0, 2], [NaN, 1], [0, 0])") is None
    assert js("geometry", "[m.wrap(190), m.wrap(-180), m.wrap(180), m.wrap(540)]") == [-170, 180, 180, 180]


def test_a_camera_that_is_rolled_is_taken_out(js: Modules) -> None:
    """A plumb line in a picture whose horizontal rises to the right by 5 degrees: the leg along it stands upright."""
    r = math.radians(5.0)
    knee, ankle = [400.0, 300.0], [400.0 + 200 * math.sin(r), 300.0 + 200 * math.cos(r)]
    film = {"view": "side", "direction": "+x", "roll_deg": 5.0}
    code = "(() => { const p = m.plane(given.film); return m.fromVertical(p.to(given.knee), p.to(given.ankle)); })()"
    assert js("geometry", code, {"film": film, "knee": knee, "ankle": ankle}) == pytest.approx(0.0, abs=1e-9)
    up = js("geometry", "m.plane(given).up", film)
    assert up == pytest.approx([-math.sin(r), -math.cos(r)])


def test_roll_of_a_line_along_something_upright_or_level(js: Modules) -> None:
    """The same roll comes of a level and of an upright edge, drawn either way."""
    for roll in (-12.0, -1.5, 0.0, 2.0, 30.0):
        r = math.radians(roll)
        level = [[100.0, 500.0], [100 + 300 * math.cos(r), 500 - 300 * math.sin(r)]]
        upright = [[600.0, 600.0], [600 - 400 * math.sin(r), 600 - 400 * math.cos(r)]]
        for line in (level, level[::-1], upright, upright[::-1]):
            assert js("marks", "m.rollOf(...given)", line) == pytest.approx(roll, abs=1e-9)


def test_flat_foot_is_that_of_the_measures(js: Modules) -> None:
    """The zero of the foot's angles: the same rule as in the measures, on the same points."""
    rate, n = 120.0, 480
    t = np.arange(n) / rate
    xy = people(1, seed=4).repeat(n, axis=0)
    slope = np.radians(-4.0 + 25.0 * np.abs(np.sin(2 * np.pi * t / 0.7)) ** 3 + 0.3 * np.sin(40 * t))
    xy[:, LANDMARK_INDEX["left_heel"]] = [500.0, 600.0]
    xy[:, LANDMARK_INDEX["left_toe"]] = np.stack([500 + 90 * np.cos(slope), 600 - 90 * np.sin(slope)], axis=-1)
    starts = [0.52, 1.22, 1.92, 2.62]

    def event(kind: str, at: float) -> Event:
        return Event("side", "left", kind, at, at, at)  # type: ignore[arg-type]

    stances = [
        Stance(i, "left", event("initial_contact", s), event("toe_off", s + 0.25), None, event("initial_contact", s + 0.7))
        for i, s in enumerate(starts)
    ]
    plane = to_plane(paths(xy), direction="+x", cutoff_hz=None)
    expected = flat_foot(plane, stances, "left")
    assert expected.reason is None
    foot = angles.foot_angle(plane.point("left_heel"), plane.point("left_toe"))
    given = {
        "t": t.tolist(),
        "foot": foot.tolist(),
        "stances": [{"ic_s": s.ic.time_s, "to_s": s.ic.time_s + 0.25, "excluded": None} for s in stances],
    }
    flat = js("geometry", "m.flatFoot(given.t, given.foot, given.stances)", given)
    assert flat == pytest.approx(expected.angle_deg, abs=1e-6)
    assert js("geometry", "m.flatFoot(given.t, given.foot, given.stances.slice(0, 1))", given) is None


def test_the_fade_is_that_of_the_corrections(js: Modules) -> None:
    """What is shown while dragging is what the server will make of it: alone, on a bridge, over a gap, far apart."""
    rate, n = 120.0, 120
    time_s = np.arange(n) / rate
    xy = people(1, seed=2).repeat(n, axis=0) + np.stack([200 * time_s, 30 * np.sin(9 * time_s)], axis=-1)[:, None]
    j = LANDMARK_INDEX["left_ankle"]
    xy[48:52, j] = np.nan
    for rows in ([20], [40, 52], [47, 55], [10, 100], [20, 26, 33, 90]):
        wanted = [[300.0 + 7 * i, 400.0 - 5 * i] for i in range(len(rows))]
        made = [
            Correction("landmark", "side", float(time_s[r]), landmark="left_ankle", x_px=w[0], y_px=w[1])
            for r, w in zip(rows, wanted, strict=True)
        ]
        expected = correct_landmarks(paths(xy), made, (1280, 720))[0].xy[:, j]
        flat = [None if math.isnan(v) else v for v in xy[:, j].ravel().tolist()]
        got = js(
            "fade",
            "[...m.spread(given.t, given.xy.map((v) => v ?? NaN), given.rows, given.wanted)]",
            {"t": time_s.tolist(), "xy": flat, "rows": rows, "wanted": wanted},
        )
        shown = np.array([math.nan if v is None else v for v in got]).reshape(-1, 2)
        np.testing.assert_allclose(shown, expected, atol=1e-6, err_msg=str(rows))
    assert js("fade", "[m.SPREAD_S, m.BRIDGE_S]") == [SPREAD_S, BRIDGE_S]
    shares = js("fade", "[m.share(0), m.share(m.SPREAD_S / 2), m.share(m.SPREAD_S), m.share(1)]")
    assert shares == pytest.approx([1, 0.5, 0, 0])


STANCES = [
    {"index": 0, "side": "left", "ic_s": 0.1, "to_s": 0.35, "next_ic_s": 0.8, "excluded": None},
    {"index": 1, "side": "right", "ic_s": 0.45, "to_s": 0.7, "next_ic_s": 1.15, "excluded": None},
    {"index": 2, "side": "left", "ic_s": 0.8, "to_s": 1.05, "next_ic_s": 1.6, "excluded": "stumbled"},
    {"index": 3, "side": "left", "ic_s": 1.6, "to_s": 1.9, "next_ic_s": None, "excluded": None},
]


def test_where_in_the_stride(js: Modules) -> None:
    """Phase, stance and flight of made-up strides."""
    say = "given[1].map((t) => m.phaseWords(given[0], t))"
    words = js("phase", say, [STANCES, [0.0, 0.1, 0.225, 0.4, 0.575, 1.99]])
    assert words == ["", "left stance 0 %", "left stance 50 %", "flight", "right stance 50 %", ""]
    assert js("phase", "m.phaseAt(given, 'left', 0.45)", STANCES) == pytest.approx(0.5)
    assert js("phase", "m.phaseAt(given, 'left', 1.7)", STANCES) is None
    assert js("phase", "m.strideClock(given, 'left', 1.2)", STANCES) == pytest.approx(1.5)
    assert js("phase", "m.timeOfClock(given, 'left', 1.5)", STANCES) == pytest.approx(1.2)


def test_two_films_are_matched_by_phase(js: Modules) -> None:
    """A film of slower strides: the same share of the same stride, and with an offset of half a stride."""
    slow = [{**s, "ic_s": 2 * s["ic_s"] + 1, "next_ic_s": s["next_ic_s"] and 2 * s["next_ic_s"] + 1} for s in STANCES]
    how = {"offset": 0, "foot": "left", "from": STANCES, "to": slow}
    for time_s in (0.1, 0.45, 0.9, 1.5):
        assert js("phase", "m.matched('phase', given[0], given[1])", [time_s, how]) == pytest.approx(2 * time_s + 1)
    assert js("phase", "m.matched('phase', 0.1, given)", {**how, "offset": 0.5}) == pytest.approx(2 * 0.45 + 1)
    assert js("phase", "m.matched('phase', 0.01, given)", how) is None
    assert js("phase", "m.matched('time', 0.25, given)", {**how, "offset": -0.1}) == pytest.approx(0.15)


def test_next_event(js: Modules) -> None:
    """One doesn't stay at the event one is at, in either direction, and other kinds are passed over."""
    events = [
        {"side": "left", "kind": "initial_contact", "time_s": 0.1},
        {"side": "left", "kind": "toe_off", "time_s": 0.35},
        {"side": "right", "kind": "initial_contact", "time_s": 0.45},
    ]
    wanted = "(e) => !given.kind || e.kind === given.kind"
    find = f"(m.nextEvent(given.events, given.t, given.way, {wanted}, 0.004) ?? {{}}).time_s ?? null"
    for t, way, kind, want in (
        (0.0, 1, None, 0.1),
        (0.102, 1, None, 0.35),
        (0.1, 1, "initial_contact", 0.45),
        (0.45, -1, None, 0.35),
        (0.098, -1, None, None),
        (0.5, 1, None, None),
    ):
        assert js("phase", find, {"events": events, "t": t, "way": way, "kind": kind}) == want


def test_seeks_aim_between_pictures(js: Modules) -> None:
    """Never at a picture's own time: half way to the next, also for the last one, also when times wander."""
    pts = [0.0, 0.04, 0.05, 0.11]
    aims = js("seek", "given.map((_, i) => m.aim(given, i))", pts)
    assert aims == pytest.approx([0.02, 0.045, 0.08, 0.14])
    times = np.linspace(-0.02, 0.2, 200)
    got = js("seek", "given[1].map((t) => m.nearest(given[0], t))", [pts, times.tolist()])
    expected = np.abs(times[:, None] - np.array(pts)).argmin(axis=1)
    assert got == expected.tolist()


def test_sticker_names_are_those_of_the_package(js: Modules) -> None:
    """In every view."""
    for view in ("side", "side_far", "rear", "front"):
        assert set(js("marks", "m.stickerNames(given)", view)) == set(sticker_names(view))  # type: ignore[arg-type]


def test_marks_left_alone_stay_as_they_are(js: Modules) -> None:
    """Lens, board and what isn't edited here survive, and somebody else's newer values too."""
    facts = {
        "marks": {"lens": {"focal_px": 1200}, "ground": {"board": "standing"}, "roll_deg": 1.5, "roll_sigma_deg": 0.2},
        "known_lengths": [{"first_px": [1, 2], "second_px": [100, 2], "length_m": 1.0}],
    }
    same = js("marks", "m.recordWith(given, m.marksOf(given), m.marksOf(given))", facts)
    assert same == {"marks": facts["marks"]}
    code = """(() => {
      const mine = m.marksOf(given[0]);
      mine.roll_deg = -2;
      return m.recordWith(given[1], mine, m.marksOf(given[0]));
    })()"""
    theirs = {**facts, "marks": {**facts["marks"], "ground": {"corners_px": [[0, 0]] * 4, "length_m": 2, "width_m": 1}}}
    merged = js("marks", code, [facts, theirs])
    assert merged["marks"] == {**theirs["marks"], "roll_deg": -2}
    assert js("marks", "m.fault({...m.marksOf({}), corners: [[0, 0]]})").startswith("The ground has 1 of 4")
    assert js("marks", "m.fault(m.marksOf({}))") == ""


def test_every_key_is_there_once_and_described(js: Modules) -> None:
    """No key stands for two things, and every one has words for the help sheet."""
    entries = js("keys", "m.KEYS")
    keys = [k for e in entries for k in e["keys"]]
    assert len(keys) == len(set(keys))
    assert all(e["words"] and e["group"] for e in entries)
    # Keys that every page has for itself.
    assert not {"?", "/", "g"} & set(keys)


def test_landmarks_come_across_unchanged(js: Modules) -> None:
    """Base64 of little-endian numbers, NaN too; and all landmarks that can be set are landmarks."""
    values = np.array([1.5, -2.25, np.nan, 1e-3], "<f4")
    got = js("film", "[...m.floats(given)]", base64.b64encode(values.tobytes()).decode())
    assert got[:2] == [1.5, -2.25]
    assert got[2] is None
    assert got[3] == pytest.approx(1e-3)
    assert set(js("film", "m.EDITABLE")) <= set(LANDMARKS)
    assert len(js("film", "m.STATE_WORDS")) == len(State)
