"""From a blind start to the posterior of the tension field, in stages.

Early stages use few bands and strong windows (short, smeared lines), so a wrong start is pulled in; later ones
sharpen the lines and free the small unknowns. Then the noise is estimated from what is left, in two hypotheses about
the rim: it holds the film, or the film slides. A sliding rim carries no one-sided tension. docs/inference.md.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import (
    ANGLE,
    BANDS,
    CONTACT,
    DELAY,
    FADE,
    FAMILIES,
    GLIDE_TIME,
    LOCALS,
    RADIUS,
    RESIDUAL,
    SHAPE,
    STRAY,
    STRENGTH,
    modes,
)
from drumtune.advice.inversion.model import Grid, HeadModel, State, linearise, predict
from drumtune.advice.inversion.solve import Data, Prior, assemble, descend, settled, step, valley
from drumtune.dsp.tap_spectra import Taps, Window, spectra
from drumtune.notes import tension_cents
from drumtune.physics.stress import rod_patterns, rod_tensions

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

FIELD_SD = 0.05
"""First guess of a rod harmonic of relative tension; later taken from the harmonics found."""
FIELD_FLOOR = 0.006
"""Smallest such spread believed in."""
ONE_SIDED = 0.85
"""Spread of harmonic 1 against that of the others where the rim holds."""
ONE_SIDED_SLIDING = 0.0015
"""Spread of harmonic 1 where the film slides: what the hoop's bending between rods leaves of it."""
KIN = (0, 1, 1, 0, 2, 2, 4, 5, 3, 6)
"""Of each family, the lower one most like it."""
UNSEEN = (7, 8, 9)
"""Families too close together to be found before the fit."""
BETWEEN = 0.25
"""Rim between holding and sliding, for the stages before the two are told apart."""
FINAL_STEPS = 8
TEMPER = 3.0
"""Misfits of neighbouring bins share their causes; the noise is taken this much larger than it looks."""
FLOOR, BIN_FLOOR = 0.002, 0.001
"""Smallest noise believed in, against the band's level and against the bin."""
RADIUS_SD, ANGLE_SD = 0.025, 0.055
"""Where a tap lands against where it should: relative radius, and radians (common practice by hand; refined later)."""


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
    Stage(3, Window(8.0, 0.7), 3.5, 8, 0.3, 0.06),
    Stage(5, Window(5.0, 0.95), 3.0, 6, 0.6, 0.05),
    Stage(7, Window(4.0, 0.95), 2.5, 8, 1.0, 0.04),
)
"""The usual way from start to end."""


@dataclass(frozen=True, slots=True)
class Start:
    """Where the fit begins: frequency of each family (F,) in Hz, air parameter 2 rho a / sigma."""

    families: Array
    air: float


@dataclass(slots=True)
class Point:
    """A fit under way: the state, its grid, data and prior, the strength of each tap (S,) and its cost."""

    state: State
    grid: Grid
    data: Data
    prior: Prior
    cost: float


@dataclass(frozen=True, slots=True)
class HeadSetup:
    """Rods, angle of each tap's rod (S,) and nominal tap radius (share of the head's)."""

    rods: int
    angles: Array
    tap_radius: float

    def model(self, slide: float) -> HeadModel:
        """The model with a rim that holds (0) ... lets slide (1) the film."""
        return HeadModel.build(self.rods, self.angles, self.tap_radius, slide)


