"""Spectra of taps through an exponential window, comparable from tap to tap.

Each tap's transform starts a few milliseconds before its onset and carries the window exp(-damping t), so a bin is a
value of the Laplace transform at s = damping + 2 pi i f. Everything linear and fixed between drum and file then
multiplies all taps by the same number at each bin. Times in s, frequencies in Hz. Does not find the onsets.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft, rfftfreq

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
LEAD = 0.003
"""How long before the onset a transform starts."""
FADE = 0.1
"""Length of the cosine fade at its end."""
GUARD = 0.004
"""Distance kept from the next onset."""
_FINE = 8
"""Refinement of the time grid before linear interpolation between its points."""
_MARGIN = 32
LONGEST = 0.95
"""Longest window that spectra with a fall of pitch may have, s."""


@dataclass(frozen=True, slots=True)
class Window:
    """Decay rate of the window (1/s) and longest stretch of a tap used (s)."""

    damping: float
    length: float


@dataclass(frozen=True)
class Taps:
    """Taps of a take, at a low sample rate.

    Parameters
    ----------
    samples
        The take, decimated.
    rate
        Its sample rate, Hz.
    onsets, ends
        First motion of each tap and where its sound must not be used any more, shape (S,), s.
    """

    samples: Array
    rate: float
    onsets: Array
    ends: Array

    @classmethod
    def of(cls, samples: Array, rate: float, onsets: Array, ends: Array, target: float = 4000.0) -> Taps:
        """Decimate a take by cutting its spectrum at half the target rate (no change when it is lower already)."""
        if rate <= 1.05 * target:
            return cls(samples, rate, onsets, ends)
        size = next_fast_len(samples.size, real=True)
        kept = int(size * target / rate) // 2 * 2
        spectrum = rfft(samples, size)[: kept // 2 + 1]
        low = irfft(spectrum, kept) * (kept / size)
        return cls(low, rate * kept / size, onsets, ends)

    @property
    def first(self) -> NDArray[np.int64]:
        """The first sample of each tap's frame, shape (S,)."""
        return np.ceil((self.onsets - LEAD) * self.rate).astype(int)

    @cached_property
    def fine(self) -> Array:
        """Frames of the longest window on a finer grid (band-limited), from `_MARGIN` samples earlier on, (S, n)."""
        count = round((LONGEST + LEAD) * self.rate) + 1 + 2 * _MARGIN
        wide = np.stack([_cut(self.samples, start - _MARGIN, count) for start in self.first])
        size = next_fast_len(count + _MARGIN, real=True)
        finer: Array = irfft(rfft(wide, size), size * _FINE) * _FINE
        return finer

    def slowed(self, target: float) -> Taps:
        """The same taps at a lower sample rate of about `target` Hz."""
        return Taps.of(self.samples, self.rate, self.onsets, self.ends, target)


def spectra(taps: Taps, frequency: Array, window: Window, fall: Array, fall_time: float) -> tuple[Complex, Complex]:
    """Transforms of all taps at `frequency` (K,), shape (S, K), and their slopes by `fall`.

    Parameters
    ----------
    fall
        Relative excess of pitch at each tap's onset, shape (S,), taken out by warping time; it dies with the time
        constant `fall_time` (s).

    Raises
    ------
    ValueError
        If the window is longer than `LONGEST`.
    """
    if window.length > LONGEST:
        raise ValueError(f"the window may be {LONGEST} s long, not {window.length}")
    frames = _Frames.of(taps, window)
    times = frames.times
    shift = np.where(times > 0.0, fall_time * -np.expm1(-np.maximum(times, 0.0) / fall_time), 0.0)
    sound = _warped(taps.fine, fall[:, None] * taps.rate * shift)
    slope = -np.gradient(sound, axis=1) * taps.rate * shift
    both = frames.transform(np.concatenate([sound, slope]), frequency)
    return both[: fall.size], both[fall.size :]


def plain_spectra(taps: Taps, window: Window, step: float) -> tuple[Array, Complex]:
    """Frequencies from 0 Hz on, about `step` Hz apart, (K,), and the taps' transforms there, (S, K), as they are."""
    frames = _Frames.of(taps, window)
    size = max(round(taps.rate / step), frames.grid.size)
    frequency = rfftfreq(size, 1.0 / taps.rate)
    sound = np.stack([_cut(taps.samples, start, frames.grid.size) for start in taps.first])
    turn = np.exp(-2j * np.pi * np.outer(frames.times[:, 0], frequency)) / taps.rate
    return frequency, rfft(frames.shape * sound, size) * turn


@dataclass(frozen=True, slots=True)
class _Frames:
    """Stretches about the taps: how late each begins (S,), times from the onset and window (S, n), what made them."""

    late: Array
    times: Array
    shape: Array
    grid: Array
    rate: float

    @classmethod
    def of(cls, taps: Taps, window: Window) -> _Frames:
        """The stretches that a window wants."""
        count = round((window.length + LEAD) * taps.rate) + 1
        grid = np.arange(count) / taps.rate - LEAD
        late = taps.first / taps.rate - (taps.onsets - LEAD)
        times = grid + late[:, None]
        stop = np.minimum(window.length, taps.ends - taps.onsets - GUARD)[:, None]
        return cls(late, times, _shape(times, stop, window.damping), grid, taps.rate)

    def transform(self, sound: Array, frequency: Array) -> Complex:
        """Transforms of sounds in the frames, one or more sets of them, (c S, n), at frequencies (K,): (c S, K)."""
        sets = sound.reshape(-1, *self.shape.shape)
        both = (self.shape * sets).reshape(sound.shape) @ _kernel(self.grid, frequency).view(float)
        turn = np.exp(-2j * np.pi * np.outer(self.late, frequency)) / self.rate
        transformed: Complex = (both.view(complex).reshape(-1, *turn.shape) * turn).reshape(sound.shape[0], -1)
        return transformed


def _kernel(grid: Array, frequency: Array, stretch: int = 64) -> Complex:
    """exp(-2 pi i t f) on an even grid of times (n,) for frequencies (K,), by products of coarse and fine steps."""
    coarse = np.exp(-2j * np.pi * np.outer(grid[::stretch], frequency))
    fine = np.exp(-2j * np.pi * np.outer(np.arange(stretch) * (grid[1] - grid[0]), frequency))
    kernel: Complex = (coarse[:, None, :] * fine).reshape(-1, frequency.size)[: grid.size]
    return kernel


def _shape(times: Array, stop: Array, damping: float) -> Array:
    """Exponential window with a cosine fade before `stop`."""
    into = np.clip((times - (stop - FADE)) / FADE, 0.0, 1.0)
    fade: Array = np.exp(-damping * times) * 0.5 * (1.0 + np.cos(np.pi * into))
    return fade


def _warped(fine: Array, back: Array) -> Array:
    """Frames read `back` samples earlier, (S, n), from the same on the finer grid of `Taps.fine`."""
    place = (np.arange(back.shape[1]) + _MARGIN - back) * _FINE
    below = place.astype(int)
    part = place - below
    read: Array = np.take_along_axis(fine, below, 1) * (1.0 - part) + np.take_along_axis(fine, below + 1, 1) * part
    return read


def _cut(samples: Array, start: int, count: int) -> Array:
    """Samples start...start + count, zeros beyond the take."""
    out = np.zeros(count)
    a, b = max(start, 0), min(start + count, samples.size)
    if b > a:
        out[a - start : b - start] = samples[a:b]
    return out
