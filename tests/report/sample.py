"""An invented assessment with plausible numbers, for tests of outputs; nobody ran this."""

from __future__ import annotations

from typing import Any

import attrs
import numpy as np

from midstance.assess.result import Assessment, Curve, FilmResult
from midstance.findings import find
from midstance.gait.model import (
    LANDMARKS,
    SIDES,
    Event,
    Exclusion,
    LandmarkPaths,
    Measure,
    PlanePaths,
    QualityCheck,
    Runner,
    Scale,
    Side,
    Stance,
    StrideValue,
    View,
)
from midstance.gait.registry import REGISTRY
from midstance.pose.corrections import Applied, Correction
from midstance.report.stills import Still, StillPoints, draw_still, still_numbers

SPEED = 2.9167
STEP_S = 60 / 158.2
#: mean, spread from stride to stride, half-width of the 95 % interval of the mean
PLAUSIBLE: dict[str, tuple[float, float, float]] = {
    "cadence": (158.2, 1.1, 0.4),
    "step_time": (STEP_S, 0.004, 0.0015),
    "stride_time": (2 * STEP_S, 0.006, 0.002),
    "contact_time": (0.262, 0.005, 0.004),
    "flight_time": (0.117, 0.006, 0.005),
    "swing_time": (0.496, 0.006, 0.005),
    "duty_factor": (0.345, 0.006, 0.006),
    "step_length": (1.106, 0.012, 0.012),
    "vertical_oscillation": (0.108, 0.004, 0.006),
    "vertical_force_peak_estimated": (2.27, 0.04, 0.05),
    "vertical_stiffness": (21.4, 0.9, 1.3),
    "leg_stiffness": (8.9, 0.5, 0.9),
    "foot_strike_angle": (21.3, 1.6, 2.1),
    "shank_angle_contact": (13.4, 1.2, 1.8),
    "knee_flexion_contact": (7.1, 1.7, 2.0),
    "thigh_angle_contact": (27.4, 1.3, 1.7),
    "hip_flexion_contact": (35.5, 1.5, 2.2),
    "ankle_dorsiflexion_contact": (5.9, 2.0, 2.4),
    "trunk_lean_contact": (8.4, 0.7, 1.2),
    "trunk_lean_stance": (7.8, 0.6, 1.1),
    "knee_flexion_peak_stance": (40.6, 1.4, 1.9),
    "ankle_dorsiflexion_peak_stance": (24.8, 1.5, 2.2),
    "hip_extension_toe_off": (22.1, 1.2, 1.8),
    "knee_flexion_peak_swing": (96.0, 3.2, 2.9),
    "foot_ahead_of_hip": (0.334, 0.012, 0.014),
    "foot_ahead_of_hip_leg": (0.371, 0.013, 0.016),
    "foot_ahead_of_com": (0.287, 0.012, 0.016),
    "foot_ahead_of_com_leg": (0.318, 0.013, 0.018),
    "pelvic_drop_peak": (3.9, 1.0, 2.6),
    "pelvic_drop_excursion": (4.6, 1.1, 2.0),
    "hip_adduction_peak": (10.4, 1.2, 2.7),
    "knee_frontal_angle_peak": (6.0, 1.5, 2.8),
    "trunk_side_lean_peak": (1.2, 0.8, 1.4),
    "step_width": (0.061, 0.014, 0.016),
    "knee_separation": (0.105, 0.012, 0.02),
}
UNMEASURED: dict[str, str] = {
    "ankle_dorsiflexion_swing": "the swinging foot is blurred in more than half of the strides",
    "rearfoot_eversion_peak": "needs the line of the heel, which film without stickers doesn't show",
    "rearfoot_inversion_contact": "needs the line of the heel, which film without stickers doesn't show",
}
METHODS = {
    "time": "events from heel and toe paths, sub-frame",
    "side": "landmarks in the plane of running, mean over strides",
    "frontal": "landmarks in the frontal plane, mean over strides",
    "estimate": "spring-mass model from contact and flight times; an estimate, not a measurement",
}


