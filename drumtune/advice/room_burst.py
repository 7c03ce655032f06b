"""What a burst (a clap, a balloon) would sound like in a room: to try things out, and for the demo.

Low frequencies are the sum of the room's modes between the two places; above, the direct sound and noise that dies
octave by octave, as statistical room acoustics has it. Own synthesis: it shows what
recordings look like and proves nothing.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drumtune.physics import room as rooms
from drumtune.physics import room_response as response
from drumtune.physics.room import Place, Room
from drumtune.physics.synthesis import ring_out

Array = NDArray[np.float64]

_CROSS = (250.0, 400.0)
"""From here to there, Hz, modes hand over to noise."""
_WIDTHS = (2e-3, 6e-4, 2e-4, 6e-5)
"""Widths in s of the pulses a burst is made of."""
HISS_DB = -62.0
"""Background noise against the peak, dB."""


def burst(room: Room, drum_at: Place, mic_at: Place, rate: float, *, seconds: float = 1.5, seed: int = 0) -> Array:
    """Sound of a burst at one place heard at another, peak 0.7, with a little noise under it.

    Raises
    ------
    ValueError
        If the rate is under 2 kHz or the time not positive, or a place lies outside the room.
    """
    if not (rate >= 2000.0 and seconds > 0.0):
        raise ValueError(f"a burst needs 2 kHz and some time, got {rate} Hz and {seconds} s")
    if not (response.inside(room, drum_at) and response.inside(room, mic_at)):
        raise ValueError("both places must lie in the room")
    rng = np.random.default_rng(seed)
    count = round(seconds * rate)
    whole = 2 * count
    f = np.asarray(np.fft.rfftfreq(whole, 1.0 / rate), dtype=np.float64)
    heard = room_spectrum(room, (drum_at, mic_at), count, rate, rng)
    sound = np.fft.irfft(heard * _pulse(f), whole)[:count]
    sound = 0.7 * sound / np.abs(sound).max() + 0.7 * 10.0 ** (HISS_DB / 20.0) * rng.standard_normal(count) / 3.0
    lead = round(0.05 * rate)
    return np.concatenate([0.7 * 10.0 ** (HISS_DB / 20.0) * rng.standard_normal(lead) / 3.0, sound])


def room_spectrum(
    room: Room, places: tuple[Place, Place], count: int, rate: float, rng: np.random.Generator
) -> NDArray[np.complex128]:
    """Spectrum, at the bins of 2 `count` samples, of what the room makes of an impulse between two places.

    The response lasts `count` samples; modes low down, direct sound and dying noise above, handed over in between.

    Parameters
    ----------
    places
        Source and receiver, both in the room.
    """
    whole = 2 * count
    f = np.asarray(np.fft.rfftfreq(whole, 1.0 / rate), dtype=np.float64)
    share = np.clip((_CROSS[1] - f) / (_CROSS[1] - _CROSS[0]), 0.0, 1.0)
    low = np.fft.rfft(_modal(room, *places, count, rate), whole)
    high = np.fft.rfft(_diffuse(room, math.dist(*places), count, rate, rng), whole)
    return np.asarray(share * low + (1.0 - share) * high)


def _modal(room: Room, drum_at: Place, mic_at: Place, count: int, rate: float) -> Array:
    """Impulse response by modes: psi psi' c^2/(V w_n) exp(-rate t) sin(w_n t)."""
    found = rooms.modes(room, min(1.5 * _CROSS[1], 0.45 * rate))
    weight = response.mode_shape(room, found.n, drum_at) * response.mode_shape(room, found.n, mic_at)
    scale = room.air.sound_speed**2 / (room.volume * 2.0 * np.pi * found.frequency)
    return ring_out(found.frequency, found.rate, -1j * weight * scale, count, rate)


def _diffuse(room: Room, distance: float, count: int, rate: float, rng: np.random.Generator) -> Array:
    """Direct sound, then noise in octaves, each dying with its centre's decay, as strong as the diffuse field."""
    t = np.arange(count) / rate
    start = round(distance / room.air.sound_speed * rate)
    f = np.fft.rfftfreq(count, 1.0 / rate)
    total = np.zeros(count)
    for centre in 125.0 * 2.0 ** np.arange(math.floor(math.log2(rate / 2.0 / 125.0)) + 1):
        band = (f >= centre / 2.0**0.5) & (f < centre * 2.0**0.5)
        decay = float(rooms.reverberation_at(room, centre))
        fall = 3.0 * math.log(10.0) / decay
        level = math.sqrt(2.0 * fall * rate * float(response.diffuse_level(room, centre, None)))
        noise = np.fft.irfft(np.fft.rfft(rng.standard_normal(count)) * band, count)
        total += level * noise * np.exp(-fall * t)
    total[:start] = 0.0
    if start < count:
        total[start] += rate / (4.0 * math.pi * distance)
    return total


def _pulse(f: Array) -> Array:
    """Spectrum of the burst: derivatives of Gauss pulses of several widths, each of one height."""
    parts = [2.0 * math.pi * f * width * np.exp(-0.5 * (2.0 * math.pi * f * width) ** 2) for width in _WIDTHS]
    return np.asarray(np.sum(parts, axis=0))
