"""Finding the runner: who in the film is running, and is it one person.

A few spots spread over the film are looked at with the person detector on tiles. Whoever is found there is then watched
over a quarter of a second: a runner's feet move against the hips, a poster, a dummy or a bystander's do not.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

import attrs
import numpy as np

from midstance.errors import RunnerError
from midstance.film.frames import Frame
from midstance.film.reader import probe, read_frames
from midstance.gait.model import LANDMARK_INDEX
from midstance.pose import detector
from midstance.pose.landmarker import Reading, Region, decode, network_input
from midstance.pose.runtime import Network

#: Real time between the three looks at one spot, s. A third of a step apart, so the feet must have moved.
LOOK_S = 0.11
#: When nobody seems to run, the looks are this many times farther apart.
LONGER = 8.0
#: Feet of a runner move at least this much against the hips between two looks, in body sizes (engineering gate).
MIN_FOOT_MOTION = 0.06
#: Below this the network says that nobody is there.
MIN_PRESENCE = 0.5
#: With ``pick_x`` the runner is looked for within this share of the picture's width.
PICK_REACH = 0.25
#: A second runner of at least this share of the largest one's size makes the choice unclear.
RIVAL_SIZE = 0.6
#: From spot to spot the runner's size changes less than by this factor.
SAME_SIZE = 0.7
SPOTS = 5


@attrs.frozen
class Sighting:
    """A person at one spot of the film. ``foot_motion`` is in body sizes; ``time_s`` file time."""

    time_s: float
    region: Region
    score: float
    foot_motion: float

    @property
    def runs(self) -> bool:
        """True when the feet move like a runner's."""
        return self.foot_motion >= MIN_FOOT_MOTION


@attrs.frozen
class RunnerSearch:
    """Where the runner was seen and how many people were in the picture at each spot.

    ``standing`` are sightings of people (or pictures of people) whose feet don't move, ``others`` of further runners.
    """

    runner: tuple[Sighting, ...]
    people: tuple[int, ...]
    spots: int
    standing: tuple[Sighting, ...] = ()
    others: tuple[Sighting, ...] = ()

    @property
    def size_px(self) -> float:
        """Median side of the runner's region, pixels."""
        return float(np.median([s.region.size for s in self.runner]))


def region_rgb(frame: Frame, region: Region) -> tuple[np.ndarray, Region]:
    """Cut a region out of a frame; returns the picture and the region as cut (whole pixels)."""
    side = max(8, round(region.size))
    left, top = round(region.x - side / 2), round(region.y - side / 2)
    return frame.rgb_region(left, top, left + side, top + side), Region(left + side / 2, top + side / 2, side)


def read_one(network: Network, frame: Frame, region: Region) -> Reading:
    """Read one region of one frame."""
    rgb, cut = region_rgb(frame, region)
    return decode(network.run(network_input(rgb)), cut)


def region_of(reading: Reading) -> Region:
    """Return the region the network would have wanted for the body it found."""
    size = 2 * detector.REGION_MARGIN * reading.body_px
    return Region(float(reading.centre[0]), float(reading.centre[1]), size)


