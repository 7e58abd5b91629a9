"""A recording from beginning to end: a made runner's numbers come back, bad ones are refused or left out with reasons."""

from __future__ import annotations

import attrs
import numpy as np
import pytest
from force_runner import Made, MadeRunner, made

from midstance.errors import ForceError
from midstance.force.analyse import measure_force
from midstance.force.model import ForceBlock, ForceResult, ForceSettings, Label, Plate
from midstance.force.outcome import events_of, mean_curves
from midstance.signals.filters import butterworth_lowpass

R = MadeRunner(impact_bw=1.0)


def run(m: Made, **settings: object) -> ForceResult:
    return measure_force(m.about, m.blocks, ForceSettings(**{"mass_kg": 70.0, **settings}))  # type: ignore[arg-type]


def value(result: ForceResult, key: str, side: str = "both") -> float:
    m = next(m for m in result.measures if m.measure == key and m.side == side)
    assert m.value is not None, m.reason
    return m.value


def reason(result: ForceResult, key: str, side: str = "both") -> str:
    return next(m for m in result.measures if m.measure == key and m.side == side).reason or ""


def remade(m: Made, wrench: np.ndarray) -> Made:
    return Made(m.about, wrench)


@pytest.fixture(scope="module")
def usual() -> ForceResult:
    return run(made(R, 20.0, noise_n=4.0, feet=True))


def truth(r: MadeRunner) -> dict[str, float]:
    t = np.arange(0.1, 0.1 + r.contact_s, 1e-5)
    up = r.wrench(t)[:, 1] / r.weight_n
    on = np.flatnonzero(up * r.weight_n >= 50)
    rise = up[: int(0.03 / 1e-5)]
    top = int(np.argmax(rise)) if r.impact_bw else 0
    lo, hi = np.argmax(rise >= 0.2 * rise[top]), np.argmax(rise >= 0.8 * rise[top])
    out = {
        "contact_time": (on[-1] - on[0]) * 1e-5,
        "step_time": r.step_s,
        "stride_time": 2 * r.step_s,
        "cadence": 60 / r.step_s,
        "flight_time": r.step_s - (on[-1] - on[0]) * 1e-5,
        "vertical_force_peak": up.max(),
        "braking_impulse": r.braking_bw_s,
        "propulsive_impulse": -r.braking_bw_s,
        "cop_excursion_mediolateral": 0.01 * (1 - np.sin(np.pi * 0.1)),
    }
    if r.impact_bw:
        out |= {
            "impact_peak": float(rise[top]),
            "loading_rate_average": float(0.6 * rise[top] / ((hi - lo) * 1e-5)),
            "loading_rate_peak": float(np.gradient(rise[: top + 1], 1e-5).max()),
        }
    return out


@pytest.mark.parametrize(
    ("key", "within"),
    [
        ("contact_time", 0.001),
        ("step_time", 2e-4),
        ("stride_time", 2e-4),
        ("cadence", 0.1),
        ("flight_time", 0.001),
        ("vertical_force_peak", 0.02),
        ("impact_peak", 0.03),
        ("braking_impulse", 2e-4),
        ("propulsive_impulse", 2e-4),
        ("cop_excursion_mediolateral", 0.002),
    ],
)
def test_known_numbers_come_back(usual, key, within):
    for side in ("left", "right", "both") if key != "cadence" else ("both",):
        assert value(usual, key, side) == pytest.approx(truth(R)[key], abs=within)


@pytest.mark.parametrize(("key", "within"), [("loading_rate_average", 0.06), ("loading_rate_peak", 0.08)])
def test_loading_rates_come_back(usual, key, within):
    """A kink at contact (both half sines begin at once) is softened by the 100 Hz filter: within 6 and 8 %."""
    assert value(usual, key) == pytest.approx(truth(R)[key], rel=within)


def test_strike_index_comes_back():
    for first in (0.10, 0.5, 0.8):
        r = MadeRunner(first_index=first)
        got = run(made(r, 12.0, noise_n=4.0, feet=True))
        expected = first + (1 - first) * 0.03  # load reaches 0.3 BW some hundredths of contact later
        assert value(got, "strike_index") == pytest.approx(expected, abs=0.05)
    assert got.strike["left"].startswith("forefoot")


