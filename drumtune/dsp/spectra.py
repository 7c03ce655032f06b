"""Spectra of segments at their own bins, and the exact spectrum of a damped exponential there.

Conventions: segment s has n_s samples starting with the first one the model holds for; its bins lie at multiples of
sample_rate / n_s, so white noise is white over the bins. Rows of different length are padded with zero weight. A line
is Re(a exp(lambda t)), lambda = -alpha + 2 pi i f in 1/s; in samples theta = lambda / sample_rate.
Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]


LENGTH_STEP = 0.025
"""s: segments of different length end at multiples of this; the tail given up holds the least of the sound."""


@dataclass(frozen=True, slots=True)
class Segments:
    """Records that share poles: their samples, lengths and one-sided spectra.

    Parameters
    ----------
    sample_rate
        Hz.
    lengths
        Shape (S,), samples in each record.
    spectra
        S arrays, the real FFT of each record at its own length.
    padded
        Shape (S, bins), spectra of all records padded with zeros to one common length `padded_length`.
    """

    sample_rate: float
    lengths: NDArray[np.int64]
    spectra: tuple[Complexes, ...]
    padded: Complexes
    padded_length: int

    @property
    def duration(self) -> float:
        """Length of the longest record, s."""
        return float(self.lengths.max()) / self.sample_rate


@dataclass(frozen=True, slots=True)
class Window:
    """A band of bins of all segments: `angle` and `data` (S, M), `mask` (S, M), and `sharing` (S,) into unique lengths.

    `angle` is in rad/sample; `unique` are the rows (U,) that stand for each distinct length, `sharing[s]` the place of
    segment s among them; `turn` (U, M) is exp(-i angle)
    of those; `background` (U, M, K) is an orthonormal smooth basis for what lies outside the window.
    """

    low: float
    high: float
    data: Complexes
    angle: Floats
    mask: Floats
    lengths: NDArray[np.int64]
    unique: NDArray[np.int64]
    sharing: NDArray[np.int64]
    background: Complexes
    turn: Complexes

    @property
    def samples(self) -> Floats:
        """Number of bins of each segment, shape (S,)."""
        return np.asarray(self.mask.sum(axis=1), dtype=np.float64)


def as_segments(segments: ArrayLike | Sequence[ArrayLike], sample_rate: float) -> Segments:
    """Transform records (one array, an (S, n) array or a list of S arrays) once, for every later step.

    Raises
    ------
    ValueError
        If there is no record, one has fewer than 64 samples or is not finite, or the rate is not positive.
    """
    rows = _few_lengths(as_rows(segments), sample_rate)
    if not sample_rate > 0.0:
        raise ValueError(f"sample_rate must be positive, got {sample_rate}")
    lengths = np.array([row.size for row in rows])
    padded_length = scipy.fft.next_fast_len(int(lengths.max()), real=True)
    padded = np.stack([scipy.fft.rfft(row, padded_length) for row in rows])
    spectra = tuple(
        whole if row.size == padded_length else scipy.fft.rfft(row) for row, whole in zip(rows, padded, strict=True)
    )
    return Segments(float(sample_rate), lengths, spectra, padded, padded_length)


def cut_window(segments: Segments, low: float, high: float, *, background: int = 3) -> Window:
    """Bins of all segments from `low` to `high` in Hz, with a smooth background of `background` terms."""
    first = np.maximum(1, np.ceil(low * segments.lengths / segments.sample_rate)).astype(np.int64)
    last = np.minimum((segments.lengths - 1) // 2, np.floor(high * segments.lengths / segments.sample_rate)).astype(int)
    width = int(max(1, (last - first + 1).max()))
    index = first[:, None] + np.arange(width)
    mask = (index <= last[:, None]).astype(np.float64)
    data = np.zeros(index.shape, dtype=np.complex128)
    for row, spectrum in enumerate(segments.spectra):
        data[row] = spectrum[np.minimum(index[row], spectrum.size - 1)] * mask[row]
    angle = 2.0 * math.pi * index / segments.lengths[:, None]
    _, unique, sharing = np.unique(segments.lengths, return_index=True, return_inverse=True)
    middle = math.pi * (low + high) / segments.sample_rate
    half = math.pi * max(high - low, 1e-9) / segments.sample_rate
    place = (angle[unique] - middle) / half
    powers = np.arange(min(background, width // 4))
    basis = (place[:, :, None] ** powers) * mask[unique][:, :, None]
    basis = np.linalg.qr(basis)[0] if powers.size else basis
    return Window(
        low,
        high,
        data,
        angle,
        mask,
        segments.lengths,
        unique,
        sharing.reshape(-1),
        basis.astype(np.complex128),
        np.exp(-1j * angle[unique]),
    )


def line_shape(theta: Complexes, window: Window, *, slope: bool = False) -> tuple[Complexes, Complexes]:
    """Spectrum of exp(theta k), k = 0...n-1, at the window's bins, and its derivative with respect to theta.

    Shapes (U, M, P) for theta of shape (P,). G = (1 - e^(n theta)) / (1 - e^(theta - i omega)) at bins
    e^(-i omega n) = 1. Without `slope` the second array is empty.
    """
    count = window.lengths[window.unique][:, None, None].astype(np.float64)
    mask = window.mask[window.unique][:, :, None]
    power = window.turn[:, :, None] * np.exp(theta)
    below = power - 1.0
    below[np.abs(below) < 1e-9] = 1e-9
    end = np.exp(count * theta)
    shape = mask * (end - 1.0) / below
    if not slope:
        return shape, np.zeros((0, 0, 0), dtype=np.complex128)
    return shape, mask * (count * end - shape * power) / below


def model_spectrum(theta: Complexes, amplitude: Complexes, window: Window, *, own: bool) -> Complexes:
    """Spectra (S, M) of Re(a exp(theta k)): only the mirror image of the lines, or with `own` the lines too.

    `theta` has shape (P,), `amplitude` shape (S, P).
    """
    if theta.size == 0:
        return np.zeros_like(window.data)
    poles, sizes = np.conj(theta), np.conj(amplitude)
    if own:
        poles, sizes = np.append(poles, theta), np.concatenate([sizes, amplitude], axis=1)
    shape, _ = line_shape(poles, window)
    return np.asarray(0.5 * rows_by(sizes, shape.transpose(0, 2, 1), window), dtype=np.complex128)


def rows_by(rows: Complexes, matrices: Complexes, window: Window) -> Complexes:
    """Each segment's row (S, A) times the matrix (A, B) of its length, out of (U, A, B)."""
    if matrices.shape[0] == 1:
        return np.asarray(rows @ matrices[0], dtype=np.complex128)
    product = np.empty((rows.shape[0], matrices.shape[2]), dtype=np.complex128)
    for place, matrix in enumerate(matrices):
        mine = window.sharing == place
        product[mine] = rows[mine] @ matrix
    return product


