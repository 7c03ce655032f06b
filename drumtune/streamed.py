"""Taps of a take that is too long to be kept in memory: found block by block, and only the sound round them kept.

A file is read twice: once to find where sound sets in and how each such sound compares with the others
(``drumtune.dsp.gather``), once more to keep half a second before and a second and a half after every tap. Memory is
that of a minute of sound, of the candidates and of the taps. Times in s, samples as in ``drumtune.audio``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.audio import Recording
from drumtune.dsp.by_rod import grouped
from drumtune.dsp.gather import Candidates, Gatherer, grid_of
from drumtune.dsp.likeness import judged
from drumtune.dsp.taps import Rejected, Search, Tap, chosen, some, tap_at, usable_search
from drumtune.errors import TakeError
from drumtune.source import Source, Track

Samples = NDArray[np.float64]
Groups = tuple[tuple[Tap, ...], ...]

LONG = 180.0
"""From this length on a take is read block by block, s; and where a file does not say how long it is."""
LONGEST = 7200.0
"""Longest recording read at all, s."""
BEFORE, AFTER = 0.5, 1.5
"""Sound kept before and after a tap, s: more than finding and reading look at."""
MOST_TAPS = 400
"""Most taps of a take; 16 rods at 20 taps are 320."""
MOST_SOUNDS = 20_000
"""Most candidates that are compared with each other: five each second for an hour."""


@dataclass(frozen=True, slots=True)
class _Kept:
    """A stretch of sound that was kept, and the place of its first sample in the take."""

    start: int
    samples: Samples


def listen(
    source: Source, rods: int, per_rod: int | None = None, progress: Callable[[float], None] | None = None
) -> tuple[Recording, Groups, tuple[Rejected, ...]]:
    """Find the taps of each rod in a recording of any length.

    Parameters
    ----------
    source
        The files; when there are as many as rods, each is one rod.
    rods, per_rod
        As for `drumtune.dsp.by_rod.group_taps`.
    progress
        Called with the share done, 0...1.

    Returns
    -------
    recording, groups, rejected
        The sound round the taps, end to end; each rod's taps, with times in that; the sounds left out, with times in
        the whole take.

    Raises
    ------
    AudioError
        If a file cannot be read or holds nothing to analyse.
    TakeError
        As `drumtune.dsp.by_rod.taps_by_rod`.
    """
    tracks = source.tracks()
    apart = [[track] for track in tracks] if len(tracks) == rods > 1 else [tracks]
    told = _Told(progress, (source.promised or 0.0) * source.sample_rate)
    candidates = [_gathered(group, source, told) for group in apart]
    stops = np.cumsum([track.count for track in tracks]).tolist()
    parts = tuple(zip([0, *stops[:-1]], stops, strict=True))
    kept: list[_Kept] = []

    def find(part: int | None, expected: int | None) -> Search:
        place = part or 0
        search, pieces = _found(candidates[place], apart[place], source.sample_rate, expected)
        kept.extend(replace(piece, start=piece.start + parts[place][0]) for piece in pieces)
        return search

    starts = [start / source.sample_rate for start, _ in parts]
    groups, rejected = grouped(find, rods, per_rod, starts)
    recording = Recording(
        np.concatenate([piece.samples for piece in kept]),
        source.sample_rate,
        tuple(str(file) for file in source.files),
        source.channel,
        source.sounds[0].channels,
        tuple(sentence for track in tracks for sentence in track.warnings),
        parts,
        whole=stops[-1] / source.sample_rate,
    )
    return recording, _moved(groups, kept, source.sample_rate), rejected


class _Told:
    """Counts samples read and tells the share of those promised."""

    def __init__(self, progress: Callable[[float], None] | None, promised: float) -> None:
        self._progress, self._promised, self._count = progress, promised, 0

    def add(self, count: int) -> None:
        """So many more were read."""
        self._count += count
        if self._progress and self._promised:
            self._progress(min(1.0, self._count / self._promised))


def _gathered(tracks: Sequence[Track], source: Source, told: _Told) -> Candidates:
    """Candidates of files that follow each other without a break."""
    gatherer = Gatherer(source.sample_rate)
    for track in tracks:
        for block in track:
            gatherer.feed(block)
            told.add(block.size)
            if gatherer.count > MOST_SOUNDS:
                raise TakeError(
                    f"more than {MOST_SOUNDS} sounds set in, which is no round of taps: cut out the round of taps",
                    reason="noise",
                )
    return gatherer.finish()


def _found(
    candidates: Candidates, tracks: Sequence[Track], rate: float, expected: int | None
) -> tuple[Search, list[_Kept]]:
    """Taps among the candidates of some files, and the sound round them; times from the first of those files."""
    found = some(candidates)
    looks, coarse = judged(found.seen, found.rise, expected), found.coarse
    rough = chosen(lambda k: Tap(float(coarse[k]), 1.0, 0.0), coarse, looks, expected)
    if len(rough.taps) > MOST_TAPS:
        if expected is None:
            raise TakeError(
                f"found {len(rough.taps)} taps, which is no round of taps: cut out the round of taps", reason="count"
            )
        return rough, []  # their number will be refused
    kept = _cut(tracks, [tap.onset for tap in rough.taps], rate)
    begins = np.array([piece.start for piece in kept]) / rate

    def tap_of(k: int) -> Tap:
        place = int(np.searchsorted(begins, coarse[k], side="right")) - 1
        tap = tap_at(kept[place].samples, rate, float(coarse[k] - begins[place]))
        return replace(tap, onset=tap.onset + float(begins[place]))

    return usable_search(chosen(tap_of, coarse, looks, expected)), kept


def _cut(tracks: Sequence[Track], times: Sequence[float], rate: float) -> list[_Kept]:
    """Read again and keep the sound round times (s, ascending)."""
    grid = grid_of(rate)
    ranges: list[tuple[int, int]] = []
    for time in times:
        start, stop = max(0, int((time - BEFORE) * rate) // grid * grid), round((time + AFTER) * rate)
        if ranges and start <= ranges[-1][1]:
            start = ranges.pop()[0]
        ranges.append((start, stop))
    pieces: list[list[Samples]] = [[] for _ in ranges]
    first = 0
    for place, block in _placed(tracks):
        while first < len(ranges) and ranges[first][1] <= place:
            first += 1
        for number in range(first, len(ranges)):
            start, stop = ranges[number]
            if start >= place + block.size:
                break
            pieces[number].append(block[max(0, start - place) : stop - place].copy())
    return [_Kept(start, np.concatenate(part)) for (start, _), part in zip(ranges, pieces, strict=True) if part]


def _placed(tracks: Sequence[Track]) -> Iterator[tuple[int, Samples]]:
    """Blocks of files that follow each other, with the place of the first sample of each."""
    place = 0
    for track in tracks:
        for block in track:
            yield place, block
            place += block.size


def _moved(groups: Groups, kept: Sequence[_Kept], rate: float) -> Groups:
    """The same taps with times in the sound kept, its pieces put end to end."""
    begins = np.array([piece.start for piece in kept])
    earlier = begins - np.cumsum([0, *(piece.samples.size for piece in kept[:-1])])

    def moved(tap: Tap) -> Tap:
        place = int(np.searchsorted(begins, tap.onset * rate, side="right")) - 1
        return replace(tap, onset=tap.onset - float(earlier[place]) / rate)

    return tuple(tuple(moved(tap) for tap in taps) for taps in groups)
