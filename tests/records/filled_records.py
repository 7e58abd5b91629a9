"""Open records with short ways to fill them."""

from __future__ import annotations

import io
from typing import Any

import attrs

from midstance.records import assessments, films, runners, sessions
from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.records.tables import AssessmentRow, FilmRow, RunnerRow, SessionRow

MEASURE = {"side": "both", "view": "side", "unit": "steps/min", "low": 170.0, "high": 174.0, "n": 30, "reason": None}


@attrs.define
class Records:
    """Records of one kind of database."""

    home: Home
    database: Database
    url: str
    kind: str

    @property
    def store(self) -> MediaStore:
        return MediaStore(self.home)

    def runner(self, name: str = "Anna May", **fields: Any) -> RunnerRow:
        with self.database.writing() as db:
            return runners.add_runner(db, {"name": name, **fields}, by="Coach")

    def session(self, runner: RunnerRow, **fields: Any) -> SessionRow:
        with self.database.writing() as db:
            return sessions.add_session(db, runner.id, {"speed_mps": 3.3, **fields}, by="Coach")

    def film(self, session: SessionRow, content: bytes = b"film", view: str = "side", name: str = "IMG_1.MOV") -> FilmRow:
        return films.bring_film(
            self.database, self.store, session.id, io.BytesIO(content), view=view, name=name, by="Coach"
        )

    def again(self) -> Database:
        """Another connection to the same database."""
        return Database(self.url)

    def assessment(self, session: SessionRow, cadence: float | None = 172.0) -> AssessmentRow:
        """A report that is done."""
        with self.database.writing() as db:
            row = assessments.start_assessment(db, session.id, by="Coach")
            measures = [{**MEASURE, "measure": "cadence", "value": cadence}]
            return assessments.finish_assessment(
                db, row.id, settings={"speed_mps": 3.3}, software="midstance 0", findings=[], measures=measures
            )
