"""Taps from a live stream: the taps of the whole recording, from blocks of any size, in bounded memory.

Samples are real, one channel, full scale 1.0; rates in Hz; times in seconds from the first sample ever fed.

What is local about a tap (where sound sets in, its lines, contact noise, swell, first motion, faults) is worked out in
steps of some 20 ms on a fixed grid of samples, by the functions `drumtune.dsp.taps.find_taps` uses and with all that
they look at. What is not local is the comparison of a candidate with the others. Hence the contract:

- The same samples give the same events, however they were cut into blocks.
- `Stream.search` judges all candidates remembered (the last `MOST`) together. It finds the taps `find_taps` finds in
  the whole, with the same faults and with onsets equal but for rounding, if there is no hum. Two things may differ for
  a candidate that is judged within a hair's breadth: the floor of digital silence (here against the loudest sound so
  far) and a zero line that wanders over minutes.
- An event of `Stream.feed` is the judgement by what was heard until half a second after the stroke, so the first sounds
  of a take are compared with few others; `search` may say otherwise later.
- Hum is found in the last `MEMORY` seconds and taken out anew every second, in the whole once for all: with hum the
  candidates are those of nearly the same signal.
- A run of novelty longer than `LONGEST_RUN` (speech, scraping) is cut there; in the whole it is not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp import hum
from drumtune.dsp.faults import LOOK
from drumtune.dsp.gather import grid_of
from drumtune.dsp.likeness import Features, Likeness, features, judged
from drumtune.dsp.onsets import (
    AFTER,
    BEFORE,
    GUARD,
    NEAR,
    REACH,
    SAME_STROKE,
    Novelty,
    energies,
    frame_of,
    score_of,
)
from drumtune.dsp.taps import Search, Tap, chosen, tap_at

Samples = NDArray[np.float64]

MEMORY = 8.0
"""Seconds of sound remembered."""
MOST = 256
"""Candidates remembered."""
STEP = 0.02
"""About the time between looks, s."""
LONGEST_RUN = 1.5
"""Longest run of novel frames that is waited for, s."""
_LEAD = 30
"""Frames looked at before new ones, so that their energies are those of the whole recording."""
_CONTEXT = BEFORE + GUARD
_AROUND = 0.3
"""Sound looked at on either side of a candidate when it is compared, s."""
_SETTLED = 0.17
"""Time after a candidate within which another one changes how it is looked at, s."""
_WHOLE = LOOK + 0.01
"""Time after a coarse onset from which a stroke is whole, s."""


@dataclass(frozen=True, slots=True)
class Heard:
    """One sound, judged when its half second is in.

    Parameters
    ----------
    time
        Coarse onset, s.
    tap
        The stroke, with its fault if it has one; None for a sound that is no tap.
    reason
        Why it is no tap; empty for one.
    tone_db
        Its tone against that of the typical tap so far, dB.
    """

    time: float
    tap: Tap | None
    reason: str
    tone_db: float


@dataclass(slots=True)
class _Candidate:
    """An instant where sound set in, and what is known of it so far."""

    coarse: float
    rise: float
    seen: Features | None = None
    tap: Tap | None = None


class Stream:
    """Taps of one channel as its blocks come in.

    Parameters
    ----------
    sample_rate
        Hz.

    Attributes
    ----------
    known_from
        Time from which candidates are remembered, s.

    Raises
    ------
    ValueError
        If the rate is not 8 to 192 kHz.
    """

    def __init__(self, sample_rate: float) -> None:
        if not 8000.0 <= sample_rate <= 192000.0:
            raise ValueError(f"sample rates are 8 to 192 kHz, got {sample_rate} Hz")
        self.sample_rate = float(sample_rate)
        self._grid = grid_of(sample_rate)
        self._step = max(1, math.ceil(STEP * sample_rate / self._grid)) * self._grid
        self._sound = _Ring(math.ceil(MEMORY * sample_rate / self._grid) * self._grid)
        self._waiting: list[Samples] = []
        self._count = 0
        self._frames = _Frames(sample_rate)
        self._candidates: list[_Candidate] = []
        self._decided = 0
        self.known_from = 0.0
        self._hum: tuple[float, NDArray[np.complex128], int] | None = None
        self._listened = 0

    @property
    def time(self) -> float:
        """Time of the next sample to be fed, s."""
        return (self._sound.stop + self._count) / self.sample_rate

    def feed(self, block: NDArray[np.floating]) -> tuple[Heard, ...]:
        """Take the next samples and tell what was heard to the end.

        Parameters
        ----------
        block
            Shape (n,), finite, any n.

        Raises
        ------
        ValueError
            If the block is not one finite channel; nothing of it is taken.
        """
        fresh: Samples = np.array(block, np.float64)
        if fresh.ndim != 1 or not np.isfinite(fresh).all():
            raise ValueError(f"a block is one channel of finite samples, got shape {fresh.shape}")
        self._waiting.append(fresh)
        self._count += fresh.size
        if self._count < self._step:
            return ()
        whole = np.concatenate(self._waiting)
        used = whole.size // self._step * self._step
        heard: list[Heard] = []
        for start in range(0, used, self._step):
            self._sound.append(whole[start : start + self._step])
            heard += self._look()
        self._waiting, self._count = [whole[used:]], whole.size - used
        return tuple(heard)

    def finish(self) -> tuple[Heard, ...]:
        """Take the stream as ended: tell of the sounds that were still waited for. Nothing may be fed afterwards."""
        rest = np.concatenate(self._waiting) if self._waiting else np.zeros(0)
        self._waiting, self._count = [], 0
        self._sound.append(rest)
        return tuple(self._look(last=True))

    def search(self, expected: int | None = None, since: float = 0.0) -> Search:
        """Judge the candidates remembered from `since` (s) on together, as `find_taps` does.

        Raises nothing: there may be no tap among them. Candidates whose half second is not in yet are left out.
        """
        known = [one for one in self._candidates if one.tap is not None and one.coarse >= since]
        if not known:
            return Search(())
        coarse = np.array([one.coarse for one in known])
        return chosen(lambda k: _tap(known[k]), coarse, _looks(known, expected), expected)

    def recent(self, start: float, stop: float) -> tuple[float, Samples]:
        """What is still remembered of the sound from `start` to `stop` (s): time of its first sample, and samples."""
        first = max(round(start * self.sample_rate), self._sound.start)
        last = max(min(round(stop * self.sample_rate), self._sound.stop), first)
        return first / self.sample_rate, self._sound.part(first, last).copy()

    def _look(self, last: bool = False) -> list[Heard]:
        """Look at the sound that came in last."""
        if not last and self._sound.stop - self._listened >= self.sample_rate:
            self._listened = self._sound.stop
            base, amplitude = hum.hum_of(self._sound.part(self._sound.start, self._sound.stop), self.sample_rate)
            self._hum = (base, amplitude, self._sound.start) if amplitude.any() else None
        first, stop = self._frames.wanted(self._sound.stop)
        for frame, score in self._frames.add(self._clear(first, stop), first, last):
            self._add(_Candidate(frame * self._frames.frame, score))
        self._see(last)
        heard = self._decide(last)
        surplus = min(len(self._candidates) - MOST, self._decided)
        if surplus > 0:
            del self._candidates[:surplus]
            self._decided -= surplus
            self.known_from = self._candidates[0].coarse
        return heard

    def _add(self, one: _Candidate) -> None:
        """Remember a candidate; one before it that was the same stroke is forgotten."""
        waiting = self._candidates[self._decided :]
        if waiting and one.coarse - waiting[-1].coarse <= SAME_STROKE:
            self._candidates.pop()
        self._candidates.append(one)

    def _clear(self, first: int, stop: int) -> Samples:
        """Samples `first` to `stop` less the hum."""
        part = self._sound.part(first, stop)
        if self._hum is None or part.size == 0:
            return part
        base, amplitude, origin = self._hum
        turn = np.exp(2j * np.pi * base / self.sample_rate * (np.arange(first, first + part.size) - origin))
        wave = np.zeros(part.size, np.complex128)
        for a in amplitude[::-1]:
            wave = (wave + a) * turn
        return np.asarray(part - wave.real)

    def _window(self, time: float, before: float, after: float) -> tuple[int, int]:
        """Samples round a time, from a point of the grid, as far as they are remembered."""
        first = math.floor((time - before) * self.sample_rate / self._grid) * self._grid
        return max(first, self._sound.start), min(round((time + after) * self.sample_rate), self._sound.stop)

    def _see(self, last: bool) -> None:
        """Look at candidates whose neighbours are known, and at strokes that are whole."""
        known = math.inf if last else self._frames.settled
        now = self._sound.stop / self.sample_rate
        for k in range(self._decided, len(self._candidates)):
            one = self._candidates[k]
            if one.seen is None and (last or min(known, now) >= one.coarse + _SETTLED):
                one.seen = self._features(k)
            if one.tap is None and one.seen is not None and (last or now >= one.coarse + _WHOLE):
                first, stop = self._window(one.coarse, _AROUND, LOOK + 0.12)
                begin = first / self.sample_rate
                one.tap = _later(tap_at(self._sound.part(first, stop), self.sample_rate, one.coarse - begin), begin)

    def _features(self, k: int) -> Features:
        """What is looked at of candidate `k`, between its neighbours."""
        one = self._candidates[k]
        first, stop = self._window(one.coarse, _AROUND, _AROUND)
        begin = first / self.sample_rate
        near = [c.coarse - begin for c in self._candidates[max(k - 1, 0) : k + 2] if c.coarse >= begin]
        place = near.index(one.coarse - begin)
        seen = features(self._clear(first, stop), self.sample_rate, np.array(near))
        return Features(*(row[place : place + 1] for row in (seen.lines, seen.noise, seen.swell)))

    def _decide(self, last: bool) -> list[Heard]:
        """Judge the candidates whose half second is in, in order."""
        heard = []
        while self._decided < len(self._candidates) and self._candidates[self._decided].tap is not None:
            now = self._candidates[self._decided]
            known = [c for c in self._candidates if c.seen is not None]
            lacking = next((c.coarse for c in self._candidates if c.seen is None), math.inf)
            if not last and lacking < now.coarse + _WHOLE - _SETTLED - 0.04:
                break
            heard.append(_judge(known, known.index(now)))
            self._decided += 1
        return heard


def _tap(one: _Candidate) -> Tap:
    """The stroke at a candidate; where it is not whole yet, all that matters of it: when it began."""
    return one.tap or Tap(one.coarse, 0.0, 0.0)


def _later(tap: Tap, begin: float) -> Tap:
    """The same stroke on the stream's time."""
    return Tap(tap.onset + begin, tap.peak, tap.level_db, tap.clipped, tap.fault)


