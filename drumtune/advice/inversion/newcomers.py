"""Bands that come into a fit: looked for and fitted alone first, so that they do not upset what was found.

A line is far narrower than the error of its first guess. So each new band is first searched: its families are moved
about, one at a time, with the gains of its modes free, until the band is explained best. Only then does the descent
begin. docs/inference.md, "Stages".
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.band import Common, band_at
from drumtune.advice.inversion.blocks import Blocks, blocks
from drumtune.advice.inversion.layout import BANDS, LOCALS, RESIDUAL, STRENGTH, modes
from drumtune.advice.inversion.model import HeadModel, State, contacts, delays, forward, places, stiffness, weighted
from drumtune.advice.inversion.observing import Stage, Take, at_grid, look
from drumtune.advice.inversion.shape_table import shape_table
from drumtune.advice.inversion.slopes import by_gains
from drumtune.advice.inversion.solve import HELD, Pace, Point, Prior, Problem, descend
from drumtune.dsp.tap_spectra import Window

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
KIN = (0, 1, 1, 0, 2, 2, 4, 5, 3, 6)
"""Of each family, the lower one most like it."""
UNSEEN = (7, 8, 9)
"""Families too close together to be found before the fit."""
NOISE = 0.15
"""Noise taken while a band is alone, against its level."""
SEARCH = Stage(0, Window(9.0, 0.6), 3.5, 0, 1.0, NOISE)
"""How a new band is looked at while it is searched: a little blurred."""
MOVES = np.linspace(-0.05, 0.05, 25)
"""Relative moves of a family's frequency that are tried; none in the middle."""


def introduce(model: HeadModel, take: Take, state: State, prior: Prior, stage: Stage, seen: int) -> State:
    """Fit what is new in bands not seen before, everything else held where it is; `prior` learns from their kin."""
    if seen:
        found = blocks(stiffness(model, state))
        for place in range(seen, stage.bands):
            state = take_after_kin(model, state, prior, place)
            state = searched(model, found, take, state, prior, place)
    problem, state = _alone(model, take, state, prior, stage, seen)
    start_gains(problem, state, seen)
    if not seen:
        return state
    alone = replace(problem, prior=_only_new(model, state, prior, stage, seen))
    return descend(Point.at(alone, state), Pace(5, damping=1e-3, tolerance=1e-2)).state


def _alone(model: HeadModel, take: Take, state: State, prior: Prior, stage: Stage, seen: int) -> tuple[Problem, State]:
    """The bands of a stage from `seen` on as a problem, and the state on its bins."""
    grid, data = look(model, take, state, stage, seen)
    data.weight /= (NOISE * np.exp(state.own[:, STRENGTH, None]) * grid.level) ** 2
    return Problem(model, grid, data, prior), at_grid(state, grid)


def take_after_kin(model: HeadModel, state: State, prior: Prior, place: int) -> State:
    """The state with the families of a new band like their kin in loss and, where not looked for, in frequency.

    The prior is changed in place.
    """
    at, common = model.at, state.common.copy()
    for f in BANDS[place]:
        kin = KIN[f]
        loss = common[at.loss.start + kin] + (0.2 if f != kin else 0.0)
        common[at.loss.start + f] = prior.mean[at.loss.start + f] = loss
        prior.sd[at.loss.start + f] = 0.5
        if f in UNSEEN:
            common[at.offset.start + f] = prior.mean[at.offset.start + f] = common[at.offset.start + kin]
    return replace(state, common=common)


def searched(model: HeadModel, found: Blocks, take: Take, state: State, prior: Prior, place: int) -> State:
    """The state with each family of a band moved to where the band is explained best; `found` are the head's blocks."""
    at = model.at.offset.start
    problem, state = _alone(model, take, state, prior, replace(SEARCH, bands=place + 1), place)
    band, common = _Alone.of(problem, found, state, place), state.common.copy()
    for f in BANDS[place]:
        trials = np.repeat(common[None], MOVES.size, axis=0)
        trials[:, at + f] += MOVES
        strange = ((trials[:, at + f] - prior.mean[at + f]) / prior.sd[at + f]) ** 2
        common = trials[_lowest(np.array([band.left(trial) for trial in trials]) + strange)]
    return replace(state, common=common)


