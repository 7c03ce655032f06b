"""How a sound dies: the backward-integrated decay and the figures ISO 3382 takes from it.

Conventions: signals from their onset on, shape (samples,), any unit; `rate` in Hz; times in s from the onset; levels in
dB under the whole energy of the sound. Equations: docs/physics.md, section Decay.

Sources: ISO 3382-1:2009 (curve, ranges, clarity), ISO 3382-2:2008 annex B (non-linearity, curvature), W. T. Chu,
"Comparison of reverberation measurements using Schroeder's impulse method and decay-curve averaging method", JASA
63(5), 1978 (noise taken off), Lundeby et al. 1995 (truncation; see floor.py).

A figure is never given silently where the data do not bear it: `Figure.valid` says so and `Figure.reason` why. The
functions here do not filter (see bands.py) and do not separate partials (see lines of partials.py).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drumtune.dsp.floor import Floor, find_floor, interval_means, line_fit

Array = NDArray[np.float64]

CURVATURE_LIMIT = 10.0
"""Curvature in % above which a decay is not one straight line (ISO 3382-2 annex B)."""
RANGES = {"edt": (0.0, -10.0, 25.0, 30.0), "t20": (-5.0, -25.0, 35.0, 10.0), "t30": (-5.0, -35.0, 45.0, 10.0)}
"""Of each figure: evaluation range in dB (top, bottom), how far in dB under the peak the noise must lie (all ISO
3382-1), and the non-linearity in per mille above which the fit is suspect (T20, T30: ISO 3382-2 annex B, from memory;
EDT: ours)."""
_ONSET_DB = -20.0
_PEAK_INTERVAL = 0.01
_END_MARGIN = 3.0


@dataclass(frozen=True, slots=True)
class EnergyDecay:
    """A decay curve with the noise taken off, cut where it meets the floor and continued by its late slope.

    Parameters
    ----------
    times, levels
        Shape (samples,): s from the onset, dB under the whole energy (0 at the start, falling).
    floor_db
        Noise under the peak of the sound's level in 10 ms means, dB (negative). When the record ends
        before its noise shows (`floor.reached` False) it is the level at the end: the noise is lower still.
    floor
        Floor, crossing and late slope.
    raw_times, raw_levels
        Level of the sound itself in 10 ms means (s; dB under the peak), for pictures.
    """

    times: Array
    levels: Array
    floor_db: float
    floor: Floor
    raw_times: Array
    raw_levels: Array


@dataclass(frozen=True, slots=True)
class Figure:
    """One reverberation-like figure: time in s for 60 dB at the slope of its range.

    `value` is None where the range is not there at all; `reason` is empty when `valid`. `slope` (dB/s) and
    `intercept` (dB) draw the fitted line; `nonlinearity` is 1000 (1 - r2).
    """

    value: float | None
    valid: bool
    reason: str
    slope: float = float("nan")
    intercept: float = float("nan")
    nonlinearity: float = float("nan")


@dataclass(frozen=True, slots=True)
class DecayFigures:
    """EDT, T20 and T30 with their validity, and the curvature 100 (T30/T20 - 1) in %, None where T30 is not there."""

    edt: Figure
    t20: Figure
    t30: Figure
    curvature_percent: float | None


def energy_decay(signal: Array, rate: float) -> EnergyDecay:
    """Decay curve of a recorded hit, from the point where it comes within 20 dB of its peak (ISO 3382-1).

    Raises
    ------
    ValueError
        If the signal is not one-dimensional and finite, is silent, or is shorter than 32 samples after its onset.
    """
    if signal.ndim != 1 or not np.isfinite(signal).all():
        raise ValueError(f"a decay needs one channel of finite samples, got shape {signal.shape}")
    power = np.square(signal, dtype=np.float64)
    return power_decay(power[onset(power) :], rate)


def onset(power: Array) -> int:
    """First sample of squared signal within 20 dB of its largest (ISO 3382-1: start of the decay)."""
    return int(np.argmax(power >= power.max() * 10.0 ** (_ONSET_DB / 10.0))) if power.size else 0


def power_decay(power: Array, rate: float) -> EnergyDecay:
    """Decay curve of a squared signal or squared envelope, shape (samples,), that starts at its first sample.

    Trailing exact zeros (padding) are left out.

    Raises
    ------
    ValueError
        If fewer than 32 samples are left.
    """
    power = power[: int(np.max(np.flatnonzero(power), initial=-1)) + 1]
    floor = find_floor(power, rate)
    cut = max(1, round(floor.limit * rate))
    energy = np.cumsum(power[cut - 1 :: -1] - floor.power)[::-1] / rate + floor.tail
    kept = int(np.argmax(energy <= 0.0)) if (energy <= 0.0).any() else energy.size
    energy = energy[: max(kept, 1)]
    levels = 10.0 * np.log10(np.maximum(energy, 1e-300) / max(energy[0], 1e-300))
    raw_times, means = interval_means(power, rate, min(_PEAK_INTERVAL, power.size / rate / 8.0))
    peak = means.max()
    end = floor.power if floor.reached else means[-1]
    raw_levels = 10.0 * np.log10(np.maximum(means / peak, 1e-18))
    floor_db = float(10.0 * np.log10(max(end / peak, 1e-18)))
    return EnergyDecay(np.arange(energy.size) / rate, levels, floor_db, floor, raw_times, raw_levels)


def decay_figures(decay: EnergyDecay) -> DecayFigures:
    """EDT, T20, T30 of a decay curve by least squares in their ISO 3382 ranges, each with its validity."""
    edt, t20, t30 = (_figure(decay, name) for name in RANGES)
    curvature = None
    if t20.value and t30.value:
        curvature = 100.0 * (t30.value / t20.value - 1.0)
    if curvature is not None and curvature > CURVATURE_LIMIT:
        reason = f"two slopes: T30 is {curvature:.0f} % longer than T20"
        t20, t30 = (replace(f, valid=False, reason=reason) for f in (t20, t30))
    return DecayFigures(edt, t20, t30, curvature)


def _figure(decay: EnergyDecay, name: str) -> Figure:
    """Fit one range; T = -60/slope."""
    top, bottom = RANGES[name][:2]
    first = int(np.argmax(decay.levels <= top))
    if not (decay.levels <= bottom).any():
        why = "the noise comes up" if decay.floor.reached else "the recording ends"
        return Figure(None, False, f"{why} {_beside(-decay.levels[-1], -bottom)} dB down, {-bottom:.0f} dB are needed")
    last = int(np.argmax(decay.levels <= bottom)) + 1
    if last - first < 3:
        return Figure(None, False, "too short: it dies within three samples")
    times, levels = decay.times[first:last], decay.levels[first:last]
    slope, intercept = line_fit(times, levels)
    spread = float(np.square(levels - levels.mean()).sum())
    bent = 1000.0 * float(np.square(levels - intercept - slope * times).sum()) / spread
    reason = _doubt(decay, name, bent)
    return Figure(-60.0 / slope, not reason, reason, slope, intercept, bent)


def _doubt(decay: EnergyDecay, name: str, nonlinearity: float) -> str:
    """Why a fitted range is not to be trusted; empty when it is."""
    _, bottom, needed, straight = RANGES[name]
    if decay.floor.reached and -decay.floor_db < needed:
        return f"noise only {_beside(-decay.floor_db, needed)} dB under the peak, {needed:.0f} dB are needed"
    if decay.levels[-1] > bottom - _END_MARGIN:
        wanted = _END_MARGIN - bottom
        return f"the recording ends {_beside(-decay.levels[-1], wanted)} dB down, {wanted:.0f} dB are needed"
    if nonlinearity > straight:
        return f"not a straight line (non-linearity {nonlinearity:.0f} per mille): beating or steps"
    return ""


def _beside(found: float, needed: float) -> str:
    """A figure that falls short of a whole number, to as many decimals (two at most) as show that it does.

    Examples
    --------
    >>> _beside(44.3, 45.0), _beside(44.6, 45.0), _beside(44.98, 45.0)
    ('44', '44.6', '44.98')
    """
    digits = next((digits for digits in (0, 1) if float(f"{found:.{digits}f}") < needed), 2)
    return f"{found:.{digits}f}"


def clarity(signal: Array, rate: float, early: float) -> float:
    """Early-to-late energy ratio in dB, border at `early` in s: C80 with 0.08, C50 with 0.05 (ISO 3382-1 A.2.3).

    Does not take noise off; give a signal that starts at its onset.

    Raises
    ------
    ValueError
        If there is no sound before the border or none after it.
    """
    early_energy, late_energy = _split(signal, rate, early)
    return float(10.0 * np.log10(early_energy / late_energy))


def definition(signal: Array, rate: float, early: float = 0.05) -> float:
    """Early share of the energy, 0...1: D50 (ISO 3382-1 A.2.3). Does not take noise off.

    Raises
    ------
    ValueError
        If there is no sound before the border or none after it.
    """
    early_energy, late_energy = _split(signal, rate, early)
    return early_energy / (early_energy + late_energy)


def centre_time(signal: Array, rate: float) -> float:
    """Centre of gravity of the energy, s: Ts (ISO 3382-1 A.2.4). Does not take noise off."""
    power = np.square(signal, dtype=np.float64)
    return float((np.arange(power.size) + 0.5) @ power / rate / power.sum())


def _split(signal: Array, rate: float, early: float) -> tuple[float, float]:
    power = np.square(signal, dtype=np.float64)
    border = round(early * rate)
    early_energy, late_energy = float(power[:border].sum()), float(power[border:].sum())
    if not (early_energy > 0.0 and late_energy > 0.0):
        raise ValueError(f"there must be sound on both sides of {early} s")
    return early_energy, late_energy
