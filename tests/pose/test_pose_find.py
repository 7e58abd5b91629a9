"""Who runs: the demonstration runner in each view, small, beside a still picture, beside another runner, nobody at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pose_films import FPS, backdrop, demo_film, paste, runner, write

from midstance.errors import RunnerError
from midstance.film.reader import probe, read_frames
from midstance.pose.detector import detect, search
from midstance.pose.find import MIN_FOOT_MOTION, Sighting, choose_runner, find_runner, read_one, region_of
from midstance.pose.landmarker import Region

SECONDS = 1.0


def find(film: Path, landmarks, detector, *, seconds: float = SECONDS, slowdown: float = 1.0, pick_x=None):
    return find_runner(film, landmarks, detector, start_s=0.0, end_s=seconds, slowdown=slowdown, pick_x=pick_x)


def sighting(time_s: float, x: float, size: float) -> Sighting:
    return Sighting(time_s, Region(x, 300.0, size), 0.9, 0.4)


FILM = Path("run.mp4")


def test_the_largest_runner_is_chosen_whoever_comes_first():
    """A jogger far behind passes before the runner enters: the runner is measured, not the jogger."""
    jogger = [sighting(i, 200 + 100 * i, 180) for i in range(3)]
    big = [sighting(i, 500 + 10 * i, 600) for i in range(2, 5)]
    spots = [[jogger[0]], [jogger[1]], [jogger[2], big[0]], [big[1]], [big[2]]]
    assert choose_runner(spots, 1280, FILM, None) == big
    assert choose_runner(spots, 1280, FILM, 0.2) == jogger
    assert choose_runner(spots, 1280, FILM, 0.9) == []
    assert choose_runner([[], []], 1280, FILM, None) == []


def test_the_same_runner_is_kept_when_two_of_a_size_cross():
    left = [sighting(i, 300 + 20 * i, 500) for i in range(5)]
    right = [sighting(i, 900 - 20 * i, 520) for i in range(5)]
    spots = [[b, a] for a, b in zip(left, right, strict=True)]
    assert choose_runner(spots, 1280, FILM, 0.25) == left
    assert choose_runner(spots, 1280, FILM, 0.7) == right
    with pytest.raises(RunnerError, match="2 people"):
        choose_runner(spots, 1280, FILM, None)


def test_a_passer_by_of_another_size_is_not_taken_for_the_one_picked():
    """Picked at 0.8 is the one who passes there behind the runner; she is three fifths of the runner's size."""
    spots = [[sighting(0, 640, 681)], [sighting(1, 640, 690), sighting(1, 900, 415)], [sighting(2, 640, 681)]]
    assert choose_runner(spots, 1280, FILM, 0.8) == [spots[1][1]]


def test_a_rival_who_comes_later_is_noticed():
    spots = [[sighting(0, 300, 500)], [sighting(1, 300, 500)], [sighting(2, 300, 500), sighting(2, 900, 450)]]
    with pytest.raises(RunnerError, match=r"0\.23 and 0\.70"):
        choose_runner(spots, 1280, FILM, None)
    assert len(choose_runner(spots, 1280, FILM, 0.25)) == 3


@pytest.mark.parametrize("view", ["side", "rear", "front"])
def test_the_demonstration_runner_is_found_in_each_view(view, landmarks, detector):
    film = demo_film(view)
    found = find(film, landmarks, detector, seconds=probe(film).duration_s)
    assert len(found.runner) >= 4
    assert set(found.people) == {1}
    assert not found.standing
    assert not found.others
    for s in found.runner:
        assert s.runs
        assert abs(s.region.x - 640) < 40
    # The body fills 0.78 of the region and the runner about 0.7 of the picture's 720 px.
    assert 0.6 * 720 < 0.78 * found.size_px < 0.85 * 720


def test_a_runner_of_a_fifth_of_the_pictures_height_is_found_by_tiles(landmarks, detector, tmp_path):
    left, top = 900, 260
    base = backdrop(1280, 720)
    film = write(tmp_path / "small.mp4", (paste(base, q, left, top) for q in runner(200, seconds=SECONDS)))
    with read_frames(film) as frames:
        first = next(iter(frames)).rgb()
    # At the start of the film the whole picture alone doesn't show them, or only just; tiles do.
    tiled = search(detector, first, thorough=True)
    assert len(tiled) == 1
    assert tiled[0].score > 0.75
    assert all(p.score < 0.6 for p in detect(detector, first))
    found = find(film, landmarks, detector)
    assert found.runner
    for s in found.runner:
        assert 0.15 * 720 < 0.78 * s.region.size < 0.24 * 720
        assert abs(s.region.x - (left + 100)) < 20
        assert abs(s.region.y - (top + 100)) < 30


