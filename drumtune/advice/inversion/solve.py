"""Damped least squares with every nuisance eliminated.

The cost is the weighted misfit of the spectra plus Gaussian priors on all unknowns. The taps' own unknowns are
eliminated tap by tap (Schur complement); what is left is the system of the common unknowns and the bins' gains.

One-sided tension (rod harmonic 1) is special: to first order it looks exactly like a displacement of all taps with a
change of their strengths (`valley`). Damping the two apart would freeze that valley, so damping acts on a tap's
displacement beyond what the tension already explains. docs/inference.md, "One side tight".
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.lapack import dposv, dtrtri

from drumtune.advice.inversion.layout import ANGLE, LOCALS, RADIUS, STRENGTH, in_use, modes
from drumtune.advice.inversion.model import Forward, Grid, HeadModel, State, forward, heard_by
from drumtune.advice.inversion.slopes import by_gains, linearise
from drumtune.physics.stress import RIM_BAND

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
ONE_SIDED_STIFFNESS = 1e5
"""Unit of the damping on one-sided tension: the information about it that a usual take carries."""
_TRIES = 7
"""Times the damping is raised before a point counts as the lowest there is."""
_TRUSTED = 0.3
"""Share of the gain foreseen from which the slopes are taken to hold."""
FARTHEST = 0.02
"""Relative change of a family's frequency that one step may make."""
HELD = 1e-6
"""Spread of an unknown that is held where it is."""
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
class Free:
    """Places of the unknowns that are solved for, ascending: among the common ones (g,), among each tap's own (l,)."""

    common: NDArray[np.int64]
    own: NDArray[np.int64]

    @property
    def one_sided(self) -> int:
        """How many of the first are harmonic 1's."""
        return int(np.searchsorted(self.common, 2))


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

    @property
    def since(self) -> int:
        """The lowest band that is free: all, or, where the head and the taps are held, only those looked at."""
        return 0 if self.prior.sd[self.model.at.field.start] > HELD else self.grid.lowest

    @property
    def free(self) -> Free:
        """What is solved for: not what the prior holds, nor what the bands in use do not hang on."""
        common, own = in_use(self.model.rods, self.grid.bands)
        return Free(np.flatnonzero(common & (self.prior.sd > HELD)), np.flatnonzero(own & (self.prior.own_sd > HELD)))


@dataclass(frozen=True, slots=True)
class Pace:
    """How a descent goes: most steps, first damping, relative gain under which it has settled."""

    most: int
    damping: float = 1e-4
    tolerance: float = 1e-3


@dataclass(slots=True)
class System:
    """Normal equations of what is free: common unknowns and bins' gains (n, n), their right side (n,), taps' own."""

    free: Free
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


@dataclass(frozen=True, slots=True)
class Point:
    """A fit under way: the problem, where it stands, and what the model makes of that."""

    problem: Problem
    state: State
    here: Forward

    @classmethod
    def at(cls, problem: Problem, state: State) -> Point:
        """The point of a problem at a state."""
        return cls(problem, state, forward(problem.model, state, problem.grid))

    @property
    def rest(self) -> Complex:
        """What of the spectra is not explained, (S, K)."""
        return np.asarray(self.problem.sound(self.state) - self.state.gain * self.here.spectra, np.complex128)

    @property
    def cost(self) -> float:
        """Weighted misfit and priors."""
        prior, state = self.problem.prior, self.state
        total = float(np.sum(self.problem.data.weight * np.abs(self.rest) ** 2))
        total += float(np.sum(((state.common - prior.mean) / prior.sd) ** 2))
        total += float(np.sum(((state.own - prior.own_mean) / prior.own_sd) ** 2))
        return total + float(np.sum(np.abs(state.gain - 1.0) ** 2)) / GAIN_SD**2


def settled(point: Point) -> tuple[Point, float]:
    """The point with gains at their best for all else, and its cost: those of the bins, of the modes, of the bins.

    Each is a linear problem. Steps in all unknowns at once overshoot in the modes' gains where lines overlap.
    """
    point = _bins_settled(_modes_settled(_bins_settled(point)))
    return point, point.cost


