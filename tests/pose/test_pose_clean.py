"""From raw landmarks to clean paths, on a runner of known paths: collapses, jumps, gaps, states, noise, direction, view."""

from __future__ import annotations

import attrs
import numpy as np
import pytest
from walkers import BODY_PX, CHAIN, LEFT, RIGHT, inject_swaps, noisy, paths_of, raw_track, walker, wrong_share

from midstance.gait.model import LANDMARK_INDEX, LANDMARKS, State
from midstance.pose.clean import (
    MAX_GAP_S,
    MAX_SMEAR,
    MIN_VISIBILITY,
    body_height_px,
    clean,
    direction_of_travel,
    mark_smeared,
    near_side,
    noise_px,
    stride_template,
    view_shown,
)

FOOT = {s: [LANDMARK_INDEX[f"{s}_{p}"] for p in CHAIN[2:]] for s in ("left", "right")}
NOISE = 0.003


def cleaned(w, xy, view="side", **kwargs):
    return clean(raw_track(w, xy), w.time_s, view, **kwargs)


def errors(result, w) -> np.ndarray:
    """Distance from the truth in shares of body height, (n, 33); NaN where missing."""
    return np.linalg.norm(result.paths.xy - w.xy, axis=-1) / BODY_PX


@pytest.mark.parametrize("rate_hz", [60, 120, 240])
@pytest.mark.parametrize("direction", [1, -1])
def test_swaps_are_settled_and_counted_on_the_way(rate_hz, direction):
    rng = np.random.default_rng(3)
    w = walker(8, rate_hz, direction=direction)
    result = cleaned(w, inject_swaps(noisy(w.xy, NOISE, rng), rate_hz, rng, long_s=(1.2,)))
    good = np.isfinite(result.paths.xy[..., 0])
    assert wrong_share(np.where(good[..., None], result.paths.xy, w.xy), w.xy) <= 0.005
    assert np.nanmean(good[:, LEFT + RIGHT]) > 0.99
    assert 0.15 * len(w.time_s) < result.swapped_frames < 0.4 * len(w.time_s)
    assert result.body_px == pytest.approx(BODY_PX)
    assert result.lost_frames == 0


