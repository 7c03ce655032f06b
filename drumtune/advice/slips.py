"""Accounts of a round: as told, or with a mistake that players make with rods. Turns are signed, up is tighter."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
MISTAKE = 0.01
"""Chance per rod and kind that it was not turned as told: not at all, its neighbour instead, the wrong way, or by
another amount (our own, no source)."""
NOTHING_DONE = 0.03
"""Chance that nothing was turned where the player has not said so."""
POOR_READING = 0.05
"""Chance that a reading is worse than it says, its covariance `POOR` times what it states (our own)."""
POOR = 6.0
OTHER_TURN = 1.0 / 8.0
"""Deviation in turns of "another amount"."""


@dataclass(frozen=True, slots=True)
class Story:
    """One account of a round: signed turns, the chance beforehand, the rod in question, whether its turn is free.

    `instead` is the rod turned in its place, or -1 where nothing was turned; `poor` blames the reading.
    """

    turned: Floats
    chance: float
    rod: int = 0
    instead: int = 0
    free: bool = False
    poor: bool = False


def stories(turned: Floats, said: bool) -> Iterator[Story]:
    """Every account of a round: as told; nothing done; one rod left out, turned the wrong way, mistaken, misjudged."""
    rods = turned.size
    yield Story(turned, 1.0)
    yield Story(turned, POOR_READING, poor=True)
    if not said and np.any(turned):
        yield Story(np.zeros(rods), NOTHING_DONE, instead=-1)
    for rod in range(1, rods + 1):
        yield Story(turned, MISTAKE, rod, free=True)
        amount = turned[rod - 1]
        if amount == 0.0:
            continue
        for told in (0.0, -amount, 2.0 * amount):
            changed = turned.copy()
            changed[rod - 1] = told
            yield Story(changed, MISTAKE, rod)
        for other in (rod % rods + 1, (rod - 2) % rods + 1):
            changed = turned.copy()
            changed[rod - 1] = 0.0
            changed[other - 1] += amount
            yield Story(changed, 0.5 * MISTAKE, rod, other)
