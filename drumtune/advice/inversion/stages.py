"""From a blind start to a fit of all bands, in stages.

Early stages use few bands and strong windows (short, smeared lines), so a wrong start is pulled in; later ones
sharpen the lines and free the small unknowns. Bands that come in are fitted alone first, so that they do not upset
what was found. docs/inference.md, "Stages".
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import (
    BANDS,
    GLIDE_TIME,
    LOCALS,
    RADIUS,
    RESIDUAL,
    STRENGTH,
    modes,
)
from drumtune.advice.inversion.model import Grid, HeadModel, State, forward
from drumtune.advice.inversion.slopes import linearise
from drumtune.advice.inversion.solve import HELD, Data, Pace, Point, Prior, Problem, descend, settled
from drumtune.advice.inversion.start import bins, family_frequencies
from drumtune.dsp.tap_spectra import Taps, Window, spectra

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
KIN = (0, 1, 1, 0, 2, 2, 4, 5, 3, 6)
"""Of each family, the lower one most like it."""
UNSEEN = (7, 8, 9)
"""Families too close together to be found before the fit."""
TEMPER = 2.0
"""Misfits of neighbouring bins share their causes; the noise is taken this much larger than it looks."""
OVERSAMPLED = 3.2
"""Sample rate of the taps against the highest family."""
FLOOR, BIN_FLOOR = 0.001, 0.0005
"""Smallest noise believed in, against the band's level and against the bin."""


@dataclass(frozen=True, slots=True)
class Stage:
    """One stage: bands, window, spacing of bins (Hz), steps, tightness of the small unknowns, relative noise."""

    bands: int
    window: Window
    spacing: float
    steps: int
    tightness: float
    noise: float


SCHEDULE = (
    Stage(3, Window(25.0, 0.35), 5.0, 8, 0.05, 0.15),
    Stage(5, Window(5.0, 0.95), 3.5, 6, 0.6, 0.05),
    Stage(7, Window(4.0, 0.95), 3.2, 8, 1.0, 0.04),
)
"""The usual way from start to end."""


@dataclass(frozen=True, slots=True)
class Take:
    """The taps and the loudness of each against the loudest, shape (S,): their glide goes with it."""

    taps: Taps
    loudness: Array


def in_units(model: HeadModel, take: Take, state: State) -> tuple[Take, State]:
    """The take at no more than the sample rate needed, scaled so that its low bands are about one.

    The strength of each tap is set from them.
    """
    first = SCHEDULE[0]
    take = replace(take, taps=take.taps.slowed(OVERSAMPLED * float(family_frequencies(model, state.common).max())))
    _, data = look(model, take, state, first, 0)
    strength = 0.5 * np.log(np.mean(np.abs(data.spectra) ** 2, axis=1))
    taps = replace(take.taps, samples=take.taps.samples * np.exp(-strength.mean()))
    own = state.own.copy()
    own[:, STRENGTH] = strength - strength.mean()
    return replace(take, taps=taps), replace(state, own=own)


def look(model: HeadModel, take: Take, state: State, stage: Stage, seen: int) -> tuple[Grid, Data]:
    """Spectra on the bins of a stage, of the bands from `seen` on, their weights still one."""
    frequency, band = bins(family_frequencies(model, state.common), stage.bands, stage.spacing)
    frequency, band = frequency[band >= seen], band[band >= seen]
    data = observe(model, take, state, frequency, stage.window)
    unit = np.exp(-state.own[:, STRENGTH, None])
    level = np.ones(len(BANDS))
    for b in np.unique(band):
        level[b] = np.sqrt(np.mean(np.abs(data.spectra[:, band == b] * unit) ** 2))
    return Grid(frequency, band, stage.window.damping, level[band]), data


def observe(model: HeadModel, take: Take, state: State, frequency: Array, window: Window) -> Data:
    """Spectra of the taps at `frequency` with the state's glide taken out by warping time; weights one."""
    glide = float(state.common[model.at.glide][0])
    sound, slope = spectra(take.taps, frequency, window, glide * take.loudness, GLIDE_TIME)
    return Data(sound, slope * take.loudness[:, None], glide, np.ones(sound.shape))


