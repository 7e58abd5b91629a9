"""Clicks of stickers read from a marks file, stickers in the place of landmarks, and stickers found without a click."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import attrs
import numpy as np
import pytest
from sticker_films import BODY_PX, FPS, DrawnDot, draw, landmarks, swing, write_film

from midstance.errors import OptionError
from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, LandmarkPaths, Scale, State, View
from midstance.pose.sticker_find import find_stickers
from midstance.pose.sticker_joints import (
    PELVIS_PLACEMENT_SIGMA_M,
    PLACEMENT_SIGMA_M,
    metres_per_pixel,
    pelvis_placement_sigma_deg,
    pelvis_track,
    rearfoot_dots,
    with_stickers,
)
from midstance.pose.stickers import StickerPaths, parse_stickers, sticker_names

GOOD = {"name": "left_heel_top", "time_s": 1.5, "x_px": 640.5, "y_px": 520}


def test_good_clicks_become_marks() -> None:
    """All fields arrive; the radius may be left out, and one sticker may be clicked at several times."""
    marks = parse_stickers([GOOD, {**GOOD, "time_s": 2, "radius_px": 4}], "rear", 1280, 720)
    assert [m.name for m in marks] == ["left_heel_top"] * 2
    assert (marks[0].x_px, marks[0].y_px, marks[0].time_s, marks[0].radius_px) == (640.5, 520.0, 1.5, None)
    assert marks[1].radius_px == 4.0
    assert marks[0].side == "left"
    assert marks[0].place.name == "heel_top"
    assert parse_stickers([], "rear", 1280, 720) == ()


@pytest.mark.parametrize(
    ("raw", "where", "words"),
    [
        ({"name": "x"}, "stickers", "not a list"),
        ("left_heel_top", "stickers", "not a list"),
        ([3], "stickers[0]", "not an object"),
        ([GOOD, {**GOOD, "colour": "red"}], "stickers[1]", "colour"),
        ([{**GOOD, "name": "left_ear"}], "stickers[0].name", "left_ear"),
        ([{**GOOD, "name": 7}], "stickers[0].name", "name"),
        ([{**GOOD, "x_px": 1281}], "stickers[0].x_px", "1281"),
        ([{**GOOD, "y_px": -1}], "stickers[0].y_px", "-1"),
        ([{**GOOD, "y_px": None}], "stickers[0].y_px", "missing"),
        ([{**GOOD, "y_px": True}], "stickers[0].y_px", "True"),
        ([{**GOOD, "time_s": float("nan")}], "stickers[0].time_s", "nan"),
        ([{**GOOD, "time_s": "1.5"}], "stickers[0].time_s", "1.5"),
        ([{**GOOD, "radius_px": 0}], "stickers[0].radius_px", "0"),
        ([GOOD, GOOD], "stickers[1]", "twice"),
        ([GOOD] * 300, "stickers", "300"),
    ],
)
def test_bad_clicks_say_which_and_what(raw: Any, where: str, words: str) -> None:
    """Every fault names the entry, the field and what is allowed."""
    with pytest.raises(OptionError) as caught:
        parse_stickers(raw, "rear", 1280, 720)
    assert caught.value.where == where
    assert words in caught.value.what
    assert caught.value.allowed
    assert caught.value.next_step


def test_places_belong_to_views() -> None:
    """A heel counter is seen from behind, a hip from the side; the second side film counts as a side film."""
    assert "left_heel_top" in sticker_names("rear")
    assert "left_heel_top" not in sticker_names("side")
    assert "left_hip" in sticker_names("side")
    assert sticker_names("side_far") == sticker_names("side")
    with pytest.raises(OptionError, match="left_hip"):
        parse_stickers([{**GOOD, "name": "left_heel_top"}], "side", 1280, 720)


# --- in the place of landmarks -------------------------------------------------------------------

N = 60


def _joints(view: View) -> LandmarkPaths:
    rng = np.random.default_rng(1)
    full = (N, len(LANDMARKS))
    xy = rng.normal(0, 1.0, (*full, 2)) + np.linspace(0, 400, len(LANDMARKS))[None, :, None]
    return LandmarkPaths(
        view, np.arange(N) / FPS, xy, np.full(full, 0.9), np.full(full, 2.0), np.full(full, State.SEEN, np.uint8)
    )


def _stickers(view: View, paths: dict[str, np.ndarray], missing: dict[str, slice] | None = None) -> StickerPaths:
    names = tuple(paths)
    xy = np.stack([paths[n] for n in names], axis=1).astype(np.float64)
    state = np.full((N, len(names)), State.SEEN, np.uint8)
    for name, part in (missing or {}).items():
        xy[part, names.index(name)] = np.nan
        state[part, names.index(name)] = State.MISSING
    sigma = np.where(np.isfinite(xy[..., 0]), 0.1, np.nan)
    none = (None,) * len(names)
    return StickerPaths(view, np.arange(N) / FPS, names, xy, sigma, state, ("clicked",) * len(names), none)


def _still(x: float, y: float) -> np.ndarray:
    return np.tile(np.array([x, y]), (N, 1))


def test_sticker_takes_the_landmarks_place_with_its_own_error() -> None:
    """Path, state and 1-SD error are the sticker's; other landmarks stay."""
    joints = _joints("side")
    got = with_stickers(joints, _stickers("side", {"right_knee": _still(300.0, 200.0)}))
    i = LANDMARK_INDEX["right_knee"]
    assert got.replaced == {"right_knee"}
    assert np.all(got.paths.xy[:, i] == (300.0, 200.0))
    assert np.all(got.paths.sigma_px[:, i] == 0.1)
    others = [k for k in range(len(LANDMARKS)) if k != i]
    assert np.array_equal(got.paths.xy[:, others], joints.xy[:, others])


