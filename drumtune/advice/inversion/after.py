"""A head after a rod was turned, from a few taps at one rod, the take before explained.

The head, the microphone and the room are known from the take (`drumtune.advice.inversion.beliefs`), and held; what is
sought is how far the pitches at the rods have changed. Taps at one place tell the even rod harmonics, by the pitches of
the modes; the odd ones look like taps that land elsewhere, and stay near what was foreseen. Families may go their own
way by a little, as the model is not exact. The equations stand in docs/inference.md, "After a move". Does not find the
taps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import block_diag

from drumtune.advice.inversion.beliefs import Fit, pull_slopes
from drumtune.advice.inversion.layout import ANGLE, CONTACT, DELAY, RADIUS, RESIDUAL, SHAPE, STRENGTH, in_use
from drumtune.advice.inversion.model import Forward, HeadModel, State, forward
from drumtune.advice.inversion.observing import Take, observe
from drumtune.advice.inversion.slopes import linearise
from drumtune.advice.inversion.solve import HELD, Data
from drumtune.advice.inversion.stages import SCHEDULE, TEMPER
from drumtune.notes import tension_cents
from drumtune.physics.rods import harmonic_projectors
from drumtune.physics.stress import rod_tensions

Array = NDArray[np.float64]
EVEN_SD, FIRST_SD, ODD_SD = 8.0, 1.0, 3.0
"""Deviations, in cents, of a change from the one foreseen: even harmonics and the level, harmonic 1, other odd ones."""
OWN_WAY = {"offset": 3e-4, "tilt": 1.5e-4, "loss": 0.03, "loss_tilt": 0.02}
"""How far families and pairs go their own way when the head changes, in units of these unknowns (our own)."""
STRENGTH_SD = 1.5
"""Deviation of a tap's log strength from the one its sound shows."""
LOW = 5
"""Bands that a tap's strength is taken from."""
FIRST_LOOK, STEPS = 3, 15
"""Steps from each guess, and from the best ones."""
BEST = 3
"""Guesses that are followed to the end."""
SETTLED = 2e-3
"""Relative gain under which a descent ends."""
FARTHEST = 0.1
"""Largest step in any unknown of the head."""
_TRIES = 6


@dataclass(frozen=True, slots=True)
class After:
    """Change of the pitches at the rods since the take, cents, shape (N,), covariance (N, N).

    `left` is the rms of what is not explained, over what the take's own taps at that rod leave.
    """

    cents: Array
    covariance: Array
    left: float


def heard_after(fit: Fit, taps: Take, rod: int, guesses: Array) -> After:
    """Change of a head since a take, by taps at one rod.

    Parameters
    ----------
    fit
        Of the take.
    taps
        The taps, at the sample rate of `drumtune.advice.inversion.stages.rate_needed`, and the loudness of each against
        the take's loudest.
    rod
        Where they are, from 0.
    guesses
        Changes to begin with, cents, shape (G, N): the accounts of what was turned. Each is believed in alike.
    """
    place = _Place.of(fit, taps, rod)
    looks = [place.descended(place.at(guess), guess, FIRST_LOOK) for guess in guesses]
    first = sorted(range(len(looks)), key=lambda look: looks[look].cost)[:BEST]
    ends = [(place.descended(looks[look].state, guesses[look], STEPS), look) for look in first]
    best, look = min(ends, key=lambda end: end[0].cost)
    left = place.misfit(best)
    humble = place.trusting(left)
    return humble.told(humble.descended(best.state, guesses[look], STEPS), float(np.sqrt(left.mean())))


@dataclass(frozen=True, slots=True)
class _Look:
    """Where a descent came to: state, cost, what the model makes of it, and what it leaves (S, K)."""

    state: State
    cost: float
    here: Forward
    rest: NDArray[np.complex128]
    mean: Array


