"""C3D files written here with platforms of types 1, 2 and 3: a made runner's forces and centres of pressure come back."""

from __future__ import annotations

from pathlib import Path

import ezc3d
import numpy as np
import pytest
from force_runner import MadeRunner

from midstance.force.model import ForceSettings
from midstance.plates.read import open_force, read_and_measure

R = MadeRunner(impact_bw=1.0)
RATE, SECONDS = 1000.0, 6.0
#: Half a treadmill's length and width, m; its middle in the lab (x forward, y left, z up).
HALF, MIDDLE = (0.9, 0.3), np.array([0.4, 0.2, 0.0])
A, B, HEIGHT = 0.7, 0.25, 0.05  # type 3: distances of the sensors from the plate's axes, and their depth


def plate_wrench() -> tuple[np.ndarray, np.ndarray]:
    """Force and moment about the surface's middle in plate axes (x forward, y right, z down; N, N mm), and the truth."""
    w = R.wrench(np.arange(round(RATE * SECONDS)) / RATE)
    forward, up, right = w[:, 0], w[:, 1], w[:, 2]
    m_forward, m_up, m_right = w[:, 3], w[:, 4], w[:, 5]
    # The runner's right-handed axes are forward, up, right; the plate's are forward, right, down: x, z, -y of the former.
    force = np.column_stack([forward, right, -up])
    moment = 1000.0 * np.column_stack([m_forward, m_right, -m_up])
    return np.column_stack([force, moment]), w


def channels(kind: int) -> np.ndarray:
    w, _ = plate_wrench()
    fx, fy, fz, mx, my, mz = w.T
    if kind == 2:
        # About the sensors, HEIGHT below the surface: M = M_surface + r × F, r from the sensors to the surface (z down).
        r = np.array([0, 0, -1000 * HEIGHT])
        return np.column_stack([w[:, :3], w[:, 3:] + np.cross(r, w[:, :3])])
    with np.errstate(all="ignore"):
        px, py = np.where(fz != 0, -my / fz, 0.0), np.where(fz != 0, mx / fz, 0.0)
    if kind == 1:
        return np.column_stack([fx, fy, fz, px, py, mz - (px * fy - py * fx)])
    # Four sensors: vertical shares from the moments, horizontal forces split evenly.
    h = 1000 * HEIGHT
    mx_s, my_s = mx + h * fy, my - h * fx
    a, b = 1000 * A, 1000 * B
    one = np.column_stack(
        [fz / 4 + mx_s / (4 * b) * s + my_s / (4 * a) * t for s, t in ((1, -1), (1, 1), (-1, 1), (-1, -1))]
    )
    turn = mz / (2 * a)
    return np.column_stack([fx / 2, fx / 2, fy / 2 + turn, fy / 2 - turn, one])


def write(path: Path, kind: int) -> Path:
    x = channels(kind)
    c3d = ezc3d.c3d()
    frames = int(len(x) / 10)
    c3d["parameters"]["POINT"]["RATE"]["value"] = [RATE / 10]
    c3d["parameters"]["POINT"]["UNITS"]["value"] = ["mm"]
    c3d["parameters"]["POINT"]["LABELS"]["value"] = ["m"]
    c3d["data"]["points"] = np.ones((4, 1, frames))
    c3d["parameters"]["ANALOG"]["RATE"]["value"] = [RATE]
    c3d["parameters"]["ANALOG"]["LABELS"]["value"] = [f"c{i}" for i in range(x.shape[1])]
    units = {1: ["N"] * 3 + ["mm", "mm", "Nmm"], 2: ["N"] * 3 + ["Nmm"] * 3, 3: ["N"] * 8}[kind]
    c3d.add_parameter("ANALOG", "UNITS", units)
    c3d["data"]["analogs"] = x.T[None]
    p = "FORCE_PLATFORM"
    c3d.add_parameter(p, "USED", 1)
    c3d.add_parameter(p, "TYPE", kind)
    c3d.add_parameter(p, "CHANNEL", np.arange(1.0, x.shape[1] + 1).reshape(-1, 1))
    # Plate x is forward, plate y to the right (lab -y): corner 1 at +x +y.
    sx, sy = HALF
    corners = np.array([[sx, -sy, 0], [-sx, -sy, 0], [-sx, sy, 0], [sx, sy, 0]]) + MIDDLE
    c3d.add_parameter(p, "CORNERS", 1000 * corners.T.reshape(3, 4, 1))
    origin = {1: [0.0, 0, 0], 2: [0.0, 0, -1000 * HEIGHT], 3: [1000 * A, 1000 * B, -1000 * HEIGHT]}[kind]
    c3d.add_parameter(p, "ORIGIN", np.array(origin, dtype=np.float64).reshape(3, 1))
    c3d.write(str(path))
    return path


