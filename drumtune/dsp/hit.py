"""The lines of one whole hit: its glide taken out, each strong partial's frequency and decay, and near pairs.

Conventions: a hit starts at its onset, shape (samples,), `rate` in Hz; frequencies are settled ones in Hz, decay
rates in 1/s (T60 = 6.9078 over it). Equations: docs/physics.md, sections Glide and Beats.

One line is fitted to each strong peak of the sound with its glide taken out, and a second one only where the sound
after 0.25 s asks for it: earlier a glide or a click looks like a near pair and is none. Each line is fitted in warped
time with its own decay made straight again, y(t(tau)) exp(alpha (t - tau)), so the warp biases no decay.

Does not look for every line there is (partials.py does, jointly over taps), and does not say which mode a line is.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.fft import next_fast_len

from drumtune.dsp.cluster import Problem, noise_variance, scan, settle
from drumtune.dsp.floor import find_floor
from drumtune.dsp.glide import (
    FIRST,
    STEADY,
    Glide,
    GlideLaw,
    PitchTrack,
    fit_glide,
    scan_laws,
    sharpest,
    strong_lines,
    track_pitch,
    unwarp,
)
from drumtune.dsp.gliding import lower_rate, refine_gliding
from drumtune.dsp.refine import Fit, pole_variance, solve_linear
from drumtune.dsp.spectra import Segments, as_segments, cut_window, model_spectrum
from drumtune.dsp.subspace import esprit_poles

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

LATE = 0.25
"""A pair counts only when both lines are there after so many seconds."""
PAIR_WITHIN_DB = 12.0
"""How far under the stronger line the weaker may lie at LATE (a beat of 4.4 dB)."""
PAIR_REACH = 0.06
"""Widest near pair, as a share of its frequency."""
_GAIN = 5.0
_SMALL_GAIN = 2.0
_NEARLY_ALL = 0.01
_WINDOW = 0.5 * PAIR_REACH
_ROUNDS = 2
_NO_PAIR = 0.003
_MOST = 8
_WITHIN_DB = 40.0
_SHORTEST = 0.05
_LAW_TOP = 1100.0
_PAST = 1.6
_LASTING = 5.0
_SMALL = 0.5
_LAW_SD = 0.002
_OBEYS = 0.02
_FAILED = 0.1
_UNEXPLAINED = 0.35
_NEW = 0.006
_KNOWN = 0.2


@dataclass(frozen=True, slots=True)
class HitLines:
    """What sounds in a hit.

    Parameters
    ----------
    frequency, frequency_sd, decay_rate, decay_rate_sd
        Shape (lines,), by rising frequency.
    amplitude
        Shape (lines,), peak amplitude FIRST (10 ms) after the onset, in the signal's unit.
    pairs
        Places (lower, higher) of near pairs that last.
    main
        Place of the partial that is strongest in the sound after 0.1 s: its settled pitch is the note.
    glide
        After-note of the main partial; its law is common to all.
    over
        Whether the fall is over (within 10 cents) when the main partial ends.
    """

    frequency: Array
    frequency_sd: Array
    decay_rate: Array
    decay_rate_sd: Array
    amplitude: Array
    pairs: tuple[tuple[int, int], ...]
    main: int
    glide: Glide
    over: bool

    @property
    def decay_time(self) -> Array:
        """T60 of each line, s, shape (lines,)."""
        return np.asarray(np.log(1000.0) / self.decay_rate, dtype=np.float64)

    @property
    def level_db(self) -> Array:
        """Level 10 ms after the onset under the strongest line, dB, shape (lines,)."""
        return np.asarray(20.0 * np.log10(self.amplitude / self.amplitude.max()), dtype=np.float64)


@dataclass(frozen=True, slots=True)
class _Flat:
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


def hear_lines(signal: Array, rate: float, *, highest: float = 1500.0) -> HitLines | None:
    """Lines of a hit from 30 Hz to `highest`; None when it is too short (50 ms) or nothing in it stands out.

    Raises
    ------
    ValueError
        If the signal is not one channel of finite samples.
    """
    if signal.ndim != 1 or not np.isfinite(signal).all():
        raise ValueError(f"a hit is one channel of finite samples, got shape {signal.shape}")
    if signal.size < _SHORTEST * rate or not signal.any():
        return None
    highest = min(highest, 0.4 * rate)
    signal = _sounding(signal, rate)
    best = _attempt(signal, rate, first_law(signal, rate), highest)
    if best.left > _FAILED:
        others = [_attempt(signal, rate, law, highest) for law in (STEADY, *_track_laws(signal, rate)[:1])]
        best = min([best, *others], key=lambda attempt: attempt.left)
    found = _report(signal, rate, best.law, best.flat, _rows(best.flat, best.fits, best.law_sd))
    return found if found is None or best.left < _OBEYS else _own_way(signal, rate, highest, found)


@dataclass(frozen=True, slots=True)
class _Attempt:
    """Lines under a law, the law's own doubt (share of a frequency), and the share of energy they leave."""

    law: GlideLaw
    law_sd: float
    left: float
    flat: _Flat
    fits: list[Fit]


