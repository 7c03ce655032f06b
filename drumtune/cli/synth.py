"""`drumtune synth`: a take of a described drum, taps round its rods or whole hits, to try the tool on a known truth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from drumtune.cli import drums, options

if TYPE_CHECKING:
    from drumtune.advice.synthetic_take import Recipe, Samples

EPILOG = (
    "With --depth-in whole hits are written: both heads free, struck near the middle of the top one. The sound shares "
    "its physics with the reading: it shows how the tool works, not how exact it is."
)
PULLS_HELP = "Pull at each rod in cents, clockwise from rod 1, such as '0,10,-20,5,0,15'. Left out: an even head."

MOVES_HELP = (
    "Taps after each of these moves instead, at the rod turned: signed turns in the order they are made, such as "
    "3:+1/8,7:-1/16."
)


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command(epilog=EPILOG)(synth)


def synth(
    out: Annotated[Path, typer.Argument(help="WAV file to write.", show_default=False)],
    *,
    diameter_in: options.AnyDiameter = None,
    rods: options.AnyRods = None,
    drum_name: drums.DrumName = None,
    log: drums.LogFile = None,
    pulls: Annotated[str | None, typer.Option(help=PULLS_HELP)] = None,
    mean_hz: Annotated[float | None, typer.Option(help="Pitch heard at the rods of the even head, Hz.")] = None,
    note: Annotated[str | None, typer.Option(help="The same as a note, such as A3, instead of --mean-hz.")] = None,
    moves: Annotated[str | None, typer.Option(help=MOVES_HELP)] = None,
    taps_per_rod: Annotated[int, typer.Option(help="Taps at each rod, or after each of --moves.")] = 3,
    tap_distance_mm: options.AnyTapDistance = None,
    film_mil: options.FilmMil = None,
    surface_density_kg_m2: options.SurfaceDensity = None,
    slide: Annotated[float, typer.Option(help="How the rim holds the film: 0 held to 1 sliding.")] = 0.5,
    scatter_mm: Annotated[float, typer.Option(help="How far taps scatter round their place, mm.")] = 4.0,
    snr_db: Annotated[float, typer.Option(help="Level of the taps over the noise, dB.")] = 50.0,
    rate: Annotated[int, typer.Option(help="Samples per second.")] = 44100,
    bits: Annotated[int, typer.Option(help="Bits per sample: 16 or 24.")] = 16,
    seed: Annotated[int, typer.Option(help="Another seed gives other taps and other noise.")] = 1,
    depth_in: Annotated[float | None, typer.Option(help="Whole hits: depth of the shell, inches.")] = None,
    bottom_film_mil: Annotated[float, typer.Option(help="Whole hits: film of the bottom head, mil.")] = 7.5,
    bottom_semitones: Annotated[float, typer.Option(help="Whole hits: bottom head above the top's pitch.")] = 3.0,
    hits: Annotated[int, typer.Option(help="Whole hits: how many.")] = 4,
    glide_cents: Annotated[float, typer.Option(help="Whole hits: rise of the hardest one at its start, cents.")] = 25.0,
    stick_db: Annotated[float, typer.Option(help="Whole hits: noise of the stick against the peak, dB.")] = -20.0,
    room_m: Annotated[str | None, typer.Option(help="Whole hits: in a room, such as 6x4.5x2.8 (m).")] = None,
    room_t60_s: Annotated[float, typer.Option(help="Whole hits: decay time of that room, s.")] = 0.6,
    drum_at: Annotated[str | None, typer.Option(help="Whole hits: where the drum stands in the room: x,y,z.")] = None,
    mic_at: Annotated[str | None, typer.Option(help="Whole hits: where the microphone is: x,y,z.")] = None,
) -> None:
    """Write a recording of a drum that does not exist: taps round its rods, or whole hits, tuned as you choose."""
    from dataclasses import replace

    from drumtune.advice import whole_take
    from drumtune.advice.synthetic_take import Recipe
    from drumtune.audio import write_wav
    from drumtune.cli import synth_whole
    from drumtune.errors import StandError

    options.check_outputs([out])
    _writable(out, rate, bits)
    if drum_name is not None:
        sizes = options.sizes(diameter_in, rods, tap_distance_mm, film_mil, surface_density_kg_m2, None)
        drum = drums.of(drum_name, log, sizes).stand.drum
    else:
        drum = options.stand(
            diameter_in=drums.needed(diameter_in),
            rods=_counted(rods, needed=depth_in is None),
            tap_distance_mm=45.0 if tap_distance_mm is None else tap_distance_mm,
            film_mil=film_mil,
            surface_density=surface_density_kg_m2,
        )
    pitch = _pitch(mean_hz, note, drum.head.radius)
    if depth_in is not None and moves is not None:
        raise StandError("--moves is for taps at the rods, --depth-in for whole hits: give one of them")
    if depth_in is None:
        recipe = Recipe(drum, _pulls(pulls, drum.rods), pitch, taps_per_rod, slide=slide)
        recipe = replace(recipe, scatter=scatter_mm / 1000.0, snr_db=snr_db, seed=seed)
        _check(recipe)
        samples, what = _taps(recipe, moves, rate)
    else:
        asked = synth_whole.Asked(
            depth_in, bottom_film_mil, bottom_semitones, hits, glide_cents, stick_db, snr_db, seed,
            room_m, room_t60_s, drum_at, mic_at,
        )  # fmt: skip
        samples, what = whole_take.play(synth_whole.recipe(drum.head, pitch, asked), rate), f"{hits} hits"
    write_wav(out, samples, rate, bits=bits)
    typer.echo(f"wrote {out}: {samples.size / rate:.1f} s, {what} at {rate} Hz")


def _taps(recipe: Recipe, moves: str | None, rate: int) -> tuple[Samples, str]:
    """Taps round the rods, or after moves; and what they are, in words."""
    from drumtune.advice.synthetic_take import play, play_moves
    from drumtune.cli.round_job import parse_moves

    rods, each = recipe.drum.rods, recipe.taps_per_rod
    if moves is None:
        return play(recipe, rate), f"{rods} rods x {each} taps"
    turns = parse_moves(moves, rods)
    return play_moves(recipe, turns, rate), f"{len(turns)} moves, {each} taps after each,"


def _writable(out: Path, rate: int, bits: int) -> None:
    """Refuse names, rates and widths that are not written.

    Raises
    ------
    StandError
        Naming the option and its limits, or the ending.
    """
    from drumtune.errors import StandError

    if out.suffix.lower() != ".wav":
        raise StandError(f"a WAV file is written, got {out.name!r}: give a name that ends in .wav")
    if not 8000 <= rate <= 192000:
        raise StandError(f"--rate lies in 8000 to 192000, got {rate}")
    if bits not in (16, 24):
        raise StandError(f"--bits is 16 or 24, got {bits}")


def _counted(rods: int | None, *, needed: bool) -> int:
    """Return the number of rods; eight where none is told and none is needed.

    Raises
    ------
    StandError
        If it is needed and not given.
    """
    from drumtune.errors import StandError

    if rods is None and needed:
        raise StandError("taps go round the rods: give --rods, or --depth-in for whole hits")
    return 8 if rods is None else rods


def _pulls(text: str | None, rods: int) -> tuple[float, ...]:
    """Pulls from text, one per rod.

    Raises
    ------
    StandError
        If they are not numbers, not as many as the rods, or beyond 300 cents.
    """
    from drumtune.errors import StandError

    if text is None:
        return (0.0,) * rods
    try:
        pulls = tuple(float(word) for word in text.split(","))
    except ValueError as cause:
        raise StandError(f"pulls are numbers with commas between them, got {text!r}: check --pulls") from cause
    if len(pulls) != rods:
        raise StandError(f"{rods} rods need {rods} pulls, got {len(pulls)}: check --pulls")
    if not all(-300.0 <= pull <= 300.0 for pull in pulls):
        raise StandError(f"a pull lies within -300 to 300 cents, got {text!r}: check --pulls")
    return pulls


def _pitch(mean_hz: float | None, note: str | None, radius: float) -> float:
    """Pitch at the rods in Hz; left out: what a drum of this size is usually given.

    Raises
    ------
    StandError
        If both are given, the note is none, or the pitch is outside 40 to 1200 Hz.
    """
    from drumtune.errors import StandError
    from drumtune.notes import note_frequency

    if mean_hz is not None and note is not None:
        raise StandError("give --mean-hz or --note, not both")
    try:
        pitch = 33.0 / radius if mean_hz is None and note is None else mean_hz or note_frequency(note or "")
    except ValueError as cause:
        raise StandError(f"{cause}: check --note") from cause
    if not 40.0 <= pitch <= 1200.0:
        raise StandError(f"heads are heard at 40 to 1200 Hz at their rods, got {pitch:.4g} Hz: check --mean-hz")
    return pitch


def _check(recipe: Recipe) -> None:
    """Refuse what cannot be played.

    Raises
    ------
    StandError
        Naming option, rule and value.
    """
    from drumtune.errors import StandError

    rules = (
        ("--taps-per-rod", recipe.taps_per_rod, 1, 20),
        ("--slide", recipe.slide, 0.0, 1.0),
        ("--scatter-mm", 1000.0 * recipe.scatter, 0.0, 30.0),
        ("--snr-db", recipe.snr_db, 0.0, 120.0),
        ("--seed", recipe.seed, 0, 2**63 - 1),
    )
    for name, value, least, most in rules:
        if not least <= value <= most:
            raise StandError(f"{name} lies in {least:g} to {most:g}, got {value:g}")
