"""``midstance force``: what it prints and writes from real and made recordings, and what it refuses, in which words."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import attrs
import ezc3d
import numpy as np
import pytest
from force_runner import MadeRunner, made

from midstance import cli
from midstance.assess.ground import GroundRecord, measure_recording
from midstance.assess.ground_export import force_json, force_to_dict, write_force_contacts_csv, write_force_measures_csv
from midstance.force.model import ForceSettings
from midstance.force.registry import FORCE_REGISTRY
from midstance.plates.read import ReadOptions

ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT / "tests" / "data" / "force"
C3D = DATA / "runner12_3.5mps_raw_part.c3d"
SLOPE = DATA / "slope0_3.33mps_bw.csv"
SPRINT = DATA / "sprint_9mps_8plates.c3d"
DOC = (ROOT / "docs" / "force.md").read_text(encoding="utf-8")
FILES = ["force.html", "force.json", "force_contacts.csv", "force_measures.csv"]
RUNNER = MadeRunner(impact_bw=1.0)


@attrs.frozen
class Outcome:
    code: int
    out: str
    err: str

    @property
    def said(self) -> str:
        return re.sub(r"\s+", " ", self.out)

    @property
    def told(self) -> str:
        return re.sub(r"\s+", " ", self.err)


@pytest.fixture
def force(capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., Outcome]:
    """Run the command in an empty folder, in this process."""
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")

    def run(*args: object) -> Outcome:
        with pytest.raises(SystemExit) as left:
            cli.app(["force", *map(str, args)])
        said = capsys.readouterr()
        return Outcome(int(left.value.code or 0), said.out, said.err)

    return run


def table(path: Path, wrench: np.ndarray, names: str = "time,Fx (N),Fy (N),Fz (N)", factor: float = 1.0) -> Path:
    """A made runner's forces as CSV: forward, left and up as x, y and z."""
    t = np.arange(len(wrench)) / 1000
    rows = np.column_stack([t, factor * wrench[:, 0], -factor * wrench[:, 2], factor * wrench[:, 1]])
    lines = [",".join("" if np.isnan(v) else f"{v:.4f}" for v in row) for row in rows]
    path.write_text(names + "\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path


def forces(seconds: float = 8.0) -> np.ndarray:
    return made(RUNNER, seconds, noise_n=3.0).wrench[0]


def npz(path: Path) -> Path:
    """One real recording of the archive, unpacked: runner 12 at 3.5 m/s with the feet."""

    def real(z, key: str, step: float) -> np.ndarray:
        a = np.cumsum(z[f"runner12_3.5mps/{key}"].astype(np.int64), axis=-1).astype(np.int16)
        return np.where(a == -32768, np.nan, a * step)

    with np.load(DATA / "rbds_forces.npz") as z:
        up, cop, feet = real(z, "force", 0.5), real(z, "cop", 2e-4), real(z, "feet", 5e-4)
        mass, speed, *_ = z["runner12_3.5mps/facts"]
    flat = [np.column_stack([f[0], np.zeros(f.shape[1]), f[1]]) for f in feet]
    names = ("L_Heel_Bottom_m", "L_MT2_m", "R_Heel_Bottom_m", "R_MT2_m")
    np.savez(
        path,
        force_time_s=np.arange(len(up)) / 300,
        vertical_force_n=up,
        cop_forward_m=cop[0],
        cop_right_m=cop[1],
        time_s=np.arange(feet.shape[2]) / 150,
        mass_kg=float(mass),
        speed_mps=float(speed),
        **dict(zip(names, flat, strict=True)),
    )
    return path


def rows_of(file: Path) -> list[dict[str, str]]:
    with file.open(encoding="utf-8", newline="") as f:
        return list(csv.DictReader(f))


def measure(content: dict, key: str, side: str = "both") -> dict:
    return next(m for m in content["measures"] if (m["measure"], m["side"]) == (key, side))


# --- real recordings, printed and written


def test_a_raw_c3d(force):
    done = force(C3D, "--out", "out")
    assert done.code == 0
    for words in (
        "4.0 s at 300 samples a second",
        "type 4, volts through its calibration matrix",
        "up is +y by the plates' corners",
        "11 contacts measured (5 left, 6 right), 1 left out",
        "the recording begins or ends within it",
        "not measurable: sampled at 300 Hz",
        "right: rearfoot",
        "67 (85.9 %)",
        "channels at the end of their range: 0 contacts",
        "held in memory whole",
        "force.html",
    ):
        assert words in done.said
    assert sorted(p.name for p in Path("out").iterdir()) == FILES


def test_each_file_says_the_same(force):
    assert force(C3D, "--out", "out", "--quiet") == Outcome(0, "", "")
    content = json.loads(Path("out/force.json").read_text(encoding="utf-8"))
    assert content["schema"] == 1
    by_csv = {(r["measure"], r["side"]): r for r in rows_of(Path("out/force_measures.csv"))}
    assert len(by_csv) == len(content["measures"]) == 3 * len(FORCE_REGISTRY) - 2  # cadence has no sides
    for m in content["measures"]:
        row = by_csv[m["measure"], m["side"]]
        assert row["value"] == ("" if m["value"] is None else repr(m["value"]))
        assert row["reason"] == m.get("reason", "")
    contacts = rows_of(Path("out/force_contacts.csv"))
    assert len(contacts) == len(content["contacts"]) == 12
    kept = [r for r in contacts if not r["left_out_because"]]
    assert len(kept) == 11
    for side in ("left", "right"):
        own = [float(r["toe_off_s"]) - float(r["initial_contact_s"]) for r in kept if r["side"] == side]
        assert np.mean(own) == pytest.approx(measure(content, "contact_time", side)["value"], abs=1e-5)
        peaks = [float(r["peak_BW"]) for r in kept if r["side"] == side]
        assert np.mean(peaks) == pytest.approx(measure(content, "vertical_force_peak", side)["value"], abs=1e-5)
    for r in kept:
        assert float(r["peak_N"]) == pytest.approx(float(r["peak_BW"]) * content["body_weight"]["value"], rel=1e-5)
    left_out = next(r for r in contacts if r["left_out_because"])
    assert left_out["peak_N"] == left_out["peak_BW"] == left_out["contact_time_s"] == ""
    assert not any("loading_rate" in name for name in contacts[0])  # refused at 300 Hz: no column of it anywhere
    page = Path("out/force.html").read_text(encoding="utf-8")
    assert f"{1000 * measure(content, 'contact_time')['value']:.0f} ms" in page


def test_body_weights_in_a_column_without_a_name(force):
    done = force(SLOPE, "--rate", "500Hz", "--mass", "76.8kg", "--out", "out")
    assert done.code == 0
    assert "500 samples a second, as given" in done.said
    assert 'column "column 1" is the force along up, × 1 to BW' in done.said
    assert "left and right could not be told apart" in done.said
    assert "low-passed at about" in done.said
    content = json.loads(Path("out/force.json").read_text(encoding="utf-8"))
    assert content["checks"][0]["value"] == pytest.approx(1.0, abs=0.03)
    assert content["body_weight"]["value"] == pytest.approx(76.8 * 9.81)
    rows = rows_of(Path("out/force_contacts.csv"))
    assert all(r["side"] == "" for r in rows)
    assert all(float(r["peak_BW"]) > 1.5 for r in rows if not r["left_out_because"])


def test_body_weights_without_a_mass_give_no_newtons(force):
    content = json.loads(force(SLOPE, "--rate", "500", "--json").out)
    assert content["body_weight"]["value"] is None
    assert all(c["peak_n"] is None for c in content["contacts"])
    assert measure(content, "vertical_force_peak")["value"] == pytest.approx(2.26, abs=0.1)


def test_the_first_foot_can_be_named(force):
    def first(side: str) -> list[str]:
        content = json.loads(force(SLOPE, "--rate", "500Hz", "--first-side", side, "--json").out)
        assert content["recording"]["sides_from"] == "alternation"
        return [c["side"] for c in content["contacts"]]

    left, right = first("left"), first("right")
    assert left[0] == "left"
    assert left == [{"left": "right", "right": "left"}[s] for s in right]


def test_an_archive_with_mass_speed_and_feet(force, tmp_path):
    done = force(npz(tmp_path / "run.npz"), "--json")
    content = json.loads(done.out)
    assert (done.code, done.err) == (0, "")
    assert content["recording"]["sides_from"] == "feet"
    assert content["settings"]["mass_from"] == content["settings"]["speed_from"] == "the file"
    assert content["strike"]["left"].startswith("rearfoot")  # as published of this runner
    assert content["checks"][0]["verdict"] == "good"
    curve = content["curves"][0]
    assert len(curve["force_up"]) == len(curve["cop_along"]) == 101
    assert curve["cop_along"][0] is None  # masked where the plate bears too little
    assert max(curve["force_up"]) == pytest.approx(measure(content, "vertical_force_peak", "left")["value"], abs=0.05)


def test_a_sprint_over_plates_meets_its_labels(force):
    """Events marked in the file, to the camera's 4 ms (Dorn et al. 2012), at 10 N; contact is shorter at 50 N."""
    at_10 = json.loads(force(SPRINT, "--threshold", "10N", "--mass", "75", "--json").out)
    at_50 = json.loads(force(SPRINT, "--mass", "75", "--json").out)
    assert at_10["recording"]["surface"] == "plates"
    assert [c["side"] for c in at_10["contacts"]] == ["right", "left", "right", "left"]
    labels = ezc3d.c3d(str(SPRINT))["parameters"]["EVENT"]["TIMES"]["value"][1]
    marked = [t for t in labels if 3.6 < t < 4.55]
    own = [c[k] for c in at_10["contacts"] for k in ("initial_contact_s", "toe_off_s")]
    assert all(min(abs(t - o) for o in own) < 0.004 for t in marked)
    assert measure(at_50, "contact_time")["value"] < measure(at_10, "contact_time")["value"]
    assert measure(at_10, "impact_peak")["reason"].startswith("no distinct impact peak")


# --- determinism, and nothing half-written


def test_the_same_bytes_twice(force):
    force(C3D, "--out", "a", "--quiet")
    done = subprocess.run(
        [sys.executable, "-c", "from midstance.cli import main; main()", "force", str(C3D), "--out", "b", "--quiet"],
        check=False,
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
    for name in FILES:
        assert Path("a", name).read_bytes() == Path("b", name).read_bytes()
    assert force(C3D, "--json").out == Path("a/force.json").read_text(encoding="utf-8")


def test_nothing_names_the_machine(force, tmp_path):
    force(C3D, "--out", "out", "--quiet")
    for name in FILES:
        assert str(ROOT) not in Path("out", name).read_text(encoding="utf-8")
        assert str(tmp_path) not in Path("out", name).read_text(encoding="utf-8")


def test_earlier_results_are_replaced_only_when_asked(force):
    force(C3D, "--out", "out", "--quiet")
    before = Path("out/force.json").read_bytes()
    refused = force(C3D, "--out", "out", "--threshold", "20N")
    assert refused.code == 2
    assert "not empty" in refused.told
    assert "--overwrite" in refused.told
    assert Path("out/force.json").read_bytes() == before
    assert force(C3D, "--out", "out", "--threshold", "20N", "--overwrite", "--quiet").code == 0
    assert Path("out/force.json").read_bytes() != before
    assert sorted(p.name for p in Path("out").iterdir()) == FILES


def test_a_folder_of_something_else_is_left_alone(force):
    Path("out").mkdir()
    Path("out/assessment.json").write_text('{"schema": 1, "software": "midstance 0.1.0"}', encoding="utf-8")
    done = force(C3D, "--out", "out", "--overwrite")
    assert done.code == 2
    assert "no force.json of this program in it" in done.told
    force(C3D, "--out", "mine", "--quiet")
    Path("mine/notes.txt").write_text("own", encoding="utf-8")
    done = force(C3D, "--out", "mine", "--overwrite")
    assert done.code == 2
    assert "notes.txt" in done.told
    assert sorted(p.name for p in Path("mine").iterdir()) == [*FILES, "notes.txt"]


def test_a_fault_while_writing_leaves_nothing(force, monkeypatch):
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("midstance.job.write_force_page", full)
    done = force(C3D, "--out", "deep/out")
    assert done.code == 2
    assert "the disk is full" in done.told
    assert list(Path().iterdir()) == []


def test_without_out_nothing_is_written(force):
    done = force(C3D)
    assert done.code == 0
    assert "Nothing was written" in done.told
    assert list(Path().iterdir()) == []


# --- options that don't fit


WRONG = {
    "speed twice": (["--speed", "12km/h", "--pace", "5:00/km"], "speed and pace are both given"),
    "a speed without a unit": (["--speed", "12"], "is not a speed"),
    "a threshold in kg": (["--threshold", "5kg"], "--threshold: “5kg” can't be read"),
    "a threshold of half a weight": (["--threshold", "400N"], "5 to 200 N, written as 50N"),
    "a mass in pounds": (["--mass", "154lb"], "--mass: “154lb” is not a body mass"),
    "a height for a mass": (["--height", "70kg"], "--height: “70kg” is not a length"),
    "mass and height swapped": (["--mass", "1.78", "--height", "70"], "--mass: “1.78” is not a body mass"),
    "a foot of a metre": (["--heel-to-metatarsals", "1m"], "0.1 to 0.32 m"),
    "shares falling": (["--loading-between", "80-20%"], "two rising percentages"),
    "shares beyond": (["--loading-between", "20-180%"], "two rising percentages"),
    "one axis for two": (["--up", "y", "--forward", "-y"], "both are the file's y axis"),
    "json and quiet": (["--json", "--quiet"], "these exclude each other"),
    "overwrite nothing": (["--overwrite"], "there is nothing to replace"),
    "columns of a C3D": (["--channel", "force_up=Fz"], "a C3D file says itself"),
    "rate of a C3D": (["--rate", "1000Hz"], "a C3D file says itself"),
}


@pytest.mark.parametrize(("options", "words"), WRONG.values(), ids=WRONG)
def test_wrong_options(force, options, words):
    done = force(C3D, *options)
    assert done.code == 2
    assert words in done.told
    assert "Allowed: " in done.told
    assert done.out == ""
    assert "Traceback" not in done.err


TABLE_WRONG = {
    "no such role": (["--channel", "upwards=Fz (N)"], "doesn't say what a column is"),
    "role and column swapped": (["--channel", "Fz (N)=force_up"], "ROLE=COLUMN"),
    "no equals sign": (["--channel", "force_up"], "doesn't say what a column is"),
    "two roles": (["--channel", "force_x=Fz (N)", "--channel", "force_up=Fz (N)"], "is given two roles"),
    "no such column": (["--channel", "force_up=FZ"], "no column is called 'FZ'"),
    "no such unit": (["--unit", "stone"], "“stone” is no unit known here. Allowed: N, kN, kgf, lbf, mN, BW"),
    "no such length": (["--length-unit", "ell"], "“ell” is no unit known here"),
    "a rate without sense": (["--rate", "0Hz"], "20 to 100000 Hz, written as 1000Hz"),
    "the wrong unit": (["--unit", "kN", "--mass", "70kg"], "which no platform bears"),
    "the wrong unit, less far off": (["--unit", "lbf", "--mass", "70kg"], "of the body weight"),
}


@pytest.mark.parametrize(("options", "words"), TABLE_WRONG.values(), ids=TABLE_WRONG)
def test_wrong_options_of_a_table(force, tmp_path, options, words):
    done = force(table(tmp_path / "t.csv", forces(4)), *options, "--out", "out")
    assert done.code == 2
    assert words in done.told
    assert not Path("out").exists()


def test_choices_are_explained():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for word in ("treadmill", "plates", "left", "right", "force", "time"):
        assert f"`{word}`" in readme


# --- options that change what is understood


def test_columns_named_by_hand(force, tmp_path):
    """Names that mislead: the vertical force stands under "a", something else under Fz."""
    path = table(tmp_path / "t.csv", forces(), "time,b,c,a,Fz".removesuffix(",Fz"))
    content = json.loads(
        force(path, "--channel", "force_up=a", "--channel", "force_forward=b", "--channel", "force_left=c", "--json").out
    )
    assert measure(content, "cadence")["value"] == pytest.approx(60 / 0.35, abs=0.2)
    assert measure(content, "braking_impulse")["value"] == pytest.approx(RUNNER.braking_bw_s, abs=0.002)


def test_axes_named_by_hand_agree_with_those_found(force, tmp_path):
    path = table(tmp_path / "t.csv", forces())
    found = json.loads(force(path, "--mass", "70", "--json").out)
    given = json.loads(force(path, "--mass", "70", "--up", "z", "--forward", "x", "--json").out)
    turned = json.loads(force(path, "--mass", "70", "--up", "z", "--forward", "-x", "--json").out)
    assert found["measures"] == given["measures"]
    brake, push = (measure(turned, k)["value"] for k in ("braking_impulse", "propulsive_impulse"))
    assert brake == pytest.approx(-measure(given, "propulsive_impulse")["value"], abs=1e-6)
    assert push == pytest.approx(-measure(given, "braking_impulse")["value"], abs=1e-6)


def test_units_are_told_from_the_weight(force, tmp_path):
    """Forces in kN under names without a unit; and under a name that says N, which must not pass."""
    path = table(tmp_path / "kn.csv", forces(), "time,Fx,Fy,Fz", 0.001)
    done = force(path, "--mass", "70kg")
    assert done.code == 0
    assert "× 1000 to N" in done.said
    wrong = force(table(tmp_path / "n.csv", forces(), factor=0.001), "--mass", "70kg", "--out", "out")
    assert wrong.code == 2
    assert "kN" in wrong.told
    assert not Path("out").exists()


def test_the_loading_rates_part_is_stored(force, tmp_path):
    path = table(tmp_path / "t.csv", forces(12))
    by_force = json.loads(force(path, "--json").out)
    by_time = json.loads(force(path, "--loading-between", "10-90%", "--loading-share-of", "time", "--json").out)
    assert "between 20 and 80 % of the force" in measure(by_force, "loading_rate_average")["method"]
    assert "between 10 and 90 % of the time" in measure(by_time, "loading_rate_average")["method"]
    assert measure(by_force, "loading_rate_average")["value"] != measure(by_time, "loading_rate_average")["value"]
    assert by_time["settings"]["loading_between"] == [0.1, 0.9]


def test_body_height_gives_the_strike_index(force, tmp_path):
    """Without feet the length of the foot comes from body height; the made foot is 0.20 m, loaded first at 0.10."""
    w = made(RUNNER, 12.0, noise_n=3.0).wrench[0]
    names = "time,Fx (N),Fy (N),Fz (N),Mx (Nm),My (Nm),Mz (Nm)"
    t = np.arange(len(w)) / 1000
    # Axes x forward, y left, z up: moments of runner's axes (forward, up, right) turned likewise.
    data = np.column_stack([t, w[:, 0], -w[:, 2], w[:, 1], w[:, 3], -w[:, 5], w[:, 4]])
    path = tmp_path / "moments.csv"
    np.savetxt(path, data, fmt="%.4f", delimiter=",", header=names, comments="")
    without = json.loads(force(path, "--mass", "70", "--json").out)
    assert "body height" in measure(without, "strike_index")["reason"]
    speed = ["--speed", "3.3m/s"]
    by_length = json.loads(force(path, "--mass", "70", *speed, "--heel-to-metatarsals", "20cm", "--json").out)
    by_height = json.loads(force(path, "--mass", "70", *speed, "--height", "1.60m", "--json").out)
    for content in (by_length, by_height):
        assert content["recording"]["sides_from"] == "centre of pressure"
        assert measure(content, "strike_index")["value"] is not None
    width = [m["high"] - m["low"] for m in (measure(c, "strike_index") for c in (by_length, by_height))]
    assert width[1] > width[0] * 0.99
    assert by_height["strike"]["left"]


# --- recordings that can't be trusted


def test_a_file_that_is_not_there(force):
    done = force("none.c3d", "--out", "out")
    assert done.code == 2
    assert "none.c3d: there is no such file" in done.told
    assert not Path("out").exists()


def test_a_folder_instead_of_a_file(force, tmp_path):
    assert "there is no such file" in force(tmp_path).told


def test_a_film_instead_of_a_recording(force, tmp_path):
    (tmp_path / "side.mp4").write_bytes(b"0000ftypisom")
    done = force(tmp_path / "side.mp4")
    assert done.code == 2
    assert "files of the kind .mp4 can't be read" in done.told


def test_a_rate_that_is_missing(force):
    done = force(SLOPE)
    assert done.code == 2
    assert "no column of times, and no sampling rate" in done.told
    assert "give the sampling rate in Hz" in done.told


def test_calibration_missing(force, tmp_path):
    c = ezc3d.c3d(str(C3D))
    c["parameters"]["FORCE_PLATFORM"]["CAL_MATRIX"]["value"] = np.zeros((6, 6, 1))
    path = tmp_path / "bare.c3d"
    c.write(str(path))
    done = force(path, "--out", "out")
    assert done.code == 2
    assert "type 4 without its calibration matrix" in done.told
    assert not Path("out").exists()


def test_a_damaged_c3d(force, tmp_path):
    path = tmp_path / "cut.c3d"
    path.write_bytes(C3D.read_bytes()[:700])
    done = force(path)
    assert done.code == 2
    assert "cut.c3d" in done.told
    assert "Traceback" not in done.err


def test_gaps_everywhere_are_refused_and_few_are_left_out(force, tmp_path):
    w = forces()
    most = w.copy()
    most[np.arange(len(w)) % 3 > 0, 1] = np.nan
    assert "not numbers" in force(table(tmp_path / "most.csv", most), "--out", "out").told
    few = w.copy()
    few[1200:1203, 1] = np.nan  # within the fourth contact: 1.15 to 1.40 s
    done = force(table(tmp_path / "few.csv", few), "--mass", "70")
    assert done.code == 0
    assert "at 1.20 s: values are missing in it" in done.said
    assert "contacts with gaps are left out" in done.said


def test_saturated_contacts_are_left_out(force, tmp_path):
    w = forces()
    top = 0.8 * w[:, 1].max()
    clipped = w.copy()
    clipped[1000:3000, 1] = np.minimum(w[1000:3000, 1], top)
    done = force(table(tmp_path / "clipped.csv", clipped), "--mass", "70", "--json")
    content = json.loads(done.out)
    left_out = [c for c in content["contacts"] if "(saturated)" in (c["left_out_because"] or "")]
    assert 4 <= len(left_out) <= 7
    assert all(1.0 - 0.25 < c["initial_contact_s"] < 3.0 for c in left_out)
    assert all(c["peak_n"] is None and c["values"] == {} for c in left_out)
    check = next(c for c in content["checks"] if c["check"] == "channels at the end of their range")
    assert (check["value"], check["verdict"]) == (len(left_out), "usable")


def test_two_feet_on_one_plate(force, tmp_path):
    w = forces()
    t = np.arange(len(w)) / 1000
    hole = (t > 3.59) & (t < 3.96)  # the flight between two contacts filled: the second foot came before the first had left
    w[hole, 1] = np.maximum(w[hole, 1], 300.0)
    done = force(table(tmp_path / "two.csv", w), "--mass", "70")
    assert done.code == 0
    assert "feet on the plate" in done.said


def test_nobody_on_the_plate(force, tmp_path):
    w = np.random.default_rng(3).normal(0, 3, (4000, 6))
    done = force(table(tmp_path / "empty.csv", w), "--out", "out")
    assert done.code == 2
    assert "nobody is on the plates" in done.told
    assert not Path("out").exists()


def test_a_file_that_may_not_be_read_is_told(force, monkeypatch, tmp_path):
    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    path = table(tmp_path / "t.csv", forces(2))
    monkeypatch.setattr("midstance.assess.ground.open_force", refuse)
    done = force(path)
    assert done.code == 2
    assert "it can't be read (Permission denied)" in done.told


# --- the page of documentation


@pytest.fixture(scope="module")
def records(tmp_path_factory) -> list[GroundRecord]:
    return [
        measure_recording(C3D),
        measure_recording(npz(tmp_path_factory.mktemp("npz") / "run.npz")),
        measure_recording(SLOPE, ForceSettings(mass_kg=76.8), ReadOptions(rate_hz=500.0)),
        measure_recording(SPRINT),
    ]


def key_paths(value: object, path: str = "") -> set[str]:
    if isinstance(value, dict):
        paths = {path} if path else set()
        for key, inner in value.items():
            inner_path = f"{path}.*" if path == "contacts[].values" else f"{path}.{key}" if path else key
            paths |= key_paths(inner, inner_path)
        return paths
    if isinstance(value, list):
        return {f"{path}[]"}.union(*(key_paths(v, f"{path}[]") for v in value))
    return {path}


def test_every_key_is_explained_and_there(records):
    part = DOC.partition("<!-- keys: begin -->")[2].partition("<!-- keys: end -->")[0]
    said = {k for row in re.findall(r"^\| (`[^|]*`) \|", part, flags=re.M) for k in re.findall(r"`([^`]+)`", row)}
    written = set().union(*(key_paths(force_to_dict(r)) for r in records))
    groups = {"recording", "body_weight", "strike", "contacts[].values.*"}  # their members are explained
    nulls = {"curves[].cop_along", "curves[].cop_along_sd", "recording.plates[].corners_m"} | {
        f"curves[].cop_towards_little_toe_m{s}" for s in ("", "_sd")
    }
    written = {p for p in written if not p.startswith("settings.")} - groups - nulls
    assert said - {"recording.plates[].corners_m"} == written


def test_checks_are_named(records):
    row = next(line for line in DOC.splitlines() if line.startswith("| `checks[].check`"))
    assert re.findall(r"`([^`]+)`", row)[1:] == [c.check for c in records[0].result.checks]


def test_columns_are_explained(records, tmp_path):
    def said(heading: str) -> list[str]:
        return re.findall(r"`([^`]+)`", DOC.partition(f"### {heading}")[2].partition("\n## ")[0].partition("\n### ")[0])

    write_force_measures_csv(records[0], tmp_path / "m.csv")
    write_force_contacts_csv(records[0], tmp_path / "c.csv")
    assert list(rows_of(tmp_path / "m.csv")[0]) == said("force_measures.csv")
    header = list(rows_of(tmp_path / "c.csv")[0])
    assert header[:13] == said("force_contacts.csv")[:13]
    assert set(said("force_contacts.csv")[13:16]) <= set(header)


def test_every_measure_and_option_is_explained():
    for key in FORCE_REGISTRY:
        assert f"`{key}`" in DOC
    for option in ("--threshold", "--channel", "--first-side", "--loading-between", "--json", "--overwrite"):
        assert f"`{option}" in DOC


def test_numbers_are_finite_or_null(records):
    for record in records:
        text = force_json(record)
        assert "NaN" not in text
        assert "Infinity" not in text
        assert json.loads(text)["schema"] == 1
