"""The sound and the motion of a drum at chosen offsets of its bottom head, for the ear and for a picture.

A hit of the stick near the middle of the top head, by `drumtune.physics.whole_hit`. One gain for all offsets, so that
loudness may be compared. Left out: the room and the shell's own sound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.advice.pair import HIT_RADIUS, Tuning
from drumtune.physics import held_head, two_heads, whole_hit
from drumtune.physics.two_heads import BOTTOM, TOP
from drumtune.physics.whole_hit import PLAIN, Lines, Stroke


def hit(tuning: Tuning, semitones: float, count: int, rate: float, stroke: Stroke = PLAIN) -> NDArray[np.float64]:
    """Sound of one hit with the bottom head `semitones` from the top: `count` samples at `rate` Hz, any scale.

    The scale is the same for every offset of one tuning.

    Raises
    ------
    ValueError
        If no tension of the bottom head gives that pitch.
    """
    return whole_hit.sound(lines(tuning, semitones, rate, stroke.radius), count, rate, stroke)


def lines(tuning: Tuning, semitones: float, rate: float, radius: float = HIT_RADIUS) -> Lines:
    """Lines of a hit at `radius` (share) on the top head, all under 0.45 of the rate.

    Raises
    ------
    ValueError
        If no tension of the bottom head gives that pitch.
    """
    top, bottom = _tensions(tuning, semitones)
    ceiling = min(whole_hit.CEILING, 0.45 * rate)
    return whole_hit.lines(tuning.drum, top, bottom, radius=radius, ceiling=ceiling, loss=tuning.loss, edge=tuning.edge)


@dataclass(frozen=True, slots=True)
class Motion:
    """How both heads move in the lower and the upper (0,1) mode with the bottom head `semitones` from the top.

    Parameters
    ----------
    semitones
        Offset of the bottom head.
    radius
        Places, as a share of the drum's radius, 0...1.
    shape
        Shape (2, 2, *radius.shape): [mode, head], downward positive, greatest 1 per mode, the top head going down at
        the centre.
    frequency
        Of the two modes, Hz.
    """

    semitones: float
    radius: NDArray[np.float64]
    shape: NDArray[np.float64]
    frequency: NDArray[np.float64]


def motion(tuning: Tuning, semitones: float, radius: ArrayLike) -> Motion:
    """Shapes of both heads in the two (0,1) modes at `radius`, shares of the drum's.

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
    return Motion(semitones, np.asarray(radius, float), shape, found.frequency)


def _tensions(tuning: Tuning, semitones: float) -> tuple[float, float]:
    pitch = tuning.top_hz * 2.0 ** (semitones / 12.0)
    bottom = float(held_head.held_tension(tuning.drum, pitch, tuning.order, BOTTOM))
    if bottom <= 0.0:
        raise ValueError(f"no tension of the bottom head gives {pitch:.4g} Hz")
    return tuning.top_tension, bottom
