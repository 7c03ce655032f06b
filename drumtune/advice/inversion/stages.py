"""From a blind start to a fit of all bands, in stages.

Early stages use few bands and strong windows (short, smeared lines), so a wrong start is pulled in; later ones
sharpen the lines and free the small unknowns. Bands that come in are fitted alone first, so that they do not upset
what was found. docs/inference.md, "Stages".
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import BANDS, RADIUS, STRENGTH
from drumtune.advice.inversion.model import HeadModel, State
from drumtune.advice.inversion.newcomers import introduce
from drumtune.advice.inversion.observing import Stage, Take, at_grid, look, observe
from drumtune.advice.inversion.solve import Pace, Point, Prior, Problem, descend, settled
from drumtune.advice.inversion.start import family_frequencies
from drumtune.dsp.tap_spectra import Window

Array = NDArray[np.float64]
TEMPER = 2.0
"""Misfits of neighbouring bins share their causes; the noise is taken this much larger than it looks."""
OVERSAMPLED = 3.2
"""Sample rate of the taps against the highest family."""
FLOOR, BIN_FLOOR = 0.001, 0.0005
"""Smallest noise believed in, against the band's level and against the bin."""

SCHEDULE = (
    Stage(3, Window(25.0, 0.35), 5.0, 8, 0.05, 0.15),
    Stage(5, Window(5.0, 0.95), 3.5, 6, 0.6, 0.05),
    Stage(7, Window(4.0, 0.95), 3.2, 8, 1.0, 0.04),
)
"""The usual way from start to end."""
GENTLER = (SCHEDULE[0], Stage(3, Window(8.0, 0.7), 3.5, 8, 0.3, 0.06), *SCHEDULE[1:])
"""A way with one more stage in the lowest bands, for takes that the usual one explains badly."""

LOWER = (*SCHEDULE[:2], replace(SCHEDULE[2], bands=SCHEDULE[1].bands))
"""A way that leaves out the highest bands, for takes in which these find other lines."""


def rate_needed(model: HeadModel, common: Array) -> float:
    """Sample rate in Hz that taps on a head need."""
    return OVERSAMPLED * float(family_frequencies(model, common).max())


def in_units(model: HeadModel, take: Take, state: State) -> tuple[Take, State]:
    """The take at no more than the sample rate needed, scaled so that its low bands are about one.

    The strength of each tap is set from them.
    """
    first = SCHEDULE[0]
    take = replace(take, taps=take.taps.slowed(rate_needed(model, state.common)))
    _, data = look(model, take, state, first, 0)
    strength = 0.5 * np.log(np.mean(np.abs(data.spectra) ** 2, axis=1))
    taps = replace(take.taps, samples=take.taps.samples * np.exp(-strength.mean()))
    own = state.own.copy()
    own[:, STRENGTH] = strength - strength.mean()
    return replace(take, taps=taps), replace(state, own=own)


def run_stage(model: HeadModel, take: Take, state: State, prior: Prior, stage: Stage, seen: int) -> Point:
    """One stage from `state`, in which the first `seen` bands have been fitted before."""
    if stage.bands > seen:
        state = introduce(model, take, state, prior, stage, seen)
    grid, data = look(model, take, state, stage, 0)
    tight = replace(prior, own_sd=prior.own_sd.copy())
    tight.own_sd[RADIUS:] *= stage.tightness
    problem = Problem(model, grid, data, tight)
    point, _ = settled(Point.at(problem, at_grid(state, grid)))
    noise = np.maximum(stage.noise, np.median(misfits(point), axis=0))[grid.band]
    data.weight /= (noise * np.exp(state.own[:, STRENGTH, None]) * grid.level) ** 2
    point = descend(point, Pace(stage.steps, tolerance=0.05))
    leave_unseen(model, state, point.state, stage.bands)
    return replace(point, problem=replace(problem, prior=prior))


def leave_unseen(model: HeadModel, before: State, after: State, bands: int) -> None:
    """Leave families of bands not yet in use where they were found, in place: the even head has moved under them."""
    ratio = family_frequencies(model, before.common) / family_frequencies(model, after.common)
    for f in (f for band in BANDS[bands:] for f in band):
        place = model.at.offset.start + f
        after.common[place] = (1.0 + after.common[place]) * ratio[f] - 1.0


def misfits(point: Point) -> Array:
    """Root mean square of what is left, per tap and band, against the band's level in that tap, shape (S, bands)."""
    problem, state = point.problem, point.state
    ratio = np.abs(point.rest / (np.exp(state.own[:, STRENGTH, None]) * problem.grid.level)) ** 2
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
