"""Moves of a round with a known drum, and the way back to a saved setting."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import brute

from drumtune.advice.descent import Chances, Price, best_turns, chances, left_after, measure, ruler
from drumtune.advice.reading import Tilt
from drumtune.advice.response import learn
from drumtune.advice.rod_state import Seen
from drumtune.advice.rounds import (
    FINE_SPREAD,
    Kept,
    Setting,
    as_measured,
    first_pair,
    know,
    level_cents,
    ordered,
    plan_back,
    plan_round,
    seen,
    warmth_cents,
)
from drumtune.advice.steps import Prices, Problem, best_steps
from drumtune.advice.turns import signed_turns
from drumtune.drum import Air, Drum, Head
from drumtune.physics import air
from drumtune.physics.rods import RodResponse, harmonic_projectors, rod_response

DRUM = Drum(Head.of_film(0.1778, 10), 8)
TENSION = 2000.0
PRIOR = rod_response(DRUM, TENSION)
SURE = RodResponse(8, PRIOR.gains, 1e-6 * np.eye(5))
FREE = Prices(0.0, 0.0, 0.0)
PULLS = np.array([30.0, -20, 5, -25, 10, 15, -35, 20])


def known(pulls, sd=0.5, level=0.0):
    """A drum whose gains two rounds have confirmed."""
    rng = np.random.default_rng(1)
    readings, pitch = [], np.zeros(8)
    for turned in [np.zeros(8), *rng.integers(-3, 4, (3, 8)) / 16.0, None]:
        pitch = np.asarray(pulls, float) if turned is None else pitch + PRIOR.matrix @ turned
        at = level if turned is None else pitch.mean()
        covariance = sd**2 * (np.eye(8) - 1.0 / 8.0)
        readings.append(Seen(pitch - pitch.mean(), covariance, at, 0.5, TENSION, turned, said=True))
    return learn(DRUM, readings)


def test_a_known_drum_is_taken_to_a_small_spread_in_one_round():
    plan = plan_round(known(PULLS), DRUM, TENSION)
    left = PULLS + PRIOR.matrix @ signed_turns(plan.moves, 8)
    assert np.ptp(left) < 0.3 * np.ptp(PULLS)
    assert plan.expected_spread_cents < 0.3 * np.ptp(PULLS)


def waiting_for_friction(lag=0.3):
    """A drum that holds back this share of each change until the next, and will be even at pitch 0 once it gives."""
    turned = np.random.default_rng(1).integers(-3, 4, (8, 8)) / 16.0
    turned[-1] = np.array([4, -4, 0, 4, -4, 4, 0, -4]) / 16.0
    changes = np.array([np.zeros(8), *(PRIOR.matrix @ row for row in turned)])
    pitch = -lag * changes + np.cumsum(changes, axis=0)
    pitch -= pitch[-1] + lag * changes[-1]
    covariance = 0.25 * (np.eye(8) - 1.0 / 8.0)
    return learn(DRUM, [
        Seen(row - row.mean(), covariance, row.mean(), 0.5, TENSION, told, said=True)
        for row, told in zip(pitch, [None, *turned], strict=True)
    ])  # fmt: skip


def test_what_friction_will_still_give_is_not_turned_again():
    state = waiting_for_friction()
    assert np.ptp(state.pulls) > 4.0 * FINE_SPREAD
    assert plan_round(state, DRUM, TENSION).moves == ()
    plan = plan_back(state, DRUM, TENSION, Setting("stage", np.zeros(8), 0.0))
    assert plan.moves == ()
    assert plan.notes[0] == "The head as a whole stands where it stood in 'stage'."


def test_an_even_head_that_friction_may_still_move_is_not_promised_to_stay_even():
    even = known(0.05 * PULLS)
    assert plan_round(even, DRUM, TENSION).notes == ("The head is even: leave every rod as it is.",)
    plan = plan_round(replace(even, waiting=PULLS - PULLS.mean()), DRUM, TENSION)
    assert plan.moves == ()
    assert f"it may go to {plan.expected_spread_cents:.0f} cents by itself" in plan.notes[0]


def test_no_rod_is_turned_by_more_than_a_quarter():
    plan = plan_round(known(8.0 * PULLS), DRUM, TENSION)
    assert max(move.turns for move in plan.moves) <= 0.25


def test_turning_the_numbering_turns_the_plan():
    """A law: only what the rods are called changes."""
    plain = signed_turns(plan_round(known(PULLS, sd=0.1), DRUM, TENSION).moves, 8)
    rolled = signed_turns(plan_round(known(np.roll(PULLS, 3), sd=0.1), DRUM, TENSION).moves, 8)
    left = [np.ptp(x + PRIOR.matrix @ u) for x, u in ((PULLS, plain), (np.roll(PULLS, 3), rolled))]
    assert left[0] == pytest.approx(left[1], abs=6.0)  # other draws, so not the same to the step


def test_an_even_head_and_a_first_reading_that_is_unsure_get_no_moves():
    assert plan_round(known(0.05 * PULLS), DRUM, TENSION).moves == ()
    assert np.ptp(0.05 * PULLS) < FINE_SPREAD
    first = learn(DRUM, [Seen(PULLS - PULLS.mean(), np.eye(8), 0.0, 1.0, TENSION)])
    assert plan_round(first, DRUM, TENSION, "unsure").moves == ()
    assert plan_round(first, DRUM, TENSION, "even").moves == ()
    assert plan_round(first, DRUM, TENSION, "uneven").moves != ()


def test_what_lies_in_the_noise_is_not_turned():
    """Pulls of the size of their deviation: turning them is not expected to help."""
    draws = chances(0.2 * PULLS, 100.0 * (np.eye(8) - 1.0 / 8.0), SURE)
    assert not np.any(best_turns(draws, 1.0 / 16.0, 0.25))


def test_the_descent_comes_near_the_best_of_all_small_plans():
    """Against scipy's exhaustive search over turns of -1, 0, +1 step of four rods (the outside check)."""
    drum = Drum(Head.of_film(0.15, 10), 4)
    response = replace(rod_response(drum, TENSION), relative_covariance=1e-6 * np.eye(3))
    draws = chances(np.array([25.0, -30.0, 10.0, -5.0]), np.eye(4), response)
    price = Price()
    step = 1.0 / 16.0

    def cost(counts):
        turns = np.round(counts) * step
        moved = price.move * np.count_nonzero(turns) + price.lowering * np.count_nonzero(turns < 0)
        moved += 16 * price.sixteenth * np.abs(turns).sum()
        down = 16 * price.lowered * np.maximum(-turns, 0).sum()
        drift = price.drift * abs(float(turns @ draws.effect.mean(axis=(0, 1))))
        return float(measure(left_after(draws, turns), "spread").mean()) + moved + down + drift

    best = brute(cost, [slice(-1, 2, 1)] * 4, finish=None, full_output=True)[1]
    ours = cost(best_turns(draws, step, step) / step)
    assert best - 1e-9 <= ours <= best + 1.0  # a descent, not a proof: within a cent


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("rods", [6, 8])
def test_rods_that_must_move_together_are_found(rods, seed):
    """Nothing unknown: against the optimum that HiGHS proves for the same steps (and loses no more than 3 cents)."""
    drum = Drum(Head.of_film(0.15, 10), rods)
    effect = rod_response(drum, 3000.0).matrix
    rng = np.random.default_rng(seed)
    off = effect @ rng.standard_normal(rods)
    off = 100.0 * (off - off.mean()) / np.ptp(off)
    step = 1.0 / 32.0
    known = Chances(off[None], effect[None])
    ours = np.ptp(off + effect @ best_turns(known, step, 4 * step, price=Price(0.0, 0.0, 0.0, 0.0, 0.0)))
    left = np.inf
    for direction in (-np.sign(off), np.sign(off)):  # signs as the pulls ask; the program may use either
        task = Problem(off, effect * step, direction.astype(int), np.full(rods, 1), np.full(rods, 4), FREE)
        left = min(left, np.ptp(off + effect @ best_steps(task) * step))
    assert ours <= left + 3.0


