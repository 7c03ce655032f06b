"""What can be wrong with the samples of one tap: cut-off tops, stuck samples, a recording that ends too soon.

Samples are real, one channel, shape (n,); rates in Hz; times in s. No judgement depends on the absolute level or on a
constant offset, since files are often made louder after the damage was done.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

LOOK = 0.5
"""Length of a tap that must be whole, s."""
SHORTEST = 0.15
"""A tap needs at least this much ring before the recording ends, s."""
STUCK = 64
"""Equal samples in a row that make a tap torn: a live stream that lost its place gives such runs (as measured)."""
FLAT = 4
"""Equal samples at the very top that make a tap clipped."""
_STEEP = 20.0
"""Fall beside a flat top that no quantised crest has, in quantiser steps."""


def fault_of(samples: Samples, sample_rate: float, onset: float) -> str:
    """Name what is wrong with the tap at `onset` (s): ``"clipped"``, ``"torn"``, ``"cut"`` or ``""``."""
    start = round(onset * sample_rate)
    tap = samples[start : start + round(LOOK * sample_rate)]
    if tap.size < SHORTEST * sample_rate:
        return "cut"
    if is_clipped(tap):
        return "clipped"
    return "torn" if is_torn(tap) else ""


def runs(values: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First and past-the-last index of each run of True."""
    edges = np.diff(np.concatenate(([False], values, [False])).astype(np.int8))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def is_clipped(tap: Samples) -> bool:
    """Whether the highest or the lowest samples stand in flat runs that a smooth crest would not make.

    A crest of a coarsely quantised recording is flat too. But a parabola that stays within one step for a run has
    fallen by some nine steps a run's length beyond either end of it, and a cut-off crest by far more.
    Does not see clipping that a lossy codec has since smoothed.
    """
    if tap.size < FLAT + 2:
        return False
    steps = np.abs(np.diff(tap))
    moving = steps[steps > 1e-9 * np.ptp(tap)]
    if moving.size == 0:
        return False
    return any(_flat_top(sign * tap, float(moving.min())) for sign in (1.0, -1.0))


def _flat_top(tap: Samples, step: float) -> bool:
    """Whether the maximum stands in a run of `FLAT` or more that falls by `_STEEP` steps on both sides."""
    top = tap.max()
    first, past = runs(tap >= top - 1e-9 * np.ptp(tap))
    for a, b in zip(first, past, strict=True):
        beside = [tap[i] for i in (2 * a - b, 2 * b - a - 1) if 0 <= i < tap.size]
        if b - a >= FLAT and beside and top - max(beside) > _STEEP * step:
            return True
    return False


def is_torn(tap: Samples) -> bool:
    """Whether `STUCK` or more equal samples stand in a row where there was sound before and after.

    Does not call torn a ring that has died away into digital silence.
    """
    first, past = runs(tap[1:] == tap[:-1])
    long = past + 1 - first >= STUCK
    if not long.any():
        return False
    whole = np.abs(tap - np.median(tap)).max()
    for a, b in zip(first[long], past[long], strict=True):
        around = np.concatenate((tap[max(0, a - STUCK) : a], tap[b + 1 : b + 1 + STUCK]))
        if around.size and np.ptp(around) > 0.01 * whole:
            return True
    return False
