"""Taps in a recording: found, judged, and grouped by rod.

Samples are real, one channel, full scale 1.0, shape (n,); rates in Hz; times in seconds from the first sample.

A candidate is an instant where sound sets in (``drumtune.dsp.onsets``). It is a tap when it sounds like most others of
the take: enough tone under 1.2 kHz, no more contact noise than that tone warrants (a knock has the noise without the
tone), similar lines, and dying away at once (speech swells). What was hit twice, clipped or torn keeps its place in the
count but carries a fault, so that the order of the rods is not lost; later steps leave it out.

Does not tell rods apart by their sound, and does not see that the microphone was moved.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.faults import fault_of
from drumtune.dsp.gather import Candidates, gather
from drumtune.dsp.likeness import DOUBTFUL, LIKELY, SURE, Likeness, judged
from drumtune.dsp.onsets import refine_onset
from drumtune.errors import TakeError

Samples = NDArray[np.float64]
Parts = tuple[tuple[int, int], ...]

DOUBLE = 0.25
"""A stroke within this time of the one before (s) makes that one a double hit."""
SECOND = "second of a double hit"
"""Why the second sound of a double hit is left out; the first one is the tap and carries the fault."""
SILENT = 1e-5
"""Peak under which a recording is silence, full scale 1 (under one step of 16 bit)."""
_LOUDER = 6.0
"""Of two sounds so close, the second is the tap if it has this much more tone (dB)."""
_ALIKE = 0.85
"""Likeness of lines of a tap in a run of other sounds."""
_WRONG = {
    "clipped": ", clipped ones",
    "cut": ", ones the recording cuts off",
    "double": ", double hits",
    "torn": ", ones with samples that stand still (sound was lost, or the recording has too few bits)",
}
"""What to call taps with a fault in a message."""
_SHOWN = 8
"""Times told in a message before it is shortened."""
_CHECK = "check the numbers of rods and of taps per rod, or tap the round again"
_COUNT = "check the number of rods, say with --taps-per-rod how often each was tapped, or tap the round again"
"""What to do where taps and rods do not agree."""
_CLEAR = 1.15
"""Pauses between rods stand out when the shortest of them is so many times the longest pause within a rod."""
_WAYS = (100, 5000)
"""Ways to choose as many cuts among the pauses: pauses of no meaning show a given grouping once in so many takes. From
the first on it speaks against a count where the pauses stand out, from the second on where they are longer at all."""


@dataclass(frozen=True, slots=True)
class Tap:
    """One stroke.

    Parameters
    ----------
    onset
        Time of first motion, s.
    peak
        Largest excursion in the 0.1 s after it, full scale 1.
    level_db
        That peak in dB under full scale (0 or less, unless the samples exceed full scale).
    clipped
        Whether its tops were cut off.
    fault
        Empty for a usable tap, else ``"clipped"``, ``"double"``, ``"torn"`` (stuck samples) or ``"cut"`` (the
        recording ends too soon after it).
    """

    onset: float
    peak: float
    level_db: float
    clipped: bool = False
    fault: str = ""

    @property
    def usable(self) -> bool:
        """Whether nothing is wrong with it."""
        return not self.fault


@dataclass(frozen=True, slots=True)
class Rejected:
    """A sound that was judged to be no tap: its time in s and why, in a few words for the player."""

    time: float
    reason: str


@dataclass(frozen=True, slots=True)
class Search:
    """What was found: strokes in order of time (faulty ones too), and sounds that were left out."""

    taps: tuple[Tap, ...]
    rejected: tuple[Rejected, ...] = ()


def find_taps(samples: Samples, sample_rate: float, expected: int | None = None) -> Search:
    """Find the taps of a take.

    Parameters
    ----------
    samples
        Shape (n,), finite.
    sample_rate
        Hz.
    expected
        Number of taps the player was asked for, if known. It only settles doubtful cases: quiet or odd candidates are
        taken in or left out to meet it, and a faulty tap that was plainly repeated is dropped. Clear taps are never
        dropped and none is invented, so the answer may well have another number.

    Returns
    -------
    Search
        At least one tap.

    Raises
    ------
    ValueError
        If samples are not one finite channel.
    TakeError
        ``"silence"``: nothing in the recording; ``"noise"``: no sound that could be a tap; ``"clipped"``: every tap
        is clipped.
    """
    samples = _checked(samples)
    if samples.size == 0 or np.ptp(samples) < SILENT:
        raise TakeError(
            "the recording is silent: check the microphone and its level, and record again", reason="silence"
        )
    found = some(gather(samples, sample_rate))
    looks = judged(found.seen, found.rise, expected)
    search = chosen(lambda k: tap_at(samples, sample_rate, float(found.coarse[k])), found.coarse, looks, expected)
    return usable_search(search)


def some(found: Candidates) -> Candidates:
    """The same candidates, if there are any.

    Raises
    ------
    TakeError
        ``"noise"``: nothing stands out.
    """
    if found.coarse.size == 0:
        raise TakeError(
            "no tap stands out of the noise: record closer to the drum or in a quieter room", reason="noise"
        )
    return found


def usable_search(search: Search) -> Search:
    """The same search, if a round can rest on it.

    Raises
    ------
    TakeError
        ``"noise"``: no tap; ``"clipped"``: every tap is clipped.
    """
    if not search.taps:
        raise TakeError("no sound in the recording rings like a drum: tap the head near each rod", reason="noise")
    if all(tap.clipped for tap in search.taps):
        raise TakeError(
            f"every tap is clipped ({_times([tap.onset for tap in search.taps])}): turn the recording level down or "
            "move the microphone away",
            reason="clipped",
            estimate=search,
        )
    return search


def _checked(samples: Samples) -> Samples:
    """Refuse what is not one finite channel."""
    samples = np.asarray(samples, float)
    if samples.ndim != 1:
        raise ValueError(f"samples must be one channel, shape (n,), got shape {samples.shape}")
    if not np.isfinite(samples).all():
        raise ValueError("samples must be finite, got NaN or infinity")
    return samples


def chosen(tap_of: Callable[[int], Tap], coarse: Samples, looks: Likeness, expected: int | None) -> Search:
    """Taps among candidates: which are taken, which of them were hit twice; `tap_of` gives the stroke at a candidate.

    `coarse` has the candidates' coarse onsets, shape (candidates,), s. There may be no tap among them.
    """
    crowded = _crowded(coarse, looks)
    taken = _taken(np.where(crowded, 0.0, looks.quality), expected)
    tone = looks.measures[0]
    kept: list[int] = []
    doubled: list[int] = []
    rejected: list[Rejected] = []
    for k, time in enumerate(coarse.tolist()):
        close = bool(kept) and time - coarse[kept[-1]] < DOUBLE
        if not taken[k]:
            rejected.append(
                Rejected(time, "one of a run of sounds, such as speech" if crowded[k] else looks.reasons[k])
            )
        elif close and tone[k] > tone[kept[-1]] + _LOUDER:
            rejected.append(Rejected(float(coarse[kept.pop()]), "a softer sound just before a tap"))
            kept.append(k)
        elif close:
            doubled.append(kept[-1])
            rejected.append(Rejected(time, SECOND))
        else:
            kept.append(k)
    taps = tuple(_doubled(tap_of(k)) if k in doubled else tap_of(k) for k in kept)
    return _without_repeats(Search(taps, tuple(sorted(rejected, key=lambda sound: sound.time))), expected)


def _crowded(coarse: Samples, looks: Likeness) -> NDArray[np.bool_]:
    """Which candidates belong to a run of four or more that could be taps, each within `DOUBLE` of the one before.

    One that stands out of a run, by more tone than the rest or by lines very like the take's, does not belong to it.
    """
    crowded = np.zeros(coarse.size, bool)
    likely = np.flatnonzero(looks.quality >= DOUBTFUL)
    for run in np.split(likely, np.flatnonzero(np.diff(coarse[likely]) > DOUBLE) + 1):
        if run.size >= 4:
            tone, alike = looks.measures[0, run], looks.measures[2, run]
            stands_out = (tone > np.sort(tone)[-2] + _LOUDER) | ((alike >= _ALIKE) & (alike == alike.max()))
            crowded[run[~stands_out]] = True
    return crowded


def _taken(quality: Samples, expected: int | None) -> NDArray[np.bool_]:
    """Which candidates are taps: the sure ones, and of the doubtful ones as many of the best as are wanted."""
    if expected is None:
        return np.asarray(quality >= LIKELY)
    taken = quality >= SURE
    missing = expected - int(taken.sum())
    doubtful = np.flatnonzero((quality >= DOUBTFUL) & ~taken)
    best = doubtful[np.argsort(-quality[doubtful], kind="stable")]
    if 0 < missing <= best.size:
        next_best = quality[best[missing]] if missing < best.size else 0.0
        if quality[best[missing - 1]] > next_best:
            taken[best[:missing]] = True
    return np.asarray(taken)


def _doubled(tap: Tap) -> Tap:
    """The same stroke, marked as a double hit if nothing worse is wrong with it."""
    return tap if tap.fault else replace(tap, fault="double")


def tap_at(samples: Samples, rate: float, coarse: float) -> Tap:
    """Refined onset, level and fault of the stroke at a coarse onset (s)."""
    onset = refine_onset(samples, rate, coarse)
    at = round(onset * rate)
    before = samples[max(0, at - round(0.02 * rate)) : max(1, at - round(0.002 * rate))]
    ring = samples[at : at + round(0.1 * rate)] - before.mean()
    peak = float(np.abs(ring).max(initial=0.0))
    fault = fault_of(samples, rate, onset)
    return Tap(onset, peak, 20.0 * float(np.log10(max(peak, 1e-12))), fault == "clipped", fault)


def _without_repeats(search: Search, expected: int | None) -> Search:
    """Drop the faulty strokes when there are too many strokes and leaving out just those gives the number wanted."""
    good = tuple(tap for tap in search.taps if tap.usable)
    if expected is None or len(search.taps) <= expected or len(good) != expected:
        return search
    dropped = [Rejected(tap.onset, f"{tap.fault}, and tapped again") for tap in search.taps if not tap.usable]
    return Search(good, tuple(sorted((*search.rejected, *dropped), key=lambda r: r.time)))


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
    listed = "".join(f"{_WRONG.get(fault, '')} at {_times(times)}" for fault, times in where.items())
    return TakeError(
        f"found {len(taps)} taps{listed}, but asked for {wanted}: {cure}",
        reason="count",
        estimate=taps,
    )


def _times(times: list[float]) -> str:
    """Times in words, the middle left out when there are many."""
    words = [f"{time:.2f}" for time in times]
    if len(words) > _SHOWN:
        words = [*words[: _SHOWN // 2], "...", *words[-_SHOWN // 2 :]]
    return " ".join(words) + " s"
