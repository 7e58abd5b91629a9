"""Commands around the main job: accuracy, camera, installation."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from midstance.cli.common import bars_of_progress, err, faults


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
    with faults():
        from midstance.validate.report import run_validate

        with bars_of_progress(quiet) as progress:
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


def board(
    paper: Annotated[str, typer.Option(help="a4, a3 or letter.")] = "a4",
    out: Annotated[Path, typer.Option(help="The PDF to write.")] = Path("board.pdf"),
) -> None:
    """Write a board to print and lay on the belt or ground: it tells the camera's place and the scale.

    Example: midstance board --paper a3 --out board.pdf
    """
    with faults():
        from midstance.camera.board import write_board

        typer.echo(f"{write_board(out, paper)}: print at 100 %, measure the bar, and read docs/marks.md.")


def lens(
    pictures: Annotated[list[Path], typer.Argument(help="Pictures of the board, slanted, out to the corners.")],
    marks: Annotated[Path, typer.Option(help="The marks file to put the lens into; made if it isn't there.")],
    view: Annotated[list[str], typer.Option(help="side, side_far, rear or front; may be repeated.")],
    paper: Annotated[str | None, typer.Option(help="a4, a3 or letter; told by itself mostly.", show_default=False)] = None,
) -> None:
    """Find a camera's focal length and distortion from pictures of the printed board, and keep them in a marks file.

    Example: midstance lens one.jpg two.jpg three.jpg four.jpg five.jpg --view side --marks marks.json
    """
    with faults():
        from midstance.camera.lens_file import lens_into_marks

        found = lens_into_marks(pictures, marks, view, paper=paper)
        figures = f"focal length {found.focal_px:.0f} px, k1 {found.k1:+.3f}, k2 {found.k2:+.3f}"
        typer.echo(f"{marks}: {figures} ({found.source}).")


def doctor() -> None:
    """Check that this installation can do its job."""
    with faults():
        from midstance.doctor import look

        lines, healthy = look()
        for line in lines:
            typer.echo(line)
        if not healthy:
            raise typer.Exit(2)
