"""Which way is up, which way does the runner go: told from the forces themselves and said in words.

Up is where the ground pushes; forward is the way that braking comes before pushing off. Both hold whatever a file calls
its axes, so swapped axes and reversed signs are noticed instead of believed.
"""

from __future__ import annotations

import attrs
import numpy as np
from numpy.typing import ArrayLike

from midstance.errors import ForceError
from midstance.force.cut import cut_contacts
from midstance.gait.model import Floats

#: Up must carry at least this share of the whole mean force. Running on the level it carries more than 0.99.
LEAST_UP_SHARE = 0.85
#: Fore-aft pattern (change of impulse from first to second half of contact) against vertical impulse. Running: 0.08 to 0.2.
LEAST_PATTERN = 0.02
#: Directions this near to an axis of the lab are taken as that axis, degrees.
SNAP_DEG = 15.0
_NAMES = ("x", "y", "z")


@attrs.frozen(eq=False)
class Axes:
    """From lab axes to runner's axes.

    Attributes
    ----------
    rotation : (3, 3) rows forward, up and right in lab axes.
    sign : +1 where the file holds the force of the ground on the runner, -1 where that of the runner on the ground.
    forward_known : False where the direction of travel could not be told; fore-aft measures then have no meaning.
    notes : what was found how, in words.
    """

    rotation: Floats
    sign: float
    forward_known: bool
    notes: tuple[str, ...] = ()

    def turn(self, wrench: ArrayLike) -> Floats:
        """Wrench (…, 6) in runner's axes, the force being that on the runner."""
        w = np.asarray(wrench, dtype=np.float64)
        r = self.rotation.T * self.sign
        return np.concatenate([w[..., :3] @ r, w[..., 3:] @ r], axis=-1)

    def turn_points(self, xyz: ArrayLike) -> Floats:
        """Points (…, 3) in runner's axes, lab origin."""
        return np.asarray(xyz, dtype=np.float64) @ self.rotation.T


def find_axes(
    force: ArrayLike,
    cop_lab: ArrayLike | None,
    rate_hz: float,
    *,
    down_lab: ArrayLike | None = None,
    up_lab: ArrayLike | None = None,
    forward_lab: ArrayLike | None = None,
    horizontal: bool = True,
    treadmill: bool = True,
    threshold: float = 50.0,
    where: str = "recording",
) -> Axes:
    """Find the axes from a stretch of recording.

    Parameters
    ----------
    force : (n, 3) sum of all plates in lab axes, zero roughly taken out, N; NaN allowed.
    cop_lab : (n, 3) centre of pressure in lab axes or None, for the direction where no horizontal force was recorded.
    down_lab : (3,) down by the plate's corners, None where there are none.
    up_lab, forward_lab : given by the user.
    horizontal : False where only the vertical force is real; the other columns are then zero.
    treadmill : the foot travels backwards under the runner; overground it stays and the centre of pressure goes forward.
    threshold : for the contacts that are looked at, N.
    """
    f = np.asarray(force, dtype=np.float64)
    good = np.isfinite(f).all(axis=1)
    if good.sum() < 3:
        raise ForceError("no force values that are numbers", where=where)
    notes: list[str] = []
    mean = load_vector(f[good])
    if up_lab is not None:
        up = _unit(up_lab)
        notes.append(f"up is {_said(up)}, as given")
    elif down_lab is not None and abs(float(mean @ _unit(down_lab))) >= LEAST_UP_SHARE * float(np.linalg.norm(mean)):
        up = -_unit(down_lab)
        notes.append(f"up is {_said(up)} by the plates' corners")
    else:
        up = _heaviest_axis(mean, where)
        called = "" if down_lab is None else ": the plates' corners say otherwise, and the weight decides (axes swapped)"
        notes.append(f"up is {_said(up)}, the axis that carries the weight{called}")
    sign = 1.0
    if float(mean @ up) < 0:
        sign = -1.0
        notes.append("the file holds the force of the runner on the ground: all signs are turned round")
    f = sign * f
    vertical = f @ up
    cuts = cut_contacts(vertical, rate_hz, threshold)
    spans = [(int(a), int(b) + 1) for a, b, w in zip(cuts.first, cuts.last, cuts.whole, strict=True) if w]
    flat = f - vertical[:, None] * up
    forward, known = _forward(flat, vertical, cop_lab, spans, up, treadmill, horizontal, forward_lab, notes)
    right = np.cross(forward, up)
    return Axes(np.vstack([forward, up, right]), sign, known, tuple(notes))


