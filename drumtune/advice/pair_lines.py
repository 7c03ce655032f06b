"""Lines of three takes of a drum - top alone, bottom alone, both free - and which mode each belongs to.

"Alone" means with the other head held still under a flat hand or cloth. The lines of each take are found jointly over
its hits (`drumtune.dsp.search`) and named (0,1) and (1,1) by what the described drum can do. Frequencies in Hz.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.cluster import noise_variance
from drumtune.dsp.refine import pole_variance, solve_linear
from drumtune.dsp.search import Search, find_clusters, line_frequencies
from drumtune.dsp.spectra import Segments, as_segments
from drumtune.dsp.taps import find_taps
from drumtune.errors import TakeError
from drumtune.notes import cents
from drumtune.physics import held_head, two_heads
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads

SETTLE = 0.012
"""Time after the onset at which the contact is surely over, s."""
LONGEST = 2.0
"""Longest stretch used of a hit, s."""
LEAST = 0.12
"""Shortest, s."""
BAND = (30.0, 900.0)
MOST_HITS = 8
TOGETHER = 5
"""Most lines looked for in one window of the spectrum."""
SLOWEST, FASTEST = 0.3, 150.0
"""Decay rates of a drum's lines, 1/s: slower is hum, faster what the contact leaves."""
CONSIDERED = 6
"""Strongest lines of each take that may be a (0,1)."""
WEAKEST_DB = -45.0
MODEL_SD = 120.0
"""How far model and drum may differ in a line, cents (our own estimate, before the drum's air has been fitted)."""
SUM_SD = 0.02
"""How far the two-mass rule f1^2 + f2^2 = fA^2 + fB^2 may be off, relative (our own estimate)."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Lines of one take by rising frequency: frequency and its sd (Hz), decay rate (1/s), level (dB, strongest 0)."""

    frequency: NDArray[np.float64]
    frequency_sd: NDArray[np.float64]
    decay_rate: NDArray[np.float64]
    level: NDArray[np.float64]

    def only(self, keep: NDArray[np.bool_]) -> Lines:
        """Some of the lines."""
        return Lines(self.frequency[keep], self.frequency_sd[keep], self.decay_rate[keep], self.level[keep])


@dataclass(frozen=True, slots=True)
class Named:
    """A line with its name: take ``top``, ``bottom`` or ``open``, mode m, place in the pair (0 lower, 1 upper)."""

    take: str
    m: int
    place: int
    frequency: float
    frequency_sd: float
    decay_rate: float


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
    rows = []
    for cluster in find_clusters(search):
        if cluster.fit is None or cluster.problem is None:
            continue
        window, data = cluster.problem.window, cluster.problem.data
        weight = 1.0 / noise_variance(cluster.fit, cluster.problem)
        settled = solve_linear(cluster.fit.theta, data, window, weight)
        sd = np.sqrt(pole_variance(settled, data, window)) * record.sample_rate / (2.0 * math.pi)
        power = np.sum(np.abs(settled.amplitude) ** 2, axis=0)
        hertz = line_frequencies(settled.theta, record.sample_rate)
        rows.append(np.stack([hertz, sd, -settled.theta.real * record.sample_rate, power]))
    table = np.concatenate(rows, axis=1) if rows else np.zeros((4, 0))
    table = table[:, (table[2] > SLOWEST) & (table[2] < FASTEST) & (table[2] > 4.0 * math.pi * table[1])]
    table = table[:, np.argsort(table[0], kind="stable")]
    level = 10.0 * np.log10(table[3] / max(table[3].max(initial=0.0), 1e-300))
    return Lines(table[0], table[1], table[2], level).only(level > WEAKEST_DB)


def _segments(samples: NDArray[np.float64], rate: float) -> list[NDArray[np.float64]]:
    """Free ring of each hit, up to the next; the whole from its loudest moment where no onset is found."""
    onsets = [tap.onset for tap in find_taps(samples, rate).taps]
    if not onsets:
        loud = np.abs(samples) > 0.5 * np.abs(samples).max()
        onsets = [float(np.argmax(loud)) / rate]
    ends = [*(onset - 0.005 for onset in onsets[1:]), samples.size / rate]
    found = []
    for onset, end in zip(onsets, ends, strict=True):
        start, stop = onset + SETTLE, min(end, onset + LONGEST)
        if stop - start >= LEAST:
            found.append(samples[round(start * rate) : round(stop * rate)])
    return found[:MOST_HITS]


