"""Recordings with force truth: reading, damage, and a known shift that must come out as the bias.

The recordings are two cut from Fukuchi RK, Fukuchi CA, Duarte M (2017), PeerJ 5:e3298, doi 10.7717/peerj.3298 (CC BY 4.0,
licence from memory); see tests/data/rbds/README.md.
"""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from midstance.errors import MidstanceError, OptionError
from midstance.gait.model import SIDES
from midstance.validate import events_check
from midstance.validate.events_check import Truth, both_kinds, contact_time, judge, plane_paths
from midstance.validate.recordings import make_recording, pack, read_folder, shipped_recordings
from midstance.validate.recordings_check import check_recordings
from midstance.validate.report import run_validate

DATA = Path(__file__).parents[1] / "data" / "rbds"
EVENT_KEYS = ["n", "missed", "invented", "bias_ms", "median_abs_ms", "p95_abs_ms"]


def silent(stage, share):
    assert stage
    assert 0.0 <= share <= 1.0 + 1e-9


def contents(name="runner12_2.5mps"):
    with np.load(DATA / f"{name}.npz") as d:
        return {k: d[k] for k in d.files}


def folder_of(place, **files):
    place.mkdir(exist_ok=True)
    for name, values in files.items():
        np.savez(place / f"{name}.npz", **values)
    return place


@pytest.fixture(scope="module")
def plain():
    """The two recordings as they are, without resampled conditions."""
    recordings, failures, skipped = read_folder(DATA)
    assert (len(recordings), failures, skipped) == (2, [], [])
    return check_recordings(recordings, silent, rates_hz=(), noises_mm=())


def test_layout_of_the_json(tmp_path):
    folder = folder_of(tmp_path / "d", some_name=contents())
    report = run_validate(data=folder, progress=silent)
    got = json.loads(report.to_json())
    assert set(got["events"]) == {"initial_contact", "toe_off"}
    for kind in got["events"].values():
        assert list(kind) == EVENT_KEYS
    assert list(got["contact_time"]) == ["bias_ms", "sd_ms"]
    assert list(got["by_speed"]) == ["2.5"]
    assert list(got["by_strike"]) == ["rearfoot"]
    for group in (*got["by_speed"].values(), *got["by_strike"].values()):
        assert [list(k) for k in group.values()] == [EVENT_KEYS, EVENT_KEYS]
    assert got["threshold_n"] == 50
    assert [(c["rate_hz"], c["noise_mm"]) for c in got["conditions"]] == [
        (r, n) for r in (60, 120, 240) for n in (0, 3, 6)
    ]
    for c in got["conditions"]:
        assert list(c["events"]["toe_off"]) == EVENT_KEYS
        assert 0.0 <= c["coverage"]["toe_off"] <= 1.0
    assert len(got["published_rules"]) >= 4
    assert got["runners"]["some_name"]["left_out"] is True
    assert got["failed"] == []
    assert report.exit_code == 0
    text = "\n".join(report.lines())
    assert text.count("50 N") >= 4
    assert "coefficients fitted" in text
    assert "| initial contact, median abs. error | ≤ 3 ms |" in report.markdown("events")


def test_all_events_are_found_and_near_the_force(plain):
    """Bars of the product, on runners that the coefficients used here were not fitted to."""
    for kind in plain["events"].values():
        assert (kind["missed"], kind["invented"]) == (0, 0)
        assert kind["n"] > 40
        assert kind["p95_abs_ms"] < 14.0
    assert plain["angles"] == []


def test_a_known_shift_of_the_force_comes_out_as_the_bias(plain):
    """Contacts said to begin 5 ms earlier and to end 20 ms later: found ones are 5 ms late, toe-offs 20 ms early."""
    shifted = []
    for path in sorted(DATA.glob("runner*.npz")):
        v = contents(path.stem)
        v["contact_on_s"], v["contact_off_s"] = v["contact_on_s"] - 0.005, v["contact_off_s"] + 0.020
        shifted.append(make_recording(path.stem, v))
    got = check_recordings(shifted, silent, rates_hz=(), noises_mm=())
    for kind, by in (("initial_contact", 5.0), ("toe_off", -20.0)):
        assert got["events"][kind]["n"] == plain["events"][kind]["n"]
        assert got["events"][kind]["bias_ms"] - plain["events"][kind]["bias_ms"] == pytest.approx(by, abs=0.01)
    assert got["contact_time"]["bias_ms"] - plain["contact_time"]["bias_ms"] == pytest.approx(-25.0, abs=0.01)
    assert got["contact_time"]["sd_ms"] == pytest.approx(plain["contact_time"]["sd_ms"], abs=0.01)


