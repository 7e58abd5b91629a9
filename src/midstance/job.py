"""The main job, whole: check the place for the results, measure the films, write everything or nothing."""

from __future__ import annotations

import errno
import os
import re
import secrets
import shutil
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import attrs

from midstance.assess.export import write_json, write_landmarks_parquet, write_measures_csv, write_strides_csv
from midstance.assess.ground import GroundRecord, measure_recording
from midstance.assess.ground_export import write_force_contacts_csv, write_force_json, write_force_measures_csv
from midstance.assess.pipeline import FilmProgress, assess_films, no_progress
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.errors import FilmError, OutputError
from midstance.force.model import ForceSettings
from midstance.plates.read import ReadOptions
from midstance.report.force_page import write_force_page
from midstance.report.pictures import make_pictures
from midstance.report.stills import Still
from midstance.report.write import write_report

#: The file that marks a folder as one of ours, which may be replaced.
MARK = "assessment.json"
#: What a result folder holds; anything else in it is somebody's own and never touched.
OURS = re.compile(
    r"report\.(html|pdf)|assessment\.json|(measures|strides)\.csv|stills"
    r"|landmarks-(side|side_far|rear|front)\.parquet|overlay-(side|side_far|rear|front)\.mp4"
    r"|reading-(side|side_far|rear|front)\.npz|marked-(side|side_far|rear|front)\.json"
)
STILL = re.compile(r"(side|side_far|rear|front)-(left|right)-[a-z_]+-stride\d+\.jpg")
#: What file managers leave in any folder, and what a run that was killed may have left.
LITTER = re.compile(r"\.DS_Store|Thumbs\.db|desktop\.ini|\.midstance-[0-9a-f]{8}\.(part|old)")
#: The file that marks a folder as results of a force recording.
FORCE_MARK = "force.json"


@attrs.frozen
class Content:
    """What a result folder of one kind holds: the file that marks it, and the names that may be replaced in it."""

    mark: str
    ours: re.Pattern[str]


FILMS = Content(MARK, OURS)
FORCE = Content(FORCE_MARK, re.compile(r"force\.(json|html)|force_(measures|contacts)\.csv"))
#: Results are not begun with less room than this, bytes: a report with three overlays takes about half.
MIN_FREE_BYTES = 20_000_000


def run(
    settings: Settings,
    out: Path,
    *,
    overwrite: bool = False,
    progress: FilmProgress = no_progress,
    kept_in: Sequence[Path] = (),
) -> tuple[Assessment, list[Path]]:
    """Do the main job and leave its results in ``out``.

    The results are written into a hidden folder beside ``out`` (in it, where it exists) and moved into place when they
    are complete, so that an error, a full disk or Ctrl-C leaves nothing half-written. Films that ``out`` or a folder of
    ``kept_in`` holds a reading of, made with the same settings, are not read again.

    Returns
    -------
    assessment, files : the result, and the files in ``out`` in the order a reader would open them.
    """
    check_place(out, overwrite=overwrite)
    with _staged(out, overwrite=overwrite) as stage:
        try:
            assessment = assess_films(settings, progress, kept_in=(out, *kept_in), keep_in=stage)
        except OSError as error:
            raise FilmError(
                f"something the work needs can't be read ({error.strerror or error})",
                where=str(error.filename or ", ".join(str(p) for p in settings.films.values())),
                allowed="films that stay readable until the work is done",
                next_step="copy the films to this machine and start again; midstance doctor checks the installation",
            ) from error
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


