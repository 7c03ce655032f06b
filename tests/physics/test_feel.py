"""Feel: static stiffness against a modal sum, contact time against a film and mass stepped in time."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import j1, jn_zeros

from drumtune.drum import Head
from drumtune.physics import feel

HEAD = Head.of_film(0.1524, 10.0)


def test_stiffness_is_the_sum_of_the_modes_compliances():
    share = feel.TIP_RADIUS / HEAD.radius
    zeros = jn_zeros(0, 3000)
    grip = 2 * j1(zeros * share) / (zeros * share) / np.abs(j1(zeros))
    compliance = np.sum(grip**2 / (1500.0 * math.pi * zeros**2))  # K of a mode of mean square 1: T j^2 pi
    assert feel.stiffness(HEAD, 1500.0) == pytest.approx(1 / compliance, rel=1e-3)


@settings(max_examples=20, deadline=None)
@given(st.floats(300.0, 6000.0), st.floats(1.1, 3.0))
def test_stiffness_goes_as_the_tension_and_contact_as_its_root_for_a_heavy_stick(tension, factor):
    assert feel.stiffness(HEAD, factor * tension) == pytest.approx(factor * feel.stiffness(HEAD, tension))
    one, two = (feel.contact_time(HEAD, t, mass=0.05) for t in (tension, factor * tension))
    assert two == pytest.approx(one / math.sqrt(factor), rel=1e-6)


def test_a_heavier_stick_stays_longer_and_at_last_half_a_period():
    times = [feel.contact_time(HEAD, 1500.0, mass=m) for m in (0.005, 0.02, 0.2)]
    assert times == sorted(times)
    half = math.pi * math.sqrt(0.2 / float(feel.stiffness(HEAD, 1500.0)))
    assert times[2] == pytest.approx(half, rel=0.02)


def stepped_contact(head, tension, mass, tip):
    """Contact time by finite differences: rings of film stepped in time, those under the tip moving with the mass.

    Sticks of 18 g and more: at 6 g the wave back from the rim meets a force that is all but gone, and either answer
    (4.4 or 5.9 ms) hangs on the grid.
    """
    count = 183  # rings of 0.83 mm: the tip covers six
    edges = np.linspace(0.0, head.radius, count + 1)
    area = math.pi * np.diff(edges**2)
    dr = edges[1]
    under = round(tip / dr)
    inertia = head.surface_density * area
    w, v = np.zeros(count), np.zeros(count)
    v[:under] = 1.0 / (1.0 + inertia[:under].sum() / mass)
    dt = 0.3 * dr / math.sqrt(tension / head.surface_density)
    for k in range(1, 200000):
        gap = np.diff(np.append(w, 0.0)) / np.append(np.full(count - 1, dr), 0.5 * dr)
        flux = np.concatenate([[0.0], 2 * math.pi * edges[1:] * tension * gap])
        force = np.diff(flux)
        push = force[:under].sum() / (inertia[:under].sum() + mass)
        v[under:] += dt * force[under:] / inertia[under:]
        v[:under] += dt * push
        w += dt * v
        if push > 0.0 and k > 10:
            return k * dt  # the film would have to pull the stick
    raise AssertionError("the stick stayed")


@pytest.mark.parametrize(("tension", "mass"), [(1500.0, 0.018), (4000.0, 0.018), (1500.0, 0.03)])
def test_contact_time_agrees_with_a_film_stepped_in_time(tension, mass):
    expected = stepped_contact(HEAD, tension, mass, feel.TIP_RADIUS)
    assert feel.contact_time(HEAD, tension, mass=mass) == pytest.approx(expected, rel=0.03)


def test_what_cannot_be_struck_is_refused():
    with pytest.raises(ValueError, match="tension"):
        feel.stiffness(HEAD, 0.0)
    with pytest.raises(ValueError, match="mass"):
        feel.contact_time(HEAD, 1500.0, mass=0.0)