def test_missed_invented_and_the_ends():
    """Ten stances of a foot: one is not found, one is found where there is none, the first lies at an end."""
    on = 0.05 + 0.7 * np.arange(10)
    nothing = np.empty(0)
    truth = Truth(
        "a",
        "a",
        "3",
        dict.fromkeys(SIDES, "rearfoot"),
        {"left": on, "right": nothing},
        {"left": on + 0.25, "right": nothing},
    )

    def event(kind, t):
        from midstance.gait.model import Event

        return Event("side", "left", kind, t, t - 0.004, t + 0.004)

    found = [event("initial_contact", t + 0.003) for t in on[2:]]  # without the first two
    found += [
        event("initial_contact", on[5] + 0.35),
        event("initial_contact", on[-1] + 0.6),
    ]  # the last lies after the last stance
    found += [event("toe_off", t + 0.25 + 0.013) for t in on]
    rows = judge(truth, found, 0.0, 7.0)
    got = both_kinds(rows)
    assert got["initial_contact"] == {
        "n": 8, "missed": 1, "invented": 1, "bias_ms": 3.0, "median_abs_ms": 3.0, "p95_abs_ms": 3.0,
    }  # fmt: skip
    assert events_check.near_ends(rows) == {"initial_contact": 1, "toe_off": 0}
    assert events_check.coverage(rows) == {"initial_contact": 1.0, "toe_off": 0.0}
    assert contact_time(rows) == {"bias_ms": 10.0, "sd_ms": 0.0}


def test_order_names_and_folder_change_nothing(tmp_path):
    first = folder_of(tmp_path / "a", x1=contents("runner01_3.5mps"), x2=contents())
    second = folder_of(tmp_path / "b", zz=contents("runner01_3.5mps"), aa=contents())
    got = [check_recordings(read_folder(f)[0], silent, rates_hz=(60.0,), noises_mm=(3.0,)) for f in (first, second)]
    for key in ("events", "contact_time", "by_speed", "by_strike", "coverage", "published_rules"):
        assert got[0][key] == got[1][key]
    assert got[0]["conditions"] == got[1]["conditions"]


def test_short_gaps_are_bridged_and_long_ones_cost_only_what_they_hide(tmp_path):
    v = contents()
    for key in ("L_Ankle_m", "R_MT2_m"):
        v[key] = v[key].copy()
        v[key][200:205] = np.nan  # 33 ms
    for key in ("L_Heel_Bottom_m", "L_MT2_m", "L_Knee_m"):
        v[key] = v[key].copy()
        v[key][600:750] = np.nan  # one second
    recording = make_recording("gaps", v)
    got = check_recordings([recording], silent, rates_hz=(120.0,), noises_mm=(0.0,))
    whole = check_recordings([make_recording("whole", contents())], silent, rates_hz=(), noises_mm=())
    for events in (got["events"], got["conditions"][0]["events"]):
        for kind in ("initial_contact", "toe_off"):
            assert events[kind]["invented"] == 0
            assert 1 <= whole["events"][kind]["n"] - events[kind]["n"] <= 3
            assert abs(events[kind]["bias_ms"] - whole["events"][kind]["bias_ms"]) < 3.0
    paths = plane_paths(recording, rate_hz=120.0)
    lost = np.isnan(paths.point("left_heel")[:, 0])
    assert lost[(paths.time_s > 4.01) & (paths.time_s < 4.98)].all()
    assert not lost[(paths.time_s < 3.9) | (paths.time_s > 5.1)][1:-1].any()
    assert not np.isnan(paths.point("left_ankle")[1:-1]).any()


def test_resampling_and_noise():
    recording = make_recording("r", contents())
    own = plane_paths(recording)
    assert own.time_s is recording.time_s
    np.testing.assert_array_equal(own.point("right_toe"), recording.markers["R_MT2_m"][:, :2])
    clean, noisy = (plane_paths(recording, rate_hz=240.0, noise_m=n) for n in (0.0, 0.006))
    assert clean.rate_hz == pytest.approx(240.0)
    difference = (noisy.xy - clean.xy)[np.isfinite(clean.xy)]
    assert difference.std() == pytest.approx(0.006, rel=0.02)
    assert abs(difference.mean()) < 2e-4
    again, other = (plane_paths(recording, rate_hz=240.0, noise_m=0.006, repeat=k) for k in (0, 1))
    np.testing.assert_array_equal(again.xy, noisy.xy)
    assert other.time_s[0] != noisy.time_s[0]


@pytest.mark.parametrize("speed", [2.5, 3.0, 4.17, None])
def test_names_of_speeds(speed):
    assert events_check.speed_key(speed) == {2.5: "2.5", 3.0: "3", 4.17: "4.17", None: "unknown"}[speed]