def _bins_settled(point: Point) -> Point:
    """The point with the best gains of the bins."""
    sound, heard, weight = point.problem.sound(point.state), point.here.spectra, point.problem.data.weight
    power = np.sum(weight * np.abs(heard) ** 2, axis=0) + 1.0 / GAIN_SD**2
    gain = (np.sum(weight * np.conj(heard) * sound, axis=0) + 1.0 / GAIN_SD**2) / power
    return replace(point, state=replace(point.state, gain=gain))


def _modes_settled(point: Point) -> Point:
    """The point with the best gains of the modes that are free."""
    problem, state, here = point.problem, point.state, point.here
    since, at, count = problem.since, problem.model.at.gain.start, modes().count
    root = np.sqrt(problem.data.weight)
    design = by_gains(here, since) * (state.gain * root)
    design = design.reshape(design.shape[0], -1)
    places = at + np.arange(problem.grid.used - design.shape[0], problem.grid.used)
    before, information = here.common.gain[places - at], 1.0 / problem.prior.sd[places] ** 2
    rest = (point.rest * root).ravel()
    square = design.conj() @ design.T + np.diag(information)
    gain = here.common.gain.copy()
    gain[places - at] += np.linalg.solve(square, design.conj() @ rest - information * before)
    common = state.common.copy()
    common[places], common[places + count] = gain[places - at].real, gain[places - at].imag
    state = replace(state, common=common)
    return replace(point, state=state, here=heard_by(gain, here, state))


def assemble(point: Point) -> System:
    """Normal equations at a point."""
    problem, state, here = point.problem, point.state, point.here
    free, root = problem.free, np.sqrt(problem.data.weight)
    slopes = linearise(problem.model, here, state.gain * root, problem.since)
    heard, misfit = here.spectra * root, point.rest * root
    common, own = slopes.common[free.common], slopes.own[:, free.own]
    common[free.common == problem.model.at.glide.start] -= problem.data.glide_slope * root
    real_common, real_own, real_misfit = common.view(float), own.view(float), misfit.view(float)
    flat = real_common.reshape(free.common.size, -1)
    by_gain = np.conj(heard)[:, None, :] * own
    mixed = np.concatenate([real_own @ real_common.transpose(1, 2, 0), by_gain.real, by_gain.imag], axis=2)
    gained = np.sum(np.conj(heard) * misfit, axis=0)
    right = np.concatenate([flat @ real_misfit.ravel(), gained.real, gained.imag])
    crossed = np.einsum("sk,gsk->gk", np.conj(heard), common)
    matrix = _matrix(flat @ flat.T, crossed, np.sum(np.abs(heard) ** 2, axis=0))
    inner, own_right = real_own @ real_own.transpose(0, 2, 1), (real_own @ real_misfit[:, :, None])[..., 0]
    system = System(free, matrix, right, inner, mixed, own_right)
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
    common, own = system.free.common, system.free.own
    size = common.size
    diagonal = np.einsum("ii->i", system.matrix)
    diagonal[:size] += 1.0 / prior.sd[common] ** 2
    diagonal[size:] += 1.0 / GAIN_SD**2
    system.right[:size] += ((prior.mean - state.common) / prior.sd**2)[common]
    system.right[size:] -= np.concatenate([state.gain.real - 1.0, state.gain.imag]) / GAIN_SD**2
    np.einsum("sll->sl", system.own)[...] += 1.0 / prior.own_sd[own] ** 2
    system.own_right += ((prior.own_mean - state.own) / prior.own_sd**2)[:, own]


@dataclass(slots=True)
class Step:
    """Changes of what is free: common unknowns and gains (n,), the taps' own (S, l); matrix with those eliminated."""

    free: Free
    common: Array
    own: Array
    reduced: Array


