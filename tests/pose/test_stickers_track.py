"""Stickers followed through films whose dots move along known sub-pixel paths, H.264 coded."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from sticker_films import BODY_PX, FPS, DrawnDot, draw, landmarks, swing, write_film

from midstance.errors import OptionError
from midstance.gait.model import State
from midstance.pose.sticker_track import track_stickers
from midstance.pose.stickers import StickerMark, StickerPaths

N = 120
#: Heel dots 12 px apart and shank dots, on a leg that swings about.
FOOT = swing(N, (240.0, 250.0), (40.0, 12.0))


def _turning(length: float, turn: float) -> np.ndarray:
    angle = turn * np.sin(np.arange(N) / N * 2 * np.pi * 4)
    return length * np.stack([np.sin(angle), -np.cos(angle)], axis=1)


HEEL_BOTTOM = FOOT
HEEL_TOP = FOOT + _turning(12.0, 0.25)
SHANK_BOTTOM = FOOT + _turning(45.0, 0.1)
SHANK_TOP = FOOT + _turning(105.0, 0.1)
PATHS = {
    "right_heel_bottom": HEEL_BOTTOM,
    "right_heel_top": HEEL_TOP,
    "right_shank_bottom": SHANK_BOTTOM,
    "right_shank_top": SHANK_TOP,
}
CARRIED = {
    "right_knee": FOOT + _turning(140.0, 0.1),
    "right_ankle": FOOT + _turning(30.0, 0.1),
    "right_heel": FOOT + np.array([1.0, 6.0]),
    "right_toe": FOOT + np.array([3.0, 10.0]),
    "right_hip": FOOT + _turning(280.0, 0.05),
}


def _follow(
    folder: Path, dots: list[DrawnDot], *, click: int = 60, jitter_px: float = 3.0, **kind: object
) -> StickerPaths:
    rng = np.random.default_rng(8)
    light = kind.pop("light_of", lambda k: 1.0)
    path = folder / "dots.mp4"
    write_film(path, N, lambda k: draw(dots, k, rng=rng, light=light(k), **kind))  # type: ignore[arg-type,operator]
    marks = [
        StickerMark(n, click / FPS, PATHS[n][click, 0] + 1.0, PATHS[n][click, 1] - 0.8) for n in PATHS
    ]
    return track_stickers(
        path,
        marks,
        landmarks("rear", N, CARRIED, jitter_px=jitter_px),
        index=np.arange(N),
        file_time_s=np.arange(N) / FPS,
        body_px=BODY_PX,
    )


def _check(paths: StickerPaths, rms_px: float, *, least: float = 0.9, hidden: np.ndarray | None = None) -> None:
    """RMS error, no frame on another dot, and enough frames seen."""
    for name in paths.names:
        j = paths.names.index(name)
        seen = paths.state[:, j] == State.SEEN
        error = paths.xy[:, j] - PATHS[name]
        far = np.hypot(*error[seen].T)
        assert far.max() < 1.5, f"{name} jumped to another dot"
        assert np.sqrt((error[seen] ** 2).mean()) <= rms_px, name
        there = np.ones(N, bool) if hidden is None else ~hidden
        assert seen[there].mean() >= least, f"{name} seen in {seen[there].mean():.0%}"
        assert not seen[~there].any()


def test_sharp_dots_follow_their_known_paths(tmp_path: Path) -> None:
    """Sub-pixel paths from one click in mid-film, both ways: RMS error at most 0.1 px, heel top and bottom kept apart."""
    _check(_follow(tmp_path, [DrawnDot(p) for p in PATHS.values()]), 0.1, least=0.95)


def test_smear_and_noise(tmp_path: Path) -> None:
    """Exposure of 0.8 frames and noise of 5 grey levels: RMS error at most 0.3 px."""
    _check(_follow(tmp_path, [DrawnDot(p) for p in PATHS.values()], smear_frames=0.8, noise=5.0), 0.3)


def test_light_that_changes(tmp_path: Path) -> None:
    """Light falling to 55 % through the film."""
    paths = _follow(tmp_path, [DrawnDot(p) for p in PATHS.values()], light_of=lambda k: 1.0 - 0.45 * k / N)
    _check(paths, 0.15, least=0.95)


def test_dark_dots(tmp_path: Path) -> None:
    """Dark dots on a lighter ground."""
    _check(_follow(tmp_path, [DrawnDot(p, level=15.0) for p in PATHS.values()], ground=150.0), 0.1, least=0.95)


def test_a_dot_hidden_for_a_while_is_missing_and_found_again(tmp_path: Path) -> None:
    """All dots hidden for 12 frames, then one of them alone for 12: missing there (never another dot), then found again."""
    hidden = np.zeros(N, bool)
    hidden[30:42] = True
    one = hidden.copy()
    one[80:92] = True
    dots = [DrawnDot(p, hidden=one if n == "right_heel_top" else hidden) for n, p in PATHS.items()]
    paths = _follow(tmp_path, dots)
    for name in paths.names:
        out = one if name == "right_heel_top" else hidden
        j = paths.names.index(name)
        seen = paths.state[:, j] == State.SEEN
        assert not seen[out].any()
        assert np.isnan(paths.xy[32:40, j]).all()
        for part in (slice(0, 28), slice(45, 78), slice(95, N)):
            assert seen[part].mean() > 0.9, name
        assert np.hypot(*(paths.xy[seen, j] - PATHS[name][seen]).T).max() < 1.0


def test_dots_of_the_background_are_not_taken(tmp_path: Path) -> None:
    """Still dots of the same look that the stickers pass close by, while one sticker is hidden."""
    hidden = np.zeros(N, bool)
    hidden[70:85] = True
    dots = [DrawnDot(p, hidden=hidden if n == "right_heel_top" else None) for n, p in PATHS.items()]
    others = [(HEEL_TOP[75, 0] + 2.0, HEEL_TOP[75, 1] - 1.0, 3.0), (205.0, 262.0, 3.0), (300.0, 200.0, 3.0)]
    paths = _follow(tmp_path, dots, others=others)
    for name in paths.names:
        j = paths.names.index(name)
        seen = paths.state[:, j] == State.SEEN
        assert seen.mean() > 0.6
        # Where a still dot touches the sticker's own, its place is pulled; nowhere is it the still dot.
        error = np.hypot(*(paths.xy[seen, j] - PATHS[name][seen]).T)
        assert np.quantile(error, 0.95) < 1.0, name
        assert error.max() < 4.0, name


def test_landmarks_far_off_do_not_matter_much(tmp_path: Path) -> None:
    """Landmarks that jitter by 8 px, two thirds of the distance of the heel's dots."""
    paths = _follow(tmp_path, [DrawnDot(p) for p in PATHS.values()], jitter_px=8.0)
    _check(paths, 0.1, least=0.8)


