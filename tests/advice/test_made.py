"""Which moves were made as told: changes drawn from the statement itself, mistakes put in by hand."""

from dataclasses import replace

import numpy as np
import pytest

from drumtune.advice.inversion.after import After
from drumtune.advice.made import AS_TOLD, SURE, Slip, hear_moves, missing_turns, moves_made
from drumtune.advice.rounds import Kept, know
from drumtune.advice.turns import Move
from drumtune.drum import INCH, Drum, Head
from drumtune.physics import air
from drumtune.physics.rods import harmonic_projectors

RODS = 8
DRUM = Drum(Head.of_film(6 * INCH, 10.0), RODS)
TENSION = float(air.tension(DRUM.head, 230.0, 1, 1))
KNOWN = know(DRUM, [Kept(np.zeros(RODS), np.eye(RODS), 230.0, 0.02, TENSION)])
RESPONSE = KNOWN.response
MOVES = (
    Move(1, 3, "raise", 1 / 8),
    Move(2, 7, "lower", 1 / 8),
    Move(3, 1, "raise", 1 / 4),
    Move(4, 5, "raise", 1 / 16),
)
SD = 1.0


def turns_of(place=None, slip=AS_TOLD):
    """Signed turns made with each move, shape (4, 8), one of them with a slip."""
    turns = np.zeros((4, RODS))
    for row, move in enumerate(MOVES):
        made = slip if row == place else AS_TOLD
        turns[row, (move.rod - 1 + made.beside) % RODS] += made.factor * move.signed
    return turns


def heard(turns, *, ratio=1.0, noise=None, late=None):
    """What is heard after each move on a drum that gives `ratio` of what its sizes say; odd harmonics are not told."""
    parts = harmonic_projectors(RODS)
    covariance = sum((SD if k % 2 == 0 else 30.0) ** 2 * part for k, part in enumerate(parts))
    cents = np.cumsum(ratio * turns @ RESPONSE.matrix.T, axis=0) + (0.0 if late is None else late)
    if noise is not None:
        cents = cents + noise.multivariate_normal(np.zeros(RODS), covariance, 4)
    return [After(row, covariance, 1.0) for row in cents]


@pytest.mark.parametrize("ratio", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("slip", [Slip(0.0), Slip(-1.0), Slip(1.0, 1), Slip(1.0, -1)])
def test_a_quarter_turn_missed_reversed_or_made_next_door_is_found_on_any_drum(ratio, slip):
    made = moves_made(heard(turns_of(2, slip), ratio=ratio), MOVES, KNOWN)
    assert [one.likely for one in made] == [AS_TOLD, AS_TOLD, slip, AS_TOLD]
    assert made[2].probability > SURE
    assert made[2].instead == ((slip.beside) % RODS + 1 if slip.beside else 0)


def test_what_is_missing_puts_every_rod_right():
    """The other way wants twice the turn; at the next rod, that one back and the right one turned."""
    told = turns_of().sum(axis=0)
    for slip in (Slip(0.0), Slip(-1.0), Slip(1.0, 1)):
        real = turns_of(2, slip)
        right = missing_turns(moves_made(heard(real), MOVES, KNOWN), RODS)
        assert real.sum(axis=0) + right == pytest.approx(told)


def test_a_turn_made_twice_is_found_where_the_drum_is_known():
    known = replace(KNOWN, response=replace(RESPONSE, relative_covariance=0.01 * np.eye(RODS // 2 + 1)))
    made = moves_made(heard(turns_of(1, Slip(2.0))), MOVES, known)
    assert [one.likely for one in made] == [AS_TOLD, Slip(2.0), AS_TOLD, AS_TOLD]
    assert missing_turns(made, RODS)[6] == pytest.approx(0.125)


def test_moves_made_as_told_are_hardly_ever_blamed():
    """400 moves with noise as stated and turns off by 5 %: at a probability of 0.8 a few at most."""
    rng = np.random.default_rng(3)
    blamed = 0
    for _ in range(100):
        turns = turns_of() * (1.0 + 0.05 * rng.standard_normal((4, 1)))
        found = moves_made(heard(turns, ratio=2.0 ** rng.uniform(-1.0, 1.0), noise=rng), MOVES, KNOWN)
        blamed += sum(one.wrong for one in found)
    assert blamed <= 6


def test_what_friction_lets_through_late_is_not_taken_for_a_turn():
    """A change of the round before that comes with the first move: as foreseen, and twice that."""
    late = RESPONSE.matrix @ np.eye(RODS)[4] * 0.04
    known = replace(KNOWN, waiting=late)
    for times in (1.0, 2.0):
        made = moves_made(heard(turns_of(), late=times * late), MOVES, known)
        assert not any(one.wrong for one in made)


def test_moves_too_small_to_be_heard_are_said_to_be_and_never_blamed():
    small = tuple(Move(i + 1, i + 1, "raise", 1 / 512) for i in range(4))
    made = moves_made(heard(np.zeros((4, RODS))), small, KNOWN)
    assert not any(one.audible or one.wrong for one in made)


def test_changes_expected_and_heard_are_those_of_each_move_alone():
    made = moves_made(heard(turns_of()), MOVES, KNOWN)
    alone = RESPONSE.gains[0] / RODS * np.array([move.signed for move in MOVES])
    assert [one.heard_cents for one in made] == pytest.approx(alone)
    assert [one.expected_cents for one in made] == pytest.approx(alone, rel=0.1)
    assert made[1].heard_sd_cents > made[0].heard_sd_cents > SD / np.sqrt(RODS)


def test_each_move_wants_taps():
    with pytest.raises(ValueError, match="wants taps"):
        hear_moves(None, [], MOVES, KNOWN)
