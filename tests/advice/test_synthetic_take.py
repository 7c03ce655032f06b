"""A take that was never played: repeatable, as long and as loud as asked, its taps where the recipe puts them."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from drumtune.advice.synthetic_take import LEAD_IN, RING, Recipe, play
from drumtune.drum import INCH, Drum, Head

RATE = 8000
RECIPE = Recipe(Drum(Head.of_film(6 * INCH, 10), 6), (10.0, -30.0, 20.0, 5.0, -5.0, 0.0), 210.0, taps_per_rod=2)


def test_the_same_seed_gives_the_same_take_and_another_gives_another():
    first = play(RECIPE, RATE)
    assert np.array_equal(first, play(RECIPE, RATE))
    assert not np.array_equal(first[:20000], play(replace(RECIPE, seed=2), RATE)[:20000])


def test_the_loudest_sample_is_at_the_level_asked_for():
    assert_allclose(np.abs(play(RECIPE, RATE, peak=0.25)).max(), 0.25)


def test_the_take_lasts_as_long_as_its_gaps_and_pauses_say():
    expected = LEAD_IN + 11 * RECIPE.gap + 5 * RECIPE.pause + RING
    assert abs(play(RECIPE, RATE).size / RATE - expected) < 0.1 * 11 * RECIPE.gap  # gaps vary by a tenth


def test_noise_is_as_far_below_the_taps_as_asked():
    quiet = play(replace(RECIPE, snr_db=40.0), RATE)[: int(0.4 * RATE)]
    loud = play(replace(RECIPE, snr_db=20.0), RATE)[: int(0.4 * RATE)]
    assert_allclose(20.0 * np.log10(loud.std() / quiet.std()), 20.0, atol=1.0)  # the peak holds some noise too


def test_a_rod_needs_a_tap():
    with pytest.raises(ValueError, match="needs a tap"):
        play(replace(RECIPE, taps_per_rod=0), RATE)
