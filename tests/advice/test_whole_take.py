"""Takes of whole hits: counts, places in time, seeds, and what a room adds."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from drumtune.advice import pair, whole_take
from drumtune.drum import INCH, Head
from drumtune.physics.room import Room
from drumtune.physics.two_heads import TwoHeads
from drumtune.physics.whole_hit import Stroke

RATE = 8000
TUNING = pair.tune(TwoHeads(Head.of_film(6 * INCH, 10), Head.of_film(6 * INCH, 7.5), 8 * INCH), 200.0)
RECIPE = whole_take.Recipe(TUNING, 3.0, hits=3, gap=1.0)
PLACES = ((1.5, 1.5, 0.7), (4.0, 3.0, 1.2))


def rises(sound):
    """Times in s at which the level of 10 ms jumps by ten decibels over the 50 ms before."""
    power = (sound[: sound.size // 80 * 80].reshape(-1, 80) ** 2).mean(axis=1)
    return [0.01 * i for i in range(5, power.size) if power[i] > 10.0 * power[i - 5 : i].max()]


def test_a_take_holds_its_hits_at_their_times():
    sound = whole_take.play(RECIPE, RATE)
    found = rises(sound)
    assert len(found) == 3
    assert_allclose(found, [0.3, 1.3, 2.3], atol=0.011)  # blocks of 10 ms
    assert np.abs(sound).max() == pytest.approx(0.5)


def test_one_seed_gives_one_take():
    same = whole_take.play(RECIPE, RATE)
    assert_allclose(whole_take.play(RECIPE, RATE), same, atol=0.0)
    other = whole_take.play(replace(RECIPE, stroke=replace(RECIPE.stroke, seed=2)), RATE)
    assert np.abs(other - same).max() > 0.01


def test_a_room_adds_a_tail_that_dies_with_its_decay_time():
    """A click in a room of 1 s: from 0.1 to 0.6 s, where only noise is left, the level falls by 60 dB in a second."""
    click = np.zeros(2 * RATE)
    click[0] = 1.0
    room = Room((6.0, 5.0, 3.0), ((500.0, 1.0),))
    heard = whole_take.in_room(click, RATE, room, PLACES, np.random.default_rng(1))
    power = (heard[: heard.size // 400 * 400].reshape(-1, 400) ** 2).mean(axis=1)
    t = (np.arange(power.size) + 0.5) * 0.05
    used = (t > 0.1) & (t < 0.6)
    slope = np.polyfit(t[used], 10.0 * np.log10(power[used]), 1)[0]
    assert slope == pytest.approx(-60.0, abs=6.0)  # ten blocks of noise, each sure to about 1 dB


def test_a_room_needs_places():
    with pytest.raises(ValueError, match="needs places"):
        whole_take.play(replace(RECIPE, room=Room((6.0, 5.0, 3.0), ((500.0, 1.0),))), RATE)


def test_a_take_without_hits_is_refused():
    with pytest.raises(ValueError, match="a hit at least"):
        whole_take.play(replace(RECIPE, hits=0), RATE)


def test_the_glide_of_a_stroke_reaches_the_take():
    hard = replace(RECIPE, hits=1, level_sd_db=0.0, stroke=Stroke(glide_cents=80.0), place_sd=0.0, snr_db=120.0)
    steady = whole_take.play(replace(hard, stroke=Stroke()), RATE)
    assert np.abs(whole_take.play(hard, RATE) - steady).max() > 0.05
