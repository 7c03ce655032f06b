"""Where a decay meets the noise: floor, crossing and late slope of a squared recording.

Conventions: `power` is a squared signal (or squared envelope), shape (samples,), in the recording's unit squared,
sampled at `rate` per second; times in s from its first sample; slopes in dB per s (negative for a decay).

The iteration is that of A. Lundeby, T. E. Vigran, H. Bietz and M. Vorländer, "Uncertainties of measurements in
room acoustics", Acustica 81 (1995), pp. 344-355. Does not look for the onset: the sound starts at sample 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LEAST = 32
"""Samples a decay has at least."""
DECADE = 10.0 / np.log(10.0)
"""dB per neper of energy."""
_MARGIN_DB = 7.0
"""How far from the floor, in dB, the late slope is fitted and the floor is measured (Lundeby: 5 to 10 dB)."""
_LATE_DB = 20.0
"""Span of the late slope in dB (Lundeby: 10 to 20 dB)."""
_PER_DECADE = 6
"""Averaging intervals in each 10 dB of decay (Lundeby: 3 to 10)."""
_TAIL = 0.1
"""Share of the record that the floor is measured on at least (Lundeby: 10 %)."""
_PASSES = 6


@dataclass(frozen=True, slots=True)
class Floor:
    """The end of a decay.

    Parameters
    ----------
    power
        Mean noise power in the unit of the signal squared; 0 when the record ends before any floor shows.
    limit
        Time in s at which the decay is cut: where it crosses the floor, or the end of the record.
    slope
        Late slope in dB/s, negative; -inf when the sound stops dead.
    tail
        Energy (power times s) of the sound alone after `limit`, from its late slope.
    """

    power: float
    limit: float
    slope: float
    tail: float

    @property
    def reached(self) -> bool:
        """Whether the record goes on long enough to show its noise."""
        return self.power > 0.0


def interval_means(power: Array, rate: float, length: float) -> tuple[Array, Array]:
    """Means of `power` over whole intervals of `length` in s: (middle times in s, means), shape (intervals,)."""
    count = max(1, round(length * rate))
    whole = power.size // count
    means = np.asarray(power[: whole * count].reshape(whole, count).mean(axis=1), dtype=np.float64)
    return np.asarray((np.arange(whole) + 0.5) * count / rate, dtype=np.float64), means


def line_fit(x: Array, y: Array) -> tuple[float, float]:
    """Least-squares line through points, shapes (points,): (slope, intercept)."""
    mean_x, mean_y = float(x.mean()), float(y.mean())
    spread = x - mean_x
    slope = float(spread @ (y - mean_y)) / float(spread @ spread)
    return slope, mean_y - slope * mean_x


def find_floor(power: Array, rate: float) -> Floor:
    """Find floor, crossing and late slope of a decay by Lundeby's iteration.

    Parameters
    ----------
    power
        Shape (samples,), not negative, from the onset on.
    rate
        Samples per second.

    Raises
    ------
    ValueError
        If there are fewer than 32 samples, or none is positive.
    """
    if power.size < LEAST or not power.max() > 0.0:
        raise ValueError(f"a decay needs {LEAST} samples and some power, got {power.size} samples")
    duration = power.size / rate
    length = min(0.03, duration / 40.0)
    floor = float(power[-max(1, int(_TAIL * power.size)) :].mean())
    slope, level = _late_line(power, rate, length, floor)
    for _ in range(_PASSES):
        crossing = _crossing(slope, level, floor, duration)
        length = float(np.clip(-10.0 / slope / _PER_DECADE, 4.0 / rate, duration / 20.0))
        floor = _floor_after(power, rate, min(crossing - _MARGIN_DB / slope, (1.0 - _TAIL) * duration))
        slope, level = _late_line(power, rate, length, floor)
    crossing = _crossing(slope, level, floor, duration)
    if crossing > (1.0 - _TAIL) * duration or _still_falling(power, rate, slope, level):
        floor, crossing = 0.0, duration
    crossing = round(crossing * rate) / rate
    return Floor(floor, crossing, slope, _tail_energy(slope, level, crossing))


def _floor_after(power: Array, rate: float, start: float) -> float:
    return max(float(power[int(start * rate) :].mean()), float(power.max()) * 1e-18)


def _late_line(power: Array, rate: float, length: float, floor: float) -> tuple[float, float]:
    """Late slope in dB/s and level in dB at time 0, from the last stretch of the decay above the floor."""
    times, means = interval_means(power, rate, length)
    levels = 10.0 * np.log10(np.maximum(means, floor * 1e-3))
    peak = int(np.argmax(levels))
    bottom = 10.0 * np.log10(floor) + _MARGIN_DB
    below = np.flatnonzero(levels[peak:] < bottom)
    last = peak + int(below[0]) if below.size else levels.size
    above = np.flatnonzero(levels[peak:last] > bottom + _LATE_DB)
    first = peak + int(above[-1]) if above.size else peak
    first = max(min(first, last - 5), peak, 0)
    last = min(max(last, first + 3), levels.size)
    first = max(0, min(first, last - 2))
    slope, level = line_fit(times[first:last], levels[first:last])
    if slope < 0.0:
        return slope, level
    return -10.0 * _PER_DECADE / max(times[-1], length), float(levels[peak])


def _crossing(slope: float, level: float, floor: float, duration: float) -> float:
    return float(np.clip((10.0 * np.log10(floor) - level) / slope, 0.0, duration))


def _still_falling(power: Array, rate: float, slope: float, level: float) -> bool:
    """Whether the last tenth of the record is the decay itself rather than noise."""
    start = int((1.0 - _TAIL) * power.size)
    seen = float(power[start:].sum()) / rate
    ends = np.array([start, power.size]) / rate
    said = float(-np.diff(10.0 ** ((level + slope * ends) / 10.0))[0]) * DECADE / -slope
    return bool(said > 0.5 * seen)


def _tail_energy(slope: float, level: float, start: float) -> float:
    """Energy under a straight decay after `start`: its power there divided by its rate."""
    power = float(np.power(10.0, (level + slope * start) / 10.0))
    return float(power * DECADE / -slope)