def _lowest(cost: Array) -> int:
    """Place of the lowest dip, the middle where there is none: a cost that falls to the edge is another line's."""
    dips = 1 + np.flatnonzero((cost[1:-1] < cost[:-2]) & (cost[1:-1] < cost[2:]))
    return int(dips[np.argmin(cost[dips])]) if dips.size else cost.size // 2


@dataclass(frozen=True, slots=True)
class _Alone:
    """One band by itself, its head and taps given.

    Inner stiffness (d, d), mode values at the taps (S, d), weighted delays and spectra (S, K), contacts (S, 1).
    """

    problem: Problem
    place: int
    inner: Array
    values: Array
    delay: Complex
    wanted: Complex
    contact: Array

    @classmethod
    def of(cls, problem: Problem, found: Blocks, state: State, place: int) -> _Alone:
        """The band `place` of a problem at a state, `found` being the head's blocks."""
        root = np.sqrt(problem.data.weight)
        values = shape_table()(*places(problem.model, state))[0] @ found.shapes[:, modes().slots[place]]
        delay = delays(state, problem.grid)
        return cls(
            problem, place, found.stiffness[place], values, delay * root, problem.data.spectra * root, contacts(state)
        )

    def left(self, common: Array) -> float:
        """What the band leaves unexplained at common unknowns (G,), gains at their best: weighted misfit."""
        band = band_at(
            self.place, Common.read(common, self.problem.model.at), self.inner, self.problem.grid.s, self.contact
        )
        heard = np.tensordot(weighted(band.weight, self.values), band.response, (1, 1)) * self.delay[:, :, None]
        design, wanted = heard.reshape(self.wanted.size, -1), self.wanted.ravel()
        return float(np.sum(np.abs(wanted - design @ _least_squares(design, wanted)) ** 2))


def _least_squares(design: Complex, wanted: Complex) -> Complex:
    """Gains (d,) that make `design` (n, d) times them come nearest to `wanted` (n,), kept small a little."""
    square = design.conj().T @ design
    square[np.diag_indices_from(square)] += 1e-6 * np.trace(square).real / square.shape[0]
    return np.asarray(np.linalg.solve(square, design.conj().T @ wanted), np.complex128)


def _only_new(model: HeadModel, state: State, prior: Prior, stage: Stage, seen: int) -> Prior:
    """A prior that lets only gains, frequencies, losses and residuals of the new bands move."""
    at, table = model.at, modes()
    mean, sd = state.common.copy(), np.full(at.size, HELD)
    families = np.array([f for b in range(seen, stage.bands) for f in BANDS[b]])
    gains = np.arange(table.slots[seen].start, table.slots[stage.bands - 1].stop)
    free = np.concatenate([at.offset.start + families, at.loss.start + families, at.gain.start + gains,
                           at.gain.start + table.count + gains])  # fmt: skip
    mean[free], sd[free] = prior.mean[free], prior.sd[free]
    own_sd = np.full(LOCALS, HELD)
    own_sd[RESIDUAL] = prior.own_sd[RESIDUAL]
    return Prior(mean, sd, state.own.copy(), own_sd)


def start_gains(problem: Problem, state: State, seen: int) -> None:
    """Set the gains of bands from `seen` on by linear least squares, in place."""
    table, at, grid = modes(), problem.model.at, problem.grid
    columns = np.arange(table.slots[seen].start, grid.used)
    state.common[at.gain.start + columns] = 0.0
    state.common[at.gain.start + table.count + columns] = 0.0
    here = forward(problem.model, state, grid)
    root = np.sqrt(problem.data.weight)
    design = (by_gains(here, seen) * root).reshape(columns.size, -1).T
    gain = _least_squares(design, ((problem.data.spectra - here.spectra) * root).ravel())
    state.common[at.gain.start + columns] = gain.real
    state.common[at.gain.start + table.count + columns] = gain.imag
