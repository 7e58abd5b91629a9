"""The command line: parses, calls the library, and turns known errors into one message and an exit code."""

from __future__ import annotations

import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console

from midstance import __version__
from midstance.errors import MidstanceError, OptionError

if TYPE_CHECKING:
    from midstance.assess.pipeline import FilmProgress
    from midstance.assess.result import Assessment

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Films of a runner turned into measurements with error bars, explained. Nothing leaves this machine.",
)
err = Console(stderr=True, highlight=False)
INTERRUPTED = 130


class SurfaceOption(str, Enum):  # noqa: UP042 (typer shows the values)
    """What the runner runs on."""

    treadmill = "treadmill"
    overground = "overground"


class BodyOption(str, Enum):  # noqa: UP042
    """Which table of body-segment masses is used for the centre of mass."""

    male = "male"
    female = "female"
    mean = "mean"


class OverlayOption(str, Enum):  # noqa: UP042
    """How much of the film the overlay shows."""

    part = "part"
    whole = "whole"
    none = "none"


class RuntimeOption(str, Enum):  # noqa: UP042
    """What the landmark network runs on."""

    openvino = "openvino"
    litert = "litert"



@app.command()
def assess(
    side: Annotated[Path | None, typer.Option(help="Film from the side.", show_default=False)] = None,
    side_far: Annotated[
        Path | None, typer.Option(help="Film of the runner's other side.", show_default=False)
    ] = None,
    rear: Annotated[Path | None, typer.Option(help="Film from behind.", show_default=False)] = None,
    front: Annotated[Path | None, typer.Option(help="Film from the front.", show_default=False)] = None,
    speed: Annotated[str | None, typer.Option(help="12km/h, 3.33m/s or 7.5mph.", show_default=False)] = None,
    pace: Annotated[str | None, typer.Option(help="5:00/km or 8:02/mi.", show_default=False)] = None,
    surface: Annotated[SurfaceOption, typer.Option(help="What the runner runs on.")] = SurfaceOption.treadmill,
    height: Annotated[str | None, typer.Option(help="Body height, 1.78m or 178cm.", show_default=False)] = None,
    mass: Annotated[str | None, typer.Option(help="Body mass, 70kg; for stiffness.", show_default=False)] = None,
    body: Annotated[BodyOption, typer.Option(help="Segment masses for the centre of mass.")] = BodyOption.mean,
    runner: Annotated[str, typer.Option(help="What the report calls the runner.")] = "Runner",
    capture_fps: Annotated[
        float | None, typer.Option(help="Frames a second the camera captured; for slow motion.", show_default=False)
    ] = None,
    start: Annotated[
        float | None, typer.Option(help="Measure from here, s as a player shows.", show_default=False)
    ] = None,
    end: Annotated[float | None, typer.Option(help="Measure up to here, s.", show_default=False)] = None,
    known_length: Annotated[
        list[str] | None,
        typer.Option(help="A length in a picture: side:x1,y1,x2,y2=1.60m.", show_default=False),
    ] = None,
    runner_x: Annotated[
        float | None,
        typer.Option(help="Where the runner is across the picture, 0–1, if several run.", show_default=False),
    ] = None,
    landmark_rate: Annotated[
        float, typer.Option(help="Most frames a second that landmarks are read from; 1000 for every frame.")
    ] = 120.0,
    marks: Annotated[
        Path | None, typer.Option(help="File of what is marked in the pictures: ground, lens, stickers.", show_default=False)
    ] = None,
    readout: Annotated[
        str | None, typer.Option(help="Time the camera takes to read out a picture, 16ms.", show_default=False)
    ] = None,
    corrections: Annotated[
        Path | None, typer.Option(help="File of what you set right by hand, JSON or CSV.", show_default=False)
    ] = None,
    readings: Annotated[
        Path | None, typer.Option(help="Earlier results whose readings of the same films serve again.", show_default=False)
    ] = None,
    overlay: Annotated[OverlayOption, typer.Option(help="How much the overlay films show.")] = OverlayOption.part,
    runtime: Annotated[
        RuntimeOption | None, typer.Option(help="Force a landmark runtime.", show_default=False)
    ] = None,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("assessment"),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace earlier results in the folder.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Measure a runner from one to four films and write the report.

    Example: midstance assess --side side.mp4 --rear rear.mp4 --pace 5:00/km --height 1.78m --out anna-may
    """
    with _faults():
        from midstance.assess.settings import (
            Settings,
            parse_height,
            parse_known_length,
            parse_mass,
            parse_pace,
            parse_speed,
        )
        from midstance.camera.marks import read_marks
        from midstance.camera.shutter import parse_readout
        from midstance.gait.model import Runner
        from midstance.pose.corrections import load_corrections

        if (speed is None) == (pace is None):
            raise OptionError(
                "the running speed is needed once" if speed is None else "speed and pace are both given",
                where="--speed, --pace",
                allowed="one of the two: --speed 12km/h or --pace 5:00/km",
                next_step="read it off the treadmill, or time a known distance",
            )
        films = {"side": side, "side_far": side_far, "rear": rear, "front": front}
        settings = Settings(
            films={v: p for v, p in films.items() if p is not None},  # type: ignore[misc]
            speed_mps=parse_speed(speed) if speed is not None else parse_pace(str(pace)),
            surface=surface.value,
            runner=Runner(
                height_m=parse_height(height) if height is not None else None,
                mass_kg=parse_mass(mass) if mass is not None else None,
                body_table=body.value,
            ),
            runner_label=runner,
            capture_fps=capture_fps,
            start_s=start,
            end_s=end,
            known_lengths=tuple(parse_known_length(k) for k in known_length or ()),
            runner_x=runner_x,
            landmark_rate_hz=landmark_rate,
            runtime=runtime.value if runtime else None,
            overlay=overlay.value,
            marks=read_marks(marks) if marks is not None else None,
            readout_s=parse_readout(readout) if readout is not None else None,
            corrections=load_corrections(corrections) if corrections is not None else (),
        )
        _do(settings, out, overwrite=overwrite, quiet=quiet, kept_in=(readings,) if readings else ())


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("midstance-demo"),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace earlier results in the folder.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Do the main job on the films of an invented runner that come with the package."""
    with _faults():
        from midstance.assess.demo import demo_settings

        with demo_settings() as settings:
            if not quiet:
                err.print("The demo runner is invented: a rendered figure, not a person.\n")
            _do(settings, out, overwrite=overwrite or _is_demo(out), quiet=quiet)


def _is_demo(out: Path) -> bool:
    """Tell whether a folder holds an earlier demo, which may be replaced without asking."""
    mark = out / "assessment.json"
    try:
        return mark.is_file() and '"invented": true' in mark.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False


def _do(settings: Any, out: Path, *, overwrite: bool, quiet: bool, kept_in: tuple[Path, ...] = ()) -> None:
    from midstance import job
    from midstance.assess.settings import option

    # A film can be hours away from its results: look at the place and the films' names before the work.
    for view, path in settings.films.items():
        try:
            missing = None if path.exists() else "there is no such file"
        except OSError as error:
            missing = f"there can't be such a file ({error.strerror})"
        if missing:
            where = f"{option(view)} {path}"
            raise OptionError(missing, where=where, allowed="a film", next_step="check the name")
    job.check_place(out, overwrite=overwrite)
    with _progress(quiet) as progress:
        assessment, files = job.run(settings, out, overwrite=overwrite, progress=progress, kept_in=kept_in)
    if not quiet:
        _tell(assessment, files)


@contextmanager
def _progress(quiet: bool) -> Iterator[FilmProgress]:
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


def _tell(a: Assessment, files: list[Path]) -> None:
    console = Console(highlight=False)
    for film in a.films:
        used = sum(s.excluded is None for s in a.stances if s.ic.view == film.view)
        left_out = sum(s.excluded is not None for s in a.stances if s.ic.view == film.view)
        console.print(
            f"{film.view}: {film.duration_s:.1f} s at {film.capture_fps:.0f} fps ({film.capture_source}), "
            f"{used} stances used, {left_out} left out"
        )
    for finding in a.findings:
        console.print(f"• {finding.title} [{finding.evidence} evidence]", markup=False)
    console.print("\nFiles:")
    for file in files:
        console.print(f"  {file}", soft_wrap=True, markup=False)
    console.print(f"\nOpen {files[0]} in a browser.", soft_wrap=True, markup=False)


@app.command()
def validate(
    data: Annotated[
        Path | None, typer.Option(help="Folder of recordings with force: runner….npz.", show_default=False)
    ] = None,
    clips: Annotated[
        Path | None, typer.Option(help="Folder of films with known truth: NAME/video.mp4, truth.json.", show_default=False)
    ] = None,
    json_: Annotated[bool, typer.Option("--json", help="Print the figures as JSON.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Show no progress.")] = False,
) -> None:
    """Hold the numbers against outside truth and print how far off they are; without options, the data that come along.

    Example: midstance validate --data recordings --json
    """
    with _faults():
        from midstance.validate.report import run_validate

        with _progress(quiet) as progress:
            report = run_validate(data, clips, lambda stage, share: progress(None, stage, share))
        if json_:
            typer.echo(report.to_json(), nl=False)
        else:
            for line in report.lines():
                typer.echo(line)
        if report.exit_code:
            for failure in report.failures:
                err.print(f"midstance: {failure['message']}", markup=False, soft_wrap=True)
            raise typer.Exit(report.exit_code)


@app.command()
def board(
    paper: Annotated[str, typer.Option(help="a4, a3 or letter.")] = "a4",
    out: Annotated[Path, typer.Option(help="The PDF to write.")] = Path("board.pdf"),
) -> None:
    """Write a board to print and lay on the belt or ground: it tells the camera's place and the scale.

    Example: midstance board --paper a3 --out board.pdf
    """
    with _faults():
        from midstance.camera.board import write_board

        typer.echo(f"{write_board(out, paper)}: print at 100 %, measure the bar, and read docs/marks.md.")


@app.command()
def lens(
    pictures: Annotated[list[Path], typer.Argument(help="Pictures of the board, slanted, out to the corners.")],
    marks: Annotated[Path, typer.Option(help="The marks file to put the lens into; made if it isn't there.")],
    view: Annotated[list[str], typer.Option(help="side, side_far, rear or front; may be repeated.")],
    paper: Annotated[str | None, typer.Option(help="a4, a3 or letter; told by itself mostly.", show_default=False)] = None,
) -> None:
    """Find a camera's focal length and distortion from pictures of the printed board, and keep them in a marks file.

    Example: midstance lens one.jpg two.jpg three.jpg four.jpg five.jpg --view side --marks marks.json
    """
    with _faults():
        from midstance.camera.lens_file import lens_into_marks

        found = lens_into_marks(pictures, marks, view, paper=paper)
        figures = f"focal length {found.focal_px:.0f} px, k1 {found.k1:+.3f}, k2 {found.k2:+.3f}"
        typer.echo(f"{marks}: {figures} ({found.source}).")


@app.command()
def doctor() -> None:
    """Check that this installation can do its job."""
    with _faults():
        from midstance.doctor import look

        lines, healthy = look()
        for line in lines:
            typer.echo(line)
        if not healthy:
            raise typer.Exit(2)


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


@contextmanager
def _faults() -> Iterator[None]:
    """Turn known errors into one message and an exit code; leave the unknown ones to be seen."""
    try:
        yield
    except MidstanceError as error:
        err.print(f"midstance: {error.message()}", markup=False, soft_wrap=True)
        raise typer.Exit(error.exit_code) from None
    except KeyboardInterrupt:
        err.print("midstance: stopped; nothing was written.", markup=False)
        raise typer.Exit(INTERRUPTED) from None


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


if __name__ == "__main__":
    main()
