"""force.html: a force recording as one page that needs nothing but a browser."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import attrs

from midstance.assess.ground import GroundRecord
from midstance.assess.ground_export import plate_name
from midstance.evidence import load_evidence
from midstance.findings.words import number
from midstance.force.model import FORWARD, RIGHT, UP
from midstance.gait.model import SIDES
from midstance.report.content import setting_name, setting_words
from midstance.report.force_curves import MOST_SINGLE, foot_bundle, foot_drawing, force_bundles, force_drawing, kept
from midstance.report.force_words import (
    STRIKE_NOTE,
    check_row,
    facts,
    groups,
    left_out,
    not_measured,
    signs,
    strike,
    summary,
    weak_points,
)
from midstance.report.html import page_template
from midstance.report.tables import titles_of

#: Contacts listed one by one; the rest is in force_contacts.csv.
MOST_LISTED = 200


def force_content(record: GroundRecord) -> dict[str, Any]:
    """Return the page's content as texts, lists and SVG strings; the same record gives the same content."""
    known = load_evidence()
    result = record.result
    by_side = kept(result)
    return {
        "title": record.name,
        "software": record.software,
        "facts": [{"name": k, "value": v} for k, v in facts(record)],
        "summary": summary(record),
        "not_measured": not_measured(record),
        "sides": list(by_side),
        "curves": _curves(record),
        "single": _single(record),
        "feet": _feet(record),
        "no_feet": _why_no_feet(record),
        "strike": strike(record),
        "strike_note": STRIKE_NOTE,
        "groups": groups(record),
        "contacts": _contacts(record),
        "unlisted": max(0, len(result.contacts) - MOST_LISTED),
        "checks": [check_row(c) for c in result.checks],
        "notes": [f"{n[:1].upper()}{n[1:]}." for n in result.notes],
        "signs": signs(),
        "left_out": left_out(result.contacts),
        "left_out_total": sum(c.excluded is not None for c in result.contacts),
        "weak": weak_points(record),
        "methods": _methods(record),
        "settings": [{"name": setting_name(k), "value": setting_words(v)} for k, v in _used(record).items()],
        "sha256": record.sha256,
        "cautions": {
            kind: [_of_recording(c.text) for c in known.cautions if c.kind == kind]
            for kind in ("usual", "stop", "emergency")
        },
    }


def _of_recording(caution: str) -> str:
    """Return a caution, most of which were written with films in mind, for a force recording."""
    return caution.replace("One film", "One recording").replace("one film", "one recording")


def _used(record: GroundRecord) -> dict[str, Any]:
    own = {k: v for k, v in sorted(attrs.asdict(record.settings).items()) if v not in (None, ())}
    asked = {k: v for k, v in sorted(attrs.asdict(record.options).items()) if v}
    return {**own, **asked}


def _curves(record: GroundRecord) -> list[dict[str, str]]:
    result = record.result
    ways = [(UP, "Vertical force", "up")]
    if any(m.measure == "braking_impulse" and m.value is not None for m in result.measures):
        ways += [(FORWARD, "Fore-aft force", "along travel"), (RIGHT, "Sideways force", "to the runner’s right")]
    out = []
    for axis, title, up_means in ways:
        bundles, unit = force_bundles(result, axis)
        if bundles:
            out.append({"title": title, "svg": force_drawing(bundles, unit, title, up_means).svg})
    return out


def _single(record: GroundRecord) -> str:
    most = max((len(c) for c in kept(record.result).values()), default=0)
    return "every single contact" if most <= MOST_SINGLE else f"{MOST_SINGLE} single contacts, spread over the recording"


def _feet(record: GroundRecord) -> list[dict[str, str]]:
    feet = record.about.feet
    out = []
    for side in SIDES:
        found = foot_bundle(record.result, side) if feet is not None else None
        if found is not None and feet is not None:
            drawing = foot_drawing(side, *found, feet.front_is)
            out.append({"title": f"{side.capitalize()} foot", "svg": drawing.svg})
    return out


def _why_no_feet(record: GroundRecord) -> str:
    if record.about.feet is not None:
        return "no two contacts of a foot have a centre of pressure that could be laid on the foot"
    if not any(p.cop for p in record.about.plates):
        return "neither moments nor the centre of pressure were recorded"
    return "the feet were not recorded with the forces (markers of heel and toes), so the path can't be laid on the foot"


def _contacts(record: GroundRecord) -> list[dict[str, str]]:
    rows = []
    for c in record.result.contacts[:MOST_LISTED]:
        peak, weight = c.values.get("peak"), record.result.weight_n
        shown = c.excluded is None and peak is not None and weight is not None
        rows.append(
            {
                "number": str(c.index),
                "side": c.side or "–",
                "plate": plate_name(record, c),
                "on": number(c.on_s, 3),
                "off": number(c.off_s, 3),
                "length": number(1000 * c.contact_s) if c.excluded is None else "",
                "peak": number(peak / weight, 2) if shown and peak is not None and weight is not None else "",
                "left_out": c.excluded or "",
            }
        )
    return rows


def _methods(record: GroundRecord) -> list[dict[str, str]]:
    texts: dict[str, str] = {}
    for m in record.result.measures:
        if m.value is not None and (m.side == "both" or m.measure not in texts):
            texts[m.measure] = m.method
    return [{"measure": titles_of([k]), "method": v} for k, v in texts.items()]


def render_force_page(record: GroundRecord) -> str:
    """Return the whole page."""
    return page_template("force.html.j2").render(**force_content(record))


def write_force_page(record: GroundRecord, file: Path) -> None:
    """Write the page, UTF-8. Nothing is fetched: it holds all it shows."""
    file.write_bytes(render_force_page(record).encode("utf-8"))
