"""Spring-mass estimates against worked examples.

The expected figures were computed from the formulas of Morin et al. 2005, J Appl Biomech 21:167-180 (formulas
from memory, derived again from a half-sine force), with g = 9.81 m/s^2.
"""

import numpy as np
import pytest
from scipy.integrate import quad

from midstance.gait.spring_mass import GRAVITY, spring_mass, vertical_oscillation


def test_worked_example_at_twelve_kilometres_an_hour():
    r = spring_mass(0.250, 0.100, mass_kg=70, leg_length_m=0.9275, speed_mps=3.33333)
    assert r.force_peak_bw == pytest.approx(2.1991, abs=5e-5)
    assert r.force_peak_bw * 70 * GRAVITY == pytest.approx(1510.13, abs=5e-3)
    assert r.drop_m == pytest.approx(0.059974, abs=5e-7)
    assert r.vertical_stiffness == pytest.approx(25.180, abs=5e-4)
    assert r.leg_shortening_m == pytest.approx(0.158833, abs=5e-7)
    assert r.leg_stiffness == pytest.approx(9.5076, abs=1e-4)


def test_worked_example_at_eighteen_kilometres_an_hour():
    r = spring_mass(0.20, 0.14, mass_kg=60, leg_length_m=0.901, speed_mps=5)
    assert r.force_peak_bw * 60 * GRAVITY == pytest.approx(1571.77, abs=5e-3)
    assert r.vertical_stiffness == pytest.approx(27.517, abs=5e-4)
    assert r.leg_stiffness == pytest.approx(7.5354, abs=5e-5)


def test_half_sine_carries_the_body_through_the_step():
    # computed: the mean vertical force over a whole step is one body weight
    tc, tf = 0.250, 0.100
    peak = spring_mass(tc, tf).force_peak_bw
    impulse, _ = quad(lambda t: peak * np.sin(np.pi * t / tc), 0, tc)
    assert impulse / (tc + tf) == pytest.approx(1.0, abs=1e-9)


def test_oscillation_from_times():
    # computed: stance 5.997 cm + flight 1.2263 cm
    assert vertical_oscillation(0.250, 0.100) == pytest.approx(0.07224, abs=5e-6)
    assert vertical_oscillation(0.250, 0.100) - spring_mass(0.250, 0.100).drop_m == pytest.approx(
        0.012263, abs=1e-6
    )


def test_sensitivity_to_one_mistimed_event():
    # derived with x = tf / tc: k ~ (1 + x) / (tc^2 b), b = (1 + x) / (2 pi) - 1/8, hence d ln k / d ln tc is
    # -2 - x / (1 + x) + x / (2 pi b) with flight fixed, and -3 + (1 + x) / (2 pi b) with step time fixed
    def k(tc, tf):
        return spring_mass(tc, tf, mass_kg=70).vertical_stiffness

    h = 1e-6
    fixed_flight = (np.log(k(0.25 + h, 0.10)) - np.log(k(0.25, 0.10))) / (np.log(0.25 + h) - np.log(0.25))
    fixed_step = (np.log(k(0.25 + h, 0.10 - h)) - np.log(k(0.25, 0.10))) / (np.log(0.25 + h) - np.log(0.25))
    x = 0.4
    b = (1 + x) / (2 * np.pi) - 1 / 8
    assert fixed_flight == pytest.approx(-2 - x / (1 + x) + x / (2 * np.pi * b), abs=1e-4)
    assert fixed_step == pytest.approx(-3 + (1 + x) / (2 * np.pi * b), abs=1e-4)


def test_force_needs_no_mass_and_stiffness_does():
    r = spring_mass(0.25, 0.10)
    assert r.vertical_stiffness is None
    assert r.leg_stiffness is None
    assert spring_mass(0.25, 0.10, leg_length_m=0.9, speed_mps=3).leg_shortening_m is not None


@pytest.mark.parametrize(
    ("kwargs", "words"),
    [
        ({"contact_s": 0.0, "flight_s": 0.1}, "positive"),
        ({"contact_s": 0.25, "flight_s": -0.06}, "would not sink"),
        (
            {"contact_s": 0.40, "flight_s": 0.1, "leg_length_m": 0.9, "speed_mps": 6.0},
            "further than its length",
        ),
    ],
)
def test_impossible_steps_are_refused(kwargs, words):
    with pytest.raises(ValueError, match=words):
        spring_mass(**kwargs)
