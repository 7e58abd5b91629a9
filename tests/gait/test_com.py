"""Centre of mass: de Leva's table, closed-form bodies, missing arms."""

import numpy as np
import pytest
from stick_runner import stick

from midstance.gait.com import Segment, body_table, combine, total_mass, whole_body_com
from midstance.gait.model import LANDMARK_INDEX, PlanePaths


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


# de Leva 1996, table 4 (and the alternative ends of table 5 for "trunk 3"): mass male, female; place male, female
DE_LEVA = {
    "head": (0.0694, 0.0668, 0.5976, 0.5894),
    "trunk": (0.4346, 0.4257, 0.4310, 0.3782),
    "upper_arm": (0.0271, 0.0255, 0.5772, 0.5754),
    "forearm": (0.0162, 0.0138, 0.4574, 0.4559),
    "hand": (0.0061, 0.0056, 0.7900, 0.7474),
    "thigh": (0.1416, 0.1478, 0.4095, 0.3612),
    "shank": (0.0433, 0.0481, 0.4395, 0.4352),
    "foot": (0.0137, 0.0129, 0.4415, 0.4014),
}


def test_every_row_is_that_of_the_table():
    male, female = body_table("male"), body_table("female")
    assert set(male) == set(female) == set(DE_LEVA)
    for key, (mass_m, mass_f, c_m, c_f) in DE_LEVA.items():
        assert (male[key].mass, male[key].c) == (mass_m, c_m), key
        assert (female[key].mass, female[key].c) == (mass_f, c_f), key


# Winter DA (2009), Biomechanics and Motor Control of Human Movement, 4th ed., table 4.1 (after Dempster): mass, and the
# centre of mass from the end nearer the trunk; head, arms and trunk ("HAT") from greater trochanter to glenohumeral axis.
WINTER = {"hat": (0.678, 0.626), "thigh": (0.100, 0.433), "leg": (0.0465, 0.433), "foot": (0.0145, 0.500)}


def test_masses_of_winters_table_add_up_too():
    # trunk, head and neck 0.578 plus two arms of 0.050 make head, arms and trunk; with two legs the whole body
    assert WINTER["hat"][0] == pytest.approx(0.578 + 2 * 0.050)
    legs = sum(WINTER[k][0] for k in ("thigh", "leg", "foot"))
    assert WINTER["hat"][0] + 2 * legs == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("table", ["male", "female", "mean"])
@pytest.mark.parametrize("swing_deg", [0.0, 25.0])
def test_two_published_tables_put_the_centre_of_mass_in_the_same_place(table, swing_deg):
    """de Leva 1996 (this package) against Winter 2009: other bodies, other cuts, within 2.5 % of stature of each other.

    Upright, and with one leg forward and the other back. Heights of the joints: Drillis and Contini's fractions of
    stature [from memory].
    """
    stature = 1.75
    n = 3
    xy = np.full((n, 33, 2), np.nan)
    turn = np.radians(swing_deg)

    def put(name, x, y):
        xy[:, LANDMARK_INDEX[name]] = (x, y)

    hip_y, thigh, leg, shoulder_y = 0.530 * stature, 0.245 * stature, 0.246 * stature, 0.818 * stature
    winter = [(WINTER["hat"][0], np.array([0.0, hip_y + WINTER["hat"][1] * (shoulder_y - hip_y)]))]
    for side, sign in (("left", 1.0), ("right", -1.0)):
        direction = np.array([sign * np.sin(turn), -np.cos(turn)])
        hip = np.array([0.0, hip_y])
        knee, ankle = hip + thigh * direction, hip + (thigh + leg) * direction
        heel, toe = ankle + np.array([-0.05, -0.06]), ankle + np.array([0.18, -0.06])
        for name, point in (("hip", hip), ("knee", knee), ("ankle", ankle), ("heel", heel), ("toe", toe)):
            put(f"{side}_{name}", *point)
        put(f"{side}_shoulder", 0.0, shoulder_y)
        put(f"{side}_elbow", 0.0, shoulder_y - 0.186 * stature)
        put(f"{side}_wrist", 0.0, shoulder_y - 0.332 * stature)
        put(f"{side}_ear", 0.0, 0.936 * stature)
        for key, a, b in (("thigh", hip, knee), ("leg", knee, ankle), ("foot", ankle, toe)):
            mass, c = WINTER[key]
            winter.append((mass, a + c * (b - a)))
    usable = np.isfinite(xy).all(axis=2)
    plane = PlanePaths("side", np.arange(n) / 100, xy, np.full((n, 33), 0.001), usable, "m", None)
    ours = whole_body_com(plane, table)
    assert ours.reason is None
    theirs = sum(m * p for m, p in winter) / sum(m for m, _ in winter)
    assert float(np.linalg.norm(ours.xy[0] - theirs)) < 0.025 * stature
    # a person's centre of mass lies at 53 to 59 % of stature, arms hanging: common textbook range, from memory
    assert swing_deg > 0 or 0.53 < ours.xy[0, 1] / stature < 0.59


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
