"""A recording from beginning to end: first look, zero, contacts, sides, what is left out, measures."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence

import attrs
import numpy as np

from midstance.errors import ForceError
from midstance.force.assign import assign_sides, feet_of, frames_of, from_path
from midstance.force.cop import InFoot, pattern_in_words
from midstance.force.cut import cut_contacts, quieted
from midstance.force.fitness import Tally, fitness, how_it_was_read, saturation
from midstance.force.leave_out import beside_the_others, contact_fault
from midstance.force.measures import measure_all
from midstance.force.model import FORWARD, RIGHT, UP, Contact, ForceAbout, ForceBlock, ForceResult, ForceSettings, Plate
from midstance.force.registry import VIEW
from midstance.force.sides import runs_of_steps
from midstance.force.stance import make_window, measure_contact
from midstance.force.survey import SURVEY_S, USUAL_WEIGHT_N, Survey, running_part, sum_of_belts, survey
from midstance.force.units import mean_over_steps, weight_check
from midstance.force.windows import Piece, pieces
from midstance.force.zero import flight_zero
from midstance.gait.model import SIDES, Exclusion, Floats, Measure, QualityCheck, Side

#: No platform bears this much, N or N m: such numbers are damage.
LARGEST = 1e6
#: Share of samples beyond that from which the recording isn't damaged but in another unit. Engineering choice.
MOST_BEYOND = 0.005
Progress = Callable[[float], None]


def measure_force(
    about: ForceAbout,
    blocks: Callable[[], Iterable[ForceBlock]],
    settings: ForceSettings | None = None,
    *,
    where: str = "recording",
    progress: Progress = lambda share: None,
) -> ForceResult:
    """Measure a force recording.

    Parameters
    ----------
    about, blocks : the recording; ``blocks()`` starts it anew, since its beginning is looked at first. Memory stays that
        of a few blocks and of the contacts' curves, however long it is.
    settings : see ``ForceSettings``.
    where : the recording's name, for messages.
    progress : called with the share done, 0 to 1, where the length is known.

    Raises
    ------
    ForceError
        The recording can't be trusted: wrong unit, no weight on any channel, nobody on the plates, nothing but gaps.
    """
    asked = settings or ForceSettings()
    limits = _Limits(where)
    first = survey(about, _beginning(about, limits.within(blocks()), asked, where), asked, where=where)
    limits.check()
    plates = _plates_measured(about, first)
    run = _Run(about, first, asked, plates, where)
    limits = _Limits(where)
    for piece in pieces(limits.within(blocks()), about.rate_hz):
        run.take(piece)
        if about.samples:
            progress(min(1.0, piece.core_stop / about.samples))
    limits.check()
    return run.result()


class _Limits:
    """What no platform can bear: single samples are damage and count as missing; many mean another unit."""

    def __init__(self, where: str) -> None:
        self._where, self._beyond, self._samples = where, 0, 0

    def within(self, blocks: Iterable[ForceBlock]) -> Iterator[ForceBlock]:
        """Blocks in which what can't be a force or a moment is missing."""
        for block in blocks:
            with np.errstate(invalid="ignore"):
                fine = np.abs(block.wrench) < LARGEST
                self._beyond += int((np.abs(block.wrench[:, :, :3]) >= LARGEST).any(axis=(0, 2)).sum())
            self._samples += block.wrench.shape[1]
            yield block if fine.all() else attrs.evolve(block, wrench=np.where(fine, block.wrench, np.nan))

    def check(self) -> None:
        """Refuse a recording with more than ``MOST_BEYOND`` of such samples."""
        if self._beyond > MOST_BEYOND * self._samples:
            raise ForceError(
                f"{100 * self._beyond / self._samples:.0f} % of the samples hold forces beyond {LARGEST / 1e6:g} million N, "
                "which no platform bears",
                where=self._where,
                allowed="forces of a runner, in the unit that is stated",
                next_step="check the unit of the force columns; they may be in N",
            )


def _beginning(about: ForceAbout, blocks: Iterable[ForceBlock], settings: ForceSettings, where: str) -> Floats:
    """The part that the first look is taken at."""
    part = running_part(about, _stretches(about, blocks), settings)
    least = 0.2 * about.rate_hz
    if part.shape[1] < least:
        raise ForceError(
            f"the recording holds {part.shape[1]} samples", where=where, allowed=f"at least 0.2 s ({least:.0f} samples)"
        )
    return part


