"""How far the pitch of a head as a whole moved from tap to tap in its middle.

A tap in the middle excites the modes without nodal diameters, and their frequencies follow the mean tension alone, to
first order, however uneven the head is. Here the lowest of them, (0,1), is followed. It dies away within a fifth of a
second, so room and microphone bend its line; but they bend it alike in all taps, so the line may be compared from tap
to tap with one free number per frequency bin, as a reading does (docs/inference.md, "Model"). Taps of unlike strength
fall in pitch unlike far; how far is one unknown, common to all. Does not find the taps.

Times in s, frequencies in Hz, steps in cents. The model stands in docs/physics.md, section "Moves heard in the middle".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.hum import STEADY, remove_hum
from drumtune.dsp.tap_spectra import Taps, Window, plain_spectra, spectra
from drumtune.notes import cents

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
WINDOW = Window(2.0, 0.9)
TARGET = 4000.0
"""Sample rate the work is done at, Hz."""
SEARCH = (0.75, 1.4)
"""Where (0,1) is looked for, as shares of the frequency it should have: (1,1) lies above."""
BESIDE = 0.1
"""Share of the frequency to each side of the lines that is compared."""
BIN = 2.5
"""Distance of bins, Hz."""
FALL_TIME = 0.07
"""Time constant of the fall of pitch, s: that of `drumtune.advice.inversion`."""
FALL, FALL_SD = 5.0, 10.0
"""Fall of the loudest tap's pitch and its deviation, cents, before anything is heard (our own, no source)."""
DECAY_SD = 0.3
"""Relative deviation of the decay rate from that given."""
LINE_SD = 15.0
"""Deviation of the first stop's pitch from where its peak was seen, cents: rooms bend it."""
STEP_SD = 200.0
"""Deviation of a stop's pitch from where its peak was seen, cents."""
LEAST_NOISE = 0.03
"""What the model is taken to leave at least, as a share of a tap's rms in the band: bins are wrong together."""
UNSAID = 1.3
"""Factor by which deviations came out too small on simulated takes (our own; docs/accuracy.md, "Moves")."""
_CENT = np.log(2.0) / 1200.0


@dataclass(frozen=True, slots=True)
class Course:
    """Pitch of a head at each stop against the first, cents, shape (n - 1,), covariance (n - 1, n - 1).

    `frequency` of the line at the first stop, Hz; `left` the share of the taps' rms in the band that the lines leave.
    """

    cents: Array
    covariance: Array
    frequency: float
    left: float


def follow_middle(
    samples: Array, rate: float, onsets: Array, stops: NDArray[np.int64], *, near: float, decay_rate: float
) -> Course:
    """Follow (0,1) through taps in the middle of a head.

    Parameters
    ----------
    samples
        One channel, shape (samples,).
    onsets, stops
        First motion of each tap (s), and the stop it belongs to, counted from 0 without gaps; shape (S,).
    near, decay_rate
        About where the line lies (Hz) and how fast it dies (1/s).

    Raises
    ------
    ValueError
        If there are fewer than two stops, or `stops` leaves one out.
    """
    from scipy.optimize import least_squares

    count = int(stops.max(initial=0)) + 1
    if count < 2 or np.unique(stops).size != count:
        raise ValueError(f"stops must count from 0 without gaps to 1 or more, got {stops.tolist()}")
    ends = np.append(onsets[1:], samples.size / rate)
    taps = Taps.of(remove_hum(samples, rate, STEADY), rate, onsets, ends, TARGET)
    peaks = _peaks(taps, near)
    seen = np.array([np.median(peaks[stops == stop]) for stop in range(count)])
    frequency = np.arange((1.0 - BESIDE) * seen.min(), (1.0 + BESIDE) * seen.max(), BIN)
    model = _Model.of(taps, frequency, stops, seen)
    noise, start = 0.015, model.start(decay_rate)
    for _ in range(2):
        found = least_squares(
            model.left, start, args=(noise, decay_rate), x_scale=model.scale, max_nfev=60, method="trf"
        )
        start = found.x
        noise = max(model.noise(found.x, noise, decay_rate), LEAST_NOISE)
    slopes = np.asarray(found.jac, dtype=np.float64)
    normal = slopes.T @ slopes
    units = np.outer(model.scale, model.scale)
    covariance = UNSAID**2 * units * np.linalg.pinv(units * normal, hermitian=True)
    moved = cents(seen[1:], seen[0]) + found.x[: count - 1]
    return Course(moved, covariance[: count - 1, : count - 1], float(seen[0]), noise)


