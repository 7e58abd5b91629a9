"""The second look at a film: the frames for the stills, and the overlay film.

Only a part of the film is decoded again: a few seconds around the strides that stand for the whole.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from fractions import Fraction
from pathlib import Path
from typing import Literal

import attrs
import cv2
import numpy as np

from midstance.assess.result import Assessment, FilmResult
from midstance.film.drawing import draw_caption, draw_event_mark, draw_skeleton, draw_timeline
from midstance.film.frames import Picture
from midstance.film.overlay import OverlayWriter
from midstance.film.reader import read_frames
from midstance.gait.com import whole_body_com
from midstance.gait.model import LANDMARK_INDEX, SIDES, Floats, PlanePaths, Side, Stance, seen_as
from midstance.report.stills import KINDS, Still, StillKind, StillPoints, draw_still, still_numbers

#: Real time the overlay covers by default, s: about five strides of each leg.
PART_S = 4.0
#: The overlay plays this many times slower than life.
SLOWER = 4
#: Height of the overlay film at most, px.
OVERLAY_HEIGHT = 720
#: Pictures that may wait to be drawn and encoded.
MOST_WAITING = 3
#: How long an event's mark stays, s of real time.
MARK_S = 0.12
#: Measures by which the stride that stands for all is chosen.
TYPICAL_BY = (
    "contact_time", "step_time", "shank_angle_contact", "knee_flexion_contact", "foot_ahead_of_hip",
    "knee_flexion_peak_stance", "pelvic_drop_peak", "hip_adduction_peak", "thigh_adduction_peak", "trunk_side_lean_peak",
)  # fmt: skip
CAPTIONS: dict[StillKind, str] = {
    "initial_contact": "the foot lands",
    "midstance": "the body is over the foot",
    "toe_off": "the foot leaves the ground",
}


@attrs.frozen
class WantedStill:
    """A frame to be drawn as a still: real time of the instant, and the stance it belongs to."""

    side: Side
    kind: StillKind
    stance: Stance
    time_s: float


def window(
    film: FilmResult, stances: Sequence[Stance], part: Literal["part", "whole", "none"]
) -> tuple[float, float]:
    """Return the real time to show: the whole film, or the stretch of ``PART_S`` that holds most used
    strides.
    """
    time_s = film.landmarks.time_s
    first, last = float(time_s[0]), float(time_s[-1])
    if part == "whole" or last - first <= PART_S:
        return first, last
    used = np.array([s.ic.time_s for s in stances if s.excluded is None and s.to is not None])
    starts = np.arange(first, last - PART_S + 1e-9, 0.25)
    # The middle wins a draw: a runner is steadiest there.
    middle = 0.5 * (first + last - PART_S)
    score = [((used >= t) & (used <= t + PART_S)).sum() - 1e-3 * abs(t - middle) for t in starts]
    start = float(starts[int(np.argmax(score))])
    return start, start + PART_S


def typical_stance(
    a: Assessment, film: FilmResult, side: Side, start_s: float, end_s: float
) -> Stance | None:
    """Return the stance nearest to the runner's own medians, of those that lie whole in the window."""
    inside = [
        s for s in a.stances
        if s.ic.view == film.view and s.side == side and s.excluded is None and s.to is not None
        and s.ic.time_s >= start_s + 0.02 and s.to.time_s <= end_s - 0.02
    ]  # fmt: skip
    if not inside:
        return None
    away = {s.index: 0.0 for s in inside}
    for key in TYPICAL_BY:
        values = {
            v.stride: v.value
            for v in a.stride_values
            if (v.measure, v.view, v.side) == (key, film.view, side)
        }
        if len(values) < 3:
            continue
        middle = float(np.median(list(values.values())))
        spread = 1.4826 * float(np.median(np.abs(np.array(list(values.values())) - middle))) + 1e-9
        for s in inside:
            # A stride without the value would leave its still without the number.
            away[s.index] += min(abs(values[s.index] - middle) / spread, 5.0) if s.index in values else 5.0
    return min(inside, key=lambda s: away[s.index])


