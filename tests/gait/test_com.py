"""Centre of mass: de Leva's table, closed-form bodies, missing arms."""

import numpy as np
import pytest
from stick_runner import stick

from midstance.gait.com import Segment, body_table, combine, total_mass, whole_body_com
from midstance.gait.model import LANDMARK_INDEX


def test_masses_add_up_to_the_body():
    # de Leva 1996, J Biomech 29:1223-1230, table 4: sums 1.0000 (male) and 0.9999 (female)
    assert total_mass(body_table("male")) == pytest.approx(1.0000, abs=5e-5)
    assert total_mass(body_table("female")) == pytest.approx(0.9999, abs=5e-5)


def test_thigh_and_shank_of_a_standing_man():
    # computed with de Leva 1996, J Biomech 29:1223-1230: hip 0.92, knee 0.50, ankle 0.08 m, one above the
    # other
    table = body_table("male")
    thigh = 0.92 + table["thigh"].c * (0.50 - 0.92)
    shank = 0.50 + table["shank"].c * (0.08 - 0.50)
    assert thigh == pytest.approx(0.74801, abs=5e-6)
    assert shank == pytest.approx(0.31541, abs=5e-6)
    both = combine(np.array([[0, thigh], [0, shank]]), np.array([table["thigh"].mass, table["shank"].mass]))
    assert both[1] == pytest.approx(0.64670, abs=5e-6)


def test_mean_table_lies_between_the_sexes():
    m, f, mean = (body_table(k) for k in ("male", "female", "mean"))
    for key in m:
        assert mean[key] == Segment((m[key].mass + f[key].mass) / 2, (m[key].c + f[key].c) / 2)
    with pytest.raises(ValueError, match="male, female or mean"):
        body_table("other")


def _slow_com(xy, table):
    """The same by adding segment after segment, frame by frame, as one would by hand."""
    p = {name: xy[:, i] for name, i in LANDMARK_INDEX.items()}
    mid = lambda a, b: 0.5 * (p[a] + p[b])  # noqa: E731
    parts = [
        (table["head"].mass, mid("left_ear", "right_ear")),
        (
            table["trunk"].mass,
            (1 - table["trunk"].c) * mid("left_shoulder", "right_shoulder")
            + table["trunk"].c * mid("left_hip", "right_hip"),
        ),
    ]
    for s in ("left", "right"):
        knuckle = mid(f"{s}_index", f"{s}_pinky")
        for key, a, b in (
            ("upper_arm", p[f"{s}_shoulder"], p[f"{s}_elbow"]),
            ("forearm", p[f"{s}_elbow"], p[f"{s}_wrist"]),
            ("hand", p[f"{s}_wrist"], knuckle),
            ("thigh", p[f"{s}_hip"], p[f"{s}_knee"]),
            ("shank", p[f"{s}_knee"], p[f"{s}_ankle"]),
            ("foot", p[f"{s}_heel"], p[f"{s}_toe"]),
        ):
            parts.append((table[key].mass, a + table[key].c * (b - a)))
    return sum(m * x for m, x in parts) / sum(m for m, _ in parts)


@pytest.mark.parametrize("which", ["male", "female", "mean"])
def test_whole_body_agrees_with_the_sum_by_hand(which):
    runner = stick(2)
    com = whole_body_com(runner.plane(), which)
    assert com.reason is None
    np.testing.assert_allclose(com.xy, _slow_com(runner.xy, body_table(which)), atol=1e-12)


def test_noise_of_the_centre_of_mass_agrees_with_simulation():
    runner = stick(6)
    rng = np.random.default_rng(1)
    noise = 0.01 * rng.standard_normal(runner.xy.shape)
    clean, noisy = whole_body_com(runner.plane()), whole_body_com(runner.plane(sigma=0.01, noise=noise))
    simulated = float(np.std(noisy.xy - clean.xy))
    assert float(noisy.sigma.mean()) == pytest.approx(simulated, rel=0.05)


def test_missing_arm_moves_its_mass_and_says_so():
    runner = stick(4)
    full = whole_body_com(runner.plane())
    xy = runner.xy.copy()
    xy[:, [LANDMARK_INDEX["left_elbow"], LANDMARK_INDEX["left_wrist"]]] = np.nan
    reduced = whole_body_com(type(runner)(runner.time_s, xy, runner.events).plane())
    assert reduced.reason is None
    assert "left arm not tracked" in reduced.method
    assert np.all(reduced.sigma > full.sigma)
    # the stated extra error covers the true shift, and the path has no jump
    assert float(np.abs(reduced.xy - full.xy).max()) < 3 * float(reduced.sigma.max())
    assert float(np.abs(np.diff(reduced.xy, axis=0)).max()) < 0.01


def test_without_legs_there_is_none_and_a_reason():
    runner = stick(2)
    xy = runner.xy.copy()
    xy[:, LANDMARK_INDEX["left_knee"]] = np.nan
    com = whole_body_com(type(runner)(runner.time_s, xy, runner.events).plane())
    assert com.reason is not None
    assert np.isnan(com.xy).all()


def test_a_gap_stays_a_gap():
    runner = stick(2)
    xy = runner.xy.copy()
    xy[50:60, LANDMARK_INDEX["right_ankle"]] = np.nan
    com = whole_body_com(type(runner)(runner.time_s, xy, runner.events).plane())
    assert np.isnan(com.xy[:, 0]).sum() == 10
    assert np.isnan(com.sigma).sum() == 10
