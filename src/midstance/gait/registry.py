"""Every measure of the films: key, unit, views, title, what it means in plain words, and what its sign says.

Reports, tables and tests take names and units from here, so that nothing is described twice.
"""

from __future__ import annotations

from typing import Literal

import attrs

from midstance.gait.model import MeasureSide, View

Group = Literal["time", "side", "frontal", "estimate", "force"]

_ALL: tuple[View, ...] = ("side", "rear", "front")
_SIDE: tuple[View, ...] = ("side",)
_FRONTAL: tuple[View, ...] = ("rear", "front")


@attrs.frozen
class MeasureInfo:
    """What a measure is.

    Attributes
    ----------
    key, unit : the name and unit used in every output; unit "1" is a plain number.
    views : the views it can be had from.
    group : the part of the report it belongs to.
    title, definition : for people to read.
    positive, negative : what a value above or below zero says; empty where the value is never negative.
    decimals : digits after the point worth printing.
    ratio_scale : True where zero means "none", so that left-right differences in per cent make sense.
    sides : the sides it is given for.
    useful_half_width : the widest half of a 95 % interval with which the film's mean still says something,
        same unit; None where every width is shown. Engineering choice.
    """

    key: str
    unit: str
    views: tuple[View, ...]
    group: Group
    title: str
    definition: str
    positive: str = ""
    negative: str = ""
    decimals: int = 1
    ratio_scale: bool = False
    sides: tuple[MeasureSide, ...] = ("left", "right", "both")
    useful_half_width: float | None = None


