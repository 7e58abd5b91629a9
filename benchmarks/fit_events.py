"""Fit the coefficients of event finding to the treadmill recordings, or rebuild the file that ships.

    python benchmarks/fit_events.py --data DIR [--out FILE] [--leave-out 1 12] [--films 10] [--seed 1]

DIR holds ``runnerNN_S.Smps.npz`` files: markers of 13 runners at 2.5, 3.5 and 4.5 m/s on an instrumented
treadmill, cut from

    Fukuchi RK, Fukuchi CA, Duarte M (2017), A public dataset of running biomechanics and the effects of
    running speed on lower extremity kinematics and kinetics, PeerJ 5:e3298, doi 10.7717/peerj.3298; data doi
    10.6084/m9.figshare.4543435.

Contact is vertical force of 50 N or more (force low-passed at 50 Hz), sampled at 300 Hz: the truth itself is
rounded to 3.3 ms.

Markers are turned into what a film would give: points moved by centimetres along and across their limb (a
landmark isn't a marker), a slightly turned camera, 60–240 frames/s, noise of 0–6 mm that may last for several
frames, some smoothing. The coefficients have to serve all of these at once, so they can't lean on any one
placement.
"""

from __future__ import annotations

import argparse
import os
from functools import cache
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.optimize import nnls
from scipy.signal import lfilter

from midstance.gait.events import KINDS, LEAST_FIT
from midstance.gait.events_model import (
    COEFFICIENT_FILE,
    FINE,
    PLAIN,
    WHOLE_LEG,
    EventModel,
    FeatureSet,
    KindModel,
    LinearMap,
    Locator,
    Usual,
    agreement,
    deviation_features,
    mean_wave,
    slowness,
)
from midstance.gait.events_waves import Mark, StrideWaves, align_strides, leg_paths, leg_period, rough_marks
from midstance.gait.model import LANDMARK_INDEX, SIDES, EventKind, PlanePaths, Side, View
from midstance.signals.filters import butterworth_lowpass

Floats = NDArray[np.float64]
CITATION = (
    "Fukuchi RK, Fukuchi CA, Duarte M (2017), A public dataset of running biomechanics and the effects of "
    "running speed on lower extremity kinematics and kinetics, PeerJ 5:e3298, doi 10.7717/peerj.3298"
)
MARKS: dict[tuple[View, EventKind], Mark] = {
    ("side", "initial_contact"): "foremost",
    ("side", "toe_off"): "rearmost",
    ("rear", "initial_contact"): "highest",
    ("rear", "toe_off"): "highest",
    ("front", "initial_contact"): "highest",
    ("front", "toe_off"): "highest",
}
#: Contacts are sharp, toe-offs are soft: the cut-offs of the accelerations differ.
ACCELERATION_HZ: dict[EventKind, float] = {"initial_contact": 16.0, "toe_off": 12.0}
#: Ridge penalties, in units of the features' variance.
LOCATOR_PENALTY, PLAIN_PENALTY, DEVIATION_PENALTY = 0.5, 0.1, 0.5
#: Half-widths of the offsets that the two locators are taught to undo, ms, and how many of them.
LOCATOR_SPREADS = ((50.0, 41), (12.0, 25))


@attrs.frozen(eq=False)
class Recording:
    """One recording: marker paths (n, 3; m; forward, up, right) at ``time_s`` and the contacts by force."""

    runner: int
    speed_mps: float
    strike: dict[Side, str]
    time_s: Floats
    markers: dict[str, Floats]
    on_s: dict[Side, Floats]
    off_s: dict[Side, Floats]

    def truth(self, side: Side, kind: EventKind) -> Floats:
        """Return the times of one kind of event, s."""
        return self.on_s[side] if kind == "initial_contact" else self.off_s[side]


