"""Turns that leave the least to be expected, when much is open: draws of pitches and gains, one rod changed at a time.

Where ``drumtune.advice.steps`` makes the spread of one reading smallest, this weighs all the heads and gains that the
log leaves possible, so that a rod is turned as far as pays on average and no further: what lies in the noise stays, and
a gain hardly known makes for caution, without rules for either. Cents and turns. The draws are seeded. See
docs/physics.md, section "Learning a drum".
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drumtune.physics.rods import RodResponse, harmonic_projectors

Floats = NDArray[np.float64]
DRAWS = 256
BY_HAND = 0.1
"""Relative deviation of what one rod does from what it should: hand and drum together (our own, no source)."""
MOST_ROUNDS = 100
"""Changes of one rod after which the descent stops at the latest."""
Goal = Literal["spread", "distance"]


@dataclass(frozen=True, slots=True)
class Price:
    """What moves cost, in cents: each rod turned, a sixteenth of a turn, the same downward on top, a cent of drift."""

    move: float = 0.4
    sixteenth: float = 0.1
    lowered: float = 0.1
    drift: float = 0.02


@dataclass(frozen=True, slots=True)
class Chances:
    """Draws: what is off at each rod, shape (D, N), cents; and what a turn of each rod does, (D, N, N), cents."""

    off: Floats
    effect: Floats


def chances(off: Floats, covariance: Floats, response: RodResponse, *, draws: int = DRAWS, seed: int = 0) -> Chances:
    """Draw heads and gains from what is known of them.

    Parameters
    ----------
    off, covariance
        Shapes (N,) and (N, N): cents by which each rod is off the aim, and their covariance.
    response
        Gains and their covariance.
    draws, seed
        How many, from which seed: the same knowledge gives the same plan.
    """
    rng = np.random.default_rng(seed)
    rods, count = off.size, response.gains.size
    heads = off + _normal(rng, draws, rods) @ _root(covariance).T
    factor = np.maximum(1.0 + _normal(rng, draws, count) @ _root(response.relative_covariance).T, 0.1)
    effect = np.tensordot(factor * response.gains, harmonic_projectors(rods), 1)
    effect *= 1.0 + BY_HAND * _normal(rng, draws, rods)[:, None, :]
    return Chances(heads, effect)


def _normal(rng: np.random.Generator, draws: int, size: int) -> Floats:
    """Normal draws in pairs of opposite sign, so that their mean is zero, shape (draws, size)."""
    half = rng.standard_normal((draws // 2, size))
    return np.concatenate([half, -half])


def _root(covariance: Floats) -> Floats:
    """A square root of a covariance that may be singular, shape (N, N)."""
    value, vector = np.linalg.eigh(0.5 * (covariance + covariance.T))
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))


def left_after(known: Chances, turns: Floats) -> Floats:
    """What is off at each rod after `turns` (N,), shape (D, N)."""
    return known.off + known.effect @ turns


def measure(left: Floats, goal: Goal) -> Floats:
    """Spread (highest less lowest) or largest distance from the aim, over the last axis."""
    if goal == "spread":
        return np.asarray(left.max(axis=-1) - left.min(axis=-1))
    return np.asarray(np.abs(left).max(axis=-1))


def best_turns(
    known: Chances, step: float, most: float, *, goal: Goal = "spread", up: bool = True, price: Price | None = None
) -> Floats:
    """Signed turns per rod, shape (N,), in whole steps, that leave least on average.

    Parameters
    ----------
    known
        Draws.
    step, most
        Smallest and largest turn of a rod.
    goal
        ``spread``, or ``distance`` from the aim (then all rods alike may be turned).
    up
        Whether rods may be raised.
    price
        What moves cost.

    Notes
    -----
    Goes down from the damped least-squares answer and from no turn at all; does not prove its answer best.
    """
    steps = round(most / step)
    grid = np.arange(-steps, steps + 1 if up else 1, dtype=float) * step
    prices = price or Price()
    starts = [np.zeros(known.off.shape[1]), _rounded(known, grid, goal)]
    ends = [_descend(known, start, grid, goal, prices) for start in starts]
    return min(ends, key=lambda end: end[1])[0]


def _rounded(known: Chances, grid: Floats, goal: Goal) -> Floats:
    """Damped least squares over all draws, cut to the grid, shape (N,)."""
    off = known.off - (known.off.mean(axis=1, keepdims=True) if goal == "spread" else 0.0)
    effect = known.effect - (known.effect.mean(axis=1, keepdims=True) if goal == "spread" else 0.0)
    normal = np.einsum("dij,dik->jk", effect, effect) / len(off)
    damping = 0.02 * np.trace(normal) / off.shape[1]
    need = -np.linalg.solve(normal + damping * np.eye(off.shape[1]), np.einsum("dij,di->j", effect, off) / len(off))
    scale = min(1.0, float(grid.max() or -grid.min()) / max(float(np.abs(need).max()), 1e-9))
    return np.asarray(grid[np.abs(scale * need[:, None] - grid).argmin(axis=1)])


def _cost(mean_left: Floats, turns: Floats, drift: Floats, prices: Price) -> Floats:
    """Cost of turns (..., N) that leave `mean_left` (...) on average and shift the head by `drift` (...)."""
    size = np.abs(turns)
    moved = prices.move * np.count_nonzero(size, axis=-1) + 16.0 * prices.sixteenth * size.sum(axis=-1)
    down = 16.0 * prices.lowered * np.maximum(-turns, 0.0).sum(axis=-1)
    return np.asarray(mean_left + moved + down + prices.drift * np.abs(drift))


def _descend(known: Chances, start: Floats, grid: Floats, goal: Goal, prices: Price) -> tuple[Floats, float]:
    """Change one rod at a time as long as that pays; turns and their cost."""
    turns, best = start.copy(), np.inf
    rods = turns.size
    shift = known.effect.mean(axis=(0, 1)) if goal == "spread" else np.zeros(rods)
    for _ in range(MOST_ROUNDS):
        trials = np.broadcast_to(turns, (rods, grid.size, rods)).copy()
        trials[np.arange(rods), :, np.arange(rods)] = grid
        left = left_after(known, turns)
        change = (grid - turns[:, None])[:, :, None, None] * known.effect.transpose(2, 0, 1)[:, None]
        mean_left = measure(left + change, goal).mean(axis=-1)
        cost = _cost(mean_left, trials, trials @ shift, prices)
        rod, place = np.unravel_index(int(cost.argmin()), cost.shape)
        if cost[rod, place] >= best - 1e-9:
            break
        turns, best = trials[rod, place], float(cost[rod, place])
    return turns, best
