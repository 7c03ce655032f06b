"""Two lines or one that glides: what a close pair must show before it is believed.

A gliding line looks like a ladder of lines, the higher ones dying faster. A pair counts when it is still two lines in
the late part of the sound, at the same frequencies, and better told by two lines than by one gliding line. Where the
late part is too weak to say, the whole segment decides between the two.
Equations: docs/physics.md, "Lines in a recording".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.chirp import fit_chirp
from drumtune.dsp.cluster import Problem, chance_of_gain, noise_variance, settle, sound
from drumtune.dsp.refine import Fit, pole_variance
from drumtune.dsp.spectra import line_shape, rows_by

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LATE = 0.25
"""s after a segment's start from which a pair must persist."""
LATE_CHANCE = 1e-4
"""Chance that noise alone makes two lines of one in the late part."""
BETTER = 12.0
"""Gain in weighted residual by which a pair must beat a glide: odds of e^6 after two more numbers."""
POWER = 150.0
"""Weighted residual a pair must be able to leave in a late part for that part to be asked: 12 standard deviations."""
CLOSE, FAINT = 0.03, 0.03
"""Lines closer than 3 % of their pitch, the weaker one under 3 % (a beat of 0.5 dB), count as one."""
BEATING = 1.5
"""Least ratio of a close pair's split (rad/s) to its difference in decay (1/s): else one dies before they beat."""
RUNG, UNLIKE = 0.06, 1.6
"""Lines closer than 6 % that nothing late can vouch for must decay alike within this factor."""
SAME = 0.25
"""Largest move of a line between the whole and the late part, in splits of the pair."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A close pair in a window: the data of the whole segments and of their late parts, each later than the one before.

    `theta` (2,) poles per sample: the one that lasts first, then the doubtful one.
    """

    theta: Complexes
    whole: Problem
    late: tuple[tuple[int, Problem], ...]


def believed(doubt: Doubt) -> bool:
    """Whether the pair is two lines rather than one gliding line."""
    two = settle(doubt.theta, doubt.whole)
    if not sound(two, doubt.whole) or _unheard(two, doubt.whole):
        return False
    asked = 0
    for start, late in doubt.late:
        if _power(two, doubt.whole, start, late) < POWER:
            break
        if not _persists(doubt.theta, late, against_glide=asked == 0):
            return False
        asked += 1
    if asked:
        return True
    return not _rung_like(two) and _over_glide(two, doubt.whole) > BETTER


def _unheard(two: Fit, problem: Problem) -> bool:
    """Whether two close lines make no pair: the weaker too weak late in the sound, or unlike in decay, not in pitch."""
    line, rate = two.theta.imag, -two.theta.real * problem.sample_rate
    apart = abs(float(line[1] - line[0]))
    level = np.sqrt((np.abs(two.amplitude) ** 2).sum(axis=0)) * np.exp(-rate * LATE)
    faint = level.min() < FAINT * level.max()
    bent = apart * problem.sample_rate < BEATING * abs(float(rate[1] - rate[0]))
    return bool(apart < CLOSE * float(line.mean()) and (faint or bent))


def _rung_like(two: Fit) -> bool:
    """Whether two close lines decay as differently as the rungs of a ladder do: no doublet of one head does."""
    rate = np.abs(two.theta.real)
    close = abs(float(two.theta.imag[1] - two.theta.imag[0])) < RUNG * float(two.theta.imag.mean())
    return bool(close and rate.max() > UNLIKE * rate.min())


def _power(two: Fit, whole: Problem, start: int, late: Problem) -> float:
    """Weighted residual that one line would leave of this pair, free of noise, from sample `start` on."""
    share = late.window.lengths / whole.window.lengths
    variance = noise_variance(two, whole) * share
    amplitude = two.amplitude * np.exp(start * two.theta)
    shape, _ = line_shape(two.theta, late.window)
    clean = 0.5 * rows_by(amplitude, shape.transpose(0, 2, 1), late.window)
    strongest = int(np.argmax((np.abs(amplitude) ** 2).sum(axis=0)))
    one = settle(two.theta[[strongest]], replace(late, data=clean), rounds=1)
    return float((one.residual / variance).sum())


def _persists(theta: Complexes, late: Problem, *, against_glide: bool) -> bool:
    """Whether the late part alone asks for two lines, where the whole had them, and not for a glide."""
    one, two = settle(theta[:1], late), settle(theta, late)
    if chance_of_gain(one, two, late) > LATE_CHANCE or not sound(two, late):
        return False
    line, before = _sorted_lines(two, late), np.sort(theta.imag) * late.sample_rate / (2.0 * math.pi)
    sd = np.sqrt(pole_variance(two, late.data, late.window)).max() * late.sample_rate / (2.0 * math.pi)
    split = float(before[1] - before[0])
    moved = float(np.abs(line - before).max())
    if moved > max(SAME * split, min(3.0 * float(sd), split)):
        return False
    return not against_glide or _over_glide(two, late) > -BETTER


def _over_glide(two: Fit, problem: Problem) -> float:
    """How much less two lines leave than one gliding line does (weighted residual)."""
    weight = 1.0 / noise_variance(two, problem)
    first = int(np.argmax((np.abs(two.amplitude) ** 2).sum(axis=0)))
    line = float(two.theta[first].imag) * problem.sample_rate / (2.0 * math.pi)
    decay = -float(two.theta[first].real) * problem.sample_rate
    glide = fit_chirp(problem, weight, line, decay)
    return float(((glide.residual - two.residual) * weight).sum())


def _sorted_lines(fit: Fit, problem: Problem) -> Floats:
    """Frequencies in Hz, rising."""
    return np.asarray(np.sort(fit.theta.imag) * problem.sample_rate / (2.0 * math.pi), dtype=np.float64)