def _attempt(signal: Array, rate: float, law: GlideLaw, highest: float) -> _Attempt:
    """Lines and law, each refined by the other, from a first law."""
    flat = _flatten(signal, rate, law, highest)
    fits = _lines(flat, highest)
    better, _, _ = _better_law(signal, rate, law, fits, flat.rate)
    if better != law:
        flat = _flatten(signal, rate, better, highest)
        fits = _lines(flat, highest)
    fits = _pairs(flat, fits)
    law, law_sd, left = _better_law(signal, rate, better, fits, flat.rate)
    flat = flat if law == better else _flatten(signal, rate, law, highest)
    return _Attempt(law, law_sd, left, flat, [_again(flat, fits, place) for place in range(len(fits))])


def _own_way(signal: Array, rate: float, highest: float, found: HitLines) -> HitLines:
    """Read a hit again whose main partial does not obey the joint law, with the law its own track shows if better."""
    if found.glide.track.times.size < 8:
        return found
    own = fit_glide(found.glide.track)
    if own.misfit > 0.97 * found.glide.misfit:
        return found
    flat = _flatten(signal, rate, own.law, highest)
    again = _report(signal, rate, own.law, flat, _rows(flat, _pairs(flat, _lines(flat, highest)), 0.0))
    if again is None or abs(again.glide.settled / found.glide.settled - 1.0) > _WINDOW:
        return found
    return again if again.glide.misfit < found.glide.misfit else found


def _sounding(signal: Array, rate: float) -> Array:
    """The hit up to well past where its level meets the noise: a line may stand out longer than the whole."""
    power = np.square(signal)
    step = max(1, int(0.001 * rate))
    whole = power.size // step * step
    floor = find_floor(power[:whole].reshape(-1, step).mean(axis=1), rate / step)
    return signal[: int((_PAST * floor.limit + 0.1) * rate)]


def first_law(signal: Array, rate: float) -> GlideLaw:
    """Law under which the sound is sharpest, of a coarse scan, what the strongest partials' tracks show, and steps."""
    slow, slow_rate = lower_rate(signal, rate, min(_LAW_TOP, 0.38 * rate))
    return sharpest(slow, slow_rate, [STEADY, *scan_laws(slow, slow_rate), *_track_laws(slow, slow_rate)])


def _track_laws(signal: Array, rate: float) -> list[GlideLaw]:
    """Laws that the tracks of the three strongest partials show, strongest first."""
    lines = strong_lines(signal, rate, most=3, highest=0.6 * _LAW_TOP)
    tracks = [track_pitch(signal, rate, line) for line, _ in lines]
    return [fit_glide(track).law for track in tracks if track.times.size >= 8]


def _wander(track: PitchTrack, said: Array) -> float:
    """Rms distance of a track from what a law says (Hz at its points), in cents weighted by amplitude."""
    if track.times.size == 0:
        return 0.0
    apart = 1200.0 * np.log2(np.maximum(track.frequencies, 1.0) / said)
    return float(np.sqrt(np.average(np.square(apart), weights=track.amplitudes)))


def _flatten(signal: Array, rate: float, law: GlideLaw, highest: float) -> _Flat:
    new_rate = min(rate, 2.6 * highest)
    samples = unwarp(signal, rate, law, new_rate)
    first = int(FIRST * new_rate)
    while next_fast_len(samples.size - first, real=True) != samples.size - first:
        samples = samples[:-1]
    warped = np.arange(samples.size) / new_rate
    return _Flat(samples, new_rate, law.unwarp(warped) - warped)


