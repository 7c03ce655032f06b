"""A drum as learning holds it: pitches, gains and lag as one Gaussian, what turns and readings do to it.

Pitches at the rods in cents, gains as ratios to those expected from sizes. The equations stand in docs/physics.md,
section "Learning a drum".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.slips import OTHER_TURN, Story
from drumtune.physics.rods import RodResponse, harmonic_projectors

Floats = NDArray[np.float64]
SLOPPY = 0.05
"""Relative deviation of a turn made by hand from the turn meant (our own, no source)."""
MISFIT = 0.08
"""Deviation of what a rod shows from the same response at all rods, as a share of the change (our own, no source)."""
LAG, LAG_SD = 0.08, 0.07
"""Share of a round's change that friction lets through only in the next, and its deviation, before anything is heard
(our own, no source)."""
DRIFT = 1.0
"""Deviation in cents per rod by which a head settles between two readings of a session (our own, no source)."""
LEVEL_DRIFT = 5.0
"""The same for the head as a whole."""
LEAST_RATIO, MOST_RATIO = 0.2, 4.0
"""Limits of a learned gain over the expected one."""
CHECKS = 500
"""Draws from which the chance is taken that the gains of an account can be."""
UNKNOWN = 1e6
"""Variance in cents squared of a pitch nothing is known about."""
LEAST_TILT = 2.0
"""Deviation in cents at a rod that one-sided tension is given at least before anything is heard (our own)."""


@dataclass(frozen=True, slots=True)
class Seen:
    """One reading as learning needs it, and what was done before it.

    Parameters
    ----------
    pulls, covariance
        Shapes (N,) and (N, N): pulls in cents against the mean, and their covariance.
    level_cents, level_sd_cents
        Pitch of the head as a whole against any fixed reference (the same for all readings), and its deviation.
    tension
        Mean tension, N/m: the gain in cents goes as one over it.
    turned
        Shape (N,), signed turns made since the reading before; None where that is not known.
    said
        Whether the player said what was turned; otherwise it was assumed from the plan.
    drift_cents
        Shift of the whole head to be expected since the reading before, for warmth.
    """

    pulls: Floats
    covariance: Floats
    level_cents: float
    level_sd_cents: float
    tension: float
    turned: Floats | None = None
    said: bool = False
    drift_cents: float = 0.0


@dataclass(frozen=True, slots=True)
class State:
    """Mean and covariance of pitches (N), ratios (K) and the lag (1) together."""

    mean: Floats
    covariance: Floats


def begin(one: Seen, base: RodResponse) -> State:
    """State after the first reading."""
    rods, gains, relative = one.pulls.size, base.gains.size, base.relative_covariance
    covariance = np.zeros((rods + gains + 1, rods + gains + 1))
    covariance[:rods, :rods] = _unknown(one, tilt_share(base))
    covariance[rods:-1, rods:-1] = relative
    covariance[-1, -1] = LAG_SD**2
    mean = np.concatenate([np.full(rods, one.level_cents), np.ones(gains), [LAG]])
    return measured(State(mean, covariance), one)[0]


def shifted(state: State, cents: float, rods: int) -> State:
    """State after the whole head drifted by an expected amount, known to half."""
    mean, covariance = state.mean.copy(), state.covariance.copy()
    mean[:rods] += cents
    covariance[:rods, :rods] += (0.5 * cents) ** 2
    return State(mean, covariance)


def forgotten(state: State, one: Seen, share: float) -> State:
    """State that keeps the gains and knows nothing of the pitches any more, before a reading."""
    rods = one.pulls.size
    covariance = state.covariance.copy()
    covariance[:rods, :] = covariance[:, :rods] = 0.0
    covariance[:rods, :rods] = _unknown(one, share)
    middle = np.full(rods, state.mean[:rods].mean())
    return State(np.concatenate([middle, state.mean[rods:]]), covariance)


def tilt_share(response: RodResponse) -> float:
    """Size of one-sided tension to be expected, over that of the rest, on a head that its rods have put out of tune.

    Turns of any pattern alike make of each harmonic what its gain makes of it; that of harmonic 1 is small
    ("Rods and hoops" in docs/physics.md).
    """
    patterns = np.trace(harmonic_projectors(response.rods), axis1=1, axis2=2)
    square = patterns * response.gains**2 * (1.0 + np.diagonal(response.relative_covariance))
    return math.sqrt(float(square[1] / square[2:].sum()))


def _unknown(one: Seen, share: float) -> Floats:
    """Covariance of pitches nothing is known about but that one-sided tension has its share of the rest, (N, N).

    The rest shows the size of what was turned with its N - 3 numbers only, so its share is spread as Student's t.
    """
    rods = one.pulls.size
    free = max(rods - 3, 3)
    tilt = harmonic_projectors(rods)[1]
    rest = one.pulls - tilt @ one.pulls
    variance = LEAST_TILT**2 + share**2 * free / (free - 2) * float(np.mean(rest**2))
    return np.asarray(UNKNOWN * (np.eye(rods) - tilt) + variance * 0.5 * rods * tilt)


def measured(state: State, one: Seen, times: float = 1.0) -> tuple[State, float]:
    """State after a reading whose covariance is `times` what it says, and the log likelihood of the reading."""
    rods = one.pulls.size
    noise = times * one.covariance + one.level_sd_cents**2
    off = one.pulls + one.level_cents - state.mean[:rods]
    seen = state.covariance[:rods, :rods] + noise + 1e-6 * np.eye(rods)
    lower = np.linalg.cholesky(0.5 * (seen + seen.T))
    white = np.linalg.solve(lower, np.column_stack([off, state.covariance[:rods, :]]))
    mean = state.mean + white[:, 1:].T @ white[:, 0]
    covariance = state.covariance - white[:, 1:].T @ white[:, 1:]
    log = -0.5 * float(white[:, 0] @ white[:, 0]) - float(np.log(np.diagonal(lower)).sum())
    return State(mean, 0.5 * (covariance + covariance.T)), log


def _effects(gains: Floats, turned: Floats) -> Floats:
    """What each harmonic does to each rod at ratio 1, shape (N, K)."""
    return np.asarray((gains[:, None] * (harmonic_projectors(turned.size) @ turned)).T)


def matrix(state: State, gains: Floats, rods: int) -> Floats:
    """Cents at rod i for one turn of rod j as now known, shape (N, N)."""
    ratio = np.clip(state.mean[rods:-1], LEAST_RATIO, MOST_RATIO)
    return np.asarray(np.tensordot(gains * ratio, harmonic_projectors(rods), 1))


def predicted(state: State, story: Story, gains: Floats, before: Floats) -> State:
    """State after the turns of a story, before the reading."""
    rods = story.turned.size
    step = np.eye(state.mean.size)
    step[:rods, rods:-1] = _effects(gains, story.turned)
    step[:rods, -1] = before
    covariance = step @ state.covariance @ step.T
    mean = step @ state.mean
    effect = matrix(state, gains, rods)
    by_hand = (SLOPPY * story.turned) ** 2
    if story.free:
        by_hand[story.rod - 1] += OTHER_TURN**2
    noise = (effect * by_hand) @ effect.T + np.diag((MISFIT * (effect @ story.turned)) ** 2)
    covariance[:rods, :rods] += noise + DRIFT**2 * np.eye(rods) + LEVEL_DRIFT**2
    return State(mean, covariance)


def possible(state: State, rods: int) -> float:
    """Chance that no gain lies under `LEAST_RATIO` times the expected one: a rod raised does not lower the pitch.

    The Gaussian state knows no such limit; an account of a round that needs gains beyond it is weighed by this.
    """
    covariance = state.covariance[rods:-1, rods:-1]
    size, axes = np.linalg.eigh(0.5 * (covariance + covariance.T))
    root = axes * np.sqrt(np.maximum(size, 0.0))
    inside = np.all(state.mean[rods:-1] + _normals(size.size) @ root.T > LEAST_RATIO, axis=1)
    return max(float(inside.mean()), 1e-3 / CHECKS)


@lru_cache(maxsize=16)
def _normals(size: int) -> Floats:
    """Normal draws, always the same, shape (CHECKS, size)."""
    table = np.random.default_rng(0).standard_normal((CHECKS, size))
    table.setflags(write=False)
    return table


def joined(states: Sequence[State], weight: Floats) -> State:
    """One state with the mean and covariance of the weighted mixture."""
    means = np.array([state.mean for state in states])
    mean = weight @ means
    off = means - mean
    covariance = np.tensordot(weight, np.array([state.covariance for state in states]), 1) + (off.T * weight) @ off
    return State(mean, covariance)
