"""The application: what it holds while it runs, and where its pages, API and files are."""

from __future__ import annotations

import contextlib
import functools
import importlib.resources
import threading
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import anyio
from fastapi import FastAPI
from fastapi.responses import FileResponse
from sqlalchemy import event
from sqlalchemy.orm import Session
from starlette.concurrency import run_in_threadpool

from midstance import __version__
from midstance.errors import MidstanceError
from midstance.records.accounts import has_accounts, who_is
from midstance.records.database import Database
from midstance.records.erasing import finish_pending, tidy
from midstance.records.schema import open_records
from midstance.web import measured, problems
from midstance.web.api import TAGS, api
from midstance.web.api.description import describe
from midstance.web.config import Config
from midstance.web.deps import STATIC, static_hash
from midstance.web.events import News
from midstance.web.gate import Gate
from midstance.web.pages import (
    compare,
    film,
    findings,
    guide,
    keys,
    measures,
    phone,
    reports,
    runners,
    sessions,
    settings,
    signin,
    start,
    work,
)
from midstance.web.security import Cookies, Failures, names_of, server_secret
from midstance.workers.queue import queue_missing
from midstance.workers.supervisor import Supervisor

#: What the pages are made of.
PAGES = (
    start, runners, sessions, film, measures, findings, reports, compare, guide, phone, work, settings, keys, signin,
)  # fmt: skip
#: Kinds of static files; what isn't listed isn't served.
MEDIA_TYPES = {
    ".css": "text/css; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".jpg": "image/jpeg",
    ".ico": "image/x-icon",
    ".ttf": "font/ttf",
    ".woff2": "font/woff2",
    ".json": "application/json",
    ".webmanifest": "application/manifest+json",
}
FOR_EVER = "public, max-age=31536000, immutable"
TYPEFACES = {f"SourceSansPro-{cut}.ttf" for cut in ("Regular", "It", "Semibold", "SemiboldIt", "Bold", "BoldIt")}
#: For how long it is believed that nobody has an account, s.
ACCOUNTS_S = 2.0


class Workbench:
    """What the server holds while it runs. Safe to use from several threads."""

    def __init__(self, config: Config, database: Database) -> None:
        self.config = config
        self.database = database
        self.secret = server_secret(config.home)
        self.cookies = Cookies(config.port, config.tls)
        self.names = names_of(config)
        self.failures = Failures()
        self.news = News(database)
        self.supervisor: Supervisor | None = None
        self.phone_door: Any = None
        self.uploads: anyio.CapacityLimiter | None = None
        self._asked_at, self._accounts = -ACCOUNTS_S, False

    @functools.cached_property
    def live(self) -> Any:
        """Films whose measures are made anew at once after a correction; loaded when first used."""
        from midstance.assess.live import LiveFilms

        return LiveFilms(self.config.home)

    def needs_login(self) -> bool:
        """Tell whether people must sign in: always where other machines reach the server, else once there are accounts."""
        if not self.config.local_only:
            return True
        if time.monotonic() - self._asked_at > ACCOUNTS_S:
            with self.database.reading() as db:
                self._accounts = has_accounts(db)
            self._asked_at = time.monotonic()
        return self._accounts

    def accounts_changed(self) -> None:
        """Ask anew whether there are accounts."""
        self._asked_at = -ACCOUNTS_S

    def account_of(self, key: str) -> str | None:
        """Return the name of the account whose login ``key`` is."""
        with self.database.reading() as db:
            account = who_is(db, key)
            return str(account.name) if account is not None else None

    def forget(self) -> None:
        """Hold nothing of any runner in memory any more, as after an erasure."""
        self.live.forget()
        measured.forget()

    def wake(self) -> None:
        """Tell the workers that there may be something to do."""
        if self.supervisor is not None:
            self.supervisor.wake()

    def wake_after(self, db: Session) -> None:
        """Tell the workers once what was written in this session is kept."""
        event.listen(db, "after_commit", lambda _: self.wake(), once=True)

    def start(self) -> None:
        """Start the workers.

        Raises
        ------
        RecordsError
            Another server works on this data folder.
        """
        if self.config.workers:
            self.supervisor = Supervisor(self.config.home, self.database.url, workers=self.config.workers)
            self.supervisor.start()
            threading.Thread(target=self._settle_in, name="settle in", daemon=True).start()

    def _settle_in(self) -> None:
        """Do what the first page needn't wait for."""
        _ = self.live  # takes a second to load: have it ready before somebody drags a point
        try:
            finish_pending(self.config.home, self.database)
            tidy(self.config.home, self.database)
            with self.database.writing() as db:
                missing = queue_missing(db, self.config.home)
        except MidstanceError:
            problems.log.exception("what an earlier server left undone couldn't be finished")
        else:
            if missing:
                self.wake()

    def stop(self) -> None:
        """Stop the workers and the server for phones, and close the database."""
        if self.phone_door is not None:
            self.phone_door.close()
        if self.supervisor is not None:
            self.supervisor.stop()
        self.database.close()


def open_workbench(config: Config) -> Workbench:
    """Open the records and return the workbench, not yet started."""
    return Workbench(config, open_records(config.home, config.database_url))


def create_app(config: Config) -> FastAPI:
    """Return the application for one data folder. Nothing is opened before it starts."""

    @contextlib.asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        bench = await run_in_threadpool(open_workbench, config)
        app.state.workbench = bench
        try:
            await run_in_threadpool(bench.start)
            async with bench.news:
                yield
        finally:
            await run_in_threadpool(bench.stop)

    app = FastAPI(
        title="Midstance",
        version=__version__,
        summary="Films of a runner turned into measurements with error bars, explained.",
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
    )
    problems.install(app)
    app.add_middleware(Gate)
    _serve_static(app, config)
    app.include_router(api)

    @app.get("/api/openapi.json", include_in_schema=False)
    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            app.openapi_schema = describe(app, TAGS)
        return app.openapi_schema

    for module in PAGES:
        app.include_router(module.router, include_in_schema=False)
    return app


def _serve_static(app: FastAPI, config: Config) -> None:
    typefaces = Path(str(importlib.resources.files("font_source_sans_pro"))) / "files"

    @app.get("/static/type/{name}", include_in_schema=False)
    def typeface(name: str) -> FileResponse:
        if name not in TYPEFACES:
            raise problems.no_such_page()
        return FileResponse(typefaces / name, media_type="font/ttf", headers={"Cache-Control": FOR_EVER})

    @app.get("/static/{digest}/{path:path}", include_in_schema=False)
    def static(digest: str, path: str) -> FileResponse:
        file = STATIC / path
        kind = MEDIA_TYPES.get(file.suffix)
        plain = "\0" not in path and "\\" not in path and all(p not in ("", ".", "..") for p in path.split("/"))
        if not plain or kind is None or not file.is_file() or not file.resolve().is_relative_to(STATIC.resolve()):
            raise problems.no_such_page()
        keep = FOR_EVER if digest == static_hash() and not config.fresh else "no-cache"
        return FileResponse(file, media_type=kind, headers={"Cache-Control": keep})

    @app.get("/favicon.ico", include_in_schema=False)
    def icon() -> FileResponse:
        file = STATIC / "style" / "icon.svg"
        if not file.is_file():
            raise problems.no_such_page()
        return FileResponse(file, media_type=MEDIA_TYPES[".svg"], headers={"Cache-Control": "max-age=86400"})