def load_vector(force: Floats) -> Floats:
    """Mean force while the platform is loaded, above its unloaded level: (n, 3) finite forces → (3,).

    Loaded is half of what is nearly the largest force or more; the unloaded level is that of the tenth of the samples with
    the least force, so that a zero that is off by tens of newtons doesn't turn the axes.
    """
    size = np.linalg.norm(force, axis=1)
    low = force[size <= np.percentile(size, 10)].mean(axis=0)
    high = np.linalg.norm(force - low, axis=1)
    loaded = high >= 0.5 * np.percentile(high, 99.5)
    return np.asarray(force[loaded].mean(axis=0) - low, dtype=np.float64)


def _heaviest_axis(mean: Floats, where: str) -> Floats:
    axis = int(np.argmax(np.abs(mean)))
    total = float(np.linalg.norm(mean))
    if not total > 0 or abs(float(mean[axis])) < LEAST_UP_SHARE * total:
        shares = ", ".join(f"{n} {v:.0f} N" for n, v in zip(_NAMES, mean, strict=True))
        raise ForceError(
            f"no channel carries the runner's weight: the mean forces under load are {shares}",
            where=where,
            allowed="one axis whose mean force is the body weight while the other two average nearly nothing",
            next_step="check which channel is the vertical force, and name the columns in the mapping",
        )
    # Runner's weight on z, x or y: up is the positive axis; the sign of the force is found after it.
    return np.asarray(np.eye(3)[axis], dtype=np.float64)


def _forward(
    flat: Floats,
    vertical: Floats,
    cop_lab: ArrayLike | None,
    spans: list[tuple[int, int]],
    up: Floats,
    treadmill: bool,
    horizontal: bool,
    given: ArrayLike | None,
    notes: list[str],
) -> tuple[Floats, bool]:
    if given is not None:
        g = np.asarray(given, dtype=np.float64)
        notes.append(f"forward is {_said(_unit(g))}, as given")
        return _unit(g - (g @ up) * up), True
    pattern, load = np.zeros(3), 0.0
    for a, b in spans if horizontal else []:
        middle = (a + b) // 2
        pattern += flat[middle:b].sum(axis=0) - flat[a:middle].sum(axis=0)
        load += float(vertical[a:b].sum())
    if load > 0 and float(np.linalg.norm(pattern)) >= LEAST_PATTERN * load:
        forward = _snapped(_unit(pattern), up)
        notes.append(f"forward is {_said(forward)}: braking comes before pushing off that way")
        return forward, True
    drift = _drift(cop_lab, vertical, spans)
    if drift is not None:
        along = drift - (drift @ up) * up
        if float(np.linalg.norm(along)) > 0.03:
            forward = _snapped(_unit(along) * (-1.0 if treadmill else 1.0), up)
            how = (
                "the belt carries the centre of pressure the other way"
                if treadmill
                else "the centre of pressure goes that way"
            )
            notes.append(f"forward is {_said(forward)}: {how}")
            return forward, True
    axis = next(e for e in np.eye(3) if abs(float(e @ up)) < 0.9)
    notes.append("the direction of travel can't be told from this recording")
    return _unit(axis - (axis @ up) * up), False


def _drift(cop_lab: ArrayLike | None, vertical: Floats, spans: list[tuple[int, int]]) -> Floats | None:
    """Mean way of the centre of pressure from 25 to 75 % of contact, lab axes, m."""
    if cop_lab is None:
        return None
    cop = np.asarray(cop_lab, dtype=np.float64)
    ways = []
    for a, b in spans:
        way = cop[a + 3 * (b - a) // 4] - cop[a + (b - a) // 4]
        if np.isfinite(way).all():
            ways.append(way)
    return np.asarray(np.median(ways, axis=0), dtype=np.float64) if ways else None


def _snapped(direction: Floats, up: Floats) -> Floats:
    axis = int(np.argmax(np.abs(direction)))
    e = np.eye(3)[axis] * np.sign(direction[axis])
    e = _unit(e - (e @ up) * up)
    return e if float(e @ direction) >= np.cos(np.radians(SNAP_DEG)) else direction


def _unit(v: ArrayLike) -> Floats:
    x = np.asarray(v, dtype=np.float64)
    return np.asarray(x / np.linalg.norm(x), dtype=np.float64)


def _said(v: Floats) -> str:
    axis = int(np.argmax(np.abs(v)))
    name = ("+" if v[axis] > 0 else "-") + _NAMES[axis]
    off = float(np.degrees(np.arccos(min(1.0, abs(float(v[axis]))))))
    return name if off < 0.5 else f"{off:.0f}° off {name}"