def _measures(view: View, rng: np.random.Generator) -> tuple[list[Measure], list[StrideValue]]:
    measures: list[Measure] = []
    values: list[StrideValue] = []
    for key, info in REGISTRY.items():
        if view not in info.views or key == "speed" or (info.group in ("time", "estimate") and view != "side"):
            continue
        method = METHODS[info.group]
        sides = info.sides if key != "trunk_lean_stance" else ("both",)
        if key in UNMEASURED:
            for side in sides:
                measures.append(Measure(key, side, view, info.unit, None, None, None, 0, method, reason=UNMEASURED[key]))
            continue
        if key not in PLAUSIBLE:
            continue
        mean, spread, half = PLAUSIBLE[key]
        for side in sides:
            shift = {"left": -0.3, "right": 0.3, "both": 0.0}[side] * spread
            v = mean + shift
            n = 26 if side == "both" else 13
            measures.append(Measure(key, side, view, info.unit, v, v - half, v + half, n, method))
            if side != "both":
                for stride in range(13):
                    x = v + float(rng.normal(0, spread))
                    own = 1.6 * half
                    t = 0.16 + stride * 2 * STEP_S + (STEP_S if side == "right" else 0)
                    values.append(
                        StrideValue(key, side, view, info.unit, 2 * stride + (side == "right"), t, x, x - own, x + own)
                    )
    return measures, values


def _shape(key: str, q: np.ndarray) -> np.ndarray:
    """Rough but running-like curves over the stride, q in 0–1."""

    def bump(centre: float, width: float) -> np.ndarray:
        d = (q - centre + 0.5) % 1 - 0.5
        return np.asarray(np.exp(-0.5 * (d / width) ** 2))

    table = {
        "knee_flexion": 8 + 33 * bump(0.16, 0.09) + 90 * bump(0.68, 0.12),
        "thigh_angle": -24 + 60 * bump(0.86, 0.2) + 12 * bump(0.05, 0.1),
        "ankle_dorsiflexion": 2 + 22 * bump(0.2, 0.09) - 24 * bump(0.4, 0.06),
        "trunk_lean": 7.8 + 1.5 * np.cos(4 * np.pi * (q - 0.3)),
        "com_height": 0.02 * np.cos(4 * np.pi * (q - 0.45)) + 0.02,
        "pelvic_drop": 4 * bump(0.15, 0.09) - 4 * bump(0.65, 0.1),
        "hip_adduction": 10 * bump(0.16, 0.1) - 3 * bump(0.6, 0.15),
    }
    return np.asarray(table[key])


CURVES: dict[View, tuple[tuple[str, str, str, tuple[str, ...]], ...]] = {
    "side": (
        ("knee_flexion", "Knee flexion", "deg", ("knee_flexion_contact", "knee_flexion_peak_stance")),
        ("thigh_angle", "Thigh angle from the vertical", "deg", ("thigh_angle_contact",)),
        ("ankle_dorsiflexion", "Ankle dorsiflexion", "deg", ("ankle_dorsiflexion_peak_stance",)),
        ("trunk_lean", "Trunk lean", "deg", ("trunk_lean_stance",)),
        ("com_height", "Height of the centre of mass", "m", ("vertical_oscillation",)),
    ),
    "rear": (
        ("pelvic_drop", "Pelvic drop", "deg", ("pelvic_drop_peak",)),
        ("hip_adduction", "Hip adduction", "deg", ("hip_adduction_peak",)),
    ),
    "front": (),
}


def _curves(view: View, rng: np.random.Generator) -> list[Curve]:
    q = np.linspace(0, 1, 101)
    out = []
    for key, title, unit, measures in CURVES[view]:
        base = _shape(key, q)
        size = float(np.ptp(base))
        for side in SIDES:
            rows = base + rng.normal(0, 0.04 * size, (12, 1)) + 0.02 * size * rng.normal(0, 1, (12, 1)) * np.sin(7 * q)
            rows += (0.02 if side == "right" else -0.02) * size
            if key == "ankle_dorsiflexion":
                rows[:, 60:72] = np.nan  # the foot is blurred there
            out.append(Curve(key, title, unit, view, side, rows, rows.mean(axis=0), 34.5, measures))
    return out


