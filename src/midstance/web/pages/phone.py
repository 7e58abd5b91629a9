"""The coach's side of the phone door: open it for a session, show the code, see what comes in, close it."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Any

import segno
from fastapi import APIRouter, Request
from markupsafe import Markup
from starlette.responses import Response

from midstance.web.deps import Id, ReadDb, Who, WorkbenchDep, csrf, templates
from midstance.web.phone import OPEN_MIN, DoorState, PhoneDoor, paired
from midstance.web.phone_lan import near_addresses
from midstance.web.shell import Form, go, session_context, session_of, show, text

if TYPE_CHECKING:
    from midstance.web.app import Workbench

router = APIRouter()
_lock = threading.Lock()


def door_of(bench: Workbench) -> PhoneDoor:
    """Return the workbench's phone door; it is made when first asked for and closed with the workbench."""
    with _lock:
        if bench.phone_door is None:
            port = bench.config.phone_port or bench.config.port + 1
            bench.phone_door = PhoneDoor(bench.config, bench.database, bench.wake, port=port)
        door: PhoneDoor = bench.phone_door
        return door


@router.get("/sessions/{session_id}/phone")
def page(request: Request, db: ReadDb, bench: WorkbenchDep, session_id: Id, part: bool = False) -> Response:
    """Show the door: how to open it, or its code and what came in. ``part`` gives only what changes, for scripts."""
    session, runner = session_of(db, session_id)
    door = door_of(bench)
    state = door.state()
    elsewhere = state.session_id if state is not None and state.session_id != session_id else ""
    context: dict[str, Any] = {
        **session_context(session, runner),
        "door": None if elsewhere else state,
        "elsewhere": elsewhere,
        "addresses": () if state is not None else near_addresses(),
        "minutes": OPEN_MIN,
        "because": "" if state is not None else door.closed_because,
        **(_shown(state) if state is not None and not elsewhere else {}),
    }
    if part:
        return templates.TemplateResponse(request, "phone_part.html", context)
    return show(request, db, "phone.html", {**context, "token": csrf(request)})


def _shown(state: DoorState) -> dict[str, Any]:
    picture = ""
    if state.code:
        # Dark on light in both colour schemes: cameras need it.
        picture = Markup(
            segno.make(state.link, error="m", micro=False).svg_inline(
                scale=8, border=3, dark="#101513", light="#ffffff", svgclass="qr-picture", lineclass="qr-dots", omitsize=True
            )
        )
    return {"picture": picture, "groups": list(paired(state.code or "")), "left_min": max(1, round(state.seconds_left / 60))}


@router.post("/sessions/{session_id}/phone/open")
def open_door(db: ReadDb, bench: WorkbenchDep, session_id: Id, form: Form, who: Who) -> Response:
    """Open the door at the chosen address."""
    session_of(db, session_id)
    door_of(bench).open(session_id, by=who, address=text(form, "address"))
    return go(f"/sessions/{session_id}/phone")


@router.post("/sessions/{session_id}/phone/code")
def another_code(bench: WorkbenchDep, session_id: Id) -> Response:
    """Make a code for a further phone."""
    door = door_of(bench)
    if door.state(session_id) is not None:
        door.new_code()
    return go(f"/sessions/{session_id}/phone")


@router.post("/sessions/{session_id}/phone/close")
def close_door(bench: WorkbenchDep, session_id: Id) -> Response:
    """Close the door."""
    door = door_of(bench)
    if door.state(session_id) is not None:
        door.close()
    return go(f"/sessions/{session_id}/phone")
