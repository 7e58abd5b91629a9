"""What page and API functions ask for: the data folder, a database session, who is asking, templates and static files.

Database sessions end, and what was written is kept, when the function returns and before a byte of the answer leaves. So
nobody reads "saved" of something that then isn't, and a film that is sent for minutes holds no connection.
"""

from __future__ import annotations

import functools
import hashlib
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, cast

import jinja2
from fastapi import Depends, Request
from fastapi import Path as InPath
from fastapi.templating import Jinja2Templates
from sqlalchemy.orm import Session

from midstance.records.database import Database
from midstance.records.home import Home
from midstance.records.tables import SettingRow

if TYPE_CHECKING:
    from midstance.web.app import Workbench

HERE = Path(__file__).parent
STATIC = HERE / "static"
TEMPLATES = HERE / "templates"
#: Who it was when nobody signs in and no name is set.
NOBODY = "Coach"

#: An id in a path: 16 hexadecimal digits.
Id = Annotated[str, InPath(pattern="^[0-9a-f]{16}$", min_length=16, max_length=16, examples=["00112233445566aa"])]


def workbench(request: Request) -> Workbench:
    """Return what the server holds while it runs (``app.state.workbench``)."""
    return cast("Workbench", request.app.state.workbench)


def home(request: Request) -> Home:
    """Return the data folder."""
    return workbench(request).config.home


def database(request: Request) -> Database:
    """Return the database."""
    return workbench(request).database


def reading(request: Request) -> Iterator[Session]:
    """Give a session that only reads."""
    with database(request).reading() as db:
        yield db


def writing(request: Request) -> Iterator[Session]:
    """Give a session whose changes are kept when the function returns, or not at all when it raises."""
    with database(request).writing() as db:
        yield db


def who(request: Request) -> str:
    """Return who asks: the account's name, or the coach's name from the settings where nobody signs in."""
    account = getattr(request.state, "account", None)
    if account is not None:
        return _shown(str(account))
    with database(request).reading() as db:
        row = db.get(SettingRow, "coach")
        name = row.value if row is not None else None
    return _shown(name) if isinstance(name, str) and _shown(name) else NOBODY


def _shown(name: str) -> str:
    """Return a name as every table and file takes it: on one line, nothing that can't be printed."""
    return "".join(c if c.isprintable() else " " for c in name).strip()[:80]


WorkbenchDep = Annotated["Workbench", Depends(workbench)]
HomeDep = Annotated[Home, Depends(home)]
DatabaseDep = Annotated[Database, Depends(database)]
# Scope "function": the session ends before the answer leaves (the default ends it after).
ReadDb = Annotated[Session, Depends(reading, scope="function")]
WriteDb = Annotated[Session, Depends(writing, scope="function")]
Who = Annotated[str, Depends(who)]


@functools.cache
def static_hash() -> str:
    """Return a short hash over all static files; it is part of their addresses, so that browsers may keep them for ever."""
    digest = hashlib.sha256()
    for path in sorted(STATIC.rglob("*")):
        if path.is_file():
            digest.update(path.relative_to(STATIC).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()[:12]


def asset(path: str) -> str:
    """Return the address of a static file such as ``viewer/viewer.js``."""
    return f"/static/{static_hash()}/{path}"


def csrf(request: Request) -> str:
    """Return the token that forms send back as ``csrf`` and scripts as ``X-CSRF-Token``."""
    return str(request.scope["midstance.guard"].token())


def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    environment.globals.update(asset=asset, csrf=csrf)
    return environment


def _always(request: Request) -> dict[str, Any]:
    """What every template may use: ``account`` (None where nobody signs in)."""
    return {"account": getattr(request.state, "account", None)}


#: ``templates.TemplateResponse(request, "runner.html", {...})``.
templates = Jinja2Templates(env=_environment(), context_processors=[_always])