def test_every_number_has_its_interval(usual):
    for m in usual.measures:
        assert (m.value is None) == (m.reason is not None)
        if m.value is not None:
            assert m.low is not None
            assert m.high is not None
            assert m.low < m.value < m.high
        assert m.view == "force"
        assert m.method


def test_intervals_hold_the_truth():
    """20 recordings with different noise and a runner who varies: the 95 % intervals hold the truth in 17 or more."""
    held = dict.fromkeys(("contact_time", "vertical_force_peak", "braking_impulse", "cadence"), 0)
    rng = np.random.default_rng(5)
    for seed in range(20):
        mass_error = rng.normal(0, 0.01)
        m = made(MadeRunner(), 8.0, noise_n=5.0, seed=seed)
        m = remade(m, m.wrench * (1 + rng.normal(0, 0.01)))  # the platform's calibration, 1 SD as stated
        got = run(m, mass_kg=70.0 * (1 + mass_error))
        for key in held:
            one = next(x for x in got.measures if x.measure == key and x.side == "both")
            assert one.low is not None
            assert one.high is not None
            held[key] += one.low <= truth(MadeRunner())[key] <= one.high
    assert min(held.values()) >= 17, held


def test_sides(usual):
    assert usual.side_source == "feet"
    sides = [c.side for c in usual.contacts]
    assert sides[:4] == ["right", "left", "right", "left"]
    placed = run(made(R, 12.0, noise_n=4.0))
    assert placed.side_source == "centre of pressure"
    assert [c.side for c in placed.contacts][:4] == ["right", "left", "right", "left"]
    mirrored = run(made(attrs.evolve(R, first_right=False), 12.0, noise_n=4.0))
    assert [c.side for c in mirrored.contacts][:2] == ["left", "right"]


def test_sides_unknown_give_both_feet_together_alone():
    m = made(attrs.evolve(R, step_width_m=-0.02), 12.0, noise_n=4.0)  # the sideways arc cancels what is left of the width
    got = run(m)
    assert got.side_source == "unknown"
    assert value(got, "contact_time") == pytest.approx(truth(R)["contact_time"], abs=0.001)
    assert "told apart" in reason(got, "contact_time", "left")
    named = run(m, first_side="left")
    assert named.side_source == "alternation"
    assert [c.side for c in named.contacts][:2] == ["left", "right"]
    film = run(m, sides=((0.46, "left"),))
    assert film.side_source == "given"
    assert [c.side for c in film.contacts][:2] == ["right", "left"]


def test_labels_of_the_file_give_sides():
    m = made(attrs.evolve(R, step_width_m=-0.02), 6.0)
    about = attrs.evolve(m.about, labels=(Label(0.1, "initial_contact", "left"),))
    got = measure_force(about, m.blocks, ForceSettings(mass_kg=70))
    assert got.side_source == "labels"
    assert got.contacts[0].side == "left"


def test_block_sizes_do_not_matter():
    m = made(R, 65.0, noise_n=4.0)
    small = measure_force(m.about, lambda: m.blocks(777), ForceSettings(mass_kg=70))
    large = measure_force(m.about, lambda: m.blocks(10**6), ForceSettings(mass_kg=70))
    assert small.measures == large.measures
    assert len(small.contacts) == len(large.contacts) == 186
    assert not small.excluded or all("begins or ends" in e.reason for e in small.excluded)


def test_blocks_that_skip_are_a_fault_of_the_program():
    m = made(R, 6.0)

    def broken():
        yield ForceBlock(0, m.wrench[:, :3000])
        yield ForceBlock(3500, m.wrench[:, 3500:])

    with pytest.raises(ValueError, match="follow each other"):
        measure_force(m.about, broken, ForceSettings())


def test_time_shift_and_scale_do_not_matter():
    m = made(R, 12.0, noise_n=4.0, feet=False)
    later = Made(attrs.evolve(m.about, start_s=100.0), m.wrench)
    heavier = remade(m, 1.3 * m.wrench)
    a, b, c = run(m), run(later), run(heavier, mass_kg=91.0, threshold_n=65.0)
    assert b.contacts[0].on_s - a.contacts[0].on_s == pytest.approx(100.0)
    for key in ("contact_time", "vertical_force_peak", "braking_impulse", "loading_rate_average"):
        assert value(b, key) == pytest.approx(value(a, key), rel=1e-9)
        assert value(c, key) == pytest.approx(value(a, key), rel=1e-3)


