"""A room from recordings: decay by octaves from claps, bursts or sweeps, its strongest modes, and whose ring it is.

Signals are one channel, shape (samples,), at `rate` Hz. Decay follows ISO 3382-2 (`drumtune.dsp.decay` and `.bands`);
modes are damped lines fitted jointly over all recordings (`drumtune.dsp.partials`). docs/physics.md, "Rooms".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.fft import irfft, next_fast_len, rfft

from drumtune.dsp.bands import band_decays
from drumtune.dsp.decay import DecayFigures, Figure
from drumtune.dsp.partials import Partials, find_partials
from drumtune.errors import TakeError
from drumtune.physics.room import Modes

Array = NDArray[np.float64]
Owner = Literal["drum", "room", "unsure"]

LOWEST_OCTAVE = 60.0
"""Octaves start at the one round 63 Hz."""
NEAR_MODE = 0.02
"""A line this near a computed mode, as a share of its frequency, is taken for it (walls are never quite where the tape
measure says)."""
POSITIONS = {"precision": 12, "engineering": 6, "survey": 2}
"""Pairs of source and microphone places ISO 3382-2 asks for (clause 4.3, Table 1, from memory)."""
APART_DB = 15.0
"""Least difference of the direct sound between two places for their lines to be told apart."""
DOUBT_DB = 2.0
"""So near the border a line's owner is left open."""
_BEFORE, _SHORTEST, _LONGEST, _PAUSE = 0.002, 0.1, 4.0, 0.7


@dataclass(frozen=True, slots=True)
class BandFigure:
    """Decay of one octave, mean over recordings: centre (Hz), T20, T30 (s), validity, reason, recordings that bear it.

    When `valid`, each figure is the mean of the valid ones, or None; when not, what was read all the same.
    """

    centre: float
    t20: float | None
    t30: float | None
    valid: bool
    reason: str
    count: int


@dataclass(frozen=True, slots=True)
class Line:
    """A line that rings: Hz and deviation, T60 (s), dB against the strongest.

    `near` counts the computed modes within 2 %; `mode` is the place of the one where there is just one, else None.
    """

    frequency: float
    frequency_sd: float
    decay: float
    level_db: float
    mode: int | None
    near: int


@dataclass(frozen=True, slots=True)
class OwnedLine:
    """A line in a drum's hits at two places, its fall from near to far (dB), and whose it is, with the reason."""

    line: Line
    fall_db: float
    owner: Owner
    why: str


