"""Scales against runners and cameras of known geometry."""

import attrs
import numpy as np
import pytest

from midstance.camera.scale import (
    compare_scales,
    scale_from_belt,
    scale_from_height,
    scale_from_known_length,
    scale_from_pass,
)
from midstance.errors import OptionError
from midstance.gait.model import LANDMARK_INDEX, Event, LandmarkPaths, Scale, State
from midstance.gait.strides import build_stances

HEIGHT, PX, SPEED = 1.75, 320.0, 3.0


def runner(view="side", depth_m=(0.0, 0.0), distance_m=4.0, drift_mps=0.0):
    """Runner of Drillis and Contini's proportions [from memory]; left and right leg ``depth_m`` nearer to the
    camera.
    """
    t = np.arange(0, 4.0, 1 / 120)
    n = len(t)
    m = np.full((n, 33, 2), np.nan)
    phase = 2 * np.pi * t / 0.72
    hip = np.stack([drift_mps * t, np.full(n, 0.93)], axis=-1)
    near = np.zeros(33)

    def put(name, path):
        m[:, LANDMARK_INDEX[name]] = path

    def hang(top, length, deg):
        r = np.radians(deg)
        return top + length * np.stack([np.sin(r), -np.cos(r)], axis=-1)

    events = []
    for i, side in enumerate(("left", "right")):
        knee = hang(hip, 0.245 * HEIGHT, 30 * np.cos(phase - np.pi * i))
        put(f"{side}_hip", hip)
        put(f"{side}_shoulder", hip + 0.288 * HEIGHT * np.array([np.sin(0.1), np.cos(0.1)]))
        put(f"{side}_knee", knee)
        put(f"{side}_ankle", hang(knee, 0.246 * HEIGHT, -20 + 30 * np.cos(phase - np.pi * i)))
        tau = np.mod(t - 0.36 * i, 0.72)
        # in stance (0.25 s) the foot goes back with the belt, in swing it comes forward again
        x = np.where(tau < 0.25, 0.3 - SPEED * tau, 0.3 - SPEED * 0.25 * (0.72 - tau) / 0.47) + drift_mps * t
        put(f"{side}_heel", np.stack([x, np.full(n, 0.03)], axis=-1))
        put(f"{side}_toe", np.stack([x + 0.2, np.full(n, 0.02)], axis=-1))
        for name in ("hip", "knee", "ankle", "heel", "toe"):
            near[LANDMARK_INDEX[f"{side}_{name}"]] = depth_m[i]
        for k in range(5):
            for kind, at in (
                ("initial_contact", 0.72 * k + 0.36 * i),
                ("toe_off", 0.72 * k + 0.36 * i + 0.25),
            ):
                events.append(Event(view, side, kind, at, at, at))
    size = (distance_m / (distance_m - near))[None, :, None]
    px = m * size * [PX, -PX] + [640, 600]
    state = np.where(np.isfinite(px).all(axis=2), State.SEEN, State.MISSING).astype(np.uint8)
    return LandmarkPaths(view, t, px, np.ones((n, 33)), np.full((n, 33), 1.0), state), build_stances(events)[
        0
    ]


def error(scale):
    return scale.m_per_px * PX - 1.0


def test_height_by_the_chain_of_segments():
    film, _ = runner()
    scale = scale_from_height(film, HEIGHT, near_side="left")
    assert error(scale) == pytest.approx(0, abs=1e-6)
    assert scale.relative_sigma >= 0.03
    assert "body height" in scale.source


def test_height_ignores_what_is_guessed_and_refuses_what_is_unseen():
    film, _ = runner()
    state, xy = film.state.copy(), film.xy.copy()
    state[100:200, LANDMARK_INDEX["left_knee"]] = State.GUESS
    xy[100:200, LANDMARK_INDEX["left_knee"]] += 80
    spoilt = attrs.evolve(film, state=state, xy=xy)
    assert error(scale_from_height(spoilt, HEIGHT, near_side="left")) == pytest.approx(0, abs=1e-6)
    state[:, LANDMARK_INDEX["left_knee"]] = State.GUESS
    assert scale_from_height(attrs.evolve(film, state=state), HEIGHT, near_side="left") is None


