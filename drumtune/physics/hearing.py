"""Hearing: the smallest difference of pitch, when two near lines beat, and how long is loud enough.

Frequencies in Hz, levels in dB, times in s. Formulae recalled rather than read are said to be from memory.
The equations stand in docs/physics.md, section "Hearing pitch and hearing safety".
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.notes import cents

NIOSH_LEVEL = 85.0
"""Recommended exposure limit for eight hours, dBA (NIOSH, Criteria for a Recommended Standard, publ. 98-126, 1998)."""
NIOSH_TIME = 8 * 3600.0
"""Time the limit stands for, s."""
NIOSH_EXCHANGE = 3.0
"""Every 3 dB more halve the time, dB (same publication)."""
AUDIBLE_DROP = 20.0
"""How far a sound may have died before its beats are no longer followed, dB (our own assumption)."""


def pitch_step(frequency: ArrayLike) -> NDArray[np.float64]:
    """Smallest difference in Hz that is heard between two long steady tones near `frequency` Hz.

    log10(dF) = 0.026 sqrt(f) - 0.533 (Wier, Jesteadt & Green, JASA 61(1), 178, 1977; from memory). Short and dying
    tones are told apart far worse: 39 cents at 250 Hz in 12.5 ms (Moore, JASA 54, 610, 1973, as quoted).
    """
    return np.asarray(10.0 ** (0.026 * np.sqrt(np.asarray(frequency, float)) - 0.533))


def pitch_step_cents(frequency: ArrayLike) -> NDArray[np.float64]:
    """`pitch_step` as an interval in cents."""
    f = np.asarray(frequency, float)
    return cents(f + pitch_step(f), f)


def first_null_drop(split: ArrayLike, decay: ArrayLike) -> NDArray[np.float64]:
    """How far in dB the sound has died at the first null of the beat of two equal lines.

    Parameters
    ----------
    split
        Distance of the lines, Hz, above zero.
    decay
        T60 of both, s.

    Notes
    -----
    The first null comes after half a beat, 1/(2 split); the level falls 60 dB in T60.
    """
    return np.asarray(60.0 / (2.0 * np.asarray(split, float) * np.asarray(decay, float)))


def beats_heard(split: ArrayLike, decay: ArrayLike, *, drop: float = AUDIBLE_DROP) -> NDArray[np.bool_]:
    """Whether two lines `split` Hz apart with T60 `decay` s reach a null before the sound fell by `drop` dB."""
    return np.asarray(first_null_drop(split, decay) <= drop)


def smallest_beating_split(decay: ArrayLike, *, drop: float = AUDIBLE_DROP) -> NDArray[np.float64]:
    """Distance in Hz of two lines with T60 `decay` s whose first null comes just as the sound fell by `drop` dB."""
    return 60.0 / (2.0 * drop * np.asarray(decay, float))


def exposure_time(level: ArrayLike) -> NDArray[np.float64]:
    """Longest daily exposure in s at `level` dBA by the NIOSH recommended limit: 8 h / 2^((L - 85)/3).

    A recording's level in dBFS is not a sound level: without a calibrated meter there is nothing to put in here.
    """
    return NIOSH_TIME / 2.0 ** ((np.asarray(level, float) - NIOSH_LEVEL) / NIOSH_EXCHANGE)