def midstance_s(film: FilmResult, stance: Stance) -> float:
    """Return when midstance is: the hips pass over the ankle (side), or the middle of stance (rear,
    front).
    """
    assert stance.to is not None
    t0, t1 = stance.ic.time_s, stance.to.time_s
    if seen_as(film.view) == "side":
        plane = film.plane
        hips = 0.5 * (plane.point("left_hip") + plane.point("right_hip"))[:, 0]
        ahead = plane.point(f"{stance.side}_ankle")[:, 0] - hips
        t = plane.time_s
        inside = np.flatnonzero((t >= t0) & (t <= t1) & np.isfinite(ahead))
        if len(inside) >= 2:
            crossing = np.flatnonzero((ahead[inside][:-1] > 0) & (ahead[inside][1:] <= 0))
            if len(crossing):
                return float(t[inside[crossing[0]]])
    return 0.5 * (t0 + t1)


def wanted_stills(a: Assessment, film: FilmResult, start_s: float, end_s: float) -> list[WantedStill]:
    """Return the instants to be drawn: contact, midstance and toe-off of one typical stance of each leg."""
    out = []
    for side in SIDES:
        if a.film("side_far") is not None and film.near_side not in (None, side):
            continue  # with a film of each side, each leg is drawn where it is nearer
        stance = typical_stance(a, film, side, start_s, end_s)
        if stance is None or stance.to is None:
            continue
        times = {
            "initial_contact": stance.ic.time_s,
            "midstance": midstance_s(film, stance),
            "toe_off": stance.to.time_s,
        }
        out += [WantedStill(side, kind, stance, times[kind]) for kind in KINDS]
    return sorted(out, key=lambda w: w.time_s)


def com_px(a: Assessment, film: FilmResult) -> Floats | None:
    """Return the centre of mass in picture pixels, (n, 2), or None where it can't be had."""
    paths = film.landmarks
    flipped = paths.xy * (1.0, -1.0)
    plane = PlanePaths(
        paths.view,
        paths.time_s,
        flipped,
        paths.sigma_px,
        np.asarray(np.isfinite(flipped).all(axis=2)),
        "px",
        film.near_side,
    )
    path = whole_body_com(plane, a.runner.body_table)
    return None if path.reason is not None else np.asarray(path.xy * (1.0, -1.0))


