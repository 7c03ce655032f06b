"""Damped least squares with every nuisance eliminated.

The cost is the weighted misfit of the spectra plus Gaussian priors on all unknowns. The taps' own unknowns are
eliminated tap by tap (Schur complement); what is left is the system of the common unknowns and the bins' gains.

One-sided tension (rod harmonic 1) is special: to first order it looks exactly like a displacement of all taps with a
change of their strengths (`valley`). Damping the two apart would freeze that valley, so damping acts on a tap's
displacement beyond what the tension already explains. docs/inference.md, "One side tight".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from drumtune.advice.inversion.layout import ANGLE, LOCALS, RADIUS, STRENGTH
from drumtune.advice.inversion.model import Grid, HeadModel, State, predict
from drumtune.advice.inversion.slopes import linearise
from drumtune.physics.stress import RIM_BAND

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
ONE_SIDED_STIFFNESS = 1e5
"""Unit of the damping on one-sided tension: the information about it that a usual take carries."""
_TRIES = 7
"""Times the damping is raised before a point counts as the lowest there is."""
GAIN_SD = 0.4
"""Prior spread of the bins' gains about 1: microphone and room, after the modes' own gains."""


@dataclass(slots=True)
class Prior:
    """Means and standard deviations of the common unknowns (G,) and of each tap's own (LOCALS,)."""

    mean: Array
    sd: Array
    own_mean: Array
    own_sd: Array


@dataclass(slots=True)
class Data:
    """Spectra of the taps (S, K), their slope by the glide (S, K) about `glide`, and weights 1/variance (S, K)."""

    spectra: Complex
    glide_slope: Complex
    glide: float
    weight: Array

    def at(self, glide: float) -> Complex:
        """Spectra with the fall of pitch taken out, for another glide."""
        moved: Complex = self.spectra + self.glide_slope * (glide - self.glide)
        return moved


@dataclass(frozen=True, slots=True)
class Problem:
    """What is fitted to what: the head's model, the grid of bins, the data on it, the priors."""

    model: HeadModel
    grid: Grid
    data: Data
    prior: Prior

    def sound(self, state: State) -> Complex:
        """Spectra of the taps with the state's glide taken out."""
        return self.data.at(state.common[self.model.at.glide][0])


@dataclass(frozen=True, slots=True)
class Pace:
    """How a descent goes: most steps, first damping, relative gain under which it has settled."""

    most: int
    damping: float = 1e-4
    tolerance: float = 1e-3


@dataclass(slots=True)
class System:
    """Normal equations: common unknowns and bins' gains (n, n), their right side (n,), and the taps' own parts."""

    matrix: Array
    right: Array
    own: Array
    mixed: Array
    own_right: Array


def valley(model: HeadModel) -> Array:
    """Change of a tap's own unknowns that imitates a unit of rod harmonic 1, shape (S, LOCALS, 2) for cos and sin.

    w(x) = (1 - 2 B x) v(x + u(x)) with u = (B/2)(1 - x^2 + 5 y^2, -6 x y) solves the membrane under the stress field
    of harmonic 1 to first order with the even head's v: docs/inference.md.
    """
    b = 0.5 / _harmonic_one()
    r = model.tap_radius
    out = np.zeros((model.angles.size, LOCALS, 2))
    for i, angle in enumerate((model.angles, model.angles - 0.5 * np.pi)):
        out[:, RADIUS, i] = -0.5 * b * (1.0 - r**2) * np.cos(angle)
        out[:, ANGLE, i] = 0.5 * b * (1.0 + 5.0 * r**2) * np.sin(angle) / r
        out[:, STRENGTH, i] = 2.0 * b * r * np.cos(angle)
    return out


def _harmonic_one() -> float:
    """Measured rod tension of the field r cos theta (the rod spacing's share left out)."""
    low, high = RIM_BAND
    return (high**3 - low**3) / 3.0 / ((high**2 - low**2) / 2.0)


def settled(problem: Problem, state: State) -> tuple[State, float]:
    """The state with the bins' gains at their best for it (linear), and the cost there."""
    sound, heard, weight = problem.sound(state), predict(problem.model, state, problem.grid), problem.data.weight
    power = np.sum(weight * np.abs(heard) ** 2, axis=0) + 1.0 / GAIN_SD**2
    gain = (np.sum(weight * np.conj(heard) * sound, axis=0) + 1.0 / GAIN_SD**2) / power
    state = State(state.common, state.own, gain)
    return state, _misfit(problem, state, sound - gain * heard)


def _misfit(problem: Problem, state: State, rest: Complex) -> float:
    prior = problem.prior
    total = float(np.sum(problem.data.weight * np.abs(rest) ** 2))
    total += float(np.sum(((state.common - prior.mean) / prior.sd) ** 2))
    total += float(np.sum(((state.own - prior.own_mean) / prior.own_sd) ** 2))
    return total + float(np.sum(np.abs(state.gain - 1.0) ** 2)) / GAIN_SD**2


