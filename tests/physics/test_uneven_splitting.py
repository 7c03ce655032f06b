"""What parts the pairs of an uneven head: closed forms of first order, and Ritz values of a second derivation.

The constants (4m - 1)/(2(4m^2 - 1)) and the Ritz values are computed, not published; the latter were handed
down from a calculation made before this code was written.
"""

import numpy as np
import pytest

from drumtune.physics import modes, stress


def frictionless(k, size):
    """Field with N_rr = size cos k theta at a rim that slides without friction; for k = 1 with the shear it needs."""
    if k == 1:
        return (stress.RimTerm(1, "cos", 0.0, 0.5 * size),)
    return (stress.RimTerm(k, "cos", -0.5 * size / (k - 1), 0.5 * size / (k + 1)),)


def roots(k, size):
    return np.sqrt(np.linalg.eigvalsh(modes.even_stiffness() + modes.stiffness(frictionless(k, size))))


def pair_of(m):
    """Places of (m,1) among the even head's modes by frequency."""
    zeros = np.sort(modes.basis().zero)
    first = int(np.searchsorted(zeros, modes.basis().zero[modes.basis().index(m, 1)[0]] - 1e-9))
    return first, first + 1


@pytest.mark.parametrize(("m", "constant"), [(1, 1 / 2), (2, 7 / 30), (3, 11 / 70), (4, 5 / 42)])
def test_a_pair_parts_by_its_constant_times_the_harmonic_of_twice_its_order(m, constant):
    low, high = roots(2 * m, 1e-4)[list(pair_of(m))]
    assert (high - low) / low / 1e-4 == pytest.approx(constant, rel=1e-4)


@pytest.mark.parametrize("k", [1, 3, 4, 5, 6])
def test_no_other_harmonic_parts_the_first_pair_to_first_order(k):
    low, high = roots(k, 1e-4)[1:3]
    assert (high - low) / low < 1e-7  # the second order, of size 1e-8


@pytest.mark.parametrize(
    ("k", "size", "changes"),
    [
        (2, 0.1, (-0.025338, 0.024677)),
        (2, 0.2, (-0.051388, 0.048736)),
        (1, 0.2, (-0.014765, -0.012185)),
        (3, 0.1, (-0.000864, -0.000864)),
    ],
)
def test_the_first_pair_moves_as_another_derivation_has_it(k, size, changes):
    found = roots(k, size)[1:3] / modes.basis().zero[modes.basis().index(1, 1)[0]] - 1.0
    np.testing.assert_allclose(found, changes, atol=1e-5)  # six decimals are told, both bases are finite


def test_the_lowest_mode_hardly_moves():
    assert roots(2, 0.1)[0] / modes.basis().zero[0] - 1.0 == pytest.approx(-5e-6, abs=1e-6)


def test_the_antinodes_of_the_higher_mode_lie_on_the_tight_axis():
    """Tight at 0 and half a turn: the higher of the pair is the cosine, the lower the sine."""
    vectors = np.linalg.eigh(modes.even_stiffness() + modes.stiffness(frictionless(2, 0.1)))[1]
    cosine, sine = modes.basis().index(1, 1)
    assert vectors[sine, 1] ** 2 > 0.99
    assert vectors[cosine, 2] ** 2 > 0.99
