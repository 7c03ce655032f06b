"""The best any unbiased estimator of a damped line can do: Cramer-Rao bounds, closed or from the Fisher matrix.

Conventions: a real line is ``A exp(-alpha t) cos(2 pi f t + phi)`` with `decay_rate` alpha in 1/s, in white noise of
standard deviation `noise_sd` per sample. Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def long_record_bounds(
    amplitude: ArrayLike, decay_rate: ArrayLike, *, noise_sd: float, sample_rate: float
) -> tuple[Floats, Floats]:
    """Bounds on (frequency in Hz, decay rate in 1/s) of one real damped line in a record much longer than its decay.

    Valid when the line has died away within the record, lies many linewidths from 0 and from half the sample rate, and
    decays little within one sample. Does not cover neighbouring lines: use `fisher_bounds` for those.

    Source: formula of the long-record limit given by Y.-X. Yao & S. M. Pandit, IEEE Trans. Signal Processing 43(4),
    1995 (from memory); the tests check it against `fisher_bounds`.
    """
    alpha = np.asarray(decay_rate, dtype=np.float64)
    snr = np.asarray(amplitude, dtype=np.float64) ** 2 / (2.0 * noise_sd**2)
    decay_sd = alpha * np.sqrt(8.0 * alpha / (snr * sample_rate))
    return decay_sd / (2.0 * math.pi), decay_sd


def complex_mode_bound(amplitude: float, decay_per_sample: float, samples: int, *, noise_variance: float) -> float:
    """Bound on the variance of the angular frequency (rad/sample)^2 of one complex damped exponential.

    The noise is circular with E|w|^2 = `noise_variance`. Source: Yao & Pandit 1995 (from memory), docs/physics.md.

    Raises
    ------
    ValueError
        If fewer than two samples are given or the decay is not positive.
    """
    if samples < 2 or decay_per_sample <= 0.0:
        raise ValueError(f"needs samples >= 2 and decay_per_sample > 0, got {samples} and {decay_per_sample}")
    square = math.exp(-2.0 * decay_per_sample)
    last = square**samples
    top = (1.0 - square) ** 3 * (1.0 - last)
    bottom = square * (1.0 - last) ** 2 - samples**2 * last * (1.0 - square) ** 2
    return noise_variance / (2.0 * amplitude**2) * top / bottom


def fisher_bounds(
    frequency: ArrayLike,
    decay_rate: ArrayLike,
    amplitude: ArrayLike,
    *,
    noise_sd: float,
    sample_rate: float,
    samples: int,
) -> tuple[Floats, Floats]:
    """Bounds on (frequencies in Hz, decay rates in 1/s) of P real damped lines seen jointly in S records.

    Parameters
    ----------
    frequency, decay_rate
        Shape (P,), Hz and 1/s.
    amplitude
        Shape (S, P) or (P,), complex at the records' starts; the signal is Re(a exp((-alpha + 2 pi i f) t)).
    noise_sd, sample_rate, samples
        Noise per sample, Hz, samples in each record.

    Notes
    -----
    The matrix is inverted with unit diagonal and the amplitudes eliminated record by record, so close pairs stay
    solvable. Source: the definition of the Fisher matrix for Gaussian noise (S. M. Kay, Fundamentals of Statistical
    Signal Processing I, 1993, ch. 3; from memory).
    """
    lines = np.atleast_1d(np.asarray(frequency, dtype=np.float64))
    alpha = np.atleast_1d(np.asarray(decay_rate, dtype=np.float64))
    amplitudes = np.atleast_2d(np.asarray(amplitude, dtype=np.complex128))
    time = np.arange(samples) / sample_rate
    basis = np.exp(np.outer(time, -alpha + 2j * math.pi * lines))
    linear = np.concatenate([basis.real, -basis.imag], axis=1)
    span = np.linalg.qr(linear)[0]
    size = 2 * lines.size
    fisher = np.zeros((size, size))
    for row in amplitudes:
        wave = time[:, None] * basis * row
        slope = np.concatenate([-2.0 * math.pi * wave.imag, -wave.real], axis=1)
        slope -= span @ (span.T @ slope)
        fisher += slope.T @ slope
    scale = 1.0 / np.sqrt(np.diag(fisher))
    covariance = np.linalg.inv(fisher * np.outer(scale, scale)) * np.outer(scale, scale)
    sd = noise_sd * np.sqrt(np.diag(covariance))
    return sd[: lines.size], sd[lines.size :]