def load_recording(path: Path) -> Recording:
    """Read one ``runnerNN_S.Smps.npz``."""
    with np.load(path) as d:
        time_s = d["time_s"].astype(np.float64)
        markers = {}
        for key in d.files:
            if key.endswith("_m") and d[key].ndim == 2:
                x = d[key].astype(np.float64)
                for c in range(3):
                    lost = ~np.isfinite(x[:, c])
                    if lost.any() and not lost.all():
                        x[lost, c] = np.interp(time_s[lost], time_s[~lost], x[~lost, c])
                markers[key[:-2]] = x
        sides = d["contact_side"]
        return Recording(
            int(path.name[6:8]),
            float(d["speed_mps"]),
            {"left": str(d["strike_left"]), "right": str(d["strike_right"])},
            time_s,
            markers,
            {s: d["contact_on_s"][sides == s[0].upper()].astype(np.float64) for s in SIDES},
            {s: d["contact_off_s"][sides == s[0].upper()].astype(np.float64) for s in SIDES},
        )


def load_recordings(folder: Path) -> list[Recording]:
    """Read all recordings of a folder."""
    paths = sorted(folder.glob("runner[0-9][0-9]_?.?mps.npz"))
    if not paths:
        raise SystemExit(f"{folder}: no runnerNN_S.Smps.npz here. Next: give the folder of the recordings with --data.")
    return [load_recording(p) for p in paths]


@attrs.frozen
class FilmSettings:
    """How a recording is turned into landmark paths. Lengths in m, times in s."""

    rate_hz: float = 240.0
    noise_m: float = 0.0
    noise_lasts_s: float = 0.0
    smoothing_hz: float | None = None
    placement_m: float = 0.0
    toe_forward_m: float = 0.0
    yaw_deg: float = 0.0
    distance_m: float = 4.5
    camera_height_m: float = 1.0
    start_s: float = 0.0
    duration_s: float = 12.0
    toe_mix: tuple[float, float, float] = (0.0, 1.0, 0.0)  # shares of MT1, MT2, MT5
    heel_mix: float = 0.0  # share of the upper heel marker


def random_settings(rng: np.random.Generator, view: View) -> FilmSettings:
    """Draw the settings of one training film."""
    rate = float(rng.choice([60.0, 120.0, 240.0]))
    smoothing = float(rng.uniform(10, 25)) if rng.random() < 0.3 else None
    duration = float(rng.uniform(5, 11.5))
    return FilmSettings(
        rate_hz=rate,
        noise_m=float(rng.choice([0.0, 0.001, 0.003, 0.006])),
        noise_lasts_s=float(rng.choice([0.0, 0.01, 0.03])),
        smoothing_hz=smoothing,
        placement_m=float(rng.choice([0.0, 0.01, 0.02])),
        toe_forward_m=float(rng.uniform(-0.01, 0.05)),
        yaw_deg=float(rng.normal(scale=3.0)),
        distance_m=float(rng.uniform(3.0, 6.0)),
        camera_height_m=float(rng.uniform(0.6, 1.3)),
        start_s=float(rng.uniform(0, 12.0 - duration)),
        duration_s=duration,
        toe_mix=tuple(rng.dirichlet([1.0, 2.0, 1.0])),
        heel_mix=float(rng.uniform(0, 1)),
    )


def _moved_points(rec: Recording, side: Side, s: FilmSettings, rng: np.random.Generator) -> Floats:
    """Return (n, 5, 3) hip, knee, ankle, heel and toe points, moved along and across their limbs."""
    m = {k[2:]: v for k, v in rec.markers.items() if k[0] == side[0].upper()}
    hip, knee, ankle = m["GTR"], m["Knee"], m["Ankle"]
    heel = (1 - s.heel_mix) * m["Heel_Bottom"] + s.heel_mix * m["Heel_Top"]
    # Some recordings lack one of the metatarsal markers: the others share its part.
    shares = {name: w for name, w in zip(("MT1", "MT2", "MT5"), s.toe_mix, strict=True) if name in m}
    total = sum(shares.values())
    toe = sum((w / total * m[name] for name, w in shares.items()), np.zeros_like(heel))

    def offset(start: Floats, end: Floats, along: float, across: float) -> Floats:
        u = end - start
        u = u / np.linalg.norm(u, axis=1, keepdims=True)
        v = np.stack([-u[:, 1], u[:, 0], np.zeros(len(u))], axis=1)
        return along * u + across * v

    def draw() -> tuple[float, float]:
        return tuple(rng.normal(scale=s.placement_m, size=2)) if s.placement_m else (0.0, 0.0)

    new_hip = hip + offset(hip, knee, *draw())
    new_knee = knee + offset(hip, knee, *draw())
    new_ankle = ankle + offset(knee, ankle, *draw())
    new_heel = heel + offset(heel, toe, *draw())
    along, across = draw()
    new_toe = toe + offset(heel, toe, along + s.toe_forward_m, across)
    return np.stack([new_hip, new_knee, new_ankle, new_heel, new_toe], axis=1)


