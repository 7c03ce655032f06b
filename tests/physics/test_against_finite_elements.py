"""The stress and modes of an uneven head against an independent finite-element solution (scikit-fem, fem_membrane.py).

Numbers come from another method solving the same equations, from a rate of convergence, or from the zeros of Bessel
functions (Abramowitz & Stegun, Table 9.5, as scipy.special.jn_zeros gives them).
"""

from __future__ import annotations

import fem_membrane as fem
import numpy as np
import pytest
from scipy.linalg import eigh
from scipy.special import jn_zeros

from drumtune.physics import modes, stress

REFINEMENTS = 4
"""64 edges round the rim: the twelve lowest frequencies of the even head are good to 1e-4 (tested below)."""
FREQUENCY = 3e-4
"""Share a frequency may differ: three times what the mesh itself may be off."""
SHAPE = 0.01
"""Share of its own size a band's shapes on the tap circle may differ."""
STRESS = 0.01
"""Share of the largest stress, on the finer mesh: the slope of quadratic elements is only of second order."""
FINER = 5
"""Refinements for the stresses themselves: 128 edges round the rim."""
RODS = 10
DEPTH = 0.1
"""Relative tension at the rods, peak: 83 cents."""
BANDS = ([0], [1, 2], [3, 4, 5], [6, 7], [8, 9], [10, 11])
"""Modes that only mix among themselves, by rising frequency: (0,1) | (1,1) | (2,1) (0,2) | (3,1) | (1,2) | (4,1)."""
TAP_RADIUS = 0.7
RIMS: tuple[tuple[fem.Rim, float], ...] = (("held", 0.0), ("sliding", 1.0))


def bessel_zeros(count: int) -> np.ndarray:
    zeros = [np.repeat(jn_zeros(m, 5), 1 if m == 0 else 2) for m in range(12)]
    return np.sort(np.concatenate(zeros))[:count]


def fem_displacement(pattern: np.ndarray, rim: fem.Rim, refinements: int) -> np.ndarray:
    """The film's displacement for a hoop pulled at the rods; the rim's own harmonic 1 is always held along the rim."""
    d = fem.disc(refinements)
    dense = 2 * np.pi * np.arange(720) / 720
    bent = fem.hoop_between_rods(pattern, dense)
    first = [2 * np.mean(bent * np.cos(dense)), 2 * np.mean(bent * np.sin(dense))]
    one_sided = first[0] * np.cos(d.rim_angles) + first[1] * np.sin(d.rim_angles)
    rest = fem.hoop_between_rods(pattern, d.rim_angles) - one_sided
    return d.displacement(one_sided, "held") + d.displacement(rest, rim)


def fem_field(pattern: np.ndarray, rim: fem.Rim, refinements: int = REFINEMENTS) -> np.ndarray:
    """The same, scaled so that the tension measured at the rods has the pattern's size."""
    displacement = fem_displacement(pattern, rim, refinements)
    measured = fem.disc(refinements).rod_tensions(displacement, len(pattern))
    return displacement * (pattern @ pattern) / (measured @ pattern)


def galerkin(terms: list[stress.RimTerm], sizes: list[float], count: int) -> tuple[np.ndarray, np.ndarray]:
    total = modes.even_stiffness()
    for term, size in zip(terms, sizes, strict=True):
        total = total + size * modes.stiffness((term,))
    squares, vectors = eigh(total, subset_by_index=[0, count - 1])
    return np.sqrt(squares), vectors


def shape_difference(ours: np.ndarray, theirs: np.ndarray) -> float:
    """Size of what no rotation within the band can explain, as a share; both (points, band)."""
    u, _, v = np.linalg.svd(ours.T @ theirs)
    return float(np.linalg.norm(theirs - ours @ (u @ v)) / np.linalg.norm(theirs))


def compare(
    displacement: np.ndarray, terms: list[stress.RimTerm], sizes: list[float], rods: int
) -> tuple[float, float]:
    """Largest relative frequency difference and largest shape difference over the twelve lowest modes."""
    d = fem.disc(REFINEMENTS)
    theirs, their_shapes = d.modes(d.stress(displacement), 14)
    ours, vectors = galerkin(terms, sizes, 14)
    angles = 2 * np.pi * np.arange(4 * rods) / (4 * rods)
    at_taps, _, _ = d.probe(np.full_like(angles, TAP_RADIUS), angles)
    basis_at_taps, _, _ = modes.shapes(np.full_like(angles, TAP_RADIUS), angles)
    their_taps, our_taps = at_taps @ their_shapes, basis_at_taps @ vectors
    worst = max(shape_difference(our_taps[:, band], their_taps[:, band]) for band in BANDS)
    return float(np.abs(ours[:12] / theirs[:12] - 1).max()), worst


