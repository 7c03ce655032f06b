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

_BEGUN = 0.03
"""Share of the largest energy of a stroke from which it can have begun: its first 1 or 2 ms may have less."""
REACH = NEAR + AFTER
"""Frames after a peak within which its stroke may begin."""
SAME_STROKE = 0.006
"""Peaks whose onsets are no further apart are those of one stroke, s."""

AR_ORDER = 16
"""Order of the linear predictor that whitens what was sounding before an onset."""
_BACK, _AHEAD, _PAST, _FUTURE = 0.005, 0.004, 0.080, 0.008
"""Search range round the coarse onset, and what is looked at before and after it (s)."""
_LONG, _SHORT = (0.0006, 0.004), (0.0002, 0.0015)
"""Shortest and longest contact burst (s): of the difference views, and of the prediction errors, which end sooner."""
_LOW_RATE = 16000.0
"""A second prediction error is taken at about this rate, Hz: codecs leave the highest octave without an onset."""
_SMOOTH = (0.25, 0.5, 0.25)
"""Weights that quieten the highest octave: converters and codecs that cut it off steeply ring there before an onset."""
_WHITEST = 1e-4
"""Share of white noise assumed in what is predicted: keeps empty octaves from being raised beyond 40 dB."""
_NEAR_JOINT = 0.0003
"""Views are averaged within this time of the joint onset, s."""


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
        """Frames, in order, whose score is at least 1 and the largest within `NEAR` frames.

        The score is nearly as large some frames early, so they are only the neighbourhood of an onset: see `onsets`.
        """
        order = np.flatnonzero(self.score >= 1.0)
        order = order[np.argsort(-self.score[order], kind="stable")]
        free = np.ones(self.score.size, bool)
        kept = []
        for k in order:
            if free[k]:
                kept.append(k)
                free[max(0, k - NEAR) : k + NEAR + 1] = False
        return np.sort(np.array(kept, np.intp))

    def onset(self, peak: int) -> float:
        """Coarse onset (s) at a peak: the first frame in which a view stands out of what it was before.

        It stands out at a tenth of its largest energy near the peak and six times the mean before the peak, if the
        signal itself has `_BEGUN` of its largest energy. So a soft sound less than `REACH` frames before a stroke is
        not taken for its beginning, though out of silence it may have made the higher score; two peaks may then have
        one onset (see `SAME_STROKE`).
        """
        first = max(0, peak - GUARD)
        near = self.energy[:, first : peak + REACH]
        before = self.energy[:, max(0, first - BEFORE) : max(1, first)].mean(axis=1, keepdims=True)
        out = (
            (near >= 6.0 * before)
            & (near >= 0.1 * near.max(axis=1, keepdims=True))
            & (near[0] >= _BEGUN * near[0].max())
        )
        return float(first + np.argmax(out.any(axis=0))) * self.frame if out.any() else peak * self.frame


def box_down(samples: Samples, factor: int) -> Samples:
    """Mean of every `factor` samples, shape (n // factor,): a plain, memoryless way to a lower rate.

    Does not keep aliases out as a filter would; it is used where only times and energies are wanted.
    """
    if factor <= 1:
        return samples
    whole = samples.size // factor * factor
    return np.asarray(samples[:whole].reshape(-1, factor).mean(axis=1))


def novelty(samples: Samples, sample_rate: float, loudest: Samples | float = 0.0) -> Novelty:
    """Rise of energy over the 20 ms before, per millisecond, in the three views.

    Parameters
    ----------
    samples
        Shape (n,), any level: a gain or a constant offset changes nothing.
    sample_rate
        Hz.
    loudest
        Largest energy of each view (3,) in what came before these samples.

    Returns
    -------
    Novelty
        Frames of about one millisecond.
    """
    factor, hop = frame_of(sample_rate)
    energy = energies(samples, sample_rate)
    return Novelty(
        score_of(energy, np.maximum(energy.max(axis=1, initial=0.0), loudest)), energy, hop * factor / sample_rate
    )


def frame_of(sample_rate: float) -> tuple[int, int]:
    """Samples averaged into one before novelty is looked for, and such averages to a frame."""
    factor = max(1, round(sample_rate / NOVELTY_RATE))
    return factor, max(2, round(sample_rate / factor * FRAME))


