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

from drumtune.advice.inversion.layout import ANGLE, LOCALS, RADIUS, STRENGTH
from drumtune.advice.inversion.model import Grid, HeadModel, State, linearise, predict
from drumtune.physics.stress import RIM_BAND

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
ONE_SIDED_STIFFNESS = 1e5
"""Unit of the damping on one-sided tension: the information about it that a usual take carries."""
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


@dataclass(slots=True)
class System:
    """Normal equations: common unknowns and bins' gains (n, n), their right side (n,), and the taps' own parts."""

    matrix: Array
    right: Array
    own: Array
    mixed: Array
    own_right: Array
    cost: float


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


def settled(model: HeadModel, state: State, grid: Grid, data: Data, prior: Prior) -> tuple[State, float]:
    """The state with the bins' gains at their best for it (linear), and the cost there."""
    sound, heard = data.at(state.common[model.at.glide][0]), predict(model, state, grid)
    power = np.sum(data.weight * np.abs(heard) ** 2, axis=0) + 1.0 / GAIN_SD**2
    gain = (np.sum(data.weight * np.conj(heard) * sound, axis=0) + 1.0 / GAIN_SD**2) / power
    state = State(state.common, state.own, gain)
    return state, _misfit(sound - gain * heard, data, state, prior)


def _misfit(rest: Complex, data: Data, state: State, prior: Prior) -> float:
    total = float(np.sum(data.weight * np.abs(rest) ** 2))
    total += float(np.sum(((state.common - prior.mean) / prior.sd) ** 2))
    total += float(np.sum(((state.own - prior.own_mean) / prior.own_sd) ** 2))
    return total + float(np.sum(np.abs(state.gain - 1.0) ** 2)) / GAIN_SD**2


def assemble(model: HeadModel, state: State, grid: Grid, data: Data, prior: Prior) -> System:
    """Normal equations at a point."""
    slopes = linearise(model, state, grid)
    rest = data.at(state.common[model.at.glide][0]) - state.gain * slopes.spectra
    root = np.sqrt(data.weight)
    common = slopes.common * (state.gain * root[:, None, :])
    common[:, model.at.glide.start] -= data.glide_slope * root
    own = slopes.own * (state.gain * root[:, None, :])
    own, common = np.ascontiguousarray(own), np.ascontiguousarray(common)
    heard, misfit = slopes.spectra * root, rest * root
    size, bins = model.at.size, grid.frequency.size
    real_common, real_own, real_misfit = common.view(float), own.view(float), misfit.view(float)
    matrix = np.zeros((size + 2 * bins, size + 2 * bins))
    matrix[:size, :size] = np.matmul(real_common, real_common.transpose(0, 2, 1)).sum(0)
    crossed = np.einsum("sk,sgk->gk", np.conj(heard), common)
    matrix[:size, size:] = np.concatenate([crossed.real, crossed.imag], axis=1)
    matrix[size:, :size] = matrix[:size, size:].T
    gained = np.einsum("sk,sk->k", np.conj(heard), misfit)
    right = np.concatenate([np.matmul(real_common, real_misfit[:, :, None])[..., 0].sum(0), gained.real, gained.imag])
    diagonal = np.concatenate([1.0 / prior.sd**2, np.tile(np.sum(np.abs(heard) ** 2, 0) + 1.0 / GAIN_SD**2, 2)])
    matrix[np.diag_indices_from(matrix)] += diagonal
    right[:size] += (prior.mean - state.common) / prior.sd**2
    right[size:] -= np.concatenate([state.gain.real - 1.0, state.gain.imag]) / GAIN_SD**2
    inner = np.matmul(real_own, real_own.transpose(0, 2, 1))
    inner[:, range(LOCALS), range(LOCALS)] += 1.0 / prior.own_sd**2
    gain_part = np.conj(heard)[:, None, :] * own
    mixed = np.concatenate([np.matmul(real_own, real_common.transpose(0, 2, 1)), gain_part.real, gain_part.imag], 2)
    own_right = np.matmul(real_own, real_misfit[:, :, None])[..., 0] + (prior.own_mean - state.own) / prior.own_sd**2
    return System(matrix, right, inner, mixed, own_right, _misfit(rest, data, state, prior))


@dataclass(slots=True)
class Step:
    """Changes of the common unknowns and gains (n,), of the taps' own (S, L); reduced matrix and log determinant."""

    common: Array
    own: Array
    reduced: Array
    log_determinant: float


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
    half = np.linalg.solve(lower, np.concatenate([mixed, system.own_right[:, :, None]], axis=2))
    flat = half.reshape(-1, n + 1)
    product = flat.T @ flat
    reduced = matrix - product[:n, :n]
    common = np.linalg.solve(reduced, system.right - product[:n, n])
    own = np.linalg.solve(lower.transpose(0, 2, 1), half[:, :, n:] - half[:, :, :n] @ common[:, None])[..., 0]
    sign, log_determinant = np.linalg.slogdet(reduced)
    log_determinant += 2.0 * float(np.sum(np.log(np.diagonal(lower, axis1=1, axis2=2))))
    return Step(common, own, reduced, float(log_determinant) if sign > 0 else np.inf)


def moved(model: HeadModel, state: State, change: Step) -> State:
    """The point after a step."""
    size, bins = model.at.size, state.gain.size
    gain = state.gain + change.common[size : size + bins] + 1j * change.common[size + bins :]
    return State(state.common + change.common[:size], state.own + change.own, gain)


def descend(
    model: HeadModel, state: State, grid: Grid, data: Data, prior: Prior, *, most: int, damping: float = 1e-4,
    tolerance: float = 1e-3,
) -> tuple[State, float]:  # fmt: skip
    """Levenberg-Marquardt from `state`, at most `most` steps; returns the last point and its cost."""
    slack = valley(model)
    state, there = settled(model, state, grid, data, prior)
    for _ in range(most):
        here, system = there, assemble(model, state, grid, data, prior)
        for _ in range(7):
            ahead = moved(model, state, step(system, damping, slack))
            if _sane(model, ahead):
                ahead, there = settled(model, ahead, grid, data, prior)
                if there < here:
                    break
            damping = max(damping, 1e-8) * 10.0
        else:
            return state, here
        state, damping = ahead, max(damping / 5.0, 1e-10)
        if here - there < tolerance * here:
            break
    return state, there


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