def first_prior(model: HeadModel, start: Start) -> Prior:
    """Priors of all unknowns, before the take has been looked at closely."""
    at, table = model.at, modes()
    mean, sd = np.zeros(at.size), np.ones(at.size)
    sd[at.field] = FIELD_SD
    mean[at.scale], sd[at.scale] = np.log(_scale(start)), 0.05
    mean[at.air], sd[at.air] = np.log(start.air), 0.35
    sd[at.offset] = np.array([0.06 if m == 0 and n == 1 else 0.025 if m == 0 else 0.012 for m, n in FAMILIES])
    mean[at.loss] = np.log([25.0 if m == 0 else 10.0 for m, _ in FAMILIES])
    sd[at.tilt], sd[at.loss_tilt], sd[at.gain] = 4e-4, 0.1, 30.0
    sd[at.glide], sd[at.reach] = 0.01, 0.03
    mean[at.stray], sd[at.stray] = (start.families[1], np.log(12.0)), (0.05 * start.families[1], 1.0)
    own_mean, own_sd = np.zeros(LOCALS), np.ones(LOCALS)
    own_mean[CONTACT] = 1.8
    own_sd[[STRENGTH, DELAY, CONTACT, RADIUS, ANGLE, FADE]] = (1.5, 1.0, 0.5, RADIUS_SD, ANGLE_SD, 1e-6)
    own_sd[SHAPE] = 0.003 * table.mode_zero / table.zero[1]
    own_sd[RESIDUAL] = 0.015
    own_sd[STRAY] = 1e-6
    return Prior(mean, sd, own_mean, own_sd)


def _scale(start: Start) -> float:
    """sqrt(T/sigma)/(2 pi a) in Hz from the families without an axis of symmetry's bulk motion."""
    table = modes()
    guess = start.families * np.sqrt(1.0 + start.air * table.chi) / table.zero
    return float(np.median(guess[[1, 2, 4]]))


def first_state(model: HeadModel, prior: Prior, start: Start) -> State:
    """The prior's means, with the families where they were found."""
    table, common = modes(), prior.mean.copy()
    even = np.exp(common[model.at.scale][0]) * table.zero / np.sqrt(1.0 + start.air * table.chi)
    common[model.at.offset] = start.families / even - 1.0
    return State(common, np.tile(prior.own_mean, (model.angles.size, 1)), np.ones(0, complex))


def bins(families: Array, bands: int, spacing: float) -> tuple[Array, NDArray[np.int64]]:
    """Frequencies and bands of the bins: about each band by 2.6 % and 5 Hz, cut half-way to its neighbours."""
    low = np.array([families[list(b)].min() for b in BANDS[:bands]])
    high = np.array([families[list(b)].max() for b in BANDS[:bands]])
    middle = 0.5 * (high[:-1] + low[1:])
    bottom = np.maximum(low * 0.974 - 5.0, np.concatenate([[0.0], middle]))
    top = np.minimum(high * 1.026 + 5.0, np.concatenate([middle, [np.inf]]))
    rows = [np.linspace(a, b, max(4, int(np.ceil((b - a) / spacing)))) for a, b in zip(bottom, top, strict=True)]
    return np.concatenate(rows), np.concatenate([np.full(len(r), i) for i, r in enumerate(rows)])


def family_frequencies(model: HeadModel, common: Array) -> Array:
    """Frequency of each family of the even part of the head, shape (F,), Hz."""
    table = modes()
    even = np.exp(common[model.at.scale][0]) * table.zero / np.sqrt(1.0 + np.exp(common[model.at.air][0]) * table.chi)
    found: Array = even * (1.0 + common[model.at.offset])
    return found


@dataclass(frozen=True, slots=True)
class Take:
    """The taps and the loudness of each against the loudest, shape (S,): their glide goes with it."""

    taps: Taps
    loudness: Array


def observe(
    model: HeadModel, take: Take, state: State, frequency: Array, band: NDArray[np.int64], window: Window
) -> tuple[Grid, Data]:
    """Grid of bins and the taps' spectra on it, their weights still one."""
    fall = state.common[model.at.glide][0] * take.loudness
    sound, slope = spectra(take.taps, frequency, window, fall, GLIDE_TIME)
    unit = np.exp(-state.own[:, STRENGTH, None])
    level = np.ones(len(BANDS))
    for b in np.unique(band):
        level[b] = np.sqrt(np.mean(np.abs(sound[:, band == b] * unit) ** 2))
    data = Data(sound, slope * take.loudness[:, None], float(state.common[model.at.glide][0]), np.ones(sound.shape))
    return Grid(frequency, band, window.damping, level[band]), data


