"""Measures made anew while somebody corrects: from what was seen in the films and kept, in a fraction of a second.

No picture is decoded here. What one film gives is a dictionary of plain values for the pages and the API.
"""

from __future__ import annotations

import base64
import threading
from collections import OrderedDict
from pathlib import Path
from typing import Any

import attrs
import numpy as np
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from midstance.assess.both_sides import both_sides
from midstance.assess.export import assessment_to_dict, plain
from midstance.assess.from_records import correction_of, role_of, settings_for, settings_for_film
from midstance.assess.keeping import file_name, kept, kept_marked
from midstance.assess.measure import FilmMeasures, measure_film
from midstance.assess.observe import Observation
from midstance.assess.pipeline import ORDER, combine, contact_time
from midstance.assess.reading import FilmReading, Marked, interpret, needs_pictures, with_marks
from midstance.assess.result import Assessment
from midstance.assess.settings import Settings
from midstance.assess.straight import roll_of
from midstance.errors import MidstanceError, NotFoundError
from midstance.gait.com import whole_body_com
from midstance.gait.model import LANDMARKS, Floats, PlanePaths, Stance, View, seen_as
from midstance.pose.clean import CleanTrack, clean
from midstance.records.home import Home
from midstance.records.tables import CorrectionRow, FilmRow, JournalRow, SessionRow

#: Films whose readings are held in memory: two sessions with all their views.
MOST_HELD = 8


@attrs.frozen(eq=False)
class Seen:
    """What was kept of one film: what its pictures gave, its clean track, and what its marks gave.

    ``marks_wait`` says that the marks were changed and not yet looked at in the film.
    """

    observed: Observation
    cleaned: CleanTrack
    marked: Marked | None
    marks_wait: bool


