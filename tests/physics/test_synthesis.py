"""The synthesiser against closed forms and laws. It is never used to prove the reading of recordings."""

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.special import jn_zeros

from drumtune.drum import INCH, Air, Drum, Head
from drumtune.physics import air, synthesis

DRUM = Drum(Head.of_film(6 * INCH, 10), 8)
TENSION = 1500.0
EXACT = 1e-9
"""Sums of products in double precision, 60 terms of size 1: far above rounding, far below hearing."""


def sine_sum(frequencies, decay_rates, amplitudes, count, rate):
    """The definition, term by term."""
    t = np.arange(count) / rate
    poles = 2j * np.pi * np.asarray(frequencies)[:, None] - np.asarray(decay_rates)[:, None]
    return (np.asarray(amplitudes)[:, None] * np.exp(poles * t)).real.sum(axis=0)


@pytest.mark.parametrize("count", [1, 1023, 1024, 1025, 5000])
def test_ringing_is_the_sum_of_its_damped_lines(count):
    rng = np.random.default_rng(5)
    frequencies, decays = rng.uniform(50, 5000, 60), rng.uniform(0, 40, 60)
    amplitudes = rng.normal(size=60) + 1j * rng.normal(size=60)
    sound = synthesis.ring_out(frequencies, decays, amplitudes, count, 48000.0)
    assert_allclose(sound, sine_sum(frequencies, decays, amplitudes, count, 48000.0), atol=EXACT)


def test_no_lines_ring_out_in_silence():
    assert_allclose(synthesis.ring_out([], [], [], 10, 8000.0), np.zeros(10))


def test_lines_of_unequal_shapes_are_refused():
    with pytest.raises(ValueError, match="equal one-dimensional shapes"):
        synthesis.ring_out([100.0, 200.0], [1.0, 1.0], [1.0], 10, 8000.0)
    with pytest.raises(ValueError, match="must be positive"):
        synthesis.ring_out([100.0], [1.0], [1.0], 0, 8000.0)


@pytest.mark.parametrize("mode", [(0, 1, 0), (1, 1, 1), (2, 1, 3)])
def test_an_even_head_sounds_at_the_closed_form_of_the_loaded_membrane(mode):
    m, n, place = mode
    head = synthesis.sounding_head(DRUM, np.zeros(8), TENSION)
    assert_allclose(head.frequencies[place], air.frequency(DRUM.head, TENSION, m, n), rtol=1e-12)


def test_two_fold_unevenness_splits_the_first_pair_by_its_constant():
    """A sliding rim splits (1,1) by eps/2 of its pitch (first order; ../physics.md, "Uneven head")."""
    small = 0.002
    pulls = 600.0 * np.log2(1.0 + small * np.cos(2.0 * DRUM.rod_angles))
    low, high = synthesis.sounding_head(DRUM, pulls, TENSION, slide=1.0).frequencies[1:3]
    assert_allclose((high - low) / low, small / 2.0, rtol=0.1)  # rod tension is a mean over a band, not the rim's value


def test_the_field_of_pulls_gives_the_pulls_back():
    pulls = np.array([10.0, -30.0, 20.0, 5.0, -5.0, 40.0, -20.0])
    tension = 1.0 + synthesis.stress.rod_patterns(7) @ synthesis.field_of(pulls)
    assert_allclose(600.0 * np.diff(np.log2(tension)), np.diff(pulls), atol=EXACT)


def test_turning_drum_and_microphone_together_changes_nothing():
    pulls = np.array([30.0, -10.0, 5.0, 0.0, -25.0, 10.0, -20.0, 10.0])
    step = 2.0 * np.pi / 8

    def heard(shift):
        head = synthesis.sounding_head(DRUM, np.roll(pulls, shift), TENSION)
        angle = 0.7 + shift * step
        gain = synthesis.gains(head, DRUM.head.radius, (0.1 * np.cos(angle), 0.1 * np.sin(angle), 0.2))
        return synthesis.tap(head, gain, (0.7, 1.0 + shift * step), 4000, 22050.0)

    first = heard(0)
    assert_allclose(heard(3), first, atol=1e-6 * np.abs(first).max())


def test_a_tap_begins_without_a_jump():
    head = synthesis.sounding_head(DRUM, np.zeros(8), TENSION)
    gain = synthesis.gains(head, DRUM.head.radius, (0.1, 0.05, 0.2))
    sound = synthesis.tap(head, gain, (0.7, 0.3), 4800, 48000.0)
    assert np.abs(sound[0]) < 0.05 * np.abs(sound).max()


def test_an_even_head_far_off_is_heard_by_the_volume_its_modes_move():
    """On the axis, far away: g = f/(1 + b) times the integral of the mode, N 2 pi J1(j)/j for (0,n), none for m > 0.

    N = 1/(sqrt(pi) J1(j)) makes the integral of the squared shape 1; 1 + b = (f in vacuum / f)^2.
    """
    head = synthesis.sounding_head(DRUM, np.zeros(8), TENSION)
    slow = Air(1.204, 343.2e3)  # all of the head in step
    gain = synthesis.gains(head, DRUM.head.radius, (0.0, 0.0, 500.0), air=slow) * 500.0
    places = {(0, 1): 0, (0, 2): 5}
    zeros = np.array([jn_zeros(0, 2)[n - 1] for _, n in places])
    vacuum = zeros * np.sqrt(TENSION / DRUM.head.surface_density) / (2.0 * np.pi * DRUM.head.radius)
    heard = head.frequencies[list(places.values())]
    moved = 2.0 * np.sqrt(np.pi) / zeros  # N 2 pi J1(j)/j, either sign
    assert_allclose(np.abs(gain[list(places.values())]), heard * (heard / vacuum) ** 2 * moved, rtol=1e-3)
    assert np.abs(gain[1:3]).max() < 1e-6 * np.abs(gain[0])


def test_a_twelve_inch_head_rings_for_about_a_second():
    """Decay is radiation and what film and edge take; the (1,1) lasts 1 s within a third, and none rings for two."""
    head = synthesis.sounding_head(DRUM, np.zeros(8), TENSION)
    lasting = np.log(1000.0) / head.decay_rates
    assert 0.67 < lasting[1] < 1.33
    assert lasting.max() < 2.0
    radiated = air.radiation_rate(DRUM.head, head.frequencies[1:2], 1, 1)
    assert_allclose(head.decay_rates[1:2] - radiated, 0.006 * np.pi * head.frequencies[1:2] + 1.5, rtol=1e-9)


def test_pulls_must_be_as_many_as_the_rods():
    with pytest.raises(ValueError, match="8 rods need as many pulls, got 6"):
        synthesis.sounding_head(DRUM, np.zeros(6), TENSION)
