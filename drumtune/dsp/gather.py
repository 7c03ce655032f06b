"""Candidates of a recording of any length, piece by piece: where sound sets in, and what each such sound looks like.

Samples are real, one channel, full scale 1.0, shape (n,); rates in Hz; times in seconds from the first sample fed.

A piece of up to a minute is looked at with a second of sound on either side of it, which is more than anything about a
candidate depends on; hum is found in and taken out of each piece by itself, since mains drift over minutes. So memory
is that of one piece and of the candidates, and a recording shorter than a piece is looked at as a whole. Comparing the
candidates with each other is left to ``drumtune.dsp.likeness.judged``. ``drumtune.dsp.stream`` does the same for sound
that is heard now, in steps so short that each tap can be told at once.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.hum import remove_hum
from drumtune.dsp.likeness import TONE_RATE, Features, features
from drumtune.dsp.onsets import NEAR, SAME_STROKE, frame_of, novelty

Samples = NDArray[np.float64]

PIECE = 60.0
"""Longest piece looked at together, s."""
MOST_SAMPLES = 3_000_000
"""Most samples of a piece: at high rates pieces are shorter, so that memory is not larger."""
CONTEXT = 1.0
"""Sound looked at on either side of a piece, s."""


@dataclass(frozen=True, slots=True)
class Candidates:
    """Instants where sound set in.

    Parameters
    ----------
    coarse
        Shape (candidates,): coarse onsets in s, ascending.
    rise
        Shape (candidates,): novelty score.
    seen
        What was looked at of each.
    """

    coarse: Samples
    rise: Samples
    seen: Features


class Gatherer:
    """Finds the candidates of one channel as its blocks are fed.

    Parameters
    ----------
    sample_rate
        Hz.
    """

    def __init__(self, sample_rate: float) -> None:
        self.sample_rate = float(sample_rate)
        grid = grid_of(sample_rate)
        self._piece = max(1, int(min(PIECE * sample_rate, MOST_SAMPLES) / grid)) * grid
        self._context = math.ceil(CONTEXT * sample_rate / grid) * grid
        self._blocks: list[Samples] = []
        self._held = 0  # samples in the blocks
        self._begin = 0  # place of the first of them
        self._core = 0  # place from which candidates are still to be found
        self._loudest = np.zeros(3)
        self._found: list[Candidates] = []
        self._last = -math.inf

    @property
    def count(self) -> int:
        """Candidates found so far."""
        return sum(found.coarse.size for found in self._found)

    def feed(self, block: Samples) -> None:
        """Take the next samples, shape (n,), finite, any n."""
        self._blocks.append(block)
        self._held += block.size
        while self._begin + self._held >= self._core + self._piece + self._context:
            self._look(self._core + self._piece)

    def finish(self) -> Candidates:
        """All candidates; nothing may be fed afterwards."""
        self._look(None)
        parts = [(f.coarse, f.rise, f.seen.lines, f.seen.noise, f.seen.swell) for f in self._found]
        if not parts:
            return Candidates(np.zeros(0), np.zeros(0), Features(np.zeros((0, 1)), np.zeros(0), np.zeros(0)))
        coarse, rise, lines, noise, swell = (np.concatenate(part) for part in zip(*parts, strict=True))
        return Candidates(coarse, rise, Features(lines, noise, swell))

    def _look(self, stop: int | None) -> None:
        """Find the candidates up to place `stop`, or to the end, and forget what is not needed any more."""
        held = self._blocks[0] if len(self._blocks) == 1 else np.concatenate([np.zeros(0), *self._blocks])
        last = self._begin + held.size if stop is None else stop + self._context
        piece = held[: last - self._begin]
        if piece.size and np.ptp(piece) > 0.0:
            self._gather(piece, math.inf if stop is None else stop / self.sample_rate)
        if stop is not None:
            self._core = stop
            rest = held[stop - self._context - self._begin :].copy()
            self._blocks, self._held, self._begin = [rest], rest.size, stop - self._context

    def _gather(self, piece: Samples, stop: float) -> None:
        """Add the candidates of a piece from the core's start to `stop` (s)."""
        rate, begin, start = self.sample_rate, self._begin / self.sample_rate, self._core / self.sample_rate
        clear = remove_hum(piece, rate)
        novel = novelty(clear, rate, self._loudest)
        self._loudest = np.maximum(self._loudest, novel.energy.max(axis=1, initial=0.0))
        peaks = novel.peaks
        coarse = np.array([novel.onset(int(peak)) for peak in peaks])
        own = np.diff(coarse, append=math.inf) > SAME_STROKE
        peaks, coarse = peaks[own], coarse[own]
        times = coarse + begin
        mine = (times >= start) & (times < stop) & (times > self._last + NEAR * novel.frame)
        if not mine.any():
            return
        seen = features(clear, rate, coarse)
        self._found.append(Candidates(
            times[mine], novel.score[peaks][mine], Features(seen.lines[mine], seen.noise[mine], seen.swell[mine])
        ))  # fmt: skip
        self._last = float(times[mine][-1])


def gather(samples: Samples, sample_rate: float) -> Candidates:
    """Candidates of a whole recording in memory."""
    gatherer = Gatherer(sample_rate)
    for start in range(0, samples.size, MOST_SAMPLES):
        gatherer.feed(samples[start : start + MOST_SAMPLES])
    return gatherer.finish()


def grid_of(rate: float) -> int:
    """Least number of samples after which every lower rate that is looked at starts anew."""
    factor, hop = frame_of(rate)
    return math.lcm(factor * hop, max(1, int(rate // 44100.0)), max(1, int(rate // 16000.0)), round(rate / TONE_RATE))
