"""Sound carried away by two heads at a distance: parallel motion is a dipole, opposite motion a monopole.

Both heads, and a vent if there is one, act as sources in free space that interfere; the shell between them enters by
the length of the way round it only. SI units; time factor exp(i omega t); displacement positive downward.
docs/physics.md, "Two heads".
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drumtune.drum import Air
from drumtune.physics.cavity import head_spectrum

_DIRECTIONS = 24
VISCOSITY = 1.81e-5
"""Viscosity of air at 20 degrees C, Pa s (from memory)."""


def source_distance(radius: float, depth: float) -> float:
    """Acoustic distance in m of the two heads' sources: depth plus 8a/(3 pi).

    The second part is what a rigid disc of no depth has (its added mass (8/3) rho a^3 over rho pi a^2: Lamb,
    Hydrodynamics, from memory), so that heads of a very shallow drum moving in parallel are the dipole they must be.
    An estimate for shells of any depth in between: the field round the shell is not solved.
    """
    return depth + 8.0 * radius / (3.0 * math.pi)


def decay_rates(
    motion: NDArray[np.float64], frequency: NDArray[np.float64], m: int, radius: float, depth: float, air: Air
) -> NDArray[np.float64]:
    """Decay rates by radiation (1/s) of modes of order m that keep their shape.

    Parameters
    ----------
    motion
        Shape (..., 2, RADIAL): top and bottom head's amplitudes, normalised to unit modal mass per unit area (m^2/kg)
        ^(1/2). A last row may stand for a vent, as (..., 3, RADIAL) with its outflow over pi a^2 in the first column.
    frequency
        Shape (...), Hz.
    m, radius, depth, air
        Nodal diameters; m; m; the outside air.

    Notes
    -----
    gamma = rho omega^2 a^2 / (4 c s) times the integral over the polar angle of sin(theta) |H|^2, with s = 1 for m = 0
    and the same for m > 0, H the sum over sources of outflow, directivity and phase. At long wavelengths and one head
    this is half of the baffled head's R/(2M), as a source in free space must be.
    """
    wave = 2.0 * math.pi * frequency / air.sound_speed
    cosine, weight = _directions()
    size = (wave * radius)[..., None] * np.sqrt(1.0 - cosine**2)
    spectrum = np.moveaxis(_spectrum_of(m, size), 0, -2)
    outflow = np.einsum("...hn,...nd->...hd", motion[..., :2, :], spectrum)
    phase = np.exp(0.5j * (wave * source_distance(radius, depth))[..., None] * cosine)
    field = -outflow[..., 0, :] * phase + outflow[..., 1, :] / phase
    if motion.shape[-2] == 3:
        field = field + 0.5 * motion[..., 2, 0, None]
    power = np.sum(weight * np.abs(field) ** 2, axis=-1)
    omega = wave * air.sound_speed
    return np.asarray(air.density * omega**2 * radius**2 * power / (4.0 * air.sound_speed))


@cache
def _directions() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Cosines of polar angles and their weights for an integral of sin(theta) d theta over the sphere."""
    nodes, weights = np.polynomial.legendre.leggauss(_DIRECTIONS)
    return nodes, weights


@cache
def _spectrum_table(m: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Places x and `head_spectrum` over x^m there, which is smooth down to 0."""
    x = np.linspace(0.0, 12.0, 1201)
    x[0] = 1e-3
    table = head_spectrum(m, x) / x**m
    x[0] = 0.0
    return x, table


def _spectrum_of(m: int, x: NDArray[np.float64]) -> NDArray[np.float64]:
    """`head_spectrum`, from a table with linear interpolation (1e-5 of its peak) where the table reaches."""
    grid, table = _spectrum_table(m)
    if x.size == 0 or x.max() >= grid[-1]:
        return head_spectrum(m, x)
    step = grid[1] - grid[0]
    place = np.minimum((x / step).astype(np.int64), grid.size - 2)
    part = x / step - place
    value: NDArray[np.float64] = (table[:, place] * (1.0 - part) + table[:, place + 1] * part) * x**m
    return value


def vent_resistance(diameter: float, length: float, frequency: float, air: Air) -> float:
    """Viscous resistance of a round hole to a volume flow, Pa s/m3, at a frequency in Hz.

    (l/r + 1) sqrt(2 rho omega mu) / (pi r^2): a thin boundary layer along the hole's wall and on both faces
    (U. Ingard, JASA 25(6), 1953, from memory).
    """
    radius = 0.5 * diameter
    layer = math.sqrt(2.0 * air.density * 2.0 * math.pi * frequency * VISCOSITY)
    return (length / radius + 1.0) * layer / (math.pi * radius**2)
