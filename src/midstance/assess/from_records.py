"""What is in the records, as settings of an assessment: films, what is known of them, what was corrected and overruled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from midstance.assess.settings import FilmSettings, KnownLength, Settings
from midstance.camera.marks import SCHEMA, Marks, parse_marks
from midstance.errors import NotFoundError, OptionError
from midstance.findings.overruled import Overruled
from midstance.gait.model import Runner, View
from midstance.pose.corrections import Correction, parse_correction
from midstance.records.home import Home
from midstance.records.tables import CorrectionRow, FilmRow, OverruleRow, RunnerRow, SessionRow

#: The speed that a film is read with where none is noted yet; landmarks don't depend on it, measures are not made.
UNKNOWN_SPEED_MPS = 3.0


def media_path(home: Home, sha256: str) -> Any:
    """Return where a film lies in the media store."""
    return home.media / sha256[:2] / sha256


def settings_for(db: Session, home: Home, session_id: str) -> Settings:
    """Return the settings of an assessment of a whole session.

    Raises
    ------
    NotFoundError
        There is no such session.
    OptionError
        Something is missing (a film, the speed) or doesn't fit.
    """
    session = _session(db, session_id)
    films = db.scalars(select(FilmRow).where(FilmRow.session_id == session_id, FilmRow.used)).all()
    if session.speed_mps is None:
        raise OptionError(
            "the running speed isn't noted yet",
            where="session: speed",
            allowed="a pace such as 5:00/km or a speed such as 12km/h",
            next_step="read it off the treadmill, or time a known distance, and note it with the session",
        )
    if not films:
        raise OptionError(
            "there is no film yet",
            where="session: films",
            allowed="one film for each view, at least one in all",
            next_step="add a film",
        )
    overrules = db.scalars(
        select(OverruleRow)
        .where(OverruleRow.session_id == session_id, OverruleRow.withdrawn_at.is_(None))
        .order_by(OverruleRow.made_at, OverruleRow.id)
    )
    overruled = [Overruled(o.finding, o.side, o.why, o.made_by, f"{o.made_at:%Y-%m-%d}") for o in overrules]
    return _settings(db, home, session, films, overruled)


def settings_for_film(db: Session, home: Home, film_id: str) -> Settings:
    """Return the settings for one film alone; the speed may be unknown yet and is then not to be measured with.

    Raises
    ------
    NotFoundError
        There is no such film.
    OptionError
        Something that was noted doesn't fit.
    """
    film = _film(db, film_id)
    beside = _side_film(db, film) if film.view == "side_far" else None
    return _settings(db, home, _session(db, film.session_id), [film, beside] if beside else [film], [])


def role_of(db: Session, film_id: str) -> View:
    """Return what a film is read as: a film of the other side is a side film as long as there is no other.

    Raises
    ------
    NotFoundError
        There is no such film.
    """
    film = _film(db, film_id)
    if film.view == "side_far" and _side_film(db, film) is None:
        return "side"
    return film.view  # type: ignore[return-value]


def _film(db: Session, film_id: str) -> FilmRow:
    film = db.get(FilmRow, film_id)
    if film is None:
        raise NotFoundError("there is no such film", where=f"film {film_id}", next_step="go back to the session")
    return film


def _side_film(db: Session, film: FilmRow) -> FilmRow | None:
    return db.scalars(
        select(FilmRow).where(
            FilmRow.session_id == film.session_id,
            FilmRow.used,
            FilmRow.view == "side",
            FilmRow.sha256 != film.sha256,  # the same film twice is a mistake that is told when it is measured
        )
    ).first()


def _session(db: Session, session_id: str) -> SessionRow:
    session = db.get(SessionRow, session_id)
    if session is None:
        raise NotFoundError("there is no such session", where=f"session {session_id}", next_step="choose one from the list")
    return session


def _settings(
    db: Session, home: Home, session: SessionRow, films: Sequence[FilmRow], overruled: Sequence[Overruled]
) -> Settings:
    runner = db.get(RunnerRow, session.runner_id)
    assert runner is not None  # the database doesn't let a session be without
    views: dict[View, FilmRow] = {f.view: f for f in films}  # type: ignore[misc]
    alone = "side_far" in views and "side" not in views
    return Settings(
        films={_role(v, alone): media_path(home, f.sha256) for v, f in views.items()},
        speed_mps=session.speed_mps if session.speed_mps is not None else UNKNOWN_SPEED_MPS,
        surface=session.surface,  # type: ignore[arg-type]
        runner=Runner(
            height_m=runner.height_m,
            mass_kg=runner.mass_kg,
            body_table=runner.body_table,  # type: ignore[arg-type]
        ),
        runner_label=runner.name,
        invented=runner.invented,
        known_lengths=tuple(_known_length(_role(v, alone), k) for v, f in views.items() for k in f.known_lengths),
        marks=_marks({_role(v, alone): f.marks for v, f in views.items() if f.marks}),
        corrections=tuple(c for v, f in views.items() for c in _corrections(db, f, _role(v, alone))),
        by_film={
            _role(v, alone): FilmSettings(
                capture_fps=f.capture_fps, start_s=f.start_s, end_s=f.end_s, runner_x=f.runner_x, readout_s=f.readout_s
            )
            for v, f in views.items()
        },
        film_names={_role(v, alone): f.name for v, f in views.items() if f.name},
        overruled=tuple(overruled),
    )


def _role(view: View, alone: bool) -> View:
    return "side" if alone else view


def _corrections(db: Session, film: FilmRow, role: View) -> list[Correction]:
    rows = db.scalars(
        select(CorrectionRow)
        .where(CorrectionRow.film_id == film.id, CorrectionRow.withdrawn_at.is_(None))
        .order_by(CorrectionRow.number)
    )
    return [correction_of(row, role) for row in rows]


def correction_of(row: CorrectionRow, role: View) -> Correction:
    """Return a correction of the records as the pipeline takes it."""
    entry = {**row.body, "view": role, "by": row.made_by, "at": f"{row.made_at:%Y-%m-%d %H:%M} UTC", "note": row.note}
    return parse_correction(entry, f"correction {row.number}")


def _known_length(view: View, raw: Mapping[str, Any]) -> KnownLength:
    try:
        (x1, y1), (x2, y2) = raw["first_px"], raw["second_px"]
        return KnownLength(view, (float(x1), float(y1)), (float(x2), float(y2)), float(raw["length_m"]))
    except (KeyError, TypeError, ValueError) as error:
        raise OptionError(
            "a marked length can't be used",
            where=f"{view} film",
            allowed="two points in px and their distance in m",
            next_step="mark it again in the film",
        ) from error


def _marks(films: Mapping[View, Mapping[str, Any]]) -> Marks | None:
    """Return the marks of the films; a board filmed elsewhere can't be named here, since that would be any file."""
    if not films:
        return None
    for view, marks in films.items():
        ground = marks.get("ground")
        if isinstance(ground, Mapping) and "film" in ground:
            raise OptionError(
                "a board in another film can't be named here",
                where=f"{view} film: ground.film",
                allowed="a board that is shown in the film itself",
                next_step="film the board at the beginning of the film, and let the measured part start after it",
            )
    return parse_marks({"schema": SCHEMA, "films": {v: dict(m) for v, m in films.items()}}, where="marks")
