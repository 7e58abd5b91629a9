"""What a measured force recording says, in words and rows: for the page and for the command line."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from midstance.assess.ground import GroundRecord
from midstance.findings.words import join_words, number
from midstance.force.cop import PLACE_SIGMA_M
from midstance.force.measures import CALIBRATION_SIGMA, TILT_SIGMA, WEIGHT_SIGMA
from midstance.force.model import Contact
from midstance.force.registry import FORCE_REGISTRY, TIME_KEYS
from midstance.gait.model import SIDES, QualityCheck, StrideValue
from midstance.report.force_curves import spread_out
from midstance.report.tables import measure_rows, titles_of

#: Contacts of a foot drawn beside a measure's mean; of more, so many evenly spread over the recording.
MOST_DOTS = 60
VERDICT = {"good": "good", "usable": "usable", "unfit": "not fit", "unknown": "not known"}
GROUPS = (
    ("Times", "From the instants at which the vertical force passes the threshold.", TIME_KEYS),
    (
        "Forces and centre of pressure",
        "Forces are those of the ground on the runner, in body weights (BW). Braking is negative, propulsion positive.",
        tuple(k for k in FORCE_REGISTRY if k not in TIME_KEYS),
    ),
)
_SURFACE = {"treadmill": "force-measuring treadmill", "plates": "plates in the ground"}
STRIKE_NOTE = (
    "Rearfoot, midfoot and forefoot are thirds of the line from heel to metatarsal heads, by where the load first falls. On "
    "78 legs of 13 runners on a treadmill the class agreed with the published one in 67 (85.9 %), and rearfoot and forefoot "
    "were never exchanged; but the part of contact that is looked at was chosen on the same legs, so for other runners "
    "expect less. Strike pattern describes; it is never judged."
)


def _length(seconds: float) -> str:
    return f"{number(seconds / 60, 1)} min" if seconds >= 120 else f"{number(seconds, 1)} s"


def facts(record: GroundRecord) -> list[tuple[str, str]]:
    """Return what the recording is, as names and values."""
    about, result, settings = record.about, record.result, record.settings
    n = len(about.plates)
    plates = "1 plate" if n == 1 else f"{n} plates"
    out = [
        ("Recording", record.name),
        ("Length", f"{_length(result.duration_s)} at {about.rate_hz:g} samples a second"),
        ("Surface", f"{_SURFACE[result.surface]} ({plates})"),
        ("Contact", f"vertical force of {settings.threshold_n:g} N or more"),
    ]
    if result.weight_n is not None and record.weight_known:
        out.append(("Body weight", f"{number(result.weight_n)} N ({result.weight_source})"))
    else:
        out.append(("Body weight", result.weight_source))
    if settings.speed_mps is not None:
        out.append(("Speed", f"{number(settings.speed_mps, 2)} m/s ({_from(record.speed_from)})"))
    out.append(("Sides", "not told apart" if result.side_source == "unknown" else f"from {_sides(result.side_source)}"))
    return out


def _from(source: str) -> str:
    return "from the file" if source == "the file" else "as given"


def _sides(source: str) -> str:
    words = {"feet": "the feet's markers", "labels": "the file's event labels", "given": "what was given"}
    return words.get(source, f"the {source}")


def contacts_in_words(record: GroundRecord) -> str:
    """Return how many contacts were kept and left out: "11 contacts measured (5 left, 6 right), 1 left out"."""
    kept = [c for c in record.result.contacts if c.excluded is None]
    out = len(record.result.contacts) - len(kept)
    sides = [f"{sum(c.side == s for c in kept)} {s}" for s in ("left", "right")]
    nameless = sum(c.side is None for c in kept)
    if nameless == len(kept):
        each = "left and right not told apart"
    else:
        each = ", ".join([*sides, *([f"{nameless} not told"] if nameless else [])])
    return f"{len(kept)} contact{'' if len(kept) == 1 else 's'} measured ({each}), {out} left out"


def left_out(contacts: Sequence[Contact]) -> list[dict[str, Any]]:
    """Return the reasons for which contacts were left out, commonest first, with the contacts' times."""
    reasons: dict[str, list[str]] = {}
    for c in contacts:
        if c.excluded is not None:
            reasons.setdefault(c.excluded, []).append(f"{c.side or 'a foot'} at {number(c.on_s, 2)} s")
    ordered = sorted(reasons.items(), key=lambda r: (-len(r[1]), r[0]))
    return [{"reason": r, "count": len(x), "which": _few(x)} for r, x in ordered]


