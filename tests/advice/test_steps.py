"""The integer program against every combination tried, one by one."""

import itertools

import numpy as np
import pytest

from drumtune.advice import steps
from drumtune.drum import INCH, Drum, Head
from drumtune.physics.rods import rod_response

TIE = 1e-6
"""Two choices whose costs differ by less, in cents, are alike."""


def problem(rods, seed, most=4, least=1, left_alone=()):
    rng = np.random.default_rng(seed)
    pulls = rng.normal(0.0, 35.0, rods)
    pulls -= pulls.mean()
    effect = rod_response(Drum(Head.of_film(7 * INCH, 10.0), rods), 2500.0).matrix / 16.0
    direction = -np.sign(pulls).astype(int)
    direction[list(left_alone)] = 0
    return steps.Problem(pulls, effect, direction, np.full(rods, least), np.full(rods, most))


def every_choice(task):
    options = [
        [0, *(d * s for s in range(low, high + 1))] if d else [0]
        for d, low, high in zip(task.direction, task.least, task.most, strict=True)
    ]
    return np.array(list(itertools.product(*options)))


def best_cost(task):
    return min(task.cost(choice) for choice in every_choice(task))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("rods", [4, 5])
def test_no_other_combination_is_better(rods, seed):
    task = problem(rods, seed)
    assert task.cost(steps.best_steps(task)) == pytest.approx(best_cost(task), abs=TIE)


@pytest.mark.parametrize("seed", range(3))
def test_no_other_combination_is_better_with_limits_of_each_kind(seed):
    task = problem(6, seed, most=3, least=2, left_alone=(1, 4))
    found = steps.best_steps(task)
    assert task.cost(found) == pytest.approx(best_cost(task), abs=TIE)
    assert all(count in (0, 2, 3) for count in np.abs(found))
    assert not found[[1, 4]].any()


def test_trying_one_rod_at_a_time_comes_near_the_best():
    ratios = []
    for seed in range(6):
        task = problem(5, seed)
        free = np.arange(5)
        found = task.direction * steps._descend(task, free)
        ratios.append(task.cost(found) / best_cost(task))
    assert min(ratios) >= 1.0 - TIE
    assert np.median(ratios) < 1.5


def test_when_the_solver_gives_up_a_rod_at_a_time_is_tried(monkeypatch):
    task = problem(5, 1)
    monkeypatch.setattr(steps, "_solve_in", lambda *_: None)
    found = steps.best_steps(task)
    assert task.cost(found) < task.cost(np.zeros(5, dtype=int))
    assert np.abs(found).max() <= 4


def test_nothing_free_to_move_is_left_alone():
    task = problem(4, 0, left_alone=(0, 1, 2, 3))
    np.testing.assert_array_equal(steps.best_steps(task), np.zeros(4))


def test_a_move_that_gains_less_than_its_price_is_not_made():
    task = problem(4, 0)
    dear = steps.Problem(task.pulls, task.effect, task.direction, task.least, task.most, steps.Prices(move=1000.0))
    np.testing.assert_array_equal(steps.best_steps(dear), np.zeros(4))


@pytest.mark.parametrize("rods", [6, 10, 16])
def test_the_solver_prints_nothing(rods, capfd):
    for seed in range(5):
        steps.best_steps(problem(rods, seed))
    assert capfd.readouterr() == ("", "")
