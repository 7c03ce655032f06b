"""Radiation of two heads: a single source, two in step and against each other, and the vent's resistance."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import j0, j1, jn_zeros, jv, spherical_jn

from drumtune.drum import Air, Head
from drumtune.physics import air as loaded
from drumtune.physics import radiation
from drumtune.physics.cavity import RADIAL

AIR = Air()


def moving(top, bottom):
    """Motion of the n = 1 shapes only."""
    found = np.zeros((2, RADIAL))
    found[:, 0] = top, bottom
    return found


@pytest.mark.parametrize("m", [0, 1, 2])
def test_one_head_in_free_space_radiates_half_of_a_baffled_one(m):
    head, hz = Head(0.15, 0.35), np.array(10.0)
    mass = head.surface_density * (1 + loaded.load(head, m, 1, sides=1))
    found = radiation.decay_rates(moving(mass**-0.5, 0.0), hz, m, head.radius, 0.2, AIR)
    assert found == pytest.approx(0.5 * float(loaded.radiation_rate(head, hz, m, 1, sides=1)), rel=0.01)


@pytest.mark.parametrize("m", [0, 1])
@given(st.floats(20.0, 400.0), st.floats(0.1, 0.6))
def test_small_heads_interfere_as_two_points_do(m, hz, depth):
    radius = 0.005  # small against the wave, so that only the distance counts
    x = 2 * math.pi * hz / AIR.sound_speed * radiation.source_distance(radius, depth)
    overlap = spherical_jn(0, x) if m == 0 else 3 * spherical_jn(1, x) / x
    parallel, opposite, alone = (
        radiation.decay_rates(moving(*w), np.array(hz), m, radius, depth, AIR) for w in ((1, 1), (1, -1), (1, 0))
    )
    assert parallel == pytest.approx(2 * alone * (1 - overlap), rel=2e-3, abs=1e-3 * alone)
    assert opposite == pytest.approx(2 * alone * (1 + overlap), rel=2e-3)


def test_a_disc_without_depth_has_the_dipole_of_its_added_mass():
    # added mass of a rigid disc (8/3) rho a^3 over rho pi a^2 (Lamb, Hydrodynamics, M)
    assert radiation.source_distance(0.3, 0.0) == pytest.approx((8 / 3) * 0.3**3 / (math.pi * 0.3**2))


def test_the_table_of_spectra_is_as_good_as_the_spectra():
    x = np.linspace(0.0, 11.0, 400)
    np.testing.assert_allclose(radiation._spectrum_of(1, x), radiation.head_spectrum(1, x), atol=2e-5)
    np.testing.assert_allclose(radiation._spectrum_of(0, np.array([15.0])), radiation.head_spectrum(0, [15.0]))


def test_a_narrower_hole_resists_more():
    wide, narrow = (radiation.vent_resistance(d, 0.006, 100.0, AIR) for d in (0.012, 0.006))
    assert narrow == pytest.approx(6 * wide)  # 1/r^3 in the hole (l = r, then 2 r), 1/r^2 on its faces
    assert radiation.vent_resistance(0.012, 0.006, 400.0, AIR) == pytest.approx(2 * wide)


def test_a_long_hole_resists_as_the_air_that_swings_in_it():
    """Real part of the exact impedance of laminar flow in a round tube (I. B. Crandall, 1926, from memory)."""
    radius, length, hz = 0.02, 4.0, 200.0  # the boundary layer is 1/100 of the radius, the faces 1/200 of the wall
    s = radius * np.sqrt(-2j * math.pi * hz * AIR.density / 1.81e-5)  # handbook value at 20 degrees C, Pa s
    per_length = 2j * math.pi * hz * AIR.density / (math.pi * radius**2) / (1 - 2 * jv(1, s) / (s * jv(0, s)))
    found = radiation.vent_resistance(2 * radius, length, hz, AIR)
    assert found == pytest.approx(length * float(per_length.real), rel=0.02)


@pytest.mark.parametrize("outflow", [-1.0, 0.3, 2.0])
def test_slow_heads_and_vent_are_one_source(outflow):
    """A compact source sends out rho omega^2 |Q|^2 / (8 pi c), Q all that flows out of top, bottom and vent."""
    radius, hz, rng = 0.15, 0.5, np.random.default_rng(1)
    motion = np.zeros((3, RADIAL))
    motion[:2], motion[2, 0] = rng.normal(size=(2, RADIAL)), outflow
    r = (np.arange(4000) + 0.5) / 4000
    zeros = jn_zeros(0, RADIAL)[:, None]
    swept = 2 * np.mean(j0(zeros * r) / np.abs(j1(zeros)) * r, axis=1)
    out = -motion[0] @ swept + motion[1] @ swept + outflow  # over pi a^2; displacements are positive downward
    expected = AIR.density * (2 * math.pi * hz) ** 2 * radius**2 * out**2 / (8 * AIR.sound_speed)
    found = radiation.decay_rates(motion, np.array(hz), 0, radius, 0.2, AIR)
    assert found == pytest.approx(expected, rel=1e-3)
