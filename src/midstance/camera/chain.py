"""From points followed against key pictures to the camera's motion through the whole film: pure computation."""

from __future__ import annotations

from collections.abc import Sequence

import attrs
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from midstance.camera.motion import ROLL_ARM, CameraMotion, MotionKind
from midstance.camera.turns import LEAST_POINTS, TUKEY, Turn, fit_turn
from midstance.gait.model import Floats

#: Focal length assumed when nothing tells, in long sides of the picture, and its 1-SD relative error: phones film through
#: about a 26 mm lens (36 mm frame), cut by stabilisation [from memory]; twofold zoom doubles it.
USUAL_FOCAL, USUAL_FOCAL_SIGMA = 0.85, 0.30
#: Focal lengths tried, in long sides of the picture.
FOCALS = np.geomspace(0.45, 5.0, 15)
#: A pan shows the focal length from pairs of pictures at least this far apart, share of the width.
PAN_SHARE = 0.07
#: Fewest and most such pairs.
PAN_PAIRS = (3, 8)
#: Focal length found from a pan: kept when its 1-SD relative error is below this; and never believed better than this.
FOCAL_SIGMA_MOST, FOCAL_SIGMA_LEAST = 0.20, 0.03
#: The camera stands still while the runner's picture moves by less than this share of body height, or this many px.
STILL_SHARE, STILL_PX = 0.004, 1.0
#: Near and far surroundings move apart by more than this share of their movement: the camera travels.
TRAVEL_SHARE = 0.20
#: Least share of pictures that must be followed; least share of points that must agree.
FOLLOWED, AGREEING = 0.80, 0.35
#: Points that are left farther than this from where the turn puts them, share of the long side, were not followed, unless
#: all go one way: grain of the picture, taken for texture, wanders about; near and far things part along one direction.
MOST_RESIDUAL, ONE_WAY = 0.0025, 0.8
#: A zoom below this is taken for none.
LEAST_LOG_ZOOM = 0.01
#: Read-out times are told when their 1-SD error is below the first, s, and never believed better than the second:
#: on a rendered pan read out in 16 ms it was found as 17.
READOUT_SIGMA_S, READOUT_SIGMA_LEAST_S = 0.006, 0.002


@attrs.frozen(eq=False)
class Link:
    """Points of key picture ``key`` and where they are in picture ``index``: (n, 2) px each."""

    key: int
    index: int
    first_px: NDArray[np.float64]
    second_px: NDArray[np.float64]

    @property
    def shift_px(self) -> float:
        """Median distance that the points moved, px; NaN without points."""
        return float(np.median(np.hypot(*(self.second_px - self.first_px).T))) if len(self.first_px) else float("nan")

    @property
    def one_way(self) -> float:
        """How far the points move in one direction: 1 all in one, about 0 when each goes its own way."""
        step = self.second_px - self.first_px
        length = np.hypot(*step.T)
        good = length > 0
        return float(np.linalg.norm((step[good] / length[good, None]).mean(axis=0))) if good.any() else 0.0


@attrs.frozen(eq=False)
class _Chain:
    """Pictures against the reference picture: (n, …), NaN where they hang on nothing."""

    turn_rad: Floats
    log_zoom: Floats
    variance: Floats  # (n, 3) of the turn, rad²
    fits: dict[int, tuple[int, Turn]]
    reference: int
    focal_px: float  # at the reference picture


