"""Times, cadence, lengths, oscillation and estimates of runners whose truth is known."""

import attrs
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from stick_runner import BOB_M, CONTACT_S, STRIDE_S, stick

from midstance.gait.com import whole_body_com
from midstance.gait.measures_time import USUAL_CORRECTION_M, _even, cadence_of_steps, measure_times
from midstance.gait.model import Event, Runner
from midstance.gait.registry import REGISTRY, keys_for
from midstance.gait.strides import build_stances
from midstance.gait.uncertainty import ErrorBudget

SPEED = 3.33333


def find(measures, key, side="both"):
    return next(m for m in measures if m.measure == key and m.side == side)


def running(step=0.35, contact=0.25, n=31, sigma=0.002, view="side", noise=0.0, seed=0):
    rng = np.random.default_rng(seed)
    events = []
    for k in range(n):
        side = "left" if k % 2 == 0 else "right"
        for kind, at in (("initial_contact", k * step), ("toe_off", k * step + contact)):
            t = 1.0 + at + noise * rng.standard_normal()
            events.append(Event(view, side, kind, t, t - 1.96 * sigma, t + 1.96 * sigma))
    return build_stances(events)[0]


def test_cadence_from_step_intervals():
    # computed: 30 step intervals in 10.5 s
    assert cadence_of_steps([0.35] * 30) == pytest.approx(171.43, abs=5e-3)
    _, measures = measure_times(running(), view="side", budget=ErrorBudget())
    cadence = find(measures, "cadence")
    assert cadence.value == pytest.approx(171.43, abs=5e-3)
    assert cadence.n == 30
    assert "1 unbroken run of steps" in cadence.method


def test_cadence_is_steadier_than_first_to_last():
    line, ends = [], []
    for seed in range(60):
        stances = running(noise=0.004, seed=seed)
        times = [s.ic.time_s for s in stances]
        _, measures = measure_times(stances, view="side", budget=ErrorBudget(rate_relative_sigma=0.0))
        line.append(find(measures, "cadence").value - 60 / 0.35)
        ends.append(60 * 30 / (times[-1] - times[0]) - 60 / 0.35)
    # Four contacts at the ends decide instead of two: their error is about 1 / sqrt(2) of it.
    assert np.std(line) < 0.85 * np.std(ends)


def test_a_foot_called_early_does_not_change_the_cadence():
    stances = running()
    early = [
        attrs.evolve(e, time_s=e.time_s - 0.02, low_s=e.low_s - 0.02) if e.side == "left" else e
        for s in stances
        for e in (s.ic, s.to)
        if e is not None
    ]
    shifted, _ = build_stances(early)
    _, measures = measure_times(shifted[:-1], view="side", budget=ErrorBudget())
    assert find(measures, "cadence").value == pytest.approx(171.43, abs=5e-3)


def test_a_gap_splits_the_run_instead_of_stretching_it():
    events = [e for s in running() for e in (s.ic, s.to) if not 4.0 < s.ic.time_s < 5.0]
    stances, exclusions = build_stances(events)
    assert exclusions
    cadence = find(measure_times(stances, view="side", budget=ErrorBudget())[1], "cadence")
    assert cadence.value == pytest.approx(171.43, abs=5e-3)
    assert "2 unbroken runs" in cadence.method


def test_times_of_a_known_step():
    # computed: contact 0.250, flight 0.100 s: step 0.350 s, duty factor 0.35714; at 3.33333 m/s step 1.16667
    # m
    _, m = measure_times(running(), view="side", budget=ErrorBudget(), speed_mps=SPEED)
    for side in ("left", "right", "both"):
        assert find(m, "step_time", side).value == pytest.approx(0.350)
        assert find(m, "stride_time", side).value == pytest.approx(0.700)
        assert find(m, "contact_time", side).value == pytest.approx(0.250)
        assert find(m, "flight_time", side).value == pytest.approx(0.100)
        assert find(m, "swing_time", side).value == pytest.approx(0.450)
        assert find(m, "duty_factor", side).value == pytest.approx(0.35714, abs=5e-6)
        assert find(m, "step_length", side).value == pytest.approx(1.16667, abs=5e-6)
    assert find(m, "speed").value == SPEED


