"""What the pages say is so: commands, options, files, keys, columns, measures and code."""

from __future__ import annotations

import ast
import csv
import importlib.util
import re
import shlex
import shutil
from enum import Enum
from importlib import resources
from pathlib import Path

import pyarrow.parquet as pq
import pytest
import typer
from sample import sample_assessment

import midstance
from midstance import cli
from midstance.assess.export import (
    assessment_to_dict,
    write_landmarks_parquet,
    write_measures_csv,
    write_strides_csv,
)
from midstance.assess.measure import TURN_CHECK
from midstance.assess.reading import LEGS_CHECK
from midstance.cli import films
from midstance.findings.overruled import Overruled
from midstance.gait.model import State

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "midstance"
README = (ROOT / "README.md").read_text(encoding="utf-8")
PAGES = {p.relative_to(ROOT).as_posix(): p.read_text(encoding="utf-8") for p in sorted((ROOT / "docs").glob("*.md"))}
OUTPUTS = PAGES["docs/outputs.md"]
COMMANDS = typer.main.get_command(cli.app).commands
TEST_COMMAND = "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/python -m pytest"
DEMO_COMMAND = "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/midstance demo"


def shell_blocks(text: str) -> list[str]:
    return [b.strip() for b in re.findall(r"```sh\n(.*?)```", text, flags=re.DOTALL)]


# --- the front door


def test_two_commands_come_first():
    """The job in one paragraph, then one command that does it and one that tests it."""
    assert shell_blocks(README)[:2] == [DEMO_COMMAND, TEST_COMMAND]
    before = README.partition("```sh")[0].split("\n\n")
    assert before[0].startswith("# Midstance")
    assert "not a diagnosis" in before[1]


def test_the_checks_run_the_readmes_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    pattern = re.search(r"grep -E '([^']+)' README\.md", script)
    assert pattern is not None
    assert [line for line in README.splitlines() if re.search(pattern[1], line)] == [TEST_COMMAND]
    assert (ROOT / ".ci" / "run").stat().st_mode & 0o111


# --- commands and options


def options(command: str) -> set[str]:
    return {o for p in COMMANDS[command].params for o in (*p.opts, *p.secondary_opts) if o.startswith("--")}


def test_every_command_and_option_is_explained():
    said = README + "".join(PAGES.values())
    for command in COMMANDS:
        assert f"midstance {command}" in said
        assert (COMMANDS[command].help or "").strip()
    missing = [o for c in COMMANDS for o in options(c) if not re.search(rf"{o}(?![a-z-])", README)]
    assert not missing


def test_every_option_named_exists():
    known = {o for c in COMMANDS for o in options(c)} | {"--help", "--version"}
    for name, text in {"README.md": README, **PAGES}.items():
        own = re.sub(r"(python|curl|scripts/|benchmarks/)\S* [^`\n]*", "", text)  # options of other programs
        named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", own))
        assert not named - known, name


def test_every_option_has_help():
    assert not [p.name for c in COMMANDS.values() for p in c.params if not getattr(p, "help", None)]


def test_example_commands_can_be_parsed():
    examples, names = [], "|".join(COMMANDS)
    for text in (README, *PAGES.values()):
        for line in text.splitlines():
            examples += re.findall(rf"^(?:\.venv/bin/)?(midstance (?:{names})[^`…]*)$", line)
    assert examples
    for example in examples:
        _, command, *arguments = shlex.split(example)
        COMMANDS[command].make_context(command, list(arguments))  # raises on anything it doesn't know


def test_choices_are_named():
    enums = [v for v in vars(films).values() if isinstance(v, type) and issubclass(v, Enum) and v is not Enum]
    assert enums
    for enum in enums:
        for choice in enum:
            assert f"`{choice.value}`" in README


def test_links_lead_somewhere():
    broken = []
    built = (ROOT / "ARCHITECTURE.md").read_text(encoding="utf-8")
    for name, text in {"README.md": README, "ARCHITECTURE.md": built, **PAGES}.items():
        for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", text):
            if not target.startswith("http") and not ((ROOT / name).parent / target).exists():
                broken.append(f"{name} → {target}")
    assert not broken


# --- outputs


