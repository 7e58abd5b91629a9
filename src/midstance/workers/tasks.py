"""What each kind of job does. Tasks write into hidden places only; what they made is shown when the job ends."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from midstance.errors import FilmError, MidstanceError, NotFoundError, RunnerError, ViewError
from midstance.gait.model import View
from midstance.records import assessments, films
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.records.tables import FilmRow
from midstance.workers.queue import queue_read, wants_reading
from midstance.workers.work import Done, Work, checked, flush, show_files, show_folder

Task = Callable[[Work], contextlib.AbstractContextManager[Done]]

_TRIAL = re.compile(r"trial-[0-9a-f]{16}")
_VIEWS: tuple[View, ...] = ("side", "side_far", "rear", "front")


@contextlib.contextmanager
def prepare(work: Work) -> Iterator[Done]:
    """Make the playable copy of a film, its times and its poster; then let its landmarks be read."""
    from midstance.film.packets import packet_times_s
    from midstance.film.proxy import film_frames, make_proxy, read_about
    from midstance.film.reader import probe

    film = _film(work)
    path = MediaStore(work.home).path(film.sha256)
    place = work.home.proxy(film.sha256)
    with work.stage(place.parent) as hidden:
        about = read_about(place)
        if about is None:
            work.tell("looking at the film", 0.0)
            info = probe(path)
            frames = len(packet_times_s(path))  # how long the job may take follows from it
            first = {"width": info.width, "height": info.height, "frames": frames, "duration_s": info.duration_s}
            with work.own() as db:
                films.set_info(db, film.id, {**first, "codec": info.codec})
            tell = work.part(0.02, 1.0)
            about = make_proxy(path, hidden / "copy", lambda share: tell("making the playable copy", share))
        with contextlib.suppress(FilmError):  # a rate that can't be is told where the film is read
            about = film_frames(about, film.capture_fps)

        def publish(db: Session) -> Mapping[str, Any]:
            show_folder(hidden / "copy", place)
            films.set_info(db, film.id, _info(about))
            row = films.get_film(db, film.id)
            for each in films.films_of(db, row.session_id):
                # A film of the other side alone is read as a side film; beside one it must be read again.
                if each.used and (each.id == row.id or wants_reading(db, work.home, each)):
                    queue_read(db, each, by=work.by)
            return {"frames": about["frames"]}

        yield Done(publish)


def _info(about: Mapping[str, Any]) -> dict[str, Any]:
    names = (
        "width", "height", "frames", "duration_s", "capture_fps", "capture_source", "slowdown", "codec", "notes",
        "proxy_width", "proxy_height", "problem",
    )  # fmt: skip
    return {name: about[name] for name in names}


@contextlib.contextmanager
def read(work: Work) -> Iterator[Done]:
    """Read the landmarks of a film, and look at its marks."""
    film = _film(work)
    with work.stage(work.home.reading(film.id).parent) as hidden:
        problem = _read_film(work, film, hidden, work.part(0.0, 1.0))

        def publish(db: Session) -> Mapping[str, Any] | None:
            show_files(hidden, work.home.reading(film.id))
            return None

        # With a problem: it was read, and can be looked at and corrected; only measured it can't be.
        yield Done(publish, problem)


def _read_film(
    work: Work, film: FilmRow, folder: Path, tell: Callable[[str, float], None]
) -> RunnerError | ViewError | None:
    """Read a film into ``folder``; returns the problem of one that was read but can't be measured."""
    from midstance.assess.from_records import role_of, settings_for_film
    from midstance.assess.keeping import file_name
    from midstance.assess.pipeline import reading_of

    with work.database.reading() as db:
        settings, view = settings_for_film(db, work.home, film.id), role_of(db, film.id)
    MediaStore(work.home).path(film.sha256)
    parts = {"finding the runner": (0.0, 0.05), "following the runner": (0.05, 0.97)}

    def progress(stage: str, share: float) -> None:
        start, end = parts.get(stage, (0.97, 1.0))
        tell(stage, start + (end - start) * share)

    try:
        reading_of(view, settings, progress, kept_in=[work.home.reading(film.id)], keep_in=folder)
    except (RunnerError, ViewError) as error:
        if not (folder / file_name(view)).is_file():
            raise
        flush(folder)
        return error
    flush(folder)
    return None