def test_estimates_of_a_known_step():
    # computed from Morin et al. 2005, J Appl Biomech 21:167-180 (formulas from memory): see
    # test_spring_mass.py
    runner = Runner(height_m=0.9275 / 0.53, mass_kg=70)
    _, m = measure_times(running(), view="rear", budget=ErrorBudget(), speed_mps=SPEED, runner=runner)
    assert find(m, "vertical_force_peak_estimated").value == pytest.approx(2.1991, abs=5e-5)
    assert find(m, "vertical_stiffness").value == pytest.approx(25.180, abs=5e-4)
    leg = find(m, "leg_stiffness")
    assert leg.value == pytest.approx(9.5076, abs=5e-4)
    assert "estimate" in leg.method
    assert leg.high - leg.value > 0.07 * leg.value  # the model alone is worth 3.5 % (1 SD)


@pytest.mark.parametrize(
    ("runner", "speed", "key", "reason"),
    [
        (Runner(height_m=1.75), SPEED, "vertical_stiffness", "body mass not given"),
        (Runner(height_m=1.75), SPEED, "leg_stiffness", "body mass not given"),
        (Runner(mass_kg=70), SPEED, "leg_stiffness", "body height not given"),
        (Runner(1.75, 70), None, "leg_stiffness", "speed not given"),
        (Runner(1.75, 70), None, "step_length", "speed not given"),
        (Runner(1.75, 70), None, "speed", "speed not given"),
        (Runner(1.75, 70), SPEED, "vertical_oscillation", "no landmark paths"),
    ],
)
def test_what_is_not_given_is_named(runner, speed, key, reason):
    _, m = measure_times(running(), view="side", budget=ErrorBudget(), speed_mps=speed, runner=runner)
    found = [x for x in m if x.measure == key]
    assert [x.reason for x in found] == [reason] * len(REGISTRY[key].sides)
    assert all(x.value is None for x in found)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_every_key_appears_however_short_the_film(n):
    stances = running(n=n)
    _, measures = measure_times(
        stances, view="side", budget=ErrorBudget(), speed_mps=SPEED, runner=Runner(1.75, 70)
    )
    expected = [(k, side) for k in keys_for("side", "time", "estimate") for side in REGISTRY[k].sides]
    assert [(m.measure, m.side) for m in measures] == expected
    assert all(np.isfinite(m.value) if m.value is not None else m.reason for m in measures)


def test_contact_time_shares_the_detectors_bias():
    """However many strides: a bias common to all of them doesn't average out."""
    few = find(measure_times(running(n=11), view="side", budget=ErrorBudget())[1], "contact_time", "left")
    many = find(measure_times(running(n=201), view="side", budget=ErrorBudget())[1], "contact_time", "left")
    shared = 1.96 * 0.002 * np.sqrt(0.5) * np.sqrt(2)
    assert many.high - many.value >= shared
    assert many.high - many.value < few.high - few.value


def test_times_hold_the_truth_when_one_foot_is_called_later_than_the_other():
    """Simulated detectors: errors common to both feet, of each foot and of each stride, in the shares of the budget."""
    rng = np.random.default_rng(12)
    sigma, share, own = 0.006, 0.6, 0.4
    budget = ErrorBudget(event_shared=share, event_foot_share=own, rate_relative_sigma=0)
    keys = ("step_time", "stride_time", "contact_time", "flight_time", "swing_time")
    truth = dict(zip(keys, (0.35, 0.70, 0.25, 0.10, 0.45), strict=True))
    stride_hits = {k: [] for k in keys}
    film_hits = {(k, side): [] for k in keys for side in ("left", "right", "both")}
    both_width = []
    for _ in range(250):
        common, foot = rng.standard_normal(), {"left": rng.standard_normal(), "right": rng.standard_normal()}
        off = {"left": rng.standard_normal(), "right": rng.standard_normal()}
        events = []
        for k in range(17):
            side = "left" if k % 2 == 0 else "right"
            bias = np.sqrt(share) * (np.sqrt(1 - own) * common + np.sqrt(own) * foot[side])
            late = {"initial_contact": bias, "toe_off": np.sqrt(share) * off[side]}
            for kind, at in (("initial_contact", 0.35 * k), ("toe_off", 0.35 * k + 0.25)):
                t = at + sigma * (late[kind] + np.sqrt(1 - share) * rng.standard_normal())
                events.append(Event("side", side, kind, t, t - 1.96 * sigma, t + 1.96 * sigma))
        values, measures = measure_times(build_stances(events)[0], view="side", budget=budget)
        for v in values:
            if v.measure in truth:
                stride_hits[v.measure].append(v.low <= truth[v.measure] <= v.high)
        for m in measures:
            if m.measure in truth:
                film_hits[m.measure, m.side].append(m.low <= truth[m.measure] <= m.high)
            if (m.measure, m.side) == ("step_time", "both"):
                both_width.append(m.high - m.value)
    for key in keys:
        assert 0.92 <= np.mean(stride_hits[key]) <= 0.98, key
        for side in ("left", "right"):
            # neighbouring strides share a contact, whose error then cancels: their mean is surer than its interval says
            most = 1.0 if key == "stride_time" else 0.99
            assert 0.91 <= np.mean(film_hits[key, side]) <= most, (key, side)
        assert np.mean(film_hits[key, "both"]) >= 0.91, key
    # what the feet differ by cancels in the mean of left and right steps
    assert np.mean(both_width) < 0.004


