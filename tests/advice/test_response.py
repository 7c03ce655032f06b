"""What rounds teach about a drum. Truths are made here: a response of our choice, turned and read with errors."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import f

from drumtune.advice.response import learn
from drumtune.advice.rod_state import DRIFT, LAG, LEVEL_DRIFT, Seen, State, begin, possible, predicted, shifted
from drumtune.advice.slips import Story
from drumtune.drum import Drum, Head
from drumtune.physics.rods import RodResponse, harmonic_projectors, rod_response

DRUM = Drum(Head.of_film(0.1778, 10), 8)
TENSION = 2000.0
PRIOR = rod_response(DRUM, TENSION)
SMALL = 0.3
"""Cents: deviation of readings where the point is what is learned, not how noise is borne."""


def covariance(sd=SMALL, rods=8):
    return sd**2 * (np.eye(rods) - 1.0 / rods)


def rounds(matrix, turns, rng, *, sd=SMALL, told=None, said=True, lag=0.0, start=None):
    """Readings of a drum with this response: one, then one after each row of turns."""
    rods = matrix.shape[0]
    pitch = np.zeros(rods) if start is None else start
    waiting, seen = np.zeros(rods), []
    for i, turned in enumerate([np.zeros(rods), *turns]):
        change = matrix @ turned
        pitch, waiting = pitch + (1.0 - lag) * change + waiting, lag * change
        read = pitch + sd * rng.standard_normal(rods)
        say = None if i == 0 else (told or {}).get(i, turned)
        seen.append(Seen(read - read.mean(), covariance(sd, rods), read.mean(), sd, TENSION, say, said))
    return seen


def random_turns(rng, count, rods=8):
    return rng.integers(-3, 4, (count, rods)) / 16.0


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.0])
def test_a_gain_half_or_twice_the_expected_is_learned(factor):
    rng = np.random.default_rng(1)
    known = learn(DRUM, rounds(factor * PRIOR.matrix, random_turns(rng, 4), rng))
    assert known.ratio == pytest.approx(factor, rel=0.15)  # five readings: 8 % per rod for its own, drift of 1 cent
    assert known.pairs == 4
    assert np.all(known.response.relative_sd[1:] < 0.5 * PRIOR.relative_sd[1:])
    assert known.response.relative_sd[0] < 0.7 * PRIOR.relative_sd[0]  # the head as a whole drifts, so it shows less
    assert known.doubts == ()


def test_each_harmonic_has_its_own_gain():
    rng = np.random.default_rng(2)
    factor = np.array([1.0, 0.6, 1.4, 0.7, 1.2])
    truth = np.tensordot(factor * PRIOR.gains, harmonic_projectors(8), 1)
    known = learn(DRUM, rounds(truth, random_turns(rng, 6), rng))
    assert known.ratio == pytest.approx(factor, rel=0.15)


def drawn_rounds(rng, count, sd):
    """Gains, pitches and readings of a drum drawn from what docs/physics.md ("Learning a drum") takes to be usual.

    Gains one fifth about those of the sizes, so that none comes near its limits.
    """
    factor, lag = 1.0 + 0.2 * rng.standard_normal(5), 0.08 + 0.07 * rng.standard_normal()
    matrix = np.tensordot(factor * PRIOR.gains, harmonic_projectors(8), 1)
    pitch, before, seen = 20.0 * rng.standard_normal(8), np.zeros(8), []
    for turned in [None, *random_turns(rng, count)]:
        if turned is not None:
            change = matrix @ turned
            hand, unlike = 0.05 * rng.standard_normal(8), 0.08 * rng.standard_normal(8)
            drift = rng.standard_normal(8) + 5.0 * rng.standard_normal()
            pitch = pitch + matrix @ ((1.0 + hand) * turned) + unlike * change + lag * before + drift
            before = change
        error = sd * rng.standard_normal(8)
        level = pitch.mean() + sd * rng.standard_normal()
        seen.append(
            Seen(pitch - pitch.mean() + error - error.mean(), covariance(sd), level, sd, TENSION, turned, said=True)
        )
    return factor, pitch - pitch.mean(), seen


def test_stated_deviations_of_gains_and_pulls_are_honest():
    """Errors over deviations of 60 drums: the rms of 300 gains is sure to 4 %, so three times that is allowed.

    Accounts of mistakes that nobody made widen the deviations by some per cent.
    """
    rng = np.random.default_rng(7)
    prior = RodResponse(8, PRIOR.gains, 0.04 * np.eye(5))
    gains, pulls = [], []
    for _ in range(60):
        factor, true, seen = drawn_rounds(rng, 3, sd=1.0)
        known = learn(DRUM, seen, prior)
        gains.append((known.ratio - factor) / np.sqrt(np.diagonal(known.ratio_covariance)))
        pulls.append((known.pulls - true) / np.sqrt(np.diagonal(known.covariance)))
    assert np.sqrt(np.mean(np.square(gains))) == pytest.approx(1.0, abs=0.12)
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.12)


def test_turns_spread_the_pitches_as_hand_rods_and_rest_do():
    """Gains and pitches exact: covariance against 100 000 draws of hand, unlike rods, drift and settling (docs)."""
    rng, turned = np.random.default_rng(1), np.array([4, 0, -3, 1, 0, 2, -1, 0]) / 16.0
    exact = State(np.concatenate([np.zeros(8), np.ones(5), [LAG]]), np.zeros((14, 14)))
    found = predicted(exact, Story(turned, 1.0), PRIOR.gains, np.zeros(8))
    count = 100_000
    hand, unlike, drift = rng.standard_normal((3, count, 8)) * np.array([0.05, 0.08, 1.0])[:, None, None]
    change = PRIOR.matrix @ turned
    pitch = ((1.0 + hand) * turned) @ PRIOR.matrix.T + unlike * change + drift + 5.0 * rng.standard_normal((count, 1))
    expected = np.cov(pitch.T)
    size = np.sqrt(np.diagonal(expected))
    off = np.abs(found.covariance[:8, :8] - expected) / np.outer(size, size)
    assert off.max() < 5.0 * math.sqrt(2.0 / count)  # five deviations of a sampled covariance
    assert found.mean[:8] == pytest.approx(change)


def test_a_shift_by_warmth_is_known_to_half_of_itself():
    """All rods move alike: by 20 cents with a deviation of 10, and nothing between them."""
    sure = State(np.zeros(14), np.zeros((14, 14)))
    moved = shifted(sure, 20.0, 8)
    assert moved.mean[:8] == pytest.approx(20.0)
    assert moved.covariance[:8, :8] == pytest.approx(np.full((8, 8), 10.0**2))


def test_before_it_is_heard_one_sided_tension_has_its_share_of_the_rest():
    """Turns at random on equal gains: the mean square of two numbers over that of five is 5/3 on average (F law).

    A reading that says nothing of harmonic 1 leaves that and the least of 2 cents a rod; half the gain, half the share.
    """
    tilt = harmonic_projectors(8)[1]
    rest = np.array([30.0, -30, 10, -10, 0, 0, 0, 0])
    rest = rest - rest.mean() - tilt @ rest
    one = Seen(rest, 1e-6 * np.eye(8) + 1e9 * tilt, 0.0, 0.1, TENSION)
    for gain in (1.0, 0.5):
        base = RodResponse(8, 100.0 * np.array([1.0, gain, 1.0, 1.0, 1.0]), np.zeros((5, 5)))
        state = begin(one, base).covariance[:8, :8]
        ratio = gain**2 * f.mean(2, 5) * 2.0 / 5.0  # sums of squares of two patterns over five
        expected = 2.0**2 + ratio * np.mean(rest**2)
        assert np.trace(tilt @ state @ tilt) / 8.0 == pytest.approx(expected, rel=1e-4)


def test_readings_add_up_when_nothing_is_turned():
    """Four readings of 4 cents: deviation near half that of one (drift of 1 cent between them adds a little)."""
    rng = np.random.default_rng(4)
    one = learn(DRUM, rounds(PRIOR.matrix, [], rng, sd=4.0, start=np.array([20.0, -20] * 4)))
    four = learn(DRUM, rounds(PRIOR.matrix, np.zeros((3, 8)), rng, sd=4.0, start=np.array([20.0, -20] * 4)))
    ratio = np.sqrt(np.trace(four.covariance) / np.trace(one.covariance))
    assert 0.45 < ratio < 0.65
    assert four.pulls == pytest.approx([20.0, -20.0] * 4, abs=6.0)  # three deviations


@pytest.mark.parametrize(("really", "likely"), [(0.0, 0.0), (2.0, 2.0), (-1.0, -1.0)])
def test_one_mis_turned_rod_is_named_and_does_not_spoil_the_gains(really, likely):
    rng = np.random.default_rng(5)
    turns = random_turns(rng, 4)
    turns[2, 3] = 3.0 / 16.0
    said = {3: turns[2].copy()}
    turns[2, 3] *= really
    known = learn(DRUM, rounds(PRIOR.matrix, turns, rng, told=said))
    (doubt,) = known.doubts
    assert (doubt.place, doubt.rod, doubt.told) == (3, 4, 3.0 / 16.0)
    assert doubt.likely == pytest.approx(likely * 3.0 / 16.0)
    assert known.ratio == pytest.approx(1.0, rel=0.15)


def test_a_neighbour_turned_instead_is_recognised():
    rng = np.random.default_rng(6)
    turns = random_turns(rng, 4)
    turns[2] = 0.0
    turns[2, 5] = 3.0 / 16.0
    said = {3: np.roll(turns[2], -1)}
    known = learn(DRUM, rounds(PRIOR.matrix, turns, rng, told=said))
    assert [(doubt.rod, doubt.instead) for doubt in known.doubts] == [(5, 6)]
    assert known.ratio == pytest.approx(1.0, rel=0.15)


def test_a_neighbour_turned_too_is_recognised_where_it_had_a_move_of_its_own():
    rng = np.random.default_rng(12)
    turns = random_turns(rng, 4)
    turns[2] = np.array([0, 0, 0, 0, 4, -1, 0, 1]) / 16.0
    told = {3: turns[2].copy()}
    turns[2, 4], turns[2, 5] = 0.0, 3.0 / 16.0
    known = learn(DRUM, rounds(PRIOR.matrix, turns, rng, told=told))
    assert [(doubt.rod, doubt.instead) for doubt in known.doubts] == [(5, 6)]
    assert known.ratio == pytest.approx(1.0, rel=0.15)


@pytest.mark.parametrize("seed", range(4))
def test_a_head_made_worse_by_a_slip_is_not_explained_by_rods_that_work_backwards(seed):
    """The very first round: the neighbour of the rod with the large move is turned. A raised rod never lowers."""
    rng = np.random.default_rng(seed)
    turns = np.array([[0, 14, -2, -4, 0, 6, 2, 0]]) / 64.0
    told = {1: turns[0].copy()}
    turns[0, 1], turns[0, 2] = 0.0, 12.0 / 64.0
    known = learn(DRUM, rounds(2.0 * PRIOR.matrix, turns, rng, told=told, sd=3.0))
    assert np.all(known.ratio[2:] > 0.8)  # truth 2, prior 1


def test_an_account_that_needs_a_rod_to_work_backwards_hardly_counts():
    """Gains one deviation of 0.6 round 1, each for itself: the chance that five pass 0.2 is Phi(0.8/0.6)^5 = 0.62."""
    state = State(np.concatenate([np.zeros(8), np.ones(5), [LAG]]), 0.36 * np.eye(14))
    assert possible(state, 8) == pytest.approx(0.62, abs=0.06)
    backwards = State(np.concatenate([np.zeros(8), np.full(5, -1.0), [LAG]]), 0.04 * np.eye(14))
    assert possible(backwards, 8) < 1e-4


def test_moves_taken_for_granted_that_nobody_made_are_recognised():
    rng = np.random.default_rng(7)
    turns = random_turns(rng, 3)
    said = {2: turns[1].copy()}
    turns[1] = 0.0
    known = learn(DRUM, rounds(PRIOR.matrix, turns, rng, told=said, said=False))
    assert [(doubt.place, doubt.rod) for doubt in known.doubts] == [(2, 0)]
    assert known.ratio == pytest.approx(1.0, rel=0.15)


@pytest.mark.parametrize("level", [-99.0, 40.0])
def test_a_head_that_changed_as_a_whole_though_nothing_was_turned_is_told(level):
    first, second = rounds(PRIOR.matrix, [np.zeros(8)], np.random.default_rng(3))
    known = learn(DRUM, [first, replace(second, level_cents=second.level_cents + level)])
    (moved,) = known.moved
    assert known.doubts == ()
    assert (moved.place, moved.pull_cents) == (1, 0.0)
    assert moved.level_cents == pytest.approx(level, abs=1.5)  # readings are good to 0.3 cents each, three deviations


def test_pulls_that_changed_though_nothing_was_turned_are_told():
    first, second = rounds(PRIOR.matrix, [np.zeros(8)], np.random.default_rng(3))
    change = np.array([20.0, -20, 20, -20, 20, -20, 20, -20])
    (moved,) = learn(DRUM, [first, replace(second, pulls=second.pulls + change)]).moved
    assert (moved.place, moved.level_cents) == (1, 0.0)
    assert abs(moved.pull_cents) == pytest.approx(20.0, abs=1.5)


def test_a_head_left_alone_is_hardly_ever_said_to_have_changed():
    """500 heads that drift as they are taken to: 0.27 % each for the whole and for the pulls, 2.7 expected."""
    rng = np.random.default_rng(5)
    told = 0
    for _ in range(500):
        first, second = rounds(PRIOR.matrix, [np.zeros(8)], rng)
        drift = DRIFT * rng.standard_normal(8) + LEVEL_DRIFT * rng.standard_normal()
        whole, pulls = drift.mean(), second.pulls + drift - drift.mean()
        told += len(learn(DRUM, [first, replace(second, pulls=pulls, level_cents=second.level_cents + whole)]).moved)
    assert told <= 9  # a Poisson count of 2.7 lies above that once in a thousand


def test_a_rod_that_does_not_answer_is_named_after_two_rounds_and_no_other_is():
    rng = np.random.default_rng(8)
    deaf = PRIOR.matrix.copy()
    deaf[:, 4] *= 0.05
    turns = random_turns(rng, 4)
    turns[:, 4] = [0.125, -0.125, 0.1875, 0.125]
    known = learn(DRUM, rounds(deaf, turns, rng))
    assert [answer.rod for answer in known.answers if answer.silent] == [5]
    share = next(answer.share for answer in known.answers if answer.rod == 5)
    assert share == pytest.approx(0.05, abs=0.2)
    assert not any(answer.silent for answer in learn(DRUM, rounds(PRIOR.matrix, turns, rng)).answers)


def test_after_an_unknown_turning_the_gains_are_kept_and_the_pitches_begin_anew():
    rng = np.random.default_rng(9)
    before = rounds(0.5 * PRIOR.matrix, random_turns(rng, 4), rng)
    elsewhere = Seen(np.array([40.0, -40] * 4), covariance(), 300.0, 1.0, TENSION, None)
    known, old = learn(DRUM, [*before, elsewhere]), learn(DRUM, before)
    assert known.ratio == pytest.approx(old.ratio)
    assert known.pulls == pytest.approx([40.0, -40.0] * 4, abs=1.0)
    assert known.level_cents == pytest.approx(300.0, abs=1.0)


def test_gains_in_cents_go_as_one_over_the_tension():
    rng = np.random.default_rng(10)
    seen = rounds(PRIOR.matrix, random_turns(rng, 3), rng)
    tighter = Seen(seen[-1].pulls, covariance(), 600.0, 1.0, 2.0 * TENSION, None)
    assert learn(DRUM, [*seen, tighter]).response.gains == pytest.approx(learn(DRUM, seen).response.gains / 2.0)


def test_a_round_after_a_retuning_counts_by_the_tension_it_was_made_at():
    """At twice the tension a turn gives half the cents: the same gains are learned from rounds before and after."""
    rng = np.random.default_rng(13)
    low = rounds(PRIOR.matrix, random_turns(rng, 2), rng)
    high = [replace(one, tension=2.0 * TENSION) for one in rounds(0.5 * PRIOR.matrix, random_turns(rng, 3), rng)]
    known = learn(DRUM, [*low, *high])
    assert known.pairs == 5
    assert known.ratio == pytest.approx(1.0, rel=0.15)
    assert known.response.gains == pytest.approx(0.5 * PRIOR.gains, rel=0.15)


def test_friction_that_lags_is_waited_for():
    rng = np.random.default_rng(11)
    turns = random_turns(rng, 6)
    known = learn(DRUM, rounds(PRIOR.matrix, turns, rng, lag=0.2))
    change = PRIOR.matrix @ turns[-1]
    share = float(known.waiting @ change / (change @ change))
    assert LAG + 0.03 < share < 0.27


@pytest.mark.parametrize(
    "seen",
    [
        [],
        [Seen(np.zeros(6), np.eye(6), 0.0, 1.0, TENSION)],
        [Seen(np.zeros(8), np.eye(6), 0.0, 1.0, TENSION)],
        [Seen(np.zeros(8), np.eye(8), 0.0, 1.0, TENSION, np.zeros(6))],
    ],
)
def test_misuse_is_refused(seen):
    with pytest.raises(ValueError, match=r"there must be a reading|rods need"):
        learn(DRUM, seen)