def _project(points: Floats, view: View, s: FilmSettings, centre: Floats) -> Floats:
    """Perspective picture of (n, 5, 3) points, in metres at the runner's distance: (n, 5, 2), y up."""
    p = points - centre
    yaw = np.deg2rad(s.yaw_deg)
    x = p[..., 0] * np.cos(yaw) + p[..., 2] * np.sin(yaw)
    z = -p[..., 0] * np.sin(yaw) + p[..., 2] * np.cos(yaw)
    y = points[..., 1] - s.camera_height_m
    if view == "side":
        across, depth = x, s.distance_m - z
    elif view == "rear":
        across, depth = z, s.distance_m + x
    else:
        across, depth = z, s.distance_m - x
    return np.asarray(np.stack([across, y], axis=-1) * (s.distance_m / depth)[..., None], dtype=np.float64)


def make_film(rec: Recording, view: View, s: FilmSettings, rng: np.random.Generator) -> PlanePaths:
    """Return the landmark paths that a film of this recording might give."""
    stop = min(s.start_s + s.duration_s, float(rec.time_s[-1]))
    time_s = np.arange(s.start_s + rng.uniform(0, 1 / s.rate_hz), stop, 1 / s.rate_hz)
    xy = np.full((len(time_s), len(LANDMARK_INDEX), 2), np.nan)
    centre = np.mean([rec.markers["R_GTR"].mean(axis=0), rec.markers["L_GTR"].mean(axis=0)], axis=0)
    for side in SIDES:
        points = _project(_moved_points(rec, side, s, rng), view, s, centre)
        path = CubicSpline(rec.time_s, points, axis=0)(time_s)
        if s.noise_m:
            scale = s.noise_m * rng.uniform(0.6, 1.4, size=(1, 5, 1))
            path = path + scale * _noise(len(time_s), s.rate_hz, s.noise_lasts_s, rng)
        if s.smoothing_hz and s.smoothing_hz < 0.45 * s.rate_hz:
            path = butterworth_lowpass(path, s.rate_hz, s.smoothing_hz)
        for j, name in enumerate(("hip", "knee", "ankle", "heel", "toe")):
            xy[:, LANDMARK_INDEX[f"{side}_{name}"]] = path[:, j]
    seen = np.isfinite(xy).all(axis=2)
    sigma = np.where(seen, s.noise_m, np.nan)
    return PlanePaths(view, time_s, xy, sigma, seen, "m", "right" if view == "side" else None)


def _noise(n: int, rate_hz: float, lasts_s: float, rng: np.random.Generator) -> Floats:
    """Unit-variance noise (n, 5, 2), white or with an exponential autocorrelation of ``lasts_s``."""
    white = rng.normal(size=(n + 200, 5, 2))
    if lasts_s > 0:
        rho = float(np.exp(-1 / (rate_hz * lasts_s)))
        white = lfilter([np.sqrt(1 - rho**2)], [1, -rho], white, axis=0)
    return np.asarray(white[200:], dtype=np.float64)


@attrs.frozen(eq=False)
class Example:
    """Aligned strides of one leg in a training film; the force's times as offsets from each window's zero."""

    runner: int
    speed_mps: float
    strike: str
    settings: FilmSettings
    waves: StrideWaves
    truth_s: Floats
    chosen: NDArray[np.bool_]


def examples_of(
    rec: Recording, view: View, kind: EventKind, film: PlanePaths, s: FilmSettings, offset_s: float
) -> list[Example]:
    """Cut and align the strides of both legs of a film."""
    out = []
    for side in SIDES:
        leg = leg_paths(film, side)
        period = None if leg is None else leg_period(leg, view)
        if leg is None or period is None:
            continue
        guess = rough_marks(leg, period.period_s, MARKS[view, kind]) + offset_s
        guess = guess[(guess > leg.time_s[0] + 0.05) & (guess < leg.time_s[-1] - 0.05)]
        if len(guess) < 3:
            continue
        waves = align_strides(leg, kind, guess, ACCELERATION_HZ[kind])
        truth = rec.truth(side, kind)
        nearest = truth[np.abs(truth[None, :] - waves.centre_s[:, None]).argmin(axis=1)]
        difference = nearest - waves.centre_s
        known = np.abs(difference) < 0.15
        difference[~known] = np.nan
        chosen = known & (waves.fit >= LEAST_FIT)
        if chosen.sum() >= 3:
            out.append(Example(rec.runner, rec.speed_mps, rec.strike[side], s, waves, difference, chosen))
    return out


