"""Enclosed air: the two-mass pair, the rigid cavity, and the matrices behind the full model.

Marks of check values: P published, Q quoted from a paper by another text, M from memory, C computed from the formula.
"""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import jn_zeros, jnp_zeros, jv

from drumtune.drum import Air, Head
from drumtune.physics import air as loaded
from drumtune.physics import cavity, membrane

SNARE_ALONE = (227.0, 299.0)  # M: heads of a snare drum, each with the other held still
SNARE_COUPLING = 181.0  # C: reproduces the pair
SNARE_PAIR = (182.0, 330.0)  # Q: Rossing, Bork, Zhao & Fystrom, JASA 92(1), 1992
hertz = st.floats(50.0, 600.0)


def test_two_masses_give_the_pair_of_the_snare_drum_to_a_hundredth():
    assert cavity.two_mass_pair(*SNARE_ALONE, SNARE_COUPLING) == pytest.approx(SNARE_PAIR, rel=0.01)


@given(hertz, hertz, st.floats(0.0, 0.95))
def test_coupling_keeps_the_sum_of_squares_and_spreads_the_pair(a, b, part):
    k = part * math.sqrt(a * b)
    low, high = cavity.two_mass_pair(a, b, k)
    assert low**2 + high**2 == pytest.approx(a**2 + b**2)
    assert (low * high) ** 2 == pytest.approx((a * b) ** 2 - k**4)
    assert low <= min(a, b) * (1 + 1e-12)
    assert high >= max(a, b) * (1 - 1e-12)


@given(hertz, hertz, st.floats(0.05, 0.95))
def test_the_coupling_comes_back_from_four_frequencies(a, b, part):
    k = part * math.sqrt(a * b)
    assert cavity.two_mass_coupling(a, b, *cavity.two_mass_pair(a, b, k)) == pytest.approx(k, rel=1e-6)


@given(hertz, hertz, st.floats(0.01, 0.95))
def test_swapping_the_heads_swaps_the_shares(a, b, part):
    k = part * math.sqrt(a * b)
    np.testing.assert_allclose(cavity.two_mass_shares(b, a, k), 1.0 - cavity.two_mass_shares(a, b, k), atol=1e-9)


def test_equal_heads_share_the_motion_and_uncoupled_ones_do_not():
    assert cavity.two_mass_shares(200.0, 200.0, 90.0) == pytest.approx([0.5, 0.5])
    assert cavity.two_mass_shares(200.0, 250.0, 0.0) == pytest.approx([1.0, 0.0])


def test_shares_are_those_of_the_matrix_eigenvectors():
    values, vectors = np.linalg.eigh([[227.0**2, -(181.0**2)], [-(181.0**2), 299.0**2]])
    np.testing.assert_allclose(cavity.two_mass_shares(227.0, 299.0, 181.0), vectors[0] ** 2, rtol=1e-12)
    np.testing.assert_allclose(cavity.two_mass_pair(227.0, 299.0, 181.0), np.sqrt(values), rtol=1e-12)


def test_springs_cannot_couple_more_than_they_hold():
    with pytest.raises(ValueError, match="geometric mean"):
        cavity.two_mass_pair(100.0, 100.0, 100.0)
    with pytest.raises(ValueError, match="positive"):
        cavity.two_mass_pair(0.0, 100.0, 10.0)


@pytest.mark.parametrize(
    ("heads", "tensions", "depth", "expected"),
    [  # C: rho 1.204, c 343.2
        ((Head(0.1778, 0.265), Head(0.1778, 0.265)), (3000.0, 3000.0), 0.14, (229.04, 399.83)),
        ((Head(0.1524, 0.353), Head(0.1524, 0.265)), (1500.0, 1500.0), 0.203, (174.21, 309.62)),
    ],
)
def test_the_rigid_cavity_gives_the_computed_pairs(heads, tensions, depth, expected):
    assert cavity.rigid_cavity_pair(heads, tensions, depth, Air()) == pytest.approx(expected, rel=1e-4)


def test_equal_heads_on_a_rigid_cavity_stay_under_the_ratio_of_j21_to_j01():
    head = Head(0.1778, 0.265)
    low, high = cavity.rigid_cavity_pair((head, head), (3000.0, 3000.0), 0.14, Air(1.204, 343.2e3))
    assert high / low == pytest.approx(jn_zeros(2, 1)[0] / jn_zeros(0, 1)[0], rel=1e-5)  # 2.1355, C


