"""`drumtune ring`: from recorded hits of a whole drum to what its sound does over time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import drums, options
from drumtune.cli import report as reports

if TYPE_CHECKING:
    from drumtune.advice.ring import HitReading
    from drumtune.drum import Head

HIT_HELP = "Recordings of the whole drum, struck once or more in each and left to ring out."
COMPARE_HELP = "A recording of the same drum after a change (a piece of tape, a rod): what it did to each partial."
DIAMETER_HELP = "Diameter of the head, inches: names the modes of the partials, and what tape would do to each."
EPILOG = (
    "Strike in the middle or where you play, always alike, and let the drum ring out. Mind your ears: it is loud near."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(ring)


def ring(
    hit: Annotated[list[Path], typer.Argument(help=HIT_HELP, show_default=False)],
    *,
    diameter_in: Annotated[float | None, typer.Option("--diameter-in", help=DIAMETER_HELP)] = None,
    drum: drums.DrumName = None,
    log: drums.LogFile = None,
    compare: Annotated[Path | None, typer.Option(help=COMPARE_HELP)] = None,
    thirds: Annotated[bool, typer.Option("--thirds", help="Third-octave bands instead of octaves.")] = False,
    channel: Annotated[int | None, typer.Option(help="Channel to read, from 1. Left out: the loudest.")] = None,
    plot: Annotated[Path | None, typer.Option(help="Write the pictures to this .png, .svg or .pdf file.")] = None,
    report: reports.ReportFile = None,
    json: Annotated[bool, typer.Option("--json", help="Print the whole answer as JSON and nothing else.")] = False,
) -> None:
    """Say what a drum's sound does over time: note, after-note, decay, partials and beats; and what damping did."""
    from drumtune.cli import ring_words

    reports.check(report)
    options.check_outputs((plot, report), [*hit, *([compare] if compare else [])])
    if plot is not None:
        from drumtune.files import check_picture

        check_picture(plot)
    radius = _radius(diameter_in) if drum is None else drums.radius(drum, log, diameter_in)
    hits = [one for path in hit for one in _read(path, channel, radius, 3 if thirds else 1)]
    after = [] if compare is None else _read(compare, channel, radius, 3 if thirds else 1)
    answer = ring_words.Answer(tuple(hits), tuple(after), _head(radius))
    if plot is not None:
        _draw(plot, answer)
    if report is not None:
        from drumtune.cli.report_drum import ring as document

        reports.write(report, document(answer))
    typer.echo(ring_words.as_json(answer) if json else ring_words.text(answer))


def _radius(diameter_in: float | None) -> float | None:
    """Radius in m, of a diameter no drum has refused."""
    if diameter_in is None:
        return None
    from drumtune.drum import INCH
    from drumtune.errors import StandError

    if not 5.0 <= diameter_in <= 40.0:
        raise StandError(f"a head is 5 to 40 inches across, got {diameter_in:.4g} in: give --diameter-in in inches")
    return 0.5 * diameter_in * INCH


def _head(radius: float | None) -> Head | None:
    """The head that what a patch does is forecast for: of the most usual film, which matters little there."""
    from drumtune.drum import Head

    return None if radius is None else Head.of_film(radius, options.DEFAULT_FILM_MIL)


def _read(path: Path, channel: int | None, radius: float | None, fraction: int) -> list[HitReading]:
    """Hits of one file; a file that bears none says which it is."""
    from drumtune.advice.ring import read_hits
    from drumtune.audio import read_recording
    from drumtune.errors import TakeError

    recording = read_recording(path, channel)
    try:
        return list(read_hits(recording.samples, recording.sample_rate, radius=radius, fraction=fraction))
    except TakeError as failure:
        raise TakeError(f"{path}: {failure}", reason=failure.reason, estimate=failure.estimate) from failure


def _draw(path: Path, answer: object) -> None:
    from drumtune.cli.ring_words import Answer
    from drumtune.dsp.decay_map import decay_map
    from drumtune.plots.ring import overview
    from drumtune.plots.style import save

    assert isinstance(answer, Answer)
    shown = answer.shown
    long_enough = shown.signal.size >= 0.25 * shown.rate
    picture = decay_map(shown.signal, shown.rate, shown.lines) if long_enough else None
    save(overview(shown, picture, answer.changes, answer.shown_name), path)