def test_a_short_gap_is_filled_and_says_so(tmp_path: Path) -> None:
    """One frame without the dots is bridged, marked as filled, with a larger error."""
    hidden = np.zeros(N, bool)
    hidden[33] = True
    paths = _follow(tmp_path, [DrawnDot(p, hidden=hidden) for p in PATHS.values()])
    j = paths.names.index("right_shank_top")
    assert paths.state[33, j] == State.FILLED
    assert np.hypot(*(paths.xy[33, j] - SHANK_TOP[33])) < 1.5
    assert paths.sigma_px[33, j] > 3 * paths.sigma_px[32, j]


def test_a_click_beside_every_dot_gives_a_reason(tmp_path: Path) -> None:
    """No dot there: the sticker has no path and says why; the others are followed."""
    rng = np.random.default_rng(8)
    path = tmp_path / "dots.mp4"
    write_film(path, N, lambda k: draw([DrawnDot(SHANK_TOP)], k, rng=rng))
    marks = [StickerMark("right_shank_top", 1.0, *SHANK_TOP[60]), StickerMark("right_heel_top", 1.0, 60.0, 300.0)]
    paths = track_stickers(
        path, marks, landmarks("rear", N, CARRIED), index=np.arange(N), file_time_s=np.arange(N) / FPS, body_px=BODY_PX
    )
    assert paths.has("right_shank_top")
    assert not paths.has("right_heel_top")
    reason = paths.reasons[paths.names.index("right_heel_top")]
    assert reason is not None
    assert "no dot stands out" in reason


@pytest.mark.parametrize("time_s", [2.6, 30.0])
def test_a_click_outside_the_part_measured_is_refused(tmp_path: Path, time_s: float) -> None:
    """The error says which times are allowed."""
    path = tmp_path / "dots.mp4"
    rng = np.random.default_rng(8)
    write_film(path, N, lambda k: draw([DrawnDot(SHANK_TOP)], k, rng=rng))
    with pytest.raises(OptionError, match=r"0\.000 to 1\.983 s"):
        track_stickers(
            path,
            [StickerMark("right_shank_top", time_s, 100.0, 100.0)],
            landmarks("rear", N, CARRIED),
            index=np.arange(N),
            file_time_s=np.arange(N) / FPS,
            body_px=BODY_PX,
        )


def test_two_names_on_one_dot_are_refused(tmp_path: Path) -> None:
    """One dot can't be two stickers."""
    path = tmp_path / "dots.mp4"
    rng = np.random.default_rng(8)
    write_film(path, N, lambda k: draw([DrawnDot(SHANK_TOP)], k, rng=rng))
    marks = [StickerMark(n, 1.0, *SHANK_TOP[60]) for n in ("right_shank_top", "right_shank_bottom")]
    with pytest.raises(OptionError, match="same dot"):
        track_stickers(
            path, marks, landmarks("rear", N, CARRIED), index=np.arange(N), file_time_s=np.arange(N) / FPS, body_px=BODY_PX
        )
