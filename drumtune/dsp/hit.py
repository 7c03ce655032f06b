"""The lines of one whole hit: its glide taken out, each strong partial's frequency and decay, and near pairs.

Conventions: a hit starts at its onset, shape (samples,), `rate` in Hz; frequencies are settled ones in Hz, decay
rates in 1/s (T60 = 6.9078 over it). Equations: docs/physics.md, sections Glide and Beats.

One line is fitted to each strong peak of the sound with its glide taken out, and a second one only where the sound
after 0.25 s asks for it: earlier a glide or a click looks like a near pair and is none. Each line is fitted in warped
time with its own decay made straight again, y(t(tau)) exp(alpha (t - tau)), so the warp biases no decay.

Does not look for every line there is (partials.py does, jointly over taps), and does not say which mode a line is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.cluster import noise_variance
from drumtune.dsp.flat_lines import NEAR, Flat, find_lines, flatten, join_pairs, renewed, window_round
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
)
from drumtune.dsp.gliding import lower_rate, refine_gliding
from drumtune.dsp.refine import Fit, pole_variance, solve_linear

Array = NDArray[np.float64]

_SHORTEST = 0.05
"""Shortest hit that is looked into, s."""
_LAW_TOP = 1100.0
"""Highest frequency that the search for a law heeds, Hz."""
_PAST = 1.6
"""A hit is read up to so many times the time at which its level meets the noise."""
_LASTING = 5.0
"""The law is refined until the strongest line has fallen by so many nepers."""
_SMALL = 0.5
"""A fall of less than so many cents is none."""
_LAW_SD = 0.002
"""A law that leaves a pitch less sure than this share is not taken."""
_OBEYS, _FAILED = 0.02, 0.1
"""Share of the energy left by lines under a law from which the law is doubted, and from which others are tried."""
_KNOWN = 0.2
"""Largest relative standard deviation of the decays of a pair."""


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
    flat: Flat
    fits: list[Fit]


def _attempt(signal: Array, rate: float, law: GlideLaw, highest: float) -> _Attempt:
    """Lines and law, each refined by the other, from a first law."""
    flat = flatten(signal, rate, law, highest)
    fits = find_lines(flat, highest)
    better, _, _ = _better_law(signal, rate, law, fits, flat.rate)
    if better != law:
        flat = flatten(signal, rate, better, highest)
        fits = find_lines(flat, highest)
    fits = join_pairs(flat, fits)
    law, law_sd, left = _better_law(signal, rate, better, fits, flat.rate)
    flat = flat if law == better else flatten(signal, rate, law, highest)
    return _Attempt(law, law_sd, left, flat, [renewed(flat, fits, place) for place in range(len(fits))])


def _own_way(signal: Array, rate: float, highest: float, found: HitLines) -> HitLines:
    """Read a hit again whose main partial does not obey the joint law, with the law its own track shows if better."""
    if found.glide.track.times.size < 8:
        return found
    own = fit_glide(found.glide.track)
    if own.misfit > 0.97 * found.glide.misfit:
        return found
    flat = flatten(signal, rate, own.law, highest)
    again = _report(signal, rate, own.law, flat, _rows(flat, join_pairs(flat, find_lines(flat, highest)), 0.0))
    if again is None or abs(again.glide.settled / found.glide.settled - 1.0) > NEAR:
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


def _rows(flat: Flat, fits: list[Fit], law_sd: float) -> Array:
    """Lines that are known, by frequency: Hz, its sd, decay rate, its sd, amplitude, group; shape (lines, 6)."""
    rows = []
    for group, fit in enumerate(fits):
        others = [other for other in fits if other is not fit]
        record = flat.record(-float(fit.theta.real.mean()) * flat.rate, FIRST)
        problem = window_round(record, fit.theta, others, 0.0)
        weight = 1.0 / noise_variance(fit, problem)
        sure = solve_linear(fit.theta, problem.data, problem.window, weight)
        sd = np.sqrt(pole_variance(sure, problem.data, problem.window)) * flat.rate
        for line, spread, size in zip(fit.theta * flat.rate, sd, np.abs(fit.amplitude[0]), strict=True):
            pitch = float(line.imag) / (2.0 * np.pi)
            pitch_sd = float(np.hypot(spread / (2.0 * np.pi), law_sd * pitch))
            rows.append((pitch, pitch_sd, -float(line.real), float(spread), float(size), group))
    return np.array(sorted(row for row in rows if row[3] < 0.5 * row[2] and row[1] < 0.01 * row[0]))


def _main(frequency: Array, amplitude: Array, decay: Array, flat: Flat) -> int:
    """Place of the line at the strongest settled peak; of most energy where no line lies there."""
    peak = strong_lines(flat.samples, flat.rate, most=1)[0][0]
    near = np.abs(frequency / peak - 1.0) < NEAR
    energy = np.square(amplitude) / decay
    return int(np.argmax(np.where(near, energy, 0.0) if near.any() else energy))


def _report(signal: Array, rate: float, law: GlideLaw, flat: Flat, table: Array) -> HitLines | None:
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
