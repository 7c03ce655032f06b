"""When each tap began, from the sound of all taps together.

A codec spreads some of a tap's sound over the milliseconds before it, so that an onset looked for in one tap alone
comes too early, and in every tap by another amount. The head tells: round the rim each mode goes as cos or sin of
m theta, so at any one frequency all taps that begin when they are thought to follow one circular order. Times in s,
frequencies in Hz. docs/inference.md, "Where it starts".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drumtune.advice.inversion.families import WINDOW
from drumtune.dsp.tap_spectra import Taps, plain_spectra

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
REACH = 0.004
"""How far an onset may be off, s."""
FINENESS = 0.0001
"""Distance of the times tried, s."""
LOWEST = 40.0
"""Lowest frequency looked at, Hz."""
HIGHEST_ORDER = 4
"""Circular orders looked for, at most."""
SHARES = (0.3, 0.5, 0.7, 0.9)
"""Share of the sound, from its low end, that is looked at in turn: the lower it is, the less a time error turns it."""
SWEEPS = 6
"""Most rounds of comparing for each share."""
_STEP = 3.0


def aligned(taps: Taps, angles: Array, rods: int) -> Taps:
    """The same taps with their onsets where their sounds follow one circular order at each frequency best.

    Parameters
    ----------
    taps
        Onsets within `REACH` or so; the median of them stays.
    angles
        Of each tap's rod, shape (S,), radians.
    rods
        Number of rods.
    """
    frequency, sound = plain_spectra(taps, WINDOW, _STEP)
    wanted = (frequency > LOWEST) & (frequency < 0.3 * taps.rate)
    frequency, sound = frequency[wanted], sound[:, wanted]
    sound = sound / np.linalg.norm(sound, axis=1, keepdims=True)
    tried = np.arange(-REACH, REACH + 0.5 * FINENESS, FINENESS)
    share = np.cumsum(np.sum(np.abs(sound) ** 2, axis=0)) / angles.size
    patterns = [_pattern(order, angles, rods) for order in range(min(HIGHEST_ORDER, rods // 2) + 1)]
    late = np.zeros(angles.size)
    for part in SHARES:
        low = slice(0, int(np.searchsorted(share, part)) + 1)
        turns = _turn(tried, frequency[low]).T
        for _ in range(SWEEPS):
            before = late
            expected, trust = foretold(sound[:, low] * _turn(late, frequency[low]), patterns)
            likeness = np.real((np.conj(expected) * trust * sound[:, low]) @ turns)
            late = tried[np.argmax(likeness, axis=1)]
            late = late - np.median(late)
            if np.allclose(late, before, atol=FINENESS):
                break
    return replace(taps, onsets=taps.onsets + late)


def foretold(sound: Complex, patterns: Sequence[Array]) -> tuple[Complex, Array]:
    """What the other taps say of each one's spectrum, (S, K), and how far to trust them at each frequency, (K,).

    `patterns` are those of the circular orders over the taps, orthonormal columns of shape (S, 1 or 2). At each
    frequency the one counts that explains most of the sound (above chance); the square of that share is the trust.
    """
    total = np.maximum(np.sum(np.abs(sound) ** 2, axis=0), 1e-300)
    expected, trust = np.zeros_like(sound), np.zeros(total.size)
    for pattern in patterns:
        weight = pattern.T @ sound
        chance = pattern.shape[1] / len(pattern)
        share = (np.sum(np.abs(weight) ** 2, axis=0) / total - chance) / (1.0 - chance)
        better = share > trust
        own = np.sum(pattern**2, axis=1)[:, None]
        expected[:, better] = (pattern @ weight[:, better] - own * sound[:, better]) / (1.0 - own)
        trust[better] = share[better]
    return expected, trust**2


def _pattern(order: int, angles: Array, rods: int) -> Array:
    """Orthonormal patterns of one circular order over the taps, shape (S, 1 or 2)."""
    both = np.stack([np.cos(order * angles), np.sin(order * angles)], axis=1)
    alone = order == 0 or 2 * order == rods
    found: Array = np.linalg.qr(both[:, :1] if alone else both)[0]
    return found


def _turn(late: Array, frequency: Array) -> Complex:
    """What brings a sound that begins `late` (S,) back to its onset, at frequencies (K,), shape (S, K)."""
    turn: Complex = np.exp(2j * np.pi * np.outer(late, frequency))
    return turn
