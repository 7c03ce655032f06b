"""`drumtune turned`: from taps in the middle between moves to whether each move was made as told."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from drumtune.cli import drums

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
    log: drums.LogFile = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Hear whether the moves of the last reading were made as told, by taps in the middle between them."""
    from drumtune.cli import turned_job, turned_words

    done = turned_job.do(sound, drums.of(drum, log, {}), drums.path(log), channel)
    typer.echo(turned_words.as_json(done) if json else turned_words.text(done))
