"""What ended a job, in the words of the workbench: the film by its given name, no folders, no options of a command line."""

from __future__ import annotations

import re
import signal
from collections.abc import Mapping

from midstance.errors import FilmError, MidstanceError
from midstance.records.home import Home

Problem = dict[str, str]

#: Options of the command line that messages name, and what they are called in the workbench.
_OPTIONS = {
    "--start and --end": "the start and end of the part to measure",
    "--start, --end": "start and end of the part to measure",
    "--start": "the start of the part to measure",
    "--end": "the end of the part to measure",
    "--capture-fps": "the capture rate of the film",
    "--runner-x": "where the runner is in the picture",
    "--known-length": "the marked length",
    "--corrections": "the corrections",
    "--height": "the body height",
    "--mass": "the body mass",
    "--speed": "the speed",
    "--pace": "the pace",
    "--marks": "the marks of the film",
    "--surface": "the surface",
    "--side-far": "the film of the other side",
    "--side": "the film from the side",
    "--rear": "the film from the rear",
    "--front": "the film from the front",
    "--data": "the data folder",
    "--out": "the place of the results",
}
_OPTION = re.compile("|".join(f"{re.escape(o)}(?![a-z-])" for o in sorted(_OPTIONS, key=len, reverse=True)))


def problem_of(error: MidstanceError, home: Home, names: Mapping[str, str]) -> Problem:
    """Return an error as it is kept with a job.

    Parameters
    ----------
    names : what people call each file, by its path.
    """
    texts = {"what": error.what, "where": error.where, "allowed": error.allowed, "next_step": error.next_step}
    return {key: _plain(text, home, names) for key, text in texts.items()}


def _plain(text: str, home: Home, names: Mapping[str, str]) -> str:
    for path, name in sorted(names.items(), key=lambda item: -len(item[0])):
        text = text.replace(path, name)
        digest = path.rsplit("/", 1)[-1].rsplit("\\", 1)[-1]
        if len(digest) == 64:
            text = text.replace(digest, name)
    for root in sorted({str(home.root), str(home.root.resolve())}, key=len, reverse=True):
        text = re.sub(re.escape(root) + r"[^\s,;:()]*", "the data folder", text)
    return _OPTION.sub(lambda found: _OPTIONS[found[0]], text)


def too_much_memory(name: str, memory_bytes: int) -> FilmError:
    """Return what to say of a film that needs more memory than a job may use."""
    return FilmError(
        f"the film needs more memory than work on one film may use ({memory_bytes / (1 << 30):.1f} GiB)",
        where=name,
        allowed="films up to 4K",
        next_step="film in 1080p, or save the film again in a smaller size",
    )


def died(name: str, attempts: int, code: int | None) -> Problem:
    """Return what to say when every process that worked on a film died; ``code`` is how the last one ended."""
    how = "ended without a word"
    if code is not None and code < 0:
        try:
            how = f"was ended by the system, {signal.Signals(-code).name}"
        except ValueError:
            how = f"was ended by the system, signal {-code}"
    elif code:
        how = f"ended with code {code}"
    return {
        "what": f"the work broke off {attempts} times: its process {how}",
        "where": name,
        "allowed": "a film that can be decoded in the memory this machine has",
        "next_step": "save the film again as H.264 in 1080p, or copy it from the camera again; if it happens with every "
        "film, look whether the installation works (Settings)",
    }


def too_long(name: str, limit_s: float, *, stalled: bool) -> Problem:
    """Return what to say of work that was stopped because it took too long, or didn't get any further."""
    spent = f"{limit_s / 60:.0f} minutes" if limit_s >= 90 else f"{limit_s:.0f} s"
    stopped = f"the work made no progress for {spent} and was stopped"
    return {
        "what": stopped if stalled else f"the work took longer than {spent}",
        "where": name,
        "allowed": "work that gets further, in a time that fits the film's length",
        "next_step": "try again when the machine has less to do; if it happens again, cut the film to the part with the run",
    }


def unexpected(name: str, error: BaseException) -> Problem:
    """Return what to say of a fault of the program itself."""
    return {
        "what": f"a fault of the program stopped the work ({type(error).__name__})",
        "where": name,
        "allowed": "",
        "next_step": "try again; if it happens again, the server's own messages say where in the program it was",
    }