def solve_motion(
    time_s: Floats,
    links: Sequence[Link],
    *,
    size_px: tuple[int, int],
    focal_px: float | None = None,
    focal_relative_sigma: float = 0.01,
    body_px: float | None = None,
    readout_axis: int = 1,
    uprights: Floats | None = None,
) -> CameraMotion:
    """Return the camera's motion from followed points.

    Parameters
    ----------
    time_s : (n,) real times of the pictures looked at.
    links : one for each picture but the first, in order of time; a key picture has a link to the key before it.
    size_px : (width, height).
    focal_px, focal_relative_sigma : where the focal length is known.
    body_px : height of the runner, px; None takes half of the picture's.
    readout_axis : 1 where rows are read one after the other, 0 where columns are.
    uprights : (m, 3) readings of upright edges, as kept in ``CameraMotion``.
    """
    n = len(time_s)
    width, height = size_px
    centre = np.array(size_px, dtype=np.float64) / 2.0
    focal, focal_sigma, source = focal_px, focal_relative_sigma, "given"
    if focal is None:
        focal, focal_sigma, source = _focal(links, size_px, centre, readout_axis)
    zoom_too = _zooms(links, focal, centre, readout_axis)
    chain = _chain(n, links, focal, centre, readout_axis, zoom_too)
    focal = chain.focal_px
    known = np.isfinite(chain.turn_rad).all(axis=1)
    turns = [t for _, t in chain.fits.values()]
    residual = float(np.median([t.residual_px for t in turns])) if turns else float("nan")
    moved, apart = _moved(time_s, chain, focal, height)
    travel = _travel(links, chain, width)
    reason = ""
    kind: MotionKind
    body = body_px if body_px and body_px > 0 else 0.5 * height
    if n < 2 or known.mean() < FOLLOWED:
        kind = "unknown"
        points = float(np.median([len(link.first_px) for link in links])) if links else 0.0
        reason = (
            f"the surroundings show too little to follow ({points:.0f} points)"
            if points < LEAST_POINTS
            else f"the surroundings could be followed in only {known.mean():.0%} of the pictures"
        )
    elif apart < max(STILL_SHARE * body, STILL_PX):
        kind = "still"
    elif travel > TRAVEL_SHARE:
        kind = "travelling"
        chain = _level_chain(n, links, focal, centre)
        reason = "the camera itself moved along: near and far surroundings move apart"
    else:
        kind = "turning"
    motion = CameraMotion(
        kind=kind,
        reason=reason,
        time_s=np.asarray(time_s, dtype=np.float64),
        turn_rad=chain.turn_rad,
        log_zoom=chain.log_zoom,
        sigma_px=focal * np.sqrt(chain.variance[:, :2].mean(axis=1)),
        sigma_roll_deg=np.degrees(np.sqrt(chain.variance[:, 2])),
        size_px=size_px,
        focal_px=focal,
        focal_relative_sigma=focal_sigma,
        focal_source=source,
        reference_s=float(time_s[chain.reference]) if n else 0.0,
        residual_px=residual,
        moved_share=moved / height,
        travel_share=travel,
        readout_axis=readout_axis,
        uprights=np.empty((0, 3)) if uprights is None else uprights,
    )
    if kind != "turning":
        return motion
    shifts = {link.index: np.median(link.second_px - link.first_px, axis=0) for link in links if len(link.first_px)}
    readout = _readout(motion, chain, shifts)
    return motion if readout is None else attrs.evolve(motion, readout_s=readout[0], readout_sigma_s=readout[1])


def _pan_pairs(links: Sequence[Link], width: int) -> list[Link]:
    """Return the farthest pair of each key picture, where it is far enough to show the focal length."""
    best: dict[int, Link] = {}
    for link in links:
        if len(link.first_px) >= 2 * LEAST_POINTS and link.shift_px > PAN_SHARE * width:
            if link.key not in best or link.shift_px > best[link.key].shift_px:
                best[link.key] = link
    return sorted(best.values(), key=lambda pair: -pair.shift_px)[: PAN_PAIRS[1]]


