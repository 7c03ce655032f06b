"""A hit over time and frequency, with the pitch track of each line: what the decay picture shows.

Conventions as in hit.py. The transform is a plain short-time Fourier transform (Hann window); tracks are followed in
the sound with its glide taken out, in a narrow band, and bent back. Draws nothing and measures nothing that hit.py
has not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from drumtune.dsp.glide import GlideLaw, PitchTrack, track_pitch, unwarp
from drumtune.dsp.gliding import lower_rate
from drumtune.dsp.hit import HitLines

Array = NDArray[np.float64]

_WINDOW = 0.1
_STEPS = 240
_TRACK_BAND = 0.04


@dataclass(frozen=True, slots=True)
class DecayMap:
    """Levels in dB under the loudest cell, shape (frequencies, times), over Hz and s, and the tracks of the lines."""

    times: Array
    frequencies: Array
    levels: Array
    tracks: tuple[PitchTrack, ...]


def decay_map(signal: Array, rate: float, lines: HitLines | None, *, highest: float = 1000.0) -> DecayMap:
    """Map of a hit from its onset on, up to `highest` Hz.

    Raises
    ------
    ValueError
        If the signal is shorter than two windows of 0.1 s.
    """
    top = min(highest, 0.35 * rate)
    low, low_rate = lower_rate(signal, rate, top)
    size = int(_WINDOW * low_rate)
    if low.size < 2 * size:
        raise ValueError(f"a map needs {2 * _WINDOW} s of sound, got {signal.size / rate:.2f} s")
    padded = np.concatenate([np.zeros(size // 2), low])
    hop = max(1, (low.size - size // 2) // _STEPS)
    frames = np.lib.stride_tricks.sliding_window_view(padded, size)[::hop]
    levels = 20.0 * np.log10(np.abs(rfft(frames * np.hanning(size), 4 * size, axis=1)).T + 1e-12)
    frequencies = np.arange(levels.shape[0]) * low_rate / (4 * size)
    shown = frequencies <= top
    levels = levels[shown] - levels[shown].max()
    times = np.arange(levels.shape[1]) * hop / low_rate
    return DecayMap(times, frequencies[shown], levels, () if lines is None else tracks(signal, rate, lines))


def tracks(signal: Array, rate: float, lines: HitLines) -> tuple[PitchTrack, ...]:
    """Pitch track of each line, near pairs as one."""
    law = lines.glide.law
    flat_rate = min(rate, 6000.0)
    flat = unwarp(signal, rate, law, flat_rate)
    second = {pair[1] for pair in lines.pairs}
    followed = (
        track_pitch(flat, flat_rate, float(line), below=_TRACK_BAND, above=_TRACK_BAND)
        for place, line in enumerate(lines.frequency)
        if place not in second
    )
    return tuple(_bent(track, law) for track in followed)


def _bent(track: PitchTrack, law: GlideLaw) -> PitchTrack:
    """A track of the unwarped sound as it sounded."""
    times = law.unwarp(track.times)
    return PitchTrack(times, track.frequencies * law.ratio(times), track.amplitudes)
