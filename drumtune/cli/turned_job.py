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
    from drumtune.store.records import KeptStand


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
        If nothing was advised, the recording cannot be read, or it has not as many taps before and after each move.
    """
    import numpy as np

    from drumtune.advice.made import lowest_line, moves_made
    from drumtune.advice.rounds import know
    from drumtune.audio import read_recording
    from drumtune.cli import round_job
    from drumtune.dsp.middle import follow_middle
    from drumtune.store import LogError, opened, queries

    with opened(log) as connection:
        entries = queries.entries(connection, stand_id=drum.stand_id)
    name = drum.stand.name
    if not entries:
        raise LogError(f"nothing was read of {name!r} yet: drumtune even TAKE --drum {name}")
    moves = entries[-1].plan.moves
    if not moves:
        raise LogError(f"take {entries[-1].number}, the last of {name!r}, advised no moves: there is nothing to hear")
    recording = read_recording(sound, channel)
    onsets = np.array([tap.onset for tap in _taps(recording, len(moves), sound)])
    each = onsets.size // (len(moves) + 1)
    near, decay_rate = lowest_line(entries[-1].reading)
    stops = np.repeat(np.arange(len(moves) + 1), each)
    course = follow_middle(recording.samples, recording.sample_rate, onsets, stops, near=near, decay_rate=decay_rate)
    response = know(drum.stand.drum, round_job.chain(entries)).response
    return Heard(name, entries[-1].number, each, course.frequency, moves_made(course, moves, response))


def _taps(recording: Recording, moves: int, sound: Path) -> Sequence[Tap]:
    """Usable taps, as many before the first move as after each.

    Raises
    ------
    TakeError
        ``"count"``: told with the times found.
    """
    from drumtune.dsp.taps import find_taps
    from drumtune.errors import TakeError

    try:
        taps = [tap for tap in find_taps(recording.samples, recording.sample_rate).taps if tap.usable]
    except TakeError as failure:
        raise TakeError(f"{sound}: {failure}", reason=failure.reason, estimate=failure.estimate) from failure
    if not taps or len(taps) % (moves + 1):
        times = ", ".join(f"{tap.onset:.1f}" for tap in taps)
        raise TakeError(
            f"{sound}: {len(taps)} taps found (at {times} s), and {moves} move{'s' * (moves != 1)} want the same "
            f"number {moves + 1} times, before the first and after each: tap again, three times each time",
            reason="count",
            estimate=taps,
        )
    return taps
