"""The registry holds every key of the films, once, with words for people."""

import pytest

from midstance.gait.registry import REGISTRY, info, keys_for

KEYS = {
    "steps/min": "cadence",
    "s": "step_time stride_time contact_time flight_time swing_time",
    "1": "duty_factor foot_ahead_of_hip_leg foot_ahead_of_com_leg",
    "m": "step_length vertical_oscillation foot_ahead_of_hip foot_ahead_of_com step_width knee_separation",
    "m/s": "speed",
    "deg": "foot_strike_angle shank_angle_contact knee_flexion_contact thigh_angle_contact "
    "hip_flexion_contact "
    "ankle_dorsiflexion_contact trunk_lean_contact trunk_lean_stance knee_flexion_peak_stance "
    "ankle_dorsiflexion_peak_stance hip_extension_toe_off knee_flexion_peak_swing ankle_dorsiflexion_swing "
    "pelvic_drop_peak pelvic_drop_excursion hip_adduction_peak knee_frontal_angle_peak trunk_side_lean_peak "
    "rearfoot_eversion_peak rearfoot_inversion_contact thigh_adduction_peak",
    "BW": "vertical_force_peak_estimated",
    "kN/m": "vertical_stiffness leg_stiffness",
    "%": "arm_crossing",
}


def test_every_key_with_its_unit():
    expected = {key: unit for unit, keys in KEYS.items() for key in keys.split()}
    assert {k: i.unit for k, i in REGISTRY.items()} == expected


def test_words_for_people():
    for key, i in REGISTRY.items():
        assert i.key == key
        assert i.title[0].isupper()
        assert i.definition.endswith(".")
        assert i.views
        assert 0 <= i.decimals <= 3
        if i.unit == "deg":
            assert i.positive
            assert i.negative
            assert not i.ratio_scale, "angles have no natural zero"


def test_views():
    assert "pelvic_drop_peak" not in keys_for("side")
    assert "knee_flexion_contact" not in keys_for("rear")
    assert set(keys_for("rear")) == set(keys_for("front"))
    assert "cadence" in keys_for("front", "time")


def test_unknown_key_lists_the_known_ones():
    with pytest.raises(ValueError, match="cadence"):
        info("candence")
