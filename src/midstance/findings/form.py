"""Findings on how the body is held: landing ahead, knee, trunk, hip and pelvis."""

from __future__ import annotations

from midstance.findings.known import Known, side_of
from midstance.findings.words import by_side, centimetres, degrees, finding_text
from midstance.gait.model import Finding, MeasureSide

_FOOT = {"left": "The left foot lands", "right": "The right foot lands", "both": "The feet land"}
_KNEE = {"left": "The left knee is", "right": "The right knee is", "both": "The knees are"}
_ON = {"left": "on the left leg", "right": "on the right leg", "both": "on both legs"}


def overstride(known: Known) -> Finding | None:
    """Foot landing far ahead: fires on the shin's lean at contact; the distances are told beside it."""
    limit = known.evidence.threshold("shank_reaching")
    reaching = known.clearing(limit)
    # The shin can lean back over a foot that is under the body only if something was mismeasured.
    reaching = [
        m
        for m in reaching
        if (d := known.value("foot_ahead_of_hip", m.side)) is None or (d.low is not None and d.low > 0)
    ]
    if not reaching:
        return None
    side = side_of(reaching)
    seen = (
        "At the moment of landing the shin leans back by "
        f"{by_side([(m.side, degrees(m)) for m in reaching])}."
    )
    keys = [limit.measure]
    for key, of in (("foot_ahead_of_com", "the centre of mass"), ("foot_ahead_of_hip", "the hip")):
        ahead = [d for m in reaching if (d := known.value(key, m.side)) is not None]
        if ahead:
            seen += f" The ankle is ahead of {of} by {by_side([(m.side, centimetres(m)) for m in ahead])}."
            keys.append(key)
    meaning = (
        "The further ahead of the hip a foot lands, the harder the landing brakes the runner and the more "
        "the knee has to "
        "take up. Shorter, quicker steps at the same pace bring the foot closer to the body."
    )
    not_said = (
        "that this causes pain, or that it will. No limit has been validated: "
        f"{limit.value:.0f}° of shin lean is a habit of the trade, and says "
        "nothing by itself."
    )
    return Finding(
        key="overstride",
        title=f"{_FOOT[side]} well ahead of the body",
        text=finding_text(seen, meaning, not_said),
        status="clear",
        evidence=limit.strength,
        source=known.source(limit, f"Limit of {limit.value:.0f}° shin lean"),
        measures=tuple(keys),
        side=side,
        priority=10,
    )


def knee_straight(known: Known) -> Finding | None:
    """Knee nearly straight at contact."""
    limit = known.evidence.threshold("knee_straight")
    straight = known.clearing(limit)
    if not straight:
        return None
    side = side_of(straight)
    angles = by_side([(m.side, degrees(m)) for m in straight])
    seen = (
        f"As the foot lands the knee is bent by {angles}; a straight leg has 0°. In open recordings of 26 "
        "treadmill runners the average was 15 to 18°, depending on speed."
    )
    meaning = (
        "A knee that is already a little bent can give way and soften the landing. Groups of injured "
        "runners landed with a "
        "straighter knee than groups of uninjured ones."
    )
    not_said = (
        "that a straight knee came before any injury: those groups were compared once, afterwards. Film "
        "reads this angle "
        f"to about 4° from one day to another, and {limit.value:.0f}° is a limit of habit, not of research."
    )
    return Finding(
        key="knee_straight_at_contact",
        title=f"{_KNEE[side]} nearly straight at landing",
        text=finding_text(seen, meaning, not_said),
        status="clear",
        evidence=limit.strength,
        source=known.source(limit, f"Limit of {limit.value:.0f}°"),
        measures=(limit.measure,),
        side=side,
        priority=20,
    )


