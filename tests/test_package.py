"""The package as a whole: what it imports, declares, exports and ships."""

from __future__ import annotations

import ast
import importlib.util
import json
import os
import re
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest

import midstance

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "src" / "midstance"
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
#: Libraries that take long to load or that most uses don't need.
HEAVY = {"av", "cv2", "jinja2", "matplotlib", "numpy", "openvino", "PIL", "pyarrow", "scipy", "typst", "ai_edge_litert"}
HEAVY |= {"sqlalchemy", "alembic", "fastapi", "starlette", "uvicorn", "pydantic"}
#: Declared and used without an import: these bring the typefaces of pictures and PDF, and of the pages.
NOT_IMPORTED = {"matplotlib", "font-source-sans-pro"}


def python(code: str) -> str:
    """Run code in a new interpreter and return what it prints."""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


# --- import


@pytest.mark.parametrize("module", ["midstance", "midstance.cli"])
def test_import_is_quick(module):
    """Neither the package nor the command line loads a heavy library before it is needed."""
    code = f"""
import sys, time
began = time.process_time()
import {module}
spent = time.process_time() - began
import json
print(json.dumps([spent, sorted({{m.partition('.')[0] for m in sys.modules}})]))
"""
    spent_s, loaded = json.loads(python(code))
    assert not HEAVY & set(loaded)
    assert spent_s < 0.5  # processor time; about a tenth of it on a two-core machine


def test_public_names_resolve():
    for home, names in midstance._HOME.items():
        for name in names:
            value = getattr(midstance, name)
            assert value is getattr(sys.modules[f"midstance.{home}"], name)
            if callable(value):
                assert (value.__doc__ or "").strip(), f"{name} has no docstring"
    assert set(midstance.__all__) == {*midstance._MODULE_OF, "__version__"}
    assert sorted(dir(midstance)) == sorted(midstance.__all__)


def test_type_checkers_see_the_same_names():
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    (block,) = (n for n in tree.body if isinstance(n, ast.If) and ast.unparse(n.test) == "TYPE_CHECKING")
    seen = {n.module: sorted(a.name for a in n.names) for n in block.body if isinstance(n, ast.ImportFrom)}
    assert seen == {f"midstance.{home}": sorted(names) for home, names in midstance._HOME.items()}


def test_unknown_names_are_refused_like_any_modules():
    with pytest.raises(AttributeError, match="no attribute 'tempo'"):
        midstance.tempo  # noqa: B018


def test_one_version():
    assert metadata.version("midstance") == midstance.__version__ == PROJECT["version"]
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    newest = re.search(r"^## \[([^\]]+)\]", changes, flags=re.MULTILINE)
    assert newest is not None
    assert newest[1] in (midstance.__version__, "Unreleased")


# --- nothing leaves the machine


def test_nothing_leaves_the_machine(tmp_path):
    """Loading and running the networks, writing and reading a film: no connection, no other program, no trace at home.

    OpenVINO brings a package that reports every import to its maker unless it is kept out.
    """
    code = """
import sys
seen = []
watched = ("socket.connect", "socket.getaddrinfo", "socket.gethostbyname", "socket.sendto", "subprocess.Popen", "os.system")
sys.addaudithook(lambda event, arguments: seen.append(event) if event in watched else None)
from midstance.doctor import look
lines, healthy = look()
assert healthy, lines
import json, time
time.sleep(1.0)  # reports are sent from a thread
print(json.dumps([seen, [m for m in ("openvino_telemetry", "requests", "urllib3") if sys.modules.get(m)]]))
"""
    environment = {k: v for k, v in os.environ.items() if k not in ("CI", "TF_BUILD", "JENKINS_URL")}
    environment |= {"HOME": str(tmp_path), "LOCALAPPDATA": str(tmp_path), "USERPROFILE": str(tmp_path)}
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, env=environment)
    assert done.returncode == 0, done.stderr
    events, modules = json.loads(done.stdout)
    assert events == []
    assert modules == []
    assert list(tmp_path.rglob("*")) == []


# --- dependencies


def normal(name: str) -> str:
    return re.sub(r"[-_.]+", "-", name).lower()


def declared(requirements: list[str]) -> set[str]:
    return {normal(re.match(r"[A-Za-z0-9._-]+", r)[0]) for r in requirements}


