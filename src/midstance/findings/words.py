"""Numbers and sentences of the findings in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from midstance.gait.model import Measure, MeasureSide

#: How the closing paragraph of every finding begins.
NOT_SAID = "What it does not say: "

MINUS = "\N{MINUS SIGN}"


def number(value: float, decimals: int = 0) -> str:
    """Return a number with a true minus sign and without a minus zero."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        text = text.lstrip("-")
    return text.replace("-", MINUS)


def degrees(m: Measure) -> str:
    """Return "12° (95 % interval 10 to 14)" in the short form "12° (10 to 14)"."""
    assert m.value is not None
    assert m.low is not None
    assert m.high is not None
    return f"{number(m.value)}° ({number(m.low)} to {number(m.high)})"


def centimetres(m: Measure) -> str:
    """Return a length given in metres as "25 cm (23 to 27)"."""
    assert m.value is not None
    assert m.low is not None
    assert m.high is not None
    return f"{number(100 * m.value)} cm ({number(100 * m.low)} to {number(100 * m.high)})"


def milliseconds(value_s: float) -> str:
    """Return seconds as whole milliseconds."""
    return f"{number(1000 * value_s)} ms"


def by_side(texts: Sequence[tuple[MeasureSide, str]]) -> str:
    """Join texts of one or two sides: "12° on the left, 13° on the right"; a value of both sides stands
    alone.
    """
    return ", ".join(text if side == "both" else f"{text} on the {side}" for side, text in texts)


def join_words(items: Sequence[str]) -> str:
    """Join as "a", "a and b" or "a, b and c"."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} and {items[-1]}"


def pace(speed_mps: float) -> str:
    """Return a speed as "5:00 per km (12.0 km/h)"."""
    seconds = round(1000 / speed_mps)
    return f"{seconds // 60}:{seconds % 60:02d} per km ({speed_mps * 3.6:.1f} km/h)"


def finding_text(seen: str, meaning: str, not_said: str) -> str:
    """Compose a finding: what was seen, what it can mean, and what it does not say, one paragraph each."""
    return "\n\n".join(part for part in (seen, meaning, NOT_SAID + not_said) if part)


def paragraphs(text: str) -> tuple[str, ...]:
    """Return the paragraphs of a finding's text without the closing "What it does not say"."""
    return tuple(p for p in text.split("\n\n") if p and not p.startswith(NOT_SAID))


def does_not_say(text: str) -> str:
    """Return the closing paragraph of a finding's text without its opening words; "" if it has none."""
    return next((p.removeprefix(NOT_SAID) for p in text.split("\n\n") if p.startswith(NOT_SAID)), "")
