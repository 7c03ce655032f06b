"""`drumtune lesson`: a page to teach from, with sound and pictures of one drum."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import drums

if TYPE_CHECKING:
    from drumtune.advice.lesson.subject import Subject

EPILOG = (
    "The folder holds index.html, lesson.pdf, images and clips; copy it anywhere and open index.html, no network is "
    "needed. Begin with the volume low."
)
SIZES = ("--diameter-in", "--depth-in", "--rods", "--top-hz", "--bottom-semitones", "--film-mil", "--bottom-film-mil")
USUAL = (12.0, 8.0, 6, None, 3.0, 10.0, 7.5)
"""The drum of a lesson if nothing is said, in the order of SIZES; the pitch follows from the size."""


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(lesson)


def lesson(
    *,
    out: Annotated[Path, typer.Option(help="Folder to write; made if it is not there.", show_default=False)],
    drum: drums.DrumName = None,
    diameter_in: Annotated[float | None, typer.Option(help="Diameter of the drum, inches; 12 if left out.")] = None,
    depth_in: Annotated[float | None, typer.Option(help="Depth of the shell, inches; 8 if left out.")] = None,
    rods: Annotated[int | None, typer.Option(help="Tension rods of one head, 4 to 16; 6 if left out.")] = None,
    top_hz: Annotated[float | None, typer.Option(help="Pitch of the top head near a rod, bottom muted, Hz.")] = None,
    bottom_semitones: Annotated[
        float | None, typer.Option(help="Bottom head above the top's pitch, semitones; 3 if left out.")
    ] = None,
    film_mil: Annotated[float | None, typer.Option(help="Film of the top head, mil; 10 if left out.")] = None,
    bottom_film_mil: Annotated[
        float | None, typer.Option(help="Film of the bottom head, mil; 7.5 if left out.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Another seed gives other questions and another uneven head.")] = 1,
    log: drums.LogFile = None,
) -> None:
    """Write a lesson on one drum: its modes, uneven rods, top for feel, bottom for tone, damping, intervals."""
    from drumtune.cli import lesson_job, progress
    from drumtune.files import check_folder

    given = (diameter_in, depth_in, rods, top_hz, bottom_semitones, film_mil, bottom_film_mil)
    check_folder(out)
    lesson_job.check_seed(seed)
    subject = _subject(given, drum, log)
    with progress.bar("Working it out") as report:
        count = lesson_job.write(subject, seed, out, report)
    typer.echo(f"wrote {out}: index.html with {count} sounds, and lesson.pdf")


def _subject(given: tuple[float | int | None, ...], drum: str | None, log: Path | None) -> Subject:
    from drumtune.cli import lesson_job

    if drum is not None:
        return lesson_job.of_stand(drums.of(drum, log, dict(zip(SIZES, given, strict=True))).stand)
    values = [usual if value is None else value for value, usual in zip(given, USUAL, strict=True)]
    return lesson_job.described(dict(zip(SIZES, values, strict=True)))
