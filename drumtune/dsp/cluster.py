"""How many lines there are in a window of the spectrum, and where: added while the evidence asks for one more.

Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy.special
from numpy.typing import NDArray

from drumtune.dsp.refine import FASTEST_DECAY, Fit, refine, solve_linear
from drumtune.dsp.spectra import Window, line_shape, rows_by

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

CHANCE = 1e-7
"""Chance of adding a line to pure noise, per try (F test): a take sees some hundred tries."""
ROUGH = 1e-2
"""Gain, in bins' energies, at which a fit is good enough while lines are being looked for."""
FINEST = 0.4
"""Hz, finest step of the scan for one more line: under the linewidth of anything that decays within 4 s."""
PRIOR_BINS = 20.0
"""Weight, in bins, of the noise common to all segments against each segment's own when the two are mixed."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One window and what is asked of it: `data` (S, M) is the window's data less everything known outside."""

    window: Window
    data: Complexes
    sample_rate: float
    max_lines: int


def noise_variance(fit: Fit, problem: Problem) -> Floats:
    """Variance of a bin for each segment (S,): its residual over what is left free, drawn towards the common value."""
    lines, terms = fit.theta.size, problem.window.background.shape[2]
    free = np.maximum(problem.window.samples - lines - terms - lines / fit.residual.size, 1.0)
    common = float(fit.residual.sum() / free.sum())
    mixed = (fit.residual + PRIOR_BINS * common) / (free + PRIOR_BINS)
    floor = 1e-28 * float((np.abs(problem.data) ** 2).max()) + 1e-300
    return np.asarray(np.maximum(mixed, floor), dtype=np.float64)


def settle(theta: Complexes, problem: Problem, *, rounds: int = 2, enough: float = ROUGH) -> Fit:
    """Refine the poles with the noise of each segment re-estimated `rounds` times (once for a single segment)."""
    segments = problem.data.shape[0]
    start = solve_linear(theta, problem.data, problem.window, np.ones(segments), slope=False)
    weight = 1.0 / noise_variance(start, problem)
    fit = refine(theta, problem.data, problem.window, weight, sample_rate=problem.sample_rate, enough=enough)
    for _ in range(rounds - 1 if segments > 1 else 0):
        weight = 1.0 / noise_variance(fit, problem)
        fit = refine(fit.theta, problem.data, problem.window, weight, sample_rate=problem.sample_rate, enough=enough)
    return fit


def empty_fit(problem: Problem) -> Fit:
    """The fit with no line: only the background."""
    return solve_linear(
        np.zeros(0, dtype=np.complex128),
        problem.data,
        problem.window,
        np.ones(problem.data.shape[0]),
        slope=False,
    )


def chance_of_gain(before: Fit, after: Fit, problem: Problem) -> float:
    """Probability that noise alone gains as much as `after` gains over `before` (F test on the weighted residuals)."""
    weight = 1.0 / noise_variance(after, problem)
    low, high = float((after.residual * weight).sum()), float((before.residual * weight).sum())
    segments, added = after.residual.size, after.theta.size - before.theta.size
    asked = added * (2.0 + 2.0 * segments)
    terms = after.theta.size + problem.window.background.shape[2]
    free = 2.0 * float(problem.window.samples.sum()) - 2.0 * segments * terms - 2.0 * after.theta.size
    if free < 2.0 or high <= low:
        return 1.0
    return float(scipy.special.fdtrc(asked, free, (high - low) / asked / (low / free)))


def grow(problem: Problem, start: Complexes, offers: dict[int, Complexes]) -> Fit:
    """Add lines to `start` while each is asked for by the data; `offers` are pole sets by their number of lines."""
    fit = settle(start, problem) if start.size else empty_fit(problem)
    while fit.theta.size < problem.max_lines and _room(problem, fit.theta.size + 1):
        found = _one_more(fit, problem, offers)
        if found is None:
            break
        fit = found
    return fit


def _one_more(fit: Fit, problem: Problem, offers: dict[int, Complexes]) -> Fit | None:
    """The fit with one line more, if the data ask for it: the subspace's poles, else the best single addition.

    Two more are tried last: of a pair that begins in opposite phase neither line alone explains much.
    """
    lines = fit.theta.size
    tries: list[Callable[[], Complexes | None]] = [
        lambda: offers.get(lines + 1),
        lambda: np.append(fit.theta, scan(fit, problem)),
        lambda: offers.get(lines + 2),
    ]
    for offer in tries:
        theta = offer()
        if theta is None or theta.size > problem.max_lines or not _room(problem, theta.size):
            continue
        tried = settle(theta, problem)
        if sound(tried, problem) and chance_of_gain(fit, tried, problem) < CHANCE:
            return tried
    return None


def sound(fit: Fit, problem: Problem) -> bool:
    """Whether every pole stands inside the window and decays as lines do."""
    line = fit.theta.imag * problem.sample_rate / (2.0 * math.pi)
    rate = -fit.theta.real * problem.sample_rate
    inside = (line > problem.window.low) & (line < problem.window.high)
    return bool((inside & (rate < 0.98 * FASTEST_DECAY)).all())


def scan(fit: Fit, problem: Problem) -> complex:
    """The pole whose line, added alone, would explain most of the residual (a likelihood scan over frequency)."""
    window = problem.window
    duration = float(window.lengths.max()) / problem.sample_rate
    lines = np.arange(window.low, window.high, max(0.25 / duration, FINEST))[1:]
    rates = {float(np.median(-fit.theta.real * problem.sample_rate)) if fit.theta.size else 2.0 / duration}
    rates |= {max(1.0 / duration, 1.0)}
    rate = np.repeat(sorted(rates), lines.size)
    theta = (-rate + 2j * math.pi * np.tile(lines, len(rates))) / problem.sample_rate
    shape, _ = line_shape(theta, window)
    basis = np.concatenate([line_shape(fit.theta, window)[0], window.background], axis=2)
    span = np.linalg.qr(basis)[0]
    shape = shape - span @ (span.conj().transpose(0, 2, 1) @ shape)
    size = (np.abs(shape) ** 2).sum(axis=1)
    inner = rows_by(problem.data, span.conj(), window)
    data = problem.data - rows_by(inner, span.transpose(0, 2, 1), window)
    match = np.abs(rows_by(data, shape.conj(), window)) ** 2
    weight = 1.0 / noise_variance(fit, problem)
    gain = weight @ (match / np.maximum(size[window.sharing], 1e-300))
    return complex(theta[int(np.argmax(gain))])


def _room(problem: Problem, lines: int) -> bool:
    """Whether the window has bins enough for so many lines."""
    return bool(problem.window.samples.min() >= 2 * lines + problem.window.background.shape[2] + 2)
