"""One dot in one picture: its place against the place it was drawn at."""

from __future__ import annotations

import numpy as np
import pytest
from sticker_films import DrawnDot, draw

from midstance.pose.sticker_dots import find_dots, look_at


def _errors(radius: float, *, smear: float = 0.0, speed: tuple[float, float] = (0.0, 0.0), **kind: float) -> np.ndarray:
    """Errors, px, over 40 sub-pixel places of a dot that moves by ``speed`` px a frame."""
    rng = np.random.default_rng(3)
    first = draw([DrawnDot(np.full((3, 2), (200.2, 150.3)), radius)], 1, rng=rng)
    got = look_at(np.repeat(first[100:200, 150:250, None], 3, axis=2), 51.0, 49.0)
    assert got is not None
    look, _ = got
    out = []
    for _ in range(40):
        at = np.array([200.0, 150.0]) + rng.uniform(-0.5, 0.5, 2)
        path = np.array([at - speed, at, at + speed])
        grey = draw([DrawnDot(path, radius)], 1, smear_frames=smear, rng=rng, **kind)  # type: ignore[arg-type]
        dots = find_dots(np.repeat(grey[100:200, 150:250, None], 3, axis=2), look, 150, 100)
        near = [d for d in dots if np.hypot(d.x - at[0], d.y - at[1]) < 3]
        assert near, "the dot was not found"
        out.append((near[0].x - at[0], near[0].y - at[1]))
    return np.array(out)


@pytest.mark.parametrize("radius", [1.5, 2.0, 3.0, 5.0, 8.0])
def test_sharp_dot_is_placed_to_a_tenth_of_a_pixel(radius: float) -> None:
    """RMS error at most 0.1 px, and no leaning to one side (pixel locking would show as a bias over half a pixel)."""
    errors = _errors(radius)
    assert np.sqrt((errors**2).mean()) <= 0.1
    assert np.abs(errors.mean(axis=0)).max() <= 0.03


@pytest.mark.parametrize("radius", [1.5, 2.0, 3.0, 5.0])
@pytest.mark.parametrize("speed", [(5.0, 0.0), (4.0, 4.0), (0.0, -6.0)])
def test_smeared_noisy_dot_is_placed_to_a_third_of_a_pixel(radius: float, speed: tuple[float, float]) -> None:
    """A dot smeared by a whole frame's motion, in noise: RMS error at most 0.3 px from its place in mid-exposure."""
    errors = _errors(radius, smear=1.0, speed=speed, noise=6.0)
    assert np.sqrt((errors**2).mean()) <= 0.3


def test_place_hardly_depends_on_where_in_the_pixel_the_dot_is() -> None:
    """Pixel locking: the error as a function of the sub-pixel place has an amplitude below 0.05 px."""
    rng = np.random.default_rng(0)
    first = draw([DrawnDot(np.full((1, 2), (200.2, 150.3)), 2.0)], 0, rng=rng)
    got = look_at(np.repeat(first[100:200, 150:250, None], 3, axis=2), 50.0, 50.0)
    assert got is not None
    error = []
    for part in np.arange(0, 1, 0.05):
        grey = draw([DrawnDot(np.full((1, 2), (200.0 + part, 150.5)), 2.0)], 0, noise=0.0, rng=rng)
        d = find_dots(np.repeat(grey[100:200, 150:250, None], 3, axis=2), got[0], 150, 100)[0]
        error.append(d.x - 200.0 - part)
    assert np.ptp(error) <= 0.1


def test_stated_error_is_of_the_size_of_the_true_one() -> None:
    """In noise the 1-SD error given with each place holds about as often as it should."""
    rng = np.random.default_rng(1)
    first = draw([DrawnDot(np.full((1, 2), (200.2, 150.3)), 2.5)], 0, rng=rng)
    got = look_at(np.repeat(first[100:200, 150:250, None], 3, axis=2), 50.0, 50.0)
    assert got is not None
    ratio = []
    for _ in range(60):
        at = np.array([200.0, 150.0]) + rng.uniform(-0.5, 0.5, 2)
        grey = draw([DrawnDot(at[None], 2.5)], 0, noise=8.0, rng=rng)
        dots = find_dots(np.repeat(grey[100:200, 150:250, None], 3, axis=2), got[0], 150, 100)
        ratio.append(min(((d.x - at[0]) / d.sigma_px for d in dots), key=abs))
    assert 0.3 <= float(np.std(ratio)) <= 1.6


@pytest.mark.parametrize("colour", [(245, 245, 240), (20, 20, 22), (255, 60, 150), (60, 220, 60)])
def test_bright_dark_and_coloured_dots_are_taken_alike(colour: tuple[int, int, int]) -> None:
    """A click beside the dot finds it whatever its colour; the look says which way it differs."""
    rng = np.random.default_rng(2)
    rgb = np.full((100, 100, 3), (150, 120, 100), np.float64)
    yy, xx = np.mgrid[0:100, 0:100]
    alpha = np.clip(4.0 + 0.5 - np.hypot(xx + 0.5 - 50.3, yy + 0.5 - 49.6), 0, 1)[..., None]
    rgb = np.clip(rgb * (1 - alpha) + np.array(colour) * alpha + rng.normal(0, 2, rgb.shape), 0, 255).astype(np.uint8)
    got = look_at(rgb, 52.0, 48.0)
    assert got is not None
    look, dot = got
    assert np.hypot(dot.x - 50.3, dot.y - 49.6) < 0.2
    assert abs(look.radius_px - 4.0) < 0.7


def test_nothing_stands_out_on_an_even_ground_or_an_edge() -> None:
    """An edge between two surfaces is no dot, nor is noise."""
    rng = np.random.default_rng(2)
    even = np.clip(rng.normal(100, 2, (80, 80, 1)), 0, 255).astype(np.uint8).repeat(3, axis=2)
    assert look_at(even, 40, 40) is None
    edge = even.copy()
    edge[:, 40:] = 220
    assert look_at(edge, 41, 40) is None


def test_dot_of_a_known_radius_is_kept_apart_from_its_neighbour() -> None:
    """A click goes to the nearer of two dots 9 px apart."""
    rng = np.random.default_rng(4)
    grey = draw([DrawnDot(np.array([[200.0, 145.5]]), 2.5), DrawnDot(np.array([[201.0, 154.5]]), 2.5)], 0, rng=rng)
    rgb = np.repeat(grey[100:200, 150:250, None], 3, axis=2)
    upper, lower = look_at(rgb, 50.5, 44.5, 2.5), look_at(rgb, 50.5, 55.5, 2.5)
    assert upper is not None
    assert lower is not None
    assert abs(upper[1].y - 45.5) < 0.2
    assert abs(lower[1].y - 54.5) < 0.2