def energies(samples: Samples, sample_rate: float) -> Samples:
    """Mean square per frame of the three views, shape (3, frames); those of the first 25 ms lack what was before."""
    factor, hop = frame_of(sample_rate)
    views = _views(box_down(samples, factor), round(0.025 * sample_rate / factor))
    return np.stack([_frames(view, hop) for view in views])


def score_of(energy: Samples, loudest: Samples) -> Samples:
    """Largest rise of the three views in units of its threshold, shape (frames,).

    `loudest` is the largest energy of each view (3,), anywhere in the recording: a rise far below it counts for less.
    """
    rows = zip(energy, loudest.tolist(), THRESHOLDS_DB, strict=True)
    return np.asarray(np.stack([_rise_db(e, most) / limit for e, most, limit in rows]).max(axis=0))


def _views(y: Samples, memory: int) -> tuple[Samples, Samples, Samples]:
    """The signal less its mean over the last `memory` samples, its first and its second difference, all shape (n,)."""
    plain = y - (y[0] if y.size else 0.0)
    total = np.cumsum(plain)
    before = np.concatenate((np.zeros(min(memory + 1, y.size)), total[: max(y.size - memory - 1, 0)]))
    plain -= (total - before) / np.minimum(np.arange(1, y.size + 1), memory + 1)
    first = np.diff(y, prepend=y[:1])
    return plain, first, np.diff(first, prepend=first[:1])


def _frames(view: Samples, hop: int) -> Samples:
    """Mean square of frames of `hop` samples, shape (n // hop,)."""
    whole = view.size // hop * hop
    blocks = view[:whole].reshape(-1, hop)
    return np.asarray(np.einsum("ij,ij->i", blocks, blocks) / hop)


