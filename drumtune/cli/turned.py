"""`drumtune turned`: from taps at each rod just turned to whether each move was made as told."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drumtune.cli import drums, options

SOUND_HELP = "The recording: some taps after each move, at the rod just turned."
TAKE_HELP = "The recording of the last take, from which the moves were advised; again for more files."
EPILOG = (
    "Leave the microphone and its gain as they were in the take, damp the other head, and after each move tap three "
    "times at the rod you turned, gently and always alike."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(turned)


def turned(
    sound: Annotated[Path, typer.Argument(help=SOUND_HELP, show_default=False)],
    *,
    drum: Annotated[str, typer.Option("--drum", help="A drum of the log, just read.", show_default=False)],
    take: Annotated[list[Path], typer.Option("--take", help=TAKE_HELP, show_default=False)],
    channel: Annotated[int | None, typer.Option(help="Channel to read, from 1. Left out: the loudest.")] = None,
    plot: Annotated[Path | None, typer.Option(help="Write the picture to this .png, .svg or .pdf file.")] = None,
    log: drums.LogFile = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Hear whether the moves of the last reading were made as told, by taps at each rod just turned."""
    from drumtune.cli import progress, turned_job, turned_words

    options.check_outputs((plot,), [sound, *take])
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)
    kept = drums.of(drum, log, {})
    with progress.bar("Listening") as bar:
        done = turned_job.do(sound, take, kept, drums.path(log), channel=channel, progress=bar)
    if plot is not None:
        from drumtune.plots import made, style

        style.save(made.picture(done.made, [turned_words.verdict(one) for one in done.made], done.drum), plot)
    typer.echo(turned_words.as_json(done) if json else turned_words.text(done))