def usual_offset(recordings: list[Recording], view: View, kind: EventKind) -> float:
    """Return the median time from the rough mark to the event, s."""
    differences = []
    rng = np.random.default_rng(0)
    for rec in recordings:
        film = make_film(rec, view, FilmSettings(), rng)
        for side in SIDES:
            leg = leg_paths(film, side)
            period = None if leg is None else leg_period(leg, view)
            if leg is None or period is None:
                continue
            marks = rough_marks(leg, period.period_s, MARKS[view, kind])
            truth = rec.truth(side, kind)
            # From behind, the mark is in mid-swing: the contact comes after it, the toe-off before.
            sign = 1.0 if kind == "initial_contact" else -1.0
            expected = marks + (sign * 0.2 * period.period_s if MARKS[view, kind] == "highest" else 0.0)
            nearest = truth[np.abs(truth[None, :] - expected[:, None]).argmin(axis=1)]
            differences.extend((nearest - marks)[np.abs(nearest - expected) < 0.25 * period.period_s])
    return float(np.median(differences))


def ridge(x: Floats, y: Floats, weight: Floats, penalty: float, *, centred: bool = True) -> LinearMap:
    """Weighted ridge regression on standardised features."""
    weight = weight / weight.sum()
    mean = weight @ x if centred else np.zeros(x.shape[1])
    scale = np.sqrt(weight @ (x - mean) ** 2) + 1e-6
    intercept = float(weight @ y) if centred else 0.0
    z = (x - mean) / scale
    gram = (z * weight[:, None]).T @ z + penalty * np.eye(x.shape[1])
    return LinearMap(mean, scale, np.linalg.solve(gram, (z * weight[:, None]).T @ (y - intercept)), intercept)


@cache
def _locator_rows(
    example: Example, features: FeatureSet, kind: EventKind, spread_ms: float, n: int
) -> tuple[Floats, Floats] | None:
    reader = mean_wave(example.waves, example.chosen)
    if reader is None:
        return None
    true_offset = float(example.truth_s[example.chosen].mean())
    off = np.linspace(-spread_ms, spread_ms, n) * 1e-3
    return np.array([features.read(reader, true_offset + o, kind) for o in off]), -off


def fit_locator(examples: list[Example], features: FeatureSet, kind: EventKind, penalty: float) -> Locator:
    """Teach a pair of maps to undo known offsets from the true event."""
    maps = []
    for spread, n in LOCATOR_SPREADS:
        pairs = [r for e in examples if (r := _locator_rows(e, features, kind, spread, n)) is not None]
        x, y = np.concatenate([r[0] for r in pairs]), np.concatenate([r[1] for r in pairs])
        maps.append(ridge(x, y, np.ones(len(y)), penalty))
    return Locator(features, tuple(maps), (1e-6, 0.0, 0.0, 0.0))


def fit_deviation(examples: list[Example]) -> LinearMap:
    """Fit what single strides' velocities tell of their event's distance from the mean event."""
    rows, targets = [], []
    for e in examples:
        true_offset = float(e.truth_s[e.chosen].mean())
        features, known, _ = deviation_features(e.waves, e.chosen, true_offset)
        use = e.chosen & (known > 0.99)
        rows.append(features[use])
        targets.append(e.truth_s[use] - true_offset)
    x, y = np.concatenate(rows), np.concatenate(targets)
    return ridge(x, y, np.ones(len(y)), DEVIATION_PENALTY, centred=False)


