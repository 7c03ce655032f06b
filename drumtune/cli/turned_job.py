"""Moves heard at the rods, from the recordings and the log to what was made of each. Writes nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from drumtune.cli import job, round_job

if TYPE_CHECKING:
    from drumtune.advice.explained import Explained
    from drumtune.advice.made import Made
    from drumtune.audio import Recording
    from drumtune.dsp.taps import Tap
    from drumtune.store.records import Entry, KeptStand

MOST_EACH = 10
"""Most taps after a move."""
TOLD = 40
"""Most times of taps that are told."""
EXPLAINED = 0.4
"""Share of the work that the take is."""


@dataclass(frozen=True, slots=True)
class Heard:
    """The drum, the take whose moves were made, taps after each, and the moves."""

    drum: str
    number: int
    each: int
    made: tuple[Made, ...]


def do(
    sound: Path,
    takes: Sequence[Path],
    drum: KeptStand,
    log: Path,
    *,
    channel: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Heard:
    """Judge the moves of the drum's last reading.

    Raises
    ------
    DrumtuneError
        If nothing was advised, `takes` are not the recordings of the last take, a recording cannot be read, there are
        not as many taps after each move, or they are not of that head.
    """
    from drumtune.advice.explained import later_taps
    from drumtune.advice.made import hear_moves
    from drumtune.advice.rounds import know
    from drumtune.audio import read_recording

    tell = progress or (lambda share: None)
    entries = _advised(drum, log)
    entry = entries[-1]
    known = know(drum.stand.drum, round_job.chain(entries))
    moves = entry.plan.moves
    recording = read_recording(sound, channel)
    with _named(sound):
        taps = _taps(recording, len(moves))
    explained = _explained(takes, entry, channel, lambda share: tell(EXPLAINED * share))
    with _named(sound):
        made = hear_moves(
            explained,
            later_taps(explained, recording.samples, recording.sample_rate, taps),
            moves,
            known,
            progress=lambda share: tell(EXPLAINED + (1.0 - EXPLAINED) * share),
        )
    return Heard(entry.drum, entry.number, len(taps[0]), made)


@contextmanager
def _named(sound: Path) -> Iterator[None]:
    """Say which file is refused."""
    from drumtune.errors import TakeError

    try:
        yield
    except TakeError as failure:
        raise TakeError(f"{sound}: {failure}", reason=failure.reason, estimate=failure.estimate) from failure


def _explained(
    takes: Sequence[Path], entry: Entry, channel: int | None, progress: Callable[[float], None]
) -> Explained:
    """The last take, explained once more.

    Raises
    ------
    DrumtuneError
        If these are other recordings, or cannot be read.
    """
    from drumtune.advice.explained import explain
    from drumtune.errors import TakeError
    from drumtune.source import describe_take

    drum, files = entry.reading.drum, entry.take.files
    source = describe_take(takes, channel)
    if sorted(round_job.hashed(path).sha256 for path in source.files) != sorted(file.sha256 for file in files):
        names = ", ".join(file.name for file in files)
        raise TakeError(
            f"{', '.join(map(str, takes))} is not the recording of take {entry.number}, from which the moves were "
            f"advised: give that with --take ({names})",
            reason="other",
        )
    heard = _taps_of(takes, entry, channel)
    return explain(heard.take.samples, heard.take.sample_rate, heard.groups, drum, progress=progress)


def _taps_of(takes: Sequence[Path], entry: Entry, channel: int | None) -> job.Heard:
    """The take's taps, by the count that was used, or, where some were left out, by the pauses."""
    from drumtune.errors import TakeError

    drum, used = entry.reading.drum, max(rod.taps_used for rod in entry.reading.rods)
    try:
        return job.listen(takes, drum.rods, used, channel)
    except TakeError:
        return job.listen(takes, drum.rods, None, channel)


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


def _taps(recording: Recording, moves: int) -> list[list[Tap]]:
    """Usable taps, as many after each move.

    Raises
    ------
    TakeError
        ``"count"``: told with the times found.
    """
    from drumtune.dsp.taps import find_taps
    from drumtune.errors import TakeError

    taps = [tap for tap in find_taps(recording.samples, recording.sample_rate).taps if tap.usable]
    each = len(taps) // moves
    if not taps or len(taps) % moves or each > MOST_EACH:
        times = ", ".join(f"{tap.onset:.1f}" for tap in taps[:TOLD]) + ", ..." * (len(taps) > TOLD)
        raise TakeError(
            f"{len(taps)} taps found (at {times} s), and {moves} move{'s' * (moves != 1)} want as many after each, "
            f"{MOST_EACH} at most: tap again, three each time, at the rod just turned",
            reason="count",
            estimate=taps,
        )
    return [taps[first : first + each] for first in range(0, len(taps), each)]
