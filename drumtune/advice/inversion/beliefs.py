"""Two beliefs about the rim, and what both together say of the rods.

Either the rim holds the film along itself, or the film slides on it; a sliding rim carries no one-sided tension (its
shear would have to balance it). Both are fitted with the same weights, and each counts by its evidence.
docs/inference.md, "One side tight".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import ANGLE, RADIUS
from drumtune.advice.inversion.model import HeadModel, State
from drumtune.advice.inversion.solve import Pace, Prior, Problem, assemble, descend, step, valley
from drumtune.advice.inversion.stages import SCHEDULE, Point, Stage, Take, in_units, misfits, reweighted, run_stage
from drumtune.advice.inversion.start import ANGLE_SD, RADIUS_SD, HeadSetup, Start, first_prior, first_state
from drumtune.notes import tension_cents
from drumtune.physics.stress import rod_patterns, rod_tensions

Array = NDArray[np.float64]
BETWEEN = 0.25
"""Rim between holding (0) and sliding (1), for the stages before the two are told apart."""
FIELD_USUAL, FIELD_WEIGHT = 0.02, 1.0
"""Usual spread of a rod harmonic, and how many harmonics of a take it counts as."""
ONE_SIDED = 0.85
"""Spread of harmonic 1 against that of the others where the rim holds."""
ONE_SIDED_SLIDING = 0.003
"""Spread of harmonic 1 where the film slides: what friction and the hoop's bending between rods leave of it."""
HOLDING = 0.6
"""Share of rims that hold, before a take has been heard (our own estimate)."""
PRIOR_TAPS = 6.0
"""Weight of the prior scatter of the taps against what a take shows, in taps."""
CAUTION = 1.3
"""Stated deviations are this much larger than the posterior's: on fresh simulated takes those came out too small."""
MISFIT = 0.02
"""Typical misfit of the low bands at which a reading is no longer vouched for."""
_FINISH = Pace(10, damping=1e-6, tolerance=3e-4)
_REFINE = Pace(5, damping=1e-6, tolerance=0.02)


@dataclass(frozen=True, slots=True)
class Belief:
    """What one belief makes of the take: point, covariance of all common unknowns, log evidence."""

    point: Point
    common_covariance: Array
    log_evidence: float

    @property
    def model(self) -> HeadModel:
        """The head's model under this belief."""
        return self.point.problem.model

    @property
    def field(self) -> Array:
        """Rod harmonics of the relative tension, shape (Q,)."""
        return self.point.state.common[self.model.at.field]

    @property
    def covariance(self) -> Array:
        """Covariance of the rod harmonics, shape (Q, Q)."""
        at = self.model.at.field
        return self.common_covariance[at, at]


def infer(
    setup: HeadSetup, take: Take, start: Start, progress: Callable[[float], None] = lambda share: None
) -> tuple[Belief, Belief]:
    """Held and sliding rim: what each makes of the take."""
    model = setup.model(BETWEEN)
    prior = first_prior(model, start)
    take, state = in_units(model, take, first_state(model, prior, start))
    seen = 0
    for done, stage in enumerate(SCHEDULE, start=1):
        point = run_stage(model, take, state, prior, stage, seen)
        state, seen = point.state, stage.bands
        progress(0.15 * done)
    point = _refined(take, point, stage)
    progress(0.8)
    held = _finished(_under(setup.model(0.0), point, slides=False))
    sliding = _finished(_under(setup.model(1.0), held, slides=True))
    if sliding.cost < held.cost:
        held = min(held, _finished(_under(setup.model(0.0), sliding, slides=False)), key=lambda each: each.cost)
    progress(1.0)
    return _belief(held), _belief(sliding)


def _refined(take: Take, point: Point, stage: Stage) -> Point:
    """Weights from the misfits, twice; then the priors from the take itself."""
    for _ in range(2):
        point = reweighted(take, point, stage.window)
        found = descend(point.problem, point.state, _REFINE)
        point = replace(point, state=found.state, cost=found.cost)
    point = reweighted(take, point, stage.window)
    return replace(point, problem=replace(point.problem, prior=refined_prior(point)))


def refined_prior(point: Point) -> Prior:
    """Empirical Bayes: spread of the tension from its harmonics, scatter of the taps from the taps."""
    problem, state = point.problem, point.state
    sd, own_sd = problem.prior.sd.copy(), problem.prior.own_sd.copy()
    at = problem.model.at.field
    found = state.common[at][2:]
    sd[at] = 1.2 * np.sqrt((np.sum(found**2) + FIELD_WEIGHT * FIELD_USUAL**2) / (found.size + FIELD_WEIGHT))
    own_sd[[RADIUS, ANGLE]] = scatter(problem, state)
    return replace(problem.prior, sd=sd, own_sd=own_sd)