def script(name: str):
    spec = importlib.util.spec_from_file_location(name, ROOT / "scripts" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_table_of_measures_is_that_of_the_registry():
    """If this fails: python scripts/measures_table.py --write"""
    tool = script("measures_table")
    assert tool.page_with_table(OUTPUTS) == OUTPUTS
    assert tool.table() in OUTPUTS


def test_keys_and_addresses_of_the_workbench_are_those_of_the_code():
    """If this fails: python scripts/workbench_tables.py --write"""
    tool = script("workbench_tables")
    keys, addresses = tool.keys_table(), tool.addresses_table()
    assert tool.filled(PAGES["docs/workbench.md"], "keys", keys) == PAGES["docs/workbench.md"]
    assert tool.filled(PAGES["docs/http_api.md"], "addresses", addresses) == PAGES["docs/http_api.md"]
    # Every entry of the viewer's map is in the table: none was missed by the way the file is read.
    entries = tool.KEYS_FILE.read_text(encoding="utf-8").count("{ group:")
    assert keys.count("\n") + 1 == 2 + entries + keys.count("**") // 2


def key_paths(value, path="") -> set[str]:
    """All keys of a JSON value as paths, lists written ``[]``."""
    if isinstance(value, dict):
        paths = {path} if path else set()
        for key, inner in value.items():
            paths |= key_paths(inner, f"{path}.{key}" if path else key)
        return paths
    if isinstance(value, list):
        return {f"{path}[]"}.union(*(key_paths(v, f"{path}[]") for v in value))
    return {path}


def documented_keys() -> set[str]:
    part = OUTPUTS.partition("<!-- keys: begin -->")[2].partition("<!-- keys: end -->")[0]
    return {k for row in re.findall(r"^\| (`[^|]*`) \|", part, flags=re.MULTILINE) for k in re.findall(r"`([^`]+)`", row)}


def test_every_key_of_the_json_is_explained_and_there():
    first = sample_assessment().findings[0]
    overruled = (Overruled(first.key, first.side, "seen otherwise", "A. May", "2026-05-01"),)
    written = key_paths(assessment_to_dict(sample_assessment(overruled=overruled)))
    # The settings differ from one assessment to the next and aren't listed one by one.
    written = {p for p in written if not p.startswith("context.settings.")} - {"plan"}
    assert documented_keys() == written


def test_checks_of_fitness_are_listed():
    tree = ast.parse((PACKAGE / "film" / "fitness.py").read_text(encoding="utf-8"))
    names = {
        n.args[0].value
        for n in ast.walk(tree)
        if isinstance(n, ast.Call) and isinstance(n.func, ast.Name) and n.func.id == "make_check"
    }
    names |= {LEGS_CHECK, TURN_CHECK}  # made where the legs are read, and where the view is measured
    row = next(line for line in OUTPUTS.splitlines() if "`films[].quality[].check`" in line)
    assert set(re.findall(r"`([a-z_]+)`", row)) == names


def columns_said(heading: str) -> list[str]:
    part = OUTPUTS.partition(f"## {heading}")[2].partition("\n## ")[0]
    return re.findall(r"`([^`]+)`", part)


def test_columns_of_the_tables_are_explained(tmp_path):
    a = sample_assessment()
    write_measures_csv(a, tmp_path / "m.csv")
    write_strides_csv(a, tmp_path / "s.csv")
    write_landmarks_parquet(a.films[0].landmarks, tmp_path / "l.parquet")
    with (tmp_path / "m.csv").open(encoding="utf-8", newline="") as file:
        assert next(csv.reader(file)) == columns_said("measures.csv")
    with (tmp_path / "s.csv").open(encoding="utf-8", newline="") as file:
        header = next(csv.reader(file))
    said = columns_said("strides.csv")
    assert header[:7] == said[:7]
    assert set(said[7:10]) <= set(header)
    units = [n for n in said[10:] if n != "s"]
    own = [h for h in header[7:] if not h.endswith("_95")]
    assert all(any(h.endswith(f"_{u}") for u in [*units, "s"]) for h in own)
    table = pq.read_table(tmp_path / "l.parquet")
    said = columns_said("landmarks-<view>.parquet")
    assert set(table.column_names) <= set(said)
    assert {s.name.lower() for s in State} <= set(said)
    assert {k.decode() for k in table.schema.metadata} <= set(said)


def test_every_output_file_is_explained():
    """The names the job writes, taken from its source."""
    text = (PACKAGE / "job.py").read_text(encoding="utf-8") + (PACKAGE / "report" / "write.py").read_text(encoding="utf-8")
    names = set(re.findall(r'"((?:report|assessment|measures|strides|overlay-|landmarks-|reading-)[^"]*\.[a-z0-9]+)"', text))
    assert len(names) >= 7
    for name in names:
        shown = re.sub(r"\{[^}]*\}", "<view>", name)
        assert f"`{shown}`" in OUTPUTS


# --- Python


def test_every_public_name_is_in_the_python_page():
    missing = [n for n in midstance._MODULE_OF if not re.search(rf"\b{n}\b", PAGES["docs/python_api.md"])]
    assert not missing


def python_blocks() -> list[str]:
    return re.findall(r"```python\n(.*?)```", PAGES["docs/python_api.md"], flags=re.DOTALL)


def test_blocks_use_public_names_only():
    for block in python_blocks():
        for node in ast.walk(ast.parse(block)):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "ms":
                assert node.attr in midstance.__all__


@pytest.mark.slow
def test_code_of_the_python_page_runs(tmp_path, monkeypatch, capsys):
    """On three seconds of the demonstration film."""
    with resources.as_file(resources.files("midstance.assess.demo") / "side.mp4") as film:
        shutil.copy(film, tmp_path / "side.mp4")
    monkeypatch.chdir(tmp_path)
    names: dict[str, object] = {"__name__": "page"}
    for block in python_blocks():
        exec(compile(block, "docs/python_api.md", "exec"), names)
    said = capsys.readouterr().out
    assert "steps/min" in said
    assert "contact 0." in said
    assert "12" in said
    kept = sorted(p.name for p in (tmp_path / "out").iterdir() if not p.name.startswith("reading-"))
    assert sorted(p.name for p in (tmp_path / "again").iterdir()) == kept
