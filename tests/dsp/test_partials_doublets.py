"""Close pairs are told apart; single and gliding lines are not taken for pairs."""

import numpy as np
import pytest
from partials_material import HALF_SECOND, RATE, damped, gliding, noise_sd_for, phases

from drumtune.dsp.chirp import fit_chirp, glide_phase
from drumtune.dsp.cluster import Problem
from drumtune.dsp.partials import find_partials
from drumtune.dsp.spectra import as_segments, cut_window

RESOLVED = 0.95
"""Share of tries in which both lines of a pair 1 Hz apart must be found, half a second at 40 dB."""


def _pair(rng, decay, segments):
    line, other = 200.0 + rng.uniform(-1.0, 1.0), decay * rng.uniform(0.95, 1.05)
    strength = rng.uniform(0.3, 1.0, 2) if segments == 1 else rng.normal(size=(segments, 2))
    amplitude = np.atleast_2d(strength) * phases(rng, (segments, 2))
    waves = np.array([damped([line, line + 1.0], [decay, other], row) for row in amplitude])
    return line, waves + noise_sd_for(40.0) * rng.standard_normal(waves.shape)


@pytest.mark.parametrize(
    ("segments", "decay", "tries", "near"), [(1, 13.8, 40, 0.3), (1, 7.0, 40, 0.1), (8, 13.8, 20, 0.03)]
)
def test_a_pair_one_hertz_apart_is_resolved_in_half_a_second(segments, decay, tries, near):
    # `near`: 3 to 10 times the Cramer-Rao bound of such pairs (0.02 to 0.07, 0.004 to 0.013, 0.002 Hz).
    rng = np.random.default_rng(11 + segments)
    good = 0
    for _ in range(tries):
        line, waves = _pair(rng, decay, segments)
        found = find_partials(waves, RATE).frequency
        good += found.size == 2 and np.abs(found - [line, line + 1.0]).max() < near
    assert good >= RESOLVED * tries


def test_half_a_hertz_is_resolved_from_eight_taps():
    rng = np.random.default_rng(12)
    waves = np.array([damped([150.0, 150.5], [9.0, 9.2], rng.normal(size=2)) for _ in range(8)])
    found = find_partials(waves + noise_sd_for(40.0) * rng.standard_normal(waves.shape), RATE)
    assert found.frequency == pytest.approx([150.0, 150.5], abs=0.03)


@pytest.mark.parametrize("segments", [1, 8])
def test_a_single_line_is_never_two(segments):
    rng = np.random.default_rng(13)
    for decibels in (20.0, 35.0, 50.0, 65.0) * 3:
        line, decay = [rng.uniform(80.0, 400.0)], [rng.uniform(4.0, 30.0)]
        amplitudes = rng.uniform(0.3, 1.0, segments) * phases(rng, segments)
        waves = np.array([damped(line, decay, [a]) for a in amplitudes])
        found = find_partials(waves + noise_sd_for(decibels) * rng.standard_normal(waves.shape), RATE)
        assert found.frequency == pytest.approx(line, abs=0.1)


@pytest.mark.parametrize("excess", [0.02, 0.06, 0.12, 0.25])
@pytest.mark.parametrize("settling", [3.0, 8.0, 20.0])
def test_a_glide_is_not_a_pair(excess, settling):
    # x up to 0.25 is a fall of 12 %, the most that real toms show.
    rng = np.random.default_rng(int(1000 * excess + settling))
    lines, decays = (120.0, 190.0, 257.0), (8.0, 7.0, 9.0)
    samples = int(0.8 * RATE)
    wave = sum(
        gliding(f, r, excess, settling, samples=samples, phase=rng.uniform(0.0, 6.3))
        for f, r in zip(lines, decays, strict=True)
    )
    found = find_partials(wave + 0.007 * rng.standard_normal(samples), RATE)
    assert found.frequency.size == 3
    left = 1.2 * lines[0] * 0.5 * excess * np.exp(-2.0 * settling * 0.25)  # what is still to fall from 0.25 s on
    assert found.frequency[0] == pytest.approx(lines[0], abs=left + 0.03)


def test_a_glide_of_taps_of_unlike_strength_is_not_a_pair():
    rng = np.random.default_rng(14)
    strength = rng.uniform(0.3, 1.0, 12)
    waves = np.array([a * gliding(200.0, 9.0, 0.02 * a * a, 9.0, samples=HALF_SECOND, phase=0.3) for a in strength])
    found = find_partials(waves + 0.001 * rng.standard_normal(waves.shape), RATE)
    assert found.frequency == pytest.approx([200.0], abs=0.05)


def test_a_pair_that_glides_to_rest_early_is_still_a_pair():
    rng = np.random.default_rng(15)
    samples = int(1.5 * RATE)
    wave = sum(gliding(f, 4.0, 0.01, 15.0, samples=samples, phase=p) for f, p in ((180.0, 0.4), (182.0, 2.0)))
    found = find_partials(wave + 0.003 * rng.standard_normal(samples), RATE)
    assert np.abs(found.frequency[:, None] - [180.0, 182.0]).min(axis=0).max() < 0.1


def test_the_glide_law_is_integrated_in_closed_form():
    # Against the trapezoid rule over each sample.
    time = np.arange(0.0, 1.0, 1e-4)
    for excess, settling in ((0.25, 6.0), (0.01, 2.0), (-0.1, 12.0)):
        ratio = np.sqrt(1.0 + excess * np.exp(-2.0 * settling * time))
        summed = np.concatenate([[0.0], np.cumsum(0.5e-4 * (ratio[1:] + ratio[:-1]))])
        np.testing.assert_allclose(glide_phase(time, excess, settling), summed, atol=1e-8)


def test_a_gliding_line_is_fitted_down_to_the_noise():
    rng = np.random.default_rng(16)
    samples = int(0.7 * RATE)
    wave = gliding(150.0, 10.0, 0.1, 6.0, samples=samples) + 0.007 * rng.standard_normal(samples)
    window = cut_window(as_segments(wave, RATE), 110.0, 210.0)
    found = fit_chirp(Problem(window, window.data, RATE, 2), np.array([1.0 / (samples * 0.007**2)]), 151.0, 9.0)
    assert found.frequency == pytest.approx(150.0, abs=0.02)
    assert found.depth == pytest.approx([0.1], abs=0.002)
    assert found.residual[0] / (samples * 0.007**2) < 1.4 * window.samples[0]  # white: 1 a bin, +- 0.12 for 70 bins
