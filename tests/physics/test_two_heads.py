"""Two heads on a shell: limits and laws, an independent finite-element solution, and published drums.

Marks of check values: P published, Q quoted from a paper by another text, M from memory, C computed from a formula.
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import eig, expm
from scipy.special import jn_zeros

from drumtune.drum import INCH, Air, Head
from drumtune.physics import air as loaded
from drumtune.physics import cavity, membrane, radiation
from drumtune.physics.held_head import coupling, held_frequency, held_tension
from drumtune.physics.two_heads import BOTTOM, TOP, TwoHeads, Vent, all_modes, family, matrices, pair

TOM = TwoHeads(Head.of_film(6 * INCH, 10.0), Head.of_film(6 * INCH, 7.5), 8 * INCH)
VACUUM = Air(1e-9, 343.2)
SPRING_ONLY = Air(1.204e-6, 343.2e3)  # the spring of air, a millionth of its mass

drums = st.builds(
    lambda a, top, bottom, depth: TwoHeads(Head(a, top), Head(a, bottom), depth),
    st.floats(0.1, 0.4),
    st.floats(0.07, 0.6),
    st.floats(0.07, 0.6),
    st.floats(0.08, 0.6),
)
tensions = st.floats(200.0, 5000.0)


def radial_elements(m, radius, count):
    """Stiffness and mass of linear elements on a disc for order m, r dr as weight; (count + 1, count + 1) each."""
    h = radius / count
    stiff, weight = np.zeros((2, count + 1, count + 1))
    nodes, gauss = np.polynomial.legendre.leggauss(4)
    x = 0.5 * (nodes + 1.0)
    shape, grad = np.array([1 - x, x]), np.array([[-1 / h], [1 / h]]) * np.ones(4)
    for e in range(count):
        at, w = h * (e + x), 0.5 * h * gauss
        two = np.ix_([e, e + 1], [e, e + 1])
        stiff[two] += grad * (w * at) @ grad.T + m**2 * shape * (w / at) @ shape.T
        weight[two] += shape * (w * at) @ shape.T
    return stiff, weight


def axial_elements(depth, count):
    """Stiffness and mass of linear elements along the shell, (count + 1, count + 1) each."""
    dz = depth / count
    stiff, mass = np.zeros((2, count + 1, count + 1))
    for e in range(count):
        two = np.ix_([e, e + 1], [e, e + 1])
        stiff[two] += np.array([[1, -1], [-1, 1]]) / dz
        mass[two] += dz * np.array([[2, 1], [1, 2]]) / 6
    return stiff, mass


def fem_frequencies(m, heads, tensions, depth, air, count):
    """Lowest modes of two films on a rigid cylinder of air by linear elements in r and z, in pressure and displacement.

    Independent of the package: no Bessel function, no modes; the coupled problem as it stands, not symmetric.
    """
    across, along = 44, 8
    radial, weight = radial_elements(m, heads[0].radius, across)
    stiff_z, mass_z = axial_elements(depth, along)
    pressure = [i for i in range(across + 1) if not (m and i == 0)]
    film = list(range(1 if m else 0, across))
    cut = np.ix_(pressure, pressure)
    H = np.kron(mass_z, radial[cut]) + np.kron(stiff_z, weight[cut])
    Q = np.kron(mass_z, weight[cut])
    P, F = len(pressure), len(film)
    K = np.zeros((2 * F + len(H),) * 2)
    M = np.zeros_like(K)
    K[2 * F :, 2 * F :], M[2 * F :, 2 * F :] = H, Q / air.sound_speed**2
    for side, (head, tension) in enumerate(zip(heads, tensions, strict=True)):
        own = slice(side * F, (side + 1) * F)
        K[own, own] = tension * radial[np.ix_(film, film)]
        M[own, own] = head.surface_density * weight[np.ix_(film, film)]
        layer = 2 * F + (P * along if side else 0)
        both = weight[np.ix_(film, pressure)]
        K[own, layer : layer + P] = -both  # pressure pushes outward
        M[layer : layer + P, own] = air.density * both.T  # outward acceleration drives the air
    squares = np.real(eig(K, M, right=False))
    return np.sqrt(np.sort(squares[squares > 1.0])[:count]) / (2 * math.pi)


@pytest.mark.parametrize("m", [0, 1, 2])
def test_the_enclosed_air_agrees_with_finite_elements(m):
    heads, pull, depth, air = (Head(0.1524, 0.353), Head(0.1524, 0.265)), (1500.0, 1900.0), 0.203, Air()
    expected = fem_frequencies(m, heads, pull, depth, air, 5)
    drum = TwoHeads(*heads, depth)
    built = matrices(drum, m)
    outside = air.density * heads[0].radius * cavity.outside_mass(m)
    mass = built.mass.copy()
    for rows in (slice(0, cavity.RADIAL), slice(cavity.RADIAL, 2 * cavity.RADIAL)):
        mass[rows, rows] -= outside  # the elements know only the air inside
    spring = built.spring + np.diag(pull[0] * built.film[0] + pull[1] * built.film[1])
    squares = np.sort(np.real(eig(spring, mass, right=False)))
    found = np.sqrt(squares[squares > 1.0][:5]) / (2 * math.pi)
    np.testing.assert_allclose(found, expected, rtol=6e-3)  # linear elements: (j/44)^2/24 at j = 9


@pytest.mark.parametrize("m", [0, 1, 2])
def test_thin_air_leaves_each_head_alone(m):
    found = pair(replace(TOM, near=VACUUM), 1500.0, 1700.0, m)
    expected = [float(membrane.frequency(h, t, m, 1)) for h, t in ((TOM.top, 1500.0), (TOM.bottom, 1700.0))]
    np.testing.assert_allclose(found.frequency, expected, rtol=1e-6)
    np.testing.assert_allclose(found.share, np.eye(2), atol=1e-6)


@pytest.mark.parametrize("m", [0, 1, 2])
def test_in_thin_air_the_film_alone_decides_how_long_a_head_rings(m):
    """A hysteretic spring of loss factor eta dies at eta omega / 2; the edge's rate is the same for all."""
    found = pair(replace(TOM, air=VACUUM), 1500.0, 1700.0, m, loss=0.01, edge=2.0)
    np.testing.assert_allclose(found.decay_rate, 0.5 * 0.01 * 2 * math.pi * found.frequency + 2.0, rtol=1e-5)


