"""Lines of a take: what rings after its hits, found jointly over all of them.

Which mode each belongs to is the business of `drumtune.advice.pair_names`. Frequencies in Hz, decay rates in 1/s.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.cluster import chance_of_gain, noise_variance, settle
from drumtune.dsp.refine import pole_variance, solve_linear
from drumtune.dsp.search import Cluster, Search, find_clusters, line_frequencies, problem_of
from drumtune.dsp.spectra import Segments, as_segments
from drumtune.dsp.taps import find_taps
from drumtune.errors import TakeError

SETTLE = 0.012
"""Time after the onset at which the contact is surely over, s."""
LONGEST = 2.0
"""Longest stretch used of a hit, s."""
LEAST = 0.12
"""Shortest, s."""
BAND = (30.0, 900.0)
MOST_HITS = 8
CUT = 0.03
"""A take that is loud this early, s, was cut within its first hit."""
TOGETHER = 5
"""Most lines looked for in one window of the spectrum."""
SLOWEST, FASTEST = 0.3, 150.0
"""Decay rates of a drum's lines, 1/s: slower is hum, faster what the contact leaves."""
WEAKEST_DB = -45.0


@dataclass(frozen=True, slots=True)
class Sound:
    """A take as the search for lines left it, for a second look."""

    search: Search
    clusters: tuple[Cluster, ...]


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of one take by rising frequency: frequency and its sd (Hz), decay rate (1/s), level (dB, strongest 0)."""

    frequency: NDArray[np.float64]
    frequency_sd: NDArray[np.float64]
    decay_rate: NDArray[np.float64]
    level: NDArray[np.float64]
    sound: Sound | None = None

    def only(self, keep: NDArray[np.bool_]) -> Lines:
        """Some of the lines."""
        return Lines(
            self.frequency[keep], self.frequency_sd[keep], self.decay_rate[keep], self.level[keep], self.sound
        )  # fmt: skip


def lines_of(samples: NDArray[np.float64], sample_rate: float, name: str) -> Lines:
    """Lines common to all hits of a take called `name` in messages.

    Raises
    ------
    TakeError
        If there is no line to be found.
    """
    parts = _segments(samples, sample_rate)
    if not parts:
        raise TakeError(
            f"the {name} take holds no hit that rings for {1000 * LEAST:.0f} ms: strike the head a few times and let "
            "each ring out",
            reason="lines",
        )
    lines = _found(as_segments(parts, sample_rate))
    if lines.frequency.size == 0:
        raise TakeError(
            f"the {name} take shows no ringing line between 30 and 900 Hz: record it nearer", reason="lines"
        )
    return lines


def _found(record: Segments) -> Lines:
    """Lines of all hits jointly, close ones of unlike decay among them.

    `drumtune.dsp.partials.find_partials` would leave those out where hits are few, for on one head they are the ladder
    of a gliding line; of two heads, the upper (0,1) dies fast beside a (1,1) that lasts, and both are wanted.
    """
    search = Search(record, BAND[0], min(BAND[1], 0.45 * record.sample_rate), TOGETHER, WEAKEST_DB - 15.0)
    clusters = tuple(find_clusters(search))
    rows = [_table(cluster, record.sample_rate) for cluster in clusters]
    table = np.concatenate(rows, axis=1) if rows else np.zeros((4, 0))
    table = table[:, (table[2] > SLOWEST) & (table[2] < FASTEST) & (table[2] > 4.0 * math.pi * table[1])]
    table = table[:, np.argsort(table[0], kind="stable")]
    level = 10.0 * np.log10(table[3] / max(table[3].max(initial=0.0), 1e-300))
    return Lines(table[0], table[1], table[2], level, Sound(search, clusters)).only(level > WEAKEST_DB)


def _table(cluster: Cluster, rate: float) -> NDArray[np.float64]:
    """Frequency, its sd, decay rate and power of a window's lines, shape (4, P)."""
    if cluster.fit is None or cluster.problem is None:
        return np.zeros((4, 0))
    window, data = cluster.problem.window, cluster.problem.data
    settled = solve_linear(cluster.fit.theta, data, window, 1.0 / noise_variance(cluster.fit, cluster.problem))
    sd = np.sqrt(pole_variance(settled, data, window)) * rate / (2.0 * math.pi)
    power = np.sum(np.abs(settled.amplitude) ** 2, axis=0)
    return np.stack([line_frequencies(settled.theta, rate), sd, -settled.theta.real * rate, power])


