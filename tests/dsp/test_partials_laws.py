"""Laws the lines of any segments keep: gain, time shift, clock, linear mixtures of taps."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from partials_material import HALF_SECOND, RATE, damped

from drumtune.dsp.partials import find_partials

LINES, DECAYS = np.array([140.0, 225.0, 227.0]), np.array([15.0, 9.0, 9.3])
few = settings(max_examples=5, deadline=None, derandomize=True)
"""Each example is a whole search of some tens of milliseconds."""
SAME = 1e-6
"""Relative: gain changes the steps of the search in their last digits only."""


def taps(seed, count=4, samples=HALF_SECOND, noise=0.003):
    rng = np.random.default_rng(seed)
    waves = np.array([damped(LINES, DECAYS, rng.normal(size=3), samples=samples) for _ in range(count)])
    return waves + noise * rng.standard_normal(waves.shape)


@few
@given(seed=st.integers(0, 10**6), decibels=st.floats(-80.0, 80.0))
def test_gain_changes_amplitudes_and_nothing_else(seed, decibels):
    waves, gain = taps(seed), 10.0 ** (decibels / 20.0)
    plain, loud = find_partials(waves, RATE), find_partials(gain * waves, RATE)
    np.testing.assert_allclose(loud.frequency, plain.frequency, rtol=SAME)
    np.testing.assert_allclose(loud.decay_rate, plain.decay_rate, rtol=1e3 * SAME)
    np.testing.assert_allclose(loud.amplitude, gain * plain.amplitude, atol=1e-3 * gain)
    np.testing.assert_allclose(loud.noise_sd, gain * plain.noise_sd, rtol=1e-2)


@few
@given(seed=st.integers(0, 10**6), factor=st.floats(0.5, 2.0))
def test_a_faster_clock_scales_frequencies_and_decays(seed, factor):
    # The constants of the search stand in Hz and 1/s, so this also shows that they do not matter.
    waves = taps(seed)
    plain, fast = find_partials(waves, RATE), find_partials(waves, factor * RATE)
    assert fast.frequency.size == plain.frequency.size
    near = 3.0 * factor * plain.frequency_sd
    assert (np.abs(fast.frequency - factor * plain.frequency) < near).all()
    assert (np.abs(fast.decay_rate - factor * plain.decay_rate) < 3.0 * factor * plain.decay_rate_sd).all()


@few
@given(seed=st.integers(0, 10**6), shift=st.integers(1, 2000))
def test_a_later_start_multiplies_amplitudes_by_the_pole_power(seed, shift):
    waves = taps(seed, noise=1e-4)
    whole, later = find_partials(waves, RATE), find_partials(waves[:, shift:], RATE)
    power = np.exp((-whole.decay_rate + 2j * np.pi * whole.frequency) * shift / RATE)
    np.testing.assert_allclose(later.frequency, whole.frequency, atol=0.01)
    np.testing.assert_allclose(later.amplitude, whole.amplitude * power, atol=0.02)


@few
@given(seed=st.integers(0, 10**6), a=st.floats(-2.0, 2.0), b=st.floats(-2.0, 2.0))
def test_a_mixture_of_taps_has_the_mixture_of_their_amplitudes(seed, a, b):
    waves = taps(seed)
    mixed = find_partials(np.vstack([waves, a * waves[0] + b * waves[1]]), RATE)
    expected = a * mixed.amplitude[0] + b * mixed.amplitude[1]
    np.testing.assert_allclose(mixed.amplitude[-1], expected, atol=2e-4)


@few
@given(seed=st.integers(0, 10**6))
def test_the_order_of_taps_does_not_matter(seed):
    waves = taps(seed)
    plain, turned = find_partials(waves, RATE), find_partials(waves[::-1], RATE)
    np.testing.assert_allclose(turned.frequency, plain.frequency, rtol=SAME)
    np.testing.assert_allclose(turned.amplitude[::-1], plain.amplitude, atol=1e-3)


def test_more_taps_make_a_line_more_exact():
    # Independent noise: the standard deviation falls with the root of the total energy.
    rng = np.random.default_rng(9)
    wave = damped([150.0], [10.0], [1.0])
    one, nine = (find_partials(wave + 0.01 * rng.standard_normal((count, wave.size)), RATE) for count in (1, 9))
    assert nine.frequency_sd[0] == pytest.approx(one.frequency_sd[0] / 3.0, rel=0.35)
