"""Tables of checks, readable in a terminal and as Markdown, and the bars that results are held to."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

import attrs

#: Widest line of prose in a terminal, characters.
WIDTH = 110


@attrs.frozen
class Table:
    """A table of text cells. The first column is left-aligned, the others right; ``left`` names further left ones."""

    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    left: tuple[int, ...] = (0,)

    def lines(self) -> list[str]:
        """Return the table for a terminal."""
        cells = [self.columns, *self.rows]
        widths = [max(len(row[i]) for row in cells) for i in range(len(self.columns))]

        def line(row: Sequence[str]) -> str:
            pairs = zip(row, widths, range(len(widths)), strict=True)
            return "  ".join(c.ljust(w) if i in self.left else c.rjust(w) for c, w, i in pairs).rstrip()

        out = [self.title, line(self.columns), "  ".join("-" * w for w in widths)]
        out += [line(row) for row in self.rows]
        return out + (textwrap.wrap(self.note, WIDTH) if self.note else [])

    def markdown(self) -> str:
        """Return the table as Markdown."""
        rule = "|" + "|".join("---" if i in self.left else "---:" for i in range(len(self.columns))) + "|"
        rows = ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in (self.columns, *self.rows)]
        parts = [f"**{self.title}**", "\n".join([rows[0], rule, *rows[1:]])]
        return "\n\n".join(parts + ([self.note] if self.note else []))


@attrs.frozen
class Bar:
    """A figure that was set out to be reached. ``met`` is None where there is nothing to judge."""

    what: str
    bar: str
    reached: str
    met: bool | None


def at_most(what: str, value: float | None, limit: float, unit: str = "") -> Bar:
    """Return a bar for an absolute value that should be ``limit`` or less."""
    bar = f"≤ {limit:g}{unit and ' ' + unit}"
    if value is None:
        return Bar(what, bar, "nothing to judge", None)
    return Bar(what, bar, f"{abs(value):.3g}{unit and ' ' + unit}", abs(value) <= limit)


def bars_table(bars: Iterable[Bar], title: str = "What was set out to be reached") -> Table:
    """Return bars as a table."""
    words = {True: "met", False: "NOT MET", None: "–"}
    rows = tuple((b.what, b.bar, b.reached, words[b.met]) for b in bars)
    return Table(title, ("what", "bar", "reached", ""), rows)


@attrs.frozen
class Section:
    """A part of a report: what was checked and against what, its bars, its tables, remarks."""

    key: str
    title: str
    intro: str
    tables: tuple[Table, ...]
    bars: tuple[Bar, ...] = ()
    notes: tuple[str, ...] = ()

    def parts(self) -> tuple[Table, ...]:
        """Return the bars first, then the tables."""
        return ((bars_table(self.bars),) if self.bars else ()) + self.tables

    def lines(self) -> list[str]:
        """Return the section for a terminal."""
        out = [self.title, "=" * len(self.title), *textwrap.wrap(self.intro, WIDTH)]
        for table in self.parts():
            out += ["", *table.lines()]
        for note in self.notes:
            out += ["", *textwrap.wrap(note, WIDTH)] if note is self.notes[0] else textwrap.wrap(note, WIDTH)
        return out

    def markdown(self, *, heading: str = "##") -> str:
        """Return the section as Markdown."""
        parts = [f"{heading} {self.title}", self.intro, *(t.markdown() for t in self.parts())]
        return "\n\n".join([*parts, *(["\n".join(f"- {n}" for n in self.notes)] if self.notes else [])])


def number(value: float | None, digits: int = 1, *, sign: bool = False) -> str:
    """Return a number as text, "–" where there is none."""
    if value is None or value != value:
        return "–"
    text = f"{value:{'+' if sign else ''}.{digits}f}"
    return f"{0.0:.{digits}f}" if float(text) == 0 else text


def percent(share: float | None, digits: int = 0) -> str:
    """Return a share as per cent."""
    return "–" if share is None or share != share else f"{100 * share:.{digits}f} %"
