"""``midstance force``: a force recording measured, told and written."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console
from rich.table import Table
from rich.text import Text

from midstance.cli.common import bars_of_progress, err, faults
from midstance.errors import OptionError

if TYPE_CHECKING:
    from midstance.assess.ground import GroundRecord
    from midstance.plates.read import ReadOptions

#: Thresholds that make sense, N: below, a plate's noise; above, a good part of the contact is cut off.
THRESHOLD_N = (5.0, 200.0)
RATE_HZ = (20.0, 100_000.0)
#: From the back of the shoe to the metatarsal heads, m (engineering gate: the smallest child's to the largest foot).
HEEL_TO_METATARSALS_M = (0.10, 0.32)
_NUMBER = r"([0-9]+(?:[.,][0-9]+)?)"


class ForceSurface(str, Enum):  # noqa: UP042 (typer shows the values)
    """What the platforms are."""

    treadmill = "treadmill"
    plates = "plates"


class SideOption(str, Enum):  # noqa: UP042
    """Which foot."""

    left = "left"
    right = "right"


class ShareOption(str, Enum):  # noqa: UP042
    """Of what the shares of the loading rate are shares."""

    force = "force"
    time = "time"


class AxisOption(str, Enum):  # noqa: UP042
    """An axis of the file, with its sign."""

    x = "x"
    y = "y"
    z = "z"
    minus_x = "-x"
    minus_y = "-y"
    minus_z = "-z"


def force(
    file: Annotated[Path, typer.Argument(help="The recording: C3D, CSV, TSV or NPZ.", show_default=False)],
    threshold: Annotated[str, typer.Option(help="Vertical force that begins and ends contact; 20N if quiet.")] = "50N",
    mass: Annotated[
        str | None, typer.Option(help="Body mass, 70kg; a treadmill's mean force gives it, too.", show_default=False)
    ] = None,
    height: Annotated[str | None, typer.Option(help="Body height, 1.78m; for the strike index.", show_default=False)] = None,
    heel_to_metatarsals: Annotated[
        str | None, typer.Option(help="Back of the shoe to the metatarsal heads, 22cm.", show_default=False)
    ] = None,
    surface: Annotated[ForceSurface | None, typer.Option(help="What the platforms are.", show_default=False)] = None,
    speed: Annotated[str | None, typer.Option(help="Belt speed, 12km/h, 3.33m/s or 7.5mph.", show_default=False)] = None,
    pace: Annotated[str | None, typer.Option(help="The same as a pace, 5:00/km.", show_default=False)] = None,
    channel: Annotated[
        list[str] | None,
        typer.Option(help="What a column is: force_up='Fz (N)'; may be repeated.", show_default=False),
    ] = None,
    unit: Annotated[
        str | None, typer.Option(help="Unit of the force columns: N, kN, kgf, lbf, mN or BW.", show_default=False)
    ] = None,
    length_unit: Annotated[
        str | None, typer.Option(help="Unit of the centre of pressure: m, cm or mm.", show_default=False)
    ] = None,
    rate: Annotated[str | None, typer.Option(help="Samples a second, 1000Hz.", show_default=False)] = None,
    up: Annotated[AxisOption | None, typer.Option(help="The file's axis that points up.", show_default=False)] = None,
    forward: Annotated[
        AxisOption | None, typer.Option(help="The file's axis along the direction of travel.", show_default=False)
    ] = None,
    first_side: Annotated[
        SideOption | None, typer.Option(help="The foot of the first whole contact.", show_default=False)
    ] = None,
    loading_between: Annotated[
        str, typer.Option(help="Part of the rise that the average loading rate is taken from.")
    ] = "20-80%",
    loading_share_of: Annotated[ShareOption, typer.Option(help="Of what these are shares.")] = ShareOption.force,
    out: Annotated[
        Path | None, typer.Option(help="Folder for page and tables; without it nothing is written.", show_default=False)
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace earlier results in the folder.")] = False,
    json: Annotated[bool, typer.Option("--json", help="Print the figures for programs instead of words.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Measure a recording of force platforms or of a force-measuring treadmill.

    Example: midstance force trial.c3d --mass 70kg --out anna-forces
    """
    with faults():
        from midstance import job
        from midstance.assess.ground import measure_recording
        from midstance.assess.ground_export import force_json
        from midstance.assess.settings import parse_height, parse_length, parse_mass, parse_pace, parse_speed
        from midstance.force.model import ForceSettings

        if speed is not None and pace is not None:
            raise OptionError(
                "speed and pace are both given",
                where="--speed, --pace",
                allowed="one of the two: --speed 12km/h or --pace 5:00/km",
                next_step="leave one out",
            )
        if quiet and json:
            raise OptionError("these exclude each other", where="--quiet, --json", allowed="one of the two")
        if overwrite and out is None:
            raise OptionError(
                "there is nothing to replace", where="--overwrite", allowed="with --out", next_step="name the folder"
            )
        settings = ForceSettings(
            threshold_n=_quantity(threshold, "--threshold", "n", THRESHOLD_N, "N", "50N"),
            mass_kg=parse_mass(mass) if mass is not None else None,
            surface=surface.value if surface else None,
            speed_mps=parse_speed(speed) if speed is not None else parse_pace(pace) if pace is not None else None,
            first_side=first_side.value if first_side else None,
            height_m=parse_height(height) if height is not None else None,
            heel_to_metatarsals_m=None
            if heel_to_metatarsals is None
            else parse_length(heel_to_metatarsals, "--heel-to-metatarsals", HEEL_TO_METATARSALS_M),
            loading_between=_shares(loading_between),
            loading_share_of=loading_share_of.value,
            **_axes(up, forward),
        )
        options = _options(file, channel or (), unit, length_unit, rate)
        empty: list[Path] = []
        with bars_of_progress(quiet or json) as progress:

            def tell(share: float) -> None:
                progress(None, "measuring contacts", share)

            if out is None:
                record, files = measure_recording(file, settings, options, tell), empty
            else:
                record, files = job.run_force(file, settings, options, out, overwrite=overwrite, progress=tell)
        if json:
            typer.echo(force_json(record), nl=False)
        elif not quiet:
            _tell(record, files)


