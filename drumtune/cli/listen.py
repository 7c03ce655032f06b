"""`drumtune listen`: the guided round at the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import drums

if TYPE_CHECKING:
    from drumtune.cli.live_terminal import Told

EPILOG = "Keys: r repeat the rod, b back one, s later, x the last tap was not here, e read now, n next round, q stop."


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(listen)


def listen(
    *,
    drum: drums.DrumName = None,
    taps_per_rod: Annotated[int, typer.Option(help="Taps at each rod.", min=1, max=20)] = 3,
    device: Annotated[str | None, typer.Option(help="Microphone: its number or part of its name.")] = None,
    devices: Annotated[bool, typer.Option("--devices", help="List the microphones and stop.")] = False,
    channel: Annotated[int, typer.Option(help="Channel of the microphone, from 1.", min=1)] = 1,
    once: Annotated[bool, typer.Option("--once", help="Stop after the first reading.")] = False,
    log: drums.LogFile = None,
    json: Annotated[
        bool, typer.Option("--json", help="With --once: print the answer as JSON and nothing else.")
    ] = False,
) -> None:
    """Listen at the drum: say which rod is due, count the taps, read the head, tick off the moves."""
    from drumtune import live

    if devices:
        for one in live.devices():
            typer.echo(f"{one.number:>3}  {one.name}  ({one.channels} channels, {one.sample_rate:.0f} Hz)")
        return
    from drumtune.cli import live_terminal
    from drumtune.errors import StandError

    if drum is None:
        raise StandError("say which drum: --drum NAME (drumtune stand new describes one)")
    place = drums.path(log)
    told: Told = live_terminal.Told(place, drum, taps_per_rod, once, json)
    live_terminal.run(told, device, channel)