class LiveFilms:
    """Films of a data folder, measured on demand. Safe to use from several threads.

    Parameters
    ----------
    home : the data folder.
    """

    def __init__(self, home: Home) -> None:
        self._home = home
        self._lock = threading.Lock()
        self._held: OrderedDict[tuple[Any, ...], tuple[Observation, CleanTrack]] = OrderedDict()

    def forget(self) -> None:
        """Hold nothing in memory any more, as after an erasure."""
        with self._lock:
            self._held.clear()

    def film(self, db: Session, film_id: str) -> dict[str, Any]:
        """Return what a film gives as it stands, with all corrections in.

        Raises
        ------
        NotFoundError
            There is no such film, or it isn't read yet.
        MidstanceError
            The film can't be measured; the message says why.
        """
        settings, view = settings_for_film(db, self._home, film_id), role_of(db, film_id)
        film = db.get(FilmRow, film_id)
        assert film is not None
        seen = self._seen(film, view, settings)
        reading = _reading(seen, settings, view)
        corrections = _corrections(db, film_id, view, reading)
        content: dict[str, Any] = {
            "film_id": film_id,
            "view": film.view,
            "version": film.version + corrections["version"],
            **_landmarks(reading),
            "marks_wait": seen.marks_wait,
            "problem": None,
        }
        session = db.get(SessionRow, film.session_id)
        try:
            side = self._side_contact(db, film, view)
            parts = measure_film(reading, settings.of(view), side_contact=side)
        except MidstanceError as error:  # landmarks can still be looked at and corrected
            content |= {
                "problem": _problem(error), "events": [], "stances": [], "measures": [], "strides": [], "notes": [],
                "m_per_px": None, "com": None,
            }  # fmt: skip
        else:
            content |= _measured(parts, reading, settings, speed_known=session is not None and session.speed_mps is not None)
            corrections = _with_effects(corrections, parts)
        holding = [{k: v for k, v in entry.items() if k != "_made"} for entry in corrections["holding"]]
        return {**content, "corrections": holding, "withdrawn": corrections["withdrawn"]}

    def assessment(self, db: Session, session_id: str) -> Assessment:
        """Return the assessment of a session as it stands; films not read yet are left out.

        Raises
        ------
        NotFoundError
            There is no such session, or none of its films is read yet.
        MidstanceError
            Something is missing, or a film can't be measured.
        """
        settings = settings_for(db, self._home, session_id)
        films = {role_of(db, f.id): f for f in _films(db, session_id)}
        parts: dict[View, FilmMeasures] = {}
        runtimes: set[str] = set()
        for view in ORDER:
            if view not in films or (view == "side_far" and "side" not in parts):
                continue
            try:
                seen = self._seen(films[view], view, settings)
            except NotFoundError:
                continue
            runtimes.add(seen.observed.runtime)
            side = contact_time(parts.get("side")) if seen_as(view) != "side" else None
            parts[view] = measure_film(_reading(seen, settings, view), settings.of(view), side_contact=side)
            if view == "side_far":
                parts["side"], parts[view] = both_sides(parts["side"], parts[view])
        if not parts:
            raise NotFoundError(
                "none of the session's films is read yet",
                where=f"session {session_id}",
                next_step="add a film, or wait until it is read",
            )
        left = attrs.evolve(
            settings,
            films={v: p for v, p in settings.films.items() if v in parts},
            known_lengths=tuple(k for k in settings.known_lengths if k.view in parts),
            corrections=tuple(c for c in settings.corrections if c.view in parts),
        )
        return combine(left, list(parts.values()), runtimes)

    def session(self, db: Session, session_id: str) -> dict[str, Any]:
        """Return measures, findings, events and single strides of a session as they stand, as plain values.

        Raises
        ------
        NotFoundError, MidstanceError
            See ``assessment``.
        """
        made = self.assessment(db, session_id)
        ids = {role_of(db, f.id): f.id for f in _films(db, session_id)}
        content = assessment_to_dict(made)
        for film in content["films"]:
            film["film_id"] = ids.get(film["view"])
        content["strides"] = plain([attrs.asdict(v) for v in made.measured_strides()])
        return content

    def _side_contact(self, db: Session, film: FilmRow, view: View) -> Any:
        """Return the contact time of the session's side film, from which a rear or front film takes its toe-offs."""
        if seen_as(view) == "side":
            return None
        side = next((f for f in _films(db, film.session_id) if role_of(db, f.id) == "side"), None)
        if side is None:
            return None
        settings = settings_for_film(db, self._home, side.id)
        try:
            reading = _reading(self._seen(side, "side", settings), settings, "side")
            return contact_time(measure_film(reading, settings.of("side")))
        except MidstanceError:
            return None

    def _seen(self, film: FilmRow, view: View, settings: Settings) -> Seen:
        folder, path = self._home.reading(film.id), settings.films[view]
        one = settings.of(view)
        try:
            stamp = (folder / file_name(view)).stat().st_mtime_ns
        except OSError:
            raise _not_read(film.id) from None
        known = (film.id, view, stamp, film.capture_fps, film.start_s, film.end_s, film.runner_x, one.surface)
        with self._lock:
            held = self._held.get(known)
            if held is not None:
                self._held.move_to_end(known)
        if held is None:
            observed = kept(folder, view, film.sha256, one, Path(path))
            if observed is None:
                raise _not_read(film.id)
            held = observed, clean(observed.raw, observed.time_s, seen_as(view))
            with self._lock:
                self._held[known] = held
                while len(self._held) > MOST_HELD:
                    self._held.popitem(last=False)
        observed, cleaned = held
        marked = kept_marked(folder, observed, one) if needs_pictures(one, view) else Marked()
        return Seen(observed, cleaned, marked, marks_wait=marked is None)


def _films(db: Session, session_id: str) -> list[FilmRow]:
    return list(db.scalars(select(FilmRow).where(FilmRow.session_id == session_id, FilmRow.used)))


def _reading(seen: Seen, settings: Settings, view: View) -> FilmReading:
    reading = interpret(seen.observed, settings.corrections, seen.cleaned)
    return with_marks(reading, settings.of(view), seen.marked if seen.marked is not None else Marked())


def _not_read(film_id: str) -> NotFoundError:
    return NotFoundError(
        "the film isn't read yet, or was changed since",
        where=f"film {film_id}",
        allowed="a film whose landmarks were read with its present settings",
        next_step="wait until it is read, or start the reading again",
    )


def _packed(values: Any, dtype: str) -> str:
    return base64.b64encode(np.ascontiguousarray(values, dtype=dtype).tobytes()).decode("ascii")


def _landmarks(reading: FilmReading) -> dict[str, Any]:
    joints = reading.joints
    return {
        "width": reading.info.width,
        "height": reading.info.height,
        "direction": reading.direction,
        "near": reading.near,
        "landmarks": list(LANDMARKS),
        "rows": [int(i) for i in reading.raw.index],
        "time_s": [round(float(t), 6) for t in joints.time_s],
        "xy": _packed(joints.xy, "<f4"),
        "state": _packed(joints.state, "u1"),
        "stickers": None
        if reading.stickers is None
        else {"names": list(reading.stickers.names), "xy": _packed(reading.stickers.xy, "<f4")},
    }