def test_a_ruler_is_fine_where_turns_are_small():
    """A hand is off by 5 %, so a large turn needs no fine marks."""
    marks = ruler(1.0 / 64.0, 0.25)
    assert np.diff(marks)[0] == 1.0 / 64.0
    assert np.diff(marks)[-1] == 1.0 / 32.0
    assert (marks[0], marks[-1]) == (0.0, 0.25)


def test_large_moves_go_crosswise_and_small_ones_round_the_head():
    large = ordered(np.array([0.125, 0, 0, 0.0625, 0.0625, 0, 0, 0]))
    assert [move.rod for move in large] == [1, 5, 4]
    small = ordered(np.array([0.0625, 0, -0.0625, 0, 0.0625, 0, 0, 0]))
    assert [(move.order, move.rod, move.action) for move in small] == [
        (1, 1, "raise"),
        (2, 3, "lower"),
        (3, 5, "raise"),
    ]


def test_the_way_back_takes_every_rod_to_its_place_and_the_head_to_its_pitch():
    setting = Setting("stage", PULLS - PULLS.mean(), 40.0)
    plan = plan_back(known(np.zeros(8)), DRUM, TENSION, setting)
    left = PRIOR.matrix @ signed_turns(plan.moves, 8) - 40.0 - (PULLS - PULLS.mean())
    assert np.abs(left).max() < 0.4 * np.abs(40.0 + PULLS - PULLS.mean()).max()
    assert plan.pitch_change_cents > 15.0
    assert "-40 cents from 'stage'" in plan.notes[0]


def test_a_head_that_is_only_low_is_raised_at_every_rod():
    plan = plan_back(known(np.zeros(8)), DRUM, TENSION, Setting("stage", np.zeros(8), 60.0))
    assert {(move.rod, move.action) for move in plan.moves} == {(rod, "raise") for rod in range(1, 9)}


