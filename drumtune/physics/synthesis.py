"""How a tapped head sounds: a sum of damped modes, each excited by the tap and heard by one microphone.

The modes are those of `drumtune.physics.modes` (uneven head, Galerkin), lowered by the air on both sides; the tap is a
half-sine force a couple of milliseconds long at one place; the microphone hears the Rayleigh integral of the head's
acceleration (a head in a baffle). docs/physics.md, "Sound of a tapped head". SI units; angles in radians clockwise
from rod 1; frequencies in Hz, decay rates gamma in 1/s (amplitude goes as exp(-gamma t), T60 = 6.9078/gamma).

It does not model the shell, the other head, the glide of a hard hit or the room.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drumtune.drum import Air, Drum, Head
from drumtune.physics import air as loaded
from drumtune.physics import modes, stress

CONTACT = 1.8e-3
"""Length of a tap's half-sine force with a stick's tip, s (common practice in tap testing, no source)."""
LOSS_FACTOR = 0.006
"""Internal loss factor of the film and its edge, set so that a 12 inch head rings for about a second (no source)."""
EDGE_DECAY = 1.5
"""Decay rate that is the same for every mode, 1/s (what hoop and edge take; no source)."""
_BLOCK = 1024


def ring_out(
    frequencies: ArrayLike, decay_rates: ArrayLike, amplitudes: ArrayLike, count: int, rate: float
) -> NDArray[np.float64]:
    """Sum of damped lines Re sum_i A_i exp((2 pi i f_i - gamma_i) t), `count` samples at `rate` Hz from t = 0.

    Time is cut into blocks, so that every sample is a product of two short tables: 60 lines and ten seconds at 48 kHz
    take one matrix product.

    Parameters
    ----------
    frequencies, decay_rates
        Shape (M,), Hz and 1/s.
    amplitudes
        Shape (M,), complex.
    count, rate
        Number of samples, and samples per second.

    Raises
    ------
    ValueError
        If the three arrays differ in shape, or a count or rate is not positive.
    """
    pole = 2j * np.pi * np.asarray(frequencies, float) - np.asarray(decay_rates, float)
    amplitude = np.asarray(amplitudes, complex)
    if not pole.shape == amplitude.shape == (pole.size,):
        raise ValueError(f"lines need equal one-dimensional shapes, got {pole.shape} and {amplitude.shape}")
    if count < 1 or not rate > 0.0:
        raise ValueError(f"count and rate must be positive, got {count} and {rate}")
    blocks = -(-count // _BLOCK)
    coarse = amplitude * np.exp(np.arange(blocks)[:, None] * (_BLOCK / rate) * pole)
    fine = np.exp(np.arange(_BLOCK) / rate * pole[:, None])
    sound: NDArray[np.float64] = np.hstack([coarse.real, -coarse.imag]) @ np.vstack([fine.real, fine.imag])
    return sound.reshape(-1)[:count]


@dataclass(frozen=True, slots=True)
class SoundingHead:
    """The modes of one head, shape (M,) by frequency: Hz, 1/s, mass of the air over the film's, vectors (B, M)."""

    frequencies: NDArray[np.float64]
    decay_rates: NDArray[np.float64]
    load: NDArray[np.float64]
    vectors: NDArray[np.float64]


def field_of(pulls_cents: ArrayLike) -> NDArray[np.float64]:
    """Rod harmonics of the tension, shape (rods - 1,), that give these pulls in cents, shape (rods,).

    The order is that of `drumtune.physics.stress.harmonics`; tension goes as 2^(pull/600).
    """
    tension = np.exp2(np.asarray(pulls_cents, float) / 600.0)
    patterns = stress.rod_patterns(tension.size)
    solution: NDArray[np.float64] = np.linalg.lstsq(patterns, tension / tension.mean() - 1.0, rcond=None)[0]
    return solution


