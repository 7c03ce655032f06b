"""The integer program behind a round of turns: how many steps each rod goes so that the spread left is smallest.

A step is the smallest turn advised. The left spread (cents) plus a small price on every move is minimised by HiGHS
through scipy.optimize.milp, imported when first needed because it is slow to start. docs/physics.md, "Plan of turns".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

EXACT_RODS = 8
"""Up to so many rods in play the optimum is proved; with more, to within `LOOSE_GAP` (HiGHS would take too long)."""
LOOSE_GAP = 0.2
UNITS = (10.0, 1.0, 37.0)
"""Units of the pulls in cents, tried in turn: HiGHS 1.12 now and then refuses its own optimum by 1e-6 of the unit."""


@dataclass(frozen=True, slots=True)
class Prices:
    """What a move costs, in cents of spread: each rod turned, each step, and each step downward on top of that."""

    move: float = 1.0
    step: float = 0.1
    lowered_step: float = 0.3


DEFAULT_PRICES = Prices()


@dataclass(frozen=True, slots=True)
class Problem:
    """One round.

    Parameters
    ----------
    pulls
        Shape (N,), cents: what is to be made even.
    effect
        Shape (N, N), cents at rod i for one step up at rod j.
    direction
        Shape (N,), +1 where a rod may be raised, -1 lowered, 0 left alone.
    least, most
        Shape (N,), whole steps: a rod is turned by `least`...`most` steps or not at all.
    prices
        What moves cost.
    """

    pulls: NDArray[np.float64]
    effect: NDArray[np.float64]
    direction: NDArray[np.int_]
    least: NDArray[np.int_]
    most: NDArray[np.int_]
    prices: Prices = DEFAULT_PRICES

    def cost(self, steps: NDArray[np.int_]) -> float:
        """Spread left by signed `steps` plus the price of the moves, cents. Does not check the limits."""
        left = self.pulls + self.effect @ steps
        down = -int(steps[steps < 0].sum())
        price = self.prices
        moves = price.move * np.count_nonzero(steps) + price.step * np.abs(steps).sum() + price.lowered_step * down
        return float(np.ptp(left) + moves)


def best_steps(problem: Problem) -> NDArray[np.int_]:
    """Signed whole steps per rod, shape (N,), of least `Problem.cost` within the limits; zero where nothing pays."""
    steps = np.zeros(problem.pulls.size, dtype=int)
    free = np.flatnonzero((problem.direction != 0) & (problem.most >= problem.least) & (problem.most > 0))
    if free.size == 0:
        return steps
    count = _solve(problem, free)
    steps[free] = problem.direction[free] * count
    return steps if problem.cost(steps) < problem.cost(np.zeros_like(steps)) else np.zeros_like(steps)


def _solve(problem: Problem, free: NDArray[np.int_]) -> NDArray[np.int_]:
    """Steps (without sign) of the rods in play; tried in other units of the pulls where HiGHS trips over rounding."""
    for unit in UNITS:
        steps = _solve_in(problem, free, unit)
        if steps is not None:
            return steps
    return _descend(problem, free)


def _solve_in(problem: Problem, free: NDArray[np.int_], unit: float) -> NDArray[np.int_] | None:
    """One run of HiGHS. Unknowns: steps, turned or not, highest and lowest pull left, the last two in `unit` cents."""
    from scipy.optimize import Bounds, LinearConstraint, milp

    direction, most, least = problem.direction[free], problem.most[free], problem.least[free]
    n, price = free.size, problem.prices
    moves = np.concatenate([price.step + price.lowered_step * (direction < 0), np.full(n, price.move)]) / unit
    reach = float(np.abs(problem.pulls).max() + (np.abs(problem.effect[:, free]) @ most).max()) / unit
    rows, limits = _rows(problem, free, unit)
    result = milp(
        np.concatenate([moves, [1.0, -1.0]]),
        constraints=LinearConstraint(rows, -np.inf, limits),
        bounds=Bounds([0.0] * (2 * n) + [-reach] * 2, [*most, *np.ones(n), reach, reach]),
        integrality=np.concatenate([np.ones(2 * n), np.zeros(2)]),
        options={"mip_rel_gap": 0.0 if n <= EXACT_RODS else LOOSE_GAP},
    )
    if result.x is None:
        return None
    count: NDArray[np.int_] = np.rint(result.x[:n]).astype(int)
    return np.where(np.rint(result.x[n : 2 * n]) > 0, np.clip(count, least, most), 0)


def _rows(problem: Problem, free: NDArray[np.int_], unit: float) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Matrix and upper limits of the constraints: pulls left within high and low, steps within their limits."""
    N, n = problem.pulls.size, free.size
    effect = (problem.effect * problem.direction)[:, free] / unit
    none, one = np.zeros((N, n)), np.ones((N, 1))
    single, blank = np.eye(n), np.zeros((n, 2))
    rows = np.vstack(
        [
            np.hstack([effect, none, -one, 0.0 * one]),
            np.hstack([-effect, none, 0.0 * one, one]),
            np.hstack([single, -np.diag(problem.most[free]), blank]),
            np.hstack([-single, np.diag(problem.least[free]), blank]),
        ]
    )
    return rows, np.concatenate([-problem.pulls / unit, problem.pulls / unit, np.zeros(2 * n)])


def _descend(problem: Problem, free: NDArray[np.int_]) -> NDArray[np.int_]:
    """Steps (without sign) by changing one rod at a time as long as that pays: good, not proved best."""
    steps = np.zeros(problem.pulls.size, dtype=int)
    best = problem.cost(steps)
    while True:
        trials = []
        for rod in free:
            for count in (0, *range(int(problem.least[rod]), int(problem.most[rod]) + 1)):
                trial = steps.copy()
                trial[rod] = problem.direction[rod] * count
                trials.append((problem.cost(trial), tuple(trial)))
        cost, choice = min(trials)
        if cost >= best - 1e-9:
            return np.abs(steps[free])
        best, steps = cost, np.array(choice)
