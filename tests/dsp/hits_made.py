"""Hits made by plain code that shares nothing with the analysis: phase by trapezoid sums of f(t) on a fine grid."""

import numpy as np


def glide_ratio(times, excess, rate):
    """f(t)/f_inf of the law of the after-note."""
    return np.sqrt(1.0 + excess * np.exp(-2.0 * rate * times))


def fall_cents(excess, rate):
    """Fall from the mean pitch of 40...120 ms to the settled one, by numerical integration of f(t)."""
    times = np.linspace(0.04, 0.12, 8001)
    return 1200.0 * np.log2(np.trapezoid(glide_ratio(times, excess, rate), times) / 0.08)


def hit(lines, duration, *, fs=48000, law=(0.0, 5.0), snr_db=40.0, seed=0, lead=0.0):
    """Lines (frequency, T60, amplitude, phase) sounding together; noise `snr_db` under the strongest line's start.

    SNR as in the limit of estimation: A^2 / (2 s^2). `lead` s of noise alone come first.
    """
    fine = np.arange(int(duration * fs) * 4) / (4.0 * fs)
    ratio = glide_ratio(fine, *law)
    warp = np.concatenate([[0.0], np.cumsum(0.5 * (ratio[1:] + ratio[:-1]))])[::4] / (4.0 * fs)
    times = fine[::4]
    sound = sum(a * 10.0 ** (-3.0 * times / t60) * np.cos(2 * np.pi * f * warp + phase) for f, t60, a, phase in lines)
    silent = np.zeros(int(lead * fs))
    noise = max(line[2] for line in lines) / np.sqrt(2.0) * 10.0 ** (-snr_db / 20.0)
    rng = np.random.default_rng(seed)
    return np.concatenate([silent, sound]) + noise * rng.standard_normal(silent.size + sound.size)
