"""`drumtune kit`: notes for a whole set of drums, in a room if one is given."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import options
from drumtune.cli import report as reports

if TYPE_CHECKING:
    from drumtune.cli.kit_job import KitJob

EPILOG = (
    "KIT.toml holds one \\[\\[drum]] table per drum: name, role, diameter_in, depth_in, rods, hoop, tap_distance_mm, "
    "top and bottom { film_mil, rod_hz }. docs/kit.md shows one. Keep heads, rods and hoops within what their makers "
    "allow."
)
INTERVALS_HELP = (
    "Steps between toms: fourths, thirds, minor-thirds, major-thirds, fifths, triad, minor-triad, scale, minor-scale, "
    "semitones from the lowest up such as 5,4, or close: equal steps as near as it goes."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(kit)


def kit(
    drums: Annotated[Path, typer.Argument(metavar="KIT.toml", help="The drums, as a TOML file.", show_default=False)],
    *,
    intervals: Annotated[str, typer.Option(help=INTERVALS_HELP)] = "close",
    as_close: Annotated[
        bool, typer.Option("--as-close", help="Miss steps that do not fit by as little as can be.")
    ] = False,
    room: Annotated[Path | None, typer.Option(help="The room: the JSON of drumtune room.")] = None,
    onto: Annotated[bool, typer.Option("--onto", help="Notes the room lifts are wanted, not avoided.")] = False,
    match: Annotated[
        bool, typer.Option("--match", help="Keep the tuning there is; only the smallest changes out of trouble.")
    ] = False,
    now: Annotated[
        list[str] | None,
        typer.Option(help="Present pitch near the top rods: NAME=HZ, or NAME=FILE with the JSON of drumtune even."),
    ] = None,
    plot: Annotated[Path | None, typer.Option(help="Write the picture to this .png, .svg or .pdf file.")] = None,
    example: Annotated[
        bool, typer.Option("--example", help="Write an example kit to KIT.toml, to be changed into yours, and stop.")
    ] = False,
    report: reports.ReportFile = None,
    render: Annotated[Path | None, typer.Option(help="Write a fill on the chosen notes to this WAV file.")] = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Choose the notes of a kit: intervals, like feel, quiet snare wires, clear of the room's modes."""
    from drumtune.cli import kit_documents, kit_job

    if example:
        kit_job.write_example(drums)
        typer.echo(f"wrote {drums}: put in your own drums, then run drumtune kit {drums}")
        return
    reports.check(report)
    options.check_outputs((plot, render, report), (drums, *([room] if room else [])))
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)
    job = kit_job.do(drums, kit_job.Asked(intervals, as_close, room, onto, match, tuple(now or ())))
    if plot is not None:
        _draw(plot, job)
    if report is not None:
        from drumtune.cli.report_place import kit as document

        reports.write(report, document(job))
    if render is not None:
        from drumtune.cli.kit_render import render as write_fill

        write_fill(job, render)
    typer.echo(kit_documents.as_json(job) if json else kit_documents.text(job))


def _draw(path: Path, job: KitJob) -> None:
    from drumtune.cli.kit_job import bars
    from drumtune.plots.kit import overview
    from drumtune.plots.style import save

    save(overview(bars(job), job.gain), path)