@pytest.mark.parametrize("m", [1, 2])
def test_a_slack_bottom_head_does_not_hide_the_top_heads_pair(m):
    """Bottom modes (m,2), (m,3)... pass (m,1) of the top head and mix with it evenly, but hardly move its pitch."""
    slack = np.geomspace(60.0, 330.0, 200)
    alone = pair(replace(TOM, bottom=None), 1500.0, 0.0, m).frequency[0]
    np.testing.assert_allclose(pair(TOM, 1500.0, slack, m).frequency[:, 1], alone, rtol=0.03)


def test_thin_air_has_no_coupling():
    assert coupling(replace(TOM, near=VACUUM), 1500.0, 1700.0) < 0.02 * coupling(TOM, 1500.0, 1700.0)


def test_the_side_to_side_coupling_dies_with_depth_as_sloshing_air_does():
    head, depths = TOM.top, (0.15, 0.3)
    found = [pair(TwoHeads(head, head, depth), 1500.0, 1500.0, 1).frequency for depth in depths]
    wave = math.sqrt((1.84118 / head.radius) ** 2 - (2 * math.pi * found[1].mean() / 343.2) ** 2)  # j'11, A&S Table 9.5
    expected = math.sinh(wave * depths[0]) / math.sinh(wave * depths[1])
    assert np.ptp(found[1]) / np.ptp(found[0]) == pytest.approx(expected, rel=0.05)


@pytest.mark.parametrize(
    ("heads", "pull", "depth", "expected"),
    [  # C: rho 1.204, c 343.2, no air mass
        ((Head(0.1778, 0.265), Head(0.1778, 0.265)), (3000.0, 3000.0), 0.14, (229.04, 399.83)),
        ((Head(0.1524, 0.353), Head(0.1524, 0.265)), (1500.0, 1500.0), 0.203, (174.21, 309.62)),
    ],
)
def test_with_the_mass_of_air_left_out_the_rigid_cavity_is_met(heads, pull, depth, expected):
    np.testing.assert_allclose(pair(TwoHeads(*heads, depth, near=SPRING_ONLY), *pull).frequency, expected, rtol=1e-3)