def test_body_weight_from_the_mean_force():
    got = run(made(R, 20.0, noise_n=4.0), mass_kg=None)
    r = R
    extra = 1.0 * r.impact_s * 2 / np.pi / r.step_s  # the impact's half sine adds to the mean
    assert got.weight_n == pytest.approx(r.weight_n * (1 + extra), rel=0.01)
    assert "mean vertical force" in got.weight_source


def test_body_weights_as_unit():
    m = made(MadeRunner(), 12.0, unit="BW")
    got = measure_force(m.about, m.blocks, ForceSettings(mass_kg=70))
    assert value(got, "vertical_force_peak") == pytest.approx(MadeRunner().peak_bw, abs=0.02)
    nobody = measure_force(m.about, m.blocks, ForceSettings())
    assert value(nobody, "vertical_force_peak") == pytest.approx(MadeRunner().peak_bw, abs=0.02)
    assert any("usual body mass" in n for n in nobody.notes)


@pytest.mark.parametrize(
    ("factor", "hint"),
    [(0.001, "nobody is on the plates"), (0.102, "kgf"), (0.2248, "lbf"), (4.448, "body weight"), (2.0, "body weight")],
)
def test_wrong_units_are_refused(factor, hint):
    m = made(R, 12.0, noise_n=4.0)
    with pytest.raises(ForceError) as error:
        run(remade(m, factor * m.wrench))
    assert hint in str(error.value)


def test_swapped_axes_are_noticed():
    m = made(R, 12.0, noise_n=4.0)
    swapped = m.wrench[:, :, [1, 2, 0, 4, 5, 3]]
    got = run(remade(m, swapped))
    assert any("up is +x" in n for n in got.notes)
    assert value(got, "vertical_force_peak") == pytest.approx(truth(R)["vertical_force_peak"], abs=0.02)
    assert value(got, "braking_impulse") == pytest.approx(R.braking_bw_s, abs=2e-4)


def test_a_saturated_channel_is_left_out():
    m = made(R, 12.0, noise_n=4.0)
    w = m.wrench.copy()
    w[0, :, 1] = np.minimum(w[0, :, 1], 1400.0)
    got = run(remade(m, w))
    assert len(got.excluded) >= 30
    assert all("saturated" in e.reason for e in got.excluded if "begins or ends" not in e.reason)
    assert reason(got, "vertical_force_peak")


def test_coarse_steps_are_no_saturation():
    m = made(MadeRunner(), 12.0)
    got = run(remade(m, np.round(m.wrench)))
    assert not any("saturated" in e.reason for e in got.excluded)


def test_gaps_are_left_out():
    m = made(R, 12.0, noise_n=4.0)
    w = m.wrench.copy()
    w[0, 2300:2310] = np.nan
    got = run(remade(m, w))
    assert sum("missing" in e.reason for e in got.excluded) >= 1
    assert value(got, "contact_time") == pytest.approx(truth(R)["contact_time"], abs=0.001)
    nothing = remade(m, np.full_like(w, np.nan))
    with pytest.raises(ForceError, match="not numbers"):
        run(nothing)


def test_nobody_on_the_plate():
    m = made(R, 5.0)
    with pytest.raises(ForceError, match="nobody is on the plates"):
        run(remade(m, np.random.default_rng(0).normal(0, 3, m.wrench.shape)))


def test_two_feet_on_one_plate():
    """A walker's second foot lands before the first leaves: one long contact, not a runner's."""
    m = made(R, 12.0, noise_n=4.0)
    w = m.wrench.copy()
    t = np.arange(w.shape[1]) / 1000
    hole = (t > 3.59) & (t < 3.96)
    w[0, hole, 1] = np.maximum(w[0, hole, 1], 300.0)
    got = run(remade(m, w))
    assert any("feet on the plate" in e.reason for e in got.excluded)


