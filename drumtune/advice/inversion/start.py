"""Where the fit begins: priors of every unknown, the first state, and the bins each stage looks at."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.layout import (
    ANGLE,
    BANDS,
    CONTACT,
    DELAY,
    FAMILIES,
    LOCALS,
    RADIUS,
    RESIDUAL,
    SHAPE,
    STRENGTH,
    modes,
)
from drumtune.advice.inversion.model import HeadModel, State
from drumtune.advice.inversion.solve import Prior

Array = NDArray[np.float64]
FIELD_SD = 0.05
"""First guess of a rod harmonic of relative tension; later taken from the harmonics found."""
RADIUS_SD, ANGLE_SD = 0.025, 0.055
"""Where a tap lands against where it should: relative radius, and radians (by hand; refined from the take)."""
REACH_SD = 0.012
"""How far all taps together may lie off their distance, relative to the radius. The sound hardly tells it: an error of
three times as much does the pulls no harm, but a reach left free explains what the model does not know."""


@dataclass(frozen=True, slots=True)
class HeadSetup:
    """Rods, angle of each tap's rod (S,) and nominal tap radius (share of the head's)."""

    rods: int
    angles: Array
    tap_radius: float

    def model(self, slide: float) -> HeadModel:
        """The model with a rim that holds (0) ... lets slide (1) the film."""
        return HeadModel.build(self.rods, self.angles, self.tap_radius, slide)


@dataclass(frozen=True, slots=True)
class Start:
    """Where the fit begins: frequency of each family (F,) in Hz, air parameter 2 rho a / sigma."""

    families: Array
    air: float


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
    sd[at.glide], sd[at.reach] = 0.01, REACH_SD
    own_mean, own_sd = np.zeros(LOCALS), np.ones(LOCALS)
    own_mean[CONTACT] = 1.8
    own_sd[[STRENGTH, DELAY, CONTACT, RADIUS, ANGLE]] = (1.5, 1.0, 0.5, RADIUS_SD, ANGLE_SD)
    own_sd[SHAPE] = 0.003 * table.mode_zero / table.zero[1]
    own_sd[RESIDUAL] = 0.015
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
