"""Beliefs about the rim put on a made fit and taken off again: products and mixtures of Gaussians in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from drumtune.advice.inversion import beliefs
from drumtune.advice.inversion.beliefs import (
    CAUTION,
    HOLDING,
    ONE_SIDED_SLIDING,
    Fit,
    believing,
    mixed,
    one_sided_alone,
    pulls_of,
)
from drumtune.advice.inversion.layout import FAMILIES, LOCALS
from drumtune.advice.inversion.stages import GENTLER, LOWER, SCHEDULE
from drumtune.advice.inversion.tilt import tilt_of

RODS = 6
CENTS = 600.0 / np.log(2.0)
"""Cents of pitch per relative tension, to first order."""
PRIOR = 0.02
ALONE = np.array([[3e-4, 1e-4], [1e-4, 5e-4]])
"""Covariance of harmonic 1 as the take alone has it, in relative tension squared: it knows as little as the prior."""
MEAN = np.array([0.012, -0.02])


def made_fit(mean=MEAN, rest=(0.0, 0.0, 0.0)):
    """A fit that rests where a take saying `mean` within `ALONE` and the prior leave harmonic 1; `rest` from 2 on.

    Harmonic 2 goes a little with harmonic 1.
    """
    inside = np.linalg.inv(np.linalg.inv(ALONE) + np.eye(2) / PRIOR**2)
    follow = np.vstack([np.eye(2), [[0.3, 0.0], [0.0, -0.2], [0.0, 0.0]]])
    covariance = follow @ inside @ follow.T + np.diag([0.0, 0.0, 4e-6, 4e-6, 4e-6])
    field = np.concatenate([inside @ np.linalg.solve(ALONE, mean), rest])
    model = SimpleNamespace(rods=RODS, at=SimpleNamespace(field=slice(0, RODS - 1)))
    problem = SimpleNamespace(model=model, prior=SimpleNamespace(sd=np.full(RODS - 1, PRIOR)))
    return Fit(SimpleNamespace(problem=problem, state=SimpleNamespace(common=field)), covariance)


def fit_with(families, left):
    """A fit whose families lie so far from the even head's (relative) and whose bands leave so much."""
    model = SimpleNamespace(at=SimpleNamespace(offset=slice(0, len(families))))
    state = SimpleNamespace(common=np.array(families), own=np.zeros((4, LOCALS)))
    return Fit(SimpleNamespace(problem=SimpleNamespace(model=model), state=state, left=left), np.zeros((1, 1)))


def first_harmonic(cents):
    """Amplitudes of cos theta and sin theta over the rods."""
    angles = 2.0 * np.pi * np.arange(RODS) / RODS
    return 2.0 / RODS * np.array([np.cos(angles), np.sin(angles)]) @ cents


def test_a_take_alone_is_the_fit_without_its_prior():
    mean, alone = one_sided_alone(made_fit())
    assert mean == pytest.approx(MEAN)
    assert alone == pytest.approx(ALONE)


def test_the_prior_taken_out_and_put_back_leaves_the_fit():
    fit = made_fit(rest=(0.01, -0.02, 0.005))
    again = believing(fit, PRIOR)
    assert again.field == pytest.approx(fit.field)
    assert again.covariance == pytest.approx(fit.covariance)


def test_the_tilt_and_the_prior_together_are_the_held_belief():
    """Product of two Gaussians, to first order, which in pulls of a few cents is nearly all."""
    fit = made_fit(0.2 * MEAN)
    tilt = tilt_of(fit)
    take, prior = np.linalg.inv(tilt.covariance / CAUTION**2), np.eye(2) / (CENTS * PRIOR) ** 2
    product = np.linalg.solve(take + prior, take @ tilt.cents)
    held = first_harmonic(pulls_of(believing(fit, PRIOR), RODS)[0])
    assert product == pytest.approx(held, rel=1e-3)
    assert tilt.cents == pytest.approx(0.2 * CENTS * MEAN, rel=1e-3)


