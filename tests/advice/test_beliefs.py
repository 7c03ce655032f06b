"""Beliefs about the rim put on a made fit and taken off again: products and mixtures of Gaussians in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import chi2, multivariate_normal

from drumtune.advice.inversion import beliefs
from drumtune.advice.inversion.beliefs import (
    CAUTION,
    FIELD_WEIGHT,
    HOLDING,
    ONE_SIDED_SLIDING,
    SPREADS,
    Fit,
    believing,
    held_spreads,
    mixed,
    one_sided_alone,
    pulls_of,
)
from drumtune.advice.inversion.layout import FAMILIES, LOCALS, global_slices
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


def fit_with(families, left, splits=0.5):
    """A fit whose families lie so far from the even head's (relative), whose bands leave so much and pairs split so."""
    at = global_slices(RODS)
    common = np.zeros(at.size)
    common[at.offset], common[at.tilt] = families, 4e-4 * splits
    problem = SimpleNamespace(
        model=SimpleNamespace(at=at, rods=RODS),
        grid=SimpleNamespace(bands=7),
        prior=SimpleNamespace(sd=np.full(at.size, 4e-4)),
    )
    state = SimpleNamespace(common=common, own=np.zeros((4, LOCALS)))
    return Fit(SimpleNamespace(problem=problem, state=state, left=left), np.zeros((1, 1)))


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


def spreads():
    """Spreads of harmonic 1 that harmonics 2 and 3, three numbers, leave open: by the quantiles of chi squared."""
    freedom = 3 + FIELD_WEIGHT
    return PRIOR * np.sqrt(freedom / chi2.ppf((np.arange(SPREADS) + 0.5) / SPREADS, freedom))


def test_all_beliefs_together_are_a_mixture():
    """Odds by Bayes; mean and covariance of 400 000 draws from all, to five deviations of such a figure."""
    fit = made_fit(2.0 * MEAN, rest=(0.02, 0.0, -0.01))
    every = (*spreads(), ONE_SIDED_SLIDING)
    weight = np.append(np.full(SPREADS, HOLDING / SPREADS), 1.0 - HOLDING) * [
        multivariate_normal.pdf(2.0 * MEAN, np.zeros(2), ALONE + sd**2 * np.eye(2)) for sd in every
    ]
    weight /= weight.sum()
    both = mixed(fit)
    assert both.holds == pytest.approx(1.0 - weight[-1])
    rng, count = np.random.default_rng(1), 400_000
    parts = [pulls_of(believing(fit, sd), RODS) for sd in every]
    draws = np.concatenate([
        rng.multivariate_normal(*part, size)
        for part, size in zip(parts, rng.multinomial(count, weight), strict=True)
    ])  # fmt: skip
    sd = np.sqrt(np.diagonal(both.covariance)) / CAUTION
    assert np.max(np.abs(both.pulls - draws.mean(axis=0)) / sd) < 5.0 / np.sqrt(count)
    off = both.covariance / CAUTION**2 - np.cov(draws.T)
    assert np.max(np.abs(off) / np.outer(sd, sd)) < 5.0 * np.sqrt(2.0 / count)


@pytest.mark.parametrize("size", [0.5, 1.0, 3.0])
def test_few_spreads_do_for_all(size):
    """The evidence of a spread known from four numbers: an integral over chi squared, to a tenth of its logarithm."""
    fit = made_fit(size * MEAN)

    def density(sd):
        return multivariate_normal.pdf(size * MEAN, np.zeros(2), ALONE + sd**2 * np.eye(2))

    freedom = 3 + FIELD_WEIGHT
    whole, _ = quad(lambda q: density(PRIOR * np.sqrt(freedom / chi2.ppf(q, freedom))), 0.0, 1.0)
    assert np.log(np.mean([density(sd) for sd in held_spreads(fit)])) == pytest.approx(np.log(whole), abs=0.1)


def test_a_take_that_says_much_of_one_side_is_believed_though_the_rest_is_even():
    """One spread alone would draw it back by half."""
    fit = made_fit(5.0 * MEAN)
    told = first_harmonic(pulls_of(fit, RODS)[0])
    assert np.linalg.norm(first_harmonic(mixed(fit).pulls)) > 1.2 * np.linalg.norm(told)


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
    ({SCHEDULE: (USUAL, 0.006, 1.3), GENTLER: (USUAL, 0.004, 1.9)}, [SCHEDULE, GENTLER], SCHEDULE),
])  # fmt: skip
def test_a_fit_that_explains_badly_or_has_a_family_on_another_line_is_made_again(monkeypatch, fits, asked, chosen):
    """The families of a head lie within a few per cent of the even head's; (0,n) are moved by a finger or a head."""
    made = {way: fit_with(families, np.full((4, 7), left), *splits) for way, (families, left, *splits) in fits.items()}
    seen = []

    def inferred(setup, take, start, way, progress):
        seen.append(way)
        return made[way]

    monkeypatch.setattr(beliefs, "inferred", inferred)
    monkeypatch.setattr(beliefs, "misfits", lambda point: point.left)
    assert beliefs.infer(None, None, None) is made[chosen]
    assert seen == asked