def _looks(known: list[_Candidate], expected: int | None) -> Likeness:
    """Judgement of candidates that have been looked at."""
    seen = [one.seen for one in known if one.seen is not None]
    table = Features(*(np.concatenate(part) for part in zip(*((s.lines, s.noise, s.swell) for s in seen), strict=True)))
    return judged(table, np.array([one.rise for one in known]), expected)


def _judge(known: list[_Candidate], k: int) -> Heard:
    """What candidate `k` is, among all those known."""
    looks = _looks(known, None)
    search = chosen(lambda i: _tap(known[i]), np.array([one.coarse for one in known]), looks, None)
    now, tone = known[k], float(looks.measures[0, k])
    for sound in search.rejected:
        if sound.time == now.coarse:
            return Heard(now.coarse, None, sound.reason, tone)
    tap = next(tap for tap in search.taps if tap.onset == _tap(now).onset)
    return Heard(now.coarse, tap, "", tone)


class _Ring:
    """The last samples of a stream, by their place in it."""

    def __init__(self, size: int) -> None:
        self._size = size
        self._data = np.zeros(2 * size)
        self._used = 0
        self.stop = 0

    @property
    def start(self) -> int:
        """Place of the first sample remembered."""
        return self.stop - min(self._used, self._size)

    def append(self, block: Samples) -> None:
        """Add samples, fewer than the ring holds."""
        if self._used + block.size > self._data.size:
            self._data[: self._size] = self._data[self._used - self._size : self._used]
            self._used = self._size
        self._data[self._used : self._used + block.size] = block
        self._used += block.size
        self.stop += block.size

    def part(self, first: int, stop: int) -> Samples:
        """Samples of places `first` to `stop`, a view that lasts until the next block."""
        offset = self._used - self.stop
        return self._data[max(first, self.start) + offset : stop + offset]


