"""Two beliefs about the rim, and what both together say of the rods.

Either the rim holds the film along itself, or the film slides on it; a sliding rim carries no one-sided tension (its
shear would have to balance it). One fit serves both: they differ in the prior of harmonic 1, which the sound hardly
tells from the places of the taps, so that it can be exchanged afterwards. How large harmonic 1 may be where the rim
holds is known from the other harmonics, and from few of them not well: a spread larger or smaller than theirs is a
belief of its own. Each counts by its evidence. docs/inference.md, "One side tight".
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, softmax

from drumtune.advice.inversion.layout import ANGLE, FAMILIES, RADIUS, in_use
from drumtune.advice.inversion.model import HeadModel
from drumtune.advice.inversion.observing import Stage, Take
from drumtune.advice.inversion.solve import Pace, Point, Prior, assemble, descend, step, valley
from drumtune.advice.inversion.stages import GENTLER, LOWER, SCHEDULE, in_units, misfits, reweighted, run_stage
from drumtune.advice.inversion.start import ANGLE_SD, RADIUS_SD, HeadSetup, Start, first_prior, first_state
from drumtune.notes import tension_cents
from drumtune.physics.stress import rod_patterns, rod_tensions

Array = NDArray[np.float64]
BETWEEN = 0.25
"""Rim between holding (0) and sliding (1), for the stages before the two are told apart."""
FIELD_USUAL, FIELD_WEIGHT = 0.02, 1.0
"""Usual spread of a rod harmonic, and how many harmonics of a take it counts as."""
ASTRAY = 0.04
"""Distance of a family from where the others have it, relative, from which on it is another one's line."""
ONE_SIDED = 0.85
"""Spread of harmonic 1 against that of the others where the rim holds."""
ONE_SIDED_SLIDING = 0.003
"""Spread of harmonic 1 where the film slides: what friction and the hoop's bending between rods leave of it."""
LEAST_SAID = 0.02
"""Least information of a take on harmonic 1, as a share of the prior's."""
SPREADS = 9
"""Spreads of harmonic 1 that stand for all it may have where the rim holds."""
HOLDING = 0.6
"""Share of rims that hold, before a take has been heard (our own estimate)."""
PRIOR_TAPS = 6.0
"""Weight of the prior scatter of the taps against what a take shows, in taps."""
CAUTION = 1.3
"""Stated deviations are this much larger than the posterior's: on fresh simulated takes those came out too small."""
SECOND_LOOK = 0.6
"""Quality from which a take is fitted again in gentler stages, and the better fit counts."""
MISFIT = 0.02
"""Typical misfit of the low bands at which a reading is no longer vouched for."""
OWN_SPLITS = 2.0
"""The same for the pairs' splits that the tension does not explain, in what they usually are."""
_FINISH = Pace(40, damping=1e-5, tolerance=3e-4)
_AT_REST = 0.02
"""Share of the cost that a descent begun anew gains at most where the first one has come to rest."""
_REFINE = Pace(10, damping=1e-5, tolerance=0.005)


@dataclass(frozen=True, slots=True)
class Fit:
    """The take explained by a head whose rim holds the film: where the fit rests, covariance of the common unknowns."""

    point: Point
    common_covariance: Array

    @property
    def model(self) -> HeadModel:
        """The head's model."""
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


def infer(setup: HeadSetup, take: Take, start: Start, progress: Callable[[float], None] = lambda share: None) -> Fit:
    """What the take says of a head whose rim holds the film.

    Where it is explained badly, or a family has found another one's line, in gentler stages too; and where that does
    not bring the family back, without the highest bands.
    """
    fit = inferred(setup, take, start, SCHEDULE, progress)
    if quality(fit) > SECOND_LOOK or astray(fit):
        fit = min(fit, inferred(setup, take, start, GENTLER, _silent), key=_doubt)
    if astray(fit):
        fit = min(fit, inferred(setup, take, start, LOWER, _silent), key=_doubt)
    return fit


def _silent(_: float) -> None:
    """Progress of what comes in addition is not told."""


def _doubt(fit: Fit) -> tuple[bool, float]:
    """What makes one fit of a take better than another, least first."""
    return astray(fit), quality(fit)


def astray(fit: Fit) -> bool:
    """Whether a family lies far from where the others have it: it is on another one's line.

    Of those with nodal diameters alone: a finger in the middle, or the other head, moves the rest by as much.
    """
    offset = fit.point.state.common[fit.model.at.offset][[m > 0 for m, _ in FAMILIES]]
    return bool(np.abs(offset - np.median(offset)).max() > ASTRAY)


