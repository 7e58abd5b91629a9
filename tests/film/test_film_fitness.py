"""Fitness checks: known faults are put into drawn pictures and must be found at their true size."""

from __future__ import annotations

import time

import cv2
import numpy as np
import pytest
from numbered_films import drawn_frame, drawn_info

from midstance.film.clock import CaptureClock, timing_report
from midstance.film.fitness import FitnessMeter, strides_per_leg
from midstance.film.picture_checks import background_shift_px, edge_width_px, noise_level, picture_roll
from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, LandmarkPaths, QualityCheck, View

WIDTH, HEIGHT = 640, 360


# --- single pictures
# ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("blur", [1, 5, 9, 15])
@pytest.mark.parametrize("axis", [0, 1])
def test_edge_width_recovers_the_length_of_an_even_smear(blur: int, axis: int) -> None:
    # A step smeared evenly over b px rises over b px (derived).
    picture = np.full((80, 80), 60, np.float32)
    picture[:, 40:] = 180
    picture = cv2.blur(picture, (blur, 1)) + np.random.default_rng(1).normal(0, 1, picture.shape)
    luma = np.clip(picture, 0, 255).astype(np.uint8)
    luma = luma if axis == 1 else np.ascontiguousarray(luma.T)
    assert edge_width_px(luma, axis, 20) == pytest.approx(blur, abs=0.12 * blur + 0.4)


def test_edge_width_of_a_plain_patch_is_not_invented() -> None:
    assert np.isnan(edge_width_px(np.full((40, 40), 90, np.uint8), 1, 8))
    assert np.isnan(edge_width_px(np.zeros((0, 0), np.uint8), 1, 8))


def _room(roll_deg: float = 0.0, fan_deg: float = 0.0) -> np.ndarray:
    """A wall with posts, leaning ``roll_deg`` clockwise and fanning out to ``fan_deg`` at the edges."""
    picture = np.full((HEIGHT, WIDTH), 120, np.uint8)
    for x in (60, 180, 300, 420, 560):
        lean = np.tan(np.radians(fan_deg * (x - WIDTH / 2) / (WIDTH / 2)))
        top, foot = (x + 150 * lean, 30), (x - 150 * lean, 330)
        cv2.line(picture, (round(top[0]), top[1]), (round(foot[0]), foot[1]), 40, 6, cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D((WIDTH / 2, HEIGHT / 2), -roll_deg, 1.0)
    return np.asarray(cv2.warpAffine(picture, turn, (WIDTH, HEIGHT), borderValue=120), np.uint8)


@pytest.mark.parametrize("fan", [0.0, 4.0])
@pytest.mark.parametrize("roll", [-6.0, -2.0, 0.0, 0.7, 4.0])
def test_roll_is_recovered_also_when_verticals_fan_out(roll: float, fan: float) -> None:
    found = picture_roll(_room(roll, fan), None, level_lines_too=False)
    assert found is not None
    assert found.angle_deg == pytest.approx(roll, abs=0.4)
    assert found.source == "upright edges"


def test_roll_is_unknown_without_straight_edges_and_from_level_ones_in_side_views_only() -> None:
    blobs = cv2.GaussianBlur(np.random.default_rng(0).integers(0, 255, (HEIGHT, WIDTH), np.uint8), (0, 0), 12)
    assert picture_roll(blobs, None, level_lines_too=True) is None
    level = np.full((HEIGHT, WIDTH), 120, np.uint8)
    for y in (60, 150, 240, 320):
        cv2.line(level, (20, y), (620, y + round(600 * np.tan(np.radians(3)))), 30, 4, cv2.LINE_AA)
    assert picture_roll(level, None, level_lines_too=False) is None
    found = picture_roll(level, None, level_lines_too=True)
    assert found is not None
    assert found.angle_deg == pytest.approx(3.0, abs=0.3)


def _texture(seed: int = 3) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 1, (HEIGHT + 80, WIDTH + 80)).astype(np.float32)
    blurred = cv2.GaussianBlur(noise, (0, 0), 4)
    return np.clip(128 + 45 * blurred / blurred.std(), 0, 255)


