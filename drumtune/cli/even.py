"""`drumtune even`: from a recording of taps to the turns of each rod."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from drumtune.cli import drums, options
from drumtune.cli import report as reports

if TYPE_CHECKING:
    from collections.abc import Mapping

    from drumtune.cli.job import Job
    from drumtune.cli.progress import Report
    from drumtune.cli.round_job import Asked, Round
    from drumtune.drum import Air, Drum

EPILOG = "Tap in order, clockwise from a rod you marked, and wait a little longer before each next rod."
TAKE_HELP = "The recording: one file, one file per rod in order, or a folder of them."
PLOT_HELP = "Write the pictures to this .png, .svg or .pdf file."
DONE_HELP = "The last moves were made as advised (taken so within six hours if you say nothing)."
TURNED_HELP = "What was turned since the last take, + tighter, such as 3:+1/8,5:-1/16, or none."
EACH_HELP = "Every file or folder given is a take of its own of the same drum: one line for each, and no plans kept."
BACK_HELP = "Plan the turns back to this saved setting (drumtune log save)."


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(even)


def even(
    take: Annotated[list[Path], typer.Argument(help=TAKE_HELP, show_default=False)],
    *,
    diameter_in: options.AnyDiameter = None,
    rods: options.AnyRods = None,
    taps_per_rod: options.TapsPerRod = None,
    tap_distance_mm: options.AnyTapDistance = None,
    film_mil: options.FilmMil = None,
    surface_density_kg_m2: options.SurfaceDensity = None,
    hoop: options.AnyHoop = None,
    channel: Annotated[int | None, typer.Option(help="Channel to read, from 1. Left out: the loudest.")] = None,
    plot: Annotated[Path | None, typer.Option(help=PLOT_HELP)] = None,
    csv: Annotated[Path | None, typer.Option(help="Write the table of the rods to this file.")] = None,
    each: Annotated[bool, typer.Option("--each", help=EACH_HELP)] = False,
    drum: drums.DrumName = None,
    done: Annotated[bool, typer.Option("--done", help=DONE_HELP)] = False,
    turned: Annotated[str | None, typer.Option(help=TURNED_HELP)] = None,
    back_to: Annotated[str | None, typer.Option(help=BACK_HELP)] = None,
    note: Annotated[str | None, typer.Option(help="A note to keep with the take.")] = None,
    temperature_c: Annotated[float | None, typer.Option(help="Temperature of the room, °C.")] = None,
    humidity_percent: Annotated[float | None, typer.Option(help="Relative humidity of the room, %.")] = None,
    log: drums.LogFile = None,
    report: reports.ReportFile = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Say how tight the head is at each rod, whether that is even enough, and which rods to turn, by how much."""
    from drumtune.cli import documents, progress, round_job, round_words, words

    sizes = options.sizes(diameter_in, rods, tap_distance_mm, film_mil, surface_density_kg_m2, hoop)
    asked = round_job.Asked(turned, done, back_to, note, temperature_c, humidity_percent)
    round_job.check_air(asked)
    _check_outputs(plot, csv, report, take)
    if each:
        _only_alone({"--plot": plot, "--report": report, **_needs_log(asked)})
        kept_drum = options.described(sizes) if drum is None else drums.of(drum, log, sizes).stand.drum
        return _each(_Heard(tuple(take), taps_per_rod, channel, None), kept_drum, asked, csv, json)
    with progress.bar("Listening") as bar:
        heard = _Heard(tuple(take), taps_per_rod, channel, bar)
        found, kept = _alone(heard, sizes, asked) if drum is None else _with_log(heard, drum, log, sizes, asked)
    if csv is not None:
        _write_csv(csv, documents.as_csv(found))
    if plot is not None:
        _draw(plot, found)
    if report is not None:
        from drumtune.cli.report_drum import even as document

        reports.write(report, document(found))
    if json:
        extra = {} if kept is None else {"log": round_words.document(kept)}
        typer.echo(documents.as_json(found, extra))
    else:
        typer.echo(words.text(found) + ("" if kept is None else "\n\n" + round_words.text(kept)))


@dataclass(frozen=True, slots=True)
class _Heard:
    """The take as it is to be read."""

    take: tuple[Path, ...]
    taps_per_rod: int | None
    channel: int | None
    progress: Report | None


def _alone(heard: _Heard, sizes: Mapping[str, Any], asked: Asked) -> tuple[Job, None]:
    """Read a drum described by its sizes; the log is not touched."""
    from drumtune.cli import job
    from drumtune.errors import StandError

    drum = options.described(sizes)
    for name, value in _needs_log(asked).items():
        if value:
            raise StandError(f"{name} needs a drum of the log: give --drum (drumtune stand new makes one)")
    way = {"taps_per_rod": heard.taps_per_rod, "channel": heard.channel}
    return job.do(heard.take, drum, progress=heard.progress, air=_air(asked), **way), None


def _needs_log(asked: Asked) -> dict[str, object]:
    """Options that say something about the rounds of a drum, and what was given for them."""
    return {"--done": asked.done, "--turned": asked.turned, "--back-to": asked.back_to, "--note": asked.note}


def _air(asked: Asked) -> Air | None:
    """The air of the room, if its temperature was told."""
    from drumtune.drum import Air

    return None if asked.temperature_c is None else Air.at(asked.temperature_c)


def _only_alone(given: Mapping[str, object]) -> None:
    """Refuse options that belong to one take."""
    from drumtune.errors import StandError

    for name, value in given.items():
        if value:
            raise StandError(f"{name} is for one take: leave it out, or leave out --each")


def _each(heard: _Heard, drum: Drum, asked: Asked, csv: Path | None, json: bool) -> None:
    """Read every take for itself; leave with status 2 if one could not be read."""
    from drumtune.cli import each_job, each_words, progress

    with progress.bar("Listening") as bar:
        way = each_job.Way(drum, heard.taps_per_rod, heard.channel, _air(asked))
        answers = each_job.do(heard.take, way, progress=bar)
    if csv is not None:
        _write_csv(csv, each_words.as_csv(heard.take, answers, drum.rods))
    typer.echo(each_words.as_json(answers) if json else each_words.text(heard.take, answers))
    failures = [each_words.failure(answer) for answer in answers if isinstance(answer, each_job.Failed)]
    for line in failures:
        typer.echo(f"drumtune: {line}", err=True)
    if failures:
        raise typer.Exit(2)


def _with_log(heard: _Heard, name: str, log: Path | None, sizes: Mapping[str, Any], asked: Asked) -> tuple[Job, Round]:
    """Read a drum of the log, as one more round."""
    from drumtune.cli import round_job

    kept = drums.of(name, log, sizes, writing=True)
    way = {"taps_per_rod": heard.taps_per_rod, "channel": heard.channel}
    return round_job.do(heard.take, kept, drums.path(log), asked, progress=heard.progress, **way)


def _check_outputs(plot: Path | None, csv: Path | None, report: Path | None, take: list[Path]) -> None:
    """Refuse files that cannot be written before the work is done."""
    reports.check(report)
    options.check_outputs((plot, csv, report), take)
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)


def _write_csv(path: Path, text: str) -> None:
    from drumtune.files import written

    with written(path) as temporary:
        temporary.write_text(text, encoding="utf-8", errors="backslashreplace", newline="")


def _draw(path: Path, done: Job) -> None:
    from drumtune.advice.head_map import head_map
    from drumtune.plots.overview import overview
    from drumtune.plots.style import save

    save(overview(done.reading, done.plan.moves, head_map(done.reading)), path)
