"""Checks that need no recordings: what the code computes against closed forms and published values.

Each row names where its value comes from. "Worked out" means that it follows from the definition or formula named, and
was computed apart from this package's code.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import attrs
import numpy as np
from scipy import signal

from midstance.assess.settings import parse_pace, parse_speed
from midstance.gait import angles
from midstance.gait.com import body_table, combine, total_mass
from midstance.gait.measures_time import cadence_of_steps
from midstance.gait.spring_mass import GRAVITY, spring_mass, vertical_oscillation
from midstance.gait.symmetry import symmetry_angle, symmetry_index
from midstance.signals.derivatives import derivative, second_derivative
from midstance.signals.filters import TWO_PASS_CORRECTION, butterworth_lowpass, two_pass_design_hz
from midstance.validate.tables import Bar, Section, Table

DEFINITION = "worked out from the definition"
HALF_SINE = "worked out from a half-sine force (formulas from memory)"
DE_LEVA = "de Leva P (1996), J Biomech 29:1223, table read"
WINTER = "Winter DA (2009), 4th ed., p. 69, as an article that was read cites it"
SCIPY = "scipy, computed here"
MEMORY = "worked out; the formula is from memory"


@attrs.frozen
class ClosedCheck:
    """One value: what it is, the value expected, how far off ours may be, where the value comes from, and ours."""

    what: str
    unit: str
    value: float
    tolerance: float
    source: str
    ours: Callable[[], float]

    def result(self) -> dict[str, Any]:
        """Compute ours and say whether it agrees."""
        ours = self.ours()
        return {
            "what": self.what, "unit": self.unit, "value": self.value, "ours": ours, "tolerance": self.tolerance,
            "source": self.source, "agrees": bool(abs(ours - self.value) <= self.tolerance),
        }  # fmt: skip


def _gain(rate_hz: float, cutoff_hz: float, at_hz: float) -> float:
    """Amplitude that our two-pass filter leaves of a sine, least squares over the middle of a long record."""
    t = np.arange(round(8 * rate_hz)) / rate_hz
    out = butterworth_lowpass(np.sin(2 * np.pi * at_hz * t), rate_hz, cutoff_hz)
    middle = slice(len(t) // 4, 3 * len(t) // 4)
    basis = np.stack([np.sin(2 * np.pi * at_hz * t), np.cos(2 * np.pi * at_hz * t)], axis=1)[middle]
    return float(np.hypot(*np.linalg.lstsq(basis, out[middle], rcond=None)[0]))


def _against_scipy() -> float:
    """Largest difference of our filter from scipy's transfer-function form of the same design, on noise."""
    x = np.random.default_rng(1).standard_normal(600)
    b, a = signal.butter(2, two_pass_design_hz(150.0, 12.0), fs=150.0)
    inner = slice(100, -100)  # the ends depend on how a filter is started
    return float(np.abs(butterworth_lowpass(x, 150.0, 12.0) - signal.filtfilt(b, a, x))[inner].max())


def _derivative_error(which: Callable[[Any, Any], Any], wanted: float) -> float:
    t = np.cumsum(np.random.default_rng(2).uniform(0.002, 0.012, 50))
    got = which(t, 3.0 * t**2 - 2.0 * t)
    expected = 6.0 * t - 2.0 if wanted == 1 else np.full(len(t), 6.0)
    return float(np.nanmax(np.abs(got - expected)))


def _spring(field: str, factor: float = 1.0, *, fast: bool = False) -> Callable[[], float]:
    def compute() -> float:
        body: dict[str, float] = {"mass_kg": 60, "leg_length_m": 0.901, "speed_mps": 5.0} if fast else {
            "mass_kg": 70, "leg_length_m": 0.9275, "speed_mps": 10 / 3
        }  # fmt: skip
        times = (0.20, 0.14) if fast else (0.25, 0.10)
        return factor * float(getattr(spring_mass(*times, **body), field))

    return compute


def _thigh_and_shank() -> float:
    table = body_table("male")
    thigh = 0.92 + table["thigh"].c * (0.50 - 0.92)
    shank = 0.50 + table["shank"].c * (0.08 - 0.50)
    both = combine(np.array([[0, thigh], [0, shank]]), np.array([table["thigh"].mass, table["shank"].mass]))
    return float(both[1])


