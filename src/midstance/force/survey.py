"""A first look at a part of a recording: axes, treadmill or plates, direction, content, body weight.

What it decides holds for the whole recording, which is then read piece by piece.
"""

from __future__ import annotations

from collections.abc import Iterable

import attrs
import numpy as np

from midstance.errors import ForceError
from midstance.force.axes import Axes, find_axes, load_vector
from midstance.force.bandwidth import Bandwidth, bandwidth
from midstance.force.cut import cut_contacts
from midstance.force.model import GRAVITY_MPS2, UP, ForceAbout, ForceSettings, Surface
from midstance.force.platform import moved
from midstance.force.sides import runs_of_steps
from midstance.force.units import mean_over_steps
from midstance.force.zero import flight_zero
from midstance.gait.model import Floats

#: Length of the first look, s, and how long a recording is searched for somebody running.
SURVEY_S = 60.0
#: Contacts on the same plate, one after the other, that make it a treadmill.
TREADMILL_STEPS = 4
#: Weight that only scales limits, where neither mass nor mean force is known, N.
USUAL_WEIGHT_N = 700.0
#: Share of samples that may be no numbers.
LARGEST_LOST_SHARE = 0.5


@attrs.frozen(eq=False)
class Survey:
    """What the first look found.

    ``newtons`` multiplies the file's forces to give N (body weight for files in BW). ``together`` is True where the plates
    are the belts of one treadmill and their forces are added. ``weight_n`` may be None on plates without a mass.
    """

    axes: Axes
    surface: Surface
    together: bool
    bandwidth: Bandwidth
    newtons: float
    mean_n: float | None
    weight_n: float | None
    weight_source: str
    horizontal: bool
    cop: bool
    notes: tuple[str, ...]


def survey(about: ForceAbout, wrench: Floats, settings: ForceSettings, *, where: str = "recording") -> Survey:
    """Look at ``SURVEY_S`` seconds.

    Parameters
    ----------
    wrench : (plates, n, 6) lab axes, the file's unit.

    Raises
    ------
    ForceError
        Nothing but gaps, nobody on the plates, no channel that carries a weight.
    """
    rate = about.rate_hz
    used = wrench[:, :, :3]
    lost = 1.0 - float(np.isfinite(used).all(axis=2).mean())
    if lost > LARGEST_LOST_SHARE:
        raise ForceError(
            f"{100 * lost:.0f} % of the samples are not numbers",
            where=where,
            allowed=f"gaps in up to {100 * LARGEST_LOST_SHARE:.0f} % of the samples",
            next_step="export the recording again without gaps",
        )
    horizontal = all(p.horizontal for p in about.plates)
    cop = all(p.cop for p in about.plates)
    newtons = newtons_of(about, settings)
    quiet = unloaded_taken_out(used) * newtons
    total = quiet.sum(axis=0)
    if not np.nanpercentile(np.linalg.norm(total, axis=1), 99.5) > max(2 * settings.threshold_n, 100.0):
        top = float(np.nanmax(np.linalg.norm(total, axis=1)))
        raise ForceError(
            f"nobody is on the plates: the force never goes far beyond {top:.3g} N in the part looked at ({SURVEY_S:.0f} s)",
            where=where,
            allowed=f"steps with forces well above the threshold of {settings.threshold_n:.0f} N",
            next_step="check the unit (N, kN, BW) and the channels; cut off the quiet beginning of a long recording",
        )
    notes = []
    if about.unit == "BW":
        notes.append(
            f"forces are in body weights; the threshold of {settings.threshold_n:.0f} N is for "
            f"{newtons / GRAVITY_MPS2:.1f} kg" + ("" if settings.mass_kg else ", a usual body mass, since none was given")
        )
    surface = settings.surface
    if surface is None:
        in_a_row = steps_in_a_row(quiet, rate, settings.threshold_n)
        surface = "treadmill" if in_a_row >= TREADMILL_STEPS else "plates"
    downs = [p.down_lab for p in about.plates if p.down_lab is not None]
    cop_lab = _rough_cop(about, wrench, total) if cop else None
    axes = find_axes(
        total,
        cop_lab,
        rate,
        down_lab=downs[0] if downs else None,
        up_lab=settings.up_lab,
        forward_lab=settings.forward_lab,
        horizontal=horizontal,
        treadmill=surface == "treadmill",
        threshold=settings.threshold_n,
        where=where,
    )
    together = surface == "treadmill" and len(about.plates) > 1
    turned = axes.turn(wrench) * newtons
    mean = None
    if surface == "treadmill":
        one = sum_of_belts(about, turned, axes)[0] if together else turned[_busiest(quiet)]
        mean = _mean_force(one, rate, settings.threshold_n)
        up = one[:, UP]
    else:
        up = turned[:, :, UP].sum(axis=0)
    weight, source = _weight(mean, settings, about.unit, newtons)
    return Survey(
        axes,
        surface,
        together,
        bandwidth(up, rate, about.filtered_hz),
        newtons,
        mean,
        weight,
        source,
        horizontal and axes.forward_known,
        cop,
        (*notes, *axes.notes),
    )


def sum_of_belts(about: ForceAbout, turned: Floats, axes: Axes) -> Floats:
    """Add the belts of one treadmill: (plates, n, 6) runner's axes → (1, n, 6) about the middle of the first plate."""
    first = axes.turn_points(about.plates[0].centre_m)
    parts = [moved(w, first - axes.turn_points(p.centre_m)) for w, p in zip(turned, about.plates, strict=True)]
    return np.asarray(np.sum(parts, axis=0), dtype=np.float64)[None]


