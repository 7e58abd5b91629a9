"""Verdicts on a film, and the measures each kind of fault takes away."""

from __future__ import annotations

from typing import Literal

from midstance.gait.model import QualityCheck

Verdict = Literal["good", "usable", "unfit", "unknown"]

EVENT_MEASURES = (
    "contact_time",
    "flight_time",
    "swing_time",
    "duty_factor",
    "vertical_force_peak_estimated",
    "vertical_stiffness",
    "leg_stiffness",
    "foot_strike_angle",
    "shank_angle_contact",
    "knee_flexion_contact",
    "thigh_angle_contact",
    "hip_flexion_contact",
    "ankle_dorsiflexion_contact",
    "trunk_lean_contact",
    "hip_extension_toe_off",
    "rearfoot_inversion_contact",
    "foot_ahead_of_hip",
    "foot_ahead_of_com",
    "foot_ahead_of_hip_leg",
    "foot_ahead_of_com_leg",
)
FOOT_MEASURES = (
    "foot_strike_angle",
    "ankle_dorsiflexion_contact",
    "ankle_dorsiflexion_peak_stance",
    "ankle_dorsiflexion_swing",
    "rearfoot_eversion_peak",
    "rearfoot_inversion_contact",
    "step_width",
)
HEAD_MEASURES = ("vertical_oscillation", "foot_ahead_of_com", "foot_ahead_of_com_leg")
UPRIGHT_MEASURES = (
    "foot_strike_angle",
    "shank_angle_contact",
    "thigh_angle_contact",
    "trunk_lean_contact",
    "trunk_lean_stance",
    "hip_extension_toe_off",
    "pelvic_drop_peak",
    "pelvic_drop_excursion",
    "trunk_side_lean_peak",
    "thigh_adduction_peak",
)
STILL_CAMERA_MEASURES = ("vertical_oscillation", "step_width")
#: What a rear or front camera far off the line of running can't give: there fore-aft motion shows as sideways motion.
TURNED_MEASURES = ("knee_frontal_angle_peak", "thigh_adduction_peak", "arm_crossing", "knee_separation")
ALL_ANGLES = tuple(
    dict.fromkeys(
        (
            *FOOT_MEASURES,
            *UPRIGHT_MEASURES,
            "knee_flexion_contact",
            "hip_flexion_contact",
            "knee_flexion_peak_stance",
            "knee_flexion_peak_swing",
            "hip_adduction_peak",
            "knee_frontal_angle_peak",
            *HEAD_MEASURES,
            "foot_ahead_of_hip",
            "foot_ahead_of_hip_leg",
            "knee_separation",
            "arm_crossing",
        )
    )
)


def make_check(
    name: str,
    value: float | None,
    unit: str,
    limit: str,
    verdict: Verdict,
    advice: str,
    measures: tuple[str, ...] = (),
    factor: float = 1.0,
    *,
    widens: bool = True,
) -> QualityCheck:
    """Put a check together; its effect follows from the verdict, the measures it takes away and the factor.

    ``widens`` is False for checks that only advise.
    """
    if measures:
        effect: Literal["none", "wider intervals", "not measurable"] = "not measurable"
    elif (verdict in ("usable", "unfit") and widens) or factor > 1.0:
        effect = "wider intervals"
    else:
        effect = "none"
    return QualityCheck(name, value, unit, limit, verdict, effect, advice, measures, round(factor, 3))
