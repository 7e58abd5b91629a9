"""Which column is what: guessed from names and from the numbers, told in words, and applied to blocks of samples."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import attrs
import numpy as np

from midstance.errors import ForceError
from midstance.force.cut import cut_contacts
from midstance.force.model import Plate
from midstance.force.units import NEWTONS, likely_unit, mean_over_steps
from midstance.force.zero import flight_zero
from midstance.gait.model import Floats
from midstance.plates.columns import Axis, Column, Quantity, read_column

#: Lab axes of the wrench that columns named by direction are put on: x forward, y up, z right.
_DIRECTIONS: dict[str, tuple[int, float]] = {
    "forward": (0, 1.0), "up": (1, 1.0), "right": (2, 1.0), "left": (2, -1.0), "x": (0, 1.0), "y": (1, 1.0), "z": (2, 1.0),
}  # fmt: skip
#: Names by which a user can say what a column is.
ROLES: dict[str, tuple[Quantity, Axis | None]] = {
    "time": ("time", None),
    **{f"force_{a}": ("force", a) for a in ("x", "y", "z", "forward", "up", "right", "left")},
    **{f"moment_{a}": ("moment", a) for a in ("x", "y", "z")},
    **{f"cop_{a}": ("cop", a) for a in ("x", "y", "z", "forward", "right", "left")},
    "free_moment": ("free moment", None),
}


@attrs.frozen
class Use:
    """One column's use: lab axis 0 to 2, factor to SI (or body weights), and how it is known, in words."""

    column: Column
    axis: int
    factor: float
    words: str


@attrs.frozen(eq=False)
class TableMapping:
    """How a table's columns become wrenches.

    ``forces``, ``moments``, ``cops`` by plate number; ``rate_hz``; ``unit`` of the forces; ``notes`` tell each use in words.
    """

    time: Column | None
    rate_hz: float
    start_s: float
    plates: tuple[int, ...]
    forces: dict[int, tuple[Use, ...]]
    moments: dict[int, tuple[Use, ...]]
    cops: dict[int, tuple[Use, ...]]
    unit: Literal["N", "BW"]
    notes: tuple[str, ...]

    def wrench(self, data: Floats) -> Floats:
        """(n, columns) of the table → (plates, n, 6) in lab axes."""
        out = np.zeros((len(self.plates), len(data), 6))
        for i, p in enumerate(self.plates):
            f, m = out[i, :, :3], out[i, :, 3:]
            for use in self.forces[p]:
                f[:, use.axis] += use.factor * data[:, use.column.index]
            for use in self.moments.get(p, ()):
                m[:, use.axis] += use.factor * data[:, use.column.index]
            if self.cops.get(p) and not self.moments.get(p):
                r = np.zeros((len(data), 3))
                for use in self.cops[p]:
                    r[:, use.axis] += use.factor * data[:, use.column.index]
                m += np.cross(r, f)  # no number where the file has no centre of pressure
        return out

    def make_plates(self) -> tuple[Plate, ...]:
        """Plates of the mapping; names as in the file."""
        out = []
        for p in self.plates:
            horizontal = len({u.axis for u in self.forces[p]}) == 3
            cop = bool(self.moments.get(p)) or len({u.axis for u in self.cops.get(p, ())}) >= 2
            given = cop and not self.moments.get(p)
            out.append(Plate(f"plate {p}" if p else "the plate", None, horizontal, cop, cop_as_given=given))
        return tuple(out)