CHECKS: tuple[ClosedCheck, ...] = (
    ClosedCheck("cadence of 30 steps in 10.5 s", "steps/min", 171.43, 0.005, DEFINITION,
                lambda: cadence_of_steps([0.35] * 30)),
    ClosedCheck("peak force, contact 0.25 s, flight 0.10 s", "BW", 2.1991, 5e-5, HALF_SINE, _spring("force_peak_bw")),
    ClosedCheck("same, mean over the step", "BW", 1.0, 1e-9, DEFINITION,
                lambda: _spring("force_peak_bw")() * 2 / np.pi * 0.25 / 0.35),
    ClosedCheck("same, 70 kg", "N", 1510.13, 0.005, HALF_SINE, _spring("force_peak_bw", 70 * GRAVITY)),
    ClosedCheck("same, drop of the centre of mass in stance", "m", 0.059974, 5e-7, HALF_SINE, _spring("drop_m")),
    ClosedCheck("same, vertical stiffness", "kN/m", 25.180, 5e-4, HALF_SINE, _spring("vertical_stiffness")),
    ClosedCheck("same, leg shortening, leg 0.9275 m, 3.333 m/s", "m", 0.158833, 5e-7, HALF_SINE,
                _spring("leg_shortening_m")),
    ClosedCheck("same, leg stiffness", "kN/m", 9.5076, 5e-5, HALF_SINE, _spring("leg_stiffness")),
    ClosedCheck("peak force, 60 kg, contact 0.20 s, flight 0.14 s", "N", 1571.77, 0.005, HALF_SINE,
                _spring("force_peak_bw", 60 * GRAVITY, fast=True)),
    ClosedCheck("same, vertical stiffness", "kN/m", 27.517, 5e-4, HALF_SINE, _spring("vertical_stiffness", fast=True)),
    ClosedCheck("same, leg stiffness, leg 0.901 m, 5 m/s", "kN/m", 7.5354, 5e-5, HALF_SINE,
                _spring("leg_stiffness", fast=True)),
    ClosedCheck("rise of the body in a flight of 0.10 s", "cm", 1.2263, 6e-5, DEFINITION,
                lambda: 100 * (vertical_oscillation(0.25, 0.10) - _spring("drop_m")())),
    ClosedCheck("vertical oscillation, contact 0.25 s, flight 0.10 s", "cm", 7.224, 5e-4, HALF_SINE,
                lambda: 100 * vertical_oscillation(0.25, 0.10)),
    ClosedCheck("foot angle, heel (0, 0), toe (0.20, 0.05)", "deg", 14.036, 5e-4, DEFINITION,
                lambda: float(angles.foot_angle([0, 0], [0.20, 0.05]))),
    ClosedCheck("shank angle, knee (0.10, 0.50), ankle (0.16, 0.10)", "deg", 8.531, 5e-4, DEFINITION,
                lambda: float(angles.shank_angle([0.10, 0.50], [0.16, 0.10]))),
    ClosedCheck("knee flexion, hip (0.02, 0.90), knee (0.12, 0.50), ankle (0.15, 0.10)", "deg", 9.747, 5e-4, DEFINITION,
                lambda: float(angles.knee_flexion([0.02, 0.90], [0.12, 0.50], [0.15, 0.10]))),
    ClosedCheck("pelvic drop, hips 0.26 m apart, swing hip 2 cm lower", "deg", 4.399, 5e-4, DEFINITION,
                lambda: float(angles.pelvic_drop([0.0, 0.95], [0.26, 0.93]))),
    ClosedCheck("frontal knee angle, hip (0.10, 0.9), knee (0.06, 0.5), ankle (0.07, 0.1), right leg", "deg", 7.143,
                5e-4, DEFINITION,
                lambda: float(angles.knee_frontal_angle([0.10, 0.9], [0.06, 0.5], [0.07, 0.1], side="right"))),
    ClosedCheck("mean direction of 350° and 10°", "deg", 0.0, 1e-9, DEFINITION,
                lambda: angles.circular_mean_deg([350.0, 10.0])),
    ClosedCheck("mass of the whole body, men", "body mass", 1.0000, 5e-5, DE_LEVA, lambda: total_mass(body_table("male"))),
    ClosedCheck("mass of the whole body, women", "body mass", 0.9999, 5e-5, DE_LEVA,
                lambda: total_mass(body_table("female"))),
    ClosedCheck("centre of mass of thigh and shank, hip 0.92, knee 0.50, ankle 0.08 m", "m", 0.64670, 5e-6,
                "worked out from " + DE_LEVA, _thigh_and_shank),
    ClosedCheck("correction for two passes of a Butterworth filter", "1", 0.802243, 1e-6, WINTER,
                lambda: TWO_PASS_CORRECTION),
    ClosedCheck("design frequency for 10 Hz at 240 a second", "Hz", 12.426, 5e-4, SCIPY,
                lambda: two_pass_design_hz(240.0, 10.0)),
    ClosedCheck("gain of both passes at the cut-off", "1", 0.70711, 1e-4, DEFINITION, lambda: _gain(240.0, 10.0, 10.0)),
    ClosedCheck("filter against scipy's filtfilt, largest difference on noise of SD 1", "1", 0.0, 1e-9, SCIPY,
                _against_scipy),
    ClosedCheck("first derivative of a parabola, uneven times, largest error", "1/s", 0.0, 1e-8, DEFINITION,
                lambda: _derivative_error(derivative, 1)),
    ClosedCheck("second derivative of the same", "1/s²", 0.0, 1e-6, DEFINITION,
                lambda: _derivative_error(second_derivative, 2)),
    ClosedCheck("symmetry index, right 250, left 240", "%", 4.0816, 5e-5, MEMORY, lambda: symmetry_index(240.0, 250.0)),
    ClosedCheck("symmetry angle, the same", "%", 1.2990, 5e-5, MEMORY, lambda: symmetry_angle(240.0, 250.0)),
    ClosedCheck("5:00/km", "m/s", 3.33333, 5e-6, DEFINITION, lambda: parse_pace("5:00/km")),
    ClosedCheck("12km/h", "m/s", 3.33333, 5e-6, DEFINITION, lambda: parse_speed("12km/h")),
)  # fmt: skip


def check_closed() -> list[dict[str, Any]]:
    """Return every check's result, JSON-ready."""
    return [c.result() for c in CHECKS]


def closed_section(results: Sequence[dict[str, Any]]) -> Section:
    """Return the section made of results."""
    rows = tuple(
        (
            r["what"], r["unit"], f"{r['value']:.6g}", f"{0.0 if abs(r['ours']) < 1e-10 else r['ours']:.6g}",
            "agrees" if r["agrees"] else "DOES NOT AGREE", r["source"],
        )
        for r in results
    )  # fmt: skip
    right = sum(r["agrees"] for r in results)
    title = "Closed forms and published values"
    bar = Bar(title.lower(), "all agree", f"{right} of {len(results)}", right == len(results))
    table = Table("Values", ("what", "unit", "value", "ours", "", "source"), rows, left=(0, 1, 5))
    intro = (
        "What the package computes against closed forms, published values and a general library, without recordings."
    )
    return Section("closed", title, intro, (table,), (bar,))
