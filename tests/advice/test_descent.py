"""The descent of the inference: gains at their best, gains foreseen, and where it comes to rest."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_inversion import a_point

from drumtune.advice.inversion.layout import modes
from drumtune.advice.inversion.model import forward
from drumtune.advice.inversion.newcomers import MOVES, _lowest
from drumtune.advice.inversion.solve import (
    FARTHEST,
    Data,
    Pace,
    Point,
    Problem,
    _modes_settled,
    _sane,
    assemble,
    descend,
    foreseen,
    moved,
    settled,
    step,
    valley,
)
from drumtune.advice.inversion.start import Start, first_prior


def a_fit(off: float, seed: int = 3) -> Point:
    """A point `off` (relative) from the one whose spectra, with noise of 1 %, are to be explained."""
    rng = np.random.default_rng(seed)
    model, state, grid = a_point(seed)
    sound = forward(model, state, grid).spectra
    level = float(np.sqrt(np.mean(np.abs(sound) ** 2)))
    noise = 0.01 * level * (rng.standard_normal(sound.shape) + 1j * rng.standard_normal(sound.shape))
    data = Data(sound + noise, np.zeros(sound.shape, complex), 0.0, np.full(sound.shape, (0.02 * level) ** -2))
    lines = 80.0 * modes().zero / np.sqrt(1.0 + 1.1 * modes().chi)
    problem = Problem(model, grid, data, first_prior(model, Start(lines, 1.1)))
    common, own = state.common.copy(), state.own.copy()
    common[model.at.field] += off * rng.standard_normal(model.rods - 1)
    common[model.at.offset] += 0.2 * off * rng.standard_normal(common[model.at.offset].size)
    common[model.at.gain] *= 0.0
    own[:, :5] += off * rng.standard_normal(own[:, :5].shape)
    return Point.at(problem, replace(state, common=common, own=own))


def cost_at(point: Point, common: np.ndarray) -> float:
    """Cost at other common unknowns, the bins' gains kept."""
    problem, state = point.problem, replace(point.state, common=common)
    rest = problem.sound(state) - state.gain * forward(problem.model, state, problem.grid).spectra
    strange = ((common - problem.prior.mean) / problem.prior.sd) ** 2
    return float(np.sum(problem.data.weight * np.abs(rest) ** 2) + strange.sum())


def test_settling_puts_the_gains_of_the_modes_to_their_best():
    point = a_fit(0.02)
    at, once = point.problem.model.at.gain, _modes_settled(point)
    best = cost_at(once, once.state.common)
    assert best < 0.5 * cost_at(point, point.state.common)
    for place in range(at.start, at.stop, 3):
        for change in (-1e-3, 1e-3):
            other = once.state.common.copy()
            other[place] += change
            assert cost_at(once, other) > best
    assert once.here.spectra == pytest.approx(forward(point.problem.model, once.state, point.problem.grid).spectra)


def test_settling_again_never_raises_the_cost():
    point, cost = settled(a_fit(0.02))
    for _ in range(5):
        point, lower = settled(point)
        assert lower <= cost * (1.0 + 1e-12)
        cost = lower


def test_a_short_step_gains_what_was_foreseen():
    point, cost = settled(a_fit(0.01))
    system = assemble(point)
    change = step(system, 1e3, valley(point.problem.model))
    there = Point.at(point.problem, moved(point.state, change))
    assert 0.0 < cost - there.cost < 0.2 * cost
    assert (cost - there.cost) / foreseen(system, change) == pytest.approx(1.0, abs=0.05)


def test_descents_from_two_starts_come_to_the_same_rest():
    ends = [descend(a_fit(off), Pace(40, tolerance=1e-5)) for off in (0.005, 0.02)]
    costs = [settled(end)[1] for end in ends]
    assert costs[0] == pytest.approx(costs[1], rel=0.02)
    at = ends[0].problem.model.at.field
    assert ends[0].state.common[at][2:] == pytest.approx(ends[1].state.common[at][2:], abs=2e-3)


def test_no_step_takes_a_family_to_another_ones_line():
    point = a_fit(0.0)
    near, far = (point.state.common.copy() for _ in range(2))
    near[point.problem.model.at.offset.start + 5] += 0.9 * FARTHEST
    far[point.problem.model.at.offset.start + 5] += 1.1 * FARTHEST
    model, state = point.problem.model, point.state
    assert _sane(model, state, replace(state, common=near))
    assert not _sane(model, state, replace(state, common=far))


@pytest.mark.parametrize(
    ("cost", "place"),
    [
        ([9, 8, 7, 8, 9], 2),
        ([9, 3, 7, 5, 9], 1),
        ([9, 8, 7, 5, 1], 2),  # falls to the edge: another line's
        ([0, 8, 7, 8, 1], 2),
    ],
)
def test_a_family_goes_into_a_dip_not_to_the_edge(cost, place):
    assert _lowest(np.array(cost, float)) == place


def test_the_middle_of_the_search_is_no_move():
    assert MOVES[MOVES.size // 2] == pytest.approx(0.0)