@pytest.mark.parametrize("rate_hz", [60, 120, 240])
@pytest.mark.parametrize("onto", ["left", "right"])
def test_both_legs_on_one_for_single_frames_are_dropped_and_filled(rate_hz, onto):
    rng = np.random.default_rng(4)
    w = walker(8, rate_hz)
    bad = noisy(w.xy, NOISE, rng)
    other = "right" if onto == "left" else "left"
    apart = np.linalg.norm(w.xy[:, FOOT["left"]] - w.xy[:, FOOT["right"]], axis=-1).mean(axis=1) / BODY_PX
    rows = np.flatnonzero(apart > 0.15)[:: max(3, rate_hz // 12)]
    for p in CHAIN[1:]:
        i, j = LANDMARK_INDEX[f"{other}_{p}"], LANDMARK_INDEX[f"{onto}_{p}"]
        bad[rows, i] = bad[rows, j] + rng.normal(0, 0.003 * BODY_PX, (len(rows), 2))
    result = cleaned(w, bad)
    state = result.paths.state
    gone = np.isin(state[np.ix_(rows, FOOT[other])], (State.FILLED, State.MISSING))
    assert gone.mean() > 0.97
    assert (state[np.ix_(rows, FOOT[onto])] == State.SEEN).mean() > 0.97  # the true leg is kept
    left_over = errors(result, w)[np.ix_(rows, FOOT[other])]
    assert np.nanmax(left_over) < 0.04  # nothing of the false leg is left in the paths
    if rate_hz >= 120:
        assert (state[np.ix_(rows, FOOT[other])] == State.FILLED).mean() > 0.95
        assert np.nanmedian(left_over) < 0.01
    assert result.filled >= (state == State.FILLED).sum() > 0


@pytest.mark.parametrize("rate_hz", [120, 240])
def test_both_legs_put_between_the_two_for_a_while_are_dropped(rate_hz):
    """Neither leg is far off and nothing jumps for long: only their lying together, where they should not, gives it away."""
    w = walker(8, rate_hz)
    bad = noisy(w.xy, 0.002, np.random.default_rng(20))
    feet = [FOOT["left"], FOOT["right"]]
    apart = np.linalg.norm(w.xy[:, feet[0]] - w.xy[:, feet[1]], axis=-1).mean(axis=1) / BODY_PX
    between = (apart > 0.09) & (apart < 0.13)
    rows = np.flatnonzero(between & (np.floor(w.time_s / 0.7) % 3 == 1))  # a third of the strides
    middle = 0.5 * (bad[np.ix_(rows, feet[0])] + bad[np.ix_(rows, feet[1])])
    bad[np.ix_(rows, feet[0])] = bad[np.ix_(rows, feet[1])] = middle
    assert len(rows) > 0.02 * len(bad)
    result = cleaned(w, bad)
    for side in ("left", "right"):
        state = result.paths.state[np.ix_(rows, FOOT[side])]
        assert (state != State.SEEN).mean() > 0.9
    wrong = (errors(result, w) > 0.04) & (result.paths.state == State.SEEN)
    assert wrong.mean() < 0.0005


@pytest.mark.parametrize("rate_hz", [25, 30, 60, 120, 240])
def test_a_good_runner_loses_nothing(rate_hz):
    """Legs that cross are no collapse, and a fast foot at 25 frames a second is no jump."""
    w = walker(8, rate_hz)
    result = cleaned(w, noisy(w.xy, NOISE, np.random.default_rng(5)))
    assert result.jumps <= 0.001 * w.xy[..., 0].size
    assert np.nanmax(errors(result, w)) < 0.02


@pytest.mark.parametrize("rate_hz", [60, 120, 240])
def test_single_jumps_of_any_landmark_are_dropped(rate_hz):
    rng = np.random.default_rng(6)
    w = walker(8, rate_hz)
    bad = noisy(w.xy, NOISE, rng)
    hit = rng.random(bad.shape[:2]) < 0.01
    angle = rng.uniform(0, 2 * np.pi, hit.sum())
    bad[hit] += 0.12 * BODY_PX * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    result = cleaned(w, bad)
    state = result.paths.state
    assert (np.isin(state[hit], (State.FILLED, State.MISSING))).mean() > 0.97
    assert (state[~hit] == State.SEEN).mean() > 0.95  # neighbours of a jump may go with it, little else
    assert np.nanmean(errors(result, w) > 0.04) < 0.0005


@pytest.mark.parametrize("rate_hz", [60, 120, 240])
def test_short_gaps_are_filled_and_marked_long_ones_stay(rate_hz):
    w = walker(6, rate_hz)
    xy = noisy(w.xy, NOISE, np.random.default_rng(7))
    i = LANDMARK_INDEX["left_wrist"]
    short = np.arange(rate_hz, rate_hz + max(1, int(0.9 * MAX_GAP_S * rate_hz) - 1))
    long = np.arange(3 * rate_hz, 3 * rate_hz + int(np.ceil(MAX_GAP_S * rate_hz)) + 1)
    xy[np.ix_(np.concatenate([short, long]), [i])] = np.nan
    result = cleaned(w, xy)
    assert (result.paths.state[short, i] == State.FILLED).all()
    assert np.isfinite(result.paths.xy[short, i]).all()
    assert np.nanmax(errors(result, w)[short, i]) < 0.03
    assert (result.paths.state[long, i] == State.MISSING).all()
    assert np.isnan(result.paths.xy[long, i]).all()


def test_lost_frames_stay_lost_and_are_counted():
    w = walker(6, 120)
    xy = noisy(w.xy, NOISE, np.random.default_rng(8))
    xy[:40] = np.nan
    xy[300:360] = np.nan
    result = cleaned(w, xy)
    lost = np.r_[0:40, 300:360]
    assert result.lost_frames == 100
    assert (result.paths.state[lost] == State.MISSING).all()
    assert np.isnan(result.paths.xy[lost]).all()
    assert np.isnan(result.paths.sigma_px[lost]).all()
    kept = np.setdiff1d(np.arange(len(xy)), lost)
    assert (result.paths.state[kept] == State.SEEN).mean() > 0.995


def test_a_wholly_lost_film_does_not_break():
    w = walker(2, 60)
    raw = attrs.evolve(raw_track(w, np.full_like(w.xy, np.nan)), region=np.full((len(w.time_s), 3), 600.0))
    result = clean(raw, w.time_s, "side")
    assert result.lost_frames == len(w.time_s)
    assert np.isnan(result.paths.xy).all()


def test_what_is_seen_is_passed_on_unfiltered():
    """Filtering has its own place and cut-off; here nothing that was seen may move, or noise would be under-stated."""
    w = walker(6, 120)
    xy = noisy(w.xy, NOISE, np.random.default_rng(9))
    result = cleaned(w, xy)
    seen = result.paths.state == State.SEEN
    assert seen.mean() > 0.99
    same = np.isclose(result.paths.xy, xy).all(axis=-1)
    assert same[seen].mean() > 0.999  # all but frames whose legs were exchanged where they cross


def upright_legs(seconds: float = 4.0, rate_hz: float = 60.0):
    """A runner seen along the travel: the legs hang straight down, shanks at full length."""
    w = walker(seconds, rate_hz, moves=False)
    xy = w.xy.copy()
    for side, x in (("left", 0.05), ("right", -0.05)):
        for part, y in zip(CHAIN, (0.0, 0.24, 0.48, 0.52, 0.53), strict=True):
            xy[:, LANDMARK_INDEX[f"{side}_{part}"]] = [640 + x * BODY_PX, 330 + y * BODY_PX]
    return type(w)(w.time_s, xy, w.phase)


@pytest.mark.parametrize("view", ["rear", "front"])
def test_a_leg_of_low_visibility_in_rear_and_front_view_is_a_guess(view):
    w = upright_legs()
    xy = noisy(w.xy, 0.002, np.random.default_rng(10))
    visibility = np.full(xy.shape[:2], 0.95)
    rows = np.arange(60, 75)
    ankle, ear = LANDMARK_INDEX["left_ankle"], LANDMARK_INDEX["left_ear"]
    visibility[rows, ankle] = visibility[rows, ear] = MIN_VISIBILITY - 0.2
    result = clean(raw_track(w, xy, visibility), w.time_s, view)
    marked = result.paths.state == State.GUESS
    assert marked[rows, ankle].mean() > 0.9
    assert not marked[:, ear].any()  # only legs are judged by it
    assert not marked[np.setdiff1d(np.arange(len(xy)), rows)].any()
    seen = result.paths.state[:, ankle] == State.SEEN
    assert np.nanmin(result.paths.sigma_px[marked[:, ankle], ankle]) > 3 * result.paths.sigma_px[seen, ankle].max()
    # In side view the same low visibility is no news: it is high where the legs are exchanged and low where they are not.
    side = clean(raw_track(w, xy, visibility), w.time_s, "side")
    assert not (side.paths.state == State.GUESS).any()


@pytest.mark.parametrize(("view", "parts"), [("front", {"ankle", "heel", "toe"}), ("rear", {"knee", "toe"})])
def test_what_the_swing_leg_hides_is_a_guess_though_the_network_is_sure(view, parts):
    """Twice a second the left shank turns out of the picture: from the front the foot, from behind the knee is covered."""
    w = upright_legs()
    xy = w.xy.copy()
    lift = 0.5 * (1 - np.cos(2 * np.pi * 2 * w.time_s))  # 0 in stance, 1 in mid-swing
    for part in ("ankle", "heel", "toe"):
        xy[:, LANDMARK_INDEX[f"left_{part}"], 1] -= 0.24 * BODY_PX * 0.8 * lift
    moving = type(w)(w.time_s, xy, w.phase)
    result = clean(raw_track(moving, noisy(xy, 0.001, np.random.default_rng(1))), w.time_s, view)
    share = 1 - 0.8 * lift
    for part in CHAIN[1:]:
        marked = result.paths.state[:, LANDMARK_INDEX[f"left_{part}"]] == State.GUESS
        if part in parts:
            assert marked[share < 0.55].all()
            assert not marked[share > 0.7].any()
        else:
            assert not marked.any()
    assert not (result.paths.state[:, RIGHT] == State.GUESS).any()
    assert not (clean(raw_track(moving, xy), w.time_s, "side").paths.state == State.GUESS).any()


def test_smeared_feet_are_marked_by_speed_and_exposure_and_nothing_else_is():
    w = walker(6, 120)
    xy = noisy(w.xy, 0.001, np.random.default_rng(11))
    exposure_s = 1 / 100
    result = cleaned(w, xy, exposure_s=exposure_s)
    blurred = result.paths.state == State.BLURRED
    feet = FOOT["left"] + FOOT["right"]
    assert not blurred[:, np.setdiff1d(np.arange(33), feet)].any()
    speed = np.linalg.norm(np.gradient(w.xy, w.time_s, axis=0), axis=-1) / BODY_PX  # body heights a second
    assert blurred[:, feet][speed[:, feet] * exposure_s > 1.3 * MAX_SMEAR].mean() > 0.95
    assert blurred[:, feet][speed[:, feet] * exposure_s < 0.7 * MAX_SMEAR].mean() < 0.02
    assert 0.1 < blurred[:, feet].mean() < 0.9
    assert not (cleaned(w, xy, exposure_s=1 / 2000).paths.state == State.BLURRED).any()
    before = cleaned(w, xy)
    assert not (before.paths.state == State.BLURRED).any()  # exposure not known
    later = mark_smeared(before, exposure_s)  # known only afterwards: the same
    np.testing.assert_array_equal(later.paths.state, result.paths.state)
    np.testing.assert_array_equal(later.paths.sigma_px, result.paths.sigma_px)
    assert (later.paths.sigma_px[blurred] > before.paths.sigma_px[blurred]).all()


@pytest.mark.parametrize("rate_hz", [120, 240])
@pytest.mark.parametrize("share", [0.002, 0.004, 0.008])
def test_noise_px_recovers_injected_white_noise_within_20_percent(rate_hz, share):
    w = walker(8, rate_hz)
    xy = noisy(w.xy, share, np.random.default_rng(12))
    sigma = noise_px(w.time_s, xy, np.zeros(xy.shape[:2], np.uint8))
    assert sigma.shape == xy.shape[:2]
    for name in ("nose", "left_hip", "right_knee", "left_ankle", "right_heel", "left_toe"):
        got = sigma[0, LANDMARK_INDEX[name]]
        assert got == pytest.approx(share * BODY_PX, rel=0.2), name


def test_noise_px_at_60_hz_errs_on_the_wide_side():
    """At 60 a second the third difference of a fast foot holds motion too: the noise may read large, never small."""
    w = walker(8, 60)
    xy = noisy(w.xy, 0.004, np.random.default_rng(13))
    sigma = noise_px(w.time_s, xy, np.zeros(xy.shape[:2], np.uint8))[0]
    true = 0.004 * BODY_PX
    assert (sigma > 0.8 * true).all()
    for name in ("nose", "left_shoulder", "left_hip", "left_knee"):
        assert sigma[LANDMARK_INDEX[name]] == pytest.approx(true, rel=0.2), name
    assert sigma[LANDMARK_INDEX["left_toe"]] < 4 * true


def test_noise_px_follows_each_landmark_and_is_not_fooled_by_a_few_outliers():
    w = walker(6, 120)
    rng = np.random.default_rng(14)
    each = rng.uniform(1.0, 6.0, 33)
    xy = w.xy + rng.normal(size=w.xy.shape) * each[None, :, None]
    xy[rng.random(xy.shape[:2]) < 0.01] += 80
    sigma = noise_px(w.time_s, xy, np.zeros(xy.shape[:2], np.uint8))[0]
    still = [i for i, n in enumerate(LANDMARKS) if not any(p in n for p in ("heel", "toe", "ankle", "knee"))]
    np.testing.assert_allclose(sigma[still], each[still], rtol=0.25)


def test_noise_px_is_wider_where_not_seen_and_never_nothing():
    w = walker(3, 120)
    state = np.zeros(w.xy.shape[:2], np.uint8)
    state[10, 5], state[11, 5], state[12, 5] = State.FILLED, State.GUESS, State.BLURRED
    state[13, 5] = State.MISSING
    sigma = noise_px(w.time_s, w.xy, state)
    base = sigma[0, 5]
    assert base >= 0.25  # a path without any noise is not believed
    assert sigma[10, 5] > base
    assert min(sigma[11, 5], sigma[12, 5]) > sigma[10, 5]
    assert np.isnan(sigma[13, 5])


@pytest.mark.parametrize("sign", [1, -1])
def test_direction_of_travel_and_near_leg(sign):
    w = walker(3, 60, direction=sign)
    direction, agreement = direction_of_travel(paths_of(w, noisy(w.xy, 0.005, np.random.default_rng(15))))
    assert direction == ("+x" if sign > 0 else "-x")
    assert agreement > 0.9  # at toe-off the foot hangs upright and says nothing
    assert near_side(direction) == ("right" if sign > 0 else "left")


def test_direction_of_travel_is_unsure_of_a_runner_who_turns_round():
    there, back = walker(3, 60, direction=1), walker(3, 60, direction=-1)
    xy = np.concatenate([there.xy, back.xy])
    w = type(there)(np.arange(len(xy)) / 60, xy, np.concatenate([there.phase, back.phase]))
    _, agreement = direction_of_travel(paths_of(w, xy))
    assert agreement < 0.6


def test_direction_of_travel_of_nothing_is_not_sure():
    w = walker(1, 60)
    _, agreement = direction_of_travel(paths_of(w, np.full_like(w.xy, np.nan)))
    assert agreement == 0.5


def seen_from(turn_deg: float):
    """The runner's trunk turned about the vertical: 0° side view, +90° front view, −90° rear view."""
    w = walker(2, 60)
    xy = w.xy.copy()
    wide = {"shoulder": 0.10, "hip": 0.06}
    for part, half in wide.items():
        for side, s in (("left", 1), ("right", -1)):
            middle = 0.5 * (w.xy[:, LANDMARK_INDEX[f"left_{part}"]] + w.xy[:, LANDMARK_INDEX[f"right_{part}"]])
            xy[:, LANDMARK_INDEX[f"{side}_{part}"]] = middle
            xy[:, LANDMARK_INDEX[f"{side}_{part}"], 0] += s * half * BODY_PX * np.sin(np.radians(turn_deg))
    return paths_of(w, xy)


@pytest.mark.parametrize(
    ("turn", "view"), [(0, "side"), (10, "side"), (-15, "side"), (90, "front"), (75, "front"), (-90, "rear"), (-70, "rear")]
)
def test_view_shown(turn, view):
    found, width = view_shown(seen_from(turn))
    assert found == view
    assert np.sign(width) == np.sign(turn) or turn == 0


def test_view_shown_leaves_an_oblique_camera_and_an_empty_film_open():
    assert view_shown(seen_from(36))[0] is None
    assert view_shown(seen_from(-36))[0] is None
    w = walker(1, 60)
    assert view_shown(paths_of(w, np.full_like(w.xy, np.nan)))[0] is None


def test_stride_template_is_the_runners_own_median_path():
    rng = np.random.default_rng(16)
    phase = np.linspace(0, 20 * np.pi, 2400)
    path = np.stack([np.cos(phase), np.sin(2 * phase)], axis=1)[:, None]
    bad = path + rng.normal(0, 0.02, path.shape)
    bad[rng.random(len(phase)) < 0.1] += 5.0  # one frame in ten is nonsense
    expected, spread = stride_template(bad, phase)
    assert np.abs(expected - path).max() < 0.08
    assert np.median(spread) == pytest.approx(0.02, rel=0.5)


def test_body_height_ignores_lost_frames():
    w = walker(2, 60)
    xy = w.xy.copy()
    xy[:50] = np.nan
    assert body_height_px(raw_track(w, xy)) == pytest.approx(BODY_PX)