def test_finite_elements_find_the_zeros_of_bessel_functions_for_an_even_head():
    d = fem.disc(REFINEMENTS)
    found, _ = d.modes(d.no_stress(), 12)
    np.testing.assert_allclose(found, bessel_zeros(12), rtol=1e-4)


def test_finite_element_error_falls_with_the_fourth_power_of_the_edge():
    """Quadratic elements: eigenvalue error O(h^4) (Strang & Fix, An Analysis of the Finite Element Method, ch. 6)."""
    exact = bessel_zeros(8)
    errors = []
    for refinements in (2, 3, 4):
        d = fem.disc(refinements)
        found, _ = d.modes(d.no_stress(), 8)
        errors.append(np.abs(found / exact - 1).max())
    rates = np.log2(np.array(errors[:-1]) / errors[1:])
    assert np.all((rates > 3.5) & (rates < 4.8)), rates


def test_an_evenly_pulled_film_is_under_equal_tension_everywhere():
    """A law: uniform radial displacement strains the film equally in all directions."""
    d = fem.disc(3)
    xx, yy, xy = d.stress(d.displacement(np.ones(len(d.rim)), "held"))
    np.testing.assert_allclose(xx, 1 + fem.POISSON, rtol=1e-10)
    np.testing.assert_allclose(yy, xx, rtol=1e-10)
    np.testing.assert_allclose(xy, 0, atol=1e-10)


def stress_difference(k: int, rim: fem.Rim, slide: float) -> float:
    """Largest difference of any stress component inside the head, as a share of the largest stress."""
    pattern = np.cos(2 * np.pi * k * np.arange(RODS) / RODS)
    r, theta = (grid.ravel() for grid in np.meshgrid([0.3, 0.6, 0.85], np.linspace(0.05, 6.2, 30)))
    theirs = np.array(fem.disc(FINER).stress_at(fem_field(pattern, rim, FINER), r, theta))
    ours = np.sum([stress.stress(term, r, theta) for term in stress.rod_field(k, "cos", RODS, slide)], axis=0)
    return float(np.abs(ours - theirs).max() / np.abs(theirs).max())


@pytest.mark.parametrize(("rim", "slide"), RIMS)
@pytest.mark.parametrize("k", [1, 2, 3, 4, 5])
def test_stress_of_a_rod_harmonic_agrees_with_finite_elements(k, rim, slide):
    assert stress_difference(k, rim, slide) < STRESS


@pytest.mark.parametrize("k", [2, 3, 4, 5])
def test_the_comparison_of_stresses_tells_a_held_rim_from_a_sliding_one(k):
    """The check can fail: the wrong rim is far outside its tolerance."""
    assert stress_difference(k, "held", 1.0) > 3 * STRESS


@pytest.mark.parametrize(("rim", "slide"), RIMS)
@pytest.mark.parametrize("k", [1, 2, 3, 4, 5])
def test_modes_under_a_rod_harmonic_agree_with_finite_elements(k, rim, slide):
    pattern = DEPTH * np.cos(2 * np.pi * k * np.arange(RODS) / RODS)
    terms = list(stress.rod_field(k, "cos", RODS, slide))
    frequency, shape = compare(fem_field(pattern, rim), terms, [DEPTH] * len(terms), RODS)
    assert frequency < FREQUENCY
    assert shape < SHAPE


@pytest.mark.parametrize(("rim", "slide"), RIMS)
@pytest.mark.parametrize("rods", [5, 6, 8])
def test_modes_of_a_head_with_random_pulls_agree_with_finite_elements(rods, rim, slide):
    coefficients = 0.04 * np.random.default_rng(rods).standard_normal(rods - 1)
    displacement, terms, sizes = 0.0, [], []
    for (k, kind), pattern, size in zip(stress.harmonics(rods), stress.rod_patterns(rods).T, coefficients, strict=True):
        displacement = displacement + size * fem_field(pattern, rim)
        field = stress.rod_field(k, kind, rods, slide)
        terms += field
        sizes += [size] * len(field)
    measured = 1 + fem.disc(REFINEMENTS).rod_tensions(displacement, rods)
    np.testing.assert_allclose(measured, stress.rod_tensions(coefficients, rods), atol=3e-3 * np.ptp(measured))
    frequency, shape = compare(displacement, terms, sizes, rods)
    assert frequency < FREQUENCY
    assert shape < SHAPE


def test_the_comparison_of_modes_notices_a_field_without_its_inner_half():
    """The check can fail: one of the two Airy coefficients of k = 2 left out."""
    terms = [stress.RimTerm(t.k, t.kind, t.a, 0.0) for t in stress.rod_field(2, "cos", RODS, 0.0)]
    displacement = fem_field(DEPTH * np.cos(2 * np.pi * 2 * np.arange(RODS) / RODS), "held")
    frequency, shape = compare(displacement, terms, [DEPTH] * len(terms), RODS)
    assert frequency > 3 * FREQUENCY
    assert shape > SHAPE
