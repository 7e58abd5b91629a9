"""Fit the coefficients of event finding to the treadmill recordings, or rebuild the file that ships.

    python benchmarks/fit_events.py --data DIR [--out FILE] [--left-out-file FILE] [--leave-out 1 12]
        [--films 8] [--seed 1]

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
import gzip
import json
import os
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
from midstance.gait.events_features import (
    ANKLE_X,
    ANKLE_Y,
    HEEL_X,
    HEEL_Y,
    HIP_X,
    HIP_Y,
    KNEE_X,
    KNEE_Y,
    TOE_X,
    TOE_Y,
    WHOLE_LEG,
    FeatureSet,
    deviation_features,
    mean_wave,
    slowness,
)
from midstance.gait.events_model import (
    COEFFICIENT_FILE,
    EventModel,
    KindModel,
    LinearMap,
    Locator,
    Reading,
    Usual,
    Variance,
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
#: Ridge penalty, in units of the features' variance.
DEVIATION_PENALTY = 0.5
NO_VARIANCE: Variance = (1e-6, 0.0, 0.0, 0.0, 0.0)
_FOOT_XY = (ANKLE_X, ANKLE_Y, HEEL_X, HEEL_Y, TOE_X, TOE_Y)
_FOOT_Y = (ANKLE_Y, HEEL_Y, TOE_Y)
_ALL_Y = (HIP_Y, KNEE_Y, *_FOOT_Y)
_ALL_X = (HIP_X, KNEE_X, ANKLE_X, HEEL_X, TOE_X)
Sets = tuple[tuple[FeatureSet, float], ...]

#: What the locators of the fine reading read, each with its ridge penalty. From the side they look at different parts of
#: the movement. Chosen among 19 sets by runners left out, all means of up to four; chosen anew without each runner in
#: turn, 11 of 13 times the same for contacts, and the first or its neighbour in penalty 11 of 13 times for toe-offs.
FINE: dict[tuple[View, EventKind], Sets] = {
    ("side", "initial_contact"): (
        (FeatureSet((("acceleration", _ALL_Y),), 0.040), 0.2),
        (FeatureSet((("acceleration", _FOOT_XY),), 0.040), 0.2),
        (FeatureSet((("acceleration", (TOE_X, TOE_Y, HEEL_X, HEEL_Y)),), 0.050), 0.3),
    ),
    ("side", "toe_off"): (
        (FeatureSet((("acceleration", _ALL_X),), 0.040), 0.6),
        (FeatureSet((("position", _FOOT_Y), ("velocity", _FOOT_XY)), 0.060), 0.3),
        (FeatureSet((("acceleration", (TOE_X, TOE_Y)),), 0.050), 0.3),
        (FeatureSet((("acceleration", (KNEE_X, KNEE_Y, ANKLE_X, ANKLE_Y)),), 0.050), 0.3),
    ),
    **{
        (view, kind): ((FeatureSet((("velocity", _FOOT_Y), ("acceleration", _ALL_Y)), 0.040), 0.5),)
        for view in ("rear", "front")
        for kind in KINDS
    },
}
_ALL = tuple(range(10))
#: Heights and vertical velocities of all points of the leg: what the foot's own points leave open on landmarks of a film,
#: where a foot is placed worse than a knee, these settle. Toe-off from behind also shows in how the foot moves sideways.
_HEIGHTS = FeatureSet((("position", _ALL_Y), ("velocity", _ALL_Y)), 0.100, 11)
_REAR_TOE_OFF = FeatureSet((("position", _FOOT_Y), ("velocity", _ALL)), 0.080)
#: From the side: means of up to three of 39 sets with three penalties each. Of those within 2 % of the best on films and runners
#: left out, the one that does best on films whose kind took no part in the fit at all (fitted to measured runners and tried on
#: invented ones, and the other way round).
PLAIN: dict[tuple[View, EventKind], Sets] = {
    ("side", "initial_contact"): (
        (FeatureSet((("position", _ALL), ("velocity", _ALL)), 0.100, 11), 0.05),
        (FeatureSet((("acceleration", _ALL),), 0.050), 0.3),
        (FeatureSet((("position", _FOOT_Y), ("acceleration", _FOOT_XY)), 0.100, 11), 0.05),
    ),
    ("side", "toe_off"): (
        (FeatureSet((("position", _ALL), ("velocity", _ALL)), 0.100, 11), 1.0),
        (FeatureSet((("acceleration", _ALL),), 0.050), 0.05),
        (FeatureSet((("position", _FOOT_Y), ("velocity", _FOOT_XY)), 0.040, 7), 0.05),
    ),
    ("rear", "initial_contact"): ((_HEIGHTS, 0.3),),
    ("rear", "toe_off"): ((_REAR_TOE_OFF, 0.3),),
    ("front", "initial_contact"): ((_HEIGHTS, 0.05),),
    ("front", "toe_off"): ((_HEIGHTS, 0.05),),
}
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
    mass_kg: float
    height_cm: float

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
            float(d["mass_kg"]),
            float(d["height_cm"]),
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


@attrs.frozen(eq=False)
class Sums:
    """Sums over rows of features and targets, enough for a ridge regression, divided by their number."""

    x: Floats
    y: float
    xx: Floats
    xy: Floats

    @staticmethod
    def of(x: Floats, y: Floats) -> Sums:
        """Sum rows (n, p) and targets (n,)."""
        return Sums(x.mean(axis=0), float(y.mean()), x.T @ x / len(y), x.T @ y / len(y))


def ridge(parts: list[tuple[float, Sums]], penalty: float, *, centred: bool = True) -> LinearMap:
    """Ridge regression on standardised features from weighted sums; each part counts by its weight."""
    total = sum(w for w, _ in parts)
    x, y, xx, xy = (sum(w / total * getattr(s, k) for w, s in parts) for k in ("x", "y", "xx", "xy"))
    mean, intercept = (x, float(y)) if centred else (np.zeros_like(x), 0.0)
    covariance = xx - np.outer(mean, mean)
    scale = np.sqrt(np.maximum(np.diag(covariance), 0.0)) + 1e-6
    gram = covariance / np.outer(scale, scale) + penalty * np.eye(len(x))
    return LinearMap(mean, scale, np.linalg.solve(gram, (xy - mean * intercept) / scale), intercept)


def locator_rows(
    e: Example, features: FeatureSet, kind: EventKind, spread_ms: float, n: int
) -> tuple[Floats, Floats] | None:
    """Features of a leg's mean wave at known offsets from its true event, and the moves that undo them."""
    reader = mean_wave(e.waves, e.chosen)
    if reader is None:
        return None
    true_offset = float(e.truth_s[e.chosen].mean())
    off = np.linspace(-spread_ms, spread_ms, n) * 1e-3
    return np.array([features.read(reader, true_offset + o, kind) for o in off]), -off


