"""The even head in vacuum: frequencies, modal mass and swept area of a uniformly stretched disc.

m counts nodal diameters (0, 1, 2...), n nodal circles with the rim among them (1, 2...); j_mn is the n-th zero of the
Bessel function J_m. Tension in N/m, surface density in kg/m2, radius in m, frequency in Hz. Arrays broadcast.
The equations stand in docs/physics.md, section "Even head".
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jn_zeros, jv

from drumtune.drum import Head


@lru_cache(maxsize=256)
def bessel_zero(m: int, n: int) -> float:
    """n-th positive zero j_mn of J_m, dimensionless.

    Raises
    ------
    ValueError
        If m < 0 or n < 1.

    Notes
    -----
    Abramowitz & Stegun, Table 9.5; DLMF 10.21.
    """
    if m < 0 or n < 1:
        raise ValueError(f"a mode has m >= 0 nodal diameters and n >= 1 nodal circles, got ({m}, {n})")
    return float(jn_zeros(m, n)[-1])


def displacement(m: int, n: int, r: ArrayLike, theta: ArrayLike) -> NDArray[np.float64]:
    """Displacement J_m(j_mn r) cos(m theta) of mode (m, n), for r as a share of the radius and theta in radians.

    Not normalised. Source: docs/physics.md, section Even head.
    """
    radial = jv(m, bessel_zero(m, n) * np.asarray(r, float))
    return np.asarray(radial * np.cos(m * np.asarray(theta, float)), dtype=np.float64)


def frequency(head: Head, tension: ArrayLike, m: int, n: int) -> NDArray[np.float64]:
    """Frequency f_mn in Hz of an even head in vacuum; `tension` in N/m, any shape. Does not count the air.

    Raises
    ------
    ValueError
        If a tension is negative, or (m, n) is no mode.
    """
    speed = np.sqrt(_tension(tension) / head.surface_density)
    return bessel_zero(m, n) / (2.0 * math.pi * head.radius) * speed


def tension(head: Head, frequency_vacuum: ArrayLike, m: int, n: int) -> NDArray[np.float64]:
    """Tension in N/m of an even head whose mode (m, n) would sound at `frequency_vacuum` Hz in vacuum.

    Does not count the air: a measured frequency belongs into ``drumtune.physics.air.tension``.
    """
    ratio = 2.0 * math.pi * head.radius * np.asarray(frequency_vacuum, float) / bessel_zero(m, n)
    return head.surface_density * ratio**2


def modal_mass(head: Head, m: int, n: int) -> float:
    """Modal mass in kg of a mode shape J_m(j r/a) cos(m theta), as it stands (its greatest value is not made 1).

    pi a^2 sigma J1(j)^2 for m = 0 and half of pi a^2 sigma J_{m+1}(j)^2 for m > 0 (the angle's mean square).
    """
    share = 1.0 if m == 0 else 0.5
    return float(share * math.pi * head.radius**2 * head.surface_density * jv(m + 1, bessel_zero(m, n)) ** 2)


def swept_area(head: Head, n: int) -> float:
    """Integral in m2 of the mode shape J_0(j r/a) of (0, n) over the head: volume moved per metre at the centre.

    Modes with m > 0 sweep none.
    """
    j = bessel_zero(0, n)
    return float(2.0 * math.pi * head.radius**2 * jv(1, j) / j)


def _tension(value: ArrayLike) -> NDArray[np.float64]:
    """A tension as an array, refused when negative."""
    array = np.asarray(value, float)
    if np.any(array < 0.0):
        raise ValueError(f"a tension must not be negative, got {float(array.min())} N/m")
    return array
