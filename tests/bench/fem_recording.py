"""How a simulated head becomes a recording: pulses, ringing, contact clicks, room, phone, noise.

Shares no code with the package. Times in s, frequencies in Hz, sound as float arrays near full scale 1.
"""

from __future__ import annotations

import io
from dataclasses import dataclass

import av
import numpy as np
from fem_drum import LN_MILLION, SOUND_SPEED
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import butter, fftconvolve, lfilter, sosfilt

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

PEAK = 0.8
GLIDE_TIME = 0.07
"""Seconds in which the raised pitch after a tap falls by a factor e."""


def ratio(db: float) -> float:
    return float(10.0 ** (db / 20.0))


@dataclass(frozen=True, slots=True)
class Tap:
    """One tap: pulse length, relative pitch rise at its start, start time, and complex amplitude of every mode (M,)."""

    pulse: float
    rise: float
    start: float
    amplitude: Complexes


def _pulse_integral(pole: Complexes, pulse: float, until: Floats) -> Complexes:
    """Integral from 0 to `until` of sin(pi s/pulse) exp(-pole s) ds, (M, times), by its closed form."""
    b = np.pi / pulse
    s, p = until[None, :], pole[:, None]
    upper = np.exp(-p * s) * (-p * np.sin(b * s) - b * np.cos(b * s))
    result: Complexes = (upper + b) / (p**2 + b**2)
    return result


def ring(tap: Tap, frequency: Floats, decay: Floats, first: float, count: int, rate: int) -> Floats:
    """Sound of one tap on `count` samples, the first of them `first` s after the tap's start.

    Every mode answers a half-sine force exactly; its frequency falls as 1 + rise exp(-t/GLIDE_TIME).
    """
    pole = -decay + 2j * np.pi * frequency
    block = 256
    blocks = count // block + 2
    t = first + np.arange(blocks * block) / rate
    free = tap.amplitude * _pulse_integral(pole, tap.pulse, np.array([tap.pulse]))[:, 0] * np.exp(pole * first)
    within = np.exp(pole[:, None] * np.arange(block) / rate)
    between = free[:, None] * np.exp(pole[:, None] * np.arange(blocks) * block / rate)
    sound = (between.T @ within).real.ravel()
    start = t[: int(np.searchsorted(t, tap.pulse))]
    forced = np.exp(pole[:, None] * start) * _pulse_integral(pole, tap.pulse, start)
    sound[: len(start)] = (tap.amplitude @ forced).real
    if tap.rise:
        ahead = t + tap.rise * GLIDE_TIME * (1.0 - np.exp(-t / GLIDE_TIME))
        sound = CubicSpline(t, sound)(np.minimum(ahead, t[-1]))
    return sound[:count]


def click(rng: np.random.Generator, rate: int) -> Floats:
    """The dry noise of contact: 1.5 ms above 1.5 kHz, peak 1."""
    count = int(0.0015 * rate)
    noise = sosfilt(butter(2, 1500, "high", fs=rate, output="sos"), rng.standard_normal(count))
    noise = noise * np.exp(-np.arange(count) / (0.0005 * rate))
    loud: Floats = noise / np.abs(noise).max()
    return loud


def room_response(rng: np.random.Generator, rate: int, reverberation: float, direct_db: float, wall: float) -> Floats:
    """Direct sound, the first reflections of a box (wall: factor of pressure), a tail `direct_db` down in energy."""
    t = np.arange(int(min(1.2 * reverberation, 1.0) * rate)) / rate
    tail = rng.standard_normal(len(t)) * np.exp(-LN_MILLION * t / reverberation)
    tail = sosfilt(butter(1, [60, 5000], "band", fs=rate, output="sos"), tail)
    tail[: int(0.004 * rate)] = 0.0
    response = tail * ratio(-direct_db) / np.sqrt((tail**2).sum())
    response[0] += 1.0
    size = rng.uniform([3.0, 2.6, 2.3], [6.0, 4.5, 3.0])
    drum = np.append(rng.uniform(0.25, 0.75, 2) * size[:2], rng.uniform(0.6, 1.0))
    microphone = drum + np.array([0.1, 0.05, 0.25])
    direct = np.linalg.norm(drum - microphone)
    for axis in range(3):
        for image in (-drum[axis], 2 * size[axis] - drum[axis]):
            mirrored = drum.copy()
            mirrored[axis] = image
            way = np.linalg.norm(mirrored - microphone)
            late = float(way - direct) / SOUND_SPEED * rate
            k = int(late)
            response[k : k + 2] += wall * direct / way * np.array([1 - late + k, late - k])
    whole: Floats = response
    return whole


