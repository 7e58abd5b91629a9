"""How much four marked corners of the belt put right: rendered films whose camera is turned, rolled, low or near.

    python benchmarks/camera_marks.py FOLDER … --truth DIR [--cache DIR] [--draws 8]

Each FOLDER holds ``video.mp4``, ``truth.json`` (with the camera's K, R, t) and ``truth_frames.npz``; ``--truth`` a JSON a film
with the true measures; ``--cache`` kept landmarks, as for ``fit_anatomy.py`` (with it, the automatic landmarks are judged too).
The belt's corners are projected with the true camera and moved by 2 px (1 SD) of click error, several times over. True
contacts are used throughout: only the camera is judged here. "after" has the upright edges of the picture too. "before" is what a film gives without marks: roll from upright or
level edges of the picture, scale from belt speed and body height. Nothing is fitted here.
"""

from __future__ import annotations

import argparse
import json
import warnings
from pathlib import Path
from typing import Any

import numpy as np

import fit_anatomy
from midstance.camera.ground import SolvedCamera, belt_corners, yaw_of
from midstance.camera.marked import find_camera
from midstance.camera.marks import FilmMarks
from midstance.camera.pinhole import Camera
from midstance.camera.plane import to_plane
from midstance.camera.rectify import Rectified, depths_from_side, plane_from_feet, rectify
from midstance.camera.scale import compare_scales, scale_from_belt, scale_from_height
from midstance.film.picture_checks import picture_roll
from midstance.film.reader import probe, read_frames
from midstance.gait.com import whole_body_com
from midstance.gait.measures_frontal import measure_frontal
from midstance.gait.measures_side import FlatFoot, measure_side
from midstance.gait.model import LANDMARK_INDEX, SIDES, Event, Floats, LandmarkPaths, PlanePaths, Runner, Scale, Stance
from midstance.gait.strides import build_stances
from midstance.gait.uncertainty import ErrorBudget
from midstance.pose.anatomy import to_joints
from midstance.pose.clean import clean, direction_of_travel, near_side

BELT_M = (1.8, 0.54)
SHOWN = {
    "side": (
        "foot_strike_angle", "shank_angle_contact", "knee_flexion_contact", "thigh_angle_contact", "trunk_lean_contact",
        "hip_extension_toe_off", "foot_ahead_of_hip", "foot_ahead_of_com",
    ),
    "rear": ("pelvic_drop_peak", "hip_adduction_peak", "knee_frontal_angle_peak", "trunk_side_lean_peak", "step_width"),
}  # fmt: skip
SHOWN["front"] = SHOWN["rear"]
OURS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle", "heel", "toe", "ear", "eye")


def true_camera(truth: dict[str, Any]) -> Camera:
    c = truth["camera"]
    return Camera((c["width"], c["height"]), c["K"][0][0], np.array(c["R"]), np.array(c["t"]))


def true_joints(folder: Path, truth: dict[str, Any], view: str, zero_deg: float) -> LandmarkPaths:
    """Return the true points as landmark paths of the picture, without noise."""
    data = np.load(folder / "truth_frames.npz")
    names = [str(s) for s in data["names"]]
    xyz, t = data["xyz"].astype(float), data["t"].astype(float)
    camera, n = true_camera(truth), len(data["t"])
    xy = np.full((n, 33, 2), np.nan)
    for side in SIDES:
        for point in OURS:
            theirs = f"{side}_hip_surface" if point == "hip" and view == "side" else f"{side}_{point}"
            if point == "toe":
                heel, tip, ball = (xyz[:, names.index(f"{side}_{k}")] for k in ("heel", "toe_tip", "big_toe"))
                along = tip - heel
                turn = np.radians(truth["neutral_foot_deg"][side] + zero_deg)
                level = along.copy()
                level[:, 0] = np.cos(turn) * along[:, 0] + np.sin(turn) * along[:, 1]
                level[:, 1] = -np.sin(turn) * along[:, 0] + np.cos(turn) * along[:, 1]
                where = heel + level * (np.linalg.norm(ball - heel, axis=1) / np.linalg.norm(along, axis=1))[:, None]
                where = ball if view != "side" else where
            else:
                where = xyz[:, names.index(theirs)]
            xy[:, LANDMARK_INDEX[f"{side}_{point}"]] = camera.project(where)
    xy[:, LANDMARK_INDEX["nose"]] = camera.project(xyz[:, names.index("nose")])
    state = np.where(np.isfinite(xy).all(axis=2), 0, 4).astype(np.uint8)
    return LandmarkPaths(view, t, xy, np.ones((n, 33)), np.full((n, 33), 0.2), state)  # type: ignore[arg-type]


def true_stances(truth: dict[str, Any], view: str, span: tuple[float, float]) -> list[Stance]:
    events = [
        Event(view, e["side"], kind, e[key], e[key] - 0.002, e[key] + 0.002)  # type: ignore[arg-type]
        for e in truth["events"]
        for kind, key in (("initial_contact", "ic"), ("toe_off", "to"))
        if e["to"] < span[1]
    ]
    return build_stances(tuple(sorted(events, key=lambda e: e.time_s)), span)[0]


