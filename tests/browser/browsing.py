"""What the browser tests share: a server with what they put into its records, and ways to wait for a page."""

from __future__ import annotations

import datetime as dt
import shutil
import time
from pathlib import Path

import attrs
from playwright.sync_api import Page

from midstance.assess.from_records import role_of, settings_for_film
from midstance.assess.pipeline import reading_of
from midstance.film.proxy import make_proxy
from midstance.records import films, runners, sessions
from midstance.records.home import Home
from midstance.records.media import MediaStore
from midstance.web.app import Workbench

#: How long anything on a page may take, s; only a fault takes that long.
PATIENCE_S = 20.0


@attrs.define
class Bench:
    """A server that runs, with what tests put into its records."""

    url: str
    home: Home
    workbench: Workbench
    by: str = "Test coach"

    def session(self, name: str, *, held_on: dt.date = dt.date(2026, 3, 5), speed_mps: float = 2.6) -> str:
        """Add a runner of this name with one session; returns the session's id."""
        with self.workbench.database.writing() as db:
            runner = runners.add_runner(db, {"name": name, "height_m": 1.68, "mass_kg": 60.0}, by=self.by)
            fields = {"held_on": held_on, "surface": "treadmill", "speed_mps": speed_mps}
            return sessions.add_session(db, runner.id, fields, by=self.by).id

    def film(
        self, session_id: str, path: Path, view: str = "side", *, prepared: bool = True, read: bool = False
    ) -> str:
        """Add a film, prepared and perhaps read, as the workers would; returns its id. A film is read once in a test run."""
        stored = MediaStore(self.home).adopt(path)
        with self.workbench.database.writing() as db:
            film_id = films.add_film(
                db, session_id, sha256=stored.sha256, bytes=stored.bytes, view=view, name=path.name, by=self.by
            ).id
        if prepared:
            self.prepare(film_id, path)
        if read:
            folder = self.home.reading(film_id)
            folder.mkdir(parents=True)
            with self.workbench.database.reading() as db:
                settings, role = settings_for_film(db, self.home, film_id), role_of(db, film_id)
            before = self.home.root / "read-before" / stored.sha256
            before.mkdir(parents=True, exist_ok=True)
            reading_of(role, settings, lambda stage, share: None, kept_in=[before], keep_in=folder)
            shutil.copytree(folder, before, dirs_exist_ok=True)
        return film_id

    def prepare(self, film_id: str, path: Path) -> None:
        """Make the playable copy of a film."""
        with self.workbench.database.reading() as db:
            sha256 = films.get_film(db, film_id).sha256
        about = make_proxy(path, self.home.proxy(sha256))
        with self.workbench.database.writing() as db:
            names = ("width", "height", "frames", "capture_fps", "duration_s", "codec")
            films.set_info(db, film_id, {name: about[name] for name in names})


def until(page: Page, condition: str, patience_s: float = PATIENCE_S) -> None:
    """Wait until a JavaScript expression is true (the pages' own policy forbids the way that Playwright has for it)."""
    end = time.monotonic() + patience_s
    while not page.evaluate(condition):
        if time.monotonic() > end:
            said = page.evaluate("document.querySelector('[data-part=\"say\"]')?.textContent ?? ''")
            raise AssertionError(f"not within {patience_s:g} s: {condition} (the page says {said!r})")
        time.sleep(0.01)


def open_film(page: Page, bench: Bench, film_id: str, at_s: float | None = None) -> None:
    """Open a film's page and wait until its first picture is shown."""
    page.goto(f"{bench.url}/films/{film_id}" + ("" if at_s is None else f"?at={at_s}"))
    page.wait_for_selector("[data-viewer][data-ready]")