def test_low_passed_recordings_have_no_loading_rate():
    m = made(R, 20.0, noise_n=4.0)
    got = run(remade(m, butterworth_lowpass(m.wrench[0], 1000.0, 30.0)[None]))
    assert "low-passed at about" in reason(got, "loading_rate_average")
    assert "impact peak need" in reason(got, "impact_peak")
    assert value(got, "contact_time") > 0


def test_slow_sampling_has_no_loading_rate():
    got = run(made(R, 20.0, rate_hz=250.0, noise_n=4.0))
    assert "sampled at 250 Hz" in reason(got, "loading_rate_peak")


def test_no_impact_peak_is_said():
    got = run(made(MadeRunner(), 12.0, noise_n=4.0))
    assert "no distinct impact peak" in reason(got, "impact_peak")
    rate = next(m for m in got.measures if m.measure == "loading_rate_average" and m.side == "both")
    assert "13 % of contact" in rate.method


def test_vertical_force_alone():
    m = made(R, 12.0, noise_n=4.0)
    w = m.wrench.copy()
    w[0, :, [0, 2, 3, 4, 5]] = 0.0
    about = attrs.evolve(m.about, plates=(Plate("the plate", horizontal=False, cop=False),))
    got = measure_force(about, Made(about, w).blocks, ForceSettings(mass_kg=70))
    assert reason(got, "braking_impulse") == "no horizontal force was recorded"
    assert "neither moments" in reason(got, "strike_index")
    assert value(got, "cadence") == pytest.approx(60 / R.step_s, abs=0.1)


def plates_run(right_m: float = 0.0, spacing_m: float = 0.60) -> Made:
    """Overground: four plates in a row, 0.6 m long, one contact on each, the runner passing at 3.3 m/s."""
    t = np.arange(3000) / 1000
    plates, wrenches = [], []
    r = MadeRunner()
    for i in range(4):
        middle = np.array([i * spacing_m * 2, 0.0, right_m])
        x, z = 0.3, 0.2
        corners = middle + np.array([[x, 0, -z], [x, 0, z], [-x, 0, z], [-x, 0, -z]])
        plates.append(Plate(f"plate {i + 1}", corners, down_lab=np.array([0.0, -1, 0])))
        since = t - 0.3 - 0.35 * i
        on = (since >= 0) & (since < 0.25)
        one = r.wrench(np.where(on, 0.1 + since, 0.0))
        one[~on] = 0
        s = np.clip(since / 0.25, 0, 1)
        forward = -0.1 + 0.2 * s
        one[:, 3], one[:, 5] = 0.0, forward * one[:, 1]
        wrenches.append(one)
    w = np.array(wrenches)
    w[:, :, :3] += np.random.default_rng(2).normal(0, 1.5, w[:, :, :3].shape)
    about = made(r, 1.0).about
    return Made(attrs.evolve(about, plates=tuple(plates), samples=3000), w)


def test_plates_in_the_ground():
    got = run(plates_run())
    assert got.surface == "plates"
    assert [c.plate for c in got.contacts] == [0, 1, 2, 3]
    assert not got.excluded
    assert any("forward is +x" in n for n in got.notes)
    assert value(got, "vertical_force_peak") == pytest.approx(MadeRunner().peak_bw, abs=0.03)


def test_a_foot_near_the_edge_is_left_out():
    m = plates_run()
    w = m.wrench.copy()
    w[1, :, 5] += 0.25 * w[1, :, 1]  # the second contact lands 25 cm further forward
    got = run(remade(m, w))
    assert len(got.excluded) == 1
    assert "edge of plate 2" in got.excluded[0].reason


def test_a_foot_on_two_plates_is_left_out():
    m = plates_run()
    w = m.wrench.copy()
    w[2] = 0.5 * w[1]
    w[1] = 0.5 * w[1]
    got = run(remade(m, w))
    assert any("plate 2" in e.reason or "body weights" in e.reason for e in got.excluded)


def test_nothing_in_the_air(usual):
    for c in usual.contacts:
        if c.cop is not None and c.excluded is None:
            assert np.isnan(c.cop[0]).all()
            assert np.isnan(c.cop[-1]).all()
            assert np.isfinite(c.cop[20:80]).all()


