"""A microphone that moves in mid-take: gains of earlier and later taps differ, and the reading is not vouched for."""

from dataclasses import replace

import numpy as np
import pytest
from takes_read import reading

from drumtune.advice.evenness import read_head
from drumtune.advice.synthetic_take import Recipe, play
from drumtune.drum import INCH, Drum, Head
from drumtune.dsp.by_rod import taps_by_rod
from drumtune.errors import TakeError

RATE = 44100
RECIPE = Recipe(
    Drum(Head.of_film(7 * INCH, 10.0), 8), (12.0, -34.0, 8.0, 21.0, -6.0, -15.0, 33.0, -19.0), 180.0, 3, seed=2
)


@pytest.mark.parametrize("millimetres", [45, 110])
def test_a_microphone_that_moved_half_way_is_told(millimetres):
    x, y, height = RECIPE.microphone
    turn = np.exp(1j * 0.001 * millimetres / abs(x + 1j * y)) * (x + 1j * y)
    still = play(RECIPE, RATE)
    moved = play(replace(RECIPE, microphone=(turn.real, turn.imag, height)), RATE)
    taps = taps_by_rod(still, RATE, 8, 3)[0]
    half = int((taps[4][0].onset - 0.3) * RATE)
    both = np.concatenate([still[:half], moved[half:]])
    assert read_head(still, RATE, taps, RECIPE.drum).verdict == "uneven"
    try:
        heard = read_head(both, RATE, taps_by_rod(both, RATE, 8, 3)[0], RECIPE.drum)
    except TakeError:
        return
    assert heard.verdict == "unsure"
    off = heard.pulls_cents - np.array(RECIPE.pulls_cents)
    assert np.mean(off**2 / np.diag(heard.covariance)) < 3.0**2


@pytest.mark.parametrize("name", ["take01", "take04", "take08", "take13"])
def test_a_microphone_that_stood_still_is_not_accused(name):
    assert not any("microphone" in reason for reason in reading(name).reasons)
