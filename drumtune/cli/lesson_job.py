"""The work of `drumtune lesson`: from options or a drum of the log to a folder. Prints nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.advice.lesson.subject import Subject
    from drumtune.stand import Stand

LIMITS = {
    "--diameter-in": (6.0, 26.0), "--depth-in": (2.0, 30.0), "--rods": (4, 16), "--top-hz": (40.0, 1000.0),
    "--bottom-semitones": (-9.0, 9.0), "--film-mil": (0.8, 30.0), "--bottom-film-mil": (0.8, 30.0),
}  # fmt: skip
DEFAULT_OFFSET = 3.0
"""Semitones of a bottom head whose tuning nobody told."""


def usual_pitch(radius: float) -> float:
    """Pitch near the rods that a head of this radius (m) is often given, Hz (common practice, no source)."""
    return 33.0 / radius


def described(values: Mapping[str, float | int | None]) -> Subject:
    """Return the subject that the options describe; a pitch of None is the usual one for the size.

    Raises
    ------
    StandError
        If an option is out of its limits, or no drum is so built.
    """
    from drumtune.advice.lesson.subject import Subject
    from drumtune.drum import INCH, Drum, Head
    from drumtune.errors import StandError
    from drumtune.physics.two_heads import TwoHeads

    for name, (least, most) in LIMITS.items():
        value = values[name]
        if value is not None and not least <= value <= most:
            raise StandError(f"{name} lies in {least:g} to {most:g} for a lesson, got {value:g}")
    number = {name: float(value) for name, value in values.items() if value is not None}
    radius = 0.5 * INCH * number["--diameter-in"]
    top, bottom = (Head.of_film(radius, number[name]) for name in ("--film-mil", "--bottom-film-mil"))
    return Subject(
        "the drum of this lesson",
        Drum(top, int(number["--rods"]), tap_distance=min(0.045, 0.4 * radius)),
        TwoHeads(top, bottom, INCH * number["--depth-in"]),
        number.get("--top-hz", usual_pitch(radius)),
        number["--bottom-semitones"],
    )


def of_stand(stand: Stand) -> Subject:
    """Return a drum of the log as the subject, at the pitches told of it if any were.

    Raises
    ------
    StandError
        If it has no bottom head.
    """
    import math

    from drumtune.advice.lesson.subject import Subject
    from drumtune.cli.pair_stand import kept

    shell = kept(stand)
    top = stand.top_rod or usual_pitch(stand.drum.head.radius)
    offset = stand.offset
    if offset is None:
        offset = 12.0 * math.log2(stand.bottom_rod / top) if stand.bottom_rod else DEFAULT_OFFSET
    return Subject(stand.name, stand.drum, shell, top, min(max(round(offset, 2), -9.0), 9.0))


def check_seed(seed: int) -> None:
    """Refuse a seed that is none.

    Raises
    ------
    StandError
        If it is negative or too large.
    """
    from drumtune.errors import StandError

    if not 0 <= seed < 2**63:
        raise StandError(f"--seed lies in 0 to {2**63 - 1}, got {seed}")


def write(subject: Subject, seed: int, folder: Path, progress: Callable[[float], None] | None = None) -> int:
    """Write the lesson and return the number of its sounds.

    Raises
    ------
    DrumtuneError
        If the drum cannot be tuned as told, or a file cannot be written.
    """
    from drumtune.advice.lesson.subject import RATE
    from drumtune.advice.lesson.whole import lesson
    from drumtune.audio import write_wav
    from drumtune.report import lesson as pages

    made = lesson(subject, seed, progress)
    folder.mkdir(exist_ok=True)
    (folder / pages.CLIPS).mkdir(exist_ok=True)
    count = 0
    for clip in pages.clips(made):
        write_wav(folder / pages.CLIPS / f"{clip.name}.wav", clip.samples, RATE, bits=16)
        count += 1
    pages.write(made, folder)
    return count
