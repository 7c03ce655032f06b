"""The loudest line in the sound of one tap: what an ear would pick out, told while a round goes on.

It says little about the tension near a rod (drumtune.advice.evenness needs all taps for that). Frequencies in Hz,
times in s, levels in dB of full scale.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
LOWEST, HIGHEST = 50.0, 1200.0
"""Frequencies looked at, Hz."""
SHORTEST = 0.1
"""Least sound needed, s."""
SKIPPED = 0.02
"""Sound after the onset that is left out, s: there the stick is heard."""


def loudest_line(samples: Array, rate: float) -> tuple[float, float] | None:
    """Frequency (Hz) and level (dB of a full-scale sine) of the loudest line of a tap.

    Parameters
    ----------
    samples
        Shape (n,), from the onset on.
    rate
        Hz.

    Returns
    -------
    frequency, level
        None if there is too little sound or none at all. The frequency is that of the peak of a Gaussian-like window's
        spectrum, by a parabola through the logarithms of three bins (exact for a Gaussian peak).
    """
    part = samples[round(SKIPPED * rate) :]
    if part.size < SHORTEST * rate:
        return None
    window = np.hanning(part.size)
    size = 4 * part.size
    power = np.abs(np.fft.rfft((part - part.mean()) * window, size)) ** 2
    first, last = math.ceil(LOWEST * size / rate), min(math.floor(HIGHEST * size / rate), power.size - 2)
    if last <= first:
        return None
    peak = first + int(np.argmax(power[first : last + 1]))
    if not power[peak] > 0.0:
        return None
    below, here, above = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-300))
    bend = below - 2.0 * here + above
    offset = 0.5 * (below - above) / bend if bend < 0.0 else 0.0
    amplitude = 2.0 * math.sqrt(power[peak]) / float(window.sum())
    return (peak + min(max(offset, -0.5), 0.5)) * rate / size, 20.0 * math.log10(amplitude)