@pytest.mark.parametrize(("stiffness", "root"), [(1.0, 2.5437), (2.0, 2.6736), (5.0, 3.0197), (10.0, 3.4874)])  # C
def test_a_held_bottom_head_makes_a_kettle_of_the_drum(stiffness, root):
    air, head, tension = Air(), Head(0.1524, 0.353), 1500.0
    depth = air.density * air.sound_speed**2 * head.radius**2 / (tension * stiffness)
    found = held_frequency(TwoHeads(head, head, depth, near=SPRING_ONLY), tension, 0)
    vacuum = float(membrane.frequency(head, tension, 0, 1))
    assert found / vacuum * membrane.bessel_zero(0, 1) == pytest.approx(root, rel=1e-3)


@settings(max_examples=25, deadline=None)
@given(drums, tensions, tensions, st.sampled_from([0, 1, 2]))
def test_turning_the_drum_over_swaps_the_shares(drum, top, bottom, m):
    turned = replace(drum, top=drum.bottom, bottom=drum.top)
    upright, over = pair(drum, top, bottom, m), pair(turned, bottom, top, m)
    np.testing.assert_allclose(over.frequency, upright.frequency, rtol=1e-8)
    np.testing.assert_allclose(over.share, upright.share[:, ::-1], atol=1e-5)
    np.testing.assert_allclose(over.decay_rate, upright.decay_rate, rtol=1e-5)


@settings(max_examples=25, deadline=None)
@given(drums, tensions, tensions, st.sampled_from([0, 1, 2, 3]))
def test_modes_of_a_drum_without_losses_share_no_energy(drum, top, bottom, m):
    frequencies, vectors = all_modes(drum, top, bottom, m)
    built = matrices(drum, m)
    spring = built.spring + np.diag(top * built.film[0] + bottom * built.film[1])
    size = built.size
    np.testing.assert_allclose(vectors.T @ built.mass @ vectors, np.eye(size), atol=1e-8)
    squares = (2 * math.pi * frequencies) ** 2
    np.testing.assert_allclose(vectors.T @ spring @ vectors, np.diag(squares), atol=1e-8 * squares.max())


def test_energy_is_conserved_in_time_without_losses():
    built = matrices(TOM, 0)
    spring = built.spring + np.diag(1500.0 * built.film[0] + 1700.0 * built.film[1])
    size, rng = built.size, np.random.default_rng(5)
    step = expm(
        1e-5
        * np.block(
            [[np.zeros((size, size)), np.eye(size)], [-np.linalg.solve(built.mass, spring), np.zeros((size, size))]]
        )
    )
    state = np.concatenate([1e-4 * rng.standard_normal(size), rng.standard_normal(size)])

    def energy(s):
        return 0.5 * s[:size] @ spring @ s[:size] + 0.5 * s[size:] @ built.mass @ s[size:]

    start = energy(state)
    for _ in range(5000):  # 50 ms, five periods of the note
        state = step @ state
    assert energy(state) == pytest.approx(start, rel=1e-6)


def test_a_shell_with_one_head_and_no_depth_is_a_head_with_air_on_both_sides():
    head = Head(0.328, 0.262)
    for m in range(6):
        found = pair(TwoHeads(head, None, 1e-3), 3000.0, 0.0, m).frequency
        assert found == pytest.approx(
            [float(loaded.frequency(head, 3000.0, m, 1))], rel=8e-3
        )  # radial orders mix; 1 mm of air moves along


def test_a_timpani_head_without_kettle_has_the_published_ratios():
    drum = TwoHeads(Head(0.328, 0.262), None, 1e-3)
    found = np.array([pair(drum, 3000.0, 0.0, m).frequency[0] for m in range(1, 6)])
    # P/Q: T. D. Rossing, "Acoustics of timpani", Percussionist 19(3), 1982, as quoted by R. K. Jones
    np.testing.assert_allclose(found / found[0], [1.0, 1.48, 1.92, 2.36, 2.78], rtol=0.02)


def test_a_shell_with_one_head_gives_all_motion_to_it():
    found = pair(TwoHeads(TOM.top, None, 0.2), 1500.0, 0.0)
    np.testing.assert_allclose(found.share, [[1.0, 0.0]])
    assert found.frequency < float(membrane.frequency(TOM.top, 1500.0, 0, 1))


