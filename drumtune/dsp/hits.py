"""Hits of a whole drum in a recording: where each begins and ends.

Conventions: samples of one channel, shape (n,), full scale 1.0; rates in Hz; times in s from the first sample.

A hit begins where the energy of the next 10 ms is 9 dB over that of the 40 ms before and within 30 dB of the loudest
hit; beats and rattling wires rise slower than that. A file may begin right at a hit. Strokes nearer than 0.12 s count
as one. Does not tell a drum from another struck thing, and does not judge evenly tapped rounds (taps.py does).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.faults import is_clipped
from drumtune.errors import TakeError

Array = NDArray[np.float64]

_FRAME = 0.002
_AFTER = 5
_BEFORE = 20
_RISE = 8.0
_WITHIN = 1e-3
_APART = 0.12
_ONSET_DB = -20.0
SILENT = 1e-5
"""Peak under which a recording is silence (full scale 1)."""


@dataclass(frozen=True, slots=True)
class Hit:
    """One hit: begin and end in samples, its peak (full scale 1), and whether its tops are cut off."""

    start: int
    end: int
    peak: float
    clipped: bool


def find_hits(samples: Array, rate: float) -> tuple[Hit, ...]:
    """Hits in order of time; each ends where the next begins, or with the recording.

    Raises
    ------
    ValueError
        If `samples` is not one channel of finite samples.
    TakeError
        ``"silence"`` or ``"noise"``: there is nothing, or nothing that sets in like a stroke.
    """
    if samples.ndim != 1 or not np.isfinite(samples).all():
        raise ValueError(f"hits are found in one channel of finite samples, got shape {samples.shape}")
    if samples.size == 0 or np.ptp(samples) < SILENT:
        raise TakeError("the recording is silent: check the microphone and its level", reason="silence")
    places = _onsets(samples - np.median(samples), rate)
    if not places:
        raise TakeError(
            "nothing in the recording sets in like a stroke on a drum: record nearer, or in a quieter room",
            reason="noise",
        )
    ends = [*(max(place - int(0.003 * rate), 0) for place in places[1:]), samples.size]
    return tuple(_hit(samples, rate, start, end) for start, end in zip(places, ends, strict=True))


def _hit(samples: Array, rate: float, start: int, end: int) -> Hit:
    head = samples[start : min(end, start + int(0.5 * rate))]
    return Hit(start, end, float(np.abs(head).max()), is_clipped(head))


def _onsets(samples: Array, rate: float) -> list[int]:
    """First sample of each hit."""
    frame = max(1, round(_FRAME * rate))
    count = samples.size // frame
    if count < _AFTER + 1:
        return []
    energy = np.square(samples[: count * frame]).reshape(count, frame).mean(axis=1)
    total = np.concatenate([np.zeros(_BEFORE + 1), np.cumsum(energy)])
    total = np.concatenate([total, np.full(_AFTER, total[-1])])
    now = np.arange(count) + _BEFORE
    after = (total[now + _AFTER] - total[now]) / _AFTER
    quiet = max(float(np.percentile(energy, 5)), float(after.max()) * 1e-7)
    before = (total[now] - total[now - _BEFORE]) / _BEFORE
    rise = after / (before + quiet)
    loud = (rise > _RISE) & (after > after.max() * _WITHIN)
    return _placed(samples, rate, np.flatnonzero(loud), after)


def _placed(samples: Array, rate: float, frames: NDArray[np.intp], after: Array) -> list[int]:
    """The onset in each run of frames that rise: first sample within 20 dB of the peak that follows."""
    frame = max(1, round(_FRAME * rate))
    places: list[int] = []
    for first in frames:
        start = int(first) * frame
        if places and start - places[-1] < _APART * rate:
            continue
        stretch = np.abs(samples[start : start + int(0.03 * rate)])
        places.append(start + int(np.argmax(stretch >= stretch.max() * 10.0 ** (_ONSET_DB / 20.0))))
    return places
