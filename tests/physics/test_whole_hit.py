"""Whole hits: laws the sound of a described stroke must obey. Own synthesis proves no reading."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import jn_zeros, jv

from drumtune.drum import INCH, Air, Head
from drumtune.physics import membrane, two_heads, whole_hit
from drumtune.physics.two_heads import TwoHeads
from drumtune.physics.whole_hit import Lines, Stroke

DRUM = TwoHeads(Head.of_film(6 * INCH, 10), Head.of_film(6 * INCH, 7.5), 8 * INCH)
RATE = 48000.0
ONE = Lines(np.array([200.0]), np.array([6.0]), np.array([-1j]))


def crossings(sound, start, rate=RATE):
    """Times (s) of the rises through zero in 0.1 s from `start`, placed by linear interpolation."""
    piece = sound[round(start * rate) : round((start + 0.1) * rate)]
    up = np.flatnonzero((piece[:-1] < 0) & (piece[1:] >= 0))
    return start + (up - piece[up] / (piece[up + 1] - piece[up])) / rate


def pitch(sound, start, rate=RATE):
    """Mean frequency from the first crossing to the last."""
    when = crossings(sound, start, rate)
    return (when.size - 1) / (when[-1] - when[0])


def test_a_hit_holds_the_modes_of_both_heads():
    """The (0,1) and (1,1) pairs of two_heads.pair, which the tests there check from outside, are among its lines."""
    lines = whole_hit.lines(DRUM, 2500.0, 3000.0)
    for m in (0, 1, 2):
        for wanted in two_heads.pair(DRUM, 2500.0, 3000.0, m).frequency:
            assert np.min(np.abs(lines.frequency / wanted - 1.0)) < 1e-9


def test_a_stroke_in_the_middle_moves_no_mode_with_a_nodal_diameter():
    lines = whole_hit.lines(DRUM, 2500.0, 3000.0, radius=0.0)
    heard = np.abs(lines.amplitude) > 1e-9 * np.abs(lines.amplitude).max()
    round_ones = np.sort(two_heads.family(DRUM, 2500.0, 3000.0, 0, ceiling=whole_hit.CEILING).frequency)
    assert_allclose(np.sort(lines.frequency[heard]), round_ones)


def half_sine_spectrum(hz, length=1.8e-3, steps=4000):
    """Size of the spectrum of sin(pi t / length) over its value at 0 Hz, by the midpoint rule."""
    t = (np.arange(steps) + 0.5) * length / steps
    force = np.sin(math.pi * t / length)
    return abs(np.sum(force * np.exp(-2j * math.pi * hz * t))) / np.sum(force)


@pytest.mark.parametrize(("m", "n"), [(0, 1), (0, 2), (1, 1), (2, 1)])
def test_a_mode_is_heard_by_the_energy_it_is_given_and_the_part_it_sends_out(m, n):
    """A film in thin air, by hand: (2 E) radiated |S|^2, E = phi^2 / (2 M) of a unit impulse where the mode is phi.

    M is the modal mass on the disc, S the spectrum of a contact of 1.8 ms; strengths are as of a disc of area 1.
    """
    drum, tension, place = replace(DRUM, near=Air(1e-9, 343.2)), 2500.0, 0.45
    modes = two_heads.family(drum, tension, 3100.0, m, ceiling=whole_hit.CEILING)
    hz = float(membrane.frequency(drum.top, tension, m, n))
    at = int(np.argmin(np.abs(modes.frequency - hz)))
    assert modes.frequency[at] == pytest.approx(hz, rel=1e-5)
    zero, r = jn_zeros(m, n)[-1], (np.arange(2000) + 0.5) / 2000
    theta = 2 * math.pi * np.arange(64) / 64
    square = np.mean((jv(m, zero * r[:, None]) * np.cos(m * theta)) ** 2 * 2 * r[:, None])
    twice_energy = jv(m, zero * place) ** 2 / (drum.top.surface_density * square)
    expected = twice_energy * modes.radiated[at] * half_sine_spectrum(hz) ** 2
    assert whole_hit.strengths(modes, m, place)[at] ** 2 == pytest.approx(expected, rel=1e-4)


def test_a_hit_starts_from_rest():
    """A push that is over at once leaves no displacement: all lines begin as sines."""
    assert_allclose(whole_hit.lines(DRUM, 2500.0, 3000.0).amplitude.real, 0.0)


@pytest.mark.parametrize("cents", [10.0, 40.0, 100.0])
def test_the_pitch_falls_along_the_law_of_added_tension(cents):
    """f(t) = f_inf sqrt(1 + x exp(-2 gamma t)), x = 2^(cents/600) - 1: mean of the formula against zero crossings."""
    sound = whole_hit.sound(ONE, 96000, RATE, Stroke(glide_cents=cents))
    for start in (0.0, 0.1, 0.3):
        t = np.linspace(*crossings(sound, start)[[0, -1]], 1001)
        wanted = 200.0 * np.mean(np.sqrt(1.0 + (2.0 ** (cents / 600.0) - 1.0) * np.exp(-12.0 * t)))
        assert pitch(sound, start) == pytest.approx(wanted, rel=2e-5)  # a sample's tenth in 0.1 s


def test_warped_time_is_the_integral_of_the_law():
    t = np.linspace(0.0, 1.0, 20001)
    ratio = np.sqrt(1.0 + 0.3 * np.exp(-2.0 * 7.0 * t))
    integral = np.concatenate([[0.0], np.cumsum(0.5 * (ratio[1:] + ratio[:-1]) * np.diff(t))])
    assert_allclose(whole_hit.warped_time(t, 0.3, 7.0), integral, atol=1e-8)  # trapezoid of 20000 steps


def test_a_stroke_without_glide_rings_as_the_sum_of_its_lines():
    t = np.arange(4800) / RATE
    wanted = np.exp(-6.0 * t) * np.sin(2.0 * np.pi * 200.0 * t)
    assert_allclose(whole_hit.sound(ONE, 4800, RATE), wanted, atol=1e-9)


def test_the_noise_of_the_stick_is_short_and_at_its_level():
    quiet, noisy = (whole_hit.sound(ONE, 48000, RATE, Stroke(noise_db=level)) for level in (None, -20.0))
    noise = noisy - quiet
    assert np.abs(noise).max() == pytest.approx(0.1 * np.abs(quiet).max())
    energy = np.cumsum(noise**2)
    assert energy[round(0.02 * RATE)] > 0.99 * energy[-1]


def test_a_seed_gives_the_same_noise_again_and_another_seed_another():
    first, again, other = (whole_hit.sound(ONE, 4800, RATE, Stroke(noise_db=-10.0, seed=s)) for s in (3, 3, 4))
    assert_allclose(first, again, rtol=0.0, atol=0.0)
    assert np.abs(first - other).max() > 1e-3


@pytest.mark.parametrize("rate", [44100.0, 96000.0])
def test_the_rate_of_sampling_changes_the_samples_not_the_sound(rate):
    """Every second sample of 96 kHz, and 44.1 kHz by pitch: a rendered glide does not hang on the rate."""
    sound = whole_hit.sound(ONE, round(rate), rate, Stroke(glide_cents=60.0))
    reference = whole_hit.sound(ONE, 48000, RATE, Stroke(glide_cents=60.0))
    assert pitch(sound, 0.1, rate) == pytest.approx(pitch(reference, 0.1), rel=1e-4)
    if rate == 96000.0:
        assert_allclose(sound[::2], reference, atol=1e-4)  # error of the cubic spline at 240 points a period


def test_a_stroke_that_lowers_the_pitch_is_refused():
    with pytest.raises(ValueError, match="raises the pitch or leaves it"):
        whole_hit.sound(ONE, 10, RATE, Stroke(glide_cents=-1.0))