def _focal(
    links: Sequence[Link], size_px: tuple[int, int], centre: Floats, readout_axis: int
) -> tuple[float, float, str]:
    """Find the focal length from how a pan moves the edges of the picture faster than its middle.

    All pairs are fitted with each of several focal lengths and the costs added. The error is the spread when pairs are
    left out one at a time (jackknife).
    """
    long_px = max(size_px)
    usual = USUAL_FOCAL * long_px, USUAL_FOCAL_SIGMA, "assumed: a phone's main lens"
    pairs = _pan_pairs(links, size_px[0])
    if len(pairs) < PAN_PAIRS[0]:
        return usual

    def costs(logs: Floats) -> Floats:
        table = np.empty((len(pairs), len(logs)))
        for i, pair in enumerate(pairs):
            worst = len(pair.first_px) * float(np.log1p(float(long_px) ** 2))
            for j, log in enumerate(logs):
                fit = fit_turn(
                    pair.first_px,
                    pair.second_px,
                    focal_px=long_px * float(np.exp(log)),
                    centre_px=centre,
                    readout_axis=readout_axis,
                )
                table[i, j] = worst if fit is None else fit.cost
        return table

    coarse = np.log(FOCALS)
    i = int(np.argmin(costs(coarse).sum(axis=0)))
    if i in (0, len(coarse) - 1):
        return usual
    fine = np.linspace(coarse[i - 1], coarse[i + 1], 9)
    table = costs(fine)
    best = _least(fine, table.sum(axis=0))
    without = np.array([_least(fine, table.sum(axis=0) - row) for row in table])
    m = len(without)
    sigma = float(np.sqrt((m - 1) / m * np.sum((without - without.mean()) ** 2)))
    if sigma > FOCAL_SIGMA_MOST:
        return usual
    return long_px * float(np.exp(best)), max(sigma, FOCAL_SIGMA_LEAST), "found from the pan"


def _least(at: Floats, cost: Floats) -> float:
    """Return where a sampled cost is least: the top of a parabola through the least three samples."""
    i = int(np.clip(np.argmin(cost), 1, len(cost) - 2))
    a, b, c = cost[i - 1], cost[i], cost[i + 1]
    step = float(at[1] - at[0])
    return float(at[i] + np.clip(0.5 * step * (a - c) / max(a - 2 * b + c, 1e-12), -step, step))


def _zooms(links: Sequence[Link], focal: float, centre: Floats, readout_axis: int) -> bool:
    """Tell from the last picture of each key whether the picture was enlarged on the way."""
    last = {link.key: link for link in links}
    total = most = 0.0
    for link in last.values():
        fit = fit_turn(link.first_px, link.second_px, focal_px=focal, centre_px=centre, readout_axis=readout_axis)
        if fit is not None:
            total += fit.log_zoom
            most = max(most, abs(total))
    return most > LEAST_LOG_ZOOM


