"""Damped lines that glide together: frequencies, decays and the law of the glide refined jointly, in real time.

The model is sum_p Re(a_p exp(-alpha_p t + 2 pi i f_p W(t))) from the onset on, W the warp of a GlideLaw common to all
lines, as one tension is common to all modes of a head: docs/physics.md, section Glide. Conventions as in glide.py;
`amplitude` is complex, at the onset (t = 0), in the signal's unit. Does not find lines: start it from partials.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from drumtune.dsp.glide import GlideLaw

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

_STEPS = 12
_DONE = 1e-5
_EXCESS = (-0.1, 1.5)
_RATES = (0.5, 60.0)


@dataclass(frozen=True, slots=True)
class GlidingLines:
    """Lines under one law, by the order they came in; each array of shape (lines,).

    `excess_sd` is that of the law's excess (0 when it was held); `frequency` is the settled one in Hz, `decay_rate`
    in 1/s (T60 = 6.9078 over it), with standard deviations from the residual; `residual` is the share of the energy
    left unexplained.
    """

    law: GlideLaw
    excess_sd: float
    frequency: Array
    frequency_sd: Array
    decay_rate: Array
    decay_rate_sd: Array
    amplitude: Complex
    residual: float


@dataclass(frozen=True, slots=True)
class _State:
    lines: Complex
    law: GlideLaw
    amplitude: Complex
    error: Array
    waves: Complex


def lower_rate(signal: Array, rate: float, top: float) -> tuple[Array, float]:
    """Band-limit a signal to `top` (Hz, with a raised flank of 0.3 `top`) and sample it at no less than 3 `top`."""
    size = next_fast_len(signal.size + int(0.1 * rate), real=True)
    spectrum = rfft(signal, size)
    count = min(next_fast_len(int(3.0 * top * size / rate), real=True), size)
    kept = spectrum[: count // 2 + 1].copy()
    frequency = np.arange(kept.size) * rate / size
    kept *= np.clip((1.3 * top - frequency) / (0.3 * top), 0.0, 1.0)
    new_rate = rate * count / size
    return irfft(kept, count)[: int(signal.size / rate * new_rate)] * (count / size), new_rate


def refine_gliding(
    signal: Array, rate: float, law: GlideLaw, frequency: Array, decay_rate: Array, *, span: tuple[float, float]
) -> GlidingLines:
    """Least-squares fit of gliding damped lines to a hit, between two times in s after its onset (`span`).

    Levenberg-Marquardt on all lines, amplitudes and the law together; the law stays as given when it is STEADY.

    Raises
    ------
    ValueError
        If there is no line, or the arrays differ in length, or there are too few samples for the unknowns.
    """
    if frequency.size == 0 or frequency.shape != decay_rate.shape:
        raise ValueError(f"lines need a frequency and a decay rate each, got {frequency.shape}, {decay_rate.shape}")
    top = 1.15 * float(frequency.max()) * float(np.sqrt(1.0 + max(law.excess, 0.0))) + 100.0
    low, low_rate = lower_rate(signal, rate, min(top, 0.38 * rate))
    first, last = int(span[0] * low_rate), min(int(span[1] * low_rate), low.size)
    data, times = low[first:last], np.arange(first, last) / low_rate
    if data.size < 6 * frequency.size + 8:
        raise ValueError(f"{frequency.size} lines need more than {data.size} samples")
    state = _solve(data, times, -decay_rate + 2j * np.pi * frequency, law)
    state, covariance = _descend(data, times, state, free_law=law.excess != 0.0)
    count = frequency.size
    sd = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    residual = float(state.error @ state.error / (data @ data))
    lines = state.lines
    excess_sd = float(sd[-2]) if sd.size > 4 * count else 0.0
    frequency_sd = sd[3 * count : 4 * count] / (2.0 * np.pi)
    return GlidingLines(
        state.law, excess_sd, lines.imag / (2.0 * np.pi), frequency_sd,
        -lines.real, sd[2 * count : 3 * count], state.amplitude, residual,
    )  # fmt: skip


def gram(columns: Array, data: Array) -> tuple[Array, Array]:
    """Inner products of columns with each other, shape (n, n), and with data, shape (n,).

    Summed over blocks of rows small enough to stay on one core: threads would cost more than they bring.
    """
    count = columns.shape[1]
    block = max(1, 200_000 // (count + 1) ** 2)
    both = np.column_stack([columns, data])
    total = np.zeros((count + 1, count + 1))
    for first in range(0, data.size, block):
        rows = both[first : first + block]
        total += rows.T @ rows
    return total[:count, :count], total[:count, count]


def _waves(times: Array, lines: Complex, law: GlideLaw) -> Complex:
    """exp(-alpha t + i omega W(t)), shape (samples, lines)."""
    return np.exp(times[:, None] * lines.real + 1j * law.warp(times)[:, None] * lines.imag)


def _solve(data: Array, times: Array, lines: Complex, law: GlideLaw) -> _State:
    """Best amplitudes for given lines and law."""
    waves = _waves(times, lines, law)
    basis = np.concatenate([waves.real, -waves.imag], axis=1)
    normal, slope = gram(basis, data)
    scale = np.sqrt(np.diag(normal)) + 1e-150
    ridge = 1e-13 * np.eye(scale.size)
    both = np.linalg.solve(normal / np.outer(scale, scale) + ridge, slope / scale) / scale
    amplitude = both[: lines.size] + 1j * both[lines.size :]
    return _State(lines, law, amplitude, data - np.einsum("ij,j->i", basis, both), waves)


def _jacobian(times: Array, state: _State, *, free_law: bool) -> Array:
    """Slopes of the model: real and imaginary amplitudes, real and imaginary lines, then excess and rate of the law."""
    waves = state.waves
    moving = waves * state.amplitude
    columns = [waves.real, -waves.imag, times[:, None] * moving.real, -state.law.warp(times)[:, None] * moving.imag]
    if free_law:
        swing = -np.einsum("ij,j->i", moving.imag, state.lines.imag)
        columns.append(swing[:, None] * _warp_slopes(times, state.law))
    return np.concatenate(columns, axis=1)


def _warp_slopes(times: Array, law: GlideLaw) -> Array:
    """Derivatives of the warp with respect to excess and rate, shape (samples, 2)."""
    fading = np.exp(-2.0 * law.rate * times)
    first, now = np.sqrt(1.0 + law.excess), np.sqrt(1.0 + law.excess * fading)
    by_excess = (1.0 / (1.0 + first) - fading / (1.0 + now)) / (2.0 * law.rate)
    by_rate = (law.excess * times * fading / (1.0 + now) - (law.warp(times) - times)) / law.rate
    return np.stack([by_excess, by_rate], axis=1)


def _descend(data: Array, times: Array, state: _State, *, free_law: bool) -> tuple[_State, Array]:
    """Levenberg-Marquardt; returns the last state and the covariance of its unknowns."""
    damping = 1e-4
    for _ in range(_STEPS):
        jacobian = _jacobian(times, state, free_law=free_law)
        normal, slope = gram(jacobian, state.error)
        scale = np.sqrt(np.diag(normal)) + 1e-30
        scaled = normal / np.outer(scale, scale)
        trial = _move(data, times, state, np.linalg.solve(scaled + damping * np.eye(scale.size), slope / scale) / scale)
        gain = 1.0 - float(trial.error @ trial.error) / float(state.error @ state.error)
        damping = damping / 8.0 if gain > 0.0 else damping * 10.0
        state = trial if gain > 0.0 else state
        if 0.0 <= gain < _DONE or damping > 1e3:
            break
    jacobian = _jacobian(times, state, free_law=free_law)
    normal, _ = gram(jacobian, state.error)
    scale = np.sqrt(np.diag(normal)) + 1e-30
    inverse = np.linalg.pinv(normal / np.outer(scale, scale), hermitian=True) / np.outer(scale, scale)
    variance = float(state.error @ state.error) / max(data.size - scale.size, 1)
    return state, inverse * variance


def _move(data: Array, times: Array, state: _State, step: Array) -> _State:
    """Take a step in lines and law; amplitudes are solved for afresh."""
    count = state.lines.size
    lines = state.lines + step[2 * count : 3 * count] + 1j * step[3 * count : 4 * count]
    lines = np.minimum(lines.real, -0.05) + 1j * lines.imag
    law = state.law
    if step.size > 4 * count:
        excess = float(np.clip(law.excess + step[-2], *_EXCESS))
        law = GlideLaw(excess, float(np.clip(law.rate + step[-1], *_RATES)))
    return _solve(data, times, lines, law)
