"""Letting a phone on the same network hand in films of one session."""

from __future__ import annotations

from fastapi import APIRouter
from fastapi.responses import Response

from midstance.records import pairings, sessions
from midstance.web.api import schemas as s
from midstance.web.deps import Id, ReadDb, Who, WriteDb

router = APIRouter(tags=["phones"])


@router.get("/sessions/{id}/pairings", summary="List paired phones", responses=s.problems(404))
def list_pairings(id: Id, db: ReadDb) -> s.Pairings:
    """List codes that are open and phones that are paired."""
    sessions.get_session(db, id)
    return s.Pairings(items=[s.PairingOut.model_validate(p) for p in pairings.pairings_of(db, id)])


@router.post("/sessions/{id}/pairings", status_code=201, summary="Make a code for a phone", responses=s.problems(404))
def open_pairing(id: Id, db: WriteDb, by: Who) -> s.PairingCode:
    """Make a code that lets one phone hand in films of this session; it is told only here, and good once and for a while.

    Where the phone opens it is on the session's page for phones, which starts the server for them.
    """
    row, code = pairings.open_pairing(db, id, by=by)
    return s.PairingCode(**s.PairingOut.model_validate(row).model_dump(), code=code)


@router.delete("/pairings/{id}", status_code=204, summary="Let a phone go", responses=s.problems(404))
def end_pairing(id: Id, db: WriteDb, by: Who) -> Response:
    """End a code or a paired phone."""
    pairings.end_pairing(db, id, by=by)
    return Response(status_code=204)