@pytest.mark.parametrize("kind", [1, 2, 3])
def test_types_of_platforms(tmp_path, kind):
    path = write(tmp_path / f"type{kind}.c3d", kind)
    file = open_force(path)
    got = np.concatenate([b.wrench for b in file.blocks()], axis=1)[0]
    _, truth = plate_wrench()
    # Lab axes: x forward, y left, z up.
    np.testing.assert_allclose(got[:, [0, 2]], truth[:, [0, 1]], atol=0.05)
    np.testing.assert_allclose(got[:, 1], -truth[:, 2], atol=0.05)
    np.testing.assert_allclose(got[:, 3:], np.column_stack([truth[:, 3], -truth[:, 5], truth[:, 4]]), atol=0.2)

    result = read_and_measure(path, ForceSettings(mass_kg=70.0))
    assert any(n.startswith(f"plate 1: type {kind}") for n in result.notes)
    assert [c.side for c in result.contacts[:2]] == ["right", "left"]
    assert result.surface == "treadmill"
    c = result.contacts[2]
    assert c.cop is not None
    at = np.linspace(c.on_s, c.off_s, 101)[30:70]
    w = R.wrench(at)
    np.testing.assert_allclose(c.cop[30:70, 0], w[:, 5] / w[:, 1] + MIDDLE[0], atol=0.004)
    np.testing.assert_allclose(c.cop[30:70, 1], -w[:, 3] / w[:, 1] - MIDDLE[1], atol=0.002)


@pytest.mark.parametrize("kind", [1, 2, 3])
def test_types_against_an_independent_reader(tmp_path, kind):
    """ezc3d works these types out itself; it wants whole-number parameters, which a real file lends here."""
    data = Path(__file__).resolve().parents[1] / "data" / "force"
    c3d = ezc3d.c3d(str(data / "sprint_9mps_8plates.c3d"))
    x = channels(kind)[:1944]
    width = x.shape[1]
    group = c3d["parameters"]["FORCE_PLATFORM"]
    sx, sy = HALF
    corners = np.array([[sx, -sy, 0], [-sx, -sy, 0], [-sx, sy, 0], [sx, sy, 0]]) + MIDDLE
    origin = {1: [0.0, 0, 0], 2: [0.0, 0, -1000 * HEIGHT], 3: [1000 * A, 1000 * B, -1000 * HEIGHT]}[kind]
    for name, value in (
        ("USED", [1]),
        ("TYPE", [kind]),
        ("CHANNEL", np.arange(1, width + 1).reshape(-1, 1)),
        ("CORNERS", 1000 * corners.T.reshape(3, 4, 1)),
        ("ORIGIN", np.array(origin, dtype=np.float64).reshape(3, 1)),
    ):
        group[name]["value"] = value
    analog = np.zeros((1, 60, 1944))
    analog[0, :width] = x.T
    c3d["data"]["analogs"] = analog
    units = {1: ["N"] * 3 + ["mm", "mm", "Nmm"], 2: ["N"] * 3 + ["Nmm"] * 3, 3: ["N"] * 8}[kind]
    c3d["parameters"]["ANALOG"]["UNITS"]["value"] = [*units, *["V"] * (60 - width)]
    path = tmp_path / "types.c3d"
    c3d.write(str(path))
    theirs = ezc3d.c3d(str(path), extract_forceplat_data=True)["data"]["platform"][0]
    file = open_force(path)
    mine = np.concatenate([b.wrench for b in file.blocks()], axis=1)[0]
    np.testing.assert_allclose(mine[:, :3].T, theirs["force"], atol=1e-6)
    loaded = mine[:, 2] > 200
    down, centre = file.about.plates[0].down_lab, file.about.plates[0].centre_m
    cop = np.cross(down, mine[loaded, 3:]) / (mine[loaded, :3] @ down)[:, None] + centre
    np.testing.assert_allclose(1000 * cop.T, theirs["center_of_pressure"][:, loaded], atol=0.01)
