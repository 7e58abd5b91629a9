"""How well found events agree with true ones: matching, errors in time, errors of contact time."""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


@attrs.frozen(eq=False)
class EventAccuracy:
    """Outcome of ``match_events``; times in ms, found minus true.

    Attributes
    ----------
    n : matched pairs.
    missed, invented : true events without a found one; found ones without a true one.
    bias_ms, sd_ms, median_abs_ms, p95_abs_ms : of the matched pairs; NaN when there is none.
    errors_s : (n,) the errors themselves, s, in order of true time.
    pairs : (n, 2) indices into found and truth.
    """

    n: int
    missed: int
    invented: int
    bias_ms: float
    sd_ms: float
    median_abs_ms: float
    p95_abs_ms: float
    errors_s: Floats
    pairs: NDArray[np.int64]


def match_events(found_s: ArrayLike, truth_s: ArrayLike, tolerance_s: float = 0.1) -> EventAccuracy:
    """Pair found with true events of one kind and foot, nearest first, each at most once.

    Parameters
    ----------
    found_s, truth_s : array_like
        Times, s, any order. Limit both to the time that both could see; an event that one side couldn't see
        counts as missed or invented otherwise.
    tolerance_s : float
        Pairs further apart than this are no pairs, s.
    """
    found = np.asarray(found_s, dtype=np.float64).ravel()
    truth = np.asarray(truth_s, dtype=np.float64).ravel()
    apart = np.abs(found[:, None] - truth[None, :])
    order = np.argsort(apart, axis=None, kind="stable")
    pairs: list[tuple[int, int]] = []
    used_found: set[int] = set()
    used_truth: set[int] = set()
    for flat in order:
        i, j = divmod(int(flat), len(truth))
        if apart[i, j] > tolerance_s:
            break
        if i not in used_found and j not in used_truth:
            pairs.append((i, j))
            used_found.add(i)
            used_truth.add(j)
    pairs.sort(key=lambda p: truth[p[1]])
    index = np.asarray(pairs, dtype=np.int64).reshape(-1, 2)
    errors = found[index[:, 0]] - truth[index[:, 1]]
    figures = _figures(errors)
    return EventAccuracy(
        len(pairs), len(truth) - len(pairs), len(found) - len(pairs), *figures, errors, index
    )


def _figures(errors_s: Floats) -> tuple[float, float, float, float]:
    if len(errors_s) == 0:
        nan = float("nan")
        return nan, nan, nan, nan
    ms = 1e3 * errors_s
    return (
        float(ms.mean()),
        float(ms.std()),
        float(np.median(np.abs(ms))),
        float(np.percentile(np.abs(ms), 95)),
    )


@attrs.frozen
class ContactTimeAccuracy:
    """Errors of contact time, ms, found minus true."""

    n: int
    bias_ms: float
    sd_ms: float


def contact_time_accuracy(
    found_ic_s: ArrayLike,
    found_to_s: ArrayLike,
    true_ic_s: ArrayLike,
    true_to_s: ArrayLike,
    tolerance_s: float = 0.1,
) -> ContactTimeAccuracy:
    """Compare contact times of the stances of which both ends were matched.

    A true stance is a contact and the first toe-off after it.
    """
    ic = match_events(found_ic_s, true_ic_s, tolerance_s)
    to = match_events(found_to_s, true_to_s, tolerance_s)
    true_ic = np.asarray(true_ic_s, dtype=np.float64)
    true_to = np.asarray(true_to_s, dtype=np.float64)
    to_error = {int(j): e for (_, j), e in zip(to.pairs, to.errors_s, strict=True)}
    errors = []
    for (_, j), ic_error in zip(ic.pairs, ic.errors_s, strict=True):
        later = np.flatnonzero(true_to > true_ic[j])
        if len(later):
            end = int(later[np.argmin(true_to[later])])
            if end in to_error:
                errors.append(to_error[end] - ic_error)
    bias, sd, _, _ = _figures(np.asarray(errors, dtype=np.float64))
    return ContactTimeAccuracy(len(errors), bias, sd)