def scatter(problem: Problem, state: State) -> Array:
    """Scatter of the taps in radius and angle, less what one-sided tension imitates; drawn to the prior.

    What the take leaves open about each tap counts too (one step of expectation and maximisation): a radius is hardly
    to be told from a strength, and its estimate alone would look too good.
    """
    first, angles = np.array([RADIUS_SD, ANGLE_SD]), problem.model.angles
    pattern = np.stack([np.ones(angles.size), np.cos(angles), np.sin(angles)], axis=1)
    own = state.own[:, [RADIUS, ANGLE]]
    rest = own - pattern @ np.linalg.lstsq(pattern, own, rcond=None)[0]
    opened = np.linalg.inv(assemble(problem, state).own)[:, [RADIUS, ANGLE], [RADIUS, ANGLE]].sum(axis=0)
    free = angles.size - pattern.shape[1]
    variance = (np.sum(rest**2, axis=0) + opened * free / angles.size + PRIOR_TAPS * first**2) / (free + PRIOR_TAPS)
    found: Array = np.clip(np.sqrt(variance), 0.4 * first, 1.6 * first)
    return found


def _under(model: HeadModel, point: Point, *, slides: bool) -> Point:
    """The point under another belief, harmonic 1 carried over along its valley."""
    prior = point.problem.prior
    sd = prior.sd.copy()
    sd[:2] = ONE_SIDED_SLIDING if slides else ONE_SIDED * sd[2]
    state = along_valley(model, point.state, np.zeros(2)) if slides else point.state
    return Point(replace(point.problem, model=model, prior=replace(prior, sd=sd)), state)


def along_valley(model: HeadModel, state: State, one_sided: Array) -> State:
    """Set rod harmonic 1 to `one_sided` (2,) and move the taps so that the sound stays the same to first order."""
    common, own = state.common.copy(), state.own + valley(model) @ (one_sided - state.common[:2])
    common[:2] = one_sided
    return State(common, own, state.gain)


def _finished(point: Point) -> Point:
    """The point brought to rest."""
    found = descend(point.problem, point.state, _FINISH)
    return replace(point, state=found.state, cost=found.cost)


def _belief(point: Point) -> Belief:
    """Covariance and evidence at rest.

    The beliefs differ in the prior of harmonic 1 alone, so only its share of the volumes enters the evidence.
    """
    problem = point.problem
    change = step(assemble(problem, point.state), 0.0, valley(problem.model))
    size = problem.model.at.size
    covariance = np.asarray(np.linalg.inv(change.reduced)[:size, :size], np.float64)
    left = 0.5 * float(np.linalg.slogdet(covariance[:2, :2])[1]) - float(np.sum(np.log(problem.prior.sd[:2])))
    return Belief(point, covariance, left - 0.5 * point.cost)


def pulls_of(belief: Belief) -> tuple[Array, Array]:
    """Pulls of the rods (N,) and their covariance (N, N), cents and cents squared, under one belief."""
    rods = belief.model.rods
    tension = np.maximum(rod_tensions(belief.field, rods), 0.05)
    slope = 600.0 / np.log(2.0) * rod_patterns(rods) / tension[:, None]
    return tension_cents(tension, 1.0), slope @ belief.covariance @ slope.T


def mixed_pulls(beliefs: tuple[Belief, Belief]) -> tuple[Array, Array, float]:
    """Pulls and covariance over both beliefs, and the probability that the rim holds the film."""
    held, sliding = beliefs
    odds = np.clip(held.log_evidence - sliding.log_evidence + np.log(HOLDING / (1.0 - HOLDING)), -50.0, 50.0)
    holds = float(1.0 / (1.0 + np.exp(-odds)))
    (a, cov_a), (b, cov_b) = pulls_of(held), pulls_of(sliding)
    apart = a - b
    mean = holds * a + (1.0 - holds) * b
    covariance = holds * cov_a + (1.0 - holds) * cov_b + holds * (1.0 - holds) * np.outer(apart, apart)
    return mean, CAUTION**2 * covariance, holds


def chosen(beliefs: tuple[Belief, Belief]) -> Belief:
    """The belief with more evidence."""
    return max(beliefs, key=lambda belief: belief.log_evidence)


def quality(belief: Belief) -> float:
    """0 perfectly explained ... 1 as badly as a reading may be ... more: not to be trusted.

    The larger of: typical misfit of the bands of (1,1) to (1,2) against MISFIT, and scatter of the taps against twice
    what hands do.
    """
    left, own = misfits(belief.point), belief.point.state.own
    misfit = float(np.median(np.median(left, axis=0)[1:5])) / MISFIT
    return max(misfit, float(own[:, RADIUS].std()) / (2.0 * RADIUS_SD), float(own[:, ANGLE].std()) / (2.0 * ANGLE_SD))
