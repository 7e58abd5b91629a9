"""Real recordings against what others published of them.

Sources: tests/data/force/README.md.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import attrs
import ezc3d
import numpy as np
import pytest

from midstance.force.analyse import measure_force
from midstance.force.cop import pattern_of
from midstance.force.model import ForceResult, ForceSettings
from midstance.plates.read import ReadOptions, open_force, read_and_measure

DATA = Path(__file__).resolve().parents[1] / "data" / "force"


def unpacked(z: np.lib.npyio.NpzFile, name: str, folder: Path) -> Path:
    """One recording of ``rbds_forces.npz`` as an archive of the usual kind."""

    def real(key: str, step: float) -> np.ndarray:
        """Differences in time of whole steps in 16 bits, which wrap."""
        a = np.cumsum(z[f"{name}/{key}"].astype(np.int64), axis=-1).astype(np.int16)
        return np.where(a == -32768, np.nan, a * step)

    force, cop, feet = real("force", 0.5), real("cop", 2e-4), real("feet", 5e-4)
    mass, speed, *_ = z[f"{name}/facts"]
    flat = [np.column_stack([f[0], np.zeros(f.shape[1]), f[1]]) for f in feet]
    path = folder / f"{name}.npz"
    np.savez(
        path,
        force_time_s=np.arange(len(force)) / 300,
        vertical_force_n=force,
        cop_forward_m=cop[0],
        cop_right_m=cop[1],
        time_s=np.arange(feet.shape[2]) / 150,
        L_Heel_Bottom_m=flat[0],
        L_MT2_m=flat[1],
        R_Heel_Bottom_m=flat[2],
        R_MT2_m=flat[3],
        mass_kg=float(mass),
        speed_mps=float(speed),
    )
    return path


@pytest.fixture(scope="module")
def recordings(tmp_path_factory) -> dict[str, tuple[ForceResult, np.ndarray, dict[str, str], float]]:
    """All 39: result, published contacts, published strike class by side, speed."""
    folder = tmp_path_factory.mktemp("recordings")
    out = {}
    with np.load(DATA / "rbds_forces.npz") as z:
        for name in sorted({k.split("/")[0] for k in z.files}):
            facts = z[f"{name}/facts"]
            result = read_and_measure(unpacked(z, name, folder))
            out[name] = (result, z[f"{name}/contacts"], {"left": facts[2], "right": facts[3]}, float(facts[1]))
    assert len(out) == 39
    return out


def value(result: ForceResult, key: str, side: str = "both") -> float:
    m = next(m for m in result.measures if m.measure == key and m.side == side)
    assert m.value is not None, m.reason
    return m.value


def test_contacts_are_those_published(recordings):
    """Published: force of 50 N or more, in whole samples of 3.3 ms, so half a sample late at both ends on average."""
    on, off, sides, missing, n = [], [], [], 0, 0
    for result, published, _, _ in recordings.values():
        own = [c for c in result.contacts if c.excluded is None]
        starts = np.array([c.on_s for c in own])
        for a, b, right in published:
            i = int(np.argmin(np.abs(starts - a)))
            n += 1
            if abs(starts[i] - a) > 0.02:
                missing += 1
                continue
            on.append(own[i].on_s - a)
            off.append(own[i].off_s - b)
            sides.append((own[i].side == "right") == bool(right))
    assert n > 1300
    assert missing <= 1
    assert all(sides)
    assert np.median(np.abs(np.array(on))) < 0.0025
    assert np.percentile(np.abs(on), 95) < 0.004
    assert np.percentile(np.abs(off), 95) < 0.0055


@pytest.mark.parametrize(
    ("speed", "contact_s", "sd_s", "cadence", "cadence_sd", "peak"),
    [(2.5, 0.269, 0.024, 161.7, 9.6, 2.32), (3.5, 0.224, 0.017, 171.6, 11.0, 2.55), (4.5, 0.194, 0.015, 184.2, 13.5, 2.68)],
)
def test_means_by_speed(recordings, speed, contact_s, sd_s, cadence, cadence_sd, peak):
    """Means of all 26 runners of the source at 50 N; the 13 here are half of them: within two standard errors."""
    here = [r for r, _, _, v in recordings.values() if v == speed]
    assert len(here) == 13
    two_se = 2 / np.sqrt(13)
    assert np.mean([value(r, "contact_time") for r in here]) == pytest.approx(contact_s, abs=two_se * sd_s)
    assert np.mean([value(r, "cadence") for r in here]) == pytest.approx(cadence, abs=two_se * cadence_sd)
    assert np.mean([value(r, "vertical_force_peak") for r in here]) == pytest.approx(peak, abs=0.08)


@pytest.mark.parametrize(("speed", "longer_s"), [("2.5", 0.017), ("3.5", 0.013), ("4.5", 0.011)])
def test_contact_reads_longer_at_20_n(tmp_path, speed, longer_s):
    """286, 237 and 205 ms against 269, 224 and 194 ms over all 26 runners of the source [computed from the source]."""
    gain = []
    with np.load(DATA / "rbds_forces.npz") as z:
        for runner in ("runner01", "runner08", "runner12", "runner20", "runner26"):
            path = unpacked(z, f"{runner}_{speed}mps", tmp_path)
            at = [value(read_and_measure(path, ForceSettings(threshold_n=t)), "contact_time") for t in (20.0, 50.0)]
            gain.append(at[0] - at[1])
    assert np.mean(gain) == pytest.approx(longer_s, abs=0.006)


def test_mean_force_is_body_weight(recordings):
    """Steady running: 1 BW. The recordings' own mean is 0.97 to 1.01 (their platform or their scale)."""
    ratios = [r.checks[0].value for r, *_ in recordings.values()]
    assert all(x is not None and 0.95 < x < 1.03 for x in ratios)
    assert all(r.checks[0].verdict == "good" for r, *_ in recordings.values())


