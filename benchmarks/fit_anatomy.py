"""Fit the map from the landmark model's points to joint centres (``src/midstance/pose/data/anatomy.json``).

    python benchmarks/fit_anatomy.py FOLDER [--cache DIR] [--write]

FOLDER holds rendered films with known truth, one folder each: ``video.mp4``, ``truth.json``, ``truth_frames.npz`` (points
``uv`` in pixels with their ``names``). A file ``foot_zero.json`` beside them gives, for each film, what the figure's foot angle
(against its pose of rest, ``neutral_foot_deg``) reads when the sole lies flat on the ground. The films must not be those the product is judged on.

Printed: the error left in each point, leaving one film out at a time. The coefficients are ridge regressions; the penalty
is chosen by the same leave-one-film-out error.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

import numpy as np

from midstance.film.reader import probe, read_frames
from midstance.gait.model import LANDMARK_INDEX, SIDES, Floats
from midstance.pose.anatomy import POINTS, features, leg_key, leg_px, upright
from midstance.pose.clean import clean, direction_of_travel, near_side
from midstance.pose.find import find_runner
from midstance.pose.runtime import load_network
from midstance.pose.track import RawTrack, track

TRUTH = {"shoulder": "shoulder", "hip": "hip_surface", "knee": "knee", "ankle": "ankle", "heel": "heel"}
FRONTAL_TRUTH = {**TRUTH, "hip": "hip"}
PENALTIES = (0.01, 0.1, 1.0, 10.0, 100.0)


def raw_track(folder: Path, cache: Path | None) -> RawTrack:
    """Read the landmarks of a film, or take them from the cache."""
    kept = cache / f"{folder.name}.npz" if cache else None
    if kept and kept.is_file():
        d = np.load(kept)
        n = len(d["time_s"])
        return RawTrack(np.arange(n), d["time_s"], d["xy"], d["score"], d["peak"], d["presence"], d["region"], 0)
    film = folder / "video.mp4"
    landmarks, detector = load_network("landmarks"), load_network("detector")
    found = find_runner(film, landmarks, detector, start_s=0, end_s=probe(film).duration_s, slowdown=1.0)
    raw = track(read_frames(film), landmarks, detector, found, slowdown=1.0)
    if kept:
        kept.parent.mkdir(parents=True, exist_ok=True)
        np.savez_compressed(
            kept, time_s=raw.file_time_s, xy=raw.xy, score=raw.visibility, peak=raw.peak, presence=raw.presence,
            region=raw.region,
        )  # fmt: skip
    return raw


def truth_points(folder: Path, view: str, mirror: bool, flat_deg: dict[str, float]) -> dict[str, Floats]:
    """Return the wanted points of both legs, pixels with y up and x as in ``anatomy.upright``: name → (n, 2)."""
    data = np.load(folder / "truth_frames.npz")
    names = [str(s) for s in data["names"]]
    uv = data["uv"].astype(float) * (-1.0 if mirror else 1.0, -1.0)
    table = TRUTH if view == "side" else FRONTAL_TRUTH
    out = {}
    for side in SIDES:
        for point, source in table.items():
            out[f"{side}_{point}"] = uv[:, names.index(f"{side}_{source}")]
        heel, tip, ball = (uv[:, names.index(f"{side}_{k}")] for k in ("heel", "toe_tip", "big_toe"))
        if view == "side":
            # The toe is put on the line that is level when the sole is flat, at the distance of the big toe.
            along = tip - heel
            turn = np.radians(flat_deg[side])
            c, s = np.cos(turn), np.sin(turn)
            level = np.stack([c * along[:, 0] + s * along[:, 1], -s * along[:, 0] + c * along[:, 1]], axis=1)
            level *= (np.linalg.norm(ball - heel, axis=1) / np.linalg.norm(along, axis=1))[:, None]
            out[f"{side}_toe"] = heel + level
        else:
            out[f"{side}_toe"] = ball
    return out


def samples(folder: Path, cache: Path | None, foot_zero_deg: float) -> tuple[str, dict[str, tuple[Floats, Floats]]]:
    """Return the film's view and, for each set of coefficients, features and wanted offsets (leg lengths)."""
    raw = raw_track(folder, cache)
    truth = json.loads((folder / "truth.json").read_text())
    view = truth["args"]["view"].split("_")[0]
    paths = clean(raw, raw.file_time_s, view).paths
    direction = direction_of_travel(paths)[0] if view == "side" else None
    near = near_side(direction) if direction else None
    mirror = direction == "-x" if view == "side" else view == "front"
    xy = upright(paths, direction)
    flat = {s: truth["neutral_foot_deg"][s] + foot_zero_deg for s in SIDES}
    wanted = truth_points(folder, view, mirror, flat)
    out: dict[str, tuple[Floats, Floats]] = {}
    for side in SIDES:
        x = features(xy, side, view, paths.time_s)
        sign = 1.0 if view == "side" or side == "right" else -1.0
        y = np.concatenate(
            [(wanted[f"{side}_{p}"][: len(xy)] - xy[:, LANDMARK_INDEX[f"{side}_{p}"]]) * (sign, 1.0) for p in POINTS],
            axis=1,
        ) / leg_px(xy, side)  # fmt: skip
        key = leg_key(view, side, near)
        if key in out:
            x, y = np.concatenate([out[key][0], x]), np.concatenate([out[key][1], y])
        out[key] = (x, y)
    return view, out