def _shifted(texture: np.ndarray, dx: float, dy: float) -> np.ndarray:
    moved = cv2.warpAffine(texture, np.array([[1.0, 0, dx - 40], [0, 1.0, dy - 40]]), (WIDTH, HEIGHT))
    return np.asarray(np.clip(moved, 0, 255), np.uint8)


@pytest.mark.parametrize("shift", [(0.0, 0.0), (0.4, -0.3), (3.0, 1.5), (-8.0, 5.0)])
def test_background_shift_is_recovered_with_a_runner_in_the_way(shift: tuple[float, float]) -> None:
    before, now = _shifted(_texture(), 0, 0), _shifted(_texture(), *shift)
    before[80:300, 250:350], now[80:300, 270:370] = 20, 230
    found = background_shift_px(before, now, (250, 80, 350, 300), (270, 80, 370, 300))
    assert found is not None
    np.testing.assert_allclose(found, shift, atol=0.15)


def test_background_shift_of_a_plain_wall_is_unknown() -> None:
    plain = np.full((HEIGHT, WIDTH), 128, np.uint8)
    assert background_shift_px(plain, plain, None, None) is None


@pytest.mark.parametrize("sigma", [2.0, 6.0, 12.0])
def test_noise_level(sigma: float) -> None:
    # Recovers injected Gaussian noise on a slope, to which the estimator is blind by design.
    slope = np.linspace(80, 160, 96)[None, :] + np.zeros((96, 1))
    luma = np.clip(slope + np.random.default_rng(4).normal(0, sigma, slope.shape), 0, 255).astype(np.uint8)
    assert noise_level(luma) == pytest.approx(sigma, rel=0.08)


# --- whole films
# -------------------------------------------------------------------------------------------------------


def _landmarks(t: float, *, centre: float = 320.0, top: float = 60.0, tall: float = 220.0) -> np.ndarray:
    """A stick runner: nose at ``top``, heels ``tall`` below at lowest, ankles swinging 1.4 times a second."""
    xy = np.zeros((33, 2))
    xy[:, 0] = centre
    xy[:, 1] = top + 0.3 * tall
    xy[LANDMARK_INDEX["nose"]] = (centre, top)
    for side, phase in (("left", 0.0), ("right", np.pi)):
        swing = np.sin(2 * np.pi * 1.4 * t + phase)
        for name, drop, ahead in (("ankle", 0.93, 0.0), ("heel", 1.0, -0.03), ("toe", 1.0, 0.1)):
            xy[LANDMARK_INDEX[f"{side}_{name}"]] = (centre + (0.25 * swing + ahead) * tall, top + drop * tall)
    return xy


def _judge(
    *,
    view: View = "side",
    fps: float = 60.0,
    seconds: float = 8.0,
    paint: object = None,
    people: int | None = 1,
    exposure_s: float = 0.0,
    slowdown: float = 1.0,
    drop: tuple[int, ...] = (),
    **runner: float,
) -> dict[str, QualityCheck]:
    times = np.delete(np.arange(int(fps * seconds)) / fps, drop)
    info = drawn_info(WIDTH, HEIGHT)
    meter = FitnessMeter(info, view)
    wall = _shifted(_texture(), 0, 0)
    xy = np.stack([_landmarks(t / slowdown, **runner) for t in times])
    for i, t in enumerate(times):
        frame = drawn_frame(np.zeros((2, 2, 3), np.uint8), index=i, time_s=float(t))
        if not meter.wants(frame):
            continue
        luma = wall.copy() if paint is None else paint(t)  # type: ignore[operator]
        _draw_feet(luma, xy[i], _landmarks((t + 1e-3) / slowdown, **runner), 1e-3 / slowdown, exposure_s)
        frame = drawn_frame(np.repeat(luma[:, :, None], 3, axis=2), index=i, time_s=float(t))
        meter.add(frame, xy[i], people)
    n = len(times)
    paths = LandmarkPaths(
        view, times / slowdown, xy, np.ones((n, 33)), np.ones((n, 33)), np.zeros((n, 33), np.uint8)
    )
    clock = CaptureClock(slowdown, fps * slowdown, "file frame rate")
    return {c.check: c for c in meter.checks(paths, clock, timing_report(times))}