def _rise_db(energy: Samples, loudest: float) -> Samples:
    """10 log10 of the mean energy after over that before, shape (frames,)."""
    frames = energy.size
    total = np.concatenate(([0.0], np.cumsum(energy)))
    k = np.arange(frames)
    after = (total[np.minimum(k + AFTER, frames)] - total[k]) / AFTER
    stop = np.maximum(k - GUARD, 0)
    start = np.maximum(stop - BEFORE, 0)
    before = (total[stop] - total[start]) / np.maximum(stop - start, 1)
    floor = 1e-10 * loudest + 1e-300
    rise = 10.0 * np.log10((np.maximum(after, 0.0) + floor) / (np.maximum(before, 0.0) + floor))
    rise[stop < BEFORE // 2] = 0.0  # too little known before: a sound already going when the recording starts
    return np.asarray(rise)


def refine_onset(samples: Samples, sample_rate: float, coarse: float) -> float:
    """Instant of first motion near a coarse onset (s from the first sample).

    Each whitened view (second difference, third difference, error of a linear predictor fitted to what sounded before,
    at full and at low rate) is cut into three stretches of constant variance: before, contact burst, ring. How likely
    each first cut is adds up over the views, so that a view in which nothing begins has no say; this is the criterion
    of Akaike as used for earthquake onsets (Maeda 1985, from memory), with one more stretch. Near the likeliest cut
    the full-rate views' own onsets are averaged, since their errors are partly independent.

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
    full = _Stretch.around(samples, sample_rate, coarse, REFINE_RATE)
    low = _Stretch.around(samples, sample_rate, coarse, _LOW_RATE)
    if not (full.usable and low.usable):
        return coarse
    second, third = (full.costs(_difference(full.y, n), _LONG, (n - 1) / 2.0) for n in (2, 3))
    error = full.costs(_prediction_error(full.y, full.cuts[0]), _SHORT, 0.0)
    coarser = low.costs(_prediction_error(low.y, low.cuts[0]), _SHORT, 0.0)
    joint = error[0][np.argmin(sum(np.interp(error[0], *view) for view in (second, error, coarser)))]
    return float(np.mean([_least_near(view, float(joint)) for view in (second, third, error)]))


def _least_near(view: tuple[Samples, Samples], time: float) -> float:
    """The instant of least cost within `_NEAR_JOINT` of a time; that time itself where the view has none."""
    times, cost = view
    near = np.abs(times - time) <= _NEAR_JOINT
    return float(times[near][np.argmin(cost[near])]) if near.any() else time


@dataclass(frozen=True, slots=True)
class _Stretch:
    """The samples y round an onset at a rate, the time of y[0], and the range of indices searched."""

    y: Samples
    rate: float
    begin: float
    cuts: tuple[int, int]

    @classmethod
    def around(cls, samples: Samples, sample_rate: float, coarse: float, least_rate: float) -> _Stretch:
        """Cut out the stretch round `coarse` (s), averaged down to no less than `least_rate` if it can be."""
        factor = max(1, int(sample_rate // least_rate))
        rate = sample_rate / factor
        origin = max(0, round((coarse - _BACK - 0.004 - _PAST) * rate))
        stop = round((coarse + _AHEAD + _FUTURE) * rate)
        y = box_down(samples[origin * factor : stop * factor], factor)
        y = np.convolve(y - np.median(y), _SMOOTH, "same") if y.size else y
        centre = coarse * rate - origin
        begin = (origin + (factor - 1) / (2.0 * factor)) / rate
        return cls(y, rate, begin, (round(centre - _BACK * rate), round(centre + _AHEAD * rate)))

    @property
    def usable(self) -> bool:
        """Whether enough is there on either side, and something moves."""
        lead = self.cuts[0] >= 2 * AR_ORDER + 8
        return lead and self.y.size >= self.cuts[1] + 8 and bool(np.any(self.y != self.y[0]))

    def costs(self, view: Samples, bursts: tuple[float, float], delay: float) -> tuple[Samples, Samples]:
        """Times of the cuts searched, ascending, and the least cost of each; `delay` is the view's, in samples."""
        lengths = np.linspace(max(2.0, bursts[0] * self.rate), max(4.0, bursts[1] * self.rate), 40).astype(int)
        cost = _three_stretches(view, np.arange(*self.cuts), np.unique(lengths))
        return np.asarray(self.begin + (np.arange(*self.cuts) - delay) / self.rate, np.float64), cost


def _difference(y: Samples, order: int) -> Samples:
    """The `order`-th difference, zeros ahead so that the shape stays."""
    return np.concatenate((np.zeros(order), np.diff(y, order)))


def _prediction_error(y: Samples, quiet: int) -> Samples:
    """Error of the least-squares linear predictor fitted to y[:quiet], over all of y, zeros ahead; shape as y."""
    rows = np.lib.stride_tricks.sliding_window_view(y - y[:quiet].mean(), AR_ORDER + 1).copy()  # BLAS wants it dense
    known = rows[: quiet - AR_ORDER]
    gram = known.T @ known
    gram[np.diag_indices_from(gram)] *= 1.0 + _WHITEST
    gram[np.diag_indices_from(gram)] += 1e-30
    weights = np.linalg.solve(gram[:-1, :-1], gram[:-1, -1])
    error = rows @ np.concatenate((-weights, [1.0]))
    return np.concatenate((np.zeros(AR_ORDER), error))


def _three_stretches(view: Samples, first: NDArray[np.intp], lengths: NDArray[np.intp]) -> Samples:
    """Least cost of three stretches of constant variance, for each index `first` of the first cut; shape as `first`.

    The second cut lies one of `lengths` after the first.
    """
    lead = AR_ORDER + 2
    n = view.size
    total = np.concatenate(([0.0], np.cumsum(view * view)))
    tiny = 1e-12 * total[-1] / n + 1e-300
    second = np.minimum(first[:, None] + lengths, n - 4)
    burst = _cost(total[second] - total[first][:, None], second - first[:, None], tiny)
    ring = _cost(total[n] - total[second], n - second, tiny)
    return np.asarray(_cost(total[first] - total[lead], first - lead, tiny) + (burst + ring).min(axis=1))


def _cost(energy: Samples, count: NDArray[np.intp], tiny: float) -> Samples:
    """Twice the least negative log-likelihood of `count` Gaussian samples with that total energy, less constants."""
    return np.asarray(count * np.log(np.maximum(energy, 0.0) / count + tiny), np.float64)