def look_for(lines: Lines, frequency: float, decay_rate: float) -> Lines | None:
    """Look once more for a line expected near `frequency` (Hz) that dies at about `decay_rate` (1/s).

    A fast line beside a slow one is easily missed by a search that knows nothing; where a model says what to look for,
    one more line is fitted with those of its window. Returned, as the only one, if noise gives such a gain less than
    once in a million, and it stays within a seventh of the frequency and a factor of three of the rate expected.
    """
    if lines.sound is None:
        return None
    search, clusters = lines.sound.search, list(lines.sound.clusters)
    rate, reach = search.record.sample_rate, max(40.0, 1.5 * decay_rate)
    inside = [
        c for c in clusters if c.theta.size and np.any(np.abs(line_frequencies(c.theta, rate) - frequency) < reach)
    ]
    theta = np.concatenate([c.theta for c in inside]) if inside else np.zeros(0, dtype=np.complex128)
    others = [c for c in clusters if all(c is not near for near in inside)]
    known = line_frequencies(theta, rate)
    low, high = min(float(known.min(initial=frequency)), frequency), max(float(known.max(initial=frequency)), frequency)
    none = np.zeros((search.record.lengths.size, 0), dtype=np.complex128)
    wide = Cluster(max(2.0, low - reach), high + reach, theta[:0], none)
    problem = problem_of(search, [*others, wide], wide)
    before = settle(theta, problem)
    fresh = (-decay_rate + 2j * math.pi * frequency) / rate
    after = settle(np.append(before.theta, fresh), problem)
    if chance_of_gain(before, after, problem) > 1e-6:
        return None
    wide = replace(wide, theta=after.theta, amplitude=after.amplitude, problem=problem, fit=after)
    table = _table(wide, rate)
    off = np.abs(np.log(table[0] / frequency)) / math.log(8.0 / 7.0)
    off = np.maximum(off, np.abs(np.log(np.maximum(table[2], 1e-9) / decay_rate)) / math.log(3.0))
    fresh_ones = np.array([np.min(np.abs(lines.frequency - f), initial=1e9) > 0.3 for f in table[0]])
    off = np.where(fresh_ones, off, np.inf)
    best = int(np.argmin(off))
    if off[best] > 1.0:
        return None
    level = 10.0 * np.log10(table[3, best : best + 1] / table[3].max())
    hertz, sd, decay = (table[k, best : best + 1] for k in range(3))
    return Lines(hertz, sd, decay, level)


def _onsets(samples: NDArray[np.float64], rate: float) -> list[float]:
    """Times of the hits, s; of a take cut so closely that it begins within its first hit, that one too."""
    loud = np.abs(samples) > 0.5 * np.abs(samples).max(initial=0.0)
    first = float(np.argmax(loud)) / rate
    try:
        found = [tap.onset for tap in find_taps(samples, rate).taps]
    except TakeError:
        if first > CUT:
            raise
        found = []
    return found if found and not (first < CUT < found[0]) else [first, *found]


def _segments(samples: NDArray[np.float64], rate: float) -> list[NDArray[np.float64]]:
    """Free ring of each hit, up to the next."""
    onsets = _onsets(samples, rate)
    ends = [*(onset - 0.005 for onset in onsets[1:]), samples.size / rate]
    found = []
    for onset, end in zip(onsets, ends, strict=True):
        start, stop = onset + SETTLE, min(end, onset + LONGEST)
        if stop - start >= LEAST:
            found.append(samples[round(start * rate) : round(stop * rate)])
    return found[:MOST_HITS]
