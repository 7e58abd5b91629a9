"""Tables with columns named, ordered, signed and scaled in many ways; what cannot be read is refused with a reason."""

from __future__ import annotations

from pathlib import Path

import ezc3d
import numpy as np
import pytest
from force_runner import MadeRunner, made
from hypothesis import given, settings
from hypothesis import strategies as st

from midstance.errors import ForceError
from midstance.force.model import ForceSettings
from midstance.plates.columns import read_column
from midstance.plates.read import ReadOptions, open_force, read_and_measure

R = MadeRunner(impact_bw=1.0)
DATA = Path(__file__).resolve().parents[1] / "data" / "force"


@pytest.fixture(scope="module")
def recording() -> np.ndarray:
    """Time, fore-aft, up, right, and the centre of pressure forward and right; NaN in the air."""
    m = made(R, 8.0, noise_n=3.0)
    w = m.wrench[0]
    with np.errstate(all="ignore"):
        cop = np.column_stack([w[:, 5] / w[:, 1], -w[:, 3] / w[:, 1]])
    cop[w[:, 1] < 60] = np.nan
    return np.column_stack([np.arange(len(w)) / 1000, w[:, 0], w[:, 1], w[:, 2], cop])


def written(
    path: Path, names: list[str], columns: list[np.ndarray], sep: str = ",", comma: bool = False, before: str = ""
) -> Path:
    lines = [before + sep.join(names)] if names else [before.rstrip("\n")] if before else []
    for row in np.column_stack(columns):
        text = sep.join("" if np.isnan(v) else f"{v:.5f}" for v in row)
        lines.append(text.replace(".", ",") if comma else text)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def check(
    path: Path, options: ReadOptions | None = None, mass: float | None = 70.0, right_first: bool | None = True
) -> list[str]:
    got = read_and_measure(path, ForceSettings(mass_kg=mass), options)
    values = {(m.measure, m.side): m.value for m in got.measures}
    assert values["cadence", "both"] == pytest.approx(60 / 0.35, abs=0.2)
    assert values["contact_time", "both"] == pytest.approx(0.2465, abs=0.002)
    assert values["vertical_force_peak", "both"] == pytest.approx(R.peak_bw, abs=0.08)
    if right_first is not None:
        assert got.contacts[0].side == ("right" if right_first else "left")
    return list(got.notes)


def test_names_units_and_words(tmp_path, recording):
    t, fore, up, right, x, z = recording.T
    path = written(
        tmp_path / "a.csv",
        [
            "Time (s)",
            "Fore-aft force (N)",
            "Vertical force (N)",
            "Mediolateral force (N)",
            "CoP forward (m)",
            "CoP right (m)",
        ],
        [t, fore, up, right, x, z],
    )
    notes = check(path)
    assert any('"Vertical force (N)" is the force along up, × 1 to N (unit N from its name)' in n for n in notes)
    assert any("1000 samples a second" in n for n in notes)


@pytest.mark.parametrize(
    ("unit", "factor"), [("kN", 0.001), ("BW", 1 / (70 * 9.81)), ("kgf", 1 / 9.81), ("lbf", 1 / 4.4482216)]
)
@pytest.mark.parametrize("named", [True, False])
def test_units(tmp_path, recording, unit, factor, named):
    t, fore, up, right, x, z = recording.T
    label = f" [{unit}]" if named else ""
    names = ["time", *(f"{n}{label}" for n in ("Fx", "Fy", "Fz")), "COPx [mm]", "COPz [mm]"]
    path = written(tmp_path / "u.csv", names, [t, factor * fore, factor * up, factor * right, 1000 * x, 1000 * z])
    notes = check(path, right_first=True)
    assert any(f"to {'BW' if unit == 'BW' else 'N'} (" in n for n in notes)


def test_unit_row_semicolons_decimal_commas_and_a_heading(tmp_path, recording):
    t, fore, up, right, x, z = recording.T
    path = written(
        tmp_path / "g.csv",
        ["Zeit", "Fx", "Fy", "Fz", "COPx", "COPz"],
        [1000 * t, fore, up, right, 1000 * x, 1000 * z],
        sep=";",
        comma=True,
        before="Recording 17;;;;;\nRunner;invented;;;;\n",
    )
    text = path.read_text(encoding="utf-8").split("\n")
    text.insert(3, "ms;N;N;N;mm;mm")
    path.write_text("\n".join(text), encoding="utf-8")
    assert any("in ms" in n for n in check(path))


def test_tabs_rate_in_the_heading_and_no_times(tmp_path, recording):
    _, fore, up, right, x, z = recording.T
    path = written(
        tmp_path / "t.tsv",
        ["Fx", "Fy", "Fz", "COPx", "COPz"],
        [fore, up, right, x, z],
        sep="\t",
        before="Sampling rate:\t1000 Hz\n",
    )
    assert any("from the heading" in n for n in check(path))


