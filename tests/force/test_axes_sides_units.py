"""Axes, sides and units told from the forces, on real force curves with axes swapped and signs turned."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from force_runner import MadeRunner, made

from midstance.errors import ForceError
from midstance.force.axes import find_axes
from midstance.force.sides import by_alternation, by_events, by_feet, by_place
from midstance.force.units import likely_unit, mean_over_steps, weight_check

spm1d = pytest.importorskip("spm1d")


@pytest.fixture(scope="module")
def curves() -> tuple[np.ndarray, np.ndarray]:
    """Ground reaction forces of running and sprinting at 3.56 to 9.49 m/s, N: forward, up, sideways, 100 points a contact.

    Dorn TW, Schache AG, Pandy MG (2012), J Exp Biol 215:1944–1956, as it comes with spm1d.
    """
    dataset = spm1d.data.mv1d.cca.Dorn2012()
    y, x = dataset.get_data()
    return np.asarray(y), np.asarray(x)


def track(curves: np.ndarray) -> np.ndarray:
    """Contacts one after the other with flight between, 400 samples a second."""
    gap = np.zeros((40, 3))
    return np.concatenate([gap, *[part for c in curves for part in (c, gap)]])


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
@pytest.mark.parametrize("signs", [(1, 1, 1), (-1, -1, -1), (-1, 1, 1)])
def test_axes_of_real_forces(curves, order, signs):
    force = track(curves[0])[:, order] * np.array(signs)
    axes = find_axes(force, None, 400.0)
    turned = np.concatenate([force, np.zeros_like(force)], axis=1)
    turned = axes.turn(turned)[:, :3]
    truth = track(curves[0])
    np.testing.assert_allclose(turned[:, 1], truth[:, 1], atol=1e-9)  # up is the vertical force whatever its column and sign
    np.testing.assert_allclose(turned[:, 0], truth[:, 0], atol=1e-9)  # forward is where braking comes first
    assert axes.forward_known
    assert np.linalg.det(axes.rotation) == pytest.approx(1)


def test_each_speed_brakes_before_it_pushes(curves):
    for one in curves[0]:
        axes = find_axes(track(one[None]), None, 400.0)
        np.testing.assert_allclose(axes.rotation[0], [1, 0, 0])


def test_action_and_reaction():
    w = made(MadeRunner(), 5.0).wrench[0]
    axes = find_axes(-w[:, :3], None, 1000.0)
    assert axes.sign == -1
    assert any("turned round" in n for n in axes.notes)
    np.testing.assert_allclose(axes.turn(-w)[:, 1], w[:, 1])


def test_no_weight_on_any_axis():
    w = made(MadeRunner(), 5.0).wrench[0][:, :3].copy()
    w[:, 0], w[:, 2] = 0.7 * w[:, 1], 0.7 * w[:, 1]
    with pytest.raises(ForceError, match="no channel carries the runner's weight"):
        find_axes(w, None, 1000.0)


def test_direction_from_the_centre_of_pressure():
    """Vertical force alone: a belt carries the foot backwards, overground the centre of pressure goes forwards."""
    w = made(MadeRunner(), 5.0).wrench[0]
    with np.errstate(all="ignore"):
        cop = np.column_stack([w[:, 5] / w[:, 1], np.zeros(len(w)), -w[:, 3] / w[:, 1]])
    only = np.column_stack([np.zeros(len(w)), w[:, 1], np.zeros(len(w))])
    axes = find_axes(only, cop, 1000.0, horizontal=False, treadmill=True)
    np.testing.assert_allclose(axes.rotation[0], [1, 0, 0])
    backwards = find_axes(only, cop, 1000.0, horizontal=False, treadmill=False)
    np.testing.assert_allclose(backwards.rotation[0], [-1, 0, 0])
    assert not find_axes(only, None, 1000.0, horizontal=False).forward_known


ON = 0.35 * np.arange(12)
OFF = ON + 0.25


def test_sides_by_place_with_a_runner_who_drifts():
    place = np.where(np.arange(12) % 2 == 0, 0.05, -0.05) + 0.02 * np.arange(12)
    sides, why = by_place(ON, OFF, place)
    assert sides == ["right", "left"] * 6
    assert why is None
    assert by_place(ON, OFF, -place)[0] == ["left", "right"] * 6


def test_sides_that_cannot_be_told_are_not_guessed():
    sides, why = by_place(ON, OFF, np.random.default_rng(0).normal(0, 0.004, 12))
    assert sides == [None] * 12
    assert "mm apart" in (why or "")


def test_sides_by_events_and_alternation():
    known = by_events(ON, [(0.35, "left"), (5.0, "right")])
    assert known == [None, "left", *[None] * 10]
    assert by_alternation(ON, OFF, known) == ["right", "left"] * 6
    gap = ON + np.where(np.arange(12) >= 6, 1.0, 0.0)
    assert by_alternation(gap, gap + 0.25, known)[6:] == [None] * 6  # nothing is carried across a break
    assert by_alternation(ON, OFF, ["left", "left", *[None] * 10])[2] is None  # a contradiction settles nothing


def test_sides_by_feet():
    cop = np.array([[0.0, 0.05], [0.0, -0.05]])
    feet = {"left": np.array([[0.0, -0.06], [0.0, -0.04]]), "right": np.array([[0.0, 0.06], [0.4, 0.04]])}
    assert by_feet(cop, feet) == ["right", "left"]


def test_mean_over_steps_is_body_weight():
    """Half-sine contacts with peak π/2 (t_f/t_c + 1) average body weight over a step [closed form]."""
    r = MadeRunner()
    t = np.arange(0.1, 0.1 + 6 * r.step_s, 0.001)
    up = r.wrench(t)[:, 1]
    per_step = up.reshape(6, -1).sum(axis=1) * 0.001
    mean = mean_over_steps(r.step_s * np.arange(6), per_step)
    assert mean == pytest.approx(r.weight_n, rel=1e-4)
    assert mean_over_steps([0.0, 0.3], [200.0, 200.0]) is None


@pytest.mark.parametrize(
    ("mean", "mass", "unit"),
    [
        (686.7, 70.0, "N"),
        (0.6867, 70.0, "kN"),
        (70.0, 70.0, "kgf"),
        (154.3, 70.0, "lbf"),
        (1.0, 70.0, "BW"),
        (0.98, None, "BW"),
        (686.7, None, "N"),
        (0.6, None, "kN"),
        (70.0, None, "kgf"),
        (1.0, 102.0, "BW"),
        (250.0, 70.0, None),
        (9.0, None, None),
    ],
)
def test_likely_unit(mean, mass, unit):
    assert likely_unit(mean, mass)[0] == unit


@pytest.mark.parametrize(
    ("mean", "mass", "hint"), [(0.6867, 70.0, "kN"), (70.0, 70.0, "kgf"), (70.0, None, "kgf"), (1000.0, 70.0, "")]
)
def test_a_wrong_unit_is_an_error_with_a_hint(mean, mass, hint):
    with pytest.raises(ForceError) as error:
        weight_check(mean, mass)
    assert hint in str(error.value)
    assert "Next:" in str(error.value)


def test_weight_check_says_good_usable_unknown():
    assert weight_check(686.0, 70.0).verdict == "good"
    assert weight_check(620.0, 70.0).verdict == "usable"
    assert weight_check(None, 70.0).verdict == "unknown"
    assert weight_check(686.0, None).value is None