def run_stage(model: HeadModel, take: Take, state: State, prior: Prior, stage: Stage, seen: int) -> Point:
    """One stage from `state`, in which the first `seen` bands have been fitted before."""
    if stage.bands > seen:
        state = introduce(model, take, state, prior, stage, seen)
    grid, data = look(model, take, state, stage, 0)
    state = _at_grid(state, grid)
    state, _ = settled(model, state, grid, data, prior)
    point = Point(state, grid, data, prior, np.inf)
    _, left = misfits(model, point)
    noise = np.maximum(stage.noise, np.median(left, axis=0))[grid.band]
    data.weight /= (noise * np.exp(state.own[:, STRENGTH, None]) * grid.level) ** 2
    tight = replace(prior, own_sd=prior.own_sd.copy())
    tight.own_sd[RADIUS:] *= stage.tightness
    state, cost = descend(model, state, grid, data, tight, most=stage.steps)
    return Point(state, grid, data, prior, cost)


def look(model: HeadModel, take: Take, state: State, stage: Stage, seen: int) -> tuple[Grid, Data]:
    """Spectra on the bins of a stage, of the bands from `seen` on."""
    frequency, band = bins(family_frequencies(model, state.common), stage.bands, stage.spacing)
    wanted = band >= seen
    return observe(model, take, state, frequency[wanted], band[wanted], stage.window)


def _at_grid(state: State, grid: Grid) -> State:
    own = state.own.copy()
    own[:, RESIDUAL] = 0.0
    return State(state.common.copy(), own, np.ones(grid.frequency.size, complex))


def introduce(model: HeadModel, take: Take, state: State, prior: Prior, stage: Stage, seen: int) -> State:
    """Fit what is new in bands not seen before, everything else held where it is (all free in the first stage)."""
    grid, data = look(model, take, state, stage, seen)
    data.weight /= (0.15 * np.exp(state.own[:, STRENGTH, None]) * grid.level) ** 2
    state = _at_grid(state, grid)
    if seen == 0:
        start_gains(model, state, grid, data, seen)
        return state
    take_after_kin(model, state, prior, stage, seen)
    start_gains(model, state, grid, data, seen)
    return descend(model, state, grid, data, _only_new(model, state, prior, stage, seen), most=5, damping=1e-3)[0]


def take_after_kin(model: HeadModel, state: State, prior: Prior, stage: Stage, seen: int) -> None:
    """Start families of new bands from the losses (and, where not looked for, the frequencies) of families like them."""
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
    mean, sd = state.common.copy(), np.full(at.size, 1e-6)
    families = np.array([f for b in range(seen, stage.bands) for f in BANDS[b]])
    gains = np.arange(table.slots[seen].start, table.slots[stage.bands - 1].stop)
    free = np.concatenate([at.offset.start + families, at.loss.start + families, at.gain.start + gains,
                           at.gain.start + table.count + gains])  # fmt: skip
    mean[free], sd[free] = prior.mean[free], prior.sd[free]
    own_sd = np.full(LOCALS, 1e-6)
    own_sd[RESIDUAL] = prior.own_sd[RESIDUAL]
    return Prior(mean, sd, state.own.copy(), own_sd)


def start_gains(model: HeadModel, state: State, grid: Grid, data: Data, seen: int) -> None:
    """Set the gains of bands not fitted before by linear least squares."""
    table, at = modes(), model.at
    columns = np.arange(table.slots[seen].start, table.slots[grid.bands - 1].stop)
    state.common[at.gain.start + columns] = 0.0
    state.common[at.gain.start + table.count + columns] = 0.0
    slopes = linearise(model, state, grid)
    root = np.sqrt(data.weight)
    design = (slopes.common[:, at.gain.start + columns] * root[:, None]).transpose(0, 2, 1).reshape(-1, columns.size)
    wanted = ((data.spectra - slopes.spectra) * root).ravel()
    square = design.conj().T @ design
    square[np.diag_indices_from(square)] += 1e-6 * np.trace(square).real / columns.size
    gain = np.linalg.solve(square, design.conj().T @ wanted)
    state.common[at.gain.start + columns] = gain.real
    state.common[at.gain.start + table.count + columns] = gain.imag


