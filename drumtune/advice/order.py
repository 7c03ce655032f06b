"""Whether a round slipped by a tap: one rod got a tap too few or too many, and all after it stand at the wrong rods.

Taps at one rod sound more like each other than like those of its neighbours. The taps in order are held against every
slip by one tap; the one that leaves much less scatter within the rods than the order as counted is told. How well that
works is in docs/live.md. It does not say which of the taps of a rod is wrong, and a single tap at a wrong rod in a
round that is otherwise in order is left to the reading.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LOWEST, HIGHEST = 60.0, 1400.0
"""Frequencies compared, Hz."""
LENGTH, DAMPING, SKIPPED = 0.55, 6.0, 0.003
"""Sound compared after an onset (s), decay rate of the window (1/s), and what is left out for the stick (s)."""
SMOOTH = 5
"""Bins of the spectra that are averaged; they are a quarter of 1/LENGTH apart."""
SURE = 0.1
"""Least gain in log scatter for a slip to be told. On the takes of tests/data and their like no round in order gains
more than -0.1, and no slipped one less than 0.14 (our own measure)."""


@dataclass(frozen=True, slots=True)
class Slip:
    """Rod (from 1; it may be the one beside) that got one tap too few (-1) or too many (1), gain in log scatter."""

    rod: int
    by: int
    gain: float

    @property
    def first(self) -> int:
        """Rod to tap on from: one before the first whose taps are not its own, for neighbours may sound alike."""
        return max(self.rod - 1, 1) if self.by < 0 else self.rod


def sounds(samples: Array, rate: float, onsets: Array) -> Array:
    """How taps sound: root magnitudes of their spectra, smoothed, each of length one, less their mean; shape (S, K)."""
    count = round(LENGTH * rate)
    size = 4 * count
    frequency = np.fft.rfftfreq(size, 1.0 / rate)
    window = np.exp(-DAMPING * np.arange(count) / rate)
    rows = []
    for onset in onsets:
        first = max(round((onset + SKIPPED) * rate), 0)
        part = samples[first : first + count]
        spectrum = np.fft.rfft(np.pad(part, (0, count - part.size)) * window, size)
        rows.append(np.sqrt(np.abs(spectrum[(frequency > LOWEST) & (frequency < HIGHEST)])))
    found = np.array([np.convolve(row, np.full(SMOOTH, 1.0 / SMOOTH), "same") for row in rows])
    found /= np.maximum(np.linalg.norm(found, axis=1, keepdims=True), 1e-300)
    return np.asarray(found - found.mean(axis=0), np.float64)


def slipped(heard: Array, rods: int, per_rod: int) -> Slip | None:
    """The slip that explains taps in order of time much better than that each rod has `per_rod` of them, if any.

    Parameters
    ----------
    heard
        From `sounds`, shape (rods * per_rod, K).

    Raises
    ------
    ValueError
        If there are not so many taps.
    """
    if len(heard) != rods * per_rod:
        raise ValueError(f"{rods} rods with {per_rod} taps each are {rods * per_rod} taps, got {len(heard)}")
    if per_rod < 2:
        return None
    apart = _apart(heard)
    plain = _scatter(apart, [per_rod] * rods)
    best: Slip | None = None
    for rod in range(1, rods):
        for by in (-1, 1):
            counts = [per_rod] * rods
            counts[rod - 1] += by
            counts[-1] -= by
            gain = math.log(plain / max(_scatter(apart, counts), 1e-300)) if plain > 0.0 else -math.inf
            if best is None or gain > best.gain:
                best = Slip(rod, by, gain)
    return best if best is not None and best.gain > SURE else None


def _apart(heard: Array) -> Array:
    """Squared distances between all rows, without an array of their differences; scipy is loaded when it is needed."""
    from scipy.spatial.distance import pdist, squareform

    return np.asarray(squareform(pdist(heard, "sqeuclidean")), np.float64)


def _scatter(apart: Array, counts: Sequence[int]) -> float:
    """Sum of squared distances from the mean of each group, from squared distances between all."""
    total, first = 0.0, 0
    for count in counts:
        part = apart[first : first + count, first : first + count]
        total += float(part.sum()) / (2.0 * count)
        first += count
    return total