@pytest.mark.parametrize("sd", [ONE_SIDED_SLIDING, 0.02, 0.1])
def test_evidence_is_the_density_of_what_the_take_says(sd):
    """Under a spread sd the mean of the take alone is normal with its own covariance and sd^2; log 2 pi is left out."""
    density = multivariate_normal.logpdf(MEAN, np.zeros(2), ALONE + sd**2 * np.eye(2))
    assert believing(made_fit(), sd).log_evidence == pytest.approx(density + np.log(2.0 * np.pi))


def test_both_beliefs_together_are_a_mixture():
    """Odds by Bayes; mean and covariance of 400 000 draws from both, to five deviations of such a figure."""
    fit = made_fit(2.0 * MEAN, rest=(0.02, 0.0, -0.01))
    weight = np.array([HOLDING, 1.0 - HOLDING]) * [
        multivariate_normal.pdf(2.0 * MEAN, np.zeros(2), ALONE + sd**2 * np.eye(2)) for sd in (PRIOR, ONE_SIDED_SLIDING)
    ]
    weight /= weight.sum()
    both = mixed(fit)
    assert both.holds == pytest.approx(weight[0])
    rng, count = np.random.default_rng(1), 400_000
    parts = [pulls_of(believing(fit, sd), RODS) for sd in (PRIOR, ONE_SIDED_SLIDING)]
    sizes = rng.binomial(count, weight[0])
    draws = np.concatenate(
        [rng.multivariate_normal(*part, size) for part, size in zip(parts, (sizes, count - sizes), strict=True)]
    )
    sd = np.sqrt(np.diagonal(both.covariance)) / CAUTION
    assert np.max(np.abs(both.pulls - draws.mean(axis=0)) / sd) < 5.0 / np.sqrt(count)
    off = both.covariance / CAUTION**2 - np.cov(draws.T)
    assert np.max(np.abs(off) / np.outer(sd, sd)) < 5.0 * np.sqrt(2.0 / count)


USUAL = np.linspace(-0.01, 0.01, len(FAMILIES))


def off(family, by):
    """Families of which one lies off by so much."""
    return USUAL + by * np.array([one == family for one in FAMILIES])


@pytest.mark.parametrize(("fits", "asked", "chosen"), [
    ({SCHEDULE: (USUAL, 0.002)}, [SCHEDULE], SCHEDULE),
    ({SCHEDULE: (off((0, 2), 0.2), 0.002)}, [SCHEDULE], SCHEDULE),
    ({SCHEDULE: (USUAL, 0.015), GENTLER: (USUAL, 0.013)}, [SCHEDULE, GENTLER], GENTLER),
    ({SCHEDULE: (USUAL, 0.015), GENTLER: (USUAL, 0.017)}, [SCHEDULE, GENTLER], SCHEDULE),
    ({SCHEDULE: (USUAL, 0.015), GENTLER: (USUAL, 0.015)}, [SCHEDULE, GENTLER], SCHEDULE),
    ({SCHEDULE: (off((5, 1), 0.18), 0.008), GENTLER: (USUAL, 0.009)}, [SCHEDULE, GENTLER], GENTLER),
    ({SCHEDULE: (USUAL, 0.015), GENTLER: (off((5, 1), 0.18), 0.001)}, [SCHEDULE, GENTLER], SCHEDULE),
    ({SCHEDULE: (off((5, 1), 0.18), 0.008), GENTLER: (off((4, 1), -0.06), 0.007), LOWER: (USUAL, 0.01)},
     [SCHEDULE, GENTLER, LOWER], LOWER),
])  # fmt: skip
def test_a_fit_that_explains_badly_or_has_a_family_on_another_line_is_made_again(monkeypatch, fits, asked, chosen):
    """The families of a head lie within a few per cent of the even head's; (0,n) are moved by a finger or a head."""
    made = {way: fit_with(families, np.full((4, 7), left)) for way, (families, left) in fits.items()}
    seen = []

    def inferred(setup, take, start, way, progress):
        seen.append(way)
        return made[way]

    monkeypatch.setattr(beliefs, "inferred", inferred)
    monkeypatch.setattr(beliefs, "misfits", lambda point: point.left)
    assert beliefs.infer(None, None, None) is made[chosen]
    assert seen == asked
