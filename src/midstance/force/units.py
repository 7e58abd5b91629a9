"""Is it newtons? The mean vertical force over whole steps of steady running is the body weight: a check of every unit.

Over steps in which the runner neither rises nor sinks on the whole, the impulse of the vertical force equals body weight
times time [mechanics]. So the mean tells the unit where a file doesn't, and catches a wrong one.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from midstance.errors import ForceError
from midstance.force.model import GRAVITY_MPS2
from midstance.gait.model import QualityCheck

ForceUnit = Literal["N", "kN", "BW", "kgf", "lbf", "mN"]
#: Newtons in one unit; BW is not among them, since it takes the runner.
NEWTONS: dict[str, float] = {"N": 1.0, "kN": 1000.0, "kgf": GRAVITY_MPS2, "lbf": 4.4482216, "mN": 0.001}
#: Mean over weight within these is good; within the wider ones usable. The mean of 39 recordings of 13 runners on a
#: force-measuring treadmill was 0.97 to 1.01 of body weight.
GOOD_RATIO, USABLE_RATIO = (0.95, 1.05), (0.85, 1.18)
#: Body weights that people have, N (25 to 200 kg).
WEIGHTS_N = (245.0, 1960.0)
#: A recording in body weights averages 1 within this much, where no mass is given.
BW_WITHIN = 0.06


def mean_over_steps(on_s: ArrayLike, impulse_ns: ArrayLike) -> float | None:
    """Mean vertical force over whole steps: impulses of all contacts but the last over first to last contact.

    Parameters
    ----------
    on_s, impulse_ns : (k,) contact times (s) and vertical impulses (N s) of one unbroken run of steps.

    Returns
    -------
    float or None
        N; None with fewer than three contacts. An even number of steps is taken, since a limp makes left and right differ.
    """
    on, j = np.asarray(on_s, dtype=np.float64), np.asarray(impulse_ns, dtype=np.float64)
    steps = len(on) - 1
    steps -= steps % 2
    if steps < 2:
        return None
    return float(j[:steps].sum() / (on[steps] - on[0]))


def likely_unit(mean: float, mass_kg: float | None = None) -> tuple[ForceUnit | None, str]:
    """Unit of a mean vertical force over steps, and why, in words.

    With the body mass the unit is the one that comes nearest to the body weight, within ``USABLE_RATIO``. Without it, a mean
    of 1 is body weights (a kilonewton is the weight of 102 kg, so a mean near 1 is less likely kN), a mean that is
    somebody's weight in newtons is newtons, and otherwise kilonewtons or kilograms are tried.
    """
    if mass_kg is not None:
        weight = mass_kg * GRAVITY_MPS2
        ratios: dict[ForceUnit, float] = {u: mean * NEWTONS[u] / weight for u in ("N", "kN", "kgf", "lbf", "mN")}
        ratios["BW"] = mean
        best = min(ratios, key=lambda u: abs(np.log(max(ratios[u], 1e-12))))
        if USABLE_RATIO[0] <= ratios[best] <= USABLE_RATIO[1]:
            return best, f"read in {best}, the mean force over whole steps is {ratios[best]:.2f} of the body weight given"
        return None, f"in no unit does the mean force over whole steps ({mean:.3g}) come near the weight of {mass_kg:.1f} kg"
    if abs(mean - 1.0) <= BW_WITHIN:
        return "BW", f"the mean over whole steps is {mean:.2f}, as it is in body weights"
    for unit in ("N", "kN"):
        if WEIGHTS_N[0] <= mean * NEWTONS[unit] <= WEIGHTS_N[1]:
            return unit, f"the mean over whole steps, {mean:.3g}, is a body weight in {unit}"
    if 25.0 <= mean <= 200.0:
        return "kgf", f"the mean over whole steps, {mean:.3g}, is a body mass in kg"
    return None, f"the mean over whole steps, {mean:.3g}, is nobody's weight in N, kN, kg or body weights"


def weight_check(mean_n: float | None, mass_kg: float | None, *, where: str = "recording") -> QualityCheck:
    """Hold the mean force against the body weight.

    Raises
    ------
    ForceError
        The mean can't be this runner's, or anybody's, weight: the unit, the calibration or the mass is wrong.
    """
    limit = f"{GOOD_RATIO[0]:.2f}–{GOOD_RATIO[1]:.2f} of body weight"
    name = "mean force against body weight"
    if mean_n is None:
        return QualityCheck(
            name, None, "BW", limit, "unknown", "none",
            "no three contacts in a row, so the forces could not be checked against the body weight",
        )  # fmt: skip
    if mass_kg is None:
        if not WEIGHTS_N[0] <= mean_n <= WEIGHTS_N[1]:
            unit, why = likely_unit(mean_n)
            hint = f" ({why})" if unit is not None else ""
            raise ForceError(
                f"the mean vertical force over whole steps is {mean_n:.3g} N, which is nobody's weight{hint}",
                where=where,
                allowed=f"{WEIGHTS_N[0]:.0f} to {WEIGHTS_N[1]:.0f} N",
                next_step="state the unit of the force columns"
                + (f", probably {unit}" if unit else ", and check the calibration"),
            )
        return QualityCheck(
            name, None, "BW", limit, "unknown", "none",
            f"the mean force over whole steps, {mean_n:.0f} N, is taken as body weight; give the body mass to check it",
        )  # fmt: skip
    ratio = mean_n / (mass_kg * GRAVITY_MPS2)
    if not USABLE_RATIO[0] <= ratio <= USABLE_RATIO[1]:
        unit, why = likely_unit(mean_n, mass_kg)
        probably = f"; {why}" if unit not in (None, "N") else ""
        raise ForceError(
            f"the mean vertical force over whole steps is {ratio:.3g} of the body weight ({mean_n:.3g} N, {mass_kg:.1f} kg)"
            f"{probably}",
            where=where,
            allowed=f"{USABLE_RATIO[0]:.2f} to {USABLE_RATIO[1]:.2f}: running steadily, it is the body weight",
            next_step=(
                f"give the unit of the force columns as {unit}"
                if unit not in (None, "N")
                else "check the unit and the calibration of the recording, and the body mass"
            ),
        )
    good = GOOD_RATIO[0] <= ratio <= GOOD_RATIO[1]
    return QualityCheck(
        name, ratio, "BW", limit, "good" if good else "usable", "none" if good else "wider intervals",
        "" if good else "the platform's calibration or the body mass is off by this much; forces in body weights carry it",
    )  # fmt: skip