def test_a_bottom_head_of_nothing_is_no_bottom_head():
    light = TwoHeads(TOM.top, Head(TOM.top.radius, 1e-9), 0.2)
    bare = TwoHeads(TOM.top, None, 0.2)
    modes = all_modes(light, 1500.0, 1e-6, 1)[0]
    np.testing.assert_allclose(modes[-5:], all_modes(bare, 1500.0, 0.0, 1)[0][-5:], rtol=1e-6)


@settings(max_examples=40, deadline=None)
@given(drums, tensions, st.sampled_from([0, 1, 2]), st.sampled_from([TOP, BOTTOM]), st.booleans())
def test_the_tension_comes_back_from_the_pitch_of_a_held_drum(drum, tension, m, head, vented):
    drum = replace(drum, vent=Vent(0.012)) if vented else drum
    assert held_tension(drum, held_frequency(drum, tension, m, head), m, head) == pytest.approx(tension, rel=1e-6)


def test_no_tension_lifts_a_head_above_the_sloshing_of_the_air_it_carries():
    snare = TwoHeads(Head.of_film(7 * INCH, 10.0), Head.of_film(7 * INCH, 3.0), 5.5 * INCH)
    free = 343.2 * 1.84118 / (2 * math.pi * snare.top.radius)  # j'11, A&S Table 9.5: air side to side in the shell
    assert held_tension(snare, 0.8 * free, 1, BOTTOM) > 0.0
    assert held_tension(snare, 1.05 * free, 1, BOTTOM) == 0.0


def test_what_is_no_drum_is_refused():
    with pytest.raises(ValueError, match="one radius"):
        TwoHeads(Head(0.15, 0.3), Head(0.16, 0.3), 0.2)
    with pytest.raises(ValueError, match="depth"):
        TwoHeads(TOM.top, TOM.bottom, 0.0)
    with pytest.raises(ValueError, match="positive"):
        pair(TOM, -1.0, 1500.0)


def test_parallel_heads_ring_longer_than_opposite_ones():
    found = pair(TwoHeads(TOM.top, TOM.top, TOM.depth), 1500.0, 1500.0)
    middle = found.motion[:, :, 0]
    assert middle[0, 0] * middle[0, 1] > 0 > middle[1, 0] * middle[1, 1]
    assert found.radiated[1] > 20 * found.radiated[0]
    assert found.decay_time[0] > 3 * found.decay_time[1]


def test_the_further_the_bottom_head_is_raised_the_more_the_note_radiates():
    found = pair(TOM, 1500.0, np.array([1300.0, 2000.0, 3000.0, 4500.0]))
    assert np.all(np.diff(found.radiated[:, 0]) > 0)


def test_a_family_contains_its_pair():
    found, every = pair(TOM, 1500.0, 1700.0, 1), family(TOM, 1500.0, 1700.0, 1, ceiling=1500.0)
    for k in range(2):
        place = np.argmin(np.abs(every.frequency - found.frequency[k]))
        assert every.decay_rate[place] == pytest.approx(found.decay_rate[k])


def test_a_vent_on_stiff_heads_is_a_resonator_of_its_own():
    drum = replace(TOM, vent=Vent(0.02, 0.006))
    lowest = all_modes(drum, 1e9, 1e9, 0)[0][0]
    volume = math.pi * TOM.top.radius**2 * TOM.depth
    length = 0.006 + 16 * 0.01 / (3 * math.pi)  # both ends flanged
    expected = 343.2 / (2 * math.pi) * math.sqrt(math.pi * 0.01**2 / (volume * length))  # Helmholtz
    assert lowest == pytest.approx(expected, rel=1e-3)


