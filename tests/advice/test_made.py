"""Which moves were made as told: courses drawn from the statement itself, mistakes put in by hand."""

import numpy as np
import pytest

from drumtune.advice.made import SURE, moves_made
from drumtune.advice.turns import Move
from drumtune.drum import INCH, Drum, Head
from drumtune.dsp.middle import Course
from drumtune.physics import air
from drumtune.physics.rods import RodResponse, rod_response

DRUM = Drum(Head.of_film(6 * INCH, 10.0), 6)
RESPONSE = rod_response(DRUM, float(air.tension(DRUM.head, 230.0, 1, 1)))
MOVES = (
    Move(1, 3, "raise", 1 / 8),
    Move(2, 6, "lower", 1 / 8),
    Move(3, 1, "raise", 1 / 4),
    Move(4, 4, "raise", 1 / 16),
)
TOLD = np.array([1 / 8, -1 / 8, 1 / 4, 1 / 16])
SD = 1.0


def course(turns, *, ratio=1.0, noise=None):
    """What is heard of turns on a drum that gives `ratio` of what its sizes say, noise with its covariance."""
    cents = np.cumsum(ratio * RESPONSE.gains[0] / RESPONSE.rods * np.asarray(turns))
    covariance = SD**2 * (np.eye(4) + 0.5)
    if noise is not None:
        cents = cents + noise.multivariate_normal(np.zeros(4), covariance)
    return Course(cents, covariance, 130.0, 0.02)


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0])
@pytest.mark.parametrize(("kind", "factor"), [("left out", 0.0), ("the other way", -1.0)])
def test_a_quarter_turn_left_out_or_made_the_other_way_is_found_on_any_drum(ratio, kind, factor):
    turns = TOLD * [1.0, 1.0, factor, 1.0]
    made = moves_made(course(turns, ratio=ratio), MOVES, RESPONSE)
    assert [one.missing for one in made] == [0.0, 0.0, pytest.approx(0.25 * (1.0 - factor)), 0.0]
    assert made[2].likely == pytest.approx(0.25 * factor)
    assert made[2].probability > SURE


def test_a_turn_made_twice_is_found_where_the_drum_is_known():
    """Without rounds behind it the drum's own ratio might as well be twice as large, and nothing is claimed."""
    turns = TOLD * [1.0, 2.0, 1.0, 1.0]
    known = RodResponse(6, RESPONSE.gains, 0.01 * np.eye(4))
    made = moves_made(course(turns), MOVES, known)
    assert [one.missing for one in made] == [0.0, pytest.approx(0.125), 0.0, 0.0]


def test_two_mistakes_in_one_round_are_both_found():
    made = moves_made(course(TOLD * [-1.0, 1.0, 0.0, 1.0]), MOVES, RESPONSE)
    assert [one.missing for one in made] == [pytest.approx(0.25), 0.0, pytest.approx(0.25), 0.0]


def test_moves_made_as_told_are_hardly_ever_blamed():
    """800 moves with noise as stated and turns off by 5 %: at a probability of 0.9 a few at most (here 1 in 100)."""
    rng = np.random.default_rng(3)
    blamed = 0
    for _ in range(200):
        turns = TOLD * (1.0 + 0.05 * rng.standard_normal(4))
        heard = course(turns, ratio=2.0 ** rng.uniform(-1.0, 1.0), noise=rng)
        blamed += sum(one.missing != 0.0 for one in moves_made(heard, MOVES, RESPONSE))
    assert blamed <= 8


def test_moves_too_small_to_be_heard_are_said_to_be_and_never_blamed():
    small = tuple(Move(i + 1, i + 1, "raise", 1 / 64) for i in range(4))
    made = moves_made(course(np.zeros(4)), small, RESPONSE)
    assert not any(one.audible or one.missing for one in made)


def test_changes_expected_and_heard_are_those_of_each_move_alone():
    made = moves_made(course(TOLD), MOVES, RESPONSE)
    alone = RESPONSE.gains[0] / 6.0 * TOLD
    assert [one.heard_cents for one in made] == pytest.approx(alone)
    assert [one.expected_cents for one in made] == pytest.approx(alone, rel=0.1)
    assert made[0].heard_sd_cents == pytest.approx(SD * np.sqrt(1.5))  # the variance of a first pitch
    assert made[1].heard_sd_cents == pytest.approx(SD * np.sqrt(2.0))  # of a difference: 2 (1.5 - 0.5)


@pytest.mark.parametrize("moves", [(), MOVES[:3]])
def test_each_move_wants_a_pitch(moves):
    with pytest.raises(ValueError, match="wants a pitch"):
        moves_made(course(TOLD), moves, RESPONSE)