def test_strike_pattern_is_the_published_one(recordings):
    """Published class of each leg at each speed: 78. Thirds of the line from heel to metatarsal heads.

    No border is fitted, but which samples are looked at was chosen on these same legs: not a held-out figure.
    """
    table: Counter[tuple[str, str]] = Counter()
    for result, _, published, _ in recordings.values():
        for side in ("left", "right"):
            table[published[side], pattern_of(value(result, "strike_index", side))] += 1
    assert sum(table.values()) == 78
    agree = sum(n for (a, b), n in table.items() if a == b)
    assert agree / 78 >= 0.85, table
    assert table["rearfoot", "forefoot"] == table["forefoot", "rearfoot"] == 0


def test_no_loading_rates_from_filtered_slow_recordings(recordings):
    for result, *_ in recordings.values():
        m = next(m for m in result.measures if m.measure == "loading_rate_average" and m.side == "both")
        assert m.value is None
        assert "300 Hz" in (m.reason or "")


@pytest.mark.parametrize("runner", ["runner01", "runner12"])
def test_raw_c3d_and_archive_agree(recordings, runner):
    """4 s as recorded (volts, type 4) against the same 4 s as published (N, low-passed at 50 Hz)."""
    raw = read_and_measure(DATA / f"{runner}_3.5mps_raw_part.c3d", ForceSettings(speed_mps=3.5))
    npz = recordings[f"{runner}_3.5mps"][0]
    mine = [c for c in raw.contacts if c.excluded is None]
    theirs = {round(c.on_s, 1): c for c in npz.contacts if c.excluded is None}
    pairs = [(c, theirs[k]) for c in mine for k in theirs if abs(theirs[k].on_s - c.on_s) < 0.03]
    assert len(pairs) >= 10
    assert raw.side_source == "feet"
    for a, b in pairs:
        assert a.side == b.side
        assert a.on_s == pytest.approx(b.on_s, abs=0.005)
        assert a.contact_s == pytest.approx(b.contact_s, abs=0.010)
        assert a.values["peak"] == pytest.approx(b.values["peak"], rel=0.03)
        assert a.values["vertical_impulse"] == pytest.approx(b.values["vertical_impulse"], rel=0.02)
    apart = np.array([a.cop[20:80] - b.cop[20:80] for a, b in pairs if a.cop is not None and b.cop is not None])
    assert np.abs(np.median(apart, axis=(0, 1))).max() < 0.0015
    assert np.percentile(np.abs(apart), 95) < 0.012
    assert raw.strike["left"].split(",")[0] == {"runner01": "forefoot", "runner12": "rearfoot"}[runner]


def test_steady_running_pushes_off_as_much_as_it_brakes():
    """At steady speed braking and propulsive impulse cancel [mechanics]; the belt's raw forces, both runners."""
    for runner in ("runner01", "runner12"):
        raw = read_and_measure(DATA / f"{runner}_3.5mps_raw_part.c3d")
        brake, push = value(raw, "braking_impulse"), value(raw, "propulsive_impulse")
        assert -0.035 < brake < -0.010
        assert brake + push == pytest.approx(0, abs=0.003)


def test_a_rearfoot_striker_has_an_impact_peak_and_a_forefoot_striker_none():
    rear = read_and_measure(DATA / "runner12_3.5mps_raw_part.c3d")
    fore = read_and_measure(DATA / "runner01_3.5mps_raw_part.c3d")
    assert 1.2 < value(rear, "impact_peak") < 2.2
    m = next(m for m in fore.measures if m.measure == "impact_peak" and m.side == "both")
    assert "no distinct impact peak" in (m.reason or "")