def inferred(
    setup: HeadSetup, take: Take, start: Start, schedule: tuple[Stage, ...], progress: Callable[[float], None]
) -> Fit:
    """The same by one schedule."""
    model = setup.model(BETWEEN)
    prior = first_prior(model, start)
    take, state = in_units(model, take, first_state(model, prior, start))
    seen = 0
    for done, stage in enumerate(schedule, start=1):
        point = run_stage(model, take, state, prior, stage, seen)
        state, seen = point.state, stage.bands
        progress(0.75 * done / len(schedule))
    point = _holding(setup.model(0.0), _refined(take, point, stage))
    progress(0.9)
    point = _to_rest(point)
    progress(1.0)
    return _fit(point)


def _to_rest(point: Point) -> Point:
    """The end of the descent; in a narrow bent valley it stops on the way, and is begun anew, with little damping."""
    before, point = np.inf, descend(point, _FINISH)
    while (cost := point.cost) < (1.0 - _AT_REST) * before:
        before, point = cost, descend(point, _FINISH)
    return point


def _refined(take: Take, point: Point, stage: Stage) -> Point:
    """Weights from the misfits, before and after a descent with them; then the priors from the take itself."""
    point = descend(reweighted(take, point, stage.window), _REFINE)
    point = reweighted(take, point, stage.window)
    return replace(point, problem=replace(point.problem, prior=refined_prior(point)))


def refined_prior(point: Point) -> Prior:
    """Empirical Bayes: spread of the tension from its harmonics, scatter of the taps from the taps."""
    problem, state = point.problem, point.state
    sd, own_sd = problem.prior.sd.copy(), problem.prior.own_sd.copy()
    at = problem.model.at.field
    found = state.common[at][2:]
    sd[at] = 1.2 * np.sqrt((np.sum(found**2) + FIELD_WEIGHT * FIELD_USUAL**2) / (found.size + FIELD_WEIGHT))
    own_sd[[RADIUS, ANGLE]] = scatter(point)
    return replace(problem.prior, sd=sd, own_sd=own_sd)


def scatter(point: Point) -> Array:
    """Scatter of the taps in radius and angle, less what one-sided tension imitates; drawn to the prior.

    What the take leaves open about each tap counts too (one step of expectation and maximisation): a radius is hardly
    to be told from a strength, and its estimate alone would look too good.
    """
    first, angles = np.array([RADIUS_SD, ANGLE_SD]), point.problem.model.angles
    pattern = np.stack([np.ones(angles.size), np.cos(angles), np.sin(angles)], axis=1)
    own = point.state.own[:, [RADIUS, ANGLE]]
    rest = own - pattern @ np.linalg.lstsq(pattern, own, rcond=None)[0]
    opened = np.linalg.inv(assemble(point).own)[:, [RADIUS, ANGLE], [RADIUS, ANGLE]].sum(axis=0)
    free = angles.size - pattern.shape[1]
    variance = (np.sum(rest**2, axis=0) + opened * free / angles.size + PRIOR_TAPS * first**2) / (free + PRIOR_TAPS)
    found: Array = np.clip(np.sqrt(variance), 0.4 * first, 1.6 * first)
    return found


def _holding(model: HeadModel, point: Point) -> Point:
    """The point under the belief that the rim holds."""
    prior = point.problem.prior
    sd = prior.sd.copy()
    sd[:2] = ONE_SIDED * sd[2]
    return Point.at(replace(point.problem, model=model, prior=replace(prior, sd=sd)), point.state)


def _fit(point: Point) -> Fit:
    """The point with its covariance."""
    change = step(assemble(point), 0.0, valley(point.problem.model))
    places = change.free.common
    covariance = np.diag(point.problem.prior.sd**2)
    covariance[np.ix_(places, places)] = np.linalg.inv(change.reduced)[: places.size, : places.size]
    return Fit(point, covariance)


def one_sided_alone(fit: Fit) -> tuple[Array, Array]:
    """Harmonic 1 as the take alone has it, no belief counted: mean (2,) and covariance (2, 2).

    With mean m and covariance V of harmonic 1 in the fit and P that of its prior, the take alone has the information
    1/V - 1/P and the mean that, so weighed, gives m.
    """
    variance = fit.point.problem.prior.sd[fit.model.at.field][:2] ** 2
    inside = fit.covariance[:2, :2]
    size, axes = np.linalg.eigh(np.linalg.inv(inside) - np.diag(1.0 / variance))
    alone = (axes / np.maximum(size, LEAST_SAID / variance.max())) @ axes.T
    return alone @ np.linalg.solve(inside, fit.field[:2]), np.asarray(0.5 * (alone + alone.T), np.float64)