def sounding_head(
    drum: Drum, pulls_cents: ArrayLike, tension: float, *, slide: float = 0.5, air: Air | None = None, count: int = 60
) -> SoundingHead:
    """Modes of a head at mean `tension` (N/m) with these pulls at its rods (cents, shape (rods,)).

    Parameters
    ----------
    slide
        0 held ... 1 sliding along the rim, see `drumtune.physics.stress`.
    count
        Lowest modes to keep, at most the size of the basis.

    Raises
    ------
    ValueError
        If the number of pulls is not that of the rods.
    """
    pulls = np.asarray(pulls_cents, float)
    if pulls.shape != (drum.rods,):
        raise ValueError(f"{drum.rods} rods need as many pulls, got {pulls.size}")
    air = air or Air()
    matrix = modes.even_stiffness()
    for value, (k, kind) in zip(field_of(pulls), stress.harmonics(drum.rods), strict=True):
        matrix = matrix + value * modes.stiffness(stress.rod_field(k, kind, drum.rods, slide))
    squares, vectors = np.linalg.eigh(matrix)
    squares, vectors = squares[:count], vectors[:, :count]
    head = drum.head
    base = modes.basis()
    even_load = np.array([loaded.load(head, int(m), int(n), air=air) for m, n in zip(base.m, base.n, strict=True)])
    load = even_load @ vectors**2
    speed = math.sqrt(tension / head.surface_density)
    frequencies = np.sqrt(squares / (1.0 + load)) * speed / (2.0 * math.pi * head.radius)
    decay = _radiated(head, frequencies, load, vectors, air) + LOSS_FACTOR * math.pi * frequencies + EDGE_DECAY
    return SoundingHead(frequencies, decay, load, vectors)


def _radiated(
    head: Head,
    frequencies: NDArray[np.float64],
    load: NDArray[np.float64],
    vectors: NDArray[np.float64],
    air: Air,
) -> NDArray[np.float64]:
    """Decay rate by radiation to both sides, shape (M,), each mode a mixture of even ones.

    The law for long waves is cut where it passes a plane wave's: no head sends out more than rho c per side.
    """
    base = modes.basis()
    most = air.density * air.sound_speed / (head.surface_density * (1.0 + load))
    total = np.zeros_like(frequencies)
    for m, n, share in zip(base.m, base.n, vectors**2, strict=True):
        total += share * np.minimum(loaded.radiation_rate(head, frequencies, int(m), int(n), air=air), most)
    return total


def gains(
    head: SoundingHead, radius: float, place: tuple[float, float, float], *, air: Air | None = None
) -> NDArray[np.complex128]:
    """Pressure at the microphone after a unit impulse where a mode's shape is 1, shape (M,), up to one factor.

    The impulse sets film and air going; Rayleigh integral over the head. `place` is (x, y, height) in m from the
    head's centre, x towards rod 1, y a quarter turn clockwise from it. The travel time to the nearest point is taken
    out.
    """
    air = air or Air()
    r_all, theta_all, area, shapes = _surface()
    x, y, height = place
    distance = np.sqrt(
        (x - radius * r_all * np.cos(theta_all)) ** 2 + (y - radius * r_all * np.sin(theta_all)) ** 2 + height**2
    )
    wave = 2.0 * np.pi * head.frequencies / air.sound_speed
    kernel = np.exp(-1j * wave * (distance - distance.min())[:, None]) * (area / distance)[:, None]
    shape = shapes @ head.vectors
    result: NDArray[np.complex128] = (kernel * shape).sum(axis=0) * head.frequencies / (1.0 + head.load)
    return result


@cache
def _surface() -> tuple[NDArray[np.float64], ...]:
    """Points over the unit disc: r, theta and area of each, shape (P,), and the basis functions there, (P, B)."""
    nodes, weights = np.polynomial.legendre.leggauss(20)
    r, theta = 0.5 * (nodes + 1.0), 2.0 * np.pi * np.arange(64) / 64
    r_all, theta_all = (grid.ravel() for grid in np.meshgrid(r, theta, indexing="ij"))
    area = np.repeat(0.5 * weights * r, theta.size) * (2.0 * np.pi / theta.size)
    return r_all, theta_all, area, modes.shapes(r_all, theta_all)[0]


def tap(
    head: SoundingHead, heard: NDArray[np.complex128], place: tuple[float, float], count: int, rate: float
) -> NDArray[np.float64]:
    """Sound of one tap of unit impulse at `place` = (r as share of the radius, theta), `count` samples at `rate` Hz.

    Modes above 0.45 of the rate are left out.
    """
    shape = modes.shapes(np.array([place[0]]), np.array([place[1]]))[0][0] @ head.vectors
    keep = head.frequencies < 0.45 * rate
    amplitudes = (-1j * heard * shape)[keep]
    sound = ring_out(head.frequencies[keep], head.decay_rates[keep], amplitudes, count, rate)
    length = max(2, round(CONTACT * rate))
    pulse = np.sin(np.pi * (np.arange(length) + 0.5) / length)
    return np.convolve(sound, pulse / pulse.sum())[:count]
