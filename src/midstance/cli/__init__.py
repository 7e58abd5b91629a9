"""The command line: parses, calls the library, and turns known errors into one message and an exit code."""

from __future__ import annotations

import signal
import sys
from typing import Annotated, Any

import typer

from midstance import __version__
from midstance.cli import films, force, tools, workbench
from midstance.cli.common import INTERRUPTED, err

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Films of a runner turned into measurements with error bars, explained. Nothing leaves this machine.",
)
for command in (
    films.assess,
    films.demo,
    force.force,
    workbench.serve,
    workbench.account,
    workbench.backup,
    workbench.restore,
    workbench.export,
    workbench.erase,
    tools.validate,
    tools.board,
    tools.lens,
    tools.doctor,
):
    app.command()(command)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"midstance {__version__}")
        raise typer.Exit


@app.callback()
def root(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Films of a runner turned into measurements with error bars, explained. Nothing leaves this machine."""


def _stop(signum: int, frame: Any) -> None:
    raise KeyboardInterrupt


def main() -> None:
    """Entry point of the ``midstance`` command."""
    for name in ("SIGTERM", "SIGHUP"):  # ended from outside, or the window closed: clear up like Ctrl-C
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) != signal.SIG_IGN:  # nohup wants it ignored
            signal.signal(number, _stop)
    for stream in (sys.stdout, sys.stderr):
        # A console that can't show a degree sign must not end the work.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    try:
        app()
    except KeyboardInterrupt:  # between the lines of the parser
        err.print("midstance: stopped; nothing was written.", markup=False)
        sys.exit(INTERRUPTED)