@contextlib.contextmanager
def assess(work: Work) -> Iterator[Done]:
    """Make the report of a session."""
    from midstance import job
    from midstance.assess.export import assessment_to_dict
    from midstance.assess.from_records import settings_for

    assert work.assessment_id is not None, "an assessment's job names it"
    assessment_id = work.assessment_id
    with work.own() as db:
        row = assessments.run_assessment(db, assessment_id)
        settings = settings_for(db, work.home, row.session_id)
        used = [film for film in films.films_of(db, row.session_id) if film.used]
    for film in used:
        work.names[str(MediaStore(work.home).path(film.sha256))] = film.name or f"the {film.view} film"
    place = work.home.result(assessment_id)
    with work.stage(place.parent) as hidden:
        # What is read on the way is kept with the films too, so that it can be corrected.
        unread = [film for film in used if _wants(work, film)]
        for number, film in enumerate(unread):
            folder = hidden / film.id
            folder.mkdir()
            tell = work.part(0.5 * number / len(unread), 0.5 * (number + 1) / len(unread))
            problem = _read_film(work, film, folder, tell)
            with work.own():
                show_files(folder, work.home.reading(film.id))
            if problem is not None:
                raise problem
        tell = work.part(0.5 if unread else 0.0, 0.99)
        order = [v for v in _VIEWS if v in settings.films]

        def progress(view: View | None, stage: str, share: float) -> None:
            if view is None:
                tell(stage, 0.9 + 0.1 * share)
                return
            # Measuring takes about a tenth, drawing the rest.
            start, width = (0.1, 0.8) if stage.startswith("drawing") else (0.0, 0.1)
            tell(f"{view.replace('_', ' ')}: {stage}", start + width * (order.index(view) + share) / len(order))

        kept_in = [work.home.reading(film.id) for film in used]
        assessment, files = job.run(settings, hidden / "result", progress=progress, kept_in=kept_in)
        flush(hidden / "result")
        content = assessment_to_dict(assessment)

        def publish(db: Session) -> Mapping[str, Any]:
            show_folder(hidden / "result", place)
            assessments.finish_assessment(
                db,
                assessment_id,
                settings=content["context"]["settings"],
                software=content["software"],
                findings=content["findings"],
                measures=content["measures"],
            )
            return {"files": len(files)}

        yield Done(publish)


def _wants(work: Work, film: FilmRow) -> bool:
    with work.database.reading() as db:
        return wants_reading(db, work.home, film)


@contextlib.contextmanager
def check(work: Work) -> Iterator[Done]:
    """Judge a picture or a short film that was handed in on trial; the file goes afterwards."""
    from midstance.assess.trial import check_trial

    path = trial_path(work.home, work.payload.get("file"))
    work.names[str(path)] = "the picture or film that was dropped"
    view: Any = checked(work.payload.get("view"), lambda v: v in _VIEWS, "view")
    if not path.is_file():
        raise NotFoundError("what was handed in is gone", where="trial", next_step="hand it in again")
    try:
        trial = check_trial(path, view, lambda stage, share: work.tell(stage, share))
    except MidstanceError:
        path.unlink(missing_ok=True)  # somebody's picture; a child that dies is tried again and needs it
        raise

    def publish(db: Session) -> Mapping[str, Any]:
        path.unlink(missing_ok=True)
        return trial.as_dict()

    yield Done(publish)


def trial_path(home: Home, name: Any) -> Path:
    """Return where what was handed in on trial lies.

    Raises
    ------
    MidstanceError
        The name isn't one of ours.
    """
    return home.incoming / checked(name, lambda n: _TRIAL.fullmatch(n) is not None, "trial")


@contextlib.contextmanager
def validate(work: Work) -> Iterator[Done]:
    """Hold the numbers against outside truth."""
    from midstance.validate.report import run_validate

    report = run_validate(progress=lambda stage, share: work.tell(stage, share))
    met, judged = sum(bool(b.met) for b in report.bars), sum(b.met is not None for b in report.bars)
    result = {"text": "\n".join(report.lines()), "bars_met": met, "bars": judged, "failures": list(report.failures)}
    yield Done(lambda db: result)


def _film(work: Work) -> FilmRow:
    """Return the film of the job, as it is now."""
    assert work.film_id is not None, "a film's job names it"
    with work.database.reading() as db:
        film = films.get_film(db, work.film_id)
        beside = list(db.scalars(select(FilmRow).where(FilmRow.session_id == film.session_id)))
    store = MediaStore(work.home)
    for each in (film, *beside):
        with contextlib.suppress(NotFoundError):
            work.names.setdefault(str(store.path(each.sha256)), each.name or f"the {each.view} film")
    return film


TASKS: dict[str, Task] = {"prepare": prepare, "read": read, "assess": assess, "check": check, "validate": validate}

