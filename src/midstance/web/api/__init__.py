"""The HTTP API."""

from fastapi import APIRouter

from midstance.web.api import about

api = APIRouter(prefix="/api")
api.include_router(about.router)
