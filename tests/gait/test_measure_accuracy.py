"""Reading, timing and intervals held against real runners: two recordings, thinned, noise added, contacts mistimed.

Source: Fukuchi RK, Fukuchi CA, Duarte M (2017), PeerJ 5:e3298, doi 10.7717/peerj.3298 (CC BY 4.0); see data/rbds/README.md.
"""

from pathlib import Path

import attrs
import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from stick_runner import CONTACT_S, STRIDE_S, shank_deg, stick, thigh_deg

from midstance.gait.measure_accuracy import MeasureError, judge_measures, measure_table, true_side_values
from midstance.gait.measures_side import FlatFoot, measure_side
from midstance.gait.measures_time import measure_times
from midstance.gait.model import LANDMARK_INDEX, Event, PlanePaths
from midstance.gait.strides import build_stances
from midstance.gait.uncertainty import ErrorBudget
from midstance.signals.filters import butterworth_lowpass, noise_gain

DATA = Path(__file__).parents[1] / "data" / "rbds"
MARKERS = {"hip": "GTR", "knee": "Knee", "ankle": "Ankle", "heel": "Heel_Bottom", "toe": "MT2"}
ZERO = {"left": FlatFoot(0.0, 0.0, 0), "right": FlatFoot(0.0, 0.0, 0)}


def test_truth_of_the_stick_runner():
    runner = stick(6)
    stances, _ = build_stances(runner.events)
    truth = true_side_values(runner.plane(), stances)
    first = truth["left", 0.0]
    thigh, shank = (float(f(np.array([0.0]), 0.0)[0]) for f in (thigh_deg, shank_deg))
    assert first["knee_flexion_contact"] == pytest.approx(thigh - shank, abs=1e-6)
    assert first["contact_time"] == pytest.approx(CONTACT_S)
    assert first["stride_time"] == pytest.approx(STRIDE_S)
    t = np.linspace(CONTACT_S, STRIDE_S, 5001)
    swing = float((thigh_deg(t, 0.0) - shank_deg(t, 0.0)).max())
    assert first["knee_flexion_peak_swing"] == pytest.approx(swing, abs=0.05)


def test_table_counts_what_it_should():
    def error(e, half, whole=False):
        return MeasureError("step_time", "left", whole, e, half, abs(e) <= half)

    (row,) = measure_table([error(1, 2), error(-1, 2), error(3, 2), error(1, 2), error(0.5, 1, True)])
    assert (row.n, row.bias, row.median_abs, row.held) == (4, 1.0, 1.0, 0.75)
    assert (row.n_means, row.means_held) == (1, 1.0)
    assert measure_table([]) == []


def recorded(name):
    with np.load(DATA / name) as z:
        t = z["time_s"]
        xy = np.full((len(t), 33, 2), np.nan)
        for side in ("left", "right"):
            for ours, theirs in MARKERS.items():
                p = z[f"{side[0].upper()}_{theirs}_m"][:, :2].astype(float)
                good = np.isfinite(p).all(axis=1)
                for c in (0, 1):
                    xy[:, LANDMARK_INDEX[f"{side}_{ours}"], c] = np.interp(t, t[good], p[good, c])
        events = [
            ("left" if s == "L" else "right", kind, float(at))
            for kind, key in (("initial_contact", "contact_on_s"), ("toe_off", "contact_off_s"))
            for s, at in zip(z["contact_side"], z[key], strict=True)
            if t[0] + 0.2 < at < t[-1] - 0.2
        ]
    return t, xy, events


def plane(t, xy, sigma):
    return PlanePaths(
        "side", t, xy, np.full(xy.shape[:2], sigma), np.isfinite(xy).all(axis=2), "m", None
    )


@pytest.fixture(scope="module")
def rows():
    """Both runners at 60 and 120 frames a second, noise of 3 mm, events off by 4 ms (half of the variance shared)."""
    rng = np.random.default_rng(4)
    errors = []
    for name in ("runner01_3.5mps.npz", "runner12_2.5mps.npz"):
        t, xy, events = recorded(name)
        exact, _ = build_stances([Event("side", s, k, a, a, a) for s, k, a in events])
        truth = true_side_values(plane(t, xy, 1e-4), exact)
        known = np.isfinite(xy[0, :, 0])
        for rate in (60.0, 120.0):
            for _ in range(4):
                fine = np.arange(t[0] + rng.uniform(0, 1 / rate), t[-1], 1 / rate)
                noisy = np.full((len(fine), 33, 2), np.nan)
                noisy[:, known] = CubicSpline(t, xy[:, known])(fine)
                noisy[:, known] += 0.003 * rng.standard_normal(noisy[:, known].shape)
                off = {k: 0.004 * np.sqrt(0.5) * rng.standard_normal() for k in ("initial_contact", "toe_off")}
                found = []
                for s, k, a in events:
                    x = a + off[k] + 0.004 * np.sqrt(0.5) * rng.standard_normal()
                    found.append(Event("side", s, k, x, x - 0.00784, x + 0.00784))
                stances, _ = build_stances(found)
                sharp = plane(fine, noisy, 0.003)
                smooth = butterworth_lowpass(noisy, rate, 10.0)
                calm = attrs.evolve(sharp, xy=smooth, sigma=sharp.sigma * noise_gain(rate, 10.0))
                budget = ErrorBudget(far_factor=1.0, noise_hz=None)
                v, m = measure_side(sharp, stances, budget=budget, peaks=calm, foot_zero=ZERO)
                v2, m2 = measure_times(stances, view="side", budget=budget)
                errors += judge_measures(v + v2, m + m2, stances, truth)
    return {r.measure: r for r in measure_table(errors)}


@pytest.mark.parametrize(
    ("key", "median"),
    [
        ("shank_angle_contact", 0.9),
        ("knee_flexion_contact", 1.2),
        ("thigh_angle_contact", 0.6),
        ("foot_strike_angle", 1.8),
        ("foot_ahead_of_hip", 0.007),
        ("hip_extension_toe_off", 1.0),
        ("knee_flexion_peak_stance", 0.6),
        ("contact_time", 0.005),
    ],
)
def test_real_runners_through_noise_and_mistimed_contacts(rows, key, median):
    row = rows[key]
    assert row.n > 100
    assert row.median_abs < median
    assert 0.90 <= row.held <= 1.0
    assert row.n_means >= 30
    assert row.means_held >= 0.85


def test_intervals_of_real_runners_hold_the_truth_as_often_as_they_say(rows):
    """Over all measures that rest on contacts; a few legs' bias is shared by all their strides, so not to the per cent."""
    contact = [r for k, r in rows.items() if k.endswith("_contact") or k == "foot_ahead_of_hip"]
    held = sum(r.n * r.held for r in contact) / sum(r.n for r in contact)
    assert 0.93 <= held <= 0.985