_INFOS: tuple[MeasureInfo, ...] = (
    MeasureInfo(
        "cadence",
        "steps/min",
        _ALL,
        "time",
        "Cadence",
        "Steps (not strides) a minute, from the first to the last contact of each unbroken run of steps.",
        decimals=1,
        ratio_scale=True,
        sides=("both",),
    ),
    MeasureInfo(
        "step_time",
        "s",
        _ALL,
        "time",
        "Step time",
        "Time from a foot's contact to the next contact of the other foot.",
        decimals=3,
        ratio_scale=True,
    ),
    MeasureInfo(
        "stride_time",
        "s",
        _ALL,
        "time",
        "Stride time",
        "Time from a foot's contact to its own next contact; two steps.",
        decimals=3,
        ratio_scale=True,
    ),
    MeasureInfo(
        "contact_time",
        "s",
        _ALL,
        "time",
        "Contact time",
        "Time from initial contact to toe-off of the same foot.",
        decimals=3,
        ratio_scale=True,
    ),
    MeasureInfo(
        "flight_time",
        "s",
        _ALL,
        "time",
        "Flight time",
        "Time from a foot's toe-off to the other foot's contact, when neither foot is on the ground. "
        "Not the swing time of one leg, which some authors call flight time.",
        "a flight phase",
        "both feet on the ground at once",
        decimals=3,
    ),
    MeasureInfo(
        "swing_time",
        "s",
        _ALL,
        "time",
        "Swing time",
        "Time from a foot's toe-off to its own next contact.",
        decimals=3,
        ratio_scale=True,
    ),
    MeasureInfo(
        "duty_factor",
        "1",
        _ALL,
        "time",
        "Duty factor",
        "Contact time divided by stride time. Below 0.5 there is a flight phase.",
        decimals=3,
        ratio_scale=True,
    ),
    MeasureInfo(
        "step_length",
        "m",
        _ALL,
        "time",
        "Step length",
        "Distance covered in a step: speed times step time, or the distance between the two contacts on the "
        "ground.",
        decimals=2,
        ratio_scale=True,
    ),
    MeasureInfo(
        "vertical_oscillation",
        "m",
        _ALL,
        "time",
        "Vertical oscillation",
        "Highest minus lowest height of the whole-body centre of mass within a step.",
        decimals=3,
        ratio_scale=True,
    ),
    MeasureInfo(
        "speed",
        "m/s",
        _ALL,
        "time",
        "Speed",
        "The belt or running speed that was given.",
        decimals=2,
        ratio_scale=True,
        sides=("both",),
    ),
    MeasureInfo(
        "vertical_force_peak_estimated",
        "BW",
        _ALL,
        "estimate",
        "Peak vertical force (estimate)",
        "Largest vertical ground reaction force in body weights, estimated from contact and flight time as "
        "if the force were "
        "half a sine wave. Level ground only.",
        decimals=2,
        ratio_scale=True,
    ),
    MeasureInfo(
        "vertical_stiffness",
        "kN/m",
        _ALL,
        "estimate",
        "Vertical stiffness (estimate)",
        "Estimated peak force divided by the estimated drop of the centre of mass in stance.",
        decimals=1,
        ratio_scale=True,
    ),
    MeasureInfo(
        "leg_stiffness",
        "kN/m",
        _ALL,
        "estimate",
        "Leg stiffness (estimate)",
        "Estimated peak force divided by the estimated shortening of the leg in stance.",
        decimals=1,
        ratio_scale=True,
    ),
    MeasureInfo(
        "foot_strike_angle",
        "deg",
        _SIDE,
        "side",
        "Foot strike angle",
        "Heel-toe line at initial contact against the same foot lying flat.",
        "toes up, heel first",
        "toes down, forefoot first",
    ),
    MeasureInfo(
        "shank_angle_contact",
        "deg",
        _SIDE,
        "side",
        "Shank angle at contact",
        "Knee-ankle line from the vertical at initial contact.",
        "ankle ahead of the knee",
        "ankle behind the knee",
    ),
    MeasureInfo(
        "knee_flexion_contact",
        "deg",
        _SIDE,
        "side",
        "Knee flexion at contact",
        "Bend of the knee at initial contact; 0 is straight.",
        "bent",
        "bent backwards",
    ),
    MeasureInfo(
        "thigh_angle_contact",
        "deg",
        _SIDE,
        "side",
        "Thigh angle at contact",
        "Hip-knee line from the vertical at initial contact.",
        "knee ahead of the hip",
        "knee behind the hip",
    ),
    MeasureInfo(
        "hip_flexion_contact",
        "deg",
        _SIDE,
        "side",
        "Hip flexion at contact",
        "Thigh against the trunk line at initial contact; 0 when in line.",
        "flexed",
        "extended",
    ),
    MeasureInfo(
        "ankle_dorsiflexion_contact",
        "deg",
        _SIDE,
        "side",
        "Ankle dorsiflexion at contact",
        "Foot against shank at initial contact; 0 at a right angle with the foot flat.",
        "toes towards the shin",
        "toes pointed",
    ),
    MeasureInfo(
        "trunk_lean_contact",
        "deg",
        _SIDE,
        "side",
        "Trunk lean at contact",
        "Hip-shoulder line from the vertical at initial contact.",
        "leaning forward",
        "leaning back",
    ),
    MeasureInfo(
        "trunk_lean_stance",
        "deg",
        _SIDE,
        "side",
        "Trunk lean in stance",
        "Hip-shoulder line from the vertical, mean over stance.",
        "leaning forward",
        "leaning back",
    ),
    MeasureInfo(
        "knee_flexion_peak_stance",
        "deg",
        _SIDE,
        "side",
        "Peak knee flexion in stance",
        "Largest bend of the knee in the first four fifths of stance, mean of each stance's own peak.",
        "bent",
        "bent backwards",
    ),
    MeasureInfo(
        "ankle_dorsiflexion_peak_stance",
        "deg",
        _SIDE,
        "side",
        "Peak ankle dorsiflexion in stance",
        "Largest dorsiflexion in stance, mean of each stance's own peak.",
        "toes towards the shin",
        "toes pointed",
    ),
    MeasureInfo(
        "hip_extension_toe_off",
        "deg",
        _SIDE,
        "side",
        "Hip extension at toe-off",
        "Thigh behind the vertical at toe-off. It is not measured against the pelvis, which a film does not "
        "show.",
        "thigh behind the vertical",
        "thigh ahead of the vertical",
    ),
    MeasureInfo(
        "knee_flexion_peak_swing",
        "deg",
        _SIDE,
        "side",
        "Peak knee flexion in swing",
        "Largest bend of the knee between toe-off and the next contact, mean of each swing's own peak.",
        "bent",
        "bent backwards",
    ),
    MeasureInfo(
        "ankle_dorsiflexion_swing",
        "deg",
        _SIDE,
        "side",
        "Ankle dorsiflexion in swing",
        "Largest dorsiflexion between 30 and 90 % of swing, mean of each swing's own peak.",
        "toes towards the shin",
        "toes pointed",
    ),
    MeasureInfo(
        "foot_ahead_of_hip",
        "m",
        _SIDE,
        "side",
        "Foot ahead of hip at contact",
        "Ankle minus hip of the same leg, along the direction of running, at initial contact.",
        "ahead",
        "behind",
        decimals=3,
    ),
    MeasureInfo(
        "foot_ahead_of_hip_leg",
        "1",
        _SIDE,
        "side",
        "Foot ahead of hip at contact, in leg lengths",
        "The same distance divided by leg length (hip to ground).",
        "ahead",
        "behind",
        decimals=3,
    ),
    MeasureInfo(
        "foot_ahead_of_com",
        "m",
        _SIDE,
        "side",
        "Foot ahead of centre of mass at contact",
        "Ankle minus whole-body centre of mass, along the direction of running, at initial contact.",
        "ahead",
        "behind",
        decimals=3,
    ),
    MeasureInfo(
        "foot_ahead_of_com_leg",
        "1",
        _SIDE,
        "side",
        "Foot ahead of centre of mass at contact, in leg lengths",
        "The same distance divided by leg length (hip to ground).",
        "ahead",
        "behind",
        decimals=3,
    ),
    MeasureInfo(
        "pelvic_drop_peak",
        "deg",
        _FRONTAL,
        "frontal",
        "Peak pelvic drop",
        "Largest slope of the pelvis line in stance, mean of each stance's own peak. The pelvis line goes through two "
        "marked points of the pelvis.",
        "swing side lower",
        "swing side higher",
        useful_half_width=6.0,
    ),
    MeasureInfo(
        "pelvic_drop_excursion",
        "deg",
        _FRONTAL,
        "frontal",
        "Pelvic drop from contact to peak",
        "Peak pelvic drop minus the pelvic drop at initial contact; a tilted camera does not change it.",
        "drops after contact",
        "rises after contact",
        useful_half_width=5.0,
    ),
    MeasureInfo(
        "hip_adduction_peak",
        "deg",
        _FRONTAL,
        "frontal",
        "Peak hip adduction",
        "Largest angle of the thigh against the pelvis line in stance, mean of each stance's own peak.",
        "adducted",
        "abducted",
        useful_half_width=7.0,
    ),
    MeasureInfo(
        "knee_frontal_angle_peak",
        "deg",
        _FRONTAL,
        "frontal",
        "Peak frontal knee angle",
        "Largest deviation of the knee from the hip-ankle line in stance, as projected on the picture. It "
        "mixes hip rotation "
        "with knee position and is a description only.",
        "knee inside the line",
        "knee outside the line",
        useful_half_width=7.0,
    ),
    MeasureInfo(
        "trunk_side_lean_peak",
        "deg",
        _FRONTAL,
        "frontal",
        "Peak trunk side lean",
        "Largest lean of the mid-hip to mid-shoulder line in stance, mean of each stance's own peak.",
        "towards the stance leg",
        "away from the stance leg",
        useful_half_width=5.0,
    ),
    MeasureInfo(
        "rearfoot_eversion_peak",
        "deg",
        _FRONTAL,
        "frontal",
        "Peak rearfoot eversion",
        "Heel line against lower-leg line in stance.",
        "everted",
        "inverted",
        useful_half_width=8.0,
    ),
    MeasureInfo(
        "rearfoot_inversion_contact",
        "deg",
        _FRONTAL,
        "frontal",
        "Rearfoot inversion at contact",
        "Heel line against lower-leg line at initial contact.",
        "inverted",
        "everted",
        useful_half_width=8.0,
    ),
    MeasureInfo(
        "step_width",
        "m",
        _FRONTAL,
        "frontal",
        "Step width",
        "Sideways distance between the ankles in their successive stances. Below zero each foot lands beyond the other's "
        "line.",
        "feet apart",
        "feet cross over",
        decimals=3,
    ),
    MeasureInfo(
        "knee_separation",
        "m",
        _FRONTAL,
        "frontal",
        "Knee separation",
        "Sideways distance between the knees in the middle of stance.",
        "knees apart",
        "knees cross over",
        decimals=3,
    ),
    MeasureInfo(
        "thigh_adduction_peak",
        "deg",
        _FRONTAL,
        "frontal",
        "Peak thigh adduction from the vertical",
        "Largest angle of the hip-knee line from the vertical in stance, mean of each stance's own peak. Unlike hip "
        "adduction it needs no pelvis line.",
        "knee towards the middle",
        "knee away from the middle",
        useful_half_width=6.0,
    ),
    MeasureInfo(
        "arm_crossing",
        "%",
        _FRONTAL,
        "frontal",
        "Arm crossing",
        "Share of arm swings in which the wrist crosses the body's mid-line, the line from mid-hip to mid-shoulder at the "
        "wrist's height. It is described and never judged.",
        decimals=0,
        useful_half_width=35.0,
    ),
)

#: All measures of films by key, in the order of the report.
REGISTRY: dict[str, MeasureInfo] = {i.key: i for i in _INFOS}


def info(key: str) -> MeasureInfo:
    """Return what is known of a measure; a readable error for an unknown key."""
    try:
        return REGISTRY[key]
    except KeyError:
        raise ValueError(f"no measure is called {key!r}; the measures are {', '.join(REGISTRY)}") from None


def keys_for(view: View, *groups: Group) -> tuple[str, ...]:
    """Return the keys of a view, all groups or only those named, in the order of the report."""
    return tuple(k for k, i in REGISTRY.items() if view in i.views and (not groups or i.group in groups))
