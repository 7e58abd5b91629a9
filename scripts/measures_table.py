"""Print the table of all measures for docs/outputs.md, from the registry; with --write, put it there.

Usage: python scripts/measures_table.py [--write]
"""

from __future__ import annotations

import sys
from pathlib import Path

from midstance.gait.registry import REGISTRY, MeasureInfo

PAGE = Path(__file__).resolve().parents[1] / "docs" / "outputs.md"
BEGIN, END = "<!-- measures: begin (scripts/measures_table.py --write) -->", "<!-- measures: end -->"


def _sign(info: MeasureInfo) -> str:
    if info.positive and info.negative:
        return f"+ {info.positive}; − {info.negative}"
    return f"+ {info.positive}" if info.positive else "never negative"


def table() -> str:
    """Return the table in Markdown, one row a measure, in the order of the report."""
    rows = ["| key | unit | views | sides | what it is | sign |", "|---|---|---|---|---|---|"]
    for info in REGISTRY.values():
        views, sides = ", ".join(info.views), ", ".join(info.sides)
        rows.append(
            f"| `{info.key}` | {info.unit} | {views} | {sides} | **{info.title}.** {info.definition} | {_sign(info)} |"
        )
    return "\n".join(rows)


def page_with_table(page: str) -> str:
    """Return the page with the part between the marks replaced by the table."""
    head, _, rest = page.partition(BEGIN)
    _, _, tail = rest.partition(END)
    return f"{head}{BEGIN}\n{table()}\n{END}{tail}"


if __name__ == "__main__":
    if "--write" in sys.argv[1:]:
        PAGE.write_text(page_with_table(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        print(table())
