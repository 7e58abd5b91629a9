"""Spring-mass estimates of force and stiffness from contact and flight time.

The vertical force of a stance is taken as half a sine wave; force, the drop of the centre of mass and the
shortening of the leg follow from times alone. Nothing here is measured, and it holds on level ground only.

References
----------
Morin JB et al. (2005), A simple method for measuring stiffness during running, J Appl Biomech 21:167-180.
Formulas from memory, derived again from F = Fmax sin(pi t / tc). The paper's abstract gives 0.67 to 6.93 %
difference from force plates.
"""

from __future__ import annotations

import attrs
import numpy as np

GRAVITY = 9.81
#: Hip to ground as a fraction of stature, when leg length was not measured (Winter; from memory).
LEG_FRACTION = 0.53
#: 1-SD relative error of the model itself: the abstract's largest difference, 6.93 %, taken as two standard
#: deviations.
MODEL_RELATIVE_SIGMA = 0.035


@attrs.frozen
class SpringMass:
    """Estimates of one stance.

    ``force_peak_bw`` needs times only. ``drop_m`` of the centre of mass in stance. Stiffnesses in kN/m and
    ``leg_shortening_m`` are None where mass, leg length or speed is missing.
    """

    force_peak_bw: float
    drop_m: float
    vertical_stiffness: float | None
    leg_shortening_m: float | None
    leg_stiffness: float | None


def spring_mass(
    contact_s: float,
    flight_s: float,
    *,
    mass_kg: float | None = None,
    leg_length_m: float | None = None,
    speed_mps: float | None = None,
) -> SpringMass:
    """Return the spring-mass estimates of one step.

    Parameters
    ----------
    contact_s, flight_s : contact time (> 0) and the flight time after it, s.
    mass_kg, leg_length_m, speed_mps : body mass, hip to ground, mean speed.

    Raises
    ------
    ValueError
        If ``contact_s`` isn't positive, if flight is so negative that the mean force would not carry the
        body, or if the leg would sweep further than its own length.
    """
    if not contact_s > 0:
        raise ValueError(f"contact time must be positive, got {contact_s:g} s")
    force_bw = 0.5 * np.pi * (flight_s / contact_s + 1.0)
    drop = force_bw * GRAVITY * contact_s**2 / np.pi**2 - GRAVITY * contact_s**2 / 8.0
    if not drop > 0:
        raise ValueError(
            "contact and flight time don't fit a bouncing step: the centre of mass would not sink in stance"
        )
    force_n = None if mass_kg is None else mass_kg * GRAVITY * force_bw
    vertical = None if force_n is None else force_n / drop / 1000.0
    shortening = leg = None
    if leg_length_m is not None and speed_mps is not None:
        half_sweep = 0.5 * speed_mps * contact_s
        if half_sweep >= leg_length_m:
            raise ValueError(
                "speed and contact time don't fit the leg: it would sweep further than its length"
            )
        shortening = leg_length_m - float(np.sqrt(leg_length_m**2 - half_sweep**2)) + drop
        leg = None if force_n is None else force_n / shortening / 1000.0
    return SpringMass(float(force_bw), float(drop), vertical, shortening, leg)


def vertical_oscillation(contact_s: float, flight_s: float) -> float:
    """Rise and fall of the centre of mass in a step, m, from times alone: drop in stance plus g tf^2 / 8 in
    flight.
    """
    flight = max(flight_s, 0.0)
    return spring_mass(contact_s, flight_s).drop_m + GRAVITY * flight**2 / 8.0
