"""The rooms: each has its place in the order of imports and in ARCHITECTURE.md, and the pure ones are pure."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "midstance"
PURE = ("signals", "gait", "force", "findings", "evidence")
#: Modules that open, draw, show or read a clock.
IMPURE = {
    "PIL", "ai_edge_litert", "av", "cv2", "datetime", "jinja2", "matplotlib", "multiprocessing", "openvino", "os", "pathlib",
    "pyarrow", "random", "rich", "shutil", "socket", "subprocess", "tempfile", "threading", "time", "typer", "typst",
    "urllib",
}  # fmt: skip


def layers() -> list[set[str]]:
    """The order of imports in pyproject.toml, uppermost first."""
    tool = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]
    (contract,) = (c for c in tool["importlinter"]["contracts"] if c["type"] == "layers")
    return [{room.strip() for room in layer.split("|")} for layer in contract["layers"]]


def rooms() -> set[str]:
    """Folders and single modules of the package."""
    folders = {p.parent.name for p in PACKAGE.glob("*/__init__.py")}
    return folders | {p.stem for p in PACKAGE.glob("*.py")} - {"__init__"}


def imports(file: Path) -> list[tuple[str, bool]]:
    """Modules a file imports anywhere, inside functions too, and whether type checkers alone see the import."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    shown_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    found = []
    for node in ast.walk(tree):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module]
            if node.module == "midstance":
                names = [f"midstance.{alias.name}" for alias in node.names]
        found += [(name, id(node) in shown_only) for name in names]
    return found


def test_every_room_has_its_place():
    placed = [room for layer in layers() for room in layer]
    assert sorted(placed) == sorted(rooms())


def test_rooms_import_only_those_below():
    """A second look beside import-linter, which the tests can do without: no import goes up or sideways."""
    height = {room: i for i, layer in enumerate(reversed(layers())) for room in layer}
    wrong = []
    for file in sorted(PACKAGE.rglob("*.py")):
        room = file.relative_to(PACKAGE).parts[0].removesuffix(".py")
        if room == "__init__":
            continue
        for name, _ in imports(file):
            parts = name.split(".")
            other = parts[1] if parts[0] == "midstance" and len(parts) > 1 else None
            if other in height and other != room and height[other] >= height[room]:
                wrong.append(f"{file.relative_to(PACKAGE)} imports {name}")
    assert not wrong


@pytest.mark.parametrize("room", PURE)
def test_pure_rooms_touch_nothing(room):
    wrong = []
    for file in sorted((PACKAGE / room).rglob("*.py")):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        wrong += [f"{file.name} imports {n}" for n, seen in imports(file) if n.split(".")[0] in IMPURE and not seen]
        calls = [n.func.id for n in ast.walk(tree) if isinstance(n, ast.Call) and isinstance(n.func, ast.Name)]
        wrong += [f"{file.name} calls {name}" for name in calls if name in ("open", "print", "input")]
    assert not wrong


def test_architecture_names_every_room():
    text = (ROOT / "ARCHITECTURE.md").read_text(encoding="utf-8")
    table = text.partition("## Rooms")[2].partition("## Where")[0]
    first_cells = re.findall(r"^\| (`[^|]+?) \|", table, flags=re.MULTILINE)
    named = [name.rstrip("/") for cell in first_cells for name in re.findall(r"`([^`]+)`", cell)]
    order = [sorted(layer) for layer in layers()]
    assert sorted(named) == sorted(rooms())
    # In the order of imports, the members of one layer in any order.
    places = [next(i for i, layer in enumerate(order) if name in layer) for name in named]
    assert places == sorted(places)


def test_architecture_names_files_that_are_there():
    text = (ROOT / "ARCHITECTURE.md").read_text(encoding="utf-8")
    named = re.findall(r"`((?:[a-z_]+/)+[a-z_]+\.(?:py|md|toml|json))`", text)
    assert named
    missing = [n for n in named if not (ROOT / n).exists() and not (PACKAGE / n).exists()]
    assert not missing
