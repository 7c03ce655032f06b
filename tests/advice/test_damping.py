"""Damping by perturbation: against an exact eigenvalue problem, laws, and what a compared pair of hits says."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros, jv

from drumtune.advice.damping import (
    EDGE_PATCH,
    Patch,
    advise,
    compare,
    coupling,
    damped,
    local_motion,
    measured_resistance,
)
from drumtune.advice.ring import read_hits
from drumtune.drum import Air, Head

HEAD = Head(0.1524, 0.353)
FS = 44100
VACUUM = Air(density=1e-9)


@pytest.mark.parametrize(("m", "n"), [(0, 1), (1, 1), (2, 1), (0, 2), (3, 1)])
def test_local_motion_averages_to_one_over_the_head(m, n):
    """By its definition: the area mean of the mean square over the head, by numerical integration."""
    radii = np.linspace(0.0, 1.0, 4001)
    motion = np.array([local_motion(m, n, r) for r in radii])
    assert 2.0 * np.trapezoid(motion * radii, radii) == pytest.approx(1.0, rel=1e-4)


def test_a_patch_at_the_edge_hardly_acts_on_the_fundamental():
    """The trade's word: tape at the edge takes the ring (m,1), not the body (0,1)."""
    acts = [local_motion(m, 1, EDGE_PATCH) for m in range(5)]
    assert acts[0] < 0.35
    assert acts == sorted(acts)
    assert acts[3] > 4.0 * acts[0]


def test_a_small_ring_of_mass_moves_the_pitch_as_an_exact_problem_does():
    """A ring of mass on a string-like radial grid: (0,1) by finite differences against the first-order formula.

    The membrane equation with a narrow annulus made heavier, solved as an eigenvalue problem; 0.2 % of the head's mass,
    so second-order terms are some 0.4 % of the shift, and the grid adds 1 %.
    """
    a, sigma, count, place = 1.0, 1.0, 1500, 0.6
    h = a / (count + 0.5)
    radii = (np.arange(count) + 0.5) * h
    mass = sigma * radii * h
    extra = 0.002 * np.pi * a * a * sigma
    near = np.argmin(np.abs(radii - place))
    heavy = mass.copy()
    heavy[near] += extra / (2 * np.pi)
    edges = np.arange(1, count) * h
    stiff = np.zeros((count, count))
    for k, r in enumerate(edges):
        stiff[k, k] += r / h
        stiff[k + 1, k + 1] += r / h
        stiff[k, k + 1] -= r / h
        stiff[k + 1, k] -= r / h
    stiff[-1, -1] += 2.0 * a / h  # half a step to the rim
    lowest = [np.linalg.eigvalsh(stiff / np.sqrt(np.outer(w, w)))[0] for w in (mass, heavy)]
    exact = np.sqrt(lowest[1] / lowest[0])
    head = Head(a, sigma)
    moved = 1.0 - 0.5 * extra * coupling(head, (0, 1), radii[near], air=VACUUM)
    assert 1.0 - exact == pytest.approx(1.0 - moved, rel=0.02)


@given(mass=st.floats(0.0, 0.005), resistance=st.floats(0.0, 1.0), radius=st.floats(0.0, 1.0))
def test_a_patch_never_raises_the_pitch_or_lengthens_the_ring(mass, resistance, radius):
    pitch, decay = damped(HEAD, (1, 1), 200.0, 1.5, Patch(mass, resistance, radius))
    assert pitch <= 200.0
    assert decay <= 1.5 * (1 + 1e-12)


def test_a_patch_on_the_rim_does_nothing():
    assert damped(HEAD, (2, 1), 300.0, 1.0, Patch(0.01, 1.0, 1.0)) == pytest.approx((300.0, 1.0))


@given(before=st.floats(0.5, 3.0), resistance=st.floats(0.001, 1.0))
def test_a_measured_resistance_is_the_one_that_was_there(before, resistance):
    _, after = damped(HEAD, (1, 1), 200.0, before, Patch(0.0, resistance))
    assert measured_resistance(HEAD, (1, 1), before, after) == pytest.approx(resistance, rel=1e-6)


def test_coupling_counts_modes_as_the_integral_does():
    """psi^2 / M with M = sigma times the integral of psi^2, (1,1), angle averaged, by quadrature."""
    j = jn_zeros(1, 1)[0]
    radii = np.linspace(0.0, 1.0, 4001)
    integral = np.pi * HEAD.radius**2 * np.trapezoid(jv(1, j * radii) ** 2 * radii, radii)
    expected = 0.5 * jv(1, 0.7 * j) ** 2 / (HEAD.surface_density * integral)
    assert coupling(HEAD, (1, 1), 0.7, air=VACUUM) == pytest.approx(expected, rel=1e-4)


def test_a_patch_off_the_head_is_refused():
    with pytest.raises(ValueError, match="radius of 0 to 1"):
        damped(HEAD, (1, 1), 200.0, 1.0, Patch(0.001, 0.0, 1.2))


def take(decays, seed=0, lines=(110.0, 170.0, 224.0)):
    times = np.arange(int(2.0 * FS)) / FS
    made = sum(10 ** (-3 * times / t) * np.cos(2 * np.pi * f * times) for f, t in zip(lines, decays, strict=True))
    return 0.2 * made + 1e-4 * np.random.default_rng(seed).standard_normal(times.size)


def test_before_and_after_tell_what_changed_and_what_did_not():
    before, after = read_hits(take((0.8, 1.6, 1.2)), FS), read_hits(take((0.8, 0.8, 0.9), 1), FS)
    changes = compare(before, after)
    assert [round(change.percent) for change in changes] == pytest.approx([0, -50, -25], abs=2)
    assert [change.sure for change in changes] == [False, True, True]


def test_a_long_partial_is_named_with_its_figures_and_both_ways_to_shorten_it():
    told = "\n".join(advise(read_hits(take((0.8, 1.6, 1.2)), FS)))
    assert "170 Hz rings longest: 1.60 s, 2.0 times the lowest (110 Hz, 0.80 s)" in told
    assert "tape or gel" in told
    assert "quarter turn (common practice, no source)" in told


def test_a_drum_that_dies_evenly_is_left_alone():
    told = "\n".join(advise(read_hits(take((0.8, 0.7, 0.6)), FS)))
    assert "Nothing asks for damping" in told
