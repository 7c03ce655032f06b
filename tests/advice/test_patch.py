"""What a patch would do, before it is stuck on: what is asked of it, what the modes' shapes say, when there is none."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import jn_zeros, jv

from drumtune.advice.damping import INNERMOST, advise, best_place
from drumtune.advice.patch import forecast, forecast_lines
from drumtune.advice.ring import read_hits
from drumtune.drum import Head

HEAD = Head.of_film(0.1524, 10)
MODES = ((0, 1), (1, 1), (2, 1))
AIR_MASS = (0.7464, 0.3301, 0.2258)
"""chi of the added mass per side, 2 j^2 int J_m(x)^2/(j^2 - x^2)^2 dx, by quadrature (docs/physics.md, air)."""
FS = 16000


@pytest.fixture(scope="module")
def hit():
    """Reading of three damped lines, 40 dB over noise, given the modes their ratios have on a 12 inch head."""
    times = np.arange(int(1.5 * FS)) / FS
    lines = zip((110.0, 170.0, 224.0), (0.6, 1.4, 0.9), strict=True)
    sound = sum(10 ** (-3 * times / decay) * np.cos(2 * np.pi * f * times) for f, decay in lines)
    (heard,) = read_hits(0.2 * sound + 1e-4 * np.random.default_rng(0).standard_normal(times.size), FS)
    named = zip(heard.partials, MODES, strict=True)
    return replace(heard, partials=tuple(replace(partial, mode=mode) for partial, mode in named))


def test_the_piece_brings_the_longest_to_the_lowest_and_takes_less_from_the_lowest(hit):
    found = forecast(hit, HEAD)
    assert found.target.mode == (1, 1)
    lowest, target, third = ((decay, decay / partial.decay_s) for partial, decay, _ in found.partials)
    assert target[0] == pytest.approx(hit.partials[0].decay_s)
    assert target[1] < third[1] < lowest[1] < 1.0


def test_what_it_takes_from_the_others_follows_the_squared_shapes(hit):
    """Added decay rates as psi^2 over the modal mass, by quadrature of J_m^2 over the head, air on both sides."""
    found = forecast(hit, HEAD)
    grid = np.linspace(0.0, 1.0, 4001)
    expected, added = [], []
    for (m, _), chi, (partial, decay, _) in zip(MODES, AIR_MASS, found.partials, strict=True):
        j = jn_zeros(m, 1)[0]
        share = 1.0 if m == 0 else 0.5
        integral = share * 2.0 * np.trapezoid(jv(m, j * grid) ** 2 * grid, grid)
        mass = integral * (1.0 + 2.0 * 1.204 * HEAD.radius / HEAD.surface_density * chi)
        expected.append(share * jv(m, j * found.patch.radius) ** 2 / mass)
        added.append(1.0 / decay - 1.0 / partial.decay_s)
    assert np.array(added) / added[1] == pytest.approx(np.array(expected) / expected[1], rel=0.01)


@pytest.mark.parametrize(("mode", "most"), [((1, 1), 0.7), ((2, 1), 0.75), ((3, 1), 0.8), ((0, 2), 0.75)])
def test_the_best_place_is_where_no_one_plays_and_not_at_the_very_edge(mode, most):
    """The largest of J_m^2 moves outwards with m (Abramowitz & Stegun, table 9.5, zeros of J_m')."""
    assert INNERMOST <= best_place(mode) <= most


def test_it_is_said_with_its_figures(hit):
    (told,) = forecast_lines(hit, HEAD)
    assert "brings 170 Hz down to the lowest's length" in told
    assert "170 Hz (1,1) 1.40 to 0.60 s (-57 %)" in told
    assert "first order" in told


def test_one_place_is_named_for_the_tape_and_how_far_in_from_the_rim_it_lies(hit):
    """The forecast's place: its share of the 152.4 mm radius, the rest counted from the rim."""
    share = forecast(hit, HEAD).patch.radius
    place = (
        f"{100 * share:.0f} % of the way from the middle to the rim, {152.4 * (1 - share):.0f} mm "
        f"({6 * (1 - share):.1f} inches) in from the rim"
    )
    told = [*advise((hit,), head=HEAD), *forecast_lines(hit, HEAD)]
    assert sum(place in line for line in told) == 2
    assert sum(line.count("% of the way") for line in told) == 2


def test_a_drum_that_dies_evenly_or_has_no_modes_gets_no_forecast(hit):
    short = tuple(replace(partial, decay_s=0.6) for partial in hit.partials)
    assert forecast_lines(replace(hit, partials=short), HEAD) == ()
    unnamed = tuple(replace(partial, mode=None) for partial in hit.partials)
    assert forecast_lines(replace(hit, partials=unnamed), HEAD) == ()
