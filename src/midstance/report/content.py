"""What the report says, before anybody decides what it looks like: one plain dictionary for the page and the
PDF.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from midstance.assess.export import NO_PLAN
from midstance.assess.result import Assessment, FilmResult
from midstance.evidence import Evidence, load_evidence
from midstance.findings import does_not_say, paragraphs
from midstance.findings.overruled import Overruled
from midstance.findings.words import join_words, number, pace
from midstance.gait.model import SIDES, Finding, QualityCheck, View
from midstance.gait.registry import REGISTRY
from midstance.report.curves import curve_drawing
from midstance.report.stills import Still
from midstance.report.tables import (
    FILM_TITLES,
    measure_groups,
    methods,
    same_reason,
    stride_tables,
    title_of,
    titles_of,
)

_FILM_WORDS: dict[View, str] = {
    "side": "from the side", "side_far": "from the other side", "rear": "from behind", "front": "from the front"
}  # fmt: skip
KIND_TITLES = {"initial_contact": "Initial contact", "midstance": "Midstance", "toe_off": "Toe-off"}
STRENGTH = {"practice only": 0, "very limited": 1, "limited": 2, "moderate": 3, "strong": 4}
_VERDICT = {"good": "good", "usable": "usable", "unfit": "not fit", "unknown": "not known"}
_CHECK_UNIT = {"deg": "°", "%": " %", "1": ""}
#: Steps of each leg that are advised for a mean (Oliveira & Pirscoveanu 2021, in the citations).
ENOUGH_STEPS = 25
INVENTED = "Invented runner: rendered film, not a person"


def report_content(a: Assessment, stills: Sequence[Still], evidence: Evidence | None = None) -> dict[str, Any]:
    """Return the report's content as texts, lists and SVG strings; the same assessment gives the same
    content.
    """
    known = evidence or load_evidence()
    findings = [_finding(f, a.overrule_of(f)) for f in a.findings]
    notes = _method_notes(a, known)
    humility = (
        "Most links between running form and injury hold for one injury only, and the evidence is limited "
        f"({known.short(['willwacher2022', 'peterson2022'])}). Read what follows as things to look at, not "
        "as "
        "faults."
    )
    sources = known.cited_in([humility, *notes, *(f.source for f in a.findings)])
    return {
        "title": a.runner_label or "Running form",
        "label": a.runner_label,
        "invented": INVENTED if a.invented else "",
        "software": a.software,
        "facts": _facts(a),
        "summary": _summary(a),
        "stills": _stills(a, stills),
        "stands_out": [f for f in findings if f["status"] == "clear" and not f["overruled"]],
        "described": [f for f in findings if f["status"] == "described" and not f["overruled"]],
        "overruled": [f for f in findings if f["overruled"]],
        "curves": curves_of(a),
        "groups": measure_groups(a),
        "strides": stride_tables(a),
        "films": [_film(f) for f in a.films],
        "excluded": _excluded(a),
        "corrected": _corrected(a),
        "humility": humility,
        "methods": methods(a),
        "method_notes": notes,
        "settings": [{"name": setting_name(k), "value": setting_words(v)} for k, v in sorted(a.settings.items())],
        "plan_note": NO_PLAN,
        "cautions": {kind: [c.text for c in known.cautions if c.kind == kind] for kind in ("usual", "stop", "emergency")},
        "sources": [{"text": c.text(), "says": c.says} for c in sources],
    }


def _facts(a: Assessment) -> list[dict[str, str]]:
    facts = [
        {"name": "Pace", "value": pace(a.speed_mps)},
        {"name": "Surface", "value": a.surface},
        {
            "name": "Films" if len(a.films) > 1 else "Film",
            "value": join_words([f"{_FILM_WORDS[f.view]}, {number(f.capture_fps)} frames/s" for f in a.films]),
        },
    ]
    body = []
    if a.runner.height_m is not None:
        body.append(f"{number(a.runner.height_m, 2)} m")
    if a.runner.mass_kg is not None:
        body.append(f"{number(a.runner.mass_kg)} kg")
    if body:
        facts.append({"name": "Runner", "value": ", ".join(body)})
    return facts


def _summary(a: Assessment) -> dict[str, Any]:
    used = {f.view: sum(1 for s in a.stances if s.ic.view == f.view and s.excluded is None) for f in a.films}
    seen = [
        f"The runner was filmed {join_words([_FILM_WORDS[f.view] for f in a.films])} at {pace(a.speed_mps)}, "
        f"{'on a treadmill' if a.surface == 'treadmill' else 'overground'}. "
        f"{join_words([f'{n} steps {_FILM_WORDS[v]}' for v, n in used.items()])} "
        f"{'was' if sum(used.values()) == 1 else 'were'} measured."
    ]
    sentence = []
    if (cadence := a.measure("cadence")) and cadence.value is not None:
        sentence.append(f"The feet touch down {number(cadence.value)} times a minute")
    contact = [(s, m) for s in ("left", "right") if (m := a.measure("contact_time", s)) and m.value is not None]
    if contact:
        texts = [f"{number(1000 * (m.value or 0))} ms ({s})" for s, m in contact]
        sentence.append(f"each contact lasts {join_words(texts)}")
    if sentence:
        text = " and ".join(sentence)
        seen.append(f"{text[0].upper()}{text[1:]}.")
    unfit = [(f, q) for f in a.films for q in f.quality if q.verdict == "unfit"]
    if unfit:
        seen.append(
            "The films are not fit for everything: "
            + join_words([f"{q.check.replace('_', ' ')} ({_FILM_WORDS[f.view]})" for f, q in unfit])
            + " fell short. What that touches is left out or has a wider interval."
        )
    elif a.films and all(q.verdict == "good" for f in a.films for q in f.quality):
        seen.append("The films are fit to be measured.")
    fewest = _fewest_steps(a)
    if fewest is not None and fewest < ENOUGH_STEPS:
        seen.append(
            f"Means are steadier with {ENOUGH_STEPS} or more steps of each leg; here there are {fewest}. A "
            "longer film next time "
            "would help."
        )
    reasons: dict[str, list[str]] = {}
    for key, reason in same_reason(a):
        reasons.setdefault(reason, []).append(key)
    return {
        "seen": seen,
        "stands_out": [
            {"title": f.title, "key": f.key} for f in a.findings if f.status == "clear" and a.overrule_of(f) is None
        ],
        "not_measured": [{"what": titles_of(keys), "reason": reason} for reason, keys in reasons.items()],
    }


def _stills(a: Assessment, stills: Sequence[Still]) -> list[dict[str, Any]]:
    out = []
    for film in a.films:
        sides = []
        for side in ("left", "right"):
            mine = [s for s in stills if s.view == film.view and s.side == side]
            mine.sort(key=lambda s: (list(KIND_TITLES).index(s.kind), s.stride))
            items = [
                {
                    "title": KIND_TITLES[s.kind],
                    "caption": s.caption,
                    "alt": _still_alt(s),
                    "file": s.file_name(),
                    "width": s.rgb.shape[1],
                    "height": s.rgb.shape[0],
                }
                for s in mine
            ]
            if items:
                sides.append({"side": side, "items": items})
        if sides:
            out.append({"view": FILM_TITLES[film.view], "sides": sides})
    return out


def _still_alt(s: Still) -> str:
    """Return what a still shows, for those who can't see it."""
    instant = KIND_TITLES[s.kind].lower()
    return f"{FILM_TITLES[s.view]}, {s.side} foot on the ground at {instant}, angles drawn in."


