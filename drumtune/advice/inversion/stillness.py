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
    order, low = np.argsort(onsets), point.problem.grid.band < BANDS
    sound, heard = point.problem.sound(point.state)[order][:, low], point.here.spectra[order][:, low]
    weight, gain = point.problem.data.weight[order][:, low], np.abs(point.state.gain[low])
    told = np.cumsum(weight * np.conj(heard) * sound, axis=0)
    known = np.cumsum(weight * np.abs(heard) ** 2, axis=0)
    quarter, found = onsets.size // 4, [Change(0.0, 0.0)]
    for last in range(max(quarter, 1) - 1, onsets.size - max(quarter, 1)):
        earlier, later = known[last] + 1e-30, known[-1] - known[last] + 1e-30
        apart = np.abs(told[last] / earlier - (told[-1] - told[last]) / later)
        noise = 1.0 / earlier + 1.0 / later
        found.append(Change(float(np.median(apart / gain)), float(np.mean(apart**2 / noise))))
    return max(found, key=lambda one: one.size)
