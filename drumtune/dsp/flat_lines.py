"""Lines of a hit in warped time, where its glide is taken out: singles at its peaks, pairs where the late sound asks.

Conventions: a `Flat` is a hit played so that every partial under its law stands still; poles are per sample of it, fits
are those of refine.py with one segment, their amplitudes at FIRST. Each line is fitted with its own decay made straight
again, y(t(tau)) exp(alpha (t - tau)), so the warp biases no decay. Used by hit.py, which reports in Hz and 1/s.
Equations: docs/physics.md, sections Glide and Beats.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from drumtune.dsp.cluster import Problem, scan, settle
from drumtune.dsp.glide import FIRST, GlideLaw, strong_lines, unwarp
from drumtune.dsp.refine import Fit
from drumtune.dsp.spectra import Segments, as_segments, cut_window, model_spectrum

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LATE = 0.25
"""A pair counts only when both lines are there after so many seconds."""
PAIR_WITHIN_DB = 12.0
"""How far under the stronger line the weaker may lie at LATE (a beat of 4.5 dB)."""
NEAR = 0.03
"""Two lines are near when they lie within this share of their frequency; windows reach as far to either side."""
_GAIN, _SMALL_GAIN, _NEARLY_ALL = 5.0, 2.0, 0.01
"""A pair explains if one line leaves _GAIN times what two leave, or _SMALL_GAIN times where two leave next to nothing.
These and the following are ours, set on made hits and recorded toms."""
_NO_PAIR = 0.003
"""One line that leaves less than this share leaves no room for a second."""
_UNEXPLAINED = 0.35
"""Largest share of its window's energy that a line may leave."""
_NEW = 0.006
"""A line must lie this share away from all others to be one of its own."""
_MOST = 8
_WITHIN_DB = 40.0
_ROUNDS = 2


@dataclass(frozen=True, slots=True)
class Flat:
    """A hit in warped time, and how far real time runs from it at each sample."""

    samples: Array
    rate: float
    lag: Array
    seen: dict[tuple[float, float], Segments] = field(default_factory=dict)

    def record(self, decay_rate: float, start: float) -> Segments:
        """The sound from `start` s of warped time on, a decay of `decay_rate` made straight."""
        key = (start, round(decay_rate, 3) if self.lag.any() else 0.0)
        if key not in self.seen:
            straight = self.samples * np.exp(key[1] * self.lag)
            self.seen[key] = as_segments(straight[int(start * self.rate) :], self.rate)
        return self.seen[key]


def flatten(signal: Array, rate: float, law: GlideLaw, highest: float) -> Flat:
    """Play a hit so that what glides by `law` stands still, band-limited to a little over `highest` Hz."""
    new_rate = min(rate, 2.6 * highest)
    samples = unwarp(signal, rate, law, new_rate)
    first = int(FIRST * new_rate)
    while next_fast_len(samples.size - first, real=True) != samples.size - first:
        samples = samples[:-1]
    warped = np.arange(samples.size) / new_rate
    return Flat(samples, new_rate, law.unwarp(warped) - warped)


def find_lines(flat: Flat, highest: float) -> list[Fit]:
    """Lines one by one, each at the strongest peak of what the ones before leave, if it explains what is there."""
    fits: list[Fit] = []
    tried: list[float] = []
    rest, top = flat.samples, -np.inf
    while len(fits) < _MOST and len(tried) < 2 * _MOST:
        peaks = strong_lines(rest, flat.rate, most=2 * _MOST, highest=highest)
        top = max([top] + [level for _, level in peaks[:1]])
        fresh = [p for p, level in peaks if level > top - _WITHIN_DB and all(abs(p / t - 1.0) > 0.025 for t in tried)]
        if not fresh:
            break
        tried.append(fresh[0])
        start = np.array([-6.0 + 2j * np.pi * fresh[0]], dtype=np.complex128) / flat.rate
        found = _one(flat, start, fits)
        if not found:
            pair = _two(flat, start, fits)
            found = [] if pair is None else [pair]
        fits += found
        rest = rest - _sound(flat, found)
    return [renewed(flat, fits, place) for place in range(len(fits))]


def _sound(flat: Flat, fits: list[Fit]) -> Array:
    """Samples of the lines found, in warped time as the flat sound is."""
    steps = np.arange(flat.samples.size) - int(FIRST * flat.rate)
    total = np.zeros(flat.samples.size)
    for fit in fits:
        for theta, size in zip(fit.theta, fit.amplitude[0], strict=True):
            total += np.real(size * np.exp(theta * steps + theta.real * flat.rate * flat.lag))
    return total


def renewed(flat: Flat, fits: list[Fit], place: int) -> Fit:
    """A fit renewed, now that the others are known."""
    others = fits[:place] + fits[place + 1 :]
    start = fits[place].theta
    decay = -float(start.real.mean()) * flat.rate
    return settle(start, window_round(flat.record(decay, FIRST), start, others, 0.0), rounds=1)