@dataclass(frozen=True, slots=True)
class Belief:
    """What one belief about harmonic 1 makes of a fit: rod harmonics (Q,), covariance (Q, Q), log evidence."""

    field: Array
    covariance: Array
    log_evidence: float


def believing(fit: Fit, sd: float) -> Belief:
    """The fit under a spread `sd` of harmonic 1: in closed form, since all the rest follows it linearly."""
    mean, alone = one_sided_alone(fit)
    total = alone + sd**2 * np.eye(2)
    share = sd**2 * np.linalg.inv(total)
    one_sided, spread = share @ mean, sd**2 * (np.eye(2) - share)
    inside = fit.covariance[:2, :2]
    follow = fit.covariance[:, :2] @ np.linalg.inv(inside)
    field = fit.field + follow @ (one_sided - fit.field[:2])
    covariance = fit.covariance + follow @ (spread - inside) @ follow.T
    evidence = -0.5 * float(np.linalg.slogdet(total)[1] + mean @ np.linalg.solve(total, mean))
    return Belief(field, covariance, evidence)


def pulls_of(belief: Belief | Fit, rods: int) -> tuple[Array, Array]:
    """Pulls of the rods (N,) and their covariance (N, N), cents and cents squared."""
    slope = pull_slopes(belief.field, rods)
    return tension_cents(_tensions(belief.field, rods), 1.0), slope @ belief.covariance @ slope.T


def pull_slopes(field: Array, rods: int) -> Array:
    """Slopes of the pulls of the rods by the rod harmonics, cents, shape (N, Q)."""
    slopes: Array = 600.0 / np.log(2.0) * rod_patterns(rods) / _tensions(field, rods)[:, None]
    return slopes


def _tensions(field: Array, rods: int) -> Array:
    """Relative tension at the rods, (N,), with what is left where a rod would push."""
    return np.maximum(rod_tensions(field, rods), 0.05)


@dataclass(frozen=True, slots=True)
class Mixed:
    """Both beliefs together: pulls (N,), covariance (N, N), rod harmonics (Q,), probability that the rim holds."""

    pulls: Array
    covariance: Array
    field: Array
    holds: float


def held_spreads(fit: Fit) -> Array:
    """Spreads of harmonic 1 where the rim holds, equally likely, shape (SPREADS,): together Student's distribution.

    A spread s taken from n harmonics is known as s sqrt(n / chi squared of n degrees of freedom).
    """
    n = fit.field.size - 2 + FIELD_WEIGHT
    share = (np.arange(SPREADS) + 0.5) / SPREADS
    spreads: Array = fit.point.problem.prior.sd[0] * np.sqrt(n / (2.0 * gammaincinv(0.5 * n, share)))
    return spreads


def mixed(fit: Fit) -> Mixed:
    """The rods under all beliefs, each weighed by its evidence."""
    beliefs = [believing(fit, float(sd)) for sd in (*held_spreads(fit), ONE_SIDED_SLIDING)]
    before = np.append(np.full(SPREADS, HOLDING / SPREADS), 1.0 - HOLDING)
    weight = softmax(np.log(before) + [belief.log_evidence for belief in beliefs])
    each = [pulls_of(belief, fit.model.rods) for belief in beliefs]
    pulls = weight @ [mean for mean, _ in each]
    off = np.array([mean for mean, _ in each]) - pulls
    covariance = np.tensordot(weight, [spread for _, spread in each], 1) + (weight * off.T) @ off
    field = weight @ [belief.field for belief in beliefs]
    return Mixed(pulls, CAUTION**2 * covariance, field, float(1.0 - weight[-1]))


def quality(fit: Fit) -> float:
    """0 perfectly explained ... 1 as badly as a reading may be ... more: not to be trusted.

    The largest of: typical misfit of the bands of (1,1) to (1,2) against MISFIT, scatter of the taps against twice
    what hands do, and the pairs' own splits against OWN_SPLITS: in a wrong valley they take up what the tension does
    not explain.
    """
    left, own = misfits(fit.point), fit.point.state.own
    misfit = float(np.median(np.median(left, axis=0)[1:5])) / MISFIT
    scattered = float(own[:, RADIUS].std()) / RADIUS_SD, float(own[:, ANGLE].std()) / ANGLE_SD
    return max(misfit, 0.5 * max(scattered), own_splits(fit) / OWN_SPLITS)


def own_splits(fit: Fit) -> float:
    """Splits of the pairs that the tension does not explain: root mean square, in what they usually are."""
    problem, at = fit.point.problem, fit.model.at.tilt
    seen = in_use(fit.model.rods, problem.grid.bands)[0][at]
    return float(np.sqrt(np.mean((fit.point.state.common[at] / problem.prior.sd[at])[seen] ** 2)))