def test_what_is_unknown_is_tolerated(tmp_path):
    v = contents()
    for key in ("strike_right", "speed_mps", "mass_kg", "height_cm"):
        v.pop(key, None)
    v["strike_left"] = np.array(b"sideways")
    v["contact_side"] = np.where(v["contact_side"] == "R", "right", "left").astype(bytes)
    toe = v.pop("R_MT2_m")
    v["R_MT1_m"], v["R_MT5_m"] = toe - np.array([0.0, 0.0, 0.03]), toe + np.array([0.0, 0.0, 0.03])
    got = check_recordings(read_folder(folder_of(tmp_path / "d", odd=v))[0], silent, rates_hz=(), noises_mm=())
    assert list(got["by_strike"]) == ["unknown"]
    assert list(got["by_speed"]) == ["unknown"]
    assert "odd: right toe from MT1 and MT5" in got["notes"]
    assert got["events"]["toe_off"]["missed"] == 0


def broken(change):
    v = contents()
    change(v)
    return v


BROKEN = {
    "no “contact_side” in it|no times": lambda v: v.pop("contact_side"),
    "rising times": lambda v: v.update(time_s=v["time_s"][::-1]),
    "0.50 s at 150": lambda v: v.update(
        {k: x[:76] for k, x in v.items() if np.ndim(x) and len(x) == len(v["time_s"])}
    ),
    "L_Knee_m is missing": lambda v: v.pop("L_Knee_m"),
    "R_GTR_m is missing, or lost": lambda v: v.update(R_GTR_m=np.full_like(v["R_GTR_m"], np.nan)),
    "has the shape": lambda v: v.update(R_Ankle_m=v["R_Ankle_m"][:-1]),
    "don't go together": lambda v: v.update(contact_off_s=v["contact_off_s"][1:]),
    "have no length": lambda v: v.update(contact_off_s=v["contact_on_s"] - 0.1),
    "there are none": lambda v: v.update(
        contact_on_s=np.empty(0), contact_off_s=np.empty(0), contact_side=np.empty(0, "U1")
    ),
    "contact_side holds": lambda v: v.update(contact_side=np.full(len(v["contact_on_s"]), "both")),
    "outside the markers' times": lambda v: v.update(
        contact_on_s=v["contact_on_s"] + 100, contact_off_s=v["contact_off_s"] + 100
    ),
    "does not hold numbers": lambda v: v.update(time_s=np.array(["a"] * len(v["time_s"]))),
}


@pytest.mark.parametrize("words", BROKEN)
def test_broken_recordings_are_told_and_the_rest_goes_on(tmp_path, words):
    folder = folder_of(tmp_path / "d", good=contents(), bad=broken(BROKEN[words]))
    recordings, failures, _ = read_folder(folder)
    assert [r.name for r in recordings] == ["good"]
    (failure,) = failures
    assert failure.name == "bad.npz"
    assert words.split("|")[0] in failure.message
    for part in (str(folder / "bad.npz"), "Allowed:", "Next:"):
        assert part in failure.message


