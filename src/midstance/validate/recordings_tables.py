"""The tables and bars of recordings with force truth, made of the figures of ``recordings_check``."""

from __future__ import annotations

from typing import Any

import attrs

from midstance.gait.angle_accuracy import MEANING
from midstance.validate.tables import Bar, Section, Table, at_most, number, percent

#: median absolute error, bias, 95th percentile of absolute errors, ms: over all, and for any speed or strike class.
OVERALL_MS, CLASS_MS = (3.0, 2.0, 10.0), (5.0, 4.0, 14.0)
COVERED = (0.93, 0.97)
WORDS = {"initial_contact": "initial contact", "toe_off": "toe-off"}
COLUMNS = ("", "n", "missed", "invented", "bias", "median abs.", "95 % within", "interval holds")


def figures_row(label: str, f: dict[str, Any], covered: float | None = None) -> tuple[str, ...]:
    """Return one row of an event table."""
    counts = (str(f["n"]), str(f["missed"]), str(f["invented"]))
    return (
        label, *counts, number(f["bias_ms"], sign=True), number(f["median_abs_ms"]), number(f["p95_abs_ms"]),
        percent(covered, 1),
    )  # fmt: skip


def event_bars(
    label: str, events: dict[str, Any], limits: tuple[float, float, float], *, lost: bool = True
) -> list[Bar]:
    """Return the bars of contacts and toe-offs: median, bias, 95 % and, if wanted, missed and invented."""
    out = []
    for kind, f in events.items():
        names = (("median_abs_ms", "median abs. error"), ("bias_ms", "bias"), ("p95_abs_ms", "95 % within"))
        for (key, words), limit in zip(names, limits, strict=True):
            out.append(at_most(f"{label}{WORDS[kind]}, {words}", f[key], limit, "ms"))
        if lost:
            count = f["missed"] + f["invented"]
            out.append(
                Bar(
                    f"{label}{WORDS[kind]}, missed or invented",
                    "none",
                    f"{f['missed']} + {f['invented']}",
                    count == 0,
                )
            )
    return out


def _worst(
    label: str, groups: dict[str, dict[str, Any]], limits: tuple[float, float, float], bias: str = "worst"
) -> list[Bar]:
    """Return bars for the worst class of each figure."""
    out = []
    for kind, words in WORDS.items():
        known = {name: g[kind] for name, g in groups.items() if g[kind]["n"]}
        for key, text, limit in zip(
            ("median_abs_ms", "bias_ms", "p95_abs_ms"),
            ("median abs. error", "bias", "95 % within"),
            limits,
            strict=True,
        ):
            if known:
                name = max(known, key=lambda n: abs(known[n][key]))
                bar = at_most(f"{label}, {words}, {text}", known[name][key], limit, "ms")
                out.append(attrs.evolve(bar, reached=f"{bar.reached} ({name})"))
    return out


def _covered_bars(label: str, covered: dict[str, Any]) -> list[Bar]:
    out = []
    for kind, words in WORDS.items():
        share = covered[kind]
        met = None if share is None else COVERED[0] <= share <= COVERED[1]
        out.append(Bar(f"{label}{words}, interval holds the truth", "93–97 %", percent(share, 1), met))
    return out


