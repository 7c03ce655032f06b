"""The main job, from files to moves, which `even` and `demo` share. Gives values; prints nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drumtune.advice.reading import Reading
    from drumtune.advice.turns import Plan
    from drumtune.audio import Recording
    from drumtune.drum import Air, Drum
    from drumtune.dsp.taps import Search, Tap

TOLD = 4
"""Sounds left out that are told one by one; more are only counted."""


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
    take, search = listen(paths, drum.rods, taps_per_rod, channel)
    groups = by_rod(take, search, drum.rods, taps_per_rod)

    from drumtune.advice.evenness import read_head
    from drumtune.advice.turns import plan_moves

    reading = read_head(take.samples, take.sample_rate, groups, drum, air=air, progress=progress)
    return Job(
        tuple(Path(name) for name in take.files),
        take.duration,
        take.sample_rate,
        taps_per_rod,
        reading,
        plan_moves(reading.pulls_cents, reading.covariance, drum, reading.tension, verdict=reading.verdict),
        (*take.warnings, *left_out(search)),
    )


def listen(paths: Sequence[Path], rods: int, taps_per_rod: int | None, channel: int | None) -> tuple[Recording, Search]:
    """Read the take and find its taps.

    Raises
    ------
    DrumtuneError
        If a file cannot be read or no tap is found.
    """
    from drumtune.audio import read_take
    from drumtune.dsp.taps import find_taps

    take = read_take(paths, channel)
    expected = None if taps_per_rod is None else rods * taps_per_rod
    return take, find_taps(take.samples, take.sample_rate, expected)


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


def by_rod(take: Recording, search: Search, rods: int, per_rod: int | None) -> tuple[tuple[Tap, ...], ...]:
    """Give each rod its taps: by file where there is one file per rod, else by count or pause.

    Raises
    ------
    TakeError
        If the taps are not as many as asked for.
    """
    from drumtune.dsp.taps import group_taps

    if len(take.parts) != rods:
        return group_taps(search.taps, rods, per_rod)
    return tuple(_of_file(take, search, part, per_rod) for part in range(rods))


def _of_file(take: Recording, search: Search, part: int, per_rod: int | None) -> tuple[Tap, ...]:
    """Taps of one file of a take with one file per rod."""
    from drumtune.errors import TakeError

    start, stop = (bound / take.sample_rate for bound in take.parts[part])
    inside = tuple(tap for tap in search.taps if start <= tap.onset < stop)
    if not inside or (per_rod is not None and len(inside) != per_rod):
        times = " ".join(f"{tap.onset - start:.2f}" for tap in inside)
        raise TakeError(
            f"{take.files[part]}: found {len(inside)} taps{' at ' + times + ' s' if times else ''}, but asked for "
            f"{per_rod or 'one at least'} at rod {part + 1}: check --taps-per-rod, or tap that rod again",
            reason="count",
            estimate=inside,
        )
    return inside


def left_out(search: Search) -> list[str]:
    """One sentence for each sound that was judged to be no tap, or one for all when they are many."""
    if len(search.rejected) > TOLD:
        return [f"{len(search.rejected)} sounds left out that are no taps"]
    return [f"left out the sound at {sound.time:.2f} s: {sound.reason}" for sound in search.rejected]
