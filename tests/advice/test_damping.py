"""Damping by perturbation: against an exact eigenvalue problem, laws, and what a compared pair of hits says."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import jn_zeros, jv

from drumtune.advice.damping import (
    EDGE_PATCH,
    Patch,
    advise,
    best_place,
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


HEAVY = Head(1.0, 1e5)
"""So heavy that the air's mass is 1e-5 of its own: the problem solved below has no air."""
TOTAL = np.pi * HEAVY.radius**2 * HEAVY.surface_density
RINGS = 250
LOSS = 0.01
"""Decay rate of every mode without a patch, 1/s."""


def exact_mode(m, n, place, mass=0.0, resistance=0.0):
    """Frequency (Hz) and T60 (s) of (m, n) with a narrow ring of mass and resistance near a radius, and its radius.

    Finite differences along the radius at a tension of 1 N/m per kg/m2: M x'' + R x' + K x = 0 with M and R per radian,
    its complex eigenvalues solved for exactly.
    """
    h = 1.0 / (RINGS + 0.5)
    radii = (np.arange(RINGS) + 0.5) * h
    near = int(np.argmin(np.abs(radii - place)))
    inertia = radii * h
    stiff = np.diag(m * m * h / radii)
    for k in range(RINGS - 1):
        stiff[k : k + 2, k : k + 2] += (k + 1.0) * np.array([[1.0, -1.0], [-1.0, 1.0]])
    stiff[-1, -1] += 2.0 / h  # half a step to the rim
    drag = 2.0 * LOSS * inertia
    inertia[near] += mass / (2.0 * np.pi * HEAVY.surface_density)
    drag[near] += resistance / (2.0 * np.pi * HEAVY.surface_density)
    empty, unit = np.zeros((RINGS, RINGS)), np.eye(RINGS)
    root = np.linalg.eigvals(np.block([[empty, unit], [-stiff / inertia[:, None], -np.diag(drag / inertia)]]))
    root = sorted(root[root.imag > 0.0], key=np.imag)[n - 1]
    return root.imag / (2.0 * np.pi), np.log(1000.0) / -root.real, float(radii[near])


@pytest.mark.parametrize("mode", [(0, 1), (1, 1), (2, 1), (0, 2)])
def test_a_small_patch_acts_as_the_exact_eigenvalue_problem_says(mode):
    """0.2 % of the head's mass, then a resistance that adds 0.4 % of the head's mass per second.

    Terms of second order are under 0.5 % of either change, and the grid adds 1 %.
    """
    pitch, decay, place = exact_mode(*mode, 0.6)
    heavier, _, _ = exact_mode(*mode, 0.6, mass=0.002 * TOTAL)
    moved, kept = damped(HEAVY, mode, pitch, decay, Patch(0.002 * TOTAL, 0.0, place))
    assert pitch - moved == pytest.approx(pitch - heavier, rel=0.02)
    assert kept == pytest.approx(decay)
    _, shorter, _ = exact_mode(*mode, 0.6, resistance=0.004 * TOTAL)
    kept, said = damped(HEAVY, mode, pitch, decay, Patch(0.0, 0.004 * TOTAL, place))
    assert 1.0 / said - 1.0 / decay == pytest.approx(1.0 / shorter - 1.0 / decay, rel=0.02)
    assert kept == pytest.approx(pitch)
    assert measured_resistance(HEAVY, mode, decay, shorter, place) == pytest.approx(0.004 * TOTAL, rel=0.02)


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


def named_hit(decays, modes):
    """A hit whose partials near some frequencies are known to be certain modes."""
    (hit,) = read_hits(take(decays), FS)
    named = tuple(replace(partial, mode=modes.get(round(partial.frequency_hz))) for partial in hit.partials)
    return (replace(hit, partials=named),)


@pytest.mark.parametrize(
    ("mode", "named"), [((1, 1), "(1,1)"), ((2, 1), "(2,1)"), ((3, 1), "(3,1)"), ((1, 2), "(1,2)")]
)
def test_the_one_place_named_is_where_a_patch_takes_more_from_the_mode_than_from_the_lowest(mode, named):
    """Mean square motion of a mode over that of (0,1), by (J_m(j r) / J_{m+1}(j))^2 at the place."""
    told = "\n".join(advise(named_hit((0.8, 1.6, 1.2), {170: mode})))
    place, times = best_place(mode), []
    for m, n in (mode, (0, 1)):
        j = jn_zeros(m, n)[-1]
        times.append((jv(m, j * place) / jv(m + 1, j)) ** 2)
    assert f"at {100.0 * place:.0f} % of the way from the middle to the rim: there it acts " in told
    assert f"{times[0] / times[1]:.1f} times as much on {named} as on (0,1)" in told
    assert told.count(" % of the way") == 1


def test_what_a_slackened_rod_costs_is_the_first_order_split_and_the_fall_of_the_mean():
    """One of eight rods a tenth slacker, by Fourier sums over the rods: the mean falls and cos 2 theta comes in by eps.

    The pair (1,1) of a tension 1 + eps cos 2 theta parts by f eps / 2; the pitch goes as the root of the mean.
    """
    slack = np.array([-0.1, 0, 0, 0, 0, 0, 0, 0])
    harmonics = np.fft.rfft(slack) / slack.size
    split = 0.5 * 2.0 * abs(harmonics[2])
    drop = -1200.0 * np.log2(np.sqrt(1.0 + harmonics[0].real))
    unnamed, named = read_hits(take((0.8, 1.6, 1.2)), FS), named_hit((0.8, 1.2, 1.6), {170: (1, 1), 224: (2, 1)})
    for hits in (unnamed, named):
        told = "\n".join(advise(hits))
        assert "10 % of the tension at one of eight rods" in told
        assert f"parts by about {100.0 * split:.1f} % ({170.0 * split:.1f} Hz at 170 Hz)" in told
        assert f"drops about {drop:.0f} cents from 110 Hz" in told
