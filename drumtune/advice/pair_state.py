"""A described drum at some pair of tensions, with an air of its own: what it sounds, and which one sounds like a take.

By take (top alone, bottom alone, both free) frequencies in Hz stand under (m, place in the pair).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from drumtune.drum import Air
from drumtune.physics import held_head, two_heads
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads

TAKES = ("top", "bottom", "open")
MODEL_SD = 15.0
"""How far a drum misses its model once its air is fitted, cents (our own estimate)."""
SPRING_SD, LOAD_SD = 0.3, 0.2
"""Relative standard deviations of a drum's air spring and air mass before its takes are heard (our own estimates)."""
ByMode = dict[tuple[int, int], float]


@dataclass(frozen=True, slots=True)
class State:
    """Tensions (N/m) and this drum's air, as factors on the described drum's spring and mass of air."""

    top: float
    bottom: float
    spring: float = 1.0
    load: float = 1.0


def with_air(drum: TwoHeads, spring: float, load: float) -> TwoHeads:
    """Return the drum with its near air's spring and mass multiplied."""
    air = drum.air
    return replace(drum, near=Air(air.density * load, air.sound_speed * math.sqrt(spring / load)))


def expected_lines(drum: TwoHeads, state: State, orders: Sequence[int]) -> list[ByMode]:
    """Frequencies of the three takes in a state, for the given nodal diameters."""
    own = with_air(drum, state.spring, state.load)
    found: list[ByMode] = [
        {(m, 0): float(held_head.held_frequency(own, tension, m, head)) for m in orders}
        for head, tension in ((TOP, state.top), (BOTTOM, state.bottom))
    ]
    pairs = [two_heads.pair_frequencies(own, state.top, state.bottom, m) for m in orders]
    return [*found, {(m, k): float(pair[k]) for m, pair in zip(orders, pairs, strict=True) for k in range(2)}]


def fit_state(drum: TwoHeads, heard: Sequence[ByMode], start: State) -> State:
    """State that best gives the lines heard in the three takes: robust least squares, with priors on the air."""
    orders = sorted({m for take in heard for m, _ in take})

    def misfit(x: NDArray[np.float64]) -> NDArray[np.float64]:
        own = expected_lines(drum, State(*(float(v) for v in np.exp(x))), orders)
        off = [
            1200.0 * math.log2(hertz / take[name]) / MODEL_SD
            for take, lines in zip(own, heard, strict=True)
            for name, hertz in lines.items()
        ]
        return np.array([*off, x[2] / SPRING_SD, x[3] / LOAD_SD])

    begin = np.log([start.top, start.bottom, start.spring, start.load])
    found = least_squares(misfit, begin, diff_step=[1e-5] * 4, max_nfev=12, loss="soft_l1")
    return State(*(float(v) for v in np.exp(found.x)))