def find_runner(
    path: Path,
    landmark_net: Network,
    detector_net: Network,
    *,
    start_s: float,
    end_s: float,
    slowdown: float,
    pick_x: float | None = None,
) -> RunnerSearch:
    """Look for the runner at a few spots of a film.

    Parameters
    ----------
    start_s, end_s : part of the film to look at, file time, s.
    slowdown : file time ÷ real time (1 for a film at its true speed).
    pick_x : where the runner is when there are several, as a fraction of the picture's width from the left.

    Raises
    ------
    RunnerError
        Nobody, nobody running, or several runners of about the same size.
    """
    found = _at_spots(path, landmark_net, detector_net, start_s, end_s, LOOK_S * slowdown, pick_x)
    if not found.runner and not found.others and found.standing:
        # A film in slow motion that does not say so shows feet that hardly move in a tenth of a second: look longer, so
        # that the rhythm can be checked later and the right question asked.
        longer = _at_spots(path, landmark_net, detector_net, start_s, end_s, LONGER * LOOK_S * slowdown, pick_x)
        found = longer if longer.runner else attrs.evolve(longer, standing=found.standing + longer.standing)
    if found.runner:
        return found
    if found.others:
        width = probe(path).width
        places = sorted({f"{s.region.x / width:.2f}" for s in found.others})
        raise RunnerError(
            f"nobody runs at {pick_x:g} of the picture's width",
            where=str(path),
            allowed=f"--runner-x within {PICK_REACH:g} of a runner; runners were seen at " + ", ".join(places),
            next_step="give the place of the runner to measure, or leave --runner-x out when there is one runner",
        )
    _raise_nobody(path, found.standing)


def _at_spots(
    path: Path,
    landmark_net: Network,
    detector_net: Network,
    start_s: float,
    end_s: float,
    look: float,
    pick_x: float | None,
) -> RunnerSearch:
    length = end_s - start_s
    spots = [start_s + length * (i + 0.5) / SPOTS for i in range(SPOTS)]
    width = probe(path).width
    seen: list[list[Sighting]] = []
    for i, spot in enumerate(spots):
        looks = _looks(path, spot, look)
        if len(looks) < 2:
            continue
        # Tiles are slow: they are used until the runner was seen, then only to count people now and then.
        known = any(s.runs and _is_near(s, pick_x, width) for at_spot in seen for s in at_spot)
        thorough = i == SPOTS // 2 or not known
        seen.append(_watch(looks, landmark_net, detector_net, thorough))
    runners = choose_runner([[s for s in at_spot if s.runs] for at_spot in seen], width, path, pick_x)
    everybody = [s for at_spot in seen for s in at_spot]
    return RunnerSearch(
        runner=tuple(runners),
        people=tuple(len(at_spot) for at_spot in seen),
        spots=len(spots),
        standing=_not_at([s for s in everybody if not s.runs], runners),
        others=_not_at([s for s in everybody if s.runs and s not in runners], runners),
    )


def _not_at(sightings: list[Sighting], runners: list[Sighting]) -> tuple[Sighting, ...]:
    """Return the sightings that are not of the runner: in slow motion the runner may seem to stand at some spots."""
    return tuple(s for s in sightings if not any(detector.same_person(s.region, r.region) for r in runners))


def _looks(path: Path, spot_s: float, look_s: float) -> list[Frame]:
    with read_frames(path, start_s=spot_s, end_s=spot_s + 2.2 * look_s) as frames:
        looks: list[Frame] = []
        for frame in frames:
            if not looks or frame.file_time_s >= looks[0].file_time_s + len(looks) * look_s - 1e-6:
                looks.append(frame)
            if len(looks) == 3:
                break
    return looks


def _watch(
    looks: Sequence[Frame], landmark_net: Network, detector_net: Network, thorough: bool
) -> list[Sighting]:
    feet = [LANDMARK_INDEX[f"{s}_{p}"] for s in ("left", "right") for p in ("ankle", "toe")]
    hips = [LANDMARK_INDEX["left_hip"], LANDMARK_INDEX["right_hip"]]
    seen: list[Sighting] = []
    for person in detector.search(detector_net, looks[0].rgb(), thorough=thorough):
        region, offsets, size = person.region, [], 0.0
        for k, frame in enumerate(looks):
            reading = read_one(landmark_net, frame, region)
            if k == 0 and reading.presence >= MIN_PRESENCE:
                # The detector's box is rough: look again where the network found the body.
                region = region_of(reading)
                reading = read_one(landmark_net, frame, region)
            if reading.presence < MIN_PRESENCE:
                break
            region, size = region_of(reading), reading.body_px
            # Which foot is which does not matter here: the pair is compared as a sorted set of offsets.
            offset = reading.xy[feet] - reading.xy[hips].mean(axis=0)
            offsets.append(np.sort(offset, axis=0) / size)  # x and y apart
        if len(offsets) == len(looks):
            motion = max(float(np.abs(a - b).max()) for i, a in enumerate(offsets) for b in offsets[:i])
            if all(not detector.same_person(region, s.region) for s in seen):
                seen.append(Sighting(looks[0].file_time_s, region, person.score, motion))
    return seen


