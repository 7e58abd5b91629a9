"""The measures of force recordings: key, unit, title, definition. Times share their keys with the films' measures."""

from __future__ import annotations

from midstance.gait.model import View
from midstance.gait.registry import MeasureInfo
from midstance.gait.registry import info as film_info

VIEW: View = "force"
_FORCE: tuple[View, ...] = (VIEW,)
#: Measures of times, defined with the films' measures.
TIME_KEYS = ("cadence", "step_time", "stride_time", "contact_time", "flight_time", "swing_time", "duty_factor")

_INFOS: tuple[MeasureInfo, ...] = (
    MeasureInfo(
        "vertical_force_peak", "BW", _FORCE, "force", "Peak vertical force",
        "Largest vertical force of the ground on the runner in contact, mean of each contact's own peak.",
        decimals=2, ratio_scale=True,
    ),
    MeasureInfo(
        "impact_peak", "BW", _FORCE, "force", "Impact peak",
        "First summit of the vertical force in the first 50 ms of contact, where there is a distinct one.",
        decimals=2, ratio_scale=True,
    ),
    MeasureInfo(
        "loading_rate_average", "BW/s", _FORCE, "force", "Average loading rate",
        "Mean slope of the vertical force in the middle of its rise from contact to the impact peak.",
        decimals=0, ratio_scale=True,
    ),
    MeasureInfo(
        "loading_rate_peak", "BW/s", _FORCE, "force", "Peak loading rate",
        "Steepest slope of the vertical force in its rise from contact to the impact peak.",
        decimals=0, ratio_scale=True,
    ),
    MeasureInfo(
        "braking_impulse", "BW·s", _FORCE, "force", "Braking impulse",
        "The part of the fore-aft force that is against the direction of travel, summed over contact.",
        "", "against the direction of travel", decimals=4, ratio_scale=True,
    ),
    MeasureInfo(
        "propulsive_impulse", "BW·s", _FORCE, "force", "Propulsive impulse",
        "The part of the fore-aft force that is along the direction of travel, summed over contact.",
        "along the direction of travel", decimals=4, ratio_scale=True,
    ),
    MeasureInfo(
        "strike_index", "1", _FORCE, "force", "Strike index",
        "Where along the foot the load first falls, as a share of the foot's length from the heel.",
        "ahead of the heel", "behind the heel's marker", decimals=2,
    ),
    MeasureInfo(
        "cop_excursion_mediolateral", "m", _FORCE, "force", "Sideways excursion of the centre of pressure",
        "Range of the centre of pressure across the foot from 10 to 90 % of contact.",
        decimals=3, ratio_scale=True,
    ),
)  # fmt: skip

#: All measures of force recordings by key, in the order of the report.
FORCE_REGISTRY: dict[str, MeasureInfo] = {
    **{key: film_info(key) for key in TIME_KEYS},
    **{i.key: i for i in _INFOS},
}


def force_info(key: str) -> MeasureInfo:
    """Return what is known of a measure of force recordings; a readable error for an unknown key."""
    try:
        return FORCE_REGISTRY[key]
    except KeyError:
        raise ValueError(
            f"no measure of force recordings is called {key!r}; there are {', '.join(FORCE_REGISTRY)}"
        ) from None
