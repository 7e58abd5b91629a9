"""The tables and bars of films with known truth, made of the figures of ``films_check``."""

from __future__ import annotations

from typing import Any

from midstance.gait.events import KINDS
from midstance.gait.registry import REGISTRY
from midstance.validate.recordings_tables import WORDS
from midstance.validate.tables import Bar, Section, Table, at_most, number, percent

#: Events nearer than this to an end of a film needn't be found, s.
FILM_END_S = 0.25
#: The name of the pool of fast side films.
FAST_GROUP = "side, 120 fps and more"
COLUMNS = ("", "n", "bias", "median abs.", "95 % within", "interval holds", "means held")
AT_CONTACT = (
    "foot_strike_angle", "shank_angle_contact", "knee_flexion_contact", "thigh_angle_contact", "hip_flexion_contact",
    "ankle_dorsiflexion_contact", "trunk_lean_contact",
)  # fmt: skip
OVERSTRIDE = ("foot_ahead_of_hip", "foot_ahead_of_com")
FRONTAL = (
    "pelvic_drop_peak", "pelvic_drop_excursion", "hip_adduction_peak", "thigh_adduction_peak", "knee_frontal_angle_peak",
    "trunk_side_lean_peak",
)  # fmt: skip
#: Bars: median of event times, bias of contact time (ms); cadence (per cent); angles (deg); overstride (cm); held intervals.
EVENT_MS, CONTACT_MS, CADENCE_PERCENT, ANGLE_DEG, OVERSTRIDE_CM, LEAST_HELD = 8.0, 8.0, 0.3, 3.0, 2.0, 0.90
#: Factor and unit in which a measure is printed, by its own unit.
SHOWN = {"m": (100.0, "cm"), "s": (1000.0, "ms"), "deg": (1.0, "°"), "1": (100.0, "%")}
#: Share of strides that a 95 % interval should hold the truth in, to be neither too narrow nor too wide.
HONEST = (0.93, 0.97)


def _bars(d: dict[str, Any]) -> list[Bar]:
    out: list[Bar] = []
    fast = d["pooled"].get(FAST_GROUP)
    if fast:
        for kind in KINDS:
            words = f"{FAST_GROUP}: {WORDS[kind]}, median abs. error"
            out.append(at_most(words, fast["events"][kind]["median_abs_ms"], EVENT_MS, "ms"))
        out.append(
            at_most(f"{FAST_GROUP}: cadence, worst film", fast["cadence_worst_error_percent"], CADENCE_PERCENT, "%")
        )
        out.append(at_most(f"{FAST_GROUP}: contact time, bias", fast["contact_time"]["bias_ms"], CONTACT_MS, "ms"))
    side, frontal = (d["pooled"].get(name, {"measures": None})["measures"] for name in ("side", "rear and front"))
    if side is not None:
        for keys, limit, unit in ((AT_CONTACT, ANGLE_DEG, "°"), (OVERSTRIDE, OVERSTRIDE_CM, "cm")):
            out += [b for key in keys for b in _measure_bars(f"side: {key}", side.get(key), limit, unit)]
    if frontal is not None:
        for key in FRONTAL:
            name = f"rear and front: {key}"
            if key in frontal:
                out += _measure_bars(name, frontal[key], ANGLE_DEG, "°")
            else:
                out.append(Bar(name, f"≤ {ANGLE_DEG:g} ° or not measurable", "not measurable", True))
    for name, group in _groups(d).items():
        count = group["left_right_swaps"]
        lost = sum(group["events"][k][x] for k in KINDS for x in ("missed", "invented"))
        held = [HONEST[0] <= m["coverage"] <= HONEST[1] for m in group["measures"].values()]
        out.append(Bar(f"{name}: left and right exchanged", "none", str(count), count == 0))
        out.append(Bar(f"{name}: events missed or invented", "none", str(lost), lost == 0))
        reached = f"{sum(held)} of {len(held)}"
        out.append(Bar(f"{name}: measures whose interval holds 93–97 % of truths", "all", reached, all(held)))
    return out


def _groups(d: dict[str, Any]) -> dict[str, Any]:
    """Return the pools of films, the fast ones only where there are slow ones too."""
    pooled: dict[str, Any] = d["pooled"]
    same = FAST_GROUP in pooled and pooled[FAST_GROUP]["films"] == pooled["side"]["films"]
    return {name: group for name, group in pooled.items() if not (same and name == FAST_GROUP)}


def _measure_bars(name: str, m: dict[str, Any] | None, limit: float, unit: str) -> list[Bar]:
    """Return the bars of a measure's error and of its interval."""
    if m is None:
        return [Bar(name, f"≤ {limit:g} {unit}", "nothing to judge", None)]
    factor = SHOWN[m["unit"]][0]
    return [
        at_most(f"{name}, median abs. error", factor * m["median_abs"], limit, unit),
        Bar(f"{name}, interval holds the truth", "≥ 90 %", percent(m["coverage"]), m["coverage"] >= LEAST_HELD),
    ]


