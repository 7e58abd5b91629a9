"""The HTTP API; its description is at ``/api/openapi.json``."""

from fastapi import APIRouter

from midstance.web.api import about, assessments, films, jobs, pairings, runners, sessions, tools

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
for module in (about, runners, sessions, films, assessments, jobs, pairings, tools):
    api.include_router(module.router)