def _stretches(about: ForceAbout, blocks: Iterable[ForceBlock]) -> Iterator[Floats]:
    """Blocks joined to stretches of ``SURVEY_S``."""
    size = round(SURVEY_S * about.rate_hz)
    held: list[Floats] = []
    have = 0
    for block in blocks:
        held.append(block.wrench)
        have += block.wrench.shape[1]
        while have >= size:
            joined = np.concatenate(held, axis=1)
            yield joined[:, :size]
            held, have = [joined[:, size:]], have - size
    if have:
        yield np.concatenate(held, axis=1)


def _plates_measured(about: ForceAbout, first: Survey) -> tuple[Plate, ...]:
    if not first.together:
        return about.plates
    horizontal, cop = all(p.horizontal for p in about.plates), all(p.cop for p in about.plates)
    given = any(p.cop_as_given for p in about.plates)
    return (Plate("the treadmill", about.plates[0].corners_m, horizontal, cop, about.plates[0].down_lab, given),)


class _Run:
    """What grows while pieces go by: contacts, the zero's way, counts."""

    def __init__(
        self, about: ForceAbout, first: Survey, settings: ForceSettings, plates: Sequence[Plate], where: str
    ) -> None:
        self._about, self._first, self._settings, self._plates, self._where = about, first, settings, plates, where
        self._contacts: list[Contact] = []
        self._tally = Tally()
        self._samples_until = 0
        centres = [first.axes.turn_points(p.centre_m) for p in plates]
        self._centres = [c[[FORWARD, RIGHT]] for c in centres]
        self._edges = [self._edges_of(p) for p in plates]

    def _edges_of(self, plate: Plate) -> Floats | None:
        if plate.corners_m is None or self._first.surface == "treadmill":
            return None
        c = self._first.axes.turn_points(plate.corners_m)[:, [FORWARD, RIGHT]]
        return np.array([c.min(axis=0), c.max(axis=0)])

    def take(self, piece: Piece) -> None:
        """Measure the contacts that begin in a piece's own part."""
        turned = self._first.axes.turn(piece.wrench)
        turned *= self._first.newtons
        if self._first.together:
            turned = sum_of_belts(self._about, turned, self._first.axes)
        self._samples_until = max(self._samples_until, piece.core_stop)
        for number, wrench in enumerate(turned):
            self._plate(number, wrench, piece)

    def _plate(self, number: int, wrench: Floats, piece: Piece) -> None:
        rate, first, settings = self._about.rate_hz, self._first, self._settings
        core = slice(piece.core_start - piece.first, piece.core_stop - piece.first)
        self._tally.lost += int((~np.isfinite(wrench[core, UP])).sum())
        self._tally.samples += core.stop - core.start
        zero = flight_zero(wrench, rate)
        zeroed = wrench - zero.offset
        if self._plates[number].cop_as_given:
            with np.errstate(divide="ignore", invalid="ignore"):
                zeroed[:, 3:] = wrench[:, 3:] * (zeroed[:, UP] / wrench[:, UP])[:, None]
        if len(zero.flights):
            self._tally.flights += int(((zero.flights >= core.start) & (zero.flights < core.stop)).sum())
            self._tally.noise.append(zero.noise_n)
            self._tally.zeros.append((float(zero.offset[core, UP].min()), float(zero.offset[core, UP].max())))
        up, was_quieted = quieted(zeroed[:, UP], rate, settings.threshold_n, zero.noise_n)
        self._tally.parts += 1
        self._tally.quieted += was_quieted
        cuts = cut_contacts(up, rate, settings.threshold_n)
        weight = first.weight_n or USUAL_WEIGHT_N
        plate = self._plates[number]
        window = make_window(
            zeroed,
            rate,
            piece.first,
            self._about.start_s,
            zero.noise_n,
            zero.sigma_n,
            self._centres[number],
            cop_as_given=plate.cop_as_given,
        )
        for k in range(len(cuts)):
            if not core.start <= cuts.first[k] < core.stop:
                continue
            if not cuts.whole[k]:
                on, off = (window.time_s(float(x)) for x in (cuts.on[k], cuts.off[k]))
                gap = not np.isfinite(zeroed[max(0, cuts.first[k] - 1) : cuts.last[k] + 2, UP]).all()
                reason = "values are missing in it" if gap else "the recording begins or ends within it"
                self._contacts.append(Contact(0, number, on, max(on, off), 1 / rate, 1 / rate, excluded=reason))
                continue
            contact = measure_contact(
                window, cuts, k, index=0, plate=number, settings=settings, weight_n=weight,
                horizontal=first.horizontal and plate.horizontal, cop=plate.cop,
            )  # fmt: skip
            rows = wrench[cuts.first[k] : cuts.last[k] + 1]
            fault = contact_fault(contact, rows, rate, plate, self._edges[number], weight, first.surface == "plates")
            self._contacts.append(attrs.evolve(contact, excluded=fault))

    def result(self) -> ForceResult:
        """Sides, what stands out, measures."""
        about, first, settings = self._about, self._first, self._settings
        ordered = sorted(self._contacts, key=lambda c: (c.on_s, c.plate))
        ordered = [attrs.evolve(c, index=i) for i, c in enumerate(ordered)]
        ordered = beside_the_others(ordered, self._plates)
        if not ordered:
            raise ForceError(
                f"no contact of {settings.threshold_n:g} N or more in the whole recording",
                where=self._where,
                next_step="lower the threshold, or check the unit of the forces",
            )
        feet = feet_of(about, first.axes)
        ordered, source, why = assign_sides(ordered, about, first, settings, feet)
        mean = self._mean(ordered)
        mass_for_check = None if about.unit == "BW" and settings.mass_kg is None else settings.mass_kg
        check = self._weight_check(mean, mass_for_check)
        weight, weight_source = first.weight_n, first.weight_source
        weight_is_mean = settings.mass_kg is None and about.unit != "BW" and first.mean_n is not None
        if weight_is_mean and mean is not None:
            weight = mean
        in_feet = frames_of(ordered, feet, first, settings)
        lengths = [f[1] for f in in_feet.values() if not isinstance(f, str)]
        inside: dict[int, InFoot | str] = {i: f if isinstance(f, str) else f[0] for i, f in in_feet.items()}
        alone = None if feet else from_path(ordered, first, settings)
        if alone is not None:
            inside = alone[0]
        values, measures = measure_all(
            ordered,
            weight_n=weight,
            weight_source=weight_source,
            bandwidth=first.bandwidth,
            settings=settings,
            in_feet=inside,
            front_is=feet[0].front_is if feet else None,
            foot_length_m=float(np.mean(lengths)) if lengths else None,
            from_path_sigma=None if alone is None else alone[1],
            weight_is_mean=weight_is_mean,
            missing_fore_aft=self._no_fore_aft(),
            wider=0.0 if check.value is None or check.verdict == "good" else abs(check.value - 1.0) / 2,
        )
        return ForceResult(
            tuple(ordered),
            tuple(measures),
            tuple(values),
            tuple(Exclusion(VIEW, _label(c), c.excluded) for c in ordered if c.excluded is not None),
            (check, *fitness(first, settings, self._tally), saturation(ordered)),
            how_it_was_read(about, first, settings, self._tally, source, why),
            first.surface,
            source,
            weight,
            weight_source,
            self._samples_until / about.rate_hz,
            _strikes(measures),
            {i: f.path for i, f in inside.items() if alone is None and isinstance(f, InFoot)},
        )

    def _no_fore_aft(self) -> str | None:
        if self._first.horizontal:
            return None
        if not all(p.horizontal for p in self._about.plates):
            return "no horizontal force was recorded"
        return "the direction of travel can't be told from this recording; give it"

    def _mean(self, contacts: Sequence[Contact]) -> float | None:
        """Mean vertical force over whole steps of all runs of steps that aren't broken by an unmeasured contact."""
        means, weights = [], []
        over_plates = self._first.surface == "plates"
        good = [c for c in contacts if "vertical_impulse" in c.values and not (over_plates and c.excluded)]
        for run in runs_of_steps([c.on_s for c in good], [c.off_s for c in good]):
            m = mean_over_steps([good[i].on_s for i in run], [good[i].values["vertical_impulse"] for i in run])
            if m is not None:
                means.append(m)
                weights.append(len(run))
        return float(np.average(means, weights=weights)) if means else None

    def _weight_check(self, mean: float | None, mass_kg: float | None) -> QualityCheck:
        if self._first.surface == "plates" and mass_kg is None:
            mean = None  # a few steps over plates needn't be steady: nothing to hold them against
        if self._about.unit == "BW":
            ratio = None if mean is None else mean / self._first.newtons
            mass = self._first.newtons / 9.81
            return weight_check(None if ratio is None else ratio * mass * 9.81, mass, where=self._where)
        return weight_check(mean, mass_kg, where=self._where)


def _label(contact: Contact) -> str:
    return f"{contact.side or 'a'} contact at {contact.on_s:.2f} s"


def _strikes(measures: Sequence[Measure]) -> dict[Side, str]:
    out: dict[Side, str] = {}
    for m in measures:
        if m.measure != "strike_index" or m.side == "both":
            continue
        for side in SIDES:
            if m.side == side:
                known = m.value is not None and m.low is not None and m.high is not None
                out[side] = (
                    pattern_in_words(m.value, m.low, m.high)  # type: ignore[arg-type]
                    if known
                    else f"not measurable: {m.reason}"
                )
    return out
