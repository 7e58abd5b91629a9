"""Findings on steps: cadence at this pace, and which part of the foot lands first."""

from __future__ import annotations

from midstance.evidence import NO_SOURCE
from midstance.findings.known import Known, side_of
from midstance.findings.words import by_side, degrees, finding_text, number, pace
from midstance.gait.model import Finding, Measure

_FIRST = {
    "rearfoot": "the heel first (rearfoot)",
    "midfoot": "heel and ball nearly together (midfoot)",
    "forefoot": "the ball of the foot first (forefoot)",
}

_ONE_FOOT = {"left": "The left foot lands", "right": "The right foot lands", "both": "The feet land"}


def cadence(known: Known, *, as_target: bool) -> Finding | None:
    """Cadence at this pace with the runner's own +5 % and +10 %; never held against a fixed number.

    ``as_target``: whether another finding gives a reason to shorten the step. A figure that looks like
    strides per minute is returned as a question instead.
    """
    found = known.sides("cadence")
    found = [m for m in (known.value("cadence", "both"), *found) if m is not None][:1]
    if not found:
        return None
    m = found[0]
    assert m.value is not None
    assert m.low is not None
    assert m.high is not None
    question = known.evidence.threshold("cadence_unit_question")
    if question.cleared(m.low, m.high):
        return _unit_question(m)
    small = known.evidence.threshold("cadence_small_step_up")
    large = known.evidence.threshold("cadence_large_step_up")
    low, high = (number(m.value * (1 + t.value / 100)) for t in (small, large))
    seen = (
        f"At {pace(known.speed_mps)} the runner takes {number(m.value)} steps a minute ({number(m.low, 1)} "
        f"to {number(m.high, 1)}), "
        f"both feet counted. A watch that counts one foot shows {number(m.value / 2)}."
    )
    if as_target:
        title = f"Quicker steps at the same pace: {low} to {high} a minute"
        meaning = (
            f"Because of where the leg lands, shorter and quicker steps are a fair thing to try: {low} steps "
            "a minute "
            f"(5 % more) to {high} (10 % more) at this same pace. That shortens the step and lowers the peak "
            "bend and the load "
            "of the knee."
        )
        keys, priority = ["anderson2022", "heiderscheit2011"], 35
        not_said = (
            "that there is a right number for everybody; only this runner's own cadence counts, and it "
            "changes with pace. Quicker steps "
            "feel harder at first and put more work on the calf."
        )
    else:
        title = f"Cadence: {number(m.value)} steps a minute at this pace"
        meaning = (
            "Runners mostly settle near the cadence that costs them least. Nothing measured here asks for "
            "another. Should a quicker step be "
            f"wanted, 5 to 10 % more at this pace would be {low} to {high}."
        )
        keys, priority = ["moore2016", "lieberman2015", "anderson2022"], 60
        not_said = (
            "that a higher cadence is better. No number fits everybody, and it changes with pace and body "
            "height."
        )
    return Finding(
        key="cadence",
        title=title,
        text=finding_text(seen, meaning, not_said),
        status="described",
        evidence=small.strength,
        source=known.evidence.cite(keys),
        measures=("cadence",),
        side="both",
        priority=priority,
    )


def _unit_question(m: Measure) -> Finding:
    assert m.value is not None
    seen = f"The cadence comes out as {number(m.value)} a minute."
    meaning = (
        f"That looks like strides (one foot counted), which would be {number(2 * m.value)} steps a minute; "
        "or like slow-motion film whose "
        "capture rate is not the one that was assumed. Check the capture rate and run again."
    )
    return Finding(
        key="cadence_unit_question",
        title="Steps or strides? Please check the cadence",
        text=finding_text(
            seen, meaning, "anything about the runner. Until it is settled, treat all times with care."
        ),
        status="described",
        evidence="practice only",
        source=f"Figures below 110 a minute are nearly always strides: {NO_SOURCE}",
        measures=("cadence",),
        side="both",
        priority=5,
    )


def foot_strike(known: Known) -> Finding | None:
    """Which part of the foot lands first, by the interval of the foot's angle; described, never judged."""
    rear = known.evidence.threshold("strike_rearfoot")
    fore = known.evidence.threshold("strike_forefoot")
    found = known.sides(rear.measure)
    if not found:
        return None
    classes = [_strike_class(m, rear.value, fore.value) for m in found]
    if len(set(classes)) == 1:
        who = "Both feet land" if len(found) == 2 else _ONE_FOOT[found[0].side]
        angles = by_side([(m.side, degrees(m)) for m in found])
        seen = f"{who} with {classes[0]}: {angles}, toes up counted positive."
    else:
        parts = [
            f"The {m.side} foot lands with {c}: {degrees(m)}" for m, c in zip(found, classes, strict=True)
        ]
        seen = ". ".join(parts) + "; toes up counted positive."
    return Finding(
        key="foot_strike",
        title="How the foot lands",
        text=finding_text(
            seen,
            "No way of landing is better than another. Landing further forward takes load off the knee and "
            "gives it to the calf and "
            "Achilles tendon.",
            "that it should be changed. It says nothing of how hard the foot lands.",
        ),
        status="described",
        evidence=rear.strength,
        source=known.evidence.cite(["mo2023", "vannatta_kernozek2015"]),
        measures=(rear.measure,),
        side=side_of(found),
        priority=70,
    )


def _strike_class(m: Measure, rear: float, fore: float) -> str:
    """Name the class if the whole interval lies in one, else both that it may be."""
    assert m.low is not None
    assert m.high is not None
    if m.low > rear:
        return _FIRST["rearfoot"]
    if m.high < fore:
        return _FIRST["forefoot"]
    if m.low >= fore and m.high <= rear:
        return _FIRST["midfoot"]
    if m.low >= fore:
        return "heel or midfoot first (the interval spans both)"
    if m.high <= rear:
        return "midfoot or forefoot first (the interval spans both)"
    return "no part that can be told apart (the interval is too wide)"