def test_blanks_and_numbers_alone(tmp_path, recording):
    path = tmp_path / "n.txt"
    np.savetxt(path, recording[:, [0, 2]], fmt="%.4f")
    notes = check(path, right_first=None)
    assert any("column 2" in n for n in notes)


@pytest.mark.parametrize("sign", [1, -1])
def test_axes_swapped_and_signs_turned(tmp_path, recording, sign):
    """z up, x to the left, y backwards: still right-handed. And the force of the runner on the ground."""
    t, fore, up, right, x, z = recording.T
    path = written(
        tmp_path / "s.csv", ["t", "Fx", "Fy", "Fz", "COPx", "COPy"], [t, -right * sign, -fore * sign, up * sign, -z, -x]
    )
    if sign > 0:
        notes = check(path)
        assert any("up is +z" in n for n in notes)
        assert any("forward is -y" in n for n in notes)
    else:
        # All three turned: what is up is known from the weight, and forward from braking.
        assert any("turned round" in n for n in check(path, right_first=None))


def test_moments_instead_of_a_centre_of_pressure(tmp_path):
    m = made(R, 8.0, noise_n=2.0)
    w = m.wrench[0]
    t = np.arange(len(w)) / 1000
    path = written(
        tmp_path / "m.csv",
        ["Time", "Force.Fx", "Force.Fy", "Force.Fz", "Moment.Mx (N.mm)", "Moment.My (N.mm)", "Moment.Mz (N.mm)"],
        [t, *w[:, :3].T, *(1000 * w[:, 3:]).T],
    )
    check(path)


def test_two_plates_in_one_table(tmp_path):
    m = made(R, 8.0, noise_n=2.0)
    w, t = m.wrench[0], np.arange(m.wrench.shape[1]) / 1000
    right = np.floor((t - 0.1) / R.step_s) % 2 == 0
    one, two = np.where(right[:, None], w, 0.0), np.where(right[:, None], 0.0, w)
    names = ["time", *(f"FP{p}_F{a}" for p in (1, 2) for a in "xyz"), *(f"FP{p}_M{a}" for p in (1, 2) for a in "xyz")]
    path = written(tmp_path / "two.csv", names, [t, *one[:, :3].T, *two[:, :3].T, *one[:, 3:].T, *two[:, 3:].T])
    file = open_force(path)
    assert len(file.about.plates) == 2
    check(path)


def test_roles_given_by_the_user(tmp_path, recording):
    t, _, up, *_ = recording.T
    path = written(tmp_path / "r.csv", ["a", "b", "c"], [t, 3 * up, up])
    with pytest.raises(ForceError, match="no column looks like a force"):
        open_force(path)
    roles = {"a": "time", "c": "force_up", "b": "ignore"}
    check(path, ReadOptions(roles=roles), right_first=None)
    with pytest.raises(ForceError, match="no column is called 'd'"):
        open_force(path, ReadOptions(roles={"d": "time"}))
    with pytest.raises(ForceError, match="no role"):
        open_force(path, ReadOptions(roles={"a": "hour"}))


@pytest.mark.parametrize(
    ("name", "quantity", "axis", "plate", "scale"),
    [
        ("Fz", "force", "z", 0, None),
        ("F1Z", "force", "z", 1, None),
        ("Fz2 (N)", "force", "z", 2, 1.0),
        ("ground_force_vy", "force", "y", 0, None),
        ("1_ground_force_px", "cop", "x", 1, None),
        ("ground_torque_z", "moment", "z", 0, None),
        ("vertical_force_n", "force", "up", 0, 1.0),
        ("vGRF [BW]", "force", "up", 0, 1.0),
        ("cop_forward_m", "cop", "forward", 0, 1.0),
        ("COP X (mm)", "cop", "x", 0, 0.001),
        ("Plate 2 Fy [kN]", "force", "y", 2, 1000.0),
        ("Moment X (N·mm)", "moment", "x", 0, 0.001),
        ("AP force", "force", "forward", 0, None),
        ("time_ms", "time", None, 0, 0.001),
        ("Frame", None, None, 0, None),
        ("EMG 3", None, None, 0, None),
    ],
)
def test_names_of_columns(name, quantity, axis, plate, scale):
    c = read_column(0, name)
    assert (c.quantity, c.axis, c.plate) == (quantity, axis, plate)
    assert c.scale == (pytest.approx(scale) if scale is not None else None)


def test_wrong_unit_in_the_name_is_refused_with_a_hint(tmp_path, recording):
    t, _, up, *_ = recording.T
    path = written(tmp_path / "w.csv", ["time", "Fz (N)"], [t, up / 9.81])
    with pytest.raises(ForceError, match="kgf"):
        read_and_measure(path, ForceSettings(mass_kg=70))
    check(path, ReadOptions(unit="kgf"), right_first=None)


def test_archive_cut_off(tmp_path):
    path = tmp_path / "x.npz"
    np.savez_compressed(
        path, vertical_force_n=np.random.default_rng(0).normal(size=5000), force_time_s=np.arange(5000) / 1000
    )
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(ForceError, match="archive"):
        open_force(path)