#: Sums of one group of legs for the two maps of a locator.
LocatorSums = tuple[Sums, ...]


def locator_sums(examples: list[Example], features: FeatureSet, kind: EventKind) -> LocatorSums:
    """Sum up what a group of legs teaches a locator."""
    out = []
    for spread, n in LOCATOR_SPREADS:
        pairs = [r for e in examples if (r := locator_rows(e, features, kind, spread, n)) is not None]
        out.append(Sums.of(np.concatenate([x for x, _ in pairs]), np.concatenate([y for _, y in pairs])))
    return tuple(out)


def solve_locator(features: FeatureSet, parts: list[tuple[float, LocatorSums]], penalty: float) -> Locator:
    """Fit the pair of maps of a locator to weighted groups of legs."""
    maps = (ridge([(w, sums[i]) for w, sums in parts], penalty) for i in range(len(LOCATOR_SPREADS)))
    return Locator(features, tuple(maps))


def deviation_sums(examples: list[Example]) -> Sums:
    """Sum up what single strides' velocities tell of their event's distance from the mean event."""
    rows, targets = [], []
    for e in examples:
        true_offset = float(e.truth_s[e.chosen].mean())
        features, known, _ = deviation_features(e.waves, e.chosen, true_offset)
        use = e.chosen & (known > 0.99)
        rows.append(features[use])
        targets.append(e.truth_s[use] - true_offset)
    return Sums.of(np.concatenate(rows), np.concatenate(targets))