def sweep(low: float, high: float, duration: float, rate: float) -> Array:
    """Exponential sine sweep from `low` to `high` Hz, faded in and out, at 0.5 of full scale.

    A. Farina, "Simultaneous measurement of impulse response and distortion with a swept-sine technique", AES 108th
    Convention, 2000; ISO 18233 annex B.

    Raises
    ------
    ValueError
        If the range is not rising within half the rate, or the duration not positive.
    """
    if not (0.0 < low < high < 0.5 * rate and duration > 0.0):
        raise ValueError(f"a sweep rises within half the rate, got {low} to {high} Hz in {duration} s at {rate} Hz")
    t = np.arange(round(duration * rate)) / rate
    grow = duration / math.log(high / low)
    tone = 0.5 * np.sin(2.0 * np.pi * low * grow * np.expm1(t / grow))
    edge = min(round(0.02 * rate), t.size // 4)
    ramp = np.sin(0.5 * np.pi * np.arange(edge) / edge) ** 2
    tone[:edge] *= ramp
    tone[t.size - edge :] *= ramp[::-1]
    return np.asarray(tone)


def deconvolve(recording: Array, played: Array, rate: float) -> Array:
    """Impulse response of a room from a sweep and its recording, both at `rate`; starts 2 ms before the direct sound.

    Spectral division, held down where the sweep has no energy (ISO 18233; S. Mueller and P. Massarani, JAES 49(6),
    2001). What a loudspeaker distorts comes out before the direct sound and is cut off with it.

    Raises
    ------
    TakeError
        If the recording is shorter than the sweep or holds nothing of it.
    """
    if recording.size < played.size:
        raise TakeError("the recording is shorter than the sweep: record the whole sweep and its ring", reason="short")
    size = next_fast_len(recording.size + played.size, real=True)
    heard, source = rfft(recording, size), rfft(played, size)
    power = np.abs(source) ** 2
    response = irfft(heard * np.conj(source) / (power + 1e-4 * np.quantile(power, 0.9)), size)
    peak = int(np.abs(response[: recording.size]).argmax())
    if not np.abs(response[peak]) > 8.0 * np.std(response):
        raise TakeError("the recording does not hold the sweep: is it the right one?", reason="sweep")
    return np.asarray(response[max(peak - round(_BEFORE * rate), 0) : recording.size])


def bursts(signal: Array, rate: float) -> list[Array]:
    """Claps or bursts of a recording, each from just before its onset to the next or 4 s later.

    Sounds within 15 dB of the loudest and at least 0.7 s after the one before; what the recording's end cuts off
    within 0.1 s is left out.

    Raises
    ------
    TakeError
        ``"silence"`` if there is nothing to be heard, ``"noise"`` if nothing sets in sharply, ``"short"`` if the
        recording ends right after the only sound that does.
    """
    hop = max(1, round(0.005 * rate))
    level = np.sqrt(np.square(signal[: signal.size // hop * hop]).reshape(-1, hop).mean(axis=1))
    if not level.size or not level.max() > 0.0:
        raise TakeError("the recording is silent: nothing to take the room's decay from", reason="silence")
    starts: list[int] = []
    for frame in np.flatnonzero(level > level.max() * 10.0 ** (-15.0 / 20.0)):
        before = level[max(frame - 10, 0) : frame]
        sharp = not before.size or level[frame] > 3.0 * before.min()
        if sharp and (not starts or (frame - starts[-1]) * hop > _PAUSE * rate):
            starts.append(int(frame))
    if not starts:
        raise TakeError("nothing in the recording sets in sharply: clap again, louder and in quiet", reason="noise")
    edges = [max(start * hop - round(_BEFORE * rate) - hop, 0) for start in starts] + [signal.size]
    found = [signal[a : min(b, a + round(_LONGEST * rate))] for a, b in pairwise(edges) if b - a >= _SHORTEST * rate]
    if not found:
        raise TakeError("the recording ends right after the clap: let the room ring out", reason="short")
    return found


def bands(responses: Sequence[Array], rate: float) -> tuple[BandFigure, ...]:
    """Decay by octaves, mean of T20 and T30 over the responses that bear them (ISO 3382-2, clause 7).

    Raises
    ------
    ValueError
        If there is no response.
    TakeError
        ``"short"`` if they last too short a time for any octave.
    """
    if not responses:
        raise ValueError("decay needs at least one response")
    found: dict[float, list[DecayFigures]] = {}
    for response in responses:
        for band in band_decays(response, rate, 1, LOWEST_OCTAVE):
            found.setdefault(float(band.centre), []).append(band.figures)
    if not found:
        raise TakeError("what rings in the recording ends at once: record the room's ring as well", reason="short")
    return tuple(_band(centre, rows) for centre, rows in sorted(found.items()))


def _band(centre: float, rows: Sequence[DecayFigures]) -> BandFigure:
    good20, good30 = ([f for f in column if f.valid] for column in ([r.t20 for r in rows], [r.t30 for r in rows]))
    if good20 or good30:
        return BandFigure(centre, _mean(good20), _mean(good30), True, "", max(len(good20), len(good30)))
    reason = next((r.t20.reason for r in rows if r.t20.reason), "no decay seen")
    return BandFigure(centre, _mean([r.t20 for r in rows]), _mean([r.t30 for r in rows]), False, reason, 0)


def _mean(figures: Sequence[Figure]) -> float | None:
    values = [figure.value for figure in figures if figure.value is not None]
    return sum(values) / len(values) if values else None


def grade(positions: int) -> str:
    """What a number of recordings at different places is good for, in the words of ISO 3382-2."""
    reached = next((name for name, count in POSITIONS.items() if positions >= count), None)
    if reached is None:
        return f"one place only: a survey asks for {POSITIONS['survey']}, the engineering method for 6"
    return f"{positions} places: as many as the {reached} method asks for"


def reverberation(figures: Sequence[BandFigure]) -> tuple[tuple[float, float], ...]:
    """Decay for `drumtune.physics.room.Room`: (Hz, T in s) of the valid octaves, T20 before T30; empty without any."""
    values = [(figure.centre, figure.t20 or figure.t30) for figure in figures if figure.valid]
    return tuple((centre, value) for centre, value in values if value)


def strongest_lines(responses: Sequence[Array], rate: float, modes: Modes, limit: float, most: int = 8) -> list[Line]:
    """Strongest lines under `limit` Hz that ring in all responses, strongest first, each with its computed mode."""
    lines = _fit([_after(response, rate, 0.01) for response in responses], rate, limit, most)
    level = np.sqrt(np.mean(np.abs(lines.amplitude) ** 2, axis=0))
    return [_line(lines, i, level, modes) for i in np.argsort(-level)]


def _fit(segments: list[Array], rate: float, limit: float, most: int) -> Partials:
    return find_partials(segments, rate, band=(20.0, min(limit, 0.45 * rate)), max_partials=most, floor_db=-40.0)


def _after(response: Array, rate: float, delay: float) -> Array:
    """A response from `delay` s after its peak, 2 s at most."""
    start = int(np.abs(response).argmax()) + round(delay * rate)
    return response[start : start + round(2.0 * rate)]


def _line(lines: Partials, i: int, level: Array, modes: Modes) -> Line:
    frequency = float(lines.frequency[i])
    nearest = int(np.abs(modes.frequency - frequency).argmin()) if modes.frequency.size else -1
    count = int((np.abs(modes.frequency / frequency - 1.0) < NEAR_MODE).sum())
    under = 20.0 * math.log10(level[i] / level.max())
    sd, decay = float(lines.frequency_sd[i]), float(lines.decay_time[i])
    return Line(frequency, sd, decay, under, nearest if count == 1 else None, count)


def whose(near: Array, far: Array, rate: float, modes: Modes, limit: float) -> list[OwnedLine]:
    """Whether what rings after a drum's hits, recorded near it and far from it at equal gain, is the drum or the room.

    A drum's own line is loud near the drum and falls with the direct sound; a mode of the room is about as strong far
    from the drum as near it. Lines are fitted jointly; the border is 6 dB or, if more, a quarter of the direct sound's
    fall in dB (the room's own field keeps a drum's line from falling as far).

    Raises
    ------
    TakeError
        If the direct sound differs by less than 15 dB between the two places, or nothing rings.
    """
    first = [_direct(signal, rate) for signal in (near, far)]
    direct = 20.0 * math.log10(first[0] / first[1])
    if direct < APART_DB:
        raise TakeError(
            f"the direct sound is only {direct:.1f} dB louder in the first recording than in the second: put "
            "one microphone within a hand of the head and the other across the room, at equal gain",
            reason="places",
            estimate=direct,
        )
    lines = _fit([_after(signal, rate, 0.01) for signal in (near, far)], rate, limit, 12)
    if not lines.frequency.size:
        raise TakeError("nothing rings in both recordings", reason="lines")
    size = np.abs(lines.amplitude)
    level = np.sqrt(np.mean(size**2, axis=0))
    return [_owned(_line(lines, i, level, modes), size[:, i], direct) for i in np.argsort(-level)]


def _direct(signal: Array, rate: float) -> float:
    """Root mean square of the first 5 ms from the onset."""
    start = int((np.abs(signal) >= 0.1 * np.abs(signal).max()).argmax())
    value = float(np.sqrt(np.mean(np.square(signal[start : start + max(1, round(0.005 * rate))]))))
    if not value > 0.0:
        raise TakeError("the recording is silent", reason="silence")
    return value


def _owned(line: Line, size: Array, direct: float) -> OwnedLine:
    near, far = np.maximum(size, 1e-9 * size.max())
    fall, border = 20.0 * math.log10(near / far), max(6.0, 0.25 * direct)
    owner: Owner = "drum" if fall > border else "room"
    if abs(fall - border) < DOUBT_DB:
        owner = "unsure"
    why = f"{fall:.0f} dB weaker far off, direct sound {direct:.0f} dB"
    return OwnedLine(
        line, fall, owner, why + ("; a computed mode of the room lies there" if line.mode is not None else "")
    )