@pytest.mark.parametrize("height", [0.0, 0.5, 2.9, 175.0])
def test_absurd_heights_are_refused(height):
    film, _ = runner()
    with pytest.raises(OptionError, match="can't be used"):
        scale_from_height(film, height)


def test_belt_against_the_foot_in_stance():
    film, stances = runner()
    scale = scale_from_belt(film, stances, SPEED)
    assert error(scale) == pytest.approx(0, abs=1e-6)
    assert scale.source == "belt speed, from both feet in stance"


def test_near_and_far_foot_give_the_middle_plane():
    # computed: legs 0.09 m either side of the plane at 4 m look 2.3 % larger and 2.2 % smaller
    film, stances = runner(depth_m=(0.09, -0.09))
    assert abs(error(scale_from_belt(film, stances, SPEED))) < 0.001
    only_near = scale_from_belt(film, [s for s in stances if s.side == "left"], SPEED, near_side="left")
    assert error(only_near) == pytest.approx(-0.09 / 4.0, abs=1e-6)
    assert only_near.relative_sigma > abs(error(only_near))
    assert "near foot" in only_near.source


@pytest.mark.parametrize(("depth", "relative"), [(0.15, 0.030928), (-0.15, -0.029126)])
def test_length_off_the_plane_is_corrected_by_parallax(depth, relative):
    # computed: at 5 m, 0.15 m towards the camera looks 3.0928 % larger, 0.15 m away 2.9126 % smaller
    seen_px = PX * (1 + relative)
    scale = scale_from_known_length([0, 0], [seen_px, 0], 1.0, off_plane_m=depth, camera_distance_m=5.0)
    assert error(scale) == pytest.approx(0, abs=1e-5)


def test_known_length_error_grows_as_it_shrinks_in_the_picture():
    long = scale_from_known_length([0, 0], [600, 0], 1.8, off_plane_sigma_m=0.0)
    short = scale_from_known_length([0, 0], [30, 0], 0.09, off_plane_sigma_m=0.0)
    assert long.relative_sigma == pytest.approx(np.hypot(np.sqrt(2) * 1.5 / 600, 0.005))
    assert short.relative_sigma > 0.07
    with pytest.raises(OptionError, match="known length"):
        scale_from_known_length([0, 0], [3, 0], 1.0)


def test_belt_needs_stances_and_a_speed():
    film, stances = runner()
    assert scale_from_belt(film, stances[:3], SPEED) is None
    with pytest.raises(OptionError, match="above 0"):
        scale_from_belt(film, stances, 0.0)


def test_pass_through_a_still_picture():
    film, _ = runner(drift_mps=SPEED)
    assert error(scale_from_pass(film, SPEED)) == pytest.approx(0, abs=1e-3)
    assert scale_from_pass(runner()[0], SPEED) is None


def test_scales_that_agree_are_averaged_and_the_difference_is_told():
    height, belt = Scale(0.00320, 0.04, "body height"), Scale(0.00313, 0.015, "belt speed")
    scale, notes = compare_scales([height, belt])
    assert 0.00313 < scale.m_per_px < 0.00315
    assert scale.relative_sigma == pytest.approx(1 / np.hypot(1 / 0.04, 1 / 0.015))
    assert len(notes) == 1
    assert "2.2 % apart" in notes[0]


def test_scales_that_disagree_keep_the_better_one_with_a_wider_error():
    height, belt = Scale(0.00400, 0.04, "body height"), Scale(0.00313, 0.015, "belt speed")
    scale, notes = compare_scales([height, belt])
    assert scale.m_per_px == pytest.approx(0.00313)
    assert scale.relative_sigma > 0.12
    assert "they disagree" in notes[0]


def test_one_scale_or_none():
    one = Scale(0.003, 0.02, "belt speed")
    scale, notes = compare_scales([one])
    assert scale.m_per_px == pytest.approx(0.003)
    assert scale.source == "belt speed"
    assert notes == ()
    assert compare_scales([]) == (None, ())
