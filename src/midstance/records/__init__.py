"""Runners, sessions, films, corrections, assessments: what is kept, and where."""