def guess_mapping(
    names: Sequence[str],
    units: Sequence[str],
    head: Floats,
    *,
    where: str,
    roles: Mapping[str, str] | None = None,
    unit: str | None = None,
    length_unit: str | None = None,
    rate_hz: float | None = None,
    mass_kg: float | None = None,
    named_rate_hz: float | None = None,
) -> TableMapping:
    """Guess what a table's columns are.

    Parameters
    ----------
    names, units : of the columns; units may be empty.
    head : (n, columns) the first part of the table, some tens of seconds if possible; NaN where not a number.
    roles : column name → one of ``ROLES``, given by the user; columns not named there are guessed.
    unit : unit of the force columns, given: N, kN, kgf, lbf or BW. Without it the names and then the body weight tell.
    length_unit : unit of the centre of pressure, given: m, cm or mm.
    rate_hz : samples a second, given. Without it the time column or the file's heading (``named_rate_hz``) tells.
    mass_kg : body mass, to tell the unit.
    """
    columns = [_with_role(read_column(i, n, u), roles, where) for i, (n, u) in enumerate(zip(names, units, strict=True))]
    if roles:
        unknown = [n for n in roles if n not in names]
        if unknown:
            raise ForceError(
                f"no column is called {unknown[0]!r}",
                where=where,
                allowed=", ".join(names[:20]),
                next_step="name one of these",
            )
    columns = _nameless(columns, head)
    time = next((c for c in columns if c.quantity == "time"), None)
    rate, start, notes = _rate(time, head, rate_hz, named_rate_hz, where)
    forces = [c for c in columns if c.quantity == "force" and c.axis is not None]
    if not forces:
        raise ForceError(
            f"no column looks like a force: {', '.join(names[:12])}{' …' if len(names) > 12 else ''}",
            where=where,
            allowed="names such as Fz, vertical force (N), 'Force Z [kN]'",
            next_step="say which column is the vertical force, as in force_up=NAME",
        )
    plates = tuple(sorted({c.plate for c in forces}))
    factor, body_weights, why = _force_factor(forces, head, rate, unit, mass_kg, where)
    by_plate: dict[int, tuple[Use, ...]] = {}
    for p in plates:
        by_plate[p] = tuple(
            _use(c, factor if c.scale is None or unit is not None else c.scale, "BW" if body_weights else "N", why)
            for c in forces
            if c.plate == p
        )
        _no_doubles(by_plate[p], where)
    moments, cops = _others(columns, plates, head, length_unit, body_weights)
    for group in (by_plate, moments, cops):
        for uses in group.values():
            notes += [u.words for u in uses]
    if any(c.axis in ("x", "y", "z") for c in forces) and any(cops.values() or moments.values()):
        notes.append("x, y and z are taken as a right-handed system in which the ground's force on the runner points up")
    if rate_hz is None and time is None and named_rate_hz is None:
        notes.append(f"{rate:g} samples a second")
    return TableMapping(time, rate, start, plates, by_plate, moments, cops, "BW" if body_weights else "N", tuple(notes))


def _with_role(column: Column, roles: Mapping[str, str] | None, where: str) -> Column:
    role = None if roles is None else roles.get(column.name)
    if role is None:
        return column
    if role == "ignore":
        return attrs.evolve(column, quantity=None, axis=None)
    if role not in ROLES:
        raise ForceError(f"{role!r} is no role of a column", where=where, allowed=f"{', '.join(ROLES)}, ignore")
    quantity, axis = ROLES[role]
    fresh = read_column(column.index, f"{'force' if quantity == 'force' else quantity} {axis or ''} [{column.unit}]")
    return attrs.evolve(column, quantity=quantity, axis=axis, scale=fresh.scale, body_weights=fresh.body_weights)


def _nameless(columns: list[Column], head: Floats) -> list[Column]:
    """A table without telling names: a column that rises evenly is time, a single other one the vertical force."""
    if any(c.quantity == "force" for c in columns):
        return columns
    out = list(columns)
    for i, c in enumerate(out):
        x = head[:, c.index]
        if c.quantity is None and len(x) > 2 and np.isfinite(x).all() and np.all(np.diff(x) > 0):
            out[i] = attrs.evolve(c, quantity="time")
            break
    rest = [i for i, c in enumerate(out) if c.quantity is None]
    if len(rest) == 1:
        out[rest[0]] = attrs.evolve(out[rest[0]], quantity="force", axis="up")
    return out