def choose_runner(
    running: Sequence[Sequence[Sighting]], width: int, path: Path, pick_x: float | None
) -> list[Sighting]:
    """Choose one runner among those who run at each spot and keep to the same one.

    Parameters
    ----------
    running : for each spot, in order of time, the people who run there.
    width : of the picture, pixels.
    path : the film, for the message.
    pick_x : place of the wanted runner across the picture, 0–1; without it the largest is taken.

    Returns
    -------
    list of Sighting
        The runner at the spots where they were seen, in order of time; empty when nobody runs, or nobody near ``pick_x``.
    """
    if pick_x is None:
        everybody = [(i, s) for i, at_spot in enumerate(running) for s in at_spot]
        seed = max(everybody, key=lambda o: o[1].region.size, default=None)
        if seed is not None:
            _refuse_rivals(running, seed[1].region.size, width, path)
    else:
        # The user looks at the beginning of the film: the first spot with somebody there counts.
        near = [(i, s) for i, at_spot in enumerate(running) for s in at_spot if _is_near(s, pick_x, width)]
        seed = min(near, key=lambda o: (o[0], abs(o[1].region.x / width - pick_x)), default=None)
    if seed is None:
        return []
    start, first = seed
    chosen = [first]
    for at_spot in running[start + 1 :]:
        chosen += _same_again(at_spot, chosen[-1])
    for at_spot in reversed(running[:start]):
        chosen = _same_again(at_spot, chosen[0]) + chosen
    return chosen


def _is_near(sighting: Sighting, pick_x: float | None, width: int) -> bool:
    return pick_x is None or abs(sighting.region.x / width - pick_x) <= PICK_REACH


def _same_again(at_spot: Sequence[Sighting], last: Sighting) -> list[Sighting]:
    """The runner at another spot: of about the same size, nearest to where they were; nobody when no size fits."""
    fits = [s for s in at_spot if SAME_SIZE < s.region.size / last.region.size < 1 / SAME_SIZE]
    return sorted(fits, key=lambda s: np.hypot(s.region.x - last.region.x, s.region.y - last.region.y))[:1]


def _refuse_rivals(running: Sequence[Sequence[Sighting]], largest: float, width: int, path: Path) -> None:
    for at_spot in running:
        rivals = sorted((s for s in at_spot if s.region.size >= RIVAL_SIZE * largest), key=lambda s: s.region.x)
        if len(rivals) > 1:
            places = " and ".join(f"{s.region.x / width:.2f}" for s in rivals)
            raise RunnerError(
                f"{len(rivals)} people are running in the film, about the same size, and only one can be measured",
                where=str(path),
                allowed="one runner, or the place of the one to measure",
                next_step=f"give --runner-x with the runner's place across the picture (here {places})",
            )


def _raise_nobody(path: Path, standing: tuple[Sighting, ...]) -> NoReturn:
    if standing:
        raise RunnerError(
            "a person is in the picture, but nobody is running",
            where=str(path),
            allowed="a film of one person running",
            next_step="film again while the runner runs, cut the film with --start and --end to the running part, or give "
            "--capture-fps if it plays in slow motion",
        )
    raise RunnerError(
        "no person was found in the film",
        where=str(path),
        allowed="one runner, head to feet in the picture, at least a fifth of its height tall",
        next_step="check that this is the right film; film closer or zoom in, in better light",
    )
