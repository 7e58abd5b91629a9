"""Films with known truth: the truth worked out of points, found values held against it, films that fail."""

from __future__ import annotations

import json
from pathlib import Path

import attrs
import numpy as np
import pytest

from midstance.errors import MidstanceError, OptionError
from midstance.gait.model import SIDES, Event, Measure, Stance, StrideValue
from midstance.validate import films_check
from midstance.validate.film_truth import FLAT_SHOE_DEG, read_truth, value_at_kink
from midstance.validate.films_check import Film, check_films, find_films, hold, shipped_films
from midstance.validate.report import ValidationReport, run_validate

STRIDE_S, STANCE_S = 0.7, 0.25
POINTS = [
    f"{s}_{p}" for s in SIDES for p in ("hip", "hip_surface", "knee", "ankle", "heel", "toe_tip")
] + ["pelvis", "mid_shoulder", "com"]  # fmt: skip


def silent(stage, share):
    assert 0.0 <= share <= 1.0 + 1e-9


def contacts(end_s=5.0):
    """Left and right in turn, every 0.35 s, as far as whole stances lie inside."""
    starts = np.arange(0.13, end_s - STANCE_S, STRIDE_S / 2)
    return [("left" if i % 2 == 0 else "right", float(t)) for i, t in enumerate(starts)]


def figure(fps=120.0, seconds=5.0, thigh_deg=20.0, shank_deg=8.0, foot_deg=15.0, lean_deg=6.0, drop_deg=4.0):
    """A stiff figure whose angles never change: leg parts 0.4 m, hips 0.2 m apart, ankle where the angles put it."""
    t = np.arange(round(seconds * fps)) / fps
    r = np.radians
    xyz = np.zeros((len(t), len(POINTS), 3))

    def put(name, x, y, z):
        xyz[:, POINTS.index(name)] = [x, y, z]

    tilt = 0.1 * np.sin(r(drop_deg))
    for side in SIDES:
        z = 0.1 if side == "right" else -0.1
        y = 0.9 + (tilt if side == "right" else -tilt)  # the right hip is the higher one
        knee = (0.4 * np.sin(r(thigh_deg)), y - 0.4 * np.cos(r(thigh_deg)))
        ankle = (knee[0] + 0.4 * np.sin(r(shank_deg)), knee[1] - 0.4 * np.cos(r(shank_deg)))
        put(f"{side}_hip_surface", 0.0, y, z)
        put(f"{side}_hip", -0.015, y, z)
        put(f"{side}_knee", *knee, z)
        put(f"{side}_ankle", *ankle, z)
        put(f"{side}_heel", ankle[0] - 0.05, 0.0, z)
        put(f"{side}_toe_tip", ankle[0] - 0.05 + 0.25 * np.cos(r(foot_deg)), 0.25 * np.sin(r(foot_deg)), z)
    put("pelvis", -0.015, 0.9, 0.0)
    put("mid_shoulder", 0.5 * np.sin(r(lean_deg)), 0.9 + 0.5 * np.cos(r(lean_deg)), 0.0)
    put("com", 0.02, 0.95, 0.0)
    xyz[:, POINTS.index("com"), 1] += 0.04 * np.cos(2 * np.pi * (t - 0.13) / (STRIDE_S / 2))
    uv = np.full((len(t), len(POINTS), 2), 300.0)
    return {"t": t, "names": np.array(POINTS), "xyz": xyz, "uv": uv}


def truth_text(view="side", fps=120.0, gender="male", **more):
    at = dict.fromkeys(("knee_flexion_surface", "thigh_surface", "ankle_dorsiflexion", "ankle_ahead_of_com_m"), 0.0)
    most = dict.fromkeys(
        ("max_contralateral_pelvic_drop", "max_hip_adduction", "max_trunk_lateral_lean_to_stance_side"), 1.5
    )
    return json.dumps({
        "fps": fps,
        "camera": {"view": view, "width": 640, "height": 480},
        "body": {"gender": gender, "height": 1.8},
        "neutral_foot_deg": {"left": -2.0, "right": -2.0},
        "summary": {"belt_speed_m_s": 3.0, "cadence_spm": 120 / STRIDE_S},
        "events": [
            {"side": s, "ic": t, "to": t + STANCE_S, "at_ic": {**at, "shank": -7.0, "foot": 10.0}, "in_stance": most}
            for s, t in contacts()
        ],
        **more,
    })  # fmt: skip


def film_folder(place, frames=None, text=None, args="side 3.0 1.80 treadmill"):
    place.mkdir(parents=True)
    (place / "truth.json").write_text(truth_text() if text is None else text, encoding="utf-8")
    if args:
        (place / "args").write_text(args, encoding="utf-8")
    if frames is not None:
        np.savez(place / "truth_frames.npz", **frames)
    (place / "video.mp4").write_bytes(b"no film")
    return place