def ridge(x: Floats, y: Floats, penalty: float) -> Floats:
    """Ridge regression of every column of ``y``; the constant is not penalised; gross errors are left out."""
    out = np.zeros((x.shape[1], y.shape[1]))
    for j in range(y.shape[1]):
        good = np.isfinite(y[:, j])
        middle = np.median(y[good, j])
        good &= np.abs(np.nan_to_num(y[:, j]) - middle) < 0.09
        a = x[good].T @ x[good] + penalty * np.diag([0.0] + [1.0] * (x.shape[1] - 1))
        out[:, j] = np.linalg.solve(a, x[good].T @ y[good, j])
    return out


def left_out_errors(films: list[tuple[Floats, Floats]], penalty: float) -> list[Floats]:
    """Errors (leg lengths) of each film predicted from the others."""
    errors = []
    for i, (x, y) in enumerate(films):
        rest = [f for k, f in enumerate(films) if k != i]
        table = ridge(np.concatenate([f[0] for f in rest]), np.concatenate([f[1] for f in rest]), penalty)
        errors.append(y - x @ table)
    return errors


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    zeros = {Path(k).name: v for k, v in json.loads((args.folder / "foot_zero.json").read_text()).items()}
    found: dict[str, dict[str, list[tuple[Floats, Floats]]]] = {}
    used: dict[str, list[str]] = {}
    for folder in sorted(args.folder.glob("train_*")):
        if not (folder / "truth.json").is_file() or folder.name not in zeros:
            continue
        view, sets = samples(folder, args.cache, zeros[folder.name])
        used.setdefault(view, []).append(folder.name)
        for key, pair in sets.items():
            found.setdefault(view, {}).setdefault(key, []).append(pair)
    target = Path(__file__).parent.parent / "src" / "midstance" / "pose" / "data" / "anatomy.json"
    old = json.loads(target.read_text()) if target.is_file() else {}
    result = {"provenance": "", "coefficients": {}, "systematic": old.get("systematic", {})}
    for view, sets in found.items():
        for key, films in sets.items():
            if len(films) < 3:
                print(f"{view} {key}: only {len(films)} films, left out")
                continue
            # A few films say little about fine detail: the map is then kept stiff.
            allowed = [p for p in PENALTIES if p >= 1.0 or len(films) >= 8]
            scores = {p: np.nanmedian(np.abs(np.concatenate(left_out_errors(films, p)))) for p in allowed}
            penalty = min(scores, key=lambda p: scores[p])
            before = np.concatenate([f[1] for f in films])
            after = np.concatenate(left_out_errors(films, penalty))
            per_film = np.array([np.nanmedian(e, axis=0) for e in left_out_errors(films, penalty)])
            print(f"{view} {key}: {len(films)} films, penalty {penalty}; mm at a leg of 0.85 m (x, y):")
            for j, point in enumerate(POINTS):
                b = 850 * np.nanmedian(before[:, 2 * j : 2 * j + 2], axis=0)
                a = 850 * np.nanmedian(np.abs(after[:, 2 * j : 2 * j + 2]), axis=0)
                f = 850 * per_film[:, 2 * j : 2 * j + 2].std(axis=0)
                print(f"  {point:9s} offset before {b.round(0)}  median error left {a.round(0)}  between films {f.round(0)}")
            table = ridge(np.concatenate([f[0] for f in films]), np.concatenate([f[1] for f in films]), penalty)
            result["coefficients"].setdefault(view, {})[key] = [[float(f"{v:.5g}") for v in row] for row in table]
    result["provenance"] = (
        "ridge regression on rendered figures with exactly known joints (invented motion, CC0 bodies): "
        + "; ".join(f"{v}: {len(n)} films" for v, n in used.items())
    )
    if args.write:
        target.parent.mkdir(exist_ok=True)
        target.write_text(json.dumps(result, indent=1) + "\n")
        print("written", target)


if __name__ == "__main__":
    main()
