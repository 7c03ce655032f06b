"""Bessel shapes and their slopes on the outer part of the head, fast: Chebyshev series in the radius (to 1e-6)."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from drumtune.physics import modes as head_modes

Array = NDArray[np.float64]
INNERMOST = 0.2
"""Smallest radius tabulated, as a share of the head's; points further in are read there."""


class ShapeTable:
    """Values and slopes of the basis of `drumtune.physics.modes` at points near the rim."""

    def __init__(self, degree: int = 20) -> None:
        b = head_modes.basis()
        nodes = np.cos(np.pi * (np.arange(64) + 0.5) / 64)
        radius = INNERMOST + (1.0 - INNERMOST) * (nodes + 1.0) / 2.0
        radial = np.flatnonzero(b.kind == 0)
        values = head_modes.shapes(radius, np.zeros(64))[0][:, radial]
        self._series = chebyshev.chebfit(nodes, values, degree)
        self._slope = chebyshev.chebder(self._series) * 2.0 / (1.0 - INNERMOST)
        self._radial = np.cumsum(b.kind == 0) - 1
        self._m, self._sine = b.m, b.kind == 1

    def __call__(self, r: Array, theta: Array) -> tuple[Array, Array, Array]:
        """Values and slopes by r and theta at points of shape (P,), each (P, B)."""
        x = 2.0 * (np.clip(r, INNERMOST, 1.0) - INNERMOST) / (1.0 - INNERMOST) - 1.0
        powers = np.cos(np.arange(len(self._series)) * np.arccos(np.clip(x, -1.0, 1.0))[:, None])
        value, slope = (powers @ self._series)[:, self._radial], (powers[:, :-1] @ self._slope)[:, self._radial]
        turn = np.exp(1j * np.outer(theta, np.arange(head_modes.MAX_ORDER + 1)))[:, self._m]
        angular = np.where(self._sine, turn.imag, turn.real)
        turned = self._m * np.where(self._sine, turn.real, -turn.imag)
        return value * angular, slope * angular, value * turned


@cache
def shape_table() -> ShapeTable:
    """The one table of shapes."""
    return ShapeTable()
