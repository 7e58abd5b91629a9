"""The HTTP API; its description is at ``/api/openapi.json``."""

import importlib
import logging

from fastapi import APIRouter

TAGS = [
    {"name": "about", "description": "The server, who asks, settings, what the measures are."},
    {"name": "runners", "description": "People who are filmed."},
    {"name": "sessions", "description": "One time a runner was filmed: intake, films, measures as they stand."},
    {"name": "films", "description": "Playing films, exact pictures, landmarks as they stand."},
    {"name": "corrections", "description": "What is set right by hand: landmarks, events, legs, strides."},
    {"name": "assessments", "description": "Reports as they were made, and their files."},
    {"name": "jobs", "description": "Slow work: how far it is, live; stopping it, trying again."},
    {"name": "phones", "description": "Letting a phone on the same network hand in films."},
    {"name": "tools", "description": "Board, lens, checks, backups, the demo."},
]
api = APIRouter(prefix="/api")
for module in ("about", "runners", "sessions", "films", "assessments", "jobs", "pairings", "tools"):
    try:
        api.include_router(importlib.import_module(f"midstance.web.api.{module}").router)
    except ImportError as error:
        logging.getLogger("midstance.web").warning("the API of %s isn't there yet: %s", module, error)