def run_stage(model: HeadModel, take: Take, state: State, prior: Prior, stage: Stage, seen: int) -> Point:
    """One stage from `state`, in which the first `seen` bands have been fitted before."""
    if stage.bands > seen:
        state = introduce(model, take, state, prior, stage, seen)
    grid, data = look(model, take, state, stage, 0)
    tight = replace(prior, own_sd=prior.own_sd.copy())
    tight.own_sd[RADIUS:] *= stage.tightness
    problem = Problem(model, grid, data, tight)
    point, _ = settled(Point.at(problem, _at_grid(state, grid)))
    noise = np.maximum(stage.noise, np.median(misfits(point), axis=0))[grid.band]
    data.weight /= (noise * np.exp(state.own[:, STRENGTH, None]) * grid.level) ** 2
    point = descend(point, Pace(stage.steps, tolerance=0.05))
    return replace(point, problem=replace(problem, prior=prior))


def _at_grid(state: State, grid: Grid) -> State:
    """The state on another grid: gains one, no constant residuals."""
    own = state.own.copy()
    own[:, RESIDUAL] = 0.0
    return State(state.common.copy(), own, np.ones(grid.frequency.size, complex))


def introduce(model: HeadModel, take: Take, state: State, prior: Prior, stage: Stage, seen: int) -> State:
    """Fit what is new in bands not seen before, everything else held where it is."""
    grid, data = look(model, take, state, stage, seen)
    data.weight /= (0.15 * np.exp(state.own[:, STRENGTH, None]) * grid.level) ** 2
    state = _at_grid(state, grid)
    if seen:
        take_after_kin(model, state, prior, stage, seen)
    problem = Problem(model, grid, data, prior)
    start_gains(problem, state, seen)
    if not seen:
        return state
    alone = replace(problem, prior=_only_new(model, state, prior, stage, seen))
    return descend(Point.at(alone, state), Pace(5, damping=1e-3, tolerance=1e-2)).state


def take_after_kin(model: HeadModel, state: State, prior: Prior, stage: Stage, seen: int) -> None:
    """Start families of new bands from the losses, and where not looked for the frequencies, of families like them.

    Both the state and the prior are changed.
    """
    at = model.at
    for f in (f for b in range(seen, stage.bands) for f in BANDS[b]):
        kin = KIN[f]
        loss = state.common[at.loss.start + kin] + (0.2 if f != kin else 0.0)
        state.common[at.loss.start + f] = prior.mean[at.loss.start + f] = loss
        prior.sd[at.loss.start + f] = 0.5
        if f in UNSEEN:
            offset = state.common[at.offset.start + kin]
            state.common[at.offset.start + f] = prior.mean[at.offset.start + f] = offset


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
    slopes = linearise(problem.model, here)
    root = np.sqrt(problem.data.weight)
    design = (slopes.common[at.gain.start + columns] * root).reshape(columns.size, -1).T
    wanted = ((problem.data.spectra - here.spectra) * root).ravel()
    square = design.conj().T @ design
    square[np.diag_indices_from(square)] += 1e-6 * np.trace(square).real / columns.size
    gain = np.linalg.solve(square, design.conj().T @ wanted)
    state.common[at.gain.start + columns] = gain.real
    state.common[at.gain.start + table.count + columns] = gain.imag


def misfits(point: Point) -> Array:
    """Root mean square of what is left, per tap and band, against the band's level in that tap, shape (S, bands)."""
    problem, state = point.problem, point.state
    rest = problem.sound(state) - state.gain * point.here.spectra
    ratio = np.abs(rest / (np.exp(state.own[:, STRENGTH, None]) * problem.grid.level)) ** 2
    band = problem.grid.band
    rms: Array = np.sqrt(np.stack([ratio[:, band == b].mean(1) for b in range(problem.grid.bands)], axis=1))
    return rms


def reweighted(take: Take, point: Point, window: Window) -> Point:
    """The same point with the glide found taken out and weights from what is left.

    Noise of a band: median over taps, with the floors above, times TEMPER; a tap that misses a band by more is
    trusted less there (Student's t, 4 degrees of freedom).
    """
    problem, left = point.problem, misfits(point)
    grid = problem.grid
    data = observe(problem.model, take, point.state, grid.frequency, window)
    typical = np.sqrt(0.5) * np.median(left, axis=0)
    trust = 5.0 / (4.0 + 0.5 * (left / typical) ** 2)
    sd = TEMPER * np.sqrt(typical**2 + FLOOR**2)[grid.band] * np.exp(point.state.own[:, STRENGTH, None]) * grid.level
    data.weight /= sd**2 / trust[:, grid.band] + (BIN_FLOOR * TEMPER * np.abs(data.spectra)) ** 2
    return replace(point, problem=replace(problem, data=data))
