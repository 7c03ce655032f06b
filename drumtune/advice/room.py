"""A room and the notes in it: which it lifts, leaves alone or swallows, in dB, between a drum and an ear.

The gain of a note is what the room's modes make of it against the mean level of a tone in a room as lively and at
places as far apart (`drumtune.physics.room_response.typical_level`): 0 dB is "as anywhere in such a room". A drum's
note dies and so is as wide as its decay makes it; the gain is the mean over that width. docs/physics.md, "Rooms".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.notes import note_frequency
from drumtune.physics import room as rooms
from drumtune.physics import room_response as response
from drumtune.physics.room import Modes, Place, Room

Array = NDArray[np.float64]
NoteVerdict = Literal["lifted", "left alone", "swallowed"]

PLAIN_DB = 3.0
"""A note that gains more is called lifted, one that loses more swallowed (our own choice: half or twice the power)."""
NOTE_DECAY = 0.8
"""T60 in s of the drum notes that gains are worked out for unless told (a damped tom; common practice, no source)."""
TYPICAL_DECAY = 0.5
"""T60 in s taken for a room that nobody has measured (a furnished room; common practice, no source)."""
LOWEST = 20.0
"""Start of the gain curve, Hz."""
LEAST_TOP, MOST_TOP = 250.0, 600.0
"""The curve ends at twice the Schroeder frequency, but not under or over these, Hz."""
STEP = 0.5
"""Grain of the gain curve, Hz."""


@dataclass(frozen=True, slots=True)
class GainCurve:
    """The room's gain over frequency: `frequency` (F,) in Hz, evenly spaced, and `gain_db` (F,)."""

    frequency: Array
    gain_db: Array

    def at(self, notes: ArrayLike, decay: float = NOTE_DECAY) -> Array:
        """Gain in dB of notes (Hz, any shape) that die with T60 `decay` s; 0 beyond the curve's ends.

        Mean of the power over the note's own spectrum, a Lorentz curve of half width 3 ln 10/(2 pi T60).
        """
        notes = np.asarray(notes, float)
        width = 3.0 * math.log(10.0) / (2.0 * math.pi * decay)
        weight = 1.0 / ((self.frequency - notes[..., None]) ** 2 + width**2)
        power = (weight @ np.power(10.0, self.gain_db / 10.0)) / weight.sum(axis=-1)
        inside = (notes >= self.frequency[0]) & (notes <= self.frequency[-1])
        return np.where(inside, 10.0 * np.log10(power), 0.0)


@dataclass(frozen=True, slots=True)
class NoteGain:
    """One note in the room: name as given, Hz, dB, verdict, and the mode next to it (its place in the list)."""

    name: str
    frequency: float
    gain_db: float
    verdict: NoteVerdict
    mode: int | None


@dataclass(frozen=True, slots=True)
class RoomReport:
    """A room worked out: modes up to the curve's end, Schroeder frequency (Hz), gain curve, notes.

    `drum_at` and `mic_at` are None where the curve is the mean over all places.
    """

    room: Room
    drum_at: Place | None
    mic_at: Place | None
    modes: Modes
    schroeder: float
    curve: GainCurve
    notes: tuple[NoteGain, ...]


def report(room: Room, drum_at: Place | None, mic_at: Place | None, notes: Sequence[str] = ()) -> RoomReport:
    """Work out a room; without both places the gain is the mean over all places.

    Raises
    ------
    ValueError
        If a place lies outside, the two are one, or a note's name is none.
    """
    schroeder = rooms.schroeder_of(room)
    highest = max((note_frequency(name) for name in notes), default=0.0)
    top = min(max(LEAST_TOP, 2.0 * schroeder, 1.1 * highest), max(MOST_TOP, 1.1 * highest))
    curve = gain_curve(room, drum_at, mic_at, top)
    found = rooms.modes(room, top)
    gains = tuple(_note(name, curve, found) for name in notes)
    return RoomReport(room, drum_at, mic_at, found, schroeder, curve, gains)


def gain_curve(room: Room, drum_at: Place | None, mic_at: Place | None, top: float) -> GainCurve:
    """Gain of a room from `LOWEST` to `top` Hz, between two places or as the mean over all.

    Raises
    ------
    ValueError
        If a place lies outside the room, or the two are one.
    """
    frequency = np.arange(LOWEST, top + STEP, STEP)
    if drum_at is None or mic_at is None:
        power = response.mean_square(room, frequency) / response.diffuse_level(room, frequency, None)
    else:
        answer = response.transfer(room, frequency, drum_at, mic_at)
        power = np.abs(answer) ** 2 / response.typical_level(room, frequency, math.dist(drum_at, mic_at))
    return GainCurve(frequency, 10.0 * np.log10(np.maximum(power, 1e-12)))


def verdict(gain_db: float) -> NoteVerdict:
    """Word for a gain in dB."""
    if gain_db > PLAIN_DB:
        return "lifted"
    return "swallowed" if gain_db < -PLAIN_DB else "left alone"


def _note(name: str, curve: GainCurve, modes: Modes) -> NoteGain:
    frequency = note_frequency(name)
    gain = float(curve.at(frequency))
    nearest = int(np.abs(modes.frequency - frequency).argmin()) if modes.frequency.size else None
    return NoteGain(name.strip(), frequency, gain, verdict(gain), nearest)


def curve_from_modes(frequency: Sequence[float], decay: Sequence[float]) -> GainCurve:
    """Gain curve of a room of which only modes are known: their frequencies (Hz) and T60 (s).

    The mean over all places is a sum of resonances alike in strength; its mean over half an octave either side stands
    for the room without single modes. Cruder than `gain_curve`.

    Raises
    ------
    ValueError
        If there are no modes, or one is not of 1 to 20,000 Hz and 1 ms to 1000 s.
    """
    own, times = np.asarray(frequency, float), np.asarray(decay, float)
    good = own.shape == times.shape and np.all((own >= 1.0) & (own <= 2e4) & (times >= 1e-3) & (times <= 1e3))
    if not own.size or not good:
        raise ValueError("modes need frequencies of 1 to 20000 Hz and decay times of 1 ms to 1000 s")
    rate = 3.0 * math.log(10.0) / times
    f = np.arange(LOWEST, max(float(own.max()), LOWEST + 2.0) + STEP, STEP)
    squared = (2.0 * math.pi) ** 2
    power = (
        sum(
            1.0 / ((squared * (f0**2 - f**2)) ** 2 + (4.0 * math.pi * f * r) ** 2)
            for f0, r in zip(own, rate, strict=True)
        )
        * f**2
    )
    half = 2.0**0.5
    total = np.concatenate([[0.0], np.cumsum(power)])
    low, high = np.searchsorted(f, f / half), np.searchsorted(f, f * half)
    return GainCurve(f, 10.0 * np.log10(power * (high - low) / (total[high] - total[low])))
