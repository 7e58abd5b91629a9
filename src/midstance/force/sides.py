"""Which foot? From labels in the file, the film, the feet's own paths, or where the centre of pressure lies."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from midstance.gait.model import Side

#: A contact and the event that names it lie at most this far apart, s.
LABEL_WITHIN_S = 0.060
#: Left and right contacts on a belt differ by at least this sideways on average, m, or the sides can't be told. Running:
#: 0.03 to 0.15; people who cross over come near zero.
LEAST_SPREAD_M = 0.015
#: Share of contacts whose place must fit the alternation of the feet.
LEAST_AGREEMENT = 0.85
#: A pause longer than this between contacts ends an unbroken run of steps, s.
LONGEST_FLIGHT_S = 0.35


def by_events(on_s: ArrayLike, events: Sequence[tuple[float, Side]]) -> list[Side | None]:
    """Side of each contact from the nearest event of known side within ``LABEL_WITHIN_S``."""
    times = np.array([t for t, _ in events], dtype=np.float64)
    out: list[Side | None] = []
    for t in np.asarray(on_s, dtype=np.float64):
        i = int(np.argmin(np.abs(times - t))) if len(times) else -1
        out.append(events[i][1] if i >= 0 and abs(times[i] - t) <= LABEL_WITHIN_S else None)
    return out


def runs_of_steps(on_s: ArrayLike, off_s: ArrayLike) -> list[list[int]]:
    """Numbers of the contacts that follow each other without a step missing between them."""
    on, off = np.asarray(on_s, dtype=np.float64), np.asarray(off_s, dtype=np.float64)
    runs: list[list[int]] = []
    for i in range(len(on)):
        if runs and on[i] - off[runs[-1][-1]] <= LONGEST_FLIGHT_S:
            runs[-1].append(i)
        else:
            runs.append([i])
    return runs


def by_place(on_s: ArrayLike, off_s: ArrayLike, right_m: ArrayLike) -> tuple[list[Side | None], str | None]:
    """Sides of contacts on a belt from where they lie sideways.

    In every unbroken run of steps the feet alternate; which of the two ways fits is told by the difference of each contact
    from its neighbours, so that a runner who drifts across the belt doesn't matter.

    Parameters
    ----------
    on_s, off_s : (k,) s.
    right_m : (k,) mean centre of pressure in contact, to the runner's right, m; NaN where unknown.

    Returns
    -------
    sides : None where it can't be told.
    reason : why sides could not be told, None where they all could.
    """
    place = np.asarray(right_m, dtype=np.float64)
    out: list[Side | None] = [None] * len(place)
    reason = None
    for run in runs_of_steps(on_s, off_s):
        y = place[run]
        if np.isfinite(y).sum() < 2 or len(run) < 2:
            reason = "a single step, or the centre of pressure is not known"
            continue
        parity = np.where(np.arange(len(run)) % 2 == 0, 1.0, -1.0)
        step = np.diff(y) * -parity[:-1]  # even minus odd, from every pair of neighbours
        spread = float(np.nanmedian(step))
        agree = float(np.mean(np.sign(step[np.isfinite(step)]) == np.sign(spread)))
        if abs(spread) < LEAST_SPREAD_M or agree < LEAST_AGREEMENT:
            reason = (
                f"left and right contacts lie only {1000 * abs(spread):.0f} mm apart sideways and {100 * agree:.0f} % of "
                f"the steps agree on which; needed are {1000 * LEAST_SPREAD_M:.0f} mm and {100 * LEAST_AGREEMENT:.0f} %"
            )
            continue
        for k, i in enumerate(run):
            out[i] = "right" if (parity[k] > 0) == (spread > 0) else "left"
    return out, reason


def by_feet(cop: ArrayLike, feet: dict[Side, np.typing.NDArray[np.float64]]) -> list[Side | None]:
    """Side of each contact from the foot that is nearer to the centre of pressure in mid-contact.

    ``cop`` (k, 2) and ``feet`` side → (k, 2) places of the feet in mid-contact, same axes, m.
    """
    c = np.asarray(cop, dtype=np.float64)
    away = {s: np.linalg.norm(np.asarray(p, dtype=np.float64) - c, axis=1) for s, p in feet.items()}
    out: list[Side | None] = []
    for i in range(len(c)):
        left, right = away["left"][i], away["right"][i]
        if not (np.isfinite(left) or np.isfinite(right)):
            out.append(None)
        elif np.isfinite(left) and np.isfinite(right):
            out.append("left" if left < right else "right")
        else:
            side: Side = "left" if np.isfinite(left) else "right"
            out.append(side if min(x for x in (left, right) if np.isfinite(x)) < 0.25 else None)
    return out


def by_alternation(on_s: ArrayLike, off_s: ArrayLike, known: Sequence[Side | None]) -> list[Side | None]:
    """Fill sides that are missing in runs of steps from those that are known, by alternation.

    A run whose known sides contradict the alternation is left as it is.
    """
    out = list(known)
    for run in runs_of_steps(on_s, off_s):
        votes = {True: 0, False: 0}
        for k, i in enumerate(run):
            if out[i] is not None:
                votes[(out[i] == "left") == (k % 2 == 0)] += 1
        if (votes[True] == 0) == (votes[False] == 0):
            continue
        even_left = votes[True] > 0
        for k, i in enumerate(run):
            out[i] = "left" if (k % 2 == 0) == even_left else "right"
    return out