@pytest.mark.parametrize("fps", [60.0, 120.0, 240.0])
def test_truth_of_a_figure_whose_angles_are_known(tmp_path, fps):
    truth = read_truth(film_folder(tmp_path / "f", figure(fps), truth_text(fps=fps)))
    assert (truth.view, truth.speed_mps, truth.height_m, truth.surface) == ("side", 3.0, 1.8, "treadmill")
    assert [(c.side, c.on_s) for c in truth.contacts] == contacts()
    m = truth.contacts[3].measures
    ahead = 0.4 * np.sin(np.radians(20)) + 0.4 * np.sin(np.radians(8))
    wanted = {
        "thigh_angle_contact": 20.0, "shank_angle_contact": 8.0, "knee_flexion_contact": 12.0, "hip_flexion_contact": 26.0,
        "trunk_lean_contact": 6.0, "trunk_lean_stance": 6.0, "knee_flexion_peak_stance": 12.0,
        "hip_extension_toe_off": -20.0,
        "knee_flexion_peak_swing": 12.0, "foot_ahead_of_hip": ahead, "foot_ahead_of_com": ahead - 0.02,
        "foot_strike_angle": 15.0 + 2.0 - FLAT_SHOE_DEG["male"],
        "ankle_dorsiflexion_contact": 17.0 - FLAT_SHOE_DEG["male"] - 8.0,
        "contact_time": 0.25, "step_time": 0.35, "stride_time": 0.7, "flight_time": 0.1, "swing_time": 0.45,
        "duty_factor": 0.25 / 0.7, "vertical_oscillation": 0.08,
    }  # fmt: skip
    for key, value in wanted.items():
        assert m[key] == pytest.approx(value, abs=2e-4), key
    assert "swing_time" not in truth.contacts[-1].measures


def test_frontal_truth(tmp_path):
    truth = read_truth(
        film_folder(tmp_path / "f", figure(thigh_deg=0, shank_deg=0), truth_text("rear"), "rear 3.0 1.8 treadmill")
    )
    left, right = truth.contacts[2].measures, truth.contacts[3].measures
    assert (truth.contacts[2].side, truth.contacts[3].side) == ("left", "right")
    slope = float(np.degrees(np.arctan(np.sin(np.radians(4.0)))))  # the right hip is higher: drop in right stance
    assert right["pelvic_drop_peak"] == pytest.approx(slope, abs=1e-3)
    assert left["pelvic_drop_peak"] == pytest.approx(-slope, abs=1e-3)
    assert right["hip_adduction_peak"] == pytest.approx(slope, abs=1e-3)
    assert right["thigh_adduction_peak"] == pytest.approx(0.0, abs=1e-6)
    assert right["knee_frontal_angle_peak"] == pytest.approx(0.0, abs=1e-6)
    assert right["step_width"] == pytest.approx(0.2)
    assert right["knee_separation"] == pytest.approx(0.2)
    assert right["pelvic_drop_excursion"] == pytest.approx(0.0, abs=1e-6)


def test_unknown_shoe_and_no_points(tmp_path):
    lone = read_truth(film_folder(tmp_path / "a", None, truth_text(gender="female")))
    assert "straight lines" in lone.how
    assert lone.contacts[0].measures["foot_strike_angle"] == pytest.approx(10.0 - FLAT_SHOE_DEG["female"])
    assert lone.contacts[0].measures["shank_angle_contact"] == 7.0
    assert "foot_ahead_of_hip" not in lone.contacts[0].measures  # truth.json has it from the wide hips of the rig
    other = read_truth(film_folder(tmp_path / "b", figure(), truth_text(gender=None)))
    assert "foot_strike_angle" not in other.contacts[0].measures
    assert "foot angles left out" in other.how
    rear = read_truth(film_folder(tmp_path / "c", None, truth_text("rear"), args=None))
    assert (rear.view, rear.surface, rear.contacts[0].measures["pelvic_drop_peak"]) == ("rear", "treadmill", 1.5)


