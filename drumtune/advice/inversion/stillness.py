"""Whether the microphone stood still: what it hears of each frequency, from the earlier taps and from the later.

All that is fixed between head and file multiplies every tap alike at each frequency. Where the microphone moves in
mid-take, what it hears of the modes changes from one tap to the next, and stays so. docs/inference.md, "How sure".
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.solve import Point

Array = NDArray[np.float64]
BANDS = 5
"""The bands looked at: the lowest, which carry most."""
CHANGED, BEYOND_NOISE, FAR = 0.03, 1.0, 0.1
"""From what a microphone counts as moved: change and noise, or change alone. Of 82 simulated takes with a still one
none came there (phones had 0.07 at most, and 0.5 of noise); moved by 34 to 116 mm, seven drums of ten."""


class Change(NamedTuple):
    """Between earlier and later taps: median relative change of the gains, and mean of its square over its variance."""

    size: float
    beyond_noise: float

    @property
    def moved(self) -> bool:
        """Whether the microphone moved."""
        return self.size > FAR or (self.size > CHANGED and self.beyond_noise > BEYOND_NOISE)


def change(point: Point, onsets: Array) -> Change:
    """The largest change of the gains of the bins at any tap between the first and the last quarter.

    Parameters
    ----------
    point
        Where the fit rests.
    onsets
        Of the taps, shape (S,), in the order of the fit.
    """
    order, quarter = np.argsort(onsets), onsets.size // 4
    low = point.problem.grid.band < BANDS
    found = [_change(point, order[:at], order[at:], low) for at in range(quarter, onsets.size - quarter + 1)]
    return max(found, key=lambda one: one.size, default=Change(0.0, 0.0))


def _change(point: Point, earlier: NDArray[np.intp], later: NDArray[np.intp], low: NDArray[np.bool_]) -> Change:
    """Change of the gains of the bins `low` from some taps to others."""
    sound, heard, weight = point.problem.sound(point.state), point.here.spectra, point.problem.data.weight
    known = [np.sum(weight[taps] * np.abs(heard[taps]) ** 2, axis=0)[low] + 1e-30 for taps in (earlier, later)]
    told = [np.sum((weight * np.conj(heard) * sound)[taps], axis=0)[low] for taps in (earlier, later)]
    apart = np.abs(told[0] / known[0] - told[1] / known[1])
    size = float(np.median(apart / np.abs(point.state.gain[low])))
    return Change(size, float(np.mean(apart**2 / (1.0 / known[0] + 1.0 / known[1]))))