def _quantity(text: str, where: str, unit: str, limits: tuple[float, float], shown: str, example: str) -> float:
    match = re.fullmatch(rf"\s*{_NUMBER}\s*({unit})?\s*", text.lower())
    value = float(match[1].replace(",", ".")) if match else math.nan
    if not limits[0] <= value <= limits[1]:
        raise OptionError(
            f"“{text}” is outside what is allowed" if match else f"“{text}” can't be read",
            where=where,
            allowed=f"{limits[0]:g} to {limits[1]:g} {shown}, written as {example}",
            next_step="check number and unit",
        )
    return value


def _shares(text: str) -> tuple[float, float]:
    match = re.fullmatch(rf"\s*{_NUMBER}\s*%?\s*[-–]\s*{_NUMBER}\s*%?\s*", text)
    low, high = (float(g.replace(",", ".")) / 100 for g in match.groups()) if match else (math.nan, math.nan)
    if not 0 <= low < high <= 1:
        raise OptionError(
            f"“{text}” is not a part of the rise",
            where="--loading-between",
            allowed="two rising percentages from 0 to 100, such as 20-80%",
            next_step="write the lower one first",
        )
    return low, high


def _axes(up: AxisOption | None, forward: AxisOption | None) -> dict[str, Any]:
    if up is not None and forward is not None and up.value[-1] == forward.value[-1]:
        raise OptionError(
            f"both are the file's {up.value[-1]} axis", where="--up, --forward", allowed="two axes square to each other"
        )

    def vector(axis: AxisOption | None) -> tuple[float, float, float] | None:
        if axis is None:
            return None
        sign = -1.0 if axis.value.startswith("-") else 1.0
        x, y, z = (sign if axis.value[-1] == a else 0.0 for a in "xyz")
        return x, y, z

    return {"up_lab": vector(up), "forward_lab": vector(forward)}


