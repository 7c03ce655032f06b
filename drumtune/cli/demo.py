"""`drumtune demo`: the whole job on a recording that comes with the program."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from drumtune.cli import options

if TYPE_CHECKING:
    from drumtune.cli.job import Job
    from drumtune.drum import Drum


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command()(demo)


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the pictures; made if it is not there.")] = Path(
        "drumtune-demo"
    ),
) -> None:
    """Do the whole job on a recording of an invented drum and write the pictures into a folder."""
    from drumtune.cli import job, progress, words

    stand, drum, recording = described()
    _make(out)
    typer.echo(f"{stand['story']}\n")
    with progress.bar("Listening") as report:
        done = job.do([recording], drum, taps_per_rod=stand["taps_per_rod"], progress=report)
    typer.echo(words.text(done))
    names = _draw(out, done)
    given = ", ".join(f"{pull:+.0f}" for pull in stand["pulls_cents"])
    typer.echo(f"\nThe drum was given these pulls: {given} cents.")
    typer.echo(f"Pictures in the folder {out}: {', '.join(names)}")


def described() -> tuple[dict[str, Any], Drum, Path]:
    """Return what stand.json says of the demo drum, that drum, and its recording."""
    import json

    folder = samples()
    stand = json.loads((folder / "stand.json").read_text(encoding="utf-8"))
    drum = options.stand(
        diameter_in=stand["diameter_in"],
        rods=stand["rods"],
        tap_distance_mm=stand["tap_distance_mm"],
        film_mil=stand["film_mil"],
        surface_density=None,
    )
    return stand, drum, folder / stand["recording"]


def samples() -> Path:
    """Folder of the demo recordings: inside the installed package, or beside it in a checkout.

    Raises
    ------
    DrumtuneError
        If it is in neither place.
    """
    from drumtune.errors import DrumtuneError

    package = Path(__file__).resolve().parent.parent
    for folder in (package / "samples_demo", package.parent / "samples_demo"):
        if (folder / "stand.json").is_file():
            return folder
    raise DrumtuneError("the demo recording is missing from this installation: install drumtune again")


def _make(folder: Path) -> None:
    """Make the folder for the pictures.

    Raises
    ------
    DrumtuneError
        If it cannot be made or written to.
    """
    from drumtune.errors import DrumtuneError
    from drumtune.files import check_writable

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as cause:
        raise DrumtuneError(f"cannot make the folder {folder} ({cause.strerror}): choose another by --out") from cause
    check_writable(folder / "rim-strip.png")


def _draw(folder: Path, done: Job) -> list[str]:
    """Write the four pictures; their names."""
    from drumtune.advice.head_map import head_map
    from drumtune.plots import overview, style

    figures = overview.pictures(done.reading, done.plan.moves, head_map(done.reading))
    for name, figure in figures.items():
        style.save(figure, folder / name)
    return list(figures)