def fit_usual(examples: list[Example], view: View, kind: EventKind) -> Usual:
    """Describe how the legs of the examples move around the event (limit 1, set later)."""
    rows = []
    for e in examples:
        reader = mean_wave(e.waves, e.chosen)
        if reader is not None:
            true_offset = float(e.truth_s[e.chosen].mean())
            rows += [WHOLE_LEG[view].read(reader, true_offset + o, kind) for o in (-0.006, 0.0, 0.006)]
    x = np.array(rows)
    mean, scale = x.mean(axis=0), x.std(axis=0) + 1e-6
    z = (x - mean) / scale
    covariance = z.T @ z / len(z) + 0.2 * np.eye(z.shape[1])
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    return Usual(mean, scale, whiten, 1.0)


def fit_kind(examples: list[Example], view: View, kind: EventKind, offset_s: float) -> KindModel:
    """Fit locators, deviation map and usual motion; variances and limit come from ``calibrate``."""
    return KindModel(
        view,
        MARKS[view, kind],
        offset_s,
        ACCELERATION_HZ[kind],
        fit_locator(examples, FINE[view, kind], kind, LOCATOR_PENALTY),
        fit_deviation(examples),
        0.002,
        fit_locator(examples, PLAIN[view, kind], kind, PLAIN_PENALTY),
        fit_usual(examples, view, kind),
    )


@attrs.frozen(eq=False)
class Errors:
    """Errors of runners left out: one row an event."""

    error_s: Floats
    common_error_s: Floats
    roughness: Floats
    standard_error_s: Floats
    slowness: Floats
    strangeness: Floats
    runner: NDArray[np.int64]
    speed_mps: Floats
    strike: NDArray[np.str_]


def errors_of(examples: list[Example], model: KindModel, kind: EventKind, *, plain: bool = False) -> Errors:
    """Apply one locator of a model to examples of runners it hasn't seen."""
    columns: list[list[Any]] = [[] for _ in attrs.fields(Errors)]
    locator = model.plain if plain else model.fine
    for e in examples:
        reader = mean_wave(e.waves, e.chosen)
        at_s = None if reader is None else locator.find(reader, kind)
        if reader is None or at_s is None:
            continue
        features, known, roughness = deviation_features(e.waves, e.chosen, at_s)
        use = e.chosen & (known > 0.99)
        error = (at_s + model.deviation(features) - e.truth_s)[use]
        common = at_s - float(e.truth_s[e.chosen].mean())
        spread = agreement(e.waves, e.chosen, locator, kind, at_s)
        strange = model.usual.strangeness(WHOLE_LEG[model.view].read(reader, at_s, kind))
        slow = slowness(reader, at_s, kind, model.view)
        values = (None, common, roughness, spread, slow, strange, e.runner, e.speed_mps, e.strike)
        for column, value in zip(columns, values, strict=True):
            column.extend(error if value is None else [value] * len(error))
    return Errors(*(np.asarray(c) for c in columns))


def fit_variance(errors: Errors) -> tuple[float, float, float, float]:
    """Fit variance = c0 + c1 roughness² + c2 standard error² + c3 slowness² so that 95 % intervals hold 95 % of the errors.

    The shape comes from least squares with no negative term on squared errors, the size from the share
    covered.
    """
    terms = (errors.roughness, errors.standard_error_s, errors.slowness)
    x = np.stack([np.ones_like(errors.error_s), *(t**2 for t in terms)], axis=1)
    scale = np.maximum(x.mean(axis=0), 1e-12)
    cap = np.quantile(errors.error_s**2, 0.995)
    c, _ = nnls(x / scale, np.minimum(errors.error_s**2, cap) / cap)
    c = c * cap / scale
    ratio = np.abs(errors.error_s) / np.sqrt(x @ c)
    c = c * (np.quantile(ratio, 0.95) / 1.96) ** 2
    return float(c[0]), float(c[1]), float(c[2]), float(c[3])


def build_examples(
    recordings: list[Recording], view: View, kind: EventKind, films: int, seed: int
) -> tuple[float, list[Example]]:
    """Make training films of all recordings; return the usual offset and the aligned strides."""
    _locator_rows.cache_clear()
    offset_s = usual_offset(recordings, view, kind)
    examples: list[Example] = []
    for rec in recordings:
        for i in range(films):
            rng = np.random.default_rng([seed, rec.runner, round(10 * rec.speed_mps), i])
            s = FilmSettings() if i == 0 else random_settings(rng, view)
            examples += examples_of(rec, view, kind, make_film(rec, view, s, rng), s, offset_s)
    return offset_s, examples