def _few_lengths(rows: list[Floats], sample_rate: float) -> list[Floats]:
    """Rows cut so that they have few lengths, if they differ: each length costs a solution of its own."""
    lengths = {row.size for row in rows}
    if len(lengths) == 1 or not sample_rate > 0.0:
        return rows
    step = max(1, round(LENGTH_STEP * sample_rate))
    return [row[: row.size // step * step] if row.size >= 8 * step else row for row in rows]


def as_rows(segments: ArrayLike | Sequence[ArrayLike]) -> list[Floats]:
    """One row of finite samples per record, whatever the caller handed in.

    Raises
    ------
    ValueError
        If there is no record, or one is not a row of at least 64 finite samples.
    """
    given = list(np.atleast_2d(segments)) if isinstance(segments, np.ndarray) else segments
    if not isinstance(given, Sequence) or not given:
        raise ValueError(f"segments must be an array or a list of rows, at least one, got {type(segments).__name__}")
    rows = [np.asarray(row, dtype=np.float64) for row in given]
    for row in rows:
        if row.ndim != 1 or row.size < 64:
            raise ValueError(f"a segment is one row of at least 64 samples, got shape {row.shape}")
        if not np.isfinite(row).all():
            raise ValueError("segments must be finite, got NaN or infinity")
    return rows
