"""Drums of the log for every command: `--drum NAME` in place of sizes, and `--log FILE`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from drumtune.store.records import KeptStand

DrumName = Annotated[
    str | None, typer.Option("--drum", help="A drum of the log (drumtune stand new), instead of its sizes.")
]
LogFile = Annotated[
    Path | None, typer.Option("--log", help="The log. Left out: what DRUMTUNE_LOG says, else in your data folder.")
]


def path(log: Path | None) -> Path:
    """Where the log is."""
    from drumtune.store.file import default_path

    return log or default_path()


def of(name: str, log: Path | None, sizes: Mapping[str, object], *, writing: bool = False) -> KeptStand:
    """Return a drum of the log.

    Parameters
    ----------
    name
        Its name.
    log
        The log, if told.
    sizes
        Options that describe a drum, by their names, each None (or left as it was) where not given.
    writing
        Whether the command is to write to the log, which is then brought up to this version first.

    Raises
    ------
    DrumtuneError
        If sizes are given too, or there is no such log or drum.
    """
    from drumtune.errors import StandError
    from drumtune.store import opened, queries

    given = [option for option, value in sizes.items() if value is not None]
    if given:
        raise StandError(
            f"--drum says it all: leave out {' and '.join(given)}, or change the drum (drumtune stand new)"
        )
    with opened(path(log), writing=writing, new=False) as connection:
        return queries.stand(connection, name)


def radius(name: str, log: Path | None, diameter_in: float | None) -> float:
    """Return the radius in m of a drum of the log.

    Raises
    ------
    DrumtuneError
        If a diameter is given too, or there is no such log or drum.
    """
    return of(name, log, {"--diameter-in": diameter_in}).stand.drum.head.radius


def needed(diameter_in: float | None) -> float:
    """Return a diameter that has to be given.

    Raises
    ------
    StandError
        If it is not.
    """
    from drumtune.errors import StandError

    if diameter_in is None:
        raise StandError("describe the drum: give --diameter-in, or --drum with a drum of the log")
    return diameter_in