def stick_figure(view: View, kind: str) -> np.ndarray:
    """(33, 2) pixels in a 720 × 960 picture: a figure at an instant of running, facing right in the side
    view.
    """
    at: dict[str, tuple[float, float]] = {}
    if view == "side":
        leg = {
            "initial_contact": ((520, 560), (585, 705), (575, 712), (640, 690)),
            "midstance": ((505, 570), (480, 715), (455, 735), (530, 735)),
            "toe_off": ((435, 560), (345, 680), (322, 690), (372, 735)),
        }[kind]
        other = ((470, 580), (360, 600), (345, 590), (350, 660))
        at |= dict(zip(("right_knee", "right_ankle", "right_heel", "right_toe"), leg, strict=True))
        at |= dict(zip(("left_knee", "left_ankle", "left_heel", "left_toe"), other, strict=True))
        at |= {
            "left_hip": (468, 410),
            "right_hip": (462, 410),
            "left_shoulder": (500, 200),
            "right_shoulder": (492, 200),
        }
        at |= {"nose": (545, 135), "left_ear": (505, 130), "right_ear": (505, 130)}
        at |= {
            "left_elbow": (440, 290),
            "left_wrist": (520, 330),
            "right_elbow": (510, 310),
            "right_wrist": (590, 280),
        }
    else:
        at |= {
            "left_hip": (440, 425),
            "right_hip": (530, 405),
            "left_shoulder": (410, 210),
            "right_shoulder": (550, 205),
        }
        at |= {
            "left_knee": (455, 570),
            "left_ankle": (450, 640),
            "left_heel": (450, 650),
            "left_toe": (450, 690),
        }
        at |= {
            "right_knee": (505, 560),
            "right_ankle": (500, 710),
            "right_heel": (500, 730),
            "right_toe": (510, 735),
        }
        at |= {"nose": (480, 120), "left_ear": (460, 125), "right_ear": (500, 125)}
        at |= {
            "left_elbow": (370, 300),
            "left_wrist": (400, 370),
            "right_elbow": (590, 300),
            "right_wrist": (560, 370),
        }
    xy = np.full((33, 2), np.nan)
    for i, name in enumerate(LANDMARKS):
        xy[i] = at.get(name, at["nose"] if i < 11 else at[f"{name.split('_')[0]}_wrist"] if "_" in name else at["nose"])
    return xy


def picture(view: View, kind: str) -> np.ndarray:
    """An RGB picture, 720 × 960, with a soft figure on a graded background."""
    import cv2

    h, w = 780, 960
    y = np.linspace(0, 1, h)[:, None, None]
    base = (190 - 90 * y) * np.array([1.0, 0.98, 0.94]) * np.ones((1, w, 1))
    img = base.astype(np.uint8)
    img[745:] = (92, 88, 84)
    xy = stick_figure(view, kind)
    p = {n: tuple(int(v) for v in xy[i]) for i, n in enumerate(LANDMARKS)}
    for side, shade in (("left", (60, 74, 92)), ("right", (84, 104, 130))):
        for a, b, t in (
            ("hip", "knee", 54),
            ("knee", "ankle", 36),
            ("heel", "toe", 24),
            ("shoulder", "elbow", 30),
            ("elbow", "wrist", 22),
        ):
            cv2.line(img, p[f"{side}_{a}"], p[f"{side}_{b}"], shade, t, cv2.LINE_AA)
    cv2.line(img, p["left_shoulder"], p["left_hip"], (146, 60, 52), 80, cv2.LINE_AA)
    cv2.line(img, p["right_shoulder"], p["right_hip"], (146, 60, 52), 80, cv2.LINE_AA)
    cv2.circle(img, (p["nose"][0] - 20, p["nose"][1]), 48, (190, 150, 126), -1, cv2.LINE_AA)
    return img


def sample_stills(a: Assessment) -> list[Still]:
    """Annotated stills of both sides and three instants of every film."""
    out = []
    for film in a.films:
        for side in SIDES:
            for kind in ("initial_contact", "midstance", "toe_off"):
                xy = stick_figure(film.view, kind)
                if side == "left":
                    order = [LANDMARKS.index(_other(n)) for n in LANDMARKS]
                    xy = xy[order]
                rgb = draw_still(
                    picture(film.view, kind),
                    StillPoints(xy=xy, com=np.array([478.0, 400.0])),
                    kind,
                    still_numbers(a, film.view, side, kind),
                    view=film.view,
                    side=side,
                    direction=film.direction,
                )
                out.append(Still(film.view, side, kind, 6, 4.213, rgb, "Stride 7 of 13, nearest to the mean."))
    return out


def _other(name: str) -> str:
    if name.startswith("left_"):
        return "right_" + name[5:]
    if name.startswith("right_"):
        return "left_" + name[6:]
    return name


