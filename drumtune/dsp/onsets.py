"""Where a sound begins: novelty frames over a whole recording, and the instant of first motion of one tap.

Samples are real, one channel, full scale 1.0, shape (n,); rates in Hz; times in seconds from the first sample.
Everything here is local in time (less than half a second either side), so that a recording fed in blocks can be
treated as the whole one is.

Three views of the signal are looked at, because a tap shows itself in different ones: the plain signal (its tone
carries most energy), its first and its second difference (the contact's noise, which stands out when the head still
rings from the tap before). No view needs a filter with a long memory, so nothing smears ahead of an onset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float64]

FRAME = 0.001
"""Length of a novelty frame, s."""
NOVELTY_RATE = 16000.0
"""Novelty is looked for at about this rate, Hz: higher ones are averaged down."""
REFINE_RATE = 44100.0
"""Onsets are refined at the lowest whole fraction of the rate that is not below this, Hz."""
AFTER, GUARD, BEFORE = 10, 2, 20
"""Frames averaged after the instant looked at, left out just before it, and averaged before those."""
THRESHOLDS_DB = (9.0, 6.0, 5.0)
"""Rise in dB that counts as novel, for the signal and its first and second difference."""
NEAR = 25
"""Novel frames closer than this many frames to a larger one are part of it."""

AR_ORDER = 16
"""Order of the linear predictor that whitens what was sounding before an onset."""
_BACK, _AHEAD, _PAST, _FUTURE = 0.005, 0.004, 0.080, 0.008
"""Search range round the coarse onset, and what is looked at before and after it (s)."""
_BURSTS = ((0.0006, 0.004), (0.0006, 0.004), (0.0002, 0.0015))
"""Shortest and longest contact burst (s) in the second difference, the third, and the prediction error."""
_AGREE = 0.0004
"""A view whose onset lies further than this (s) from the middle one is left out of the mean."""


@dataclass(frozen=True, slots=True)
class Novelty:
    """Rise of energy frame by frame.

    Parameters
    ----------
    score
        Shape (frames,): largest rise of the three views in units of its threshold; 1 and above is novel.
    energy
        Shape (3, frames): mean square per frame of the three views.
    frame
        Length of a frame, s.
    """

    score: Samples
    energy: Samples
    frame: float

    @property
    def peaks(self) -> NDArray[np.intp]:
        """Frames, in order, whose score is at least 1 and the largest within `NEAR` frames."""
        order = np.flatnonzero(self.score >= 1.0)
        order = order[np.argsort(-self.score[order], kind="stable")]
        free = np.ones(self.score.size, bool)
        kept = []
        for k in order:
            if free[k]:
                kept.append(k)
                free[max(0, k - NEAR) : k + NEAR + 1] = False
        return np.sort(np.array(kept, np.intp))


def box_down(samples: Samples, factor: int) -> Samples:
    """Mean of every `factor` samples, shape (n // factor,): a plain, memoryless way to a lower rate.

    Does not keep aliases out as a filter would; it is used where only times and energies are wanted.
    """
    if factor <= 1:
        return samples
    whole = samples.size // factor * factor
    return np.asarray(samples[:whole].reshape(-1, factor).mean(axis=1))


def novelty(samples: Samples, sample_rate: float) -> Novelty:
    """Rise of energy over the 20 ms before, per millisecond, in the three views.

    Parameters
    ----------
    samples
        Shape (n,), any level: a gain or a constant offset changes nothing.
    sample_rate
        Hz.

    Returns
    -------
    Novelty
        Frames of about one millisecond.
    """
    factor = max(1, round(sample_rate / NOVELTY_RATE))
    y = box_down(samples, factor)
    rate = sample_rate / factor
    hop = max(2, round(rate * FRAME))
    energy = np.stack([_frames(view, hop) for view in _views(y, round(0.025 * rate))])
    rise = np.stack([_rise_db(e) / limit for e, limit in zip(energy, THRESHOLDS_DB, strict=True)])
    return Novelty(rise.max(axis=0), energy, hop / rate)


def _views(y: Samples, memory: int) -> tuple[Samples, Samples, Samples]:
    """The signal less its mean over the last `memory` samples, its first and its second difference, all shape (n,)."""
    total = np.concatenate(([0.0], np.cumsum(y - (y[0] if y.size else 0.0))))
    index = np.arange(y.size)
    start = np.maximum(index - memory, 0)
    mean = (total[index + 1] - total[start]) / (index + 1 - start)
    plain = y - (y[0] if y.size else 0.0) - mean
    first = np.diff(y, prepend=y[:1])
    return plain, first, np.diff(first, prepend=first[:1])


def _frames(view: Samples, hop: int) -> Samples:
    """Mean square of frames of `hop` samples, shape (n // hop,)."""
    whole = view.size // hop * hop
    blocks = view[:whole].reshape(-1, hop)
    return np.asarray(np.einsum("ij,ij->i", blocks, blocks) / hop)


def _rise_db(energy: Samples) -> Samples:
    """10 log10 of the mean energy after over that before, shape (frames,)."""
    frames = energy.size
    total = np.concatenate(([0.0], np.cumsum(energy)))
    k = np.arange(frames)
    after = (total[np.minimum(k + AFTER, frames)] - total[k]) / AFTER
    stop = np.maximum(k - GUARD, 0)
    start = np.maximum(stop - BEFORE, 0)
    before = (total[stop] - total[start]) / np.maximum(stop - start, 1)
    floor = 1e-10 * energy.max(initial=0.0) + 1e-300
    rise = 10.0 * np.log10((np.maximum(after, 0.0) + floor) / (np.maximum(before, 0.0) + floor))
    rise[stop < BEFORE // 2] = 0.0  # too little known before: a sound already going when the recording starts
    return np.asarray(rise)


def refine_onset(samples: Samples, sample_rate: float, coarse: float) -> float:
    """Instant of first motion near a coarse onset (s from the first sample).

    Each of three whitened views (second difference, third difference, error of a linear predictor fitted to what
    sounded before) is cut into three stretches of constant variance: before, contact burst, ring. The most likely
    first cut, in the manner of Akaike's criterion as used for earthquake onsets (Maeda 1985, from memory), is that
    view's onset; the answer is the mean of the views, less one that strays.

    Parameters
    ----------
    samples
        Shape (n,).
    sample_rate
        Hz.
    coarse
        Onset to within about 4 ms, s.

    Returns
    -------
    float
        Onset in s; `coarse` itself where the recording is too short on either side to tell.
    """
    factor = max(1, int(sample_rate // REFINE_RATE))
    rate = sample_rate / factor
    origin = max(0, round((coarse - _BACK - 0.004 - _PAST) * rate))
    stop = round((coarse + _AHEAD + _FUTURE) * rate)
    y = box_down(samples[origin * factor : stop * factor], factor)
    centre = coarse * rate - origin
    cuts = (round(centre - _BACK * rate), round(centre + _AHEAD * rate))
    if cuts[0] < 2 * AR_ORDER + 16 or y.size < cuts[1] + 16 or not np.any(y != y[0]):
        return coarse
    views = ((_difference(y, 2), 2.0), (_difference(y, 3), 3.0), (_prediction_error(y, cuts[0]), 1.0))
    picks = [
        _three_stretches(view, cuts, (round(short * rate), round(long * rate))) - (delay - 1.0) / 2.0
        for (view, delay), (short, long) in zip(views, _BURSTS, strict=True)
    ]
    times = np.array(picks)
    near = np.abs(times - np.median(times)) <= _AGREE * rate
    return (origin + float(times[near].mean()) + (factor - 1) / (2.0 * factor)) / rate


def _difference(y: Samples, order: int) -> Samples:
    """The `order`-th difference, zeros ahead so that the shape stays."""
    return np.concatenate((np.zeros(order), np.diff(y, order)))


def _prediction_error(y: Samples, quiet: int) -> Samples:
    """Error of the least-squares linear predictor fitted to y[:quiet], over all of y, zeros ahead; shape as y."""
    rows = np.lib.stride_tricks.sliding_window_view(y - y[:quiet].mean(), AR_ORDER + 1)
    known = rows[: quiet - AR_ORDER]
    gram = known.T @ known
    gram[np.diag_indices_from(gram)] *= 1.0 + 1e-9
    gram[np.diag_indices_from(gram)] += 1e-30
    weights = np.linalg.solve(gram[:-1, :-1], gram[:-1, -1])
    error = rows @ np.concatenate((-weights, [1.0]))
    return np.concatenate((np.zeros(AR_ORDER), error))


def _three_stretches(view: Samples, cuts: tuple[int, int], bursts: tuple[int, int]) -> int:
    """Index of the first of two cuts that make three stretches of constant variance most likely.

    The first cut lies in ``range(*cuts)``, the second at 2 or more and `bursts` samples after it.
    """
    lead = AR_ORDER + 2
    n = view.size
    total = np.concatenate(([0.0], np.cumsum(view * view)))
    tiny = 1e-12 * total[-1] / n + 1e-300
    first = np.arange(*cuts)[:, None]
    lengths = np.unique(np.linspace(max(2, bursts[0]), max(4, bursts[1]), 40).astype(int))
    second = np.minimum(first + lengths, n - 4)
    cost = _cost(total[first] - total[lead], first - lead, tiny)
    cost = cost + _cost(total[second] - total[first], second - first, tiny)
    cost = cost + _cost(total[n] - total[second], n - second, tiny)
    return int(first[np.unravel_index(np.argmin(cost), cost.shape)[0], 0])


def _cost(energy: Samples, count: NDArray[np.intp], tiny: float) -> Samples:
    """Twice the least negative log-likelihood of `count` Gaussian samples with that total energy, less constants."""
    return np.asarray(count * np.log(np.maximum(energy, 0.0) / count + tiny), np.float64)
