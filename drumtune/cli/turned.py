"""`drumtune turned`: from taps in the middle between moves to whether each move was made as told."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drumtune.cli import drums, options

SOUND_HELP = "The recording: some taps in the middle of the head before the first move, and as many after each."
EPILOG = (
    "Leave the microphone where it is, damp the other head as for a take, and tap three times each time, gently and "
    "always alike. What the sound tells is how far and which way something was turned, not which rod."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(turned)


def turned(
    sound: Annotated[Path, typer.Argument(help=SOUND_HELP, show_default=False)],
    *,
    drum: Annotated[str, typer.Option("--drum", help="A drum of the log, just read.", show_default=False)],
    channel: Annotated[int | None, typer.Option(help="Channel to read, from 1. Left out: the loudest.")] = None,
    plot: Annotated[Path | None, typer.Option(help="Write the picture to this .png, .svg or .pdf file.")] = None,
    log: drums.LogFile = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Hear whether the moves of the last reading were made as told, by taps in the middle between them."""
    from drumtune.cli import turned_job, turned_words

    options.check_outputs((plot,), [sound])
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)
    done = turned_job.do(sound, drums.of(drum, log, {}), drums.path(log), channel)
    if plot is not None:
        from drumtune.plots import made, style

        style.save(made.picture(done.made, [turned_words.verdict(one) for one in done.made], done.drum), plot)
    typer.echo(turned_words.as_json(done) if json else turned_words.text(done))
