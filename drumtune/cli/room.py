"""`drumtune room`: what a room does to a drum's notes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drumtune.cli import options
from drumtune.cli import report as reports

EPILOG = (
    "Clap, or burst a balloon, where the drum stands, with the microphone where it will be; several claps and "
    "places are better than one. Or write a sweep with --write-sweep, play it there, record it, and hand both in with "
    "--sweep. Bursts and sweeps are loud: protect your ears."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(room)


def room(
    claps: Annotated[
        list[Path] | None, typer.Argument(metavar="[CLAP]...", help="Recordings of claps, bursts or a sweep.")
    ] = None,
    *,
    size_m: Annotated[str | None, typer.Option(help="Length x width x height, m, such as 6x4.5x2.8.")] = None,
    drum_at: Annotated[str | None, typer.Option(help="Where the drum stands: x,y,z in m from a lower corner.")] = None,
    mic_at: Annotated[str | None, typer.Option(help="Where the microphone or the ear is: x,y,z in m.")] = None,
    notes: Annotated[str | None, typer.Option(help="Notes to judge, such as A2,D3.")] = None,
    t60_s: Annotated[float | None, typer.Option(help="Decay time of the room, s, where nothing is recorded.")] = None,
    absorption: Annotated[
        str | None, typer.Option(help="Absorption of the walls, 0 to 1: one number, or six for the six walls.")
    ] = None,
    sweep: Annotated[Path | None, typer.Option(help="The sweep that was played, when CLAP recorded it.")] = None,
    near: Annotated[Path | None, typer.Option(help="The drum's own hits, recorded close to it...")] = None,
    far: Annotated[Path | None, typer.Option(help="...and across the room, at equal gain.")] = None,
    channel: Annotated[int | None, typer.Option(help="Channel to read, from 1. Left out: the loudest.")] = None,
    modes_to_hz: Annotated[
        float | None, typer.Option(help="List modes up to here in the JSON. Left out: the Schroeder frequency.")
    ] = None,
    write_sweep: Annotated[Path | None, typer.Option(help="Write a sweep to play, as WAV, and stop.")] = None,
    render: Annotated[
        Path | None, typer.Option(help="Write what a burst would sound like there, as WAV: to try things out.")
    ] = None,
    save: Annotated[Path | None, typer.Option(help="Write the JSON to this file, for drumtune kit --room.")] = None,
    plot: Annotated[Path | None, typer.Option(help="Write the picture to this .png, .svg or .pdf file.")] = None,
    report: reports.ReportFile = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Say what a room does to a drum's notes: its modes and decay, which notes it lifts, leaves alone or swallows."""
    from drumtune.cli import room_documents, room_job, room_options

    sounds = room_job.Sounds(tuple(claps or ()), sweep, near, far, channel)
    reports.check(report)
    options.check_outputs((plot, write_sweep, render, save, report), sounds.files)
    if write_sweep is not None:
        room_job.write_sweep(write_sweep)
        typer.echo(f"wrote {write_sweep}: play it where the drum stands, not too loud, and record it to its end")
        return
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)
    size = room_options.parse_size(size_m)
    job = room_job.do(size, (drum_at, mic_at), room_job.Losses(t60_s, absorption), sounds, notes)
    if plot is not None:
        from drumtune.plots.room import overview
        from drumtune.plots.style import save as write_picture

        write_picture(overview(job.report), plot)
    if report is not None:
        from drumtune.cli.report_place import room as document

        reports.write(report, document(job))
    limit = room_job.listed(job, modes_to_hz)
    if render is not None:
        room_job.write_burst(render, job)
    if save is not None:
        from drumtune.files import written

        with written(save) as temporary:
            temporary.write_text(room_documents.as_json(job, limit) + "\n", encoding="utf-8", errors="backslashreplace")
    typer.echo(room_documents.as_json(job, limit) if json else room_documents.text(job))