@pytest.mark.parametrize("fps", [60.0, 120.0])
@pytest.mark.parametrize("phase", [0.1, 0.4, 0.5, 0.9])
def test_a_corner_at_contact_is_not_rounded_off(fps, phase):
    """A knee that straightens and then bends at 500 deg/s: a curve through all frames is off by degrees."""
    at = (20 + phase) / fps
    t = np.arange(40) / fps
    y = (
        10.0
        - 60.0 * (t - at)
        + 300.0 * (t - at) ** 2
        + np.where(t > at, 560.0 * (t - at) - 2000.0 * (t - at) ** 2, 0.0)
    )
    from scipy.interpolate import CubicSpline

    assert value_at_kink(t, y, at) == pytest.approx(10.0, abs=1e-6)
    if phase == 0.5:
        assert abs(float(CubicSpline(t, y)(at)) - 10.0) > 0.5
    assert value_at_kink(t, y, float(t[7])) == y[7]
    assert value_at_kink(t, y, 0.2 / fps) == pytest.approx(
        float(CubicSpline(t, y)(0.2 / fps))
    )  # too near the end for branches


def measured_film(truth, shift_s=0.004, off_deg=1.5, swap=(), drop=()):
    """What a film would give whose contacts are found ``shift_s`` late and whose shanks read ``off_deg`` too much."""

    class Result:
        start_s, duration_s, near_side = 0.0, 5.0, "right"

    events, stances, values = [], [], []
    for i, c in enumerate(truth.contacts):
        if i in drop:
            continue
        side = {"left": "right", "right": "left"}[c.side] if i in swap else c.side
        on, off = (Event("side", side, k, x, x - 0.01, x + 0.01) for k, x in (
            ("initial_contact", c.on_s + shift_s), ("toe_off", c.off_s - shift_s)))  # fmt: skip
        events += [on, off]
        stances.append(Stance(i, side, on, off, None, None))
        value = c.measures["shank_angle_contact"] + off_deg
        half = 1.0 if i % 2 else 2.0
        values.append(
            StrideValue("shank_angle_contact", side, "side", "deg", i, on.time_s, value, value - half, value + half)
        )

    class Film_:
        result = Result()
        measures = (
            Measure("cadence", "both", "side", "steps/min", 120 / STRIDE_S * 1.01, 100.0, 200.0, 10, "m"),
            Measure("shank_angle_contact", "left", "side", "deg", 9.5, 7.9, 11.1, 7, "m"),
            Measure("shank_angle_contact", "right", "side", "deg", 9.5, 8.1, 10.9, 7, "m"),
            Measure("foot_strike_angle", "both", "side", "deg", None, None, None, 0, "m", "the film is dim"),
        )

    found = Film_()
    found.events, found.stances, found.stride_values = tuple(events), tuple(stances), tuple(values)
    return found


def test_known_errors_come_out(tmp_path):
    truth = read_truth(film_folder(tmp_path / "f", figure()))
    got = hold("f", truth, measured_film(truth))
    data = films_check._data([got], [])
    film = data["films"]["f"]
    n = len(truth.contacts)
    assert film["events"]["initial_contact"] == {
        "n": n, "missed": 0, "invented": 0, "bias_ms": 4.0, "median_abs_ms": 4.0, "p95_abs_ms": 4.0,
    }  # fmt: skip
    assert film["events"]["toe_off"]["bias_ms"] == -4.0
    assert film["contact_time"] == {"bias_ms": -8.0, "sd_ms": 0.0}
    assert film["coverage"] == {"initial_contact": 1.0, "toe_off": 1.0}
    assert film["cadence"]["error_percent"] == pytest.approx(1.0)
    shank = film["measures"]["shank_angle_contact"]
    assert (shank["n"], shank["unit"]) == (n, "deg")
    assert shank["bias"] == pytest.approx(1.5, abs=1e-3)
    assert shank["coverage"] == pytest.approx(np.mean([i % 2 == 0 for i in range(n)]), abs=1e-4)
    assert shank["means"]["n"] == 2
    assert shank["means"]["held"] == 1
    assert shank["means"]["bias"] == pytest.approx(1.5, abs=1e-3)
    assert film["not_measurable"] == {"foot_strike_angle": "the film is dim"}
    assert film["left_right_swaps"] == 0
    assert data["pooled"]["side"]["films"] == 1
    assert data["pooled"]["side, 120 fps and more"]["cadence_worst_error_percent"] == pytest.approx(1.0)


def test_swapped_legs_and_lost_stances_are_counted(tmp_path):
    truth = read_truth(film_folder(tmp_path / "f", figure()))
    got = hold("f", truth, measured_film(truth, swap=(5,), drop=(8,)))
    assert got.swaps == 1
    events = films_check.both_kinds(got.rows)
    assert (events["initial_contact"]["missed"], events["initial_contact"]["invented"]) == (2, 1)
    hidden = attrs.evolve(truth, shown=lambda side, t: abs(t - truth.contacts[8].on_s) > 0.3)
    events = films_check.both_kinds(hold("f", hidden, measured_film(truth, drop=(8,))).rows)
    assert events["initial_contact"]["missed"] == 0