def _lines(flat: _Flat, highest: float) -> list[Fit]:
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
    return [_again(flat, fits, place) for place in range(len(fits))]


def _sound(flat: _Flat, fits: list[Fit]) -> Array:
    """Samples of the lines found, in warped time as the flat sound is."""
    steps = np.arange(flat.samples.size) - int(FIRST * flat.rate)
    total = np.zeros(flat.samples.size)
    for fit in fits:
        for theta, size in zip(fit.theta, fit.amplitude[0], strict=True):
            total += np.real(size * np.exp(theta * steps + theta.real * flat.rate * flat.lag))
    return total


def _again(flat: _Flat, fits: list[Fit], place: int) -> Fit:
    """A fit renewed, now that the others are known."""
    others = fits[:place] + fits[place + 1 :]
    start = fits[place].theta
    decay = -float(start.real.mean()) * flat.rate
    return settle(start, _problem(flat.record(decay, FIRST), start, others, 0.0), rounds=1)


def _one(flat: _Flat, start: Complex, others: list[Fit]) -> list[Fit]:
    """The line near `start`, or none where no line explains most of what the others leave there."""
    for _ in range(2):
        decay = max(-float(start[0].real) * flat.rate, 0.0)
        problem = _problem(flat.record(decay, FIRST), start, others, 0.0)
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


def _problem(record: Segments, start: Complex, others: list[Fit], skipped: float) -> Problem:
    """The window round lines, less the others; `skipped` s lie between the fits' start and the record's."""
    middle = float(start.imag.mean()) * record.sample_rate / (2.0 * np.pi)
    reach = max(_WINDOW * middle, 8.0 / record.duration, 4.0)
    window = cut_window(record, max(middle - reach, 2.0), min(middle + reach, 0.49 * record.sample_rate))
    data = window.data.copy()
    for fit in others:
        moved = fit.amplitude * np.exp(fit.theta * skipped * record.sample_rate)
        data -= model_spectrum(fit.theta, moved, window, own=True)
    return Problem(window, data, record.sample_rate, start.size)


def _pairs(flat: _Flat, fits: list[Fit]) -> list[Fit]:
    """Two lines in place of one, or of two fitted apart, wherever the late sound, and then the whole, ask for them."""
    found: list[Fit] = []
    left = sorted(fits, key=lambda fit: -float(np.abs(fit.amplitude).max()))
    while left:
        fit, *left = left
        near = [other for other in left if fit.theta.size == other.theta.size == 1 and _nearness(fit, other) < _WINDOW]
        rest = [other for other in left if other not in near]
        two = _two(flat, fit.theta, found + rest) if fit.theta.size == 1 else None
        if two is None:
            found.append(fit)
        else:
            found.append(two)
            left = rest
    for _ in range(_ROUNDS if len(found) > 1 else 0):
        found = [_again(flat, found, place) for place in range(len(found))]
    return found


def _nearness(one: Fit, other: Fit) -> float:
    """Distance of two single lines as a share of their frequency."""
    return abs(float(other.theta[0].imag) / float(one.theta[0].imag) - 1.0)


def _two(flat: _Flat, single: Complex, others: list[Fit]) -> Fit | None:
    """The pair near a single line that late and whole sound ask for, or None."""
    if flat.samples.size < (LATE + 0.2) * flat.rate:
        return None
    decay = max(-float(single[0].real) * flat.rate, 0.0)
    record = flat.record(decay, LATE)
    late = _problem(record, single, others, LATE - FIRST)
    two = _late_pair(single, record, late)
    if two is None:
        return None
    whole = settle(two.theta, _problem(flat.record(decay, FIRST), two.theta, others, 0.0), rounds=1)
    return whole if _same(two, whole, late) else None


def _late_pair(single: Complex, late: Segments, problem: Problem) -> Fit | None:
    """Two lasting lines near a single one in the late sound, or None when one line does."""
    one = settle(single, problem, rounds=1)
    left = float(one.residual.sum())
    whole = float(np.square(np.abs(problem.data)).sum())
    if left < _NO_PAIR * whole:
        return None
    near = 1j * np.pi / float(problem.window.lengths.max()) * np.array([-1.0, 1.0])
    middle = 0.5 * (problem.window.low + problem.window.high)
    width = max(0.25 * (problem.window.high - problem.window.low), 4.0)
    offered = esprit_poles(late.padded, late, middle, width, range(2, 3))
    tries = [np.append(one.theta, scan(one, problem)), one.theta + near]
    tries += [offered[2] / late.sample_rate] if 2 in offered else []
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


