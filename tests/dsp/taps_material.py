"""Takes with known onsets, put together from real drum hits (CC0, Debian package sonic-pi-samples) and real strays.

Places, levels and disturbances are drawn from a seed; the hits and strays themselves are recordings of real things.
"""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import scipy.fft
import soundfile

SAMPLES = Path("/usr/share/sonic-pi/samples")
MISSING = "needs the Debian package sonic-pi-samples (CC0 drum hits)"
RATE = 44100
DRUMS = {
    "high tom": ("drum_tom_hi_soft", "drum_tom_hi_hard"),
    "middle tom": ("drum_tom_mid_soft", "drum_tom_mid_hard"),
    "low tom": ("drum_tom_lo_soft", "drum_tom_lo_hard"),
    "tabla tun": ("tabla_tun3",),
    "tabla na": ("tabla_na_o",),
    "tabla tas": ("tabla_tas3",),
}
STRAYS = ("perc_snap", "perc_snap2", "misc_burp", "tabla_ke1", "drum_cymbal_closed", "perc_till")
"""Clicks, a voice, a dead slap, a closed cymbal, a till: nothing that rings as the drums do."""


@dataclass(frozen=True)
class Scene:
    samples: np.ndarray
    rate: float
    onsets: np.ndarray
    strays: np.ndarray


def hit(name):
    """A hit with its first motion (2 % of its peak) at sample 0, peak 1."""
    y, rate = soundfile.read(SAMPLES / f"{name}.flac", always_2d=True)
    assert rate == RATE
    y = y[:, 0] / np.abs(y[:, 0]).max()
    return y[np.argmax(np.abs(y) > 0.02) :]


def scene(drum, seed, count=18, range_db=10.0, spacing=(0.6, 1.3), strays=0):
    """Hits of one drum at random places and levels, and strays 10 dB under them in the longest pauses."""
    rng = np.random.default_rng(seed)
    times = 0.4 + np.cumsum(np.r_[0.0, rng.uniform(*spacing, count - 1)])
    samples = np.zeros(round((times[-1] + 1.5) * RATE))
    for time in times:
        add(samples, hit(rng.choice(DRUMS[drum])) * 10 ** (-rng.uniform(0, range_db) / 20), time)
    places = np.sort(np.argsort(np.diff(times))[::-1][:strays])
    stray_times = times[places] + 0.55 * np.diff(times)[places]
    for time in stray_times:
        add(samples, hit(rng.choice(STRAYS)) * 10 ** (-10 / 20), time)
    return Scene(0.5 * samples, float(RATE), np.round(times * RATE) / RATE, stray_times)


def add(samples, sound, time):
    start = round(time * RATE)
    stop = min(samples.size, start + sound.size)
    samples[start:stop] += sound[: stop - start]


def hit_level(scene_):
    """RMS over the 100 ms after each onset, median of the hits."""
    parts = [scene_.samples[round(t * RATE) : round((t + 0.1) * RATE)] for t in scene_.onsets]
    return float(np.median([np.sqrt((p**2).mean()) for p in parts]))


def noise(scene_, snr_db, seed, colour="white"):
    rng = np.random.default_rng(seed)
    x = rng.standard_normal(scene_.samples.size)
    if colour == "pink":
        size = scipy.fft.next_fast_len(x.size, real=True)
        f = np.fft.rfftfreq(size, 1 / RATE)
        x = np.fft.irfft(np.fft.rfft(x, size) / np.sqrt(np.maximum(f, 20.0)), size)[: x.size]
    return x / x.std() * hit_level(scene_) * 10 ** (-snr_db / 20)


def hum(scene_, below_db, frequency=50.0):
    t = np.arange(scene_.samples.size) / RATE
    x = sum(g * np.sin(2 * np.pi * frequency * k * t + k) for k, g in ((1, 1.0), (2, 0.5), (3, 0.4), (4, 0.2)))
    return x / x.std() * hit_level(scene_) * 10 ** (-below_db / 20)


def reverberant(samples, t60, direct_db, seed):
    """Direct sound and an exponential tail of noise, the tail's energy `direct_db` under the direct sound's."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(1.2 * t60 * RATE)) / RATE
    tail = rng.standard_normal(t.size) * 10 ** (-3 * t / t60) * (t > 0.003)
    tail *= np.sqrt(10 ** (-direct_db / 10) / (tail**2).sum())
    tail[0] = 1.0
    size = scipy.fft.next_fast_len(samples.size + tail.size, real=True)
    return np.fft.irfft(np.fft.rfft(samples, size) * np.fft.rfft(tail, size), size)[: samples.size]


def score(found, true, tolerance=0.025):
    """Hits, false alarms, misses (each onset matched once)."""
    found, true = list(found), list(true)
    matched = 0
    for t in true:
        near = [f for f in found if abs(f - t) <= tolerance]
        if near:
            found.remove(min(near, key=lambda f: abs(f - t)))
            matched += 1
    return matched, len(found), len(true) - matched