def test_split_belts_are_added():
    """Left foot on one belt, right on the other: together they are the one treadmill again."""
    m = made(R, 12.0, noise_n=3.0)
    t = np.arange(m.wrench.shape[1]) / 1000
    right = np.floor((t - 0.1) / R.step_s) % 2 == 0
    both = np.stack([np.where(right[:, None], 0.0, m.wrench[0]), np.where(right[:, None], m.wrench[0], 0.0)])
    about = attrs.evolve(m.about, plates=(Plate("left belt"), Plate("right belt")))
    got = measure_force(about, Made(about, both).blocks, ForceSettings(mass_kg=70))
    assert got.surface == "treadmill"
    assert any("belts of a treadmill" in n for n in got.notes)
    assert value(got, "contact_time") == pytest.approx(truth(R)["contact_time"], abs=0.001)
    assert [c.side for c in got.contacts][:2] == ["right", "left"]


def test_events_for_joining_with_a_film(usual):
    events = events_of(usual)
    assert [(e.side, e.kind) for e in events[:4]] == [
        ("right", "initial_contact"),
        ("right", "toe_off"),
        ("left", "initial_contact"),
        ("left", "toe_off"),
    ]
    assert all(e.view == "force" for e in events)
    assert all(0 < e.sigma_s < 0.002 for e in events)


def test_mean_curves(usual):
    curves = mean_curves(usual)
    for side in ("left", "right"):
        c = curves[side]
        assert c.unit == "BW"
        assert c.force[:, 1].max() == pytest.approx(R.peak_bw, abs=0.05)
        assert c.path is not None
        assert np.isnan(c.path[0]).all()
        # Evenly from 0.1 to 1 along the foot, and 1 cm out towards the little toe on both feet.
        np.testing.assert_allclose(c.path[20:80, 0], 0.1 + 0.9 * np.linspace(0, 1, 101)[20:80], atol=0.03)
        assert c.path[50, 1] == pytest.approx(0.01, abs=0.002)


@pytest.mark.parametrize("first", [0.10, 0.5, 0.8])
def test_strike_index_from_the_path_alone(first):
    """No feet recorded: belt speed and body height. The made foot rolls evenly, so 0.65 of its way is known."""
    r = MadeRunner(first_index=first, foot_m=0.131 * 1.70)
    m = made(r, 12.0, noise_n=3.0)
    got = run(m, speed_mps=3.3, height_m=1.70)
    push = first + (1 - first) * 0.65  # a real foot's is 0.86 whatever the strike; this one's depends on it
    one = next(x for x in got.measures if x.measure == "strike_index" and x.side == "both")
    assert one.value is not None
    assert one.value - 0.864 == pytest.approx(first + (1 - first) * 0.03 - push, abs=0.04)
    assert "no markers, no film" in one.method
    assert "belt's speed" in reason(run(m, height_m=1.70), "strike_index")


def test_a_recording_that_begins_with_an_empty_belt_and_somebody_standing():
    m = made(R, 80.0, noise_n=4.0)
    quiet = np.random.default_rng(1).normal(0, 4.0, (1, 90_000, 6))
    standing = quiet.copy()
    standing[0, :, 1] += R.weight_n
    whole = np.concatenate([quiet, standing, m.wrench], axis=1)
    got = measure_force(
        attrs.evolve(m.about, samples=whole.shape[1]), Made(m.about, whole).blocks, ForceSettings(mass_kg=70)
    )
    assert got.surface == "treadmill"
    assert value(got, "contact_time") == pytest.approx(truth(R)["contact_time"], abs=0.001)
    assert all(c.on_s > 180 for c in got.contacts if c.excluded is None)


def test_a_walker_is_not_measured_as_a_runner():
    """Contacts of 0.65 s that overlap: no flight phase, nothing to measure, and it is said."""
    t = np.arange(20_000) / 1000
    w = np.zeros((1, len(t), 6))
    for k in range(38):
        s = (t - 0.3 - 0.5 * k) / 0.65
        w[0, :, 1] += np.where((s > 0) & (s < 1), R.weight_n * (1.1 * np.sin(np.pi * s) + 0.25 * np.sin(3 * np.pi * s)), 0.0)
    m = made(R, 1.0)
    got = measure_force(m.about, Made(m.about, w).blocks, ForceSettings())
    assert all(x.value is None for x in got.measures)
    assert got.excluded
