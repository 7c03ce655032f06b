"""Turns that leave the least to be expected, when much is open: many heads and gains drawn from what is known.

Where ``drumtune.advice.steps`` makes the spread of one reading smallest, this weighs all the heads and gains that the
log leaves possible, so that a rod is turned as far as pays on average and no further: what lies in the noise stays, and
a gain hardly known makes for caution, without rules for either. The mean spread is convex in the turns, so its least is
found first among turns of any size; then they are cut to what a hand can do, rod by rod and in pairs. Cents and turns.
The draws are seeded. See docs/physics.md, section "Learning a drum".
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
HEATS = (8.0, 2.0, 0.5)
"""Cents over which highest and lowest are smoothed on the way to the least mean spread, one after the other."""
ROUNDINGS = 64
"""Random ways of cutting the turns to whole steps that are tried beside the nearest one."""
STARTS = 3
"""From how many of them the descent goes on."""
NEAR = 3
"""How many steps of the ruler a rod is moved at once in the descent, beside back to nothing."""
MOST_ROUNDS = 60
"""Changes after which the descent stops at the latest."""
Goal = Literal["spread", "distance"]


@dataclass(frozen=True, slots=True)
class Price:
    """What moves cost, in cents.

    Each rod turned, each one lowered on top, a sixteenth of a turn, the same downward on top, a cent of drift.
    """

    move: float = 0.2
    lowering: float = 0.6
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


def measure(left: Floats, goal: Goal, axis: int = -1) -> Floats:
    """Spread (highest less lowest) or largest distance from the aim, over one axis."""
    if goal == "spread":
        return np.asarray(left.max(axis=axis) - left.min(axis=axis))
    return np.asarray(np.abs(left).max(axis=axis))


def ruler(step: float, most: float, *, coarse: float = 1.0 / 32.0, fine_to: float = 1.0 / 8.0) -> Floats:
    """Turns a hand is asked for, ascending from none: whole steps, above `fine_to` in steps of `coarse` at least.

    Examples
    --------
    >>> ruler(1 / 16, 1 / 4) * 16
    array([0., 1., 2., 3., 4.])
    >>> ruler(1 / 64, 1 / 4)[[1, 8, 9, -1]] * 64
    array([ 1.,  8., 10., 16.])
    """
    wide = max(step, coarse)
    small = np.arange(round(min(fine_to, most) / step) + 1) * step
    large = np.arange(1, round(most / wide) + 1) * wide
    return np.concatenate([small, large[large > small[-1] + 1e-9]])


def best_turns(
    known: Chances, step: float, most: float, *, goal: Goal = "spread", up: bool = True, price: Price | None = None
) -> Floats:
    """Signed turns per rod, shape (N,), on the ruler of this step, that leave least on average.

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
    The turns of any size are the best there are; their rounding goes down from several starts and is not proved best.
    """
    marks = ruler(step, most)
    grid = np.concatenate([-marks[:0:-1], marks if up else marks[:1]])
    task = _Task(known, goal, price or Price())
    free = _of_any_size(task, -most, most if up else 0.0)
    starts = _roundings(free, grid)
    starts = starts[np.argsort(task.cost(grid[starts]), kind="stable")[:STARTS]]
    ends = [_descend(task, start, grid) for start in starts]
    return grid[min(ends, key=lambda end: end[1])[0]]


@dataclass(frozen=True, slots=True)
class _Task:
    """What is to be made small."""

    known: Chances
    goal: Goal
    prices: Price

    @property
    def shift(self) -> Floats:
        """Shift of the whole head by a turn of each rod, cents, shape (N,); none where the pitch is the aim."""
        mean = np.asarray(self.known.effect.mean(axis=(0, 1)))
        return mean if self.goal == "spread" else np.zeros_like(mean)

    def cost(self, turns: Floats) -> Floats:
        """Mean of what is left and the price of the moves, cents, for turns (C, N): shape (C,)."""
        draws, rods = self.known.off.shape
        left = self.known.off[:, :, None] + (self.known.effect.reshape(-1, rods) @ turns.T).reshape(draws, rods, -1)
        size, prices = np.abs(turns), self.prices
        moved = prices.move * np.count_nonzero(size, axis=1) + prices.lowering * np.count_nonzero(turns < 0.0, axis=1)
        moved += 16.0 * prices.sixteenth * size.sum(axis=1)
        down = 16.0 * prices.lowered * np.maximum(-turns, 0.0).sum(axis=1)
        drift = prices.drift * np.abs(turns @ self.shift)
        return np.asarray(measure(left, self.goal, axis=1).mean(axis=0) + moved + down + drift)

    def smooth(self, turns: Floats, heat: float) -> tuple[float, Floats]:
        """Mean of what is left, highest and lowest smoothed over `heat` cents, a little price, and its slope (N,)."""
        left = left_after(self.known, turns)
        if self.goal == "spread":
            (top, high), (bottom, low) = _soft_max(left, heat), _soft_max(-left, heat)
        else:
            (top, both), bottom = _soft_max(np.concatenate([left, -left], axis=1), heat), np.zeros(1)
            high, low = both[:, : turns.size], both[:, turns.size :]
        slope = np.einsum("di,dij->j", high - low, self.known.effect) / len(left)
        width = np.sqrt(turns**2 + 1e-4)
        rate = 16.0 * self.prices.sixteenth
        drift = float(turns @ self.shift)
        value = float((top + bottom).mean()) + rate * float(width.sum()) + 1e-4 * drift**2
        return value, slope + rate * turns / width + 2e-4 * drift * self.shift


def _soft_max(values: Floats, heat: float) -> tuple[Floats, Floats]:
    """Largest over the last axis, smoothed over `heat`, shape (D,), and the weights that it gives each, (D, N)."""
    highest = values.max(axis=1, keepdims=True)
    weight = np.exp((values - highest) / heat)
    total = weight.sum(axis=1, keepdims=True)
    return (highest + heat * np.log(total))[:, 0], weight / total


def _of_any_size(task: _Task, least: float, most: float) -> Floats:
    """Turns without steps that leave least on average, shape (N,)."""
    from scipy.optimize import minimize

    turns = np.zeros(task.known.off.shape[1])
    for heat in HEATS:
        found = minimize(
            task.smooth, turns, args=(heat,), jac=True, method="L-BFGS-B", bounds=[(least, most)] * turns.size
        )
        turns = np.clip(found.x, least, most)
    return np.asarray(turns)


def _roundings(turns: Floats, grid: Floats) -> NDArray[np.int_]:
    """Places on the grid next to `turns`: none at all, the nearest, and some drawn, shape (C, N)."""
    above = np.clip(np.searchsorted(grid, turns), 1, grid.size - 1)
    share = np.clip((turns - grid[above - 1]) / (grid[above] - grid[above - 1]), 0.0, 1.0)
    drawn = np.random.default_rng(0).random((ROUNDINGS, turns.size)) < share
    none = np.full(turns.size, np.abs(grid).argmin())
    return np.vstack([none, above - 1 + (share > 0.5), above - 1 + drawn])


def _descend(task: _Task, start: NDArray[np.int_], grid: Floats) -> tuple[NDArray[np.int_], float]:
    """Move one rod or two at a time as long as that pays; places on the grid and their cost."""
    places, best = start, float(task.cost(grid[start][None])[0])
    changes = _changes(start.size)
    zero = int(np.abs(grid).argmin())
    for _ in range(MOST_ROUNDS):
        back = np.where(np.eye(start.size, dtype=bool), zero, places)
        trials = np.vstack([np.clip(places + changes, 0, grid.size - 1), back])
        cost = task.cost(grid[trials])
        choice = int(cost.argmin())
        if cost[choice] >= best - 1e-9:
            break
        places, best = trials[choice], float(cost[choice])
    return places, best


def _changes(rods: int) -> NDArray[np.int_]:
    """Every move of one rod by up to `NEAR` places and of two rods by one place, shape (C, N)."""
    one = np.eye(rods, dtype=int)
    single = [sign * size * row for row in one for size in range(1, NEAR + 1) for sign in (1, -1)]
    pairs = [a * one[i] + b * one[j] for i in range(rods) for j in range(i) for a in (1, -1) for b in (1, -1)]
    return np.array(single + pairs)