def unloaded_taken_out(force: Floats) -> Floats:
    """Roughly zeroed forces of each plate: the level of its tenth of samples nearest to the lowest is taken off."""
    out = np.empty_like(force)
    for i, f in enumerate(force):
        good = np.isfinite(f).all(axis=1)
        if good.sum() < 3:
            out[i] = f
            continue
        size = np.linalg.norm(f[good], axis=1)
        out[i] = f - f[good][size <= np.percentile(size, 10)].mean(axis=0)
    return out


def _busiest(quiet: Floats) -> int:
    return int(np.argmax([np.nanmean(np.linalg.norm(f, axis=1)) for f in quiet]))


def steps_in_a_row(quiet: Floats, rate_hz: float, threshold_n: float) -> int:
    """Most contacts that follow each other without a step missing, on one plate or (two plates at most) on all added.

    ``quiet`` is (plates, n, 3) with the zero roughly taken out, N.
    """
    longest = 0
    for f in (*quiet, quiet.sum(axis=0)) if len(quiet) <= 2 else quiet:
        good = f[np.isfinite(f).all(axis=1)]
        if len(good) < 3:
            continue
        v = load_vector(good)
        size = float(np.linalg.norm(v))
        if size <= threshold_n:
            continue
        cuts = cut_contacts(f @ (v / size), rate_hz, threshold_n)
        if len(cuts):
            longest = max(longest, *(len(r) for r in runs_of_steps(cuts.on / rate_hz, cuts.off / rate_hz)))
    return longest


def running_part(about: ForceAbout, stretches: Iterable[Floats], settings: ForceSettings) -> Floats:
    """The first of some stretches (plates, n, 6) in which somebody runs on the spot; else the one with most load.

    Long recordings begin with an empty belt, somebody standing, or a warm-up at a walk.
    """
    newtons = newtons_of(about, settings)
    best: Floats | None = None
    most = -1.0
    for w in stretches:
        if float(np.isfinite(w[:, :, :3]).all(axis=2).mean()) > 1 - LARGEST_LOST_SHARE:
            quiet = unloaded_taken_out(w[:, :, :3]) * newtons
            if steps_in_a_row(quiet, about.rate_hz, settings.threshold_n) >= TREADMILL_STEPS:
                return w
            load = float(np.nanpercentile(np.linalg.norm(quiet.sum(axis=0), axis=1), 99.5))
        else:
            load = 0.0
        if load > most:
            best, most = w, load
    return np.zeros((len(about.plates), 0, 6)) if best is None else best


def newtons_of(about: ForceAbout, settings: ForceSettings) -> float:
    """Newtons in the recording's unit; for body weights those of the runner, or of a usual one."""
    if about.unit == "BW":
        return (settings.mass_kg or USUAL_WEIGHT_N / GRAVITY_MPS2) * GRAVITY_MPS2
    return 1.0


def _rough_cop(about: ForceAbout, wrench: Floats, total: Floats) -> Floats | None:
    """Centre of pressure in lab axes of the plate that bears most, for the direction of travel alone."""
    size = np.nan_to_num(np.linalg.norm(wrench[:, :, :3], axis=2))
    best = size.argmax(axis=0)
    w = wrench[best, np.arange(wrench.shape[1])]
    f, m = w[:, :3], w[:, 3:]
    normal = load_vector(total[np.isfinite(total).all(axis=1)])
    normal = normal / np.linalg.norm(normal)
    loaded = np.linalg.norm(total, axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        # The moment about the surface is r × F and a free moment along the normal; so n × M = r (n · F).
        cop = np.cross(normal, m) / (f @ normal)[:, None]
        cop[~(loaded >= 0.2 * np.nanpercentile(loaded, 99))] = np.nan
    return np.asarray(cop + np.array([p.centre_m for p in about.plates])[best], dtype=np.float64)


def _mean_force(wrench: Floats, rate_hz: float, threshold_n: float) -> float | None:
    zero = flight_zero(wrench, rate_hz)
    up = wrench[:, UP] - zero.offset[:, UP]
    cuts = cut_contacts(up, rate_hz, threshold_n)
    keep = np.flatnonzero(cuts.whole)
    if len(keep) < 3:
        return None
    on, off = cuts.on[keep] / rate_hz, cuts.off[keep] / rate_hz
    impulse = np.array([up[cuts.first[k] : cuts.last[k] + 1].sum() / rate_hz for k in keep])
    means, weights = [], []
    for run in runs_of_steps(on, off):
        m = mean_over_steps(on[run], impulse[run])
        if m is not None:
            means.append(m)
            weights.append(len(run))
    return float(np.average(means, weights=weights)) if means else None


def _weight(mean_n: float | None, settings: ForceSettings, unit: str, newtons: float) -> tuple[float | None, str]:
    if unit == "BW":
        return newtons, "the recording is in body weights"
    if settings.mass_kg is not None:
        return settings.mass_kg * GRAVITY_MPS2, f"body mass as given, {settings.mass_kg:.1f} kg × {GRAVITY_MPS2} m/s²"
    if mean_n is not None:
        return mean_n, "mean vertical force over whole steps of steady running"
    return None, "body mass not given, and no steps in a row to take body weight from"
