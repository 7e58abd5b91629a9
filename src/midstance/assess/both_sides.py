"""Two side films, one from each side of the runner, put into one left/right table: each leg from the film it is nearer in.

A far leg is partly hidden and lies beyond the plane of the scale. With a film from each side no leg has to be read from
afar; the far legs' values stay in ``strides.csv``, marked, and take no part in the measures.
"""

from __future__ import annotations

from collections.abc import Callable

import attrs
import numpy as np

from midstance.assess.measure import FilmMeasures
from midstance.assess.settings import option
from midstance.errors import ViewError
from midstance.gait.model import SIDES, Event, Exclusion, Measure, MeasureSide, Side, View
from midstance.gait.registry import REGISTRY

#: Cadences of two films further apart than this share, beyond their own intervals, are not of the same running.
SAME_RUNNING = 0.02


def _relabelled(part: FilmMeasures, view: View) -> FilmMeasures:
    """Return a film's measures with everything in it called by what the film was given as."""

    def event(e: Event) -> Event:
        return attrs.evolve(e, view=view)

    def maybe(e: Event | None) -> Event | None:
        return None if e is None else event(e)

    return attrs.evolve(
        part,
        result=attrs.evolve(part.result, view=view),
        events=tuple(event(e) for e in part.events),
        stances=tuple(
            attrs.evolve(
                s, ic=event(s.ic), to=maybe(s.to), opposite_ic=maybe(s.opposite_ic), next_ic=maybe(s.next_ic)
            )
            for s in part.stances
        ),
        exclusions=tuple(attrs.evolve(e, view=view) for e in part.exclusions),
        stride_values=tuple(attrs.evolve(v, view=view) for v in part.stride_values),
    )


def both_sides(side: FilmMeasures, far: FilmMeasures) -> tuple[FilmMeasures, FilmMeasures]:
    """Join a film from the side with one from the other side.

    Parameters
    ----------
    side, far : measures of the two films, both as view "side".

    Returns
    -------
    side, far : the first holds the joined measures and curves, as view "side"; the second, called "side_far", keeps its
    events,
        stances and stride values and has no measures of its own.

    Raises
    ------
    ViewError
        Both films show the same side of the runner.
    """
    near = side.result.near_side
    if near is None or near == far.result.near_side:
        raise ViewError(
            f"both side films show the runner's {near or 'same'} side",
            where=f"{option('side_far')} {far.result.path}",
            allowed="a film from the other side, on which the runner runs the other way through the picture",
            next_step=f"give the film of the other side, or leave out {option('side_far')}",
        )
    leg: dict[Side, FilmMeasures] = {near: side, "left" if near == "right" else "right": far}
    by_key = {s: {(m.measure, m.side): m for m in leg[s].measures} for s in SIDES}
    joined: list[Measure] = []
    for key in dict.fromkeys(m.measure for m in (*side.measures, *far.measures)):
        pair = [by_key[s].get((key, s)) for s in SIDES]
        for s, one in zip(SIDES, pair, strict=True):
            if one is not None:
                name = "side" if leg[s] is side else "side_far"
                joined.append(attrs.evolve(one, method=f"{one.method}; near leg of the {name} film"))
        if "both" in REGISTRY[key].sides:
            lone = [by_key[s].get((key, "both")) for s in SIDES]
            parts = pair if all(p is not None for p in pair) else lone
            joined.append(_mean(key, [p for p in parts if p is not None]))
    curves = [c for s in SIDES for c in leg[s].curves if c.side == s]
    note = _same_running(side, far)
    far = _relabelled(far, "side_far")
    extra = (Exclusion("side_far", "film", note),) if note else ()
    return (
        attrs.evolve(side, measures=tuple(joined), curves=tuple(curves)),
        attrs.evolve(far, measures=(), curves=(), exclusions=(*far.exclusions, *extra)),
    )


def _mean(key: str, parts: list[Measure]) -> Measure:
    """Return the mean of both films' values.

    What limits one film most (where landmarks are placed, how events are read) limits the other alike, so the intervals are
    averaged and never shrink.
    """
    with_value = [p for p in parts if p.value is not None and p.low is not None and p.high is not None]
    n = sum(p.n for p in parts)
    method = "mean of the two side films" + (f"; {with_value[0].method.split('; near leg')[0]}" if with_value else "")
    unit = REGISTRY[key].unit
    if len(with_value) < len(parts) or not parts:
        lacking = next((p for p in parts if p.value is None), None)
        reason = lacking.reason if lacking is not None else "no film gives it"
        side: MeasureSide | str = lacking.side if lacking is not None else ""
        text = reason if side == "both" or not side else f"{side} not measurable: {reason}"
        return Measure(key, "both", "side", unit, None, None, None, n, method, text)
    value = float(np.mean([p.value for p in with_value if p.value is not None]))
    half = float(np.mean([0.5 * (p.high - p.low) for p in with_value if p.high is not None and p.low is not None]))
    return Measure(key, "both", "side", unit, value, value - half, value + half, n, method)


def _same_running(side: FilmMeasures, far: FilmMeasures) -> str | None:
    """Say so when the two films can't be of the same running."""
    get: Callable[[FilmMeasures], Measure | None] = lambda p: next(  # noqa: E731
        (m for m in p.measures if (m.measure, m.side) == ("cadence", "both") and m.value is not None), None
    )
    a, b = get(side), get(far)
    if a is None or b is None or a.value is None or b.value is None:
        return None
    own = sum(0.5 * (m.high - m.low) for m in (a, b) if m.high is not None and m.low is not None)
    if abs(a.value - b.value) <= own + SAME_RUNNING * a.value:
        return None
    return (
        f"cadence is {a.value:.1f} in the side film and {b.value:.1f} steps/min in the film of the other side: "
        "the two are not of the same running, so left and right can't be held against each other"
    )