def events_section(d: dict[str, Any]) -> Section:
    """Return events and contact times of recordings, with their bars."""
    force = f"contact is vertical force of {d['threshold_n']} N or more"
    bars = event_bars("", d["events"], OVERALL_MS)
    bars += _worst("worst speed or strike class", {
        **{f"{k} m/s": v for k, v in d["by_speed"].items()}, **d["by_strike"]
    }, CLASS_MS)  # fmt: skip
    bars += _covered_bars("", d["coverage"])
    named = {f"{c['rate_hz']:g} a second, {c['noise_mm']:g} mm": c for c in d["conditions"]}
    bars += _worst("worst rate and noise", {k: c["events"] for k, c in named.items()}, OVERALL_MS)
    tables = []
    for kind, words in WORDS.items():
        rows = [figures_row("all, as recorded", d["events"][kind], d["coverage"][kind])]
        for key, unit in (("by_speed", " m/s"), ("by_strike", "")):
            rows += [figures_row(k + unit, v[kind], d["coverage"][key][k][kind]) for k, v in d[key].items()]
        rows += [figures_row(k, c["events"][kind], c["coverage"][kind]) for k, c in named.items()]
        tables.append(Table(f"{words.capitalize()}, ms ({force})", COLUMNS, tuple(rows)))
    stances = [
        ("all, as recorded", number(d["contact_time"]["bias_ms"], sign=True), number(d["contact_time"]["sd_ms"]))
    ]
    stances += [
        (k, number(c["contact_time"]["bias_ms"], sign=True), number(c["contact_time"]["sd_ms"]))
        for k, c in named.items()
    ]
    tables.append(Table(f"Contact time, ms ({force})", ("", "bias", "SD of single stances"), tuple(stances)))
    rules = []
    for kind, words in WORDS.items():
        ours = d["events"][kind]
        rules.append((f"{words}: ours", *figures_row("", ours)[1:7], "", ""))
        for name, figures in d["published_rules"].items():
            f = figures[kind]
            if f is not None:
                rest = tuple(number(f.get(f"{x}_abs_ms_without_bias")) for x in ("median", "p95"))
                rules.append((f"{words}: {name}", *figures_row("", f)[1:7], *rest))
    tables.append(
        Table(
            f"Published rules on the same paths, as recorded, ms ({force})",
            (*COLUMNS[:7], "median*", "95 % within*"),
            tuple(rules),
            "* with the rule's own bias taken off. Plain versions, figures on these paths and not those of the papers. "
            + "; ".join(
                f"{name}: {r['source']}, made for {r['made_for']}, rule {r['rule_known']}"
                for name, r in d["published_rules"].items()
            )
            + ".",
        )
    )
    runners = [
        (
            name,
            *(figures_row("", r["events"][k])[i] for k in WORDS for i in (4, 6)),
            "without this runner" if r["left_out"] else "package",
        )
        for name, r in d["runners"].items()
    ]
    tables.append(
        Table(
            "Each runner, as recorded, ms",
            ("runner", "contact: bias", "95 % within", "toe-off: bias", "95 % within", "coefficients fitted"),
            tuple(runners),
            "“Without this runner”: the recording was recognised by its content as one that took part in fitting, and "
            "was judged "
            "with coefficients fitted without it. “Package”: the runner took no part, and the coefficients of the "
            "package were used.",
            left=(0, 5),
        )
    )
    lost = d["not_found_near_ends"]
    count = sum(len(r["recordings"]) for r in d["runners"].values())
    intro = (
        f"{count} recordings of {len(d['runners'])} runners; {force}. Sagittal paths of hip, knee, ankle, heel and toe "
        "markers of both legs, read with the coefficients for markers (landmarks found in films have their own; see the "
        "films). Errors are found minus true. Conditions: paths resampled to the rate, white noise of the given RMS added "
        f"to each coordinate of each point. A true event nearer than {d['ends_s']:g} s to an end of the recording need not "
        f"be found ({lost['initial_contact']} contacts and {lost['toe_off']} toe-offs there were not); one found before the "
        "first listed contact or after the last listed toe-off is not counted as invented."
    )
    failed = [f"Not judged: {f['name']}: {' '.join(f['message'].split())}" for f in d.get("failed", [])]
    source = d.get("source")
    known = [f"Source: {source['citation']}. {source['licence']}; {source['changed']}."] if source else []
    return Section(
        "events", "Events against force", intro, tuple(tables), tuple(bars), (*known, *failed, *d["notes"])
    )


def angles_section(d: dict[str, Any]) -> tuple[Section, ...]:
    """Return the angles of recordings, nothing where none has the angles of a joint model."""
    if not d["angles"]:
        return ()
    rows = tuple(
        (
            f"{a['joint']}, {a['part']}", str(a["legs"]), str(a["n"]), number(a["bias_deg"], sign=True),
            number(a["between_deg"]), number(a["within_deg"]), number(a["median_abs_deg"]),
            number(a["median_abs_offset_removed_deg"]), number(a["correlation"], 3),
        )
        for a in d["angles"]
    )  # fmt: skip
    table = Table(
        "Ours minus the joint model's, degrees",
        ("", "legs", "n", "bias", "SD between legs", "SD within a leg", "median abs.", "same, offset taken off", "r"),
        rows,
    )
    return (
        Section(
            "angles",
            "Angles against a joint model",
            "Plane angles through markers against the angles of a three-dimensional joint model (inverse kinematics) "
            "of the same "
            "seconds. The two are not the same quantity: the bias says where the markers lie, the rest how well the "
            "courses agree.",
            (table,),
            (),
            tuple(f"{joint}: {words}." for joint, words in MEANING.items()),
        ),
    )