def test_archive_of_objects_is_never_loaded(tmp_path):
    path = tmp_path / "o.npz"
    np.savez(path, vertical_force_n=np.array([{}, 1], dtype=object))
    with pytest.raises(ForceError, match="objects"):
        open_force(path)


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.csv", b"", "empty"),
        ("words.csv", b"a,b\nc,d\ne,f\n", "no lines of numbers"),
        ("x.c3d", b"not a file", "isn't a C3D"),
        ("x.npz", b"PK\x03\x04 broken", "can't be read"),
        ("x.xlsx", b"PK", "kind .xlsx"),
        ("bin.csv", b"\0\1\2" * 100, "isn't text"),
        ("one.csv", b"time,Fz\n0,1\n0.001,2\n", "no lines of numbers"),
        (
            "ragged.csv",
            b"time,Fz (N)\n" + b"".join(b"%.3f,1\n" % (i / 1000) for i in range(900)) + b"1,2,3\n",
            "can't be read as numbers",
        ),
        ("uneven.csv", b"time,Fz\n" + b"".join(b"%.3f,1\n" % (i * i / 1000) for i in range(900)), "uneven"),
        ("norate.csv", b"Fz\n" + b"1\n" * 900, "sampling rate"),
        (
            "text.csv",
            b"time,Fz (N)\n" + b"".join(b"%.3f,1\n" % (i / 1000) for i in range(900)) + b"0.9,oops\n",
            "can't be read as numbers",
        ),
    ],
)
def test_bad_files_are_refused(tmp_path, name, content, words):
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(ForceError, match=words) as error:
        read_and_measure(path)
    assert name in str(error.value)


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(ForceError, match="no such file"):
        open_force(tmp_path / "none.csv")


@given(st.binary(max_size=600))
@settings(max_examples=60, deadline=None)
def test_any_bytes_give_a_readable_error(tmp_path_factory, content):
    folder = tmp_path_factory.mktemp("fuzz")
    for kind in ("csv", "npz", "c3d"):
        path = folder / f"f.{kind}"
        path.write_bytes(content)
        with pytest.raises(ForceError):
            read_and_measure(path)


def changed(tmp_path: Path, source: str, group: str, name: str, value: object) -> Path:
    c = ezc3d.c3d(str(DATA / source))
    c["parameters"][group][name]["value"] = value
    path = tmp_path / "changed.c3d"
    c.write(str(path))
    return path


@pytest.mark.parametrize(
    ("group", "name", "value", "words"),
    [
        ("FORCE_PLATFORM", "USED", [0], "no force platforms"),
        ("FORCE_PLATFORM", "TYPE", [7], "type 7"),
        ("FORCE_PLATFORM", "CAL_MATRIX", np.zeros((6, 6, 1)), "calibration matrix"),
        ("FORCE_PLATFORM", "CORNERS", np.zeros((3, 4, 1)), "rectangle"),
        ("FORCE_PLATFORM", "CHANNEL", np.array([[1], [2], [3], [4], [5], [99]]), "channel 99"),
    ],
)
def test_c3d_that_lacks_something(tmp_path, group, name, value, words):
    path = changed(tmp_path, "runner12_3.5mps_raw_part.c3d", group, name, value)
    with pytest.raises(ForceError, match=words) as error:
        open_force(path)
    assert "changed.c3d" in str(error.value)


def test_a_calibration_that_is_wrong_by_ten_is_noticed(tmp_path):
    c = ezc3d.c3d(str(DATA / "runner12_3.5mps_raw_part.c3d"))
    matrix = np.asarray(c["parameters"]["FORCE_PLATFORM"]["CAL_MATRIX"]["value"]) * 10
    path = changed(tmp_path, "runner12_3.5mps_raw_part.c3d", "FORCE_PLATFORM", "CAL_MATRIX", matrix)
    with pytest.raises(ForceError, match=r"nobody's weight|body weight"):
        read_and_measure(path)
    with pytest.raises(ForceError, match="of the body weight"):
        read_and_measure(path, ForceSettings(mass_kg=75.7))


@pytest.mark.parametrize("seed", range(14))
def test_damaged_c3d_files_end_in_a_readable_error_or_in_measures(tmp_path, seed):
    """Bytes changed, wiped or cut off; the reader of such files may crash or hang, which must not be felt."""
    rng = np.random.default_rng(seed)
    content = bytearray((DATA / "runner12_3.5mps_raw_part.c3d").read_bytes())
    if seed % 3 == 0:
        for place in rng.integers(2, 7168, 12):
            content[place] = rng.integers(256)
    elif seed % 3 == 1:
        at = int(rng.integers(0, 7000))
        content[at : at + 150] = bytes(150)
    else:
        content = content[: int(rng.integers(600, len(content)))]
    path = tmp_path / "damaged.c3d"
    path.write_bytes(content)
    told = ""
    try:
        told = " ".join(read_and_measure(path).notes)
    except ForceError as error:
        told = str(error)
    assert "damaged.c3d" in told or "type 4" in told
