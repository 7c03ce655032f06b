"""Pitch and intervals: note names, cents, semitones.

Equal temperament, A4 = 440 Hz (ISO 16). Frequencies in Hz, intervals in cents (1200 to the octave). A head's
frequency goes as the root of its tension, so an interval of tension is half that of the ratio: 600 log2(T2/T1).
"""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import ArrayLike, NDArray

A4_HZ = 440.0
"""Standard tuning frequency (ISO 16)."""

_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_NOTE = re.compile(r"([A-Ga-g])([#b♯♭]?)(-?\d+)")
_INTERVALS = (
    "unison", "minor second", "major second", "minor third", "major third", "fourth",
    "tritone", "fifth", "minor sixth", "major sixth", "minor seventh", "major seventh", "octave",
)  # fmt: skip


def cents(frequency: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
    """Interval from `reference` up to `frequency`, both Hz and broadcast, in cents: 1200 log2(f/f0)."""
    return np.asarray(1200.0 * np.log2(np.asarray(frequency, float) / np.asarray(reference, float)), dtype=np.float64)


def tension_cents(tension: ArrayLike, reference: ArrayLike) -> NDArray[np.float64]:
    """Interval of pitch between two tensions (same unit, broadcast), in cents: 600 log2(T/T0)."""
    return np.asarray(600.0 * np.log2(np.asarray(tension, float) / np.asarray(reference, float)), dtype=np.float64)


def cents_told(value: float) -> str:
    """Whole cents in words: one is a cent, others are cents; no sign before a zero.

    Examples
    --------
    >>> cents_told(1.2), cents_told(-0.3)
    ('1 cent', '0 cents')
    """
    whole = f"{value:z.0f}"
    return f"{whole} cent" if whole.lstrip("-") == "1" else f"{whole} cents"


def note_name(frequency: float) -> tuple[str, float]:
    """Nearest equal-tempered note of a frequency in Hz and the deviation from it in cents (-50...50).

    Raises
    ------
    ValueError
        If the frequency is not a positive finite number.

    Examples
    --------
    >>> note_name(440.0)
    ('A4', 0.0)
    """
    if not (frequency > 0.0 and math.isfinite(frequency)):
        raise ValueError(f"a frequency must be positive and finite, got {frequency}")
    steps = 12.0 * math.log2(frequency / A4_HZ) + 69.0
    number = math.floor(steps + 0.5)
    return f"{_NAMES[number % 12]}{number // 12 - 1}", 100.0 * (steps - number)


def note_if_known(frequency: float) -> tuple[str | None, float]:
    """As `note_name`; None and NaN where the frequency (Hz) is not known, that is NaN.

    Examples
    --------
    >>> note_if_known(math.nan)
    (None, nan)
    """
    return (None, math.nan) if math.isnan(frequency) else note_name(frequency)


def note_frequency(name: str) -> float:
    """Frequency in Hz of a note written as letter, optional # or b, octave: A4, F#2, Bb1.

    Raises
    ------
    ValueError
        If the name is not so written.

    Examples
    --------
    >>> round(note_frequency("A2"), 3)
    110.0
    """
    match = _NOTE.fullmatch(name.strip())
    if match is None:
        raise ValueError(f"a note is a letter A-G, # or b if any, and an octave, such as F#2; got {name!r}")
    letter, sign, octave = match.groups()
    shift = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}[sign]
    steps = _STEPS[letter.upper()] + shift + 12 * (int(octave) + 1)
    return float(A4_HZ * 2.0 ** ((steps - 69) / 12.0))


def interval_name(semitones: int) -> str:
    """Name of an interval of whole semitones: 'fourth', 'minor third down', 'octave and fifth'.

    Examples
    --------
    >>> interval_name(5), interval_name(-3), interval_name(0)
    ('fourth', 'minor third down', 'unison')
    """
    size = abs(semitones)
    octaves, rest = divmod(size, 12)
    name = _INTERVALS[rest] if octaves == 0 else "octave" if octaves == 1 else f"{octaves} octaves"
    if octaves and rest:
        name = f"{name} and {_INTERVALS[rest]}"
    return name + (" down" if semitones < 0 else "")