def _chain(n: int, links: Sequence[Link], focal: float, centre: Floats, readout_axis: int, zoom_too: bool) -> _Chain:
    turns: list[Rotation | None] = [None] * n
    # Errors of the key pictures add up along the chain; each picture's own error comes on top.
    zoom, added, own = np.full(n, np.nan), np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    fits: dict[int, tuple[int, Turn]] = {}
    if n:
        turns[0], zoom[0], added[0], own[0] = Rotation.identity(), 0.0, 0.0, 0.0
    before: dict[int, Turn] = {}
    for link in links:
        base = turns[link.key]
        if base is None:
            continue
        # Key picture's own zoom changes its focal length.
        fit = fit_turn(
            link.first_px,
            link.second_px,
            focal_px=focal * float(np.exp(zoom[link.key])),
            centre_px=centre,
            start=before.get(link.key),
            zoom_too=zoom_too,
            readout_axis=readout_axis,
        )
        if fit is None or fit.inliers < AGREEING:
            continue
        if fit.residual_px > MOST_RESIDUAL * 2 * float(centre.max()) and link.one_way < ONE_WAY:
            continue
        before[link.key] = fit
        fits[link.index] = (link.key, fit)
        turns[link.index] = Rotation.from_rotvec(fit.turn_rad) * base
        zoom[link.index] = zoom[link.key] + fit.log_zoom
        own[link.index] = np.diag(fit.covariance)[:3]
        added[link.index] = added[link.key] + own[link.key]
    good = [i for i, r in enumerate(turns) if r is not None]
    turn = np.full((n, 3), np.nan)
    if not good:
        return _Chain(turn, zoom, own, fits, 0, focal)
    # The reference is the middle of what is known, so that neither end lies far from it.
    middle = good[len(good) // 2]
    reference = turns[middle]
    assert reference is not None
    for i in good:
        here = turns[i]
        assert here is not None
        turn[i] = (here * reference.inv()).as_rotvec()
    variance = np.abs(added - added[middle]) + own + own[middle]
    return _Chain(turn, zoom - zoom[middle], variance, fits, middle, focal * float(np.exp(zoom[middle])))


def _moved(time_s: Floats, chain: _Chain, focal: float, height: int) -> tuple[float, float]:
    """Return how far the runner's picture is moved within 0.25 s (95th percentile), and at most over the film, px.

    A turn of the optical axis moves the middle by focal length × angle; a roll moves what lies half a body away from it.
    """
    known = np.flatnonzero(np.isfinite(chain.turn_rad).all(axis=1))
    if len(known) < 2:
        return float("nan"), float("nan")
    turns = Rotation.from_rotvec(chain.turn_rad[known])
    t = time_s[known]
    lag = max(1, int(np.searchsorted(t - t[0], 0.25, side="right")) - 1)

    def apart(vector: Floats) -> Floats:
        return np.asarray(focal * np.hypot(vector[:, 0], vector[:, 1]) + ROLL_ARM * height * np.abs(vector[:, 2]))

    most = float(apart(chain.turn_rad[known]).max())
    if lag >= len(known):
        return most, most
    return float(np.quantile(apart((turns[lag:] * turns[:-lag].inv()).as_rotvec()), 0.95)), most


def _travel(links: Sequence[Link], chain: _Chain, width: int) -> float:
    """Return how far the worst fifth of the points lies from where a turn puts them, as a share of their movement."""
    shares = []
    for link in links:
        fit = chain.fits.get(link.index)
        if fit is not None and fit[0] == link.key and link.shift_px > 0.05 * width:
            shares.append(fit[1].far_px / link.shift_px)
    return float(np.median(shares)) if shares else 0.0


def _level_chain(n: int, links: Sequence[Link], focal: float, centre: Floats) -> _Chain:
    """Chain the roll alone, for a camera that travels.

    Near things pass faster than far ones, but all along the way of travel; across it, what moves a point is the turn alone.
    Roll moves points across the way in proportion to their place along it.
    """
    roll, own, added = np.full(n, np.nan), np.full(n, np.nan), np.full(n, np.nan)
    roll[0] = own[0] = added[0] = 0.0
    for link in links:
        found = _roll_across(link, centre) if np.isfinite(roll[link.key]) else None
        if found is not None:
            roll[link.index] = roll[link.key] + found[0]
            own[link.index] = found[1] ** 2
            added[link.index] = added[link.key] + own[link.index]
    good = np.flatnonzero(np.isfinite(roll))
    middle = int(good[len(good) // 2])
    turn = np.stack([0.0 * roll, 0.0 * roll, roll - roll[middle]], axis=1)
    variance = np.abs(added - added[middle]) + own + own[middle]
    return _Chain(turn, 0.0 * roll, np.repeat(variance[:, None], 3, axis=1), {}, middle, focal)


def _roll_across(link: Link, centre: Floats) -> tuple[float, float] | None:
    """Return the roll between two pictures of a travelling camera, rad, and its 1-SD error; None where not to be told."""
    step = link.second_px - link.first_px
    if len(step) < LEAST_POINTS:
        return None
    along = np.median(step, axis=0)
    length = float(np.hypot(*along))
    along = along / length if length > 2.0 else np.array([1.0, 0.0])
    # Along and across keep the picture's sense of turning: across is along turned by a quarter, x to y.
    across = np.array([-along[1], along[0]])
    place = link.first_px - centre
    design = np.stack([np.ones(len(step)), place @ along, place @ across], axis=1)
    values = step @ across
    trust = np.ones(len(step))
    coefficients = np.zeros(3)
    scale = 1.0
    for _ in range(8):
        root = np.sqrt(trust)
        coefficients = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
        rest = np.abs(values - design @ coefficients)
        scale = max(1.4826 * float(np.median(rest)), 0.15)
        trust = np.where(rest < TUKEY * scale, (1.0 - np.minimum(rest / (TUKEY * scale), 1.0) ** 2) ** 2, 0.0)
    if int((trust > 0).sum()) < LEAST_POINTS:
        return None
    information = (design * trust[:, None]).T @ design
    sigma = scale * float(np.sqrt(2.0 * np.linalg.pinv(information)[1, 1]))
    return float(coefficients[1]), sigma


def _readout(motion: CameraMotion, chain: _Chain, shifts: dict[int, Floats]) -> tuple[float, float] | None:
    """Find the read-out time from how the picture shears while the camera turns: later rows show a later direction.

    The surroundings move through the picture at u px/s, so a row read dt later is moved by u dt. A picture against its key
    shows the difference of their shears, and of their speeds: a straight line, its slope the read-out time per px. Shears
    that go with how far the picture has moved, as parallax makes them, are fitted beside it. Positive: from top to bottom
    (left to right where columns are read).
    """
    speed = _picture_speed(motion)
    rows, y, weight, keys = [], [], [], []
    for i, (key, fit) in chain.fits.items():
        if not np.isfinite(speed[[i, key]]).all():
            continue
        for axis in (0, 1):
            row = np.zeros(5)
            row[0] = speed[i, axis] - speed[key, axis]
            row[1 + 2 * axis : 3 + 2 * axis] = shifts[i]
            rows.append(row)
            y.append(float(fit.shear[axis]))
            weight.append(1.0 / max(float(fit.covariance[4 + axis, 4 + axis]), 1e-12))
            keys.append(key)
    several = sorted(set(keys))
    if len(rows) < 40 or len(several) < 4:
        return None
    design, values, trust, owner = np.array(rows), np.array(y), np.array(weight), np.array(keys)

    def fitted(keep: NDArray[np.bool_]) -> Floats:
        root = np.sqrt(trust[keep])
        return np.asarray(np.linalg.lstsq(design[keep] * root[:, None], values[keep] * root, rcond=None)[0])

    everything = np.ones(len(values), bool)
    for _ in range(5):
        rest = np.abs(values - design @ fitted(everything)) * np.sqrt(np.array(weight))
        trust = np.array(weight) / np.maximum(1.0, rest / (1.5 * max(1.4826 * float(np.median(rest)), 1e-9)))
    slope = float(fitted(everything)[0])
    # Pictures of one key share its error: keys are left out one at a time.
    without = np.array([fitted(owner != key)[0] for key in several])
    m = len(without)
    length = motion.size_px[motion.readout_axis]
    sigma = length * float(np.sqrt((m - 1) / m * np.sum((without - without.mean()) ** 2)))
    sigma = max(sigma, READOUT_SIGMA_LEAST_S)
    return (length * slope, sigma) if sigma < READOUT_SIGMA_S else None


def _picture_speed(motion: CameraMotion) -> Floats:
    """Return the (n, 2) speed of the surroundings through the middle of each picture, px/s."""
    dt = 0.002
    after, _ = motion.at(np.minimum(motion.time_s + dt, motion.time_s[-1]))
    before, _ = motion.at(np.maximum(motion.time_s - dt, motion.time_s[0]))
    span = np.minimum(motion.time_s + dt, motion.time_s[-1]) - np.maximum(motion.time_s - dt, motion.time_s[0])
    out = np.full((len(span), 2), np.nan)
    known = np.isfinite(after).all(axis=1) & np.isfinite(before).all(axis=1)
    if known.any():
        omega = (Rotation.from_rotvec(after[known]) * Rotation.from_rotvec(before[known]).inv()).as_rotvec()
        omega /= span[known][:, None]
        # A turn w moves the direction of the middle, (0, 0, 1), by w × it.
        out[known] = motion.focal_px * np.stack([omega[:, 1], -omega[:, 0]], axis=1)
    return out
