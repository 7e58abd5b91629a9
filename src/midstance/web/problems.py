"""Errors as people and programs get them: a problem document (RFC 9457) from the API, else a page. Never a traceback."""

from __future__ import annotations

import html
import http
import logging
from typing import Any

import jinja2
from fastapi import FastAPI, Request
from fastapi.encoders import jsonable_encoder
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse, JSONResponse
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm.exc import StaleDataError
from starlette.exceptions import HTTPException
from starlette.responses import Response

from midstance.errors import ConflictError, MidstanceError, NotAllowedError, NotFoundError, RecordsError
from midstance.web.deps import templates

log = logging.getLogger("midstance.web")
PROBLEM = "application/problem+json"


class TooLargeError(MidstanceError):
    """More bytes were sent than are taken."""


class WrongTypeError(MidstanceError):
    """What was sent is of another kind than what is taken here."""


class TooManyError(MidstanceError):
    """Asked too often; ``wait_s`` says how long to wait."""

    def __init__(self, what: str, *, where: str = "", allowed: str = "", next_step: str = "", wait_s: float = 60) -> None:
        super().__init__(what, where=where, allowed=allowed, next_step=next_step)
        self.wait_s = wait_s


class SignInError(NotAllowedError):
    """Nobody is signed in."""


def status_of(error: MidstanceError) -> int:
    """Return the HTTP status of an error."""
    kinds: tuple[tuple[type[MidstanceError], int], ...] = (
        (NotFoundError, 404),
        (ConflictError, 409),
        (SignInError, 401),
        (NotAllowedError, 403),
        (TooLargeError, 413),
        (WrongTypeError, 415),
        (TooManyError, 429),
        (RecordsError, 503),
    )
    return next((status for kind, status in kinds if isinstance(error, kind)), 422)


def document(status: int, error: MidstanceError, **more: Any) -> dict[str, Any]:
    """Return the problem document of an error."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": _phrase(status),
        "status": status,
        "detail": error.message(),
        "what": error.what,
        "where": error.where,
        "allowed": error.allowed,
        "next_step": error.next_step,
    }
    if isinstance(error, ConflictError):
        body["current"] = jsonable_encoder(error.current)
    return body | more


def _phrase(status: int) -> str:
    try:
        return http.HTTPStatus(status).phrase
    except ValueError:
        return "Error"


def wants_problem(path: str) -> bool:
    """Tell whether an address belongs to the API."""
    return path == "/api" or path.startswith("/api/")


def answer(request: Request, status: int, error: MidstanceError, **more: Any) -> Response:
    """Return the answer for an error: a problem document or a page."""
    headers = {"Cache-Control": "no-store"}
    if isinstance(error, TooManyError):
        headers["Retry-After"] = str(max(1, round(error.wait_s)))
    if status == 401:
        headers["WWW-Authenticate"] = 'Bearer realm="midstance"'
    headers |= more.pop("headers", None) or {}
    if wants_problem(request.url.path):
        return JSONResponse(document(status, error, **more), status, headers, media_type=PROBLEM)
    context = {
        "status": status,
        "title": _phrase(status),
        "what": error.what,
        "where": error.where,
        "allowed": error.allowed,
        "next_step": error.next_step,
    }
    try:
        return templates.TemplateResponse(request, "error.html", context, status_code=status, headers=headers)
    except (jinja2.TemplateError, KeyError):  # nothing may go wrong while saying what went wrong
        log.exception("the error page can't be shown")
        told = [str(context[k]) for k in ("what", "where", "allowed", "next_step") if context[k]]
        lines = "".join(f"<p>{html.escape(text)}</p>" for text in told)
        title = html.escape(str(context["title"]))
        page = f'<!doctype html><html lang="en"><meta charset="utf-8"><title>{title}</title><h1>{title}</h1>{lines}</html>'
        return HTMLResponse(page, status, headers)


_HTTP_WORDS: dict[int, tuple[str, str]] = {
    400: ("what was sent can't be read", "send it again as /api/openapi.json describes"),
    404: ("there is nothing at this address", "check the address, or go back to the runners"),
    405: ("this address doesn't take that method", "see /api/openapi.json for what it takes"),
}


def no_such_page() -> NotFoundError:
    """Return the error for an address where nothing is."""
    what, next_step = _HTTP_WORDS[404]
    return NotFoundError(what, next_step=next_step)


async def _known(request: Request, error: Exception) -> Response:
    assert isinstance(error, MidstanceError)
    return answer(request, status_of(error), error)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    what, next_step = _HTTP_WORDS.get(error.status_code, (str(error.detail), ""))
    headers = dict(error.headers or {})
    return answer(request, error.status_code, MidstanceError(what, next_step=next_step), headers=headers)


async def _invalid(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    faults = [{"where": ".".join(str(p) for p in e["loc"]), "what": str(e["msg"])} for e in error.errors()]
    first = faults[0] if faults else {"where": "", "what": "not what is taken here"}
    # A path that can't be an id names nothing there is.
    if faults and all(f["where"].startswith("path.") for f in faults):
        nothing = NotFoundError("there is nothing with this id", where=first["where"][5:], next_step="check the id")
        return answer(request, 404, nothing)
    problem = MidstanceError(
        first["what"][:1].lower() + first["what"][1:],
        where=first["where"],
        allowed="what the API's description says",
        next_step="correct it and send it again",
    )
    return answer(request, 422, problem, errors=faults)


async def _meanwhile(request: Request, error: Exception) -> Response:
    problem = ConflictError(
        "somebody else changed it meanwhile; nothing was overwritten",
        allowed="a change to what is there now",
        next_step="load it again, and make the change again",
    )
    return answer(request, 409, problem)


def install(app: FastAPI) -> None:
    """Let the application answer errors this way."""
    app.add_exception_handler(MidstanceError, _known)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _invalid)
    app.add_exception_handler(StaleDataError, _meanwhile)
    app.add_exception_handler(IntegrityError, _meanwhile)