def make_pictures(
    a: Assessment,
    film: FilmResult,
    overlay_file: Path | None,
    part: Literal["part", "whole", "none"],
    progress: Callable[[float], None],
) -> list[Still]:
    """Draw the stills of a film and write its overlay (unless ``part`` is "none" or no file is given)."""
    stances = [s for s in a.stances if s.ic.view == film.view]
    start_s, end_s = window(film, stances, part)
    wanted = wanted_stills(a, film, start_s, end_s)
    centre = com_px(a, film)
    paths = film.landmarks
    note = "invented runner" if a.invented else ""
    stills: list[Still] = []
    writer = None
    size, step = (film.width, film.height), 1
    if overlay_file is not None and part != "none":
        scale = min(1.0, OVERLAY_HEIGHT / film.height)
        size = (2 * round(film.width * scale / 2), 2 * round(film.height * scale / 2))
        step = max(1, round(film.capture_fps / 120.0))
        fps = Fraction(film.capture_fps / step / SLOWER).limit_denominator(1001)
        writer = OverlayWriter(overlay_file, *size, fps, preset="superfast")

    def paint(out: OverlayWriter, whole: Picture, at: int, now: float) -> None:
        canvas = np.asarray(cv2.resize(whole, size, interpolation=cv2.INTER_AREA), np.uint8)
        _draw_overlay(canvas, film, stances, at, now, (start_s, end_s), size[0] / film.width, note)
        out.write(canvas)

    # One other thread draws and encodes, in order, while this one decodes the next pictures.
    painter, waiting = ThreadPoolExecutor(1), deque[Future[None]]()
    frame_s = 1.0 / film.capture_fps
    last_file_s = end_s * film.slowdown + 1e-6
    try:
        with read_frames(
            Path(film.path), start_s=start_s * film.slowdown or None, end_s=last_file_s
        ) as frames:
            for count, frame in enumerate(frames):
                now = frame.file_time_s / film.slowdown
                due = [w for w in wanted if w.time_s <= now + 0.5 * frame_s]
                at = int(np.argmin(np.abs(paths.time_s - now)))
                rgb = None
                if due:
                    rgb = frame.rgb()
                    wanted = wanted[len(due) :]
                    points = StillPoints(
                        _between(paths.time_s, paths.xy, now), _com_at(paths.time_s, centre, now)
                    )
                    for w in due:
                        numbers = still_numbers(a, film.view, w.side, w.kind, w.stance.index)
                        picture = draw_still(
                            rgb.copy(), points, w.kind, numbers,
                            view=film.view, side=w.side, direction=film.direction, note=note,
                        )  # fmt: skip
                        caption = f"{w.side.capitalize()} leg, {now:.2f} s into the film: {CAPTIONS[w.kind]}."
                        stills.append(Still(film.view, w.side, w.kind, w.stance.index, now, picture, caption))
                if writer is not None and count % step == 0:
                    if len(waiting) == MOST_WAITING:
                        waiting.popleft().result()
                    whole = frame.rgb() if rgb is None else rgb
                    waiting.append(painter.submit(paint, writer, whole, at, now))
                progress((now - start_s) / max(end_s - start_s, 1e-9))
        while waiting:
            waiting.popleft().result()
    except BaseException:
        painter.shutdown(wait=True, cancel_futures=True)
        if writer is not None:
            writer.abort()
        raise
    painter.shutdown()
    if writer is not None:
        writer.close()
    return stills


def _between(time_s: Floats, xy: Floats, now: float) -> Floats:
    """Landmarks at a frame's own time; frames between the read ones are interpolated."""
    i = int(np.clip(np.searchsorted(time_s, now), 1, len(time_s) - 1))
    w = float(np.clip((now - time_s[i - 1]) / (time_s[i] - time_s[i - 1]), 0.0, 1.0))
    mixed = (1 - w) * xy[i - 1] + w * xy[i]
    nearest = xy[i] if w >= 0.5 else xy[i - 1]
    return np.asarray(np.where(np.isfinite(mixed), mixed, nearest))


def _com_at(time_s: Floats, centre: Floats | None, now: float) -> Floats | None:
    if centre is None:
        return None
    at = _between(time_s, centre, now)
    return at if bool(np.isfinite(at).all()) else None


def _draw_overlay(
    canvas: np.ndarray, film: FilmResult, stances: Sequence[Stance], at: int, now: float, span: tuple[float, float],
    scale: float, note: str,
) -> None:  # fmt: skip
    paths = film.landmarks
    draw_skeleton(canvas, paths.xy[at], paths.state[at], near_side=film.near_side, scale=scale)
    for s in stances:
        for event in (s.ic, s.to):
            if event is None or not 0 <= now - event.time_s + 0.004 <= MARK_S:
                continue
            place = _between(paths.time_s, paths.xy, event.time_s)
            foot = place[[LANDMARK_INDEX[f"{s.side}_heel"], LANDMARK_INDEX[f"{s.side}_toe"]]]
            if np.isfinite(foot).all():
                x = foot[:, 0].mean() if event.kind == "initial_contact" else foot[1, 0]
                strength = 1 - max(0.0, now - event.time_s) / MARK_S
                draw_event_mark(
                    canvas, (x, foot[:, 1].max()), event.kind, s.side, scale=scale, strength=strength
                )
    draw_timeline(canvas, now, stances, *span)
    text = f"{now:.3f} s · {SLOWER}× slower than life"
    draw_caption(canvas, f"{note} · {text}" if note else text)
