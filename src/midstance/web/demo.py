"""The demo in the records: an invented runner, one session, three films that come with the package."""

from __future__ import annotations

import datetime as dt
import importlib.resources
import json
from typing import TYPE_CHECKING

from sqlalchemy import select

from midstance.assess import demo as films_of_demo
from midstance.records.tables import RunnerRow, SessionRow

if TYPE_CHECKING:
    from midstance.web.app import Workbench


def add_demo(bench: Workbench, *, by: str) -> tuple[str, str]:
    """Add the invented runner with a session and its films and have them read; return the ids of runner and session.

    When the invented runner is there already with a session, these are returned and nothing is added.
    """
    from midstance.records import films, runners, sessions
    from midstance.records.media import MediaStore
    from midstance.workers.queue import queue_film

    with importlib.resources.as_file(importlib.resources.files(films_of_demo)) as folder:
        about = json.loads((folder / "demo.json").read_text(encoding="utf-8"))
        store = MediaStore(bench.config.home)
        stored = {view: store.adopt(folder / name) for view, name in about["films"].items()}
    with bench.database.writing() as db:
        known = db.execute(
            select(RunnerRow.id, SessionRow.id)
            .join(SessionRow, SessionRow.runner_id == RunnerRow.id)
            .where(RunnerRow.invented, RunnerRow.name == about["runner"])
            .order_by(SessionRow.created_at)
            .limit(1)
        ).first()
        if known is not None:
            return known[0], known[1]
        fields = {
            "name": about["runner"],
            "height_m": about["height_m"],
            "mass_kg": about["mass_kg"],
            "invented": True,
            "notes": about["note"],
        }
        runner = runners.add_runner(db, fields, by=by)
        session = sessions.add_session(
            db,
            runner.id,
            {
                "held_on": dt.date.today(),
                "surface": about["surface"],
                "speed_mps": about["speed_m_s"],
                "notes": about["note"],
            },
            by=by,
        )
        for view, file in stored.items():
            name = about["films"][view]
            film = films.add_film(
                db, session.id, sha256=file.sha256, bytes=file.bytes, view=view, name=name, by=by, store=store
            )
            queue_film(db, film, by=by)
        ids = runner.id, session.id
    bench.wake()
    return ids
