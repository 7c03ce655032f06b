"""Taps in a recording: found and judged.

Samples are real, one channel, full scale 1.0, shape (n,); rates in Hz; times in seconds from the first sample.

A candidate is an instant where sound sets in (``drumtune.dsp.onsets``). It is a tap when it sounds like most others of
the take: enough tone under 1.2 kHz, no more contact noise than that tone warrants (a knock has the noise without the
tone), similar lines, and dying away at once (speech swells). What was hit twice, clipped or torn keeps its place in the
count but carries a fault, so that the order of the rods is not lost (``drumtune.dsp.by_rod`` gives each its own); later
steps leave it out.

Does not see that the microphone was moved.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.faults import fault_of
from drumtune.dsp.gather import Candidates, gather
from drumtune.dsp.likeness import DOUBTFUL, LIKELY, SURE, Likeness, judged
from drumtune.dsp.onsets import refine_onset
from drumtune.errors import TakeError

Samples = NDArray[np.float64]

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
_SHOWN = 8
"""Times told in a message before it is shortened."""


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
        when = times_told([tap.onset for tap in search.taps])
        raise TakeError(
            f"every tap is clipped ({when}): turn the recording level down or move the microphone away",
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


def times_told(times: list[float]) -> str:
    """Times in words, the middle left out when there are many."""
    words = [f"{time:.2f}" for time in times]
    if len(words) > _SHOWN:
        words = [*words[: _SHOWN // 2], "...", *words[-_SHOWN // 2 :]]
    return " ".join(words) + " s"
