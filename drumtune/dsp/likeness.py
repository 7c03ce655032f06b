"""How much each candidate of a take is like a tap, judged against most of the others.

Samples are real, one channel, shape (n,); rates in Hz; times in s; levels in dB against the take's typical tap. Nothing
here depends on the absolute level.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from drumtune.dsp.onsets import NOVELTY_RATE, box_down

Samples = NDArray[np.float64]

TONE_RATE = 4000.0
"""Tone is looked at about this rate, Hz."""
TONE_BAND = (50.0, 1200.0)
"""Where the lowest modes of heads lie, Hz."""
WINDOW = 0.128
"""Longest stretch of ring compared, s."""
STRONG_DB = 26.0
"""Candidates within this much of the strongest make up the typical tap."""

LIMITS = {
    "too soft": (-38.0, -14.0),
    "a knock that does not ring": (-22.0, -12.0),
    "another sound than the head": (0.0, 0.5),
    "a sound that swells, such as speech": (-12.0, -4.0),
    "too weak a beginning": (0.8, 1.3),
}
"""Reason to leave a candidate out, and the values of its measure that are wholly against it and not at all."""
SURE, LIKELY, DOUBTFUL = 0.6, 0.45, 0.2
"""Quality from which a candidate is surely, likely, and perhaps a tap."""


@dataclass(frozen=True, slots=True)
class Likeness:
    """Judgement of the candidates of a take.

    Parameters
    ----------
    quality
        Shape (candidates,), 0 surely no tap ... 1 surely a tap.
    reasons
        For each the reason that speaks most against it.
    measures
        Shape (5, candidates), in the order of `LIMITS`: tone (dB), tone less contact noise (dB), likeness of lines
        (0...1), early over late energy (dB), rise (thresholds).
    """

    quality: Samples
    reasons: tuple[str, ...]
    measures: Samples


@dataclass(frozen=True, slots=True)
class Features:
    """What is looked at of each candidate, before it is compared with the others; local in time.

    Parameters
    ----------
    lines
        Shape (candidates, bins): power that sets in over `TONE_BAND`.
    noise
        Shape (candidates,): contact noise, dB.
    swell
        Shape (candidates,): late over early energy, dB.
    """

    lines: Samples
    noise: Samples
    swell: Samples


def features(samples: Samples, sample_rate: float, onsets: Samples) -> Features:
    """Look at candidates: each from 0.16 s before it to 0.16 s after, and no further than its neighbours.

    Parameters
    ----------
    samples
        Shape (n,).
    sample_rate
        Hz.
    onsets
        Shape (candidates,): coarse onsets in s, ascending.
    """
    noise, swell = _contact(samples, sample_rate, onsets)
    return Features(_lines(samples, sample_rate, onsets), noise, swell)


def judged(found: Features, rise: Samples, expected: int | None) -> Likeness:
    """Judge candidates against each other by tone, contact noise, lines, swell and rise.

    Parameters
    ----------
    found
        What was looked at of each.
    rise
        Shape (candidates,): their novelty score.
    expected
        Number of taps asked for, if known: the typical tap is then made of no more than that.

    Returns
    -------
    Likeness
        One judgement per candidate.
    """
    lines, noise, swell = found.lines, found.noise, found.swell
    tone = _db(lines.sum(axis=1))
    strong = tone > tone.max() - STRONG_DB
    if expected is not None and expected < strong.sum():
        strong = tone >= np.sort(tone)[-expected]
    shape = np.sqrt(lines)
    shape /= np.linalg.norm(shape, axis=1, keepdims=True) + 1e-150
    typical = np.median(shape[strong], axis=0)
    alike = shape @ typical / (np.linalg.norm(typical) + 1e-150)
    tone = tone - np.median(tone[strong])
    noise = noise - np.median(noise[strong])
    return _judged(np.stack([tone, tone - noise, alike, -swell, rise]))


def _judged(measures: Samples) -> Likeness:
    """Add up, as squares, how far each measure lies from its better limit; the worst one names the reason."""
    low, high = np.array(list(LIMITS.values())).T[:, :, None]
    lacking = np.clip((high - measures) / (high - low), 0.0, 1.0)
    names = tuple(LIMITS)
    worst = ((high - measures) / (high - low)).argmax(axis=0)
    quality = np.maximum(1.0 - np.sqrt((lacking * lacking).sum(axis=0)), 0.0)
    return Likeness(quality, tuple(names[k] for k in worst), measures)


def _lines(samples: Samples, sample_rate: float, onsets: Samples) -> Samples:
    """Power that sets in at each onset over `TONE_BAND`, shape (candidates, bins): after it less before it."""
    factor = max(1, round(sample_rate / TONE_RATE))
    y, rate = box_down(samples, factor), sample_rate / factor
    size = scipy.fft.next_fast_len(2 * round(WINDOW * rate), real=True)
    frequency = scipy.fft.rfftfreq(size, 1.0 / rate)
    band = (frequency >= TONE_BAND[0]) & (frequency <= TONE_BAND[1])
    gaps = np.diff(onsets, prepend=-np.inf, append=np.inf)
    rows = []
    for time, gap in zip(onsets, np.minimum(gaps[:-1], gaps[1:]), strict=True):
        length = max(8, round(min(WINDOW, gap - 0.008) * rate))
        window = np.hanning(length + 2)[1:-1]
        window /= np.linalg.norm(window)
        after, before = round((time + 0.004) * rate), round((time - 0.004) * rate) - length
        rise = _power(y, after, window, size) - _power(y, before, window, size)
        rows.append(np.maximum(rise[band], 0.0))
    return np.array(rows)


def _power(y: Samples, start: int, window: Samples, size: int) -> Samples:
    """Power spectrum of the windowed stretch of y from `start`, less its mean; outside y it is zero."""
    part = np.zeros(window.size)
    low, high = max(start, 0), min(start + window.size, y.size)
    if high - low > 1:
        part[low - start : high - start] = y[low:high] - y[low:high].mean()
    spectrum = scipy.fft.rfft(part * window, size)
    return np.asarray(spectrum.real**2 + spectrum.imag**2)


def _contact(samples: Samples, sample_rate: float, onsets: Samples) -> tuple[Samples, Samples]:
    """Contact noise (dB) that sets in at each onset, and the energy of 60...160 ms over that of 0...50 ms (dB)."""
    factor = max(1, round(sample_rate / NOVELTY_RATE))
    y, rate = box_down(samples, factor), sample_rate / factor
    bright, whole = _running(np.diff(y, n=2, prepend=y[:1], append=y[-1:])), _running(y - np.median(y))
    ends = np.append(onsets[1:], np.inf) - 0.004

    def mean(total: Samples, start: Samples, stop: Samples) -> Samples:
        a = np.clip(np.round(start * rate), 0, total.size - 1).astype(int)
        b = np.clip(np.round(stop * rate), 0, total.size - 1).astype(int)
        return np.asarray((total[b] - total[a]) / np.maximum(b - a, 1))

    burst = mean(bright, onsets - 0.001, onsets + 0.019) - mean(bright, onsets - 0.023, onsets - 0.003)
    floor = 1e-3 * mean(bright, onsets - 0.001, onsets + 0.019) + 1e-300
    early = mean(whole, onsets, onsets + 0.05)
    late = mean(whole, onsets + 0.06, np.minimum(onsets + 0.16, ends))
    late = np.where(ends > onsets + 0.1, late, 0.0)
    return _db(np.maximum(burst, floor)), np.maximum(_db(late) - _db(early), -60.0)


def _running(y: Samples) -> Samples:
    """Running sum of squares, shape (n + 1,)."""
    return np.concatenate(([0.0], np.cumsum(y * y)))


def _db(power: Samples) -> Samples:
    """10 log10, with a floor."""
    return 10.0 * np.log10(np.maximum(power, 1e-30))