def _draw_feet(luma: np.ndarray, xy: np.ndarray, later: np.ndarray, dt: float, exposure_s: float) -> None:
    """Paint shoes smeared by their speed times the exposure."""
    for side in ("left", "right"):
        heel, toe = LANDMARK_INDEX[f"{side}_heel"], LANDMARK_INDEX[f"{side}_toe"]
        at, speed = (xy[heel] + xy[toe]) / 2, (later[heel, 0] - xy[heel, 0]) / dt
        smear = max(1, round(abs(speed) * exposure_s))
        y, x = round(at[1]), round(at[0])
        shoe = np.full((24, 140), 235, np.float32)
        shoe[2:22, 62:78] = 20
        shoe = cv2.blur(shoe, (smear, 1))
        y0, x0 = y - 12, x - 70
        if y0 >= 0 and x0 >= 0 and y0 + 24 <= luma.shape[0] and x0 + 140 <= luma.shape[1]:
            luma[y0 : y0 + 24, x0 : x0 + 140] = shoe.astype(np.uint8)


def test_a_fit_film_passes_every_check() -> None:
    checks = _judge(fps=120.0, tall=280.0, top=40.0)
    for check in checks.values():
        assert check.limit
        assert check.factor >= 1.0
    good = {"frame_rate", "lost_frames", "film_length", "runner_size", "runner_cut_off", "camera_motion",
            "people",             "light", "contrast", "picture_noise"}  # fmt: skip
    assert {name for name, c in checks.items() if c.verdict == "good"} >= good
    assert checks["camera_roll"].verdict == "unknown"  # nothing straight in this scene
    assert checks["film_length"].value == pytest.approx(8.0 * 1.4, rel=0.05)
    assert checks["pixels_per_body_height"].value == pytest.approx(280, abs=2)


@pytest.mark.parametrize(
    ("fps", "verdict"), [(240.0, "good"), (60.0, "usable"), (30.0, "usable"), (20.0, "unfit")]
)
def test_frame_rate(fps: float, verdict: str) -> None:
    check = _judge(fps=fps, seconds=2.0)["frame_rate"]
    assert (check.verdict, check.value) == (verdict, fps)
    assert ("contact_time" in check.measures) == (verdict == "unfit")
    assert "cadence" not in check.measures


def test_slow_motion_counts_in_real_time() -> None:
    checks = _judge(fps=30.0, seconds=40.0, slowdown=8.0)
    assert checks["frame_rate"].value == 240.0
    assert checks["film_length"].value == pytest.approx(5 * 1.4, rel=0.1)


def test_dropped_pictures_show() -> None:
    check = _judge(drop=tuple(range(20, 200, 6)))["lost_frames"]
    assert check.value == pytest.approx(100 * 30 / 480, abs=0.1)
    assert check.verdict == "usable"


def test_a_small_runner() -> None:
    checks = _judge(tall=70.0, top=200.0)
    assert checks["pixels_per_body_height"].verdict == "unfit"
    assert checks["pixels_per_body_height"].factor == 2.5
    assert checks["runner_size"].value == pytest.approx(100 * 70 / 0.92 / HEIGHT, abs=0.5)
    assert checks["runner_size"].verdict == "usable"


def test_a_runner_cut_off_at_feet_or_head() -> None:
    feet = _judge(top=160.0)["runner_cut_off"]
    assert (feet.verdict, feet.value) == ("unfit", 100.0)
    assert "foot_strike_angle" in feet.measures
    head = _judge(top=4.0)["runner_cut_off"]
    assert "vertical_oscillation" in head.measures
    assert "foot_strike_angle" not in head.measures


@pytest.mark.parametrize(("speed_px_s", "verdict"), [(0.0, "good"), (12.0, "usable"), (120.0, "unfit")])
def test_a_moving_camera(speed_px_s: float, verdict: str) -> None:
    texture = _texture()
    checks = _judge(seconds=2.0, paint=lambda t: _shifted(texture, (speed_px_s * t + 30) % 60 - 30, 0.0))
    check = checks["camera_motion"]
    assert check.verdict == verdict
    if verdict == "usable":
        assert check.value == pytest.approx(100 * speed_px_s * 0.25 / 220, rel=0.2)