@pytest.mark.parametrize(
    ("stiffness", "computed", "printed"),
    [  # C, and P: Raichel, The Science and Applications of Acoustics, Table 6.2
        (1.0, 2.5437, 2.545),
        (2.0, 2.6736, 2.68),
        (5.0, 3.0197, 3.02),
        (10.0, 3.4874, 3.485),
    ],
)
def test_one_head_on_a_closed_volume_is_the_published_kettle(stiffness, computed, printed):
    head, air, tension = Head(0.1524, 0.353), Air(), 1500.0
    depth = air.density * air.sound_speed**2 * head.radius**2 / (tension * stiffness)
    low, _ = cavity.rigid_cavity_pair((head, head), (tension, 1e12), depth, air)
    x = low * jn_zeros(0, 1)[0] / float(membrane.frequency(head, tension, 0, 1))
    assert x == pytest.approx(computed, rel=1e-4)
    assert x == pytest.approx(printed, rel=3e-3)
    assert x == pytest.approx(float(loaded.closed_volume_root(stiffness)), rel=1e-6)


def test_a_deep_shell_leaves_the_heads_as_they_are_in_vacuum():
    heads = (Head(0.1524, 0.353), Head(0.1524, 0.265))
    alone = [float(membrane.frequency(h, 1500.0, 0, 1)) for h in heads]
    assert cavity.rigid_cavity_pair(heads, (1500.0, 1500.0), 1e5, Air()) == pytest.approx(alone, rel=1e-4)


def test_the_lumped_spring_is_that_of_swept_area_and_modal_mass():
    head, depth, air = Head(0.1524, 0.353), 0.203, Air()
    stiffness = air.density * air.sound_speed**2 / (math.pi * head.radius**2 * depth)
    expected = stiffness * membrane.swept_area(head, 1) ** 2 / (4 * math.pi**2 * membrane.modal_mass(head, 0, 1))
    assert cavity.lumped_spring(head, depth, air) == pytest.approx(expected, rel=1e-12)
    assert cavity.lumped_spring(head, 4 * depth, air) == pytest.approx(expected / 4)


def test_a_weak_spring_splits_the_rigid_cavity_as_two_masses():
    head, tension, depth, air = Head(0.1524, 0.353), 1500.0, 0.203, Air(0.001, 343.2)
    x = cavity.lumped_spring(head, depth, air)
    alone = math.hypot(float(membrane.frequency(head, tension, 0, 1)), math.sqrt(x))
    expected = cavity.two_mass_pair(alone, alone, math.sqrt(x))
    assert cavity.rigid_cavity_pair((head, head), (tension, tension), depth, air) == pytest.approx(expected, rel=1e-5)


def test_the_rigid_cavity_refuses_heads_of_two_sizes():
    with pytest.raises(ValueError, match="one radius"):
        cavity.rigid_cavity_pair((Head(0.15, 0.3), Head(0.16, 0.3)), (1e3, 1e3), 0.2, Air())


@pytest.mark.parametrize("m", [0, 1, 2, 3])
def test_the_outside_mass_has_the_known_added_masses_on_its_diagonal(m):
    expected = [loaded.added_mass(m, n) for n in range(1, cavity.RADIAL + 1)]
    np.testing.assert_allclose(np.diag(cavity.outside_mass(m)), expected, rtol=2e-5)


@pytest.mark.parametrize("m", [0, 1, 2])
def test_spectra_of_head_shapes_are_their_hankel_transforms(m):
    zeros = jn_zeros(m, 3)
    for n, j in enumerate(zeros):
        for x in (0.3, 2.0, float(j), 9.0):
            norm = abs(jv(m + 1, j))
            direct = quad(lambda r, j=j, x=x: jv(m, j * r) * jv(m, x * r) * r, 0.0, 1.0)[0] / norm
            assert cavity.head_spectrum(m, x)[n] == pytest.approx(direct, abs=1e-9)


@pytest.mark.parametrize("m", [0, 1, 2])
def test_enclosed_air_takes_its_sources_from_the_overlap_of_head_and_cavity_shapes(m):
    mu = np.concatenate([[0.0], jnp_zeros(0, 2)]) if m == 0 else jnp_zeros(m, 3)
    for q, wave in enumerate(mu):
        cavity_norm = math.sqrt(2 * quad(lambda r, w=wave: jv(m, w * r) ** 2 * r, 0, 1)[0])
        for n, j in enumerate(jn_zeros(m, 3)):
            both = quad(lambda r, j=j, w=wave: jv(m, j * r) * jv(m, w * r) * r, 0, 1)[0]
            direct = 2 * both / (abs(jv(m + 1, j)) * cavity_norm)
            assert cavity._overlap(m)[n, q] == pytest.approx(direct, abs=1e-8)


@pytest.mark.parametrize("m", [0, 1, 4])
def test_enclosed_air_is_symmetric_and_carries_no_negative_energy(m):
    enclosed = cavity.enclosed_air(m, 0.1524, 0.2, Air())
    np.testing.assert_allclose(enclosed.mass, enclosed.mass.T)
    np.testing.assert_allclose(enclosed.spring, enclosed.spring.T)
    assert np.linalg.eigvalsh(enclosed.mass).min() > -1e-9
    assert np.linalg.eigvalsh(enclosed.spring).min() > -1e-6 * np.abs(enclosed.spring).max()
