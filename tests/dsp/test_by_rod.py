"""Taps given to rods by number and pauses: strokes at given times, and the marks of recordings another program made."""

import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drumtune.dsp.by_rod import group_taps
from drumtune.dsp.taps import Tap
from drumtune.errors import TakeError

DATA = Path(__file__).parents[1] / "data" / "taps"
TRUTH = {t["file"]: t for t in json.loads((DATA / "truth.json").read_text())}


def taps_at(*times):
    return tuple(Tap(float(t), 0.5, -6.0) for t in times)


def paused(sizes, short=1.0, long=1.5):
    """Taps in groups of these sizes, with a longer pause after each group."""
    gaps = [gap for size in sizes for gap in [short] * (size - 1) + [long]]
    return taps_at(*np.cumsum([0.0, *gaps[:-1]]))


def test_a_wrong_count_names_what_is_wrong_with_taps_and_each_of_them_once():
    faults = ["", "clipped", "", "torn", "clipped"]
    taps = tuple(Tap(1.0 + i, 0.3, -10.0, fault == "clipped", fault) for i, fault in enumerate(faults))
    with pytest.raises(TakeError, match="found 5 taps") as failure:
        group_taps(taps, 6, 1)
    assert str(failure.value).startswith(
        "found 5 taps at 1.00 3.00 s, clipped ones at 2.00 5.00 s, ones with samples that stand still (sound was lost, "
        "or the recording has too few bits) at 4.00 s, but asked for 6 rods x 1"
    )


def test_longer_pauses_tell_rods_apart_even_with_unequal_numbers():
    groups = group_taps(taps_at(0, 1, 2, 3.6, 4.6, 6.4, 7.3, 8.2, 9.1), 3)
    assert [len(g) for g in groups] == [3, 2, 4]


def test_without_clear_pauses_equal_shares_are_taken_only_if_nothing_contradicts():
    assert [len(g) for g in group_taps(taps_at(*range(8)), 4)] == [2, 2, 2, 2]
    whole = r"4 rods, and the pauses do not show where a rod ends: check .* say with --taps-per-rod how often .* again$"
    with pytest.raises(TakeError, match=whole):
        group_taps(taps_at(*range(9)), 4)
    with pytest.raises(TakeError, match="pauses do not show"):
        group_taps(taps_at(*np.cumsum([0, 1.6, 1.0, 1.2, 1.0, 1.1, 1.0, 1.0])), 4)


@given(rods=st.integers(1, 16), per_rod=st.integers(1, 6), extra=st.integers(-3, 3))
def test_the_right_number_is_shared_out_in_order_and_any_other_refused(rods, per_rod, extra):
    count = max(0, rods * per_rod + extra)
    taps = taps_at(*range(count))
    if count == rods * per_rod:
        groups = group_taps(taps, rods, per_rod)
        assert sum(groups, ()) == taps
        assert {len(g) for g in groups} == {per_rod}
    else:
        with pytest.raises(TakeError, match=f"found {count} taps"):
            group_taps(taps, rods, per_rod)


@pytest.mark.parametrize(("rods", "per_rod"), [(6, 4), (12, 2), (4, 6)])
def test_pauses_that_plainly_show_another_count_refuse_one_of_the_same_product(rods, per_rod):
    with pytest.raises(TakeError, match=f"show 8 groups of 3 taps, not {rods} rods of {per_rod}: check --rods"):
        group_taps(paused([3] * 8), rods, per_rod)


def test_pauses_that_are_alike_or_only_join_rods_refuse_no_count():
    assert len(group_taps(paused([3] * 8, long=1.0), 6, 4)) == 6
    assert len(group_taps(paused([6] * 4), 8, 3)) == 8, "a rest after every second rod"
    pairs = taps_at(*np.cumsum([0.0, *([0.4, 1.0, 0.4, 1.2] * 6)[:-1]]))
    assert len(group_taps(pairs, 6, 4)) == 6, "taps in twos, and longer pauses between rods"


@settings(max_examples=200, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_pauses_without_meaning_refuse_hardly_any_count(seed):
    """Of gaps by chance the cuts would have to be the longest seven of 23."""
    gaps = np.random.default_rng(seed).normal(1.2, 0.1, 23)
    assert len(group_taps(taps_at(*np.cumsum([0.0, *gaps])), 6, 4)) == 6


@pytest.mark.parametrize("name", sorted(TRUTH))
def test_the_marks_of_the_takes_speak_for_their_counts(name):
    truth = TRUTH[name]
    groups = group_taps(taps_at(*truth["marks_s"]), truth["rods"], truth["taps_per_rod"])
    assert len(groups) == truth["rods"]