def assemble(problem: Problem, state: State) -> System:
    """Normal equations at a point."""
    slopes = linearise(problem.model, state, problem.grid)
    rest, root = problem.sound(state) - state.gain * slopes.spectra, np.sqrt(problem.data.weight)
    common, own, scale = slopes.common, slopes.own, (state.gain * root)[:, None, :]
    common *= scale
    own *= scale
    common[:, problem.model.at.glide.start] -= problem.data.glide_slope * root
    heard, misfit = slopes.spectra * root, rest * root
    real_common, real_own, real_misfit = common.view(float), own.view(float), misfit.view(float)[:, :, None]
    crossed = np.einsum("sk,sgk->gk", np.conj(heard), common)
    by_gain = np.conj(heard)[:, None, :] * own
    mixed = np.concatenate([real_own @ real_common.transpose(0, 2, 1), by_gain.real, by_gain.imag], axis=2)
    gained = np.sum(np.conj(heard) * misfit, axis=0)
    right = np.concatenate([(real_common @ real_misfit)[..., 0].sum(0), gained.real, gained.imag])
    matrix = _matrix((real_common @ real_common.transpose(0, 2, 1)).sum(0), crossed, np.sum(np.abs(heard) ** 2, axis=0))
    inner, own_right = real_own @ real_own.transpose(0, 2, 1), (real_own @ real_misfit)[..., 0]
    system = System(matrix, right, inner, mixed, own_right)
    _add_priors(system, problem.prior, state)
    return system


def _matrix(common: Array, crossed: Complex, power: Array) -> Array:
    """Normal matrix of common unknowns (G, G) and bins' gains, real then imaginary."""
    size, bins = crossed.shape
    matrix = np.zeros((size + 2 * bins, size + 2 * bins))
    matrix[:size, :size] = common
    matrix[:size, size:] = np.concatenate([crossed.real, crossed.imag], axis=1)
    matrix[size:, :size] = matrix[:size, size:].T
    matrix[range(size, size + 2 * bins), range(size, size + 2 * bins)] = np.tile(power, 2)
    return matrix


def _add_priors(system: System, prior: Prior, state: State) -> None:
    """Add the priors' part to the equations."""
    size = prior.sd.size
    rest = slice(size, None)
    diagonal = np.einsum("ii->i", system.matrix)
    diagonal[:size] += 1.0 / prior.sd**2
    diagonal[rest] += 1.0 / GAIN_SD**2
    system.right[:size] += (prior.mean - state.common) / prior.sd**2
    system.right[rest] -= np.concatenate([state.gain.real - 1.0, state.gain.imag]) / GAIN_SD**2
    np.einsum("sll->sl", system.own)[...] += 1.0 / prior.own_sd**2
    system.own_right += (prior.own_mean - state.own) / prior.own_sd**2


@dataclass(slots=True)
class Step:
    """Changes of the common unknowns and gains (n,), of the taps' own (S, L); matrix with the latter eliminated."""

    common: Array
    own: Array
    reduced: Array


def step(system: System, damping: float, slack: Array) -> Step:
    """Solve the equations with Marquardt damping; `slack` from `valley`."""
    inner, mixed, matrix = system.own.copy(), system.mixed.copy(), system.matrix.copy()
    n = matrix.shape[0]
    spare = damping * np.diagonal(inner, axis1=1, axis2=2)
    inner[:, range(LOCALS), range(LOCALS)] += spare
    matrix[range(2, n), range(2, n)] *= 1.0 + damping
    matrix[range(2), range(2)] += damping * ONE_SIDED_STIFFNESS
    mixed[:, :, :2] -= spare[:, :, None] * slack
    matrix[:2, :2] += np.einsum("sla,sl,slb->ab", slack, spare, slack)
    lower = np.linalg.cholesky(inner)
    beside = np.concatenate([mixed, system.own_right[:, :, None]], axis=2)
    half = np.stack(
        [solve_triangular(a, b, lower=True, check_finite=False) for a, b in zip(lower, beside, strict=True)]
    )
    flat = half.reshape(-1, n + 1)
    product = flat.T @ flat
    reduced = matrix - product[:n, :n]
    common = np.linalg.solve(reduced, system.right - product[:n, n])
    own = np.linalg.solve(lower.transpose(0, 2, 1), half[:, :, n:] - half[:, :, :n] @ common[:, None])[..., 0]
    return Step(common, own, reduced)


def moved(model: HeadModel, state: State, change: Step) -> State:
    """The point after a step."""
    size, bins = model.at.size, state.gain.size
    gain = state.gain + change.common[size : size + bins] + 1j * change.common[size + bins :]
    return State(state.common + change.common[:size], state.own + change.own, gain)


def descend(problem: Problem, state: State, pace: Pace) -> State:
    """Where Levenberg-Marquardt comes to from `state`."""
    model, slack, damping = problem.model, valley(problem.model), pace.damping
    state, here = settled(problem, state)
    for _ in range(pace.most):
        system = assemble(problem, state)
        for _ in range(_TRIES):
            ahead = moved(model, state, step(system, damping, slack))
            ahead, there = settled(problem, ahead) if _sane(model, ahead) else (ahead, np.inf)
            if there < here:
                break
            damping = max(damping, 1e-8) * 10.0
        else:
            return state
        gain, state, here, damping = here - there, ahead, there, max(damping / 5.0, 1e-10)
        if gain < pace.tolerance * here:
            return state
    return state


def _sane(model: HeadModel, state: State) -> bool:
    """No unknown has run where the model means nothing."""
    common = state.common
    return bool(
        np.all(np.isfinite(common))
        and np.all(np.isfinite(state.own))
        and np.max(np.abs(common[model.at.field])) < 0.6
        and np.max(np.abs(common[model.at.loss])) < 8.0
        and np.max(np.abs(state.own[:, STRENGTH])) < 20.0
    )
