"""Rearfoot angles of invented dots whose angles are known in closed form."""

from __future__ import annotations

import attrs
import numpy as np
import pytest

from midstance.gait.measures_rearfoot import (
    FROM_FRONT,
    HEEL_PLACEMENT_SIGMA_M,
    NO_STICKERS,
    REARFOOT_KEYS,
    RearfootDots,
    RearfootZero,
    measure_rearfoot,
    placement_sigma_deg,
    rearfoot_angle,
    rearfoot_track,
    rearfoot_zero,
)
from midstance.gait.model import Event, Measure, Side, Stance
from midstance.gait.uncertainty import ErrorBudget

RATE = 120.0
STRIDE, CONTACT = 0.72, 0.26
BUDGET = ErrorBudget(rolling_shutter_s=0.0)


def _course(t: np.ndarray, start: float) -> np.ndarray:
    """Eversion over time, degrees: -4.8 at contact (inverted), a peak of +8 at 45 % of stance."""
    u = np.mod(t - start, STRIDE) / CONTACT
    u = np.where(u > 1.5, u - STRIDE / CONTACT, u)
    return -5.0 + 13.0 * np.exp(-(((u - 0.45) / 0.22) ** 2))


def _peak_value() -> float:
    return float(_course(np.array([0.45 * CONTACT]), 0.0)[0])


def _contact_value() -> float:
    return float(_course(np.array([0.0]), 0.0)[0])


def _dots(
    *, noise_m: float = 0.0, roll_deg: float = 0.0, offset_deg: float = 0.0, seconds: float = 6.0, shank_deg: float = 3.0
) -> RearfootDots:
    """Both legs: heel line 4.5 cm, lower-leg line 16 cm; the course of both starts with each leg's own contact."""
    rng = np.random.default_rng(2)
    t = np.arange(round(seconds * RATE)) / RATE
    xy: dict[str, np.ndarray] = {}
    for side, start in (("left", 0.10), ("right", 0.10 + STRIDE / 2)):
        out = 1.0 if side == "right" else -1.0
        sway = np.radians(shank_deg + 4.0 * np.sin(2 * np.pi * t / STRIDE))
        turn = sway + np.radians(_course(t, start) + offset_deg)
        base = np.stack([0.1 * out + 0.02 * np.sin(5 * t), 0.05 + 0.0 * t], axis=1)

        def up(length: float, angle: np.ndarray, out: float = out) -> np.ndarray:
            # Turned inwards at the top by ``angle`` when everted.
            return length * np.stack([-out * np.sin(angle), np.cos(angle)], axis=1)

        xy[f"{side}_heel_bottom"] = base
        xy[f"{side}_heel_top"] = base + up(0.045, turn)
        xy[f"{side}_shank_bottom"] = base + up(0.10, sway)
        xy[f"{side}_shank_top"] = base + up(0.26, sway)
    r = np.radians(roll_deg)
    rot = np.array([[np.cos(r), np.sin(r)], [-np.sin(r), np.cos(r)]])
    xy = {n: p @ rot + rng.normal(0, noise_m, p.shape) for n, p in xy.items()}
    sigma = {n: np.full(len(t), max(noise_m, 1e-6)) for n in xy}
    return RearfootDots(t, xy, sigma, {n: np.ones(len(t), bool) for n in xy}, 1.0)


def _stances(seconds: float = 6.0, sigma_s: float = 0.002) -> list[Stance]:
    half = 1.96 * sigma_s

    def event(side: Side, kind: str, at: float) -> Event:
        return Event("rear", side, kind, at, at - half, at + half)  # type: ignore[arg-type]

    out = []
    for side, start in (("left", 0.10), ("right", 0.10 + STRIDE / 2)):
        for k in range(8):
            at = start + k * STRIDE
            if at + STRIDE > seconds - 0.05:
                break
            ic, to = event(side, "initial_contact", at), event(side, "toe_off", at + CONTACT)  # type: ignore[arg-type]
            out.append(Stance(len(out), side, ic, to, None, event(side, "initial_contact", at + STRIDE)))  # type: ignore[arg-type]
    return out


def _of(measures: list[Measure], key: str, side: str) -> Measure:
    return next(m for m in measures if m.measure == key and m.side == side)


ZERO = {"left": RearfootZero(0.0, 0.0), "right": RearfootZero(0.0, 0.0)}


