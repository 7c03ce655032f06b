"""`drumtune serve`: the live page on this machine, or with --lan in the local network."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import drums

if TYPE_CHECKING:
    from drumtune.web.drumside import Work
    from drumtune.web.worker import Pool

EPILOG = "Nothing leaves the machine: the page is served to itself, and the sound is looked at here."
LAN_HELP = "Let phones and tablets in the local network in: HTTPS with a certificate of our own, and a pairing code."


WARM = (
    "drumtune.cli.live_job", "drumtune.cli.round_job", "drumtune.cli.documents", "drumtune.cli.round_words",
    "drumtune.cli.words", "drumtune.advice.evenness", "drumtune.advice.rounds", "drumtune.advice.turns",
    "drumtune.audio", "drumtune.store.changes", "drumtune.store.queries", "soundfile", "scipy.optimize",
)  # fmt: skip
"""What each worker loads before its first reading."""
PREPARE_S = 30.0
"""Seconds that building the tables of a drum may take."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(serve)


def serve(
    *,
    port: Annotated[int, typer.Option(help="Port; 0 takes a free one.", min=0, max=65535)] = 8765,
    taps_per_rod: Annotated[int, typer.Option(help="Taps at each rod.", min=1, max=20)] = 3,
    lan: Annotated[bool, typer.Option("--lan", help=LAN_HELP)] = False,
    drum: Annotated[str | None, typer.Option("--drum", help="A drum of the log: the page opens with it.")] = None,
    log: drums.LogFile = None,
) -> None:
    """Serve a page that listens through the browser's microphone, guides round the drum and speaks."""
    import tempfile

    from drumtune.store.file import bring_up
    from drumtune.web import serving
    from drumtune.web.worker import Pool

    pool = Pool(WARM)
    place = drums.path(log)
    if drum is not None:
        drums.of(drum, log, {}, writing=True)
    elif place.exists():
        bring_up(place)
    with tempfile.TemporaryDirectory(prefix="drumtune-") as folder:
        try:
            pool.start()
            settings = serving.Settings(port, lan, taps_per_rod, Path(folder), typer.echo, drum)
            serving.run(work(place, pool), settings)
        finally:
            pool.stop()


def work(log: Path, pool: Pool) -> Work:
    """What the pages can ask for, with a log."""
    from drumtune.cli import live_job as job
    from drumtune.web.drumside import Work

    kept = {name: partial(getattr(job, name), log) for name in ("drums", "describe", "ring", "pair", "kit")}
    return Work(
        **kept,
        rods=partial(job.rods_of, log),
        folder=partial(job.folder_of, log),
        read=partial(job.read_take, log),
        upload=partial(job.read_file, log),
        log=partial(job.log_of, log),
        call=pool.call,
        prepare=partial(pool.everywhere, PREPARE_S, job.prepare, log),
    )