def usual_sums(examples: list[Example], view: View, kind: EventKind) -> Sums:
    """Sum up how legs move around the event."""
    rows = []
    for e in examples:
        reader = mean_wave(e.waves, e.chosen)
        if reader is not None:
            true_offset = float(e.truth_s[e.chosen].mean())
            rows += [WHOLE_LEG[view].read(reader, true_offset + o, kind) for o in (-0.006, 0.0, 0.006)]
    return Sums.of(np.array(rows), np.zeros(len(rows)))


def solve_usual(parts: list[Sums]) -> Usual:
    """Describe how the legs of the fit move around the event (limit 1, set later)."""
    mean = np.mean([s.x for s in parts], axis=0)
    covariance = np.mean([s.xx for s in parts], axis=0) - np.outer(mean, mean)
    scale = np.sqrt(np.diag(covariance)) + 1e-6
    damped = covariance / np.outer(scale, scale) + 0.2 * np.eye(len(mean))
    return Usual(mean, scale, np.linalg.inv(np.linalg.cholesky(damped)), 1.0)


@attrs.frozen(eq=False)
class Errors:
    """Errors of runners left out: one row an event."""

    error_s: Floats
    common_error_s: Floats
    roughness: Floats
    standard_error_s: Floats
    slowness: Floats
    spread_s: Floats
    strangeness: Floats
    runner: NDArray[np.int64]
    speed_mps: Floats
    strike: NDArray[np.str_]


def errors_of(examples: list[Example], model: KindModel, kind: EventKind, *, plain: bool = False) -> Errors:
    """Apply one reading of a model to examples of runners it hasn't seen."""
    columns: list[list[Any]] = [[] for _ in attrs.fields(Errors)]
    reading = model.plain if plain else model.fine
    for e in examples:
        reader = mean_wave(e.waves, e.chosen)
        found = None if reader is None else reading.find(reader, kind)
        if reader is None or found is None:
            continue
        at_s = found.offset_s
        features, known, roughness = deviation_features(e.waves, e.chosen, at_s)
        use = e.chosen & (known > 0.99)
        error = (at_s + model.deviation(features) - e.truth_s)[use]
        common = at_s - float(e.truth_s[e.chosen].mean())
        spread = reading.standard_error_s(e.waves, e.chosen, kind, at_s)
        strange = model.usual.strangeness(WHOLE_LEG[model.view].read(reader, at_s, kind))
        slow = slowness(reader, at_s, kind, model.view)
        values = (None, common, roughness, spread, slow, found.spread_s, strange, e.runner, e.speed_mps, e.strike)
        for column, value in zip(columns, values, strict=True):
            column.extend(error if value is None else [value] * len(error))
    return Errors(*(np.asarray(c) for c in columns))


def joined(parts: list[Errors]) -> Errors:
    """Put several sets of errors into one."""
    return Errors(*(np.concatenate([getattr(p, f.name) for p in parts]) for f in attrs.fields(Errors)))


def own_sigma_s(errors: Errors) -> float:
    """Return the SD of the events' errors about the one that the strides of their leg share, s."""
    return float(np.std(errors.error_s - errors.common_error_s))


def fit_variance(errors: Errors, weight: Floats | None = None) -> Variance:
    """Fit the terms of ``Reading.variance`` so that 95 % intervals hold 95 % of the errors.

    The shape comes from least squares with no negative term on squared errors, the size from the share
    covered. Each runner counts the same, unless weights (n,) are given.
    """
    terms = (errors.roughness, errors.standard_error_s, errors.slowness, errors.spread_s)
    x = np.stack([np.ones_like(errors.error_s), *(t**2 for t in terms)], axis=1)
    _, inverse, counts = np.unique(errors.runner, return_inverse=True, return_counts=True)
    weight = 1.0 / counts[inverse] if weight is None else weight
    scale = np.maximum(x.mean(axis=0), 1e-12)
    cap = np.quantile(errors.error_s**2, 0.995)
    root = np.sqrt(weight)
    c, _ = nnls(x / scale * root[:, None], np.minimum(errors.error_s**2, cap) / cap * root)
    c = c * cap / scale
    ratio = np.abs(errors.error_s) / np.sqrt(x @ c)
    order = np.argsort(ratio)
    held = np.cumsum(weight[order]) / weight.sum()
    c = c * (ratio[order][np.searchsorted(held, 0.95)] / 1.96) ** 2
    c0, c1, c2, c3, c4 = (float(v) for v in c)
    return c0, c1, c2, c3, c4