def test_files_that_are_no_recordings(tmp_path):
    folder = folder_of(tmp_path / "d", good=contents(), other={"x": np.arange(3)})
    (folder / "text.npz").write_text("no zip at all")
    (folder / "empty.npz").write_bytes(b"")
    np.savez(folder / "objects.npz", time_s=np.array([None, 1], dtype=object))
    whole = (DATA / "runner12_2.5mps.npz").read_bytes()
    (folder / "cut.npz").write_bytes(whole[: len(whole) // 2])
    (folder / "notes.txt").write_text("hello")
    recordings, failures, skipped = read_folder(folder)
    assert [r.name for r in recordings] == ["good"]
    assert sorted(f.name for f in failures) == ["cut.npz", "empty.npz", "objects.npz", "text.npz"]
    assert skipped == ["other.npz"]
    report = run_validate(data=folder, progress=silent)
    assert report.exit_code == 2
    assert len(json.loads(report.to_json())["failed"]) == 4
    assert any("Not judged: cut.npz" in line for line in report.lines())
    assert "Not judged: cut.npz" in report.markdown()


@pytest.mark.parametrize("make", [lambda p: p / "none", lambda p: p, lambda p: DATA / "README.md"])
def test_folders_that_cannot_be_used(tmp_path, make):
    with pytest.raises(OptionError) as caught:
        run_validate(data=make(tmp_path), progress=silent)
    for part in ("--data", "Allowed:", "Next:"):
        assert part in str(caught.value)


def test_a_folder_of_broken_recordings_names_the_first_fault(tmp_path):
    folder = folder_of(tmp_path / "d", bad=broken(BROKEN["rising times"]))
    with pytest.raises(OptionError, match="rising times"):
        read_folder(folder)


def test_packing_keeps_what_checks_need(tmp_path):
    recording = make_recording("runner12_2.5mps", contents())
    reference = {
        "time_s": recording.time_s[:300],
        "knee_angle_r_deg": np.linspace(-3.0, 90.0, 300),
        "hip_rotation_r_deg": np.zeros(300),
    }
    recording = make_recording(
        "runner12_2.5mps",
        {
            **contents(),
            "L_Knee_m": np.where(
                np.arange(len(recording.time_s))[:, None] == 7, np.nan, recording.markers["L_Knee_m"]
            ),
        },
        reference,
    )
    np.savez_compressed(tmp_path / "p.npz", **pack([recording], {"threshold_n": 50}))
    with np.load(tmp_path / "p.npz") as d:
        from midstance.validate.recordings import STEP_DEG, STEP_M, _unpressed

        names = json.loads(str(d["0.meta"]))["markers"]
        assert "R_MT2_m" in names
        assert "R_Heel_Top_m" not in names
        paths = _unpressed(d["0.markers"], STEP_M).reshape(len(recording.time_s), -1, 2)
        for i, name in enumerate(names):
            np.testing.assert_allclose(paths[:, i], recording.markers[name][:, :2], atol=0.5001 * STEP_M)
        np.testing.assert_allclose(
            _unpressed(d["0.angles"], STEP_DEG)[:, 0], reference["knee_angle_r_deg"], atol=0.5001 * STEP_DEG
        )


def test_recordings_of_the_package():
    """Against the two that stand apart, in full precision: 0.1 mm steps, the contacts exactly."""
    recordings, about = shipped_recordings()
    assert len(recordings) == 39
    assert len({r.runner for r in recordings}) == 13
    assert sorted({r.speed_mps for r in recordings}) == [2.5, 3.5, 4.5]
    assert "doi 10.7717/peerj.3298" in about["citation"]
    assert about["licence"] == "CC BY 4.0 (licence from memory)"
    assert about["threshold_n"] == 50
    assert all(r.reference is not None for r in recordings)
    for name in ("runner01_3.5mps", "runner12_2.5mps"):
        (mine,) = (r for r in recordings if r.name == name)
        whole = make_recording(name, contents(name))
        n = len(whole.time_s)
        np.testing.assert_allclose(mine.time_s[:n], whole.time_s, atol=1e-9)
        for side in SIDES:
            np.testing.assert_allclose(mine.leg(side)[:n], whole.leg(side), atol=5.1e-5)
            np.testing.assert_array_equal(mine.on_s[side][: len(whole.on_s[side])], whole.on_s[side])
        assert mine.strike == whole.strike


def test_joint_angles_beside_a_recording(tmp_path):
    v = contents()
    angles = {"time_s": v["time_s"], "pelvis_tilt_deg": np.zeros(len(v["time_s"]))}
    from midstance.gait.angles import knee_flexion

    for big, small in (("R", "r"), ("L", "l")):
        angles[f"knee_angle_{small}_deg"] = (
            knee_flexion(*(v[f"{big}_{m}_m"][:, :2] for m in ("GTR", "Knee", "Ankle"))) - 2.0
        )
    folder = folder_of(tmp_path / "d", r=v, r_joint_angles=angles)
    recordings, failures, _ = read_folder(folder)
    assert (len(recordings), failures) == (1, [])
    rows = {
        (a["joint"], a["part"]): a for a in check_recordings(recordings, silent, rates_hz=(), noises_mm=())["angles"]
    }
    assert rows["knee", "whole curve"]["bias_deg"] == pytest.approx(2.0, abs=1e-3)
    assert rows["knee", "whole curve"]["correlation"] == pytest.approx(1.0)
    shutil.copy(DATA / "README.md", folder / "r_joint_angles.npz")
    with pytest.raises(MidstanceError, match="can't be read as an npz file"):
        read_folder(folder)


def test_a_fault_of_the_program_is_named_and_the_rest_goes_on(monkeypatch):
    from midstance.validate import recordings_check

    recordings, _, _ = read_folder(DATA)
    whole = recordings_check.find_events_report

    def find(paths, **options):
        if paths.time_s is recordings[0].time_s:
            raise ZeroDivisionError("of zero")
        return whole(paths, **options)

    monkeypatch.setattr(recordings_check, "find_events_report", find)
    got = check_recordings(recordings, silent, rates_hz=(), noises_mm=())
    assert got["failed"] == [
        {"name": recordings[0].name, "message": "a fault of the program: ZeroDivisionError: of zero"}
    ]
    assert list(got["runners"]) == [recordings[1].runner]