def joined(parts: list[Errors]) -> Errors:
    """Put several sets of errors into one."""
    return Errors(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in attrs.fields(Errors)))


def left_out_errors(examples: list[Example], view: View, kind: EventKind, offset_s: float) -> tuple[Errors, Errors]:
    """Fit once for each runner without them; return the errors on them, by fine and plain locator."""
    fine, plain = [], []
    for runner in sorted({e.runner for e in examples}):
        model = fit_kind([e for e in examples if e.runner != runner], view, kind, offset_s)
        left = [e for e in examples if e.runner == runner]
        fine.append(errors_of(left, model, kind))
        plain.append(errors_of(left, model, kind, plain=True))
    return joined(fine), joined(plain)


def calibrate(model: KindModel, fine: Errors, plain: Errors) -> KindModel:
    """Set variances and the limit of the usual from the errors on runners left out."""
    limit = float(np.quantile(fine.strangeness, 0.99))
    return attrs.evolve(
        model,
        fine=attrs.evolve(model.fine, variance=fit_variance(fine)),
        plain=attrs.evolve(model.plain, variance=fit_variance(plain)),
        usual=attrs.evolve(model.usual, limit=float(f"{limit:.6g}")),
        own_sigma_s=float(np.std(fine.error_s - fine.common_error_s)),
    )


def summary(errors: Errors) -> dict[str, Any]:
    """Return the figures of a set of errors, ms."""
    ms = 1e3 * errors.error_s
    return {
        "n": len(ms),
        "bias_ms": round(float(ms.mean()), 2),
        "median_abs_ms": round(float(np.median(np.abs(ms))), 2),
        "p95_abs_ms": round(float(np.percentile(np.abs(ms), 95)), 2),
    }


def fit_all(
    recordings: list[Recording], films: int, seed: int, views: tuple[View, ...] = ("side", "rear", "front")
) -> EventModel:
    """Fit every view and kind."""
    kinds: dict[tuple[View, EventKind], KindModel] = {}
    figures: dict[str, Any] = {}
    for view in views:
        for kind in KINDS:
            offset_s, examples = build_examples(recordings, view, kind, films, seed)
            fine, plain = left_out_errors(examples, view, kind, offset_s)
            kinds[view, kind] = calibrate(fit_kind(examples, view, kind, offset_s), fine, plain)
            figures[f"{view}/{kind}"] = {"fine": summary(fine), "plain": summary(plain)}
            print(view, kind, f"offset {1e3 * offset_s:.0f} ms", figures[f"{view}/{kind}"], flush=True)
    provenance = {
        "fitted_by": "benchmarks/fit_events.py",
        "data": CITATION,
        "licence_of_data": "CC BY 4.0 (from memory)",
        "truth": "vertical force >= 50 N, low-passed at 50 Hz, sampled at 300 Hz",
        "runners": sorted({r.runner for r in recordings}),
        "films_per_recording": films,
        "seed": seed,
        "errors_of_runners_left_out_over_all_training_films": figures,
    }
    return EventModel(provenance, kinds)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    root = Path(__file__).resolve().parents[1]
    parser.add_argument("--out", type=Path, default=root / "src" / "midstance" / "gait" / "data" / COEFFICIENT_FILE)
    parser.add_argument("--leave-out", type=int, nargs="*", default=[])
    parser.add_argument("--films", type=int, default=10, help="training films made of each recording")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--views",
        nargs="+",
        default=["side", "rear", "front"],
        choices=["side", "rear", "front"],
        help="fit these only; the others keep what the file has",
    )
    args = parser.parse_args()
    recordings = [r for r in load_recordings(args.data) if r.runner not in args.leave_out]
    model = fit_all(recordings, args.films, args.seed, tuple(args.views))
    if len(args.views) < 3:
        old = EventModel.from_json(args.out.read_text(encoding="utf-8"))
        name = "errors_of_runners_left_out_over_all_training_films"
        model.provenance[name] = {**old.provenance[name], **model.provenance[name]}
        model = attrs.evolve(model, kinds={**old.kinds, **model.kinds})
    args.out.write_text(model.to_json(), encoding="utf-8")
    print(f"{args.out}: {args.out.stat().st_size / 1024:.0f} KiB")


if __name__ == "__main__":
    main()