def test_step_time_error_is_that_of_two_contacts():
    values, _ = measure_times(
        running(), view="side", budget=ErrorBudget(event_shared=0.0, rate_relative_sigma=0)
    )
    one = next(v for v in values if v.measure == "step_time")
    assert (one.high - one.value) / 1.959964 == pytest.approx(0.002 * np.sqrt(2), rel=1e-6)


def test_uneven_left_and_right_steps_do_not_widen_cadence():
    events = []
    for k in range(31):
        side = "left" if k % 2 == 0 else "right"
        t = 1.0 + 0.35 * k + (0.02 if side == "right" else 0.0)
        events.append(Event("side", side, "initial_contact", t, t, t))
        events.append(Event("side", side, "toe_off", t + 0.25, t + 0.25, t + 0.25))
    m = measure_times(build_stances(events)[0], view="side", budget=ErrorBudget(rate_relative_sigma=0))[1]
    cadence = find(m, "cadence")
    assert cadence.high - cadence.value < 0.01
    assert find(m, "step_time", "left").value == pytest.approx(0.37)
    assert find(m, "step_time", "right").value == pytest.approx(0.33)
    assert find(m, "step_time").value == pytest.approx(0.35)


def test_oscillation_of_the_stick_runner():
    runner = stick(8)
    stances, _ = build_stances(runner.events)
    plane = runner.plane()
    com = whole_body_com(plane)
    _, m = measure_times(stances, view="side", budget=ErrorBudget(), plane=plane, com=com)
    measured = find(m, "vertical_oscillation")
    y = com.xy[(runner.time_s > 1) & (runner.time_s < 1 + STRIDE_S), 1]
    assert measured.value == pytest.approx(float(y.max() - y.min()), abs=0.002)
    assert measured.value > BOB_M


def test_unlike_steps_are_not_taken_for_drift():
    """A runner who stands higher at one foot's contact than at the other's: the range of each step is told as it is."""
    runner = stick(8)
    lift = np.zeros_like(runner.xy)
    lift[..., 1] = 0.02 * np.cos(2 * np.pi * runner.time_s / STRIDE_S)[:, None]
    stances, _ = build_stances(runner.events)
    plane = runner.plane(noise=lift)
    values, _ = measure_times(stances, view="side", budget=ErrorBudget(), plane=plane)
    height = whole_body_com(plane).xy[:, 1]
    found = [v for v in values if v.measure == "vertical_oscillation"]
    assert len(found) >= 14
    for v in found:
        step = (runner.time_s >= v.time_s) & (runner.time_s <= v.time_s + STRIDE_S / 2)
        assert v.value == pytest.approx(np.ptp(height[step]), abs=5e-4)


