"""Taps in the middle, on sound of known truth made by plain sums of damped lines.

On finite-element heads: tests/bench/test_rounds_bench.py.
"""

import numpy as np
import pytest
from scipy.signal import fftconvolve

from drumtune.dsp.middle import follow_middle

RATE = 8000
GAP = 1.5


def head(cents, rng, *, glide=0.0, each=1, line=160.0):
    """Taps on a head of three lines of which (0,1) dies soonest; each stop's pitch so many cents over the first's."""
    marks = 0.4 + GAP * np.arange(len(cents) * each)
    sound = np.zeros(int((marks[-1] + GAP) * RATE))
    for place, mark in enumerate(marks):
        level = 10.0 ** (rng.uniform(-3.0, 3.0) / 20.0)
        time = np.arange(int(1.4 * RATE)) / RATE
        ahead = time + glide * level * 0.07 * -np.expm1(-time / 0.07)
        up = 2.0 ** (cents[place // each] / 1200.0)
        for ratio, size, decay in ((1.0, 1.0, 20.0), (1.75, 0.3 * rng.standard_normal(), 9.0), (2.7, 0.5, 30.0)):
            wave = np.cos(2.0 * np.pi * line * up * ratio * ahead) * np.exp(-decay * time)
            sound[int(mark * RATE) :][: time.size] += level * size * wave
    return sound, marks


def followed(sound, marks, stops, **other):
    return follow_middle(sound, RATE, marks, np.arange(marks.size) // (marks.size // stops), **other)


@pytest.mark.parametrize("seed", range(4))
def test_steps_are_heard_in_a_room_beside_noise_whatever_the_strength_of_the_taps(seed):
    """Truth: 0, 9, 4, 4 and 20 cents; pitch falls by 12 cents after the loudest tap. Within three deviations."""
    rng = np.random.default_rng(seed)
    cents = np.array([0.0, 9.0, 4.0, 4.0, 20.0])
    sound, marks = head(cents, rng, glide=2.0 ** (12.0 / 1200.0) - 1.0, each=2)
    time = np.arange(int(0.4 * RATE)) / RATE
    tail = rng.standard_normal(time.size) * np.exp(-6.9 * time / 0.4) * (time > 0.004)
    tail *= 0.15 / np.sqrt(np.sum(tail**2))
    tail[0] = 1.0
    heard = fftconvolve(sound, tail)[: sound.size] + 0.002 * rng.standard_normal(sound.size)
    course = followed(heard, marks, 5, near=150.0, decay_rate=17.0)
    off = course.cents - cents[1:]
    deviation = np.sqrt(np.diagonal(course.covariance))
    assert np.abs(off).max() < 3.0
    assert np.all(np.abs(off) < 3.0 * deviation)
    assert deviation.max() < 3.0


def test_gain_changes_nothing_and_a_faster_tape_changes_the_line_alone():
    """Laws: steps in cents do not hang on level or speed."""
    sound, marks = head([0.0, -12.0, 6.0], np.random.default_rng(5))
    plain = followed(sound, marks, 3, near=160.0, decay_rate=20.0)
    louder = followed(0.01 * sound, marks, 3, near=160.0, decay_rate=20.0)
    assert louder.cents == pytest.approx(plain.cents, abs=1e-3)
    fast = follow_middle(sound, 1.1 * RATE, marks / 1.1, np.arange(3), near=176.0, decay_rate=22.0)
    assert fast.cents == pytest.approx(plain.cents, abs=0.5)
    assert fast.frequency == pytest.approx(1.1 * plain.frequency, rel=2e-3)


def test_a_head_brought_up_by_a_fifth_of_an_octave_is_followed():
    """Turns add up over a round: 240 cents are more than the width that is compared round one line."""
    cents = np.array([0.0, 60.0, 120.0, 180.0, 240.0])
    sound, marks = head(cents, np.random.default_rng(6))
    course = followed(sound, marks, 5, near=170.0, decay_rate=20.0)
    assert course.cents == pytest.approx(cents[1:], abs=2.0)


@pytest.mark.parametrize("stops", [[0, 0, 0], [0, 2, 2], [1, 1, 2]])
def test_stops_must_be_counted_without_gaps(stops):
    sound, marks = head([0.0, 5.0, 10.0], np.random.default_rng(7))
    with pytest.raises(ValueError, match="stops"):
        follow_middle(sound, RATE, marks, np.array(stops), near=160.0, decay_rate=20.0)