class KindFit:
    """All fits of one view and kind: with every runner, and with any runners left out, from the same sums."""

    def __init__(self, examples: list[Example], view: View, kind: EventKind, offset_s: float) -> None:
        self.view, self.kind, self.offset_s = view, kind, offset_s
        self.of_runner: dict[int, list[Example]] = {}
        for e in examples:
            self.of_runner.setdefault(e.runner, []).append(e)
        groups = self.of_runner.items()
        self.fine = [(f, p, {r: locator_sums(es, f, kind) for r, es in groups}) for f, p in FINE[view, kind]]
        self.plain = [(f, p, {r: locator_sums(es, f, kind) for r, es in groups}) for f, p in PLAIN[view, kind]]
        self.deviation = {r: deviation_sums(es) for r, es in groups}
        self.usual = {r: usual_sums(es, view, kind) for r, es in groups}

    def model(self, without: frozenset[int] = frozenset()) -> KindModel:
        """Fit without some runners. Variances and the limit of the usual are not set yet."""
        runners = [r for r in self.of_runner if r not in without]

        def reading(sets: list[tuple[FeatureSet, float, dict[int, LocatorSums]]]) -> Reading:
            locators = (solve_locator(f, [(1.0, sums[r]) for r in runners], p) for f, p, sums in sets)
            return Reading(tuple(locators), NO_VARIANCE, 0.002)

        return KindModel(
            self.view,
            MARKS[self.view, self.kind],
            self.offset_s,
            ACCELERATION_HZ[self.kind],
            reading(self.fine),
            ridge([(1.0, self.deviation[r]) for r in runners], DEVIATION_PENALTY, centred=False),
            reading(self.plain),
            solve_usual([self.usual[r] for r in runners]),
        )

    def errors(self, without: frozenset[int] = frozenset(), *, plain: bool = False) -> Errors:
        """Return the errors of each runner under the fit without them and without those in ``without``."""
        parts = []
        for r, examples in self.of_runner.items():
            if r not in without:
                parts.append(errors_of(examples, self.model(without | {r}), self.kind, plain=plain))
        return joined(parts)

    def calibrated(self, without: frozenset[int] = frozenset()) -> tuple[KindModel, Errors, Errors]:
        """Fit without some runners and set variances and limit from errors that they have no part in."""
        model, fine, plain = self.model(without), self.errors(without), self.errors(without, plain=True)
        limit = float(np.quantile(fine.strangeness, 0.99))
        whole = attrs.evolve(
            model,
            fine=attrs.evolve(model.fine, variance=fit_variance(fine), own_sigma_s=own_sigma_s(fine)),
            plain=attrs.evolve(model.plain, variance=fit_variance(plain), own_sigma_s=own_sigma_s(plain)),
            usual=attrs.evolve(model.usual, limit=float(f"{limit:.6g}")),
        )
        return whole, fine, plain


