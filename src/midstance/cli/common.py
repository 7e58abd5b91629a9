"""What all commands share: messages, progress, and errors turned into one message and an exit code."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

import typer
from rich.console import Console

from midstance.errors import MidstanceError

if TYPE_CHECKING:
    from midstance.assess.pipeline import FilmProgress

err = Console(stderr=True, highlight=False)
INTERRUPTED = 130


@contextmanager
def bars_of_progress(quiet: bool) -> Iterator[FilmProgress]:
    """A bar with the stage and the time left, on the error stream."""
    if quiet:
        yield lambda view, stage, share: None
        return
    from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeElapsedColumn, TimeRemainingColumn

    bars = Progress(
        TextColumn("{task.description}", table_column=None),
        BarColumn(bar_width=28),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
        console=err,
        refresh_per_second=5,
    )
    tasks: dict[tuple[str | None, str], TaskID] = {}

    def tell(view: str | None, stage: str, share: float) -> None:
        bars.start()  # not before there is something to show: a fault found at once needs no bar
        key = (view, stage)
        if key not in tasks:
            for done in tasks.values():
                bars.update(done, completed=1.0)
            tasks[key] = bars.add_task(f"{view + ': ' if view else ''}{stage}".ljust(34), total=1.0)
        bars.update(tasks[key], completed=min(max(share, 0.0), 1.0))

    try:
        yield tell
        for task in tasks.values():
            bars.update(task, completed=1.0)
    finally:
        if tasks:
            bars.stop()


@contextmanager
def faults() -> Iterator[None]:
    """Turn known errors into one message and an exit code; leave the unknown ones to be seen."""
    try:
        yield
    except MidstanceError as error:
        err.print(f"midstance: {error.message()}", markup=False, soft_wrap=True)
        raise typer.Exit(error.exit_code) from None
    except KeyboardInterrupt:
        err.print("midstance: stopped; nothing was written.", markup=False)
        raise typer.Exit(INTERRUPTED) from None
