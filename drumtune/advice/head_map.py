"""The head as seen from above: tension over the whole film and the nodal lines of the (1,1) pair, for the pictures.

Unit disc; x to the right, y up, rod 1 at the top, rods clockwise as the player sees them. The tension is the one
towards the rim, in cents against the head's mean, which is what the pull at a rod measures at the rim.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import jv

from drumtune.advice.reading import Reading
from drumtune.notes import tension_cents
from drumtune.physics import modes, stress

FLOOR = 0.2
"""Least tension shown, as a share of the mean: a slacker film wrinkles and the linear field no longer holds."""


@dataclass(frozen=True, slots=True)
class HeadMap:
    """Fields on a polar grid: x, y (R, A) of the unit disc, tension in cents, and the two (1,1) shapes (2, R, A)."""

    x: NDArray[np.float64]
    y: NDArray[np.float64]
    cents: NDArray[np.float64]
    pair: NDArray[np.float64]


def head_map(reading: Reading, *, radial: int = 60, around: int = 240) -> HeadMap:
    """Tension and (1,1) shapes over the head on `radial` x `around` + 1 points, the seam closed."""
    radii, angles = np.linspace(0.02, 1.0, radial), np.linspace(0.0, 2.0 * np.pi, around + 1)
    r, theta = np.meshgrid(radii, angles, indexing="ij")
    fields = [
        stress.rod_field(k, kind, reading.drum.rods, reading.hold) for k, kind in stress.harmonics(reading.drum.rods)
    ]
    tension = np.ones_like(r)
    matrix = modes.even_stiffness()
    for value, field in zip(reading.field, fields, strict=True):
        tension = tension + value * sum(stress.stress(term, r, theta)[0] for term in field)
        matrix = matrix + value * modes.stiffness(field)
    pair = _shapes(radii, angles, np.linalg.eigh(matrix)[1][:, 1:3])
    return HeadMap(r * np.sin(theta), r * np.cos(theta), tension_cents(np.maximum(tension, FLOOR), 1.0), pair)


def _shapes(r: NDArray[np.float64], theta: NDArray[np.float64], vectors: NDArray[np.float64]) -> NDArray[np.float64]:
    """Shapes of modes (B, K) on a polar grid, shape (K, R, A); quicker there than `modes.shapes` point by point."""
    base = modes.basis()
    along = base.norm * jv(base.m, base.zero * r[:, None])
    turned = base.m * theta[:, None]
    around = np.where(base.kind == 0, np.cos(turned), np.sin(turned))
    return np.asarray((vectors.T[:, None, :] * along) @ around.T)