def _rate(
    time: Column | None, head: Floats, given: float | None, named: float | None, where: str
) -> tuple[float, float, list[str]]:
    if given is not None or time is None:
        rate = given if given is not None else named
        if rate is None:
            raise ForceError(
                "no column of times, and no sampling rate in the heading",
                where=where,
                allowed="a column called time, or the samples a second",
                next_step="give the sampling rate in Hz",
            )
        return rate, 0.0, [f"{rate:g} samples a second, {'as given' if given is not None else 'from the heading'}"]
    t = head[:, time.index]
    steps = np.diff(t[np.isfinite(t)])
    step = float(np.median(steps)) if len(steps) else 0.0
    if not step > 0:
        raise ForceError(
            f'the times in column "{time.name}" don\'t rise', where=where, next_step="give the sampling rate in Hz"
        )
    scale, how = (time.scale, f"in {time.unit}, by its name") if time.scale is not None else _time_scale(step)
    off = float(np.percentile(np.abs(steps - step), 95)) / step
    span = (t[np.isfinite(t)][-1] - t[np.isfinite(t)][0]) * scale
    rate = (len(steps)) / span if off <= 0.6 else 1.0 / (step * scale)
    if off > 0.6 or not 20 <= rate <= 100_000:
        raise ForceError(
            f'the times in column "{time.name}" are uneven or out of range (a step of {step:g}, {100 * off:.0f} % uneven)',
            where=where,
            allowed="evenly sampled recordings of 20 to 100 000 Hz",
            next_step="export with a constant rate, or give the sampling rate in Hz",
        )
    rate = round(rate) if abs(rate - round(rate)) < 2e-3 * rate and len(steps) < 1e6 else rate
    return float(rate), float(t[0]) * scale, [f'column "{time.name}" is time {how}: {rate:g} samples a second']


def _time_scale(step: float) -> tuple[float, str]:
    if step >= 0.05:
        return 0.001, "in ms, by its steps"
    return 1.0, "in s, by its steps"


def _use(column: Column, factor: float, unit: str, why: str) -> Use:
    axis, sign = _DIRECTIONS[column.axis or "up"]
    own = f"unit {column.unit} from its name" if column.scale is not None and not why.startswith("as given") else why
    words = f'column "{column.name}" is the force along {column.axis}, × {factor:g} to {unit} ({own})'
    return Use(column, axis, sign * factor, words)


def _no_doubles(uses: Sequence[Use], where: str) -> None:
    axes = [u.axis for u in uses]
    for a in set(axes):
        if axes.count(a) > 1:
            named = ", ".join(repr(u.column.name) for u in uses if u.axis == a)
            raise ForceError(
                f"two columns for the same force: {named}",
                where=where,
                next_step="say which one to take, and name the other ignore",
            )


def _force_factor(
    forces: Sequence[Column], head: Floats, rate: float, given: str | None, mass_kg: float | None, where: str
) -> tuple[float, bool, str]:
    """Factor to N (or 1 for body weights), whether it is body weights, and why."""
    if given is not None:
        if given == "BW":
            return 1.0, True, "as given"
        if given not in NEWTONS:
            raise ForceError(f"{given!r} is no unit of force", where=where, allowed=f"{', '.join(NEWTONS)}, BW")
        return NEWTONS[given], False, "as given"
    named = [c for c in forces if c.scale is not None]
    if named:
        return float(named[0].scale or 1.0), named[0].body_weights, f"unit {named[0].unit} as {named[0].name}"
    mean = rough_mean(_heaviest(forces, head), rate)
    if mean is None:
        return 1.0, False, "taken as N: neither a name nor steps in a row tell the unit"
    unit, why = likely_unit(mean, mass_kg)
    if unit is None:
        raise ForceError(
            f"the unit of the forces can't be told: {why}",
            where=where,
            allowed=f"{', '.join(NEWTONS)} or BW",
            next_step="give the unit of the force columns, and check the columns",
        )
    return (1.0, True, why) if unit == "BW" else (NEWTONS[unit], False, why)


