"""What a take alone says of one-sided tension: the belief about it taken out of the fit again.

Successive takes of a head can then be added up; each drawn to zero by its own prior, they never would add up to what
is there. docs/inference.md, "One side tight"; docs/physics.md, "Learning a drum".
"""

from __future__ import annotations

import numpy as np

from drumtune.advice.inversion.beliefs import CAUTION, Fit, one_sided_alone, pull_slopes, pulls_of
from drumtune.advice.reading import Tilt
from drumtune.physics.stress import rod_patterns


def tilt_of(held: Fit, doubt: float = 1.0) -> Tilt:
    """Harmonic 1 of the pulls as the take alone has it, on a rim that holds; `doubt` widens the deviation."""
    rods = held.model.rods
    mean, alone = one_sided_alone(held)
    further = mean - held.field[:2]
    part = 2.0 / rods * rod_patterns(rods)[:, :2].T
    slope = part @ pull_slopes(held.field, rods)[:, :2]
    cents = part @ pulls_of(held, rods)[0] + slope @ further
    spread = slope @ alone @ slope.T
    return Tilt(np.asarray(cents), np.asarray((CAUTION * doubt) ** 2 * 0.5 * (spread + spread.T)))
