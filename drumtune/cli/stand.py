"""`drumtune stand`: drums described once, so that `--drum NAME` says it all."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import drums

if TYPE_CHECKING:
    from drumtune.stand import Stand

EPILOG = "A drum is described once; then --drum NAME stands for its sizes in every command."
NAME_HELP = "The drum's name. Left out: the name in the file."
FILE_HELP = "Take the description from this stand file (TOML, one \\[drum] table) instead of options."
REPLACE_HELP = "Describe a drum of the log anew, after a change of head or hoop: its rounds stay, learning begins anew."
BOTTOM_HELP = "Film of the bottom head, mil. Left out with its weight: open below."
ROLE_HELP = "tom, snare or bass."


def register(app: typer.Typer) -> None:
    """Add the commands."""
    group = typer.Typer(help="Describe your drums once: new, show, list.", no_args_is_help=True)
    group.command("new", epilog=EPILOG)(new)
    group.command("show")(show)
    group.command("list")(list_)
    app.add_typer(group, name="stand")


def new(
    name: Annotated[str | None, typer.Argument(help=NAME_HELP)] = None,
    *,
    diameter_in: Annotated[float | None, typer.Option(help="Diameter of the heads, inches.")] = None,
    depth_in: Annotated[float | None, typer.Option(help="Depth of the shell, inches.")] = None,
    rods: Annotated[int | None, typer.Option(help="Tension rods of one head, 4 to 16.")] = None,
    hoop: Annotated[str | None, typer.Option(help="flanged, cast or wood; flanged if left out.")] = None,
    tap_distance_mm: Annotated[
        float | None, typer.Option(help="How far in from the rim you tap; 45 if left out.")
    ] = None,
    film_mil: Annotated[float | None, typer.Option(help="Film of the top head, mil; 10 if left out.")] = None,
    surface_density_kg_m2: Annotated[float | None, typer.Option(help="Weight of the top head, kg/m2.")] = None,
    bottom_film_mil: Annotated[float | None, typer.Option(help=BOTTOM_HELP)] = None,
    bottom_surface_density_kg_m2: Annotated[float | None, typer.Option(help="Weight of the bottom head.")] = None,
    role: Annotated[str | None, typer.Option(help=ROLE_HELP)] = None,
    note: Annotated[str | None, typer.Option(help="A note the drum must stay on, such as A2.")] = None,
    file: Annotated[Path | None, typer.Option(help=FILE_HELP)] = None,
    replace: Annotated[bool, typer.Option("--replace", help=REPLACE_HELP)] = False,
    log: drums.LogFile = None,
) -> None:
    """Keep the description of a drum in the log."""
    from drumtune.advice.rounds import taps_per_rod
    from drumtune.store import changes, opened

    top = {"film_mil": film_mil, "surface_density_kg_m2": surface_density_kg_m2}
    bottom = {"film_mil": bottom_film_mil, "surface_density_kg_m2": bottom_surface_density_kg_m2}
    told = {
        "name": name,
        "role": role,
        "diameter_in": diameter_in,
        "depth_in": depth_in,
        "rods": rods,
        "hoop": hoop,
        "tap_distance_mm": tap_distance_mm,
        "note": note,
        "top": _given(top),
        "bottom": _given(bottom),
    }
    stand = described(_given(told)) if file is None else _from_file(file, _given(told))
    with opened(drums.path(log), writing=True) as connection:
        changes.add_stand(connection, stand, replace=replace)
    typer.echo(f"{stand.name}: {line(stand)}; kept in {drums.path(log)}")
    taps = taps_per_rod(stand.drum.rods)
    typer.echo(f"For rounds tap {taps} times at each rod, if you can: every take then says more.")


def _given(told: Mapping[str, object]) -> dict[str, object]:
    return {key: value for key, value in told.items() if value not in (None, {})}


def described(told: dict[str, object]) -> Stand:
    """Return the drum that is told, by way of the same door as the files.

    Raises
    ------
    StandError
        If something is missing, or no drum is so built.
    """
    from drumtune.errors import StandError
    from drumtune.stand import parse_stand

    lacking = [key for key in ("name", "diameter_in", "depth_in", "rods") if key not in told]
    if lacking:
        words = {"name": "a name"} | {key: "--" + key.replace("_", "-") for key in lacking if key != "name"}
        raise StandError(f"describe the drum: {', '.join(words[key] for key in lacking)} missing (or give --file)")
    table = {"top": {"film_mil": 10.0}, **told}
    return parse_stand("[drum]\n" + "".join(f"{key} = {_toml(value)}\n" for key, value in table.items()))


def _toml(value: object) -> str:
    """Return a word, a number or a table of numbers as TOML."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_toml(inner)}" for key, inner in value.items()) + " }"
    return json.dumps(value, ensure_ascii=False)


def _from_file(file: Path, told: dict[str, object]) -> Stand:
    """Return the drum of a stand file, under another name if one is given."""
    from dataclasses import replace

    from drumtune.errors import StandError
    from drumtune.kitfile import read_stand

    if set(told) - {"name"}:
        raise StandError("give --file or the drum's sizes, not both")
    stand = read_stand(file)
    return replace(stand, name=str(told["name"])) if "name" in told else stand


def show(name: Annotated[str, typer.Argument(help="The drum's name.")], *, log: drums.LogFile = None) -> None:
    """Print a drum's description as a stand file (TOML)."""
    from drumtune.stand import dump_stand

    typer.echo(dump_stand(drums.of(name, log, {}).stand).rstrip("\n"))


def list_(*, log: drums.LogFile = None) -> None:
    """List the drums of the log."""
    from drumtune.store import opened, queries

    with opened(drums.path(log)) as connection:
        known = [(kept.stand, len(queries.numbers(connection, kept.stand.name))) for kept in queries.stands(connection)]
    for stand, takes in known:
        typer.echo(f"{stand.name}: {line(stand)}; {takes} take{'' if takes == 1 else 's'}")
    if not known:
        typer.echo("no drums yet: describe one with drumtune stand new")


def line(stand: Stand) -> str:
    """Sizes of a drum in one line."""
    from drumtune.drum import INCH

    size = f"{2.0 * stand.drum.head.radius / INCH:.4g} x {stand.depth / INCH:.4g} in {stand.role}"
    return f"{size}, {stand.drum.rods} rods, {stand.drum.hoop} hoop"