def _heaviest(forces: Sequence[Column], head: Floats) -> Floats:
    """The force that varies most, which is the vertical one, added over all plates."""
    sums: dict[str | None, Floats] = {}
    for c in forces:
        sums[c.axis] = sums.get(c.axis, np.zeros(len(head))) + head[:, c.index]
    spread = {k: float(np.nanstd(x)) if np.isfinite(x).any() else 0.0 for k, x in sums.items()}
    return sums[max(spread, key=lambda k: spread[k])]


def rough_mean(force: Floats, rate_hz: float) -> float | None:
    """Mean over whole steps of a vertical force of unknown unit and sign, in its own unit; None without steps in a row."""
    good = np.isfinite(force)
    if good.sum() < rate_hz:
        return None
    top = float(np.nanpercentile(np.abs(force), 98))
    if not top > 0:
        return None
    sign = 1.0 if np.nanpercentile(force, 98) >= -np.nanpercentile(force, 2) else -1.0
    scaled = sign * force * (1500.0 / top)
    wrench = np.zeros((len(force), 6))
    wrench[:, 1] = scaled
    up = scaled - flight_zero(wrench, rate_hz).offset[:, 1]
    cuts = cut_contacts(up, rate_hz, 60.0)
    whole = np.flatnonzero(cuts.whole)
    if len(whole) < 4:
        return None
    impulse = [float(up[cuts.first[k] : cuts.last[k] + 1].sum()) for k in whole]
    if float(np.max(np.diff(cuts.on[whole]))) > 0.8 * rate_hz:
        return None
    mean = mean_over_steps(cuts.on[whole], impulse)
    return None if mean is None else mean * top / 1500.0


def _others(
    columns: Sequence[Column], plates: Sequence[int], head: Floats, length_unit: str | None, body_weights: bool
) -> tuple[dict[int, tuple[Use, ...]], dict[int, tuple[Use, ...]]]:
    moments: dict[int, tuple[Use, ...]] = {}
    cops: dict[int, tuple[Use, ...]] = {}
    for p in plates:
        m = [c for c in columns if c.quantity == "moment" and c.plate == p and c.axis in ("x", "y", "z")]
        if len(m) == 3 and not body_weights:
            moments[p] = tuple(_moment(c, head) for c in m)
        c = [c for c in columns if c.quantity == "cop" and c.plate == p and c.axis is not None]
        if len({k.axis for k in c}) >= 2:
            cops[p] = tuple(_cop(k, head, length_unit) for k in c)
    return moments, cops


def _moment(column: Column, head: Floats) -> Use:
    factor, how = column.scale, f"unit {column.unit} from its name"
    if factor is None:
        big = float(np.nanpercentile(np.abs(head[:, column.index]), 99)) if np.isfinite(head[:, column.index]).any() else 0.0
        factor, how = (0.001, "N mm, since it is far beyond what N m could be") if big > 5000 else (1.0, "taken as N m")
    axis, sign = _DIRECTIONS[column.axis or "x"]
    return Use(
        column, axis, sign * factor, f'column "{column.name}" is the moment about {column.axis}, × {factor:g} to N m ({how})'
    )


def _cop(column: Column, head: Floats, given: str | None) -> Use:
    from midstance.plates.columns import LENGTH_UNITS

    x = head[:, column.index]
    if given is not None:
        factor, how = LENGTH_UNITS[given], f"in {given}, as given"
    elif column.scale is not None:
        factor, how = column.scale, f"unit {column.unit} from its name"
    else:
        spread = float(np.nanpercentile(x, 90) - np.nanpercentile(x, 10)) if np.isfinite(x).any() else 0.0
        factor, how = (0.001, "mm, since it moves by more than 5") if spread > 5 else (1.0, "taken as m")
    axis, sign = _DIRECTIONS[column.axis or "x"]
    return Use(
        column,
        axis,
        sign * factor,
        f'column "{column.name}" is the centre of pressure along {column.axis}, × {factor:g} to m ({how})',
    )
