"""One line whose pitch glides to rest, in the spectrum: what two lines must beat before they count as a pair.

The pitch falls as f(t) = f_inf sqrt(1 + x exp(-2 gamma t)): the tension a stroke adds goes with the square of the
displacement, which decays as exp(-gamma t). x < 0 is a rise. Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.cluster import Problem
from drumtune.dsp.spectra import Window

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

NODES_PER_CYCLE = 3.0
"""Gauss nodes per cycle of the window's edge against its middle: more than the pi/2... a node rule needs."""
GLIDES = (-0.1, 0.03, 0.1, 0.25)
"""Starting values of x: a rise by hand, a light tap, hard hits (3 and 12 % in pitch, as real toms show)."""
RATES = (2.0, 8.0)
"""Starting values of gamma, 1/s."""


@dataclass(frozen=True, slots=True)
class Chirp:
    """A gliding line: settled frequency (Hz), decay rate (1/s), x per segment (S,), gamma (1/s), residual (S,)."""

    frequency: float
    decay_rate: float
    depth: Floats
    settling_rate: float
    residual: Floats


def glide_phase(time: Floats, depth: float, settling_rate: float) -> Floats:
    """Integral of sqrt(1 + x exp(-2 gamma t)) from 0 to `time`, in s: times 2 pi f_inf it is the phase."""
    first, now = math.sqrt(1.0 + depth), np.sqrt(1.0 + depth * np.exp(-2.0 * settling_rate * time))
    return np.asarray(time + (first - now + np.log((1.0 + now) / (1.0 + first))) / settling_rate, dtype=np.float64)


def fit_chirp(problem: Problem, weight: Floats, frequency: float, decay_rate: float) -> Chirp:
    """Least weighted residual of one gliding line near `frequency`, from several starting glides."""
    projectors = [_Row(problem.window, row, problem) for row in range(problem.data.shape[0])]
    starts = [
        np.array([math.log(max(decay_rate, 0.5)), frequency, math.log(rate), *[depth] * len(projectors)])
        for depth in GLIDES
        for rate in RATES
    ]
    starts.sort(key=lambda point: float((_stack(projectors, weight, point) ** 2).sum()))
    tries = [_descend(projectors, weight, point) for point in starts[:2]]
    found = min(tries, key=lambda t: t[0])[1]
    energy = np.array([(np.abs(row.residual(found, place)) ** 2).sum() for place, row in enumerate(projectors)])
    return Chirp(float(found[1]), math.exp(found[0]), found[3:], math.exp(found[2]), energy)


@lru_cache(maxsize=64)
def _nodes(count: int) -> tuple[Floats, Floats]:
    """Places and weights of the Gauss rule on -1...1."""
    return np.polynomial.legendre.leggauss(count)


class _Row:
    """One segment's window: nodes of the transform, with the background taken away."""

    def __init__(self, window: Window, row: int, problem: Problem) -> None:
        used = window.mask[row] > 0.0
        self.rate = problem.sample_rate
        self.samples = int(window.lengths[row])
        background = window.background[window.sharing[row]][used]
        self.data = problem.data[row, used]
        self.data = self.data - background @ (background.conj().T @ self.data)
        angle = window.angle[row, used]
        self.middle = float(angle.mean())
        cycles = float(angle.max() - angle.min()) * self.samples / (2.0 * math.pi)
        nodes, weights = _nodes(8 * math.ceil((40 + NODES_PER_CYCLE * cycles) / 8))
        place = 0.5 * self.samples * (nodes + 1.0)
        # the sum over samples is the integral plus half the jump between the ends (Euler and Maclaurin)
        self.place = np.concatenate([place, [0.0, self.samples]])
        share = np.concatenate([0.5 * self.samples * weights, [0.5, -0.5]])
        turn = np.exp(-1j * np.outer(angle - self.middle, self.place)) * share
        self.turn = turn - background @ (background.conj().T @ turn)

    def residual(self, parameters: Floats, row: int) -> Complexes:
        """What one gliding line and the background leave."""
        decay, line, settling, depth = (
            math.exp(parameters[0]),
            parameters[1],
            math.exp(parameters[2]),
            parameters[3 + row],
        )
        time = self.place / self.rate
        phase = 2.0 * math.pi * line * glide_phase(time, depth, settling) - self.middle * self.place
        shape = self.turn @ np.exp(-decay * time + 1j * phase)
        size = float(np.vdot(shape, shape).real) + 1e-300
        return np.asarray(self.data - shape * (np.vdot(shape, self.data) / size), dtype=np.complex128)


def _descend(rows: list[_Row], weight: Floats, start: Floats) -> tuple[float, Floats]:
    """Levenberg-Marquardt with differences, within the bounds of what a glide is."""
    point, damping = start, 1e-2
    left = _stack(rows, weight, point)
    steps = np.concatenate([[1e-4, 1e-4, 1e-4], np.full(start.size - 3, 1e-6)])
    for _ in range(12):
        slope = np.column_stack([(_stack(rows, weight, point + s) - left) / s.max() for s in np.diag(steps)])
        normal, gradient = slope.T @ slope, slope.T @ left
        trial = point - np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-12), gradient)
        trial[0], trial[2] = np.clip(trial[0], -2.0, 5.0), np.clip(trial[2], -0.7, 4.0)
        trial[3:] = np.clip(trial[3:], -0.5, 0.6)
        new = _stack(rows, weight, trial)
        gain = float(left @ left - new @ new)
        if gain > 0.0:
            point, left, damping = trial, new, damping * 0.2
            if gain < 1e-3 * float(left @ left) / left.size:
                break
        else:
            damping *= 8.0
            if damping > 1e5:
                break
    return float(left @ left), point


def _stack(rows: list[_Row], weight: Floats, point: Floats) -> Floats:
    """Weighted residual of all segments as one real row."""
    parts = [row.residual(point, place) * math.sqrt(weight[place]) for place, row in enumerate(rows)]
    whole = np.concatenate(parts)
    return np.concatenate([whole.real, whole.imag])
