"""Options that commands share, and the one door at which their values become a stand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from drumtune.drum import Drum

DEFAULT_FILM_MIL = 10.0
"""A single-ply batter head, the most usual film (common practice, no source)."""

AnyDiameter = Annotated[
    float | None, typer.Option("--diameter-in", help="Diameter of the head, inches. Not with --drum.")
]
AnyRods = Annotated[int | None, typer.Option("--rods", help="Number of tension rods, 4 to 16. Not with --drum.")]
TapsPerRod = Annotated[
    int | None,
    typer.Option("--taps-per-rod", help="Taps at each rod. Left out: rods are told apart by the longer pause."),
]
AnyTapDistance = Annotated[
    float | None, typer.Option("--tap-distance-mm", help="How far in from the rim you tap, mm; 45 if left out.")
]
AnyHoop = Annotated[
    str | None, typer.Option("--hoop", help="Kind of hoop: flanged, cast or wood; flanged if left out.")
]
FilmMil = Annotated[
    float | None, typer.Option("--film-mil", help="Film thickness, mil; 10 where neither it nor a weight is given.")
]
SurfaceDensity = Annotated[
    float | None, typer.Option("--surface-density-kg-m2", help="Weight of the head per area, kg/m2, if you know it.")
]


def stand(
    *,
    diameter_in: float,
    rods: int,
    tap_distance_mm: float,
    film_mil: float | None,
    surface_density: float | None,
    hoop: str = "flanged",
) -> Drum:
    """Return the drum that the options describe.

    Raises
    ------
    StandError
        If no drum is so built, or film and weight are both given.
    """
    from drumtune.drum import INCH, Drum, Head
    from drumtune.errors import StandError

    if film_mil is not None and surface_density is not None:
        raise StandError("give --film-mil or --surface-density-kg-m2, not both")
    radius = 0.5 * diameter_in * INCH
    if surface_density is not None:
        head = Head(radius, surface_density)
    else:
        head = Head.of_film(radius, DEFAULT_FILM_MIL if film_mil is None else film_mil)
    return Drum(head, rods, hoop, tap_distance_mm / 1000.0)  # type: ignore[arg-type]  # Drum checks the hoop's kind


def check_outputs(outputs: Iterable[Path | None], inputs: Iterable[Path] = ()) -> None:
    """Refuse, before any work, files to write that could not be written or that would overwrite what is read.

    Raises
    ------
    DrumtuneError
        Naming the file and what to do.
    """
    import os

    from drumtune.errors import DrumtuneError
    from drumtune.files import check_writable

    read = {os.path.realpath(path) for path in inputs}
    wanted = [path for path in outputs if path is not None]
    for path in wanted:
        check_writable(path)
        if os.path.realpath(path) in read:
            raise DrumtuneError(f"cannot write {path}: it is the recording itself, give another name")
    if len({os.path.realpath(path) for path in wanted}) < len(wanted):
        raise DrumtuneError(f"cannot write two things to {wanted[0]}: give each its own file")


def sizes(
    diameter_in: float | None,
    rods: int | None,
    tap_distance_mm: float | None,
    film_mil: float | None,
    surface_density_kg_m2: float | None,
    hoop: str | None,
) -> dict[str, Any]:
    """Sizes of a drum by their options, None where not given."""
    return {
        "--diameter-in": diameter_in,
        "--rods": rods,
        "--tap-distance-mm": tap_distance_mm,
        "--film-mil": film_mil,
        "--surface-density-kg-m2": surface_density_kg_m2,
        "--hoop": hoop,
    }


def described(sizes: Mapping[str, Any]) -> Drum:
    """Return the drum described by its sizes."""
    from drumtune.errors import StandError

    if sizes["--diameter-in"] is None or sizes["--rods"] is None:
        raise StandError("describe the drum: give --diameter-in and --rods, or --drum with a drum of the log")
    return stand(
        diameter_in=sizes["--diameter-in"],
        rods=sizes["--rods"],
        tap_distance_mm=45.0 if sizes["--tap-distance-mm"] is None else sizes["--tap-distance-mm"],
        film_mil=sizes["--film-mil"],
        surface_density=sizes["--surface-density-kg-m2"],
        hoop=sizes["--hoop"] or "flanged",
    )
