"""A file written whole or not at all."""

from __future__ import annotations

from pathlib import Path

from midstance.errors import OutputError


def write_whole(path: Path, data: bytes, what: str) -> None:
    """Write a file beside its place and move it there; nothing is left behind when that fails.

    Raises
    ------
    OutputError
        The file can't be written; ``what`` names it, as in "the board".
    """
    part = path.with_name(f".{path.name}.part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        if part.parent.is_dir():
            part.unlink(missing_ok=True)
        raise OutputError(
            f"{what} can't be written ({error.strerror or error})",
            where=str(path),
            allowed="a folder that exists and may be written to",
            next_step="choose another place for it",
        ) from error
