"""One head of a drum while the other is held still: what a player hears who mutes a head, and the tension behind it.

SI units; the drum and its matrices are those of `drumtune.physics.two_heads`. docs/physics.md, "Two heads".
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.physics.cavity import RADIAL, head_zeros, two_mass_coupling
from drumtune.physics.two_heads import BOTTOM, MOSTLY, TOP, TwoHeads, first_part, matrices, pair

TINY = 1e-9
"""Tension, N/m, that stands for none."""


def held_frequency(drum: TwoHeads, tension: ArrayLike, m: int, head: int = TOP) -> NDArray[np.float64]:
    """Frequency (Hz) of a head's (m,1) mode while the other head is held still, for tensions (N/m) of any shape.

    This is what a player hears who taps one head and mutes the other with the flat of a hand or a cloth. For m = 0 it
    is the lowest mode of the family, as in `drumtune.physics.two_heads.pair`.
    """
    built, keep = matrices(drum, m), _beside(matrices(drum, m).size, head)
    unload = np.linalg.inv(np.linalg.cholesky(built.mass[np.ix_(keep, keep)]))
    spring = unload @ built.spring[np.ix_(keep, keep)] @ unload.T
    film = unload @ np.diag(built.film[head][keep]) @ unload.T
    squares, turned = np.linalg.eigh(spring + np.asarray(tension, float)[..., None, None] * film)
    vectors = unload.T @ turned
    idle = squares < 4.0 * math.pi**2
    if m:
        idle |= first_part(np.ones(RADIAL), vectors) < MOSTLY
    elif drum.vent:
        idle |= built.mass[-1, -1] * vectors[..., -1, :] ** 2 > 0.5
    best = np.argmin(np.where(idle, np.inf, squares), axis=-1)
    return np.asarray(np.sqrt(np.take_along_axis(squares, best[..., None], -1)[..., 0]) / (2.0 * math.pi))


def held_tension(drum: TwoHeads, frequency: ArrayLike, m: int, head: int = TOP) -> NDArray[np.float64]:
    """Tension (N/m) at which a head's (m,1) mode sounds at `frequency` (Hz, any shape) with the other head held still.

    The inverse of `held_frequency`, in one step: at a given frequency the equation of motion is linear in T. Where no
    tension gives the frequency, above what the sloshing of the enclosed air allows of (1,1), the answer is 0.
    """
    built, keep = matrices(drum, m), _beside(matrices(drum, m).size, head)
    omega = 2.0 * math.pi * np.asarray(frequency, float)[..., None, None]
    dynamic = omega**2 * built.mass[np.ix_(keep, keep)] - built.spring[np.ix_(keep, keep)]
    own, rest = dynamic[..., :RADIAL, :RADIAL], dynamic[..., RADIAL:, RADIAL:]
    across = dynamic[..., :RADIAL, RADIAL:]
    reduced = own - across @ np.linalg.solve(rest, np.swapaxes(across, -1, -2))
    scale = drum.top.radius / head_zeros(m)
    tensions, turned = np.linalg.eigh(scale[:, None] * reduced * scale)
    best = np.argmax(turned[..., 0, :] ** 2 if m else tensions, axis=-1)
    tension = np.maximum(np.take_along_axis(tensions, best[..., None], -1)[..., 0], 0.0)
    back = held_frequency(drum, np.maximum(tension, TINY), m, head)  # above the sloshing, another mode meets the pitch
    return np.asarray(np.where(np.abs(back / np.asarray(frequency, float) - 1.0) < 1e-6, tension, 0.0))


def _beside(size: int, head: int) -> NDArray[np.int64]:
    """Unknowns that stay free while the other head is held: this head's, then the air's."""
    return np.concatenate([np.arange(head * RADIAL, (head + 1) * RADIAL), np.arange(2 * RADIAL, size)])


def coupling(drum: TwoHeads, top: float, bottom: float) -> float:
    """Coupling in Hz of the (0,1) pair at tensions `top`, `bottom`: what the two-mass model needs to give the pair."""
    low, high = pair(drum, top, bottom).frequency
    upper, lower = (held_frequency(drum, t, 0, head) for head, t in ((TOP, top), (BOTTOM, bottom)))
    return float(two_mass_coupling(upper, lower, low, high))
