"""Taps given to the rods they were played at, by their number or by the longer pauses between rods.

Samples are real, one channel, full scale 1.0, shape (n,); rates in Hz; times in seconds from the first sample. A round
goes rod by rod, clockwise from the marked one. Does not tell rods apart by their sound.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.taps import Rejected, Search, Tap, find_taps, times_told
from drumtune.errors import TakeError

Samples = NDArray[np.float64]
Parts = tuple[tuple[int, int], ...]

_WRONG = {
    "clipped": ", clipped ones",
    "cut": ", ones the recording cuts off",
    "double": ", double hits",
    "torn": ", ones with samples that stand still (sound was lost, or the recording has too few bits)",
}
"""What to call taps with a fault in a message."""
_CHECK = "check the numbers of rods and of taps per rod, or tap the round again"
_COUNT = "check the number of rods, say with --taps-per-rod how often each was tapped, or tap the round again"
"""What to do where taps and rods do not agree."""
_CLEAR = 1.15
"""Pauses between rods stand out when the shortest of them is so many times the longest pause within a rod."""
_WAYS = (100, 5000)
"""Ways to choose as many cuts among the pauses: pauses of no meaning show a given grouping once in so many takes. From
the first on it speaks against a count where the pauses stand out, from the second on where they are longer at all."""


def group_taps(taps: tuple[Tap, ...], rods: int, per_rod: int | None = None) -> tuple[tuple[Tap, ...], ...]:
    """Give each rod its taps, in the order they were played.

    Parameters
    ----------
    taps
        Strokes in order of time.
    rods
        Number of rods.
    per_rod
        Taps at each rod. Without it the longer pauses between rods decide, and rods may have different numbers; where
        no pause stands out, taps are shared out equally if their number allows it.

    Returns
    -------
    tuple
        `rods` tuples of taps.

    Raises
    ------
    ValueError
        If a number asked for is not positive.
    TakeError
        ``"count"``: the taps are not as many as asked for, or the pauses do not tell which belong together, or plainly
        show other groups of equal size than the count given.
    """
    if rods < 1 or (per_rod is not None and per_rod < 1):
        raise ValueError(f"rods and taps per rod must be positive, got {rods} and {per_rod}")
    if per_rod is not None:
        if len(taps) != rods * per_rod:
            asked = f"{per_rod} taps" if rods == 1 else f"{rods} rods x {per_rod} taps = {rods * per_rod}"
            raise _count_error(taps, asked)
        _check_pauses(taps, rods, per_rod)
        return tuple(taps[i : i + per_rod] for i in range(0, len(taps), per_rod))
    if len(taps) < rods:
        raise _count_error(taps, f"{rods} rods, at least one tap each")
    return _by_pauses(taps, rods)


def taps_by_rod(
    samples: Samples, sample_rate: float, rods: int, per_rod: int | None = None, parts: Parts = ()
) -> tuple[tuple[tuple[Tap, ...], ...], tuple[Rejected, ...]]:
    """Find the taps of a take and give each rod its own.

    Parameters
    ----------
    samples, sample_rate
        As for `find_taps`.
    rods, per_rod
        As for `group_taps`.
    parts
        Sample ranges of the files the take was put together from. When there are as many as rods, each is one rod.

    Returns
    -------
    groups, rejected
        `rods` tuples of taps, and the sounds left out.

    Raises
    ------
    TakeError
        As `find_taps` and `group_taps`.
    """

    def find(part: int | None, expected: int | None) -> Search:
        start, stop = (0, None) if part is None else parts[part]
        return find_taps(samples[start:stop], sample_rate, expected)

    return grouped(find, rods, per_rod, [start / sample_rate for start, _ in parts])


def grouped(
    find: Callable[[int | None, int | None], Search], rods: int, per_rod: int | None, starts: Sequence[float]
) -> tuple[tuple[tuple[Tap, ...], ...], tuple[Rejected, ...]]:
    """Give each rod its taps, found by file where there is one file per rod, else all together.

    Parameters
    ----------
    find
        Finds the taps of a file (its place from 0, None for the whole take), given the number expected.
    rods, per_rod
        As for `group_taps`.
    starts
        Where each file begins in the take, s.

    Returns
    -------
    groups, rejected
        As `taps_by_rod`.

    Raises
    ------
    TakeError
        As `find` and `group_taps`.
    """
    if len(starts) != rods or rods == 1:
        search = find(None, None if per_rod is None else rods * per_rod)
        return group_taps(search.taps, rods, per_rod), search.rejected
    groups, rejected = [], []
    for part, late in enumerate(starts):
        try:
            search = find(part, per_rod)
            group_taps(search.taps, 1, per_rod)
        except TakeError as failure:
            message = f"in the recording of rod {part + 1}: {failure}"
            raise TakeError(message, reason=failure.reason, estimate=failure.estimate) from failure
        groups.append(tuple(replace(tap, onset=tap.onset + late) for tap in search.taps))
        rejected += [Rejected(sound.time + late, sound.reason) for sound in search.rejected]
    return tuple(groups), tuple(rejected)


def _by_pauses(taps: tuple[Tap, ...], rods: int) -> tuple[tuple[Tap, ...], ...]:
    """Cut at the rods - 1 longest pauses if they stand out, else share out equally if nothing speaks against it."""
    gaps = np.diff([tap.onset for tap in taps])
    longest = np.sort(np.argsort(-gaps, kind="stable")[: rods - 1])
    inner = np.delete(gaps, longest)
    clear = longest.size == 0 or inner.size == 0 or gaps[longest].min() > _CLEAR * inner.max()
    if not clear:
        each, left = divmod(len(taps), rods)
        longest = np.arange(1, rods) * each - 1
        inner = np.delete(gaps, longest)
        if left or gaps[longest].mean() < inner.mean() or inner.max() > 1.5 * gaps[longest].mean():
            raise _count_error(taps, f"{rods} rods, and the pauses do not show where a rod ends", _COUNT)
    cuts = [0, *(int(k) + 1 for k in longest), len(taps)]
    return tuple(taps[a:b] for a, b in itertools.pairwise(cuts))


def _check_pauses(taps: tuple[Tap, ...], rods: int, per_rod: int) -> None:
    """Refuse a count of the right product where the pauses plainly show other groups of equal size.

    Does not refuse where the count's own pauses stand out too, or the longer pauses only join rods of the count (a
    rest after every second rod).

    Raises
    ------
    TakeError
        ``"count"``.
    """
    gaps = np.diff([tap.onset for tap in taps])
    if rods == 1 or _longer(gaps, per_rod, 1.0):
        return
    for size in range(2, len(taps) // 2 + 1):
        groups, left = divmod(len(taps), size)
        ways = math.comb(gaps.size, groups - 1)
        if left or size % per_rod == 0 or ways < _WAYS[0]:
            continue
        if _longer(gaps, size, _CLEAR if ways < _WAYS[1] else 1.0):
            raise TakeError(
                f"the pauses show {groups} groups of {size} taps, not {rods} rods of {per_rod}: check --rods and "
                "--taps-per-rod",
                reason="count",
                estimate=taps,
            )


def _longer(gaps: Samples, size: int, times: float) -> bool:
    """Whether each pause after every `size` taps is more than so many times as long as any other."""
    between = np.arange(1, gaps.size + 1) % size == 0
    return bool(between.any() and not between.all() and gaps[between].min() > times * gaps[~between].max())


def _count_error(taps: tuple[Tap, ...], wanted: str, cure: str = _CHECK) -> TakeError:
    """One line with what was found, what was asked for, and what to do."""
    where = {fault: [tap.onset for tap in taps if tap.fault == fault] for fault in sorted({t.fault for t in taps})}
    listed = "".join(f"{_WRONG.get(fault, '')} at {times_told(times)}" for fault, times in where.items())
    return TakeError(
        f"found {len(taps)} taps{listed}, but asked for {wanted}: {cure}",
        reason="count",
        estimate=taps,
    )