@pytest.mark.parametrize("name", ["sprint_9mps_8plates.c3d", "runner12_3.5mps_raw_part.c3d"])
def test_forces_and_centre_of_pressure_against_an_independent_reader(name):
    """ezc3d works out forces and centres of pressure of types 2 and 4 itself."""
    theirs = ezc3d.c3d(str(DATA / name), extract_forceplat_data=True)["data"]["platform"]
    file = open_force(DATA / name)
    mine = np.concatenate([b.wrench for b in file.blocks()], axis=1)
    assert len(theirs) == len(mine)
    for i, p in enumerate(theirs):
        np.testing.assert_allclose(mine[i, :, :3].T, p["force"], atol=0.01)
        loaded = np.linalg.norm(p["force"], axis=0) > 200
        if not loaded.any():
            continue
        f, m = mine[i, loaded, :3], mine[i, loaded, 3:]
        down = file.about.plates[i].down_lab
        cop = np.cross(down, m) / (f @ down)[:, None] + file.about.plates[i].centre_m
        np.testing.assert_allclose(cop * 1000, p["center_of_pressure"][:, loaded].T, atol=1.0)


def test_sprint_events_are_those_labelled():
    """Labelled foot strikes and foot offs, to the camera's 4 ms; quiet platforms, so 10 N (Dorn et al. 2012)."""
    path = DATA / "sprint_9mps_8plates.c3d"
    result = read_and_measure(path, ForceSettings(threshold_n=10.0))
    assert result.surface == "plates"
    assert result.side_source == "labels"
    assert [c.side for c in result.contacts] == ["right", "left", "right", "left"]
    labels = [e for e in open_force(path).about.labels if 3.6 < e.time_s < 4.55]  # those on a platform
    assert len(labels) == 8
    for e in labels:
        own = [c.on_s if e.kind == "initial_contact" else c.off_s for c in result.contacts if c.side == e.side]
        assert min(abs(t - e.time_s) for t in own) < 0.004
    assert 0.10 < value(result, "contact_time") < 0.13
    assert any("forward is +y" in n for n in result.notes)


def test_a_sprinter_lands_on_the_forefoot():
    result = read_and_measure(DATA / "sprint_9mps_8plates.c3d", ForceSettings(threshold_n=10.0, mass_kg=75.0))
    assert value(result, "strike_index") > 0.6


@pytest.mark.parametrize(("speed", "contact"), [("2.5", (0.24, 0.33)), ("3.33", (0.21, 0.29)), ("4.17", (0.18, 0.25))])
def test_a_column_of_body_weights_without_a_name(speed, contact):
    """Alcantara et al. 2022: told to be body weights by its mean, low-passed by its spectrum."""
    result = read_and_measure(DATA / f"slope0_{speed}mps_bw.csv", ForceSettings(mass_kg=76.8), ReadOptions(rate_hz=500.0))
    assert any("body weights" in n or "to BW" in n for n in result.notes)
    assert contact[0] < value(result, "contact_time") < contact[1]
    assert 2.0 < value(result, "vertical_force_peak") < 3.0
    assert result.checks[0].value == pytest.approx(1.0, abs=0.03)
    m = next(m for m in result.measures if m.measure == "loading_rate_average" and m.side == "both")
    assert "low-passed" in (m.reason or "")


def test_other_runners_on_another_treadmill(recordings):
    """37 runners at 3.8 m/s (Alcantara et al. 2021): contact 202 ± 11 ms, peak 2.84 ± 0.20 BW. Ours: 3.5 and 4.5 m/s."""
    with (DATA / "contact_peak_impulse.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["Speed"] == "3.8"]
    assert len(rows) == 37
    at = {v: [r for r, _, _, s in recordings.values() if s == v] for v in (3.5, 4.5)}

    def ours(key: str) -> float:
        low, high = (np.mean([value(r, key) for r in at[v]]) for v in (3.5, 4.5))
        return float(low + 0.3 * (high - low))

    for key, column in (("contact_time", "GRFtc"), ("vertical_force_peak", "GRFPeak")):
        theirs = np.array([float(r[column]) for r in rows])
        assert abs(ours(key) - theirs.mean()) < 2 * theirs.std(ddof=1)


def test_strike_index_and_sides_from_the_centre_of_pressure_alone(recordings, tmp_path):
    """Without the feet's markers: sides from where the contacts lie, strike index from the path and the belt's speed."""
    apart, told, right = [], 0, 0
    with np.load(DATA / "rbds_forces.npz") as z:
        for runner in ("01", "08", "12", "14", "18", "22", "28"):
            name = f"runner{runner}_3.5mps"
            file = open_force(unpacked(z, name, tmp_path))
            feet = recordings[name][0]
            alone = measure_force(
                attrs.evolve(file.about, feet=None),
                file.blocks,
                ForceSettings(mass_kg=file.mass_kg, speed_mps=file.speed_mps, heel_to_metatarsals_m=0.225),
            )
            if alone.side_source != "centre of pressure":
                assert alone.side_source == "unknown"  # said, not guessed
                continue
            told += 1
            pairs = [(a, b) for a, b in zip(alone.contacts, feet.contacts, strict=True) if a.side and b.side]
            right += all(a.side == b.side for a, b in pairs)
            apart += [value(alone, "strike_index", s) - value(feet, "strike_index", s) for s in ("left", "right")]
    assert told >= 5
    assert right == told
    assert np.sqrt(np.mean(np.square(apart))) < 0.06