def build_examples(
    recordings: list[Recording], view: View, kind: EventKind, films: int, seed: int
) -> tuple[float, list[Example]]:
    """Make training films of all recordings; return the usual offset and the aligned strides."""
    offset_s = usual_offset(recordings, view, kind)
    examples: list[Example] = []
    for rec in recordings:
        for i in range(films):
            rng = np.random.default_rng([seed, rec.runner, round(10 * rec.speed_mps), i])
            s = FilmSettings() if i == 0 else random_settings(rng, view)
            examples += examples_of(rec, view, kind, make_film(rec, view, s, rng), s, offset_s)
    return offset_s, examples


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
    recordings: list[Recording], films: int, seed: int, views: tuple[View, ...], left_out: Path | None = None
) -> EventModel:
    """Fit every view and kind; write the side view's fits without each runner to ``left_out``."""
    kinds: dict[tuple[View, EventKind], KindModel] = {}
    figures: dict[str, Any] = {}
    runners = sorted({r.runner for r in recordings})
    without: dict[int, dict[str, Any]] = {r: {} for r in runners}
    for view in views:
        for kind in KINDS:
            offset_s, examples = build_examples(recordings, view, kind, films, seed)
            fit = KindFit(examples, view, kind, offset_s)
            kinds[view, kind], fine, plain = fit.calibrated()
            figures[f"{view}/{kind}"] = {"fine": summary(fine), "plain": summary(plain)}
            print(view, kind, f"offset {1e3 * offset_s:.0f} ms", figures[f"{view}/{kind}"], flush=True)
            for r in runners if left_out is not None and view == "side" else []:
                without[r][f"{view}/{kind}"] = slim(fit.calibrated(frozenset({r}))[0])
    provenance = {
        "fitted_by": "benchmarks/fit_events.py",
        "data": CITATION,
        "licence_of_data": "CC BY 4.0 (from memory)",
        "truth": "vertical force >= 50 N, low-passed at 50 Hz, sampled at 300 Hz",
        "runners": runners,
        "films_per_recording": films,
        "seed": seed,
        "errors_of_runners_left_out_over_all_training_films": figures,
    }
    if left_out is not None:
        write_left_out(left_out, recordings, provenance, without)
    return EventModel(provenance, kinds)


def slim(model: KindModel) -> dict[str, Any]:
    """Return the values of a model for markers alone, with no more figures than a time to 0.01 ms needs."""
    d = model.to_dict()
    d["plain"] = None

    def rounded(x: Any) -> Any:
        if isinstance(x, dict):
            return {k: rounded(v) for k, v in x.items()}
        if isinstance(x, list):
            return [rounded(v) for v in x]
        return float(f"{x:.4g}") if isinstance(x, float) else x

    return {k: rounded(v) for k, v in d.items()}


def write_left_out(path: Path, recordings: list[Recording], provenance: dict[str, Any], without: dict[int, Any]) -> None:
    """Write the fits without each runner, and what the runners' recordings are known by."""
    runners = {}
    for r, models in without.items():
        own = [x for x in recordings if x.runner == r]
        runners[str(r)] = {
            "mass_kg": own[0].mass_kg,
            "height_cm": own[0].height_cm,
            "between_contacts_300ths": [
                [round(300 * d) for d in np.diff(np.sort(np.concatenate(list(x.on_s.values()))))] for x in own
            ],
            "models": models,
        }
    kept = {k: v for k, v in provenance.items() if k != "errors_of_runners_left_out_over_all_training_films"}
    text = json.dumps({"provenance": kept, "runners": runners}, separators=(",", ":"), ensure_ascii=False)
    path.write_bytes(gzip.compress(text.encode("utf-8"), 9, mtime=0))
    print(f"{path}: {path.stat().st_size / 1024:.0f} KiB")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, required=True)
    root = Path(__file__).resolve().parents[1]
    parser.add_argument("--out", type=Path, default=root / "src" / "midstance" / "gait" / "data" / COEFFICIENT_FILE)
    parser.add_argument("--left-out-file", type=Path, help="write the side view's fits without each runner here, too")
    parser.add_argument("--leave-out", type=int, nargs="*", default=[])
    parser.add_argument("--films", type=int, default=8, help="training films made of each recording")
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
    model = fit_all(recordings, args.films, args.seed, tuple(args.views), args.left_out_file)
    if len(args.views) < 3:
        old = EventModel.from_json(args.out.read_text(encoding="utf-8"))
        name = "errors_of_runners_left_out_over_all_training_films"
        model.provenance[name] = {**old.provenance[name], **model.provenance[name]}
        model = attrs.evolve(model, kinds={**old.kinds, **model.kinds})
    args.out.write_text(model.to_json(), encoding="utf-8")
    print(f"{args.out}: {args.out.stat().st_size / 1024:.0f} KiB")


if __name__ == "__main__":
    main()