def _film(view: View, rng: np.random.Generator, frames: int = 40) -> FilmResult:
    fps = 240.0 if view == "side" else 60.0
    t = np.arange(frames) / fps
    k = len(LANDMARKS)
    xy = stick_figure(view, "midstance")[None] + rng.normal(0, 1, (frames, k, 2))
    state = np.zeros((frames, k), np.uint8)
    xy[3, 5] = np.nan
    state[3, 5] = 4
    paths = LandmarkPaths(view, t, xy, np.full((frames, k), 0.9), np.full((frames, k), 1.5), state)
    plane = PlanePaths(view, t, xy, np.full((frames, k), 1.5), np.ones((frames, k), bool), "px", "right")
    rate: Any = ("usable", "wider intervals", "Film at 120 frames a second or more.")
    if fps > 100:
        rate = ("good", "none", "")
    quality: tuple[QualityCheck, ...] = (
        QualityCheck("frame rate", fps, "frames/s", "at least 60, better 120 to 240", *rate),
        QualityCheck("runner's height in the picture", 556.0, "px", "at least 400", "good", "none", ""),
        QualityCheck(
            "motion blur on the foot", 3.1, "cm", "at most 1", "unfit", "not measurable",
            "Set the shutter to 1/500 s or shorter and bring more light.", ("ankle_dorsiflexion_swing",),
        ),
        QualityCheck("camera tilt", 0.4, "deg", "at most 1", "good", "none", ""),
        QualityCheck("people in the picture", 1.0, "", "1", "good", "none", ""),
        QualityCheck("light", None, "", "", "unknown", "none", ""),
    )  # fmt: skip
    return FilmResult(
        view=view,
        path=f"films/{view}.mp4",
        name=f"{view}.mp4",
        sha256="ab" * 32,
        width=1280,
        height=720,
        frames=int(10 * fps),
        duration_s=10.0,
        capture_fps=fps,
        capture_source="stored in the film",
        slowdown=1.0,
        direction={"side": "left to right", "rear": "away from camera", "front": "towards camera"}[view],
        near_side="right" if view == "side" else None,
        quality=quality,
        landmarks=paths,
        plane=plane,
        scale=Scale(0.00319, 0.012, "body height") if view == "side" else None,
        scale_notes=("body height gives 3.19 mm per px, belt speed 3.23 mm per px: they differ by 1.2 %",)
        if view == "side"
        else (),
        duplicate_frames=2 if view == "rear" else 0,
    )


def sample_assessment(views: tuple[View, ...] = ("side", "rear"), **changes: Any) -> Assessment:
    """Return the invented assessment; ``changes`` replace its attributes."""
    rng = np.random.default_rng(7)
    films = tuple(_film(v, rng) for v in views)
    measures: list[Measure] = []
    values: list[StrideValue] = []
    curves: list[Curve] = []
    events: list[Event] = []
    stances: list[Stance] = []
    for view in views:
        ms, vs = _measures(view, rng)
        measures += ms
        values += vs
        curves += _curves(view, rng)
        wide = 0.003 if view == "side" else 0.009
        for i in range(28):
            side: Side = SIDES[i % 2]
            t = 0.16 + i * STEP_S
            ic = Event(view, side, "initial_contact", t, t - wide, t + wide)
            to = Event(view, side, "toe_off", t + 0.262, t + 0.262 - wide, t + 0.262 + wide)
            events += [ic, to]
            stances.append(Stance(i, side, ic, to, None, None, "no next contact" if i > 25 else None))
    measures.append(Measure("speed", "both", "side", "m/s", SPEED, SPEED - 0.03, SPEED + 0.03, 26, "given"))
    a = Assessment(
        software="midstance 0.1.0",
        runner=Runner(1.70, 61.0, "female"),
        runner_label="Invented runner P1",
        speed_mps=SPEED,
        surface="treadmill",
        films=films,
        events=tuple(events),
        stances=tuple(stances),
        stride_values=tuple(values),
        curves=tuple(curves),
        measures=tuple(measures),
        findings=tuple(find(measures, speed_mps=SPEED)),
        exclusions=tuple(
            Exclusion(view, f"{side} stride {n}", reason)
            for view in views
            for side, n, reason in (
                ("left", 14, "the film ends before the next contact"),
                ("right", 14, "the film ends before the next contact"),
                ("right", 3, "the ankle was hidden for 9 frames around contact"),
            )
        ),
        settings={"cutoff_hz": 12.0, "landmark_model": "heavy", "start_s": None},
        invented=True,
        corrections=(
            Applied(
                Correction("landmark", "side", 1.25, landmark="left_ankle", x_px=610.0, y_px=640.0, by="A. May",
                           at="2026-11-25", note="hidden by the rail"),
                "moved by 12.0 px",
            ),
            Applied(
                Correction("event", "side", 2.99, side="left", event="toe_off", remove=True),
                "toe-off at 2.9900 s taken away",
            ),
            Applied(Correction("swap_legs", "side", 3.0, to_s=3.2), "left and right leg exchanged in 24 frames"),
        ),
    )  # fmt: skip
    return attrs.evolve(a, **changes)