def test_warmth_shifts_the_aim_so_that_the_drum_is_right_again_where_it_was_saved():
    """A colder drum stands higher by itself (film shrinks more than the shell), so its aim is higher by as much."""
    colder = warmth_cents(DRUM, TENSION, -10.0)
    assert colder > 0.0
    state = known(np.zeros(8), level=colder)
    setting = Setting("stage", np.zeros(8), 0.0, celsius=22.0)
    assert plan_back(state, DRUM, TENSION, setting, celsius=12.0).moves == ()
    assert "Warmth alone" in plan_back(state, DRUM, TENSION, setting, celsius=12.0).notes[0]
    assert warmth_cents(Drum(Head(0.1778, 0.35), 8), TENSION, -10.0) == 0.0  # thickness not known: nothing is claimed


def test_the_level_does_not_depend_on_the_air():
    """The same tension in warm and cold air sounds otherwise (Air.at: ISO 9613-1, ideal gas), but is the same level."""
    levels = [
        level_cents(DRUM, float(air.frequency(DRUM.head, 2000.0, 1, 1, air=Air.at(celsius))), celsius)
        for celsius in (0.0, 35.0)
    ]
    assert levels == pytest.approx([600.0 * np.log2(2000.0)] * 2, abs=1e-6)


def test_one_sided_tension_is_taken_as_the_take_alone_has_it(made_reading):
    """Harmonic 1 is that of the tilt, with its covariance; nothing else of the pulls changes."""
    tilt = Tilt(np.array([30.0, -12.0]), np.array([[100.0, 20.0], [20.0, 140.0]]))
    reading = replace(made_reading(), covariance=4.0 * (np.eye(8) - 1.0 / 8.0), tilt=tilt)
    pulls, covariance = as_measured(reading)
    one = harmonic_projectors(8)[1]
    angles = 2.0 * np.pi * np.arange(8) / 8.0
    assert one @ pulls == pytest.approx(30.0 * np.cos(angles) - 12.0 * np.sin(angles))
    assert pulls - one @ pulls == pytest.approx(reading.pulls_cents - one @ reading.pulls_cents)
    circle = np.column_stack([np.cos(angles), np.sin(angles)])
    assert one @ covariance @ one == pytest.approx(circle @ tilt.covariance @ circle.T)
    assert np.linalg.eigvalsh(covariance).min() > -1e-9
    plain, _ = as_measured(replace(reading, tilt=None))
    assert plain == pytest.approx(reading.pulls_cents)


def test_a_reading_is_given_the_doubt_it_does_not_state(made_reading):
    """1.5 cents and 8 % of the rms pull at each rod, as docs/physics.md has it; none for the mean, which is zero."""
    for pulls in (np.zeros(8), np.array([50.0, -50.0] * 4)):
        reading = replace(made_reading(pulls), covariance=np.zeros((8, 8)), tilt=None)
        _, covariance = as_measured(reading)
        expected = 1.5**2 + 0.08**2 * np.mean(pulls**2)
        assert np.linalg.eigvalsh(covariance) == pytest.approx([0.0] + [expected] * 7)


def test_the_deviation_of_the_level_is_that_of_the_pair_it_is_taken_from():
    """Cents that the level moves when the pair's frequency moves by its deviation, beside 2 cents from take to take."""
    hz, sd = 200.0, 1.0
    (one,) = seen(DRUM, [Kept(np.zeros(8), np.eye(8), hz, sd, TENSION)])
    moved = level_cents(DRUM, hz + 0.5 * sd) - level_cents(DRUM, hz - 0.5 * sd)
    assert one.level_sd_cents == pytest.approx(np.hypot(2.0, moved), rel=1e-3)


def test_the_pair_of_a_reading_is_its_mean_or_comes_from_the_tension(made_reading):
    reading = made_reading()
    assert first_pair(reading)[0] == pytest.approx(187.0)  # of 186.5 and 187.5
    without = replace(reading, modes=())
    assert first_pair(without)[0] == pytest.approx(float(air.frequency(reading.drum.head, 1400.0, 1, 1)))


def test_warmth_between_two_takes_is_no_change_of_the_rods():
    """Ten kelvin colder and higher by just what that makes: the gain of all rods together is not moved by it."""
    shift = warmth_cents(DRUM, TENSION, -10.0)
    base = float(air.frequency(DRUM.head, TENSION, 1, 1, air=Air.at(22.0)))
    colder = float(air.frequency(DRUM.head, TENSION * 2.0 ** (shift / 600.0), 1, 1, air=Air.at(12.0)))
    takes = [
        Kept(np.zeros(8), np.eye(8), pair, 0.01, TENSION, np.zeros(8), True, celsius)
        for pair, celsius in ((base, 22.0), (colder, 12.0))
    ]
    found = know(DRUM, takes)
    assert found.doubts == ()
    assert found.level_cents == pytest.approx(600.0 * np.log2(TENSION) + shift, abs=1.0)
