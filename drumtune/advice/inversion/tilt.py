"""What a take alone says of one-sided tension: the belief about it taken out of the fit again.

Successive takes of a head can then be added up; each drawn to zero by its own prior, they never would add up to what
is there. docs/inference.md, "One side tight"; docs/physics.md, "Learning a drum".
"""

from __future__ import annotations

import math

import numpy as np

from drumtune.advice.inversion.beliefs import CAUTION, Belief, pulls_of
from drumtune.advice.reading import Tilt
from drumtune.physics.stress import rod_patterns, rod_tensions

LEAST_SAID = 0.02
"""Least information of a take on harmonic 1, as a share of the prior's."""


def tilt_of(held: Belief, doubt: float = 1.0) -> Tilt:
    """Harmonic 1 of the pulls as the take alone has it, under the belief that the rim holds.

    With mean m and covariance V of harmonic 1 in the fit and P that of its prior, the take alone has the information
    1/V - 1/P and the mean that, so weighed, gives m. `doubt` widens the deviation.
    """
    rods = held.model.rods
    variance = held.point.problem.prior.sd[held.model.at.field][:2] ** 2
    mean, inside = held.field[:2], held.covariance[:2, :2]
    size, axes = np.linalg.eigh(np.linalg.inv(inside) - np.diag(1.0 / variance))
    alone = (axes / np.maximum(size, LEAST_SAID / variance.max())) @ axes.T
    further = alone @ np.linalg.solve(inside, mean) - mean
    circle = rod_patterns(rods)[:, :2]
    part = 2.0 / rods * circle.T
    tension = np.maximum(rod_tensions(held.field, rods), 0.05)
    slope = part @ (600.0 / math.log(2.0) * circle / tension[:, None])
    cents = part @ pulls_of(held)[0] + slope @ further
    spread = slope @ alone @ slope.T
    return Tilt(np.asarray(cents), np.asarray((CAUTION * doubt) ** 2 * 0.5 * (spread + spread.T)))
