"""The first page: what to do in an empty folder, else the runners."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from midstance.records import runners
from midstance.web.demo import add_demo
from midstance.web.deps import ReadDb, Who, WorkbenchDep
from midstance.web.shell import go, show

router = APIRouter()


@router.get("/")
def first(request: Request, db: ReadDb) -> Response:
    """Show the way in when there is nothing yet, else go to the runners."""
    if runners.list_runners(db, most=1).items:
        return go("/runners")
    return show(request, db, "start.html")


@router.post("/demo")
def demo(bench: WorkbenchDep, who: Who) -> Response:
    """Add the invented runner and show its session."""
    _, session_id = add_demo(bench, by=who)
    return go(f"/sessions/{session_id}", "demo-added")