def run_force(
    recording: Path,
    settings: ForceSettings,
    options: ReadOptions,
    out: Path,
    *,
    overwrite: bool = False,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[GroundRecord, list[Path]]:
    """Measure a force recording and leave page, JSON and tables in ``out``, all or nothing as ``run`` does.

    Returns
    -------
    record, files : the result, and the files in ``out`` in the order a reader would open them.
    """
    check_place(out, overwrite=overwrite, content=FORCE)
    with _staged(out, overwrite=overwrite, content=FORCE) as stage:
        record = measure_recording(recording, settings, options, progress)
        write_force_json(record, stage / FORCE_MARK)
        write_force_measures_csv(record, stage / "force_measures.csv")
        write_force_contacts_csv(record, stage / "force_contacts.csv")
        write_force_page(record, stage / "force.html")
    return record, [out / n for n in ("force.html", FORCE_MARK, "force_measures.csv", "force_contacts.csv")]


def check_place(out: Path, *, overwrite: bool, content: Content = FILMS) -> None:
    """Stop before any work when the results could not be written.

    Raises
    ------
    OutputError
        The place exists and may not be replaced, or can't be written, or has no room.
    """
    try:
        _check_content(out, overwrite=overwrite, content=content)
        place = out.resolve()
        existing = next(p for p in [place, *place.parents] if p.exists())
        writable = existing.is_dir() and os.access(existing, os.W_OK | os.X_OK)
        disk = shutil.disk_usage(existing)
    except OSError as error:
        raise _output_fault(error, out) from error
    if not writable:
        raise OutputError(
            "no results can be written here",
            where=str(out),
            allowed="a folder you may write to",
            next_step="choose another folder with --out",
        )
    if disk.total and disk.free < MIN_FREE_BYTES:  # file systems that hold no files say 0 of 0
        raise _output_fault(OSError(errno.ENOSPC, "no space"), out)


def _check_content(out: Path, *, overwrite: bool, content: Content) -> None:
    if out.exists() and not out.is_dir():
        raise OutputError(
            "a file is in the way", where=str(out), allowed="a folder", next_step="choose another folder with --out"
        )
    held = [p for p in sorted(out.iterdir()) if not LITTER.fullmatch(p.name)] if out.is_dir() else []
    if not held:
        return
    ours = _is_result(out, content.mark)
    strange = [p.relative_to(out).as_posix() for p in held if not content.ours.fullmatch(p.name)]
    stills = out / "stills"
    if stills.is_dir():
        inside = (p for p in sorted(stills.iterdir()) if not LITTER.fullmatch(p.name))
        strange += [p.relative_to(out).as_posix() for p in inside if not STILL.fullmatch(p.name)]
    if not overwrite:
        may = ours and not strange
        raise OutputError(
            "the folder is not empty",
            where=str(out),
            allowed="a new or empty folder" + (", or --overwrite to replace the earlier results in it" if may else ""),
            next_step="choose another folder with --out" + (" or add --overwrite" if may else ""),
        )
    if not ours:
        raise OutputError(
            f"the folder holds other things than results (no {content.mark} of this program in it), and is left alone",
            where=str(out),
            allowed="a new or empty folder, or one with earlier results",
            next_step="choose another folder with --out",
        )
    if strange:
        raise OutputError(
            f"beside earlier results the folder holds {_some(strange)}, which would be lost, so all is left alone",
            where=str(out),
            allowed="a new or empty folder, or one with nothing but earlier results",
            next_step="move your own files out of it, or choose another folder with --out",
        )


def _is_result(out: Path, mark: str = MARK) -> bool:
    """Tell whether a folder holds results of this program."""
    try:
        with (out / mark).open("rb") as file:
            return b'"software": "midstance ' in file.read(200)
    except OSError:
        return False


def _some(names: list[str], most: int = 3) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


@contextmanager
def _staged(out: Path, *, overwrite: bool, content: Content = FILMS) -> Iterator[Path]:
    """Give a hidden folder; move what is in it into place when the block ends well, remove it when it does not.

    It lies in ``out`` where that exists, because ``out`` may be a disk of its own or the only folder we may write to.
    """
    stage: Path | None = None
    made: list[Path] = []
    try:
        place = out.resolve()  # behind a link, the folder is replaced and not the link
        made = [p for p in place.parents if not p.exists()]
        place.parent.mkdir(parents=True, exist_ok=True)
        stage = _hidden(place if place.is_dir() else place.parent, "part")
        yield stage
        with _undisturbed():
            _move(stage, place, out, overwrite=overwrite, content=content)
    except OSError as error:
        raise _output_fault(error, out) from error
    except OutputError as error:
        if stage is None or str(stage) not in error.where:
            raise
        # Nobody knows the hidden folder: name the place as it was asked for.
        where = error.where.replace(str(stage), str(out))
        raise OutputError(error.what, where=where, allowed=error.allowed, next_step=error.next_step) from error
    finally:
        with _undisturbed():
            if stage is not None and stage.exists():
                shutil.rmtree(stage, ignore_errors=True)
            for folder in made:  # folders made on the way go again if nothing came of it
                if folder.is_dir() and not any(folder.iterdir()):
                    folder.rmdir()


def _hidden(parent: Path, kind: str) -> Path:
    """Make a hidden folder with the permissions that the user's own folders have."""
    folder = parent / f".midstance-{secrets.token_hex(4)}.{kind}"
    folder.mkdir()
    return folder


def _move(stage: Path, place: Path, out: Path, *, overwrite: bool, content: Content) -> None:
    if not place.exists():
        stage.rename(place)
        return
    check_place(out, overwrite=overwrite, content=content)  # somebody may have put something there meanwhile
    old = _hidden(place, "old")
    moved: list[tuple[Path, Path]] = []
    try:
        for target, source in (
            *((old / p.name, p) for p in sorted(place.iterdir()) if content.ours.fullmatch(p.name)),
            *((place / p.name, p) for p in sorted(stage.iterdir())),
        ):
            source.rename(target)
            moved.append((target, source))
    except BaseException:
        for target, source in reversed(moved):
            target.rename(source)
        raise
    finally:
        shutil.rmtree(old, ignore_errors=True)


@contextmanager
def _undisturbed() -> Iterator[None]:
    """Turn a deaf ear to Ctrl-C and the like for the moment that moving or clearing takes."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread is ever interrupted, and only it may choose what happens then
        return
    names = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, n)]
    before = {n: h for n in names if (h := signal.getsignal(n)) is not None}
    for name in before:
        signal.signal(name, signal.SIG_IGN)
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def _output_fault(error: OSError, out: Path) -> OutputError:
    full = error.errno in (errno.ENOSPC, errno.EDQUOT)
    return OutputError(
        "the disk is full" if full else f"the results can't be written ({error.strerror or error})",
        where=str(out),
        allowed="a folder you may write to, on a disk with about 100 MB free",
        next_step="free some space, or choose another folder with --out" if full else "choose another folder with --out",
    )