def _few(names: Sequence[str], most: int = 12) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def groups(record: GroundRecord) -> list[dict[str, Any]]:
    """Return the tables of measures: title, note, and for each measure its rows by side."""
    values: dict[tuple[str, str, str], list[StrideValue]] = {}
    for v in record.result.values:
        values.setdefault((v.measure, v.view, v.side), []).append(v)
    thinned = {k: [v[i] for i in spread_out(len(v), MOST_DOTS)] for k, v in values.items()}
    have = {m.measure for m in record.result.measures}
    return [
        {
            "title": title,
            "note": note,
            "measures": [measure_rows(record.result.measures, k, thinned) for k in keys if k in have],
        }
        for title, note, keys in GROUPS
    ]


def strike(record: GroundRecord) -> list[tuple[str, str]]:
    """Return the strike pattern by the centre of pressure for each side, one entry where both say the same."""
    said: list[tuple[str, str]] = [(s, record.result.strike[s]) for s in SIDES if s in record.result.strike]
    if len(said) == 2 and said[0][1] == said[1][1]:
        return [("left and right", said[0][1])]
    return said


def not_measured(record: GroundRecord) -> list[dict[str, str]]:
    """Return measures that no side has, those with the same reason together."""
    measures = record.result.measures
    had = {m.measure for m in measures if m.value is not None}
    reasons: dict[str, list[str]] = {}
    for m in measures:
        keys = reasons.setdefault(m.reason or "", [])
        if m.measure not in had and m.measure not in [k for r in reasons.values() for k in r]:
            keys.append(m.measure)
    return [{"what": titles_of(k), "reason": r} for r, k in reasons.items() if k]


def check_row(q: QualityCheck) -> dict[str, str]:
    """Return a check as texts."""
    value = "not known" if q.value is None else f"{_short(q.value)} {q.unit}"
    effect: str = q.effect
    if q.effect == "not measurable" and q.measures:
        titles = titles_of(q.measures)
        effect += f": {titles[:1].lower()}{titles[1:]}"
    return {
        "check": q.check,
        "value": value,
        "limit": q.limit,
        "verdict": q.verdict,
        "verdict_words": VERDICT[q.verdict],
        "effect": "" if q.effect == "none" else effect,
        "advice": q.advice,
    }


def _short(value: float) -> str:
    return number(value, 0 if abs(value) >= 100 or value == int(value) else 1 if abs(value) >= 10 else 2)


def weak_points(record: GroundRecord) -> list[str]:
    """Return what is weak about the numbers, as far as it concerns this recording."""
    measured = {m.measure for m in record.result.measures if m.value is not None}
    out = [
        "Contact depends on the threshold: on 26 runners at 2.5 to 4.5 m/s it reads 11 to 17 ms longer at 20 N than at "
        "50 N. Compare like with like. The labelled events of a sprint over plates were met within 4 ms at 10 N only (at "
        "50 N within 7 ms).",
        "The intervals hold errors that were not measured on this platform but chosen: "
        f"{100 * CALIBRATION_SIGMA:g} % for its calibration, {100 * WEIGHT_SIGMA:g} % for body weight, {TILT_SIGMA:g} rad "
        f"for a vertical that isn't quite vertical, {1000 * PLACE_SIGMA_M:g} mm for where a marker sits on the shoe. They "
        "don't hold the change from day to day.",
    ]
    if measured & {"loading_rate_average", "loading_rate_peak"}:
        out.append(
            "Loading rates were checked on closed forms and on made runners only, not against another laboratory’s values."
        )
    if "strike_index" in measured:
        out.append(STRIKE_NOTE)
    if record.name.lower().endswith(".c3d"):
        out.append("A C3D file is held in memory whole; for recordings of many minutes, CSV or NPZ takes less.")
    return out


def signs() -> str:
    """Return the signs of the forces in one sentence."""
    return join_words(
        ["Signs: forces of the ground on the runner, up positive", "along travel positive (braking negative)"]
    ) + "; to the runner’s right positive."


def summary(record: GroundRecord) -> list[str]:
    """Return the recording's measures in a few sentences."""
    by = {(m.measure, m.side): m for m in record.result.measures}
    out = [f"{contacts_in_words(record)}."]

    def say(key: str, words: str, factor: float, unit: str, decimals: int) -> str | None:
        m = by.get((key, "both"))
        if m is None or m.value is None or m.low is None or m.high is None:
            return None
        low, value, high = (number(factor * x, decimals) for x in (m.low, m.value, m.high))
        return f"{words} {value} {unit} ({low} to {high})"

    parts = [
        say("cadence", "cadence", 1, "steps/min", 0),
        say("contact_time", "contact time", 1000, "ms", 0),
        say("vertical_force_peak", "peak vertical force", 1, "BW", 2),
        say("impact_peak", "impact peak", 1, "BW", 2),
    ]
    said = [p for p in parts if p is not None]
    if said:
        text = join_words(said)
        out.append(f"{text[:1].upper()}{text[1:]}.")
    landing = [f"{side} {pattern}" for side, pattern in strike(record) if not pattern.startswith("not measurable")]
    if landing:
        out.append(f"Strike pattern by the centre of pressure: {'; '.join(landing)}.")
    return out
