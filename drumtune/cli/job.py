"""The main job, from files to moves, which `even` and `demo` share. Gives values; prints nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.advice.reading import Reading
    from drumtune.advice.turns import Plan
    from drumtune.audio import Recording
    from drumtune.drum import Air, Drum
    from drumtune.dsp.taps import Rejected, Tap

TOLD = 4
"""Sounds left out that are told one by one; more are only counted."""
LISTENING = 0.7
"""Share of the work that finding taps is taken for where the recording is long."""


@dataclass(frozen=True, slots=True)
class Job:
    """What went in and what came out: files, length in s, rate in Hz, taps asked for, reading, plan, warnings."""

    files: tuple[Path, ...]
    duration: float
    sample_rate: float
    taps_per_rod: int | None
    reading: Reading
    plan: Plan
    warnings: tuple[str, ...] = ()


def do(
    paths: Sequence[Path],
    drum: Drum,
    *,
    taps_per_rod: int | None = None,
    channel: int | None = None,
    progress: Callable[[float], None] | None = None,
    air: Air | None = None,
) -> Job:
    """Read the take, find its taps, infer the pulls, plan the moves.

    Raises
    ------
    DrumtuneError
        If files, taps or reading do not allow an answer; one line for the player.
    """
    check_counts(drum.rods, taps_per_rod, channel)
    heard = listen(paths, drum.rods, taps_per_rod, channel, progress)
    take, groups, rejected = heard.take, heard.groups, heard.rejected

    from drumtune.advice.evenness import read_head
    from drumtune.advice.turns import plan_moves

    reading = read_head(take.samples, take.sample_rate, groups, drum, air=air, progress=heard.rest(progress))
    return Job(
        tuple(Path(name) for name in take.files),
        take.duration,
        take.sample_rate,
        taps_per_rod,
        reading,
        plan_moves(reading.pulls_cents, reading.covariance, drum, reading.tension, verdict=reading.verdict),
        (*take.warnings, *left_out(take, rejected)),
    )


@dataclass(frozen=True, slots=True)
class Heard:
    """The take, each rod's taps with times in its samples, the sounds left out, and the share of the work now done."""

    take: Recording
    groups: tuple[tuple[Tap, ...], ...]
    rejected: tuple[Rejected, ...]
    done: float = 0.0

    def rest(self, progress: Callable[[float], None] | None) -> Callable[[float], None] | None:
        """Progress of the work that is left, told as a share of all of it."""
        done = self.done
        return None if progress is None else lambda share: progress(done + (1.0 - done) * share)


def listen(
    paths: Sequence[Path],
    rods: int,
    taps_per_rod: int | None,
    channel: int | None,
    progress: Callable[[float], None] | None = None,
) -> Heard:
    """Read the take and find each rod's taps: by file where there is one file per rod, else by count or pause.

    Long recordings are read block by block, and only the sound round the taps is kept.

    Raises
    ------
    DrumtuneError
        If a file cannot be read, no tap is found, or the taps are not as many as asked for.
    """
    from drumtune import streamed
    from drumtune.audio import read_whole
    from drumtune.dsp.by_rod import taps_by_rod
    from drumtune.source import describe_take

    source = describe_take(paths, channel, streamed.LONGEST)
    with _files_told(len(source.files), rods):
        if source.promised is None or source.promised > streamed.LONG:
            tell = None if progress is None else lambda share: progress(LISTENING * share)
            return Heard(*streamed.listen(source, rods, taps_per_rod, tell), LISTENING)
        take = read_whole(source)
        return Heard(take, *taps_by_rod(take.samples, take.sample_rate, rods, taps_per_rod, take.parts))


@contextmanager
def _files_told(files: int, rods: int) -> Iterator[None]:
    """Say, where several files that are not one per rod do not make one round, that there may be several takes."""
    from drumtune.errors import TakeError

    try:
        yield
    except TakeError as failure:
        if failure.reason != "count" or files in (1, rods):
            raise
        message = (
            f"these are {files} files, but the drum has {rods} rods: give one file per rod, or, if each is a take "
            f"of its own, say --each (read as one take: {failure})"
        )
        raise TakeError(message, reason=failure.reason, estimate=failure.estimate) from failure


def check_counts(rods: int, taps_per_rod: int | None, channel: int | None) -> None:
    """Refuse counts that no round of taps has, before any file is read.

    Raises
    ------
    StandError
        If taps per rod are not 1 to 20, or the channel is not 1 or more.
    """
    from drumtune.errors import StandError

    if taps_per_rod is not None and not 1 <= taps_per_rod <= 20:
        raise StandError(f"a rod gets 1 to 20 taps, got {taps_per_rod} for each of {rods}: check --taps-per-rod")
    if channel is not None and channel < 1:
        raise StandError(f"channels count from 1, got {channel}: check --channel")


def left_out(take: Recording, rejected: Sequence[Rejected]) -> list[str]:
    """One sentence for each sound that was judged to be no tap, or one for all when they are many.

    The second sound of a double hit is not told: the reading tells that the hit was left out.
    """
    from drumtune.dsp.taps import SECOND

    told = [sound for sound in rejected if sound.reason != SECOND]
    if len(told) > TOLD:
        return [f"{len(told)} sounds left out that are no taps"]
    return [f"left out the sound at {_place(take, sound.time)}: {sound.reason}" for sound in told]


def _place(take: Recording, time: float) -> str:
    """A time of the take, in the file it fell in where there are several."""
    from drumtune.files import shown

    if len(take.parts) < 2:
        return f"{time:.2f} s"
    part = max(k for k, (start, _) in enumerate(take.parts) if k == 0 or start <= time * take.sample_rate)
    return f"{time - take.parts[part][0] / take.sample_rate:.2f} s of {shown(Path(Path(take.files[part]).name))}"