class _Frames:
    """Novelty frames of a stream, and the peaks among them as soon as they are sure."""

    def __init__(self, rate: float) -> None:
        factor, hop = frame_of(rate)
        self._samples = factor * hop
        self.frame = factor * hop / rate
        self._energy = np.zeros((3, 0))
        self._score = np.zeros(0)
        self._begin = 0
        self._searched = 0
        self._loudest = np.zeros(3)
        self._longest = round(LONGEST_RUN / self.frame)

    @property
    def settled(self) -> float:
        """Time before which every candidate is known, s."""
        run = np.flatnonzero(self._score[self._searched - self._begin :] >= 1.0)
        first = self._searched + int(run[0]) if run.size else self._begin + self._score.size
        return (first - GUARD - 1) * self.frame

    def wanted(self, stop: int) -> tuple[int, int]:
        """Samples that are wanted for the frames that are new when `stop` samples have come in."""
        done = self._begin + self._energy.shape[1]
        return max(done - _LEAD, 0) * self._samples, stop

    def add(self, samples: Samples, first: int, last: bool) -> list[tuple[int, float]]:
        """Add the frames of samples from place `first` on; peaks that are sure now, with their scores."""
        rate = self._samples / self.frame
        done = self._begin + self._energy.shape[1]
        fresh = energies(samples, rate)[:, done - first // self._samples :] if samples.size else np.zeros((3, 0))
        self._energy = np.concatenate((self._energy, fresh), axis=1)
        self._loudest = np.maximum(self._loudest, fresh.max(axis=1, initial=0.0))
        total = self._energy.shape[1]
        ready = total if last else max(total - AFTER + 1, 0)
        known = self._score.size
        if ready > known:
            lead = max(known - _CONTEXT, 0)
            score = score_of(self._energy[:, lead:], self._loudest)
            self._score = np.concatenate((self._score, score[known - lead : ready - lead]))
        found = self._peaks(last)
        self._forget()
        return found

    def _peaks(self, last: bool) -> list[tuple[int, float]]:
        """Peaks of every run of novel frames that is over: no other within `NEAR` frames of it."""
        found: list[tuple[int, float]] = []
        while True:
            offset = self._searched - self._begin
            novel = np.flatnonzero(self._score[offset:] >= 1.0) + offset
            if novel.size == 0:
                self._searched = self._begin + self._score.size
                return found
            ends = np.flatnonzero(np.diff(novel) > NEAR)
            end = int(novel[ends[0]] if ends.size else novel[-1])
            over = ends.size > 0 or last or self._score.size - 1 - end > NEAR
            if not over and end - novel[0] < self._longest:
                self._searched = self._begin + int(novel[0])
                return found
            found += self._peaks_of(int(novel[0]), end)
            self._searched = self._begin + end + 1

    def _peaks_of(self, first: int, end: int) -> list[tuple[int, float]]:
        """Coarse onsets (as frames of the stream) and scores of the peaks of the run of frames `first` to `end`."""
        lead = max(first - _CONTEXT - 1, 0)
        run = Novelty(self._score[lead : end + 1], self._energy[:, lead : end + REACH], self.frame)
        return [
            (self._begin + lead + round(run.onset(int(peak)) / self.frame), float(run.score[peak]))
            for peak in run.peaks
        ]

    def _forget(self) -> None:
        """Drop frames that are not needed any more."""
        surplus = min(self._searched - self._begin, self._score.size) - 2 * (_CONTEXT + NEAR)
        if surplus > 4096:
            self._energy = self._energy[:, surplus:].copy()
            self._score = self._score[surplus:].copy()
            self._begin += surplus
