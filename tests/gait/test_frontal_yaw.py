"""The camera's yaw from the standing feet, and what is taken out with it: real runners' markers seen by a turned camera."""

import attrs
import numpy as np
import pytest
from events_films import DATA, NAMES, load, plane

from midstance.gait.curves import frontal_tracks
from midstance.gait.measures_frontal import measure_frontal
from midstance.gait.model import Event
from midstance.gait.strides import build_stances
from midstance.gait.uncertainty import ErrorBudget
from midstance.gait.yaw import CameraYaw, square, yaw_from_feet
from midstance.signals.filters import butterworth_lowpass

DISTANCE_M = 4.5


def turned(points, view, yaw_deg):
    """Perspective picture of {side: (n, 5, 3)} points (X forward, Y up, Z right) from a camera turned by ``yaw_deg``: behind
    and to the left of the runner, or in front and to the right, for + (written out here, independent of the package)."""
    yaw = np.radians(yaw_deg)
    centre = np.mean([p[:, 0].mean(axis=0) for p in points.values()], axis=0)
    out = {}
    for side, p in points.items():
        x, z = p[..., 0] - centre[0], p[..., 2] - centre[2]
        across = z * np.cos(yaw) - x * np.sin(yaw)
        away = x * np.cos(yaw) + z * np.sin(yaw)
        depth = DISTANCE_M + (away if view == "rear" else -away)
        out[side] = np.stack([across, p[..., 1] - 0.9], axis=-1) * (DISTANCE_M / depth)[..., None]
    return out


def recording(name, view="rear", yaw_deg=0.0, noise_m=0.0):
    t, points, truth = load(name)
    rng = np.random.default_rng(1)
    paths = {
        s: butterworth_lowpass(p + noise_m * rng.standard_normal(p.shape), 150.0, 10.0)
        for s, p in turned(points, view, yaw_deg).items()
    }
    events = [
        Event(view, side, kind, at, at - 0.003, at + 0.003) for (side, kind), times in truth.items() for at in times
    ]
    stances, _ = build_stances(sorted(events, key=lambda e: e.time_s), (float(t[0]), float(t[-1])))
    with np.load(DATA / f"{name}.npz") as d:
        speed = float(d["speed_mps"])
    return plane(t, paths, view), stances, speed


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("view", ["rear", "front"])
@pytest.mark.parametrize("yaw_deg", [-8.0, 0.0, 4.0, 12.0])
def test_yaw_of_real_runners(name, view, yaw_deg):
    """Fukuchi et al. 2017 (PeerJ 5:e3298), contacts from force; the constants are means over 13 runners, these two among
    them."""
    film, stances, speed = recording(name, view, yaw_deg, noise_m=0.005)
    yaw = yaw_from_feet(film, stances, speed)
    assert abs(yaw.yaw_deg - yaw_deg) < 1.0
    assert abs(yaw.yaw_deg - yaw_deg) < 1.96 * yaw.sigma_deg
    assert yaw.sigma_deg < 1.3
    assert yaw.n >= 18


def test_events_ten_milliseconds_off_hardly_change_the_yaw():
    film, stances, speed = recording(NAMES[0], "rear", 6.0)
    late = [
        attrs.evolve(
            s,
            ic=attrs.evolve(s.ic, time_s=s.ic.time_s + 0.01, low_s=s.ic.low_s, high_s=s.ic.high_s + 0.02),
            to=s.to and attrs.evolve(s.to, time_s=s.to.time_s + 0.03, low_s=s.to.low_s, high_s=s.to.high_s + 0.04),
        )
        for s in stances
    ]
    here, there = (yaw_from_feet(film, some, speed).yaw_deg for some in (stances, late))
    assert abs(here - there) < 0.5


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("of", ["hip", "knee"])
def test_what_a_turned_camera_adds_is_taken_out(name, of):
    """The thigh from the vertical and the knee off the hip-ankle line of real runners, seen square and from 8 degrees."""
    key = "thigh" if of == "hip" else "knee"
    straight, stances, speed = recording(name, "rear", 0.0)
    oblique, _, _ = recording(name, "rear", 8.0)
    yaw = yaw_from_feet(oblique, stances, speed)
    before, after = [], []
    for side in ("left", "right"):
        true, seen = (frontal_tracks(p, side)[key] for p in (straight, oblique))
        put_right = square(seen, of, side, stances, yaw)
        for s in stances:
            if s.side == side and s.excluded is None and s.to is not None:
                share = (true.time_s - s.ic.time_s) / (s.to.time_s - s.ic.time_s)
                inside = (share > 0.1) & (share < 0.9)
                before.append(np.abs(seen.value[inside] - true.value[inside]).max())
                after.append(np.abs(put_right.value[inside] - true.value[inside]).max())
    assert np.median(before) > 2.5, "else there is nothing to take out"
    assert np.median(after) < 0.5 * np.median(before)
    assert np.median(after) < 1.96 * yaw.leak_sigma(of)


def test_where_it_cant_be_had():
    film, stances, speed = recording(NAMES[0])
    assert yaw_from_feet(film, stances, None) is None
    assert yaw_from_feet(attrs.evolve(film, unit="px"), stances, speed) is None
    assert yaw_from_feet(film, stances[:4], speed) is None
    assert yaw_from_feet(recording(NAMES[0], "rear", 35.0)[0], stances, speed) is None


def test_an_unknown_yaw_widens_left_and_right_but_not_their_mean():
    film, stances, speed = recording(NAMES[0], "rear", 6.0)
    halves = {}
    for label, given in (("unknown", None), ("measured", speed)):
        _, measures = measure_frontal(film, stances, budget=ErrorBudget(yaw_sigma_deg=4.0), speed_mps=given)
        for side in ("left", "both"):
            m = next(m for m in measures if m.measure == "knee_frontal_angle_peak" and m.side == side)
            halves[label, side] = m.high - m.value
            assert ("standing feet" in m.method) == (label == "measured")
    assert halves["unknown", "left"] > 2 * halves["measured", "left"]
    assert halves["unknown", "both"] < 0.25 * halves["unknown", "left"]


def test_leaks_by_hand():
    # derived: a thigh 19 degrees forward seen from 1 degree adds atan(tan 19 sin 1) = 0.344 degrees
    assert CameraYaw(0.0, 1.0).leak_sigma("hip") == pytest.approx(0.344, abs=0.01)
    assert CameraYaw(0.0, 4.0).leak_sigma("trunk") == pytest.approx(0.51, abs=0.02)
    assert CameraYaw(0.0, 4.0).reach_sigma(0.25, 0.05) == pytest.approx(0.01745, abs=1e-4)
    assert not CameraYaw(0.0, 4.0).measured
