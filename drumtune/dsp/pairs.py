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
from drumtune.dsp.cluster import Problem, chance_of_gain, noise_variance, settle
from drumtune.dsp.refine import Fit, pole_variance
from drumtune.dsp.spectra import Window, model_spectrum

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

LATE = 0.25
"""s after a segment's start from which a pair must persist."""
LATE_CHANCE = 1e-4
"""Chance that noise alone makes two lines of one in the late part."""
BETTER = 12.0
"""Gain in weighted residual by which a pair must beat a glide: odds of e^6 after two more numbers."""
SAME = 0.25
"""Largest move of a line between the whole and the late part, in splits of the pair."""


@dataclass(frozen=True, slots=True)
class Doubt:
    """A close pair in a window: the window's data of the whole segments and, where long enough, of their late part.

    `theta` (2,) poles per sample: the one that lasts first, then the doubtful one.
    """

    theta: Complexes
    whole: Problem
    late: Problem | None


def believed(doubt: Doubt) -> bool:
    """Whether the pair is two lines rather than one gliding line."""
    if doubt.late is not None and _power(doubt) > 60.0:
        return _persists(doubt, doubt.late)
    return _beats_glide(settle(doubt.theta, doubt.whole), doubt.whole)


def _power(doubt: Doubt) -> float:
    """Weighted residual that one line would leave of this pair, free of noise, in the late part."""
    late = doubt.late
    assert late is not None
    start = settle(doubt.theta, doubt.whole, rounds=1)
    variance = noise_variance(start, doubt.whole) * late.window.lengths / doubt.whole.window.lengths
    gone = (doubt.whole.window.lengths - late.window.lengths)[:, None]
    amplitude = start.amplitude * np.exp(gone * start.theta)
    clean = model_spectrum(start.theta, amplitude, late.window, own=True)
    clean = clean - model_spectrum(start.theta, amplitude, late.window, own=False)
    one = settle(doubt.theta[:1], replace(late, data=clean), rounds=1)
    return float((one.residual / variance).sum())


def _persists(doubt: Doubt, late: Problem) -> bool:
    """Whether the late part alone asks for two lines, where the whole had them, and not for a glide."""
    one, two = settle(doubt.theta[:1], late), settle(doubt.theta, late)
    if chance_of_gain(one, two, late) > LATE_CHANCE:
        return False
    line, before = _sorted_lines(two, late), np.sort(doubt.theta.imag) * late.sample_rate / (2.0 * math.pi)
    sd = np.sqrt(pole_variance(two, late.data, late.window)).max() * late.sample_rate / (2.0 * math.pi)
    split = float(before[1] - before[0])
    same = float(np.abs(line - before).max()) < max(SAME * split, min(3.0 * float(sd), 0.5 * split))
    return same and _beats_glide(two, late)


def _beats_glide(two: Fit, problem: Problem) -> bool:
    """Whether two lines leave clearly less than one gliding line does."""
    weight = 1.0 / noise_variance(two, problem)
    first = int(np.argmax((np.abs(two.amplitude) ** 2).sum(axis=0)))
    line = float(two.theta[first].imag) * problem.sample_rate / (2.0 * math.pi)
    decay = -float(two.theta[first].real) * problem.sample_rate
    glide = fit_chirp(problem, weight, line, decay)
    return float(((glide.residual - two.residual) * weight).sum()) > BETTER


def _sorted_lines(fit: Fit, problem: Problem) -> Floats:
    """Frequencies in Hz, rising."""
    return np.asarray(np.sort(fit.theta.imag) * problem.sample_rate / (2.0 * math.pi), dtype=np.float64)


def narrow(window: Window, problem: Problem, rows: NDArray[np.int64]) -> Problem:
    """The problem on some of its segments only."""
    unique, sharing = np.unique(window.lengths[rows], return_index=True, return_inverse=True)[1:]
    part = replace(
        window,
        data=window.data[rows],
        angle=window.angle[rows],
        mask=window.mask[rows],
        lengths=window.lengths[rows],
        unique=unique,
        sharing=sharing.reshape(-1),
        background=window.background[window.sharing[rows[unique]]],
    )
    return replace(problem, window=part, data=problem.data[rows])