@pytest.mark.parametrize(
    ("side", "heel_top", "expected"),
    [("right", (-0.1, 1.0), 5.711), ("right", (0.1, 1.0), -5.711),
     ("left", (0.1, 1.0), 5.711), ("left", (-0.1, 1.0), -5.711)],
)
def test_sign(side: Side, heel_top: tuple[float, float], expected: float) -> None:
    """The top of the heel towards the middle against an upright shank is eversion, +, on either side."""
    low, shank_low, shank_top = np.zeros((1, 2)), np.array([[0.0, 1.5]]), np.array([[0.0, 4.0]])
    got = rearfoot_angle(low, np.array([heel_top]), shank_low, shank_top, side)
    assert got[0] == pytest.approx(expected, abs=1e-3)


def test_leaning_leg_as_a_whole_is_no_eversion() -> None:
    """Heel and shank turned alike read 0, whichever way and by however much: a rolled camera changes nothing."""
    for turn in (-20.0, 7.0, 35.0):
        r = np.radians(turn)
        up = np.array([[np.sin(r), np.cos(r)]])
        assert abs(rearfoot_angle(0 * up, up, 2 * up, 4 * up, "left")[0]) < 1e-9


def test_peak_and_contact_come_out_as_drawn() -> None:
    """Peak +8 and contact -4.8 degrees of eversion (inversion +4.8), both sides, with a standing zero of 0."""
    values, measures = measure_rearfoot(_dots(), _stances(), view="rear", budget=BUDGET, zero=ZERO)
    for side in ("left", "right", "both"):
        peak = _of(measures, "rearfoot_eversion_peak", side)
        contact = _of(measures, "rearfoot_inversion_contact", side)
        assert peak.value == pytest.approx(_peak_value(), abs=0.1)
        assert contact.value == pytest.approx(-_contact_value(), abs=0.6)
    assert len(values) == 2 * len(_stances())


def test_roll_of_the_camera_cancels() -> None:
    """A camera tilted by 5 degrees gives the same angles."""
    straight = measure_rearfoot(_dots(), _stances(), view="rear", budget=BUDGET, zero=ZERO)[1]
    rolled = measure_rearfoot(_dots(roll_deg=5.0), _stances(), view="rear", budget=BUDGET, zero=ZERO)[1]
    for a, b in zip(straight, rolled, strict=True):
        assert a.value == pytest.approx(b.value, abs=1e-6)


def test_standing_zero_takes_out_how_the_dots_were_stuck_on() -> None:
    """Dots stuck on 6 degrees askew: the standing film shows it, and it is taken off."""
    running = _dots(offset_deg=6.0)
    standing = _standing(6.0)
    zeros = {s: rearfoot_zero(standing, s) for s in ("left", "right")}
    assert all(z is not None and z.angle_deg == pytest.approx(6.0, abs=1e-6) for z in zeros.values())
    measures = measure_rearfoot(running, _stances(), view="rear", budget=BUDGET, zero=zeros)[1]  # type: ignore[arg-type]
    peak = _of(measures, "rearfoot_eversion_peak", "left")
    assert peak.value == pytest.approx(_peak_value(), abs=0.1)
    assert "zero from standing" in peak.method


def _standing(angle_deg: float, seconds: float = 2.0) -> RearfootDots:
    dots = _dots(seconds=seconds)
    a, n = np.radians(angle_deg), len(dots.time_s)
    xy = {}
    for side in ("left", "right"):
        out = 1.0 if side == "right" else -1.0
        for name, at in (
            ("heel_bottom", (0.0, 0.0)),
            ("heel_top", (-out * 0.045 * np.sin(a), 0.045 * np.cos(a))),
            ("shank_bottom", (0.0, 0.1)),
            ("shank_top", (0.0, 0.26)),
        ):
            xy[f"{side}_{name}"] = np.tile(np.array(at), (n, 1))
    return attrs.evolve(dots, xy=xy)


def test_a_short_standing_film_gives_no_zero() -> None:
    """Under half a second isn't enough; nor are dots that aren't there."""
    assert rearfoot_zero(_standing(3.0, seconds=0.3), "left") is None
    some = _standing(3.0)
    assert rearfoot_zero(attrs.evolve(some, xy={"left_heel_top": some.xy["left_heel_top"]}), "left") is None


def test_without_a_standing_film_the_dots_place_is_in_the_interval_and_said() -> None:
    """Heel line 4.5 cm and 1.5 mm a dot: 2.7 degrees; lower-leg line 16 cm and 3 mm: 1.5 degrees."""
    dots = _dots()
    placed = placement_sigma_deg(dots, "left")
    heel = np.degrees(np.sqrt(2) * HEEL_PLACEMENT_SIGMA_M / 0.045)
    assert placed == pytest.approx(np.hypot(heel, np.degrees(np.sqrt(2) * 0.003 / 0.16)), rel=1e-6)
    values, measures = measure_rearfoot(dots, _stances(), view="rear", budget=BUDGET)
    v = next(v for v in values if v.measure == "rearfoot_eversion_peak")
    assert v.high - v.value >= 1.9599 * placed
    method = _of(measures, "rearfoot_eversion_peak", "left").method
    assert "no standing film" in method
    assert "1 mm to the side shifts it by 1.3 degrees" in method
    assert "not the heel bone" in method


