"""The main job and its demonstration."""

from __future__ import annotations

from enum import Enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer
from rich.console import Console

from midstance.cli.common import bars_of_progress, err, faults
from midstance.errors import OptionError

if TYPE_CHECKING:
    from midstance.assess.result import Assessment


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
    with faults():
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


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("midstance-demo"),
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace earlier results in the folder.")] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print nothing but errors.")] = False,
) -> None:
    """Do the main job on the films of an invented runner that come with the package."""
    with faults():
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
    with bars_of_progress(quiet) as progress:
        assessment, files = job.run(settings, out, overwrite=overwrite, progress=progress, kept_in=kept_in)
    if not quiet:
        _tell(assessment, files)


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
