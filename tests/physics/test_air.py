"""Air on a head against measurements on a timpano, a printed table, a monopole's sound, and its laws."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import jv, jvp

from drumtune.drum import Air, Head
from drumtune.physics import air, membrane

# T. D. Rossing, "Acoustics of timpani", Percussionist 19(3), 1982, as quoted by R. K. Jones: head without kettle,
# f_m1 / f_11 for m = 1...5.
TIMPANO = Head(0.328, 0.262)
TIMPANO_RATIOS = (1.0, 1.48, 1.92, 2.36, 2.78)
TIMPANO_WITHIN = 0.02  # the film's true weight and tension are not given

# D. R. Raichel, The Science and Applications of Acoustics, Table 6.2: B and first root. Read from curves to about 0.01.
RAICHEL = {1.0: 2.545, 2.0: 2.68, 5.0: 3.02, 10.0: 3.485}
RAICHEL_WITHIN = 0.007

# Computed once from the formula by another program; a check of consistency, not published.
COMPUTED_CHI = {
    (0, 1): 0.7464, (1, 1): 0.3301, (2, 1): 0.2258, (0, 2): 0.2616, (3, 1): 0.1747, (1, 2): 0.1703, (4, 1): 0.1436,
}  # fmt: skip


def test_a_timpano_without_kettle_has_the_measured_ratios():
    low = air.frequency(TIMPANO, 3000.0, 1, 1)
    found = [float(air.frequency(TIMPANO, 3000.0, m, 1) / low) for m in range(1, 6)]
    np.testing.assert_allclose(found, TIMPANO_RATIOS, rtol=TIMPANO_WITHIN)


def test_without_the_air_the_timpano_would_be_out_of_those_ratios():
    bare = [float(membrane.frequency(TIMPANO, 1.0, m, 1) / membrane.frequency(TIMPANO, 1.0, 1, 1)) for m in range(1, 6)]
    assert np.max(np.abs(np.array(bare) / TIMPANO_RATIOS - 1.0)) > 2.0 * TIMPANO_WITHIN


@pytest.mark.parametrize(("ratio", "root"), RAICHEL.items())
def test_a_closed_volume_moves_the_root_as_printed(ratio, root):
    assert float(air.closed_volume_root(ratio)) == pytest.approx(root, abs=RAICHEL_WITHIN)


@pytest.mark.parametrize("n", [1, 2, 3])
def test_closed_volume_roots_solve_their_equation(n):
    ratio = np.array([0.0, 0.3, 4.0, 200.0])
    x = air.closed_volume_root(ratio, n)
    np.testing.assert_allclose(x**2 * jv(0, x) + ratio * jv(2, x), 0.0, atol=1e-9 * (1.0 + ratio.max()))
    assert x[0] == pytest.approx(membrane.bessel_zero(0, n), rel=1e-12)
    assert np.all(np.diff(x) > 0.0)


@pytest.mark.parametrize(("mode", "chi"), COMPUTED_CHI.items())
def test_added_mass_agrees_with_another_program(mode, chi):
    assert air.added_mass(*mode) == pytest.approx(chi, abs=1e-4)


@pytest.mark.parametrize(("m", "n"), [(0, 1), (3, 2), (10, 4)])
def test_added_mass_agrees_with_adaptive_quadrature(m, n):
    j, gap = membrane.bessel_zero(m, n), 1e-3
    edges = [0.0, j - gap, j + gap, *np.arange(j + 5.0, j + 300.0, 5.0)]
    spans = [(a, b) for a, b in pairwise(edges) if b - a > 3.0 * gap]
    total = sum(quad(lambda x: (jv(m, x) / (j * j - x * x)) ** 2, a, b, epsabs=1e-13)[0] for a, b in spans)
    total += 2.0 * gap * (jvp(m, j) / (2.0 * j)) ** 2
    assert air.added_mass(m, n) == pytest.approx(2.0 * j * j * total, rel=1e-4)


def test_added_mass_falls_with_every_node():
    table = np.array([[air.added_mass(m, n) for n in range(1, 5)] for m in range(11)])
    assert np.all(np.diff(table, axis=0) < 0.0)
    assert np.all(np.diff(table, axis=1) < 0.0)


def test_thin_air_leaves_the_head_alone():
    thin = Air(density=1e-9)
    bare = float(membrane.frequency(TIMPANO, 2000.0, 2, 1))
    assert float(air.frequency(TIMPANO, 2000.0, 2, 1, air=thin)) == pytest.approx(bare, rel=1e-8)


def test_leaving_out_the_air_understates_the_tension_of_an_open_tom_head():
    # 12 in and 14 in, 10 mil, from (0,1): 1.8 to 1.9 times (computed)
    for inches in (12, 14):
        head = Head.of_film(inches * 0.0127, 10.0)
        ratio = float(air.tension(head, 100.0, 0, 1) / membrane.tension(head, 100.0, 0, 1))
        assert 1.75 < ratio < 1.95


def test_tension_from_a_heard_frequency_gives_the_frequency_back():
    found = air.frequency(TIMPANO, air.tension(TIMPANO, [90.0, 150.0], 1, 1, sides=1), 1, 1, sides=1)
    np.testing.assert_allclose(found, [90.0, 150.0], rtol=1e-12)


def test_a_tube_is_a_spring_of_its_length():
    depth, gas = 0.2, Air()
    volume = math.pi * TIMPANO.radius**2 * depth
    expected = gas.density * gas.sound_speed**2 * TIMPANO.radius**2 / (1500.0 * depth)
    assert float(air.spring_ratio(TIMPANO, 1500.0, volume)) == pytest.approx(expected, rel=1e-12)


def test_the_lowest_mode_loses_what_a_monopole_in_a_baffle_sends_out():
    # power rho c k^2 |Q|^2 / (4 pi) into the half space, Q the volume velocity (textbook of acoustics)
    gas, frequency = Air(), 60.0
    k = 2.0 * math.pi * frequency / gas.sound_speed
    mass = membrane.modal_mass(TIMPANO, 0, 1) * (1.0 + air.load(TIMPANO, 0, 1, sides=1))
    power_over_energy = (
        gas.density * gas.sound_speed * (k * membrane.swept_area(TIMPANO, 1)) ** 2 / (2.0 * math.pi * mass)
    )
    assert float(air.radiation_rate(TIMPANO, frequency, 0, 1, sides=1)) == pytest.approx(
        power_over_energy / 2, rel=1e-9
    )


def test_the_lowest_mode_dies_first():
    modes = [(0, 1), (1, 1), (2, 1)]
    rates = [float(air.radiation_rate(TIMPANO, air.frequency(TIMPANO, 1500.0, m, n), m, n)) for m, n in modes]
    assert rates[0] > rates[1] > rates[2]


@pytest.mark.parametrize("wrong", [lambda: air.spring_ratio(TIMPANO, 0.0, 1.0), lambda: air.closed_volume_root(-1.0)])
def test_impossible_volumes_are_refused(wrong):
    with pytest.raises(ValueError, match="must"):
        wrong()


@pytest.mark.parametrize(("celsius", "speed", "density"), [(0.0, 331.3, 1.292), (20.0, 343.2, 1.204)])
def test_dry_air_has_its_textbook_speed_and_density(celsius, speed, density):
    """Standard values at 101325 Pa, to half of their last digit; at half the pressure half the density, as fast."""
    found = Air.at(celsius)
    assert found.sound_speed == pytest.approx(speed, abs=0.05)
    assert found.density == pytest.approx(density, abs=5e-4)
    assert Air.at(celsius, 50662.5).density == pytest.approx(0.5 * found.density)
    assert Air.at(celsius, 50662.5).sound_speed == found.sound_speed