def measured(
    paths: LandmarkPaths, stances: list[Stance], scale: Scale | None, roll: float, direction: str | None, cutoff: float | None
) -> dict[tuple[str, str], float]:
    common: dict[str, Any] = {"direction": direction, "roll_deg": roll, "scale": scale}
    if paths.view == "side":
        common["near_side"] = near_side(direction)  # type: ignore[arg-type]
    plane = to_plane(paths, cutoff_hz=cutoff, **common)
    if paths.view == "side":
        zero = {s: FlatFoot(0.0, 0.0, 0) for s in SIDES}
        found = measure_side(
            plane, stances, budget=ErrorBudget(), runner=Runner(), com=whole_body_com(plane, "mean"), foot_zero=zero
        )[1]
    else:
        found = measure_frontal(plane, stances, budget=ErrorBudget())[1]
    return {(m.measure, m.side): m.value for m in found if m.value is not None}


def errors(found: dict[tuple[str, str], float], mean: dict[str, dict[str, float]]) -> dict[str, list[float]]:
    """Return measured minus true of left, right and both for each measure; NaN where there is none."""
    nothing = float("nan")
    return {
        key: [found.get((key, side), nothing) - mean.get(key, {}).get(side, nothing) for side in ("left", "right", "both")]
        for key in {k for k, _ in found}
    }


def roll_of_film(folder: Path, view: str, paths: LandmarkPaths) -> float:
    """Return the roll as a film without marks gives it."""
    rolls = []
    for frame in read_frames(folder / "video.mp4", every=60):
        xy = paths.xy[min(frame.index, len(paths.xy) - 1)]
        box = (*np.nanmin(xy, axis=0) - 20, *np.nanmax(xy, axis=0) + 20)
        luma = frame.gray_small(max(frame.width, frame.height))
        r = picture_roll(luma, tuple(float(b) for b in box), level_lines_too=view == "side")  # type: ignore[arg-type]
        if r is not None:
            rolls.append(r.angle_deg)
    return -float(np.median(rolls)) if rolls else 0.0


def side_paths(folder: Path) -> PlanePaths:
    """Return the true points of a film as a side film of the same running would show them."""
    data = np.load(folder / "truth_frames.npz")
    names = [str(s) for s in data["names"]]
    n = len(data["t"])
    xy = np.full((n, 33, 2), np.nan)
    for side in SIDES:
        for point in OURS:
            theirs = f"{side}_big_toe" if point == "toe" else f"{side}_{point}"
            xy[:, LANDMARK_INDEX[f"{side}_{point}"]] = data["xyz"][:, names.index(theirs), :2]
    usable = np.isfinite(xy).all(axis=2)
    return PlanePaths("side", data["t"].astype(float), xy, np.zeros((n, 33)), usable, "m", "right")


def after(
    paths: LandmarkPaths, solved: SolvedCamera, stances: list[Stance], cutoff: float | None, side: PlanePaths | None
) -> tuple[dict[tuple[str, str], float], Rectified]:
    plane = plane_from_feet(paths, solved, stances)
    depths = None if side is None else depths_from_side(side, stances, paths.time_s, stances)
    done = rectify(paths, solved, plane=plane, depths_m=depths)
    return measured(done.paths, stances, done.scale, 0.0, solved.direction, cutoff), done