def step(system: System, damping: float, slack: Array) -> Step:
    """Solve the equations with Marquardt damping; `slack` from `valley`."""
    inner, mixed, matrix = system.own.copy(), system.mixed.copy(), system.matrix.copy()
    n, first, locals_ = matrix.shape[0], system.free.one_sided, system.free.own.size
    slack = slack[:, system.free.own, :first]
    spare = damping * np.diagonal(inner, axis1=1, axis2=2)
    inner[:, range(locals_), range(locals_)] += spare
    matrix[range(first, n), range(first, n)] *= 1.0 + damping
    matrix[range(first), range(first)] += damping * ONE_SIDED_STIFFNESS
    mixed[:, :, :first] -= spare[:, :, None] * slack
    matrix[:first, :first] += np.einsum("sla,sl,slb->ab", slack, spare, slack)
    turn = np.array([dtrtri(lower, lower=1)[0] for lower in np.linalg.cholesky(inner)])
    half = turn @ np.concatenate([mixed, system.own_right[:, :, None]], axis=2)
    flat = half.reshape(-1, n + 1)
    product = flat.T @ flat
    reduced = matrix - product[:n, :n]
    _, common, failed = dposv(reduced, system.right - product[:n, n])
    if failed:  # not positive definite as rounded: no way to go
        common = np.full(n, np.nan)
    own = turn.transpose(0, 2, 1) @ (half[:, :, n:] - half[:, :, :n] @ common[:, None])
    return Step(system.free, common, own[..., 0], reduced)


def moved(state: State, change: Step) -> State:
    """The point after a step."""
    free, bins = change.free, state.gain.size
    size = free.common.size
    common, own = state.common.copy(), state.own.copy()
    common[free.common] += change.common[:size]
    own[:, free.own] += change.own
    return State(common, own, state.gain + change.common[size : size + bins] + 1j * change.common[size + bins :])


def foreseen(system: System, change: Step) -> float:
    """What a step would take off the cost if the slopes held all the way."""
    common, own = change.common, change.own
    by_common = system.matrix @ common - 2.0 * system.right
    by_own = np.einsum("slm,sm->sl", system.own, own) + 2.0 * (system.mixed @ common - system.own_right)
    return -float(common @ by_common + np.sum(own * by_own))


def descend(point: Point, pace: Pace) -> Point:
    """Where Levenberg-Marquardt comes to from a point.

    Damping goes by how much of what was foreseen was gained (H. B. Nielsen, IMM-REP-1999-05, from memory). A small gain
    ends the descent only where the slopes can be trusted: in a narrow bent valley every step gains little.
    """
    problem = point.problem
    slack, damping = valley(problem.model), pace.damping
    before = 1e-300  # no gain before the first, which then counts in full
    point, cost = settled(point)
    for _ in range(pace.most):
        system = assemble(point)
        for _ in range(_TRIES):
            change = step(system, damping, slack)
            ahead = moved(point.state, change)
            if _sane(problem.model, point.state, ahead):
                there, left = settled(Point.at(problem, ahead))
                if left < cost:
                    break
            damping = max(damping, 1e-8) * 10.0
        else:
            return point
        gain, point, cost = cost - left, there, left
        share = gain / foreseen(system, change)
        damping = max(damping * max(0.2, 1.0 - (2.0 * share - 1.0) ** 3), 1e-10)
        if share > _TRUSTED and gain * min(gain / before, 1.0) < pace.tolerance * cost:  # what the next would gain
            return point
        before = gain
    return point


def _sane(model: HeadModel, before: State, state: State) -> bool:
    """No unknown has run where the model means nothing, no family to another one's line."""
    common, at = state.common, model.at.offset
    return bool(
        np.all(np.isfinite(common))
        and np.all(np.isfinite(state.own))
        and np.max(np.abs(common[model.at.field])) < 0.6
        and np.max(np.abs(common[model.at.loss])) < 8.0
        and np.max(np.abs(common[at] - before.common[at])) < FARTHEST
        and np.max(np.abs(state.own[:, STRENGTH])) < 20.0
    )
