"""Slips by one tap, on takes of a simulator that shares no code with the package."""

import json
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
import soundfile

from drumtune.advice.order import SURE, slipped, sounds

FOLDER = Path(__file__).parents[1] / "data" / "taps"
TAKES = json.loads((FOLDER / "truth.json").read_text())

ALIKE = {by: ((0, by), (1, by)) for by in (-1, 1)}
"""The rod itself, or the one beside: rods 3 and 4 of take01 sound nearly the same."""


@pytest.fixture(scope="module", params=TAKES, ids=lambda take: take["file"])
def take(request):
    """Sounds of the taps by rod, shape (rods, per rod, K), from the true times of the strokes."""
    samples, rate = soundfile.read(FOLDER / request.param["file"])
    onsets = np.array(request.param["marks_s"])
    shape = (request.param["rods"], request.param["taps_per_rod"], -1)
    return sounds(samples, float(rate), onsets).reshape(shape)


def test_a_round_in_order_is_not_doubted(take):
    rods, per_rod, _ = take.shape
    assert slipped(take.reshape(rods * per_rod, -1), rods, per_rod) is None


def test_a_rod_that_got_a_tap_too_few_is_found_wherever_it_is(take):
    rods, per_rod, _ = take.shape
    for rod in range(1, rods):
        taps = np.delete(take.reshape(rods * per_rod, -1), rod * per_rod - 1, axis=0)
        taps = np.concatenate((taps, taps[-2:-1]))  # the page asks for one more at the end: the last rod again
        found = slipped(taps, rods, per_rod)
        assert (abs(found.rod - rod), found.by) in ALIKE[-1]
        assert found.first <= rod


def test_a_rod_that_got_a_tap_too_many_is_found_wherever_it_is(take):
    rods, per_rod, _ = take.shape
    for rod in range(1, rods):
        taps = [row for i in range(rods) for row in take[i][: per_rod if i == rod - 1 else per_rod - 1]]
        found = slipped(np.array(taps[:-1]), rods, per_rod - 1)  # the round is full before the last rod has all
        assert (abs(found.rod - rod), found.by) in ALIKE[1]
        assert found.first <= rod + 1


def test_one_tap_at_each_rod_says_nothing_about_slips(take):
    assert slipped(take[:, 0], take.shape[0], 1) is None
    with pytest.raises(ValueError, match="are 12 taps"):
        slipped(take[:1, 0], 4, 3)


def test_many_taps_take_no_more_memory_than_their_sounds():
    """160 taps of 2948 lines: differences of all pairs at once would be 600 MB."""
    heard = np.random.default_rng(0).standard_normal((160, 2948))
    tracemalloc.start()
    try:
        slipped(heard, 8, 20)
        assert tracemalloc.get_traced_memory()[1] < 2 * heard.nbytes
    finally:
        tracemalloc.stop()


def test_noise_alone_is_no_slip():
    gains = [slipped(np.random.default_rng(seed).standard_normal((24, 300)), 8, 3) for seed in range(20)]
    assert sum(gain is not None for gain in gains) <= 2  # scatter of pure noise differs by some per cent: SURE is 10 %
    assert SURE > 0.05
