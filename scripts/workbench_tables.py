"""Write the tables of docs/workbench.md (keys of the film viewer) and docs/http_api.md (addresses) from the code.

    python scripts/workbench_tables.py [--write]

Without ``--write`` it says whether the pages are up to date, and ends with 1 where they aren't.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
KEYS_FILE = ROOT / "src" / "midstance" / "web" / "static" / "viewer" / "keys.js"
_ENTRY = re.compile(r'\{ group: "([^"]+)",.*?keys: \[([^\]]*(?:"\]"[^\]]*)*)\], words: "([^"]+)"')
_SHOWN = {"ArrowRight": "→", "ArrowLeft": "←", "ArrowUp": "↑", "ArrowDown": "↓", "Escape": "Esc", "Delete": "Del"}


def keys_table() -> str:
    """Return the keys of the film viewer as a table, from the viewer's own map."""
    rows: list[str] = []
    group = ""
    for match in _ENTRY.finditer(KEYS_FILE.read_text(encoding="utf-8")):
        if match[1] != group:
            group = match[1]
            rows.append(f"| **{group}** | |")
        keys = re.findall(r'"([^"]+)"', match[2])
        rows.append(f"| {' or '.join(_key(k) for k in keys)} | {match[3]} |")
    return "\n".join(["| key | what it does |", "|---|---|", *rows])


def _key(key: str) -> str:
    parts = re.split(r"\+(?=.)", key)
    return " + ".join(f"`{_SHOWN.get(p, p)}`" for p in parts)


def addresses_table() -> str:
    """Return every address of the API as a table, from its OpenAPI description."""
    from midstance.web.app import create_app
    from midstance.web.config import Config

    with tempfile.TemporaryDirectory() as folder:
        paths = create_app(Config(home=Path(folder), workers=0)).openapi()["paths"]
    rows = [
        f"| `{method.upper()} {path}` | {about['summary']} |"
        for path, methods in paths.items()
        for method, about in methods.items()
    ]
    return "\n".join(["| address | what it does |", "|---|---|", *rows])


def filled(text: str, name: str, table: str) -> str:
    """Return a page with the part between the marks ``name`` replaced."""
    begin, end = f"<!-- {name} -->", f"<!-- end of {name} -->"
    head, _, rest = text.partition(begin)
    _, _, tail = rest.partition(end)
    return f"{head}{begin}\n{table}\n{end}{tail}"


def main() -> int:
    """Write the pages, or tell whether they are up to date."""
    stale = []
    for page, name, table in (
        ("workbench.md", "keys", keys_table()),
        ("http_api.md", "addresses", addresses_table()),
    ):
        path = ROOT / "docs" / page
        before = path.read_text(encoding="utf-8")
        after = filled(before, name, table)
        if after != before:
            stale.append(page)
            if "--write" in sys.argv:
                path.write_text(after, encoding="utf-8", newline="\n")
    if stale and "--write" not in sys.argv:
        print(f"not up to date: {', '.join(stale)}; run: python scripts/workbench_tables.py --write")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
