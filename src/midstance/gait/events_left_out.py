"""Coefficients fitted without one runner, so that the recordings of the fit can be judged as if they were new.

The coefficients that ship have seen all runners of their recordings: errors on those are errors of the fit. For each of
these runners the package also holds coefficients fitted to the others alone (side view, markers), intervals included.
Which runner a recording shows is told by its content, never by its name or folder.
"""

from __future__ import annotations

import gzip
import json
from functools import lru_cache
from importlib import resources
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from midstance.errors import OptionError
from midstance.gait.events_model import EventModel

FILE = "events_left_out.json.gz"
#: Sampling rate of the force that contacts were read from, 1/s: times between contacts are whole multiples of its step.
FORCE_HZ = 300
#: So many successive times between contacts in common, to the sample, make it the same recording. No two of the 39
#: recordings of the fit have six in common.
IN_A_ROW = 8
#: Same body: mass to this, kg, and height to this, cm.
SAME_MASS_KG, SAME_HEIGHT_CM = 0.06, 0.06


@lru_cache(maxsize=1)
def _file() -> dict[str, Any]:
    packed = resources.files("midstance.gait").joinpath("data", FILE).read_bytes()
    data: dict[str, Any] = json.loads(gzip.decompress(packed))
    return data


def fitted_runners() -> tuple[int, ...]:
    """Return the numbers of the runners that took part in the fit of the coefficients that ship."""
    return tuple(int(r) for r in _file()["runners"])


def known_runner(
    contact_on_s: ArrayLike, *, mass_kg: float | None = None, height_cm: float | None = None
) -> int | None:
    """Return which runner of the fit a recording shows, or None for a runner the fit hasn't seen.

    Parameters
    ----------
    contact_on_s : (n,) contacts of both feet by force, s, any order and any zero of the clock; whole recordings or parts
        of at least nine contacts.
    mass_kg, height_cm : body mass and height; when both are those of a runner of the fit, it is taken to be them, which
        at worst leaves a runner out for nothing.

    Returns
    -------
    int or None
        The runner's number, for ``coefficients_without``.
    """
    own = [round(FORCE_HZ * d) for d in np.diff(np.sort(np.asarray(contact_on_s, dtype=np.float64).ravel()))]
    for number, known in _file()["runners"].items():
        if any(_share_a_run(own, theirs) for theirs in known["between_contacts_300ths"]):
            return int(number)
    if mass_kg is None or height_cm is None:
        return None
    for number, known in _file()["runners"].items():
        same_mass = abs(known["mass_kg"] - mass_kg) <= SAME_MASS_KG
        if same_mass and abs(known["height_cm"] - height_cm) <= SAME_HEIGHT_CM:
            return int(number)
    return None


def _share_a_run(a: list[int], b: list[int]) -> bool:
    """Tell whether ``IN_A_ROW`` successive values of one list stand in the other."""
    if min(len(a), len(b)) < IN_A_ROW:
        return False
    x, y = (np.lib.stride_tricks.sliding_window_view(np.asarray(v), IN_A_ROW) for v in (a, b))
    return bool((x[:, None] == y[None]).all(axis=2).any())


@lru_cache(maxsize=16)
def coefficients_without(runner: int) -> EventModel:
    """Return coefficients for the side view, for markers, fitted without one runner.

    Parameters
    ----------
    runner : int
        One of ``fitted_runners()``.

    Raises
    ------
    OptionError
        A number that is none of these.
    """
    known = _file()["runners"].get(str(runner))
    if known is None:
        raise OptionError(
            f"runner {runner} took no part in the fit",
            allowed=", ".join(str(r) for r in fitted_runners()),
            next_step="use default_model() for a runner the fit hasn't seen",
        )
    provenance = {**_file()["provenance"], "runners": [r for r in fitted_runners() if r != runner]}
    return EventModel.from_dict({"provenance": provenance, "models": known["models"]})