def _peaks(taps: Taps, near: float) -> Array:
    """Strongest frequency of each tap where (0,1) is looked for, Hz, shape (S,)."""
    frequency, sound = plain_spectra(taps, WINDOW, 0.5)
    inside = (frequency > SEARCH[0] * near) & (frequency < SEARCH[1] * near)
    return np.asarray(frequency[inside][np.abs(sound[:, inside]).argmax(axis=1)], dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Model:
    """Taps' spectra and what they should be.

    Unknowns: pitch of every stop but the first against its peak, log decay, fall, complex size of every tap but the
    first, and how far all peaks lie off.
    """

    data: Complex
    slope: Complex
    s: Complex
    stops: NDArray[np.int64]
    seen: Array
    loud: Array
    scale: Array

    @classmethod
    def of(cls, taps: Taps, frequency: Array, stops: NDArray[np.int64], seen: Array) -> _Model:
        still = np.zeros(taps.onsets.size)
        data, slope = spectra(taps, frequency, WINDOW, still, FALL_TIME)
        size = np.sqrt(np.mean(np.square(np.abs(data)), axis=1, keepdims=True))
        loud = size[:, 0] / size.max()
        pitches, sizes = np.full(seen.size - 1, 5.0), np.full(2 * (stops.size - 1), 0.3)
        scale = np.concatenate([pitches, [DECAY_SD, 5.0], sizes, [5.0]])
        s = np.asarray(WINDOW.damping + 2j * np.pi * frequency, dtype=np.complex128)
        return cls(data / size, slope / size, s, stops, seen, loud, scale)

    def start(self, decay_rate: float) -> Array:
        """Unknowns to begin with."""
        parts = self.data[1:] @ self.data[0].conj() / np.sum(np.square(np.abs(self.data[0])))
        return np.concatenate([np.zeros(self.seen.size - 1), [np.log(decay_rate), FALL], parts.real, parts.imag, [0.0]])

    def apart(self, x: Array) -> Complex:
        """What no common gain of the bins explains, shape (S, K)."""
        stops, taps = self.seen.size, self.stops.size
        pitch = self.seen * np.exp(_CENT * (np.append(0.0, x[: stops - 1]) + x[-1]))
        sizes = np.append(1.0, x[stops + 1 : stops + taps] + 1j * x[stops + taps : -1])
        pole = -np.exp(x[stops - 1]) + 2j * np.pi * pitch[self.stops]
        lines = sizes[:, None] / (self.s - pole[:, None])
        data = self.data + (_CENT * x[stops] * self.loud)[:, None] * self.slope
        gain = (lines.conj() * data).sum(axis=0) / np.square(np.abs(lines)).sum(axis=0)
        return np.asarray(data - gain * lines)

    def left(self, x: Array, noise: float, decay_rate: float) -> Array:
        """Residuals in units of their deviations, and those of the beliefs."""
        stops = self.seen.size
        apart = self.apart(x).ravel() / noise
        beliefs = [(x[stops - 1] - np.log(decay_rate)) / DECAY_SD, (x[stops] - FALL) / FALL_SD, x[-1] / LINE_SD]
        return np.concatenate([apart.real, apart.imag, x[: stops - 1] / STEP_SD, beliefs])

    def noise(self, x: Array, noise: float, decay_rate: float) -> float:
        """Rms of what is left per real number, the unknowns counted off."""
        count = 2 * self.data.size
        square = float(np.square(self.left(x, noise, decay_rate)[:count]).sum()) * noise**2
        return float(np.sqrt(square / max(count - 2 * self.s.size - x.size, 1)))