def _measured(parts: FilmMeasures, reading: FilmReading, settings: Settings, *, speed_known: bool) -> dict[str, Any]:
    result = parts.result
    measures = parts.measures
    if not speed_known:
        measures = tuple(
            attrs.evolve(m, value=None, low=None, high=None, reason="the running speed isn't noted yet") for m in measures
        )
    roll, _ = roll_of(result.quality)
    if reading.roll is not None:
        roll = reading.roll[0]
    if reading.camera is not None:
        roll = reading.camera.roll_deg
    m_per_px = None if result.scale is None else result.scale.m_per_px
    return {
        "m_per_px": m_per_px,
        "roll_deg": round(roll, 4),
        "com": _packed(_com_px(result.plane, reading, roll, settings, m_per_px), "<f4"),
        "events": plain(
            [{k: v for k, v in attrs.asdict(e).items() if k != "view"} for e in parts.events]
        ),
        "stances": [_stance(s) for s in parts.stances],
        "measures": plain([attrs.asdict(m) for m in measures]),
        "strides": plain([attrs.asdict(v) for v in parts.stride_values]) if speed_known else [],
        "quality": plain([attrs.asdict(q) for q in result.quality]),
        "notes": [e.reason for e in parts.exclusions if e.stride == "film"],
    }


def _stance(s: Stance) -> dict[str, Any]:
    return {
        "index": s.index,
        "side": s.side,
        "ic_s": round(s.ic.time_s, 6),
        "to_s": None if s.to is None else round(s.to.time_s, 6),
        "next_ic_s": None if s.next_ic is None else round(s.next_ic.time_s, 6),
        "excluded": s.excluded,
    }


def _com_px(
    plane: PlanePaths, reading: FilmReading, roll_deg: float, settings: Settings, m_per_px: float | None
) -> Floats:
    """Return the centre of mass in the picture, (n, 2) px.

    The way from the hips' middle to the centre of mass is taken from the plane back into the picture, so that it lies
    right whatever was taken out of the camera between.
    """
    com = whole_body_com(plane, settings.runner.body_table).xy
    hips = 0.5 * (plane.point("left_hip") + plane.point("right_hip"))
    away = (com - hips) / (m_per_px or 1.0)
    mirror = -1.0 if (reading.direction == "-x" or reading.view == "front") else 1.0
    x, y = mirror * away[:, 0], away[:, 1]
    r = np.radians(roll_deg)
    turned = np.stack([np.cos(r) * x - np.sin(r) * y, -(np.sin(r) * x + np.cos(r) * y)], axis=-1)
    middle = 0.5 * (reading.joints.point("left_hip") + reading.joints.point("right_hip"))
    return np.asarray(middle + turned)


def _corrections(db: Session, film_id: str, view: View, reading: FilmReading) -> dict[str, Any]:
    rows = db.scalars(select(CorrectionRow).where(CorrectionRow.film_id == film_id).order_by(CorrectionRow.number)).all()
    effects = {a.correction: a.effect for a in reading.corrections}
    # Each change of a correction leaves a line in the journal, so this never falls, even when one is put back.
    changes = db.scalar(
        select(func.count()).select_from(JournalRow).where(JournalRow.subject_id.in_([row.id for row in rows]))
    )
    entries: dict[str, Any] = {"holding": [], "withdrawn": [], "version": changes or 0}
    for row in rows:
        entry = {
            "id": row.id, "number": row.number, **row.body, "note": row.note, "by": row.made_by,
            "at": row.made_at.isoformat(), "effect": "",
        }  # fmt: skip
        if row.withdrawn_at is not None:
            entries["withdrawn"].append(
                {**entry, "withdrawn_by": row.withdrawn_by, "withdrawn_at": row.withdrawn_at.isoformat()}
            )
        else:
            made = correction_of(row, view)
            entries["holding"].append({**entry, "effect": effects.get(made, ""), "_made": made})
    return entries


def _with_effects(corrections: dict[str, Any], parts: FilmMeasures) -> dict[str, Any]:
    effects = {a.correction: a.effect for a in parts.corrections}
    holding = [{**e, "effect": effects.get(e["_made"], e["effect"])} for e in corrections["holding"]]
    return {**corrections, "holding": holding}


def _problem(error: MidstanceError) -> dict[str, str]:
    return {"what": error.what, "where": "", "allowed": error.allowed, "next_step": error.next_step}