def pelvic_drop(known: Known) -> Finding | None:
    """Pelvis dropping to the swing side."""
    limit = known.evidence.threshold("pelvic_drop")
    dropping = known.clearing(limit)
    if not dropping:
        return None
    side = side_of(dropping)
    seen = (
        f"While standing {_ON[side]}, the other side of the pelvis sinks by "
        f"{by_side([(m.side, degrees(m)) for m in dropping])} "
        "at most."
    )
    meaning = (
        "Every runner's pelvis sinks a little. One comparison of injured and uninjured runners, known to us "
        "from summaries, found more of it in the injured group. In a small group with pain around the "
        "kneecap, quicker steps made it less."
    )
    not_said = (
        "that weak hips are the cause, or that an injury follows: the comparison was made once, after the "
        "injuries. "
        f"{limit.value:.0f}° is a limit of habit. A camera that isn't level shows as drop on one side and "
        "lift on the other, and film "
        "can't tell a change of less than 3° from chance."
    )
    bramah = known.evidence.cite(["bramah2019"])
    return Finding(
        key="pelvic_drop",
        title=f"The pelvis drops {_ON[side]}",
        text=finding_text(seen, meaning, not_said),
        status="clear",
        evidence=limit.strength,
        source=f"{known.source(limit, f'Limit of {limit.value:.0f}°')}; {bramah}",
        measures=(limit.measure,),
        side=side,
        priority=30,
    )


def trunk_lean(known: Known) -> Finding | None:
    """Forward lean of the trunk, described."""
    limit = known.evidence.threshold("trunk_lean")
    # One trunk: the value of both stances together says it best.
    key, lean = limit.measure, []
    for key in (limit.measure, "trunk_lean_contact"):
        both = known.value(key, "both")
        if lean := [both] if both else known.sides(key):
            break
    if not lean:
        return None
    when = "over the stance" if key == limit.measure else "at landing"
    seen = f"The trunk leans forward by {by_side([(m.side, degrees(m)) for m in lean])} {when}."
    meaning = (
        "For scale: 24 runners at 12 km/h leaned 7° on average by their own choice. A little more lean "
        "takes some load off the "
        "kneecap and gives it to the hip; running more upright does the opposite."
    )
    not_said = (
        "whether the lean comes from the ankle or from bending at the waist, which this line from hip to "
        "shoulder can't tell apart; "
        "nor that more or less is better."
    )
    return Finding(
        key="trunk_lean",
        title="How the trunk leans",
        text=finding_text(seen, meaning, not_said),
        status="described",
        evidence=limit.strength,
        source=known.source(limit, ""),
        measures=(key,),
        side=side_of(lean),
        priority=75,
    )


def hip_extension(known: Known) -> Finding | None:
    """Thigh behind the vertical at toe-off, described."""
    limit = known.evidence.threshold("hip_extension")
    behind = known.sides(limit.measure)
    if not behind:
        return None
    angle = by_side([(m.side, degrees(m)) for m in behind])
    seen = f"As the foot leaves the ground the thigh points {angle} behind the vertical."
    meaning = "Leaving the ground with the leg a little less stretched out goes with better economy."
    not_said = (
        "how far the hip joint itself extends: film sees the thigh against the vertical, not against the "
        "pelvis. It is no measure of "
        "how tight or strong a hip is."
    )
    return Finding(
        key="hip_extension",
        title="The thigh at push-off",
        text=finding_text(seen, meaning, not_said),
        status="described",
        evidence=limit.strength,
        source=known.source(limit, ""),
        measures=(limit.measure,),
        side=side_of(behind),
        priority=80,
    )


def knee_frontal(known: Known) -> Finding | None:
    """Knee inside or outside the line from hip to ankle, described when the interval excludes zero."""
    limit = known.evidence.threshold("knee_frontal")
    off = [
        m
        for m in known.sides(limit.measure)
        if m.low is not None and m.high is not None and (m.low > 0 or m.high < 0)
    ]
    if not off:
        return None
    texts: list[tuple[MeasureSide, str]] = [
        (m.side, f"{degrees(m)} {'inside' if (m.value or 0) > 0 else 'outside'}") for m in off
    ]
    seen = (
        "Seen from behind or in front, the knee passes off the line from hip to ankle: "
        f"{by_side(texts)} at most."
    )
    meaning = "This is a description. It mixes a turn of the thigh with a sideways bend of the knee."
    not_said = (
        "how far the knee really bends sideways: in 15 elite runners the angle on film was not related to "
        "the one measured in "
        "three dimensions."
    )
    return Finding(
        key="knee_frontal",
        title="The knee seen from behind or in front",
        text=finding_text(seen, meaning, not_said),
        status="described",
        evidence=limit.strength,
        source=known.source(limit, ""),
        measures=(limit.measure,),
        side=side_of(off),
        priority=85,
    )
