"""Air on a head: the mass it adds, the spring of a closed volume, the sound it carries away.

The head is thought baffled and the near air incompressible (exact as the acoustic wavelength grows long against the
head). `sides` is 2 for a head with open air on both sides, 1 where only one side counts. SI units, arrays broadcast.
The equations stand in docs/physics.md, section "Air on a head".
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import jn_zeros, jv

from drumtune.drum import Air, Head
from drumtune.physics import membrane

_ROOM = Air()
_PANELS = 1.25
"""Width of an integration panel: well under half the period pi of the squared Bessel function."""
_REACH = 60.0
"""How far past the zero the integral is computed; the rest is added in closed form (relative 1e-6)."""


@lru_cache(maxsize=256)
def added_mass(m: int, n: int) -> float:
    """chi_mn: mass of air that moves with mode (m, n), per unit area and side, in units of density times radius.

    chi = 2 j^2 times the integral over x from 0 to infinity of J_m(x)^2 / (j^2 - x^2)^2. The point x = j, where the
    quotient is finite, is a panel's edge and never a node.

    Raises
    ------
    ValueError
        If m < 0 or n < 1.
    """
    j = membrane.bessel_zero(m, n)
    below = np.linspace(0.0, j, max(4, math.ceil(j / _PANELS)) + 1)
    above = np.linspace(j, j + _REACH, math.ceil(_REACH / _PANELS) + 1)
    x, weight = _gauss(np.concatenate([below, above[1:]]))
    inside = float(np.sum(weight * (jv(m, x) / (j * j - x * x)) ** 2))
    return 2.0 * j * j * (inside + _tail(j, j + _REACH))


def _gauss(edges: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Eight-point Gauss-Legendre nodes and weights on every panel between `edges`, each of shape (8 * panels,)."""
    node, weight = np.polynomial.legendre.leggauss(8)
    half = 0.5 * np.diff(edges)[:, None]
    middle = 0.5 * (edges[1:] + edges[:-1])[:, None]
    return (middle + half * node).ravel(), (half * weight).ravel()


def _tail(j: float, start: float) -> float:
    """Integral from `start` on with J_m(x)^2 replaced by its mean 1/(pi x): closed form by partial fractions."""
    u, v = start * start, j * j
    return (math.log((u - v) / u) / (v * v) + 1.0 / (v * (u - v))) / (2.0 * math.pi)


def load(head: Head, m: int, n: int, *, air: Air = _ROOM, sides: int = 2) -> float:
    """Mass of the air over the mass of the film for mode (m, n): sides rho a chi / sigma, dimensionless."""
    return sides * air.density * head.radius * added_mass(m, n) / head.surface_density


def frequency(
    head: Head, tension: ArrayLike, m: int, n: int, *, air: Air = _ROOM, sides: int = 2
) -> NDArray[np.float64]:
    """Frequency in Hz of mode (m, n) of an even head at `tension` N/m with the air's mass on it.

    Does not count the spring of enclosed air; see `closed_volume_root` for that.
    """
    return membrane.frequency(head, tension, m, n) / math.sqrt(1.0 + load(head, m, n, air=air, sides=sides))


def tension(
    head: Head, frequency_hz: ArrayLike, m: int, n: int, *, air: Air = _ROOM, sides: int = 2
) -> NDArray[np.float64]:
    """Tension in N/m of an even head whose mode (m, n) was heard at `frequency_hz`, the air's mass counted.

    On a shell the (1,1) line is the better guide: the volume behind the head is a spring for (0, n) only.
    """
    return membrane.tension(head, frequency_hz, m, n) * (1.0 + load(head, m, n, air=air, sides=sides))


def spring_ratio(head: Head, tension: ArrayLike, volume: float, *, air: Air = _ROOM) -> NDArray[np.float64]:
    """B = rho c^2 pi a^4 / (T V), the closed volume's spring over the head's; V in m3 (a^2 rho c^2/(T L) for a tube).

    Raises
    ------
    ValueError
        If the volume or a tension is not positive.
    """
    force = np.asarray(tension, float)
    if volume <= 0.0 or np.any(force <= 0.0):
        raise ValueError(f"volume and tension must be positive, got {volume} m3 and {float(force.min())} N/m")
    return air.density * air.sound_speed**2 * math.pi * head.radius**4 / (force * volume)


def closed_volume_root(ratio: ArrayLike, n: int = 1) -> NDArray[np.float64]:
    """n-th root x of x^2 J0(x) = -B J2(x): what replaces j_0n for a head closing a small volume.

    Parameters
    ----------
    ratio
        B of `spring_ratio`, any shape, zero or positive.
    n
        Number of nodal circles, the rim counted.

    Raises
    ------
    ValueError
        If B is negative or n < 1.

    Notes
    -----
    The root lies between the n-th zeros of J0 (B = 0) and of J2 (B infinite) and is found by bisection.
    """
    spring = np.asarray(ratio, float)
    if np.any(spring < 0.0):
        raise ValueError(f"a spring ratio must not be negative, got {float(spring.min())}")
    low = np.full(spring.shape, membrane.bessel_zero(0, n))
    high = np.full(spring.shape, float(jn_zeros(2, n)[-1]))
    sign = -1.0 if n % 2 == 0 else 1.0
    for _ in range(52):
        middle = 0.5 * (low + high)
        above = sign * (middle**2 * jv(0, middle) + spring * jv(2, middle)) < 0.0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.asarray(0.5 * (low + high))


def radiation_rate(
    head: Head, frequency_hz: ArrayLike, m: int, n: int, *, air: Air = _ROOM, sides: int = 2
) -> NDArray[np.float64]:
    """Decay rate gamma in 1/s of the amplitude by the sound a baffled head sends out, at `frequency_hz`.

    gamma = sides R / (2 (sigma + sides rho a chi)) with R = 2 rho c (k a)^(2m+2) / (j^2 (2m+1)!) per side.
    Leading order in k a: meant for k a below j. Does not count losses in film, rim or stick.
    """
    j = membrane.bessel_zero(m, n)
    size = 2.0 * math.pi * np.asarray(frequency_hz, float) * head.radius / air.sound_speed
    resistance = 2.0 * air.density * air.sound_speed * size ** (2 * m + 2) / (j * j * math.factorial(2 * m + 1))
    mass = head.surface_density * (1.0 + load(head, m, n, air=air, sides=sides))
    return sides * resistance / (2.0 * mass)
