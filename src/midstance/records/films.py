"""Films of a session, and what a person says of each. The film itself lies in the media store."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, BinaryIO

from sqlalchemy import false, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from midstance.records import fields as f
from midstance.records import journal
from midstance.records.changing import change, flush, found, lock_media, runner_of_session, who
from midstance.records.database import Database
from midstance.records.media import MediaStore
from midstance.records.sessions import nothing_runs
from midstance.records.tables import AssessmentRow, FilmRow, JobRow, MediaRow, SessionRow, now


def add_film(
    db: Session,
    session_id: str,
    *,
    sha256: str,
    bytes: int,
    view: str,
    name: str,
    by: str,
    store: MediaStore | None = None,
) -> FilmRow:
    """Add a film that the media store has taken; an earlier film of the same view is kept but no longer used.

    Parameters
    ----------
    sha256, bytes : as the media store returned them.
    store : given, it is asked once more whether the file is there, since somebody may just have erased the only other
        runner who had it.

    Raises
    ------
    OptionError, NotFoundError
        View or name can't be taken; there is no such session, or no such file.
    """
    clean = f.checked({"view": view, "name": name}, f.FILM)
    by = who(by)
    lock_media(db)
    session = found(db, SessionRow, session_id, "session", lock=True)
    if store is not None:
        store.path(sha256)
    insert = postgresql.insert if db.get_bind().dialect.name == "postgresql" else sqlite.insert
    media = insert(MediaRow).values(sha256=f.sha256(sha256), bytes=bytes, created_at=now())
    db.execute(media.on_conflict_do_nothing(index_elements=["sha256"]))
    _put_aside(db, session.id, clean["view"], by)
    at = now()
    row = FilmRow(
        session_id=session.id, sha256=sha256, **clean, created_at=at, created_by=by, changed_at=at, changed_by=by
    )
    db.add(row)
    db.flush()
    journal.note(
        db, "film added", by=by, runner_id=session.runner_id, subject_id=row.id, detail={"view": row.view, "name": row.name}
    )
    return row


def bring_film(
    database: Database,
    store: MediaStore,
    session_id: str,
    source: BinaryIO | Iterable[bytes],
    *,
    view: str,
    name: str,
    by: str,
    most_bytes: int | None = None,
) -> FilmRow:
    """Take a film into the media store and add it to a session; what can't be added leaves no file behind.

    Raises
    ------
    OptionError, NotFoundError, RecordsError
        It is too large, view or name can't be taken, there is no such session, the disk is full.
    """
    f.checked({"view": view, "name": name}, f.FILM)
    with database.reading() as db:
        found(db, SessionRow, session_id, "session")
    stored = store.take(source, most_bytes=most_bytes)
    try:
        with database.writing() as db:
            return add_film(
                db, session_id, sha256=stored.sha256, bytes=stored.bytes, view=view, name=name, by=by, store=store
            )
    except BaseException:
        drop_unused(database, store, stored.sha256)
        raise


def drop_unused(database: Database, store: MediaStore, sha256: str) -> bool:
    """Remove a file of the media store if no film refers to it; True when it was removed."""
    with database.writing() as db:
        lock_media(db)
        if db.scalar(select(FilmRow.id).where(FilmRow.sha256 == sha256).limit(1)) is not None:
            return False
        row = db.get(MediaRow, sha256)
        if row is not None:
            db.delete(row)
            db.flush()
        # Within the transaction: nobody can begin to refer to it between the question and the removal.
        return store.remove(sha256)


def _put_aside(db: Session, session_id: str, view: str, by: str, *, but: str | None = None) -> None:
    """Let no other film of a view be used."""
    others = select(FilmRow).where(FilmRow.session_id == session_id, FilmRow.view == view, FilmRow.used)
    for other in db.scalars(others.execution_options(populate_existing=True)):
        if other.id != but:
            other.used, other.changed_by = False, by
    db.flush()


def get_film(db: Session, film_id: str) -> FilmRow:
    """Return a film.

    Raises
    ------
    NotFoundError
        There is no such film.
    """
    return found(db, FilmRow, film_id, "film")


def films_of(db: Session, session_id: str) -> list[FilmRow]:
    """Return a session's films in the order they came, used or not."""
    asked = select(FilmRow).where(FilmRow.session_id == session_id).order_by(FilmRow.created_at, FilmRow.id)
    return list(db.scalars(asked))


def change_film(db: Session, film_id: str, fields: Mapping[str, Any], *, version: int, by: str) -> FilmRow:
    """Change the fields given; ``version`` is that of the film as it was read. One film of a view is used.

    Raises
    ------
    OptionError, NotFoundError
        A field can't be taken; there is no such film.
    ConflictError
        Somebody else changed it meanwhile.
    """
    clean = f.checked(fields, f.FILM)
    by = who(by)
    session_id = get_film(db, film_id).session_id
    found(db, SessionRow, session_id, "session", lock=True)
    row = found(db, FilmRow, film_id, "film", lock=True)
    start, end = clean.get("start_s", row.start_s), clean.get("end_s", row.end_s)
    if end is not None and (start or 0.0) >= end and ("start_s" in clean or "end_s" in clean):
        fault = f.Fault(f"the part from {start or 0:g} s to {end:g} s is empty", "a start before the end")
        raise f.together([("start_s, end_s", fault)])
    if version == row.version and clean.get("used", row.used):
        _put_aside(db, session_id, clean.get("view", row.view), by, but=row.id)
    detail = change(db, row, clean, version=version, by=by, what="film")
    if detail:
        journal.note(
            db, "film changed", by=by, runner_id=runner_of_session(db, session_id), subject_id=row.id, detail=detail
        )
    return row


def set_info(db: Session, film_id: str, info: Mapping[str, Any]) -> None:
    """Keep what the container says. It is not a change by a person: the version stays, so that nobody's edit conflicts."""
    db.execute(
        update(FilmRow)
        .where(FilmRow.id == f.an_id(film_id, "film"))
        .values(info=f.plain(info), changed_at=FilmRow.changed_at)
        .execution_options(synchronize_session=False)
    )
    row = db.get(FilmRow, film_id)
    if row is not None:
        db.refresh(row)


def remove_film(db: Session, film_id: str, *, by: str) -> None:
    """Remove a film from its session, with its corrections; ``erasing.tidy`` then removes the files.

    Raises
    ------
    NotFoundError
        There is no such film.
    ConflictError
        Work on it is under way.
    """
    by = who(by)
    session_id = get_film(db, film_id).session_id
    session = found(db, SessionRow, session_id, "session", lock=True)
    row = found(db, FilmRow, film_id, "film", lock=True)
    assessing = select(AssessmentRow.id).where(AssessmentRow.session_id == session_id)
    measured = JobRow.assessment_id.in_(assessing) if row.used else false()
    nothing_runs(db, JobRow.film_id == row.id, measured, "film")
    detail = {"view": row.view, "name": row.name}
    db.delete(row)
    flush(db, row, "film")
    journal.note(db, "film removed", by=by, runner_id=session.runner_id, subject_id=film_id, detail=detail)


def media_unused(db: Session) -> list[str]:
    """Return the sums of files that no film refers to any more."""
    used = select(FilmRow.id).where(FilmRow.sha256 == MediaRow.sha256).exists()
    return list(db.scalars(select(MediaRow.sha256).where(~used).order_by(MediaRow.sha256)))