def test_where_the_sticker_is_missing_the_path_goes_on_but_is_not_measured() -> None:
    """Over the gap the path follows the landmark moved over to the sticker, as a guess."""
    joints = _joints("side")
    i = LANDMARK_INDEX["right_knee"]
    truth = joints.xy[:, i] + (25.0, -10.0)
    got = with_stickers(joints, _stickers("side", {"right_knee": truth}, {"right_knee": slice(20, 30)}))
    assert np.allclose(got.paths.xy[:, i], truth, atol=1e-9)
    assert np.all(got.paths.state[20:30, i] == State.GUESS)
    assert np.all(got.paths.state[:20, i] == State.SEEN)


def test_a_corrected_landmark_stays() -> None:
    """What a person set in a frame isn't overruled."""
    joints = _joints("side")
    i = LANDMARK_INDEX["right_knee"]
    joints.state[7, i] = State.CORRECTED
    before = joints.xy[7, i].copy()
    got = with_stickers(joints, _stickers("side", {"right_knee": _still(300.0, 200.0)}))
    assert np.array_equal(got.paths.xy[7, i], before)
    assert got.paths.state[7, i] == State.CORRECTED


def test_heel_without_toe_and_rarely_seen_stickers_are_not_used() -> None:
    """Both say so in a note."""
    alone = with_stickers(_joints("side"), _stickers("side", {"right_heel": _still(1, 2)}))
    assert alone.replaced == frozenset()
    assert "heel and toe" in alone.notes[0]
    rare = with_stickers(
        _joints("side"), _stickers("side", {"right_knee": _still(1, 2)}, {"right_knee": slice(0, 50)})
    )
    assert rare.replaced == frozenset()
    assert "17%" in rare.notes[0]


def test_measures_resting_on_stickers_alone_and_their_error() -> None:
    """A thigh of 200 px at 2 mm a pixel: sqrt(2) x 7 mm over 0.4 m is 1.42 degrees; the knee adds the shank in squares."""
    dots = {"right_hip": _still(300, 100), "right_knee": _still(300, 300), "right_ankle": _still(300, 500)}
    got = with_stickers(_joints("side"), _stickers("side", dots))
    assert got.measures("right") == {
        "thigh_angle_contact",
        "shank_angle_contact",
        "hip_extension_toe_off",
        "knee_flexion_contact",
        "knee_flexion_peak_stance",
        "knee_flexion_peak_swing",
    }
    assert got.measures("left") == frozenset()
    assert got.foot_needs_own_zero == frozenset()
    errors = got.systematic("right", 0.002)
    one = np.degrees(np.sqrt(2) * PLACEMENT_SIGMA_M / 0.4)
    assert errors["thigh_angle_contact"] == pytest.approx(one)
    assert errors["knee_flexion_contact"] == pytest.approx(np.sqrt(2) * one)
    foot = with_stickers(_joints("side"), _stickers("side", {"right_heel": _still(1, 2), "right_toe": _still(90, 2)}))
    assert foot.foot_needs_own_zero == {"right"}
    assert foot.systematic("right", 0.002) == {"foot_strike_angle": 0.0}


def test_times_must_be_the_landmarks_own() -> None:
    """Paths of other frames would be put in the wrong places."""
    dots = _stickers("side", {"right_knee": _still(1, 2)})
    with pytest.raises(ValueError, match="different times"):
        with_stickers(_joints("side"), attrs.evolve(dots, time_s=dots.time_s + 0.5))


