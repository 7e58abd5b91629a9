"""What server this is, who asks, its settings, and what the measures are."""

from __future__ import annotations

import attrs
from fastapi import APIRouter, Request
from fastapi.responses import Response

from midstance import __version__
from midstance.gait.registry import REGISTRY
from midstance.records import settings
from midstance.web.api import schemas as s
from midstance.web.deps import NOBODY, ReadDb, Who, WorkbenchDep, WriteDb
from midstance.web.security import sign_in, sign_out

router = APIRouter(tags=["about"])


@router.get("/about", summary="Software and limits", responses=s.problems())
def about(bench: WorkbenchDep) -> s.About:
    """Tell name and version of the software, and what it takes."""
    return s.About(
        software=f"midstance {__version__}",
        most_film_bytes=bench.config.most_film_bytes,
        accounts=bench.needs_login(),
    )


@router.get("/who", summary="Who is asking", responses=s.problems())
def who(request: Request, by: Who) -> s.WhoOut:
    """Tell under which name changes are noted."""
    return s.WhoOut(name=by, account=request.state.account is not None)


@router.post("/signin", summary="Sign in", responses=s.problems(422, 429))
def post_signin(given: s.SignIn, request: Request) -> s.SignedIn:
    """Check name and password; the key is to be sent as ``Authorization: Bearer KEY`` from then on."""
    return s.SignedIn(key=sign_in(request, given.name, given.password))


@router.post("/signout", status_code=204, summary="Sign out", responses=s.problems())
def post_signout(request: Request) -> Response:
    """End the login; its key is worth nothing afterwards."""
    response = Response(status_code=204)
    sign_out(request, response)
    return response


@router.get("/settings", summary="Show the settings", responses=s.problems())
def get_settings(db: ReadDb) -> s.SettingsOut:
    """Give the settings."""
    return s.SettingsOut(coach=str(settings.get_setting(db, "coach", NOBODY)))


@router.put("/settings", summary="Change the settings", responses=s.problems(422))
def put_settings(change: s.SettingsChange, db: WriteDb, by: Who) -> s.SettingsOut:
    """Change the settings."""
    settings.set_setting(db, "coach", change.coach.strip() or None, by=by)
    return s.SettingsOut(coach=str(settings.get_setting(db, "coach", NOBODY)))


@router.get("/measures", summary="What the measures are", responses=s.problems())
def measures() -> s.Measures:
    """List all measures with units, views, words and signs."""
    return s.Measures(items=[s.MeasureInfo(**attrs.asdict(info)) for info in REGISTRY.values()])
