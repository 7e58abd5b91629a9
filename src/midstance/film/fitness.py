"""Is this film fit to measure? Looks at a thin sample of its pictures and says what limits the measures.

All limits are engineering judgement or common practice without a source unless a check says otherwise. A
check that the film gives no evidence for says "unknown"; nothing is guessed.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import ArrayLike, NDArray

from midstance.film.clock import CaptureClock, TimingReport
from midstance.film.frames import FilmInfo, Frame, Picture
from midstance.film.picture_checks import (
    Box,
    background_shift_px,
    edge_width_px,
    noise_level,
    picture_roll,
)
from midstance.film.verdicts import (
    ALL_ANGLES,
    EVENT_MEASURES,
    FOOT_MEASURES,
    HEAD_MEASURES,
    STILL_CAMERA_MEASURES,
    UPRIGHT_MEASURES,
    Verdict,
    make_check,
)
from midstance.gait.model import LANDMARK_INDEX, LandmarkPaths, QualityCheck, View

Floats = NDArray[np.float64]

SAMPLE_S = 1.0 / 15.0  # file time between samples
SAMPLE_FRAMES = 4  # and never more often than this, to keep the cost under 1 ms a picture of the film
_SHIFT_WIDTH, _LINES_WIDTH = 320, 640
_ROLL_EVERY, _ROLL_MOST = 40, 6

_FEET = {
    side: (LANDMARK_INDEX[f"{side}_heel"], LANDMARK_INDEX[f"{side}_toe"], LANDMARK_INDEX[f"{side}_ankle"])
    for side in ("left", "right")
}
_FOOT_POINTS = [i for points in _FEET.values() for i in points]
_NOSE = LANDMARK_INDEX["nose"]


@attrs.frozen
class _FootLook:
    """Edge widths of one foot in one sampled picture, px, across and down."""

    file_time_s: float
    side: str
    across_px: float
    down_px: float


class FitnessMeter:
    """Gathers evidence about a film while it is being tracked, then judges it.

    Offer it every frame, or any subset: it takes one about every fifteenth of a second of file time and turns
    the others away at once. Memory: a few numbers for each sample.
    """

    def __init__(self, info: FilmInfo, view: View) -> None:
        self._info, self._view = info, view
        self._next_s, self._next_index = -1.0, -1
        self._samples = 0
        self._heights: list[float] = []
        self._cut_feet = self._cut_head = 0
        self._people_known = self._crowded = 0
        self._shift_times: list[float] = []
        self._shifts: list[tuple[float, float]] = []
        self._before: tuple[float, Picture, Box | None] | None = None
        self._rolls: list[tuple[float, str]] = []
        self._light: list[tuple[float, float, float, float]] = []
        self._noise: list[float] = []
        self._feet: list[_FootLook] = []

    def wants(self, frame: Frame) -> bool:
        """Whether ``add`` would look at this frame."""
        return frame.file_time_s >= self._next_s and frame.index >= self._next_index

    def add(self, frame: Frame, xy33_px: ArrayLike | None, n_people: int | None) -> None:
        """Look at a frame.

        Parameters
        ----------
        frame
            The picture.
        xy33_px : (33, 2) landmarks of the runner in film pixels (NaN where missing), or None when there is no
            runner.
        n_people
            People seen in the picture, or None when they were not counted in it.
        """
        if not self.wants(frame):
            return
        self._next_s, self._next_index = frame.file_time_s + SAMPLE_S, frame.index + SAMPLE_FRAMES
        self._samples += 1
        if n_people is not None:
            self._people_known += 1
            self._crowded += n_people > 1
        xy = None if xy33_px is None else np.asarray(xy33_px, dtype=np.float64)
        box = None if xy is None else _box(xy)
        height_px = float("nan")
        if xy is not None and box is not None:
            height_px = self._add_runner(xy)
        small = frame.gray_small(_SHIFT_WIDTH)
        ratio = small.shape[1] / frame.width
        small_box = None if box is None else _scaled(_grown(box, 0.12), ratio)
        self._add_shift(frame.file_time_s, small, small_box)
        self._add_light(small, None if box is None else _scaled(box, ratio))
        if (self._samples - 1) % _ROLL_EVERY == 0 and len(self._rolls) < _ROLL_MOST:
            lines_box = None if box is None else _scaled(_grown(box, 0.05), _LINES_WIDTH / frame.width)
            lines = frame.gray_small(min(_LINES_WIDTH, frame.width))
            roll = picture_roll(lines, lines_box, level_lines_too=self._view == "side")
            if roll is not None:
                self._rolls.append((roll.angle_deg, roll.source))
            self._add_noise(frame, box)
        if xy is not None and np.isfinite(height_px):
            self._add_feet(frame, xy, height_px)

    def checks(
        self, paths: LandmarkPaths, clock: CaptureClock, timing: TimingReport
    ) -> tuple[QualityCheck, ...]:
        """Judge the film. ``paths`` are the runner's landmarks over real time; the order of the checks is
        fixed.
        """
        body_px = float(np.quantile(self._heights, 0.9)) if self._heights else float("nan")
        return (
            self._frame_rate(clock, timing),
            self._lost_frames(timing),
            self._length(paths),
            self._pixels(body_px),
            self._size(body_px),
            self._cut_off(),
            self._blur(paths, clock, body_px),
            self._camera_motion(clock, body_px),
            self._camera_roll(),
            self._people(),
            *self._light_checks(),
        )

    def exposure_s(self, paths: LandmarkPaths, clock: CaptureClock) -> float | None:
        """Return the exposure time of a picture, s of real time, as far as smeared edges of the feet tell; else None."""
        found = self._exposure(paths, clock)
        return found[0] if found is not None else None

    # --- gathering ---

    def _add_runner(self, xy: Floats) -> float:
        width, height = self._info.width, self._info.height
        feet, nose = xy[_FOOT_POINTS], xy[_NOSE]
        feet = feet[np.isfinite(feet).all(axis=1)]
        if len(feet) == 0 or not np.isfinite(nose).all():
            return float("nan")
        body = float(np.max(feet[:, 1]) - nose[1])
        if body <= 0:
            return float("nan")
        self._heights.append(body)
        x, y = feet[:, 0], feet[:, 1]
        edge = 1.0
        self._cut_feet += bool(np.any((x <= edge) | (x >= width - edge) | (y >= height - edge) | (y <= edge)))
        # The crown is about 0.08 of nose-to-heel above the nose (from body proportions, from memory).
        crown = nose[1] - 0.08 * body
        self._cut_head += bool(crown < 0 or nose[0] <= edge or nose[0] >= width - edge)
        return body

    def _add_shift(self, time_s: float, small: Picture, box: Box | None) -> None:
        if self._before is not None:
            shift = background_shift_px(self._before[1], small, self._before[2], box)
            if shift is not None:
                scale = self._info.width / small.shape[1]
                self._shift_times.append(time_s - self._before[0])
                self._shifts.append((shift[0] * scale, shift[1] * scale))
        self._before = (time_s, small, box)

    def _add_light(self, small: Picture, box: Box | None) -> None:
        if box is None:
            return
        x0, y0 = max(0, int(box[0])), max(0, int(box[1]))
        part = small[y0 : max(y0, int(box[3])), x0 : max(x0, int(box[2]))]
        if part.size < 50:
            return
        low, middle, high = np.quantile(part, (0.05, 0.5, 0.95))
        clipped = float(np.mean((part <= 17) | (part >= 234)))
        self._light.append((float(middle), float(low), float(high), clipped))

    def _add_noise(self, frame: Frame, box: Box | None) -> None:
        side = max(32, min(96, frame.width // 8))
        best = float("inf")
        for fx in (0.02, 0.35, 0.65, 0.98):
            for fy in (0.05, 0.5, 0.95):
                x, y = int(fx * (frame.width - side)), int(fy * (frame.height - side))
                if box is not None and x < box[2] and x + side > box[0] and y < box[3] and y + side > box[1]:
                    continue
                patch = frame.gray_region(x, y, x + side, y + side)
                if 24 < float(patch.mean()) < 228:  # clipped patches have no noise to show
                    best = min(best, noise_level(patch))
        if np.isfinite(best):
            self._noise.append(best)

    def _add_feet(self, frame: Frame, xy: Floats, body_px: float) -> None:
        half = max(10, round(0.055 * body_px))
        reach = max(5, round(0.05 * body_px))
        for side, points in _FEET.items():
            foot = xy[list(points[:2])]
            if not np.isfinite(foot).all():
                continue
            x, y = foot.mean(axis=0)
            patch = frame.gray_region(round(x) - half, round(y) - half, round(x) + half, round(y) + half)
            if min(patch.shape, default=0) < half:
                continue
            wide, high = edge_width_px(patch, 1, reach), edge_width_px(patch, 0, reach)
            self._feet.append(_FootLook(frame.file_time_s, side, wide, high))

    # --- judging ---

    def _frame_rate(self, clock: CaptureClock, timing: TimingReport) -> QualityCheck:
        fps = clock.capture_fps * (1.0 - timing.duplicate_fraction)
        good = 100.0 if self._view == "side" else 50.0
        verdict: Verdict = "good" if fps >= good * 0.99 else "usable" if fps >= 23.5 else "unfit"
        advice = {
            "good": "",
            "usable": "Film in slow motion (120 or 240 pictures a second): contact times become several "
            "times surer.",
            "unfit": "Film at 60 pictures a second or more, best in slow motion at 120 or 240.",
            "unknown": "",
        }[verdict]
        return make_check(
            "frame_rate",
            round(fps, 2),
            "pictures/s",
            f"good from {good:.0f}, unfit below 24",
            verdict,
            advice,
            EVENT_MEASURES if verdict == "unfit" else (),
        )

    def _lost_frames(self, timing: TimingReport) -> QualityCheck:
        share = 100.0 * (timing.dropped_fraction + timing.duplicate_fraction)
        verdict: Verdict = "good" if share <= 1.0 else "usable" if share <= 30.0 else "unfit"
        return make_check(
            "lost_frames",
            round(share, 2),
            "%",
            "good up to 1 % dropped or repeated, unfit above 30 %",
            verdict,
            ""
            if verdict == "good"
            else "Use the original film, not one sent through a messenger or "
            "re-saved; free the "
            "phone's storage and close other apps before filming.",
            EVENT_MEASURES if verdict == "unfit" else (),
        )

    def _length(self, paths: LandmarkPaths) -> QualityCheck:
        limit = "good from 7 strides a leg, unfit below 2"
        advice = "Film 20 to 30 s of steady running, or several passes."
        strides = strides_per_leg(paths)
        if strides is None:
            return make_check("film_length", None, "strides per leg", limit, "unknown", advice)
        verdict: Verdict = "good" if strides >= 7 else "usable" if strides >= 2 else "unfit"
        # Seven: means of two-dimensional angles were stable after 6.3 steps (Dingenen et al. 2018, Phys Ther
        # Sport 33:40–47, read in abstract).
        return make_check(
            "film_length",
            round(strides, 1),
            "strides per leg",
            limit,
            verdict,
            "" if verdict == "good" else advice,
            ALL_ANGLES if verdict == "unfit" else (),
        )

    def _pixels(self, body_px: float) -> QualityCheck:
        limit = "good from 400 px nose to heel, unfit below 120 px"
        advice = "Go nearer, zoom in, or film in 1080p or 4K with the phone upright."
        if not np.isfinite(body_px):
            return make_check("pixels_per_body_height", None, "px", limit, "unknown", advice)
        verdict: Verdict = "good" if body_px >= 400 else "usable" if body_px >= 120 else "unfit"
        # The landmark model sees the runner at about 250 px; below that its errors grow as pixels get fewer.
        factor = float(np.clip(250.0 / body_px, 1.0, 2.5))
        return make_check(
            "pixels_per_body_height",
            round(body_px),
            "px",
            limit,
            verdict,
            "" if verdict == "good" else advice,
            ALL_ANGLES if verdict == "unfit" else (),
            factor,
        )

    def _size(self, body_px: float) -> QualityCheck:
        limit = "good from 50 % of the picture's height, usable from 25 %"
        advice = "Let the runner fill 60 to 80 % of the picture's height: go nearer or zoom in."
        if not np.isfinite(body_px):
            return make_check("runner_size", None, "%", limit, "unknown", advice)
        # Nose to heel is about 0.92 of the height (from memory).
        share = 100.0 * body_px / 0.92 / self._info.height
        verdict: Verdict = "good" if share >= 50 else "usable"
        return make_check(
            "runner_size",
            round(share, 1),
            "%",
            limit,
            verdict,
            "" if verdict == "good" else advice,
            widens=False,
        )

    def _cut_off(self) -> QualityCheck:
        limit = "good up to 5 % of pictures, unfit above 40 %"
        advice = "Leave room above the head, below the feet and on both sides."
        seen = len(self._heights)
        if seen == 0:
            return make_check("runner_cut_off", None, "%", limit, "unknown", advice)
        feet, head = 100.0 * self._cut_feet / seen, 100.0 * self._cut_head / seen
        worst = max(feet, head)
        verdict: Verdict = "good" if worst <= 5 else "usable" if worst <= 40 else "unfit"
        measures: tuple[str, ...] = ()
        if feet > 40:
            measures += EVENT_MEASURES + FOOT_MEASURES
        if head > 40:
            measures += HEAD_MEASURES
        return make_check(
            "runner_cut_off",
            round(worst, 1),
            "%",
            limit,
            verdict,
            "" if verdict == "good" else advice,
            tuple(dict.fromkeys(measures)),
        )

    def _blur(self, paths: LandmarkPaths, clock: CaptureClock, body_px: float) -> QualityCheck:
        limit = "good up to 0.4 % of nose-to-heel height, unfit above 2 %"
        advice = "More light and a shorter exposure: 1/500 s or less, best 1/1000 s."
        found = self._exposure(paths, clock)
        if found is None or not np.isfinite(body_px):
            return make_check("foot_blur", None, "% of body height", limit, "unknown", advice)
        exposure_s, upper_s, speed = found
        share, upper = 100.0 * exposure_s * speed / body_px, 100.0 * upper_s * speed / body_px
        if upper > 2.0 and share <= 0.4:
            return make_check("foot_blur", None, "% of body height", limit, "unknown", advice)
        verdict: Verdict = "good" if share <= 0.4 else "usable" if share <= 2.0 else "unfit"
        factor = float(np.clip(1.0 + (share - 0.4) / 1.6, 1.0, 2.0))
        return make_check(
            "foot_blur",
            round(share, 2),
            "% of body height",
            limit,
            verdict,
            "" if verdict == "good" else advice,
            FOOT_MEASURES if verdict == "unfit" else (),
            factor,
        )

    def _exposure(self, paths: LandmarkPaths, clock: CaptureClock) -> tuple[float, float, float] | None:
        """Estimate the exposure from how edges on the foot widen with its speed.

        width² = sharp² + (speed × exposure)², fitted robustly over the samples. Still edges behind the foot
        stay sharp, so it reads low: on rendered films exposed 1, 2 and 8 ms it gave 0.9, 1.1 and 3.4 ms; the
        limits allow for that. Returns the exposure, its upper 95 % limit (both at most one picture interval,
        seconds of real time) and the speed of the foot in stance-to-swing middle, px/s; None when there are
        too few feet or they don't move.
        """
        axis = 0 if self._view == "side" else 1
        speeds: list[float] = []
        widths: list[float] = []
        per_side = {}
        for side, points in _FEET.items():
            if len(paths.time_s) > 4:
                middle = paths.xy[:, list(points[:2]), axis].mean(axis=1)
                per_side[side] = np.gradient(middle, paths.time_s)
        for look in self._feet:
            width = look.across_px if axis == 0 else look.down_px
            if look.side not in per_side or not np.isfinite(width):
                continue
            at = clock.real_time_s(look.file_time_s)
            i = int(np.argmin(np.abs(paths.time_s - at)))
            speed = per_side[look.side][i]
            if abs(paths.time_s[i] - at) < 0.05 and np.isfinite(speed):
                speeds.append(abs(float(speed)))
                widths.append(width)
        if len(speeds) < 16:
            return None
        v2, w2 = np.square(speeds), np.square(widths)
        # At the highest speeds the smear outgrows the foot and its edges can no longer be told from the
        # surroundings'.
        slow = v2 <= np.quantile(v2, 0.8)
        if float(np.quantile(v2, 0.85)) < 4.0 * max(float(np.quantile(v2, 0.15)), 1.0):
            return None
        slope, error = _robust_slope(v2[slow], w2[slow])
        cap = 1.0 / clock.capture_fps
        # A box of length b has the contrast/slope width b, so no further factor is needed.
        best = min(float(np.sqrt(max(0.0, slope))), cap)
        upper = min(float(np.sqrt(max(0.0, slope + 1.96 * error))), cap)
        return best, max(best, upper), float(np.median(speeds))

    def _camera_motion(self, clock: CaptureClock, body_px: float) -> QualityCheck:
        limit = "good up to 0.5 % of body height within 0.25 s, unfit above 3 %"
        advice = "Put the camera on a tripod or a firm support, and don't follow the runner with it."
        enough = len(self._shifts) >= max(4, 0.3 * (self._samples - 1))
        if not enough or not np.isfinite(body_px):
            return make_check("camera_motion", None, "% of body height", limit, "unknown", advice)
        steps = np.asarray(self._shifts)
        gap_s = float(np.median(self._shift_times)) / clock.slowdown
        span = max(1, round(0.25 / gap_s))
        path = np.vstack([np.zeros(2), np.cumsum(steps, axis=0)])
        if len(path) <= span:
            span = 1
        moved = np.hypot(*(path[span:] - path[:-span]).T) * min(1.0, 0.25 / (span * gap_s))
        share = 100.0 * float(np.quantile(moved, 0.95)) / body_px
        verdict: Verdict = "good" if share <= 0.5 else "usable" if share <= 3.0 else "unfit"
        factor = float(np.clip(1.0 + share / 6.0, 1.0, 1.5)) if verdict != "good" else 1.0
        return make_check(
            "camera_motion",
            round(share, 2),
            "% of body height",
            limit,
            verdict,
            "" if verdict == "good" else advice,
            STILL_CAMERA_MEASURES if verdict == "unfit" else (),
            factor,
        )

    def _camera_roll(self) -> QualityCheck:
        limit = "good up to 1°, unfit above 5°"
        advice = "Level the camera; it should see door frames and posts upright."
        if not self._rolls:
            return make_check("camera_roll", None, "deg", limit, "unknown", advice)
        angle = float(np.median([a for a, _ in self._rolls]))
        sure = sum(source == "upright edges" for _, source in self._rolls) * 2 > len(self._rolls)
        verdict: Verdict = "good" if abs(angle) <= 1.0 else "usable"
        if abs(angle) > 5.0 and sure:
            verdict = "unfit"
        return make_check(
            "camera_roll",
            round(angle, 2),
            "deg",
            limit,
            verdict,
            "" if verdict == "good" else advice,
            UPRIGHT_MEASURES if verdict == "unfit" else (),
        )

    def _people(self) -> QualityCheck:
        limit = "good up to 5 % of pictures with more than one person"
        advice = "Film when nobody else is in the picture."
        if self._people_known == 0:
            return make_check("people", None, "%", limit, "unknown", advice)
        share = 100.0 * self._crowded / self._people_known
        verdict: Verdict = "good" if share <= 5 else "usable"
        return make_check("people", round(share, 1), "%", limit, verdict, "" if verdict == "good" else advice)

    def _light_checks(self) -> tuple[QualityCheck, ...]:
        limits = (
            "good from 45 to 210 of 255, unfit below 22 or above 235",
            "good from 60 grey levels, unfit below 15",
            "good up to 4 grey levels, unfit above 16",
        )
        more = "More even light on the runner; no bright window or low sun behind them."
        if self._light:
            middle, low, high, _ = np.median(np.asarray(self._light), axis=0)
            contrast = float(high - low)
            bright: Verdict = "good" if 45 <= middle <= 210 else "usable" if 22 <= middle <= 235 else "unfit"
            clear: Verdict = "good" if contrast >= 60 else "usable" if contrast >= 15 else "unfit"
            light = make_check(
                "light",
                round(float(middle)),
                "of 255",
                limits[0],
                bright,
                "" if bright == "good" else more,
                ALL_ANGLES if bright == "unfit" else (),
                1.0 if bright == "good" else 1.2,
            )
            against = make_check(
                "contrast",
                round(contrast),
                "grey levels",
                limits[1],
                clear,
                ""
                if clear == "good"
                else "More light, and clothes that stand out from the background and each other.",
                ALL_ANGLES if clear == "unfit" else (),
                1.0 if clear == "good" else 1.25,
            )
        else:
            light = make_check("light", None, "of 255", limits[0], "unknown", more)
            against = make_check("contrast", None, "grey levels", limits[1], "unknown", more)
        if self._noise:
            level = float(np.median(self._noise))
            grain: Verdict = "good" if level <= 4 else "usable" if level <= 16 else "unfit"
            noise = make_check(
                "picture_noise",
                round(level, 2),
                "grey levels",
                limits[2],
                grain,
                "" if grain == "good" else "More light, so that the phone need not amplify.",
                ALL_ANGLES if grain == "unfit" else (),
                float(np.clip(1.0 + (level - 4.0) / 24.0, 1.0, 1.5)),
            )
        else:
            noise = make_check("picture_noise", None, "grey levels", limits[2], "unknown", more)
        return light, against, noise


def strides_per_leg(paths: LandmarkPaths) -> float | None:
    """Roughly how many strides of each leg a film shows, from the rhythm of the ankles; None when there is no
    rhythm.

    The strongest frequency between 0.8 and 2.2 Hz of the difference between the ankles (along the picture in
    the side view, upright otherwise), times the time both were seen.
    """
    axis = 0 if paths.view == "side" else 1
    gap = paths.point("left_ankle")[:, axis] - paths.point("right_ankle")[:, axis]
    seen = np.isfinite(gap)
    if int(np.sum(seen)) < 16:
        return None
    time = paths.time_s
    step = float(np.median(np.diff(time)))
    even = np.arange(time[seen][0], time[seen][-1] + step / 2, step)
    signal = np.interp(even, time[seen], gap[seen])
    signal = (signal - signal.mean()) * np.hanning(len(signal))
    if not float(np.std(signal)) > 0:
        return None
    power = np.abs(np.fft.rfft(signal, n=8 * len(signal))) ** 2
    hertz = np.fft.rfftfreq(8 * len(signal), step)
    band = (hertz >= 0.8) & (hertz <= 2.2)
    if not np.any(band) or float(power[band].max()) < 0.5 * float(power[hertz > 0.3].max()):
        return None
    return float(hertz[band][np.argmax(power[band])] * np.sum(seen) * step)


# --- helpers
# -----------------------------------------------------------------------------------------------------------


def _box(xy: Floats) -> Box | None:
    known = xy[np.isfinite(xy).all(axis=1)]
    if len(known) < 4:
        return None
    x0, y0 = known.min(axis=0)
    x1, y1 = known.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def _grown(box: Box, share: float) -> Box:
    """Widen a box by a share of its height on every side: hair, hands, shoes and shadow lie outside the
    landmarks.
    """
    more = share * (box[3] - box[1])
    return box[0] - more, box[1] - more, box[2] + more, box[3] + more


def _scaled(box: Box, ratio: float) -> Box:
    return box[0] * ratio, box[1] * ratio, box[2] * ratio, box[3] * ratio


def _robust_slope(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope of y on x and its standard error, by least squares with outliers weighed down."""
    weight = np.ones_like(x)
    slope = error = 0.0
    for _ in range(10):
        total = weight.sum()
        mx, my = float(np.sum(weight * x) / total), float(np.sum(weight * y) / total)
        sxx = float(np.sum(weight * (x - mx) ** 2))
        slope = float(np.sum(weight * (x - mx) * (y - my))) / max(sxx, 1e-12)
        rest = y - my - slope * (x - mx)
        scale = max(1e-9, 1.4826 * float(np.median(np.abs(rest))))
        weight = 1.0 / np.maximum(1.0, np.abs(rest) / (1.5 * scale))
        error = float(np.sqrt(np.sum(weight * rest**2) / max(1.0, total - 2) / max(sxx, 1e-12)))
    return slope, error