def _options(
    file: Path, channels: Sequence[str], unit: str | None, length_unit: str | None, rate: str | None
) -> ReadOptions:
    """Check what the user says of a table's columns."""
    from midstance.force.units import NEWTONS
    from midstance.plates.columns import LENGTH_UNITS
    from midstance.plates.mapping import ROLES
    from midstance.plates.read import ReadOptions

    given = {"--channel": bool(channels), "--unit": unit, "--length-unit": length_unit, "--rate": rate}
    named = [k for k, v in given.items() if v]
    if named and file.suffix.lower() == ".c3d":
        raise OptionError(
            "a C3D file says itself what its channels are",
            where=", ".join(named),
            allowed="for CSV, TSV and NPZ files",
            next_step="leave it out; if the file is wrong, export it again, or as CSV",
        )
    roles: dict[str, str] = {}
    for text in channels:
        role, equals, column = text.partition("=")
        role = role.strip()
        if not equals or not column or (role not in ROLES and role != "ignore"):
            raise OptionError(
                f"“{text}” doesn't say what a column is",
                where="--channel",
                allowed=f"ROLE=COLUMN, where ROLE is one of {', '.join(ROLES)}, ignore",
                next_step="as in --channel force_up='Fz (N)'",
            )
        if roles.get(column, role) != role:
            raise OptionError(
                f"“{column}” is given two roles", where="--channel", allowed="one role a column", next_step="choose one"
            )
        roles[column] = role
    return ReadOptions(
        roles=roles or None,
        unit=None if unit is None else _one_of(unit, "--unit", (*NEWTONS, "BW")),
        length_unit=None if length_unit is None else _one_of(length_unit, "--length-unit", tuple(LENGTH_UNITS)),
        rate_hz=None if rate is None else _quantity(rate, "--rate", "hz", RATE_HZ, "Hz", "1000Hz"),
    )


def _one_of(text: str, where: str, allowed: Sequence[str]) -> str:
    found = [a for a in allowed if a == text] or [a for a in allowed if a.lower() == text.lower()]
    if not found:
        raise OptionError(f"“{text}” is no unit known here", where=where, allowed=", ".join(allowed), next_step="name one")
    return found[0]


def _tell(record: GroundRecord, files: list[Path]) -> None:
    from midstance.report.force_words import (
        STRIKE_NOTE,
        check_row,
        contacts_in_words,
        facts,
        groups,
        left_out,
        signs,
        strike,
        weak_points,
    )

    console = Console(highlight=False)

    def heading(text: str) -> None:
        console.print(f"\n[bold]{text}[/bold]")

    def line(text: str) -> None:
        console.print(f"  {text}", markup=False)

    for name, value in facts(record):
        console.print(f"{name}: {value}", markup=False)
    heading("How the file was read")
    for note in (*record.result.notes, signs()):
        line(note)
    heading("Contacts")
    line(contacts_in_words(record))
    for r in left_out(record.result.contacts):
        line(f"left out: {r['which']}: {r['reason']}")
    for group in groups(record):
        heading(group["title"])
        table = _table(group["measures"])
        if table.row_count:
            console.print(table)
        for reason in _reasons(group["measures"]):
            line(reason)
    heading("Strike pattern by the centre of pressure")
    for side, pattern in strike(record):
        line(f"{side}: {pattern}")
    if any(not p.startswith("not measurable") for _, p in strike(record)):
        line(STRIKE_NOTE)
    heading("Checks")
    for c in map(check_row, record.result.checks):
        says = [f"{c['check']}: {c['value']} (wanted: {c['limit']}): {c['verdict_words']}", c["advice"]]
        line("; ".join(s for s in says if s))
    heading("What is weak")
    for text in weak_points(record):
        if text != STRIKE_NOTE:
            line(text)
    if files:
        console.print("\nFiles:")
        for file in files:
            console.print(f"  {file}", soft_wrap=True, markup=False)
        console.print(f"\nOpen {files[0]} in a browser.", soft_wrap=True, markup=False)
    else:
        err.print("\nNothing was written; --out DIR leaves a page and tables.")


def _table(measures: Sequence[dict[str, Any]]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
    for name, right in (("Measure", False), ("Side", False), ("Mean", True), ("95 % interval", True), ("n", True)):
        table.add_column(name, justify="right" if right else "left", no_wrap=right)
    for m in measures:
        title = m["title"]
        for r in m["rows"]:
            if "reason" not in r:
                table.add_row(Text(title), Text(r["side"]), Text(r["value"]), Text(r["interval"]), Text(r["n"]))
                title = ""
    return table


def _reasons(measures: Sequence[dict[str, Any]]) -> list[str]:
    """Tell what is not measurable, measures with the same reason together."""
    reasons: dict[tuple[str, str], list[str]] = {}
    for m in measures:
        for r in m["rows"]:
            if "reason" in r:
                side = "" if r["side"] == "left, right, both" else r["side"].replace(", ", " and ")
                reasons.setdefault((r["reason"], side), []).append(m["title"])
    out = []
    for (reason, side), titles in reasons.items():
        text = ", ".join([titles[0], *(t[:1].lower() + t[1:] for t in titles[1:])])
        out.append(f"{text}{' (' + side + ')' if side else ''}: not measurable: {reason}")
    return out
