"""Signing in and out; needed only where accounts exist or other machines can reach the server."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from midstance.errors import NotAllowedError
from midstance.web.deps import templates
from midstance.web.problems import TooManyError
from midstance.web.security import keep_login, safe_next, sign_in, sign_out
from midstance.web.shell import Form, go, text
from midstance.web.words import fault_text

router = APIRouter()


@router.get("/signin")
def ask(request: Request, next: str = "/") -> Response:
    """Ask for name and password."""
    return _page(request, next, "", "")


@router.post("/signin")
def take(request: Request, form: Form) -> Response:
    """Sign in and go where one wanted to."""
    name, there = text(form, "name"), text(form, "next")
    password = form.get("password", "")
    try:
        key = sign_in(request, name, password if isinstance(password, str) else "")
    except TooManyError as error:
        return _page(request, there, name, f"{fault_text(error)} Next: {error.next_step}.", 429)
    except NotAllowedError as error:
        return _page(request, there, name, fault_text(error), 403)
    response = go(safe_next(there))
    keep_login(request, response, key)
    return response


@router.post("/signout")
def leave(request: Request) -> Response:
    """Sign out."""
    response = go("/signin")
    sign_out(request, response)
    return response


def _page(request: Request, there: str, name: str, fault: str, status: int = 200) -> Response:
    context = {"next": safe_next(there), "name": name, "fault": fault, "account": None, "bare": True}
    return templates.TemplateResponse(request, "signin.html", context, status_code=status)