def _one(flat: Flat, start: Complex, others: list[Fit]) -> list[Fit]:
    """The line near `start`, or none where no line explains most of what the others leave there."""
    for _ in range(2):
        decay = max(-float(start[0].real) * flat.rate, 0.0)
        problem = window_round(flat.record(decay, FIRST), start, others, 0.0)
        fit = settle(start, problem, rounds=1)
        start = fit.theta
        if not flat.lag.any():
            break
    left = float(fit.residual.sum()) / float(np.square(np.abs(problem.data)).sum())
    rate, line = -float(start[0].real) * flat.rate, float(start[0].imag) * flat.rate / (2.0 * np.pi)
    low, high = problem.window.low, problem.window.high
    inside = abs(line - 0.5 * (low + high)) < 0.45 * (high - low)
    new = all(np.abs(other.theta.imag / start[0].imag - 1.0).min() > _NEW for other in others)
    return [fit] if left < _UNEXPLAINED and inside and new and line > 20.0 and 0.05 < rate < 150.0 else []


def window_round(record: Segments, start: Complex, others: list[Fit], skipped: float) -> Problem:
    """The window round lines, less the others; `skipped` s lie between the fits' start and the record's."""
    middle = float(start.imag.mean()) * record.sample_rate / (2.0 * np.pi)
    reach = max(NEAR * middle, 8.0 / record.duration, 4.0)
    window = cut_window(record, max(middle - reach, 2.0), min(middle + reach, 0.49 * record.sample_rate))
    data = window.data.copy()
    for fit in others:
        moved = fit.amplitude * np.exp(fit.theta * skipped * record.sample_rate)
        data -= model_spectrum(fit.theta, moved, window, own=True)
    return Problem(window, data, record.sample_rate, start.size)


def join_pairs(flat: Flat, fits: list[Fit]) -> list[Fit]:
    """Two lines in place of one, or of two fitted apart, wherever the late sound, and then the whole, ask for them."""
    found: list[Fit] = []
    left = sorted(fits, key=lambda fit: -float(np.abs(fit.amplitude).max()))
    while left:
        fit, *left = left
        near = [other for other in left if fit.theta.size == other.theta.size == 1 and _nearness(fit, other) < NEAR]
        rest = [other for other in left if other not in near]
        two = _two(flat, fit.theta, found + rest) if fit.theta.size == 1 else None
        if two is None:
            found.append(fit)
        else:
            found.append(two)
            left = rest
    for _ in range(_ROUNDS if len(found) > 1 else 0):
        found = [renewed(flat, found, place) for place in range(len(found))]
    return found


def _nearness(one: Fit, other: Fit) -> float:
    """Distance of two single lines as a share of their frequency."""
    return abs(float(other.theta[0].imag) / float(one.theta[0].imag) - 1.0)


def _two(flat: Flat, single: Complex, others: list[Fit]) -> Fit | None:
    """The pair near a single line that late and whole sound ask for, or None."""
    if flat.samples.size < (LATE + 0.2) * flat.rate:
        return None
    decay = max(-float(single[0].real) * flat.rate, 0.0)
    late = window_round(flat.record(decay, LATE), single, others, LATE - FIRST)
    two = _late_pair(single, late)
    if two is None:
        return None
    whole = settle(two.theta, window_round(flat.record(decay, FIRST), two.theta, others, 0.0), rounds=1)
    return whole if _same(two, whole, late) else None


def _late_pair(single: Complex, problem: Problem) -> Fit | None:
    """Two lasting lines near a single one in the late sound, or None when one line does."""
    one = settle(single, problem, rounds=1)
    left = float(one.residual.sum())
    whole = float(np.square(np.abs(problem.data)).sum())
    if left < _NO_PAIR * whole:
        return None
    near = 1j * np.pi / float(problem.window.lengths.max()) * np.array([-1.0, 1.0])
    tries = (np.append(one.theta, scan(one, problem)), one.theta + near)
    two = min((settle(theta, problem, rounds=1) for theta in tries), key=lambda fit: float(fit.residual.sum()))
    rest = float(two.residual.sum())
    explained = left > _GAIN * rest or (left > _SMALL_GAIN * rest and rest < _NEARLY_ALL * whole)
    return two if explained and _alike(two, problem, 0.0) else None


def _alike(two: Fit, problem: Problem, skipped: float) -> bool:
    """Whether two lines are near in level after `skipped` s, alike in decay, and beat at least once in the window."""
    rate = problem.sample_rate
    decay = -two.theta.real * rate
    size = np.abs(two.amplitude[0]) * np.exp(-decay * skipped)
    strong = size.min() > size.max() * 10.0 ** (-PAIR_WITHIN_DB / 20.0)
    alike = decay.min() > 0.1 and decay.max() < 3.0 * decay.min()
    return bool(strong and alike) and _gap(two) > 1.0 / float(problem.window.lengths.max())


def _gap(two: Fit) -> float:
    """Distance of two lines in cycles per sample."""
    return abs(float(np.diff(two.theta.imag)[0])) / (2.0 * np.pi)


def _same(late: Fit, whole: Fit, problem: Problem) -> bool:
    """Whether the whole hit shows the pair its late part (`problem`) shows: as far apart, still a pair by LATE."""
    return abs(_gap(whole) / _gap(late) - 1.0) < 0.25 and _alike(whole, problem, LATE - FIRST)
