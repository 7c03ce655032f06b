"""Which mode (m, n) each line of a hit is: by the ratios of an even head with air on both sides.

Frequencies in Hz, radius in m. A whole drum's (0,1) is moved by the air inside and the other head, so it is told last,
as the strongest line under (1,1); the sequence is found by (1,1), (2,1), (0,2), (3,1) and on. Does not tell a line
of the other head from one of this head. Equations: docs/physics.md, sections on the even head and the air.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drumtune.drum import Air, Head
from drumtune.physics import air as air_load
from drumtune.physics.membrane import bessel_zero

Array = NDArray[np.float64]
Mode = tuple[int, int]

FAMILIES: tuple[Mode, ...] = ((1, 1), (2, 1), (0, 2), (3, 1), (1, 2), (4, 1), (2, 2), (5, 1))
USUAL_DENSITY = 0.30
"""Surface density in kg/m2 between a thin and a heavy single-ply film (8.5 mil); ratios hardly depend on it."""
TOLERANCE = 0.025
"""How far a line may lie from its family's ratio."""
_LEAST = 3
_FUNDAMENTAL = (0.35, 0.9)


def ratios(radius: float, surface_density: float = USUAL_DENSITY, air: Air | None = None) -> Array:
    """Frequencies of FAMILIES over that of (1,1) for a head of `radius` m, air on both sides, shape (8,)."""
    head = Head(radius, surface_density)
    used = Air() if air is None else air
    value = [bessel_zero(m, n) / math.sqrt(1.0 + air_load.load(head, m, n, air=used)) for m, n in FAMILIES]
    return np.array(value) / value[0]


def name_modes(frequency: Array, level_db: Array, radius: float | None) -> tuple[Mode | None, ...]:
    """(m, n) of each line, None where it cannot be told: no radius, or fewer than three lines in the sequence.

    Parameters
    ----------
    frequency, level_db
        Shape (lines,), by rising frequency.
    radius
        Of the head, m; None when not known.
    """
    unknown: tuple[Mode | None, ...] = (None,) * frequency.size
    if radius is None or frequency.size < _LEAST:
        return unknown
    wanted = ratios(radius)
    best, best_mark = unknown, 0.0
    for lowest in frequency:
        named, mark = _match(frequency, lowest * wanted)
        if mark > best_mark:
            best, best_mark = named, mark
    return _with_fundamental(best, frequency, level_db) if best_mark > 0.0 else unknown


def _match(frequency: Array, expected: Array) -> tuple[tuple[Mode | None, ...], float]:
    """Lines named by the nearest family within TOLERANCE, and how good the sequence is (0: none)."""
    away = np.abs(frequency[:, None] / expected - 1.0)
    nearest = np.argmin(away, axis=1)
    near = away[np.arange(frequency.size), nearest]
    named = tuple(FAMILIES[k] if far < TOLERANCE else None for k, far in zip(nearest, near, strict=True))
    families = {mode for mode in named if mode is not None}
    circular = sum(1 for m, n in families if n == 1 and m > 0)
    if len(families) < _LEAST or circular < 2 or (1, 1) not in families:
        return named, 0.0
    return named, len(families) + 1.0 - float(near[near < TOLERANCE].mean()) / TOLERANCE


def _with_fundamental(named: tuple[Mode | None, ...], frequency: Array, level_db: Array) -> tuple[Mode | None, ...]:
    """Name the strongest line at 0.35 to 0.9 of (1,1) as (0,1)."""
    first = frequency[named.index((1, 1))]
    inside = [
        k for k, mode in enumerate(named)
        if mode is None and _FUNDAMENTAL[0] * first < frequency[k] < _FUNDAMENTAL[1] * first
    ]  # fmt: skip
    if not inside:  # a drum without its (0,1): more likely a chance likeness
        return (None,) * frequency.size
    place = max(inside, key=lambda k: float(level_db[k]))
    return (*named[:place], (0, 1), *named[place + 1 :])