def test_pelvis_track_has_the_slope_of_the_dots() -> None:
    """Right dot 5 px higher over 100 px: 2.86 degrees, + when the right is higher; roll of the camera is taken out."""
    dots = _stickers("rear", {"left_psis": _still(300, 205), "right_psis": _still(400, 200)})
    track = pelvis_track(dots)
    assert track is not None
    assert np.allclose(track.value, np.degrees(np.arctan2(5, 100)), atol=1e-6)
    turned = pelvis_track(dots, roll_deg=float(np.degrees(np.arctan2(5, 100))))
    assert turned is not None
    assert np.allclose(turned.value, 0.0, atol=1e-6)
    assert pelvis_placement_sigma_deg(dots, 0.001) == pytest.approx(
        np.degrees(np.sqrt(2) * PELVIS_PLACEMENT_SIGMA_M / (np.hypot(100, 5) * 0.001))
    )
    assert pelvis_track(_stickers("rear", {"left_psis": _still(300, 205)})) is None
    assert pelvis_track(_stickers("side", {"left_hip": _still(300, 205)})) is None


def test_rearfoot_dots_are_in_metres_and_upright() -> None:
    """y is up, x to the runner's right, scaled; a sticker without a path brings its reason."""
    dots = _stickers("rear", {"left_heel_top": _still(300, 205), "left_heel_bottom": _still(300, 225)})
    dots = attrs.evolve(dots, reasons=(None, "no dot stands out there"))
    got = rearfoot_dots(dots, scale=Scale(0.002, 0.01, "test"))
    assert got is not None
    assert set(got.xy) == {"left_heel_top"}
    assert np.allclose(got.xy["left_heel_top"], (0.6, -0.41))
    assert got.missing == {"left_heel_bottom": "no dot stands out there"}
    assert got.m_per_unit == 1.0
    assert rearfoot_dots(_stickers("rear", {"left_psis": _still(1, 2)})) is None


def test_placement_scale() -> None:
    """The film's own scale first, else body height over its pixels."""
    assert metres_per_pixel(Scale(0.003, 0.01, "belt"), 500.0, 1.8) == 0.003
    assert metres_per_pixel(None, 500.0, 1.75) == pytest.approx(0.0035)


# --- found without a click -----------------------------------------------------------------------

FRAMES = 90
LEG = swing(FRAMES, (240.0, 120.0), (25.0, 8.0))


def _leg(length: float) -> np.ndarray:
    angle = 0.15 * np.sin(np.arange(FRAMES) / FRAMES * 2 * np.pi * 4)
    return LEG + length * np.stack([np.sin(angle), np.cos(angle)], axis=1)


CARRIED = {
    "right_hip": _leg(0.0), "right_knee": _leg(100.0), "right_ankle": _leg(200.0), "right_heel": _leg(212.0),
    "right_toe": _leg(215.0), "right_shoulder": _leg(-130.0),
}  # fmt: skip


def _find(folder: Path, dots: list[DrawnDot]) -> Any:
    path = folder / "found.mp4"
    rng = np.random.default_rng(6)
    write_film(path, FRAMES, lambda k: draw(dots, k, rng=rng))
    return find_stickers(
        path,
        landmarks("side", FRAMES, CARRIED, jitter_px=1.5),
        index=np.arange(FRAMES),
        file_time_s=np.arange(FRAMES) / FPS,
        body_px=BODY_PX,
        sides=("right",),
    )


def test_single_dots_at_their_places_get_names(tmp_path: Path) -> None:
    """Hip, knee and ankle are named, each at a true place of its dot."""
    dots = {"right_hip": _leg(2.0), "right_knee": _leg(101.0), "right_ankle": _leg(199.0)}
    found = _find(tmp_path, [DrawnDot(p) for p in dots.values()])
    assert {m.name for m in found.marks} == set(dots)
    assert found.unclear == ()
    for m in found.marks:
        at = dots[m.name][round(m.time_s * FPS)]
        assert np.hypot(m.x_px - at[0], m.y_px - at[1]) < 0.3
        assert m.source == "found"


def test_two_dots_in_one_place_are_left_to_a_person(tmp_path: Path) -> None:
    """Two dots near the knee: no name, and a request for a click."""
    found = _find(tmp_path, [DrawnDot(_leg(95.0)), DrawnDot(_leg(106.0)), DrawnDot(_leg(2.0))])
    assert {m.name for m in found.marks} == {"right_hip"}
    assert any("right knee" in text and "click" in text for text in found.unclear)


def test_a_dot_that_does_not_move_with_the_leg_is_not_one(tmp_path: Path) -> None:
    """Still dots of the background, where the knee passes, get no name."""
    still = np.tile(LEG.mean(axis=0) + np.array([0.0, 100.0]), (FRAMES, 1))
    assert _find(tmp_path, [DrawnDot(still)]).marks == ()


def test_no_dots_no_names(tmp_path: Path) -> None:
    """An empty ground gives nothing, and asks for nothing."""
    found = _find(tmp_path, [])
    assert found.marks == ()
    assert found.unclear == ()
