"""The plan of turns: its laws, its manners, and rounds on drums that answer otherwise than thought."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drumtune.advice.turns import (
    EVEN_SPREAD,
    MOST_STEPS,
    STEP,
    Move,
    beating_spread,
    crosswise,
    moved,
    plan_moves,
    signed_turns,
    words,
)
from drumtune.drum import INCH, Drum, Head
from drumtune.physics.rods import RodResponse, harmonic_projectors, rod_response

TENSION = 2500.0
LOADED = Head.of_film(7.0 * INCH, 10.0)
FEW = settings(max_examples=15, deadline=None, derandomize=True)


def drum(rods=8, hoop="flanged", head=LOADED):
    return Drum(head, rods, hoop)


def noise(rods, sd=3.0):
    return sd**2 * (np.eye(rods) - 1.0 / rods)


def plan(pulls, sd=3.0, **options):
    pulls = np.asarray(pulls, float)
    return plan_moves(pulls, noise(pulls.size, sd), drum(pulls.size), TENSION, **options)


@st.composite
def uneven(draw, spread=(0.0, 200.0)):
    """Pulls of 4 to 8 rods, to a tenth of a cent, no two alike, sum zero."""
    rods = draw(st.integers(4, 8))
    raw = draw(st.lists(st.integers(-1000, 1000), min_size=rods, max_size=rods, unique=True))
    x = np.array(raw, float)
    x -= x.mean()
    return x * draw(st.floats(*spread)) / np.ptp(x)


SEESAW = [40.0, 15.0, -20.0, -38.0, -30.0, -8.0, 12.0, 29.0]
"""A head of 8 rods with one side tight and some more."""


def turned(result):
    return {(move.rod, move.action, move.turns) for move in result.moves}


@FEW
@given(uneven((40.0, 200.0)), st.integers(1, 7))
def test_turning_the_drum_turns_the_moves(x, shift):
    shift %= x.size
    moved = {((rod - 1 + shift) % x.size + 1, action, turns) for rod, action, turns in turned(plan(x))}
    assert turned(plan(np.roll(x, shift))) == moved


@FEW
@given(uneven((40.0, 200.0)))
def test_mirroring_the_drum_mirrors_the_moves(x):
    moved = {(x.size + 1 - rod, action, turns) for rod, action, turns in turned(plan(x))}
    assert turned(plan(x[::-1])) == moved


@FEW
@given(uneven(), st.floats(0.2, 12.0))
def test_moves_keep_their_limits_and_stay_out_of_the_noise(x, sd):
    result = plan(x, sd)
    deviation = np.sqrt(np.diagonal(noise(x.size, sd)))
    assert [move.order for move in result.moves] == list(range(1, len(result.moves) + 1))
    assert len({move.rod for move in result.moves}) == len(result.moves)
    for move in result.moves:
        assert move.turns / STEP in range(1, MOST_STEPS + 1)
        assert abs(x[move.rod - 1]) > deviation[move.rod - 1]
        assert (move.action == "raise") == (x[move.rod - 1] < 0.0)


@pytest.mark.parametrize("sd", [20.0, 30.0, 40.0])
def test_no_move_is_so_small_that_it_would_not_show_above_the_deviation(sd):
    """Whole steps of 18 cents at their own rod that reach its deviation: 2, 2 and 3; no more is asked."""
    own = rod_response(drum(), TENSION).matrix[0, 0]
    deviation = sd * np.sqrt(7.0 / 8.0)
    shown = [move.turns * own / deviation for move in plan(3.0 * np.array(SEESAW), sd).moves]
    assert min(shown) >= 1.0
    assert min(shown) < 1.0 + STEP * own / deviation


@FEW
@given(uneven(), st.floats(0.2, 12.0))
def test_the_spread_expected_is_not_larger_than_the_present(x, sd):
    result = plan(x, sd)
    assert result.expected_spread_cents <= np.ptp(x) + 1e-9
    assert result.expected_spread_sd_cents >= 0.0


def test_a_drum_too_strong_for_sixteenths_is_turned_in_thirty_seconds():
    """Known gains of which a 1/16 turn moves a rod by far more than it is off; a 1/32 turn serves."""
    strong = RodResponse(8, np.array([1700.0, 500.0, 1400.0, 1400.0, 1400.0]), 1e-4 * np.eye(5))
    x = np.array([20.0, -20.0, 20.0, -20.0, 20.0, -20.0, 20.0, -20.0])
    result = plan_moves(x, noise(8, 1.0), drum(8), TENSION, strong, verdict="uneven")
    assert {move.turns for move in result.moves} == {STEP / 2.0}
    assert all((move.action == "lower") == (x[move.rod - 1] > 0.0) for move in result.moves)
    assert result.expected_spread_cents < 0.5 * np.ptp(x)


@FEW
@given(uneven((0.0, EVEN_SPREAD)), st.floats(1.0, 6.0))
def test_a_head_that_may_be_even_gets_no_move_above_a_step(x, sd):
    assert all(move.turns == STEP for move in plan(x, sd, verdict="uneven").moves)


@pytest.mark.parametrize("verdict", ["even", "unsure"])
def test_an_even_or_a_doubtful_head_gets_no_move(verdict):
    result = plan(SEESAW, verdict=verdict)
    assert result.moves == ()
    assert result.expected_spread_cents == pytest.approx(np.ptp(SEESAW))


def test_a_perfect_head_gets_no_move():
    result = plan(np.zeros(6))
    assert result.moves == ()
    assert result.expected_spread_cents == 0.0


def test_a_doubtful_reading_asks_for_another_round_of_taps():
    assert any("tap round again" in note for note in plan(SEESAW, verdict="unsure").notes)


def test_the_tight_side_goes_down_and_the_slack_side_up():
    pattern = signed_turns(plan(SEESAW).moves, 8)
    assert pattern[0] < 0.0 < pattern[3]
    assert float(np.dot(pattern, SEESAW)) < 0.0


def test_raising_is_preferred():
    # one rod high by as much as its opposite is low: the same work up or down
    result = plan([25.0, 0.0, 0.0, -25.0, 0.0, 0.0], sd=1.0)
    up = sum(move.turns for move in result.moves if move.action == "raise")
    down = sum(move.turns for move in result.moves if move.action == "lower")
    assert up >= down


def test_a_need_beyond_a_round_is_scaled_and_not_cut_off():
    x = 6.0 * np.array(SEESAW)
    result = plan(x)
    pattern = signed_turns(result.moves, 8)
    assert np.abs(pattern).max() == MOST_STEPS * STEP
    assert any("% of the way" in note for note in result.notes)
    # a cut-off pattern would turn every rod by the limit
    assert len({move.turns for move in result.moves}) > 1
    assert np.corrcoef(pattern, -x)[0, 1] > 0.9


def test_a_better_known_response_is_trusted_further():
    prior = rod_response(drum(), TENSION)
    known = RodResponse(8, prior.gains, 0.01 * np.eye(5))
    x, C = np.array(SEESAW), noise(8, 1.0)
    loose, sure = (plan_moves(x, C, drum(), TENSION, response) for response in (prior, known))
    assert np.abs(signed_turns(sure.moves, 8)).sum() > np.abs(signed_turns(loose.moves, 8)).sum()
    assert sure.expected_spread_cents < loose.expected_spread_cents
    assert sure.expected_spread_sd_cents < loose.expected_spread_sd_cents


def test_the_expected_spread_holds_over_drums_as_unknown_as_it_says():
    rng = np.random.default_rng(11)
    x, C = np.array(SEESAW), noise(8, 3.0)
    response = rod_response(drum(), TENSION)
    result = plan_moves(x, C, drum(), TENSION)
    turns, projectors = signed_turns(result.moves, 8), harmonic_projectors(8)
    factors = rng.multivariate_normal(np.ones(5), response.relative_covariance, 4000)
    effects = np.einsum("dk,kij,j->di", factors * response.gains, projectors, turns)
    spreads = np.ptp(x + rng.multivariate_normal(np.zeros(8), C, 4000) + effects, axis=1)
    assert result.expected_spread_cents == pytest.approx(spreads.mean(), rel=0.05)
    assert result.expected_spread_sd_cents == pytest.approx(spreads.std(), rel=0.1)


def rounds(x, factors, count=6, sd=1.5, seed=3):
    """True spread before and after each round when the rods answer by `factors` (per harmonic) times the prior."""
    rng = np.random.default_rng(seed)
    n = x.size
    gains = rod_response(drum(n), TENSION).gains * factors
    truth = np.tensordot(gains, harmonic_projectors(n), 1)
    spreads = [np.ptp(x)]
    for _ in range(count):
        read = x + rng.multivariate_normal(np.zeros(n), noise(n, sd))
        turns = signed_turns(plan(read - read.mean(), sd).moves, n)
        x = x + truth @ turns
        x -= x.mean()
        spreads.append(np.ptp(x))
    return np.array(spreads)


STARTS = [np.array(SEESAW), np.array([60.0, -35.0, 20.0, -50.0, 15.0, -10.0]), np.array([70.0, -10, -25, -20, -15])]


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize(("factor", "count"), [(0.5, 6), (1.0, 4), (2.0, 6)])
def test_rounds_make_a_head_even_though_the_gain_is_wrong_by_two(start, factor, count):
    # a step of 1/16 turn moves a rod by about 18 cents here, twice that at factor 2: finer than this no round can be
    spreads = rounds(start, factor, count)
    coarse = STEP * factor * rod_response(drum(start.size), TENSION).matrix[0, 0]
    assert spreads[-1] < max(EVEN_SPREAD, 1.25 * coarse)
    assert spreads.max() == spreads[0]


@pytest.mark.parametrize("tilt", [0.3, 2.0])
def test_rounds_do_not_diverge_when_a_tilt_answers_otherwise_than_thought(tilt):
    spreads = rounds(np.array(SEESAW), np.array([1.0, tilt, 1.0, 1.0, 1.0]), 8)
    assert spreads[-1] < 0.55 * spreads[0]
    assert spreads.max() == spreads[0]


def test_star_order_goes_across_and_fills_the_gaps():
    # common practice for 8, 6 and 5 rods
    assert crosswise(list(range(8)), 8, 0) == [0, 4, 2, 6, 1, 5, 3, 7]
    assert crosswise(list(range(6)), 6, 0) == [0, 3, 1, 4, 2, 5]
    for rods in (5, 7, 10, 16):
        order = crosswise(list(range(rods)), rods, 2)
        assert sorted(order) == list(range(rods))
        assert order[0] == 2
        assert abs(order[1] - order[0]) in (rods // 2, rods - rods // 2)


def test_large_moves_go_crosswise_from_the_largest_and_fine_ones_round_the_head():
    large = plan(3.0 * np.array(SEESAW)).moves
    assert large[0].turns == max(move.turns for move in large)
    assert [move.rod for move in large] != sorted(move.rod for move in large)
    fine = plan(0.4 * np.array(SEESAW), sd=1.0).moves
    assert len(fine) >= 2
    assert [move.rod for move in fine] == sorted(move.rod for move in fine)


def test_moves_are_told_in_plain_words():
    assert words(Move(1, 3, "raise", 0.125)) == "rod 3: raise, 1/8 turn"
    assert words(Move(2, 1, "raise", 0.1875)) == "rod 1: raise, 3/16 turn"
    # a lowered rod is taken past its mark and brought back up
    assert words(Move(1, 7, "lower", 0.25)) == "rod 7: lower, 1/4 turn (loosen 3/8, then tighten 1/8)"


def test_turns_as_a_pattern_have_the_sign_of_tightening():
    pattern = signed_turns([Move(1, 2, "raise", 0.25), Move(2, 4, "lower", 0.125)], 5)
    np.testing.assert_array_equal(pattern, [0.0, 0.25, 0.0, -0.125, 0.0])


def test_moves_come_with_the_caution_on_hearing_and_with_how_little_is_known():
    result = plan(SEESAW)
    assert any("ear protection" in caution for caution in result.cautions)
    assert any("known to about" in note for note in result.notes)
    assert moved(result.pitch_change_cents) in result.notes
    assert not any("ear protection" in caution for caution in plan(SEESAW, verdict="even").cautions)


@pytest.mark.parametrize(
    ("change", "words"),
    [(-0.4, "stay where it is"), (0.0, "stay where it is"), (-0.6, "by -1 cents"), (3.2, "+3 cents")],
)
def test_a_head_that_moves_by_no_cent_is_said_to_stay(change, words):
    assert words in moved(change)


def test_a_rod_far_out_of_line_is_named_and_its_neighbours_are_not():
    x = np.full(8, -20.0)
    x[5] = 140.0
    found = [caution for caution in plan(x).cautions if "out of line" in caution]
    assert len(found) == 1
    assert found[0].startswith("Rod 6 ")
    assert "stripped thread" in found[0]


def test_a_slack_rod_is_named():
    x = np.full(8, 45.0)
    x[2] = -315.0
    assert any(caution.startswith("Rod 3 is slack") for caution in plan(x).cautions)


def test_a_film_near_its_limit_brings_a_caution_and_past_it_no_rod_is_raised():
    thin = Head.of_film(7.0 * INCH, 3.0)
    stressed = {}
    for tension in (3000.0, 6200.0, 9000.0):  # 39, 81 and 118 MPa in 3 mil, against the maker's 98 MPa
        stressed[tension] = plan_moves(SEESAW, noise(8), drum(8, head=thin), tension)
    assert not any("film" in caution for caution in stressed[3000.0].cautions)
    assert any("head maker's word" in caution for caution in stressed[6200.0].cautions)
    assert any("lower the whole head" in caution for caution in stressed[9000.0].cautions)
    assert all(move.action == "lower" for move in stressed[9000.0].moves)


def test_a_film_of_unknown_thickness_is_not_judged():
    weighed = Head(7.0 * INCH, 0.1059)
    result = plan_moves(SEESAW, noise(8), drum(8, head=weighed), 9000.0)
    assert not any("film" in caution for caution in result.cautions)


def test_a_rod_under_great_force_defers_to_the_makers():
    result = plan_moves(SEESAW, noise(8), drum(8), 9000.0)
    assert any("makers of hoop, lug and rod" in caution for caution in result.cautions)


def test_the_even_limit_lies_where_the_pair_begins_to_beat():
    # a lively tom: 250 Hz and 1 s; shorter or lower drums hide more
    assert beating_spread(250.0, 1.0) == pytest.approx(EVEN_SPREAD, rel=0.1)
    assert beating_spread(250.0, 0.5) > beating_spread(250.0, 1.0)
    with pytest.raises(ValueError, match="positive"):
        beating_spread(250.0, 0.0)


@pytest.mark.parametrize(
    ("pulls", "covariance", "says"),
    [(np.zeros(7), np.eye(8), "8 rods need pulls"), (np.zeros(8), np.eye(7), "covariance"),
     (np.full(8, np.nan), np.eye(8), "finite")],
)  # fmt: skip
def test_pulls_of_the_wrong_shape_are_refused(pulls, covariance, says):
    with pytest.raises(ValueError, match=says):
        plan_moves(pulls, covariance, drum(), TENSION)
