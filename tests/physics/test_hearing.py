"""Hearing: limits of exposure as published, pitch and beats against what is quoted and derived."""

import numpy as np
import pytest

from drumtune.physics import hearing

# NIOSH, Criteria for a Recommended Standard: Occupational Noise Exposure (publ. 98-126, 1998), table 1-1.
NIOSH = {85.0: 8 * 3600.0, 88.0: 4 * 3600.0, 94.0: 3600.0, 100.0: 15 * 60.0}
# From the formula of Wier, Jesteadt & Green (1977) as remembered: cents at Hz.
WIER = {100.0: 9.2, 200.0: 5.9, 300.0: 4.8}


@pytest.mark.parametrize(("level", "time"), NIOSH.items())
def test_exposure_times_are_those_of_niosh(level, time):
    assert float(hearing.exposure_time(level)) == pytest.approx(time, rel=1e-12)


@pytest.mark.parametrize(("frequency", "step"), WIER.items())
def test_pitch_steps_are_those_remembered_from_wier(frequency, step):
    assert float(hearing.pitch_step_cents(frequency)) == pytest.approx(step, abs=0.1)


def test_the_first_null_comes_when_the_lines_are_half_a_turn_apart():
    split, decay = 3.0, 0.8
    t = np.arange(0.0, 1.0, 1e-5)
    envelope = np.abs(1.0 + np.exp(2j * np.pi * split * t))
    null = t[np.argmin(envelope[t < 0.3])]
    assert float(hearing.first_null_drop(split, decay)) == pytest.approx(60.0 * null / decay, rel=1e-3)


def test_splits_well_under_one_over_the_decay_time_do_not_beat():
    assert not hearing.beats_heard(0.3, 1.0)
    assert hearing.beats_heard(4.0, 1.0)
    edge = float(hearing.smallest_beating_split(0.7))
    assert float(hearing.first_null_drop(edge, 0.7)) == pytest.approx(hearing.AUDIBLE_DROP)