def films_sections(d: dict[str, Any]) -> tuple[Section, ...]:
    """Return the films together, then one by one."""
    tables = [_overview(d)] if d["films"] else []
    for name, group in _groups(d).items():
        lines = [_event_row(kind, group) for kind in KINDS]
        lines += [_measure_row(key, m) for key, m in group["measures"].items()]
        worst = number(group["cadence_worst_error_percent"], 2)
        note = f"Cadence off by {worst} % at most; left and right exchanged in {group['left_right_swaps']} contacts."
        tables.append(Table(f"{name}: {group['films']} films together", COLUMNS, tuple(lines), note))
    intro = (
        f"{len(d['films'])} films measured as a user would: landmarks, left and right, direction, events and scale found "
        "automatically, body height and speed given, rear and front films without a side film. Errors are found minus "
        "true for each contact or stride; “interval holds” is the share of single strides whose 95 % interval holds the "
        "truth; “means held” says in how many legs of films the interval of the leg's mean, the number that a report "
        "shows first, holds the true mean of the same strides. A contact here is the sole of a rendered figure on the "
        "ground, not a force, so no force threshold applies. An event nearer than "
        f"{FILM_END_S:g} s to an end of the film, or out of the picture, need not be found."
    )
    notes = [d["source"]] if "source" in d else []
    notes += [f"Not judged: {f['name']}: {' '.join(f['message'].split())}" for f in d["failed"]]
    together = Section("films", "Films against known truth", intro, tuple(tables), tuple(_bars(d)), tuple(notes))
    single = tuple(_film_table(name, f) for name, f in d["films"].items())
    if not single:
        return (together,)
    return together, Section(
        "each film", "Films one by one", "The same, film by film, with left and right apart.", single
    )


def _overview(d: dict[str, Any]) -> Table:
    rows = []
    for name, f in d["films"].items():
        e = f["events"]
        times = (*_short(e["initial_contact"]), *_short(e["toe_off"]))
        cadence = number(f["cadence"]["error_percent"], 2, sign=True)
        contact = number(f["contact_time"]["bias_ms"], sign=True)
        rows.append((name, f["view"], f"{f['fps']:.0f}", *times, str(f["left_right_swaps"]), cadence, contact))
    columns = (
        "film", "view", "fps", "contacts", "bias", "median", "toe-offs", "bias", "median", "swaps", "cadence %",
        "contact time",
    )  # fmt: skip
    note = "Counts are found, missed + invented. Times are errors in ms: found minus true, and median absolute error."
    return Table("Each film", columns, tuple(rows), note, left=(0, 1))


def _film_table(name: str, f: dict[str, Any]) -> Table:
    rows: list[tuple[str, ...]] = [(*_event_row(kind, f), "", "") for kind in KINDS]
    for key, m in f["measures"].items():
        rows.append((*_measure_row(key, m), _bias(key, m["bias_left"]), _bias(key, m["bias_right"])))
    near = f", {f['near_side']} leg near" if f["near_side"] else ""
    note = f"Truth: {f['truth']}."
    if f["not_measurable"]:
        reasons = "; ".join(f"{key} ({reason})" for key, reason in f["not_measurable"].items())
        note += f" Mean over the film not measurable: {reasons}."
    title = f"{name} ({f['view']}, {f['fps']:.0f} fps{near})"
    return Table(title, (*COLUMNS, "bias left", "bias right"), tuple(rows), note)


def _event_row(kind: str, d: dict[str, Any]) -> tuple[str, ...]:
    f = d["events"][kind]
    errors = (number(f["bias_ms"], sign=True), number(f["median_abs_ms"]), number(f["p95_abs_ms"]))
    return (f"{WORDS[kind]}, ms", str(f["n"]), *errors, percent(d["coverage"][kind]), "")


def _short(f: dict[str, Any]) -> tuple[str, str, str]:
    return (
        f"{f['n']}, {f['missed']} + {f['invented']}",
        number(f["bias_ms"], sign=True),
        number(f["median_abs_ms"]),
    )


def _shown(key: str) -> tuple[float, str]:
    return SHOWN.get(REGISTRY[key].unit, (1.0, REGISTRY[key].unit))


def _bias(key: str, value: float | None) -> str:
    return number(None if value is None else _shown(key)[0] * value, sign=True)


def _measure_row(key: str, m: dict[str, Any]) -> tuple[str, ...]:
    factor, unit = _shown(key)
    return (
        f"{key}, {unit}", str(m["n"]), number(factor * m["bias"], sign=True), number(factor * m["median_abs"]),
        number(factor * m["p95_abs"]), percent(m["coverage"]),
        f"{m['means']['held']} of {m['means']['n']}" if m["means"] else "none given",
    )  # fmt: skip