def background(rng: np.random.Generator, count: int, rate: int, level_db: float, hum: float) -> Floats:
    """Noise falling above 1.5 kHz at an rms level, and mains hum of amplitude `hum` with three harmonics."""
    p = np.exp(-2.0 * np.pi * 1500.0 / rate)
    noise = lfilter([1.0 - p], [1.0, -p], rng.standard_normal(count))
    noise *= ratio(level_db) / noise.std()
    t = np.arange(count) / rate
    mains = 50.0 * (1.0 + 2e-4 * rng.standard_normal())
    for k, share in ((1, 1.0), (2, 0.5), (3, 0.25), (4, 0.1)):
        noise += hum * share * np.sin(2.0 * np.pi * mains * k * t + rng.uniform(0.0, 2.0 * np.pi))
    loud: Floats = noise
    return loud


def stray_noises(rng: np.random.Generator, sound: Floats, rate: int) -> Floats:
    """A few short noises of the house, 20 to 34 dB below full scale, anywhere in the take."""
    result = sound.copy()
    for _ in range(rng.integers(2, 6)):
        at = int(rng.uniform(0.4, len(sound) / rate - 0.3) * rate)
        count = int(rng.uniform(0.02, 0.12) * rate)
        low, high = np.sort(rng.uniform(100.0, 3000.0, 2))
        noise = sosfilt(butter(2, [low, 1.3 * high], "band", fs=rate, output="sos"), rng.standard_normal(count))
        noise = noise * np.hanning(count)
        result[at : at + count] += noise / np.abs(noise).max() * ratio(rng.uniform(-34.0, -20.0))
    return result


def level_control(sound: Floats, rate: int, slope: float) -> Floats:
    """A phone's level control: above -18 dB the level grows by 1/slope only; 15 ms to act, 0.4 s to let go."""
    step = rate // 1000
    power = np.convolve(sound**2, np.ones(5 * step) / (5 * step), "same")[::step]
    wanted = np.minimum(0.0, (-18.0 - 10.0 * np.log10(power + 1e-18)) * (1.0 - 1.0 / slope))
    gain, now = np.zeros_like(wanted), 0.0
    act, let_go = np.exp(-0.001 / 0.015), np.exp(-0.001 / 0.4)
    for i, target in enumerate(wanted):
        keep = act if target < now else let_go
        now = keep * now + (1.0 - keep) * target
        gain[i] = now
    result: Floats = sound * 10.0 ** (np.interp(np.arange(len(sound)), np.arange(len(gain)) * step, gain) / 20.0)
    return result


def through_aac(sound: Floats, rate: int, kilobits: int) -> Floats:
    """Encode and decode with a real AAC coder, lined up with the input again."""
    store = io.BytesIO()
    with av.open(store, "w", format="adts") as container:
        stream = container.add_stream("aac", rate=rate, layout="mono")
        stream.bit_rate = 1000 * kilobits
        frame = av.AudioFrame.from_ndarray(sound.astype(np.float32)[None, :], format="fltp", layout="mono")
        frame.sample_rate = rate
        for packet in (*stream.encode(frame), *stream.encode(None)):
            container.mux(packet)
    store.seek(0)
    with av.open(store, "r") as container:
        back = np.concatenate([frame.to_ndarray()[0] for frame in container.decode(audio=0)]).astype(float)
    span = min(len(sound), len(back), 10 * rate)
    late = int(np.argmax(fftconvolve(back[:span], sound[:span][::-1]))) - (span - 1)
    back = back[late:] if late >= 0 else np.r_[np.zeros(-late), back]
    aligned: Floats = np.r_[back, np.zeros(max(0, len(sound) - len(back)))][: len(sound)]
    return aligned


def through_room(rng: np.random.Generator, sound: Floats, rate: int, *, bare: bool) -> Floats:
    """The take as heard in a room: furnished with the microphone near the drum, or bare and from further off."""
    direct_db, wall = (rng.uniform(6.0, 12.0), 0.8) if bare else (rng.uniform(14.0, 20.0), 0.4)
    response = room_response(rng, rate, rng.uniform(0.25, 0.55), direct_db, wall)
    return to_peak(fftconvolve(sound, response)[: len(sound)])


def through_phone(rng: np.random.Generator, sound: Floats, rate: int) -> Floats:
    """Band limits of a phone's microphone and noises of the house, before its own noise."""
    low, high = rng.uniform(40.0, 90.0), rng.uniform(5000.0, 9000.0)
    sound = sosfilt(butter(1, low, "high", fs=rate, output="sos"), sound)
    sound = stray_noises(rng, sound, rate)
    return to_peak(sosfilt(butter(2, high, "low", fs=rate, output="sos"), sound))


def phone_file(rng: np.random.Generator, sound: Floats, rate: int) -> Floats:
    """What a phone makes of it afterwards: level control in half of them, and AAC."""
    if rng.random() < 0.5:
        sound = level_control(sound, rate, rng.uniform(1.1, 1.4))
    return to_peak(through_aac(to_peak(sound), rate, int(rng.choice([64, 96, 128]))))


def to_peak(sound: Floats) -> Floats:
    scaled: Floats = sound * (PEAK / np.abs(sound).max())
    return scaled
