"""The folder that holds everything: database, films, what was made of them."""

from __future__ import annotations

import os
from pathlib import Path

import attrs
from sqlalchemy import URL

from midstance.errors import RecordsError

DATABASE = "midstance.sqlite"
_FOLDERS = ("media", "incoming", "proxies", "readings", "results", "backups")


@attrs.frozen
class Home:
    """The data folder. Names below it are made of ids and SHA-256 sums only, never of names people gave.

    ``media`` holds films by content and is never written to again; ``proxies`` (by content), ``readings`` (by film) and
    ``results`` (by assessment) can be made anew from it. ``incoming`` holds uploads not yet complete.
    """

    root: Path

    @property
    def database_url(self) -> str:
        """URL of the database that lies in the folder."""
        return URL.create("sqlite", database=str(self.root / DATABASE)).render_as_string()

    @property
    def media(self) -> Path:
        """The content-addressed store of films and pictures."""
        return self.root / "media"

    @property
    def incoming(self) -> Path:
        """Uploads not yet complete; may be emptied whenever nothing runs."""
        return self.root / "incoming"

    @property
    def backups(self) -> Path:
        """Where backups go unless another place is given."""
        return self.root / "backups"

    def proxy(self, sha256: str) -> Path:
        """Folder with the playable copy of a film (``proxy.mp4``), its times (``frames.json``) and ``poster.jpg``."""
        return self.root / "proxies" / _name(sha256)

    def reading(self, film_id: str) -> Path:
        """Folder with what the landmark network saw in a film (``reading-<view>.npz``)."""
        return self.root / "readings" / _name(film_id)

    def result(self, assessment_id: str) -> Path:
        """Folder with the outputs of an assessment."""
        return self.root / "results" / _name(assessment_id)

    def create(self) -> Home:
        """Make the folders that are missing.

        Raises
        ------
        RecordsError
            The folder can't be made or written.
        """
        try:
            for name in _FOLDERS:
                (self.root / name).mkdir(parents=True, exist_ok=True)
            if not os.access(self.root, os.W_OK | os.X_OK):
                raise PermissionError(13, "Permission denied")
        except OSError as error:
            raise RecordsError(
                f"the data folder can't be used ({error.strerror or error})",
                where=str(self.root),
                allowed="a folder you may write to",
                next_step="choose another folder with --data",
            ) from error
        return self


def _name(text: str) -> str:
    """Return a name that stays within its folder; ids and sums are letters and digits only."""
    if not (text.isascii() and text.isalnum() and len(text) <= 64):
        raise ValueError(f"not an id: {text!r}")
    return text