def _better_law(
    signal: Array, rate: float, law: GlideLaw, fits: list[Fit], flat_rate: float
) -> tuple[GlideLaw, float, float]:
    """The law refined in real time with all lines, while the strongest lasts, and what it leaves unsure of a pitch.

    STEADY when nothing glides for sure. The second value is a standard deviation as a share of the frequency, the third
    the share of the energy that lines under the law leave.
    """
    if not fits:
        return STEADY, 0.0, 1.0
    law = GlideLaw(0.01, 5.0) if law == STEADY else law
    theta = np.concatenate([fit.theta for fit in fits]) * flat_rate
    size = np.concatenate([np.abs(fit.amplitude[0]) for fit in fits])
    main = int(np.argmax(np.square(size) / -theta.real))
    span = (FIRST, min(_LASTING / -float(theta[main].real), signal.size / rate))
    try:
        joint = refine_gliding(signal, rate, law, theta.imag / (2.0 * np.pi), -theta.real, span=span)
    except ValueError:  # too few samples for so many lines: nothing to learn about a law
        return STEADY, 0.0, 0.0
    told = abs(joint.law.excess) > 4.0 * joint.excess_sd and abs(joint.law.fall_cents()) > _SMALL
    if not told:
        return STEADY, 0.0, joint.residual
    law_sd = float(joint.frequency_sd[main] / joint.frequency[main])
    return (joint.law, law_sd, joint.residual) if law_sd < _LAW_SD else (law, _LAW_SD, joint.residual)


def _rows(flat: _Flat, fits: list[Fit], law_sd: float) -> Array:
    """Lines that are known, by frequency: Hz, its sd, decay rate, its sd, amplitude, group; shape (lines, 6)."""
    rows = []
    for group, fit in enumerate(fits):
        others = [other for other in fits if other is not fit]
        record = flat.record(-float(fit.theta.real.mean()) * flat.rate, FIRST)
        problem = _problem(record, fit.theta, others, 0.0)
        weight = 1.0 / noise_variance(fit, problem)
        sure = solve_linear(fit.theta, problem.data, problem.window, weight)
        sd = np.sqrt(pole_variance(sure, problem.data, problem.window)) * flat.rate
        for line, spread, size in zip(fit.theta * flat.rate, sd, np.abs(fit.amplitude[0]), strict=True):
            pitch = float(line.imag) / (2.0 * np.pi)
            pitch_sd = float(np.hypot(spread / (2.0 * np.pi), law_sd * pitch))
            rows.append((pitch, pitch_sd, -float(line.real), float(spread), float(size), group))
    return np.array(sorted(row for row in rows if row[3] < 0.5 * row[2] and row[1] < 0.01 * row[0]))


def _main(frequency: Array, amplitude: Array, decay: Array, flat: _Flat) -> int:
    """Place of the line at the strongest settled peak; of most energy where no line lies there."""
    peak = strong_lines(flat.samples, flat.rate, most=1)[0][0]
    near = np.abs(frequency / peak - 1.0) < _WINDOW
    energy = np.square(amplitude) / decay
    return int(np.argmax(np.where(near, energy, 0.0) if near.any() else energy))


def _report(signal: Array, rate: float, law: GlideLaw, flat: _Flat, table: Array) -> HitLines | None:
    """Find the main line and the pairs, and follow the main one's pitch."""
    if table.size == 0:
        return None
    frequency, frequency_sd, decay, decay_sd, amplitude, groups = table.T
    known = decay_sd < _KNOWN * decay
    pairs = tuple(
        (k, k + 1) for k in range(frequency.size - 1) if groups[k] == groups[k + 1] and known[k] and known[k + 1]
    )
    main = _main(frequency, amplitude, decay, flat)
    track = track_pitch(signal, rate, float(frequency[main]))
    misfit = _wander(track, frequency[main] * law.ratio(track.times))
    glide = Glide(float(frequency[main]), law, law.fall_cents(), misfit, track)
    left = law.fall_cents(track.times[-1], track.times[-1] + 1e-3) if track.times.size else 0.0
    return HitLines(frequency, frequency_sd, decay, decay_sd, amplitude, pairs, main, glide, abs(left) < 10.0)
