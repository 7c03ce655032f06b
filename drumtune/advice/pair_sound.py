"""The sound and the motion of a drum at chosen offsets of its bottom head, for the ear and for a picture.

A hit of the stick near the middle of the top head, as a sum of the coupled drum's modes: each starts with what the hit
gives it, is heard as strongly as it radiates, and dies at its own rate. One gain for all offsets, so that loudness may
be compared. Left out: the room, the shell's own sound, the click of the contact, glide.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.advice.pair import HIT_RADIUS, Tuning
from drumtune.physics import held_head, two_heads
from drumtune.physics.synthesis import CONTACT, ring_out
from drumtune.physics.two_heads import BOTTOM, TOP

ORDERS = range(7)
"""Nodal diameters that are heard."""
CEILING = 1500.0
"""Highest mode rendered, Hz."""


def hit(tuning: Tuning, semitones: float, count: int, rate: float) -> NDArray[np.float64]:
    """Sound of one hit with the bottom head `semitones` from the top: `count` samples at `rate` Hz, any scale.

    The scale is the same for every offset of one tuning.

    Raises
    ------
    ValueError
        If no tension of the bottom head gives that pitch.
    """
    top, bottom = _tensions(tuning, semitones)
    frequency, decay, strength = [], [], []
    for m in ORDERS:
        modes = two_heads.family(
            tuning.drum, top, bottom, m, ceiling=min(CEILING, 0.45 * rate), loss=tuning.loss, edge=tuning.edge
        )
        given = modes.motion[:, TOP, :] @ two_heads.shape_at(m, HIT_RADIUS) * (1.0 if m == 0 else math.sqrt(2.0))
        frequency.append(modes.frequency)
        decay.append(modes.decay_rate)
        strength.append(np.abs(given) * np.sqrt(modes.radiated) * _pulse(modes.frequency))
    amplitude = -1j * np.concatenate(strength)  # all start from rest
    return ring_out(np.concatenate(frequency), np.concatenate(decay), amplitude, count, rate)


def motion(tuning: Tuning, semitones: float, radius: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Shapes of both heads in the lower and upper (0,1) mode, and the two frequencies (Hz).

    Returns
    -------
    Displacement, shape (2, 2, *radius.shape): [mode, head], downward positive, greatest 1 per mode, the top head going
    down at the centre; `radius` as a share of the drum's, 0...1.

    Raises
    ------
    ValueError
        If no tension of the bottom head gives that pitch.
    """
    top, bottom = _tensions(tuning, semitones)
    found = two_heads.pair(tuning.drum, top, bottom)
    shape = np.tensordot(found.motion, two_heads.shape_at(0, radius), 1)
    for mode in shape:
        mode /= np.max(np.abs(mode)) * np.sign(mode[TOP].ravel()[np.argmax(np.abs(mode[TOP]))])
    return shape, found.frequency


def _tensions(tuning: Tuning, semitones: float) -> tuple[float, float]:
    pitch = tuning.top_hz * 2.0 ** (semitones / 12.0)
    bottom = float(held_head.held_tension(tuning.drum, pitch, tuning.order, BOTTOM))
    if bottom <= 0.0:
        raise ValueError(f"no tension of the bottom head gives {pitch:.4g} Hz")
    return tuning.top_tension, bottom


def _pulse(frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    """Spectrum of a half-sine force of a tap's length at a frequency in Hz, 1 at 0."""
    x = 2.0 * frequency * CONTACT
    safe = np.where(np.abs(1.0 - x**2) < 1e-6, 0.0, x)
    return np.where(safe == x, np.cos(0.5 * math.pi * safe) / (1.0 - safe**2), math.pi / 4.0)