def test_the_plug_of_air_in_a_vent_obeys_newton():
    """Pressure inside, rho c^2 over the volume times what flows out of it, moves the plug; both heads are at work."""
    drum, hole = replace(TOM, vent=Vent(0.1)), 0.05
    frequencies, vectors = all_modes(drum, 100.0, 140.0, 0)
    zeros, area = jn_zeros(0, cavity.RADIAL), math.pi * TOM.top.radius**2
    swept = 2 / zeros * np.tile([1, -1], cavity.RADIAL // 2) * area  # integral of J0(j r) / |J1(j)| over the disc
    top, bottom = (swept @ vectors[h * cavity.RADIAL : (h + 1) * cavity.RADIAL] for h in (TOP, BOTTOM))
    out = area * vectors[-1]
    length = 0.006 + 16 * hole / (3 * math.pi)
    inertia = 1.204 * length / (math.pi * hole**2)
    pressure = -1.204 * 343.2**2 / (area * TOM.depth) * (out - top + bottom)
    np.testing.assert_allclose(pressure, -inertia * (2 * math.pi * frequencies) ** 2 * out, rtol=1e-6, atol=1e-3)


def test_a_shell_that_breathes_through_its_vent_is_no_monopole():
    """Far below the vent's resonance as much air goes out as the head pushes in: (f/f_vent)^2 of it is left over."""
    found = pair(replace(TOM, vent=Vent(0.1)), 10.0, 1e9)
    omega = 2 * math.pi * found.frequency[0]
    swept = found.motion[0, TOP] @ (2 / jn_zeros(0, cavity.RADIAL) * np.tile([1, -1], cavity.RADIAL // 2))
    monopole = 1.204 * omega**2 * TOM.top.radius**2 * swept**2 / (8 * 343.2)  # rho omega^2 Q^2 / (8 pi c) over 2 E
    assert found.radiated[0] < 0.01 * monopole  # (26 / 132)^4 is left of the monopole, and the dipole beside it


def test_a_vent_takes_from_its_resonator_what_its_resistance_says():
    """A mass on a spring dies at R/(2M): the plug's mass over the square of its area."""
    drum = replace(TOM, vent=Vent(0.02))
    found = family(drum, 1e9, 1e9, 0, ceiling=100.0, loss=0.0, edge=0.0)
    inertia = 1.204 * (0.006 + 16 * 0.01 / (3 * math.pi)) / (math.pi * 0.01**2)
    resistance = radiation.vent_resistance(0.02, 0.006, float(found.frequency[0]), Air())
    np.testing.assert_allclose(found.internal, [0.5 * resistance / inertia], rtol=1e-3)


def test_a_pinhole_changes_nothing_and_a_vent_costs_sustain():
    plain, pinhole, vent = (pair(replace(TOM, vent=v), 1500.0, 1900.0) for v in (None, Vent(1e-5), Vent(0.012)))
    np.testing.assert_allclose(pinhole.frequency, plain.frequency, rtol=1e-4)
    assert np.all(vent.internal > plain.internal)


def test_the_snare_drum_comes_out_of_sizes_alone():
    # 14 x 6.5 inch with usual films (T); blocked heads M, coupled pair Q: Rossing et al., JASA 92(1), 1992
    drum = TwoHeads(Head.of_film(7 * INCH, 10.0), Head.of_film(7 * INCH, 3.0), 6.5 * INCH)
    pull = held_tension(drum, 227.0, 0, TOP), held_tension(drum, 299.0, 0, BOTTOM)
    np.testing.assert_allclose(pair(drum, *pull).frequency, [182.0, 330.0], rtol=0.05)
    assert coupling(drum, *(float(t) for t in pull)) == pytest.approx(181.0, rel=0.06)


def test_the_bass_drum_comes_out_as_far_as_the_model_reaches():
    # P, ratios only: Fletcher & Rossing, The Physics of Musical Instruments, ch. 18; size M, depth and films assumed
    drum = TwoHeads(Head(0.41, 0.35), Head(0.41, 0.35), 0.46)
    pull = float(held_tension(drum, 79.0, 1))
    low, high = pair(drum, pull, pull).frequency
    assert high / low == pytest.approx(2.36, rel=0.04)  # 2.42 here; a rigid cavity without air mass ends at 2.1355
    first = pair(drum, pull, pull, 1).frequency
    assert first[1] / first[0] == pytest.approx(1.08, rel=0.01)
    higher = [pair(drum, pull, pull, m).frequency.mean() / low for m in (2, 3, 4, 5)]
    np.testing.assert_allclose(higher[:3], [2.72, 3.64, 4.50], rtol=0.035)
    assert higher[3] == pytest.approx(5.46, rel=0.06)  # falls behind: no stiffness of film, shell and hoop