def test_camera_roll_leaves_joint_angles_alone() -> None:
    check = _judge(seconds=2.0, paint=lambda t: _room(7.0).copy())["camera_roll"]
    assert check.value == pytest.approx(7.0, abs=0.5)
    assert check.verdict == "unfit"
    assert "trunk_lean_stance" in check.measures
    assert "knee_flexion_contact" not in check.measures


def test_several_people_and_none_counted() -> None:
    assert _judge(seconds=2.0, people=2)["people"].verdict == "usable"
    assert _judge(seconds=2.0, people=None)["people"].verdict == "unknown"


def test_darkness_and_grain() -> None:
    rng = np.random.default_rng(8)

    def dark(_: float) -> np.ndarray:
        return np.clip(30 + rng.normal(0, 9, (HEIGHT, WIDTH)), 16, 235).astype(np.uint8)

    checks = _judge(seconds=3.0, paint=dark)
    assert checks["light"].verdict == "usable"
    assert checks["picture_noise"].verdict == "usable"
    assert checks["picture_noise"].factor > 1.0
    assert checks["light"].advice


@pytest.mark.parametrize("exposure_ms", [0.0, 4.0, 12.0])
def test_exposure_is_read_from_the_smear_of_the_foot(exposure_ms: float) -> None:
    check = _judge(seconds=10.0, exposure_s=exposure_ms / 1000, tall=240.0)["foot_blur"]
    # Median foot speed of the stick runner: 0.25 × 240 px × 2π × 1.4 /s × |cos|, median 0.707.
    true = 100 * (0.25 * 2 * np.pi * 1.4 * 0.7071) * exposure_ms / 1000
    assert check.value is not None
    assert check.value == pytest.approx(true, abs=0.15 + 0.3 * true)
    assert check.verdict == ("good" if exposure_ms == 0 else "usable")


def test_without_a_runner_checks_are_unknown_not_good() -> None:
    meter = FitnessMeter(drawn_info(WIDTH, HEIGHT), "rear")
    n = 20
    for i in range(n):
        meter.add(drawn_frame(np.full((HEIGHT, WIDTH, 3), 90, np.uint8), index=i * 4, time_s=i / 15), None, 0)
    paths = LandmarkPaths(
        "rear", np.arange(n) / 15, np.full((n, 33, 2), np.nan), np.zeros((n, 33)), np.ones((n, 33)),
        np.full((n, 33), 4, np.uint8),
    )  # fmt: skip
    clock = CaptureClock(1.0, 60.0, "file frame rate")
    checks = {c.check: c for c in meter.checks(paths, clock, timing_report(np.arange(n) / 15))}
    for name in ("pixels_per_body_height", "runner_size", "runner_cut_off", "foot_blur", "camera_motion",
                 "light",                  "film_length"):  # fmt: skip
        assert checks[name].verdict == "unknown", name
        assert checks[name].value is None
        assert checks[name].effect == "none"


def test_strides_need_a_rhythm() -> None:
    n = 480
    time_s = np.arange(n) / 60
    xy = np.random.default_rng(1).normal(300, 5, (n, len(LANDMARKS), 2))
    ones = np.ones((n, 33))
    still = LandmarkPaths("side", time_s, xy, ones, ones, np.zeros((n, 33), np.uint8))
    assert strides_per_leg(still) is None
    xy = np.stack([_landmarks(t) for t in time_s])
    xy[100:160] = np.nan
    gap = LandmarkPaths("side", time_s, xy, ones, ones, np.zeros((n, 33), np.uint8))
    assert strides_per_leg(gap) == pytest.approx(7.0 * 1.4, rel=0.05)


def test_the_meter_costs_little() -> None:
    """Budget 1 ms a picture of the film at 720p; the bound leaves room for a busy machine."""
    rgb = np.repeat(cv2.resize(_texture(), (1280, 720)).astype(np.uint8)[:, :, None], 3, axis=2)
    frames = [drawn_frame(rgb, index=i, time_s=i / 120) for i in range(8)]
    meter = FitnessMeter(drawn_info(1280, 720), "side")
    xy = _landmarks(0.1, centre=640, top=100, tall=500)
    start = time.process_time()
    for i in range(240):
        frame = frames[i % 8]
        frame.index, frame.file_time_s = i, i / 120
        meter.add(frame, xy, 1)
    assert (time.process_time() - start) / 240 < 3e-3
