"""`drumtune listen`: the guided round at the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from drumtune.cli import drums, options

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from drumtune.cli.live_job import Answer
    from drumtune.cli.live_terminal import Told
    from drumtune.session import Take

EPILOG = (
    "Keys: r repeat the rod, b back one, s later, x the last tap was not here, e read now, a anew, space tick the next "
    "move, 1-9 any, n next round, q stop."
)
READ_S = 60.0
"""Seconds a reading may take."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(listen)


def listen(
    *,
    diameter_in: options.AnyDiameter = None,
    rods: options.AnyRods = None,
    tap_distance_mm: options.AnyTapDistance = None,
    film_mil: options.FilmMil = None,
    surface_density_kg_m2: options.SurfaceDensity = None,
    hoop: options.AnyHoop = None,
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
        found = live.devices()
        for one in found:
            typer.echo(f"{one.number:>3}  {one.name}  ({one.channels} channels, {one.sample_rate:.0f} Hz)")
        if not found:
            typer.echo("no microphone was found: plug one in, or use drumtune serve on a phone")
        return

    sizes = options.sizes(diameter_in, rods, tap_distance_mm, film_mil, surface_density_kg_m2, hoop)
    way = {"per_rod": taps_per_rod, "once": once, "json": json}
    told, read, prepare = _alone(sizes, way) if drum is None else _with_log(drum, drums.path(log), sizes, way)
    _run(told, (read, prepare), device, channel)


def _with_log(
    name: str, log: Path, sizes: Mapping[str, Any], way: Mapping[str, Any]
) -> tuple[Told, Callable[..., Answer], Callable[[], None]]:
    """A drum of the log: its round goes on after a stop, and its readings are kept."""
    from functools import partial

    from drumtune.cli import live_job, live_terminal

    kept = drums.of(name, log, sizes, writing=True)
    told = live_terminal.Told(name, kept.stand.drum.rods, live_job.folder_of(log, name), **way)
    return told, partial(live_job.read_take, log, name), partial(live_job.prepare, log, name)


def _alone(sizes: Mapping[str, Any], way: Mapping[str, Any]) -> tuple[Told, Callable[..., Answer], Callable[[], None]]:
    """A drum described by its sizes; nothing is kept."""
    from functools import partial

    from drumtune.cli import live_job, live_terminal

    stand = options.described(sizes)
    told = live_terminal.Told("a drum of no log", stand.rods, None, **way)
    return told, partial(live_job.read_alone, stand), partial(live_job.prepare_alone, stand)


def _run(told: Told, work: tuple[Callable[..., Answer], Callable[[], None]], device: str | None, channel: int) -> None:
    """Listen, the readings done by a worker that is warm before the first tap."""
    from concurrent.futures import ThreadPoolExecutor

    from drumtune.cli import live_terminal
    from drumtune.cli.serve import WARM
    from drumtune.web.worker import Pool

    read, prepare = work
    pool = Pool(WARM, size=1)

    def aside(take: Take, turned: tuple[float, ...] | None) -> Answer:
        return pool.call(READ_S, read, take, turned)

    with ThreadPoolExecutor(1) as early:
        try:
            pool.start()
            early.submit(pool.everywhere, READ_S, prepare)
            live_terminal.run(told, aside, device, channel)
        finally:
            pool.stop()
