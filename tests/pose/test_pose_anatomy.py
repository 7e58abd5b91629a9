"""The joint map: held to films that took no part in its fit, and to what must hold whatever its coefficients are.

Truth: the renderer of the demonstration films, whose joints are exactly known (tests/data/joint_map).
"""

from __future__ import annotations

from pathlib import Path

import attrs
import numpy as np
import pytest

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, LandmarkPaths, State
from midstance.pose.anatomy import POINTS, AnatomyMap, features, leg_px, load_map, to_joints, upright

DATA = Path(__file__).parents[1] / "data" / "joint_map" / "demo.npz"
SIDES = ("left", "right")
#: Truth of the points; the toe has none in the picture (it is put where the foot's angle is right).
KNOWN = ("shoulder", "hip", "knee", "ankle", "heel")


def film(view: str) -> tuple[LandmarkPaths, dict[str, np.ndarray]]:
    """Landmarks of a demonstration film, before the map, and its truth."""
    with np.load(DATA) as kept:
        data = {k: kept[k] for k in kept.files}
    n, which = len(data[f"{view}_time_s"]), data["landmarks"]
    xy = np.full((n, len(LANDMARKS), 2), np.nan)
    state = np.full((n, len(LANDMARKS)), State.MISSING, np.uint8)
    xy[:, which], state[:, which] = data[f"{view}_landmarks_px"], data[f"{view}_state"]
    ones = np.ones((n, len(LANDMARKS)))
    return LandmarkPaths(view, data[f"{view}_time_s"], xy, ones, ones, state), data


def joints(view: str, paths: LandmarkPaths, **given: AnatomyMap) -> LandmarkPaths:
    side = view == "side"
    return to_joints(paths, direction="+x" if side else None, near="right" if side else None, **given)


def median_error(paths: LandmarkPaths, data: dict[str, np.ndarray], view: str, point: str) -> float:
    """Median distance from the truth over both legs, in thousandths of a leg's length."""
    xy = upright(paths, "+x" if view == "side" else None)
    off = [
        np.linalg.norm(paths.point(f"{s}_{point}") - data[f"{view}_{s}_{point}_px"], axis=1) / leg_px(xy, s)
        for s in SIDES
    ]
    return 1000 * float(np.nanmedian(np.concatenate(off)))


@pytest.mark.parametrize(
    ("view", "most"),
    [
        ("side", {"hip": 22, "knee": 15, "ankle": 12, "heel": 15}),
        ("rear", {"hip": 18, "knee": 30, "ankle": 20, "heel": 38}),
        ("front", {"hip": 12, "knee": 22, "ankle": 24, "heel": 38}),
    ],
)
def test_moves_points_to_the_joints(view: str, most: dict[str, float]) -> None:
    paths, data = film(view)
    moved = joints(view, paths)
    for point, limit in most.items():
        assert median_error(moved, data, view, point) < limit, point
    before = np.mean([median_error(paths, data, view, p) for p in KNOWN])
    after = np.mean([median_error(moved, data, view, p) for p in KNOWN])
    assert after < 0.5 * before


@pytest.mark.parametrize("side", SIDES)
def test_side_angles_after_the_map(side: str) -> None:
    paths, data = film("side")
    moved = joints("side", paths)

    def slope(a: str, b: str) -> np.ndarray:
        d = moved.point(f"{side}_{b}") - moved.point(f"{side}_{a}")
        return np.degrees(np.arctan2(d[:, 0], d[:, 1]))

    thigh, shank = slope("hip", "knee"), slope("knee", "ankle")
    along = moved.point(f"{side}_toe") - moved.point(f"{side}_heel")
    foot = np.degrees(np.arctan2(-along[:, 1], along[:, 0]))
    limits = {"thigh": (thigh, 1.5), "shank": (shank, 1.2), "knee": (thigh - shank, 1.5), "foot": (foot, 2.0)}
    for name, (found, limit) in limits.items():
        error = (found - data[f"side_{side}_{name}_deg"] + 180) % 360 - 180
        assert abs(np.nanmedian(error)) < limit, name


def test_ships_a_map_for_every_view_that_fits_the_features() -> None:
    shipped = load_map()
    for view, keys in (("side", {"near", "far"}), ("rear", {"left"}), ("front", {"left"})):
        assert set(shipped.coefficients[view]) == keys
        paths, _ = film(view)
        x = features(upright(paths, "+x" if view == "side" else None), "left", view, paths.time_s)
        for table in shipped.coefficients[view].values():
            assert table.shape == (x.shape[1], 2 * len(POINTS))
        assert all(v >= 0 for v in shipped.systematic[view].values())
        assert set(shipped.scatter[view]) == set(shipped.systematic[view])


def test_mirrored_film_gives_mirrored_joints() -> None:
    paths, _ = film("side")
    other = LandmarkPaths("side", paths.time_s, paths.xy * (-1, 1) + (1280, 0), paths.score, paths.sigma_px, paths.state)
    swap = np.arange(len(LANDMARKS))
    for name, i in LANDMARK_INDEX.items():
        if name.startswith(SIDES):
            word, rest = name.split("_", 1)
            swap[i] = LANDMARK_INDEX[f"{'right' if word == 'left' else 'left'}_{rest}"]
    other = attrs.evolve(other, xy=other.xy[:, swap], state=other.state[:, swap])
    here = joints("side", paths).xy
    there = to_joints(other, direction="-x", near="left").xy[:, swap] * (-1, 1) + (1280, 0)
    np.testing.assert_allclose(there, here, atol=1e-6)


@pytest.mark.parametrize("view", ["side", "rear", "front"])
def test_size_of_the_picture_does_not_matter(view: str) -> None:
    paths, _ = film(view)
    larger = joints(view, attrs.evolve(paths, xy=2.5 * paths.xy))
    np.testing.assert_allclose(larger.xy, 2.5 * joints(view, paths).xy, rtol=1e-9)


@pytest.mark.parametrize("view", ["side", "rear"])
def test_a_landmark_gone_astray_moves_the_others_little(view: str) -> None:
    paths, _ = film(view)
    good = joints(view, paths)
    xy = paths.xy.copy()
    xy[100:104, LANDMARK_INDEX["left_ankle"]] += (300, -400)
    bad = joints(view, attrs.evolve(paths, xy=xy))
    reach = leg_px(upright(paths, "+x" if view == "side" else None), "left")
    for name in ("left_hip", "left_knee", "right_ankle", "left_shoulder"):
        moved = np.linalg.norm(bad.point(name) - good.point(name), axis=1) / reach
        assert np.nanmax(moved) < 0.12, name


def test_corrected_landmarks_stay_where_they_were_put() -> None:
    paths, _ = film("side")
    state = paths.state.copy()
    knee = LANDMARK_INDEX["right_knee"]
    state[50:60, knee] = State.CORRECTED
    moved = joints("side", attrs.evolve(paths, state=state))
    np.testing.assert_array_equal(moved.xy[50:60, knee], paths.xy[50:60, knee])
    assert np.nanmin(np.abs(moved.xy[:50, knee] - paths.xy[:50, knee]).max(axis=1)) > 0


def test_without_a_map_for_the_view_nothing_moves() -> None:
    paths, _ = film("rear")
    assert joints("rear", paths, joint_map=AnatomyMap({}, {}, "none")) is paths