def judge(folder: Path, truth_dir: Path, cache: Path | None, draws: int, zero_deg: float, rng: Any) -> None:
    truth = json.loads((folder / "truth.json").read_text())
    view = truth["args"]["view"].split("_")[0]
    direction = {"side": "+x", "side_left": "-x"}.get(truth["args"]["view"])
    mean = json.loads((truth_dir / f"{folder.name}.json").read_text())["mean"]
    camera, info = true_camera(truth), probe(folder / "video.mp4")
    sets: dict[str, tuple[LandmarkPaths, float | None]] = {"true points": (true_joints(folder, truth, view, zero_deg), None)}
    if cache is not None and (cache / f"{folder.name}.npz").is_file():
        raw = fit_anatomy.raw_track(folder, cache)
        cleaned = clean(raw, raw.file_time_s, view).paths
        direction_found = direction_of_travel(cleaned)[0] if view == "side" else None
        joints = to_joints(cleaned, direction=direction_found, near=near_side(direction_found) if direction_found else None)
        sets["landmarks"] = (joints, min(20.0, 0.3 * joints.rate_hz))
    pelvis = np.load(folder / "truth_frames.npz")
    names = [str(s) for s in pelvis["names"]]
    middle = np.median(pelvis["xyz"][:, names.index("pelvis")], axis=0) * (1.0, 0.0, 1.0)
    a, b = BELT_M[0] / 2, BELT_M[1] / 2
    corners = camera.project(middle + np.array([[-a, 0, b], [a, 0, b], [a, 0, -b], [-a, 0, -b]]))
    angles = (camera.roll_deg, camera.tilt_deg, yaw_of(camera, view, direction))  # type: ignore[arg-type]
    print(
        f"\n{folder.name}: roll {angles[0]:.1f}, tilt {angles[1]:.1f}, turn {angles[2]:.1f} deg, "
        f"{float(camera.depth(middle)):.1f} m away, {camera.position_m[1]:.2f} m high"
    )
    for name, (paths, cutoff) in sets.items():
        span = (float(paths.time_s[0]), float(paths.time_s[-1]))
        stances = true_stances(truth, view, span)
        near = near_side(direction) if direction else None  # type: ignore[arg-type]
        scales = [scale_from_height(paths, truth["body"]["height"], near_side=near)]
        if view == "side":
            scales.append(scale_from_belt(paths, stances, truth["summary"]["belt_speed_m_s"], near_side=near))
        scale = compare_scales([s for s in scales if s is not None])[0]
        roll = roll_of_film(folder, view, paths)
        plain = errors(measured(paths, stances, scale, roll, direction, cutoff), mean)
        done: dict[str, list[Floats]] = {}
        both: dict[str, list[Floats]] = {}
        side = None if view == "side" else side_paths(folder)
        seen: list[list[float]] = []
        for _ in range(draws):
            marks = belt_corners(corners + rng.normal(0.0, 2.0, (4, 2)), *BELT_M)
            given = FilmMarks(view, ground=marks)  # type: ignore[arg-type]
            solved = find_camera(given, info, direction=direction, paths=paths)
            assert solved is not None
            values, made = after(paths, solved, stances, cutoff, None)
            if side is not None:
                for key, e in errors(after(paths, solved, stances, cutoff, side)[0], mean).items():
                    both.setdefault(key, []).append(np.array(e))
            for key, e in errors(values, mean).items():
                done.setdefault(key, []).append(np.array(e))
            speed = truth["summary"]["belt_speed_m_s"]
            belt = scale_from_belt(made.paths, stances, speed, near_side=near) if view == "side" else None
            seen.append([
                solved.roll_deg - angles[0], solved.tilt_deg - angles[1], solved.yaw_deg - angles[2],
                100 * np.log(solved.camera.focal_px / camera.focal_px), solved.roll_sigma_deg, solved.tilt_sigma_deg,
                solved.yaw_sigma_deg, 100 * solved.focal_relative_sigma, 100 * made.scale.relative_sigma, made.roll_sigma_deg,
                float(np.mean(made.plane.at_m)) - middle[2 if view == "side" else 0], made.plane.sigma_m,
                100 * (belt.m_per_px / made.scale.m_per_px - 1) if belt else np.nan,
            ])  # fmt: skip
        s = np.array(seen)
        rms = np.sqrt(np.mean(s[:, :4] ** 2, axis=0))
        print(
            f"  {name}: found to roll {rms[0]:.2f} ({s[:, 4].mean():.2f}), tilt {rms[1]:.2f} ({s[:, 5].mean():.2f}), turn {rms[2]:.2f}"
            f" ({s[:, 6].mean():.2f}) deg, focal {rms[3]:.1f} ({s[:, 7].mean():.1f}) %; runner's plane {1000 * s[:, 10].mean():+.0f} ± "
            f"{1000 * s[:, 10].std():.0f} mm (1 SD said {1000 * s[:, 11].mean():.0f}); scale 1 SD said {s[:, 8].mean():.1f} %, upright "
            f"{s[:, 9].mean():.2f} deg; belt speed against marks {np.mean(s[:, 12]):+.1f} %; roll from the picture {roll:+.1f}"
        )
        for key in SHOWN[view]:
            if key in plain:
                unit, k = ("mm", 1000.0) if key.startswith(("foot_ahead", "step_width")) else ("deg", 1.0)
                text = f"    {key:26s} before {row(k, [plain[key]])}  after {row(k, done[key])} {unit}"
                print(text + (f"  with a side film {row(k, both[key])}" if side is not None else ""))


def row(k: float, draws: list[Any]) -> str:
    """Return left, right and both, mean over the draws, and the spread over them."""
    e = k * np.array(draws)
    spread = f" ±{float(np.nanmean(np.nanstd(e, axis=0))):4.1f}" if len(draws) > 1 else ""
    return " ".join(f"{v:+6.1f}" for v in np.nanmean(e, axis=0)) + spread


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--truth", type=Path, required=True)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--zeros", type=Path, required=True, help="foot_zero.json of the films")
    parser.add_argument("--draws", type=int, default=8)
    args = parser.parse_args()
    zeros = {Path(k).name: v for k, v in json.loads(args.zeros.read_text()).items()}
    rng = np.random.default_rng(7)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)
        for folder in args.folders:
            judge(folder, args.truth, args.cache, args.draws, zeros[folder.name], rng)


if __name__ == "__main__":
    main()
