"""Errors a user can act on.

Every error that leaves the package says *what* is wrong, *where*, what is *allowed*, and the *next step*. The command
line prints it as one message and exits with ``exit_code``; nothing here is ever shown as a traceback.
"""

from __future__ import annotations


class MidstanceError(Exception):
    """Base of all errors that are the input's or the machine's fault, not the program's.

    Parameters
    ----------
    what
        The fault, one short clause without a final stop.
    where
        The file, option or place it concerns.
    allowed
        What would have been accepted.
    next_step
        What the user can do now.
    """

    exit_code = 2

    def __init__(self, what: str, *, where: str = "", allowed: str = "", next_step: str = "") -> None:
        self.what, self.where, self.allowed, self.next_step = what, where, allowed, next_step
        super().__init__(self.message())

    def message(self) -> str:
        """Return the whole message, one sentence to a line."""
        head = f"{self.where}: {self.what}." if self.where else f"{self.what}."
        parts = [head]
        if self.allowed:
            parts.append(f"Allowed: {self.allowed}.")
        if self.next_step:
            parts.append(f"Next: {self.next_step}.")
        return "\n".join(parts)


class OptionError(MidstanceError):
    """An option or argument is outside what is allowed."""


class FilmError(MidstanceError):
    """A film cannot be read, or its times cannot be trusted."""


class ForceError(MidstanceError):
    """A force recording cannot be read, or what it holds cannot be trusted."""


class RunnerError(MidstanceError):
    """No runner, or not one runner throughout, was found in a film."""


class ViewError(MidstanceError):
    """A film does not show the view it was given as."""


class OutputError(MidstanceError):
    """The output folder cannot be written."""


class RuntimeMissingError(MidstanceError):
    """No landmark runtime, or its weights, could be loaded."""


class RecordsError(MidstanceError):
    """The records (database, media store, backups) can't be opened, read or written."""


class NotFoundError(MidstanceError):
    """What was asked for is not in the records."""


class ConflictError(MidstanceError):
    """Somebody else changed it meanwhile; nothing was overwritten.

    ``current`` is what the records hold now, as plain values.
    """

    def __init__(
        self, what: str, *, where: str = "", allowed: str = "", next_step: str = "", current: dict[str, object] | None = None
    ) -> None:
        super().__init__(what, where=where, allowed=allowed, next_step=next_step)
        self.current = current or {}


class NotAllowedError(MidstanceError):
    """Whoever asks may not do this: not signed in, wrong password, a code that is used up."""