def _finding(f: Finding, overruled: Overruled | None) -> dict[str, Any]:
    return {
        **finding_texts(f),
        "measures": [title_of(k) for k in f.measures],
        "overruled": _overruled(overruled) if overruled else "",
    }


def finding_texts(f: Finding) -> dict[str, Any]:
    """Return a finding as it is shown, part by part; ``strength`` counts from 0 to 4."""
    text = paragraphs(f.text)
    return {
        "key": f.key,
        "title": f.title,
        "status": f.status,
        "side": f.side,
        "seen": text[0] if text else "",
        "meaning": list(text[1:]),
        "not_said": does_not_say(f.text),
        "evidence": f.evidence,
        "strength": STRENGTH[f.evidence],
        "source": f.source,
    }


def _overruled(o: Overruled) -> str:
    """Return who doesn't agree, when and why, as a sentence."""
    who = ", ".join(t for t in (o.by, o.at) if t)
    return f"Overruled{f' ({who})' if who else ''}: {o.why.rstrip('.')}."


def curves_of(a: Assessment) -> list[dict[str, Any]]:
    """Return the curves of each film as drawings with their words."""
    out = []
    for film in a.films:
        panels = []
        for key in dict.fromkeys(c.key for c in a.curves if c.view == film.view):
            pair = [c for c in a.curves if c.view == film.view and c.key == key]
            about = next((REGISTRY[k] for k in pair[0].measure_keys if k in REGISTRY), None)
            up = about.positive if about and pair[0].unit == "deg" else "higher"
            if pair[0].key == "thigh_angle":  # one of its measures has the opposite sign
                up = REGISTRY["thigh_angle_contact"].positive
            drawing = curve_drawing(pair, up)
            counts = join_words([f"{c.strides.shape[0]} {c.side}" for c in pair])
            panels.append({"title": pair[0].title, "svg": drawing.svg, "alt": drawing.alt, "note": f"{counts} strides"})
        if panels:
            out.append({"key": film.view, "view": FILM_TITLES[film.view], "panels": panels})
    return out