def test_intervals_of_strides_hold_the_truth() -> None:
    """Noise of 0.3 mm a dot (a tenth of a pixel at 3 mm a pixel): 90 % or more of the strides' intervals hold it."""
    held = []
    dots = _dots(noise_m=0.0003)
    values, _ = measure_rearfoot(dots, _stances(), view="rear", budget=ErrorBudget(yaw_sigma_deg=0.0), zero=ZERO)
    for v in values:
        true = _peak_value() if v.measure == "rearfoot_eversion_peak" else -_contact_value()
        held.append(v.low - 0.3 <= true <= v.high + 0.3)
    assert np.mean(held) >= 0.9


def test_a_mistaken_dot_is_left_out() -> None:
    """Two frames with a heel dot 2 cm off don't make a peak."""
    dots = _dots()
    at = int((0.10 + 0.3 * CONTACT) * RATE)
    dots.xy["left_heel_top"][at : at + 2, 0] += 0.02
    track = rearfoot_track(dots, "left")
    assert np.isnan(track.value[at : at + 2]).all()
    peak = _of(
        measure_rearfoot(dots, _stances(), view="rear", budget=BUDGET, zero=ZERO)[1], "rearfoot_eversion_peak", "left"
    )
    assert peak.value == pytest.approx(_peak_value(), abs=0.1)


def test_a_turned_camera_is_allowed_for() -> None:
    """A camera 4 degrees off widens the interval by tan(15) sin(4) = 1.07 degrees (1 SD) at the peak."""
    square = measure_rearfoot(_dots(), _stances(), view="rear", budget=BUDGET, zero=ZERO)[0]
    turned = measure_rearfoot(_dots(), _stances(), view="rear", budget=ErrorBudget(yaw_sigma_deg=4.0), zero=ZERO)[0]
    a, b = (next(v for v in vs if v.measure == "rearfoot_eversion_peak") for vs in (square, turned))
    assert np.hypot(a.high - a.value, 1.96 * 1.0711) == pytest.approx(b.high - b.value, rel=1e-3)


@pytest.mark.parametrize(("view", "reason"), [("front", FROM_FRONT), ("rear", NO_STICKERS)])
def test_without_stickers_or_from_the_front_there_is_a_reason(view: str, reason: str) -> None:
    """Both keys, all sides, with the reason and no value."""
    dots = _dots() if view == "front" else None
    values, measures = measure_rearfoot(dots, _stances(), view=view, budget=BUDGET)  # type: ignore[arg-type]
    assert values == []
    assert {m.measure for m in measures} == set(REARFOOT_KEYS)
    assert len(measures) == 6
    assert all(m.value is None and m.reason == reason for m in measures)


def test_one_leg_without_its_stickers_says_which() -> None:
    """The left leg is measured; the right one names the dot that is lacking, or why it couldn't be followed."""
    dots = _dots()
    dots = attrs.evolve(dots, xy={n: p for n, p in dots.xy.items() if n != "right_shank_top"})
    measures = measure_rearfoot(dots, _stances(), view="rear", budget=BUDGET, zero=ZERO)[1]
    assert _of(measures, "rearfoot_eversion_peak", "left").value is not None
    right = _of(measures, "rearfoot_eversion_peak", "right")
    assert right.value is None
    assert "right shank top not marked" in str(right.reason)
    lost = attrs.evolve(dots, missing={"right_shank_top": "no dot stands out there"})
    measures = measure_rearfoot(lost, _stances(), view="rear", budget=BUDGET, zero=ZERO)[1]
    assert _of(measures, "rearfoot_eversion_peak", "right").reason == "no dot stands out there"


def test_hidden_in_part_of_stance_is_missing_there() -> None:
    """Dots hidden over a third of stance give no peak of that stance, and the count says so."""
    dots = _dots()
    t = dots.time_s
    dots.usable["left_heel_top"][(t > 0.10 + 0.3 * CONTACT) & (t < 0.10 + 0.7 * CONTACT)] = False
    peak = _of(
        measure_rearfoot(dots, _stances(), view="rear", budget=BUDGET, zero=ZERO)[1], "rearfoot_eversion_peak", "left"
    )
    assert peak.n == sum(s.side == "left" for s in _stances()) - 1
    assert "1 of" in peak.method
