"""The sound of one stroke on a whole drum: both heads' coupled modes, the fall of the pitch, the noise of the stick.

The modes are those of `drumtune.physics.two_heads`; each starts from rest with what the stroke gives it, is heard as
strongly as it radiates, and dies at its own rate. SI units; sounds have shape (count,) at `rate` Hz and any scale, the
same for all strokes on one drum. docs/physics.md, "Sound of a whole drum".

It does not model the shell's own sound, snares, uneven heads or the direction sound goes out in; rooms are added by
`drumtune.advice.whole_take`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from drumtune.physics import two_heads
from drumtune.physics.synthesis import CONTACT, EDGE_DECAY, LOSS_FACTOR, ring_out
from drumtune.physics.two_heads import TOP, TwoHeads

Array = NDArray[np.float64]

ORDERS = range(7)
"""Nodal diameters that are heard."""
CEILING = 1500.0
"""Highest mode rendered, Hz."""
HIT_RADIUS = 0.3
"""Where the top head is struck if nothing is said, share of the radius: near the middle (common practice)."""
NOISE_BAND = (900.0, 9000.0)
"""Where the stick's noise has most of its power, Hz (ours, no source)."""
NOISE_DECAY = 0.004
"""Time in which the stick's noise dies to 1/e, s (ours, no source)."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Damped lines, each shape (M,): Hz, 1/s, and complex amplitude."""

    frequency: Array
    decay_rate: Array
    amplitude: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class Stroke:
    """How the drum is struck.

    Parameters
    ----------
    glide_cents
        By how much the tension added by the stroke raises the pitch at the very start, cents, 0 or more.
    noise_db
        Level of the stick's noise against the peak of the drum's sound, dB; None for none.
    radius
        Place of the stroke, share of the radius, 0...1.
    seed
        Of the noise.
    """

    glide_cents: float = 0.0
    noise_db: float | None = None
    radius: float = HIT_RADIUS
    seed: int = 1


PLAIN = Stroke()
"""A soft stroke with a stick that makes no noise."""


def lines(  # noqa: PLR0913 - a drum, its two tensions, and its losses as in two_heads.pair
    drum: TwoHeads,
    top: float,
    bottom: float,
    *,
    radius: float = HIT_RADIUS,
    ceiling: float = CEILING,
    loss: float = LOSS_FACTOR,
    edge: float = EDGE_DECAY,
) -> Lines:
    """All lines up to `ceiling` (Hz) of a drum at tensions `top` and `bottom` (N/m), struck at `radius` on top.

    Raises
    ------
    ValueError
        If a tension is not positive.
    """
    frequency, decay, strength = [], [], []
    for m in ORDERS:
        modes = two_heads.family(drum, top, bottom, m, ceiling=ceiling, loss=loss, edge=edge)
        frequency.append(modes.frequency)
        decay.append(modes.decay_rate)
        strength.append(strengths(modes, m, radius))
    amplitude = np.asarray(-1j * np.concatenate(strength), dtype=np.complex128)  # all start from rest
    return Lines(np.concatenate(frequency), np.concatenate(decay), amplitude)


def strengths(modes: two_heads.CoupledModes, m: int, radius: float) -> Array:
    """How strongly a stroke of unit momentum at `radius` makes each mode of order m heard, shape of its frequencies."""
    given = modes.motion[..., TOP, :] @ two_heads.shape_at(m, radius) * (1.0 if m == 0 else math.sqrt(2.0))
    heard: Array = np.abs(given) * np.sqrt(modes.radiated) * contact_spectrum(modes.frequency)
    return heard


def sound(found: Lines, count: int, rate: float, stroke: Stroke = PLAIN) -> Array:
    """One stroke: lines with the glide, and the stick's noise over its start.

    Raises
    ------
    ValueError
        If the glide is negative, or count or rate not positive.
    """
    if not stroke.glide_cents >= 0.0:
        raise ValueError(f"a stroke raises the pitch or leaves it, got {stroke.glide_cents} cents")
    heard = _gliding(found, count, rate, stroke.glide_cents) if stroke.glide_cents else _rung(found, count, rate)
    if stroke.noise_db is not None:
        level = float(np.abs(heard).max()) * 10.0 ** (stroke.noise_db / 20.0)
        heard = heard + level * stick_noise(count, rate, np.random.default_rng(stroke.seed))
    return heard


def _rung(found: Lines, count: int, rate: float) -> Array:
    return ring_out(found.frequency, found.decay_rate, found.amplitude, count, rate)


def excess(glide_cents: float) -> float:
    """Relative tension that raises the pitch by so many cents: 2^(cents/600) - 1."""
    return math.exp2(glide_cents / 600.0) - 1.0


def warped_time(time: Array, added: float, decay_rate: float) -> Array:
    """Integral of f(t)/f_settled = sqrt(1 + added exp(-2 decay_rate t)) from 0 to `time`, s (docs/physics.md, "Glide").

    The closed form: time plus [first - now - log((1 + first)/(1 + now))] over the decay rate, `first` and `now` the
    root at the start and at `time`.
    """
    first, now = math.sqrt(1.0 + added), np.sqrt(1.0 + added * np.exp(-2.0 * decay_rate * time))
    return np.asarray(time + (first - now - np.log((1.0 + first) / (1.0 + now))) / decay_rate)


def note_rate(found: Lines) -> float:
    """Decay rate of the lowest line, 1/s: the note, in which the film swings farthest and so stretches most."""
    return float(found.decay_rate[np.argmin(found.frequency)])


def _gliding(found: Lines, count: int, rate: float, cents: float) -> Array:
    """Lines played over warped time: steady ones at the same rate, read off where the warped time of a sample lies.

    All lines rise by one ratio, since one tension pulls on all of them; it dies twice as fast as the lowest line.
    Decays run over warped time too, which makes them as much too fast as the pitch is high: 6 % at the start for a
    glide of a semitone.
    """
    time = np.arange(count) / rate
    warped = warped_time(time, excess(cents), note_rate(found))
    steady = _rung(found, math.ceil(warped[-1] * rate) + 4, rate)
    return np.asarray(CubicSpline(np.arange(steady.size) / rate, steady)(warped))


def stick_noise(count: int, rate: float, rng: np.random.Generator) -> Array:
    """Noise of a stick meeting a head, peak 1: a burst of a few milliseconds, mostly within `NOISE_BAND`."""
    length = min(count, max(2, round(12.0 * NOISE_DECAY * rate)))
    time = np.arange(length) / rate
    swing = rng.standard_normal(length) * np.exp(-time / NOISE_DECAY) * np.minimum(1.0, time / (0.5 * CONTACT))
    size = 2 * length
    f = np.fft.rfftfreq(size, 1.0 / rate)
    low, high = NOISE_BAND
    gain = (f / low) ** 2 / (1.0 + (f / low) ** 2) / (1.0 + (f / high) ** 4)
    burst = np.fft.irfft(np.fft.rfft(swing, size) * gain, size)[:length]
    burst *= np.linspace(1.0, 0.0, length)
    result = np.zeros(count)
    result[:length] = burst / np.abs(burst).max()
    return result


def contact_spectrum(frequency: Array) -> Array:
    """Spectrum of a half-sine force of a tap's length at frequencies in Hz, 1 at 0."""
    x = 2.0 * frequency * CONTACT
    safe = np.where(np.abs(1.0 - x**2) < 1e-6, 0.0, x)
    return np.where(safe == x, np.cos(0.5 * math.pi * safe) / (1.0 - safe**2), math.pi / 4.0)
