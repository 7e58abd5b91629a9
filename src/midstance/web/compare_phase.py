"""Pictures of two films at the same place of the stride: contact, midstance, toe-off, and everything between.

A stride is cut in two at toe-off: stance runs from 0 to 1, swing from 1 to 2. So the events of both films lie at the same
places, however long stance lasts.
"""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from typing import Any

import attrs
import numpy as np

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, Floats, Side

#: Places of stance, and of swing, that the slider has.
STEPS = 24
#: What is shown without moving anything: place and title. Midstance and midswing are the middle of their time.
STILLS: tuple[tuple[float, str], ...] = ((0.0, "Initial contact"), (0.5, "Midstance"), (1.0, "Toe-off"), (1.5, "Midswing"))
#: Nose to heel as a share of body height, and how much of a picture is shown around the runner, in body heights.
_NOSE_TO_HEEL = 0.92
_AROUND: Mapping[str, tuple[float, float]] = {"side": (1.30, 1.28), "frontal": (0.80, 1.28)}
#: Points of the line that is drawn for a leg: shoulder, hip, knee, ankle, heel, toe and back to the ankle.
_CHAIN = ("shoulder", "hip", "knee", "ankle", "heel", "toe", "ankle")


@attrs.frozen
class Stride:
    """One stride of a film: real times of contact, toe-off and next contact, s."""

    ic_s: float
    to_s: float
    next_s: float

    def time_s(self, place: float) -> float:
        """Return the time at a place from 0 (contact) over 1 (toe-off) to 2 (next contact)."""
        if place <= 1:
            return self.ic_s + place * (self.to_s - self.ic_s)
        return self.to_s + (place - 1) * (self.next_s - self.to_s)


def typical(stances: Sequence[Mapping[str, Any]], side: str) -> Stride | None:
    """Return the stride that is most like the others in length and stance; None when there is no whole one."""
    strides = [
        Stride(float(s["ic_s"]), float(s["to_s"]), float(s["next_ic_s"]))
        for s in stances
        if s["side"] == side and s["excluded"] is None and s["to_s"] is not None and s["next_ic_s"] is not None
    ]
    strides = [s for s in strides if s.ic_s < s.to_s < s.next_s]
    if not strides:
        return None
    lengths = np.array([[s.next_s - s.ic_s, s.to_s - s.ic_s] for s in strides])
    off = np.abs(lengths / np.median(lengths, axis=0) - 1.0).sum(axis=1)
    return strides[int(np.argmin(off))]


def nearest(time_s: Sequence[float], at_s: float) -> int:
    """Return the index of the picture whose time is nearest."""
    times = np.asarray(time_s, float)
    i = int(np.searchsorted(times, at_s))
    if i == 0:
        return 0
    if i == len(times):
        return len(times) - 1
    return i if times[i] - at_s < at_s - times[i - 1] else i - 1


@attrs.frozen
class PhaseFilm:
    """What one film shows over a stride.

    Attributes
    ----------
    film_id, view, side : which film and leg.
    width, height : px of the upright picture; ``box`` is what is shown of it, (width, height) px.
    direction : "+x" or "-x" from the side, else None.
    frames : for each place of the slider: picture, real time s, left and top of the box, points of the leg's line.
    """

    film_id: str
    view: str
    side: str
    width: int
    height: int
    box: tuple[float, float]
    direction: str | None
    frames: tuple[dict[str, Any], ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values for the page's script."""
        return {
            "film": self.film_id,
            "width": self.width,
            "height": self.height,
            "box": [round(v, 1) for v in self.box],
            "frames": list(self.frames),
        }


def places() -> list[float]:
    """Return all places of the slider, 0 to 2."""
    return [i / STEPS for i in range(2 * STEPS + 1)]


def phase_film(payload: Mapping[str, Any], frame_times_s: Sequence[float], side: Side, view: str) -> PhaseFilm | None:
    """Return the pictures of a film's most typical stride of one leg; None when it has no whole stride.

    Parameters
    ----------
    payload : reading of the film (the API's ``/films/{id}/reading``).
    frame_times_s : real time of every picture.
    """
    stride = typical(payload["stances"], side)
    if stride is None or not len(frame_times_s):
        return None
    time_s = np.asarray(payload["time_s"], float)
    xy = np.frombuffer(base64.b64decode(payload["xy"]), "<f4").reshape(-1, len(LANDMARKS), 2).astype(float)
    body = _body_px(xy)
    width, height = int(payload["width"]), int(payload["height"])
    if not np.isfinite(body):
        body = 0.7 * height
    across, high = _AROUND["side" if view.startswith("side") else "frontal"]
    box = (across * body, high * body)
    inside = (time_s >= stride.ic_s - 1e-6) & (time_s <= stride.next_s + 1e-6)
    centre_x, centre_y = _middle(time_s, xy, inside, (width, height))
    frames = []
    for place in places():
        at = stride.time_s(place)
        index = nearest(frame_times_s, at)
        shown_s = float(frame_times_s[index])
        row = int(np.argmin(np.abs(time_s - shown_s))) if len(time_s) else -1
        frames.append(
            {
                "n": index,
                "t": round(shown_s, 4),
                "x": round(centre_x(shown_s) - box[0] / 2, 1),
                "y": round(centre_y - box[1] / 2, 1),
                "leg": _leg(xy[row], side) if row >= 0 and abs(time_s[row] - shown_s) < 0.02 else [],
            }
        )
    return PhaseFilm(
        film_id=str(payload["film_id"]),
        view=view,
        side=side,
        width=width,
        height=height,
        box=box,
        direction=payload.get("direction"),
        frames=tuple(frames),
    )


def _body_px(xy: Floats) -> float:
    feet = [LANDMARK_INDEX[f"{s}_{p}"] for s in ("left", "right") for p in ("heel", "toe")]
    low = np.where(np.isfinite(xy[:, feet, 1]), xy[:, feet, 1], -np.inf).max(axis=1)
    tall = low - xy[:, LANDMARK_INDEX["nose"], 1]
    tall = tall[np.isfinite(tall)]
    return float(np.quantile(tall, 0.9)) / _NOSE_TO_HEEL if len(tall) else float("nan")


def _middle(time_s: Floats, xy: Floats, inside: Any, size: tuple[int, int]) -> tuple[Any, float]:
    """Return where the runner's middle is: across along a straight line over time, as a pass over ground goes along; up as
    one number, so that the rise and fall of the body stays in sight.
    """
    hips = xy[:, [LANDMARK_INDEX["left_hip"], LANDMARK_INDEX["right_hip"]]].mean(axis=1)
    known = np.asarray(inside) & np.isfinite(hips).all(axis=1)
    if int(known.sum()) < 4:
        return (lambda t: size[0] / 2), size[1] / 2
    t, x = time_s[known], hips[known, 0]
    slope, start = np.polyfit(t - t[0], x, 1)
    # The hips lie a little above the middle between crown and feet.
    tall = _body_px(xy)
    middle = float(np.median(hips[known, 1])) + (0.02 * tall if np.isfinite(tall) else 0.0)
    return (lambda at: float(start + slope * (at - t[0]))), middle


def _leg(row: Floats, side: str) -> list[list[float]]:
    points = [row[LANDMARK_INDEX[f"{side}_{p}"]] for p in _CHAIN]
    return [[round(float(x), 1), round(float(y), 1)] for x, y in points if np.isfinite(x + y)]
