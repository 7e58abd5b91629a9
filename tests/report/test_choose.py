"""The stills show the most ordinary step, midstance at the peak its label names."""

from __future__ import annotations

import attrs
import numpy as np
import pytest
from sample import sample_assessment

from midstance.report.choose import MIDDLE, representative_stance, still_times


def test_the_step_nearest_to_the_mean_is_chosen() -> None:
    a = sample_assessment()
    moved = []
    for v in a.stride_values:
        if v.view == "side" and v.side == "right":
            value = 10.0 + (v.stride - 13)  # strides 1, 3 … 25: number 13 is in the middle
            v = attrs.evolve(v, value=value, low=value - 1, high=value + 1)
        moved.append(v)
    chosen = representative_stance(attrs.evolve(a, stride_values=tuple(moved)), "side", "right")
    assert chosen is not None
    assert chosen.index == 13


def test_a_step_left_out_is_never_shown() -> None:
    a = sample_assessment()
    out = tuple(attrs.evolve(s, excluded="hidden") if s.index < 20 else s for s in a.stances)
    chosen = representative_stance(attrs.evolve(a, stances=out), "side", "left")
    assert chosen is not None
    assert 20 <= chosen.index <= 25
    assert representative_stance(attrs.evolve(a, stances=()), "side", "left") is None
    assert representative_stance(a, "front", "left") is None


def test_midstance_is_at_the_peak_of_the_curve() -> None:
    a = sample_assessment()
    stance = representative_stance(a, "side", "right")
    assert stance is not None
    assert stance.to is not None
    times = still_times(a, stance)
    assert times["initial_contact"] == stance.ic.time_s
    assert times["toe_off"] == stance.to.time_s
    curve = next(c for c in a.curves if c.key == "knee_flexion" and c.side == "right")
    peak = int(np.argmax(curve.mean[:35]))  # not the larger peak in swing
    share = (times["midstance"] - times["initial_contact"]) / (times["toe_off"] - times["initial_contact"])
    assert share == pytest.approx(peak / curve.toe_off_percent)
    bare = still_times(attrs.evolve(a, curves=()), stance)
    length = stance.to.time_s - stance.ic.time_s
    assert bare["midstance"] == pytest.approx(stance.ic.time_s + MIDDLE * length)
    assert list(still_times(a, attrs.evolve(stance, to=None))) == ["initial_contact"]
