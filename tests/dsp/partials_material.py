"""Damped lines with known truth for the tests of partials, made here and by nothing under test."""

import numpy as np

RATE = 48000.0
HALF_SECOND = 24000


def damped(lines, decays, amplitudes, *, samples=HALF_SECOND, rate=RATE):
    """Sum of Re(a exp((-alpha + 2 pi i f) t)), shape (samples,)."""
    time = np.arange(samples) / rate
    wave = [(a * np.exp((-r + 2j * np.pi * f) * time)).real for f, r, a in zip(lines, decays, amplitudes, strict=True)]
    return np.sum(wave, axis=0)


def noise_sd_for(decibels):
    """Noise of a line of amplitude 1 at so many dB: A^2 / (2 sd^2) is the signal-to-noise ratio at the start."""
    return np.sqrt(0.5 * 10.0 ** (-decibels / 10.0))


def phases(rng, count):
    """Unit phasors of random phase."""
    return np.exp(2j * np.pi * rng.uniform(size=count))


def gliding(line, decay, excess, settling, *, samples, phase=0.0, rate=RATE):
    """A line whose pitch is f sqrt(1 + x exp(-2 gamma t)), its phase integrated numerically sample by sample."""
    time = np.arange(samples) / rate
    pitch = line * np.sqrt(1.0 + excess * np.exp(-2.0 * settling * time))
    turned = np.concatenate([[0.0], np.cumsum(0.5 * (pitch[1:] + pitch[:-1]))]) / rate
    return np.exp(-decay * time) * np.cos(2.0 * np.pi * turned + phase)