def imported(folder: Path) -> set[str]:
    """Top-level names of all modules imported in a folder, inside functions too."""
    names = set()
    for file in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names |= {a.name.partition(".")[0] for a in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                names.add(node.module.partition(".")[0])
    return names - set(sys.stdlib_module_names) - {"midstance"}


def providers(module: str) -> set[str]:
    return {normal(d) for d in metadata.packages_distributions().get(module, [])}


def test_every_import_is_declared_and_every_dependency_used():
    main = declared(PROJECT["dependencies"])
    optional = declared(PROJECT["optional-dependencies"]["litert"])
    used = {m: providers(m) for m in imported(PACKAGE)}
    assert all(used.values()), f"not installed: {[m for m, p in used.items() if not p]}"
    assert not [m for m, p in used.items() if not p & (main | optional)]
    unused = main - {d for p in used.values() for d in p}
    assert unused == NOT_IMPORTED


def test_every_import_of_the_tests_is_declared():
    known = declared([*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["test"]])
    own = {p.stem for p in (ROOT / "tests").rglob("*.py")} | {p.stem for p in (ROOT / "scripts").glob("*.py")}
    own |= {p.stem for p in (ROOT / "benchmarks").glob("*.py")}
    missing = [m for m in imported(ROOT / "tests") - own if not providers(m) & known]
    assert not missing


# --- what is shipped


def archives_module():
    spec = importlib.util.spec_from_file_location("check_archives", ROOT / "scripts" / "check_archives.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_wheel_holds_all_that_the_package_needs(tmp_path):
    """The build tool leaves files that git ignores out without a word; a missing one shows only on another machine."""
    pytest.importorskip("hatchling", reason="the build tool is not installed")
    done = subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    (wheel,) = tmp_path.glob("*.whl")
    assert archives_module().faults(wheel, PACKAGE) == []


def test_a_wheel_without_weights_is_found_out(tmp_path):
    import zipfile

    wheel = tmp_path / "midstance-0.whl"
    with zipfile.ZipFile(wheel, "w") as archive:
        archive.writestr("midstance/__init__.py", "")
        archive.writestr("surprise.py", "")
    faults = archives_module().faults(wheel, PACKAGE)
    assert "midstance-0.whl: no midstance/pose/weights/pose_landmark_heavy.tflite" in faults
    assert "midstance-0.whl: no NOTICE" in faults
    assert "midstance-0.whl: surprise.py does not belong" in faults


def test_weights_and_notice_agree():
    notice = (ROOT / "NOTICE").read_text(encoding="utf-8")
    for file in (PACKAGE / "pose" / "weights").glob("*.tflite"):
        assert file.name in notice
        assert file.name in (PACKAGE / "pose" / "weights" / "README.md").read_text(encoding="utf-8")
    assert "The MediaPipe Authors" in notice
    assert "Apache License" in (ROOT / "LICENSE").read_text(encoding="utf-8")


# --- words that don't belong


def repository_files() -> list[Path]:
    """Files of the repository: those git knows or would add; without git all but hidden and built ones."""
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    ) if (ROOT / ".git").exists() else None  # fmt: skip
    if listing is not None and listing.returncode == 0:
        files = [ROOT / name for name in listing.stdout.split("\0") if name]
    else:
        skip = {".venv", ".git", "build", "dist", "__pycache__", ".hypothesis", "midstance-demo"}
        files = [
            p for p in ROOT.rglob("*")
            if not any(s in skip or s.endswith(("_cache", ".egg-info")) for s in p.relative_to(ROOT).parts)
        ]  # fmt: skip
    return [p for p in files if p.is_file()]


#: Folders of one machine, hosts of registries (8320 is the workbench's own port), papers that aren't here, marks of
#: unfinished work. The brackets keep the patterns from finding themselves.
UNWANTED = {
    "a machine's folder": r"(?<![\w.~-])/(?:wor[k]|roo[t]|hom[e]|User[s]|op[t])/",
    "a registry's host": r"pypi\.or[g]|pythonhoste[d]|registry\.npm|artifactor[y]|localhos[t]:(?!8320)\d",
    "a paper that is not here": r"\b(?:DESIG[N]|REFERENC[E]|STYL[E]|TRUT[H]|RULE[S])\.md\b|\bshare[d]/",
    "how it came about": r"\b[Ii]ssu[e] #?[0-9]|\bsu[b]agen[t]",
    "unfinished work": r"\bTOD[O]\b|\bFIXM[E]\b|\bXX[X]\b",
}


def test_the_repository_speaks_of_the_product_alone():
    code = {".py", ".toml", ".j2", ".html", ".js", ".mako", ".css", ".typ", ".cfg"}
    texts = code | {".md", ".json", ".txt", ".yml", ".yaml", ""}
    found = []
    for file in repository_files():
        if file.suffix not in texts:
            continue
        text = file.read_text(encoding="utf-8", errors="replace")
        name = file.relative_to(ROOT).as_posix()
        for what, pattern in UNWANTED.items():
            found += [f"{name}: {what}: {m[0]}" for m in re.finditer(pattern, text)]
        if name.startswith(("src/", "docs/")) or name.endswith(".md"):
            found += [f"{name}: a machine's folder: {m[0]}" for m in re.finditer(r"(?<![\w.])/tm[p]\b", text)]
    assert not found


@pytest.mark.parametrize(
    ("what", "text"),
    [
        ("a machine's folder", "/".join(["open('", "work", "films')"])),
        ("a registry's host", "files.python" + "hosted.org"),
        ("a paper that is not here", "see DESIGN" + ".md"),
        ("how it came about", "for issue " + "12"),
        ("unfinished work", "# TO" + "DO later"),
    ],
)
def test_unwanted_words_would_be_found(what, text):
    assert re.search(UNWANTED[what], text)


def test_nothing_large_or_hidden_slips_in():
    """Only the landmark weights and the recordings that come along are large; films and recordings of tests stay small."""
    meant = {"recordings.npz"}
    large = [
        p
        for p in repository_files()
        if p.stat().st_size > 1_000_000 and p.suffix != ".tflite" and p.name not in meant
    ]
    assert not large
