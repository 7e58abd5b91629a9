"""The list of keys, and what the words mean."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from midstance.web.deps import ReadDb
from midstance.web.shell import show

router = APIRouter()


@router.get("/keys")
def keys(request: Request, db: ReadDb) -> Response:
    """Show all keys."""
    return show(request, db, "keys.html")
