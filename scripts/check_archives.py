"""Check that a wheel and a source archive hold what they must, and nothing that they must not.

Build tools leave files that git ignores out of archives without a word, so the list is checked after every build.
Usage: python scripts/check_archives.py FILE.whl FILE.tar.gz
"""

from __future__ import annotations

import sys
import tarfile
import zipfile
from pathlib import Path

#: What the package needs at run time beside its modules.
DATA = (
    "pose/weights/pose_landmark_heavy.tflite",
    "pose/weights/pose_detection.tflite",
    "pose/weights/README.md",
    "pose/data/anatomy.json",
    "gait/data/events_coefficients.json",
    "evidence/citations.toml",
    "evidence/thresholds.toml",
    "evidence/cautions.toml",
    "report/templates/report.html.j2",
    "report/templates/report.css",
    "report/templates/report.typ",
    "assess/demo/demo.json",
    "assess/demo/side.mp4",
    "assess/demo/rear.mp4",
    "assess/demo/front.mp4",
    "validate/data/recordings.npz",
    "validate/data/demo/side.json",
    "validate/data/demo/rear.json",
    "validate/data/demo/front.json",
    "gait/data/events_left_out.json.gz",
)
#: What the source archive holds beside the package: all that the tests need.
SOURCES = (
    "README.md", "LICENSE", "NOTICE", "pyproject.toml", "tests/data/rbds/README.md",
)  # fmt: skip
UNWANTED = ("__pycache__", ".pyc", ".venv", ".pytest_cache", ".mypy_cache", "midstance-demo", ".ipynb_checkpoints")


def names_in(archive: Path) -> dict[str, int]:
    """Return the files of an archive and their sizes; in a source archive without the leading folder."""
    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as wheel:
            return {i.filename: i.file_size for i in wheel.infolist() if not i.is_dir()}
    with tarfile.open(archive) as sources:
        return {m.name.partition("/")[2]: m.size for m in sources.getmembers() if m.isfile()}


def faults(archive: Path, package: Path) -> list[str]:
    """Return what is wrong with an archive, a line each.

    Parameters
    ----------
    archive : a wheel (.whl) or a source archive (.tar.gz).
    package : the package's folder in the checkout, whose files the archive must hold at their full size.
    """
    names = names_in(archive)
    wheel = archive.suffix == ".whl"
    root = "midstance/" if wheel else "src/midstance/"
    found = [f"{archive.name}: no {root}{file}" for file in DATA if not names.get(root + file)]
    for file in sorted(package.rglob("*")):
        inside = root + file.relative_to(package).as_posix()
        if not file.is_file() or any(u in inside for u in UNWANTED):
            continue
        if inside not in names:
            found.append(f"{archive.name}: no {inside}")
        elif names[inside] != file.stat().st_size:
            found.append(f"{archive.name}: {inside} has {names[inside]} bytes, not {file.stat().st_size}")
    if wheel:
        for file in ("LICENSE", "NOTICE"):
            if not any(n.endswith(f".dist-info/licenses/{file}") for n in names):
                found.append(f"{archive.name}: no {file}")
        found += [f"{archive.name}: {n} does not belong" for n in names if not n.startswith("midstance")]
    else:
        found += [f"{archive.name}: no {file}" for file in SOURCES if file not in names]
    found += [f"{archive.name}: {n} does not belong" for n in names if any(u in n for u in UNWANTED)]
    return list(dict.fromkeys(found))


def main(arguments: list[str]) -> int:
    """Check the archives named on the command line; 1 if any has a fault."""
    package = Path(__file__).resolve().parents[1] / "src" / "midstance"
    wrong = [fault for name in arguments for fault in faults(Path(name), package)]
    for fault in wrong:
        print(fault)
    for name in arguments:
        print(f"{Path(name).name}: {len(names_in(Path(name)))} files")
    return 1 if wrong or not arguments else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
