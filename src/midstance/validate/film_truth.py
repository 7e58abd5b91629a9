"""The truth of rendered films, in the product's keys, signs and zeros.

A film's folder holds ``video.mp4``, ``truth.json``, ``args`` (view, speed in m/s, height in m, surface) and, at best,
``truth_frames.npz`` with the points of every frame. From the points the truth is worked out anew, by the definitions of the
registry: sagittal angles through the middle of the hip as seen from the side (``*_hip_surface``), frontal ones through the
figure's joint centres, foot angles against the shoe flat on the ground, cubic in time. ``truth.json`` alone has
angles at contact that were interpolated in straight lines between frames, up to 5 deg off at the knee at 60 frames a second.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from midstance.errors import MidstanceError
from midstance.gait.measures_side import KNEE_PEAK_WINDOW, SWING_ANKLE_WINDOW
from midstance.gait.model import SIDES, Floats, Side, View
from midstance.validate.recordings import RecordingError, read_npz

#: What the figure's own foot angle, whose zero is the pose it was built in, reads with the shoe flat on the ground, deg:
#: the two bodies stand in that pose with differently raised heels. Read off the figures' soles; single figures differ by
#: up to 1 deg.
FLAT_SHOE_DEG = {"female": 6.8, "male": 0.6}
#: Frames on each side that the value at contact is drawn from.
BRANCH = 4
#: A frame this near to a contact is at the contact, s.
SAME_S = 2e-4
#: Contacts lie on a grid of so many a second; films of that rate have a frame at each contact.
EXACT_HZ = 239.0


class TruthError(MidstanceError):
    """A film's truth can't be used."""


@attrs.frozen(eq=False)
class TrueContact:
    """One stance: foot, contact and toe-off (s from the first frame) and the true values of measures in it."""

    side: Side
    on_s: float
    off_s: float
    measures: Mapping[str, float]


@attrs.frozen(eq=False)
class FilmTruth:
    """All that is known of a film.

    ``height_m`` and ``speed_mps`` are what a user would type in. ``how`` says what the truth at contact rests on.
    ``shown`` tells whether a foot can be seen at a time.
    """

    view: View
    speed_mps: float
    height_m: float | None
    surface: str
    fps: float
    cadence_steps_min: float
    contacts: tuple[TrueContact, ...]
    how: str
    shown: Callable[[Side, float], bool] = attrs.field(default=lambda side, time_s: True)

    def times(self, side: Side) -> tuple[Floats, Floats]:
        """Return the contacts and toe-offs of a foot, s."""
        mine = [c for c in self.contacts if c.side == side]
        return np.array([c.on_s for c in mine]), np.array([c.off_s for c in mine])


def read_truth(folder: Path) -> FilmTruth:
    """Read the truth of one film.

    Raises
    ------
    TruthError
        It is missing, damaged, or lacks what measures are held against.
    """
    where = folder / "truth.json"
    try:
        raw = json.loads(where.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _fault(f"it can't be read ({error})", where) from error
    try:
        points = folder / "truth_frames.npz"
        frames = read_npz(points) if points.is_file() else None
        return _truth(raw, frames, _args(folder, raw))
    except RecordingError as error:
        raise TruthError(error.what, where=error.where, allowed=error.allowed, next_step=error.next_step) from error
    except (KeyError, IndexError, TypeError, ValueError, AttributeError) as error:
        raise _fault(
            f"something that is needed is missing or senseless ({type(error).__name__}: {error})", where
        ) from error


def _fault(what: str, where: Path) -> TruthError:
    return TruthError(
        what,
        where=str(where),
        allowed="events with side, ic, to and at_ic; summary with belt_speed_m_s and cadence_spm; camera; body; fps",
        next_step="make the film's truth anew, or take the film out of the folder",
    )


def _args(folder: Path, raw: dict[str, Any]) -> tuple[View, float, float | None, str]:
    """Return view, speed, height and surface: from ``args`` where there is one, else from the truth."""
    height = raw.get("body", {}).get("height")
    values = [
        raw["camera"]["view"],
        raw["summary"]["belt_speed_m_s"],
        raw["summary"].get("body_height_m", height),
        "overground" if raw.get("overground") else "treadmill",
    ]
    place = folder / "args"
    if place.is_file():
        given = place.read_text(encoding="utf-8").split()
        values[: len(given)] = given[:4]
    view = str(values[0]).split("_")[0]
    if view not in ("side", "rear", "front"):
        raise ValueError(f"view {values[0]!r}; allowed: side, rear, front")
    if values[3] not in ("treadmill", "overground"):
        raise ValueError(f"surface {values[3]!r}; allowed: treadmill, overground")
    height_m = None if values[2] is None else float(values[2])
    return view, float(values[1]), height_m, str(values[3])  # type: ignore[return-value]


def _truth(
    raw: dict[str, Any], frames: dict[str, Any] | None, args: tuple[View, float, float | None, str]
) -> FilmTruth:
    view, speed, height, surface = args
    events = raw["events"]
    if not events or not all(e["side"] in SIDES and e["to"] > e["ic"] for e in events):
        raise ValueError("no events, or events without length")
    flat = FLAT_SHOE_DEG.get(str(raw.get("body", {}).get("gender")))
    fps = float(raw["fps"])
    if frames is None:
        values = [_from_summary(e, view, flat) for e in events]
        how = "truth.json: angles at contact interpolated in straight lines between frames"
    else:
        values = _from_frames(events, frames, view, flat, raw.get("neutral_foot_deg", {}))
        how = "points of every frame" + (
            ", one of them at each contact"
            if fps >= EXACT_HZ
            else "; at contact from the frames on each side of it (19 in 20 knee angles within 2.5° of finer truth)"
        )
    if flat is None:
        how += "; foot angles left out, for the zero of the shoe is not known"
    shown = _shown(frames, raw) if frames is not None else (lambda side, time_s: True)
    contacts = tuple(
        TrueContact(e["side"], float(e["ic"]), float(e["to"]), v) for e, v in zip(events, values, strict=True)
    )
    return FilmTruth(view, speed, height, surface, fps, float(raw["summary"]["cadence_spm"]), contacts, how, shown)


def _from_summary(e: dict[str, Any], view: View, flat: float | None) -> dict[str, float]:
    """Return what truth.json says about a stance as it stands."""
    out = {"contact_time": e["to"] - e["ic"]}
    at, most = e["at_ic"], e["in_stance"]
    if view != "side":
        out["pelvic_drop_peak"] = most["max_contralateral_pelvic_drop"]
        out["hip_adduction_peak"] = most["max_hip_adduction"]
        out["trunk_side_lean_peak"] = most["max_trunk_lateral_lean_to_stance_side"]
        return out
    out["knee_flexion_contact"] = at["knee_flexion_surface"]
    out["thigh_angle_contact"] = at["thigh_surface"]
    out["shank_angle_contact"] = -at["shank"]
    out["foot_ahead_of_com"] = at["ankle_ahead_of_com_m"]
    if flat is not None:
        out["foot_strike_angle"] = at["foot"] - flat
        out["ankle_dorsiflexion_contact"] = at["ankle_dorsiflexion"] - flat
    return out


def value_at_kink(time_s: Floats, y: Floats, at_s: float) -> float:
    """Return the value of a curve at an instant where its slope may jump.

    The curve on each side is taken as smooth up to the instant, and the value is chosen that serves both sides best: it
    makes the sum of squares of the two highest divided differences, over ``BRANCH`` frames and the instant, least. A
    curve drawn through all frames would round the corner off.
    """
    nearest = int(np.abs(time_s - at_s).argmin())
    if abs(time_s[nearest] - at_s) < SAME_S:
        return float(y[nearest])
    after = int(np.searchsorted(time_s, at_s))
    if after < BRANCH or after + BRANCH > len(time_s):
        return float(CubicSpline(time_s, y)(at_s))
    step = float(np.median(np.diff(time_s)))
    above = below = 0.0
    for part in (slice(after - BRANCH, after), slice(after, after + BRANCH)):
        x = np.concatenate([[at_s], time_s[part]]) / step
        apart = x[:, None] - x[None, :]
        np.fill_diagonal(apart, 1.0)
        weight = 1.0 / apart.prod(axis=1)
        above -= weight[0] * float(weight[1:] @ y[part])
        below += weight[0] ** 2
    return above / below


def _from_vertical(v: Floats) -> Floats:
    """Angle of a vector whose second component points up, from the vertical, deg; + towards the first component."""
    return np.asarray(np.degrees(np.arctan2(v[..., 0], v[..., 1])), dtype=np.float64)


class _Motion:
    """Curves of one figure: angles (deg), distances (m) by name and leg."""

    def __init__(self, frames: Mapping[str, Any], flat: float | None, neutral: Mapping[str, float]) -> None:
        self.time_s: Floats = np.asarray(frames["t"], dtype=np.float64)
        names = [str(n) for n in frames["names"]]
        xyz = np.asarray(frames["xyz"], dtype=np.float64)

        def p(name: str) -> NDArray[np.float64]:
            return np.asarray(xyz[:, names.index(name)], dtype=np.float64)

        shoulders, com = p("mid_shoulder"), p("com")
        middle = 0.5 * (p("left_hip_surface") + p("right_hip_surface"))
        hips, up = p("right_hip") - p("left_hip"), shoulders - p("pelvis")
        right_up = np.degrees(np.arctan2(hips[:, 1], hips[:, 2]))
        to_right = np.degrees(np.arctan2(up[:, 2], up[:, 1]))
        c: dict[str, Floats] = {"trunk": _from_vertical(shoulders - middle), "com_y": com[:, 1]}
        c["knees_apart"] = p("right_knee")[:, 2] - p("left_knee")[:, 2]
        for side in SIDES:
            out = 1.0 if side == "right" else -1.0
            seen, hip = p(f"{side}_hip_surface"), p(f"{side}_hip")
            knee, ankle = p(f"{side}_knee"), p(f"{side}_ankle")
            c[side + " thigh"] = -_from_vertical(seen - knee)
            c[side + " shank"] = -_from_vertical(knee - ankle)
            c[side + " knee"] = c[side + " thigh"] - c[side + " shank"]
            if flat is not None and side in neutral:
                sole = p(f"{side}_toe_tip") - p(f"{side}_heel")
                foot = np.degrees(np.arctan2(sole[:, 1], sole[:, 0])) - neutral[side] - flat
                c[side + " foot"] = foot - 360.0 * np.round(foot / 360.0)
                c[side + " dorsiflexion"] = c[side + " foot"] - c[side + " shank"]
            c[side + " ahead of hip"] = ankle[:, 0] - seen[:, 0]
            c[side + " ahead of com"] = ankle[:, 0] - com[:, 0]
            thigh, shank = hip - knee, knee - ankle
            thigh_in = np.degrees(np.arctan2(out * thigh[:, 2], thigh[:, 1]))
            shank_in = np.degrees(np.arctan2(-out * shank[:, 2], shank[:, 1]))
            c[side + " drop"] = out * right_up
            c[side + " thigh in"] = thigh_in
            c[side + " adduction"] = thigh_in + out * right_up
            c[side + " knee frontal"] = thigh_in + shank_in
            c[side + " side lean"] = out * to_right
            c[side + " ankle z"] = ankle[:, 2]
        self.curves = c
        self._splines: dict[str, CubicSpline] = {}

    def at(self, name: str, when: Floats | float) -> Floats:
        if name not in self._splines:
            self._splines[name] = CubicSpline(self.time_s, self.curves[name])
        return np.asarray(self._splines[name](when), dtype=np.float64)

    def within(self, name: str, low: float, high: float) -> Floats:
        """Return a curve at 200 instants between two times, as far as there are frames."""
        return self.at(name, np.linspace(max(low, self.time_s[0]), min(high, self.time_s[-1]), 200))

    def corner(self, name: str, when: float) -> float:
        return value_at_kink(self.time_s, self.curves[name], when)


def _from_frames(
    events: list[dict[str, Any]],
    frames: Mapping[str, Any],
    view: View,
    flat: float | None,
    neutral: Mapping[str, float],
) -> list[dict[str, float]]:
    motion = _Motion(frames, flat, neutral)
    out = []
    for j, e in enumerate(events):
        times = _times(events, j)
        if "step_time" in times:
            heights = motion.within("com_y", e["ic"], e["ic"] + times["step_time"])
            times["vertical_oscillation"] = float(np.ptp(heights))
        part = _side_view(motion, e, times) if view == "side" else _frontal_view(motion, events, j)
        out.append({k: float(v) for k, v in {**times, **part}.items()})
    return out


def _times(events: list[dict[str, Any]], j: int) -> dict[str, float]:
    side, on, off = events[j]["side"], events[j]["ic"], events[j]["to"]
    later = [e for e in events if e["ic"] > on]
    other = next((e["ic"] for e in later if e["side"] != side), None)
    same = next((e["ic"] for e in later if e["side"] == side), None)
    out = {"contact_time": off - on}
    if other is not None and other - on < 0.7:
        out.update(step_time=other - on, flight_time=other - off)
    if same is not None and same - on < 1.2:
        out.update(stride_time=same - on, swing_time=same - off, duty_factor=(off - on) / (same - on))
    return out


def _side_view(motion: _Motion, e: dict[str, Any], times: dict[str, float]) -> dict[str, Any]:
    side, on, off = e["side"], e["ic"], e["to"]
    thigh, shank = (motion.corner(f"{side} {k}", on) for k in ("thigh", "shank"))
    trunk = motion.at("trunk", on)
    early, late = (on + share * (off - on) for share in KNEE_PEAK_WINDOW)
    out = {
        "thigh_angle_contact": thigh,
        "shank_angle_contact": shank,
        "knee_flexion_contact": thigh - shank,
        "hip_flexion_contact": thigh + trunk,
        "trunk_lean_contact": trunk,
        "trunk_lean_stance": motion.within("trunk", on, off).mean(),
        "knee_flexion_peak_stance": motion.within(side + " knee", early, late).max(),
        "hip_extension_toe_off": -motion.at(side + " thigh", off),
        "foot_ahead_of_hip": motion.at(side + " ahead of hip", on),
        "foot_ahead_of_com": motion.at(side + " ahead of com", on),
    }
    swing = times.get("swing_time")
    if swing is not None:
        out["knee_flexion_peak_swing"] = motion.within(side + " knee", off, off + swing).max()
    if side + " foot" in motion.curves:
        foot = motion.at(side + " foot", on)
        out["foot_strike_angle"], out["ankle_dorsiflexion_contact"] = foot, foot - shank
        out["ankle_dorsiflexion_peak_stance"] = motion.within(side + " dorsiflexion", on, off).max()
        if swing is not None:
            low, high = (off + share * swing for share in SWING_ANKLE_WINDOW)
            out["ankle_dorsiflexion_swing"] = motion.within(side + " dorsiflexion", low, high).max()
    return out


def _frontal_view(motion: _Motion, events: list[dict[str, Any]], j: int) -> dict[str, Any]:
    e = events[j]
    side, on, off = e["side"], e["ic"], e["to"]
    drop = motion.within(side + " drop", on, off)
    middle = 0.5 * (on + off)
    out = {
        "pelvic_drop_peak": drop.max(),
        "pelvic_drop_excursion": drop.max() - drop[0],
        "hip_adduction_peak": motion.within(side + " adduction", on, off).max(),
        "thigh_adduction_peak": motion.within(side + " thigh in", on, off).max(),
        "knee_frontal_angle_peak": motion.within(side + " knee frontal", on, off).max(),
        "trunk_side_lean_peak": motion.within(side + " side lean", on, off).max(),
        "knee_separation": motion.at("knees_apart", middle),
    }
    if j + 1 < len(events) and events[j + 1]["side"] != side:
        after = 0.5 * (events[j + 1]["ic"] + events[j + 1]["to"])
        right, left = (middle, after) if side == "right" else (after, middle)
        out["step_width"] = motion.at("right ankle z", right) - motion.at("left ankle z", left)
    return out


def _shown(frames: Mapping[str, Any], raw: dict[str, Any]) -> Callable[[Side, float], bool]:
    """Tell when a leg lies in the picture, for the 0.15 s around a time, and the runner is there at all."""
    names = [str(n) for n in frames["names"]]
    time_s, uv = np.asarray(frames["t"], dtype=np.float64), np.asarray(frames["uv"], dtype=np.float64)
    size = np.array([raw["camera"]["width"], raw["camera"]["height"]], dtype=np.float64)
    absent = (raw.get("extra") or {}).get("absent") or []
    inside = {}
    for side in SIDES:
        leg = uv[:, [names.index(f"{side}_{p}") for p in ("hip", "knee", "ankle", "heel", "toe_tip")]]
        inside[side] = np.asarray(((leg >= 0) & (leg <= size)).all(axis=(1, 2)), dtype=np.bool_)

    def shown(side: Side, when_s: float) -> bool:
        if any(a - 0.5 <= when_s <= b + 0.5 for a, b in absent):
            return False
        return bool(inside[side][np.abs(time_s - when_s) <= 0.15].all())

    return shown


def read_demo_truth(text: str, surface: str, height_m: float | None, speed_mps: float) -> FilmTruth:
    """Read the truth of a film of the demonstration: the values of each contact, exact by construction."""
    raw = json.loads(text)
    contacts = tuple(
        TrueContact(e["side"], float(e["initial_contact_s"]), float(e["toe_off_s"]), e["measures"])
        for e in raw["events"]
    )
    how = "taken from the motion that was rendered"
    return FilmTruth(
        raw["view"], speed_mps, height_m, surface, float(raw["fps"]), float(raw["cadence_steps_min"]), contacts, how
    )
