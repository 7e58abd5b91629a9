"""The main job, whole: check the place for the results, measure the films, write everything or nothing."""

from __future__ import annotations

import errno
import os
import shutil
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from midstance.assess.export import write_json, write_landmarks_parquet, write_measures_csv, write_strides_csv
from midstance.assess.pipeline import FilmProgress, assess_films, no_progress
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.errors import OutputError
from midstance.report.pictures import make_pictures
from midstance.report.stills import Still
from midstance.report.write import write_report

#: The file that marks a folder as one of ours, which may be replaced.
MARK = "assessment.json"


def run(
    settings: Settings, out: Path, *, overwrite: bool = False, progress: FilmProgress = no_progress
) -> tuple[Assessment, list[Path]]:
    """Do the main job and leave its results in ``out``.

    The results are written into a hidden folder beside ``out`` and moved into place when they are complete, so that an
    error, a full disk or Ctrl-C leaves nothing half-written.

    Returns
    -------
    assessment, files : the result, and the files in ``out`` in the order a reader would open them.
    """
    check_place(out, overwrite=overwrite)
    with _staged(out, overwrite=overwrite) as stage:
        assessment = assess_films(settings, progress)
        write_all(assessment, settings, stage, progress)
    return assessment, listed(out)


def write_all(a: Assessment, settings: Settings, folder: Path, progress: FilmProgress = no_progress) -> None:
    """Write every output of an assessment into an existing folder."""
    stills: list[Still] = []
    for film in a.films:
        stage = "drawing stills and overlay" if settings.overlay != "none" else "drawing stills"
        tell: Callable[[float], None] = lambda d, v=film.view, s=stage: progress(v, s, d)  # type: ignore[misc]  # noqa: E731
        overlay = folder / f"overlay-{film.view}.mp4" if settings.overlay != "none" else None
        stills += make_pictures(a, film, overlay, settings.overlay, tell)
        write_landmarks_parquet(film.landmarks, folder / f"landmarks-{film.view}.parquet")
    progress(None, "writing the report", 0.0)
    write_json(a, folder / MARK)
    write_measures_csv(a, folder / "measures.csv")
    write_strides_csv(a, folder / "strides.csv")
    write_report(a, stills, folder)
    progress(None, "writing the report", 1.0)


def listed(folder: Path) -> list[Path]:
    """Return the files of a result folder, the ones to read first."""
    first = ["report.html", "report.pdf", MARK, "measures.csv", "strides.csv"]
    files = [folder / n for n in first if (folder / n).is_file()]
    rest = sorted(p for p in folder.rglob("*") if p.is_file() and p not in files)
    return files + rest


def check_place(out: Path, *, overwrite: bool) -> None:
    """Stop before any work when the results could not be written.

    Raises
    ------
    OutputError
        The place exists and may not be replaced, or can't be written.
    """
    if out.exists() and not out.is_dir():
        raise OutputError(
            "a file is in the way", where=str(out), allowed="a folder", next_step="choose another folder with --out"
        )
    if out.is_dir() and any(out.iterdir()):
        ours = (out / MARK).is_file()
        if not overwrite:
            raise OutputError(
                "the folder is not empty",
                where=str(out),
                allowed="a new or empty folder" + (", or --overwrite to replace the earlier results in it" if ours else ""),
                next_step="choose another folder with --out" + (" or add --overwrite" if ours else ""),
            )
        if not ours:
            raise OutputError(
                f"the folder holds other things than results (no {MARK} in it), and is left alone",
                where=str(out),
                allowed="a new or empty folder, or one with earlier results",
                next_step="choose another folder with --out",
            )
    parent = out.resolve().parent
    existing = next(p for p in [parent, *parent.parents] if p.exists())
    if not existing.is_dir() or not os.access(existing, os.W_OK | os.X_OK):
        raise OutputError(
            "no results can be written here",
            where=str(out),
            allowed="a folder you may write to",
            next_step="choose another folder with --out",
        )


@contextmanager
def _staged(out: Path, *, overwrite: bool) -> Iterator[Path]:
    """Give a hidden folder beside ``out``; move it into place when the block ends well, remove it when it does not."""
    parent = out.resolve().parent
    made = [p for p in [parent, *parent.parents] if not p.exists()]
    stage: Path | None = None
    try:
        parent.mkdir(parents=True, exist_ok=True)
        stage = Path(tempfile.mkdtemp(prefix=f".{out.name}-", suffix=".part", dir=parent))
        yield stage
        stage.chmod(0o755)
        _swap(stage, out, overwrite=overwrite)
    except OSError as error:
        raise _output_fault(error, out) from error
    finally:
        if stage is not None and stage.exists():
            shutil.rmtree(stage, ignore_errors=True)
        for folder in made:  # folders made on the way go again if nothing came of it
            if folder.is_dir() and not any(folder.iterdir()):
                folder.rmdir()


def _swap(stage: Path, out: Path, *, overwrite: bool) -> None:
    if not out.exists():
        stage.rename(out)
        return
    if not any(out.iterdir()):
        out.rmdir()
        stage.rename(out)
        return
    check_place(out, overwrite=overwrite)  # somebody may have put something there meanwhile
    old = Path(tempfile.mkdtemp(prefix=f".{out.name}-", suffix=".old", dir=out.resolve().parent))
    old.rmdir()
    out.rename(old)
    try:
        stage.rename(out)
    except OSError:
        old.rename(out)
        raise
    shutil.rmtree(old, ignore_errors=True)


def _output_fault(error: OSError, out: Path) -> OutputError:
    full = error.errno in (errno.ENOSPC, errno.EDQUOT)
    return OutputError(
        "the disk is full" if full else f"the results can't be written ({error.strerror or error})",
        where=str(out),
        allowed="a folder you may write to, on a disk with about 100 MB free",
        next_step="free some space, or choose another folder with --out" if full else "choose another folder with --out",
    )