def test_out_of_the_picture_need_not_be_found(tmp_path):
    frames = figure()
    frames["uv"][200:, :, 0] = 700.0  # the figure leaves a picture 640 wide after 1.67 s
    truth = read_truth(film_folder(tmp_path / "f", frames))
    assert truth.shown("left", 1.0)
    assert not truth.shown("left", 1.6)
    absent = read_truth(film_folder(tmp_path / "g", figure(), truth_text(extra={"absent": [[0, 2]]})))
    assert not absent.shown("left", 2.3)
    assert absent.shown("left", 3.0)


DAMAGE = {
    "it can't be read": lambda p: (p / "truth.json").write_text("{"),
    "KeyError: 'fps'": lambda p: (p / "truth.json").write_text(truth_text().replace('"fps"', '"rate"')),
    "no events": lambda p: (p / "truth.json").write_text(json.dumps({**json.loads(truth_text()), "events": []})),
    "view 'above'": lambda p: (p / "args").write_text("above 3 1.8 treadmill"),
    "surface 'sand'": lambda p: (p / "args").write_text("side 3 1.8 sand"),
    "can't be read as an npz file": lambda p: (p / "truth_frames.npz").write_bytes(b"PK no"),
    "is not in list": lambda p: np.savez(
        p / "truth_frames.npz", **{**figure(), "names": np.array(["x"] * len(POINTS))}
    ),
}


@pytest.mark.parametrize("words", DAMAGE)
def test_damaged_truths(tmp_path, words):
    folder = film_folder(tmp_path / "f", figure())
    DAMAGE[words](folder)
    with pytest.raises(MidstanceError) as caught:
        read_truth(folder)
    assert words in str(caught.value)
    assert "Next:" in str(caught.value)


def test_films_that_fail_are_named_and_the_exit_code_says_so(tmp_path):
    film_folder(tmp_path / "clips" / "b_no_film", figure())
    (tmp_path / "clips" / "a_no_truth").mkdir()
    (tmp_path / "clips" / "a_no_truth" / "video.mp4").write_bytes(b"")
    (tmp_path / "clips" / "nothing").mkdir()
    film_folder(tmp_path / "clips" / ".unfinished", figure())
    report = run_validate(clips=tmp_path / "clips", progress=silent)
    assert report.exit_code == 2
    got = json.loads(report.to_json())
    assert [f["name"] for f in got["clips"]["failed"]] == ["a_no_truth", "b_no_film"]
    assert all("Next:" in f["message"] for f in got["clips"]["failed"])
    assert "events" not in got
    text = "\n".join(report.lines())
    assert "Not judged: a_no_truth" in text
    assert "Not judged: b_no_film" in text


def test_a_fault_of_the_program_does_not_stop_the_others(tmp_path, monkeypatch):
    truth = read_truth(film_folder(tmp_path / "f", figure()))
    films = [Film("one", Path("one.mp4"), truth), Film("two", Path("two.mp4"), truth)]

    def check(film, progress, rate):
        if film.name == "one":
            raise ZeroDivisionError("of zero")
        return hold(film.name, film.truth, measured_film(truth))

    monkeypatch.setattr(films_check, "check_film", check)
    got = check_films(films, silent)
    assert list(got["films"]) == ["two"]
    assert got["failed"] == [{"name": "one", "message": "a fault of the program: ZeroDivisionError: of zero"}]
    report = ValidationReport.from_json(ValidationReport({"clips": got}).to_json())
    text = "\n".join(report.lines())
    assert "side: shank_angle_contact, median abs. error" in text
    assert "two (side, 120 fps, right leg near)" in text
    assert "| shank_angle_contact, ° |" in report.markdown("films")


@pytest.mark.parametrize("make", [lambda p: p / "none", lambda p: p])
def test_folders_without_films(tmp_path, make):
    with pytest.raises(OptionError) as caught:
        find_films(make(tmp_path))
    for part in ("--clips", "Allowed:", "Next:"):
        assert part in str(caught.value)


def test_a_fault_of_the_films_folder_is_told_before_the_recordings_are_judged(tmp_path):
    with pytest.raises(OptionError, match="--clips"):
        run_validate(data=Path(__file__).parents[1] / "data" / "rbds", clips=tmp_path, progress=silent)


def test_films_of_the_package_have_their_truth():
    with shipped_films() as films:
        assert [f.truth.view for f in films] == ["side", "rear", "front"]
        for f in films:
            assert f.video.is_file()
            assert len(f.truth.contacts) >= 10
            assert f.truth.contacts[2].measures["contact_time"] == pytest.approx(
                f.truth.contacts[2].off_s - f.truth.contacts[2].on_s, abs=2e-4
            )
    assert "invented" in films_check.demo_note()
