"""Moves heard in the middle of the head, from the recording and the log to what was made of each. Writes nothing."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from drumtune.advice.made import Made
    from drumtune.audio import Recording
    from drumtune.dsp.taps import Tap
    from drumtune.physics.rods import RodResponse
    from drumtune.store.records import Entry, KeptStand

MOST_EACH = 10
"""Most taps at a stop."""
TOLD = 40
"""Most times of taps that are told."""


@dataclass(frozen=True, slots=True)
class Heard:
    """The drum, the take whose moves were made, taps at each stop, (0,1) before the first move in Hz, and the moves."""

    drum: str
    number: int
    each: int
    frequency: float
    made: tuple[Made, ...]


def do(sound: Path, drum: KeptStand, log: Path, channel: int | None = None) -> Heard:
    """Judge the moves of the drum's last reading.

    Raises
    ------
    DrumtuneError
        If nothing was advised, the recording cannot be read, has not as many taps before and after each move, or they
        are not of the middle.
    """
    from drumtune.advice.rounds import know
    from drumtune.audio import read_recording
    from drumtune.cli import round_job
    from drumtune.errors import TakeError

    entries = _advised(drum, log)
    response = know(drum.stand.drum, round_job.chain(entries)).response
    recording = read_recording(sound, channel)
    try:
        return _judged(recording, entries[-1], response)
    except TakeError as failure:
        raise TakeError(f"{sound}: {failure}", reason=failure.reason, estimate=failure.estimate) from failure


def _advised(drum: KeptStand, log: Path) -> tuple[Entry, ...]:
    """Entries of the drum, the last of which advised moves.

    Raises
    ------
    LogError
        If there is none, or it advised none.
    """
    from drumtune.store import LogError, opened, queries

    with opened(log) as connection:
        entries = queries.entries(connection, stand_id=drum.stand_id)
    name = drum.stand.name
    if not entries:
        raise LogError(f"nothing was read of {name!r} yet: drumtune even TAKE --drum {name}")
    if not entries[-1].plan.moves:
        raise LogError(f"take {entries[-1].number}, the last of {name!r}, advised no moves: there is nothing to hear")
    return entries


def _judged(recording: Recording, entry: Entry, response: RodResponse) -> Heard:
    """What was made of an entry's moves.

    Raises
    ------
    TakeError
        ``"count"`` or ``"unlike"``.
    """
    import numpy as np

    from drumtune.advice.made import hear_moves, lowest_line

    moves = entry.plan.moves
    taps = _taps(recording, len(moves))
    onsets = np.array([tap.onset for tap in taps])
    line = lowest_line(entry.reading)
    course, made = hear_moves(recording.samples, recording.sample_rate, onsets, moves, response, line)
    return Heard(entry.drum, entry.number, len(taps) // (len(moves) + 1), course.frequency, made)


def _taps(recording: Recording, moves: int) -> Sequence[Tap]:
    """Usable taps, as many before the first move as after each.

    Raises
    ------
    TakeError
        ``"count"``: told with the times found.
    """
    from drumtune.dsp.taps import find_taps
    from drumtune.errors import TakeError

    taps = [tap for tap in find_taps(recording.samples, recording.sample_rate).taps if tap.usable]
    if not taps or len(taps) % (moves + 1) or len(taps) > MOST_EACH * (moves + 1):
        times = ", ".join(f"{tap.onset:.1f}" for tap in taps[:TOLD]) + ", ..." * (len(taps) > TOLD)
        raise TakeError(
            f"{len(taps)} taps found (at {times} s), and {moves} move{'s' * (moves != 1)} want the same number "
            f"{moves + 1} times, before the first and after each, {MOST_EACH} at most: tap again, three each time",
            reason="count",
            estimate=taps,
        )
    return taps
