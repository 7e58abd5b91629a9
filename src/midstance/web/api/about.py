"""What server this is."""

from fastapi import APIRouter

from midstance import __version__

router = APIRouter(tags=["about"])


@router.get("/about", summary="Software and limits")
def about() -> dict[str, str]:
    """Tell name and version of the software."""
    return {"software": f"midstance {__version__}"}
