"""The loudest line of a tap, against sines whose frequency and level are put in."""

import numpy as np
import pytest

from drumtune.dsp.loudest import loudest_line

RATE = 48000.0
TIME = np.arange(round(0.5 * RATE)) / RATE


@pytest.mark.parametrize("frequency", [73.3, 187.0, 411.7, 998.1])
def test_frequency_and_level_of_a_sine_are_found(frequency):
    found = loudest_line(0.1 * np.sin(2 * np.pi * frequency * TIME + 0.4), RATE)
    assert found[0] == pytest.approx(frequency, abs=0.05)  # a fortieth of a bin of the 0.48 s looked at
    assert found[1] == pytest.approx(-20.0, abs=0.1)  # 0.1 of full scale


def test_of_two_dying_lines_the_louder_one_is_told():
    low = 0.1 * np.exp(-TIME / 0.2) * np.sin(2 * np.pi * 200 * TIME)
    high = 0.4 * np.exp(-TIME / 0.2) * np.sin(2 * np.pi * 310 * TIME)
    assert loudest_line(low + high, RATE)[0] == pytest.approx(310.0, abs=0.5)


def test_what_lies_outside_the_range_is_not_told():
    rumble = 0.9 * np.sin(2 * np.pi * 20 * TIME) + 0.9 * np.sin(2 * np.pi * 3000 * TIME)
    found = loudest_line(rumble + 0.01 * np.sin(2 * np.pi * 250 * TIME), RATE)
    assert found[0] == pytest.approx(250.0, abs=0.5)


def test_silence_and_too_little_sound_have_no_line():
    assert loudest_line(np.zeros(TIME.size), RATE) is None
    assert loudest_line(np.ones(100), RATE) is None
