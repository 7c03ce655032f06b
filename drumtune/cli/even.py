"""`drumtune even`: from a recording of taps to the turns of each rod."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import options

if TYPE_CHECKING:
    from drumtune.cli.job import Job

EPILOG = "Tap in order, clockwise from a rod you marked, and wait a little longer before each next rod."
TAKE_HELP = "The recording: one file, one file per rod in order, or a folder of them."
PLOT_HELP = "Write the pictures to this .png, .svg or .pdf file."


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(even)


def even(
    take: Annotated[list[Path], typer.Argument(help=TAKE_HELP, show_default=False)],
    *,
    diameter_in: options.Diameter,
    rods: options.Rods,
    taps_per_rod: options.TapsPerRod = None,
    tap_distance_mm: options.TapDistance = 45.0,
    film_mil: options.FilmMil = None,
    surface_density_kg_m2: options.SurfaceDensity = None,
    hoop: options.Hoop = "flanged",
    channel: Annotated[int | None, typer.Option(help="Channel to read, from 1. Left out: the loudest.")] = None,
    plot: Annotated[Path | None, typer.Option(help=PLOT_HELP)] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the table of the rods to this file.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Say how tight the head is at each rod, whether that is even enough, and which rods to turn, by how much."""
    from drumtune.cli import documents, job, progress, words

    drum = options.stand(
        diameter_in=diameter_in,
        rods=rods,
        tap_distance_mm=tap_distance_mm,
        film_mil=film_mil,
        surface_density=surface_density_kg_m2,
        hoop=hoop,
    )
    _check_outputs(plot, csv, take)
    with progress.bar("Listening") as report:
        done = job.do(take, drum, taps_per_rod=taps_per_rod, channel=channel, progress=report)
    if csv is not None:
        _write_csv(csv, documents.as_csv(done))
    if plot is not None:
        _draw(plot, done)
    typer.echo(documents.as_json(done) if json else words.text(done))


def _check_outputs(plot: Path | None, csv: Path | None, take: list[Path]) -> None:
    """Refuse files that cannot be written before the work is done."""
    options.check_outputs((plot, csv), take)
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)


def _write_csv(path: Path, text: str) -> None:
    from drumtune.files import written

    with written(path) as temporary:
        temporary.write_text(text, encoding="utf-8", newline="")


def _draw(path: Path, done: Job) -> None:
    from drumtune.plots.overview import overview
    from drumtune.plots.style import save

    save(overview(done.reading, done.plan.moves), path)
