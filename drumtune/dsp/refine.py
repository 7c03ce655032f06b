"""Maximum likelihood for damped lines within a window of bins: variable projection with analytic derivatives.

The poles are common to all segments, amplitudes and a smooth background are each segment's own and are eliminated.
In complex form the model is analytic in the poles, so each Gauss-Newton step is a complex least-squares problem of
the size of the number of lines. Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.spectra import Window, line_shape, rows_by

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

FASTEST_DECAY = 250.0
"""Decay rates beyond this (1/s; T60 of 28 ms) belong to clicks, not to lines."""
ENOUGH_SEGMENTS = 6
"""Segments from which the scatter from one to the next says something of its own."""
GROWTH = -1.0
"""Decay rates below this (1/s) are not tried: a line may seem to grow only as far as noise on a hum explains."""


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Poles theta (P,) per sample, amplitudes (S, P), residual energy per segment (S,), weights (S,) and Fisher factor.

    `normal` (P, P) is the complex normal matrix of the poles under the weights 1/variance of a bin.
    """

    theta: Complexes
    amplitude: Complexes
    residual: Floats
    weight: Floats
    normal: Complexes

    @property
    def cost(self) -> float:
        """Weighted residual energy."""
        return float((self.residual * self.weight).sum())


def solve_linear(theta: Complexes, data: Complexes, window: Window, weight: Floats, *, slope: bool = True) -> Fit:
    """Amplitudes, residual and the pole step's normal matrix at fixed poles (`data` is (S, M), weight (S,))."""
    return _project(theta, _clear(data, window), window, weight, slope=slope)[0]


def refine(  # noqa: PLR0913
    theta: Complexes,
    data: Complexes,
    window: Window,
    weight: Floats,
    *,
    sample_rate: float,
    steps: int = 25,
    enough: float = 1e-4,
) -> Fit:
    """Poles of least weighted residual near `theta`, by Levenberg-Marquardt on the projected problem.

    Parameters
    ----------
    theta
        Shape (P,), starting poles per sample.
    data, window, weight
        Spectra (S, M) in the window and the weight (one over the variance of a bin) of each segment.
    sample_rate, steps
        Hz, for the limits on the poles; the largest number of steps.
    enough
        Stop when a step gains less than this, in units of the mean weighted energy of a bin: 1e-4 is 1 % of a
        standard deviation.
    """
    theta, data = _hold(theta, window, sample_rate), _clear(data, window)
    fit, gradient = _project(theta, data, window, weight)
    damping = 1e-4
    for _ in range(steps):
        lifted = fit.normal.copy()
        lifted.flat[:: theta.size + 1] += damping * np.abs(lifted.flat[:: theta.size + 1]) + 1e-300
        trial_theta = _hold(theta + np.linalg.solve(lifted, gradient), window, sample_rate)
        trial, trial_gradient = _project(trial_theta, data, window, weight)
        if trial.cost <= fit.cost:
            gain = fit.cost - trial.cost
            theta, fit, gradient, damping = trial_theta, trial, trial_gradient, max(damping * 0.1, 1e-12)
            if gain <= enough * fit.cost / max(1.0, float(window.samples.sum())):
                break
        else:
            damping *= 10.0
            if damping > 1e6:
                break
    return fit


def pole_variance(fit: Fit, data: Complexes, window: Window) -> Floats:
    """Variance of the real and of the imaginary part of each pole (per sample squared), shape (P,).

    From the Fisher information with amplitudes and background eliminated. Where the residual is not the white noise
    that asks for - larger near the lines, alike from bin to bin within a segment or from segment to segment, as a room
    or a glide leaves it - and that doubles the variance or more, the larger figure is given (the "sandwich"
    covariance: H. White, Econometrica 48(4), 1980; from memory).
    """
    scale = 1.0 / np.sqrt(np.maximum(np.abs(np.diag(fit.normal)), 1e-300))
    inverse = np.linalg.pinv(fit.normal * np.outer(scale, scale), hermitian=True) * np.outer(scale, scale)
    fisher = 0.5 * np.abs(np.diag(inverse))
    score = _scores(fit, data, window) @ inverse.T
    bins, segments = score.sum(axis=0), score.sum(axis=1)
    spread = [0.5 * (np.abs(bins) ** 2).sum(axis=0)]
    if segments.shape[0] >= ENOUGH_SEGMENTS:
        spread.append(0.5 * (np.abs(segments) ** 2).sum(axis=0))
    worst = np.max(spread, axis=0)
    return np.asarray(np.where(worst > 2.0 * fisher, worst, fisher), dtype=np.float64)