def test_a_still_picture_of_a_runner_is_not_the_runner(landmarks, detector, tmp_path):
    """The same runner, same size, once frozen (left, where a search would begin) and once running."""
    still = next(runner(480, seconds=0.1, start_s=1.0))
    base = paste(backdrop(1120, 500), still, 20, 10)
    film = write(tmp_path / "photo.mp4", (paste(base, q, 600, 10) for q in runner(480, seconds=SECONDS)))
    found = find(film, landmarks, detector)
    assert found.runner
    assert all(s.region.x > 700 for s in found.runner)
    assert all(s.foot_motion > 3 * MIN_FOOT_MOTION for s in found.runner)
    assert found.standing
    assert all(s.region.x < 400 and s.foot_motion < MIN_FOOT_MOTION / 2 for s in found.standing)
    assert max(found.people) == 2


def test_two_runners_of_a_size_need_a_choice(landmarks, detector, tmp_path):
    both = zip(runner(480, seconds=SECONDS, start_s=1.1), runner(480, seconds=SECONDS), strict=True)
    base = backdrop(1120, 500)
    film = write(tmp_path / "two.mp4", (paste(paste(base, a, 20, 10), b, 600, 10) for a, b in both))
    with pytest.raises(RunnerError, match="2 people are running") as caught:
        find(film, landmarks, detector)
    assert "--runner-x" in caught.value.next_step
    assert "0.24 and 0.7" in caught.value.next_step
    assert str(film) in caught.value.where
    found = find(film, landmarks, detector, pick_x=0.25)  # the second best by the first frame
    assert len(found.runner) >= 3
    assert all(abs(s.region.x - 265) < 30 for s in found.runner)
    assert found.others
    assert all(abs(s.region.x - 842) < 30 for s in found.others)


def test_a_smaller_runner_behind_does_not_stop_the_search(landmarks, detector, tmp_path):
    both = zip(runner(250, seconds=SECONDS, start_s=1.1), runner(500, seconds=SECONDS), strict=True)
    base = backdrop(960, 500)
    film = write(tmp_path / "behind.mp4", (paste(paste(base, a, 20, 60), b, 400, 0) for a, b in both))
    found = find(film, landmarks, detector)
    assert all(abs(s.region.x - 653) < 30 for s in found.runner)
    with pytest.raises(RunnerError, match=r"nobody runs at 0\.99") as caught:
        find(film, landmarks, detector, pick_x=0.99)
    assert "0.68" in caught.value.allowed


def test_nobody_and_nobody_running_are_told_apart(landmarks, detector, tmp_path):
    empty = write(tmp_path / "empty.mp4", (backdrop(640, 360, seed=k) for k in range(30)))
    with pytest.raises(RunnerError, match="no person was found") as caught:
        find(empty, landmarks, detector, seconds=30 / FPS)
    assert caught.value.next_step
    still = next(runner(360, seconds=0.1, start_s=1.0))
    rng = np.random.default_rng(0)
    shaken = (paste(backdrop(640, 360), still, 140 + rng.integers(-1, 2), 0) for _ in range(45))  # a hand-held camera
    with pytest.raises(RunnerError, match="nobody is running") as caught:
        find(write(tmp_path / "still.mp4", shaken), landmarks, detector, seconds=45 / FPS)
    assert "--capture-fps" in caught.value.next_step


def test_a_runner_in_slow_motion_that_does_not_say_so_is_still_found(landmarks, detector, tmp_path):
    """Played at an eighth of the speed the feet move like a bystander's: a longer look is taken before giving up."""
    film = write(tmp_path / "slow.mp4", runner(360, seconds=1.4), fps=8)
    found = find(film, landmarks, detector, seconds=80 / 8)
    assert found.runner
    assert not found.standing  # the runner is not taken for a bystander where the feet seemed to rest


def test_the_region_settles_wherever_it_starts(landmarks):
    """Reading a body in the region that its own reading asks for must come to rest, or tracking would wander."""
    with read_frames(demo_film("side"), start_s=1.0, end_s=1.1) as frames:
        frame = next(iter(frames))
    ends = []
    for dx, dy, size in ((0, 0, 660), (60, -40, 760), (-50, 40, 580)):
        region = Region(645.0 + dx, 372.0 + dy, size)
        for _ in range(4):
            region = region_of(read_one(landmarks, frame, region))
        ends.append((region.x, region.y, region.size))
    assert np.ptp(ends, axis=0).max() < 0.04 * 660


