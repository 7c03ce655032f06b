"""The even head against published zeros and ratios, and against its laws."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import jv

from drumtune.drum import Head
from drumtune.physics import membrane

HEAD = Head(0.1524, 0.353)

# Abramowitz & Stegun, Handbook of Mathematical Functions, Table 9.5 (five decimals).
ZEROS = {
    (0, 1): 2.40483, (1, 1): 3.83171, (2, 1): 5.13562, (0, 2): 5.52008, (3, 1): 6.38016,
    (1, 2): 7.01559, (4, 1): 7.58834, (2, 2): 8.41724, (5, 1): 8.77148, (6, 1): 9.93611,
}  # fmt: skip
# Ratios to (0,1) of those zeros, as printed in textbooks of acoustics; 1e-3 because several round badly.
RATIOS = {
    (1, 1): 1.5933, (2, 1): 2.1355, (0, 2): 2.2954, (3, 1): 2.6531, (1, 2): 2.9173,
    (4, 1): 3.1555, (2, 2): 3.5001, (0, 3): 3.5985, (5, 1): 3.6475,
}  # fmt: skip


@pytest.mark.parametrize(("mode", "zero"), ZEROS.items())
def test_zeros_are_those_of_abramowitz_and_stegun(mode, zero):
    assert membrane.bessel_zero(*mode) == pytest.approx(zero, abs=6e-6)


@pytest.mark.parametrize(("mode", "ratio"), RATIOS.items())
def test_frequencies_stand_in_the_published_ratios(mode, ratio):
    low, high = membrane.frequency(HEAD, 1500.0, 0, 1), membrane.frequency(HEAD, 1500.0, *mode)
    assert float(high / low) == pytest.approx(ratio, abs=1e-3)


def test_frequency_goes_as_the_root_of_tension_and_inversely_as_size():
    low, high = membrane.frequency(HEAD, [1000.0, 4000.0], 1, 1)
    assert high == pytest.approx(2.0 * low, rel=1e-12)
    double = Head(2.0 * HEAD.radius, HEAD.surface_density)
    assert float(membrane.frequency(double, 1000.0, 1, 1)) == pytest.approx(low / 2.0, rel=1e-12)


def test_tension_from_a_frequency_gives_the_frequency_back():
    wanted = np.array([80.0, 200.0, 400.0])
    found = membrane.frequency(HEAD, membrane.tension(HEAD, wanted, 2, 1), 2, 1)
    np.testing.assert_allclose(found, wanted, rtol=1e-12)


@pytest.mark.parametrize(("m", "n"), [(0, 1), (0, 3), (1, 1), (4, 2)])
def test_modal_mass_is_the_integral_of_the_squared_shape(m, n):
    j = membrane.bessel_zero(m, n)
    round_the_head = 2.0 * np.pi if m == 0 else np.pi
    along = quad(lambda r: r * jv(m, j * r) ** 2, 0.0, 1.0)[0]
    expected = HEAD.surface_density * HEAD.radius**2 * round_the_head * along
    assert membrane.modal_mass(HEAD, m, n) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize("n", [1, 2, 4])
def test_swept_area_is_the_integral_of_the_shape(n):
    j = membrane.bessel_zero(0, n)
    expected = 2.0 * np.pi * HEAD.radius**2 * quad(lambda r: r * jv(0, j * r), 0.0, 1.0)[0]
    assert membrane.swept_area(HEAD, n) == pytest.approx(expected, rel=1e-8)


@pytest.mark.parametrize(("m", "n"), [(-1, 1), (0, 0)])
def test_what_is_no_mode_is_refused(m, n):
    with pytest.raises(ValueError, match="nodal"):
        membrane.bessel_zero(m, n)


def test_a_negative_tension_is_refused():
    with pytest.raises(ValueError, match="must not be negative, got -1"):
        membrane.frequency(HEAD, -1.0, 0, 1)


def test_displacement_stands_still_on_the_rim_and_on_nodal_lines():
    """(1,2): J_1 vanishes on the rim and at j_11/j_12 = 3.83171/7.01559 (Abramowitz & Stegun, table 9.5), cos at 90."""
    r = np.array([1.0, 3.83171 / 7.01559, 0.3])
    assert membrane.displacement(1, 2, r, [0.0, 0.0, np.pi / 2.0]) == pytest.approx(np.zeros(3), abs=1e-5)
    assert membrane.displacement(1, 2, 0.3, 0.0) == pytest.approx(-membrane.displacement(1, 2, 0.3, np.pi))