def misfits(model: HeadModel, point: Point) -> tuple[Complex, Array]:
    """What is left of the spectra (S, K), and its rms per tap and band against the band's level there (S, bands)."""
    rest = point.data.at(point.state.common[model.at.glide][0])
    rest = rest - point.state.gain * predict(model, point.state, point.grid)
    unit = np.exp(point.state.own[:, STRENGTH, None]) * point.grid.level
    ratio = np.abs(rest / unit) ** 2
    band = point.grid.band
    return rest, np.sqrt(np.stack([ratio[:, band == b].mean(1) for b in range(point.grid.bands)], axis=1))


def reweighted(model: HeadModel, take: Take, point: Point, stage: Stage, temper: float = TEMPER) -> Point:
    """The same point with time warped by the glide found and weights from what is left.

    Noise of a band: median over taps, with floors of 0.2 % of the band and 0.1 % of the bin; a tap that misses a band
    by more is trusted less there (Student's t, 4 degrees of freedom).
    """
    _, left = misfits(model, point)
    old = point.grid
    _, data = observe(model, take, point.state, old.frequency, old.band, stage.window)
    typical = np.sqrt(0.5) * np.median(left, axis=0)
    trust = 5.0 / (4.0 + 0.5 * (left / typical) ** 2)
    sd = np.sqrt(typical**2 + FLOOR**2) * temper
    unit = np.exp(point.state.own[:, STRENGTH, None]) * old.level
    data.weight /= (sd[old.band] * unit) ** 2 / trust[:, old.band] + (BIN_FLOOR * temper * np.abs(data.spectra)) ** 2
    return replace(point, data=data)


def refined_prior(model: HeadModel, point: Point) -> Prior:
    """Empirical Bayes: spread of the tension from its harmonics, scatter of the taps from those of one rod."""
    prior = point.prior
    sd, own_sd = prior.sd.copy(), prior.own_sd.copy()
    field = point.state.common[model.at.field]
    sd[model.at.field] = max(1.2 * float(np.sqrt(np.mean(field[2:] ** 2))), FIELD_FLOOR)
    own = point.state.own.reshape(model.rods, -1, LOCALS)
    if own.shape[1] > 1:
        scatter = np.sqrt(np.mean(own[:, :, [RADIUS, ANGLE]].var(axis=1, ddof=1), axis=0))
        first = np.array([RADIUS_SD, ANGLE_SD])
        own_sd[[RADIUS, ANGLE]] = np.clip(scatter, 0.4 * first, 1.35 * first)
    return replace(prior, sd=sd, own_sd=own_sd)


def along_valley(model: HeadModel, state: State, one_sided: Array) -> State:
    """Set rod harmonic 1 to `one_sided` (2,) and move the taps so that the sound stays the same to first order."""
    change = one_sided - state.common[:2]
    common, own = state.common.copy(), state.own + valley(model) @ change
    common[:2] = one_sided
    return State(common, own, state.gain)


@dataclass(frozen=True, slots=True)
class Belief:
    """What one hypothesis about the rim makes of the take: point, covariance of all common unknowns, log evidence."""

    model: HeadModel
    point: Point
    common_covariance: Array
    log_evidence: float

    @property
    def covariance(self) -> Array:
        """Covariance of the tension field's harmonics, shape (Q, Q)."""
        at = self.model.at.field
        return self.common_covariance[at, at]


def believe(model: HeadModel, take: Take, point: Point, *, slides: bool) -> Belief:
    """Finish the fit under one hypothesis, with the weights and the prior of `point`."""
    sd = point.prior.sd.copy()
    sd[:2] = ONE_SIDED_SLIDING if slides else ONE_SIDED * sd[2]
    prior = replace(point.prior, sd=sd)
    start = along_valley(model, point.state, np.zeros(2)) if slides else point.state
    state, cost = descend(model, start, point.grid, point.data, prior, most=FINAL_STEPS, damping=1e-6, tolerance=2e-4)
    change = step(assemble(model, state, point.grid, point.data, prior), 0.0, valley(model))
    covariance = np.linalg.inv(change.reduced)[: model.at.size, : model.at.size]
    volume = 2.0 * float(np.sum(np.log(sd)))
    found = replace(point, state=state, prior=prior, cost=cost)
    return Belief(model, found, covariance, -0.5 * (cost + change.log_determinant + volume))


