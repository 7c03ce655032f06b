"""A hit over time and frequency, with the pitch track of each line: what the decay picture shows.

Conventions as in hit.py. The transform is a plain short-time Fourier transform (Hann window); tracks are followed in
the sound with its glide taken out, in a narrow band, and bent back; each ends where its own line has gone, by its
fitted decay: what goes on in the band is noise or a neighbour. Draws nothing and measures nothing that hit.py has not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.fft import rfft

from drumtune.dsp.glide import FIRST, GlideLaw, PitchTrack, track_pitch, unwarp
from drumtune.dsp.gliding import lower_rate
from drumtune.dsp.hit import HitLines

Array = NDArray[np.float64]

_WINDOW = 0.1
_STEPS = 240
_TRACK_BAND = 0.04
_CLEAR = 2.0
"""A line is followed while its amplitude is so many times that of what is left in its band when it has gone."""


@dataclass(frozen=True, slots=True)
class DecayMap:
    """Levels in dB under the loudest cell, shape (frequencies, times), over Hz and s, and the tracks of the lines.

    `lines` has for each track the places in the hit's lines that it follows: two for a near pair, else one.
    """

    times: Array
    frequencies: Array
    levels: Array
    tracks: tuple[PitchTrack, ...]
    lines: tuple[tuple[int, ...], ...]


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
    places = () if lines is None else together(lines)
    followed = () if lines is None else tracks(signal, rate, lines)
    return DecayMap(times, frequencies[shown], levels, followed, places)


def together(lines: HitLines) -> tuple[tuple[int, ...], ...]:
    """Places of the lines that are followed as one: both of a near pair, every other line alone."""
    second = dict(lines.pairs)
    firsts = (place for place in range(lines.frequency.size) if place not in second.values())
    return tuple((place, second[place]) if place in second else (place,) for place in firsts)


def tracks(signal: Array, rate: float, lines: HitLines) -> tuple[PitchTrack, ...]:
    """Pitch track of each line while it lasts, near pairs as one, in the order of `together`."""
    law = lines.glide.law
    flat_rate = min(rate, 6000.0)
    flat = unwarp(signal, rate, law, flat_rate)
    found = []
    for places in together(lines):
        pitch = float(lines.frequency[places[0]])
        track = track_pitch(flat, flat_rate, pitch, below=_TRACK_BAND, above=_TRACK_BAND)
        last = max(places, key=lambda place: lines.decay_time[place])
        lasting = _lasting(track, float(lines.amplitude[last]), float(lines.decay_rate[last]))
        found.append(_bent(lasting, law))
    return tuple(found)


def _lasting(track: PitchTrack, amplitude: float, decay_rate: float) -> PitchTrack:
    """The track as far as a line of this amplitude at FIRST and this decay (1/s) stands clear of what it leaves.

    What it leaves is what its band holds once it has fallen by 60 dB; a track that ends before is kept to its end.
    Points outside the band are left out: there the band cancels, and its phase is no pitch.
    """
    middle = float(np.median(track.frequencies)) if track.times.size else 1.0
    track = track.only(np.abs(track.frequencies / middle - 1.0) < _TRACK_BAND)
    gone = FIRST + np.log(1000.0) / decay_rate
    rest = track.amplitudes[track.times > gone]
    if rest.size == 0:
        return track
    clear = max(amplitude / (_CLEAR * float(np.median(rest))), 1.0)
    return track.only(track.times <= min(gone, FIRST + np.log(clear) / decay_rate))


def _bent(track: PitchTrack, law: GlideLaw) -> PitchTrack:
    """A track of the unwarped sound as it sounded."""
    times = law.unwarp(track.times)
    return PitchTrack(times, track.frequencies * law.ratio(times), track.amplitudes)