def _film(f: FilmResult) -> dict[str, Any]:
    facts = [
        ("File", f.name),
        ("Frames", f"{f.frames} in {number(f.duration_s, 2)} s of real time, {f.width} × {f.height} px"),
        ("Capture rate", f"{number(f.capture_fps, 2)} frames/s ({f.capture_source})"),
    ]
    if abs(f.slowdown - 1) > 0.01:
        facts.append(("Slow motion", f"plays {number(f.slowdown, 2)} times slower than real"))
    facts.append(("Running", f.direction + (f", {f.near_side} leg nearer to the camera" if f.near_side else "")))
    if f.scale:
        error = number(196 * f.scale.relative_sigma, 1)
        facts.append(("Scale", f"{number(1000 * f.scale.m_per_px, 2)} mm per px ± {error} % ({f.scale.source})"))
    else:
        facts.append(("Scale", "none: lengths are not measurable"))
    if f.duplicate_frames or f.dropped_frames:
        facts.append(("Faults", f"{f.duplicate_frames} frames twice, {f.dropped_frames} missing"))
    facts.append(("SHA-256", f.sha256))
    return {
        "title": FILM_TITLES[f.view],
        "facts": [{"name": k, "value": v} for k, v in facts],
        "notes": list(f.scale_notes),
        "checks": [_check(q) for q in f.quality],
    }


def _check(q: QualityCheck) -> dict[str, str]:
    value = "not known" if q.value is None else f"{_short(q.value)}{_CHECK_UNIT.get(q.unit, f' {q.unit}')}".strip()
    effect: str = q.effect
    if q.effect == "not measurable" and q.measures:
        titles = titles_of(q.measures)
        effect += f": {titles[:1].lower()}{titles[1:]}"
    return {
        "check": q.check.replace("_", " "),
        "value": value,
        "limit": q.limit,
        "verdict": q.verdict,
        "verdict_words": _VERDICT[q.verdict],
        "effect": "" if q.effect == "none" else effect,
        "advice": q.advice,
    }


def _short(value: float) -> str:
    return number(value, 0 if abs(value) >= 100 or value == int(value) else 1 if abs(value) >= 1 else 2)


def _excluded(a: Assessment) -> dict[str, Any]:
    """Return what was left out by reason, counted, and apart from it what is to be said of whole films."""
    reasons: dict[str, list[str]] = {}
    notes = []
    for e in a.exclusions:
        if e.stride == "film":
            notes.append(f"{FILM_TITLES[e.view]}: {e.reason.rstrip('.')}.")
        else:
            reasons.setdefault(e.reason, []).append(f"{e.stride} ({_FILM_WORDS[e.view]})")
    ordered = sorted(reasons.items(), key=lambda r: (-len(r[1]), r[0]))
    rows = [{"reason": r, "count": len(x), "which": ", ".join(x)} for r, x in ordered]
    return {"total": sum(len(x) for x in reasons.values()), "rows": rows, "notes": notes}


def _corrected(a: Assessment) -> list[dict[str, str]]:
    """Return what a person set right: what, what it did, and who said so."""
    rows = []
    for one in a.corrections:
        c = one.correction
        if c.kind == "landmark":
            what = (c.landmark or "").replace("_", " ")
        elif c.kind == "event":
            what = f"{c.side} {(c.event or '').replace('toe_off', 'toe-off').replace('_', ' ')}"
        else:
            what = "legs" if c.kind == "swap_legs" else f"{c.side} stride"
        who = ", ".join(t for t in (c.by, c.at, c.note) if t)
        rows.append(
            {"what": f"{what} at {c.time_s:.3f} s ({_FILM_WORDS[c.view]})", "effect": one.effect, "who": who}
        )
    return rows


def _fewest_steps(a: Assessment) -> int | None:
    """Return the smallest number of used steps of a leg in any film."""
    counts = [
        sum(1 for s in a.stances if s.ic.view == f.view and s.side == side and s.excluded is None)
        for f in a.films
        for side in SIDES
    ]
    return min(counts, default=None)


def _method_notes(a: Assessment, known: Evidence) -> list[str]:
    """Return where the formulas come from, for the measures that are there."""
    measured = {m.measure for m in a.measures if m.value is not None}
    notes = []
    if measured & {"foot_ahead_of_com", "vertical_oscillation"}:
        notes.append(f"Centre of mass from the table of the parts of the body: {known.short(['deleva1996'])}.")
    if measured & {"vertical_force_peak_estimated", "vertical_stiffness", "leg_stiffness"}:
        notes.append(f"Force and stiffness estimated from times: {known.short(['morin2005'])}.")
    if _fewest_steps(a) is not None:
        notes.append(f"{ENOUGH_STEPS} steps of each leg: {known.short(['oliveira2021'])}.")
    return notes


_SETTING_UNITS = {"mps": "m/s", "hz": "Hz", "fps": "frames/s", "s": "s", "m": "m", "kg": "kg", "n": "N"}


def setting_name(key: str) -> str:
    """Return a setting's key in words with its unit behind: "speed_mps" as "speed, m/s"."""
    *words, last = key.split("_")
    if words and last in _SETTING_UNITS:
        return f"{' '.join(words)}, {_SETTING_UNITS[last]}"
    return key.replace("_", " ")


def setting_words(value: Any) -> str:
    """Return a setting's value in words."""
    if value is None:
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, dict):
        return ", ".join(f"{k} {setting_words(v)}" for k, v in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(setting_words(v) for v in value) or "none"
    return str(value)
