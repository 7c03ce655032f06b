"""Ladders out: lines that only imitate the glide of another are taken away, and that one is read where it has settled.

Used when there are too few segments for the amplitudes' pattern to tell (`drumtune.dsp.partials.Partials.own`).
Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.cluster import Problem, chance_of_gain, empty_fit, settle, sound
from drumtune.dsp.pairs import LATE, LATE_CHANCE, Doubt, believed
from drumtune.dsp.refine import Fit
from drumtune.dsp.search import Cluster, line_frequencies
from drumtune.dsp.spectra import Segments, as_segments, cut_window, model_spectrum

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

REACH = 0.2
"""Share of its frequency within which a line may be a rung of a glide's ladder: hard hits fall by up to 16 %."""
SIDE = 25.0
"""Hz of the window on either side of a doubtful pair."""
LATER = (LATE, 0.5, 1.0)
"""s: a pair is asked for from each of these times on, while it is strong enough to show."""
STRETCH = 1.0
"""s looked at from each of these times on: a glide shows within it, and long records stay cheap."""
SHORTEST = 0.15
"""s of late part under which nothing is asked of it."""


@dataclass(slots=True)
class _Lines:
    """All lines of a search at once."""

    theta: Complexes
    amplitude: Complexes
    alive: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Settled:
    """A gliding line, by its place among the lines, as fitted alone where it has settled.

    `amplitude` (S,) is the sum of the ladder's at the segments' starts.
    """

    place: int
    problem: Problem
    fit: Fit
    amplitude: Complexes


@dataclass(frozen=True, slots=True)
class Sifted:
    """What is left: `kept` marks the lines of the clusters in their order; `settled` replaces those that glide."""

    kept: NDArray[np.bool_]
    settled: tuple[Settled, ...]


def sift(record: Segments, rows: Sequence[Floats], clusters: list[Cluster]) -> Sifted:
    """Decide line by line which are rungs of another's ladder (`rows` are the segments' samples)."""
    theta = np.concatenate([c.theta for c in clusters])
    lines = _Lines(theta, np.concatenate([c.amplitude for c in clusters], axis=1), np.ones(theta.size, dtype=np.bool_))
    parts = _parts(record, rows)
    frequency, rate = line_frequencies(theta, record.sample_rate), -theta.real * record.sample_rate
    lasting = (np.abs(lines.amplitude) ** 2).sum(axis=0) * np.exp(-2.0 * rate * LATE) / np.maximum(rate, 0.5)
    order = [int(k) for k in np.argsort(-lasting)]
    settled: list[Settled] = []
    for place, main in enumerate(order):
        distance = np.abs(frequency - frequency[main])
        rungs = [k for k in order[place + 1 :] if lines.alive[k] and distance[k] < REACH * frequency[main]]
        if not lines.alive[main] or not rungs:
            continue
        rungs.sort(key=lambda k: -float(distance[k]))
        for count, rung in enumerate(rungs):
            lines.alive[rung] = believed(_doubt(parts, lines, (main, rung), rungs[count:]))
        if not lines.alive[rungs].all():
            start = lines.amplitude[:, [main, *(k for k in rungs if not lines.alive[k])]].sum(axis=1)
            settled.append(_settled(record, rows, lines, (main, start)))
    return Sifted(lines.alive, tuple(settled))


def _parts(record: Segments, rows: Sequence[Floats]) -> list[tuple[int, Segments]]:
    """The segments from the start and from each later time on, of one second at most, with their first samples."""
    parts = []
    for start in (0.0, *LATER):
        first, last = round(start * record.sample_rate), round((start + STRETCH) * record.sample_rate)
        if record.lengths.min() - first >= SHORTEST * record.sample_rate:
            parts.append((first, as_segments([row[first:last] for row in rows], record.sample_rate)))
    return parts


def _doubt(parts: list[tuple[int, Segments]], lines: _Lines, pair: tuple[int, int], undecided: list[int]) -> Doubt:
    """The pair (lasting line, doubtful line), all others taken away but the undecided ones."""
    theta = lines.theta[list(pair)]
    away = lines.alive.copy()
    away[[pair[0], *undecided]] = False
    problems = [(first, _problem(part, lines, theta, away, first)) for first, part in parts]
    return Doubt(theta, problems[0][1], tuple(problems[1:]))


def _problem(record: Segments, lines: _Lines, theta: Complexes, away: NDArray[np.bool_], start: int) -> Problem:
    """The window round `theta`, without the lines marked in `away`, of segments cut at sample `start`."""
    frequency = line_frequencies(theta, record.sample_rate)
    window = cut_window(record, max(2.0, float(frequency.min()) - SIDE), float(frequency.max()) + SIDE)
    amplitude = lines.amplitude * np.exp(start * lines.theta)
    data = window.data - model_spectrum(lines.theta[away], amplitude[:, away], window, own=True)
    rest = ~away & lines.alive
    data = data - model_spectrum(lines.theta[rest], amplitude[:, rest], window, own=False)
    return Problem(window, data, record.sample_rate, 2)


def _settled(record: Segments, rows: Sequence[Floats], lines: _Lines, what: tuple[int, Complexes]) -> Settled:
    """The gliding line where it has settled: from the late part if it still sounds there, else from the whole."""
    main, amplitude = what
    away = lines.alive.copy()
    away[main] = False
    theta = lines.theta[[main]]
    start = round(LATE * record.sample_rate)
    if record.lengths.min() - start >= SHORTEST * record.sample_rate:
        late = as_segments([row[start:] for row in rows], record.sample_rate)
        problem = _problem(late, lines, theta, away, start)
        fit = settle(theta, problem)
        if sound(fit, problem) and chance_of_gain(empty_fit(problem), fit, problem) < LATE_CHANCE:
            return Settled(main, problem, fit, amplitude)
    problem = _problem(record, lines, theta, away, 0)
    return Settled(main, problem, settle(theta, problem), amplitude)