def infer(
    drum: HeadSetup, take: Take, start: Start, schedule: tuple[Stage, ...] = SCHEDULE,
    progress: Callable[[float], None] = lambda share: None,
) -> tuple[Belief, Belief]:  # fmt: skip
    """Held and sliding rim: what each makes of the take."""
    model = drum.model(BETWEEN)
    prior = first_prior(model, start)
    state = first_state(model, prior, start)
    take, state = in_units(model, take, state)
    seen = 0
    for stage in schedule:
        point = run_stage(model, take, state, prior, stage, seen)
        state, seen = point.state, stage.bands
        progress(0.15 * (1 + schedule.index(stage)))
    for _ in range(2):
        point = reweighted(model, take, point, stage)
        state, cost = descend(model, point.state, point.grid, point.data, prior, most=5, damping=1e-5)
        point = replace(point, state=state, cost=cost)
    point = replace(reweighted(model, take, point, stage), prior=refined_prior(model, point))
    held = believe(drum.model(0.0), take, point, slides=False)
    return held, believe(drum.model(1.0), take, held.point, slides=True)


def in_units(model: HeadModel, take: Take, state: State) -> tuple[Take, State]:
    """The take scaled so that the low bands of its spectra are about one, and each tap's strength set from them."""
    frequency, band = bins(family_frequencies(model, state.common), SCHEDULE[0].bands, SCHEDULE[0].spacing)
    _, data = observe(model, take, state, frequency, band, SCHEDULE[0].window)
    strength = 0.5 * np.log(np.mean(np.abs(data.spectra) ** 2, axis=1))
    taps = replace(take.taps, samples=take.taps.samples * np.exp(-strength.mean()))
    own = state.own.copy()
    own[:, STRENGTH] = strength - strength.mean()
    return replace(take, taps=taps), replace(state, own=own)


def pulls_of(belief: Belief) -> tuple[Array, Array]:
    """Pulls of the rods (N,) and their covariance (N, N), cents and cents squared, under one hypothesis."""
    rods, field = belief.model.rods, belief.point.state.common[belief.model.at.field]
    tension = rod_tensions(field, rods)
    slope = 600.0 / np.log(2.0) * rod_patterns(rods) / tension[:, None]
    return tension_cents(tension, 1.0), slope @ belief.covariance @ slope.T


def mixed_pulls(beliefs: tuple[Belief, Belief]) -> tuple[Array, Array, float]:
    """Pulls and covariance over both hypotheses, and the probability that the rim holds the film."""
    held, sliding = beliefs
    odds = np.clip(held.log_evidence - sliding.log_evidence, -50.0, 50.0)
    holds = float(1.0 / (1.0 + np.exp(-odds)))
    (a, cov_a), (b, cov_b) = pulls_of(held), pulls_of(sliding)
    apart = a - b
    mean = holds * a + (1.0 - holds) * b
    covariance = holds * cov_a + (1.0 - holds) * cov_b + holds * (1.0 - holds) * np.outer(apart, apart)
    return mean, covariance, holds


def chosen(beliefs: tuple[Belief, Belief]) -> Belief:
    """The hypothesis with more evidence."""
    return max(beliefs, key=lambda belief: belief.log_evidence)


def quality(beliefs: tuple[Belief, Belief]) -> float:
    """0 perfectly explained ... 1 as badly as a reading may be ... more: not to be trusted.

    The larger of: typical misfit of the bands of (1,1) to (1,2) against 2 %, and scatter of the taps against what
    careful hands do.
    """
    best = chosen(beliefs)
    _, left = misfits(best.model, best.point)
    own = best.point.state.own
    misfit = float(np.median(np.median(left, axis=0)[1:5])) / 0.02
    return max(misfit, float(own[:, RADIUS].std()) / (2.0 * RADIUS_SD), float(own[:, ANGLE].std()) / (2.0 * ANGLE_SD))
