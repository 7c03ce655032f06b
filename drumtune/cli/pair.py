"""`drumtune pair`: what relation between the two heads does what, and how far to take the bottom one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import drums, options
from drumtune.cli import report as reports

if TYPE_CHECKING:
    from drumtune.cli.pair_job import PairJob

EPILOG = (
    "Pitches are those heard tapping near a rod with the other head muted (or at the centre with --pitch centre). "
    "With three takes (top head with the bottom muted, bottom with the top muted, both free; a few hits near the "
    "middle each) the drum's own coupling and air are used."
)
TOP_FILM_HELP = "Film of the top head, mil; 10 where neither it nor a weight is given."
BOTTOM_FILM_HELP = "Film of the bottom head, mil; 2 to 3 on a snare side. Left out: 7.5, unless a weight is given."
AIM_HELP = "What you want: long, short, open, no-beats, or a note such as 'note A2'."


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(pair)


def pair(
    *,
    diameter_in: Annotated[float | None, typer.Option(help="Diameter of the drum, inches.")] = None,
    depth_in: Annotated[float | None, typer.Option(help="Depth of the shell, inches.")] = None,
    drum: drums.DrumName = None,
    log: drums.LogFile = None,
    top_hz: Annotated[float | None, typer.Option(help="Pitch of the top head, Hz. Left out: from --top-take.")] = None,
    bottom_hz: Annotated[float | None, typer.Option(help="Pitch of the bottom head as it is now, Hz.")] = None,
    top_film_mil: Annotated[float | None, typer.Option(help=TOP_FILM_HELP)] = None,
    bottom_film_mil: Annotated[float | None, typer.Option(help=BOTTOM_FILM_HELP)] = None,
    top_surface_density_kg_m2: Annotated[float | None, typer.Option(help="Weight of the top head, kg/m2.")] = None,
    bottom_surface_density_kg_m2: Annotated[float | None, typer.Option(help="Weight of the bottom head.")] = None,
    pitch: Annotated[str, typer.Option(help="Where pitches are heard: rod or centre.")] = "rod",
    vent_mm: Annotated[float | None, typer.Option(help="Diameter of a vent in the shell, mm.")] = None,
    stick_g: Annotated[float, typer.Option(help="Mass of the stick as felt at its tip, g.")] = 18.0,
    aim: Annotated[str, typer.Option(help=AIM_HELP)] = "long",
    top_take: Annotated[Path | None, typer.Option(help="Recording of the top head, bottom head muted.")] = None,
    bottom_take: Annotated[Path | None, typer.Option(help="Recording of the bottom head, top head muted.")] = None,
    open_take: Annotated[Path | None, typer.Option(help="Recording with both heads free.")] = None,
    channel: Annotated[int | None, typer.Option(help="Channel to read, from 1. Left out: the loudest.")] = None,
    top_blocked_hz: Annotated[float | None, typer.Option(help="(0,1) of the top head, bottom held still, Hz.")] = None,
    bottom_blocked_hz: Annotated[float | None, typer.Option(help="(0,1) of the bottom head, top held still.")] = None,
    coupling_hz: Annotated[float | None, typer.Option(help="Coupling of the two, Hz: gives the pair directly.")] = None,
    plot: Annotated[Path | None, typer.Option(help="Write the pictures to this .png, .svg or .pdf file.")] = None,
    render: Annotated[
        Path | None, typer.Option(help="Write the drum at a few offsets as WAVs into this folder.")
    ] = None,
    report: reports.ReportFile = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Say what relation between top and bottom head does what on this drum, and how far to take the bottom head."""
    from drumtune.cli import pair_documents, pair_job, pair_render, pair_stand, pair_words

    blocked = (top_blocked_hz, bottom_blocked_hz, coupling_hz)
    if any(value is not None for value in blocked):
        pair_stand.check_two_mass(plot or report, render)
        two = pair_stand.two_mass(*blocked)
        typer.echo(pair_documents.two_mass_json(two) if json else pair_words.two_mass(two))
        return
    typed = pair_stand.Shell(
        diameter_in, depth_in, (top_film_mil, bottom_film_mil),
        (top_surface_density_kg_m2, bottom_surface_density_kg_m2), vent_mm,
    )  # fmt: skip
    if drum is not None:
        stand = drums.of(drum, log, typed.sizes).stand
        shell = pair_stand.kept(stand, vent_mm)
        top_now, bottom_now = (stand.top_rod, stand.bottom_rod) if pitch == "rod" else (None, None)
        top_hz, bottom_hz = top_hz or (top_now if top_take is None else None), bottom_hz or bottom_now
    else:
        shell = pair_stand.described(typed)
    takes = pair_job.Takes(top_take, bottom_take, open_take, channel)
    wish = pair_job.Wish(aim, pitch, stick_g, top_hz, bottom_hz)
    _check_outputs(plot, report, render, takes.files)
    done = pair_job.do(shell, takes, wish)
    if plot is not None:
        _draw(plot, done)
    if report is not None:
        from drumtune.cli.report_drum import pair as document

        reports.write(report, document(done))
    if render is not None:
        pair_render.render(done, render)
    typer.echo(pair_documents.as_json(done) if json else pair_words.text(done))


def _check_outputs(plot: Path | None, report: Path | None, folder: Path | None, takes: tuple[Path, ...]) -> None:
    """Refuse what cannot be written before the work is done."""
    reports.check(report)
    options.check_outputs((plot, report), takes)
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)
    if folder is not None:
        from drumtune.files import check_folder

        check_folder(folder)


def _draw(path: Path, done: PairJob) -> None:
    from drumtune.plots.pair import overview
    from drumtune.plots.style import save

    save(overview(done.scan, done.aim, done.advice, done.best, done.motion), path)