def name_lines(
    drum: TwoHeads, top: Lines, bottom: Lines, both: Lines, near: tuple[float | None, float | None] = (None, None)
) -> tuple[Named, ...]:
    """Tell which line is which.

    Parameters
    ----------
    drum
        As described.
    top, bottom, both
        Lines of the three takes.
    near
        Pitch of top and bottom head near a rod with the other muted ((1,1)), Hz, where the player gave it.

    Raises
    ------
    TakeError
        If no choice of lines makes a coupled pair: one line lower and one higher than both heads alone.

    Notes
    -----
    Every choice of two blocked and two coupled (0,1) among the strongest lines is weighed: by the two-mass rule for the
    sum of squares or the described drum's own prediction, whichever it meets better, by its (1,1) lines, by the pitches
    given, and by how strong the lines are.
    """
    best, cost = None, math.inf
    for choice in _choices(drum, top, bottom, both, near):
        if choice[0] < cost:
            cost, best = choice[0], choice[1:]
    if best is None:
        raise TakeError(
            "the open take shows no (0,1) pair, one line below and one above those of both heads alone: strike near "
            "the middle, mute the other head well in the other two takes, and check which file is which",
            reason="lines",
        )
    a, b, low, high, tensions = best
    names = [_named("top", 0, 0, top, a), _named("bottom", 0, 0, bottom, b)]
    names += [_named("open", 0, 0, both, low), _named("open", 0, 1, both, high)]
    return (*names, *_first_order(drum, (top, bottom, both), tensions, near, (a, b, low, high)))


def _strong(lines: Lines) -> list[int]:
    return [int(i) for i in np.argsort(-lines.level, kind="stable")[:CONSIDERED]]


def _choices(
    drum: TwoHeads, top: Lines, bottom: Lines, both: Lines, near: tuple[float | None, float | None]
) -> Iterator[tuple[float, int, int, int, int, tuple[float, float]]]:
    """Choices of lines with their costs."""
    alone = {TOP: _alone(drum, TOP, top, near[0]), BOTTOM: _alone(drum, BOTTOM, bottom, near[1])}
    for (a, cost_a, tension_a), (b, cost_b, tension_b) in product(alone[TOP], alone[BOTTOM]):
        f_a, f_b = float(top.frequency[a]), float(bottom.frequency[b])
        expected = two_heads.pair(drum, tension_a, tension_b).frequency if min(tension_a, tension_b) > 0.0 else None
        for i, k in combinations(sorted(_strong(both)), 2):
            low, high = float(both.frequency[i]), float(both.frequency[k])
            if not low < 1.002 * min(f_a, f_b) or not high > 0.998 * max(f_a, f_b):
                continue
            off = (low**2 + high**2) / (f_a**2 + f_b**2) - 1.0
            fits = (off / SUM_SD) ** 2
            if expected is not None:
                fits = min(fits, float(np.sum((cents([low, high], expected) / MODEL_SD) ** 2)))
            weak = -(both.level[i] + both.level[k]) / 10.0
            yield cost_a + cost_b + fits + float(weak), a, b, i, k, (tension_a, tension_b)


def _alone(drum: TwoHeads, head: int, lines: Lines, near: float | None) -> list[tuple[int, float, float]]:
    """Candidates for a muted take's (0,1): place, cost, tension (0 where the air alone would sound higher)."""
    found = []
    for i in _strong(lines):
        tension = float(held_head.held_tension(drum, lines.frequency[i], 0, head))
        cost = -float(lines.level[i]) / 10.0
        if tension > 0.0:
            first = float(held_head.held_frequency(drum, tension, 1, head))
            if near is not None:
                cost += float(cents(first, near) / (2.0 * MODEL_SD)) ** 2
            others = np.delete(lines.frequency, i)
            if others.size:
                cost += min(float(np.min(np.abs(cents(others, first))) / MODEL_SD) ** 2, 2.0)
        found.append((i, cost, tension))
    return found


def _named(take: str, m: int, place: int, lines: Lines, i: int) -> Named:
    return Named(
        take, m, place, float(lines.frequency[i]), float(lines.frequency_sd[i]), float(lines.decay_rate[i])
    )  # fmt: skip


def _first_order(
    drum: TwoHeads,
    takes: tuple[Lines, Lines, Lines],
    tensions: tuple[float, float],
    near: tuple[float | None, float | None],
    used: tuple[int, int, int, int],
) -> list[Named]:
    """The (1,1) lines there are: of each head alone near what its (0,1) says, then of the open drum from those two."""
    found: list[Named] = []
    for head, take in ((TOP, "top"), (BOTTOM, "bottom")):
        guess = near[head]
        if guess is None and tensions[head] > 0.0:
            guess = float(held_head.held_frequency(drum, tensions[head], 1, head))
        place = _nearest(takes[head], guess, {used[head]}, 2.5 * MODEL_SD)
        if place is not None:
            found.append(_named(take, 1, 0, takes[head], place))
    if len(found) < 2:
        return found
    alone = [float(held_head.held_tension(drum, line.frequency, 1, head)) for head, line in enumerate(found)]
    taken = {used[2], used[3]}
    for place, expected in enumerate(two_heads.pair(drum, alone[TOP], alone[BOTTOM], 1).frequency):
        line = _nearest(takes[2], float(expected), taken, 0.6 * MODEL_SD)
        if line is not None:
            found.append(_named("open", 1, place, takes[2], line))
            taken.add(line)
    return found


def _nearest(lines: Lines, frequency: float | None, taken: set[int], within: float) -> int | None:
    """Place of the strongest line within so many cents of a frequency, if any."""
    if frequency is None:
        return None
    off = np.abs(cents(lines.frequency, frequency))
    near = [int(i) for i in np.flatnonzero(off < within) if int(i) not in taken]
    return max(near, key=lambda i: float(lines.level[i]) - 10.0 * (off[i] / within) ** 2, default=None)
