"""Write the accuracy tables of docs/accuracy.md from ``midstance validate``.

Usage: python scripts/accuracy_tables.py [--data DIR] [--clips DIR] [--keep FILE | --from FILE] [--write]

Without --write the regions are printed. A region of the page begins with ``<!-- accuracy: NAME begin … -->`` and ends
with ``<!-- accuracy: NAME end -->``; NAME is a section of the report (events, angles, films, each film, closed), or one of
these with `` bars`` added: what was set out to be reached there. Regions whose section this run doesn't have stay as they
are, so recordings and films can be written one after the other. --keep saves the figures as JSON, --from makes tables of
saved ones without judging anything again.
"""

from __future__ import annotations

import argparse
import re
import sys
from pathlib import Path

from midstance.errors import MidstanceError
from midstance.validate.report import ValidationReport, run_validate
from midstance.validate.tables import bars_table

PAGE = Path(__file__).resolve().parents[1] / "docs" / "accuracy.md"
HOW = "scripts/accuracy_tables.py --write"
REGION = re.compile(r"(<!-- accuracy: ([a-z ]+) begin[^>]*-->\n)(.*?)(<!-- accuracy: \2 end -->)", re.S)


def region(name: str, report: ValidationReport) -> str | None:
    """Return the text of a region, or None where this report has nothing for it."""
    section = next((s for s in report.sections if s.key == name.removesuffix(" bars")), None)
    if section is None:
        return None
    tables = (bars_table(section.bars),) if name.endswith(" bars") else section.tables
    return "\n\n".join(t.markdown() for t in tables) + "\n"


def page_with_tables(page: str, report: ValidationReport) -> str:
    """Return the page with every region replaced that the report has a section for."""

    def replace(match: re.Match[str]) -> str:
        text = region(match[2], report)
        return match[0] if text is None else f"{match[1]}{text}{match[4]}"

    return REGION.sub(replace, page)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path)
    parser.add_argument("--clips", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--from", type=Path, dest="kept")
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    try:
        if args.kept is not None:
            report = ValidationReport.from_json(args.kept.read_text(encoding="utf-8"))
        else:
            report = run_validate(args.data, args.clips)
    except MidstanceError as error:
        sys.exit(error.message())
    if args.keep is not None:
        args.keep.write_text(report.to_json(), encoding="utf-8")
    if args.write:
        PAGE.write_text(page_with_tables(PAGE.read_text(encoding="utf-8"), report), encoding="utf-8")
    else:
        names = [name for s in report.sections for name in ([f"{s.key} bars"] if s.bars else []) + [s.key]]
        for name in names:
            begin, end = f"<!-- accuracy: {name} begin ({HOW}) -->", f"<!-- accuracy: {name} end -->"
            print(f"{begin}\n{region(name, report)}{end}\n")
    sys.exit(report.exit_code)


if __name__ == "__main__":
    main()