def test_a_large_correction_of_the_landmarks_widens_the_oscillation():
    """Twice and half the usual change by the joint map: the systematic error doubles, and stays."""
    runner = stick(8)
    stances, _ = build_stances(runner.events)
    plane = runner.plane()
    budget = ErrorBudget(systematic={"vertical_oscillation": 0.005})
    swing = np.ptp(whole_body_com(plane).xy[:, 1])

    def half_width(change_m):
        k = 1.0 - change_m / swing  # the whole body bobs a little less
        level = plane.xy.copy()
        bob = (whole_body_com(plane).xy[:, 1] - np.mean(whole_body_com(plane).xy[:, 1]))[:, None]
        level[..., 1] += (k - 1.0) * bob
        before = attrs.evolve(plane, xy=level)
        m = measure_times(stances, view="side", budget=budget, plane=plane, uncorrected=before)[1]
        one = find(m, "vertical_oscillation")
        return one.high - one.value

    assert half_width(2 * USUAL_CORRECTION_M) == pytest.approx(1.96 * 0.010, rel=0.03)
    assert half_width(0.5 * USUAL_CORRECTION_M) == pytest.approx(1.96 * 0.005, rel=0.03)


def test_slow_drift_of_the_camera_does_not_change_oscillation():
    runner = stick(8)
    stances, _ = build_stances(runner.events)
    drift = np.zeros_like(runner.xy)
    drift[..., 1] = 0.03 * runner.time_s[:, None]
    still = measure_times(stances, view="side", budget=ErrorBudget(), plane=runner.plane())[1]
    moving = measure_times(stances, view="side", budget=ErrorBudget(), plane=runner.plane(noise=drift))[1]
    a, b = find(still, "vertical_oscillation"), find(moving, "vertical_oscillation")
    assert b.value == pytest.approx(a.value, abs=0.002)


def test_step_length_between_contacts_on_the_ground():
    runner = stick(8)
    stances, _ = build_stances(runner.events)
    over = np.zeros_like(runner.xy)
    over[..., 0] = 3.0 * runner.time_s[:, None]  # the whole runner moves at 3 m/s through a still picture
    _, m = measure_times(
        stances,
        view="side",
        budget=ErrorBudget(),
        speed_mps=9.9,
        plane=runner.plane(noise=over),
        ground_fixed=True,
    )
    length = find(m, "step_length")
    assert length.value == pytest.approx(3.0 * STRIDE_S / 2, abs=0.005)
    assert "distance on the ground" in length.method


def test_pixels_give_no_oscillation():
    runner = stick(4)
    stances, _ = build_stances(runner.events)
    _, m = measure_times(stances, view="side", budget=ErrorBudget(), plane=runner.plane(unit="px"))
    assert "no scale" in find(m, "vertical_oscillation").reason


def test_excluded_stances_are_not_measured():
    stances = [attrs.evolve(s, excluded="left out") if s.side == "left" else s for s in running()]
    _, m = measure_times(stances, view="side", budget=ErrorBudget())
    assert find(m, "contact_time", "left").reason == "no usable left strides"
    assert find(m, "contact_time", "right").value == pytest.approx(CONTACT_S)
    assert "left not measurable" in find(m, "contact_time").reason


@settings(max_examples=25, deadline=None)
@given(st.floats(-50, 500), st.floats(0.3, 0.45), st.floats(0.15, 0.29))
def test_shifting_time_changes_nothing(shift, step, contact):
    def at(offset):
        events = []
        for k in range(11):
            side = "left" if k % 2 == 0 else "right"
            for kind, t in (("initial_contact", k * step), ("toe_off", k * step + contact)):
                events.append(Event("side", side, kind, t + offset, t + offset - 0.004, t + offset + 0.004))
        return measure_times(build_stances(events)[0], view="side", budget=ErrorBudget(), speed_mps=3.0)[1]

    for a, b in zip(at(0.0), at(shift), strict=True):
        assert (a.value is None) == (b.value is None)
        if a.value is not None:
            assert b.value == pytest.approx(a.value, rel=1e-7)
            assert b.high - b.low == pytest.approx(a.high - a.low, rel=1e-4, abs=1e-9)


def test_a_misread_contact_at_an_end_does_not_decide_the_cadence() -> None:
    """Eight contacts of a foot 0.7 s apart; the first 25 ms late makes 0.5 % from end to end, and nothing here."""
    true_s = [0.2 + 0.7 * k for k in range(8)]
    found = [(2 * k, t) for k, t in enumerate(true_s)]
    found[0] = (0, true_s[0] + 0.025)
    kept_ones = _even(found)
    assert kept_ones == found[1:]
    assert _even([(2 * k, t) for k, t in enumerate(true_s)]) == [(2 * k, t) for k, t in enumerate(true_s)]