@dataclass(frozen=True, slots=True)
class _Place:
    """Taps at one rod, and what is known of them before they are heard.

    Parameters
    ----------
    fit, model, data
        The take's, the same head with all taps at this rod, and their spectra with weights.
    columns, mean, information
        Places of the unknowns of the head: field, scale, and what goes its own way; of these the means, (n,), without
        the change, and the information on all, (n, n).
    free, own_mean, own_sd
        Places, means (LOCALS,) and deviations of the unknowns of a tap.
    """

    fit: Fit
    model: HeadModel
    data: Data
    columns: NDArray[np.int64]
    mean: Array
    information: Array
    free: NDArray[np.int64]
    own_mean: Array
    own_sd: Array

    @classmethod
    def of(cls, fit: Fit, taps: Take, rod: int) -> _Place:
        problem, state, at = fit.point.problem, fit.point.state, fit.model.at
        angle = 2.0 * np.pi * rod / fit.model.rods
        there = np.abs(fit.model.angles - angle) < 1e-6
        model = replace(fit.model, angles=np.full(taps.loudness.size, angle))
        data = observe(model, taps, state, problem.grid.frequency, SCHEDULE[-1].window)
        common_use, own_use = in_use(fit.model.rods, problem.grid.bands)
        own_way = [(place, sd) for name, sd in OWN_WAY.items() for place in _places(getattr(at, name), common_use)]
        columns = np.array([*_range(at.field), *_range(at.scale), *(place for place, _ in own_way)])
        own_mean, own_sd = problem.prior.own_mean.copy(), problem.prior.own_sd.copy()
        usual = state.own[there].mean(axis=0)
        for known in (SHAPE, RESIDUAL, RADIUS, ANGLE, DELAY):
            own_mean[known] = usual[known]
        own_mean[CONTACT] = state.own[:, CONTACT].mean()
        own_sd[STRENGTH] = STRENGTH_SD
        units = np.exp(2.0 * state.own[there, STRENGTH, None])
        data.weight *= np.median(problem.data.weight[there] * units, axis=0)
        spread = block_diag(_spread(fit), np.diag([sd**2 for _, sd in own_way]))
        inverse = np.asarray(np.linalg.inv(spread), dtype=np.float64)
        free = np.flatnonzero(own_use & (own_sd > HELD))
        return cls(fit, model, data, columns, state.common[columns], inverse, free, own_mean, own_sd)

    def at(self, guess: Array) -> State:
        """The head changed as guessed, the taps as usual; their strengths are taken from their sound."""
        common = self.fit.point.state.common.copy()
        common[self.columns] = self.changed(guess)
        state = State(common, np.tile(self.own_mean, (self.data.spectra.shape[0], 1)), self.fit.point.state.gain)
        state.own[:, STRENGTH] = 0.0
        grid = self.fit.point.problem.grid
        low = grid.band < LOW
        heard = (state.gain * forward(self.model, state, grid).spectra)[:, low]
        power = np.sum(np.abs(self.data.spectra[:, low]) ** 2, axis=1) / np.sum(np.abs(heard) ** 2, axis=1)
        state.own[:, STRENGTH] = 0.5 * np.log(power)
        return state

    def changed(self, cents: Array) -> Array:
        """Unknowns of the head after a change of the pitches at the rods, (n,)."""
        rods, unknowns, slope = cents.size, self.mean.copy(), _slope(self.fit)
        for _ in range(6):
            unknowns[:rods] += np.linalg.solve(slope, cents - self.cents(unknowns))
        return unknowns

    def cents(self, unknowns: Array) -> Array:
        """The other way round."""
        rods = self.model.rods
        now, before = (rod_tensions(some[: rods - 1], rods) for some in (unknowns, self.mean))
        level = 1200.0 / np.log(2.0) * (unknowns[rods - 1] - self.mean[rods - 1])
        return np.asarray(tension_cents(now, 1.0) - tension_cents(before, 1.0) + level)

    def look(self, state: State, mean: Array, start: Array) -> _Look:
        """What a state costs, the unknowns being believed at `mean` and the strengths at `start`."""
        here = forward(self.model, state, self.fit.point.problem.grid)
        rest = self.data.spectra - state.gain * here.spectra
        off, own = state.common[self.columns] - mean, self.own_off(state, start)
        cost = float(np.sum(self.weight(start) * np.abs(rest) ** 2) + off @ self.information @ off + np.sum(own**2))
        return _Look(state, cost, here, rest, mean)

    def weight(self, start: Array) -> Array:
        """1/variance of the spectra, (S, K): what the take's taps at this rod had, for taps as loud as these."""
        return np.asarray(self.data.weight * np.exp(-2.0 * start[:, None]))

    def own_off(self, state: State, start: Array) -> Array:
        """How far the taps' own unknowns lie from what is believed, in deviations, (S, l)."""
        off = state.own - self.own_mean
        off[:, STRENGTH] = state.own[:, STRENGTH] - start
        return np.asarray((off / self.own_sd)[:, self.free])

    def descended(self, state: State, guess: Array, most: int) -> _Look:
        """Where Levenberg-Marquardt comes to from a state."""
        mean, start = self.changed(guess), state.own[:, STRENGTH].copy()
        look, damping = self.look(state, mean, start), 1e-3
        for _ in range(most):
            system = self.system(look, start)
            for _ in range(_TRIES):
                common, own = system.solved(damping)
                ahead = State(look.state.common.copy(), look.state.own.copy(), look.state.gain)
                ahead.common[self.columns] += common
                ahead.own[:, self.free] += own
                there = self.look(ahead, mean, start) if np.abs(common).max() < FARTHEST else look
                if there.cost < look.cost:
                    break
                damping = 10.0 * max(damping, 1e-6)
            else:
                return look
            gain, look, damping = look.cost - there.cost, there, max(0.2 * damping, 1e-8)
            if gain < SETTLED * look.cost:
                return look
        return look

    def system(self, look: _Look, start: Array) -> _System:
        """Normal equations at a point."""
        root = np.sqrt(self.weight(start))
        slopes = linearise(self.model, look.here, look.state.gain * root)
        common = np.ascontiguousarray(slopes.common[self.columns].transpose(1, 0, 2)).view(float)
        own = np.ascontiguousarray(slopes.own[:, self.free]).view(float)
        rest = np.ascontiguousarray(look.rest * root).view(float)[:, :, None]
        off = look.state.common[self.columns] - look.mean
        own_sd = self.own_sd[self.free]
        return _System(
            np.tensordot(common, common, ((0, 2), (0, 2))) + self.information,
            (common @ rest)[..., 0].sum(axis=0) - self.information @ off,
            own @ own.transpose(0, 2, 1) + np.diag(1.0 / own_sd**2),
            own @ common.transpose(0, 2, 1),
            (own @ rest)[..., 0] - self.own_off(look.state, start) / own_sd,
        )

    def misfit(self, look: _Look) -> Array:
        """Mean square of what is left per tap and band over what the take's taps at this rod leave, (S, bands)."""
        band = self.fit.point.problem.grid.band
        square = self.weight(look.state.own[:, STRENGTH]) * np.abs(look.rest) ** 2 * TEMPER**2 / 2.0
        return np.stack([square[:, band == b].mean(axis=1) for b in range(band.max() + 1)], axis=1)

    def trusting(self, misfit: Array) -> _Place:
        """The same with less weight where more is left than the take's taps leave."""
        weight = self.data.weight / np.maximum(misfit, 1.0)[:, self.fit.point.problem.grid.band]
        return replace(self, data=replace(self.data, weight=weight))

    def told(self, look: _Look, left: float) -> After:
        """The change and its covariance at the end of a descent."""
        reduced = self.system(look, look.state.own[:, STRENGTH]).reduced(0.0)[0]
        rods, slope = self.model.rods, _slope(self.fit)
        spread = slope @ np.linalg.inv(reduced)[:rods, :rods] @ slope.T
        return After(self.cents(look.state.common[self.columns]), 0.5 * (spread + spread.T), left)