def _scores(fit: Fit, data: Complexes, window: Window) -> Complexes:
    """What each bin of each segment says about each pole: conj(derivative) times weighted residual, (S, M, P)."""
    shape, turn = line_shape(fit.theta, window, slope=True)
    basis = np.concatenate([shape, window.background], axis=2)
    span = np.linalg.qr(basis)[0]
    residual = data - rows_by(rows_by(data, span.conj(), window), span.transpose(0, 2, 1), window)
    turn = turn - span @ (span.conj().transpose(0, 2, 1) @ turn)
    heavy = 0.5 * fit.amplitude.conj() * fit.weight[:, None]
    return np.asarray(heavy[:, None, :] * turn.conj()[window.sharing] * residual[:, :, None], dtype=np.complex128)


def _clear(data: Complexes, window: Window) -> Complexes:
    """Data (S, M) less what the smooth background explains of them."""
    ground = window.background
    return data - rows_by(rows_by(data, ground.conj(), window), ground.transpose(0, 2, 1), window)


def _project(
    theta: Complexes, data: Complexes, window: Window, weight: Floats, *, slope: bool = True
) -> tuple[Fit, Complexes]:
    """Eliminate the linear unknowns from clear data; return the fit and the gradient of the poles."""
    shape, turn = line_shape(theta, window, slope=slope)
    ground = window.background
    across = ground.conj().transpose(0, 2, 1)
    shape = shape - ground @ (across @ shape)
    scale = np.sqrt((shape.real**2 + shape.imag**2).sum(axis=1, keepdims=True))
    scale[scale == 0.0] = 1.0
    span, undo = _orthonormal(shape / scale)
    inner = rows_by(data, span.conj(), window)
    residual = data - rows_by(inner, span.transpose(0, 2, 1), window)
    power = rows_by(inner, undo.transpose(0, 2, 1) / scale, window)
    energy = (residual.real**2 + residual.imag**2).sum(axis=1)
    if not slope:
        empty = np.zeros((theta.size, theta.size), dtype=np.complex128)
        return Fit(theta, 2.0 * power, energy, weight, empty), empty[:0]
    turn = turn - ground @ (across @ turn)
    turn = turn - span @ (span.conj().transpose(0, 2, 1) @ turn)
    cross = turn.conj().transpose(0, 2, 1) @ turn
    heavy = power.conj() * weight[:, None]
    if cross.shape[0] == 1:
        normal = (heavy.T @ power) * cross[0]
    else:
        normal = (heavy[:, :, None] * power[:, None, :] * cross[window.sharing]).sum(axis=0)
    gradient = (heavy * rows_by(residual, turn.conj(), window)).sum(axis=0)
    return Fit(theta, 2.0 * power, energy, weight, normal), gradient


def _orthonormal(columns: Complexes) -> tuple[Complexes, Complexes]:
    """Orthonormal columns Q (U, M, P) of the same span as unit columns, and V (U, P, P) with Q = columns V.

    One and two columns, the usual cases, by Gram and Schmidt with the second projection repeated, which is as exact as
    the reflections used for more and takes a third of the time.
    """
    lines = columns.shape[2]
    if lines == 1:
        return columns, np.ones((columns.shape[0], 1, 1), dtype=np.complex128)
    if lines != 2:
        span, triangle = np.linalg.qr(columns)
        return span, np.linalg.inv(triangle)
    first, second = columns[:, :, 0], columns[:, :, 1]
    along = (first.conj() * second).sum(axis=1)
    rest = second - along[:, None] * first
    again = (first.conj() * rest).sum(axis=1)
    rest = rest - again[:, None] * first
    length = np.sqrt((rest.real**2 + rest.imag**2).sum(axis=1)) + 1e-300
    undo = np.zeros((columns.shape[0], 2, 2), dtype=np.complex128)
    undo[:, 0, 0], undo[:, 1, 1] = 1.0, 1.0 / length
    undo[:, 0, 1] = -(along + again) / length
    return np.stack([first, rest / length[:, None]], axis=2), undo


def _hold(theta: Complexes, window: Window, sample_rate: float) -> Complexes:
    """Poles kept within the window and within what a line can be."""
    rate = np.minimum(np.maximum(-theta.real * sample_rate, GROWTH), FASTEST_DECAY)
    line = np.minimum(np.maximum(theta.imag * sample_rate / (2.0 * math.pi), window.low), window.high)
    return np.asarray((-rate + 2j * math.pi * line) / sample_rate, dtype=np.complex128)