@dataclass(frozen=True, slots=True)
class _System:
    """Normal equations: common unknowns (n, n) and (n,), the taps' own (S, l, l), (S, l, n) and (S, l)."""

    common: Array
    right: Array
    own: Array
    mixed: Array
    own_right: Array

    def reduced(self, damping: float) -> tuple[Array, Array, Array]:
        """Equations of the common unknowns with the taps' own taken out, and the solutions of these by each, damped."""
        own = self.own * (1.0 + damping * np.eye(self.own.shape[1]))
        found = np.linalg.solve(own, np.concatenate([self.mixed, self.own_right[:, :, None]], axis=2))
        crossed = self.mixed.transpose(0, 2, 1) @ found
        both = np.diag(damping * np.diagonal(self.common)) + self.common - crossed[:, :, :-1].sum(axis=0)
        return both, self.right - crossed[:, :, -1].sum(axis=0), found

    def solved(self, damping: float) -> tuple[Array, Array]:
        """Changes of the common unknowns (n,) and of the taps' own (S, l)."""
        matrix, right, found = self.reduced(damping)
        common = np.asarray(np.linalg.solve(matrix, right), dtype=np.float64)
        return common, found[:, :, -1] - found[:, :, :-1] @ common


def _slope(fit: Fit) -> Array:
    """Slope of the pitches at the rods by the rod harmonics and the scale, cents, (N, N)."""
    rods = fit.model.rods
    return np.column_stack([pull_slopes(fit.field, rods), np.full(rods, 1200.0 / np.log(2.0))])


def _spread(fit: Fit) -> Array:
    """Covariance of harmonics and scale about what is foreseen, (N, N)."""
    rods = fit.model.rods
    cents = np.zeros((rods, rods))
    for k, part in enumerate(harmonic_projectors(rods)):
        deviation = FIRST_SD if k == 1 else ODD_SD if k % 2 else EVEN_SD
        cents += deviation**2 * rods / np.trace(part) * part
    back = np.linalg.inv(_slope(fit))
    return np.asarray(back @ cents @ back.T)


def _range(part: slice) -> range:
    return range(part.start, part.stop)


def _places(part: slice, used: NDArray[np.bool_]) -> list[int]:
    return [place for place in _range(part) if used[place]]
